// The day's round: one stop, its canisters in the order of lifting, animals by deadline; at the end those without a straw, and why.

import { now } from "../clock.js";
import { code, h } from "../dom.js";
import { undoLast } from "../taps.js";
import { clockTime, day, t, told, when } from "../texts.js";
import { choiceOf, following, herOf, mark, pointed, title, typeWord } from "./common.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json */

/** The stop that is shown: the one that was chosen, else the first with somebody due. @param {App} app */
export function stopOf(app) {
  const stops = [...(app.book["rounds"]?.values() ?? [])].sort((a, b) => (a.order ?? 0) - (b.order ?? 0));
  const chosen = stops.find((stop) => stop.herd_id === app.meta["stop"]);
  const due = stops.find((stop) => stop.animals.length > 0);
  return { stop: chosen ?? due ?? stops[0] ?? null, stops };
}

/** @typedef {{her: Json, kind: "due" | "done" | "none", straw: import("../store.js").Straw | undefined, choice: import("./common.js").Choice | null, why: string}} Line */

/** @param {App} app @param {Json} stop @param {number} at @returns {Line[]} */
export function linesOf(app, stop, at) {
  return stop.animals.map((/** @type {Json} */ row) => {
    const her = herOf(app, row.animal_id);
    const straw = app.strawOf(row.animal_id);
    const choice = her && (straw ? { lot_id: straw.lot_id, place: straw.place } : choiceOf(app, her));
    const servedAt = straw?.served_at ?? (row.timing?.served_at ? Date.parse(row.timing.served_at) : null);
    if (servedAt) return { her, kind: "done", straw, choice, why: t("served_at", { time: when(servedAt, at, stop.time_zone) }) };
    if (straw && straw.ended !== "discarded") return { her, kind: "due", straw, choice, why: t("out_row", { time: clockTime(straw.out_at, stop.time_zone) }) };
    const passed = row.timing?.state === "passed" || (row.timing && Date.parse(row.timing.latest_at) < at);
    if (!row.permitted) return { her, kind: "none", straw, choice, why: row.objections.map((/** @type {Json} */ o) => told(`against_${o.kind}`, o.text)).join(" ") };
    if (passed) return { her, kind: "none", straw, choice, why: t("window_passed", { time: when(row.timing.latest_at, at, stop.time_zone) }) };
    if (!choice) return { her, kind: "none", straw, choice, why: t("no_straw_left") };
    return { her, kind: "due", straw, choice, why: straw?.ended === "discarded" ? t("discarded_row") : "" };
  });
}

