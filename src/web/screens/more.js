// All that is not on the way of a straw, by one list: NEXT moves, GO TO opens.

import { now } from "../clock.js";
import { h } from "../dom.js";
import { writeMeta } from "../store.js";
import { language, t, told, when } from "../texts.js";
import { OFFICE_PX } from "../deck.js";
import { USUAL } from "./bath.js";
import { following, levelOf, pointed, title, usualTank } from "./common.js";
import { stopOf } from "./round.js";

/** @typedef {import("../app.js").App} App */
/** @typedef {{id: string, name: string, then?: string, on: () => void | Promise<void>}} Row */

/** @param {App} app @returns {Row[]} */
function rowsOf(app) {
  const at = now();
  const { stop, stops } = stopOf(app);
  const tank = usualTank(app);
  const level = tank && levelOf(tank);
  const { canAct } = app;
  const alerts = [...(app.book["alerts"]?.values() ?? [])];
  const meta = app.meta;
  const themes = ["device", "sun", "dark"];
  const theme = themes.includes(meta["theme"]) ? meta["theme"] : "device";
  const keep = async (/** @type {Record<string, unknown>} */ changes) => {
    await writeMeta(app.db, changes);
    await app.changed();
  };
  return [
    ...(canAct && tank ? [{ id: "nitrogen", name: t("nitrogen"), then: level ? when(level.at, at) : t("never_read_yet"), on: () => app.go("nitrogen", tank.id) }] : []),
    ...stops
      .filter((other) => other !== stop)
      .map((other) => ({
        id: `stop ${other.herd_id}`,
        name: other.herd_name,
        then: t("other_stop", { n: other.animals.length }),
        on: async () => {
          await keep({ stop: other.herd_id });
          app.go("round");
        },
      })),
    { id: "find", name: t("find"), then: String(app.book["animals"]?.size ?? 0), on: () => app.go("find") },
    ...(canAct ? [{ id: "heat", name: t("heat_or_check"), on: () => app.go("find", "report") }] : []),
    { id: "alerts", name: t("alerts"), then: t("n_open", { n: alerts.length }), on: () => app.go("alerts") },
    ...(canAct && tank ? [{ id: "count", name: t("count"), on: () => app.go("count") }] : []),
    { id: "phone", name: t("on_phone"), then: String(app.waiting().length), on: () => app.go("phone") },
    {
      id: "bath",
      name: t("settings_bath"),
      then: `${meta["bath_ml"] ?? USUAL.bath_ml} ml, ${meta["cold_c"] ?? USUAL.cold_c} / ${meta["warm_c"] ?? USUAL.warm_c} °C`,
      on: () => app.go("settings", "bath_ml"),
    },
    { id: "refresh", name: t("refresh_row"), then: meta["snapshot_at"] ? when(meta["snapshot_at"], at) : "", on: () => void app.fetchBook() },
    { id: "theme", name: t("theme_row", { theme: told(`theme_${theme}`, theme) }), on: () => keep({ theme: following(themes, theme) }) },
    { id: "language", name: t("language_row"), on: () => keep({ language: language() === "en" ? "de" : "en" }) },
    ...(app.hasNewPage && !app.running().length ? [{ id: "update", name: t("update_row"), on: () => app.takeNewPage() }] : []),
    ...(innerWidth >= OFFICE_PX ? [{ id: "office", name: t("office_row"), on: () => void (location.hash = "") }] : []),
    { id: "out", name: t("sign_out_row"), on: () => app.go("sign_out") },
  ];
}

/** @param {App} app */
export default function more(app) {
  const rows = rowsOf(app);
  const at = rows.find((row) => row.id === app.mind["more"]) ?? /** @type {Row} */ (rows[0]);
  const next = following(rows, at);
  return {
    title: t("more_title"),
    view: [
      title(t("more_title"), [app.meta["name"], told(`role_${app.meta["role"]}`, "")].filter(Boolean).join(", ")),
      h("ol.rows", ...rows.map((row, i) => h("li", pointed(row === at), h("span.n", i + 1), h("span.mid", h("b", row.name), row.then ? `, ${row.then}` : "")))),
    ],
    deckLabel: t("more_title"),
    deck: [
      { id: "go", label: short(at.name), look: "next", on: at.on },
      {
        id: "next",
        label: t("next_is", { what: short(next.name) }),
        on: () => {
          app.mind["more"] = next.id;
          app.render();
        },
      },
      { id: "back", label: t("back_round"), on: () => app.go("round") },
    ],
  };
}

/** @param {string} name */
const short = (name) => name.toUpperCase();

const LIMITS = /** @type {const} */ ({
  bath_ml: { step: 100, min: 100, max: 20000, next: "cold_c", words: "volume" },
  cold_c: { step: 1, min: 1, max: 30, next: "warm_c", words: "cold_water" },
  warm_c: { step: 1, min: 39, max: 80, next: null, words: "warm_water" },
});

/** The bath's volume and the water at hand, one after the other. @param {App} app @param {keyof typeof LIMITS} what */
export function settings(app, what) {
  const { step, min, max, next, words } = LIMITS[what];
  const value = app.mind[`set ${what}`] ?? app.meta[what] ?? USUAL[what];
  const set = (/** @type {number} */ by) => () => {
    app.mind[`set ${what}`] = Math.min(Math.max(value + by, min), max);
    app.render();
  };
  return {
    title: t("settings_bath"),
    viewClass: "spread",
    view: [title(t("settings_bath")), h("p.figure", h("span", value)), h("p.big", t(words))],
    deckLabel: t("settings_bath"),
    deck: [
      /** @type {import("../deck.js").Row} */ ([
        { id: "less", label: `− ${step}`, look: "sign", on: set(-step) },
        { id: "plus", label: `+ ${step}`, look: "sign", on: set(step) },
      ]),
      {
        id: "keep",
        label: t("keep_it", { what: value }),
        look: "next",
        on: async () => {
          await writeMeta(app.db, { [what]: value });
          await app.changed();
          if (next) app.go("settings", next);
          else app.go("more");
        },
      },
      { id: "back", label: t("back"), rare: true, on: () => app.go("more") },
    ],
  };
}
