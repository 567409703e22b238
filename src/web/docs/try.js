// Trying an operation from the documentation: a form made of what the page says of it, whose request goes to this service. The
// key stays in the tab's session storage; it stands in no address and in nothing that outlives the tab.

import { uuid7 } from "../clock.js";
import { h } from "../dom.js";

const KEPT = "tankside-docs-key";
const MOST_SHOWN = 200_000;
/** Headers that say something of the answer, not of how it came. */
const TOLD = [
  "content-type", "etag", "location", "link", "idempotent-replayed", "retry-after", "ratelimit", "allow", "content-disposition",
  "x-request-id",
];

/** @typedef {{name: string, place: string, input: HTMLInputElement | HTMLSelectElement}} Field */
/** @typedef {{method: string, url: string, headers: Record<string, string>, body?: string}} Asked */

/** Where there is no storage the key is kept as long as the page. */
let key = "";
try {
  key = sessionStorage.getItem(KEPT) ?? "";
} catch {
  // As above.
}
/** @type {Set<HTMLInputElement>} */
const keyInputs = new Set();

/** @param {string} value */
function keep(value) {
  key = value.trim();
  for (const input of keyInputs) input.value = key;
  try {
    if (key) sessionStorage.setItem(KEPT, key);
    else sessionStorage.removeItem(KEPT);
  } catch {
    // As above.
  }
}

/** @param {Iterable<Element>} operations */
export function offerTrying(operations) {
  for (const operation of operations) {
    const offer = /** @type {HTMLDetailsElement} */ (h("details.try", h("summary", "Try it here")));
    offer.addEventListener("toggle", () => offer.append(form(/** @type {HTMLElement} */ (operation))), { once: true });
    operation.querySelector(":scope > h4")?.before(offer);
  }
}

/** @param {HTMLElement} operation */
function form(operation) {
  const method = operation.dataset["method"] ?? "GET";
  const path = operation.dataset["path"] ?? "/";
  const fields = [...operation.querySelectorAll(":scope > .parameters > li")].map((one) => field(/** @type {HTMLElement} */ (one)));
  const body = bodyOf(operation);
  const status = h("p", { role: "status" });
  const answer = h("div.answer");
  const send = /** @type {HTMLButtonElement} */ (h("button.send", { type: "submit" }, "Send"));
  const made = h(
    "form",
    { autocomplete: "off" },
    keyRow(),
    fields.length > 0 && h("div.fields", ...fields.map(({ name, input, isRequired }) => h("label", h("code", name), isRequired && " (required)", input))),
    ...(body?.elements ?? []),
    method !== "GET" && h("p.caution", "This is done in the book that this service keeps. There is no other behind it to try things in."),
    send,
    status,
    answer,
  );
  made.addEventListener("submit", async (event) => {
    event.preventDefault();
    send.disabled = true;
    status.textContent = "Sent.";
    const asked = { method, ...request(path, fields), ...(body && { body: body.text() }) };
    if (body) asked.headers["Content-Type"] = body.media();
    const told = await answered(asked);
    status.replaceChildren(h("b", told.status));
    answer.replaceChildren(...told.elements);
    send.disabled = false;
    // The next act is another one; what had no final answer is repeated under its key.
    if (told.isFinal) fields.forEach((one) => one.renew());
  });
  return made;
}

function keyRow() {
  const input = /** @type {HTMLInputElement} */ (
    // No field for a password: browsers offer to keep those.
    h("input.hidden-letters", { type: "text", value: key, autocomplete: "off", autocapitalize: "off", spellcheck: "false", "data-key": true })
  );
  keyInputs.add(input);
  input.addEventListener("input", () => keep(input.value));
  const forget = h("button", { type: "button", click: () => keep("") }, "Forget it");
  return h("div.row", h("label", "Key (kept in this tab only, until it is closed)", input), forget);
}

/**
 * @param {HTMLElement} parameter
 * @returns {Field & {isRequired: boolean, renew: () => void}}
 */
function field(parameter) {
  const { name = "", in: place = "", example = "", values = "" } = parameter.dataset;
  const isRequired = "required" in parameter.dataset;
  const isKey = name.toLowerCase() === "idempotency-key";
  const input = /** @type {HTMLInputElement | HTMLSelectElement} */ (
    values
      ? h("select", ...["", ...values.split(" ")].map((value) => h("option", { value }, value)))
      : h("input", { type: "text", autocomplete: "off", autocapitalize: "off", spellcheck: "false", placeholder: example && `such as ${example}` })
  );
  input.required = isRequired;
  const renew = () => {
    if (isKey) input.value = uuid7();
  };
  renew();
  return { name, place, input, isRequired, renew };
}

