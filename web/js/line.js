// The half-clean line: two fine parallels over the picture with the paint visible between them, a grip
// that carries the name of each side, and a small ring to turn by. It stays where it was put in the
// picture. Moving it changes one clip path and a few transforms; nothing is redrawn.
import {byId, h, say} from "./dom.js";
import {alongOf, clamp, clipRect, gripPoint, lineSpan, sideOf, wrapTurn} from "./geometry.js";
import * as stage from "./stage.js";
import {on, sideName, state} from "./state.js";
import {num} from "./words.js";
/** @typedef {import("./types.js").Point} Point */

const RING_PX = 104; // from the grip to the ring
const MARGIN_PX = 120;

/** Where the line is: a point of the frame (px) and its turn (degrees; 0 = other side to the right). */
let anchor = /** @type {Point|null} */ (null);
let turn = 14; // leaning, so that it is not taken for an edge in the painting
let isAsked = false;

/** @type {HTMLElement} */
let root;
/** @type {Record<"stroke"|"grip"|"ring"|"nameA"|"nameB", HTMLElement>} */
let part;

/** @returns {{x:number, y:number, turn:number}} in screen px */
function screenLine()
{
    const [x, y] = stage.toScreen(anchor ?? middle());
    return {x, y, turn};
}

/** @type {(() => void)[]} */
const moved = [];

/** Call fn after each move of the line. @param {() => void} fn */
export function onMove(fn)
{
    moved.push(fn);
}

/** Where the line is now, screen px; null when it is not on. */
export const current = () =>
    state.mode === "line" && state.sideB !== "" && stage.isOpen() ? screenLine() : null;

/** @returns {Point} */
function middle()
{
    const [w, h0] = stage.frameSize();
    return [w / 2, h0 / 2];
}

/** Put everything where the line is now. */
function place()
{
    isAsked = false;
    const isOn = state.mode === "line" && state.sideB !== "" && stage.isOpen();
    root.hidden = !isOn;
    if (!isOn) {
        layWhole();
        return;
    }
    const [w, h0] = stage.areaSize(), l = screenLine();
    stage.cut(clipRect(w, h0, l));
    stage.setOpacity(1);
    stage.subtract(0);
    moved.forEach((fn) => fn());
    const grip = gripPoint(w, h0, l, MARGIN_PX);
    for (const el of Object.values(part))
        el.hidden = grip === null;
    if (!grip)
        return;
    const span = /** @type {[number, number]} */ (lineSpan(w, h0, l));
    const d = alongOf(turn);
    move(part.stroke, [l.x + span[0] * d[0], l.y + span[0] * d[1]], `rotate(${turn + 90}deg)`);
    part.stroke.style.width = `${span[1] - span[0]}px`;
    move(part.grip, grip, `rotate(${turn}deg)`);
    placeRing(grip, w, h0);
    placeNames(grip);
    describe(grip, w, h0);
}

/** Without the line: the second picture whole, laid over the first as the way to compare wants it. */
function layWhole()
{
    const m = state.mode, isShown = state.sideB !== "" &&
        (m === "mix" || m === "alternation" || stage.isSubtracting());
    stage.cut(isShown ? null : []);
    stage.setOpacity(m === "mix" ? state.mix : m === "alternation" && !state.isOther ? 0 : 1);
    stage.subtract(isShown && m === "difference" ? state.factor : 0);
}

/** @param {Point} grip @param {number} w @param {number} h0 */
function placeRing(grip, w, h0)
{
    const d = alongOf(turn);
    // The end of the arm with more room before the edge of the picture area.
    const room = (/** @type {number} */ sign) => {
        const x = grip[0] + sign * RING_PX * d[0], y = grip[1] + sign * RING_PX * d[1];
        return Math.min(x, y, w - x, h0 - y);
    };
    const sign = room(1) >= Math.min(24, room(-1)) ? 1 : -1;
    move(part.ring, [grip[0] + sign * RING_PX * d[0], grip[1] + sign * RING_PX * d[1]], "");
    part.ring.dataset.sign = String(sign);
}

