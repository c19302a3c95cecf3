// Plane geometry of the picture area: half-planes, polygons, the grip. Pure; no document in here.
/** @typedef {import("./types.js").Point} Point */

const RAD = Math.PI / 180;

/**
 * The half-clean line in screen px. The other side lies in direction `turn` (degrees, 0 = right,
 * 90 = below); the line itself runs at right angles to that.
 * @typedef {{x:number, y:number, turn:number}} ScreenLine
 */

/** Unit vector towards the other side. @param {number} turn @returns {Point} */
export function sideOf(turn)
{
    return [Math.cos(turn * RAD), Math.sin(turn * RAD)];
}

/** Unit vector along the line. @param {number} turn @returns {Point} */
export function alongOf(turn)
{
    return [-Math.sin(turn * RAD), Math.cos(turn * RAD)];
}

/** Degrees brought into (-180, 180]. @param {number} deg */
export function wrapTurn(deg)
{
    const d = ((deg % 360) + 360) % 360;
    return d > 180 ? d - 360 : d;
}

/**
 * The part of a convex polygon that lies from `at` in direction `n` (Sutherland and Hodgman's clip
 * against one edge). Empty when none of it does.
 * @param {Point[]} p @param {Point} at @param {Point} n @returns {Point[]}
 */
export function cutPolygon(p, at, n)
{
    const dist = p.map(([x, y]) => (x - at[0]) * n[0] + (y - at[1]) * n[1]);
    /** @type {Point[]} */
    const out = [];
    for (let i = 0; i < p.length; i++) {
        const j = (i + 1) % p.length;
        if (dist[i] >= 0)
            out.push(p[i]);
        if ((dist[i] >= 0) !== (dist[j] >= 0)) {
            const t = dist[i] / (dist[i] - dist[j]);
            out.push([p[i][0] + t * (p[j][0] - p[i][0]), p[i][1] + t * (p[j][1] - p[i][1])]);
        }
    }
    return out;
}

/** The part of the rectangle 0,0..w,h on the other side of the line. Empty when none of it is.
 *  @param {number} w @param {number} h @param {ScreenLine} line @returns {Point[]} */
export const clipRect = (w, h, line) =>
    cutPolygon([[0, 0], [w, 0], [w, h], [0, h]], [line.x, line.y], sideOf(line.turn));

/** What two convex polygons have in common. @param {Point[]} p @param {Point[]} q @returns {Point[]} */
export function intersection(p, q)
{
    const turn = Math.sign(polygonArea(q));
    return q.reduce((left, a, i) => {
        const b = q[(i + 1) % q.length];
        return cutPolygon(left, a, [turn * (a[1] - b[1]), turn * (b[0] - a[0])]);
    }, p);
}

/** The convex polygon drawn in towards its middle by about d. @param {Point[]} p @param {number} d @returns {Point[]} */
export function inset(p, d)
{
    const [mx, my] = middleOf(p), reach = Math.min(...p.map(([x, y]) => Math.hypot(x - mx, y - my))), k = Math.max(0, 1 - d / reach);
    return p.map(([x, y]) => [mx + k * (x - mx), my + k * (y - my)]);
}

/** Is the place inside the convex polygon? @param {Point[]} p @param {Point} at */
export function contains(p, at)
{
    const sides = p.map((a, i) => turnOf(a, p[(i + 1) % p.length], at));
    return !(sides.includes(1) && sides.includes(-1));
}

/**
 * Where the line crosses the rectangle 0,0..w,h, as distances along it from its point; null when it
 * misses the rectangle.
 * @param {number} w @param {number} h @param {ScreenLine} line @returns {[number, number]|null}
 */
export function lineSpan(w, h, line)
{
    const d = alongOf(line.turn);
    let lo = -Infinity, hi = Infinity;
    for (const [p, v, max] of [[line.x, d[0], w], [line.y, d[1], h]]) {
        if (Math.abs(v) < 1e-9) {
            if (p < 0 || p > max)
                return null;
            continue;
        }
        const a = -p / v, b = (max - p) / v;
        lo = Math.max(lo, Math.min(a, b));
        hi = Math.min(hi, Math.max(a, b));
    }
    return lo < hi ? [lo, hi] : null;
}

/**
 * Where the grip sits: the line's own point, or, when that is outside the picture area, the nearest
 * point of the line that keeps `margin` from its edge. Null when the line is not in sight.
 * @param {number} w @param {number} h @param {ScreenLine} line @param {number} margin
 * @returns {Point|null}
 */
export function gripPoint(w, h, line, margin)
{
    const span = lineSpan(w, h, line);
    if (!span)
        return null;
    const m = Math.min(margin, (span[1] - span[0]) / 2);
    const t = Math.min(Math.max(0, span[0] + m), span[1] - m);
    const d = alongOf(line.turn);
    return [line.x + t * d[0], line.y + t * d[1]];
}

/** Signed area by the shoelace formula, px^2. @param {Point[]} p */
export function polygonArea(p)
{
    let sum = 0;
    for (let i = 0; i < p.length; i++) {
        const [x0, y0] = p[i], [x1, y1] = p[(i + 1) % p.length];
        sum += x0 * y1 - x1 * y0;
    }
    return sum / 2;
}

/** @param {Point} a @param {Point} b @param {Point} c */
function turnOf(a, b, c)
{
    return Math.sign((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]));
}

/** @param {Point} a @param {Point} b @param {Point} c @param {Point} d */
function cross(a, b, c, d)
{
    return turnOf(a, b, c) * turnOf(a, b, d) < 0 && turnOf(c, d, a) * turnOf(c, d, b) < 0;
}

/** Does any edge of the closed polygon cross another? @param {Point[]} p */
export function crossesItself(p)
{
    const n = p.length;
    for (let i = 0; i < n; i++)
        for (let j = i + 2; j < n; j++)
            if ((j + 1) % n !== i && cross(p[i], p[(i + 1) % n], p[j], p[(j + 1) % n]))
                return true;
    return false;
}

/** Middle of the polygon's bounding box. @param {Point[]} p @returns {Point} */
export function middleOf(p)
{
    const xs = p.map((q) => q[0]), ys = p.map((q) => q[1]);
    return [(Math.min(...xs) + Math.max(...xs)) / 2, (Math.min(...ys) + Math.max(...ys)) / 2];
}

/** Middle of the upper edge of the polygon's bounding box. @param {Point[]} p @returns {Point} */
export function topOf(p)
{
    return [middleOf(p)[0], Math.min(...p.map((q) => q[1]))];
}

/**
 * By how much the arrows of a fit map are magnified: the roundest factor (1, 2 or 5 times a power of 10)
 * at which 95 % of the agreeing tiles have an arrow shorter than 0.8 of the way to the next tile.
 * @param {{x:number, y:number, dx:number, dy:number, used:boolean}[]} tiles
 * @param {number|null} [pitch] between tiles, frame px; without it a tenth of what the marks span
 */
export function arrowFactor(tiles, pitch)
{
    const used = tiles.filter((t) => t.used);
    const long = used.map((t) => Math.hypot(t.dx, t.dy)).sort((a, b) => a - b);
    const most = long[Math.floor(0.95 * (long.length - 1))] ?? 0;
    const xs = tiles.map((t) => t.x), room = pitch || (Math.max(...xs) - Math.min(...xs)) / 10;
    const steps = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];
    return steps.filter((f) => f * most <= 0.8 * room).pop() ?? 1;
}

/** @param {number} v @param {number} lo @param {number} hi */
export function clamp(v, lo, hi)
{
    return Math.min(Math.max(v, lo), hi);
}
