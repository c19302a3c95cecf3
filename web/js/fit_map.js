// The fit map of a view, over the picture: at each tile that agrees with the fit an arrow, what is left
// between the measured place and the fitted one, magnified; a hollow mark at each tile that does not
// agree; a hatch where the fit has no support, so that nobody takes it there for measured. The map of a
// view that was refused lies over the frame, to show why.
import * as api from "./api.js";
import {byId, h, say} from "./dom.js";
import {lensText, pxAndMm, strainText} from "./fit_report.js";
import {arrowFactor} from "./geometry.js";
import {unsupportedHatch} from "./hatch.js";
import * as stage from "./stage.js";
import {isFitted, isPlaced, on, referenceSide, set, state, viewOf} from "./state.js";
import {VERDICTS, sentence} from "./words.js";
/**
 * @typedef {import("./types.js").FitMap} FitMap
 * @typedef {import("./types.js").FitTile} FitTile
 */

/** @type {HTMLCanvasElement} */
let canvas;
let asked = 0;

/** The view whose map can be shown: of those on show, the other side first. */
export function candidate()
{
    const sides = state.mode === "one" ? [state.sideA] : [state.sideB, state.sideA];
    return sides.map(viewOf).find((v) => v && isFitted(v) && isPlaced(v));
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

/** What the marks mean, and the fit in figures: rows. @returns {HTMLElement[][]} */
export function legend()
{
    const map = state.fitMap, v = state.views.find((w) => w.id === map?.view);
    if (!map || !v)
        return [];
    const agree = map.tiles.filter((t) => t.used), word = map.pairs ? "pairs of points" : "tiles with texture";
    const share = map.tiles.length ? `${agree.length} of ${map.tiles.length} ${word} agree`
        : map.kind?.startsWith("one place") ? map.kind : "no tiles";
    const more = [`held-out residual ${pxAndMm(map.held_out_median_px, map.held_out_median_mm)}, 95\u00a0% ${pxAndMm(map.held_out_p95_px, map.held_out_p95_mm)}`,
                  map.kind ?? "", map.lens ? `lens ${lensText(map.lens)}` : "",
                  map.strain_max ? `stretch ${strainText(map.strain_max)}` : ""].filter(Boolean).join("; ");
    return [[h("span", {}, `fit of ${v.label}: `, h("strong", {}, VERDICTS[map.verdict] ?? map.verdict), `, ${share}` +
               (agree.length ? `; residual \u00d7${arrowFactor(map.tiles, map.tile_pitch_px)}` : "")),
             h("span", {class: "legend-off", "aria-hidden": "true"}), h("span", {}, "does not agree"),
             ...(map.support ? [h("span", {class: "legend-unsupported", "aria-hidden": "true"}), h("span", {}, "no support")]
                             : [h("span", {}, "where it has support is not known")])],
            [h("span", {}, more)],
            ...(map.verdict !== "good" && map.why ? [[h("span", {}, sentence(map.why))]] : []),
            ...(isPlaced(v) ? [] : [[h("span", {}, "not placed: what was found is shown over the frame")]])];
}

/** Hatch the cells that no agreeing tile is near; of a detail, those inside its outline.
 *  @param {CanvasRenderingContext2D} g @param {FitMap} map @param {number} k screen px per frame px */
function drawUnsupported(g, map, k)
{
    const sup = map.support, v = state.views.find((w) => w.id === map.view);
    if (!sup)
        return;
    const [x, y] = stage.toScreen([0, 0]);
    g.save();
    g.translate(x, y); // the hatch moves with the picture
    g.beginPath();
    g.rect(0, 0, map.frame.w * k, map.frame.h * k);
    g.clip();
    if (v?.fit.is_detail && v.fit.outline) {
        g.beginPath();
        v.fit.outline.forEach(([px, py], i) => (i ? g.lineTo(px * k, py * k) : g.moveTo(px * k, py * k)));
        g.clip();
    }
    g.fillStyle = unsupportedHatch(g);
    g.beginPath();
    const c = sup.cell_px * k;
    sup.mask.forEach((row, j) => {
        for (let i = 0; i < sup.cols; i++)
            if (row[i] === "0")
                g.rect(i * c, j * c, c, c);
    });
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
    const factor = arrowFactor(map.tiles, map.tile_pitch_px);
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

/** Is the map where it belongs: over its own view, or, when that was refused, over the frame?
 *  @param {import("./types.js").View} v */
const isOver = (v) => !isPlaced(v) ? state.mode === "one" && state.sideA === referenceSide()
    : state.sideA === `view:${v.id}` || (state.mode !== "one" && state.sideB === `view:${v.id}`);

/** The map goes with its view: away when that is no longer on show. */
function follow()
{
    const map = state.fitMap, v = state.views.find((w) => w.id === map?.view);
    if (map && (!v || !isFitted(v) || !isOver(v)))
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
