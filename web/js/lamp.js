// The lamp: a light that is dragged round the picture and falls on the measured relief. Its grip lies on
// the picture: the direction from the middle is where the light comes from, the distance from the middle
// how low it stands (in the middle straight in front, at the ring grazing).
import {byId, h, s, say} from "./dom.js";
import {clamp, wrapTurn} from "./geometry.js";
import {LampDrawing} from "./lamp_gl.js";
import {TileStore, levelFor, placesOf} from "./lamp_tiles.js";
import * as line from "./line.js";
import * as stage from "./stage.js";
import {on, set, state, viewOf} from "./state.js";
import {num} from "./words.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Relief} Relief
 * @typedef {import("./types.js").Tiles} Tiles
 * @typedef {import("./lamp_tiles.js").Box} Box
 */

export const PREDICTED = "predicted"; // as the relief of the other side
const LOWEST = 4;      // degrees above the picture at the ring
const RING_SHARE = 0.44; // of the shorter side of the picture area
const FAR = 1.6;       // the lamp's distance from the middle of what is in sight, in diagonals of it

/** How the lamp stands; angles in degrees, azimuth counter-clockwise from the right. */
export const lamp = {azimuth: 135, elevation: 22, breadth: 0, exaggeration: 1, isShadowed: true, isPlain: false};

/** @type {HTMLCanvasElement} */
let canvas;
/** @type {SVGSVGElement} */
let hand;
/** @type {LampDrawing|null} */
let drawing = null;
/** @type {TileStore} */
let store;
let isMoved = true; // the picture moved or tiles came: lay out anew
let isAsked = false;
/** @type {(() => void)[]} */
const listeners = [];

/** Call fn when the lamp moved or was set otherwise. @param {() => void} fn */
export function onChange(fn)
{
    listeners.push(fn);
}

/** The relief of a state, when one was computed. @param {string} name @returns {Relief|undefined} */
export const reliefOf = (name) => state.reliefs.find((r) => r.state === name);

/** What is lit on each side, and by how much its slopes are multiplied: the second side may show what
 *  the windows foretell. @returns {{a: Relief|undefined, b: Relief|undefined, factor: number}} */
export function sides()
{
    const a = reliefOf(state.lampA) ?? state.reliefs[0], gain = a?.forecast.gain;
    if (state.mode !== "line")
        return {a, b: undefined, factor: 1};
    return state.lampB === PREDICTED && gain ? {a, b: a, factor: gain.value}
        : {a, b: reliefOf(state.lampB) ?? a, factor: 1};
}

/** Change how the lamp stands. @param {Partial<typeof lamp>} change */
export function put(change)
{
    Object.assign(lamp, change);
    lamp.azimuth = wrapTurn(lamp.azimuth);
    lamp.elevation = clamp(lamp.elevation, LOWEST, 90);
    ask();
    placeHand();
    listeners.forEach((fn) => fn());
}

/** On or off. @param {boolean} isOn */
export function light(isOn)
{
    if (isOn && !state.reliefs.length) {
        say("There is no relief yet: compute one from raking views first.");
        return;
    }
    if (isOn && !drawing) {
        try {
            drawing = new LampDrawing(canvas);
            store = new TileStore(drawing, () => {
                isMoved = true;
                ask();
            });
        } catch (e) {
            const trouble = byId("trouble");
            trouble.className = "trouble";
            trouble.textContent = e instanceof Error ? e.message : String(e);
            return;
        }
    }
    set({lampOn: isOn});
    say(isOn ? `The lamp is lit: ${describe()}.` : "The lamp is out.");
}

/** Where the light comes from, in words. */
export function describe()
{
    const from = ["the right", "upper right", "above", "upper left", "the left", "lower left", "below", "lower right"];
    const k = Math.round(((lamp.azimuth + 360) % 360) / 45) % 8;
    return lamp.elevation > 85 ? "straight in front"
        : `from ${from[k]}, ${num(lamp.elevation, 0)}\u00b0 above the picture`;
}

// ---- drawing ----

/** @param {Tiles} t @param {Box} box @param {number} scale device px per frame px @param {number} frame px of the
 *  frame per px of the tiles' picture */
function wanted(t, box, scale, frame)
{
    const own = {x0: box.x0 / frame, y0: box.y0 / frame, x1: box.x1 / frame, y1: box.y1 / frame};
    const level = levelFor(t, scale * frame);
    // Coarser ones first: they show through until the right ones have come.
    return [...new Set([0, Math.max(0, level - 2), level])].flatMap((l) => placesOf(t, l, own));
}

/** The pictures' place on the canvas. */
function look()
{
    const dense = devicePixelRatio, [w, h0] = stage.areaSize(), [x0, y0] = stage.toFrame([0, 0]);
    const [x1, y1] = stage.toFrame([w, h0]), [ox, oy] = stage.toScreen([0, 0]);
    return {dense, w: Math.round(w * dense), h: Math.round(h0 * dense), box: {x0, y0, x1, y1},
            ox: ox * dense, oy: oy * dense, scale: stage.scale() * dense};
}

