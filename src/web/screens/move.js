// The straws of a tank into another, canister by canister, as they are carried over: one tap for each canister.

import { now } from "../clock.js";
import { h } from "../dom.js";
import { canisterMoved, canisterNotMoved } from "../taps.js";
import { t } from "../texts.js";
import { following, pointed, title } from "./common.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json */

/** What still hangs in a tank, by canister. @param {App} app @param {string} tankId @returns {Map<number, {row: Json, straws: number}[]>} */
function hanging(app, tankId) {
  const canisters = new Map();
  const rows = [...(app.book["places"]?.values() ?? [])].filter((row) => row.place.tank_id === tankId);
  for (const row of rows.sort((a, b) => a.place.canister - b.place.canister)) {
    const straws = app.there(row.lot_id, row.place);
    if (straws > 0) canisters.set(row.place.canister, [...(canisters.get(row.place.canister) ?? []), { row, straws }]);
  }
  return canisters;
}

/** @param {{straws: number}[]} rows */
const sum = (rows) => rows.reduce((all, { straws }) => all + straws, 0);

/** @param {App} app @param {string} tankId */
export default function move(app, tankId) {
  const tank = app.book["tanks"]?.get(tankId);
  const others = [...(app.book["tanks"]?.values() ?? [])].filter((other) => other.id !== tankId);
  const back = { id: "back", label: t("back"), on: () => app.go("frost", tankId) };
  if (!tank || !others.length) return { title: t("move_title"), view: [title(t("move_title"), tank?.name ?? ""), h("p.big", t("no_other_tank"))], deck: [back] };
  const canisters = hanging(app, tankId);
  const [canister, rows] = [...canisters][0] ?? [null, []];
  const into = others.find((other) => other.id === app.mind["move into"]) ?? others[0];
  const to = Math.min(app.mind[`move to ${canister}`] ?? canister ?? 1, into.canisters ?? Infinity);
  const set = (/** @type {number} */ by) => () => {
    app.mind[`move to ${canister}`] = Math.min(Math.max(to + by, 1), into.canisters ?? 99);
    app.render();
  };
  /** @type {{order: number[], canister: number, until: number} | undefined} */
  const last = app.mind["moved"];
  const canUndo = (/** @type {number} */ at) => last !== undefined && last.until > at;
  const undo = {
    id: "undo",
    label: t("undo"),
    small: last ? t("undo_left", { what: t("not_moved", { n: last.canister }), s: Math.ceil((last.until - now()) / 1000) }) : null,
    on: async () => {
      delete app.mind["moved"];
      if (last) await canisterNotMoved(app, last.order);
    },
  };
  const end = { id: "close", label: t("frost_after_move"), look: "next", on: () => app.go("frost", tankId) };
  const other = {
    id: "into",
    label: t("other_tank"),
    on: () => {
      app.mind["move into"] = following(others, into).id;
      app.render();
    },
  };
  return {
    title: t("move_title"),
    tank: into.id,
    viewClass: "spread",
    view: [
      title(t("move_title"), t("from_into", { from: tank.name, into: into.name })),
      canister === null
        ? h("p.big", t("nothing_hangs_in", { tank: tank.name }))
        : h("ol.rows", ...[...canisters].map(([n, its]) => h("li", pointed(n === canister), h("span.n", n), h("span", t("n_straws", { n: sum(its) })), h("span.w", n === canister ? t("into_canister", { n: to }) : "")))),
      h("p.caution", t("move_caution")),
    ],
    deckLabel: t("move_title"),
    deck:
      canister === null
        ? [end, ...(canUndo(now()) ? [undo] : [])]
        : [
            /** @type {import("../deck.js").Row} */ ([
              { id: "less", label: "− 1", look: "sign", on: set(-1) },
              { id: "plus", label: "+ 1", look: "sign", on: set(1) },
            ]),
            {
              id: "moved",
              label: t("canister_moved", { n: canister }),
              small: t("moved_into", { tank: into.name, n: to }),
              look: "next",
              on: async () => {
                app.mind["moved"] = await canisterMoved(app, tank, into, canister, to, rows);
                app.render();
              },
            },
            canUndo(now()) ? undo : others.length > 1 ? /** @type {import("../deck.js").Row} */ ([other, back]) : back,
          ],
    shape: (/** @type {number} */ then) => (canUndo(then) ? String(Math.ceil((Number(last?.until) - then) / 1000)) : ""),
  };
}
