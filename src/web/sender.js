// One sender for all tabs: by order, one at a time, until there is nothing that may be sent now.

import { learn, now, offsetMs } from "./clock.js";
import { ASK_MS, UNDO_MS } from "./outbox.js";
import { strict, writeMeta } from "./store.js";

/** @typedef {import("./store.js").Db} Db @typedef {import("./store.js").Entry} Entry */

const FIRST_WAIT_MS = 2000;
const LONGEST_WAIT_MS = 60_000;
const PATIENCE_MS = 30_000;
/** Answered entries stay to be seen. */
const SHOWN_MS = 7 * 86_400_000;

/** An answer that may be another in a moment. @param {number} status @param {string | null} retryAfter */
const mayPass = (status, retryAfter) =>
  status === 408 || status === 425 || status === 429 || status >= 500 || (status === 409 && retryAfter !== null);

export class Sender {
  /**
   * @param {Db} db
   * @param {() => Record<string, any>} meta what is known of the device: key, business_id, device_id
   * @param {(what: "changed" | "signal" | "no_signal" | "signed_out" | "refused" | "emptied") => void} tell
   */
  constructor(db, meta, tell) {
    this.db = db;
    this.meta = meta;
    this.tell = tell;
    this.pausedUntil = 0;
    this.failures = 0;
    this.isQueued = false;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    this.timer = undefined;
  }

  /** There may be something to send. @param {{now?: boolean}} [how] now: whatever the pause */
  kick(how = {}) {
    if (how.now) this.pausedUntil = 0;
    if (this.isQueued) return;
    this.isQueued = true;
    void navigator.locks.request("tankside-sender", async () => {
      this.isQueued = false;
      await this.drain();
    });
  }

  /** Sends what may be sent, by order. */
  async drain() {
    let sent = 0;
    for (;;) {
      const { key } = this.meta();
      if (!key || this.meta()["signed_out"]) return;
      const wait = this.pausedUntil - Date.now();
      if (wait > 0) return this.again(wait);
      const all = /** @type {Entry[]} */ (await this.db.getAll("outbox"));
      const { entry, next_at } = pick(all, now(), this.meta()["business_id"] ?? null);
      if (!entry) {
        if (next_at !== null) this.again(Math.max(next_at - now(), 50));
        if (sent > 0) this.tell("emptied");
        return;
      }
      if (await this.send(entry, key, all)) sent += 1;
    }
  }

