// The screens beside the way of a straw.

import { alerts, check, find, heat } from "./animal.js";
import count from "./count.js";
import more, { settings } from "./more.js";
import move from "./move.js";
import nitrogen, { frost } from "./nitrogen.js";
import phone from "./phone.js";
import why, { places } from "./why.js";

export const REST = { alerts, check, count, find, frost, heat, more, move, nitrogen, phone, places, settings, why };
