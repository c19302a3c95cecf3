// The picture area: layers of deep zoom, one over the other. The lower one (side A) takes the pointer;
// the upper one (side B) follows it in the same animation frame and is cut by a clip path, so moving the
// half-clean line never redraws a picture. A third one carries the hatch and the veil while the two are
// subtracted from each other: marks must not be taken for a difference, nor be lost in it.
//
// A detail is drawn inside the frame, over the view that gives it, with its own finer pixels and cut to
// its outline; so is any view that does not show all of the frame. What is compared with it is compared
// inside that outline only.
import {cropOf, keepStyles, makeViewer, tileSource} from "./deep_zoom.js";
import {byId} from "./dom.js";
import {inset, intersection, polygonArea} from "./geometry.js";
import {areComparable, isPlaced, on, referenceSide, state, viewOf} from "./state.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Tiles} Tiles
 * @typedef {{tiles: Tiles, isPlaced: boolean, crop: Point[][]|null}} Picture crop: frame px
 * @typedef {{viewer: OpenSeadragon.Viewer, shown: Map<string, OpenSeadragon.TiledImage>,
 *   coming: Set<string>, wanted: Picture[], element: HTMLElement}} Layer
 */

/** @type {Layer} */
let lower;
/** @type {Layer} */
let upper;
/** @type {Layer} */
let marks;
/** Does the whole picture show? Then it does so still when the picture area changes its size. */
let isWhole = true;
/** @type {(() => void)[]} */
const drawn = [];
/** @type {((p: Point, kind: "click"|"double") => boolean)[]} */
const clicked = [];

/** Size of the frame in px. @returns {Point} */
export function frameSize()
{
    if (state.dossier.frame)
        return [state.dossier.frame.w, state.dossier.frame.h];
    const t = viewOf(state.sideA)?.tiles;
    return t ? [t.w, t.h] : [1000, 1000];
}

/** Size of the picture area in screen px. @returns {Point} */
export function areaSize()
{
    const el = byId("stage");
    return [el.clientWidth, el.clientHeight];
}

/** Screen px per frame px. */
export function scale()
{
    return lower.viewer.viewport.getZoom(true) * areaSize()[0] / frameSize()[0];
}

/** Frame px to screen px. @param {Point} p @returns {Point} */
export function toScreen(p)
{
    const fw = frameSize()[0];
    const q = lower.viewer.viewport.pixelFromPoint(new OpenSeadragon.Point(p[0] / fw, p[1] / fw), true);
    return [q.x, q.y];
}

/** Screen px to frame px. @param {Point} p @returns {Point} */
export function toFrame(p)
{
    const fw = frameSize()[0];
    const q = lower.viewer.viewport.pointFromPixel(new OpenSeadragon.Point(p[0], p[1]), true);
    return [q.x * fw, q.y * fw];
}

/** Call fn after each redraw of the pictures. @param {() => void} fn */
export function onDraw(fn)
{
    drawn.push(fn);
}

/** Call fn for clicks on the picture, first come first asked; true means "mine, go no further".
 *  @param {(p: Point, kind: "click"|"double") => boolean} fn p in frame px */
export function onClick(fn)
{
    clicked.push(fn);
}

/** @returns {boolean} whether there is a picture to look at */
export const isOpen = () => lower !== undefined && lower.shown.size > 0;

/** Show the whole picture. */
export function fit()
{
    home(false);
}

/** With a margin, so that the surround is seen on every side. @param {boolean} atOnce */
function home(atOnce)
{
    const [fw, fh] = frameSize(), m = 0.03;
    isWhole = true;
    lower.viewer.viewport.fitBounds(new OpenSeadragon.Rect(-m, -m, 1 + 2 * m, fh / fw + 2 * m), atOnce);
}

/** @param {number} factor @param {Point} [at] frame px that stays in place */
export function zoomBy(factor, at)
{
    const fw = frameSize()[0], v = lower.viewer.viewport;
    isWhole = false;
    v.zoomBy(factor, at ? new OpenSeadragon.Point(at[0] / fw, at[1] / fw) : undefined, false);
    v.applyConstraints();
}

/** @param {number} dx @param {number} dy screen px */
export function panBy(dx, dy)
{
    const v = lower.viewer.viewport;
    isWhole = false;
    v.panBy(v.deltaPointsFromPixels(new OpenSeadragon.Point(dx, dy)), false);
    v.applyConstraints();
}

/** Bring a place to the middle, at least `zoom` times as large as the whole picture.
 *  @param {Point} p frame px @param {number} zoom */
export function goTo(p, zoom)
{
    const fw = frameSize()[0], v = lower.viewer.viewport;
    isWhole = false;
    v.panTo(new OpenSeadragon.Point(p[0] / fw, p[1] / fw), false);
    v.zoomTo(Math.max(v.getZoom(), v.getHomeZoom() * zoom), undefined, false);
}

/** Move the picture just enough that the place is in sight. @param {Point} p frame px */
export function reveal(p)
{
    const [x, y] = toScreen(p), [w, h] = areaSize(), m = Math.min(60, w / 4, h / 4);
    const dx = x < m ? x - m : x > w - m ? x - w + m : 0;
    const dy = y < m ? y - m : y > h - m ? y - h + m : 0;
    if (dx || dy)
        panBy(dx, dy);
}

