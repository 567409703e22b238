// Stories 11 and 12: every screen in both themes and both languages, at 390 and 320 px: nothing serious for axe, targets that a
// glove hits, a deck within reach, nothing to scroll sideways; pictures without colour; and nothing from elsewhere.

import assert from "node:assert/strict";
import { mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { after, before, describe, test } from "node:test";
import { kept, launch, seen, show, signIn, sleep, tap, until } from "./lib/browser.js";
import { enterFarm } from "./lib/farm.js";
import { phone } from "./lib/phone.js";
import { ROOT, Service, Wire } from "./lib/service.js";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PICTURES = path.join(ROOT, "target/page");
const SIZES = [{ width: 390, height: 844 }, { width: 320, height: 640 }];

let browser;
let service;
let farm;
before(async () => {
  mkdirSync(PICTURES, { recursive: true });
  browser = await launch();
  service = await new Service().start();
  farm = await enterFarm(service, { cows: 2, thawS: 40 });
  farm.animals["111"] = await service.post("/v1/animals", { herd_id: farm.herd.id, number: "111", born_on: farm.animals["102"].born_on });
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** The driver brings axe before the page's own scripts, so that the page's policy stays as it is. */
const withAxe = (page) => page.addInitScript(AXE);

/** What axe finds serious or worse under WCAG 2.2, A and AA. */
async function seriousFor(page) {
  const found = await page.evaluate(async () => {
    const { violations } = await axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], resultTypes: ["violations"] });
    return violations.filter(({ impact }) => ["serious", "critical"].includes(impact)).map(({ id, nodes }) => `axe ${id}: ${nodes.map((node) => node.html).join(" ").slice(0, 300)}`);
  });
  return found;
}

/** What is wrong with a screen; an empty list is what is wanted. */
async function faultsOf(page, name, size) {
  const faults = await page.evaluate(async () => {
    const found = [];
    const root = document.documentElement;
    if (root.scrollWidth > innerWidth) found.push(`scrolls sideways: ${root.scrollWidth} px`);
    const deck = document.querySelector(".deck");
    if (deck) {
      const box = deck.getBoundingClientRect();
      const share = (innerHeight - box.top) / innerHeight;
      if (share > 0.4) found.push(`the deck takes ${Math.round(share * 1000) / 10} %`);
      const targets = [...document.querySelectorAll("button, a, input")];
      if (targets.some((one) => !deck.contains(one))) found.push("something is touched outside the deck");
      const boxes = targets.map((one) => ({ one, box: one.getBoundingClientRect() }));
      for (const { one, box: its } of boxes) {
        if (its.height < 88) found.push(`${one.dataset.id} is ${its.height} px high`);
        if (one.scrollWidth > one.clientWidth + 1) found.push(`${one.dataset.id} is too narrow for its words`);
        const isPair = one.parentElement.classList.contains("pair");
        const room = innerWidth - 32;
        if (its.width < (isPair ? (room - 16) / 2 : room) - 1 && innerWidth <= 480) found.push(`${one.dataset.id} is ${its.width} px wide`);
        for (const other of boxes) {
          if (other.one === one) continue;
          const apart = Math.max(other.box.top - its.bottom, its.top - other.box.bottom, other.box.left - its.right, its.left - other.box.right);
          if (apart < 15.9) found.push(`${one.dataset.id} and ${other.one.dataset.id} are ${apart} px apart`);
        }
        const isHard = ["undo", "yes", "no"].includes(one.dataset.id);
        if (isHard && its.bottom > innerHeight + 0.5) found.push(`${one.dataset.id} hangs under the edge`);
      }
    }
    const caution = document.querySelector(".calls ~ .caution");
    if (caution && caution.getBoundingClientRect().bottom > deck.getBoundingClientRect().top) found.push("the caution lies under the deck");
    // A figure that is cut off is a wrong figure.
    for (const one of document.querySelectorAll("main *")) {
      if (one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).display !== "inline" && one.clientWidth > 1 && !(one instanceof SVGElement)) found.push(`${one.tagName}.${one.className} is wider than its place: ${one.textContent.slice(0, 40)}`);
    }
    return found;
  });
  faults.push(...(await seriousFor(page)));
  return faults.map((fault) => `${name} at ${size.width}: ${fault}`);
}

