// The clock of one straw. Pure arithmetic of src/domain/straws/thaw.rs and exposure.rs, where the sources stand; which straw is
// hers is never reckoned here.

/** @typedef {import("./bath.js").Protocol} Protocol */

/** From here on the way to the bath is noted, in seconds: a straw of 0.25 ml or of a volume not known. */
export const SLOW_THIN_S = 15;
/** The same for 0.5 ml. */
export const SLOW_THICK_S = 25;
/** From here on it is a deviation. */
export const LATE_S = 60;
/** Never more straws than this in one bath. */
export const MOST_AT_ONCE = 10;
/** A reading of the bath holds so long. OUR RULE: common practice, no source. */
export const BATH_HOLDS_MS = 600_000;

/** @param {string} semenType */
export const isSexed = (semenType) => semenType !== "conventional";

/**
 * What holds where neither the lot nor the herd says otherwise.
 * @param {string} semenType @param {number | null | undefined} ml
 * @returns {Protocol}
 */
export function defaultProtocol(semenType, ml) {
  const sexed = isSexed(semenType);
  return {
    min_c: 35.0,
    max_c: 37.0,
    aim_c: 35.6,
    min_s: !sexed && ml === 0.25 ? 30 : 45,
    use_within_s: sexed ? 300 : 900,
  };
}

/**
 * The protocol of a lot: its own, else the herd's, else the default.
 * @param {{thaw?: Protocol | null, semen_type: string, straw_ml?: number | null}} lot
 * @param {{thaw?: Protocol | null} | undefined} herd
 * @returns {Protocol}
 */
export function protocolOf(lot, herd) {
  return lot.thaw ?? herd?.thaw ?? defaultProtocol(lot.semen_type, lot.straw_ml);
}

/**
 * When it may come out of the bath and by when it is used. The time for its use runs from the tank.
 * @param {Protocol} protocol @param {number} outAt @param {number} bathAt
 */
export function thawing(protocol, outAt, bathAt) {
  return { ready_at: bathAt + protocol.min_s * 1000, use_by_at: Math.min(outAt, bathAt) + protocol.use_within_s * 1000 };
}

/**
 * @param {{bath_at: number | null, ready_at: number | null, use_by_at: number | null}} straw @param {number} now
 * @returns {"out" | "wait" | "use" | "late"}
 */
export function phase(straw, now) {
  if (straw.bath_at === null || straw.ready_at === null || straw.use_by_at === null) return "out";
  if (now > straw.use_by_at) return "late";
  return now < straw.ready_at ? "wait" : "use";
}

/** @param {number | null | undefined} ml seconds from which the way to the bath is noted */
export const slowAfter = (ml) => (ml === 0.5 ? SLOW_THICK_S : SLOW_THIN_S);

/**
 * How many straws may go in beside those that are in the bath: sexed ones one at a time, no more than cool it by 1 K.
 * @param {string} semenType @param {number | null | undefined} ml @param {number} volumeMl
 * @param {{semen_type: string, straw_ml: number | null}[]} inBath
 */
export function roomFor(semenType, ml, volumeMl, inBath) {
  if (isSexed(semenType) || inBath.some((other) => isSexed(other.semen_type))) return inBath.length === 0 ? 1 : 0;
  const joules = (/** @type {number | null | undefined} */ of) => (of === 0.25 ? 245 : 449);
  const taken = inBath.reduce((sum, other) => sum + joules(other.straw_ml), 0);
  const byHeat = Math.trunc((Math.trunc((volumeMl * 4154) / 1000) - taken) / joules(ml));
  return Math.max(Math.min(MOST_AT_ONCE - inBath.length, byHeat), 0);
}

/** Minutes and seconds, such as `11:24`. @param {number} ms */
export function minutes(ms) {
  const seconds = Math.max(Math.ceil(ms / 1000), 0);
  return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}
