// What is on this phone only: refused first, then the order of sending.

import { now } from "../clock.js";
import { code, h } from "../dom.js";
import { clockTime, t, told } from "../texts.js";
import { title } from "./common.js";

/** @typedef {import("../store.js").Entry} Entry */

/** @param {Entry} entry */
export const actWord = (entry) => told(`act_${entry.kind}`, entry.kind).replace("{n}", entry.about);

/** @param {import("../app.js").App} app */
export default function phone(app) {
  const at = now();
  const waiting = app.waiting();
  const refused = waiting.filter((entry) => entry.state === "refused");
  const refusedCases = new Set(refused.map((entry) => entry.case_id));
  const rest = waiting.filter((entry) => !refusedCases.has(entry.case_id));
  const items = [
    ...refused.map((entry) => {
      const straw = app.straw(entry.case_id);
      const after = waiting.filter((other) => other.case_id === entry.case_id && other !== entry);
      return h(
        "li.refused",
        h("b.mid", actWord(entry)),
        h("span", clockTime(entry.occurred_at)),
        straw ? h("span.full", code(straw.code), " ", code(straw.batch)) : null,
        h("b.full.mid", t("kept_office")),
        h("span.full", t("book_says", { time: clockTime(entry.answer?.at ?? at), text: entry.answer?.detail || entry.answer?.title || "" })),
        after.length ? h("span.full", t("with_it", { what: after.map((other) => `${actWord(other)} ${clockTime(other.occurred_at)}`).join("; ") })) : null,
      );
    }),
    ...rest.map((entry, i) => {
      const held = Math.ceil((entry.hold_until - at) / 1000);
      const isAfter = rest.slice(0, i).some((other) => other.case_id === entry.case_id);
      const state = entry.state === "asked" ? t("asked_open") : entry.attempts > 0 ? t("being_sent", { n: entry.attempts }) : held > 0 ? t("to_send_in", { s: held }) : isAfter ? t("after_it") : t("to_send");
      return h("li", h("b.mid", actWord(entry)), h("span", clockTime(entry.occurred_at)), h("span.full", state));
    }),
  ];
  const asked = app.askedStraws()[0];
  return {
    title: t("on_phone"),
    view: [title(t("on_phone"), t("on_phone_n", { refused: refused.length, waiting: rest.length })), items.length ? h("ol.queue", ...items) : h("p.big", t("nothing_waits"))],
    deckLabel: t("on_phone"),
    deck: [
      ...(asked ? [{ id: "asked", label: t("go_to", { what: asked.animal_number }), look: "next", on: () => app.go("says", asked.withdrawal_id) }] : []),
      {
        id: "send",
        label: t("send_now"),
        on: () => {
          app.sender.kick({ now: true });
          app.render();
        },
      },
      { id: "back", label: t("back_round"), on: () => app.go("round") },
    ],
    shape: (/** @type {number} */ then) => String(rest.map((entry) => Math.max(Math.ceil((entry.hold_until - then) / 1000), 0) < 11 && Math.max(Math.ceil((entry.hold_until - then) / 1000), 0))),
  };
}
