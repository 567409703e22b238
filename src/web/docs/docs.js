// What scripts add to the documentation: what is led to opens, a search, and forms to try an operation. All else stands in the
// page as it comes.

import { addSearch } from "./search.js";
import { offerTrying } from "./try.js";

/** Opens what the address leads to, with all that it lies within. */
function openTarget() {
  const target = document.getElementById(plain(location.hash.slice(1)));
  if (!target) return;
  for (let one = /** @type {HTMLElement | null} */ (target); one; one = one.parentElement) {
    if (one instanceof HTMLDetailsElement) one.open = true;
  }
  target.scrollIntoView();
}

/** @param {string} text */
function plain(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return text;
  }
}

offerTrying(document.querySelectorAll("details.operation"));
addSearch(/** @type {HTMLElement} */ (document.getElementById("search")));
addEventListener("hashchange", openTarget);
// The same link again opens again what was closed in between.
document.addEventListener("click", (event) => {
  const link = event.target instanceof Element && event.target.closest('a[href^="#"]');
  if (link && link.getAttribute("href") === location.hash) openTarget();
});
openTarget();
