// A tank's level, three weeks back and as far ahead as its minimum lies; days of cover. Figures stand in words beside them.

import { svg } from "../dom.js";
import { day, t } from "../texts.js";

/** @typedef {any} Json */

const DAY_MS = 86_400_000;
const LEFT = 28;
const RIGHT = 290;
const TOP = 4;
const FOOT = 92;

/** @param {Json} tank @param {Json} status @param {Json[]} readings @param {number} at */
export function levelBand(tank, status, readings, at) {
  const full = tank.full_depth_mm ?? 440;
  const min = status.min_depth_mm ?? tank.min_depth_mm ?? 0;
  const from = at - 21 * DAY_MS;
  const to = at + 42 * DAY_MS;
  const x = (/** @type {number} */ time) => Math.round((LEFT + ((Math.min(Math.max(time, from), to) - from) / (to - from)) * (RIGHT - LEFT)) * 10) / 10;
  const y = (/** @type {number} */ mm) => Math.round((FOOT - (Math.min(Math.max(mm, 0), full) / full) * (FOOT - TOP)) * 10) / 10;
  const depth = (/** @type {Json} */ reading) => {
    const factor = { mm: 1, cm: 10, in: 25.4 }[String(reading.measured?.unit)];
    return reading.depth_mm ?? (factor === undefined ? null : reading.measured.value * factor);
  };
  const past = readings
    .map((reading) => ({ time: Date.parse(reading.read_at), mm: depth(reading) }))
    .filter((point) => point.mm !== null && point.time >= from)
    .sort((a, b) => a.time - b.time);
  const now = status.level?.depth_mm;
  const minimum = status.reaches_minimum;
  const parts = [];
  if (now && minimum) {
    // The band narrows to the interval in which the minimum is reached; its far edge is open when nobody can say.
    const latest = minimum.latest ? Date.parse(minimum.latest) : to + DAY_MS;
    const earliest = Date.parse(minimum.earliest);
    const slope = (/** @type {number} */ end) => min + (now.estimate - min) * (1 - (to - at) / Math.max(end - at, 1));
    const far = latest > to ? [to, slope(latest)] : [latest, min];
    const near = earliest > to ? [to, slope(earliest)] : [earliest, min];
    const [nx, ny, fx, fy] = [x(Number(near[0])), y(Number(near[1])), x(Number(far[0])), y(Number(far[1]))];
    parts.push(svg("path", { class: "tin", d: `M${x(at)} ${y(now.estimate)}L${nx} ${ny}L${fx} ${fy}z` }), svg("path", { class: "thin", d: `M${x(at)} ${y(now.estimate)}L${nx} ${ny}M${x(at)} ${y(now.estimate)}L${fx} ${fy}` }));
  }
  const points = [...past.map(({ time, mm }) => [x(time), y(mm)]), ...(now ? [[x(at), y(now.estimate)]] : [])];
  const label = `${tank.name}: ${now ? `${Math.round(now.estimate / 10)} cm` : t("no_level")}`;
  return svg(
    "svg",
    { viewBox: "0 0 296 118", role: "img", "aria-label": label },
    ...parts,
    points.length > 1 ? svg("path", { class: "edge", d: `M${points.map((point) => point.join(" ")).join("L")}` }) : null,
    svg("path", { class: "dash", d: `M${LEFT} ${y(min)}H${RIGHT}` }),
    svg("path", { class: "thin", d: `M${LEFT} ${TOP}V${FOOT}H${RIGHT}M${x(at)} ${FOOT}v8` }),
    now ? svg("circle", { class: "ink", cx: x(at), cy: y(now.estimate), r: 5 }) : null,
    svg("text", { x: 4, y: 15 }, Math.round(full / 10)),
    svg("text", { x: 4, y: y(min) + 5 }, Math.round(min / 10)),
    svg("text", { x: x(at) - 16, y: 114 }, t("today")),
    svg("text", { x: LEFT, y: 114 }, day(from).replace(/^\S+ /, "")),
    svg("text", { x: RIGHT, y: 114, "text-anchor": "end" }, day(to).replace(/^\S+ /, "")),
  );
}

/** @param {{low: number | null, estimate: number | null, high: number | null}} days @param {number} delivery days until the next delivery */
export function cover(days, delivery) {
  const most = 120;
  const x = (/** @type {number | null} */ n) => Math.round((Math.min(n ?? most, most) / most) * 150);
  return svg(
    "svg",
    { class: "cover", viewBox: "0 0 150 22", "aria-hidden": "true" },
    svg("rect", { class: "tin", x: x(days.low), y: 6, width: Math.max(x(days.high) - x(days.low), 1), height: 10 }),
    svg("path", { class: "thin", d: `M${x(days.low)} 6H${x(days.high)}v10H${x(days.low)}zM0 20h150` }),
    svg("path", { class: "dash", d: `M${x(delivery)} 0v22` }),
    svg("rect", { class: "ink", x: Math.min(x(days.estimate), 145), y: 2, width: 5, height: 18 }),
  );
}
