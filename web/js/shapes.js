// What is drawn over the pictures: outlines of windows and zones, the crosshair with the patch it
// means, the place of the next window, and the polygon being drawn.
import {byId, fill, h, s, say} from "./dom.js";
import {crossesItself, polygonArea, topOf} from "./geometry.js";
import * as stage from "./stage.js";
import {on, set, state} from "./state.js";
import {num} from "./words.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {{title: string, onDone: (polygon: Point[]) => void}} Drawing
 */

/** @type {SVGGElement} */
let ground;
/** @type {SVGGElement} */
let labels;
/** @type {SVGGElement} */
let crossMark;
/** @type {SVGGElement} */
let nextMark;
/** @type {SVGGElement} */
let pen;
/** `half`: about half the name's width, px. @type {{at: Point, el: SVGGElement, half: number}[]} */
let labelled = [];

/** @type {Drawing|null} */
let drawing = null;
/** @type {Point[]} */
let corners = [];
/** @type {Point|null} */
let pointer = null;
/** A closed polygon whose particulars are still being asked. @type {Point[]|null} */
let waiting = null;

/** @param {Point[]} p */
const pointsText = (p) => p.map(([x, y]) => `${x},${y}`).join(" ");

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
    fill(ground, isOn ? [...state.zones.flatMap((z) => outline(z.polygon, "zone")),
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
    placePen();
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

/** Show a closed polygon that is not in the record yet, or no longer. @param {Point[]|null} polygon */
export function showWaiting(polygon)
{
    waiting = polygon;
    place();
}

function placePen()
{
    if (!drawing && waiting) {
        const closed = pointsText(waiting.map(stage.toScreen));
        fill(pen, s("polygon", {points: closed, class: "pen under"}),
             s("polygon", {points: closed, class: "pen over"}));
        return;
    }
    const p = corners.map(stage.toScreen);
    const tip = drawing && pointer ? [stage.toScreen(pointer)] : [];
    const line = pointsText([...p, ...tip]);
    fill(pen, drawing ? [s("polyline", {points: line, class: "pen under"}),
                         s("polyline", {points: line, class: "pen over"}),
                         ...p.map(([x, y]) => s("circle", {cx: x, cy: y, r: 4, class: "corner"}))]
                      : []);
}

export const isDrawing = () => drawing !== null;

/** Start drawing a polygon on the picture. @param {Drawing} what */
export function draw(what)
{
    drawing = what;
    corners = [];
    pointer = null;
    byId("stage").classList.add("is-drawing");
    byId("stage").focus();
    showBar();
    say(`${what.title}. Click the corners on the picture, or move the crosshair with the arrow keys ` +
        "and press Space at each corner. Enter closes, Backspace takes back, Escape cancels.");
}

export function cancelDrawing()
{
    if (!drawing)
        return;
    endDrawing();
    say("Drawing cancelled.");
}

function endDrawing()
{
    drawing = null;
    corners = [];
    byId("stage").classList.remove("is-drawing");
    showBar();
    place();
}

/** @param {Point} p frame px */
function addCorner(p)
{
    const [w, h0] = stage.frameSize();
    corners.push([Math.min(Math.max(p[0], 0), w), Math.min(Math.max(p[1], 0), h0)]);
    showBar();
    place();
    say(`Corner ${corners.length}.`);
}

export function takeBack()
{
    corners.pop();
    showBar();
    place();
}

/** Close the polygon and hand it over; says why when it cannot be closed. */
function close()
{
    if (!drawing)
        return;
    const why = corners.length < 3 ? "A polygon needs at least three corners."
        : crossesItself(corners) ? "The outline crosses itself: take corners back and draw it again." : "";
    if (why) {
        showBar(why);
        say(why);
        return;
    }
    const done = drawing.onDone, polygon = corners.map(
        ([x, y]) => /** @type {Point} */ ([Math.round(x * 100) / 100, Math.round(y * 100) / 100]));
    endDrawing();
    done(polygon);
}

/** The bar over the picture while drawing. @param {string} [why] */
function showBar(why)
{
    const bar = byId("draw-bar");
    bar.hidden = !drawing;
    if (!drawing)
        return;
    const mm = state.dossier.frame?.mm_per_px ?? 0;
    const area = Math.abs(polygonArea(corners)) * mm * mm;
    const size = corners.length >= 3 ? `, ${num(area, area < 100 ? 1 : 0)} mm\u00b2` : "";
    fill(bar, h("strong", {}, drawing.title),
         h("span", {}, corners.length === 1 ? "1 corner" : `${corners.length} corners${size}`),
         why ? h("span", {class: "bar-why", role: "alert"}, why) : null,
         h("span", {class: "bar-keys"}, "click corners; Enter or double click closes"),
         h("button", {type: "button", onclick: close}, "Close"),
         h("button", {type: "button", onclick: takeBack, disabled: corners.length === 0}, "Take back"),
         h("button", {type: "button", onclick: cancelDrawing}, "Cancel"));
}

/** Keys while drawing. @param {KeyboardEvent} e @returns {boolean} */
export function key(e)
{
    if (!drawing)
        return false;
    if (e.key === "Enter")
        close();
    else if (e.key === "Escape")
        cancelDrawing();
    else if (e.key === "Backspace")
        takeBack();
    else if (e.key === " " && state.cross)
        addCorner(state.cross);
    else
        return false;
    return true;
}

/**
 * A click sets a corner; one on the first or the last corner closes instead, so that a double click
 * closes however slow it is.
 * @param {Point} p @param {"click"|"double"} kind
 */
function click(p, kind)
{
    if (!drawing)
        return false;
    const k = stage.scale(), isOn = (/** @type {Point|undefined} */ c) =>
        c !== undefined && Math.hypot(c[0] - p[0], c[1] - p[1]) * k < 6;
    if (kind === "click" && (isOn(corners[corners.length - 1]) || (corners.length > 2 && isOn(corners[0]))))
        close();
    else if (kind === "click")
        addCorner(p);
    return true;
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
    pen = s("g", {});
    svg.append(ground, labels, nextMark, crossMark, pen);
    stage.onDraw(place);
    stage.onClick(click);
    byId("stage").addEventListener("pointermove", (e) => {
        if (!drawing)
            return;
        const r = byId("stage").getBoundingClientRect();
        pointer = e.pointerType === "touch" ? null
                                            : stage.toFrame([e.clientX - r.left, e.clientY - r.top]);
        placePen();
    });
    on(["windows", "zones", "outlinesOn", "dossier"], rebuild);
    on(["cross", "isPinned", "mm", "room", "forecast"], place);
    on(["room"], () => set({outlinesOn: state.room === "forecast"}));
    rebuild();
}
