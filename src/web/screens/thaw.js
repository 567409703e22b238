// The countdown from stored instants: WAIT, USE NOW, LATE. Several straws: the earliest on top, each with its animal.

import { now } from "../clock.js";
import { code, h } from "../dom.js";
import { UNDO_MS } from "../outbox.js";
import { isSexed, minutes, phase, roomFor } from "../rules/thaw.js";
import { served, undoLast } from "../taps.js";
import { clockSeconds, t, told } from "../texts.js";
import { fillTo, strawPicture, typeWord, who } from "./common.js";
import { linesOf, stopOf } from "./round.js";

/** @typedef {import("../store.js").Straw} Straw */

/** @param {import("../app.js").App} app @param {string} id */
export default function thaw(app, id) {
  const at = now();
  const asked = app.straw(id);
  const straw = asked && asked.ended === null && asked.served_at === null ? asked : app.running().find((other) => other.bath_at !== null);
  if (!straw || straw.bath_at === null) {
    return { title: "", view: [h("h1.big", t("not_here"))], deck: [{ id: "back", label: t("back_round"), look: "next", on: () => app.go("round") }] };
  }
  const is = phase(straw, at);
  const [word, look] = is === "late" ? [t("LATE"), "late"] : is === "use" ? [t("USE"), "use"] : [t("WAIT"), "wait"];
  const left = h("p.left", { role: "timer", "aria-live": "off" }, "");
  const { picture, fill } = strawPicture(look);
  const readyAt = Number(straw.ready_at);
  const useBy = Number(straw.use_by_at);
  const lines = {
    wait: [h("p.mid", t("ready_at", { time: clockSeconds(readyAt) }), h("br"), t("use_by", { time: clockSeconds(useBy) }))],
    use: [h("p.mid", t("left_use_by", { time: clockSeconds(useBy) }))],
    late: [h("p.mid", t("use_by_was", { time: clockSeconds(useBy) }))],
    out: [],
  }[is];
  const others = app.running().filter((other) => other !== straw);
  const clocks = others.map((other) => ({ other, time: h("span.t", "") }));
  const view = [
    h(`section.clock.${look}`, { "aria-label": `${straw.animal_number}, ${word}` }, picture, h("div.read", h("p.word", word), left, ...lines)),
    who(
      straw.animal_number,
      ...(is === "use" ? [t("dry_read"), h("br"), code(straw.code, "mid"), h("br"), code(straw.batch, "mid")] : [code(straw.code, "mid"), h("br"), straw.service_number ? `${t("service_n", { n: straw.service_number })} ` : "", typeWord(straw.semen_type)]),
    ),
    ...clocks.map(({ other, time }) =>
      h("p.after", h("span.n", other.animal_number), h("span", t("then_wait", { word: told(phase(other, at).toUpperCase(), "") }), h("br"), code(other.code)), time),
    ),
    is === "wait" ? h("p.mid", t("catch_her")) : is === "late" ? h("p.mid", t("late_text")) : null,
    is === "wait" && others.length === 0 && !isSexed(straw.semen_type) ? h("p.caution", t("no_touch")) : null,
  ];
  const goServed = async () => {
    await served(app, straw);
    app.go("says", straw.withdrawal_id);
  };
  const room = roomFor(straw.semen_type, straw.straw_ml, app.meta["bath_ml"] ?? 1000, app.running());
  const next = nextDue(app, at);
  const bathed = app.running().filter((other) => other.bath_at !== null).length;
  const another = {
    id: "another",
    label: t("another_out"),
    small: next ? t("another_hint", { n: bathed, all: bathed + room, next }) : t("another_none", { n: bathed, all: bathed + room }),
    look: room < 1 ? "closed" : "",
    rare: true,
    on: () => {
      app.mind["at"] = nextDueId(app, at);
      const to = app.mind["at"];
      if (to) app.go("card", to);
      else app.go("round");
    },
  };
  const canUndo = (/** @type {number} */ then) => undoUntil(app, straw, then) > then;
  const until = undoUntil(app, straw, at);
  const last = canUndo(at)
    ? {
        id: "undo",
        label: t("undo"),
        small: t("undo_left", { what: t("not_in_bath"), s: Math.ceil((until - at) / 1000) }),
        on: async () => {
          if (await undoLast(app, straw)) app.go("out", straw.withdrawal_id);
        },
      }
    : { id: "not-used", label: t("not_used"), small: t("not_used_hint"), on: () => app.go("no", straw.withdrawal_id) };
  const waits = {
    id: "served",
    label: t("served"),
    small: t("closed_for", { left: minutes(readyAt - at) }),
    look: "closed",
    on: () => app.go("early", straw.withdrawal_id),
  };
  const rows = {
    wait: [waits, another, last],
    use: others.length || room > 0 ? [{ id: "served", label: t("n_served", { n: straw.animal_number }), look: "next", on: goServed }, another, last] : [{ id: "served", label: t("n_served", { n: straw.animal_number }), look: "next tall", on: goServed }, last],
    late: [
      { id: "discard", label: t("discard_it"), small: t("fresh_one"), on: () => app.go("no", straw.withdrawal_id) },
      { id: "served", label: t("n_served", { n: straw.animal_number }), small: t("late_record"), on: goServed },
      { id: "back", label: t("back_round"), rare: true, on: () => app.go("round") },
    ],
    out: [],
  }[is];
  return {
    title: `${straw.animal_number}: ${word}`,
    tank: straw.place.tank_id,
    viewClass: "tight",
    view,
    deckLabel: `${straw.animal_number}, ${word}`,
    deck: rows,
    tick: (/** @type {number} */ then) => {
      const text = is === "wait" ? minutes(readyAt - then) : is === "use" ? minutes(useBy - then) : `+${minutes(then - useBy)}`;
      if (left.textContent !== text) {
        left.textContent = text;
        if (is === "wait") fillTo(fill, 1 - (readyAt - then) / (readyAt - Number(straw.bath_at)));
        if (is === "use") fillTo(fill, (useBy - then) / (useBy - readyAt));
        const small = document.querySelector('[data-id="served"].closed small');
        if (small) small.textContent = t("closed_for", { left: text });
      }
      for (const { other, time } of clocks) {
        const its = phase(other, then);
        const shown = its === "wait" ? minutes(Number(other.ready_at) - then) : its === "out" ? "" : minutes(Math.abs(Number(other.use_by_at) - then));
        if (time.textContent !== shown) time.textContent = shown;
      }
    },
    shape: (/** @type {number} */ then) => JSON.stringify([phase(straw, then), others.map((other) => phase(other, then)), canUndo(then) && Math.ceil((undoUntil(app, straw, then) - then) / 1000)]),
  };
}

/** Until when IN BATH may be undone; 0 when it may not. @param {import("../app.js").App} app @param {Straw} straw @param {number} at */
function undoUntil(app, straw, at) {
  const entry = app.undoable(straw.withdrawal_id, at);
  if (entry) return entry.kind === "bath" ? entry.undo_until : 0;
  return straw.bath_c === null && straw.bath_at !== null ? straw.bath_at + UNDO_MS : 0;
}

/** @param {import("../app.js").App} app @param {number} at */
function nextDueId(app, at) {
  const { stop } = stopOf(app);
  const line = stop && linesOf(app, stop, at).find((l) => l.kind === "due" && (!l.straw || l.straw.ended === "discarded"));
  return line?.her?.id ?? null;
}

/** @param {import("../app.js").App} app @param {number} at */
function nextDue(app, at) {
  const id = nextDueId(app, at);
  return id ? (app.book["animals"]?.get(id)?.number ?? "") : "";
}
