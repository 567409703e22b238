// Finding an animal by steps, her heat, her pregnancy check.

import { now } from "../clock.js";
import { h } from "../dom.js";
import { check as keepCheck, heat as keepHeat, seen } from "../taps.js";
import { clockTime, day, t, told, when } from "../texts.js";
import { herOf, title, typeWord, who } from "./common.js";
import { stopOf } from "./round.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json */

/** @param {App} app @param {string} [purpose] `report`: heat or check instead of her card */
export function find(app, purpose) {
  const { stop } = stopOf(app);
  const herdId = stop?.herd_id ?? [...(app.book["animals"]?.values() ?? [])][0]?.herd_id;
  const herd = app.book["herds"]?.get(herdId);
  const animals = [...(app.book["animals"]?.values() ?? [])]
    .filter((animal) => animal.herd_id === herdId && !animal.left_on)
    .sort((a, b) => String(a.number).localeCompare(String(b.number), "en", { numeric: true }));
  const back = { id: "back", label: t("back_round"), on: () => app.go("round") };
  if (!animals.length) return { title: t("find"), view: [title(t("find")), h("p.big", t("nobody_kept"))], deck: [back] };
  const i = Math.max(animals.findIndex((animal) => animal.id === (app.mind["found"] ?? app.mind["at"])), 0);
  const animal = animals[i];
  const her = herOf(app, animal.id);
  const step = (/** @type {number} */ by) => () => {
    const n = animals.length;
    app.mind["found"] = animals[(((i + by) % n) + n) % n].id;
    app.render();
  };
  const lines = [
    her?.class && told(her.class, her.class),
    her?.service_number ? `${t("service_n", { n: her.service_number })} ${her.semen_types.map(typeWord).join(", ")}` : null,
    her?.timing ? t("until_at", { time: when(her.timing.latest_at, now(), her.zone) }) : null,
  ].filter(Boolean);
  /** @type {import("../deck.js").Row} */
  const ones = [
    { id: "less", label: "− 1", look: "sign", on: step(-1) },
    { id: "plus", label: "+ 1", look: "sign", on: step(1) },
  ];
  /** @type {import("../deck.js").Row} */
  const tens = [
    { id: "less10", label: "− 10", look: "sign", rare: true, on: step(-10) },
    { id: "plus10", label: "+ 10", look: "sign", rare: true, on: step(10) },
  ];
  return {
    title: t("find"),
    viewClass: "spread",
    view: [title(t("find"), t("kept_n", { herd: herd?.name ?? "", n: animals.length })), h("p.figure", h("span", animal.number)), h("p.mid", lines.join(", ")), h("p.quiet", t("each_step"))],
    deckLabel: t("find"),
    deck: purpose
      ? [
          ones,
          { id: "heat", label: t("heat_of", { n: animal.number }), on: () => app.go("heat", animal.id) },
          { id: "check", label: t("check_of", { n: animal.number }), rare: true, on: () => app.go("check", animal.id) },
        ]
      : [ones, { id: "go", label: t("go_to", { what: animal.number }), look: "next", on: () => app.go("card", animal.id) }, tens],
  };
}

/** @param {App} app @param {string} animalId */
export function heat(app, animalId) {
  const her = herOf(app, animalId);
  const back = { id: "back", label: t("back_round"), on: () => app.go("round") };
  if (!her) return { title: "", view: [h("h1.big", t("not_here"))], deck: [back] };
  const at = now();
  const hours = app.mind["heat hours"] ?? 0;
  const standing = at - hours * 3_600_000;
  const time = clockTime(standing, her.zone);
  const set = (/** @type {number} */ by) => () => {
    app.mind["heat hours"] = Math.min(Math.max(hours - by, 0), 72);
    app.render();
  };
  const keep = (/** @type {"seen" | "sensor"} */ how) => async () => {
    await keepHeat(app, her, standing, how);
    delete app.mind["heat hours"];
    app.go("round");
  };
  return {
    title: `${her.number}: ${t("heat")}`,
    viewClass: "spread",
    view: [who(her.number, her.herd_name), h("h2.big", t("heat_when")), h("p.figure", h("span", time)), h("p.mid", t("hours_ago", { day: day(standing, her.zone), n: hours }))],
    deckLabel: t("heat_when"),
    deck: [
      /** @type {import("../deck.js").Row} */ ([
        { id: "less", label: t("minus_h"), look: "sign", on: set(-1) },
        { id: "plus", label: t("plus_h"), look: "sign", on: set(1) },
      ]),
      { id: "seen", label: t("seen_standing", { time }), on: keep("seen") },
      { id: "sensor", label: t("by_sensor", { time }), rare: true, on: keep("sensor") },
    ],
  };
}

