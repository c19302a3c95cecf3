// The stand-in's part for placing: pairs of points, what is ignored, own pixels, details, joining plates.
import {pngOf} from "./png.mjs";

const FW = 3000, FH = 3600, MM_PER_PX = 0.2;
/** The X-ray shows this much of the frame: own px = (frame px - off) * k. */
export const XRAY = {w: 1600, h: 1300, k: 1600 / 2700, off: [150, 700]};
/** A detail: its tiles cover the box with 4 px for each of the frame; it shows the outline only. */
export const DETAIL = {k: 4, at: {x: 1900, y: 1500, w: 500, h: 400}, outline: [[1920, 1560], [2330, 1500], [2390, 1850], [1970, 1900]]};

/** Frame px of a place in the X-ray. @param {number} x @param {number} y */
const frameOf = (x, y) => [x / XRAY.k + XRAY.off[0], y / XRAY.k + XRAY.off[1]];

/** @param {(x: number, y: number) => number[]} aged the painting before treatment
 *  @param {(p: number[][], x: number, y: number) => boolean} inside @returns {Record<string, (x: number, y: number) => number[]>} */
export function placePictures(aged, inside)
{
    /** A cradle bar lies over each third of the X-ray. @param {number} x @param {number} y */
    const xray = (x, y) => {
        const c = aged(...(/** @type {[number, number]} */ (frameOf(x, y))));
        return Array(3).fill(Math.min(250, 30 + 0.8 * (255 - c[1]) + (Math.abs(x % 533 - 266) < 40 ? 60 : 0)));
    };
    return {
        6: xray,
        "6 placed": (x, y) => {
            const u = (x - XRAY.off[0]) * XRAY.k, v = (y - XRAY.off[1]) * XRAY.k;
            return u < 0 || v < 0 || u > XRAY.w || v > XRAY.h ? [0, 0, 0] : xray(u, v);
        },
        // Stripes of its own, 4 px each, finer than a px of the frame; what it does not show is loud here.
        7: (x, y) => inside(DETAIL.outline, DETAIL.at.x + x / 4, DETAIL.at.y + y / 4)
            ? aged(DETAIL.at.x + x / 4, DETAIL.at.y + y / 4).map((c) => c * (Math.floor(x / 4) % 2 ? 1.5 : 0.5) + 10) : [255, 0, 255],
        8: (x, y) => aged(x, y).map((c, i) => (i === 0 ? 0.9 * c : 0.6 * c)),
        12: (x, y) => Array(3).fill(aged(x, y)[0]), 9: (x, y) => xray(x, y), 10: (x, y) => xray(x + 700, y), 11: (x, y) => xray(x, y)};
}

/** Sizes of tiles that are not those of the frame. @type {Record<string, [number, number]>} */
export const SIZES = {6: [XRAY.w, XRAY.h], 7: [2000, 1600], 9: [900, XRAY.h], 10: [900, XRAY.h], 11: [XRAY.w, XRAY.h]};

/** Views that only a world of the kind "placing" has. @param {(...a: any[]) => any} view
 *  @param {(name: string, w?: number, h?: number) => any} tiles */
export function placeViews(view, tiles)
{
    const none = {verdict: "none", why: "", comparable: false, compare_note: ""};
    const plate = (/** @type {number} */ id, /** @type {string} */ label, more = {}) =>
        view(id, label, "xray", "before", {w: 900, h: XRAY.h, bands: 1, tiles: tiles(String(id), 900, XRAY.h), fit: none, ...more});
    const detail = view(7, "jug rim", "micro", "before", {w: 2000, h: 1600, tiles: {...tiles("7", 2000, 1600), at: DETAIL.at}});
    Object.assign(detail.fit, {is_detail: true, view_per_frame: 4, outline: DETAIL.outline, kind: "homography"});
    const usable = view(8, "ir late", "ir", "during-1");
    Object.assign(usable.fit, {verdict: "usable", why: "it lies within 1.9 px of the frame at 95 % of the places checked", held_out_p95_px: 1.9,
                               held_out_p95_mm: 0.38, bend_strain_max: 0.041, lens: {k1: -0.0123, k2: 0.0004}, kind: "homography and bend",
                               compare_note: "lines up within 0.4 mm only: compare areas larger than that, not single cracks"});
    return [detail, usable, view(12, "ir second", "ir", "before"), plate(9, "plate left"), plate(10, "plate right")];
}