/** @param {App} app */
export default function round(app) {
  const at = now();
  const { stop, stops } = stopOf(app);
  const from = app.meta["snapshot_at"];
  const dataLine = from ? t("data_of", { time: when(from, at) }) : t("no_data");
  const more = { id: "more", label: t("more"), small: t("more_round"), on: () => app.go("more") };
  if (!stop || stop.animals.length === 0) {
    return {
      title: t("round"),
      view: [title(stop?.herd_name ?? t("round"), from ? day(from) : ""), h("p.big", stop ? t("nobody_due", { herd: stop.herd_name }) : t("nobody_anywhere")), h("p.mid", dataLine)],
      deck: [more],
    };
  }
  const lines = linesOf(app, stop, at);
  const due = lines.filter((line) => line.kind === "due");
  const none = lines.filter((line) => line.kind === "none");
  const ids = [...due, ...none].map((line) => line.her?.id);
  const pointer = ids.includes(app.mind["at"]) ? app.mind["at"] : ids[0];
  const shown = lines.find((line) => line.her?.id === pointer);
  // Canisters in the order in which their first animal is due.
  /** @type {Map<string, {tank: string, canister: number, lines: Line[]}>} */
  const groups = new Map();
  const loose = [];
  for (const line of lines) {
    if (line.kind === "none") continue;
    if (!line.choice) {
      loose.push(line);
      continue;
    }
    const { tank_id, canister } = line.choice.place;
    const key = `${tank_id} ${canister}`;
    if (!groups.has(key)) groups.set(key, { tank: app.book["tanks"]?.get(tank_id)?.name ?? "", canister, lines: [] });
    groups.get(key)?.lines.push(line);
  }
  const sections = [...groups.values()].map((group) =>
    h(
      "section",
      h("h2.group", h("span", t("canister_n", { n: group.canister, tank: group.tank })), h("span", t("n_left", { n: group.lines.filter((l) => l.kind === "due").length }))),
      h("ol.rows", ...group.lines.map((line) => rowOf(app, line, stop, line.her?.id === pointer))),
    ),
  );
  if (loose.length) sections.push(h("section", h("ol.rows", ...loose.map((line) => rowOf(app, line, stop, false)))));
  if (none.length) {
    sections.push(
      h(
        "section",
        h("h2.group", h("span", t("no_straw")), h("span", String(none.length))),
        h("ol.rows", ...none.map((line) => h("li", pointed(line.her?.id === pointer), h("span.n", line.her?.number), h("span", line.why)))),
      ),
    );
  }
  if (stop.requests?.length) {
    sections.push(
      h(
        "section",
        h("h2.group", h("span", t("asked_for")), h("span", String(stop.requests.length))),
        h("ol.rows", ...stop.requests.map((/** @type {Json} */ asked) => requestRow(asked, at, stop.time_zone))),
      ),
    );
  }
  const number = shown?.her?.number ?? "";
  const next = following(ids, pointer);
  const undoable = lastUndoable(app, at);
  const left = undoable ? Math.ceil((undoable.entry.undo_until - at) / 1000) : 0;
  const undo = undoable && {
    id: "undo",
    label: t("undo"),
    small: t("undo_left", { what: t("was_served", { n: undoable.straw.animal_number }), s: left }),
    on: async () => {
      await undoLast(app, undoable.straw);
      app.go("thaw", undoable.straw.withdrawal_id);
    },
  };
  const target = shown?.straw && shown.straw.ended === null ? (shown.straw.bath_at === null ? "out" : "thaw") : null;
  return {
    title: `${t("round")}: ${stop.herd_name}`,
    tank: shown?.choice?.place.tank_id ?? null,
    view: [title(stop.herd_name, t("stop_of", { day: day(stop.date), n: stops.indexOf(stop) + 1, all: stops.length })), ...sections, h("p.quiet", dataLine)],
    deckLabel: t("round"),
    deck: [
      number
        ? {
            id: "go",
            label: t("go_to", { what: number }),
            look: "next",
            on: () => (target ? app.go(target, /** @type {any} */ (shown?.straw).withdrawal_id) : app.go("card", pointer)),
          }
        : more,
      ...(ids.length > 1
        ? [
            {
              id: "next",
              label: t("next_is", { what: lines.find((line) => line.her?.id === next)?.her?.number ?? "" }),
              rare: Boolean(undo),
              on: () => {
                app.mind["at"] = next;
                app.render();
              },
            },
          ]
        : []),
      undo ?? { ...more, rare: false },
    ],
    shape: (/** @type {number} */ then) => (undoable ? String(Math.ceil((undoable.entry.undo_until - then) / 1000)) : String(lastUndoable(app, then) !== null)),
  };
}

/** What a farm asks for. @param {Json} asked @param {number} at @param {string} zone */
function requestRow(asked, at, zone) {
  const numbers = (asked.animals ?? []).map((/** @type {Json} */ animal) => animal.animal_number).join(" ");
  return h("li", h("span.n", numbers || "–"), h("span", asked.text ?? ""), h("span.w", asked.wanted_by ? t("wanted_by", { time: when(asked.wanted_by, at, zone) }) : ""));
}

/** The straw whose last act may still be undone from here. @param {App} app @param {number} at */
function lastUndoable(app, at) {
  for (const straw of app.straws) {
    if (straw.ended !== "served" && straw.ended !== "discarded") continue;
    const entry = app.undoable(straw.withdrawal_id, at);
    if (entry && entry.undo_until > at) return { straw, entry };
  }
  return null;
}

/** @param {App} app @param {Line} line @param {Json} stop @param {boolean} isAt */
function rowOf(app, line, stop, isAt) {
  const { her, straw, choice, kind, why } = line;
  if (kind === "done") {
    const entries = straw ? app.entriesOf(straw.withdrawal_id) : [];
    const state = entries.some((e) => e.state === "refused") ? t("was_refused") : entries.length ? t("is_waiting") : null;
    return h("li.done", h("span.n", her?.number), h("span", why), h("span.w", state && h("span.here", state)));
  }
  const lot = choice && app.book["lots"]?.get(choice.lot_id);
  const type = lot?.semen_type ?? her?.semen_types[0] ?? "";
  return h(
    "li",
    pointed(isAt),
    h("span.n", her?.number),
    h("span", h("b.kind", `${her?.service_number}: ${typeWord(type).toUpperCase()}`), h("br"), mark(type), code(lot?.code ?? ""), why && [" ", why].join("")),
    h("span.w", t("until"), h("br"), h("b", her?.timing ? clockTime(her.timing.latest_at, stop.time_zone) : "")),
  );
}
