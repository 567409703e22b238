// The deck: all that is touched, in the lower two fifths. After a change of screen it is deaf for a moment: gloves double-tap.

import { h } from "./dom.js";

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

/**
 * @param {Row[]} rows @param {{label: string, whole?: boolean, isDeaf: () => boolean, busy: (run: () => void | Promise<void>) => void}} how
 */
export function deck(rows, { label, whole, isDeaf, busy }) {
  const nav = h(`nav.deck${whole ? ".whole" : ""}`, { "aria-label": label, "data-deaf": isDeaf() });
  const make = (/** @type {Target} */ target) => {
    const isClosed = target.look?.includes("closed");
    const words = [target.label, target.small ? h("small", target.small) : null];
    return h(
      ["button", "act", ...(target.look?.split(" ") ?? []), ...(target.rare ? ["rare"] : [])].join("."),
      {
        type: "button",
        "data-id": target.id,
        click: () => {
          if (!isDeaf()) busy(target.on);
        },
      },
      ...(isClosed ? [h("span", ...words)] : words),
    );
  };
  for (const row of rows) {
    if (Array.isArray(row)) nav.append(h(`div.pair${row[0].rare ? ".rare" : ""}`, make(row[0]), make(row[1])));
    else nav.append(make(row));
  }
  return nav;
}
