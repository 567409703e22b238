// What else is done at the tank: nitrogen and frost, a count, heat and check, an alert, a straw that says another; and how the
// pages of a farm with nothing to do and of a reader look.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { kept, launch, pointAt, reads, seen, sentAll, show, signIn, tap, until } from "./lib/browser.js";
import { adds, onceInOrder, withdrawalOf } from "./lib/check.js";
import { enterFarm } from "./lib/farm.js";
import { phone, straightOut } from "./lib/phone.js";
import { Service } from "./lib/service.js";

let browser;
before(async () => (browser = await launch()));
after(() => browser?.close());

async function farmWithPhone(t, how = {}) {
  const service = await new Service().start();
  t.after(() => service.stop());
  const farm = await enterFarm(service, { cows: 1, thawS: 1, ...how });
  return { service, farm, ...(await phone(t, browser, service, service.key("Mira", "technician"))) };
}

test("nitrogen with frost, the tank closed, a count, a heat, a check, an alert: kept without a signal, once in the book", async (t) => {
  const { service, farm, page, wire } = await farmWithPhone(t);
  await service.post(`/v1/tanks/${farm.tanks.dairy.id}/nitrogen-readings`, { depth_mm: 100, frost: "none" });
  await until(async () => {
    await page.evaluate(() => dispatchEvent(new Event("online")));
    return (await kept(page, "alerts")).length > 0;
  }, "the alert of the low tank");
  wire.cut();
  await show(page, "nitrogen", farm.tanks.own.id);
  for (let i = 0; i < 3; i++) await tap(page, "less");
  await reads(page, ".figure span", "18");
  await tap(page, "frost");
  await seen(page, '[data-id="close"]');
  await reads(page, "main", /Move the straws now/);
  await tap(page, "close");
  await seen(page, ".rows");
  await reads(page, ".strip", /18 cm/);
  await show(page, "count", farm.tanks.own.id, "6");
  await tap(page, "less");
  await tap(page, "here");
  await tap(page, "send");
  await show(page, "heat", farm.animals["104"].id);
  for (let i = 0; i < 2; i++) await tap(page, "less");
  await tap(page, "seen");
  await seen(page, ".rows");
  await show(page, "check", farm.animals["106"].id);
  await tap(page, "open");
  await seen(page, ".rows");
  await show(page, "alerts");
  await tap(page, "seen");
  await until(async () => (await kept(page, "outbox")).length === 6, "six acts kept");
  wire.mend();
  await page.evaluate(() => dispatchEvent(new Event("online")));
  await sentAll(page);
  const acts = wire.acts.map((act) => act.path.replaceAll(/[0-9a-f-]{36}/g, "…"));
  assert.deepEqual(acts, ["/v1/tanks/…/nitrogen-readings", "/v1/holds", "/v1/stocktakes", "/v1/heats", "/v1/pregnancy-checks", "/v1/alerts/…/acknowledgement"]);
  assert.ok(wire.acts.every((act) => act.status < 300), JSON.stringify(wire.acts));
  const { items: readings } = await service.get(`/v1/tanks/${farm.tanks.own.id}/nitrogen-readings`);
  assert.deepEqual([readings.at(-1).frost ?? readings[0].frost, readings.length], ["frost", 3]);
  const { items: counts } = await service.get("/v1/stocktakes");
  assert.equal(counts.length, 1);
  const { items: checks } = await service.get(`/v1/pregnancy-checks?animal_id=${farm.animals["106"].id}`);
  assert.ok(checks.some((check) => check.result === "empty"));
  adds(service);
});

test("the straw says another: discarded, or served with what it says", async (t) => {
  const { service, farm, page, wire } = await farmWithPhone(t, { cows: 2 });
  await pointAt(page, "201");
  await straightOut(tap, page);
  await tap(page, "in-bath");
  await page.waitForSelector('[data-id="served"]:not(.closed)');
  await tap(page, "served");
  await tap(page, "no");
  await tap(page, "discarded");
  await seen(page, ".rows");
  await pointAt(page, "202");
  for (const id of ["go", "out", "in-bath"]) await tap(page, id);
  await page.waitForSelector('[data-id="served"]:not(.closed)');
  await tap(page, "served");
  await tap(page, "no");
  await tap(page, "was-served");
  await reads(page, ".rows .at", /0HO127/);
  await tap(page, "this");
  await seen(page, ".rows .done");
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "discard", "out", "bath", "serve"]);
  assert.equal((await withdrawalOf(service, farm.animals["201"].id)).state, "discarded");
  const { items } = await service.get(`/v1/services?animal_id=${farm.animals["202"].id}&limit=50`);
  const service202 = items.find((one) => one.withdrawal_id !== null);
  assert.equal(service202.straw_read, "0HO127, 26074-09");
  assert.deepEqual(service202.deviations.map((one) => one.kind), ["straw_mismatch"]);
  adds(service);
});

