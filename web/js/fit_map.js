// The fit map of a view, over the picture: at each tile that agrees with the fit an arrow, what is left
// between the measured place and the fitted one, magnified; a hollow mark at each tile that does not
// agree; a hatch where no agreeing tile is near, so that nobody takes the fit there for measured.
import * as api from "./api.js";
import {byId, h, say} from "./dom.js";
import {arrowFactor, tilePitch} from "./geometry.js";
import * as stage from "./stage.js";
import {isFitted, on, set, state, viewOf} from "./state.js";
/**
 * @typedef {import("./types.js").FitMap} FitMap
 * @typedef {import("./types.js").FitTile} FitTile
 */

export const REACH = 2; // tile distances from an agreeing tile that count as supported (HC_ALIGN)

/** @type {HTMLCanvasElement} */
let canvas;
let asked = 0;

/** The view whose map can be shown: of those on show, the other side first. */
export function candidate()
{
    const sides = state.mode === "one" ? [state.sideA] : [state.sideB, state.sideA];
    return sides.map(viewOf).find((v) => v && isFitted(v));
}

/** Show the fit map of a view, or none. @param {number|null} id */
export async function show(id)
{
    const mine = ++asked;
    byId("trouble").textContent = "";
    if (id === null) {
        set({fitMap: null});
        return;
    }
    try {
        const doc = await api.fit(id);
        if (mine !== asked)
            return;
        set({fitMap: doc});
        const name = state.views.find((v) => v.id === id)?.label ?? "";
        say(doc.tiles.length ? `Fit map of ${name}: ${doc.tiles.filter((t) => t.used).length} of ${doc.tiles.length} tiles agree.`
                             : `The fit of ${name} has no tiles.`);
    } catch (e) {
        if (mine === asked) {
            set({fitMap: null});
            byId("trouble").className = "trouble";
            byId("trouble").textContent = e instanceof Error ? e.message : String(e);
        }
    }
}

/** On or off for what is on show. */
export function toggle()
{
    const v = candidate();
    if (state.fitMap || v)
        show(state.fitMap || !v ? null : v.id);
    else
        say("No view with a fit is on show: the view that gives the frame has none.");
}

/** What the marks mean. @returns {HTMLElement[]} */
export function legend()
{
    const map = state.fitMap, v = state.views.find((w) => w.id === map?.view);
    if (!map || !v)
        return [];
    const agree = map.tiles.filter((t) => t.used), word = tilePitch(map.tiles) ? "tiles with texture" : "pairs of points";
    return [h("span", {}, `fit of ${v.label}: ${agree.length} of ${map.tiles.length} ${word} agree; residual \u00d7${arrowFactor(map.tiles)}`),
            h("span", {class: "legend-off", "aria-hidden": "true"}), h("span", {}, "does not agree"),
            ...(tilePitch(map.tiles)
                ? [h("span", {class: "legend-unsupported", "aria-hidden": "true"}), h("span", {}, "no support")] : [])];
}

/** The hatch: thin strokes falling to the right, where those of a refusal rise.
 *  @param {CanvasRenderingContext2D} g */
function hatch(g)
{
    const cell = document.createElement("canvas"), n = 10;
    cell.width = cell.height = n;
    const c = /** @type {CanvasRenderingContext2D} */ (cell.getContext("2d"));
    for (const [width, colour] of /** @type {[number, string][]} */ ([[3, "rgba(0,0,0,.55)"], [1.2, "#fff"]])) {
        c.lineWidth = width;
        c.strokeStyle = colour;
        c.beginPath();
        for (const k of [-n, 0, n]) {
            c.moveTo(k - 2, -2);
            c.lineTo(k + n + 2, n + 2);
        }
        c.stroke();
    }
    return /** @type {CanvasPattern} */ (g.createPattern(cell, "repeat"));
}

/** @param {CanvasRenderingContext2D} g @param {FitMap} map @param {number} k screen px per frame px */
function drawUnsupported(g, map, k)
{
    const pitch = tilePitch(map.tiles);
    if (!pitch)
        return;
    const [x, y] = stage.toScreen([0, 0]), r = REACH * pitch * k;
    g.save();
    g.translate(x, y); // the hatch moves with the picture
    g.fillStyle = hatch(g);
    g.fillRect(0, 0, map.frame.w * k, map.frame.h * k);
    g.globalCompositeOperation = "destination-out";
    g.fillStyle = "#000";
    g.beginPath();
    for (const t of map.tiles)
        if (t.used) {
            g.moveTo(t.x * k + r, t.y * k);
            g.arc(t.x * k, t.y * k, r, 0, 2 * Math.PI);
        }
    g.fill();
    g.restore();
}

/** One arrow as a path, with a dot where it begins. @param {CanvasRenderingContext2D} g @param {number} x
 *  @param {number} y @param {number} dx @param {number} dy screen px */
function arrow(g, x, y, dx, dy)
{
    const long = Math.hypot(dx, dy), head = Math.min(6, 0.45 * long);
    g.moveTo(x + 1.5, y);
    g.arc(x, y, 1.5, 0, 2 * Math.PI);
    if (long < 2)
        return;
    const [ux, uy] = [dx / long, dy / long], [ex, ey] = [x + dx, y + dy];
    g.moveTo(x, y);
    g.lineTo(ex, ey);
    for (const s of [-0.5, 0.5]) {
        g.moveTo(ex, ey);
        g.lineTo(ex - head * (ux + s * uy), ey - head * (uy - s * ux));
    }
}

/** @param {CanvasRenderingContext2D} g @param {FitMap} map @param {number} k */
function drawTiles(g, map, k)
{
    const factor = arrowFactor(map.tiles);
    g.beginPath();
    for (const t of map.tiles) {
        const [x, y] = stage.toScreen([t.x, t.y]);
        if (t.used)
            arrow(g, x, y, t.dx * factor * k, t.dy * factor * k);
        else {
            g.moveTo(x + 5, y);
            g.arc(x, y, 5, 0, 2 * Math.PI);
        }
    }
    // Dark under light, so that it shows on any paint.
    for (const [width, colour] of /** @type {[number, string][]} */ ([[4, "rgba(0,0,0,.75)"], [1.5, "#fff"]])) {
        g.lineWidth = width;
        g.strokeStyle = colour;
        g.stroke();
    }
}

function draw()
{
    const map = state.fitMap;
    canvas.hidden = !map;
    if (!map || !stage.isOpen())
        return;
    const [w, h0] = stage.areaSize(), dense = devicePixelRatio, k = stage.scale();
    canvas.width = Math.round(w * dense);
    canvas.height = Math.round(h0 * dense);
    const g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    g.scale(dense, dense);
    drawUnsupported(g, map, k);
    drawTiles(g, map, k);
}

/** The map goes with its view: away when that is no longer on show or in the frame. */
function follow()
{
    const map = state.fitMap, v = state.views.find((w) => w.id === map?.view);
    if (!map)
        return;
    const isOn = state.sideA === `view:${map.view}` || (state.mode !== "one" && state.sideB === `view:${map.view}`);
    if (!isOn || !v || !isFitted(v))
        show(null);
}

export function start()
{
    canvas = /** @type {HTMLCanvasElement} */ (byId("fit-map"));
    stage.onDraw(draw);
    on(["fitMap"], draw);
    on(["sideA", "sideB", "mode"], follow);
    on(["views"], () => {
        follow();
        if (state.fitMap)
            show(state.fitMap.view);
    });
}
