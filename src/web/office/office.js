// For the office the same page wide: what needs somebody first, then the tanks, the phones and the webhooks; the round, the
// straws, the watch list, the deviations, the results. Read only but for "seen it". One ruled sheet, to be printed.

import { now } from "../clock.js";
import { code, h } from "../dom.js";
import { SignedOut, all, ask, printedCode } from "../snapshot.js";
import { mark, typeWord } from "../screens/common.js";
import { linesOf } from "../screens/round.js";
import { seen } from "../taps.js";
import { age, clockSeconds, clockTime, day, longDay, t, told, when } from "../texts.js";
import { cover, levelBand } from "./pictures.js";

/** @typedef {import("../app.js").App} App @typedef {any} Json */

const AGAIN_MS = 60_000;
const DEVIATIONS_DAYS = 14;
const BACK_MS = 21 * 86_400_000;

export class Office {
  /** @param {App} app */
  constructor(app) {
    this.app = app;
    /** @type {Record<string, Json>} */
    this.book = {};
    /** @type {string[]} */
    this.silent = [];
    this.at = 0;
  }

  start() {
    this.render();
    void this.fetch();
    const timer = setInterval(() => {
      if (this.app.office !== this) return clearInterval(timer);
      void this.fetch();
    }, AGAIN_MS);
  }

  changed() {
    this.render();
  }

  /** Each part by itself: one that does not answer leaves the others. */
  async fetch() {
    const { db, meta } = this.app;
    const get = async (/** @type {string} */ path) => {
      const response = await ask(db, meta, path);
      if (response.status === 404 || response.status === 403) return null;
      if (!response.ok) throw new Error(`${path}: ${response.status}`);
      return response.json();
    };
    const list = (/** @type {string} */ path) => all(db, meta, path);
    /** @type {Record<string, () => Promise<Json>>} */
    const parts = {
      alerts: () => list("/v1/alerts?open=true&limit=100"),
      tanks: async () => {
        const tanks = await list("/v1/tanks?limit=200");
        const from = new Date(now() - BACK_MS).toISOString();
        return Promise.all(
          tanks.map(async (tank) => ({
            tank,
            status: await get(`/v1/tanks/${tank.id}/nitrogen`),
            readings: (await get(`/v1/tanks/${tank.id}/nitrogen-readings?limit=100&from=${encodeURIComponent(from)}`))?.items ?? [],
          })),
        );
      },
      round: () => get("/v1/round"),
      outlook: () => get("/v1/stock/outlook?limit=200"),
      watch: () => get("/v1/watch"),
      devices: () => get("/v1/devices"),
      webhooks: () => get("/v1/webhooks"),
      deviations: async () => {
        const from = encodeURIComponent(new Date(now() - DEVIATIONS_DAYS * 86_400_000).toISOString());
        const [straws, services] = await Promise.all([get(`/v1/withdrawals?limit=500&from=${from}`), get(`/v1/services?limit=500&from=${from}`)]);
        const rows = [
          ...(straws?.items ?? []).map((/** @type {Json} */ row) => ({ at: row.withdrawn_at, number: row.animal_number, all: row.deviations })),
          ...(services?.items ?? []).map((/** @type {Json} */ row) => ({ at: row.served_at, number: row.animal_number, all: row.deviations })),
        ];
        return rows
          .flatMap(({ at, number, all: found }) => (found ?? []).map((/** @type {Json} */ one) => ({ at, number: String(number ?? ""), text: one.text })))
          .sort((a, b) => Date.parse(b.at) - Date.parse(a.at))
          .slice(0, 20);
      },
      conception: () => get("/v1/reports/conception?by=service_number,semen_type"),
    };
    this.silent = [];
    await Promise.all(
      Object.entries(parts).map(async ([name, part]) => {
        try {
          this.book[name] = await part();
          this.at = now();
        } catch (error) {
          if (error instanceof SignedOut) this.silent.push(t("sign_in_again"));
          else this.silent.push(name);
        }
      }),
    );
    this.render();
  }

