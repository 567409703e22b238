// The bath before the straw: the rule of GET /v1/thaw-advice, reckoned on the device. Pure arithmetic; the sources stand in
// src/domain/straws/thaw.rs, and both are held to the same vectors (tests/reference/thaw_bath.json).

/**
 * @typedef {{min_c: number, max_c: number, aim_c: number, min_s: number, use_within_s: number, source?: string}} Protocol
 * @typedef {{action: "add" | "replace", ml: number, expect_c: number}} Step
 * @typedef {{verdict: "right" | "too_hot" | "too_cold", add_ml: number | null, replace_ml: number | null, steps: Step[],
 *   useless: boolean}} Judgement
 */

/** Below this no bath is right, whatever the protocol says. */
export const COLDEST_C = 33.3;
/** Above this no bath is right, whatever the protocol says. */
export const HOTTEST_C = 38.0;
/** The most a bath is ever said to hold. */
const MOST_ML = 100_000;

/**
 * Millilitres of water at `water` to add to `volume` ml at `bath` to reach `aim`: V (T0 - Ta) / (Ta - Tw).
 * Null where that water cannot bring it there.
 * @param {number} volume @param {number} bath @param {number} aim @param {number} water
 * @returns {number | null}
 */
export function waterToAdd(volume, bath, aim, water) {
  return canMix(bath, aim, water) ? (volume * (bath - aim)) / (aim - water) : null;
}

/**
 * Millilitres of the bath to take out and put in as that water instead: V (T0 - Ta) / (T0 - Tw).
 * @param {number} volume @param {number} bath @param {number} aim @param {number} water
 * @returns {number | null}
 */
export function waterToReplace(volume, bath, aim, water) {
  return canMix(bath, aim, water) ? (volume * (bath - aim)) / (bath - water) : null;
}

/** @param {number} bath @param {number} aim @param {number} water */
function canMix(bath, aim, water) {
  return (bath >= aim && aim > water) || (bath <= aim && aim < water);
}

/** Whole millilitres, half rounded up, at least 1. @param {number | null} ml */
function whole(ml) {
  if (ml === null || Number.isNaN(ml)) return null;
  const rounded = Math.max(Math.floor(ml + 0.5), 1);
  return rounded <= MOST_ML ? rounded : null;
}

/** @param {"add" | "replace"} action @param {number} volume @param {number} bath @param {number} ml @param {number} water */
function mixed(action, volume, bath, ml, water) {
  return action === "add" ? (volume * bath + ml * water) / (volume + ml) : ((volume - ml) * bath + ml * water) / volume;
}

/** @param {Protocol} protocol @returns {Protocol} */
export function bounded(protocol) {
  const within = (/** @type {number} */ c) => Math.min(Math.max(c, COLDEST_C), HOTTEST_C);
  return { ...protocol, min_c: within(protocol.min_c), max_c: within(protocol.max_c), aim_c: within(protocol.aim_c) };
}

/**
 * Whether a straw may go into a bath of `bath` degrees Celsius, and what to add to `volume` ml of it of water at `water`
 * degrees if not.
 * @param {Protocol} entered @param {number} bath @param {number} volume @param {number} water
 * @returns {Judgement}
 */
export function judgeBath(entered, bath, volume, water) {
  const protocol = bounded(entered);
  const isHot = bath > protocol.max_c;
  if (!isHot && bath >= protocol.min_c) {
    return { verdict: "right", add_ml: null, replace_ml: null, steps: [], useless: false };
  }
  const verdict = isHot ? "too_hot" : "too_cold";
  const aim = protocol.aim_c;
  if (isHot ? water >= aim : water <= aim) {
    return { verdict, add_ml: null, replace_ml: null, steps: [], useless: true };
  }
  const add = whole(waterToAdd(volume, bath, aim, water));
  const replace = whole(waterToReplace(volume, bath, aim, water));
  return { verdict, add_ml: add, replace_ml: replace, steps: steps(volume, bath, aim, water, add, replace), useless: false };
}

/**
 * Two steps, because the vessel holds heat too: half, and after a reading the rest.
 * @param {number} volume @param {number} bath @param {number} aim @param {number} water
 * @param {number | null} add @param {number | null} replace
 * @returns {Step[]}
 */
function steps(volume, bath, aim, water, add, replace) {
  const action = add !== null && add <= volume ? "add" : "replace";
  const all = action === "add" ? add : replace;
  if (all === null) return [];
  const first = Math.max(Math.floor(all / 2), 1);
  const between = mixed(action, volume, bath, first, water);
  const second = action === "add" ? all - first : whole(waterToReplace(volume, between, aim, water));
  const told = (/** @type {number} */ c) => Math.round(c * 10) / 10;
  const done = [{ action, ml: first, expect_c: told(between) }];
  if (second !== null && second > 0 && all > 1) {
    const then = action === "add" ? volume + first : volume;
    done.push({ action, ml: second, expect_c: told(mixed(action, then, between, second, water)) });
  }
  return /** @type {Step[]} */ (done);
}
