// Stories 3, 5 and 6: what time does to a straw. The page's clock is the story's.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { kept, launch, pointAt, seen, sentAll, show, tap, until, withClock } from "./lib/browser.js";
import { adds, done, onceInOrder, withdrawalOf } from "./lib/check.js";
import { enterFarm } from "./lib/farm.js";
import { phone, straightOut } from "./lib/phone.js";
import { Service } from "./lib/service.js";

let browser;
before(async () => (browser = await launch()));
after(() => browser?.close());

const HOURS = 3_600_000;

async function farmWithPhone(t, how = {}, { shiftMs = 0 } = {}) {
  const service = await new Service().start();
  t.after(() => service.stop());
  const farm = await enterFarm(service, { cows: 1, ...how });
  const its = await phone(t, browser, service, service.key("Mira", "technician"), { before: (page) => withClock(page, shiftMs) });
  await pointAt(its.page, "201");
  return { service, farm, ...its };
}

/** Seconds left, as they are shown. */
async function left(page) {
  const [minutes, seconds] = (await page.locator(".clock .left").textContent()).replace("+", "").split(":").map(Number);
  return minutes * 60 + seconds;
}

const pass = (page, ms) => page.evaluate((by) => storyClock.pass(by), ms);

/** Taps at an instant of the page's clock, which stands still meanwhile. */
const tapAt = (page, id, at) =>
  page.evaluate(
    async ([target, when]) => {
      const button = document.querySelector(`[data-id="${target}"]`);
      const { now } = await import("/clock.js");
      storyClock.stand(now, when);
      button.click();
      await new Promise((resolve) => setTimeout(resolve, 400));
      storyClock.go();
    },
    [id, at],
  );

test("a page that is loaded again goes on from the stored instants", async (t) => {
  const { page, wire, service, farm } = await farmWithPhone(t);
  await straightOut(tap, page);
  await tap(page, "in-bath");
  await seen(page, ".clock.wait");
  const [straw] = await kept(page, "thaws");
  wire.cut();
  for (const when of [straw.ready_at - 20_000, straw.ready_at + 1000, straw.use_by_at - 30_000, straw.use_by_at + 125_000]) {
    await page.evaluate(async (at) => storyClock.pass(at - (await import("/clock.js")).now()), when);
    await page.reload();
    await page.waitForSelector(".clock .left");
    const is = when < straw.ready_at ? "wait" : when > straw.use_by_at ? "late" : "use";
    await seen(page, `.clock.${is}`);
    const end = is === "wait" ? straw.ready_at : straw.use_by_at;
    const shown = await left(page);
    const now = await page.evaluate(async () => (await import("/clock.js")).now());
    assert.ok(Math.abs(shown - Math.abs(end - now) / 1000) <= 2, `${is}: ${shown} s shown, ${Math.abs(end - now) / 1000} s by the instants`);
  }
  // Late is late on record too, and never refused.
  await tap(page, "served");
  await tap(page, "yes");
  await seen(page, ".rows");
  wire.mend();
  await page.evaluate(() => (storyClock.pass(11_000), dispatchEvent(new Event("online"))));
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "serve"]);
  const { items } = await service.get(`/v1/services?animal_id=${farm.animals["201"].id}&limit=50`);
  const { deviations } = items.find((one) => one.withdrawal_id !== null);
  assert.deepEqual(deviations.map((one) => one.kind), ["after_use_by"]);
  adds(service);
});

