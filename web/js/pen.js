// Drawing a polygon, corner by corner, with pointer or keys: on the painting or on a view's own pixels.
import {fill, h, s, say} from "./dom.js";
import {crossesItself, polygonArea} from "./geometry.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {{title: string, onDone: (polygon: Point[]) => void}} Drawing
 */

/**
 * What is drawn on. Points are in its own px, screen points in px of `element`.
 * @typedef {object} Ground
 * @property {HTMLElement} element           has the focus while drawing
 * @property {HTMLElement} bar               says how far the drawing is
 * @property {SVGGElement} layer
 * @property {(p: Point) => Point} toScreen
 * @property {(p: Point) => Point} toPoint
 * @property {() => number} scale            screen px per own px
 * @property {() => Point} size
 * @property {() => Point|null} cross        where the keyboard sets a corner
 * @property {(area: number) => string} areaText  px^2 in words
 */

/** @param {Point[]} p */
export const pointsText = (p) => p.map(([x, y]) => `${x},${y}`).join(" ");

/** @param {Ground} ground */
export function makePen(ground)
{
    /** @type {Drawing|null} */
    let drawing = null;
    /** @type {Point[]} */
    let corners = [];
    /** @type {Point|null} */
    let pointer = null;
    /** A closed polygon whose particulars are still being asked. @type {Point[]|null} */
    let waiting = null;

    function place()
    {
        if (!drawing && waiting) {
            const closed = pointsText(waiting.map(ground.toScreen));
            fill(ground.layer, s("polygon", {points: closed, class: "pen under"}),
                 s("polygon", {points: closed, class: "pen over"}));
            return;
        }
        const p = corners.map(ground.toScreen);
        const tip = drawing && pointer ? [ground.toScreen(pointer)] : [];
        const line = pointsText([...p, ...tip]);
        fill(ground.layer, drawing ? [s("polyline", {points: line, class: "pen under"}),
                                      s("polyline", {points: line, class: "pen over"}),
                                      ...p.map(([x, y]) => s("circle", {cx: x, cy: y, r: 4, class: "corner"}))]
                                   : []);
    }

    /** The bar over the picture while drawing. @param {string} [why] */
    function showBar(why)
    {
        ground.bar.hidden = !drawing;
        if (!drawing)
            return;
        const size = corners.length >= 3 ? `, ${ground.areaText(Math.abs(polygonArea(corners)))}` : "";
        fill(ground.bar, h("strong", {}, drawing.title),
             h("span", {}, corners.length === 1 ? "1 corner" : `${corners.length} corners${size}`),
             why ? h("span", {class: "bar-why", role: "alert"}, why) : null,
             h("span", {class: "bar-keys"}, "click corners; Enter or double click closes"),
             h("button", {type: "button", onclick: close}, "Close"),
             h("button", {type: "button", onclick: takeBack, disabled: corners.length === 0}, "Take back"),
             h("button", {type: "button", onclick: cancel}, "Cancel"));
    }

    /** Start drawing a polygon. @param {Drawing} what */
    function draw(what)
    {
        drawing = what;
        corners = [];
        pointer = null;
        ground.element.classList.add("is-drawing");
        ground.element.focus();
        showBar();
        say(`${what.title}. Click the corners on the picture, or move the crosshair with the arrow keys ` +
            "and press Space at each corner. Enter closes, Backspace takes back, Escape cancels.");
    }

    function end()
    {
        drawing = null;
        corners = [];
        ground.element.classList.remove("is-drawing");
        showBar();
        place();
    }

    function cancel()
    {
        if (!drawing)
            return;
        end();
        say("Drawing cancelled.");
    }

    /** @param {Point} p */
    function addCorner(p)
    {
        const [w, h0] = ground.size();
        corners.push([Math.min(Math.max(p[0], 0), w), Math.min(Math.max(p[1], 0), h0)]);
        showBar();
        place();
        say(`Corner ${corners.length}.`);
    }

    function takeBack()
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
        end();
        done(polygon);
    }

    /** Keys while drawing. @param {KeyboardEvent} e @returns {boolean} */
    function key(e)
    {
        if (!drawing)
            return false;
        const cross = ground.cross();
        if (e.key === "Enter")
            close();
        else if (e.key === "Escape")
            cancel();
        else if (e.key === "Backspace")
            takeBack();
        else if (e.key === " " && cross)
            addCorner(cross);
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
        const k = ground.scale(), isOn = (/** @type {Point|undefined} */ c) =>
            c !== undefined && Math.hypot(c[0] - p[0], c[1] - p[1]) * k < 6;
        if (kind === "click" && (isOn(corners[corners.length - 1]) || (corners.length > 2 && isOn(corners[0]))))
            close();
        else if (kind === "click")
            addCorner(p);
        return true;
    }

    ground.element.addEventListener("pointermove", (e) => {
        if (!drawing)
            return;
        const r = ground.element.getBoundingClientRect();
        pointer = e.pointerType === "touch" ? null : ground.toPoint([e.clientX - r.left, e.clientY - r.top]);
        place();
    });
    return {draw, cancel, key, click, place, isDrawing: () => drawing !== null,
            /** Show a closed polygon that is not in the record yet, or no longer. @param {Point[]|null} polygon */
            showWaiting(polygon)
            {
                waiting = polygon;
                place();
            }};
}
