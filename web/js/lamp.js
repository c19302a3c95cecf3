// The lamp: a light that is dragged round the picture and falls on the measured relief. Its grip lies on
// the picture: the direction from the middle is where the light comes from, the distance from the middle
// how low it stands (in the middle straight in front, at the ring grazing).
import {byId, h, s, say, setAttributes} from "./dom.js";
import {clamp, polygonArea, wrapTurn} from "./geometry.js";
import {LampDrawing} from "./lamp_gl.js";
import {TileStore, levelFor, placesOf} from "./lamp_tiles.js";
import * as line from "./line.js";
import * as stage from "./stage.js";
import {isPlaced, on, referenceSide, set, state, viewOf} from "./state.js";
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
const FAR = 3;         // the lamp's distance from the middle of what is in sight, in diagonals of it

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
let isNew = true; // tiles came, or something else is shown: lay out anew
let laid = "";    // where the picture was when it was laid out last
let wasLit = false; // when the browser took the drawing away
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

/** The relief of the other side, and by how much its slopes are multiplied: it may show what the windows
 *  foretell. @param {Relief|undefined} a @returns {{relief: Relief|undefined, factor: number}} */
function otherRelief(a)
{
    const gain = a?.forecast.gain;
    return state.lampB === PREDICTED && gain ? {relief: a, factor: gain.value}
        : {relief: reliefOf(state.lampB) ?? state.reliefs.find((r) => r !== a) ?? a, factor: 1};
}

/** What is lit: of one picture (side A alone), or of two along the line.
 *  @returns {{a: Relief|undefined, b: Relief|undefined, factorA: number, factorB: number, sideA: string}} */
export function sides()
{
    const a = reliefOf(state.lampA) ?? state.reliefs[0], other = otherRelief(a);
    if (state.mode === "line")
        return {a, b: other.relief, factorA: 1, factorB: other.factor, sideA: state.sideA};
    return state.mode === "alternation" && state.isOther
        ? {a: other.relief, b: undefined, factorA: other.factor, factorB: 1, sideA: state.sideB}
        : {a, b: undefined, factorA: 1, factorB: 1, sideA: state.sideA};
}

/** The name of the relief that the second choice shows. */
export const otherName = () => (state.lampB === PREDICTED && sides().a?.forecast.gain ? PREDICTED
    : otherRelief(reliefOf(state.lampA) ?? state.reliefs[0]).relief?.state ?? "");

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
            store = new TileStore(drawing, renew);
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

const FROM = ["the right", "upper right", "above", "upper left", "the left", "lower left", "below", "lower right"];

/** @param {number} azimuth degrees */
export const fromText = (azimuth) => `from ${FROM[Math.round(((azimuth + 360) % 360) / 45) % 8]}`;

/** Where the light comes from, in words. */
export const describe = () => (lamp.elevation > 85 ? "straight in front"
    : `${fromText(lamp.azimuth)}, ${num(lamp.elevation, 0)}\u00b0 above the picture`);

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

const MARGIN = 96; // device px round what is in sight: ridges there throw shadows into it

/** @param {"A"|"B"} side @param {Relief} r @param {ReturnType<typeof look>} at */
function layRelief(side, r, at)
{
    const {slopes, height} = r.tiles, m = MARGIN / at.scale, {x0, y0, x1, y1} = at.box;
    const box = {x0: x0 - m, y0: y0 - m, x1: x1 + m, y1: y1 + m};
    const cell = 2 ** (slopes.levels - 1 - levelFor(slopes, at.scale)), gx = Math.floor(box.x0 / cell), gy = Math.floor(box.y0 / cell);
    const grid = {x: at.ox + gx * cell * at.scale, y: at.oy + gy * cell * at.scale, px: cell * at.scale,
                  w: Math.ceil(box.x1 / cell) - gx, h: Math.ceil(box.y1 / cell) - gy};
    /** @param {Tiles} t @param {number} frame px of the frame per px of the tiles' picture */
    const quads = (t, frame) => {
        const places = wanted(t, box, at.scale, frame), finest = places.at(-1)?.level, k = frame / cell;
        const here = places.map((p) => ({p, tex: store.get(t, p, true)}));
        const isFull = here.every(({p, tex}) => tex || p.level !== finest); // then the coarser ones lie underneath unseen
        return here.flatMap(({p, tex}) => (tex && (!isFull || p.level === finest)
            ? [{x: p.x * k - gx, y: p.y * k - gy, w: p.w * k, h: p.h * k, tex}] : []));
    };
    drawing?.layRelief(side, grid, quads(slopes, 1), height ? quads(height, r.height.reduced) : [], r.height.hi_mm - r.height.lo_mm);
}