  render() {
    const at = now();
    const { book, app } = this;
    document.title = t("office_title", { day: longDay(at) });
    const page = h(
      "div.office",
      h(
        "header",
        h("h1", t("office_title", { day: longDay(at) })),
        h("p.end", this.at ? t("as_of", { time: clockSeconds(this.at) }) : t("getting")),
        h(
          "nav",
          { "aria-label": t("more") },
          h("ul", h("li", h("a", { href: "#/round" }, t("at_tank"))), h("li", h("a", { href: "/docs" }, "API"))),
        ),
        h("p.end", [app.meta["name"], told(`role_${app.meta["role"]}`, ""), [...(app.book["herds"]?.values() ?? [])].map((herd) => herd.name).join(", ")].filter(Boolean).join("; ")),
      ),
      this.silent.length ? h("p.plate", { role: "status" }, t("not_answered", { what: this.silent.join(", ") })) : null,
      h(
        "main.leaves",
        h("div", this.alerts(at), this.nitrogen(at), this.phones(at), this.webhooks(at)),
        h("div", this.round(at), this.straws(), this.watch(), this.deviations(at), this.conception()),
      ),
      h("p.foot", h("button.tool", { type: "button", click: () => print() }, t("print"))),
    );
    const focused = document.activeElement?.getAttribute("data-id");
    document.getElementById("page")?.replaceChildren(page);
    if (focused) /** @type {HTMLElement | null} */ (page.querySelector(`[data-id="${focused}"]`))?.focus();
    void book;
  }

  /** @param {number} at */
  alerts(at) {
    const alerts = /** @type {Json[]} */ (this.book["alerts"] ?? []).filter((alert) => !alert.cleared_at).sort((a, b) => Number(Boolean(a.acknowledged_at)) - Number(Boolean(b.acknowledged_at)) || Date.parse(b.opened_at) - Date.parse(a.opened_at));
    return section(
      "alerts",
      t("needs_you"),
      t("newest_first", { n: alerts.length }),
      alerts.length
        ? h(
            "ol.alerts",
            ...alerts.map((alert, i) =>
              h(
                `li${i === 0 && !alert.acknowledged_at ? ".first" : ""}`,
                h("b", alert.text),
                " ",
                alert.advice ?? "",
                alert.caution ? h("span", " ", alert.caution) : null,
                " ",
                h("span.quiet", t("opened", { time: when(alert.opened_at, at) }), alert.acknowledged_at ? `, ${t("seen_by")}` : "", "."),
                alert.acknowledged_at || !this.app.canAct
                  ? null
                  : h("div", h("button.tool", { type: "button", "data-id": `seen ${alert.id}`, click: () => void this.see(alert) }, t("acknowledge"))),
              ),
            ),
          )
        : h("p", t("no_alerts")),
    );
  }

  /** @param {Json} alert */
  async see(alert) {
    await seen(this.app, alert);
    alert.acknowledged_at = new Date(now()).toISOString();
    this.render();
  }

  /** @param {number} at */
  nitrogen(at) {
    const tanks = /** @type {Json[]} */ (this.book["tanks"] ?? []);
    return section(
      "tanks",
      t("nitrogen"),
      t("nitrogen_sub", { n: 80 }),
      h(
        "ol.tanks",
        ...tanks.map(({ tank, status, readings }) => {
          const last = status.last_reading;
          const minimum = status.reaches_minimum;
          const min = Math.round((status.min_depth_mm ?? tank.min_depth_mm ?? 0) / 10);
          const cm = status.level ? Math.round(status.level.depth_mm.estimate / 10) : null;
          const looked = readings.find((/** @type {Json} */ reading) => reading.read_at === last?.read_at)?.frost ?? null;
          const frost = status.frost && status.frost.frost !== "none" ? t("frost_seen") : looked === "none" ? t("frost_none") : t("frost_unknown");
          return h(
            "li",
            h(
              "div",
              h("h3", tank.name),
              h("p.cm", cm === null ? "–" : `${cm} cm`),
              h("p", last ? `${t("read_at", { time: when(last.read_at, at) })}, ${frost}` : t("no_level")),
              status.condition === "failing" || status.condition === "watch" ? h("p", h("b", told(`condition_${status.condition}`, status.condition)), " ", status.reason) : null,
              minimum
                ? h(
                    "p",
                    h("b", status.refill_by ? t("fill_by", { day: day(status.refill_by) }) : t("fill_unknown")),
                    "; ",
                    minimum.latest ? t("between", { cm: min, a: day(minimum.earliest), b: day(minimum.latest) }) : t("at_earliest", { cm: min, a: day(minimum.earliest) }),
                  )
                : null,
            ),
            levelBand(tank, status, readings, at),
          );
        }),
      ),
      h("p.foot", t("office_gas")),
    );
  }

