// The book as this device keeps it: one snapshot of the service, replaced as a whole. Acts that still wait are laid over it.

import { learn, now, offsetMs } from "./clock.js";
import { headers } from "./sender.js";
import { SNAPSHOT, stockKey, strict, writeMeta } from "./store.js";

/** @typedef {import("./store.js").Db} Db @typedef {any} Json */

const PATIENCE_MS = 30_000;

export class SignedOut extends Error {}
export class NoAnswer extends Error {}

/**
 * Asks the service. @param {Db} db @param {Record<string, any>} meta @param {string} path @param {Record<string, string>} [more]
 * @returns {Promise<Response>}
 */
export async function ask(db, meta, path, more = {}) {
  const outbox = await db.getAll("outbox");
  const sentAt = Date.now();
  let response;
  try {
    response = await fetch(path, {
      headers: { ...headers(meta["key"], meta["device_id"], outbox), ...more },
      cache: "no-store",
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
  } catch (error) {
    throw new NoAnswer(String(error));
  }
  if (learn(response.headers.get("Date"), sentAt)) await writeMeta(db, { clock_offset_ms: offsetMs() });
  if (response.status === 401) throw new SignedOut();
  return response;
}

/**
 * Every row of a list. @param {Db} db @param {Record<string, any>} meta @param {string} path
 * @returns {Promise<Json[]>}
 */
export async function all(db, meta, path) {
  const items = [];
  let cursor = "";
  do {
    const join = path.includes("?") ? "&" : "?";
    const response = await ask(db, meta, `${path}${cursor && `${join}cursor=${encodeURIComponent(cursor)}`}`);
    if (!response.ok) throw new NoAnswer(`${path}: ${response.status}`);
    const list = await response.json();
    items.push(...list.items);
    cursor = list.next_cursor ?? "";
  } while (cursor);
  return items;
}

/**
 * A new snapshot in the place of the old one.
 * @param {Db} db @param {Record<string, any>} meta
 * @returns {Promise<boolean>} whether it is another than before
 */
export async function refresh(db, meta) {
  const rows = await fromRoutes(db, meta);
  const at = now();
  const tx = strict(db, [...SNAPSHOT, "meta"]);
  for (const name of SNAPSHOT) {
    const store = tx.objectStore(name);
    void store.clear();
    for (const row of rows[name] ?? []) void store.put({ ...row, fetched_at: at });
  }
  for (const [key, value] of Object.entries({ snapshot_at: at, ...rows["meta"] })) void tx.objectStore("meta").put(value, key);
  await tx.done;
  return true;
}

/** @param {Db} db @param {Record<string, any>} meta @returns {Promise<Record<string, any>>} */
async function fromRoutes(db, meta) {
  const get = async (/** @type {string} */ path) => {
    const response = await ask(db, meta, path);
    if (!response.ok) throw new NoAnswer(`${path}: ${response.status}`);
    return response.json();
  };
  const [business, round, herds, tanks, stock, alerts] = await Promise.all([
    get("/v1/business"),
    get("/v1/round"),
    all(db, meta, "/v1/herds?limit=500"),
    all(db, meta, "/v1/tanks?limit=500"),
    all(db, meta, "/v1/stock?limit=500"),
    all(db, meta, "/v1/alerts?limit=100&open=true"),
  ]);
  const levels = await Promise.all(tanks.map((tank) => get(`/v1/tanks/${tank.id}/nitrogen`)));
  const listed = await all(db, meta, "/v1/animals?limit=500");
  const due = new Set(round.stops.flatMap((/** @type {Json} */ stop) => stop.animals.map((/** @type {Json} */ a) => a.animal_id)));
  const lots = new Map();
  const places = new Map();
  for (const row of stock) {
    lots.set(row.lot.id, lotRow(row));
    places.set(stockKey(row.lot.id, row.place), { ...row, id: stockKey(row.lot.id, row.place), lot_id: row.lot.id, lot: undefined, sire: undefined });
  }
  const animals = await Promise.all(
    listed.map(async (animal) => {
      const next = due.has(animal.id) ? await get(`/v1/animals/${animal.id}/next-service`) : null;
      for (const candidate of next?.candidates ?? []) lots.set(candidate.lot.id, lotRow(candidate));
      return { ...animal, next: next && nextRow(next) };
    }),
  );
  for (const stop of round.stops) for (const animal of stop.animals) if (animal.straw) lots.set(animal.straw.lot.id, lotRow(animal.straw));
  return {
    rounds: round.stops.map((/** @type {Json} */ stop) => ({ ...stop, id: stop.herd_id, date: round.date, made_at: round.made_at })),
    animals,
    places: [...places.values()],
    lots: [...lots.values()],
    herds,
    tanks: tanks.map((tank, i) => ({ ...tank, nitrogen: levels[i] })),
    alerts,
    meta: { business_id: business.id },
  };
}

/** @param {Json} stock a lot with its sire */
export function lotRow({ lot, sire }) {
  return { ...lot, sire, code: printedCode(sire) };
}

/** @param {Json} next */
export function nextRow(next) {
  const candidates = next.candidates.map((/** @type {Json} */ c) => ({ lot_id: c.lot?.id ?? c.lot_id, place: c.place, straws: c.straws }));
  return { ...next, candidates };
}

/**
 * The code as it is printed on a straw: the uniform code without leading zeros, else the first name in any scheme.
 * @param {Json} sire
 */
export function printedCode(sire) {
  const uniform = sire.identifiers.find((/** @type {Json} */ i) => i.scheme === "uniform-code");
  const match = uniform && /^0*(\d+)([A-Z]{2})0*(\d+)$/.exec(uniform.id);
  if (match) return `${match[1]}${match[2]}${match[3]}`;
  return String(uniform?.id ?? sire.identifiers[0]?.id ?? sire.name);
}
