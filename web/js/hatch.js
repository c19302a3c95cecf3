// Hatches: what is not known is never left looking as if it were. The refusal hatch over a patch of the
// strip is cut from the same tiles that lie over the picture; that of a fit without support is drawn here.
import * as api from "./api.js";
import {clamp} from "./geometry.js";
/** @typedef {import("./types.js").Tiles} Tiles */

/**
 * The tiles a square of the frame needs, and where they go in a picture of px x px.
 * @param {Tiles} t @param {number} x @param {number} y centre, frame px @param {number} side frame px
 * @param {number} px
 */
export function hatchTiles(t, x, y, side, px)
{
    const steps = clamp(Math.floor(Math.log2(Math.max(1, side / px))), 0, t.levels - 1);
    const k = 2 ** steps, cell = t.tile * k, left = x - side / 2, top = y - side / 2;
    const last = (/** @type {number} */ size) => Math.ceil(Math.ceil(size / k) / t.tile) - 1;
    const out = [];
    for (let j = Math.max(0, Math.floor(top / cell)); j <= Math.min(last(t.h), Math.floor((top + side) / cell)); j++)
        for (let i = Math.max(0, Math.floor(left / cell)); i <= Math.min(last(t.w), Math.floor((left + side) / cell)); i++)
            out.push({level: t.levels - 1 - steps, i, j, left: (i * cell - left) * px / side,
                      top: (j * cell - top) * px / side, scale: k * px / side});
    return out;
}

/**
 * @param {Tiles} t @param {number} x @param {number} y @param {number} side @param {number} px
 * @returns {Promise<HTMLCanvasElement>} transparent where a forecast is given
 */
export async function hatchOf(t, x, y, side, px)
{
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = px;
    const g = canvas.getContext("2d");
    await Promise.all(hatchTiles(t, x, y, side, px).map(async (p) => {
        const img = new Image();
        img.src = api.tileUrl(t.key, p.level, p.i, p.j);
        await img.decode();
        g?.drawImage(img, p.left, p.top, img.width * p.scale, img.height * p.scale);
    }));
    return canvas;
}

/** Thin strokes falling to the right, where those of a refusal rise. @param {CanvasRenderingContext2D} g */
export function unsupportedHatch(g)
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
