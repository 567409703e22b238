// Stories 4 and 7 to 10: two phones, a full phone, a new page, a revoked key, two tabs; and what the book refuses all the same.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { kept, launch, pointAt, reads, seen, sentAll, show, signIn, sleep, tap, until } from "./lib/browser.js";
import { adds, done, onceInOrder, withdrawalOf } from "./lib/check.js";
import { enterFarm } from "./lib/farm.js";
import { phone, straightOut } from "./lib/phone.js";
import { Service } from "./lib/service.js";

let browser;
before(async () => (browser = await launch()));
after(() => browser?.close());

async function farmOf(t, how = {}) {
  const service = await new Service().start();
  t.after(() => service.stop());
  return { service, farm: await enterFarm(service, { cows: 2, thawS: 1, ...how }) };
}

const online = (page) => page.evaluate(() => dispatchEvent(new Event("online")));

/** From the bath to the round. */
async function toTheEnd(page) {
  await tap(page, "in-bath");
  await seen(page, '[data-id="served"]:not(.closed)');
  await tap(page, "served");
  await tap(page, "yes");
  await seen(page, ".rows");
}

test("two phones and one last straw: both acts are kept, and the office is told", async (t) => {
  const { service, farm } = await farmOf(t);
  const phones = [];
  for (const [name, number] of [["Mira", "201"], ["Jon", "202"]]) {
    const its = await phone(t, browser, service, service.key(name, "technician"));
    phones.push({ ...its, number });
    await pointAt(its.page, number);
    its.wire.cut();
    // The only straw of Made-up Oak, chosen on both phones without a signal.
    await tap(its.page, "go");
    await tap(its.page, "more");
    await tap(its.page, "another");
    await until(async () => {
      if (((await its.page.locator(".rows .at").textContent()) ?? "").includes("0HO127")) return true;
      await tap(its.page, "next");
      return false;
    }, "the straw of Made-up Oak");
    await tap(its.page, "take");
    for (const id of ["bath", "shows", "straw", "out"]) await tap(its.page, id);
    await toTheEnd(its.page);
  }
  for (const { wire, page } of phones) {
    wire.mend();
    await online(page);
    await sentAll(page);
    onceInOrder(wire, ["out", "bath", "serve"]);
  }
  for (const { number } of phones) {
    const withdrawal = await withdrawalOf(service, farm.animals[number].id);
    assert.deepEqual([withdrawal.state, withdrawal.lot.batch], ["served", "26074-09"]);
  }
  const { items } = await service.get("/v1/alerts?open=true&limit=50");
  assert.ok(items.some((alert) => alert.kind === "stocktake.difference"), "the second straw was not in the book: the office is told");
  adds(service);
});

test("what the book refuses stays, says so, and holds up nothing else", async (t) => {
  const { service, farm } = await farmOf(t);
  const { page, wire } = await phone(t, browser, service, service.key("Mira", "technician"));
  await pointAt(page, "201");
  await straightOut(tap, page);
  await until(async () => (await kept(page, "outbox")).length === 0, "the withdrawal sent");
  wire.cut();
  await toTheEnd(page);
  // Meanwhile somebody in the office takes it for a mistake.
  const { items } = await service.get("/v1/movements?kind=withdrawal");
  await service.post(`/v1/movements/${items[0].id}/reversal`, { reason: "other", note: "thought it was a mistake" });
  await show(page, "heat", farm.animals["202"].id);
  await tap(page, "seen");
  wire.mend();
  await online(page);
  await until(async () => (await kept(page, "outbox")).some((entry) => entry.state === "refused"), "the refusal");
  await until(() => done(wire).includes("heat"), "the act of another animal");
  assert.deepEqual((await kept(page, "outbox")).map((entry) => [entry.kind, entry.state]), [["bath", "refused"], ["serve", "waiting"]]);
  await show(page, "phone");
  const text = await page.locator("main").textContent();
  assert.match(text, /KEPT\. THE OFFICE MUST LOOK/);
  assert.match(text, /201: in bath/);
  assert.match(text, /With it: 201: served/);
  await page.reload();
  await page.waitForSelector(".queue .refused");
  assert.equal((await kept(page, "outbox")).length, 2, "a refusal hides nothing");
  const { items: alerts } = await service.get("/v1/alerts?open=true&limit=50");
  assert.equal(alerts.filter((alert) => alert.kind === "act.refused").length, 1, "the office hears of it, once");
  adds(service);
});

