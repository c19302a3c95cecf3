// A colour target on the own pixels of a view: its four corner patches are pointed at, with a magnified
// patch beside, or it is shown where every patch was measured.
import * as api from "./api.js";
import {h, s, fill, say} from "./dom.js";
import {clamp} from "./geometry.js";
import {measuredParts, whyNoCorners} from "./target_grid.js";
import {num} from "./words.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").View} View
 * @typedef {import("./types.js").CalibrationPatch} Patch
 */

const PICTURE = 512, GLASS = 192; // px asked of the program
const CORNERS = ["first patch", "last patch of the first row", "last patch", "first patch of the last row"];

/**
 * The picture part: a square region of own pixels, a cross, marks over it.
 * @param {View} v @param {{title: string, onSet: (p: Point) => void, marks: (at: (p: Point) => Point) => Node[]}} what
 */
function board(v, what)
{
    const whole = Math.max(v.w, v.h);
    const region = {x: v.w / 2, y: v.h / 2, side: whole};
    /** @type {Point} */
    let cross = [v.w / 2, v.h / 2];
    const img = h("img", {alt: "", draggable: "false"}), glass = h("img", {alt: ""}), over = s("svg", {"aria-hidden": "true", viewBox: `0 0 ${PICTURE} ${PICTURE}`});
    const where = h("p", {class: "hint"});
    const area = h("div", {class: "own-picture", tabindex: 0, role: "application", "aria-roledescription": "picture", "aria-label":
        `${what.title}. Arrow keys move the cross, with Shift by one pixel; Space sets a corner; plus and minus zoom, 0 shows all.`}, img, over);
    /** @type {number} */
    let asked = 0;

    /** @param {Point} p own px @returns {Point} px of the overlay */
    const at = (p) => [((p[0] - region.x) / region.side + 0.5) * PICTURE, ((p[1] - region.y) / region.side + 0.5) * PICTURE];

    function draw()
    {
        const [x, y] = at(cross), k = PICTURE / 16;
        fill(over, ...what.marks(at), ...["under", "over"].map((c) => s("path", {class: c, d:
            `M${x - 16},${y} h11 M${x + 5},${y} h11 M${x},${y - 16} v11 M${x},${y + 5} v11`})),
             s("rect", {class: "glass-box", x: x - k, y: y - k, width: 2 * k, height: 2 * k}));
        where.textContent = `x ${num(cross[0], 1)}, y ${num(cross[1], 1)} px of ${v.w} \u00d7 ${v.h}`;
    }

    /** Ask for the pictures, once the moving has paused. @param {boolean} isRegion */
    function ask(isRegion)
    {
        draw();
        const mine = ++asked;
        setTimeout(() => {
            if (isRegion)
                img.src = api.ownUrl(v.id, region.x, region.y, region.side, PICTURE);
            if (mine === asked)
                glass.src = api.ownUrl(v.id, cross[0], cross[1], Math.max(16, region.side / 8), GLASS);
        }, 60);
    }

    /** @param {Point} p */
    function moveTo(p)
    {
        cross = [clamp(p[0], 0, v.w), clamp(p[1], 0, v.h)];
        const [x, y] = at(cross), isIn = x >= 0 && y >= 0 && x <= PICTURE && y <= PICTURE;
        if (!isIn)
            [region.x, region.y] = cross;
        ask(!isIn);
    }

    /** @param {number} factor @param {Point} [to] */
    function zoom(factor, to = cross)
    {
        region.side = clamp(region.side / factor, Math.min(48, whole), whole);
        [region.x, region.y] = region.side === whole ? [v.w / 2, v.h / 2] : to;
        ask(true);
    }

    /** @param {PointerEvent|MouseEvent} e @returns {Point} */
    const pointed = (e) => {
        const r = area.getBoundingClientRect();
        return [region.x + ((e.clientX - r.left) / r.width - 0.5) * region.side, region.y + ((e.clientY - r.top) / r.height - 0.5) * region.side];
    };
    area.addEventListener("pointermove", (e) => e.pointerType !== "touch" && moveTo(pointed(e)));
    area.addEventListener("click", (e) => {
        moveTo(pointed(e));
        what.onSet(cross);
    });
    area.addEventListener("wheel", (e) => {
        e.preventDefault();
        zoom(e.deltaY < 0 ? 1.5 : 1 / 1.5, pointed(e));
    }, {passive: false});
    area.addEventListener("keydown", (e) => {
        const step = e.shiftKey ? 1 : region.side / 100;
        /** @type {Record<string, () => void>} */
        const keys = {ArrowLeft: () => moveTo([cross[0] - step, cross[1]]), ArrowRight: () => moveTo([cross[0] + step, cross[1]]),
                      ArrowUp: () => moveTo([cross[0], cross[1] - step]), ArrowDown: () => moveTo([cross[0], cross[1] + step]),
                      " ": () => what.onSet(cross), "+": () => zoom(2), "=": () => zoom(2), "-": () => zoom(0.5), "0": () => zoom(1e-9)};
        if (keys[e.key]) {
            e.preventDefault();
            keys[e.key]();
        }
    });
    const zooms = h("div", {class: "row", role: "group", "aria-label": "Zoom"},
                    h("button", {type: "button", onclick: () => zoom(2)}, "Zoom in"), h("button", {type: "button", onclick: () => zoom(0.5)}, "Zoom out"),
                    h("button", {type: "button", onclick: () => zoom(1e-9)}, "Whole"));
    const glassBox = h("figure", {class: "own-glass"}, h("div", {}, glass, h("i", {"aria-hidden": "true"})), h("figcaption", {}, "magnified at the cross"));
    return {area, zooms, glassBox, where, draw, focusOn: (/** @type {Point[]} */ p) => {
        const xs = p.map((q) => q[0]), ys = p.map((q) => q[1]);
        region.side = clamp(1.35 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys)), 48, whole);
        cross = [(Math.min(...xs) + Math.max(...xs)) / 2, (Math.min(...ys) + Math.max(...ys)) / 2];
        [region.x, region.y] = cross;
        ask(true);
    }, start: () => ask(true)};
}