/** Cut side B. @param {Point[]|null} polygon screen px; null = whole, empty = nothing */
export function cut(polygon)
{
    const el = byId("side-b");
    el.hidden = polygon !== null && polygon.length === 0;
    el.style.clipPath = polygon && polygon.length
        ? `polygon(${polygon.map(([x, y]) => `${x.toFixed(2)}px ${y.toFixed(2)}px`).join(",")})`
        : "none";
}

/** @param {number} opacity of side B, 0..1 */
export function setOpacity(opacity)
{
    byId("side-b").style.opacity = String(opacity);
}

/** Show |A - B| of the values on the screen, multiplied and clipped. @param {number} factor 0 = do not */
export function subtract(factor)
{
    byId("pictures").classList.toggle("is-difference", factor > 0);
    byId("pictures").style.filter = factor > 1 ? `brightness(${factor})` : "";
}

/** @returns {boolean} whether a difference can be shown and is asked for */
export const isSubtracting = () => state.mode === "difference" && areComparable();

/** @param {string} id @param {boolean} takesPointer @returns {Layer} */
function makeLayer(id, takesPointer)
{
    const element = byId(id), viewer = makeViewer(element, takesPointer);
    return {viewer, shown: new Map(), coming: new Set(), wanted: [], element};
}

const EDGE = 2;      // frame px left off at an outline: there a view's pixels mix with what it does not show
const WHOLE = 0.97;  // a view that shows this much of the frame is taken to show all of it

/** The part of the frame that a side shows where it does not show all of it, frame px.
 *  @param {string} side @returns {Point[]|null} */
export function outlineOf(side)
{
    const v = viewOf(side), at = v?.tiles?.at, [fw, fh] = frameSize();
    if (!v || !v.tiles || !isPlaced(v))
        return null;
    const outline = v.fit.outline ?? (at ? rectangle(at.x, at.y, at.w, at.h) : null);
    if (!outline || (!at && Math.abs(polygonArea(intersection(rectangle(0, 0, fw, fh), outline))) >= WHOLE * fw * fh))
        return null;
    return inset(outline, EDGE);
}

/** @param {number} x @param {number} y @param {number} w @param {number} h @returns {Point[]} */
const rectangle = (x, y, w, h) => [[x, y], [x + w, y], [x + w, y + h], [x, y + h]];

/** The part of the frame where the two sides can be compared; null = all of it, empty = nowhere.
 *  @returns {Point[]|null} */
export function commonPart()
{
    const a = outlineOf(state.sideA), b = outlineOf(state.sideB);
    return a && b ? intersection(a, b) : a ?? b;
}

/** Pictures of a side; a detail lies over the view that gives the frame. @param {string} side
 *  @returns {Picture[]} */
function picturesOf(side)
{
    if (side === "forecast" && state.forecast)
        return [{tiles: state.forecast.tiles.look, isPlaced: true, crop: null}];
    const v = viewOf(side), outline = outlineOf(side);
    if (!v || !v.tiles)
        return [];
    const own = {tiles: v.tiles, isPlaced: isPlaced(v), crop: outline ? [outline] : null};
    return outline ? [...picturesOf(referenceSide()), own] : [own];
}

/** The forecast's veil, when asked for, and its refusals, always: where nothing is known, nothing may
 *  look known. @param {string} side @returns {Picture[]} */
function marksOf(side)
{
    if (side !== "forecast" || !state.forecast)
        return [];
    const t = state.forecast.tiles;
    return (state.radiusOn ? [t.radius, t.refusal] : [t.refusal]).map(
        (tiles) => ({tiles, isPlaced: true, crop: null}));
}

/** The frame without a part, as two rings of opposite turn; with a border, since a cut is soft by a px of
 *  the screen. @param {Point[]} part @returns {Point[][]} */
function outside(part)
{
    const [w, h] = frameSize();
    return [rectangle(-w, -h, 3 * w, 3 * h), polygonArea(part) > 0 ? [...part].reverse() : part];
}

/** A difference of no more than a part: the picture as it is lies over the rest, so that neither the
 *  subtraction nor its factor is seen there. @returns {Picture[]} */
function coverOf()
{
    const part = commonPart();
    return part ? picturesOf(state.sideA).slice(0, 1).map((p) => ({...p, crop: outside(part)})) : [];
}

/** One picture is told from another by what it shows and how it is cut. @param {Picture} p */
const keyOf = (p) => `${p.tiles.key} ${p.crop ? JSON.stringify(p.crop) : ""}`;

