// The straw is out of the nitrogen: seconds, counted from the instant that was kept.

import { now } from "../clock.js";
import { code, h, svg } from "../dom.js";
import { UNDO_MS } from "../outbox.js";
import { LATE_S, slowAfter } from "../rules/thaw.js";
import { tick as tone } from "../sound.js";
import { inBath, putBack, undoLast } from "../taps.js";
import { t } from "../texts.js";
import { degrees, typeWord, who } from "./common.js";

const BAR_S = 25;
const WIDTH = 354;

/** @param {import("../app.js").App} app @param {string} id */
export default function out(app, id) {
  const straw = app.straw(id);
  if (!straw) return { title: "", view: [h("h1.big", t("not_here"))], deck: [{ id: "back", label: t("back_round"), on: () => app.go("round") }] };
  const slow = slowAfter(straw.straw_ml);
  const seconds = h("span", "0");
  const bar = svg("rect", { class: "ink", x: 2, y: 14, width: 0, height: 30 });
  const mark = 2 + Math.round((slow / BAR_S) * WIDTH);
  const canUndo = (/** @type {number} */ at) => app.undoable(id, at) !== null;
  const at = now();
  const isUndo = canUndo(at);
  const passed = () => Math.max(Math.floor((now() - straw.out_at) / 1000), 0);
  const undo = {
    id: "undo",
    label: t("undo"),
    small: t("undo_left", { what: t("not_lifted"), s: Math.max(Math.ceil((straw.out_at + UNDO_MS - at) / 1000), 0) }),
    on: async () => {
      if (await undoLast(app, straw)) app.go("card", straw.animal_id);
    },
  };
  const back = {
    id: "put-back",
    label: t("put_back"),
    small: t("put_back_hint", { s: passed() }),
    on: async () => {
      await putBack(app, straw);
      app.go("round");
    },
  };
  return {
    title: `${straw.animal_number}: ${t("straw_out")}`,
    tank: straw.place.tank_id,
    viewClass: "spread",
    view: [
      who(straw.animal_number, code(straw.code, "mid"), h("br"), `${typeWord(straw.semen_type).toLowerCase()}${straw.straw_ml ? `, ${t("ml", { n: straw.straw_ml })}` : ""}`),
      h("p.figure.out", { role: "timer", "aria-label": t("seconds_out") }, seconds, h("small", t("s_out"))),
      svg(
        "svg",
        { class: "scale", viewBox: "0 0 358 78", "aria-hidden": "true" },
        svg("rect", { class: "edge", x: 2, y: 14, width: WIDTH, height: 30 }),
        svg("path", { class: "hat", d: Array.from({ length: Math.floor((356 - mark) / 16) }, (_, i) => `M${mark + 5 + i * 16} 42l12-26`).join("") }),
        bar,
        svg("path", { class: "edge", d: `M${Math.min(mark, 354)} 6v46` }),
        svg("text", { class: "bold", x: Math.min(mark, 290), y: 70, "text-anchor": "middle" }, t("noted_from", { s: slow })),
      ),
      h("div", h("p.big", t("into_bath")), h("p.mid", t("plug_back"), " ", straw.bath_c === null ? t("bath_unread") : t("bath_was", { c: degrees(straw.bath_c) }))),
    ],
    whole: true,
    deckLabel: `${straw.animal_number}, ${t("straw_out")}`,
    deck: [
      {
        id: "in-bath",
        label: t("in_bath"),
        look: "next tall",
        on: async () => {
          await inBath(app, straw);
          app.go("thaw", id);
        },
      },
      isUndo ? undo : back,
    ],
    tick: (/** @type {number} */ then) => {
      const s = Math.max(Math.floor((then - straw.out_at) / 1000), 0);
      if (seconds.textContent !== String(s)) {
        seconds.textContent = String(s);
        bar.setAttribute("width", String(Math.round((Math.min(s, BAR_S) / BAR_S) * WIDTH)));
        if (s > 0 && s <= LATE_S) tone(s, slow);
      }
    },
    shape: (/** @type {number} */ then) => (canUndo(then) ? `undo ${Math.ceil((straw.out_at + UNDO_MS - then) / 1000)}` : `back ${Math.floor((then - straw.out_at) / 1000)}`),
  };
}