/** Outlines of what is measured; crossed where a patch was not used. @param {Point[]} corners @param {[number, number]|null} grid
 *  @param {(p: Point) => Point} at @param {Patch[]} [patches] @returns {Node[]} */
function gridMarks(corners, grid, at, patches)
{
    const text = (/** @type {Point[]} */ p) => p.map((q) => at(q).map((x) => x.toFixed(2)).join(",")).join(" ");
    const parts = grid ? measuredParts(corners, ...grid) : [corners];
    return parts.flatMap((p, i) => {
        const bad = Boolean(patches?.[i]?.fault), q = p.map(at);
        return ["under", "over"].flatMap((c) => [
            s("polygon", {class: `${c} measured-part${bad ? " is-bad" : ""}`, points: text(p)}),
            bad ? s("path", {class: c, d: `M${q[0].join(",")} L${q[2].join(",")} M${q[1].join(",")} L${q[3].join(",")}`}) : null]).filter((n) => n !== null);
    });
}

/** @param {string} title @param {...Node} children */
function openDialog(title, ...children)
{
    const d = h("dialog", {class: "target-dialog", "aria-labelledby": "target-title"}, h("h2", {id: "target-title"}, title), ...children);
    document.body.append(d);
    d.addEventListener("close", () => d.remove());
    d.showModal();
    return d;
}

/**
 * Ask for the corners of the target. @param {View} v @param {[number, number]|null} grid rows and columns, to draw
 * @param {(Point|null)[]} had corners set before @returns {Promise<Point[]|null>} own px; null: given up
 */
export function pickCorners(v, grid, had)
{
    const corner = [0, 1, 2, 3].map((i) => had[i] ?? null);
    let next = Math.max(0, corner.indexOf(null));
    return new Promise((resolve) => {
        /** @type {Point[]|null} */
        let result = null;
        const list = h("div", {class: "corner-list", role: "radiogroup", "aria-label": "Corner to set"}), why = h("p", {class: "hint", "aria-live": "polite"});
        const use = h("button", {type: "button", class: "main", onclick: () => {
            result = /** @type {Point[]} */ (corner);
            dialog.close();
        }}, "Use these corners");
        const b = board(v, {title: `Picture of ${v.label}`, marks: (at) => {
            const set = corner.filter((c) => c !== null);
            return [...(set.length === 4 && !whyNoCorners(corner) ? gridMarks(set, grid, at) : []),
                    ...corner.flatMap((c, i) => {
                        if (!c)
                            return [];
                        const [x, y] = at(c);
                        return [s("circle", {cx: x, cy: y, r: 5, class: "corner"}), ...["under", "over"].map((cl) => s("text", {class: cl, x: x + 9, y: y - 7}, String(i + 1)))];
                    })];
        }, onSet: (p) => {
            corner[next] = [Math.round(p[0] * 10) / 10, Math.round(p[1] * 10) / 10];
            say(`${CORNERS[next]} set.`);
            const free = corner.indexOf(null);
            next = free >= 0 ? free : next;
            show();
        }});
        function show()
        {
            fill(list, CORNERS.map((name, i) => {
                const c = corner[i], input = h("input", {type: "radio", name: "corner", checked: i === next, onchange: () => {
                    next = i;
                }});
                return h("label", {}, input, h("span", {}, `${i + 1} ${name}`), h("span", {class: "quiet"}, c ? `${num(c[0], 0)}, ${num(c[1], 0)}` : "not set"));
            }));
            const reason = whyNoCorners(corner);
            use.toggleAttribute("disabled", reason !== "");
            why.textContent = reason || (grid ? "The outlines are where patches are measured: each must lie inside its own patch." : "The middles of the corner patches are joined.");
            b.draw();
        }
        const dialog = openDialog(`Corners of the target in ${v.label}`,
            h("p", {}, "Point at the middle of the first patch of the reference file, then clockwise at the middles of the three other corner patches. The picture is the view as photographed."),
            h("div", {class: "target-board"}, h("div", {}, b.area, b.zooms),
              h("div", {}, b.glassBox, b.where, list, why, h("div", {class: "row"}, use, h("button", {type: "button", onclick: () => dialog.close()}, "Cancel")))));
        dialog.addEventListener("close", () => resolve(result));
        show();
        b.start();
        b.area.focus();
    });
}

/** Show where the patches of a calibration were measured. @param {View} v @param {import("./types.js").Calibration} c */
export function showMeasured(v, c)
{
    const corners = c.corners, bad = c.patches.filter((p) => p.fault);
    const b = board(v, {title: `Where the patches in ${v.label} were measured`, onSet: () => {}, marks: (at) => gridMarks(corners, [c.rows, c.cols], at, c.patches)});
    const dialog = openDialog(`Where the target in ${v.label} was measured`,
        h("p", {}, `${c.rows} rows of ${c.cols} patches; the outlines are the parts that were averaged` + (bad.length ? `, crossed out where a patch was not used: ${bad.map((p) => p.name).join(", ")}.` : ".")),
        h("div", {class: "target-board"}, h("div", {}, b.area, b.zooms), h("div", {}, b.glassBox, b.where, h("button", {type: "button", class: "main", onclick: () => dialog.close()}, "Close"))));
    b.focusOn(corners);
    b.area.focus();
}
