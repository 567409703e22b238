// Every tap is written here before it is confirmed, and leaves only after an answer.

import { now, uuid7 } from "./clock.js";
import { stockKey, strict } from "./store.js";

/** @typedef {import("./store.js").Db} Db @typedef {import("./store.js").Entry} Entry @typedef {import("./store.js").Straw} Straw */
/** @typedef {Omit<Partial<Entry>, "body"> & {kind: Entry["kind"], path: string, body: object, about: string}} NewEntry */

/** So long an act may be undone, and is not sent. */
export const UNDO_MS = 10_000;
/** So long a service waits for the answer to "Straw says?"; then it is sent without. */
export const ASK_MS = 30 * 60_000;

/** This device cannot keep anything more. */
export class CannotKeep extends Error {}

/**
 * @param {NewEntry} entry @param {{made_by: string, business_id: string | null}} who
 * @returns {Entry}
 */
export function entryOf(entry, who) {
  const at = entry.occurred_at ?? now();
  const id = uuid7();
  return {
    case_id: id,
    after: [],
    method: "POST",
    lookup: null,
    hold_until: now() + UNDO_MS,
    undo_until: now() + UNDO_MS,
    state: "waiting",
    attempts: 0,
    next_try_at: 0,
    answer: null,
    takes: null,
    ...entry,
    ...who,
    id,
    idempotency_key: uuid7(),
    occurred_at: at,
    body: JSON.stringify(entry.body),
  };
}

/**
 * Writes what is to be sent, what becomes of straws, and settings, in one transaction. Confirmed when it returns.
 * @param {Db} db
 * @param {{entries?: Entry[], straws?: Straw[], bath?: import("./store.js").Bath, meta?: Record<string, unknown>}} what
 * @returns {Promise<number[]>} the order given to the entries
 */
export async function keep(db, { entries = [], straws = [], bath, meta = {} }) {
  try {
    const tx = strict(db, ["outbox", "thaws", "baths", "meta"]);
    const outbox = tx.objectStore("outbox");
    const done = tx.done;
    done.catch(() => {});
    /** @type {number[]} */
    const order = [];
    for (const entry of entries) {
      if (entry.after.length === 0 && entry.case_id !== entry.id) {
        const all = /** @type {Entry[]} */ (await outbox.getAll());
        entry.after = all.filter((e) => e.case_id === entry.case_id && e.state !== "replaced").map((e) => Number(e.n));
      }
      order.push(Number(await outbox.add(entry)));
    }
    for (const straw of straws) await tx.objectStore("thaws").put(straw);
    if (bath) await tx.objectStore("baths").put(bath);
    for (const [key, value] of Object.entries(meta)) await tx.objectStore("meta").put(value, key);
    await done;
    return order;
  } catch (error) {
    throw new CannotKeep(String(error), { cause: error });
  }
}

/**
 * Undoes what may still be undone: entries that were not sent and whose ten seconds are not over. All or none.
 * @param {Db} db @param {number[]} order @param {Straw | {delete: string} | null} straw as it was before
 * @returns {Promise<boolean>} whether it was
 */
export async function undo(db, order, straw) {
  const tx = strict(db, ["outbox", "thaws"]);
  const outbox = tx.objectStore("outbox");
  const entries = /** @type {(Entry | undefined)[]} */ (await Promise.all(order.map((n) => outbox.get(n))));
  const at = now();
  const may = entries.every((e) => e && (e.state === "waiting" || e.state === "asked") && e.attempts === 0 && at < e.undo_until);
  if (may) {
    for (const n of order) void outbox.delete(n);
    if (straw && "delete" in straw) void tx.objectStore("thaws").delete(straw.delete);
    else if (straw) void tx.objectStore("thaws").put(straw);
  }
  await tx.done;
  return may;
}

/**
 * Changes an entry that was never sent; what it said before is kept beside it when it is replaced.
 * @param {Db} db @param {number} n @param {(entry: Entry) => void} change @param {{straw?: Straw, entries?: Entry[]}} also
 * @returns {Promise<boolean>} false when it is being sent or was
 */
export async function amend(db, n, change, { straw, entries = [] }) {
  try {
    const tx = strict(db, ["outbox", "thaws", "sent"]);
    const done = tx.done;
    done.catch(() => {});
    const outbox = tx.objectStore("outbox");
    const entry = /** @type {Entry | undefined} */ (await outbox.get(n));
    const may = entry !== undefined && entry.attempts === 0 && (entry.state === "asked" || entry.state === "waiting");
    if (may) {
      change(entry);
      if (entry.state === "replaced") {
        await outbox.delete(n);
        await tx.objectStore("sent").put(entry);
      } else await outbox.put(entry);
      for (const more of entries) await outbox.add(more);
    }
    if (straw) await tx.objectStore("thaws").put(straw);
    await done;
    return may;
  } catch (error) {
    throw new CannotKeep(String(error), { cause: error });
  }
}

/**
 * Straws that acts on this device took from a place and the service does not know yet; below nought where they brought some.
 * @param {Entry[]} outbox
 */
export function takenHere(outbox) {
  /** @type {Map<string, number>} */
  const taken = new Map();
  for (const { takes, brings, state } of outbox) {
    if (state === "replaced") continue;
    const moved = [takes && { ...takes, straws: takes.straws ?? 1 }, brings && { ...brings, straws: -brings.straws }];
    for (const one of moved) {
      if (!one) continue;
      const key = stockKey(one.lot_id, one.place);
      taken.set(key, (taken.get(key) ?? 0) + one.straws);
    }
  }
  return taken;
}
