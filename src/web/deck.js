// The deck: all that is touched, in the lower two fifths. After a change of screen it is deaf for a moment: gloves double-tap.

import { h } from "./dom.js";

/** From this width on the address without a screen is the office's page. */
export const OFFICE_PX = 900;

/** How long it is deaf. */
export const DEAF_MS = 600;

/**
 * @typedef {object} Target
 * @property {string} id stays the same while the words change
 * @property {string} label
 * @property {string | null} [small]
 * @property {string} [look] classes: `next`, `tall`, `sign`, `evens`, `closed`
 * @property {boolean} [rare] hangs under the edge on a short screen
 * @property {() => void | Promise<void>} on
 *
 * @typedef {Target | [Target, Target]} Row
 */

/** @typedef {{label: string, whole?: boolean, isDeaf: () => boolean, busy: (run: () => void | Promise<void>) => void}} How */

/** The deck of a screen. Its targets stay the same elements while only words change: a press that lasts over a change is a tap. */
export class Deck {
  /** @param {Row[]} rows @param {How} how */
  constructor(rows, how) {
    this.how = how;
    /** @type {Map<string, {target: Target, button: HTMLElement}>} */
    this.targets = new Map();
    this.shape = shapeOf(rows, how);
    this.nav = h(`nav.deck${how.whole ? ".whole" : ""}`, { "aria-label": how.label, "data-deaf": how.isDeaf() });
    for (const row of rows) {
      if (Array.isArray(row)) this.nav.append(h(`div.pair${row[0].rare ? ".rare" : ""}`, this.make(row[0]), this.make(row[1])));
      else this.nav.append(this.make(row));
    }
  }

  /** @param {Target} target */
  make(target) {
    const button = h(["button", ...classesOf(target)].join("."), {
      type: "button",
      "data-id": target.id,
      click: () => {
        const now = this.targets.get(target.id);
        if (now && !this.how.isDeaf()) this.how.busy(now.target.on);
      },
    });
    this.targets.set(target.id, { target, button });
    button.replaceChildren(...wordsOf(target));
    return button;
  }

  /** Other words on the same targets; false when they are others. @param {Row[]} rows @param {How} how */
  update(rows, how) {
    if (shapeOf(rows, how) !== this.shape) return false;
    for (const target of rows.flat()) {
      const kept = this.targets.get(target.id);
      if (!kept) return false;
      if (kept.target.label !== target.label || kept.target.small !== target.small) kept.button.replaceChildren(...wordsOf(target));
      kept.target = target;
    }
    this.nav.setAttribute("aria-label", how.label);
    return true;
  }
}

/** @param {Target} target */
const classesOf = ({ look, rare }) => ["act", ...(look ? look.split(" ") : []), ...(rare ? ["rare"] : [])];

/** @param {Target} target @returns {Node[]} */
function wordsOf({ label, small, look }) {
  const words = [document.createTextNode(label), ...(small ? [h("small", small)] : [])];
  return look?.includes("closed") ? [h("span", ...words)] : words;
}

/** What makes a deck another one: its targets and how they look. @param {Row[]} rows @param {How} how */
function shapeOf(rows, { whole }) {
  return JSON.stringify([whole, rows.map((row) => [row].flat().map((target) => [target.id, ...classesOf(target)]))]);
}
