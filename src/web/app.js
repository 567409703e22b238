// The page: what is kept on this device, which screen shows it, and what runs beside it.

import { keepOffset, now, uuid7 } from "./clock.js";
import { DEAF_MS, Deck, OFFICE_PX } from "./deck.js";
import { h } from "./dom.js";
import { CannotKeep, takenHere } from "./outbox.js";
import { phase } from "./rules/thaw.js";
import { SCREENS, bringTheRest } from "./screens/index.js";
import { runningLine, strip } from "./screens/strip.js";
import { Sender } from "./sender.js";
import { SignedOut, NoAnswer, refresh } from "./snapshot.js";
import { keepAwake, signals } from "./sound.js";
import { SNAPSHOT, openStore, readMeta, stockKey, strict, writeMeta } from "./store.js";
import { speak, t } from "./texts.js";

/** @typedef {import("./store.js").Straw} Straw @typedef {import("./store.js").Entry} Entry @typedef {any} Json */
/**
 * @typedef {object} Screen
 * @property {string} title
 * @property {(Node | null | false)[]} view
 * @property {string} [viewClass]
 * @property {import("./deck.js").Row[]} deck
 * @property {boolean} [whole] the deck never hangs under the edge
 * @property {string} [deckLabel]
 * @property {string | null} [tank] the tank that the strip tells of
 * @property {boolean} [bare] without the strip
 * @property {(now: number) => void} [tick] moves the figures
 * @property {(now: number) => string} [shape] another shape draws the screen anew
 */

const TICK_MS = 200;
const LOOK_MS = 30_000;
/** A snapshot older than this is fetched anew when there is a signal. */
const FRESH_MS = 5 * 60_000;
/** Straws that ended longer ago are no longer shown. */
const SHOWN_MS = 18 * 3_600_000;
/** How often a page that stays open asks whether there is a new one. */
const NEW_PAGE_MS = 3_600_000;
const LATE_AGAIN_MS = 30_000;
const LATE_TIMES = 5;

export class App {
  /** @param {import("./store.js").Db} db */
  constructor(db) {
    this.db = db;
    /** @type {Record<string, any>} */
    this.meta = {};
    /** @type {Entry[]} */
    this.outbox = [];
    /** @type {Json[]} */
    this.sent = [];
    /** @type {Straw[]} */
    this.straws = [];
    /** @type {import("./store.js").Bath[]} */
    this.baths = [];
    /** @type {Record<string, Map<string, Json>>} */
    this.book = Object.fromEntries(SNAPSHOT.map((name) => [name, new Map()]));
    /** What the screens remember while the page is open. @type {Record<string, any>} */
    this.mind = {};
    this.signal = navigator.onLine;
    this.isFetching = false;
    this.fetchError = "";
    this.deafUntil = 0;
    /** @type {Deck | null} */
    this.deck = null;
    this.isBusy = false;
    /** @type {Screen | null} */
    this.shown = null;
    this.shownHash = "";
    this.shownShape = "";
    /** @type {Error | null} */
    this.cannot = null;
    /** @type {Map<string, {phase: string, minute: boolean, late: number, lateAt: number}>} */
    this.heard = new Map();
    this.channel = new BroadcastChannel("tankside");
    this.sender = new Sender(db, () => this.meta, (what) => void this.heardFromSender(what));
    /** @type {any} */
    this.office = null;
    /** @type {ServiceWorkerRegistration | null} */
    this.worker = null;
    this.hasNewPage = false;
    this.registeredAt = 0;
  }

  // ---- what is kept

  async load() {
    this.meta = await readMeta(this.db);
    if (!this.meta["device_id"]) {
      await writeMeta(this.db, { device_id: uuid7() });
      this.meta = await readMeta(this.db);
    }
    keepOffset(this.meta["clock_offset_ms"] ?? 0);
    await this.loadBook();
    await this.loadActs();
  }

  async loadBook() {
    const tx = this.db.transaction([...SNAPSHOT]);
    for (const name of SNAPSHOT) {
      const rows = /** @type {Json[]} */ (await tx.objectStore(name).getAll());
      this.book[name] = new Map(rows.map((row) => [row.id, row]));
    }
  }