/** What lies under the light on a side, later over earlier: tiles, the box they cover and the outline they
 *  are cut to, frame px. A view that is not placed has no colour to give.
 *  @param {string} side @returns {{tiles: Tiles, outline: Point[], isOver: boolean}[]} */
function picturesOf(side)
{
    if (side === "forecast" && state.forecast) {
        const t = state.forecast.tiles;
        // What was refused stays hatched, and the veil of the radius stays on it, under any light.
        return [t.look, ...(state.radiusOn ? [t.radius] : []), t.refusal].map((tiles, i) => ({tiles, outline: [], isOver: i > 0}));
    }
    const v = viewOf(side), outline = stage.outlineOf(side);
    if (!v?.tiles || !isPlaced(v))
        return [];
    const own = {tiles: v.tiles, outline: outline ?? [], isOver: false};
    return outline && side !== referenceSide() ? [...picturesOf(referenceSide()), own] : [own];
}

/** @param {Point[]} p convex, frame px @param {ReturnType<typeof look>} at @returns {[number, number, number][]} */
function edgesOf(p, at)
{
    const turn = Math.sign(polygonArea(p)), corners = p.map(([x, y]) => [at.ox + x * at.scale, at.oy + y * at.scale]);
    return corners.map(([x, y], i) => {
        const [u, v] = corners[(i + 1) % corners.length], a = turn * (y - v), b = turn * (u - x);
        return [a, b, -(a * x + b * y)];
    });
}

/** @param {"A"|"B"} side @param {string} shown @param {ReturnType<typeof look>} at */
function layColour(side, shown, at)
{
    const quads = picturesOf(shown).flatMap(({tiles, outline, isOver}) => {
        const [fw] = stage.frameSize(), box = tiles.at ?? {x: 0, y: 0, w: fw, h: 0}, frame = box.w / tiles.w, edges = edgesOf(outline, at);
        const seen = {x0: at.box.x0 - box.x, y0: at.box.y0 - box.y, x1: at.box.x1 - box.x, y1: at.box.y1 - box.y};
        const there = {...at, ox: at.ox + box.x * at.scale, oy: at.oy + box.y * at.scale};
        // A mark of a coarser level would show beside the right one: it has holes.
        const places = wanted(tiles, seen, at.scale, frame), last = places.at(-1)?.level;
        return places.filter((p) => !isOver || p.level === last).flatMap((p) => {
            const tex = store.get(tiles, p, false);
            return tex ? [{...onCanvas(there, p, frame), tex, edges, isOver}] : [];
        });
    });
    drawing?.layColour(side, quads);
}

/** @param {ReturnType<typeof look>} at */
function layOut(at)
{
    const {a, b, sideA} = sides();
    store.turn();
    drawing?.resize(at.w, at.h);
    if (a)
        layRelief("A", a, at);
    layColour("A", sideA, at);
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
    const at = look(), mm = (state.dossier.frame?.mm_per_px ?? 0.1) / at.scale, place = JSON.stringify(at);
    if (isNew || place !== laid) {
        isNew = false;
        laid = place;
        layOut(at);
    }
    const l = state.mode === "line" ? line.current() : null, {factorA, factorB} = sides();
    const [fw, fh] = stage.frameSize(), turn = l ? [Math.cos(l.turn * Math.PI / 180), Math.sin(l.turn * Math.PI / 180)] : [0, 0];
    drawing.shine({
        lamps: lamps(FAR * mm * Math.hypot(at.w, at.h)), mm,
        exaggeration: [lamp.exaggeration * factorA, lamp.exaggeration * factorB],
        isShadowed: lamp.isShadowed, isPlain: lamp.isPlain, frame: [at.ox, at.oy, at.ox + fw * at.scale, at.oy + fh * at.scale],
        line: l ? [turn[0], turn[1], (l.x * turn[0] + l.y * turn[1]) * at.dense] : null});
}

