// More of one animal: why this straw, what else is to be heeded; and the other straws that she may have.

import { now } from "../clock.js";
import { code, h } from "../dom.js";
import { strawOut } from "../taps.js";
import { t, told, when } from "../texts.js";
import { choiceOf, degrees, following, herOf, mark, otherChoices, placeShort, pointed, protocolFor, who } from "./common.js";
import { stockKey } from "../store.js";

/** @typedef {import("../app.js").App} App */

/** @param {App} app @param {string} animalId */
export default function why(app, animalId) {
  const her = herOf(app, animalId);
  const back = { id: "back", label: t("back_to", { what: her?.number ?? "" }), on: () => app.go("card", animalId) };
  if (!her) return { title: "", view: [h("h1.big", t("not_here"))], deck: [back] };
  const choice = choiceOf(app, her);
  const others = otherChoices(app, her, choice).length;
  const protocol = choice && protocolFor(app, her, choice);
  const timing = her.timing;
  const at = now();
  const heed = [...her.objections.map((/** @type {any} */ o) => o.text), ...her.cautions];
  const pairs = /** @type {[string, string][]} */ ([
    [t("why_this"), her.rule],
    [t("heat_dt"), timing ? t("standing_at", { how: told(`how_${timing.method}`, t("how_other")), time: when(timing.standing_at, at, her.zone) }) : ""],
    [t("closed_to_her"), her.blocked.map((/** @type {any} */ b) => `${b.sire_name}: ${b.reason}`).join(" ")],
    [t("bath_dt"), protocol ? t("bath_dd", { min: degrees(protocol.min_c), max: degrees(protocol.max_c), s: protocol.min_s, n: Math.round(protocol.use_within_s / 60) }) : ""],
  ]);
  return {
    title: `${her.number}: ${t("more_title")}`,
    tank: choice?.place.tank_id ?? null,
    view: [
      who(her.number, her.herd_name),
      h("dl.mid", ...pairs.filter(([, text]) => text).flatMap(([name, text]) => [h("dt.caps", name), h("dd", text)])),
      heed.length ? h("h2.mid.caps", t("cautions_dt")) : null,
      heed.length ? h("ul.heed.mid", ...heed.map((text) => h("li", text))) : null,
    ],
    deckLabel: her.number,
    deck: [
      { id: "another", label: t("another_straw"), small: others ? t("n_places", { n: others }) : t("no_place"), look: others ? "" : "closed", on: () => (others ? app.go("places", animalId) : undefined) },
      ...(choice && app.canAct ? [{ id: "already", label: t("out_already"), small: t("out_already_hint"), rare: true, on: async () => app.go("out", await strawOut(app, her, choice, protocolFor(app, her, choice))) }] : []),
      back,
    ],
  };
}

/** The other straws that the service offers for her. @param {App} app @param {string} animalId */
export function places(app, animalId) {
  const her = herOf(app, animalId);
  const back = { id: "back", label: t("back_to", { what: her?.number ?? "" }), on: () => app.go("card", animalId) };
  if (!her) return { title: "", view: [h("h1.big", t("not_here"))], deck: [back] };
  const others = otherChoices(app, her, choiceOf(app, her));
  const [first] = others;
  if (!first) return { title: t("another_straw"), view: [who(her.number, her.herd_name), h("p.big", t("no_place"))], deck: [back] };
  const key = (/** @type {any} */ c) => stockKey(c.lot_id, c.place);
  const at = others.find((/** @type {any} */ c) => key(c) === app.mind["place"]) ?? first;
  const lotOf = (/** @type {any} */ c) => app.book["lots"]?.get(c.lot_id);
  const next = following(others, at);
  return {
    title: t("another_straw"),
    tank: at.place.tank_id,
    view: [
      who(her.number, her.herd_name),
      h(
        "ol.rows",
        ...others.map((/** @type {any} */ c, /** @type {number} */ i) =>
          h(
            "li",
            pointed(c === at),
            h("span.n", i + 1),
            h("span", code(lotOf(c)?.code ?? "", "mid"), h("br"), mark(lotOf(c)?.semen_type ?? ""), h("span.code", lotOf(c)?.batch ?? "")),
            h("span.w", placeShort(c.place), h("br"), `${app.book["tanks"]?.get(c.place.tank_id)?.name ?? ""}: ${app.there(c.lot_id, c.place)}`),
          ),
        ),
      ),
    ],
    deckLabel: t("another_straw"),
    deck: [
      {
        id: "take",
        label: t("take_this", { what: lotOf(at)?.code ?? "" }),
        small: placeShort(at.place),
        look: "next",
        on: () => {
          app.mind[`chosen ${animalId}`] = { lot_id: at.lot_id, place: at.place };
          app.go("card", animalId);
        },
      },
      ...(others.length > 1
        ? [
            {
              id: "next",
              label: t("next_is", { what: lotOf(next)?.code ?? "" }),
              small: placeShort(next.place),
              on: () => {
                app.mind["place"] = key(next);
                app.render();
              },
            },
          ]
        : []),
      { ...back, rare: true },
    ],
  };
}
