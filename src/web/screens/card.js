// One animal: what her service calls for, where that straw hangs, until when, and the one worst caution.

import { now } from "../clock.js";
import { h } from "../dom.js";
import { roomFor } from "../rules/thaw.js";
import { isBathFor, strawOut } from "../taps.js";
import { clockTime, soon, t, told } from "../texts.js";
import { choiceOf, degrees, herOf, isOffered, onHold, otherChoices, placeWord, protocolFor, typeLine, typeWord, who, worstCaution } from "./common.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json */

/**
 * What keeps STRAW OUT closed; null when nothing does.
 * @param {App} app @param {Json} her @param {import("./common.js").Choice | null} choice @param {number} at
 * @returns {{why: string, small: string, bath: boolean} | null}
 */
export function closedBy(app, her, choice, at) {
  if (!her.permitted) return { why: her.objections[0]?.text ?? "", small: t("closed_against"), bath: false };
  if (!choice) return { why: t(her.isCalled ? "why_none" : "why_not_called"), small: t(her.isCalled ? "closed_none" : "closed_not_chosen"), bath: false };
  const hold = onHold(app, choice);
  if (hold) return { why: hold, small: t("closed_against"), bath: false };
  const bath = app.lastBath(at);
  const protocol = protocolFor(app, her, choice);
  if (!bath || bath.lot_id !== choice.lot_id) return { why: t("why_bath"), small: t("closed_bath"), bath: true };
  if (!isBathFor(bath, choice.lot_id, at)) return { why: t("why_bath_old"), small: t("closed_bath"), bath: true };
  if (bath.bath_c < protocol.min_c || bath.bath_c > protocol.max_c) {
    const c = degrees(bath.bath_c);
    return { why: t("why_bath_wrong", { c, min: degrees(protocol.min_c), max: degrees(protocol.max_c) }), small: t("closed_bath_wrong", { c }), bath: true };
  }
  const lot = app.book["lots"]?.get(choice.lot_id);
  if (roomFor(lot.semen_type, lot.straw_ml, app.meta["bath_ml"] ?? 1000, app.running()) < 1) return { why: t("why_room"), small: t("closed_room"), bath: false };
  if (her.isCalled && !isOffered(her, choice)) return { why: t("why_not_offered"), small: t("closed_not_offered"), bath: false };
  return null;
}

/** The service and its semen type, as far as they are known. @param {Json} her @param {string | null} type */
function callsFor(her, type) {
  if (!type) return h("p.calls", h("span", t("calls_for")), " ", t("not_known"));
  const over = her.service_number ? t("service_n", { n: her.service_number }) : her.isCalled ? null : t("chosen_here");
  return h(`p.calls.${typeLine(type)}`, over ? h("span", over) : null, " ", typeWord(type));
}

/** Which of how many today. @param {Json} her */
function turn(her) {
  const animals = her.stop?.animals ?? [];
  const n = animals.findIndex((/** @type {Json} */ row) => row.animal_id === her.id) + 1;
  return n ? t("of_today", { n, all: animals.length }) : "";
}

/** @param {App} app @param {string} animalId */
export default function card(app, animalId) {
  const at = now();
  const her = herOf(app, animalId);
  const back = { id: "back", label: t("back_round"), on: () => app.go("round") };
  if (!her) return { title: t("find"), view: [h("h1.big", t("not_here"))], deck: [back] };
  app.mind["at"] = animalId;
  const choice = choiceOf(app, her);
  const lot = choice && app.book["lots"]?.get(choice.lot_id);
  const tank = choice && app.book["tanks"]?.get(choice.place.tank_id);
  /** Null where neither the book has said what she calls for nor a straw is chosen. */
  const type = lot?.semen_type ?? her.semen_types[0] ?? null;
  const closed = closedBy(app, her, choice, at);
  const bath = app.lastBath(at);
  const others = otherChoices(app, her, choice).length;
  const goOut = async () => app.go("out", await strawOut(app, her, /** @type {any} */ (choice), protocolFor(app, her, /** @type {any} */ (choice))));
  const timing = her.timing;
  const view = [
    who(her.number, [her.class && told(her.class, her.class), her.herd_name].filter(Boolean).join(", "), h("br"), turn(her)),
    callsFor(her, type),
    lot
      ? h("div.straw", h("p.code", lot.code), h("p.mid", lot.sire?.name ?? ""), h("p.mid", t("batch"), " ", h("span.code", lot.batch ?? "–")), h("p", lot.straw_ml ? t("ml", { n: lot.straw_ml }) : ""))
      : h("p.mid", t("no_straw_card")),
    choice
      ? h(
          "div.place",
          h("p", t("n_there", { tank: tank?.name ?? "", n: app.there(choice.lot_id, choice.place) })),
          h(
            "dl",
            h("div", h("dt", t("canister")), h("dd", choice.place.canister)),
            h("div", h("dt", t("cane")), h("dd", choice.place.cane ?? "–")),
            h("div", h("dt", t("goblet")), h("dd.word", placeWord(choice.place.goblet ?? "–").toUpperCase())),
          ),
        )
      : null,
    timing
      ? h(
          "p.until",
          h("span.big", timing.state === "passed" ? t("passed_at", { time: soon(timing.latest_at, at, her.zone) }) : t("until_at", { time: soon(timing.latest_at, at, her.zone) })),
          " ",
          h("span", timing.state === "early" ? t("caution_early", { time: soon(timing.earliest_at, at, her.zone) }) : t("best_at", { time: soon(timing.best_at, at, her.zone) })),
        )
      : null,
    h("p.caution", worstCaution(app, her, choice)),
  ];
  const moreSmall = closed ? t("more_card") : t("more_bath", { c: degrees(bath?.bath_c ?? 0), time: clockTime(bath?.at ?? at) });
  const more = { id: "more", label: t("more"), small: others || !closed ? moreSmall : t("more_card"), on: () => app.go("why", animalId) };
  const shut = {
    id: "out",
    label: t("straw_out"),
    small: closed?.small ?? null,
    look: "closed",
    on: () => app.go("closed", animalId),
  };
  return {
    title: type ? `${her.number}: ${typeWord(type)}` : String(her.number),
    tank: choice?.place.tank_id ?? null,
    viewClass: "tight",
    view,
    whole: !closed || !app.canAct,
    deckLabel: her.number,
    deck: !app.canAct
      ? [more, back]
      : !closed
      ? [{ id: "out", label: t("straw_out"), small: t("straw_out_hint"), look: "next tall", on: goOut }, more]
      : closed.bath
        ? [{ id: "bath", label: t("bath_first"), look: "next", on: () => app.go("bath", animalId) }, shut, more]
        : !choice && her.permitted && others
          ? [{ id: "another", label: t(her.isCalled ? "another_straw" : "choose_straw"), small: t("n_near", { n: others }), on: () => app.go("places", animalId) }, shut, more]
          : [shut, more, back],
    // The bath grows old under one's hands.
    shape: (/** @type {number} */ then) => JSON.stringify(closedBy(app, her, choice, then)),
  };
}
