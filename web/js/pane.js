// A picture in its own pixels, to be marked: deep zoom below, marks above, a crosshair for the keyboard.
// Unlike the picture area it knows nothing of the frame; points are own px of the view it shows.
import {makeViewer, ownSource, tileSource} from "./deep_zoom.js";
import {h, s} from "./dom.js";
import {clamp} from "./geometry.js";
import {isPlaced, state} from "./state.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").View} View
 */

const STEP = 8, STEP_LONG = 40; // screen px the crosshair goes by

/** Are the view's tiles its own pixels? @param {View} v */
const hasOwnTiles = (v) => v.tiles !== null && (!isPlaced(v) || v.id === state.dossier.frame?.view);

/**
 * @param {View} view
 * @param {{name: string, onSet: (p: Point) => void, onKey?: (e: KeyboardEvent) => boolean,
 *   onClick?: (p: Point, kind: "click"|"double") => boolean, onDraw: () => void}} how
 *   onSet: a place was clicked or chosen by key; onKey, onClick are asked first, true = taken
 */
export function makePane(view, how)
{
    const picture = h("div", {class: "pane-picture"}), marks = s("svg", {class: "pane-marks", "aria-hidden": "true"});
    const bar = h("div", {class: "draw-bar", role: "group", "aria-label": "Drawing", hidden: true});
    const area = h("div", {class: "pane-area", tabindex: 0, role: "application", "aria-roledescription": "picture",
                           "aria-label": `${how.name}. Arrow keys move the crosshair, Enter marks, plus and minus zoom, 0 shows all.`},
                   picture, marks, bar);
    const button = (/** @type {string} */ text, /** @type {string} */ label, /** @type {() => void} */ fn) =>
        h("button", {type: "button", "aria-label": `${label}: ${how.name}`, onclick: fn}, text);
    const root = h("figure", {class: "pane"},
                   h("figcaption", {}, h("span", {class: "pane-name", title: how.name}, how.name), h("span", {class: "pane-zoom"},
                       button("\u2212", "Zoom out", () => zoomBy(1 / 1.5)), button("+", "Zoom in", () => zoomBy(1.5)),
                       button("All", "All of the picture", () => fit()))), area);
    const cross = s("g", {class: "cross", hidden: true}, ["under", "over"].map(
        (w) => s("path", {class: w, d: "M-14,0 H-4 M4,0 H14 M0,-14 V-4 M0,4 V14"})));
    marks.append(cross);
    /** @type {OpenSeadragon.Viewer|null} */
    let viewer = null;
    /** @type {Point|null} */
    let at = null;
    /** Which pixels are shown. */
    let source = "";
    let isWhole = true;

    const size = () => /** @type {Point} */ ([view.w, view.h]);
    const port = () => /** @type {OpenSeadragon.Viewer} */ (viewer).viewport;

    /** @param {Point} p @returns {Point} */
    function toScreen(p)
    {
        const q = port().pixelFromPoint(new OpenSeadragon.Point(p[0] / view.w, p[1] / view.w), true);
        return [q.x, q.y];
    }

    /** @param {Point} p @returns {Point} */
    function toOwn(p)
    {
        const q = port().pointFromPixel(new OpenSeadragon.Point(p[0], p[1]), true);
        return [q.x * view.w, q.y * view.w];
    }

    const scale = () => port().getZoom(true) * area.clientWidth / view.w;

    function fit(atOnce = false)
    {
        const m = 0.03;
        isWhole = true;
        port().fitBounds(new OpenSeadragon.Rect(-m, -m, 1 + 2 * m, view.h / view.w + 2 * m), atOnce);
    }

    /** @param {number} factor */
    function zoomBy(factor)
    {
        isWhole = false;
        port().zoomBy(factor, at ? new OpenSeadragon.Point(at[0] / view.w, at[1] / view.w) : undefined, false);
        port().applyConstraints();
    }

    /** Bring a place into sight. @param {Point} p */
    function reveal(p)
    {
        const [x, y] = toScreen(p), m = 24;
        if (x >= m && y >= m && x <= area.clientWidth - m && y <= area.clientHeight - m)
            return;
        isWhole = false;
        port().panTo(new OpenSeadragon.Point(p[0] / view.w, p[1] / view.w), false);
    }

    /** @param {Point|null} p */
    function setCross(p)
    {
        at = p && [clamp(p[0], 0, view.w), clamp(p[1], 0, view.h)];
        placeCross();
    }

    function placeCross()
    {
        cross.toggleAttribute("hidden", at === null);
        if (at)
            cross.setAttribute("transform", `translate(${toScreen(at).join(" ")})`);
    }

    /** @param {number} dx @param {number} dy steps */
    function moveCross(dx, dy)
    {
        const [x, y] = at ? toScreen(at) : [area.clientWidth / 2, area.clientHeight / 2];
        setCross(toOwn(at ? [x + dx, y + dy] : [x, y]));
        if (at)
            reveal(at);
    }

    /** @param {KeyboardEvent} e @returns {boolean} */
    function key(e)
    {
        /** @type {Record<string, Point>} */
        const by = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]};
        const step = e.shiftKey ? STEP_LONG : STEP;
        if (by[e.key])
            moveCross(by[e.key][0] * step, by[e.key][1] * step);
        else if (e.key === "Enter" && at)
            how.onSet(at);
        else if (e.key === "+" || e.key === "=")
            zoomBy(1.5);
        else if (e.key === "-")
            zoomBy(1 / 1.5);
        else if (e.key === "0")
            fit();
        else
            return false;
        return true;
    }

    area.addEventListener("keydown", (e) => {
        if (!viewer || e.ctrlKey || e.metaKey || /** @type {Element} */ (e.target).closest("button"))
            return;
        if (how.onKey?.(e) || key(e))
            e.preventDefault();
    });
    // The picture library focuses its own canvas when pressed; this element is the one with keys.
    area.addEventListener("focusin", (e) => {
        if (picture.contains(/** @type {Node} */ (e.target)))
            area.focus({preventScroll: true});
    });
    area.addEventListener("pointerdown", () => area.classList.add("by-pointer"), true);
    area.addEventListener("keydown", () => area.classList.remove("by-pointer"), true);

    /** Take away what was shown before, once the new picture is drawn. @param {any} item */
    function dropOthers(item)
    {
        const world = viewer?.world;
        if (!world || world.getItemCount() < 2)
            return;
        item.addOnceHandler("fully-loaded-change", () => {
            for (let i = world.getItemCount() - 1; i >= 0; i--)
                if (world.getItemAt(i) !== item)
                    world.removeItem(world.getItemAt(i));
        });
    }

    /** Show the view as the record has it now: its tiles change when it is placed. @param {View} v */
    function show(v)
    {
        const isOwn = hasOwnTiles(v), now = isOwn && v.tiles ? v.tiles.key : `own ${v.id}`;
        if (!viewer || now === source)
            return;
        source = now;
        /** @type {any} */
        const options = {tileSource: isOwn && v.tiles ? tileSource(v.tiles) : ownSource(v), x: 0, y: 0,
                         success: (/** @type {any} */ e) => {
                             if (!isOwn)
                                 e.item.setClip(new OpenSeadragon.Rect(0, 0, v.w, v.h));
                             if (isWhole)
                                 fit(true);
                             dropOthers(e.item);
                         }};
        options.width = isOwn ? 1 : ownSource(v).width / v.w;
        viewer.addTiledImage(options);
    }

    /** Once it is in the document. */
    function open()
    {
        viewer = makeViewer(picture, true);
        viewer.addHandler("update-viewport", () => {
            placeCross();
            how.onDraw();
        });
        viewer.addHandler("resize", () => {
            if (isWhole)
                queueMicrotask(() => viewer && fit(true));
        });
        for (const byHand of ["canvas-drag", "canvas-scroll", "canvas-pinch"])
            viewer.addHandler(/** @type {any} */ (byHand), () => {
                isWhole = false;
            });
        viewer.addHandler("canvas-click", (/** @type {any} */ e) => {
            const p = toOwn([e.position.x, e.position.y]), isIn = p[0] >= 0 && p[1] >= 0 && p[0] <= view.w && p[1] <= view.h;
            if (e.quick && !how.onClick?.(p, "click") && isIn)
                how.onSet(p);
        });
        viewer.addHandler("canvas-double-click", (/** @type {any} */ e) => {
            if (how.onClick?.(toOwn([e.position.x, e.position.y]), "double"))
                e.preventDefaultAction = true;
        });
        show(view);
    }

    function close()
    {
        viewer?.destroy();
        viewer = null;
        root.remove();
    }

    return {root, area, bar, marks, open, close, show, toScreen, toOwn, scale, size, reveal,
            isOpen: () => viewer !== null, cross: () => at};
}