  async loadActs() {
    const tx = this.db.transaction(["meta", "outbox", "sent", "thaws", "baths"]);
    const [outbox, sent, straws, baths] = await Promise.all([
      tx.objectStore("outbox").getAll(),
      tx.objectStore("sent").getAll(),
      tx.objectStore("thaws").getAll(),
      tx.objectStore("baths").getAll(),
    ]);
    this.meta = await readMeta(this.db);
    this.outbox = outbox;
    this.sent = sent;
    this.straws = straws.filter((straw) => straw.out_at > now() - SHOWN_MS).sort((a, b) => (a.use_by_at ?? a.out_at) - (b.use_by_at ?? b.out_at));
    this.baths = baths;
    speak(this.meta["language"] ?? (navigator.language.startsWith("de") ? "de" : "en"));
    document.documentElement.lang = this.meta["language"] ?? (navigator.language.startsWith("de") ? "de" : "en");
    const theme = this.meta["theme"];
    if (theme === "sun" || theme === "dark") document.documentElement.dataset["theme"] = theme;
    else delete document.documentElement.dataset["theme"];
    void keepAwake(this.running().length > 0);
  }

  /** After something was kept: here and in other tabs. */
  async changed() {
    await this.loadActs();
    this.channel.postMessage("acts");
    this.render();
    this.sender.kick();
  }

  /** Whether this key may record what is done. */
  get canAct() {
    return this.meta["role"] !== "reader" && this.meta["role"] !== "integration";
  }

  /** Who makes the acts of this device. */
  who() {
    return { made_by: String(this.meta["name"] ?? this.meta["device_id"]), business_id: this.meta["business_id"] ?? null };
  }

  // ---- what the screens ask

  /** Straws that are out or in the bath, the earliest first. @returns {Straw[]} */
  running() {
    return this.straws.filter((straw) => straw.ended === null && straw.served_at === null);
  }

  /** Straws whose question is open. @returns {Straw[]} */
  askedStraws() {
    return this.straws.filter((straw) => straw.asked);
  }

  /** @param {string} id @returns {Straw | undefined} */
  straw(id) {
    return this.straws.find((straw) => straw.withdrawal_id === id);
  }

  /** The last straw of an animal today. @param {string} animalId */
  strawOf(animalId) {
    return this.straws.filter((straw) => straw.animal_id === animalId && straw.ended !== "put_back").sort((a, b) => b.out_at - a.out_at)[0];
  }

  /** How many straws of a lot hang at a place, less those that were taken here. @param {string} lotId @param {import("./store.js").Place} place */
  there(lotId, place) {
    const key = stockKey(lotId, place);
    const known = this.book["places"]?.get(key)?.straws ?? 0;
    return Math.max(known - (takenHere(this.outbox).get(key) ?? 0), 0);
  }

  /** What waits, without what was replaced. */
  waiting() {
    return this.outbox.filter((entry) => entry.state !== "replaced");
  }

  refused() {
    return this.outbox.filter((entry) => entry.state === "refused");
  }

  /** Entries of a case, by order. @param {string} caseId */
  entriesOf(caseId) {
    return this.outbox.filter((entry) => entry.case_id === caseId);
  }

  /** What may still be undone of a case: its last act. @param {string} caseId @param {number} at */
  undoable(caseId, at) {
    const entries = this.entriesOf(caseId);
    const last = entries[entries.length - 1];
    return last && last.attempts === 0 && at < last.undo_until ? last : null;
  }

  /** @param {number} [at] */
  lastBath(at = now()) {
    return this.baths.filter((bath) => bath.at <= at + 60_000).sort((a, b) => b.at - a.at)[0];
  }

  // ---- where one is

  /** @returns {{name: string, args: string[]}} */
  where() {
    const [, name = "", ...args] = location.hash.split("/");
    return { name, args: args.map(decodeURIComponent) };
  }

