// What a tap keeps: each act as the service's route takes it, with its instant, and what becomes of the straw here.
// Every act is told as done already: what has happened is never refused for what stood against it.

import { iso, now, uuid7 } from "./clock.js";
import { ASK_MS, UNDO_MS, amend, entryOf, keep, undo } from "./outbox.js";
import { BATH_HOLDS_MS, thawing } from "./rules/thaw.js";
import { signals, unlock } from "./sound.js";
import { stockKey, strict } from "./store.js";

/** @typedef {import("./app.js").App} App @typedef {import("./store.js").Straw} Straw @typedef {import("./store.js").Place} Place */
/** @typedef {any} Json */

/** Who did it, where the key has a name. @param {App} app */
const technician = (app) => (app.meta["technician"] ? { technician: app.meta["technician"] } : {});

/** @param {Place} place */
const placeBody = ({ tank_id, canister, cane, goblet }) => ({
  tank_id,
  canister,
  ...(cane === null || cane === undefined ? {} : { cane }),
  ...(goblet === null || goblet === undefined ? {} : { goblet }),
});

/**
 * A straw leaves the nitrogen.
 * @param {App} app @param {Json} animal @param {{lot_id: string, place: Place}} straw
 * @param {import("./rules/bath.js").Protocol} protocol
 * @returns {Promise<string>} the withdrawal
 */
export async function strawOut(app, animal, { lot_id, place }, protocol) {
  unlock();
  const at = now();
  const id = uuid7();
  const lot = app.book["lots"]?.get(lot_id);
  const bath = app.lastBath(at);
  /** @type {Straw} */
  const out = {
    withdrawal_id: id,
    animal_id: animal.id,
    animal_number: animal.number,
    herd_id: animal.herd_id,
    lot_id,
    semen_type: lot.semen_type,
    straw_ml: lot.straw_ml ?? null,
    service_number: animal.service_number ?? null,
    code: lot.code,
    batch: lot.batch ?? "",
    place,
    protocol,
    out_at: at,
    bath_at: null,
    ready_at: null,
    use_by_at: null,
    bath_c: bath && isBathFor(bath, lot_id, at) ? bath.bath_c : null,
    served_at: null,
    asked: false,
    ended: null,
  };
  const entry = entryOf(
    {
      kind: "out",
      case_id: id,
      path: "/v1/withdrawals",
      body: { id, animal_id: animal.id, lot_id, place: placeBody(place), withdrawn_at: iso(at), ...technician(app), already_done: true },
      occurred_at: at,
      about: animal.number,
      takes: { lot_id, place },
    },
    app.who(),
  );
  await keep(app.db, { entries: [entry], straws: [out] });
  signals.kept();
  await app.changed();
  return id;
}

/** A reading serves a straw of its own batch for ten minutes. @param {import("./store.js").Bath} bath @param {string} lotId @param {number} at */
export const isBathFor = (bath, lotId, at) => Math.abs(at - bath.at) < BATH_HOLDS_MS && bath.lot_id === lotId;

/** @param {App} app @param {Straw} straw */
export async function inBath(app, straw) {
  // A clock that was put right in between must not send the straw back in time.
  const at = Math.max(now(), straw.out_at);
  const is = { ...straw, bath_at: at, ...thawing(straw.protocol, straw.out_at, at) };
  const entries =
    straw.bath_c === null
      ? []
      : [
          entryOf(
            {
              kind: "bath",
              case_id: straw.withdrawal_id,
              path: `/v1/withdrawals/${straw.withdrawal_id}/thaw`,
              body: { bath_temp_c: straw.bath_c, started_at: iso(at), already_done: true },
              occurred_at: at,
              about: straw.animal_number,
            },
            app.who(),
          ),
        ];
  await keep(app.db, { entries, straws: [is] });
  signals.in_bath();
  await app.changed();
}

/** She is served; what the straw says is asked next. @param {App} app @param {Straw} straw */
export async function served(app, straw) {
  const at = Math.max(now(), straw.bath_at ?? straw.out_at);
  const entry = entryOf(
    {
      kind: "serve",
      case_id: straw.withdrawal_id,
      path: "/v1/services",
      body: { withdrawal_id: straw.withdrawal_id, served_at: iso(at), ...technician(app), already_done: true },
      occurred_at: at,
      about: straw.animal_number,
      state: "asked",
      hold_until: at + ASK_MS,
    },
    app.who(),
  );
  await keep(app.db, { entries: [entry], straws: [{ ...straw, served_at: at, asked: true }] });
  signals.kept();
  await app.changed();
}

/** The service that waits for the answer. @param {App} app @param {Straw} straw */
const askedEntry = (app, straw) => app.entriesOf(straw.withdrawal_id).find((entry) => entry.kind === "serve" && entry.state === "asked");

