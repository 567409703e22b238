// A count, canister by canister: the goblet in hand, by pairs; nothing is changed in the book until the office accepts it.

import { h } from "../dom.js";
import { placeKey } from "../store.js";
import { counted } from "../taps.js";
import { t } from "../texts.js";
import { code } from "../dom.js";
import { following, placeWord, pointed, title, typeWord, usualTank } from "./common.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json */

/** @param {App} app @param {string} [tankId] @param {string} [canister] */
export default function count(app, tankId, canister) {
  if (!tankId || !canister) return which(app);
  const tank = app.book["tanks"]?.get(tankId);
  const rows = [...(app.book["places"]?.values() ?? [])]
    .filter((row) => row.place.tank_id === tankId && String(row.place.canister) === canister)
    .sort((a, b) => placeKey(a.place).localeCompare(placeKey(b.place)));
  const key = `count ${tankId} ${canister}`;
  /** @type {Record<string, number | "out">} */
  const done = (app.mind[key] ??= {});
  const at = rows.find((row) => !(row.id in done));
  const rest = rows.filter((row) => !(row.id in done) && row !== at);
  const book = at ? app.there(at.lot_id, at.place) : 0;
  const value = at ? (app.mind[`${key} ${at.id}`] ?? book) : 0;
  const lot = at && app.book["lots"]?.get(at.lot_id);
  const gobletName = (/** @type {Json} */ row) => [row.place.cane, row.place.goblet && placeWord(row.place.goblet)].filter(Boolean).join(" ") || t("no_mark");
  const set = (/** @type {number} */ by) => () => {
    app.mind[`${key} ${at?.id}`] = Math.max(value + by, 0);
    app.render();
  };
  const mark = (/** @type {number | "out"} */ how) => () => {
    done[at?.id] = how;
    app.render();
  };
  const canes = new Map();
  for (const row of rows) {
    const name = row.place.cane ?? "–";
    canes.set(name, [...(canes.get(name) ?? []), row]);
  }
  const boxes = h(
    "ol.canes",
    ...[...canes].map(([name, goblets]) =>
      h(
        "li",
        h("h2", t("cane_n", { n: name })),
        ...goblets.map((/** @type {Json} */ row) => {
          const its = done[row.id];
          const words = its === "out" ? t("left_out") : its === undefined ? t("book_n", { n: app.there(row.lot_id, row.place) }) : null;
          return h("p", pointed(row === at), row.place.goblet ? placeWord(row.place.goblet) : "", h("br"), words ?? h("span", h("b", Number(its)), " ", t("counted_n")));
        }),
      ),
    ),
  );
  const numbers = rows.filter((row) => typeof done[row.id] === "number");
  const send = {
    id: "send",
    label: t("send_count"),
    small: t("send_count_hint", { n: numbers.length, all: rows.length }),
    look: at ? "" : "next",
    rare: Boolean(at),
    on: async () => {
      if (numbers.length) await counted(app, tank, Number(canister), numbers.map((row) => ({ lot_id: row.lot_id, place: row.place, straws: Number(done[row.id]) })));
      delete app.mind[key];
      app.go("count");
    },
  };
  const next = rest[0] ? gobletName(rest[0]) : t("the_end");
  const small = value === book ? t("same_as_book", { next }) : value < book ? t("fewer", { n: book - value, next }) : t("more_than", { n: value - book, next });
  return {
    title: t("count"),
    tank: tankId,
    viewClass: "spread",
    view: [
      title(`${t("canister")} ${canister}`, t("n_of_all", { n: canister, all: tank?.canisters ?? "", tank: tank?.name ?? "" })),
      boxes,
      at
        ? h("div.count", h("p.figure", h("span", value)), h("p.mid", t("in_goblet", { place: gobletName(at), n: book }), h("br"), code(lot?.code ?? ""), " ", code(lot?.batch ?? ""), h("br"), typeWord(lot?.semen_type ?? "").toLowerCase()))
        : null,
      h("p.caution", t("count_caution")),
    ],
    deckLabel: t("count"),
    deck: at
      ? [
          /** @type {import("../deck.js").Row} */ ([
            { id: "less", label: "− 1", look: "sign", on: set(-1) },
            { id: "plus", label: "+ 1", look: "sign", on: set(1) },
          ]),
          { id: "here", label: t("n_here", { n: value }), small, look: "next", on: mark(value) },
          numbers.length ? send : { id: "leave", label: t("leave_out"), small: t("leave_out_hint"), rare: true, on: mark("out") },
        ]
      : [send, { id: "back", label: t("back_round"), on: () => app.go("round") }],
  };
}

/** Which canister? @param {App} app */
function which(app) {
  const held = new Map();
  for (const row of app.book["places"]?.values() ?? []) {
    const key = `${row.place.tank_id} ${row.place.canister}`;
    held.set(key, { tank_id: row.place.tank_id, canister: row.place.canister, straws: (held.get(key)?.straws ?? 0) + app.there(row.lot_id, row.place) });
  }
  const usual = usualTank(app)?.id;
  const all = [...held.values()].sort((a, b) => Number(b.tank_id === usual) - Number(a.tank_id === usual) || a.tank_id.localeCompare(b.tank_id) || a.canister - b.canister);
  const back = { id: "back", label: t("back_round"), on: () => app.go("round") };
  if (!all.length) return { title: t("count"), view: [title(t("count")), h("p.big", t("nothing_hangs"))], deck: [back] };
  const at = all.find((one) => one.tank_id === app.mind["tank"] && one.canister === app.mind["canister"]) ?? all[0];
  const next = following(all, at);
  const name = (/** @type {Json} */ one) => t("canister_n", { n: one.canister, tank: app.book["tanks"]?.get(one.tank_id)?.name ?? "" });
  return {
    title: t("count"),
    tank: at.tank_id,
    view: [title(t("which_canister")), h("ol.rows", ...all.map((one) => h("li", pointed(one === at), h("span.n", one.canister), h("span", app.book["tanks"]?.get(one.tank_id)?.name ?? ""), h("span.w", t("book_n", { n: one.straws })))))],
    deckLabel: t("which_canister"),
    deck: [
      { id: "go", label: `${t("canister").toUpperCase()} ${at.canister}`, small: app.book["tanks"]?.get(at.tank_id)?.name ?? "", look: "next", on: () => app.go("count", at.tank_id, String(at.canister)) },
      {
        id: "next",
        label: t("next_is", { what: next.canister }),
        small: name(next),
        on: () => {
          app.mind["tank"] = next.tank_id;
          app.mind["canister"] = next.canister;
          app.render();
        },
      },
      { ...back, rare: true },
    ],
  };
}
