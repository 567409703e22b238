// The strip: tank, centimetres, fill by, age of the data, how many acts wait; and the straw that runs while another screen shows.

import { now } from "../clock.js";
import { h } from "../dom.js";
import { minutes, phase } from "../rules/thaw.js";
import { age, day, soon, t, told } from "../texts.js";
import { levelOf, usualTank } from "./common.js";

/** A reading older than this says nothing of when to fill. */
const READING_OLD_MS = 7 * 86_400_000;
/** A round older than this is of yesterday. */
const ROUND_OLD_MS = 12 * 3_600_000;

/** @param {import("../app.js").App} app @param {string | null} tankId @param {string} screen */
export function strip(app, tankId, screen) {
  const at = now();
  const tank = app.book["tanks"]?.get(tankId ?? "") ?? usualTank(app);
  const level = tank && levelOf(tank);
  const isOld = level && at - level.at > READING_OLD_MS;
  const filled = !level ? null : isOld ? h("b.closed.stale", h("span", t("read_rod"))) : level.refill_by ? t("fill_by", { day: day(level.refill_by) }) : t("fill_unknown");
  const waiting = app.waiting().length;
  const refused = app.refused().length;
  const running = ["thaw", "out", "says"].includes(screen) ? null : app.running()[0];
  return h(
    "header.strip",
    h(
      "p",
      tank
        ? level
          ? h("span", h("b", `${tank.name} ${level.cm} cm`), `, ${soon(level.at, at)}`)
          : h("span", h("b", t("never_read", { tank: tank.name })))
        : h("span", t("no_tank")),
      refused ? h("span.here.bad", t("refused_n", { n: refused })) : null,
      waiting ? h("span.here", waiting === 1 ? t("wait_one") : t("waits", { n: waiting })) : h("span.roomy", t("none_wait")),
    ),
    h("p", h("span", filled), h("span", dataWords(app, at))),
    running ? h("p.running", h("b", runningLine(running, at))) : null,
  );
}

/** `102 WAIT 0:18` @param {import("../store.js").Straw} straw @param {number} at */
export const runningLine = (straw, at) => `${straw.animal_number} ${told(phase(straw, at).toUpperCase(), "")} ${leftOf(straw, at)}`;

/** @param {import("../store.js").Straw} straw @param {number} at */
function leftOf(straw, at) {
  const is = phase(straw, at);
  if (is === "wait") return minutes(Number(straw.ready_at) - at);
  if (is === "use") return minutes(Number(straw.use_by_at) - at);
  if (is === "late") return `+${minutes(at - Number(straw.use_by_at))}`;
  return `${Math.floor((at - straw.out_at) / 1000)} s`;
}

/** @param {import("../app.js").App} app @param {number} at */
function dataWords(app, at) {
  if (app.meta["signed_out"]) return h("b", t("sign_in_again"));
  const from = app.meta["snapshot_at"];
  if (!from) return t("no_data");
  if (at - from > ROUND_OLD_MS) return h("b", t("round_of", { day: day(from) }));
  const old = age(at - from);
  return app.signal ? t("data_age", { age: old }) : t("no_signal", { age: old });
}
