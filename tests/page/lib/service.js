// The real program on a book of its own, and a wire before it that can be cut.

import { spawn, spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import http from "node:http";
import { tmpdir } from "node:os";
import path from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";

export const ROOT = path.resolve(fileURLToPath(import.meta.url), "../../../..");
export const PROGRAM = process.env.TANKSIDE_PROGRAM ?? path.join(ROOT, "target/debug/tankside");

/** `tankside serve` on a fresh SQLite book. */
export class Service {
  constructor() {
    this.folder = mkdtempSync(path.join(tmpdir(), "tankside-page-"));
    this.url = `sqlite://${this.folder}/tankside.db`;
    this.child = null;
    this.base = "";
    this.manager = "";
  }

  async start() {
    const child = spawn(PROGRAM, ["serve", "--listen", "127.0.0.1:0", "--database-url", this.url], {
      stdio: ["ignore", "pipe", "pipe"],
      env: { ...process.env, TANKSIDE_LOG: "warn" },
    });
    this.child = child;
    let log = "";
    child.stderr.on("data", (text) => (log = (log + text).slice(-4000)));
    const line = await new Promise((resolve, reject) => {
      createInterface({ input: child.stdout }).once("line", resolve);
      child.once("exit", (status) => reject(new Error(`the program ended with ${status}: ${log}`)));
    });
    const ready = JSON.parse(line);
    this.base = ready.listening;
    this.manager ||= ready.first_key;
    return this;
  }

  async kill() {
    if (!this.child || this.child.exitCode !== null) return;
    const ended = new Promise((resolve) => this.child.once("exit", resolve));
    this.child.kill("SIGKILL");
    await ended;
    this.child = null;
  }

  run(...args) {
    const done = spawnSync(PROGRAM, [...args, "--database-url", this.url], { encoding: "utf8", env: { ...process.env, TANKSIDE_LOG: "warn" } });
    return { status: done.status, text: `${done.stdout}${done.stderr}` };
  }

  key(name, role) {
    const { status, text } = this.run("key", "create", "--name", name, "--role", role);
    const key = /tks_\S+/.exec(text)?.[0];
    if (status !== 0 || !key) throw new Error(text);
    return key;
  }

  /** The book adds up. */
  verify() {
    return this.run("verify");
  }

  async stop() {
    await this.kill();
    rmSync(this.folder, { recursive: true, force: true });
  }

  async get(where, key = this.manager) {
    const response = await fetch(this.base + where, { headers: { authorization: `Bearer ${key}` } });
    if (!response.ok) throw new Error(`GET ${where}: ${response.status} ${await response.text()}`);
    return response.json();
  }

  async post(where, body, key = this.manager) {
    const response = await fetch(this.base + where, {
      method: "POST",
      headers: { authorization: `Bearer ${key}`, "content-type": "application/json", "idempotency-key": crypto.randomUUID() },
      body: JSON.stringify(body),
    });
    const text = await response.text();
    if (!response.ok) throw new Error(`POST ${where}: ${response.status} ${text}`);
    return text ? JSON.parse(text) : null;
  }
}

/** What lies between the phone and the program: it can be cut, and can lose an answer after the program has done the act. */
export class Wire {
  /** @param {Service} service */
  constructor(service) {
    this.service = service;
    this.isCut = false;
    /** Acts are turned away as by a service that is starting; everything else passes. */
    this.isBusy = false;
    this.loseEvery = false;
    this.lost = new Set();
    this.onLost = null;
    /** Every act that reached the program: its key, path and status. */
    this.acts = [];
    this.requests = [];
    this.files = new Map();
    this.server = http.createServer((request, response) => void this.pass(request, response));
    this.sockets = new Set();
    this.server.on("connection", (socket) => {
      if (this.isCut) return socket.destroy();
      this.sockets.add(socket);
      socket.on("close", () => this.sockets.delete(socket));
    });
  }

  async start() {
    await new Promise((resolve) => this.server.listen(0, "127.0.0.1", resolve));
    this.base = `http://127.0.0.1:${this.server.address().port}`;
    return this;
  }

  cut() {
    this.isCut = true;
    for (const socket of this.sockets) socket.destroy();
  }

  mend() {
    this.isCut = false;
  }

  async stop() {
    this.cut();
    await new Promise((resolve) => this.server.close(resolve));
  }

  async pass(request, response) {
    const chunks = [];
    for await (const chunk of request) chunks.push(chunk);
    const body = Buffer.concat(chunks);
    const isAct = request.method === "POST" && request.url.startsWith("/v1");
    this.requests.push({ method: request.method, path: request.url, headers: request.headers });
    if (isAct && this.isBusy) return void response.writeHead(503, { "retry-after": "1" }).end();
    const changed = this.files.get(request.url.split("?")[0]);
    if (changed) return void response.writeHead(200, changed.headers).end(changed.body);
    const target = new URL(request.url, this.service.base);
    const headers = { ...request.headers, host: target.host };
    const asked = http.request(target, { method: request.method, headers }, (answer) => {
      const parts = [];
      answer.on("data", (part) => parts.push(part));
      answer.on("end", () => {
        if (isAct) this.acts.push({ key: request.headers["idempotency-key"], path: request.url, status: answer.statusCode, body: body.toString(), replayed: answer.headers["idempotent-replayed"] === "true" });
        if (isAct && this.loseEvery && !this.lost.has(request.headers["idempotency-key"])) {
          this.lost.add(request.headers["idempotency-key"]);
          this.onLost?.();
          return response.destroy();
        }
        if (response.destroyed) return;
        response.writeHead(answer.statusCode, answer.headers);
        response.end(Buffer.concat(parts));
      });
    });
    asked.on("error", () => response.destroy());
    asked.end(body);
  }
}
