// Every screen by its name in the address.

import { alerts, check, find, heat } from "./animal.js";
import bath from "./bath.js";
import card from "./card.js";
import closed from "./closed.js";
import count from "./count.js";
import early from "./early.js";
import { broken, cannot, signIn, signOut, welcome } from "./entry.js";
import more, { settings } from "./more.js";
import nitrogen, { frost } from "./nitrogen.js";
import no from "./no.js";
import out from "./out.js";
import phone from "./phone.js";
import round from "./round.js";
import says from "./says.js";
import thaw from "./thaw.js";
import which from "./which.js";
import why, { places } from "./why.js";

export const SCREENS = {
  alerts, bath, broken, cannot, card, check, closed, count, early, find, frost, heat, more, nitrogen, no, out, phone, places, round,
  says, settings, sign_in: signIn, sign_out: signOut, thaw, welcome, which, why,
};