/** @param {ReturnType<typeof look>} at @param {import("./lamp_tiles.js").Place} p @param {number} frame */
function onCanvas(at, p, frame)
{
    const k = at.scale * frame;
    return {x: at.ox + p.x * k, y: at.oy + p.y * k, w: p.w * k, h: p.h * k};
}

/** @param {"A"|"B"} side @param {Relief} r @param {ReturnType<typeof look>} at */
function layRelief(side, r, at)
{
    const slopes = r.tiles.slopes, height = r.tiles.height, k = r.height.reduced;
    /** @type {import("./lamp_gl.js").ReliefQuad[]} */
    const quads = [];
    for (const p of wanted(slopes, at.box, at.scale, 1)) {
        const normals = store.get(slopes, p, true);
        // A reduced height has its own tiles; it is then left out, and with it the thrown shadows.
        const tall = height && k === 1 ? store.get(height, p, true) : null;
        if (normals)
            quads.push({...onCanvas(at, p, 1), normals, height: tall});
    }
    drawing?.layRelief(side, quads, [r.height.lo_mm, r.height.hi_mm]);
}

/** @param {string} side @returns {Tiles|null} of a picture that covers the frame */
function colourTiles(side)
{
    if (side === "forecast")
        return state.forecast?.tiles.look ?? null;
    const v = viewOf(side);
    return v?.tiles && !v.tiles.at ? v.tiles : null;
}

/** @param {"A"|"B"} side @param {string} shown @param {ReturnType<typeof look>} at */
function layColour(side, shown, at)
{
    const t = colourTiles(shown);
    /** @type {import("./lamp_gl.js").ColourQuad[]} */
    const quads = [];
    if (t)
        for (const p of wanted(t, at.box, at.scale, 1)) {
            const colour = store.get(t, p, false);
            if (colour)
                quads.push({...onCanvas(at, p, 1), colour});
        }
    drawing?.layColour(side, quads);
}

/** @param {ReturnType<typeof look>} at */
function layOut(at)
{
    const {a, b} = sides();
    store.turn();
    drawing?.resize(at.w, at.h);
    if (a)
        layRelief("A", a, at);
    layColour("A", state.sideA, at);
    if (b) {
        layRelief("B", b, at);
        layColour("B", state.sideB, at);
    }
}

/** Lamps round the one direction for a broad light. @param {number} far mm */
function lamps(far)
{
    const rad = Math.PI / 180, el = lamp.elevation * rad, az = lamp.azimuth * rad;
    const at = (/** @type {number} */ e, /** @type {number} */ a) => /** @type {[number, number, number]} */ (
        [far * Math.cos(e) * Math.cos(a), far * Math.cos(e) * Math.sin(a), far * Math.sin(e)]);
    const out = [at(el, az)], wide = lamp.breadth / 2 * rad;
    if (wide > 0)
        for (let k = 0; k < 6; k++)
            out.push(at(clamp(el + wide * Math.sin(k * Math.PI / 3), 0.02, Math.PI / 2),
                        az + wide * Math.cos(k * Math.PI / 3) / Math.max(0.3, Math.cos(el))));
    return out;
}

function draw()
{
    isAsked = false;
    if (!state.lampOn || !drawing)
        return;
    const at = look(), mm = (state.dossier.frame?.mm_per_px ?? 0.1) / at.scale;
    if (isMoved) {
        isMoved = false;
        layOut(at);
    }
    const l = state.mode === "line" ? line.current() : null;
    const turn = l ? [Math.cos(l.turn * Math.PI / 180), Math.sin(l.turn * Math.PI / 180)] : [0, 0];
    drawing.shine({
        lamps: lamps(FAR * mm * Math.hypot(at.w, at.h)), mm,
        exaggeration: [lamp.exaggeration, lamp.exaggeration * sides().factor],
        isShadowed: lamp.isShadowed, isPlain: lamp.isPlain,
        line: l ? [turn[0], turn[1], (l.x * turn[0] + l.y * turn[1]) * at.dense] : null});
}

/** In the next frame. */
function ask()
{
    if (!isAsked && state.lampOn) {
        isAsked = true;
        requestAnimationFrame(draw);
    }
}

// ---- the grip ----

/** Middle of the picture area and radius of the ring, screen px. */
function ring()
{
    const [w, h0] = stage.areaSize();
    return {x: w / 2, y: h0 / 2, r: RING_SHARE * Math.min(w, h0)};
}

