// Elements without a framework: what is made here is made by createElement, never from text that could be code.

/** @typedef {Node | string | number | null | undefined | false} Child */
/** @typedef {Record<string, string | number | boolean | null | undefined | ((event: any) => void)>} Attributes */

const SVG = "http://www.w3.org/2000/svg";

/**
 * @param {Element} element
 * @param {Attributes} attributes
 * @param {Child[]} children
 */
function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name, value);
    else if (value !== null && value !== undefined && value !== false) {
      element.setAttribute(name, value === true ? "" : String(value));
    }
  }
  for (const child of children) {
    if (child instanceof Node) element.append(child);
    else if (child !== null && child !== undefined && child !== false) element.append(String(child));
  }
  return element;
}

/**
 * An element of HTML: `h("p.big", "text")`, `h("input", {type: "text"})`.
 * @param {string} what name, with classes after dots
 * @param {Attributes | Child} [first]
 * @param {Child[]} rest
 * @returns {HTMLElement}
 */
export function h(what, first, ...rest) {
  const [name, ...classes] = what.split(".");
  const element = document.createElement(name ?? "div");
  if (classes.length) element.className = classes.join(" ");
  const isAttributes = typeof first === "object" && first !== null && !(first instanceof Node);
  const children = isAttributes || first === undefined ? rest : [/** @type {Child} */ (first), ...rest];
  return /** @type {HTMLElement} */ (filled(element, isAttributes ? /** @type {Attributes} */ (first) : {}, children));
}

/**
 * An element of SVG.
 * @param {string} name
 * @param {Attributes} [attributes]
 * @param {Child[]} children
 * @returns {SVGElement}
 */
export function svg(name, attributes = {}, ...children) {
  return /** @type {SVGElement} */ (filled(document.createElementNS(SVG, name), attributes, children));
}

/**
 * A code as printed on a straw.
 * @param {Child} text
 * @param {string} [size] a class
 */
export function code(text, size = "") {
  return h(`b.code${size && `.${size}`}`, text);
}