test("a bath that is not right closes the way to the straw, and what has happened is kept all the same", async (t) => {
  const { service, farm, page, wire } = await farmWithPhone(t);
  const animal = farm.animals["201"].id;
  await show(page, "bath", animal);
  for (let i = 0; i < 2; i++) await tap(page, "plus1");
  await reads(page, ".plate", /Too warm: add water42 ml, then 43/);
  await tap(page, "shows");
  await show(page, "card", animal);
  await reads(page, '[data-id="out"]', /closed: bath 37.6 °C/);
  await tap(page, "out");
  await tap(page, "already");
  await tap(page, "in-bath");
  await page.waitForSelector('[data-id="served"]:not(.closed)');
  await tap(page, "served");
  await tap(page, "yes");
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "serve"]);
  assert.deepEqual((await withdrawalOf(service, animal)).deviations.map((one) => one.kind), ["bath_out_of_range"]);
  // Two straws in one bath: the earliest on top, each with its animal.
  adds(service);
});

test("frost: every canister moved to another tank without a signal, one taken back in time, and the tank closed", async (t) => {
  const { service, farm, page, wire } = await farmWithPhone(t);
  const before = (await service.get(`/v1/stock?tank_id=${farm.tanks.own.id}`)).items;
  const straws = before.reduce((sum, row) => sum + row.straws, 0);
  wire.cut();
  await show(page, "frost", farm.tanks.own.id);
  await reads(page, '[data-id="move"]', new RegExp(`^MOVE ALL ${straws}`));
  await tap(page, "move");
  await seen(page, '[data-id="moved"]');
  // The first canister, a wrong tap taken back: it is listed as before.
  const first = await page.locator(".rows .at .n").textContent();
  await tap(page, "moved");
  await tap(page, "undo");
  await reads(page, ".rows .at .n", first);
  assert.deepEqual(await kept(page, "outbox"), []);
  // It goes one canister further over there.
  await tap(page, "plus");
  await tap(page, "moved");
  while ((await page.locator('[data-id="moved"]').count()) > 0) await tap(page, "moved");
  await seen(page, '[data-id="close"]');
  await tap(page, "close");
  assert.equal(await page.locator('[data-id="move"]').count(), 0, "nothing is left to move");
  await tap(page, "close");
  wire.mend();
  await page.evaluate(() => dispatchEvent(new Event("online")));
  await sentAll(page);
  assert.ok(wire.acts.every((act) => act.status < 300), JSON.stringify(wire.acts));
  assert.deepEqual(wire.acts.map((act) => act.path), [...before.map(() => "/v1/transfers"), "/v1/holds"]);
  assert.deepEqual((await service.get(`/v1/stock?tank_id=${farm.tanks.own.id}`)).items.filter((row) => row.straws > 0), []);
  const after = (await service.get(`/v1/stock?tank_id=${farm.tanks.dairy.id}`)).items;
  for (const { lot_id, place, straws } of before) {
    const canister = place.canister + (String(place.canister) === first ? 1 : 0);
    const moved = after.find((row) => row.lot_id === lot_id && row.place.canister === canister && row.place.cane === place.cane && row.place.goblet === place.goblet);
    assert.equal(moved?.straws, straws, JSON.stringify({ place, after }));
  }
  adds(service);
});

