// Debian's Chromium, driven as a thumb would: only what the deck offers is tapped.

import { spawn } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import path from "node:path";
import { chromium } from "playwright-core";

const CHROMIUM = process.env.CHROMIUM ?? "/usr/bin/chromium";
const FLAGS = [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
  "--disable-component-update", "--disable-sync",
];
export const PHONE = { width: 390, height: 844 };

/** How long anything may take. Nothing is measured here: a busy machine may be slow, and what never comes fails all the same. */
const PATIENCE_MS = 120_000;

export async function launch() {
  const browser = await chromium.launch({ executablePath: CHROMIUM, args: FLAGS });
  browser.on("context", (context) => context.setDefaultTimeout(PATIENCE_MS));
  return browser;
}

/** A browser that can be killed and comes back with what it had on its disk. */
export class Device {
  constructor() {
    this.folder = mkdtempSync(path.join(tmpdir(), "tankside-phone-"));
  }

  async start() {
    rmSync(path.join(this.folder, "DevToolsActivePort"), { force: true });
    this.child = spawn(CHROMIUM, [...FLAGS, `--user-data-dir=${this.folder}`, "--remote-debugging-port=0", "about:blank"], { stdio: "ignore", detached: true });
    const file = path.join(this.folder, "DevToolsActivePort");
    for (let i = 0; i < 200 && !(existsSync(file) && readFileSync(file, "utf8").includes("\n")); i++) await sleep(50);
    const port = readFileSync(file, "utf8").split("\n")[0];
    this.browser = await chromium.connectOverCDP(`http://127.0.0.1:${port}`);
    const context = this.browser.contexts()[0];
    context.setDefaultTimeout(PATIENCE_MS);
    this.page = context.pages()[0] ?? (await context.newPage());
    await this.page.setViewportSize(PHONE);
    return this.page;
  }

  /** SIGKILL to all of it, as when the battery is gone. */
  async kill() {
    const ended = new Promise((resolve) => this.child.once("exit", resolve));
    process.kill(-this.child.pid, "SIGKILL");
    await ended;
    await this.browser.close().catch(() => {});
  }

  async stop() {
    await this.kill();
    await sleep(200);
    rmSync(this.folder, { recursive: true, force: true, maxRetries: 5 });
  }
}

export const sleep = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

/** Waits until `is` says so; the last failure is told. */
export async function until(is, what) {
  const end = Date.now() + PATIENCE_MS;
  let last;
  for (;;) {
    try {
      last = await is();
      if (last) return last;
    } catch (error) {
      last = error;
    }
    if (Date.now() > end) throw new Error(`not within ${PATIENCE_MS} ms: ${what}; last ${last}`);
    await sleep(100);
  }
}

/** Opens the link that the office gave, and waits for the book to be there. */
export async function signIn(page, base, key) {
  await page.goto(`${base}/#key=${key}`);
  await page.waitForSelector('[data-id="done"]');
  await tap(page, "done");
  await page.waitForSelector("h1");
}

/** The files are on the device: from now on the page comes up without a signal. */
export const installed = (page) => page.evaluate(() => navigator.serviceWorker.ready.then(() => true));

/** Taps a target of the deck, once it listens, and waits until what the tap keeps is kept and its way is taken. */
export async function tap(page, id) {
  const target = page.locator(`.deck:not([data-deaf]) [data-id="${id}"]`);
  try {
    await target.waitFor();
    await target.click();
    await page.waitForSelector("body:not([aria-busy])", { state: "attached" });
  } catch (error) {
    const text = await page.evaluate(() => `${location.hash} ${document.body.innerText}`).catch(String);
    throw new Error(`no ${id} to tap at ${text}`, { cause: error });
  }
}

/** Waits for something to be shown; what is shown instead is told. */
export async function seen(page, selector) {
  try {
    await page.waitForSelector(selector);
  } catch (error) {
    const text = await page.evaluate(() => `${location.hash} ${document.body.innerText}`).catch(String);
    throw new Error(`no ${selector} to see at ${text}`, { cause: error });
  }
}

/** Waits until something reads as it should, whole or by a pattern; what it reads instead is told. */
export async function reads(page, selector, words) {
  let text;
  const is = () => (words instanceof RegExp ? words.test(text) : text === words);
  await until(async () => is((text = await page.locator(selector).textContent())), `${selector} reading ${words}`).catch((error) => {
    throw new Error(`${selector} reads ${text}`, { cause: error });
  });
}

/** Where the page is: its screen's name. */
export const screen = (page) => page.evaluate(() => location.hash.split("/")[1] ?? "");

/** Shows a screen without the way there, and waits until it is this one that is shown. */
export async function show(page, name, ...args) {
  await page.evaluate((hash) => (location.hash = hash), `#/${[name, ...args].map(encodeURIComponent).join("/")}`);
  await seen(page, `.deck[data-screen="${name}/${args.join("/")}"]:not([data-deaf])`);
}

/** Points the round at an animal. */
export async function pointAt(page, number) {
  await show(page, "round");
  await until(async () => {
    const at = await page.locator(".rows .at .n").textContent();
    if (at === number) return true;
    await tap(page, "next");
    return false;
  }, `the round at ${number}`);
}

/** What is kept on the device. */
export const kept = (page, store) =>
  page.evaluate(
    (name) =>
      new Promise((resolve, reject) => {
        const open = indexedDB.open("tankside");
        open.onerror = () => reject(open.error);
        open.onsuccess = () => {
          const all = open.result.transaction(name).objectStore(name).getAll();
          all.onsuccess = () => {
            open.result.close();
            resolve(all.result);
          };
        };
      }),
    store,
  );

/** Nothing waits any more. */
export const sentAll = (page) => until(async () => (await kept(page, "outbox")).length === 0, "everything sent");

/** Gives the page a clock that the story sets: shifted, or standing still. Both of a device's clocks stand when it stands. */
export const withClock = (page, shiftMs = 0) =>
  page.addInitScript((shift) => {
    const wall = Date.now.bind(Date);
    const count = performance.now.bind(performance);
    const clock = { shift: Number(sessionStorage.getItem("shift") ?? shift), passed: 0, stands: null };
    globalThis.storyClock = clock;
    Date.now = () => clock.stands?.wall ?? wall() + clock.shift;
    performance.now = () => clock.stands?.count ?? count() + clock.passed;
    /** Somebody sets the clock: only the wall's moves. */
    clock.set = (by) => sessionStorage.setItem("shift", String((clock.shift += by)));
    /** Time passes: both move. */
    clock.pass = (by) => {
      clock.passed += by;
      clock.set(by);
    };
    clock.stand = (bookNow, at) => {
      clock.pass(at - bookNow());
      clock.stands = { wall: Date.now(), count: performance.now() };
    };
    clock.go = () => (clock.stands = null);
  }, shiftMs);
