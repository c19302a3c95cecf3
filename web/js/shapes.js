// What is drawn over the pictures: outlines of windows, zones and details, the crosshair with the patch it
// means, the place of the next window, and the polygon being drawn.
import {byId, fill, s} from "./dom.js";
import {topOf} from "./geometry.js";
import {makePen, pointsText} from "./pen.js";
import * as stage from "./stage.js";
import {on, set, state} from "./state.js";
import {num} from "./words.js";
/** @typedef {import("./types.js").Point} Point */

/** @type {SVGGElement} */
let ground;
/** @type {SVGGElement} */
let labels;
/** @type {SVGGElement} */
let crossMark;
/** @type {SVGGElement} */
let nextMark;
/** @type {ReturnType<typeof makePen>} */
let pen;
/** `half`: about half the name's width, px. @type {{at: Point, el: SVGGElement, half: number}[]} */
let labelled = [];

/** An outline of two strokes, dark under light, so that it shows on any paint.
 *  @param {Point[]} p @param {string} kind */
function outline(p, kind)
{
    return ["under", "over"].map(
        (w) => s("polygon", {points: pointsText(p), class: `outline ${kind} ${w}`}));
}

/** @param {Point} at @param {string} text */
function label(at, text)
{
    const el = s("g", {}, s("text", {class: "outline-name under"}, text),
                 s("text", {class: "outline-name over"}, text));
    labelled.push({at, el, half: 3.4 * text.length + 3});
    return el;
}

function rebuild()
{
    labelled = [];
    const isOn = state.outlinesOn;
    const sides = state.mode === "one" ? [state.sideA] : [state.sideA, state.sideB];
    const details = sides.map(stage.outlineOf).flatMap((p) => (p ? outline(p, "detail") : []));
    fill(ground, details, isOn ? [...state.zones.flatMap((z) => outline(z.polygon, "zone")),
                         ...state.windows.flatMap((w) => outline(w.polygon, "window"))] : []);
    fill(labels, isOn ? [...state.windows.map((w) => label(topOf(w.polygon), w.label)),
                         ...state.zones.map((z) => label(topOf(z.polygon), z.label || z.kind))] : []);
    place();
}

/** Put everything where the pictures are now. */
function place()
{
    if (!stage.isOpen())
        return;
    const k = stage.scale(), [ox, oy] = stage.toScreen([0, 0]);
    ground.setAttribute("transform", `translate(${ox} ${oy}) scale(${k})`);
    placeLabels();
    placeCross(k);
    placeNext();
    pen.place();
}

/** Names over their outlines; one that would lie on another is left out until there is room. */
function placeLabels()
{
    /** @type {{x: number, y: number, half: number}[]} */
    const taken = [];
    for (const {at, el, half} of labelled) {
        const [x, y0] = stage.toScreen(at), y = y0 - 10;
        const isFree = !taken.some((t) => Math.abs(t.y - y) < 15 && Math.abs(t.x - x) < t.half + half);
        el.toggleAttribute("hidden", !isFree);
        if (isFree) {
            taken.push({x, y, half});
            el.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
        }
    }
}

/** @param {number} k */
function placeCross(k)
{
    const frame = state.dossier.frame;
    crossMark.toggleAttribute("hidden", !state.cross || !frame);
    if (!state.cross || !frame)
        return;
    const [x, y] = stage.toScreen(state.cross), half = state.mm / frame.mm_per_px * k / 2;
    crossMark.setAttribute("transform", `translate(${x} ${y})`);
    crossMark.setAttribute("class", state.isPinned ? "cross is-pinned" : "cross");
    for (const r of crossMark.querySelectorAll("rect"))
        for (const [n, v] of Object.entries({x: -half, y: -half, width: 2 * half, height: 2 * half}))
            r.setAttribute(n, String(v));
}

function placeNext()
{
    const n = state.room === "forecast" && state.outlinesOn ? state.forecast?.next_window : null;
    nextMark.toggleAttribute("hidden", !n);
    if (n)
        nextMark.setAttribute("transform", `translate(${stage.toScreen([n.x, n.y]).join(" ")})`);
}

/** Start drawing a polygon on the picture. @param {import("./pen.js").Drawing} what */
export const draw = (what) => pen.draw(what);

/** Before the picture is there nothing is drawn. */
export const cancelDrawing = () => pen?.cancel();

/** Show a closed polygon that is not in the record yet, or no longer. @param {Point[]|null} polygon */
export const showWaiting = (polygon) => pen.showWaiting(polygon);

/** Keys while drawing. @param {KeyboardEvent} e */
export const key = (e) => pen.key(e);

/** @param {number} area frame px^2 */
function areaText(area)
{
    const mm = state.dossier.frame?.mm_per_px ?? 0, size = area * mm * mm;
    return `${num(size, size < 100 ? 1 : 0)} mm\u00b2`;
}

export function start()
{
    const svg = byId("shapes");
    ground = s("g", {});
    labels = s("g", {});
    nextMark = s("g", {class: "next-mark", hidden: true},
                 ["under", "over"].map((w) => s("path", {class: w, d:
                     "M-18,0 A18,18 0 1 0 18,0 A18,18 0 1 0 -18,0 M-26,0 H-10 M10,0 H26 M0,-26 V-10 M0,10 V26"})));
    crossMark = s("g", {class: "cross", hidden: true}, ["under", "over"].map(
        (w) => [s("rect", {class: w}), s("path", {class: w, d: "M-14,0 H-4 M4,0 H14 M0,-14 V-4 M0,4 V14"})])
        .flat());
    const layer = s("g", {});
    svg.append(ground, labels, nextMark, crossMark, layer);
    pen = makePen({element: byId("stage"), bar: byId("draw-bar"), layer, toScreen: stage.toScreen, toPoint: stage.toFrame,
                   scale: stage.scale, size: stage.frameSize, cross: () => state.cross, areaText});
    stage.onDraw(place);
    stage.onClick((p, kind) => pen.click(p, kind));
    on(["windows", "zones", "outlinesOn", "dossier", "views", "sideA", "sideB", "mode"], rebuild);
    on(["cross", "isPinned", "mm", "room", "forecast"], place);
    on(["room"], () => set({outlinesOn: state.room === "forecast"}));
    rebuild();
}