/** @param {Layer} layer @param {Picture} p @param {number} index */
function addPicture(layer, p, index)
{
    const [fw, fh] = frameSize(), key = keyOf(p), at = p.tiles.at ?? {x: 0, y: 0, w: fw, h: fh};
    /** @type {any} */
    const options = {
        tileSource: tileSource(p.tiles), index,
        success: (/** @type {any} */ e) => {
            layer.coming.delete(key);
            if (!layer.wanted.some((q) => keyOf(q) === key)) {
                layer.viewer.world.removeItem(e.item);
                return;
            }
            const k = p.tiles.w / at.w;
            if (p.crop)
                e.item.setCroppingPolygons(p.crop.map((ring) => cropOf(ring, ([x, y]) => [(x - at.x) * k, (y - at.y) * k])));
            layer.shown.set(key, e.item);
            settle(layer);
        }};
    layer.coming.add(key);
    if (p.isPlaced)
        Object.assign(options, {x: at.x / fw, y: at.y / fw, width: at.w / fw});
    else
        options.fitBounds = new OpenSeadragon.Rect(0, 0, 1, fh / fw);
    layer.viewer.addTiledImage(options);
}

/**
 * Take away pictures no longer wanted, once the wanted ones are drawn (so the picture area is never
 * empty in between), and put the others in order.
 * @param {Layer} layer
 */
function settle(layer)
{
    const world = layer.viewer.world;
    const items = layer.wanted.map((p) => layer.shown.get(keyOf(p)));
    items.forEach((item, i) => {
        if (item)
            world.setItemIndex(item, Math.min(world.getItemCount() - 1, i + countOld(layer)));
    });
    const base = items[0];
    const sweep = () => {
        for (const [key, item] of layer.shown)
            if (!layer.wanted.some((p) => keyOf(p) === key)) {
                layer.shown.delete(key);
                world.removeItem(item);
            }
        layer.viewer.forceRedraw();
    };
    if (layer.wanted.length === 0 || !base || base.getFullyLoaded()) {
        if (base || layer.wanted.length === 0)
            sweep();
        return;
    }
    base.addOnceHandler("fully-loaded-change", sweep);
}

/** @param {Layer} layer */
function countOld(layer)
{
    let n = 0;
    for (const key of layer.shown.keys())
        if (!layer.wanted.some((p) => keyOf(p) === key))
            n++;
    return n;
}

/** @param {Layer} layer @param {Picture[]} wanted */
function showPictures(layer, wanted)
{
    layer.wanted = wanted;
    wanted.forEach((p, i) => {
        if (!layer.shown.has(keyOf(p)) && !layer.coming.has(keyOf(p)))
            addPicture(layer, p, countOld(layer) + i);
    });
    settle(layer);
}

/** All layers as the state wants them. */
function syncContent()
{
    const a = marksOf(state.sideA), b = marksOf(state.sideB), apart = isSubtracting();
    const part = state.mode === "one" ? null : commonPart();
    // Of a detail the upper layer has the detail alone: around it the lower one shows through.
    const over = [...picturesOf(state.sideB).slice(-1), ...(apart ? [] : b)].map(
        (p) => (part ? {...p, crop: [part]} : p));
    showPictures(lower, [...picturesOf(state.sideA), ...(apart ? [] : a)]);
    showPictures(upper, state.mode === "one" || part?.length === 0 ? [] : over);
    showPictures(marks, apart ? [...coverOf(), ...a, ...b] : []);
    byId("stage-empty").hidden = state.views.some((v) => v.tiles);
}

/** The upper layers take the lower one's place before any is drawn. */
function follow()
{
    const from = lower.viewer.viewport;
    for (const {viewport} of [upper.viewer, marks.viewer]) {
        viewport.zoomTo(from.getZoom(true), undefined, true);
        viewport.panTo(from.getCenter(true), true);
    }
}

export function start()
{
    keepStyles();
    // The order matters: the lower viewer's animation frame runs before the upper ones'.
    lower = makeLayer("side-a", true);
    upper = makeLayer("layer-b", false);
    marks = makeLayer("marks", false);
    lower.viewer.addHandler("viewport-change", follow);
    lower.viewer.world.addHandler("add-item", () => {
        if (isWhole)
            home(true);
    });
    upper.viewer.world.addHandler("add-item", follow);
    marks.viewer.world.addHandler("add-item", follow);
    lower.viewer.addHandler("resize", () => {
        // The library restores its own place after telling of the new size: ours comes after that.
        if (isWhole)
            queueMicrotask(() => home(true));
        follow();
    });
    for (const byHand of ["canvas-drag", "canvas-scroll", "canvas-pinch"])
        lower.viewer.addHandler(/** @type {any} */ (byHand), () => {
            isWhole = false;
        });
    lower.viewer.addHandler("update-viewport", () => drawn.forEach((fn) => fn()));
    lower.viewer.addHandler("canvas-click", (/** @type {any} */ e) => {
        if (e.quick)
            tell([e.position.x, e.position.y], "click");
    });
    lower.viewer.addHandler("canvas-double-click", (/** @type {any} */ e) => {
        if (tell([e.position.x, e.position.y], "double"))
            e.preventDefaultAction = true;
    });
    on(["views", "forecast", "sideA", "sideB", "mode", "radiusOn", "dossier"], syncContent);
    syncContent();
}

/** @param {Point} p screen px @param {"click"|"double"} kind */
function tell(p, kind)
{
    const q = toFrame(p);
    return clicked.some((fn) => fn(q, kind));
}
