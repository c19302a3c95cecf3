// Where the patches of a colour target lie, from the middles of its four corner patches. Pure.
/** @typedef {import("./types.js").Point} Point */

/**
 * The unit square to four points, by a projective map (Heckbert, "Fundamentals of Texture Mapping and
 * Image Warping", Berkeley 1989, section 2.2.3; from memory, checked by unit tests).
 * @param {Point[]} c images of (0,0) (1,0) (1,1) (0,1) @returns {(u: number, v: number) => Point}
 */
export function squareTo(c)
{
    const [[x0, y0], [x1, y1], [x2, y2], [x3, y3]] = c;
    const sx = x0 - x1 + x2 - x3, sy = y0 - y1 + y2 - y3;
    const dx1 = x1 - x2, dx2 = x3 - x2, dy1 = y1 - y2, dy2 = y3 - y2, den = dx1 * dy2 - dx2 * dy1;
    const g = (sx * dy2 - dx2 * sy) / den, h = (dx1 * sy - sx * dy1) / den;
    return (u, v) => {
        const w = 1 + g * u + h * v;
        return [(x0 + (x1 - x0 + g * x1) * u + (x3 - x0 + h * x3) * v) / w,
                (y0 + (y1 - y0 + g * y1) * u + (y3 - y0 + h * y3) * v) / w];
    };
}

/** The part of each patch that is measured: a quarter of the patch distance each way (docs/theory/calibrate.md).
 *  @param {Point[]} corners @param {number} rows @param {number} cols @returns {Point[][]} row by row */
export function measuredParts(corners, rows, cols)
{
    const to = squareTo(corners), at = (/** @type {number} */ i, /** @type {number} */ j) => to(i / (cols - 1), j / (rows - 1));
    const out = [];
    for (let j = 0; j < rows; j++)
        for (let i = 0; i < cols; i++)
            out.push([[-1, -1], [1, -1], [1, 1], [-1, 1]].map(([a, b]) => at(i + a / 4, j + b / 4)));
    return out;
}

/** Can these be corners: four, in clockwise order (y down), a convex shape? @param {(Point|null)[]} c
 *  @returns {string} "" or why not */
export function whyNoCorners(c)
{
    if (c.some((p) => p === null))
        return "Four corners are needed.";
    const p = /** @type {Point[]} */ (c);
    const turns = p.map((a, i) => {
        const b = p[(i + 1) % 4], d = p[(i + 2) % 4];
        return (b[0] - a[0]) * (d[1] - b[1]) - (b[1] - a[1]) * (d[0] - b[0]);
    });
    return turns.every((t) => t > 0) ? ""
        : turns.every((t) => t < 0) ? "The corners run anticlockwise: the second is the last patch of the first row."
            : "The corners do not form a shape with four outer corners: set them again.";
}

/** Rows and columns to draw before the program has read the file: as given, else what a file of 24
 *  colours means; null when it cannot be said. @param {string} text @param {number} rows @param {number} cols
 *  @returns {[number, number]|null} */
export function gridOf(text, rows, cols)
{
    if (rows > 1 && cols > 1)
        return [rows, cols];
    const sets = /^\s*NUMBER_OF_SETS\s+(\d+)/m.exec(text);
    return sets && Number(sets[1]) === 24 ? [4, 6] : null;
}
