// The documentation in a browser: it reads without scripts, is found by its search, opens where it is led to, and an operation is
// tried in place under a key that stays in the tab; at three widths and in both themes, and with nothing from elsewhere.

import assert from "node:assert/strict";
import { mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { after, before, describe, test } from "node:test";
import { launch, reads, seen, until } from "./lib/browser.js";
import { ROOT, Service } from "./lib/service.js";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PICTURES = path.join(ROOT, "target/page");
const PHONE = { width: 390, height: 844 };
const WIDE = { width: 1280, height: 900 };

let browser;
let service;
let api;
before(async () => {
  mkdirSync(PICTURES, { recursive: true });
  browser = await launch();
  service = await new Service().start();
  api = await (await fetch(`${service.base}/openapi.json`)).json();
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

/** Every operation with its path. */
const operations = () => Object.entries(api.paths).flatMap(([where, item]) => Object.entries(item).filter(([, one]) => one.operationId).map(([method, one]) => ({ where, method, ...one })));

/** The documentation in a browser of its own; what is asked for and what the policy refuses is kept. */
async function docs(t, { hash = "", ...options } = {}) {
  const context = await browser.newContext({ viewport: WIDE, locale: "en-GB", ...options });
  t.after(() => context.close());
  const page = await context.newPage();
  const [reports, asked] = [[], []];
  if (options.javaScriptEnabled !== false) {
    await page.exposeFunction("report", (text) => reports.push(text));
    await page.addInitScript(() => addEventListener("securitypolicyviolation", (event) => report(`${event.violatedDirective} ${event.blockedURI} ${event.sample}`)));
    await page.addInitScript(AXE);
  }
  page.on("console", (message) => {
    if (/Content Security Policy|Trusted/.test(message.text())) reports.push(message.text());
  });
  page.on("pageerror", (error) => reports.push(String(error)));
  page.on("request", (request) => asked.push(request.url()));
  await page.goto(`${service.base}/docs${hash}`);
  if (options.javaScriptEnabled !== false) await seen(page, ".search input");
  return { context, page, reports, asked };
}

const fetchedElsewhere = (asked) => asked.filter((url) => !url.startsWith(`${service.base}/`));

/** What axe finds serious or worse under WCAG 2.2, A and AA. */
const seriousFor = (page) =>
  page.evaluate(async () => {
    const { violations } = await axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"], resultTypes: ["violations"] });
    return violations.filter(({ impact }) => ["serious", "critical"].includes(impact)).map(({ id, nodes }) => `axe ${id}: ${nodes.map((node) => node.html).join(" ").slice(0, 300)}`);
  });

const sideways = (page) => page.evaluate(() => {
  const root = document.documentElement;
  if (root.scrollWidth <= innerWidth) return [];
  return [`${root.scrollWidth} px`, ...[...document.querySelectorAll("body *")].filter((one) => one.getBoundingClientRect().right > innerWidth + 1).slice(-3).map((one) => one.outerHTML.slice(0, 200))];
});

const openAll = (page) => page.evaluate(() => document.querySelectorAll("details").forEach((one) => (one.open = true)));

const tryOut = async (page, id) => {
  const entry = page.locator(`[id="${id}"]`);
  await entry.locator(":scope > .try > summary").click();
  await entry.locator(".try form").waitFor();
  return entry;
};

describe("the look", { concurrency: 2 }, () => {
  for (const colorScheme of ["light", "dark"]) {
    test(`nothing serious and nothing to scroll sideways, ${colorScheme}`, async (t) => {
      const { page, reports } = await docs(t, { colorScheme, hash: "#create_withdrawal" });
      const background = await page.evaluate(() => getComputedStyle(document.body).backgroundColor);
      assert.equal(background, colorScheme === "light" ? "rgb(255, 255, 255)" : "rgb(13, 11, 8)");
      const entry = await tryOut(page, "create_withdrawal");
      await entry.getByRole("button", { name: "Send" }).click();
      await seen(page, "#create_withdrawal .answer pre.body");
      await entry.locator(".not-done > summary").click();
      await page.locator(".search input").fill("withdraw");
      for (const size of [WIDE, PHONE]) {
        await page.setViewportSize(size);
        const picture = (name) => page.screenshot({ path: path.join(PICTURES, `docs-${colorScheme}-${size.width}-${name}.png`) });
        for (const part of ["Search", "Try it here", "401 Unauthorized", "Parameters", "Body", "Answer"]) {
          await (part === "Search" ? page : entry).getByText(part, { exact: true }).first().evaluate((one) => one.scrollIntoView());
          await picture(part.replaceAll(" ", "-"));
        }
        for (const hash of ["#start", "#list_animals", "#get_nitrogen_status", "#schema-Withdrawal", "#problems"]) {
          await page.evaluate((to) => (location.hash = to), hash);
          await picture(hash.slice(1));
        }
      }
      // All of it at its widest words.
      await openAll(page);
      for (const width of [1280, 390, 320]) {
        await page.setViewportSize({ width, height: 844 });
        assert.deepEqual(await sideways(page), [], `at ${width}`);
      }
      // All entries are made alike: axe looks at some of each kind, with everything in them open.
      const left = await page.evaluate(() => {
        const kept = (one, n) => n % 12 === 0 || ["create_withdrawal", "list_animals", "get_nitrogen_status", "schema-Withdrawal"].includes(one.id);
        [...document.querySelectorAll(".entry")].forEach((one, n) => kept(one, n) || one.remove());
        return ["operation", "webhook", "schema"].map((kind) => document.querySelectorAll(`.entry.${kind}`).length);
      });
      assert.ok(left.every((count) => count >= 4), left.join());
      for (const size of [WIDE, PHONE]) {
        await page.setViewportSize(size);
        assert.deepEqual(await seriousFor(page), [], `at ${size.width}`);
      }
      assert.deepEqual(reports, []);
    });
  }

  test("the problems' pages", async (t) => {
    const { page } = await docs(t, { viewport: PHONE });
    for (const where of ["/problems", "/problems/choice-rule"]) {
      await page.goto(service.base + where);
      assert.deepEqual(await seriousFor(page), []);
      assert.deepEqual(await sideways(page), []);
      await page.screenshot({ path: path.join(PICTURES, `docs-light-390${where.replaceAll("/", "-")}.png`) });
    }
  });
});

test("without scripts all of it is there", async (t) => {
  const { page, asked } = await docs(t, { javaScriptEnabled: false, viewport: PHONE });
  assert.deepEqual(fetchedElsewhere(asked), []);
  assert.equal(await page.locator(".search, .try").count(), 0, "nothing that does nothing");
  const all = operations();
  assert.ok(all.length > 100);
  const entries = await page.locator("details.entry").evaluateAll((found) => found.map(({ id, firstElementChild }) => [id, firstElementChild.textContent]));
  const heads = new Map(entries);
  const links = new Set(await page.locator("nav a").evaluateAll((found) => found.map((one) => one.getAttribute("href"))));
  for (const { operationId, summary, where, method } of all) {
    const text = heads.get(operationId) ?? "";
    assert.ok(text.includes(`${method.toUpperCase()} ${where}`) && text.includes(summary.replaceAll("`", "")), `${operationId}: ${text}`);
    assert.ok(links.has(`#${operationId}`), `${operationId} is among the contents`);
  }
  for (const name of Object.keys(api.components.schemas)) assert.ok(heads.has(`schema-${name}`), name);
  // A click opens an entry, as it does everywhere without scripts.
  const entry = page.locator("#create_withdrawal");
  await entry.locator(":scope > summary").click();
  for (const words of ["bath_temp_c", "degrees Celsius", "lot_id", "Idempotency-Key", "choice-rule"]) assert.ok((await entry.textContent()).includes(words), words);
  await entry.getByText("animal_id", { exact: true }).first().waitFor();
  assert.ok((await entry.locator(".example").count()) >= 2, "a request and an answer");
  // What is on a page of a list is told, and what is within that.
  const list = await page.locator("#list_animals").textContent();
  for (const words of ["items", "next_cursor", "born_on", "identifiers"]) assert.ok(list.includes(words), words);
  // Led to, an entry shows what it holds.
  await page.goto(`${service.base}/docs#list_herds`);
  await page.reload();
  // What is led to is shown.
  await page.locator("#list_herds h4").first().waitFor();
});

test("the search finds operations, members, schemas and problems", async (t) => {
  const { page } = await docs(t);
  await page.keyboard.press("/");
  const input = page.locator(".search input");
  await until(() => input.evaluate((one) => one === document.activeElement), "a stroke leads to the search");
  const found = async (words) => {
    await input.fill(words);
    return page.locator(".search li a").evaluateAll((all) => all.map((one) => one.getAttribute("href")));
  };
  assert.equal((await found("withdraw a straw"))[0], "#create_withdrawal");
  assert.equal((await found("post /v1/herds"))[0], "#create_herd");
  assert.ok((await found("static_loss_l_per_day")).includes("#schema-Tank"));
  assert.ok((await found("choice-rule")).includes("#problem-choice-rule"));
  assert.deepEqual(await found("no such words zyx"), []);
  await reads(page, ".search [role=status]", /^0 found/);
  await input.fill("withdraw a straw");
  await input.press("Enter");
  await until(async () => (await page.evaluate(() => location.hash)) === "#create_withdrawal", "the first is gone to");
  await page.locator("#create_withdrawal h4").first().waitFor();
  await until(async () => (await page.locator(".search li").count()) === 0, "the list is gone");
});

test("a deep link lands on what it names, and opens it", async (t) => {
  for (const [hash, words] of [["#create_withdrawal", "Parameters"], ["#schema-Withdrawal", "bath_temp_c"], ["#webhook-straw.withdrawn", "webhook-id"]]) {
    const { page, context } = await docs(t, { hash });
    const entry = page.locator(`[id="${hash.slice(1)}"]`);
    await until(() => entry.evaluate((one) => one.open), `${hash} is open`);
    await entry.getByText(words).first().waitFor();
    await until(async () => Math.abs((await entry.boundingBox()).y) < 60, `${hash} at the top`);
    await context.close();
  }
  const { page } = await docs(t, { hash: "#%zz" });
  await page.locator('#create_herd >> summary >> nth=0').click();
  // From a member to its schema, and on to a problem's page.
  await page.locator('#create_herd a[href^="#schema-"]').first().click();
  await until(() => page.evaluate(() => document.getElementById(decodeURIComponent(location.hash.slice(1)))?.open === true), "the schema opened");
  await page.evaluate(() => (location.hash = "#create_withdrawal"));
  await page.locator("#create_withdrawal .not-done > summary").click();
  await page.locator('#create_withdrawal .not-done a[href="/problems/choice-rule"]').click();
  await seen(page, "h1");
  await reads(page, "h1", /choice rule/);
});

test("an operation is tried in place, with a key that stays in the tab", async (t) => {
  const { page, context, asked, reports } = await docs(t, { viewport: PHONE, hash: "#create_herd" });
  const entry = await tryOut(page, "create_herd");
  const status = entry.locator(".try [role=status]");
  const send = () => entry.getByRole("button", { name: "Send" }).click();
  await entry.locator(".try textarea").fill(JSON.stringify({ name: "Tried Meadow", time_zone: "UTC" }));
  // Without a key the service says so, and where that is explained.
  await send();
  await until(async () => (await status.textContent()).startsWith("401"), "no key");
  assert.equal(await entry.locator('.answer a[href="/problems/key-missing"]').count(), 1);
  await entry.locator("[data-key]").fill(service.manager);
  await send();
  await until(async () => (await status.textContent()).startsWith("201"), "the herd is made");
  const made = JSON.parse(await entry.locator(".answer pre.body").textContent());
  assert.equal(made.name, "Tried Meadow");
  assert.equal((await service.get(`/v1/herds/${made.id}`)).name, "Tried Meadow");
  await reads(entry, ".answer", /etag: "/);
  const curl = await entry.locator(".answer details pre").textContent();
  assert.ok(curl.includes("Bearer $KEY") && curl.includes("/v1/herds") && !curl.includes("tks_"), curl);
  await status.evaluate((one) => one.scrollIntoView());
  await page.screenshot({ path: path.join(PICTURES, "docs-light-390-tried.png") });
  assert.deepEqual(await sideways(page), []);

  // Of a path and a query, with the same key.
  await page.evaluate(() => (location.hash = "#get_herd"));
  const one = await tryOut(page, "get_herd");
  await one.locator(".fields input").first().fill(made.id);
  await one.getByRole("button", { name: "Send" }).click();
  await until(async () => (await one.locator("[role=status]").textContent()).startsWith("200"), "the herd is read");
  assert.equal(JSON.parse(await one.locator(".answer pre.body").textContent()).id, made.id);
  await page.evaluate(() => (location.hash = "#list_herds"));
  const list = await tryOut(page, "list_herds");
  await list.locator("label", { hasText: "limit" }).locator("input").fill("1");
  await list.getByRole("button", { name: "Send" }).click();
  await until(async () => (await list.locator("[role=status]").textContent()).startsWith("200"), "the herds are read");
  assert.ok(asked.includes(`${service.base}/v1/herds?limit=1`));

  // It outlives a look at the page anew, and neither the address nor what outlives the tab holds it.
  await page.reload();
  await tryOut(page, "list_herds");
  assert.equal(await page.locator("#list_herds [data-key]").inputValue(), service.manager);
  const kept = await page.evaluate(async () => ({ address: location.href, local: JSON.stringify(localStorage), cookie: document.cookie, bases: (await indexedDB.databases()).length, caches: (await caches.keys()).length }));
  assert.deepEqual(kept, { address: `${service.base}/docs#list_herds`, local: "{}", cookie: "", bases: 0, caches: 0 });
  assert.ok(!asked.some((url) => url.includes("tks_")));
  const other = await context.newPage();
  await other.goto(`${service.base}/docs#list_herds`);
  await tryOut(other, "list_herds");
  assert.equal(await other.locator("#list_herds [data-key]").inputValue(), "");
  assert.equal(await other.evaluate(() => sessionStorage.length), 0);
  // Forgotten here, it is gone here.
  await page.locator("#list_herds").getByRole("button", { name: "Forget it" }).click();
  assert.equal(await page.evaluate(() => sessionStorage.length), 0);

  assert.deepEqual(fetchedElsewhere(asked), []);
  assert.deepEqual(reports, []);
});

test("what is no text is told by its size and can be kept", async (t) => {
  const tank = await service.post("/v1/tanks", { name: "Tried", canisters: 6 });
  const { page, reports } = await docs(t);
  const id = operations().find(({ where, method }) => where === "/v1/tanks/{id}/nitrogen.png" && method === "get").operationId;
  await page.evaluate((hash) => (location.hash = hash), `#${id}`);
  const entry = await tryOut(page, id);
  await entry.locator("[data-key]").fill(service.manager);
  await entry.locator(".fields input").first().fill(tank.id);
  await entry.getByRole("button", { name: "Send" }).click();
  await until(async () => (await entry.locator("[role=status]").textContent()).startsWith("200"), "the picture came");
  const [download] = await Promise.all([page.waitForEvent("download"), entry.getByText("Save it").click()]);
  assert.deepEqual([...readFileSync(await download.path()).subarray(1, 4)], [...Buffer.from("PNG")]);
  assert.deepEqual(reports, []);
});
