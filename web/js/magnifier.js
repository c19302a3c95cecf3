// A mark seen through a glass: the view's own pixels around it, enlarged by whole steps, with a crosshair
// that leaves the detail itself free. Arrow keys move the mark by pixels; a click puts it there.
import * as api from "./api.js";
import {h} from "./dom.js";
import {clamp} from "./geometry.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").View} View
 * @typedef {{x: number, y: number, side: number, img: HTMLImageElement}} Square what was asked for
 */

export const ZOOMS = [1, 2, 4, 8, 16, 32]; // screen px per own px
const SMOOTH_BELOW = 6; // from here on single pixels are shown as such

/** By how much an arrow key moves the mark, own px. @param {KeyboardEvent} e */
export const nudgeOf = (e) => (e.altKey ? 0.25 : e.shiftKey ? 10 : 1);

/**
 * The square of own pixels to ask for, so that the mark can move by a quarter of it before the next one is
 * needed: whole pixels, one for one where there are no more than 512.
 * @param {Point} at @param {number} need own px that the glass shows
 */
export function squareOf(at, need)
{
    const side = Math.max(16, 2 * Math.ceil(need));
    return {x: Math.round(at[0]), y: Math.round(at[1]), side, px: clamp(side, 16, 512)};
}

/**
 * @param {View} view
 * @param {{name: string, onMove: (p: Point) => void, onKey: (e: KeyboardEvent) => boolean}} how
 *   onMove: the mark was moved here; onKey is asked for keys that do not move it
 */
export function makeMagnifier(view, how)
{
    const canvas = h("canvas", {tabindex: 0, role: "application", "aria-roledescription": "magnified mark", "aria-label":
        `${how.name}, magnified. Arrow keys move the mark by 1 pixel, with Shift by 10, with Alt by a quarter; Enter keeps the pair.`});
    const word = h("span", {class: "glass-word"}), place = h("span", {class: "glass-place"});
    const pad = h("div", {class: "glass-pad", role: "group", "aria-label": `Move the mark: ${how.name}`},
                  /** @type {[string, string, number, number][]} */ ([
                      ["\u2190", "left", -1, 0], ["\u2191", "up", 0, -1], ["\u2193", "down", 0, 1], ["\u2192", "right", 1, 0]]).map(
                      ([text, name, dx, dy]) => h("button", {type: "button", "aria-label": `${name} by 1 pixel: ${how.name}`,
                                                             onclick: (/** @type {MouseEvent} */ e) => move(dx, dy, e.altKey ? 0.25 : e.shiftKey ? 10 : 1)}, text)));
    const root = h("div", {class: "glass"}, canvas, pad, h("div", {class: "glass-foot"}, word, place));
    /** @type {Point|null} */
    let at = null;
    let zoom = 4, asked = 0;
    /** @type {Square|null} */
    let square = null;
    let coming = "";

    /** @param {number} dx @param {number} dy @param {number} step own px */
    function move(dx, dy, step)
    {
        if (at)
            how.onMove([clamp(at[0] + dx * step, 0, view.w), clamp(at[1] + dy * step, 0, view.h)]);
    }

    async function fetchSquare()
    {
        if (!at)
            return;
        const need = canvas.clientWidth / zoom, want = squareOf(at, need);
        const isEnough = square && Math.abs(square.side - want.side) < 0.5 &&
            Math.max(Math.abs(at[0] - square.x), Math.abs(at[1] - square.y)) <= (square.side - need) / 2;
        const key = JSON.stringify(want);
        if (isEnough || key === coming || need <= 0)
            return;
        coming = key;
        const mine = ++asked, img = new Image();
        img.src = api.ownUrl(view.id, want.x, want.y, want.side, want.px);
        try {
            await img.decode();
        } catch {
            if (mine === asked)
                coming = "";
            return;
        }
        if (mine !== asked)
            return;
        square = {x: want.x, y: want.y, side: want.side, img};
        canvas.dataset.shown = key;
        draw();
    }

    function draw()
    {
        const size = canvas.clientWidth, dense = devicePixelRatio;
        canvas.width = canvas.height = Math.round(size * dense);
        const g = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
        if (at && square) {
            const k = zoom * dense, mid = canvas.width / 2;
            g.imageSmoothingEnabled = zoom < SMOOTH_BELOW;
            g.imageSmoothingQuality = "high";
            g.drawImage(square.img, mid + (square.x - square.side / 2 - at[0]) * k, mid + (square.y - square.side / 2 - at[1]) * k,
                        square.side * k, square.side * k);
        }
        if (at)
            drawCross(g, canvas.width / 2, dense);
        fetchSquare();
    }

    canvas.addEventListener("keydown", (e) => {
        /** @type {Record<string, Point>} */
        const by = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]};
        if (by[e.key])
            move(by[e.key][0], by[e.key][1], nudgeOf(e));
        else if (!how.onKey(e))
            return;
        e.preventDefault();
    });
    canvas.addEventListener("click", (e) => {
        const r = canvas.getBoundingClientRect();
        move((e.clientX - r.left - r.width / 2) / zoom, (e.clientY - r.top - r.height / 2) / zoom, 1);
        canvas.focus();
    });

    return {root, canvas, draw,
            /** @param {Point|null} p @param {number} screenPerPx @param {string} says */
            show(p, screenPerPx, says)
            {
                at = p;
                zoom = screenPerPx;
                root.classList.toggle("is-empty", p === null);
                word.textContent = says;
                place.textContent = p ? `${p[0].toFixed(2)}, ${p[1].toFixed(2)} px` : "";
                for (const b of pad.querySelectorAll("button"))
                    b.disabled = p === null;
                draw();
            }};
}

/** Four strokes that end before the middle, dark under light. @param {CanvasRenderingContext2D} g
 *  @param {number} mid @param {number} dense */
function drawCross(g, mid, dense)
{
    const gap = 7 * dense, long = mid - 2 * dense;
    g.beginPath();
    for (const [x, y] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        g.moveTo(mid + x * gap, mid + y * gap);
        g.lineTo(mid + x * long, mid + y * long);
    }
    for (const [width, colour] of /** @type {[number, string][]} */ ([[3, "rgba(0,0,0,.7)"], [1, "#fff"]])) {
        g.lineWidth = width * dense;
        g.strokeStyle = colour;
        g.stroke();
    }
}