  /** @param {number} ms */
  again(ms) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.kick(), Math.min(ms, LONGEST_WAIT_MS));
  }

  /** The headers of every request. @param {string} key @param {Entry[]} outbox @returns {Record<string, string>} */
  headers(key, outbox) {
    return headers(key, this.meta()["device_id"], outbox);
  }

  /** @param {Entry} entry @param {string} key @param {Entry[]} all @returns {Promise<boolean>} whether it was answered */
  async send(entry, key, all) {
    const n = /** @type {number} */ (entry.n);
    entry.state = "sending";
    entry.attempts += 1;
    if (!(await this.mark(entry))) return false;
    this.tell("changed");
    const sentAt = Date.now();
    let response;
    let text = "";
    try {
      let path = entry.path;
      if (entry.lookup) path = path.replace("{looked-up}", await this.look(entry, key, all));
      response = await fetch(path, {
        method: entry.method,
        headers: { ...this.headers(key, all), "Content-Type": "application/json", "Idempotency-Key": entry.idempotency_key },
        body: entry.body,
        signal: AbortSignal.timeout(PATIENCE_MS),
        cache: "no-store",
      });
      text = await response.text();
    } catch {
      response = null;
    }
    if (response && learn(response.headers.get("Date"), sentAt)) {
      await writeMeta(this.db, { clock_offset_ms: offsetMs() });
    }
    const retryAfter = response?.headers.get("Retry-After") ?? null;
    if (!response || mayPass(response.status, retryAfter)) {
      this.failures += 1;
      const back = Math.min(FIRST_WAIT_MS * 2 ** (this.failures - 1), LONGEST_WAIT_MS) * (0.75 + Math.random() / 2);
      this.pausedUntil = Date.now() + Math.max(back, Number(retryAfter ?? 0) * 1000 || 0);
      await this.settle(n, (e) => ({ ...e, state: "waiting", next_try_at: now() + back }));
      this.tell(response ? "signal" : "no_signal");
      return false;
    }
    this.failures = 0;
    this.tell("signal");
    if (response.status === 401) {
      await this.settle(n, (e) => ({ ...e, state: "waiting" }));
      await writeMeta(this.db, { signed_out: true });
      this.tell("signed_out");
      return false;
    }
    if (response.ok) {
      await this.answered(n, response.status, text);
      this.tell("changed");
      return true;
    }
    const problem = read(text);
    const answer = {
      status: response.status,
      title: String(problem.title ?? response.status),
      detail: String(problem.detail ?? ""),
      at: now(),
    };
    await this.settle(n, (e) => ({ ...e, state: "refused", answer }));
    this.tell("refused");
    return true;
  }

  /**
   * Only an entry that is still there is sent: its owner may have undone it in the same moment.
   * @param {Entry} entry
   */
  async mark(entry) {
    const tx = strict(this.db, ["outbox"]);
    const outbox = tx.objectStore("outbox");
    const there = /** @type {Entry | undefined} */ (await outbox.get(/** @type {number} */ (entry.n)));
    const is = there !== undefined && there.body === entry.body && there.state !== "replaced";
    if (is) void outbox.put(entry);
    await tx.done;
    return is;
  }

  /** @param {number} n @param {(entry: Entry) => Entry} change */
  async settle(n, change) {
    const tx = strict(this.db, ["outbox"]);
    const outbox = tx.objectStore("outbox");
    const entry = /** @type {Entry | undefined} */ (await outbox.get(n));
    if (entry) void outbox.put(change(entry));
    await tx.done;
  }

  /** @param {number} n @param {number} status @param {string} text */
  async answered(n, status, text) {
    const tx = strict(this.db, ["outbox", "sent"]);
    const entry = await tx.objectStore("outbox").get(n);
    const sent = tx.objectStore("sent");
    if (entry) {
      void tx.objectStore("outbox").delete(n);
      const { warnings = [], deviations = [] } = read(text);
      void sent.put({ ...entry, state: "sent", answer: { status, title: "", detail: "", at: now() }, warnings, deviations });
    }
    for (const old of await sent.getAll()) if (old.occurred_at < now() - SHOWN_MS) void sent.delete(old.n);
    await tx.done;
  }

  /**
   * The id that the path lacks: of the line of the ledger that took the straw. Where there is none, a word that the service
   * refuses. @param {Entry} entry @param {string} key @param {Entry[]} all
   */
  async look(entry, key, all) {
    const response = await fetch(/** @type {string} */ (entry.lookup), {
      headers: this.headers(key, all),
      signal: AbortSignal.timeout(PATIENCE_MS),
      cache: "no-store",
    });
    if (mayPass(response.status, response.headers.get("Retry-After")) || response.status === 401) throw new Error(String(response.status));
    const { items = [] } = response.ok ? await response.json() : {};
    const line = items.find((/** @type {any} */ item) => item.withdrawal_id === entry.case_id && item.kind === "withdrawal");
    return String(line?.id ?? "unknown");
  }
}

/** @param {string} text @returns {any} */
function read(text) {
  try {
    return JSON.parse(text) ?? {};
  } catch {
    return {};
  }
}

/**
 * The headers of every request: who asks, and how much this device holds that the book does not know.
 * @param {string} key @param {string} device @param {Entry[]} outbox
 * @returns {Record<string, string>}
 */
export function headers(key, device, outbox) {
  const waiting = outbox.filter((entry) => entry.state !== "replaced");
  const oldest = waiting.length ? Math.min(...waiting.map((entry) => entry.occurred_at)) : null;
  return {
    Authorization: `Bearer ${key}`,
    "Tankside-Device": device,
    "Tankside-Waiting": oldest === null ? "0" : `${waiting.length}; oldest=${new Date(oldest).toISOString()}`,
  };
}

/**
 * The first entry that may be sent now. What follows in a case waits for what is before it; a refused case stands still, the
 * others go on. An act that may still be undone holds up all after it, so that the book has them in order; one that waits for
 * an answer to "Straw says?" holds up only its own case.
 * @param {Entry[]} all by order @param {number} at @param {string | null} business
 * @returns {{entry: Entry | null, next_at: number | null}} and when to look again
 */
export function pick(all, at, business) {
  /** @type {Set<string>} */
  const stuck = new Set();
  let nextAt = /** @type {number | null} */ (null);
  for (const entry of all) {
    if (entry.state === "replaced") continue;
    if (entry.business_id !== null && business !== null && entry.business_id !== business) continue;
    if (entry.state === "refused") stuck.add(entry.case_id);
    if (stuck.has(entry.case_id)) continue;
    // A clock that was put right in between must not hold it longer than was meant.
    if (at < entry.hold_until && entry.hold_until - at <= (entry.state === "asked" ? ASK_MS : UNDO_MS)) {
      nextAt = nextAt === null ? entry.hold_until : Math.min(nextAt, entry.hold_until);
      if (entry.state !== "asked") return { entry: null, next_at: nextAt };
      stuck.add(entry.case_id);
      continue;
    }
    return { entry, next_at: null };
  }
  return { entry: null, next_at: nextAt };
}
