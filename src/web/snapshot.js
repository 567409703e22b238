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

/** The herds' lists of animals change slowly: they are fetched again after this. */
const ANIMALS_MS = 6 * 3_600_000;

/**
 * A new snapshot in the place of the old one, in one transaction; nothing is written where nothing changed.
 * @param {Db} db @param {Record<string, any>} meta
 * @returns {Promise<boolean>} whether it is another than before
 */
export async function refresh(db, meta) {
  const response = await ask(db, meta, "/v1/page", meta["snapshot_etag"] ? { "If-None-Match": meta["snapshot_etag"] } : {});
  const at = now();
  if (response.status === 304) {
    await writeMeta(db, { snapshot_at: at });
    return false;
  }
  if (!response.ok) throw new NoAnswer(`/v1/page: ${response.status}`);
  const page = await response.json();
  const isOld = !(at - (meta["animals_at"] ?? 0) < ANIMALS_MS);
  const business = meta["business_id"] ? null : await (await ask(db, meta, "/v1/business")).json();
  const others = isOld ? await all(db, meta, "/v1/animals?limit=500") : await db.getAll("animals");
  const rows = rowsOf(page, others);
  const tx = strict(db, [...SNAPSHOT, "meta"]);
  for (const name of SNAPSHOT) {
    const store = tx.objectStore(name);
    void store.clear();
    for (const row of rows[name] ?? []) void store.put({ ...row, fetched_at: at });
  }
  const told = {
    snapshot_at: at,
    snapshot_etag: response.headers.get("ETag") ?? undefined,
    seq: page.seq,
    name: page.key.name,
    technician: page.key.name,
    role: page.key.role,
    ...(business ? { business_id: business.id } : {}),
    ...(isOld ? { animals_at: at } : {}),
  };
  for (const [key, value] of Object.entries(told)) void tx.objectStore("meta").put(value, key);
  await tx.done;
  return true;
}

/**
 * The snapshot as the stores keep it. @param {Json} page the answer of GET /v1/page @param {Json[]} others the herds' animals
 * @returns {Record<string, Json[]>}
 */
export function rowsOf(page, others) {
  const protocol = (/** @type {number | undefined} */ n) => (n === undefined ? null : (page.thaw_protocols[n] ?? null));
  const lots = new Map(page.lots.map((/** @type {Json} */ lot) => [lot.id, { ...lot, protocol: protocol(lot.thaw_protocol), code: printedCode(lot.sire) }]));
  const animals = new Map(others.map((animal) => [animal.id, { ...animal, next: null }]));
  for (const { next_service: next, ...animal } of page.animals) {
    const candidates = next.candidates.map((/** @type {Json} */ { lot_id, place, straws, thaw_protocol }) => ({ lot_id, place, straws, protocol: protocol(thaw_protocol) }));
    animals.set(animal.id, { ...animal, next: { ...next, candidates } });
  }
  for (const stop of page.round.stops) {
    for (const { straw } of stop.animals) {
      if (straw && !lots.has(straw.lot.id)) lots.set(straw.lot.id, { ...straw.lot, sire: straw.sire, protocol: null, code: printedCode(straw.sire) });
    }
  }
  return {
    rounds: page.round.stops.map((/** @type {Json} */ stop, /** @type {number} */ order) => ({ ...stop, id: stop.herd_id, order, date: page.round.date, made_at: page.round.made_at })),
    animals: [...animals.values()],
    places: page.stock.map((/** @type {Json} */ row) => ({ ...row, id: stockKey(row.lot_id, row.place) })),
    lots: [...lots.values()],
    herds: page.herds,
    tanks: page.tanks,
    alerts: page.alerts,
  };
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