test("who is not on the round is served all the same, without a signal, with a straw that hangs near", async (t) => {
  const service = await new Service().start();
  t.after(() => service.stop());
  const farm = await enterFarm(service, { thawS: 1 });
  const { id } = await service.post("/v1/animals", { herd_id: farm.herd.id, number: "105", born_on: farm.animals["102"].born_on });
  await service.post("/v1/discards", { lot_id: farm.lots.larch.id, place: farm.places.larch, straws: 8, reason: "recalled" });
  const { page, wire } = await phone(t, browser, service, service.key("Mira", "technician"));
  wire.cut();
  // Nothing is said of what nobody judged.
  await show(page, "card", id);
  await reads(page, ".calls", /What she calls for: not known/);
  await reads(page, ".caution", /Not on the round/);
  await reads(page, '[data-id="out"]', /closed: choose a straw/);
  await tap(page, "another");
  const lines = await page.locator(".rows li").allTextContents();
  assert.deepEqual(lines.map((line) => /0[A-Z]{2}\d{3}/.exec(line)?.[0]).sort(), ["0HO127", "0LM110"]);
  while (!/0LM110/.test(await page.locator(".rows .at").textContent())) await tap(page, "next");
  await tap(page, "take");
  await reads(page, ".calls", /Chosen here: conventional/i);
  for (const name of ["bath", "shows", "straw", "out", "in-bath"]) await tap(page, name);
  await page.waitForSelector('[data-id="served"]:not(.closed)');
  await tap(page, "served");
  await tap(page, "yes");
  // Nothing is left that she may have: closed, and what is lifted for her is kept all the same.
  await show(page, "card", farm.animals["101"].id);
  await reads(page, '[data-id="out"]', /closed: no straw here/);
  await tap(page, "out");
  await tap(page, "another");
  while (!/0LM110/.test(await page.locator(".rows .at").textContent())) await tap(page, "next");
  await tap(page, "take");
  await reads(page, '[data-id="out"]', /closed: not offered to her/);
  await tap(page, "out");
  await tap(page, "already");
  await seen(page, '[data-id="in-bath"]');
  wire.mend();
  await page.evaluate(() => dispatchEvent(new Event("online")));
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "serve", "out"]);
  assert.equal((await withdrawalOf(service, id)).state, "served");
  assert.deepEqual((await withdrawalOf(service, farm.animals["101"].id)).deviations.map((one) => one.kind), ["choice_rule"]);
  adds(service);
});

test("two straws in one bath: the earliest on top, each with its animal; sexed ones one at a time", async (t) => {
  const { service, farm, page, wire } = await farmWithPhone(t, { cows: 2, thawS: 30 });
  await pointAt(page, "201");
  await straightOut(tap, page);
  await tap(page, "in-bath");
  await seen(page, ".clock.wait");
  await show(page, "card", farm.animals["202"].id);
  await reads(page, ".strip .running", /^201 WAIT 0:\d\d$/);
  await tap(page, "out");
  await tap(page, "in-bath");
  await seen(page, ".after");
  const ids = (await kept(page, "thaws")).sort((a, b) => a.out_at - b.out_at).map((straw) => straw.withdrawal_id);
  await show(page, "thaw", ids[0]);
  await reads(page, ".who .number", "201");
  await reads(page, ".after", /^202then, WAIT0LM1100:\d\d$/);
  // A sexed straw waits until the bath is empty.
  await show(page, "bath", farm.animals["101"].id);
  await tap(page, "shows");
  await show(page, "card", farm.animals["101"].id);
  await reads(page, '[data-id="out"]', /closed: the bath is full/);
  for (const [i, id] of ids.entries()) {
    await show(page, "thaw", id);
    await seen(page, '[data-id="served"]:not(.closed)');
    await reads(page, ".who .number", String(201 + i));
    await tap(page, "served");
    await tap(page, "yes");
    await until(async () => (await kept(page, "thaws")).filter((straw) => straw.ended === "served").length === i + 1, "the answer kept");
  }
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "out", "bath", "serve", "serve"]);
  adds(service);
});

test("a reader sees the round and is offered no act that the book would refuse", async (t) => {
  const { service } = await farmWithPhone(t);
  const { page } = await phone(t, browser, service, service.key("Owner", "reader"));
  await show(page, "card", (await kept(page, "animals")).find((animal) => animal.number === "201").id);
  assert.equal(await page.locator('[data-id="out"]').count(), 0);
  await show(page, "more");
  assert.ok(!(await page.locator("main").textContent()).includes("Count a canister"));
});

test("signing out takes the key and the book off the phone, and leaves what waits", async (t) => {
  const { service, farm, page, wire } = await farmWithPhone(t);
  wire.cut();
  await show(page, "heat", farm.animals["104"].id);
  await tap(page, "seen");
  await seen(page, ".rows");
  await show(page, "sign_out");
  await page.waitForFunction(() => document.querySelector("main")?.textContent?.includes("Waiting on this phone: 1"));
  await tap(page, "out");
  await seen(page, '[data-id="try"]');
  assert.deepEqual(await kept(page, "animals"), []);
  assert.deepEqual((await kept(page, "outbox")).map((entry) => entry.kind), ["heat"]);
  assert.ok(!JSON.stringify(await kept(page, "meta")).includes("tks_"));
  wire.mend();
  await signIn(page, wire.base, service.key("Mira again", "technician"));
  await sentAll(page);
  onceInOrder(wire, ["heat"]);
  adds(service);
});