/** Where tiles (or pairs) speak for the fit: within 500 px of one that agrees. @param {any[]} tiles */
export function supportOf(tiles)
{
    const cell = 100, used = tiles.filter((t) => t.used);
    const mask = Array.from({length: FH / cell}, (_, j) => Array.from({length: FW / cell}, (_, i) =>
        (used.some((t) => Math.hypot(t.x - (i + 0.5) * cell, t.y - (j + 0.5) * cell) <= 500) ? "1" : "0")).join(""));
    return {cols: FW / cell, rows: FH / cell, cell_px: cell, mask};
}

/** FIT of pairs of points: each pair's miss against the true place. @param {number} id @param {number[][]} pairs */
function fitOfPairs(id, pairs)
{
    const tiles = pairs.map(([fx, fy, vx, vy]) => {
        const [x, y] = frameOf(vx, vy), dx = x - fx, dy = y - fy;
        return {x: fx, y: fy, dx, dy, used: Math.hypot(dx, dy) < 12};
    });
    const off = tiles.flatMap((t, i) => (t.used ? [] : [i + 1])), all = tiles.map((t) => Math.hypot(t.dx, t.dy)).sort((a, b) => a - b);
    const exact = pairs.length === 4;
    const verdict = off.length ? "refused" : pairs.length >= 8 ? "good" : "usable";
    const median = exact ? null : all[Math.floor(all.length / 2)], p95 = exact ? null : all[all.length - 1];
    const mm = (/** @type {number|null} */ v) => (v === null ? null : v * MM_PER_PX);
    return {view: id, verdict, frame: {w: FW, h: FH}, tiles, pairs: true, kind: "pairs of points", lens: null, tile_pitch_px: null, mm_per_px: MM_PER_PX,
            why: off.length ? `pair ${off.join(" and ")} does not agree with the others` : exact ? "4 pairs fit exactly, and nothing is left to check them" : "",
            held_out_median_px: median, held_out_p95_px: p95, held_out_median_mm: mm(median), held_out_p95_mm: mm(p95),
            second_opinion_px: null, strain_max: 0, support: supportOf(tiles)};
}

/** @param {any} world @param {any} fit @param {(name: string) => any} tiles */
function takePlace(world, fit, tiles)
{
    world.fits[fit.view] = fit;
    world.views = world.views.map((/** @type {any} */ v) => v.id !== fit.view ? v : {...v, tiles: fit.verdict === "refused" ? tiles("6") : tiles("6 placed"),
        fit: {...v.fit, verdict: fit.verdict, why: fit.why, kind: fit.kind, held_out_median_px: fit.held_out_median_px, held_out_p95_px: fit.held_out_p95_px,
              held_out_median_mm: fit.held_out_median_mm, held_out_p95_mm: fit.held_out_p95_mm, comparable: fit.verdict !== "refused",
              view_per_frame: XRAY.k, is_detail: false, tiles_used: fit.tiles.filter((/** @type {any} */ t) => t.used).length, tiles_textured: fit.tiles.length,
              compare_note: fit.verdict === "usable" ? "placed by pairs of points: compare larger areas, not single cracks" : ""}});
}

/**
 * Answers what is about placing. @param {any} ask at, path, q, body, json, refuse, res, world, startJob, tiles, pictures, view
 * @returns {Promise<boolean>} whether it was
 */