  /** @param {number} at */
  phones(at) {
    const devices = this.book["devices"];
    if (!devices) return null;
    const rows = /** @type {Json[]} */ (devices.items ?? []);
    return section(
      "phones",
      t("phones"),
      t("phones_sub"),
      table(
        [t("phone"), t("last_heard"), t("then_waiting")],
        rows.map((row) => [
          h("span", h("b", row.key_name), row.name ? ` ${row.name}` : ` …${String(row.id).slice(-4)}`),
          `${when(row.last_seen_at, at)}, ${age(at - Date.parse(row.last_seen_at))}`,
          row.waiting ? `${row.waiting}${row.oldest_waiting_at ? `, ${t("since", { time: when(row.oldest_waiting_at, at) })}` : ""}` : t("none"),
        ]),
      ),
    );
  }

  /** @param {number} at */
  webhooks(at) {
    const rows = /** @type {Json[]} */ (this.book["webhooks"]?.items ?? []);
    if (!this.book["webhooks"]) return null;
    return section(
      "hooks",
      t("webhooks"),
      "",
      rows.length
        ? table(
            [t("receiver"), t("state")],
            rows.map((row) => [h("b", row.note ?? row.url), [row.state, row.failing_since ? t("failing_since", { time: when(row.failing_since, at) }) : "", row.disabled_reason ?? ""].filter(Boolean).join(", ")]),
          )
        : h("p", t("none")),
    );
  }

  /** @param {number} at */
  round(at) {
    const stops = [...(this.app.book["rounds"]?.values() ?? [])];
    const rows = [];
    const count = { left: 0, served: 0, without: 0 };
    for (const [i, stop] of stops.entries()) {
      const lines = linesOf(this.app, stop, at);
      const due = lines.filter((line) => line.kind !== "none" && line.choice);
      const none = lines.filter((line) => line.kind === "none");
      count.left += lines.filter((line) => line.kind === "due").length;
      count.served += lines.filter((line) => line.kind === "done").length;
      count.without += none.length;
      const groups = new Map();
      for (const line of due) {
        const { tank_id, canister } = /** @type {import("../screens/common.js").Choice} */ (line.choice).place;
        const key = `${canister}, ${this.app.book["tanks"]?.get(tank_id)?.name ?? ""}`;
        groups.set(key, [...(groups.get(key) ?? []), line]);
      }
      let first = true;
      for (const [where, members] of groups) {
        const latest = members.map((/** @type {Json} */ line) => line.her?.timing?.latest_at).filter(Boolean).sort()[0];
        rows.push([
          first ? h("b", `${i + 1} ${stop.herd_name}`) : "",
          where,
          h("span", ...members.flatMap((/** @type {Json} */ line) => [line.kind === "done" ? h("s", line.her.number) : line.her.number, " "])),
          latest ? clockTime(latest, stop.time_zone) : "",
        ]);
        first = false;
      }
      if (none.length) rows.push([first ? h("b", `${i + 1} ${stop.herd_name}`) : "", t("no_straw"), none.map((line) => `${line.her?.number}: ${line.why}`).join(" "), ""]);
    }
    const from = this.app.meta["snapshot_at"];
    return section(
      "round",
      t("round"),
      t("round_sub", count),
      rows.length ? table([t("stop_th"), t("canister_th"), t("animals_th"), t("until")], rows) : h("p", t("nobody_anywhere")),
      h("p.foot", from ? t("data_of", { time: when(from, at) }) : t("no_data")),
    );
  }

