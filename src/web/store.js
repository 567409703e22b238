// What is kept on this device: one IndexedDB, through idb. Schema upgrades keep every entry of the outbox.

import { openDB as open } from "./vendor/idb.js";

const openDB = /** @type {typeof import("idb").openDB} */ (/** @type {unknown} */ (open));

/**
 * @typedef {any} Json an answer of the service
 * @typedef {{tank_id: string, canister: number, cane: string | null, goblet: string | null}} Place
 * @typedef {"out" | "bath" | "serve" | "discard" | "put_back" | "reading" | "hold" | "transfer" | "stocktake" | "heat" | "check" | "acknowledge"} Kind
 * @typedef {"waiting" | "asked" | "sending" | "refused" | "replaced"} EntryState
 * @typedef {{status: number, title: string, detail: string, at: number}} Answer
 *
 * @typedef {object} Entry one act that waits, in the order of `n`
 * @property {number} [n] the order
 * @property {string} id
 * @property {string} idempotency_key
 * @property {string} case_id what hangs together: a straw's way, or the act alone
 * @property {number[]} after
 * @property {Kind} kind
 * @property {string} method
 * @property {string} path
 * @property {string | null} lookup asked first for the id that the path lacks
 * @property {string} body serialised once, so that a retry is byte for byte the same
 * @property {number} occurred_at
 * @property {string} made_by
 * @property {string | null} business_id
 * @property {number} hold_until not sent before
 * @property {number} undo_until may be undone before
 * @property {EntryState} state
 * @property {number} attempts
 * @property {number} next_try_at
 * @property {Answer | null} answer
 * @property {string} about the animal's number, or the tank
 * @property {{lot_id: string, place: Place, straws?: number} | null} takes the straws that it takes from a place; one when not said
 * @property {{lot_id: string, place: Place, straws: number} | null} [brings] the straws that it hangs at a place
 *
 * @typedef {object} Straw one straw's way, from the tank to its use
 * @property {string} withdrawal_id
 * @property {string} animal_id
 * @property {string} animal_number
 * @property {string} herd_id
 * @property {string} lot_id
 * @property {string} semen_type
 * @property {number | null} straw_ml
 * @property {number | null} service_number
 * @property {string} code as printed on the straw
 * @property {string} batch
 * @property {Place} place
 * @property {import("./rules/bath.js").Protocol} protocol
 * @property {number} out_at
 * @property {number | null} bath_at
 * @property {number | null} ready_at
 * @property {number | null} use_by_at
 * @property {number | null} bath_c
 * @property {number | null} served_at
 * @property {boolean} asked whether the question what the straw says is still open
 * @property {"served" | "discarded" | "put_back" | null} ended
 *
 * @typedef {{at: number, bath_c: number, lot_id: string | null, min_c: number, max_c: number}} Bath
 * @typedef {import("idb").IDBPDatabase<any>} Db
 */

export const NAME = "tankside";
export const VERSION = 1;

/** Stores that a snapshot fills. */
export const SNAPSHOT = /** @type {const} */ (["rounds", "animals", "places", "lots", "herds", "tanks", "alerts"]);

/**
 * @param {() => void} [blocking] another tab wants a newer schema
 * @returns {Promise<Db>}
 */
export async function openStore(blocking) {
  return openDB(NAME, VERSION, {
    upgrade(db, from) {
      if (from < 1) {
        db.createObjectStore("meta");
        db.createObjectStore("outbox", { keyPath: "n", autoIncrement: true });
        db.createObjectStore("sent", { keyPath: "n" });
        db.createObjectStore("thaws", { keyPath: "withdrawal_id" });
        db.createObjectStore("baths", { keyPath: "at" });
        for (const name of SNAPSHOT) db.createObjectStore(name, { keyPath: "id" });
      }
    },
    blocking,
  });
}

/**
 * A transaction that is on the disk before it is over: browsers default to less.
 * @param {Db} db @param {string[]} stores
 */
export function strict(db, stores) {
  return db.transaction(stores, "readwrite", { durability: "strict" });
}

/** @param {Db} db @returns {Promise<Record<string, any>>} */
export async function readMeta(db) {
  const tx = db.transaction("meta");
  const [keys, values] = await Promise.all([tx.store.getAllKeys(), tx.store.getAll()]);
  return Object.fromEntries(keys.map((key, i) => [String(key), values[i]]));
}

/** @param {Db} db @param {Record<string, unknown>} changes undefined deletes */
export async function writeMeta(db, changes) {
  const tx = strict(db, ["meta"]);
  const meta = tx.objectStore("meta");
  for (const [key, value] of Object.entries(changes)) {
    if (value === undefined) void meta.delete(key);
    else void meta.put(value, key);
  }
  await tx.done;
}

/** The same place, as a key. @param {Place} place */
export function placeKey({ tank_id, canister, cane, goblet }) {
  return [tank_id, canister, cane ?? "", goblet ?? ""].join("|");
}

/** A lot at a place, as a key. @param {string} lotId @param {Place} place */
export const stockKey = (lotId, place) => `${lotId}|${placeKey(place)}`;
