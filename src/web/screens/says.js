// Straw says? YES and NO of equal weight.

import { h } from "../dom.js";
import { printed, says as answer } from "../taps.js";
import { clockSeconds, t } from "../texts.js";
import { who } from "./common.js";
import { linesOf, stopOf } from "./round.js";
import { now } from "../clock.js";

/** @param {import("../app.js").App} app @param {string} id */
export default function says(app, id) {
  const straw = app.straw(id);
  if (!straw || !straw.asked) return { title: "", view: [h("h1.big", t("not_here"))], deck: [{ id: "back", label: t("back_round"), look: "next", on: () => app.go("round") }] };
  return {
    title: `${straw.animal_number}: ${t("look_at_it")}`,
    tank: straw.place.tank_id,
    viewClass: "spread",
    view: [
      who(straw.animal_number, t("served_time", { time: clockSeconds(Number(straw.served_at)) }), h("br"), h("span.here", t("kept_here"))),
      h("div.asks", h("p.big", t("look_at_it")), h("div.plate", h("p.code.reads", straw.code), h("p.code.reads.two", `${straw.batch} ?`))),
      h("p.mid", t("as_printed")),
    ],
    whole: true,
    deckLabel: `${t("look_at_it")} ${printed(straw)}?`,
    deck: [
      {
        id: "yes",
        label: t("yes"),
        look: "evens",
        on: async () => {
          await answer(app, straw, printed(straw));
          onward(app);
        },
      },
      { id: "no", label: t("no"), look: "evens", on: () => app.go("no", id) },
    ],
  };
}

/** To what is open next: another straw, or the round at the next animal. @param {import("../app.js").App} app */
export function onward(app) {
  const { stop } = stopOf(app);
  const next = stop && linesOf(app, stop, now()).find((line) => line.kind === "due" && !line.straw);
  if (next) app.mind["at"] = next.her?.id;
  const home = app.home();
  app.go(home.name, ...home.args);
}