/** The names lie level whatever the line's turn, each on its side as far as there is room. @param {Point} grip */
function placeNames(grip)
{
    const n = sideOf(turn), [w, h0] = stage.areaSize();
    for (const [el, sign] of /** @type {[HTMLElement, number][]} */ ([[part.nameA, -1],
                                                                      [part.nameB, 1]])) {
        // Half the label's extent along the normal, so that its near edge clears the grip.
        const reach = (Math.abs(n[0]) * el.offsetWidth + Math.abs(n[1]) * el.offsetHeight) / 2 + 20;
        const halfW = el.offsetWidth / 2, halfH = el.offsetHeight / 2;
        move(el, [clamp(grip[0] + sign * n[0] * reach, halfW, w - halfW),
                  clamp(grip[1] + sign * n[1] * reach, halfH, h0 - halfH)], "");
    }
}

/** @param {HTMLElement} el @param {Point} p @param {string} after */
function move(el, p, after)
{
    el.style.transform = `translate(${p[0].toFixed(2)}px, ${p[1].toFixed(2)}px) ${after}`;
}

/** @param {Point} grip @param {number} w @param {number} h0 */
function describe(grip, w, h0)
{
    const a = sideName(state.sideA), b = sideName(state.sideB);
    const x = clamp(Math.round(100 * grip[0] / w), 0, 100), y = Math.round(100 * grip[1] / h0);
    part.grip.setAttribute("aria-valuenow", String(x));
    part.grip.setAttribute("aria-valuetext",
                           `${x} % across and ${y} % down; ${a} on one side, ${b} on the other`);
    part.ring.setAttribute("aria-valuenow", String(Math.round(turn)));
    part.ring.setAttribute("aria-valuetext", `turned ${num(turn, 0)} degrees`);
}

/** Ask for one placing in the next animation frame. */
function ask()
{
    if (!isAsked) {
        isAsked = true;
        requestAnimationFrame(() => {
            if (isAsked)
                place();
        });
    }
}

/** @param {number} dx @param {number} dy screen px */
export function moveBy(dx, dy)
{
    const [w, h0] = stage.areaSize(), l = screenLine();
    const at = gripPoint(w, h0, l, MARGIN_PX) ?? [w / 2, h0 / 2];
    putAt([at[0] + dx, at[1] + dy]);
}

/** @param {Point} p screen px, kept in sight */
function putAt(p)
{
    const [w, h0] = stage.areaSize();
    anchor = stage.toFrame([clamp(p[0], 0, w), clamp(p[1], 0, h0)]);
    ask();
}

/** @param {number} deg */
export function turnBy(deg)
{
    keepGrip();
    turn = wrapTurn(turn + deg);
    ask();
}

/** Turn about the grip as it is seen, not about a point out of sight. */
function keepGrip()
{
    const [w, h0] = stage.areaSize();
    const at = gripPoint(w, h0, screenLine(), MARGIN_PX);
    if (at)
        anchor = stage.toFrame(at);
}

/** Swap what lies on each side. */
export function swap()
{
    turnBy(180);
    say(`${sideName(state.sideA)} and ${sideName(state.sideB)} have changed sides.`);
}

/** Bring the line to the middle of what is in sight. */
export function bringHere()
{
    const [w, h0] = stage.areaSize();
    putAt([w / 2, h0 / 2]);
    place(); // now, since what is not in sight takes no focus
    part.grip.focus();
}

/** @param {KeyboardEvent} e @returns {boolean} whether the key was for the line */
export function key(e)
{
    const step = e.shiftKey ? 40 : 8, deg = e.shiftKey ? 15 : 1;
    switch (e.key) {
    case "[":
    case "{":
        turnBy(-deg);
        return true;
    case "]":
    case "}":
        turnBy(deg);
        return true;
    case ",":
    case "<":
    case ".":
    case ">": {
        const n = sideOf(turn), sign = e.key === "," || e.key === "<" ? -step : step;
        moveBy(sign * n[0], sign * n[1]);
        return true;
    }
    default:
        return false;
    }
}