/** Every screen, in the order of a morning; `look` is called at each. */
async function eachScreen(page, look) {
  const animal = (number) => farm.animals[number].id;
  const at = async (name, ...where) => {
    await show(page, ...where);
    await page.waitForFunction((expected) => location.hash === expected, `#/${where.map(encodeURIComponent).join("/")}`);
    await sleep(80);
    await look(name);
  };
  await at("round", "round");
  await at("card closed", "card", animal("201"));
  await at("card sexed", "card", animal("101"));
  await at("card pregnant", "card", animal("106"));
  await at("card of one not on the round", "card", animal("111"));
  await at("closed", "closed", animal("201"));
  await at("closed to one with calf", "closed", animal("106"));
  await at("why", "why", animal("201"));
  await at("places", "places", animal("201"));
  await at("places at hand", "places", animal("111"));
  await show(page, "bath", animal("201"));
  for (let i = 0; i < 2; i++) await tap(page, "plus1");
  await look("bath too warm");
  for (let i = 0; i < 4; i++) await tap(page, "less1");
  await look("bath too cold");
  for (let i = 0; i < 2; i++) await tap(page, "plus1");
  await tap(page, "shows");
  await seen(page, '[data-id="straw"]');
  await look("bath right");
  await at("card", "card", animal("201"));
  await tap(page, "out");
  await seen(page, '[data-id="undo"]');
  await sleep(100);
  await look("out");
  await tap(page, "in-bath");
  await seen(page, ".clock.wait");
  await look("thaw wait");
  const id = await page.evaluate(() => location.hash.split("/")[2]);
  await at("early", "early", id);
  await tap(page, "already");
  await seen(page, '[data-id="yes"]');
  await look("straw says");
  await at("no", "no", id);
  await at("which", "which", id);
  await at("on this phone", "phone");
  await show(page, "says", id);
  await tap(page, "yes");
  await seen(page, '[data-id="undo"]');
  await look("round with undo");
  await at("more", "more");
  await at("settings", "settings", "bath_ml");
  await at("nitrogen", "nitrogen", farm.tanks.own.id);
  await at("frost", "frost", farm.tanks.own.id);
  await at("move", "move", farm.tanks.own.id);
  await at("count", "count");
  await at("count a canister", "count", farm.tanks.own.id, "6");
  await at("find", "find");
  await at("heat or check", "find", "report");
  await at("heat", "heat", animal("102"));
  await at("check", "check", animal("106"));
  await at("alerts", "alerts");
  await at("sign out", "sign_out");
}

/** Screens that time brings: made so by the instants that are kept. */
async function byTime(page, look, wire) {
  const set = async (readyIn, useByIn, extra) => {
    await page.evaluate(
      async ([ready, use, more]) => {
        const { openDB } = await import("/vendor/idb.js");
        const { now } = await import("/clock.js");
        const db = await openDB("tankside");
        const [straw] = await db.getAll("thaws");
        const at = now();
        const fresh = { ...straw, served_at: null, asked: false, ended: null, out_at: at - 50_000, bath_at: at - 45_000, ready_at: at + ready, use_by_at: at + use };
        await db.clear("thaws");
        await db.put("thaws", fresh);
        if (more) await db.put("thaws", { ...fresh, withdrawal_id: "other", animal_number: "109", ready_at: at + 18_000, use_by_at: at + 900_000 });
        db.close();
        location.hash = `#/thaw/${straw.withdrawal_id}`;
      },
      [readyIn, useByIn, extra],
    );
    await page.reload();
  };
  await set(-1000, 684_000, true);
  await seen(page, ".clock.use");
  await look("thaw use now, another behind");
  await set(-1000, 684_000, false);
  await seen(page, ".clock.use");
  await look("thaw use now");
  await set(-1000, -125_000, false);
  await seen(page, ".clock.late");
  await look("thaw late");
  for (const name of ["sign_in", "welcome", "cannot", "broken"]) {
    await show(page, name);
    await sleep(650);
    await look(name);
  }
  // Refused, and a day without a signal. Not while the sender has it in hand: it would write what it knows over this.
  wire.cut();
  await until(async () => (await kept(page, "outbox"))[0].state !== "sending", "the sender at rest");
  await page.evaluate(async () => {
    const { openDB } = await import("/vendor/idb.js");
    const { now } = await import("/clock.js");
    const db = await openDB("tankside");
    const tx = db.transaction("outbox", "readwrite");
    const [first] = await tx.store.getAll();
    await tx.store.put({ ...first, state: "refused", answer: { status: 409, title: "", detail: "1 asked for, 0 there.", at: now() } });
    await tx.done;
    const at = now() - 13 * 3_600_000;
    await db.put("meta", at, "snapshot_at");
    for (const tank of await db.getAll("tanks")) {
      tank.nitrogen.last_reading.read_at = new Date(at - 8 * 86_400_000).toISOString();
      await db.put("tanks", tank);
    }
    db.close();
    location.hash = "#/phone";
  });
  await page.reload();
  await seen(page, ".queue .refused");
  await seen(page, ".strip .stale");
  await look("refused and stale");
}

