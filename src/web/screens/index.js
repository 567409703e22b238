// Every screen by its name in the address. The way of a straw is here with the first view; the rest follows at once after it.

import { h } from "../dom.js";
import { t } from "../texts.js";
import bath from "./bath.js";
import card from "./card.js";
import closed from "./closed.js";
import early from "./early.js";
import { broken, cannot, signIn, signOut, welcome } from "./entry.js";
import no from "./no.js";
import out from "./out.js";
import round from "./round.js";
import says from "./says.js";
import thaw from "./thaw.js";
import which from "./which.js";

/** @typedef {(app: any, ...args: any[]) => any} ScreenOf */

/** What is shown for a moment in place of a screen that is still on its way. @type {ScreenOf} */
const coming = (app) => ({
  title: t("getting"),
  view: [h("h1.big", t("getting"))],
  deck: [{ id: "back", label: t("back_round"), on: () => app.go("round") }],
});

/** @type {Record<string, ScreenOf>} */
export const SCREENS = {
  bath, broken, cannot, card, closed, early, no, out, round, says, sign_in: signIn, sign_out: signOut, thaw, welcome, which,
  alerts: coming, check: coming, count: coming, find: coming, frost: coming, heat: coming, more: coming, move: coming,
  nitrogen: coming,
  phone: coming, places: coming, settings: coming, why: coming,
};

/** Brings the other screens. */
export async function bringTheRest() {
  Object.assign(SCREENS, (await import("./rest.js")).REST);
}