/** @param {KeyboardEvent} e */
function gripKey(e)
{
    const step = e.shiftKey ? 40 : 8;
    /** @type {Record<string, Point>} */
    const by = {ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step],
                ArrowDown: [0, step]};
    if (by[e.key])
        moveBy(...by[e.key]);
    else if (!key(e))
        return;
    e.preventDefault();
    e.stopPropagation();
}

/** @param {KeyboardEvent} e */
function ringKey(e)
{
    const deg = e.shiftKey ? 15 : 1;
    if (e.key === "ArrowLeft" || e.key === "ArrowDown")
        turnBy(-deg);
    else if (e.key === "ArrowRight" || e.key === "ArrowUp")
        turnBy(deg);
    else if (!key(e))
        return;
    e.preventDefault();
    e.stopPropagation();
}

/** Drag `el`: fn gets the pointer's place in screen px. @param {HTMLElement} el
 *  @param {(p: Point, e: PointerEvent) => void} begin @param {(p: Point, e: PointerEvent) => void} fn */
function drag(el, begin, fn)
{
    /** @param {PointerEvent} e @returns {Point} */
    const at = (e) => {
        const r = byId("stage").getBoundingClientRect();
        return [e.clientX - r.left, e.clientY - r.top];
    };
    el.addEventListener("pointerdown", (e) => {
        if (e.button !== 0)
            return;
        e.preventDefault();
        e.stopPropagation();
        el.setPointerCapture(e.pointerId);
        root.classList.add("is-dragged");
        (el.tabIndex >= 0 ? el : part.grip).focus({preventScroll: true});
        begin(at(e), e);
    });
    el.addEventListener("pointermove", (e) => {
        if (el.hasPointerCapture(e.pointerId))
            fn(at(e), e);
    });
    el.addEventListener("lostpointercapture", () => root.classList.remove("is-dragged"));
}

export function start()
{
    root = byId("line");
    part = {
        stroke: h("div", {class: "line-stroke"}),
        grip: h("div", {class: "line-grip", role: "slider", tabindex: 0, "aria-label":
            "Half-clean line: place", "aria-valuemin": 0, "aria-valuemax": 100, "aria-valuenow": 50,
            title: "Drag to move the line; arrow keys move it, [ and ] turn it"}),
        ring: h("div", {class: "line-ring", role: "slider", tabindex: 0, "aria-label":
            "Half-clean line: turn", "aria-valuemin": -180, "aria-valuemax": 180,
            "aria-valuenow": 0, title: "Drag to turn the line; with Shift in steps of 15 degrees"}),
        nameA: h("div", {class: "line-name", "aria-hidden": "true"}),
        nameB: h("div", {class: "line-name", "aria-hidden": "true"})};
    root.append(part.stroke, part.nameA, part.nameB, part.ring, part.grip);
    /** @type {Point} */
    let off = [0, 0];
    for (const el of [part.grip, part.stroke])
        drag(el, (p) => {
            const l = screenLine(), [w, h0] = stage.areaSize();
            const g = gripPoint(w, h0, l, MARGIN_PX) ?? [l.x, l.y];
            off = [g[0] - p[0], g[1] - p[1]];
        }, (p) => putAt([p[0] + off[0], p[1] + off[1]]));
    drag(part.ring, keepGrip, (p, e) => {
        const l = screenLine(), sign = Number(part.ring.dataset.sign);
        // The ring lies along the line: its direction is the turn plus a quarter.
        const along = Math.atan2(sign * (p[1] - l.y), sign * (p[0] - l.x)) * 180 / Math.PI;
        const t = along - 90;
        turn = wrapTurn(e.shiftKey ? Math.round(t / 15) * 15 : t);
        ask();
    });
    part.grip.addEventListener("keydown", gripKey);
    part.ring.addEventListener("keydown", ringKey);
    stage.onDraw(place);
    on(["mode", "sideA", "sideB", "mix", "factor", "isOther", "views", "forecast"], name);
    name();
}

function name()
{
    part.nameA.textContent = sideName(state.sideA);
    part.nameB.textContent = sideName(state.sideB);
    place();
}
