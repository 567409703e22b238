#!/usr/bin/env node
/**
 * A technician's script in JavaScript, with its types in comments: one straw's way, from a delivery to a service.
 *
 *     delivery -> heat -> next-service -> bath -> withdrawal -> thaw -> service
 *
 *     TANKSIDE_URL=http://127.0.0.1:8080 TANKSIDE_KEY=tks_... node demo/round.mjs
 *
 * Every act is written to a queue file with its Idempotency-Key BEFORE it is sent, and stays there until it was answered.
 * TANKSIDE_QUEUE=FILE keeps the file: killed at whatever moment and run again with the same file, the script goes on where it
 * was, and does nothing twice.
 *
 * The key must be a manager's, because the script enters a small invented farm; the round itself needs no more than a
 * technician's. Node.js 20 or newer, nothing else. Ends with status 0 only if all came out as it must.
 *
 * Nitrogen burns, and its gas displaces air: gloves, face shield, open doors. Local codes go before this.
 */

import { randomUUID } from "node:crypto";
import { closeSync, existsSync, fsyncSync, mkdtempSync, openSync, readFileSync, renameSync, rmSync, writeSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { setTimeout as pause } from "node:timers/promises";

/**
 * What the service answered; only what this script reads is named.
 * @typedef {{ status: number, replayed: boolean, body: any }} Answer
 *
 * An act in the queue. `@herd` in its path or body stands for the id in the answer to the act named herd.
 * @typedef {{ name: string, key: string, path: string, body: Record<string, unknown>, answer: Answer | null }} Act
 */

const MOST_ATTEMPTS = 6;
const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 30_000;
const DELIVERED = 5;

/** Something came out otherwise than it must. */
class Otherwise extends Error {}

/**
 * @param {unknown} condition
 * @param {string} text
 * @returns {asserts condition}
 */
function must(condition, text) {
  if (!condition) throw new Otherwise(text);
}

/**
 * @param {string} name
 * @returns {string}
 */
function environment(name) {
  const value = process.env[name];
  must(value, `set TANKSIDE_URL and TANKSIDE_KEY; see the beginning of this file (${name} is not set)`);
  return value;
}

const url = environment("TANKSIDE_URL").replace(/\/$/, "");
const key = environment("TANKSIDE_KEY");

/**
 * Sends, and sends again under the same key while what went wrong may pass: no answer, 408, 429, 502, 503, 504, and 409 with
 * Retry-After. Any other refusal is an answer: asking again changes nothing.
 * @param {string} path
 * @param {{ key: string, body: unknown }} [act]
 * @returns {Promise<Answer>}
 */
async function send(path, act) {
  let trouble = "";
  for (let attempt = 0; attempt < MOST_ATTEMPTS; attempt += 1) {
    let wait = Math.min(FIRST_WAIT_MS * 2 ** attempt, LONGEST_WAIT_MS) * (0.75 + Math.random() / 2);
    try {
      /** @type {Record<string, string>} */
      const headers = { authorization: `Bearer ${key}` };
      /** @type {RequestInit} */
      const options = { headers, signal: AbortSignal.timeout(35_000) };
      if (act) {
        headers["content-type"] = "application/json";
        headers["idempotency-key"] = act.key;
        options.method = "POST";
        options.body = JSON.stringify(act.body);
      }
      const response = await fetch(url + path, options);
      const after = response.headers.get("retry-after");
      const mayPass = [408, 429, 502, 503, 504].includes(response.status) || (response.status === 409 && after !== null);
      if (!mayPass) {
        const replayed = response.headers.get("idempotent-replayed") === "true";
        return { status: response.status, replayed, body: await response.json() };
      }
      trouble = `status ${response.status}`;
      wait = Math.max(wait, Number(after ?? 0) * 1000);
    } catch (error) {
      // Nobody knows now whether it was done. The key knows.
      trouble = String(error);
    }
    console.log(`   ${path}: ${trouble}`);
    if (attempt + 1 < MOST_ATTEMPTS) await pause(wait);
  }
  throw new Otherwise(`${path}: given up for now (${trouble})`);
}

/**
 * @param {string} path
 * @returns {Promise<any>}
 */
async function get(path) {
  const answer = await send(path);
  must(answer.status === 200, `${path}: ${answer.status} ${answer.body.detail}`);
  return answer.body;
}

/** Acts in a file, each with its key, until they were answered. */
class Queue {
  /** @type {Act[]} */
  acts = [];

  /** @param {string} file */
  constructor(file) {
    this.file = file;
    if (existsSync(file)) this.acts = JSON.parse(readFileSync(file, "utf8"));
  }

  /** Writes the whole file anew and puts it in the old one's place, so that a crash leaves one of the two. */
  save() {
    const fresh = `${this.file}.new`;
    const written = openSync(fresh, "w", 0o600);
    writeSync(written, JSON.stringify(this.acts, null, 1));
    fsyncSync(written);
    closeSync(written);
    renameSync(fresh, this.file);
    // The new name is on the disk only when its folder is.
    const folder = openSync(dirname(this.file), "r");
    fsyncSync(folder);
    closeSync(folder);
  }

  /** @param {string} name */
  find(name) {
    return this.acts.find((act) => act.name === name);
  }

  /**
   * The id in the answer to an act.
   * @param {string} name
   * @returns {string}
   */
  id(name) {
    const answer = this.find(name)?.answer;
    must(answer, `${name} was not answered yet`);
    return answer.body.id;
  }

  /**
   * Ids in place of the names that stand for them.
   * @param {string} text
   */
  filled(text) {
    return text.replace(/@([a-z]+)/g, (_, name) => this.id(name));
  }

  /**
   * Writes an act down unless it was before, sends it unless it was answered, and gives the answer.
   * @param {string} name
   * @param {string} path
   * @param {Record<string, unknown>} body
   */
  async post(name, path, body) {
    let act = this.find(name);
    if (!act) {
      act = { name, key: randomUUID(), path, body, answer: null };
      this.acts.push(act);
      this.save();
    }
    if (!act.answer) {
      const filled = JSON.parse(this.filled(JSON.stringify(act.body)));
      const answer = await send(this.filled(act.path), { key: act.key, body: filled });
      must(answer.status < 400, `${name} was refused: ${answer.status} ${answer.body.detail}`);
      act.answer = answer;
      this.save();
    }
    return act.answer.body;
  }
}

/** @param {number} seconds */
function ago(seconds) {
  return new Date(Date.now() - seconds * 1000).toISOString();
}

/** @param {Queue} queue */
async function enterFarm(queue) {
  await queue.post("herd", "/v1/herds", { name: "Script Farm (invented)", time_zone: "Europe/Lisbon" });
  await queue.post("tank", "/v1/tanks", { name: "Script tank", herd_id: "@herd", canisters: 6 });
  await queue.post("sire", "/v1/sires", { name: "Made-up Hawthorn", breed: "HOL" });
  await queue.post("lot", "/v1/lots", { sire_id: "@sire", semen_type: "sexed_female", straw_ml: 0.25 });
  await queue.post("heifer", "/v1/animals", { herd_id: "@herd", number: "1" });
  const place = { tank_id: "@tank", canister: 3, cane: "B", goblet: "upper" };
  const receipt = await queue.post("delivery", "/v1/receipts", { lot_id: "@lot", place, straws: DELIVERED });
  must(receipt.straws_at_place === DELIVERED, `${DELIVERED} straws should hang there`);
  // Sexed semen is used 14 to 24 h after standing heat.
  await queue.post("heat", "/v1/heats", { animal_id: "@heifer", standing_at: ago(20 * 3600) });
}

/**
 * Before the plug comes off: what her service calls for, where the straw hangs, and whether the bath is right.
 * @param {Queue} queue
 */
async function beforeTheStraw(queue) {
  const next = await get(queue.filled("/v1/animals/@heifer/next-service"));
  console.log(`Next service: ${next.rule.text}`);
  must(next.service_number === 1, "it should be her first service");
  // Beside others where the service has more tanks than this.
  const straw = next.candidates.find((/** @type {any} */ candidate) => candidate.lot.id === queue.id("lot"));
  must(straw, "the straw just delivered should be offered");
  const { canister, cane, goblet } = straw.place;
  console.log(`   ${straw.tank_name}, canister ${canister}, cane ${cane}, ${goblet} goblet`);
  const bath = await get(queue.filled("/v1/thaw-advice?bath_temp_c=35.6&bath_volume_ml=1000&lot_id=@lot&technician=Mira"));
  console.log(`   bath: ${bath.text}`);
  must(bath.verdict === "right", `mend the bath first: ${bath.text}`);
}

/** @param {string} file */
async function round(file) {
  const queue = new Queue(file);
  if (queue.acts.length > 0) console.log("Taken up where it was left");
  console.log("A small invented farm, a delivery, a heat");
  await enterFarm(queue);
  // Once the straw was lifted, her next service would be another one.
  if (!queue.find("withdrawal")) await beforeTheStraw(queue);

  const technician = "Mira";
  const lifted = { animal_id: "@heifer", lot_id: "@lot", withdrawn_at: ago(600), technician };
  const straw = await queue.post("withdrawal", "/v1/withdrawals", lifted);
  // As if the answer had been lost: the same act again takes no second straw.
  const act = queue.find("withdrawal");
  must(act, "the withdrawal should be in the queue");
  const again = await send(act.path, { key: act.key, body: JSON.parse(queue.filled(JSON.stringify(act.body))) });
  must(again.replayed && again.body.id === straw.id, "the same act should give the same straw, marked Idempotent-Replayed");
  // Seconds to the bath, minutes to the use: counted from when it was lifted.
  const since = (/** @type {number} */ seconds) => new Date(Date.parse(straw.withdrawn_at) + seconds * 1000).toISOString();
  const thaw = await queue.post("thaw", "/v1/withdrawals/@withdrawal/thaw", { bath_temp_c: 35.6, started_at: since(9) });
  console.log(`   ready at ${thaw.ready_at}, use by ${thaw.use_by}`);
  const served = { withdrawal_id: "@withdrawal", served_at: since(180), technician };
  const service = await queue.post("service", "/v1/services", served);
  must(service.deviations.length === 0, `a deviation: ${JSON.stringify(service.deviations)}`);
  console.log(`   service ${service.service_number} on record; due on ${service.due.due_on}`);

  const stock = await get(queue.filled("/v1/stock?lot_id=@lot"));
  must(stock.total_straws === DELIVERED - 1, `${DELIVERED - 1} straws should be left, not ${stock.total_straws}`);
  console.log(`${DELIVERED - 1} straws are left, as it must be.`);
}

const folder = process.env.TANKSIDE_QUEUE ? null : mkdtempSync(join(tmpdir(), "tankside-round-"));
try {
  await round(process.env.TANKSIDE_QUEUE ?? join(folder ?? ".", "queue.json"));
} catch (error) {
  if (!(error instanceof Otherwise)) throw error;
  console.error(`OTHERWISE: ${error.message}`);
  process.exitCode = 1;
} finally {
  if (folder) rmSync(folder, { recursive: true });
}