test("a full phone says so at once, and confirms nothing", async (t) => {
  const { service } = await farmOf(t);
  const { page, wire } = await phone(t, browser, service, service.key("Mira", "technician"));
  await pointAt(page, "201");
  for (const id of ["go", "bath", "shows", "straw"]) await tap(page, id);
  // As a browser answers whose storage is full: the request fails, and with it the transaction.
  await page.evaluate(() => {
    const add = IDBObjectStore.prototype.add;
    globalThis.makeRoom = () => (IDBObjectStore.prototype.add = add);
    IDBObjectStore.prototype.add = function () {
      this.transaction.abort();
      throw new DOMException("the disk is full", "QuotaExceededError");
    };
  });
  await tap(page, "out");
  await seen(page, ".plate.solid");
  await reads(page, "main", /THIS PHONE CANNOT KEEP IT\.Write it down\./);
  assert.deepEqual(await kept(page, "outbox"), []);
  assert.deepEqual(await kept(page, "thaws"), []);
  await page.evaluate(() => makeRoom());
  await tap(page, "try");
  await seen(page, "p.calls");
  await tap(page, "out");
  await toTheEnd(page);
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "serve"]);
  adds(service);
});

test("a new page takes over what the old one kept, and not while a straw is out", async (t) => {
  const { service, farm } = await farmOf(t);
  const { page, wire } = await phone(t, browser, service, service.key("Mira", "technician"));
  await pointAt(page, "201");
  wire.isBusy = true;
  await straightOut(tap, page);
  // A new build of the same files, while the straw is out.
  const build = await (await fetch(`${wire.base}/build.json`)).json();
  wire.files.set("/build.json", { headers: { "content-type": "application/json" }, body: JSON.stringify({ ...build, build: "0123456789abcdef" }) });
  await page.reload();
  await page.evaluate(async () => {
    for (;;) {
      const all = await navigator.serviceWorker.getRegistrations();
      if (all.some((one) => one.waiting)) return;
      await new Promise((resolve) => setTimeout(resolve, 100));
    }
  });
  await show(page, "more");
  assert.ok(!(await page.locator("main").textContent()).includes("Take the new page"), "a straw is out");
  await show(page, "out", (await kept(page, "thaws"))[0].withdrawal_id);
  await toTheEnd(page);
  await show(page, "more");
  await until(async () => {
    if (((await page.locator(".rows .at").textContent()) ?? "").includes("Take the new page")) return true;
    await tap(page, "next");
    return false;
  }, "the new page on offer");
  const loaded = page.waitForEvent("load");
  await tap(page, "go");
  await loaded;
  await until(async () => (await page.evaluate(() => navigator.serviceWorker.controller?.scriptURL))?.includes("0123456789abcdef"), "the new worker");
  assert.deepEqual(await page.evaluate(() => caches.keys()), ["tankside-0123456789abcdef"]);
  assert.deepEqual((await kept(page, "outbox")).map((entry) => entry.kind), ["out", "bath", "serve"]);
  wire.isBusy = false;
  await online(page);
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "serve"]);
  assert.equal((await withdrawalOf(service, farm.animals["201"].id)).state, "served");
  adds(service);
});

test("a key is revoked with acts waiting: nothing is lost, a new key sends it", async (t) => {
  const { service } = await farmOf(t);
  const key = service.key("Mira", "technician");
  const { page, wire } = await phone(t, browser, service, key);
  await pointAt(page, "201");
  wire.cut();
  await straightOut(tap, page);
  await toTheEnd(page);
  const id = service.run("key", "list").text.split("\n").find((line) => line.includes("Mira"));
  const revoked = service.run("key", "revoke", /[0-9a-f-]{36}/.exec(id ?? "")?.[0] ?? "");
  assert.equal(revoked.status, 0, revoked.text);
  // The running service believes a key for five seconds.
  await sleep(6000);
  wire.mend();
  await online(page);
  await reads(page, ".strip", /sign in again/);
  assert.equal((await kept(page, "outbox")).length, 3);
  // The screens go on without a key.
  await tap(page, "go");
  await seen(page, "p.calls");
  await signIn(page, wire.base, service.key("Mira again", "technician"));
  await sentAll(page);
  onceInOrder(wire, ["out", "bath", "serve"]);
  assert.ok(!(await page.evaluate(() => location.href)).includes("tks_"), "the address is emptied of the key");
  adds(service);
});

test("two tabs have one sender", async (t) => {
  const { service, farm } = await farmOf(t);
  const { page, wire, context } = await phone(t, browser, service, service.key("Mira", "technician"));
  const other = await context.newPage();
  await other.goto(`${wire.base}/`);
  await seen(other, ".rows");
  await pointAt(page, "201");
  await straightOut(tap, page);
  await tap(page, "in-bath");
  await seen(page, ".clock");
  // The other tab sees the same straw, and each goes on with it.
  await other.reload();
  await show(other, "thaw", (await kept(page, "thaws"))[0].withdrawal_id);
  await seen(other, '[data-id="served"]:not(.closed)');
  await tap(other, "served");
  await tap(other, "yes");
  for (let i = 0; i < 20; i++) {
    await Promise.all([online(page), online(other)]);
    await sleep(100);
  }
  await Promise.all([sentAll(page), sentAll(other)]);
  onceInOrder(wire, ["out", "bath", "serve"]);
  assert.equal(wire.acts.length, 3, "each act was asked once, by one sender");
  assert.equal((await withdrawalOf(service, farm.animals["201"].id)).state, "served");
  adds(service);
});
