// A hatched target, tapped: what opens it, and that what has happened already can be put on record all the same.

import { now } from "../clock.js";
import { h } from "../dom.js";
import { strawOut } from "../taps.js";
import { t } from "../texts.js";
import { closedBy } from "./card.js";
import { choiceOf, herOf, otherChoices, protocolFor, who } from "./common.js";

/** @param {import("../app.js").App} app @param {string} animalId */
export default function closed(app, animalId) {
  const her = herOf(app, animalId);
  const back = { id: "back", label: t("back_to", { what: her?.number ?? "" }), on: () => app.go("card", animalId) };
  if (!her) return { title: "", view: [h("h1.big", t("not_here"))], deck: [back] };
  const choice = choiceOf(app, her);
  const by = closedBy(app, her, choice, now());
  const others = otherChoices(app, her, choice).length;
  return {
    title: t("is_closed", { what: t("straw_out") }),
    tank: choice?.place.tank_id ?? null,
    view: [
      who(her.number, her.herd_name),
      h("div.plate.closed", h("div", h("p.big", t("is_closed", { what: t("straw_out") })), h("p.mid", by?.why ?? ""))),
      h("p.mid", t("always_record")),
    ],
    deckLabel: t("is_closed", { what: t("straw_out") }),
    deck: [
      ...(by?.bath ? [{ id: "bath", label: t("bath_first"), look: "next", on: () => app.go("bath", animalId) }] : []),
      ...(choice
        ? [{ id: "already", label: t("out_already"), small: t("out_already_hint"), on: async () => app.go("out", await strawOut(app, her, choice, protocolFor(app, her, choice))) }]
        : others
          ? [{ id: "another", label: t("which_out"), small: t("n_near", { n: others }), on: () => app.go("places", animalId) }]
          : []),
      back,
    ],
  };
}
