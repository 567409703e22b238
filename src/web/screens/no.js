// The straw says another, or was not used: what happened to it?

import { h } from "../dom.js";
import { discarded, printed } from "../taps.js";
import { clockTime, t } from "../texts.js";
import { code } from "../dom.js";
import { who } from "./common.js";
import { onward } from "./says.js";

/** @param {import("../app.js").App} app @param {string} id */
export default function no(app, id) {
  const straw = app.straw(id);
  if (!straw || straw.ended !== null) return { title: "", view: [h("h1.big", t("not_here"))], deck: [{ id: "back", label: t("back_round"), look: "next", on: () => app.go("round") }] };
  const n = straw.animal_number;
  return {
    title: `${n}: ${t("what_happened")}`,
    tank: straw.place.tank_id,
    view: [
      who(n, t("out_time", { time: clockTime(straw.out_at) })),
      straw.asked ? h("div.plate", h("p.mid", t("it_does_not_say")), h("p.big", code(`${straw.code} ${straw.batch}`))) : null,
      h("p.big", t("what_happened")),
      h("p.mid", t("either_kept")),
    ],
    deckLabel: t("what_happened"),
    deck: [
      {
        id: "discarded",
        label: t("discarded"),
        small: t("discarded_hint", { n }),
        on: async () => {
          await discarded(app, straw);
          onward(app);
        },
      },
      { id: "was-served", label: t("has_been_served", { n }), small: t("has_been_hint"), on: () => app.go("which", id) },
      straw.asked
        ? { id: "back", label: t("back"), small: t("back_says", { what: printed(straw) }), rare: true, on: () => app.go("says", id) }
        : { id: "back", label: t("back"), small: t("back_thaw"), rare: true, on: () => app.go("thaw", id) },
    ],
  };
}