/**
 * What the straw says: as printed on it, or null where it cannot be read.
 * @param {App} app @param {Straw} straw @param {string | null} read @param {string} [note]
 */
export async function says(app, straw, read, note) {
  const entry = askedEntry(app, straw);
  const is = { ...straw, asked: false, ended: /** @type {"served"} */ ("served") };
  const at = now();
  if (entry) {
    await amend(
      app.db,
      Number(entry.n),
      (kept) => {
        const body = { ...JSON.parse(kept.body), ...(read === null ? {} : { straw_read: read }), ...(note ? { note } : {}) };
        kept.body = JSON.stringify(body);
        kept.state = "waiting";
        kept.hold_until = at + UNDO_MS;
        kept.undo_until = at + UNDO_MS;
      },
      { straw: is },
    );
  } else await keep(app.db, { straws: [is] });
  signals.kept();
  await app.changed();
}

/** As printed: code and batch. @param {{code: string, batch: string}} straw */
export const printed = ({ code, batch }) => (batch ? `${code}, ${batch}` : code);

/** The straw was not used, or she was not served with it. @param {App} app @param {Straw} straw */
export async function discarded(app, straw) {
  const at = now();
  const waiting = askedEntry(app, straw);
  const isLate = straw.use_by_at !== null && at > straw.use_by_at;
  const entry = entryOf(
    {
      kind: "discard",
      case_id: straw.withdrawal_id,
      path: `/v1/withdrawals/${straw.withdrawal_id}/discard`,
      body: { reason: straw.bath_at === null ? "exposed" : "thawed_not_used", discarded_at: iso(at), ...technician(app), ...(isLate ? { note: "past its time" } : {}) },
      occurred_at: at,
      about: straw.animal_number,
    },
    app.who(),
  );
  const is = { ...straw, served_at: null, asked: false, ended: /** @type {"discarded"} */ ("discarded") };
  if (waiting) await amend(app.db, Number(waiting.n), (kept) => void (kept.state = "replaced"), { straw: is, entries: [entry] });
  else await keep(app.db, { entries: [entry], straws: [is] });
  signals.kept();
  await app.changed();
}

/** It went back into the nitrogen: the withdrawal is reversed, with how long it was out. @param {App} app @param {Straw} straw */
export async function putBack(app, straw) {
  const at = now();
  const seconds = Math.round((at - straw.out_at) / 1000);
  const entry = entryOf(
    {
      kind: "put_back",
      case_id: straw.withdrawal_id,
      lookup: `/v1/movements?animal_id=${straw.animal_id}&kind=withdrawal&limit=50`,
      path: "/v1/movements/{looked-up}/reversal",
      body: { reason: "other", note: `put back after ${seconds} s above the nitrogen`, reversed_at: iso(at), ...technician(app) },
      occurred_at: at,
      about: straw.animal_number,
    },
    app.who(),
  );
  await keep(app.db, { entries: [entry], straws: [{ ...straw, ended: "put_back" }] });
  signals.kept();
  await app.changed();
}

/**
 * Undoes the last act of a straw, while its ten seconds last and it was not sent.
 * @param {App} app @param {Straw} straw
 * @returns {Promise<boolean>}
 */
export async function undoLast(app, straw) {
  const entry = app.undoable(straw.withdrawal_id, now());
  let done = false;
  if (entry) {
    /** @type {Record<string, Straw | {delete: string}>} */
    const before = {
      out: { delete: straw.withdrawal_id },
      bath: { ...straw, bath_at: null, ready_at: null, use_by_at: null },
      serve: { ...straw, served_at: null, asked: false, ended: null },
      discard: { ...straw, ended: null },
      put_back: { ...straw, ended: null },
    };
    done = await undo(app.db, [Number(entry.n)], before[entry.kind] ?? null);
  } else if (straw.bath_c === null && straw.bath_at !== null && now() < straw.bath_at + UNDO_MS) {
    // The bath was not read: nothing waits to be sent of it.
    await keep(app.db, { straws: [{ ...straw, bath_at: null, ready_at: null, use_by_at: null }] });
    done = true;
  }
  await app.changed();
  return done;
}

/** The bath shows so much. @param {App} app @param {number} bathC @param {string | null} lotId @param {{min_c: number, max_c: number}} protocol */
export async function bathRead(app, bathC, lotId, { min_c, max_c }) {
  await keep(app.db, { bath: { at: now(), bath_c: bathC, lot_id: lotId, min_c, max_c } });
  await app.changed();
}

/** @param {App} app @param {Json} tank @param {number} cm @param {boolean} isFrosty */
export async function nitrogenRead(app, tank, cm, isFrosty) {
  const at = now();
  const entry = entryOf(
    {
      kind: "reading",
      path: `/v1/tanks/${tank.id}/nitrogen-readings`,
      body: { read_at: iso(at), depth_mm: cm * 10, frost: isFrosty ? "frost" : "none", ...technician(app) },
      occurred_at: at,
      about: tank.name,
    },
    app.who(),
  );
  await keep(app.db, { entries: [entry] });
  await lay(app, "tanks", { ...tank, read_here: { at, cm, frost: isFrosty } });
}