export async function answerPlace({at, path, q, body, json, refuse, res, world, startJob, tiles, pictures, view})
{
    const m = /^\/api\/views\/(\d+)\/(own|pairs|ignored|placement|fit)$/.exec(path), id = Number(m?.[1]);
    const method = at.split(" ")[0], known = world.views.find((/** @type {any} */ v) => v.id === id);
    if (m && !known)
        return refuse(404, "not-found", `there is no view ${id}`), true;
    if (m?.[2] === "own" && world.kind === "placing")
        return res.writeHead(200, {"Content-Type": "image/png", "Cache-Control": "no-store"}), res.end(ownPixels(known, q, pictures)), true;
    if (m?.[2] === "fit" && world.fits[id])
        return json(world.fits[id]), true;
    if (m?.[2] === "pairs" && method === "GET")
        return json({pairs: world.pairs[id] ?? []}), true;
    if (m?.[2] === "pairs") {
        world.pairs[id] = JSON.parse(String(await body())).pairs;
        if (world.pairs[id].length < 4)
            return refuse(400, "range", "4 to 40 pairs of points are needed"), true;
        return json({job: startJob("align", () => takePlace(world, fitOfPairs(id, world.pairs[id]), tiles)).id}, 202), true;
    }
    if (m?.[2] === "ignored" && method === "GET")
        return json({polygons: world.ignored[id] ?? []}), true;
    if (m?.[2] === "ignored") {
        world.ignored[id] = JSON.parse(String(await body())).polygons;
        return json({polygons: world.ignored[id]}), true;
    }
    if (m?.[2] === "placement") {
        return json({job: startJob("align", () => {
            delete world.fits[id];
            world.views = world.views.map((/** @type {any} */ v) => (v.id === id ? {...v, tiles: tiles(id === 6 ? "6" : String(id)),
                                                                                    fit: {verdict: "none", why: "", comparable: false, compare_note: ""}} : v));
        }).id}, 202), true;
    }
    if (at === "POST /api/mosaic") {
        const ask = JSON.parse(String(await body())), labels = ask.views.map((/** @type {number} */ n) => world.views.find((/** @type {any} */ v) => v.id === n).label);
        const job = startJob("mosaic", () => {
            job.result = view(11, ask.label || "xray joined", "xray", "before", {w: XRAY.w, h: XRAY.h, bands: 1, tiles: tiles("11"),
                mosaic: {verdict: "good", why: "", kind: "homographies", held_out_median_px: 0.21, held_out_p95_px: 0.62, covered_share: 0.99,
                         plates: ask.views.map((/** @type {number} */ n, /** @type {number} */ i) => ({view: n, label: labels[i]}))},
                fit: {verdict: "none", why: "", comparable: false, compare_note: ""}});
            world.views = [...world.views, job.result];
        }, ask.views.includes(6) ? "plate left and xray film 2 do not overlap: nothing holds them together" : undefined);
        return json({job: job.id}, 202), true;
    }
    return false;
}

/** @param {any} v @param {URLSearchParams} q @param {Record<string, (x: number, y: number, w: any) => number[]>} pictures */
function ownPixels(v, q, pictures)
{
    const [x, y, side, px] = ["x", "y", "side", "px"].map((n) => Number(q.get(n))), rows = Buffer.alloc((px * 3 + 1) * px);
    for (let j = 0, o = 0; j < px; j++) {
        o++;
        for (let i = 0; i < px; i++) {
            const u = x - side / 2 + (i + 0.5) * side / px, w = y - side / 2 + (j + 0.5) * side / px;
            const c = u < 0 || w < 0 || u >= v.w || w >= v.h ? [119, 119, 119] : pictures[v.id](u, w, {windows: [], step: 1});
            for (let b = 0; b < 3; b++)
                rows[o++] = Math.max(0, Math.min(255, Math.round(c[b])));
        }
    }
    return pngOf(px, px, rows, 3);
}