  /** Goes at once: between the tap and the next screen there is no moment in which the old targets listen. @param {string} name @param {string[]} args */
  go(name, ...args) {
    location.hash = `#/${[name, ...args].map(encodeURIComponent).join("/")}`;
    this.render();
  }

  get isOffice() {
    return innerWidth >= OFFICE_PX && !location.hash.startsWith("#/");
  }

  /** The screen to show: what is open comes first. */
  home() {
    if (this.meta["welcome"]) return { name: "welcome", args: [] };
    const [asked] = this.askedStraws();
    if (asked) return { name: "says", args: [asked.withdrawal_id] };
    const [running] = this.running();
    if (running) return { name: running.bath_at === null ? "out" : "thaw", args: [running.withdrawal_id] };
    return { name: "round", args: [] };
  }

  render() {
    if (this.isOffice && this.meta["key"]) return void this.renderOffice();
    this.office = null;
    document.body.className = "";
    let { name, args } = this.where();
    if (!(name in SCREENS)) ({ name, args } = this.home());
    if (!this.meta["key"] && !["phone", "sign_out"].includes(name)) name = this.meta["signed_out"] ? "round" : "sign_in";
    if (this.cannot) name = "cannot";
    /** @type {Screen} */
    let screen;
    try {
      screen = /** @type {import("./screens/index.js").ScreenOf} */ (SCREENS[name])(this, ...args);
    } catch (error) {
      console.error(error);
      screen = /** @type {import("./screens/index.js").ScreenOf} */ (SCREENS["broken"])(this, error);
      name = "broken";
    }
    const hash = `${name}/${args.join("/")}`;
    const isNew = hash !== this.shownHash;
    if (isNew) {
      this.deafUntil = performance.now() + DEAF_MS;
      setTimeout(() => {
        if (performance.now() >= this.deafUntil) document.querySelector(".deck")?.removeAttribute("data-deaf");
      }, DEAF_MS + 10);
    }
    const focused = document.activeElement?.getAttribute("data-id");
    const scrolled = document.querySelector(".phone") ? scrollY : 0;
    const how = {
      label: screen.deckLabel ?? t("deck"),
      whole: screen.whole ?? false,
      isDeaf: () => performance.now() < this.deafUntil,
      busy: (/** @type {() => void | Promise<void>} */ run) => void this.tap(run),
    };
    const main = h(`main.view${screen.viewClass ? `.${screen.viewClass.replaceAll(" ", ".")}` : ""}`, ...screen.view.filter(Boolean));
    const header = screen.bare ? h("header") : strip(this, screen.tank ?? null, name);
    document.title = screen.title;
    const isSame = !isNew && this.deck?.nav.isConnected && this.deck.update(screen.deck, how);
    if (!this.deck || !isSame) this.deck = new Deck(screen.deck, how);
    const { nav } = this.deck;
    nav.dataset["screen"] = hash;
    const phone = nav.parentElement;
    if (isSame && phone) {
      phone.children[0]?.replaceWith(header);
      phone.children[1]?.replaceWith(main);
    } else document.getElementById("page")?.replaceChildren(h("div.phone", header, main, nav));
    this.shown = screen;
    this.shownHash = hash;
    this.shownShape = screen.shape?.(now()) ?? "";
    screen.tick?.(now());
    if (isNew) {
      const heading = /** @type {HTMLElement | null} */ (main.querySelector("h1"));
      heading?.setAttribute("tabindex", "-1");
      heading?.focus({ preventScroll: true });
      scrollTo(0, 0);
      main.querySelector(".at")?.scrollIntoView({ block: "nearest" });
    } else {
      scrollTo(0, scrolled);
      if (focused && !isSame) /** @type {HTMLElement | null} */ (nav.querySelector(`[data-id="${focused}"]`))?.focus({ preventScroll: true });
      main.querySelector(".at")?.scrollIntoView({ block: "nearest" });
    }
  }

  async renderOffice() {
    document.body.className = "wide";
    if (this.office) return this.office.changed();
    this.shownHash = "";
    this.shown = null;
    const { Office } = await import("./office/office.js");
    if (!this.isOffice || this.office) return;
    this.office = new Office(this);
    this.office.start();
  }

