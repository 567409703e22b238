// Nitrogen by centimetres, and whether there is frost: one tap gives both answers.

import { now } from "../clock.js";
import { h, svg } from "../dom.js";
import { closeTank, nitrogenRead } from "../taps.js";
import { t, when } from "../texts.js";
import { following, levelOf, strawsIn, title } from "./common.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json */

/** @param {App} app @param {string} tankId */
export default function nitrogen(app, tankId) {
  const tanks = [...(app.book["tanks"]?.values() ?? [])];
  const tank = app.book["tanks"]?.get(tankId) ?? tanks[0];
  const back = { id: "back", label: t("back_round"), on: () => app.go("round") };
  if (!tank) return { title: t("nitrogen"), view: [title(t("nitrogen")), h("p.big", t("no_tank"))], deck: [back] };
  const at = now();
  const last = levelOf(tank);
  const full = Math.round((tank.full_depth_mm ?? 440) / 10);
  const min = Math.round((tank.min_depth_mm ?? 150) / 10);
  const key = `cm ${tank.id}`;
  const cm = app.mind[key] ?? last?.cm ?? min;
  const step = (/** @type {number} */ by) => () => {
    app.mind[key] = Math.min(Math.max(cm + by, 0), 99);
    app.render();
  };
  const keep = (/** @type {boolean} */ isFrosty) => async () => {
    await nitrogenRead(app, tank, cm, isFrosty);
    delete app.mind[key];
    if (isFrosty) return app.go("frost", tank.id);
    const unread = tanks.find((other) => other !== tank && !(other.read_here && now() - other.read_here.at < 3_600_000) && tanks.indexOf(other) > tanks.indexOf(tank));
    if (unread) app.go("nitrogen", unread.id);
    else app.go("round");
  };
  return {
    title: `${t("nitrogen")}: ${tank.name}`,
    tank: tank.id,
    viewClass: "spread",
    view: [
      title(t("nitrogen"), tank.name),
      h("div.level", picture(full, min, cm), h("div", h("p.figure", h("span", cm), h("small", t("cm"))), h("p.mid", last ? t("was_at", { cm: last.cm, time: when(last.at, at) }) : t("never_read_yet")))),
      h("p", t("how_rod")),
      h("p.caution", t("gas_caution")),
    ],
    deckLabel: t("nitrogen"),
    deck: [
      /** @type {import("../deck.js").Row} */ ([
        { id: "less", label: t("minus_cm"), look: "sign", on: step(-1) },
        { id: "plus", label: t("plus_cm"), look: "sign", on: step(1) },
      ]),
      { id: "no-frost", label: t("no_frost", { cm }), small: t("no_frost_hint"), on: keep(false) },
      { id: "frost", label: t("frost", { cm }), small: t("frost_hint"), rare: true, on: keep(true) },
    ],
  };
}

/** @param {number} full @param {number} min @param {number} cm */
function picture(full, min, cm) {
  const bottom = 206;
  const y = (/** @type {number} */ of) => Math.round(bottom - (Math.min(Math.max(of, 0), full) / full) * 150);
  const top = y(cm);
  return svg(
    "svg",
    { viewBox: "0 0 190 220", role: "img", "aria-label": t("level_label", { full, now: cm, min }) },
    cm > 0 ? svg("path", { class: "tin", d: `M12 ${Math.max(top, 59)}h116v${196 - Math.max(top, 59)}a12 12 0 0 1-12 12H24a12 12 0 0 1-12-12z` }) : null,
    svg("path", { class: "edge", d: "M50 4v26L12 58v138a12 12 0 0 0 12 12h92a12 12 0 0 0 12-12V58L90 30V4" }),
    svg("path", { class: "edge", d: `M12 ${top}h116` }),
    svg("path", { class: "dash", d: `M12 ${y(min)}h124` }),
    svg("text", { class: "bold", x: 136, y: Math.abs(top - y(min)) < 18 ? y(min) - 16 : top + 5 }, t("now_mark", { cm })),
    svg("text", { x: 136, y: y(min) + 6 }, t("min_mark", { cm: min })),
    svg("text", { x: 98, y: 24 }, t("full_mark", { cm: full })),
  );
}

/** Frost or sweat was seen: what to do now. @param {App} app @param {string} tankId */
export function frost(app, tankId) {
  const tank = app.book["tanks"]?.get(tankId);
  const tanks = [...(app.book["tanks"]?.values() ?? [])];
  const n = tank ? strawsIn(app, tank.id) : 0;
  const next = tank && tanks.length > 1 ? following(tanks, tank) : null;
  const canMove = next !== null && n > 0;
  return {
    title: t("frost_title"),
    tank: tankId,
    viewClass: "spread",
    view: [
      title(t("frost_title"), tank?.name ?? ""),
      h("p", h("span.here", t("kept_here"))),
      h("div.plate.closed", h("div", h("p.big", t("vacuum_gone")))),
      h("p.mid", t("frost_text", { n })),
      h("p.caution", t("frost_gas")),
    ],
    deckLabel: t("frost_title"),
    deck: [
      ...(canMove ? [{ id: "move", label: t("move_all", { n }), small: t("move_all_hint"), look: "next", on: () => app.go("move", tankId) }] : []),
      {
        id: "close",
        label: t("close_tank"),
        small: t("close_tank_hint"),
        on: async () => {
          if (tank) await closeTank(app, tank, t("hold_reason"));
          app.go("round");
        },
      },
      ...(canMove ? [] : [{ id: "next", label: t("nitrogen").toUpperCase(), small: next?.name ?? null, rare: true, on: () => app.go("nitrogen", next?.id ?? tankId) }]),
      { id: "back", label: t("back_round"), rare: canMove, on: () => app.go("round") },
    ],
  };
}