const LOOKS = [
  ["en", "light"], ["en", "dark"], ["de", "light"], ["de", "dark"],
];
describe("every screen", { concurrency: 2 }, () => {
  for (const [language, colorScheme] of LOOKS) {
    test(`every screen, ${language}, ${colorScheme}`, async (t) => {
      const own = await new Wire(service).start();
      t.after(() => own.stop());
      const { page } = await phone(t, browser, service, service.key(`Mira ${language} ${colorScheme}`, "technician"), {
        wire: own,
        before: withAxe,
        context: { locale: language === "de" ? "de-AT" : "en-GB", colorScheme, viewport: SIZES[0] },
      });
      // Nothing of this is sent: the farm stays as it is.
      own.isBusy = true;
      const faults = [];
      let n = 0;
      const look = async (name) => {
        n += 1;
        for (const size of SIZES) {
          await page.setViewportSize(size);
          await sleep(60);
          faults.push(...(await faultsOf(page, name, size)));
          if (size === SIZES[0] || colorScheme === "light") {
            const file = `${language}-${colorScheme}-${size.width}-${String(n).padStart(2, "0")}-${name.replaceAll(/[ ,]+/g, "-")}.png`;
            await page.screenshot({ path: path.join(PICTURES, file) });
          }
        }
        await page.setViewportSize(SIZES[0]);
      };
      await eachScreen(page, look);
      await byTime(page, look, own);
      assert.deepEqual(faults, []);
    });
  }
});

test("what is now, closed, pointed at, late or refused is told apart without colour", async (t) => {
  const { page, wire } = await phone(t, browser, service, service.key("Mira grey", "technician"));
  wire.isBusy = true;
  const devtools = await page.context().newCDPSession(page);
  await devtools.send("Emulation.setEmulatedVisionDeficiency", { type: "achromatopsia" });
  await show(page, "round");
  await page.screenshot({ path: path.join(PICTURES, "grey-round.png") });
  await show(page, "card", farm.animals["201"].id);
  await page.screenshot({ path: path.join(PICTURES, "grey-card.png") });
  // Each state by a mark other than its colour: a hatch, a bar, a line, a word.
  const marks = await page.evaluate(() => ({
    hatch: getComputedStyle(document.querySelector(".act.closed")).backgroundImage.startsWith("repeating-linear-gradient"),
    word: document.querySelector(".act.closed small")?.textContent ?? "",
    line: getComputedStyle(document.querySelector(".calls")).borderTopStyle,
  }));
  assert.equal(marks.hatch, true);
  assert.match(marks.word, /closed/);
  assert.equal(marks.line, "solid");
  await show(page, "card", farm.animals["101"].id);
  assert.equal(await page.evaluate(() => getComputedStyle(document.querySelector(".calls")).borderTopStyle), "double");
  // No text, line or surface is green anywhere.
  const sheet = readFileSync(path.join(ROOT, "src/web/style.css"), "utf8");
  for (const [hex] of sheet.matchAll(/#[0-9a-f]{6}\b/g)) {
    const [r, g, b] = [1, 3, 5].map((i) => Number.parseInt(hex.slice(i, i + 2), 16));
    assert.ok(g <= Math.max(r, b), `${hex} is green`);
  }
});

test("nothing from elsewhere, nothing inline, and a first view within 100 kB", async (t) => {
  const wire = await new Wire(service).start();
  t.after(() => wire.stop());
  const context = await browser.newContext({ viewport: SIZES[0] });
  t.after(() => context.close());
  const page = await context.newPage();
  const reports = [];
  const asked = [];
  const urls = new Map();
  const sizes = new Map();
  await page.exposeFunction("report", (text) => reports.push(text));
  await page.addInitScript(() => addEventListener("securitypolicyviolation", (event) => report(`${event.violatedDirective} ${event.blockedURI} ${event.sample}`)));
  page.on("console", (message) => {
    if (/Content Security Policy|Trusted/.test(message.text())) reports.push(message.text());
  });
  const devtools = await context.newCDPSession(page);
  await devtools.send("Network.enable");
  devtools.on("Network.requestWillBeSent", ({ requestId, request }) => {
    asked.push(request.url);
    urls.set(requestId, new URL(request.url).pathname);
  });
  devtools.on("Network.loadingFinished", ({ requestId, encodedDataLength }) => sizes.set(urls.get(requestId), encodedDataLength));
  await page.goto(`${wire.base}/`);
  await seen(page, "h1");
  // What the first view needs is all named with the page itself: one round trip after it. Without a key nothing of the book is
  // asked; headers are counted.
  const link = (await fetch(`${wire.base}/`)).headers.get("link") ?? "";
  const named = [...link.matchAll(/<([^>]+)>/g)].map(([, name]) => name);
  assert.ok(named.includes("/app.js") && named.includes("/screens/round.js") && named.length > 15, link);
  const shell = ["/", "/style.css", ...named];
  for (const name of shell) assert.ok(sizes.has(name), `${name} was fetched`);
  const bytes = shell.reduce((sum, name) => sum + sizes.get(name), 0);
  assert.ok(bytes > 20_000 && bytes < 100_000, `the first view is ${bytes} bytes`);
  await signIn(page, wire.base, service.key("Mira away", "technician"));
  await eachScreenOnce(page);
  await page.setViewportSize({ width: 1280, height: 900 });
  await page.goto(`${wire.base}/`);
  await seen(page, ".office h1");
  assert.deepEqual(reports, []);
  assert.deepEqual(asked.filter((url) => !url.startsWith(wire.base) && !url.startsWith("data:")), []);
});

async function eachScreenOnce(page) {
  for (const [name, ...rest] of [["round"], ["card", farm.animals["201"].id], ["bath", farm.animals["201"].id], ["nitrogen", farm.tanks.own.id], ["find"], ["alerts"], ["more"]]) await show(page, name, ...rest);
}

test("the office, wide and printed", async (t) => {
  const wire = await new Wire(service).start();
  t.after(() => wire.stop());
  for (const [colorScheme, locale] of [["light", "en-GB"], ["dark", "de-AT"]]) {
    const context = await browser.newContext({ viewport: { width: 1280, height: 1000 }, colorScheme, locale, timezoneId: "UTC" });
    t.after(() => context.close());
    const page = await context.newPage();
    await withAxe(page);
    await page.goto(`${wire.base}/#key=${service.manager}`);
    await seen(page, ".tanks svg");
    await until(async () => (await page.locator("#straws").count()) === 1 && (await page.locator("#watch").count()) === 1, "all parts of the office");
    const text = await page.locator("main").innerText();
    for (const words of ["0LM110", "Technician's tank", "201"]) assert.ok(text.includes(words), words);
    assert.deepEqual(await seriousFor(page), []);
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), "no sideways scrolling");
    await page.screenshot({ path: path.join(PICTURES, `office-${colorScheme}.png`), fullPage: true });
    if (colorScheme === "light") await page.pdf({ path: path.join(PICTURES, "office.pdf"), format: "A4" });
  }
});

