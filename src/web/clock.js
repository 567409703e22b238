// The time of the book: the device's clock, put right by what the service said last. Milliseconds since 1970.

/** How far the book's time is ahead of the device's. */
let offset = 0;
/** Where the device's two clocks stood together: one may be set, the other only counts. */
let anchor = { wall: Date.now(), count: performance.now() };

/** A clock that leapt by more than this was set, not merely put right by the network. */
const LEAP_MS = 1500;
/** Whether the screen was kept on since the clock was last looked at: then the device cannot have slept. */
let isAwake = false;
/** Off by more than this it is set anew, else only as far as the answer proves it wrong. */
const FAR_OFF_MS = 10_000;

/** The book's time now. */
export function now() {
  const wall = Date.now();
  const count = performance.now();
  // A clock cannot run backwards. One that leaps ahead may have slept: then it is right, and the next answer decides; but not
  // while its screen is kept on.
  const back = anchor.wall + (count - anchor.count) - wall;
  if (back > LEAP_MS || (isAwake && back < -LEAP_MS)) offset += back;
  anchor = { wall, count };
  return wall + offset;
}

/** @param {number} at */
export const iso = (at) => new Date(at).toISOString();

/** How far the book is ahead of this device, as it was kept. */
export const offsetMs = () => offset;

/** @param {boolean} is whether the screen is kept on from now on */
export function awake(is) {
  now();
  isAwake = is;
}

/** @param {number} ms */
export function keepOffset(ms) {
  offset = ms;
  anchor = { wall: Date.now(), count: performance.now() };
}

/**
 * Learns from an answer's `Date`, which knows whole seconds: it was written between the question and the answer, so the offset
 * lies in an interval, however long the way took. True when what was believed lay outside it.
 * @param {string | null} date
 * @param {number} sentAt the device's own time (`Date.now`) when it was asked
 */
export function learn(date, sentAt) {
  const told = date ? Date.parse(date) : NaN;
  if (Number.isNaN(told)) return false;
  const least = told - Date.now();
  const most = told + 1000 - sentAt;
  if (offset >= least && offset <= most) return false;
  const isRight = least <= 0 && most >= 0;
  const isFar = Math.abs(offset - (least + most) / 2) > FAR_OFF_MS;
  keepOffset(isRight ? 0 : isFar ? (least + most) / 2 : Math.min(Math.max(offset, least), most));
  return true;
}

/**
 * A UUIDv7 (RFC 9562, section 5.7) of the book's time. Those of one page ascend.
 * @returns {string}
 */
export function uuid7() {
  const at = Math.max(now(), last + 1);
  last = at;
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  let rest = Math.floor(at);
  for (let i = 5; i >= 0; i--) {
    bytes[i] = rest % 256;
    rest = Math.floor(rest / 256);
  }
  bytes[6] = (/** @type {number} */ (bytes[6]) & 0x0f) | 0x70;
  bytes[8] = (/** @type {number} */ (bytes[8]) & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}
let last = 0;