/** Nothing is to be used from it. @param {App} app @param {Json} tank @param {string} reason */
export async function closeTank(app, tank, reason) {
  const at = now();
  const entry = entryOf(
    { kind: "hold", path: "/v1/holds", body: { tank_id: tank.id, reason, held_at: iso(at), ...technician(app) }, occurred_at: at, about: tank.name },
    app.who(),
  );
  await keep(app.db, { entries: [entry] });
  signals.kept();
  await app.changed();
}

/**
 * A canister's straws hang in another tank now: a transfer for each lot at each place, cane and goblet as they were.
 * @param {App} app @param {Json} from @param {Json} into @param {number} canister @param {number} to its canister
 * @param {{row: Json, straws: number}[]} rows
 * @returns {Promise<{order: number[], canister: number, until: number}>} what may be undone, and until when
 */
export async function canisterMoved(app, from, into, canister, to, rows) {
  const at = now();
  const moves = rows.map(({ row: { lot_id, place }, straws }) => ({ lot_id, place, straws, there: { ...place, tank_id: into.id, canister: to } }));
  const entries = moves.map(({ lot_id, place, straws, there }) =>
    entryOf(
      {
        kind: "transfer",
        path: "/v1/transfers",
        body: { lot_id, from: placeBody(place), to: placeBody(there), straws, transferred_at: iso(at), ...technician(app) },
        occurred_at: at,
        about: `${from.name}, ${canister}`,
        takes: { lot_id, place, straws },
        brings: { lot_id, place: there, straws },
      },
      app.who(),
    ),
  );
  const order = await keep(app.db, { entries });
  for (const { lot_id, there } of moves) {
    const id = stockKey(lot_id, there);
    if (!app.book["places"]?.has(id)) await lay(app, "places", { id, lot_id, place: there, straws: 0 });
  }
  signals.kept();
  await app.changed();
  return { order, canister, until: at + UNDO_MS };
}

/** It still hangs where it was. @param {App} app @param {number[]} order of the transfers */
export async function canisterNotMoved(app, order) {
  await undo(app.db, order, null);
  await app.changed();
}

/** @param {App} app @param {Json} animal @param {number} standingAt @param {"seen" | "sensor"} method */
export async function heat(app, animal, standingAt, method) {
  const entry = entryOf(
    {
      kind: "heat",
      path: "/v1/heats",
      body: { animal_id: animal.id, standing_at: iso(standingAt), method, ...technician(app) },
      about: animal.number,
    },
    app.who(),
  );
  await keep(app.db, { entries: [entry] });
  signals.kept();
  await app.changed();
}

/** @param {App} app @param {Json} animal @param {"pregnant" | "empty" | "unknown"} result */
export async function check(app, animal, result) {
  const at = now();
  const entry = entryOf(
    {
      kind: "check",
      path: "/v1/pregnancy-checks",
      body: { animal_id: animal.id, checked_at: iso(at), method: "ultrasound", result, ...technician(app) },
      occurred_at: at,
      about: animal.number,
    },
    app.who(),
  );
  await keep(app.db, { entries: [entry] });
  signals.kept();
  await app.changed();
}

/** @param {App} app @param {Json} tank @param {number} canister @param {{lot_id: string, place: Place, straws: number}[]} counts */
export async function counted(app, tank, canister, counts) {
  const at = now();
  const entry = entryOf(
    {
      kind: "stocktake",
      path: "/v1/stocktakes",
      body: {
        tank_id: tank.id,
        canister,
        counted_at: iso(at),
        counts: counts.map(({ lot_id, place, straws }) => ({ lot_id, place: placeBody(place), straws })),
        ...technician(app),
      },
      occurred_at: at,
      about: `${tank.name}, ${canister}`,
    },
    app.who(),
  );
  await keep(app.db, { entries: [entry] });
  signals.kept();
  await app.changed();
}

/** @param {App} app @param {Json} alert */
export async function seen(app, alert) {
  const entry = entryOf({ kind: "acknowledge", path: `/v1/alerts/${alert.id}/acknowledgement`, body: {}, about: String(alert.kind) }, app.who());
  await keep(app.db, { entries: [entry] });
  signals.kept();
  await lay(app, "alerts", { ...alert, seen_here: true });
}

/** A row of the snapshot with what was done here laid over it, until the next one. @param {App} app @param {string} store @param {Json} row */
async function lay(app, store, row) {
  const tx = strict(app.db, [store]);
  void tx.objectStore(store).put(row);
  await tx.done;
  app.book[store]?.set(row.id, row);
  await app.changed();
}
