// What several screens show alike.

import { now } from "../clock.js";
import { h, svg } from "../dom.js";
import { isSexed, protocolOf } from "../rules/thaw.js";
import { t, told, when } from "../texts.js";
import { stockKey } from "../store.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json @typedef {import("../store.js").Place} Place */
/** @typedef {{lot_id: string, place: Place}} Choice */

/** `Conventional` @param {string} type */
export const typeWord = (type) => told(type, type);
/** The class of its line: one, two, or broken. @param {string} type */
export const typeLine = (type) => (type === "sexed_female" ? "female" : type === "sexed_male" ? "male" : "conventional");

/** `2: CONVENTIONAL`'s line before a code. @param {string} type */
export const mark = (type) => h(`span.mark.${typeLine(type)}`, { "aria-hidden": "true" });

/** @param {string | null | undefined} word a cane or goblet */
export const placeWord = (word) => (word === "upper" ? t("upper") : word === "lower" ? t("lower") : (word ?? t("no_mark")));

/** `canister 6, cane B, lower` @param {Place} place */
export function placeLine({ canister, cane, goblet }) {
  return [`${t("canister")} ${canister}`, cane && `${t("cane")} ${cane}`, goblet && placeWord(goblet)].filter(Boolean).join(", ");
}

/** `6 | B | lower` @param {Place} place */
export const placeShort = ({ canister, cane, goblet }) => [canister, cane ?? "–", goblet ? placeWord(goblet) : "–"].join(" | ");

/** The number and what stands beside it. @param {string} number @param {(Node | string | null)[]} beside */
export function who(number, ...beside) {
  return h("div.who", h("h1.number", number), h("p", ...beside));
}

/** @param {string} name @param {string} [beside] */
export const title = (name, beside) => h("div.title", h("h1", name), beside ? h("p", beside) : null);

/** A line of a list that the deck acts on. @param {boolean} isAt */
export const pointed = (isAt) => (isAt ? { class: "at", "aria-current": "true" } : {});

/** Her row of the round, whatever stop. @param {App} app @param {string} animalId */
export function dueRow(app, animalId) {
  for (const stop of app.book["rounds"]?.values() ?? []) {
    const row = stop.animals.find((/** @type {Json} */ animal) => animal.animal_id === animalId);
    if (row) return { stop, row };
  }
  return null;
}

/**
 * All that is known of her: from the round, from her next service, from the herd's list.
 * @param {App} app @param {string} animalId
 */
export function herOf(app, animalId) {
  const due = dueRow(app, animalId);
  const kept = app.book["animals"]?.get(animalId);
  if (!due && !kept) return null;
  const next = kept?.next ?? null;
  const row = due?.row;
  const herdId = kept?.herd_id ?? due?.stop.herd_id;
  return {
    id: animalId,
    number: String(kept?.number ?? row?.animal_number),
    herd_id: herdId,
    herd_name: due?.stop.herd_name ?? app.book["herds"]?.get(herdId)?.name ?? "",
    zone: due?.stop.time_zone ?? app.book["herds"]?.get(herdId)?.time_zone,
    class: row?.class ?? next?.class ?? "",
    service_number: row?.service_number ?? next?.service_number ?? null,
    semen_types: row?.semen_types ?? next?.semen_types ?? [],
    rule: row?.rule?.text ?? next?.rule?.text ?? "",
    timing: row?.timing ?? next?.timing ?? null,
    permitted: row?.permitted ?? next?.permitted ?? true,
    objections: row?.objections ?? next?.objections ?? [],
    cautions: [...(row?.cautions ?? []), ...(next?.cautions ?? [])].filter((text, i, all) => all.indexOf(text) === i),
    blocked: next?.blocked ?? [],
    pregnancy: next?.pregnancy ?? null,
    candidates: next?.candidates ?? [],
    /** Whether the book has said what her next service calls for. */
    isCalled: Boolean(row ?? next),
    straw: row?.straw ?? null,
    short: row?.short ?? false,
    stop: due?.stop ?? null,
  };
}

/**
 * Which straw her card shows: what was chosen here, else the one that the service reserved for her, else its first candidate;
 * of those only what still hangs.
 * @param {App} app @param {Json} her
 * @returns {Choice | null}
 */
export function choiceOf(app, her) {
  const chosen = app.mind[`chosen ${her.id}`];
  if (chosen) return chosen;
  const reserved = her.straw && { lot_id: her.straw.lot?.id ?? her.straw.lot_id, place: her.straw.place };
  if (reserved && app.there(reserved.lot_id, reserved.place) > 0) return reserved;
  return her.candidates.find((/** @type {Json} */ c) => app.there(c.lot_id, c.place) > 0) ?? null;
}

/** What hangs in the tanks and may be seen here: another farm's straws never. @param {App} app @param {string} herdId */
export function hanging(app, herdId) {
  return [...(app.book["places"]?.values() ?? [])].filter((row) => isOf(app.book["lots"]?.get(row.lot_id)?.owner_herd_id, herdId));
}

/** Whether it is a herd's own, or nobody's. @param {string | null | undefined} owner @param {string} herdId */
const isOf = (owner, herdId) => owner === null || owner === undefined || owner === herdId;

/**
 * What hangs where she stands, in the order of places: for when the book offers her nothing and a straw is lifted all the same.
 * @param {App} app @param {Json} her
 */
function atHand(app, her) {
  const tank = (/** @type {Json} */ row) => app.book["tanks"]?.get(row.place.tank_id);
  const spot = (/** @type {Json} */ { place }) => [place.tank_id, String(place.canister).padStart(3), place.cane ?? "", place.goblet === "lower" ? 1 : 0].join(" ");
  return hanging(app, her.herd_id)
    .filter((row) => isOf(tank(row)?.herd_id, her.herd_id))
    .sort((a, b) => spot(a).localeCompare(spot(b), "en"));
}