/** @param {App} app @param {string} animalId */
export function check(app, animalId) {
  const her = herOf(app, animalId);
  const back = { id: "back", label: t("back_round"), on: () => app.go("round") };
  if (!her) return { title: "", view: [h("h1.big", t("not_here"))], deck: [back] };
  const keep = (/** @type {"pregnant" | "empty" | "unknown"} */ result) => async () => {
    await keepCheck(app, her, result);
    app.go("round");
  };
  return {
    title: `${her.number}: ${t("check")}`,
    view: [
      who(her.number, her.class && told(her.class, her.class), h("br"), her.herd_name),
      h("h2.big", t("checked_now")),
      her.pregnancy ? h("p.mid", t("found_pregnant", { day: day(her.pregnancy.checked_at ?? her.pregnancy.found_at ?? now()) })) : null,
    ],
    deckLabel: t("check"),
    deck: [
      { id: "pregnant", label: t("pregnant"), on: keep("pregnant") },
      { id: "open", label: t("open"), small: t("not_pregnant"), on: keep("empty") },
      { id: "unsure", label: t("not_sure"), small: t("check_again"), rare: true, on: keep("unknown") },
    ],
  };
}

/** Open alerts, the newest first. @param {App} app */
export function alerts(app) {
  const at = now();
  const all = [...(app.book["alerts"]?.values() ?? [])].filter((alert) => !alert.cleared_at).sort((a, b) => Date.parse(b.opened_at) - Date.parse(a.opened_at));
  const back = { id: "back", label: t("back_round"), on: () => app.go("round") };
  const from = app.meta["snapshot_at"];
  const dataLine = h("p.quiet", from ? t("data_of", { time: when(from, at) }) : t("no_data"));
  if (!all.length) return { title: t("alerts"), view: [title(t("alerts")), h("p.big", t("no_alerts")), dataLine], deck: [back] };
  const i = Math.max(all.findIndex((alert) => alert.id === app.mind["alert"]), 0);
  const alert = all[i];
  const next = all[(i + 1) % all.length];
  const isSeen = (/** @type {Json} */ one) => Boolean(one.acknowledged_at || one.seen_here);
  return {
    title: t("alerts"),
    tank: alert.tank_id,
    view: [
      title(t("alerts"), t("n_open", { n: all.length })),
      h(
        "ol.rows",
        ...all.map((one) =>
          h(
            "li",
            one === alert ? { class: "at tall", "aria-current": "true" } : {},
            h("span.n", all.indexOf(one) + 1),
            h("span", h("b", one.text), one === alert && one.advice ? h("span", h("br"), one.advice) : null, h("br"), h("span.quiet", t("opened", { time: when(one.opened_at, at) }), isSeen(one) ? `, ${t("seen_by")}` : "")),
          ),
        ),
      ),
      dataLine,
    ],
    deckLabel: t("alerts"),
    deck: [
      ...(isSeen(alert) || !app.canAct ? [] : [{ id: "seen", label: t("seen_it"), small: t("seen_it_hint"), look: "next", on: () => seen(app, alert) }]),
      ...(all.length > 1
        ? [
            {
              id: "next",
              label: t("next_is", { what: all.indexOf(next) + 1 }),
              on: () => {
                app.mind["alert"] = next.id;
                app.render();
              },
            },
          ]
        : []),
      back,
    ],
  };
}
