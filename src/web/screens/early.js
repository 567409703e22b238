// SERVED while the straw still thaws: closed, not locked.

import { h } from "../dom.js";
import { served } from "../taps.js";
import { clockSeconds, t } from "../texts.js";
import { who } from "./common.js";

/** @param {import("../app.js").App} app @param {string} id */
export default function early(app, id) {
  const straw = app.straw(id);
  const back = { id: "back", label: t("back_to", { what: straw?.animal_number ?? "" }), look: "next", on: () => app.go("thaw", id) };
  if (!straw) return { title: "", view: [h("h1.big", t("not_here"))], deck: [back] };
  return {
    title: t("is_closed", { what: t("served") }),
    tank: straw.place.tank_id,
    view: [
      who(straw.animal_number),
      h("div.plate.closed", h("div", h("p.big", t("is_closed", { what: t("served") })), h("p.mid", t("why_wait", { time: clockSeconds(Number(straw.ready_at)) })))),
      h("p.mid", t("always_record")),
    ],
    whole: true,
    deck: [
      back,
      {
        id: "already",
        label: t("served_already", { n: straw.animal_number }),
        small: t("served_already_hint"),
        on: async () => {
          await served(app, straw);
          app.go("says", id);
        },
      },
    ],
  };
}
