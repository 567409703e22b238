// The search: over everything that has an anchor, by all words that are asked for, without asking the service.

import { h } from "../dom.js";

/** @typedef {{id: string, title: string, hint: string, titleText: string, hintText: string, text: string}} Entry */

const MOST = 40;

/** @param {ParentNode} root @returns {Entry[]} */
function entries(root) {
  const found = [];
  for (const one of root.querySelectorAll("details.entry, ul.problems > li")) {
    const title = one.querySelector("summary > h3, a")?.textContent ?? "";
    const hint = one.querySelector("summary > code, summary > span")?.textContent ?? one.textContent ?? "";
    const text = (one.textContent ?? "").toLowerCase();
    found.push({ id: one.id, title, hint, titleText: title.toLowerCase(), hintText: `${hint} ${one.id}`.toLowerCase(), text });
  }
  return found;
}

/**
 * How well an entry fits a word; 0 when it does not.
 * @param {Entry} entry @param {string} word @returns {number}
 */
function fit(entry, word) {
  if (` ${entry.titleText}`.includes(` ${word}`)) return 12;
  if (entry.titleText.includes(word)) return 8;
  if (entry.hintText.includes(word)) return 6;
  return entry.text.includes(word) ? 1 : 0;
}

/**
 * The entries that fit every word, the best first.
 * @param {Entry[]} all @param {string} asked
 */
export function find(all, asked) {
  const words = asked.toLowerCase().split(/\s+/).filter(Boolean);
  if (!words.length) return [];
  return all
    .map((entry) => {
      const fits = words.map((word) => fit(entry, word));
      return { entry, fits: fits.some((one) => one === 0) ? 0 : fits.reduce((sum, one) => sum + one, 0) };
    })
    .filter(({ fits }) => fits > 0)
    .sort((a, b) => b.fits - a.fits)
    .map(({ entry }) => entry);
}

/** @param {HTMLElement} place */
export function addSearch(place) {
  const input = /** @type {HTMLInputElement} */ (h("input", { type: "search", autocomplete: "off", spellcheck: "false" }));
  const list = h("ol");
  const status = h("p", { role: "status" });
  /** @type {Entry[] | undefined} */
  let all;
  const show = () => {
    all ??= entries(document);
    const found = find(all, input.value);
    status.textContent = input.value.trim() ? `${found.length} found${found.length > MOST ? `, the best ${MOST} shown` : ""}` : "";
    list.replaceChildren(
      ...found.slice(0, MOST).map(({ id, title, hint }) => h("li", h("a", { href: `#${encodeURIComponent(id)}` }, h("b", title), h("span", hint)))),
    );
  };
  const clear = () => {
    input.value = "";
    show();
  };
  const form = h("form.search", { role: "search" }, h("label", "Search ", input), status, list);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    list.querySelector("a")?.click();
  });
  input.addEventListener("input", show);
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    clear();
    input.focus();
  });
  list.addEventListener("click", (event) => {
    // The list goes once the link was followed.
    if (event.target instanceof Element && event.target.closest("a")) setTimeout(clear);
  });
  document.addEventListener("keydown", (event) => {
    const isTyping = event.target instanceof Element && event.target.closest("input, textarea, select");
    if (event.key !== "/" || isTyping || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    input.focus();
  });
  place.replaceChildren(form);
}