/**
 * Other straws than the one shown: those that the book offers her, else what hangs near.
 * @param {App} app @param {Json} her @param {Choice | null} choice @returns {Choice[]}
 */
export function otherChoices(app, her, choice) {
  const isThere = (/** @type {Choice} */ c) => app.there(c.lot_id, c.place) > 0;
  const offered = her.candidates.filter(isThere);
  const key = choice && stockKey(choice.lot_id, choice.place);
  return (offered.length ? offered : atHand(app, her).filter(isThere)).filter((/** @type {Choice} */ c) => stockKey(c.lot_id, c.place) !== key);
}

/** Whether the book offers her this straw. @param {Json} her @param {Choice} choice */
export function isOffered(her, { lot_id, place }) {
  const key = stockKey(lot_id, place);
  const offers = her.straw ? [...her.candidates, { lot_id: her.straw.lot?.id ?? her.straw.lot_id, place: her.straw.place }] : her.candidates;
  return offers.some((/** @type {Choice} */ c) => stockKey(c.lot_id, c.place) === key);
}

/** @param {App} app @param {Json} her @param {Choice} choice */
export function protocolFor(app, her, choice) {
  const key = stockKey(choice.lot_id, choice.place);
  const offered = her.candidates.find((/** @type {Json} */ c) => stockKey(c.lot_id, c.place) === key);
  const lot = app.book["lots"]?.get(choice.lot_id);
  const herd = app.book["herds"]?.get(her.herd_id);
  return offered?.protocol ?? lot?.thaw ?? herd?.thaw ?? lot?.protocol ?? protocolOf(lot ?? { semen_type: "conventional" }, herd);
}

/** What counts now of a tank: read here, or what the service said. @param {Json} tank */
export function levelOf(tank) {
  const status = tank?.nitrogen ?? null;
  const here = tank?.read_here;
  const last = status?.last_reading;
  const lastMm = last ? readMm(last.measured) : null;
  if (here && (!last || here.at > Date.parse(last.read_at))) return { cm: here.cm, at: here.at, refill_by: null, isHere: true };
  if (!last) return null;
  const depth = lastMm ?? status.level?.depth_mm?.estimate ?? null;
  if (depth === null) return null;
  return { cm: Math.round(depth / 10), at: Date.parse(last.read_at), refill_by: status.refill_by ? Date.parse(status.refill_by) : null, isHere: false };
}

/** A reading as a depth; null when it was litres or a weight. @param {Json} measured @returns {number | null} */
function readMm(measured) {
  const factor = { mm: 1, cm: 10, in: 25.4 }[String(measured?.unit)];
  return factor === undefined ? null : measured.value * factor;
}

/** How many straws hang in a tank. @param {App} app @param {string} tankId */
export function strawsIn(app, tankId) {
  let all = 0;
  for (const row of app.book["places"]?.values() ?? []) if (row.place.tank_id === tankId) all += app.there(row.lot_id, row.place);
  return all;
}

/** The tank one works out of when nothing else says which. @param {App} app */
export function usualTank(app) {
  const tanks = [...(app.book["tanks"]?.values() ?? [])];
  return tanks.find((tank) => tank.id === app.meta["tank_id"]) ?? tanks.find((tank) => tank.herd_id === null) ?? tanks[0] ?? null;
}

/** @param {number} c */
export const degrees = (c) => c.toFixed(1);

/** An upright straw: fills, drains, or is barred. @param {string} look */
export function strawPicture(look) {
  if (look === "late") return { picture: h("span.bar.closed", { "aria-hidden": "true" }), fill: null };
  const fill = svg("rect", { class: look === "use" ? "rev" : "ink", x: 8, y: 4, width: 60, height: 246 });
  const picture = svg(
    "svg",
    { viewBox: "0 0 76 254", preserveAspectRatio: "none", "aria-hidden": "true" },
    fill,
    svg("rect", { class: look === "use" ? "pedge" : "edge", x: 8, y: 4, width: 60, height: 246 }),
    look === "wait" ? svg("path", { class: "edge", d: "M8 127h16M8 66h16M8 188h16" }) : null,
  );
  return { picture, fill };
}

/** @param {SVGElement | null} fill @param {number} part 0 to 1, from below */
export function fillTo(fill, part) {
  const height = Math.round(Math.min(Math.max(part, 0), 1) * 246 * 10) / 10;
  fill?.setAttribute("height", String(height));
  fill?.setAttribute("y", String(4 + 246 - height));
}

/** The next in a row, round and round. @template T @param {T[]} items @param {T} at @returns {T} */
export function following(items, at) {
  return /** @type {T} */ (items[(items.indexOf(at) + 1) % items.length]);
}

/** The worst that is to be heeded, short. @param {App} app @param {Json} her @param {Choice | null} choice */
export function worstCaution(app, her, choice) {
  const [objection] = her.objections;
  if (objection) return told(`against_${objection.kind}`, t("against_other"));
  if (!her.isCalled) return t("caution_not_called");
  const timing = her.timing;
  if (timing?.served_at) return t("caution_served", { time: when(timing.served_at, now(), her.zone) });
  if (timing?.state === "passed") return t("caution_passed");
  const lot = choice && app.book["lots"]?.get(choice.lot_id);
  if (lot && isSexed(lot.semen_type)) {
    return t("caution_sexed", { n: Math.round(protocolFor(app, her, /** @type {Choice} */ (choice)).use_within_s / 60) });
  }
  return t("caution_default");
}

/** Whether a canister or its tank is closed here. @param {App} app @param {Choice} choice */
export const onHold = (app, choice) => app.book["places"]?.get(stockKey(choice.lot_id, choice.place))?.on_hold ?? null;