  /** One tap at a time; what it keeps is kept before anything is confirmed. @param {() => void | Promise<void>} run */
  async tap(run) {
    if (this.isBusy) return;
    this.isBusy = true;
    document.body.setAttribute("aria-busy", "true");
    try {
      await run();
    } catch (error) {
      if (error instanceof CannotKeep) {
        this.cannot = error;
        this.render();
      } else {
        console.error(error);
        this.mind["broken"] = error;
        this.go("broken");
      }
    } finally {
      this.isBusy = false;
      document.body.removeAttribute("aria-busy");
    }
  }

  /** @param {string} text */
  say(text) {
    const live = document.getElementById("live");
    if (live && live.textContent !== text) live.textContent = text;
  }

  // ---- time

  tick() {
    const at = now();
    for (const straw of this.running()) this.listen(straw, at);
    const screen = this.shown;
    if (!screen || this.office) return;
    const shape = screen.shape?.(at) ?? "";
    if (shape !== this.shownShape) return this.render();
    screen.tick?.(at);
    const line = document.querySelector(".running b");
    const [first] = this.running();
    if (line && first) line.textContent = runningLine(first, at);
  }

  /** What a straw's clock has to say, whatever screen is shown. @param {Straw} straw @param {number} at */
  listen(straw, at) {
    const is = phase(straw, at);
    const fresh = { phase: is, minute: (straw.use_by_at ?? Infinity) - at < 60_000, late: 0, lateAt: at };
    const before = this.heard.get(straw.withdrawal_id);
    if (!before) return void this.heard.set(straw.withdrawal_id, fresh);
    const n = straw.animal_number;
    if (before.phase !== is) {
      if (is === "wait") this.say(t("live_in_bath", { n }));
      if (is === "use") {
        signals.use_now();
        this.say(t("live_use", { n }));
      }
      if (is === "late") {
        signals.late();
        this.say(t("live_late", { n }));
        before.lateAt = at;
      }
      before.phase = is;
    } else if (is === "use" && !before.minute && fresh.minute) {
      before.minute = true;
      signals.minute_left();
      this.say(t("live_minute", { n }));
    } else if (is === "late" && before.late < LATE_TIMES && at - before.lateAt >= LATE_AGAIN_MS) {
      before.late += 1;
      before.lateAt = at;
      signals.late();
    }
  }

  // ---- the service

  /** @param {"changed" | "signal" | "no_signal" | "signed_out" | "refused" | "emptied"} what */
  async heardFromSender(what) {
    if (what === "no_signal") this.signal = false;
    if (what !== "no_signal" && what !== "changed") this.signal = true;
    if (what === "refused") signals.refused();
    await this.loadActs();
    this.channel.postMessage("acts");
    this.render();
    if (what === "emptied" || what === "refused") void this.fetchBook();
  }

  /** A new snapshot, when one can be had. */
  async fetchBook() {
    if (!this.meta["key"] || this.meta["signed_out"] || this.isFetching) return;
    this.isFetching = true;
    try {
      const isNew = await refresh(this.db, this.meta);
      this.signal = true;
      this.fetchError = "";
      if (isNew) await this.loadBook();
      await this.loadActs();
      if (isNew) this.channel.postMessage("book");
    } catch (error) {
      if (error instanceof SignedOut) {
        await writeMeta(this.db, { signed_out: true });
        await this.loadActs();
      } else if (error instanceof NoAnswer) this.signal = false;
      else console.error(error);
      this.fetchError = String(error);
    } finally {
      this.isFetching = false;
      this.render();
    }
  }

  look() {
    this.sender.kick();
    if (now() - (this.meta["snapshot_at"] ?? 0) > FRESH_MS) void this.fetchBook();
    if (performance.now() - this.registeredAt > NEW_PAGE_MS) void this.register();
  }

  // ---- sign-in

