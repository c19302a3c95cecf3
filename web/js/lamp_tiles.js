// Tiles of the lamp: fetched as they come into sight, kept as textures, the longest unseen dropped
// first. Until a tile is there a coarser one stands in for it.
import * as api from "./api.js";
/**
 * @typedef {import("./types.js").Tiles} Tiles
 * @typedef {import("./lamp_gl.js").Tex} Tex
 * @typedef {import("./lamp_gl.js").LampDrawing} LampDrawing
 * @typedef {{tex: Tex|null, used: number}} Kept
 * @typedef {{x0: number, y0: number, x1: number, y1: number}} Box frame px
 * @typedef {{level: number, i: number, j: number, x: number, y: number, w: number, h: number}} Place
 *   a tile and what it covers, frame px
 */

const KEPT = 480; // textures of 256 x 256 px: 120 MB
const AT_ONCE = 8;

/** Tiles of a level that meet the box. @param {Tiles} t @param {number} level @param {Box} box @returns {Place[]} */
export function placesOf(t, level, box)
{
    const cell = 2 ** (t.levels - 1 - level), side = t.tile * cell;
    const cols = Math.ceil(t.w / side), rows = Math.ceil(t.h / side);
    /** @type {Place[]} */
    const out = [];
    for (let j = Math.max(0, Math.floor(box.y0 / side)); j < Math.min(rows, Math.ceil(box.y1 / side)); j++)
        for (let i = Math.max(0, Math.floor(box.x0 / side)); i < Math.min(cols, Math.ceil(box.x1 / side)); i++)
            out.push({level, i, j, x: i * side, y: j * side,
                      // The last column and row are cut, at whole px of their level.
                      w: cell * Math.min(t.tile, Math.ceil(t.w / cell) - i * t.tile),
                      h: cell * Math.min(t.tile, Math.ceil(t.h / cell) - j * t.tile)});
    return out;
}

/** The level whose px come nearest to the screen's without being much larger.
 *  @param {Tiles} t @param {number} scale device px per frame px */
export function levelFor(t, scale)
{
    const up = Math.max(0, Math.floor(Math.log2(1.5 / scale)));
    return Math.max(0, t.levels - 1 - up);
}

export class TileStore {
    /** @param {LampDrawing} drawing @param {() => void} onNews a tile has come */
    constructor(drawing, onNews)
    {
        this.drawing = drawing;
        this.onNews = onNews;
        /** @type {Map<string, Kept>} */
        this.kept = new Map();
        /** @type {{url: string, isPacked: boolean}[]} */
        this.queue = [];
        this.flying = 0;
        this.clock = 0;
    }

    /** A new frame begins: what it does not ask for is no longer waited for. */
    turn()
    {
        this.clock++;
        for (const q of this.queue)
            this.kept.delete(q.url);
        this.queue = [];
    }

    /** @param {Tiles} t @param {Place} p @param {boolean} isPacked @returns {Tex|null} */
    get(t, p, isPacked)
    {
        const url = api.tileUrl(t.key, p.level, p.i, p.j);
        let k = this.kept.get(url);
        if (!k) {
            k = {tex: null, used: this.clock};
            this.kept.set(url, k);
            this.queue.push({url, isPacked});
            queueMicrotask(() => this.pump());
        }
        k.used = this.clock;
        return k.tex;
    }

    pump()
    {
        while (this.flying < AT_ONCE && this.queue.length) {
            const next = /** @type {{url: string, isPacked: boolean}} */ (this.queue.shift());
            this.flying++;
            this.load(next.url, next.isPacked).finally(() => {
                this.flying--;
                this.pump();
            });
        }
    }

    /** @param {string} url @param {boolean} isPacked */
    async load(url, isPacked)
    {
        try {
            const blob = await api.tile(url);
            if (!blob)
                return; // a hole: the coarser tile stays
            const bitmap = await createImageBitmap(blob, {premultiplyAlpha: "none",
                                                                   colorSpaceConversion: "none"});
            const k = this.kept.get(url);
            if (k && !k.tex) {
                k.tex = this.drawing.upload(bitmap, isPacked);
                this.onNews();
            }
            bitmap.close();
            this.forget();
        } catch {
            this.kept.delete(url); // asked for again when it is next in sight
        }
    }

    forget()
    {
        const loaded = [...this.kept].filter(([, k]) => k.tex).sort((a, b) => a[1].used - b[1].used);
        for (const [url, k] of loaded.slice(0, Math.max(0, loaded.length - KEPT))) {
            if (k.used === this.clock)
                break;
            this.drawing.drop(/** @type {Tex} */ (k.tex));
            this.kept.delete(url);
        }
    }
}
