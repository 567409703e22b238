// The pure rules against figures from outside and against the same vectors as the program's; the texts; the vendored library.

import assert from "node:assert/strict";
import { readFileSync, readdirSync } from "node:fs";
import path from "node:path";
import { test } from "node:test";
import { bounded, judgeBath, waterToAdd, waterToReplace } from "../../src/web/rules/bath.js";
import { defaultProtocol, minutes, phase, protocolOf, roomFor, slowAfter, thawing } from "../../src/web/rules/thaw.js";
import { ROOT } from "./lib/service.js";

const read = (name) => readFileSync(path.join(ROOT, name), "utf8");
const close = (a, b, within, what) => assert.ok(Math.abs(a - b) <= within, `${what}: ${a}, not ${b}`);

test("the bath is mixed as the heat balance says, as near to IAPWS-95 as the program says", () => {
  // tests/reference/thaw_bath.json: IAPWS-95 by the library `iapws`, the same vectors as the program's own test.
  const { cases } = JSON.parse(read("tests/reference/thaw_bath.json"));
  assert.ok(cases.length >= 5);
  for (const { V_litre: volume, T0: bath, target: aim, T_added: water, ...litres } of cases) {
    const ml = volume * 1000;
    const add = waterToAdd(ml, bath, aim, water);
    const replace = waterToReplace(ml, bath, aim, water);
    close(add, litres.add_litre_simple * 1000, 1e-6, `add to ${bath}`);
    close(replace, litres.replace_litre_simple * 1000, 1e-6, `replace in ${bath}`);
    // What the exact amount would have brought, from the simple one: off by less than a farm's thermometer shows.
    const exact = litres.add_litre_IAPWS95 * 1000;
    const reached = (ml * bath + exact * water) / (ml + exact);
    const isUsual = bath >= 34 && bath <= 45 && water >= 4 && water <= 30;
    close(reached, aim, isUsual ? 0.1 : 0.7, `aim of ${bath}`);
  }
});

test("water that lies on the wrong side cannot help", () => {
  assert.equal(waterToAdd(1000, 38, 35.6, 36), null);
  assert.equal(waterToAdd(1000, 33, 35.6, 20), null);
  const judged = judgeBath(defaultProtocol("conventional", 0.25), 34, 1000, 12);
  assert.deepEqual([judged.verdict, judged.useless, judged.steps], ["too_cold", true, []]);
});

test("a bath is right from 35.0 to 37.0, ends included, and mended in two steps", () => {
  const protocol = defaultProtocol("conventional", 0.25);
  for (const c of [35.0, 35.6, 37.0]) assert.equal(judgeBath(protocol, c, 1000, 12).verdict, "right", String(c));
  for (const c of [34.9, 33]) assert.equal(judgeBath(protocol, c, 1000, 50).verdict, "too_cold", String(c));
  // Heat balance: 1000 ml x 2.8 / 20.6 = 135.9; after 68 ml (1000 x 38.4 + 68 x 15) / 1068 = 36.91 C, after 136 ml 35.60 C.
  const hot = judgeBath(protocol, 38.4, 1000, 15);
  assert.deepEqual(hot.steps, [{ action: "add", ml: 68, expect_c: 36.9 }, { action: "add", ml: 68, expect_c: 35.6 }]);
  assert.deepEqual([hot.add_ml, hot.replace_ml], [136, 120]);
  // More than the bath holds is replaced instead.
  assert.equal(judgeBath(protocol, 60, 1000, 20).steps[0].action, "replace");
});

test("no protocol makes a bath right that is judged harmful", () => {
  // 33.3 C: US trade press; 38 C: Animals 2022, 12(18):2330.
  const old = { min_c: 30, max_c: 40, aim_c: 32, min_s: 30, use_within_s: 900 };
  assert.equal(bounded(old).aim_c, 33.3);
  for (const [c, isRight] of [[33.29, false], [33.3, true], [38, true], [38.01, false]]) {
    assert.equal(judgeBath(old, c, 1000, 15).verdict === "right", isRight, String(c));
  }
});

test("the clock of a straw runs from the tank", () => {
  // At least 30 s in 0.25 ml: common practice, no source; else 45 s: Nebel, Virginia Cooperative Extension, 1997. Use within
  // 15 min: Dalton, Univ. Idaho (10-15 min); 5 min sexed: trade guidance.
  for (const [type, ml, minS, within] of [["conventional", 0.25, 30, 900], ["conventional", 0.5, 45, 900], ["conventional", null, 45, 900], ["sexed_female", 0.25, 45, 300]]) {
    const protocol = defaultProtocol(type, ml);
    assert.deepEqual([protocol.min_s, protocol.use_within_s], [minS, within], `${type} ${ml}`);
  }
  const clock = thawing(defaultProtocol("conventional", 0.25), 1_000_000, 1_006_000);
  assert.deepEqual(clock, { ready_at: 1_036_000, use_by_at: 1_900_000 });
  const straw = { bath_at: 1_006_000, ...clock };
  const at = (now) => phase(straw, now);
  assert.deepEqual([at(1_035_999), at(1_036_000), at(1_900_000), at(1_900_001)], ["wait", "use", "use", "late"]);
  assert.equal(phase({ bath_at: null, ready_at: null, use_by_at: null }, 0), "out");
  assert.deepEqual([minutes(684_000), minutes(20_001), minutes(-5)], ["11:24", "0:21", "0:00"]);
  assert.deepEqual([slowAfter(0.25), slowAfter(0.5), slowAfter(null)], [15, 25, 15]);
});

