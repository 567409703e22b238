// She was served with another straw than the book gave: which does it say? The lots that hang near are offered; nothing is typed.

import { code, h } from "../dom.js";
import { printed, says, served } from "../taps.js";
import { clockTime, t } from "../texts.js";
import { following, hanging, placeShort, pointed, who } from "./common.js";
import { onward } from "./says.js";

/** @typedef {any} Json */

/** What hangs near: the same canister first, then the same tank, then elsewhere; each print once. @param {import("../app.js").App} app @param {import("../store.js").Straw} straw */
function near(app, straw) {
  const rows = hanging(app, straw.herd_id).filter((row) => row.lot_id !== straw.lot_id);
  const far = (/** @type {Json} */ row) => (row.place.tank_id !== straw.place.tank_id ? 2 : row.place.canister !== straw.place.canister ? 1 : 0);
  rows.sort((a, b) => far(a) - far(b) || a.place.canister - b.place.canister);
  const seen = new Set();
  return rows
    .map((row) => ({ row, lot: app.book["lots"]?.get(row.lot_id) }))
    .filter(({ lot }) => lot && !seen.has(lot.id) && seen.add(lot.id));
}

/** @param {import("../app.js").App} app @param {string} id */
export default function which(app, id) {
  const straw = app.straw(id);
  if (!straw || straw.ended !== null) return { title: "", view: [h("h1.big", t("not_here"))], deck: [{ id: "back", label: t("back_round"), look: "next", on: () => app.go("round") }] };
  const choices = near(app, straw);
  const ids = [...choices.map(({ lot }) => lot.id), "unreadable"];
  const at = ids.includes(app.mind["which"]) ? app.mind["which"] : ids[0];
  const chosen = choices.find(({ lot }) => lot.id === at);
  const next = following(ids, at);
  const nextPrint = choices.find(({ lot }) => lot.id === next);
  const give = async (/** @type {string | null} */ read, /** @type {string} */ note) => {
    if (!straw.asked) await served(app, straw);
    await says(app, app.straw(id) ?? straw, read, note);
    onward(app);
  };
  return {
    title: t("which_says"),
    tank: straw.place.tank_id,
    view: [
      who(straw.animal_number, t("out_time", { time: clockTime(straw.out_at) }), straw.served_at ? h("br") : null, straw.served_at ? t("served_time", { time: clockTime(straw.served_at) }) : null),
      h("p.big", t("which_says")),
      h(
        "ol.rows",
        ...choices.map(({ row, lot }, i) =>
          h("li", pointed(lot.id === at), h("span.n", i + 1), h("span", code(lot.code, "mid"), h("br"), h("span.code", lot.batch ?? "")), h("span.w", placeShort(row.place), h("br"), row.tank_name)),
        ),
        h("li", pointed(at === "unreadable"), h("span.n", choices.length + 1), h("span", h("b", t("cannot_read")))),
      ),
    ],
    deckLabel: t("which_says"),
    deck: [
      chosen
        ? { id: "this", label: printed({ code: chosen.lot.code, batch: chosen.lot.batch ?? "" }), look: "next", on: () => give(printed({ code: chosen.lot.code, batch: chosen.lot.batch ?? "" }), "another straw than was given") }
        : { id: "this", label: t("cannot_read"), look: "next", on: () => give(null, `does not say ${printed(straw)}; cannot be read`) },
      {
        id: "next",
        label: t("next_is", { what: nextPrint ? `${nextPrint.lot.code}` : t("cannot_read") }),
        on: () => {
          app.mind["which"] = next;
          app.render();
        },
      },
      { id: "leave", label: t("leave_office"), rare: true, on: () => give(null, `does not say ${printed(straw)}; left to the office`) },
    ],
  };
}