  straws() {
    const outlook = this.book["outlook"];
    if (!outlook) return null;
    const round = (/** @type {number | null | undefined} */ n) => (n === null || n === undefined ? "–" : String(Math.round(n)));
    const rows = /** @type {Json[]} */ (outlook.items).map((row) => {
      const forecast = row.forecast;
      const days = forecast?.days_of_cover;
      return [
        h("span", code(printedCode(row.sire)), " ", row.sire.name, h("br"), mark(row.semen_type), h("span.plain", typeWord(row.semen_type))),
        { r: row.straws },
        days ? h("span", cover(days, outlook.days_until_delivery), h("br"), t("order_at", { n: forecast.reorder_point })) : t("too_little"),
        { r: days ? h("span", round(days.low), " ", h("b", round(days.estimate)), " ", round(days.high)) : t("none") },
      ];
    });
    return section("straws", t("straws"), t("straws_sub", { n: Math.round(outlook.coverage * 100) }), table([t("sire_type"), { r: t("straws_th") }, t("cover_th"), { r: t("days_th") }], rows), h("p.foot", outlook.assumptions?.[0] ?? ""));
  }

  watch() {
    const watch = this.book["watch"];
    if (!watch) return null;
    const groups = new Map();
    for (const item of /** @type {Json[]} */ (watch.items)) groups.set(item.kind, [...(groups.get(item.kind) ?? []), item]);
    const rows = [...groups].map(([kind, items]) => [
      h("b", told(kind, kind)),
      h("span", ...items.slice(0, 40).flatMap((/** @type {Json} */ item) => [item.state === "overdue" ? h("b", t("overdue", { n: item.animal_number })) : item.animal_number, " "])),
      [...new Set([items[0], items[items.length - 1]].map((item) => day(item.on)))].join(" – "),
    ]);
    return section("watch", t("watch"), watch.until ? t("to_day", { day: day(watch.until) }) : "", rows.length ? table([t("what_th"), t("animals_th"), t("when_th")], rows) : h("p", t("nothing")));
  }

  /** @param {number} at */
  deviations(at) {
    const rows = /** @type {Json[] | undefined} */ (this.book["deviations"]);
    if (!rows) return null;
    return section(
      "deviations",
      t("deviations"),
      t("deviations_sub", { n: DEVIATIONS_DAYS }),
      rows.length ? table([t("when_th"), t("animals_th"), t("what_th")], rows.map((row) => [when(row.at, at), row.number, row.text])) : h("p", t("none")),
    );
  }

  /** Only where the service has that report. */
  conception() {
    const report = this.book["conception"];
    const rows = /** @type {Json[]} */ (report?.items ?? []);
    if (!rows.length) return null;
    const percent = (/** @type {number | null} */ n) => (n === null || n === undefined ? "–" : `${Math.round(n * 100)} %`);
    const name = (/** @type {Json[]} */ [number, type]) =>
      `${number?.["value"] ? t("service_n", { n: number["value"] }) : `${number?.["label"]}:`} ${told(String(type?.["value"]), String(type?.["label"]))}`;
    return section(
      "conception",
      t("conception"),
      t("conception_sub", { n: report.asked?.horizon_days ?? "" }),
      table(
        [t("what_th"), { r: t("pregnant_of") }, { r: t("rate") }, { r: t("interval") }],
        rows.map((row) => [
          h("b", name(row.keys)),
          { r: `${row.numerator} / ${row.denominator}` },
          { r: row.judgement ? t("too_few") : h("b", percent(row.estimate)) },
          { r: row.judgement ? "" : `${percent(row.low)} – ${percent(row.high)}` },
        ]),
      ),
      h("p.foot", report.cautions?.[0] ?? ""),
    );
  }
}

/** @param {string} id @param {string} name @param {string} small @param {(Node | null)[]} children */
function section(id, name, small, ...children) {
  return h("section", { "aria-labelledby": id }, h("h2", { id }, name, " ", small ? h("small", small) : null), ...children);
}

/** @typedef {Node | string | number | {r: Node | string | number}} Cell */

/** @param {Cell[]} heads @param {Cell[][]} rows */
function table(heads, rows) {
  const inside = (/** @type {Cell} */ cell) => (typeof cell === "object" && cell !== null && "r" in cell ? cell.r : cell);
  const look = (/** @type {Cell} */ cell) => (typeof cell === "object" && cell !== null && "r" in cell ? ".r" : "");
  return h(
    "table",
    h("thead", h("tr", ...heads.map((cell) => h(`th${look(cell)}`, { scope: "col" }, inside(cell))))),
    h("tbody", ...rows.map((row) => h("tr", ...row.map((cell) => h(`td${look(cell)}`, inside(cell)))))),
  );
}