test("a lot's own instruction goes before the herd's, and that before the default", () => {
  const own = { min_c: 36.5, max_c: 37.5, aim_c: 37, min_s: 40, use_within_s: 600 };
  assert.equal(protocolOf({ semen_type: "conventional", thaw: own }, { thaw: null }), own);
  assert.equal(protocolOf({ semen_type: "conventional", thaw: null }, { thaw: own }), own);
  assert.equal(protocolOf({ semen_type: "sexed_female" }, undefined).use_within_s, 300);
});

test("sexed straws one at a time, never more than ten, no more than cool the bath by 1 K", () => {
  // One at a time: Statham, veterinary DIY-AI guidance; ten: Dalton, Univ. Idaho; 245 and 449 J a straw: handbook physics.
  const thin = { semen_type: "conventional", straw_ml: 0.25 };
  assert.equal(roomFor("conventional", 0.25, 1000, []), 10);
  assert.equal(roomFor("conventional", 0.25, 1000, [thin]), 9);
  assert.equal(roomFor("conventional", 0.5, 1000, []), 9);
  assert.equal(roomFor("sexed_female", 0.25, 1000, []), 1);
  assert.equal(roomFor("sexed_female", 0.25, 1000, [thin]), 0);
  assert.equal(roomFor("conventional", 0.25, 1000, [{ semen_type: "sexed_male", straw_ml: 0.25 }]), 0);
});

test("acts are sent by order; what may be undone holds up all, a question or a refusal its own case", async () => {
  const { pick } = await import("../../src/web/sender.js");
  const at = 1_000_000;
  let n = 0;
  const entry = (caseId, more = {}) => ({ n: ++n, case_id: caseId, state: "waiting", hold_until: 0, business_id: null, ...more });
  const first = (...entries) => pick(entries, at, "b").entry?.n ?? null;
  const [a, b] = [entry("one"), entry("two")];
  assert.equal(first(a, b), a.n);
  assert.equal(first({ ...a, hold_until: at + 5000 }, b), null, "within the ten seconds");
  assert.equal(pick([{ ...a, hold_until: at + 5000 }, b], at, "b").next_at, at + 5000);
  assert.equal(first({ ...a, hold_until: at + 3_600_000 }, b), a.n, "a clock that was put back holds nothing up");
  assert.equal(first({ ...a, state: "asked", hold_until: at + 60_000 }, entry("one"), b), b.n);
  assert.equal(first({ ...a, state: "refused" }, entry("one"), b), b.n);
  assert.equal(first({ ...a, state: "replaced" }, b), b.n);
  assert.equal(first({ ...a, state: "sending" }, b), a.n, "what a killed page was sending is sent again");
  assert.equal(first({ ...a, business_id: "another" }, b), b.n, "acts of another book wait for its key");
});

test("an instant near by is told by its weekday, for the card has room for no more", async () => {
  const { soon } = await import("../../src/web/texts.js");
  // 28 November 2026 is a Saturday; daylight saving of Vienna ended on 25 October: one hour ahead of UTC.
  const now = Date.parse("2026-11-28T16:46:00Z");
  const at = (text) => soon(text, now, "Europe/Vienna");
  assert.equal(at("2026-11-28T22:59:00Z"), "23:59");
  assert.equal(at("2026-11-28T23:00:00Z"), "Sun 00:00");
  assert.equal(at("2026-11-27T22:00:00Z"), "Fri 23:00");
  assert.equal(at("2026-12-04T16:45:00Z"), "Fri 17:45");
  assert.equal(at("2026-12-05T16:46:00Z"), "Sat 5 Dec 17:46");
});

test("both languages have every text, with the same placeholders, and every text is used", async () => {
  const { TEXTS } = await import("../../src/web/texts.js");
  const sources = sourcesOf(path.join(ROOT, "src/web")).join("\n");
  const holders = (text) => [...text.matchAll(/\{(\w+)\}/g)].map(([, name]) => name).sort();
  for (const [key, texts] of Object.entries(TEXTS)) {
    assert.equal(texts.length, 2, key);
    assert.ok(texts.every((text) => text.trim() === text && text !== ""), key);
    assert.deepEqual(holders(texts[0]), holders(texts[1]), key);
    // Some keys end in a word of the service: `against_animal_pregnant`.
    const stem = /^(against|act|how|role|theme|condition|frost|live)_/.exec(key)?.[0];
    const isNamed = sources.includes(`"${key}"`) || (stem && sources.includes(`${stem}\${`)) || /^(conventional|sexed_|heifer|cow|return_to_heat|pregnancy_check|recheck|calving|first_service|WAIT|USE|LATE|OUT)/.test(key);
    assert.ok(isNamed, `${key} is used nowhere`);
  }
  for (const [, key] of sources.matchAll(/\bt\("(\w+)"/g)) assert.ok(key in TEXTS, `${key} has no text`);
});

function sourcesOf(folder) {
  return readdirSync(folder, { withFileTypes: true }).flatMap((entry) => {
    const at = path.join(folder, entry.name);
    if (entry.isDirectory()) return entry.name === "vendor" ? [] : sourcesOf(at);
    return entry.name.endsWith(".js") ? [readFileSync(at, "utf8")] : [];
  });
}

test("the vendored library is the published one", () => {
  const [comment, ...rest] = read("src/web/vendor/idb.js").split("\n");
  const { version } = JSON.parse(read("tests/page/node_modules/idb/package.json"));
  assert.ok(comment.includes(`idb ${version}`), comment);
  assert.equal(rest.join("\n"), read("tests/page/node_modules/idb/build/index.js"));
  assert.ok(read("src/web/vendor/LICENSE").includes(read("tests/page/node_modules/idb/LICENSE").trim()));
});