test("what came of the services, for the office: counted, with its interval, and not judged on a handful", async (t) => {
  const own = await new Service().start();
  t.after(() => own.stop());
  const herd = await own.post("/v1/herds", { name: "Lower Meadow", time_zone: "UTC" });
  const sire = await own.post("/v1/sires", { name: "Made-up Larch", breed: "HOL", identifiers: [{ scheme: "uniform-code", id: "0HO123" }] });
  const ago = (days) => new Date(Date.now() - days * 86_400_000).toISOString();
  const serve = (animal, days, semenType) => own.post("/v1/services", { animal_id: animal.id, sire_id: sire.id, semen_type: semenType, served_at: ago(days) });
  const check = (animal, days, result) => own.post("/v1/pregnancy-checks", { animal_id: animal.id, checked_at: ago(days), method: "ultrasound", result });
  // 35 of 100 after the first service; of the others five are served again, and two of these five are pregnant.
  for (let n = 1; n <= 100; n++) {
    const animal = await own.post("/v1/animals", { herd_id: herd.id, number: String(n), born_on: ago(700).slice(0, 10) });
    await serve(animal, 200, "sexed_female");
    await check(animal, 165, n <= 35 ? "pregnant" : "empty");
    if (n <= 95) continue;
    await serve(animal, 150, "conventional");
    await check(animal, 115, n <= 97 ? "pregnant" : "empty");
  }
  const context = await browser.newContext({ viewport: { width: 1280, height: 1000 }, locale: "en-GB", timezoneId: "UTC" });
  t.after(() => context.close());
  const page = await context.newPage();
  await withAxe(page);
  await page.goto(`${own.base}/#key=${own.manager}`);
  const section = page.locator("section[aria-labelledby=conception]");
  await section.waitFor();
  const rows = await section.locator("tbody tr").evaluateAll((all) => all.map((row) => [...row.cells].map((cell) => cell.textContent)));
  // Wilson's 95 % interval of 35 in 100 is 26.4 to 44.7 % (Newcombe 1998, Statistics in Medicine 17:857-872, method 3).
  assert.deepEqual(rows, [
    ["Service 1: Sexed female", "35 / 100", "35 %", "26 % – 45 %"],
    ["Service 2: Conventional", "2 / 5", "too few to judge", ""],
  ]);
  assert.deepEqual(await seriousFor(page), []);
  await section.screenshot({ path: path.join(PICTURES, "office-conception.png") });
});
