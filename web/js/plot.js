// Small curves in SVG: axes with units, lines told apart by their dashes and named below, a part shaded where
// they are not to be trusted.
import {h, s} from "./dom.js";
import {num} from "./words.js";
/**
 * @typedef {{name: string, points: [number, number][]}} Curve
 * @typedef {{label: string, unit: string, isLog?: boolean}} Axis
 * @typedef {{from: number, text: string}} Doubt from this x on
 */

const W = 312, H = 150, LEFT = 40, BOTTOM = 28, TOP = 8, RIGHT = 8;

/** Round steps for an axis. @param {number} lo @param {number} hi @param {number} n */
export function ticks(lo, hi, n)
{
    const raw = (hi - lo) / n, base = 10 ** Math.floor(Math.log10(raw));
    const step = base * ([1, 2, 5, 10].find((k) => k * base >= raw) ?? 10);
    /** @type {number[]} */
    const out = [];
    for (let v = Math.ceil(lo / step) * step; v <= hi + 1e-9 * step; v += step)
        out.push(Math.abs(v) < 1e-12 ? 0 : v);
    return out;
}

/** 1, 2, 5 of each decade. @param {number} lo @param {number} hi */
export function logTicks(lo, hi)
{
    /** @type {number[]} */
    const out = [];
    for (let d = Math.floor(Math.log10(lo)); d <= Math.ceil(Math.log10(hi)); d++)
        for (const k of [1, 2, 5])
            if (k * 10 ** d >= lo * 0.999 && k * 10 ** d <= hi * 1.001)
                out.push(k * 10 ** d);
    return out;
}

/** @param {number} v */
const figure = (v) => num(v, Math.abs(v) >= 10 || v === 0 ? 0 : Math.abs(v) >= 1 ? 1 : 2);

const DASHES = ["none", "6 3", "1.5 3", "9 3 1.5 3"];

/** What a line looks like. @param {number} i of the curve @param {import("./dom.js").Attributes} attributes */
const stroke = (i, attributes) => s("path", {class: "plot-line", "stroke-dasharray": DASHES[i % DASHES.length], ...attributes});

/** @param {Curve[]} curves @param {Axis} x @param {Axis} y @param {string} caption @param {Doubt|null} [doubt] */
export function plot(curves, x, y, caption, doubt)
{
    const all = curves.flatMap((c) => c.points).filter((p) => p.every(Number.isFinite));
    if (all.length < 2)
        return h("p", {class: "quiet"}, "Too little to draw.");
    const xs = all.map((p) => p[0]), ys = all.map((p) => p[1]);
    const x0 = Math.min(...xs), x1 = Math.max(...xs), y0 = Math.min(0, ...ys);
    const y1 = Math.max(...ys, y0 + 1e-9), fx = x.isLog ? Math.log : Number;
    const px = (/** @type {number} */ v) => LEFT + (W - LEFT - RIGHT) * (fx(v) - fx(x0)) / (fx(x1) - fx(x0) || 1);
    const py = (/** @type {number} */ v) => H - BOTTOM - (H - TOP - BOTTOM) * (v - y0) / (y1 - y0);
    const path = (/** @type {Curve} */ c) => c.points.map((p, i) => p.every(Number.isFinite)
        ? `${i && c.points[i - 1].every(Number.isFinite) ? "L" : "M"}${px(p[0]).toFixed(1)} ${py(p[1]).toFixed(1)}` : "").join("");
    const across = (x.isLog ? logTicks(x0, x1) : ticks(x0, x1, 5)), edge = doubt && doubt.from < x1 ? px(Math.max(x0, doubt.from)) : null;
    const names = curves.map((c) => c.name);
    return h("figure", {class: "plot"},
             s("svg", {viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": `${y.label}, ${names.join(", ")}. ${caption}`},
               ticks(y0, y1, 4).map((v) => [
                   s("line", {class: "plot-grid", x1: LEFT, x2: W - RIGHT, y1: py(v), y2: py(v)}),
                   s("text", {class: "plot-text", x: LEFT - 4, y: py(v) + 3.5, "text-anchor": "end"}, figure(v))]).flat(),
               edge === null ? null : s("rect", {class: "plot-doubt", x: edge, y: TOP, width: W - RIGHT - edge, height: H - TOP - BOTTOM}),
               across.map((v) => s("text", {class: "plot-text", x: px(v), y: H - BOTTOM + 12, "text-anchor": "middle"}, figure(v))),
               s("text", {class: "plot-text", x: (LEFT + W - RIGHT) / 2, y: H - 3, "text-anchor": "middle"}, `${x.label}, ${x.unit}`),
               curves.map((c, i) => stroke(i, {d: path(c)}))),
             h("figcaption", {}, `${y.label}, ${y.unit}. ${caption}`,
               h("span", {class: "plot-names"}, names.map((name, i) => h("span", {},
                   s("svg", {viewBox: "0 0 34 8", width: 34, height: 8, "aria-hidden": true}, stroke(i, {d: "M0 4H34"})), ` ${name}`)),
                 edge === null ? null : h("span", {}, h("span", {class: "plot-doubt-key"}), ` ${doubt?.text}`))));
}