test("undone at 9.9 s it never was; at 10.1 s it is kept", async (t) => {
  const { page, wire, service, farm } = await farmWithPhone(t, { thawS: 1 });
  const animal = farm.animals["201"].id;
  const last = async () => (await kept(page, "outbox")).at(-1);
  // STRAW OUT.
  await straightOut(tap, page);
  await seen(page, '[data-id="undo"]');
  await tapAt(page, "undo", (await last()).undo_until - 100);
  await seen(page, "p.calls");
  assert.deepEqual(await kept(page, "outbox"), []);
  assert.deepEqual(await kept(page, "thaws"), []);
  await tap(page, "out");
  await seen(page, '[data-id="undo"]');
  await tapAt(page, "undo", (await last()).undo_until + 100);
  await seen(page, '[data-id="in-bath"]');
  assert.equal((await kept(page, "thaws")).length, 1, "too late to undo: it is out");
  // IN BATH.
  await tap(page, "in-bath");
  await seen(page, '.clock');
  await tapAt(page, "undo", (await last()).undo_until - 100);
  await seen(page, '[data-id="in-bath"]');
  assert.equal((await kept(page, "thaws"))[0].bath_at, null);
  await tap(page, "in-bath");
  await seen(page, ".clock");
  await tapAt(page, "undo", (await last()).undo_until + 100);
  await seen(page, ".clock");
  assert.notEqual((await kept(page, "thaws"))[0].bath_at, null);
  // SERVED and YES: undone from the round.
  await page.waitForSelector('[data-id="served"]:not(.closed)');
  await tap(page, "served");
  await tap(page, "yes");
  await seen(page, ".rows");
  const served = (await kept(page, "outbox")).at(-1);
  assert.equal(JSON.parse(served.body).straw_read, "0LM110, 25014-34");
  await page.waitForSelector('.deck:not([data-deaf]) [data-id="undo"]');
  await tapAt(page, "undo", served.undo_until - 100);
  await seen(page, ".clock");
  await tap(page, "served");
  await tap(page, "yes");
  await page.waitForSelector('.deck:not([data-deaf]) [data-id="undo"]');
  await tapAt(page, "undo", (await last()).undo_until + 100);
  await show(page, "round");
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "serve"]);
  assert.equal((await withdrawalOf(service, animal)).state, "served");
  adds(service);
});

test("a straw that was put back is back in the book, with how long it was out", async (t) => {
  const { page, wire, service, farm } = await farmWithPhone(t);
  await straightOut(tap, page);
  await seen(page, '[data-id="undo"]');
  await pass(page, 11_000);
  await seen(page, '[data-id="put-back"]');
  await tap(page, "put-back");
  await seen(page, ".rows");
  await pass(page, 11_000);
  await sentAll(page);
  assert.deepEqual(done(wire), ["out", "put back"]);
  assert.equal((await withdrawalOf(service, farm.animals["201"].id)).state, "reversed");
  const { items } = await service.get("/v1/movements?kind=reversal");
  assert.match(items[0].note, /put back after 1\d s above the nitrogen/);
  adds(service);
});

for (const wrong of [-3 * HOURS, 3 * HOURS]) {
  test(`a clock that is ${wrong / HOURS} h wrong, and is moved while a straw thaws`, async (t) => {
    const { page, wire, service, farm } = await farmWithPhone(t, { thawS: 60 }, { shiftMs: wrong });
    const began = Date.now();
    await straightOut(tap, page);
    await tap(page, "in-bath");
    await seen(page, ".clock.wait");
    const before = await left(page);
    const at = Date.now();
    // Somebody puts the clock right; the next answer, or the running count, says by how much.
    await page.evaluate((by) => storyClock.set(by), -wrong);
    await page.evaluate(() => dispatchEvent(new Event("online")));
    await until(async () => Math.abs(before - (Date.now() - at) / 1000 - (await left(page))) <= 3, "the same seconds left");
    await show(page, "early", (await kept(page, "thaws"))[0].withdrawal_id);
    await tap(page, "already");
    await tap(page, "yes");
    await seen(page, ".rows");
    await sentAll(page);
    onceInOrder(wire, ["out", "bath", "serve"]);
    const withdrawal = await withdrawalOf(service, farm.animals["201"].id);
    for (const instant of [withdrawal.withdrawn_at, withdrawal.thaw_started_at, withdrawal.resolved_at]) {
      const told = Date.parse(instant);
      assert.ok(told > began - 5000 && told < Date.now() + 5000, `${instant} is an instant of the book`);
    }
    adds(service);
  });
}