  /** `#key=...` in the address: kept, and the address emptied. */
  async takeKey() {
    const match = /^#key=([^&]+)/.exec(location.hash);
    if (!match) return;
    history.replaceState(null, "", location.pathname);
    const key = decodeURIComponent(/** @type {string} */ (match[1]));
    await writeMeta(this.db, {
      key, welcome: true, snapshot_at: 0,
      signed_out: undefined, snapshot_etag: undefined, animals_at: undefined, business_id: undefined,
    });
    await this.loadActs();
    void navigator.storage?.persist?.();
  }

  /** The screens that the first view does not need; without a signal they are in the cache, or come with the signal. */
  async bringTheRest() {
    try {
      await bringTheRest();
      this.render();
    } catch {
      setTimeout(() => void this.bringTheRest(), LOOK_MS);
    }
  }

  /** The key and the book leave the device; what waits to be sent stays. */
  async signOut() {
    const tx = strict(this.db, [...SNAPSHOT, "meta"]);
    for (const name of SNAPSHOT) void tx.objectStore(name).clear();
    const meta = tx.objectStore("meta");
    for (const name of ["key", "signed_out", "name", "role", "technician", "snapshot_at", "snapshot_etag", "animals_at", "stop"]) void meta.delete(name);
    await tx.done;
    await this.loadBook();
    await this.changed();
    this.channel.postMessage("book");
  }

  async start() {
    await this.load();
    await this.takeKey();
    addEventListener("hashchange", () => void this.takeKey().then(() => (this.look(), this.render())));
    addEventListener("online", () => {
      this.signal = true;
      this.sender.kick({ now: true });
      void this.fetchBook();
    });
    addEventListener("offline", () => {
      this.signal = false;
      this.render();
    });
    addEventListener("resize", () => this.render());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible") {
        this.sender.kick({ now: true });
        this.look();
        this.render();
      }
    });
    this.channel.addEventListener("message", ({ data }) => {
      void (data === "book" ? this.loadBook() : Promise.resolve()).then(() => this.loadActs()).then(() => this.render());
    });
    this.render();
    void this.bringTheRest();
    setInterval(() => this.tick(), TICK_MS);
    setInterval(() => this.look(), LOOK_MS);
    this.sender.kick();
    if (this.meta["key"]) void this.fetchBook();
    void this.register();
  }

  /** The service worker of the build that the service has now. */
  async register() {
    if (!("serviceWorker" in navigator)) return;
    this.registeredAt = performance.now();
    try {
      const { build } = await (await fetch("/build.json", { cache: "no-store" })).json();
      const url = trusted(`/sw.js?build=${encodeURIComponent(build)}`);
      const known = this.worker;
      this.worker = await navigator.serviceWorker.register(url, { updateViaCache: "none" });
      const look = () => {
        this.hasNewPage = Boolean(this.worker?.waiting && navigator.serviceWorker.controller);
        this.render();
      };
      if (known !== this.worker) this.worker.addEventListener("updatefound", () => this.worker?.installing?.addEventListener("statechange", look));
      look();
    } catch {
      // No signal: the worker that is there goes on.
    }
  }

  /** Takes the new page over, when no straw is out. */
  takeNewPage() {
    if (this.running().length || !this.worker?.waiting) return;
    navigator.serviceWorker.addEventListener("controllerchange", () => location.reload(), { once: true });
    this.worker.waiting.postMessage("take over");
  }
}

/** The worker's address, as Trusted Types wants it: no other script is ever taken. @param {string} path */
function trusted(path) {
  const types = /** @type {any} */ (globalThis).trustedTypes;
  if (!types) return path;
  policy ??= types.createPolicy("default", {
    createScriptURL: (/** @type {string} */ url) => (/^\/sw\.js\?build=[\w-]*$/.test(url) ? url : null),
  });
  return policy.createScriptURL(path);
}
/** @type {any} */
let policy = null;

const page = openStore(() => location.reload());
page.then(
  (db) => new App(db).start(),
  (error) => document.getElementById("page")?.replaceChildren(h("main.view", h("h1.big", t("cannot_keep")), h("p", String(error)))),
);
