// What the pairs so far say about where the next one lies. Pure.
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Pair} Pair
 * @typedef {{a: number, b: number, c: number, d: number, from: Point, to: Point}} Affine
 *   p -> to + [a b; c d] (p - from)
 */

export const NEEDED = 4;   // pairs to place a view by (HC_ALIGN)
export const MOST = 40;    // HC_ALIGN_MAX_PAIRS

/** @param {Point[]} p @returns {Point} */
const meanOf = (p) => [p.reduce((sum, q) => sum + q[0], 0) / p.length, p.reduce((sum, q) => sum + q[1], 0) / p.length];

/**
 * The affine map that takes `from[i]` to `to[i]` with the least sum of squared misses. Null with fewer
 * than three points, or when they lie nearly on a line and say nothing across it.
 * @param {Point[]} from @param {Point[]} to @returns {Affine|null}
 */
export function affineOf(from, to)
{
    if (from.length < 3)
        return null;
    const f = meanOf(from), t = meanOf(to);
    let xx = 0, xy = 0, yy = 0, ux = 0, uy = 0, vx = 0, vy = 0;
    from.forEach(([px, py], i) => {
        const x = px - f[0], y = py - f[1], u = to[i][0] - t[0], v = to[i][1] - t[1];
        xx += x * x;
        xy += x * y;
        yy += y * y;
        ux += u * x;
        uy += u * y;
        vx += v * x;
        vy += v * y;
    });
    const det = xx * yy - xy * xy;
    // The determinant over the squared trace is a quarter for points spread alike, 0 for a line.
    if (det < 0.002 * (xx + yy) ** 2)
        return null;
    return {a: (ux * yy - uy * xy) / det, b: (uy * xx - ux * xy) / det,
            c: (vx * yy - vy * xy) / det, d: (vy * xx - vx * xy) / det, from: f, to: t};
}

/** @param {Affine} m @param {Point} p @returns {Point} */
export const applyTo = (m, p) => [m.to[0] + m.a * (p[0] - m.from[0]) + m.b * (p[1] - m.from[1]),
                                  m.to[1] + m.c * (p[0] - m.from[0]) + m.d * (p[1] - m.from[1])];

/** How much longer things are in the map's picture. @param {Affine} m */
export const scaleOf = (m) => Math.sqrt(Math.abs(m.a * m.d - m.b * m.c));

/**
 * Where the next pair would help most: of a grid of 5 x 5 places over the view, those that fall into the
 * frame by the first guess (all of them without one), the place farthest from any pair. Null without a
 * pair: any place is as good.
 * @param {Pair[]} pairs @param {Point} viewSize @param {Point} frameSize
 * @returns {{own: Point, frame: Point|null, words: string}|null}
 */
export function nextPlace(pairs, viewSize, frameSize)
{
    if (pairs.length === 0)
        return null;
    const own = pairs.map((p) => /** @type {Point} */ ([p[2], p[3]]));
    const toFrame = pairs.length < NEEDED ? null : affineOf(own, pairs.map((p) => [p[0], p[1]]));
    /** @type {{own: Point, frame: Point|null, far: number, i: number, j: number}[]} */
    const places = [];
    for (let j = 0; j < 5; j++)
        for (let i = 0; i < 5; i++) {
            const at = /** @type {Point} */ ([viewSize[0] * (i + 0.5) / 5, viewSize[1] * (j + 0.5) / 5]);
            const frame = toFrame ? applyTo(toFrame, at) : null;
            if (frame && (frame[0] < 0 || frame[1] < 0 || frame[0] > frameSize[0] || frame[1] > frameSize[1]))
                continue;
            places.push({own: at, frame, i, j, far: Math.min(...own.map((p) => Math.hypot(p[0] - at[0], p[1] - at[1])))});
        }
    if (places.length === 0)
        return null;
    const best = places.reduce((a, b) => (b.far > a.far + 1e-9 ? b : a));
    return {own: best.own, frame: best.frame, words: placeWords(best.i, best.j)};
}

/** "upper left" of a grid of 5 x 5. @param {number} i @param {number} j */
function placeWords(i, j)
{
    const across = i < 2 ? "left" : i > 2 ? "right" : "", down = j < 2 ? "upper" : j > 2 ? "lower" : "";
    if (across && down)
        return `${down} ${across}`;
    return across ? `${across} edge` : down ? `${down} edge` : "middle";
}