/** @returns {Point} */
function gripAt()
{
    const {x, y, r} = ring(), d = r * (90 - lamp.elevation) / (90 - LOWEST), a = lamp.azimuth * Math.PI / 180;
    return [x + d * Math.cos(a), y - d * Math.sin(a)];
}

function placeHand()
{
    hand.toggleAttribute("hidden", !state.lampOn);
    if (!state.lampOn)
        return;
    const {x, y, r} = ring(), [gx, gy] = gripAt();
    const circle = /** @type {SVGElement} */ (hand.querySelector(".lamp-ring"));
    const ray = /** @type {SVGElement} */ (hand.querySelector(".lamp-ray"));
    const grip = /** @type {SVGElement} */ (hand.querySelector(".lamp-grip"));
    for (const [el, name, v] of /** @type {[SVGElement, string, number][]} */ ([
        [circle, "cx", x], [circle, "cy", y], [circle, "r", r],
        [ray, "x1", gx], [ray, "y1", gy], [ray, "x2", gx + 0.35 * (x - gx)], [ray, "y2", gy + 0.35 * (y - gy)]]))
        el.setAttribute(name, v.toFixed(1));
    grip.setAttribute("transform", `translate(${gx.toFixed(1)} ${gy.toFixed(1)})`);
    grip.setAttribute("aria-valuenow", String(Math.round(lamp.azimuth)));
    grip.setAttribute("aria-valuetext", `light ${describe()}`);
    const note = byId("lamp-note"), {a, b, factor} = sides(), gain = a?.forecast.gain;
    const names = !b || b === a ? `the state ${a?.state ?? ""}` : `the states ${a?.state} and ${b.state}`;
    note.textContent = `relief of ${names}, lit ${describe()}` +
        (lamp.exaggeration === 1 ? ", as measured" : `, relief exaggerated \u00d7${num(lamp.exaggeration, 1)}`) +
        (factor !== 1 && gain ? `; the other side predicted: slopes \u00d7${num(gain.value, 2)} ` +
            `(90 %: ${num(gain.low, 2)} to ${num(gain.high, 2)})` : "");
}

/** @param {PointerEvent} e */
function drag(e)
{
    const box = byId("stage").getBoundingClientRect(), {x, y, r} = ring();
    const dx = e.clientX - box.left - x, dy = y - (e.clientY - box.top);
    const d = Math.min(1, Math.hypot(dx, dy) / r);
    put({azimuth: d > 0.01 ? Math.atan2(dy, dx) * 180 / Math.PI : lamp.azimuth,
         elevation: 90 - d * (90 - LOWEST)});
}

/** @param {KeyboardEvent} e */
function key(e)
{
    const step = e.shiftKey ? 15 : 3;
    /** @type {Record<string, Partial<typeof lamp>>} */
    const moves = {ArrowLeft: {azimuth: lamp.azimuth + step}, ArrowRight: {azimuth: lamp.azimuth - step},
                   ArrowUp: {elevation: lamp.elevation + step / 3}, ArrowDown: {elevation: lamp.elevation - step / 3},
                   Home: {azimuth: 135, elevation: 22}};
    if (moves[e.key]) {
        e.preventDefault();
        e.stopPropagation();
        put(moves[e.key]);
    }
}

function makeHand()
{
    const grip = s("g", {class: "lamp-grip", tabindex: 0, role: "slider", "aria-label": "Lamp",
                         "aria-valuemin": -180, "aria-valuemax": 180},
                   s("circle", {class: "lamp-back", r: 15}), s("circle", {class: "lamp-disc", r: 9}));
    hand.append(s("circle", {class: "lamp-ring"}), s("line", {class: "lamp-ray"}), grip);
    grip.addEventListener("pointerdown", (e) => {
        e.preventDefault();
        e.stopPropagation();
        grip.focus();
        grip.setPointerCapture(e.pointerId);
    });
    grip.addEventListener("pointermove", (e) => {
        if (grip.hasPointerCapture(e.pointerId))
            drag(e);
    });
    grip.addEventListener("keydown", key);
}

function sync()
{
    canvas.hidden = !state.lampOn;
    byId("lamp-note").hidden = !state.lampOn;
    isMoved = true;
    ask();
    placeHand();
}

export function start()
{
    canvas = h("canvas", {id: "lamp", "aria-hidden": true, hidden: true});
    hand = s("svg", {id: "lamp-hand", hidden: true});
    byId("stage").insertBefore(canvas, byId("marks").nextSibling);
    byId("stage").append(hand, h("p", {id: "lamp-note", hidden: true}));
    makeHand();
    canvas.addEventListener("webglcontextlost", () => {
        drawing = null;
        set({lampOn: false});
    });
    stage.onDraw(() => {
        isMoved = true;
        ask();
        placeHand();
    });
    line.onMove(ask);
    on(["lampOn", "lampA", "lampB", "reliefs", "sideA", "sideB", "mode", "forecast", "views"], sync);
}