/** The body's field, with the examples to begin from. @param {HTMLElement} operation */
function bodyOf(operation) {
  const request = operation.querySelector(":scope > .request");
  if (!request) return null;
  const kinds = [...request.querySelectorAll(":scope > .media")].map((one) => /** @type {HTMLElement} */ (one).dataset["media"] ?? "");
  const examples = [...request.querySelectorAll(":scope > .example")].map((one) => ({
    media: /** @type {HTMLElement} */ (one).dataset["media"] ?? "",
    label: one.querySelector("figcaption")?.textContent ?? "",
    text: one.querySelector("pre")?.textContent ?? "",
  }));
  const area = /** @type {HTMLTextAreaElement} */ (h("textarea", { rows: 10, spellcheck: "false", autocomplete: "off" }));
  let media = examples[0]?.media ?? kinds[0] ?? "application/json";
  area.value = examples[0]?.text ?? "";
  const choices = [...examples, ...kinds.filter((kind) => !examples.some((one) => one.media === kind)).map((kind) => ({ media: kind, label: "", text: "" }))];
  const choice = /** @type {HTMLSelectElement} */ (
    h("select", ...choices.map(({ media, label }, at) => h("option", { value: at }, kinds.length > 1 ? `${media} ${label}` : label)))
  );
  choice.addEventListener("change", () => {
    const chosen = choices[Number(choice.value)];
    if (!chosen) return;
    media = chosen.media;
    area.value = chosen.text;
  });
  return {
    elements: [choices.length > 1 && h("label", "Begin from", choice), h("label", "Body", area)],
    text: () => area.value,
    media: () => media,
  };
}

/**
 * Where the request goes and with what headers.
 * @param {string} path @param {Field[]} fields
 */
function request(path, fields) {
  const query = new URLSearchParams();
  /** @type {Record<string, string>} */
  const headers = {};
  let filled = path;
  for (const { name, place, input } of fields) {
    const value = input.value.trim();
    if (place === "path") filled = filled.replace(`{${name}}`, encodeURIComponent(value));
    else if (!value) continue;
    else if (place === "query") query.append(name, value);
    else if (place === "header") headers[name] = value;
  }
  const asked = query.toString();
  return { url: asked ? `${filled}?${asked}` : filled, headers };
}

/** Sends it, and tells of the answer. @param {Asked} asked */
async function answered({ method, url, headers, body }) {
  const request = h("details", h("summary", "The same with curl"), h("pre", curl(method, url, headers, body)));
  try {
    const authorized = key ? { ...headers, Authorization: `Bearer ${key}` } : headers;
    const response = await fetch(url, { method, headers: authorized, body: body ?? null, cache: "no-store", credentials: "omit" });
    const bytes = await response.arrayBuffer();
    const isFinal = response.status < 500 && response.status !== 429;
    const told = TOLD.filter((name) => response.headers.has(name)).map((name) => `${name}: ${response.headers.get(name)}`);
    const head = told.length ? [h("pre", told.join("\n"))] : [];
    const elements = [...head, ...content(bytes, response.headers.get("content-type") ?? ""), request];
    return { status: `${response.status} ${response.statusText}`, elements, isFinal };
  } catch (error) {
    return { status: `There was no answer: ${error}`, elements: [request], isFinal: false };
  }
}

/** @param {ArrayBuffer} bytes @param {string} type */
function content(bytes, type) {
  if (!bytes.byteLength) return [h("p", "Without content.")];
  if (!/json|^text\/|svg/.test(type)) return [h("p", `${bytes.byteLength} bytes.`), saved(bytes, type)];
  let text = new TextDecoder().decode(bytes);
  /** @type {HTMLElement[]} */
  const more = [];
  try {
    const value = JSON.parse(text);
    text = JSON.stringify(value, null, 2);
    if (/^\/problems\/[a-z-]+$/.test(value?.type)) more.push(h("p", h("a", { href: value.type }, "What this problem means")));
  } catch {
    // It is shown as it came.
  }
  if (text.length > MOST_SHOWN) {
    more.push(h("p", `Only the beginning is shown, of ${bytes.byteLength} bytes.`), saved(bytes, type));
    text = text.slice(0, MOST_SHOWN);
  }
  return [...more, h("pre.body", { tabindex: 0, role: "region", "aria-label": "Content" }, text)];
}

/** @param {ArrayBuffer} bytes @param {string} type */
function saved(bytes, type) {
  const href = URL.createObjectURL(new Blob([bytes], { type }));
  return h("p", h("a", { href, download: "answer" }, "Save it"));
}

/** @param {string} text */
const quoted = (text) => `'${text.replaceAll("'", "'\\''")}'`;

/**
 * The request for a terminal, with the key left out.
 * @param {string} method @param {string} url @param {Record<string, string>} headers @param {string} [body]
 */
function curl(method, url, headers, body) {
  const parts = [`curl -sS -X ${method} ${quoted(location.origin + url)}`, '-H "Authorization: Bearer $KEY"'];
  for (const [name, value] of Object.entries(headers)) parts.push(`-H ${quoted(`${name}: ${value}`)}`);
  if (body) parts.push(`--data-raw ${quoted(body)}`);
  return parts.join(" \\\n  ");
}
