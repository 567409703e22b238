// The bath first: its figure by pairs, what to add while it is not right, and the way to the straw when it is.

import { now } from "../clock.js";
import { h, svg } from "../dom.js";
import { judgeBath, bounded } from "../rules/bath.js";
import { BATH_HOLDS_MS, defaultProtocol } from "../rules/thaw.js";
import { bathRead, isBathFor } from "../taps.js";
import { clockTime, t } from "../texts.js";
import { choiceOf, degrees, herOf, placeLine, protocolFor, title } from "./common.js";

/** What is reckoned with where nobody said otherwise. */
export const USUAL = { bath_ml: 1000, cold_c: 12, warm_c: 50 };

/** @param {import("../app.js").App} app @param {string} [animalId] */
export default function bath(app, animalId) {
  const at = now();
  const her = animalId ? herOf(app, animalId) : null;
  const choice = her && choiceOf(app, her);
  const protocol = bounded(her && choice ? protocolFor(app, her, choice) : defaultProtocol("conventional", 0.25));
  const last = app.lastBath(at);
  const key = `bath ${animalId ?? ""}`;
  const tenths = app.mind[key] ?? Math.round((last?.bath_c ?? protocol.aim_c) * 10);
  const c = tenths / 10;
  const lotId = choice?.lot_id ?? null;
  const isRead = last !== undefined && lotId !== null && isBathFor(last, lotId, at) && Math.round(last.bath_c * 10) === tenths;
  const isAgain = Boolean(app.mind[`${key} again`]);
  const { bath_ml, cold_c, warm_c } = { ...USUAL, ...pickNumbers(app.meta) };
  const isHot = c > protocol.max_c;
  const water = isHot ? cold_c : warm_c;
  const judged = judgeBath(protocol, c, bath_ml, water);
  const range = { min: degrees(protocol.min_c), max: degrees(protocol.max_c) };
  const back = { id: "back", label: her ? t("back_to", { what: her.number }) : t("back_round"), on: () => (animalId ? app.go("card", animalId) : app.go("round")) };
  const head = title(t("bath"), her ? t("bath_for", { n: her.number, ...range }) : t("bath_no_batch", range));
  const figure = h("p.figure", h("span", degrees(c)), h("small", "°C"));
  const step = (/** @type {number} */ by) => () => {
    app.mind[key] = Math.min(Math.max(tenths + by, 0), 999);
    app.render();
  };
  if (isRead && !isAgain && judged.verdict === "right") {
    return {
      title: t("bath"),
      tank: choice?.place.tank_id ?? null,
      viewClass: "spread",
      view: [
        head,
        figure,
        scale(c, protocol),
        h("div.plate", h("p.big", t("right_at", { time: clockTime(last.at) })), h("p.mid", t("again_at", { time: clockTime(last.at + BATH_HOLDS_MS) }))),
      ],
      whole: true,
      deckLabel: t("bath"),
      deck: [
        {
          id: "straw",
          label: t("to_the_straw"),
          small: her && choice ? t("to_the_straw_hint", { n: her.number, place: placeLine(choice.place) }) : null,
          look: "next tall",
          on: () => {
            delete app.mind[key];
            if (animalId) app.go("card", animalId);
          },
        },
        {
          id: "again",
          label: t("read_again"),
          on: () => {
            app.mind[`${key} again`] = true;
            app.render();
          },
        },
      ],
      shape: (/** @type {number} */ then) => String(isBathFor(last, lotId ?? "", then)),
    };
  }
  const isWrongRead = isRead && judged.verdict !== "right";
  return {
    title: t("bath"),
    tank: choice?.place.tank_id ?? null,
    viewClass: "spread",
    view: [head, figure, scale(c, protocol), advice(judged, isHot, water, bath_ml, isWrongRead)],
    deckLabel: t("bath"),
    deck: [
      [
        { id: "less", label: "− 0.1", look: "sign", on: step(-1) },
        { id: "plus", label: "+ 0.1", look: "sign", on: step(1) },
      ],
      [
        { id: "less1", label: "− 1", look: "sign", rare: true, on: step(-10) },
        { id: "plus1", label: "+ 1", look: "sign", rare: true, on: step(10) },
      ],
      animalId || lotId
        ? {
            id: "shows",
            label: t("bath_shows", { c: degrees(c) }),
            look: "next",
            on: async () => {
              delete app.mind[`${key} again`];
              await bathRead(app, c, lotId, protocol);
            },
          }
        : back,
    ],
  };
}

/** @param {Record<string, any>} meta */
function pickNumbers(meta) {
  return Object.fromEntries(Object.entries(meta).filter(([name, value]) => name in USUAL && typeof value === "number"));
}

/**
 * @param {import("../rules/bath.js").Judgement} judged @param {boolean} isHot @param {number} water @param {number} ml
 * @param {boolean} isRead
 */
function advice(judged, isHot, water, ml, isRead) {
  if (judged.verdict === "right") return h("div.plate", h("p.big", t("right")));
  if (judged.useless) return h("div.plate.closed", h("div", h("p.mid", t("useless_water", { c: water }))));
  const [first, second] = judged.steps;
  const isReplace = first?.action === "replace";
  const head = isHot ? (isReplace ? t("too_warm_replace") : t("too_warm")) : isReplace ? t("too_cold_replace") : t("too_cold");
  return h(
    "div.plate.closed",
    { role: isRead ? "alert" : null },
    h(
      "div",
      h("p.mid.caps", head),
      h("p.huge", second ? t("steps_of", { a: first?.ml ?? 0, b: second.ml }) : t("step_of", { a: first?.ml ?? 0 })),
      h("p", t("of_water", { c: water, ml })),
    ),
  );
}

/** @param {number} c @param {import("../rules/bath.js").Protocol} protocol */
function scale(c, { min_c, max_c }) {
  const from = 33;
  const to = 39.5;
  const x = (/** @type {number} */ value) => Math.round(((Math.min(Math.max(value, from), to) - from) / (to - from)) * 340 + 8);
  const values = { c: degrees(c), min: degrees(min_c), max: degrees(max_c) };
  const label = c > max_c ? t("scale_above", values) : c < min_c ? t("scale_below", values) : t("scale_in", values);
  const at = x(c);
  const isIn = c >= min_c && c <= max_c;
  return svg(
    "svg",
    { class: "scale", viewBox: "0 0 358 66", role: "img", "aria-label": label },
    svg("path", { class: "thin", d: "M2 34H356" }),
    svg("rect", { class: "ink", x: x(min_c), y: 24, width: Math.max(x(max_c) - x(min_c), 6), height: 20 }),
    svg("text", { x: x(min_c), y: 62, "text-anchor": "middle" }, values.min),
    svg("text", { x: x(max_c), y: 62, "text-anchor": "middle" }, values.max),
    svg("path", { class: "ink", d: `M${at} 22l-12-20h24z` }),
    isIn ? null : svg("path", { class: "edge", d: `M${at} 22v22` }),
    svg("text", { class: "bold rev", x: (x(min_c) + x(max_c)) / 2, y: 39, "text-anchor": "middle" }, t("right")),
  );
}