function renew()
{
    isNew = true;
    ask();
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
    for (const circle of hand.querySelectorAll(".lamp-ring"))
        setAttributes(circle, {cx: x.toFixed(1), cy: y.toFixed(1), r: r.toFixed(1)});
    const ray = /** @type {SVGElement} */ (hand.querySelector(".lamp-ray"));
    const grip = /** @type {SVGElement} */ (hand.querySelector(".lamp-grip"));
    setAttributes(ray, {x1: gx.toFixed(1), y1: gy.toFixed(1), x2: (gx + 0.35 * (x - gx)).toFixed(1), y2: (gy + 0.35 * (y - gy)).toFixed(1)});
    grip.setAttribute("transform", `translate(${gx.toFixed(1)} ${gy.toFixed(1)})`);
    grip.setAttribute("aria-valuenow", String(Math.round(lamp.azimuth)));
    grip.setAttribute("aria-valuetext", `light ${describe()}`);
    byId("lamp-note").textContent = noteText();
}

/** What is seen: always beside the lit picture. */
function noteText()
{
    const {a, b, factorA, factorB, sideA} = sides(), gain = (factorB !== 1 ? b : a)?.forecast.gain;
    const isTold = factorA !== 1 || factorB !== 1;
    const names = !b || b === a ? `the state ${a?.state ?? ""}` : `the states ${a?.state} and ${b.state}`;
    return [`Relief of ${names}, lit ${describe()}` +
                (lamp.exaggeration === 1 ? ", as measured" : `, relief exaggerated \u00d7${num(lamp.exaggeration, 1)}`),
            isTold && gain ? `${factorB !== 1 ? "the other side " : ""}predicted: slopes \u00d7${num(gain.value, 2)} ` +
                `(90 %: ${num(gain.low, 2)} to ${num(gain.high, 2)})` : "",
            state.mode === "mix" || state.mode === "difference" ? "the first picture alone is lit" : "",
            ...(lamp.isPlain ? [] : (b ? [sideA, state.sideB] : [sideA]).map(colourNote))]
        .filter(Boolean).join("; ");
}

/** What must be known about the colours under the light. @param {string} side */
function colourNote(side)
{
    const v = viewOf(side);
    return !v ? "" : !isPlaced(v) ? `${v.label} is not placed: lit without its colours`
        : v.technique === "raking" || v.technique === "specular" ? `${v.label} has its own light from the side in it` : "";
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
                   s("circle", {class: "lamp-reach", r: 15}), s("circle", {class: "lamp-back", r: 15}), s("circle", {class: "lamp-disc", r: 9}));
    hand.append(s("circle", {class: "lamp-ring is-under"}), s("circle", {class: "lamp-ring"}), s("line", {class: "lamp-ray"}), grip);
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
    byId("lamp-note").hidden = state.room !== "light";
    if (!state.lampOn)
        byId("lamp-note").textContent = state.reliefs.length ? "The lamp is out: the pictures are as photographed." : "No relief was computed yet.";
    renew();
    placeHand();
}

function lost(/** @type {Event} */ e)
{
    e.preventDefault(); // so that it is given back
    wasLit = state.lampOn;
    drawing = null;
    set({lampOn: false});
    say("The browser took the lamp's drawing away. It is lit again as soon as it gives it back.");
}

export function start()
{
    canvas = h("canvas", {id: "lamp", "aria-hidden": true, hidden: true});
    hand = s("svg", {id: "lamp-hand", hidden: true});
    byId("stage").insertBefore(canvas, byId("marks").nextSibling);
    byId("stage").append(hand);
    byId("picture").append(h("p", {id: "lamp-note", hidden: true}));
    makeHand();
    canvas.addEventListener("webglcontextlost", lost);
    canvas.addEventListener("webglcontextrestored", () => wasLit && light(true));
    stage.onDraw(() => {
        ask();
        placeHand();
    });
    line.onMove(ask);
    on(["room", "lampOn", "lampA", "lampB", "reliefs", "sideA", "sideB", "isOther", "mode", "forecast", "radiusOn", "views"], sync);
    sync();
}
