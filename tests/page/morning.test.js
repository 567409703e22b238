// Stories 1 and 2: a straw's whole way, with the network cut before each tap in turn, the browser killed after each tap, and the
// service killed between request and answer.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { Device, installed, kept, launch, pointAt, reads, seen, sentAll, show, signIn, sleep, tap, until } from "./lib/browser.js";
import { adds, onceInOrder, withdrawalOf } from "./lib/check.js";
import { enterFarm } from "./lib/farm.js";
import { phone } from "./lib/phone.js";
import { Service, Wire } from "./lib/service.js";

let browser;
before(async () => (browser = await launch()));
after(() => browser?.close());

/** The taps of one straw, from the round to the round, and the nitrogen after it. */
const WAY = ["go", "bath", "shows", "straw", "out", "in-bath", "served", "yes", "nitrogen", "no-frost"];
const ACTS = ["out", "bath", "serve", "reading"];

/** What each tap leads to. */
const LEADS_TO = {
  go: "p.calls", bath: '[data-id="shows"]', shows: '[data-id="straw"]', straw: '[data-id="out"].tall', out: '[data-id="in-bath"]', "in-bath": ".clock",
  served: '[data-id="yes"]', yes: ".rows", "no-frost": "h1",
};

async function step(page, farm, name) {
  if (name === "nitrogen") return show(page, "nitrogen", farm.tanks.own.id);
  if (name === "served") await seen(page, '[data-id="served"]:not(.closed)');
  await tap(page, name);
  await seen(page, LEADS_TO[name]);
}

async function isRight(service, farm, number) {
  const withdrawal = await withdrawalOf(service, farm.animals[number].id);
  assert.equal(withdrawal.state, "served");
  assert.equal(withdrawal.lot.batch, "25014-34");
  assert.equal(withdrawal.bath_temp_c, 35.6);
  assert.deepEqual(withdrawal.deviations, []);
  const out = Date.parse(withdrawal.withdrawn_at);
  const bath = Date.parse(withdrawal.thaw_started_at);
  assert.ok(bath > out, "the instants are those of the taps");
  return withdrawal;
}

test("a whole morning, the network cut before each tap in turn", async (t) => {
  const service = await new Service().start();
  t.after(() => service.stop());
  const farm = await enterFarm(service, { cows: WAY.length + 1, thawS: 3, straws: 40 });
  const key = service.key("Mira", "technician");
  const scenario = async (/** @type {number} */ i) => {
      const { wire, page, context } = await phone(t, browser, service, key);
      const number = String(201 + i);
      await pointAt(page, number);
      for (const [n, name] of WAY.entries()) {
        if (n === i) wire.cut();
        await step(page, farm, name);
      }
      if (i < WAY.length) {
        assert.ok((await kept(page, "outbox")).length >= 1, "kept without a signal");
        // Without a signal the page itself still comes up, from the device.
        await page.reload();
        await page.waitForSelector(".deck");
        await reads(page, ".strip", /wait/);
        wire.mend();
        await page.evaluate(() => dispatchEvent(new Event("online")));
      }
      await sentAll(page);
      onceInOrder(wire, ACTS);
      await isRight(service, farm, number);
      await context.close();
  };
  // Some at a time: the machine is small.
  const left = Array.from({ length: WAY.length + 1 }, (_, i) => i);
  await Promise.all(
    Array.from({ length: 4 }, async () => {
      for (let i = left.shift(); i !== undefined; i = left.shift()) await scenario(i);
    }),
  );
  const { items } = await service.get("/v1/stock?limit=100");
  assert.equal(items.find((row) => row.lot.batch === "25014-34").straws, 40 - WAY.length - 1);
  adds(service);
});

test("the browser is killed after each tap", async (t) => {
  const service = await new Service().start();
  t.after(() => service.stop());
  const farm = await enterFarm(service, { cows: 1, thawS: 3 });
  const wire = await new Wire(service).start();
  t.after(() => wire.stop());
  const device = new Device();
  t.after(() => device.stop());
  let page = await device.start();
  await signIn(page, wire.base, service.key("Mira", "technician"));
  await installed(page);
  await pointAt(page, "201");
  for (const name of ["go", "bath", "shows", "straw", "out", "in-bath", "served", "yes"]) {
    await step(page, farm, name);
    // What a tap shows as kept is on the disk: the battery may go now.
    await device.kill();
    wire.cut();
    page = await device.start();
    await page.goto(`${wire.base}/`);
    await page.waitForSelector(".deck");
    wire.mend();
    const comesBackTo = { out: '[data-id="in-bath"]', "in-bath": ".clock", served: '[data-id="yes"]' }[name];
    if (comesBackTo) await seen(page, comesBackTo);
    else if (name === "go" || name === "straw") await show(page, "card", farm.animals["201"].id);
    else if (name === "bath" || name === "shows") await show(page, "bath", farm.animals["201"].id);
  }
  await page.evaluate(() => dispatchEvent(new Event("online")));
  await sentAll(page);
  onceInOrder(wire, ACTS.slice(0, 3));
  await isRight(service, farm, "201");
  adds(service);
});

test("the service is killed between request and answer", async (t) => {
  const service = await new Service().start();
  t.after(() => service.stop());
  const farm = await enterFarm(service, { cows: 1, thawS: 3 });
  const { wire, page } = await phone(t, browser, service, service.key("Mira", "technician"));
  await pointAt(page, "201");
  for (const name of WAY) await step(page, farm, name);
  // Each act is done, its answer is lost, and the service is killed: the phone asks again under the same key.
  wire.loseEvery = true;
  let kills = 0;
  wire.onLost = () => {
    kills += 1;
    void service.kill().then(() => service.start());
  };
  const sent = sentAll(page);
  const hurry = setInterval(() => void page.evaluate(() => dispatchEvent(new Event("online"))).catch(() => {}), 700);
  await sent;
  clearInterval(hurry);
  assert.equal(kills, ACTS.length);
  onceInOrder(wire, ACTS);
  assert.equal(wire.acts.filter((act) => act.replayed).length, ACTS.length, "each was asked again once");
  await isRight(service, farm, "201");
  await sleep(300);
  adds(service);
});
