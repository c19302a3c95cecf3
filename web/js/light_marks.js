// What was measured in the room Light, on the picture: outlines of passages with their numbers, and the
// line whose profile is shown. They stay until they are cleared.
import {byId, fill, s} from "./dom.js";
import {topOf} from "./geometry.js";
import {pointsText} from "./pen.js";
import * as stage from "./stage.js";
import {on, state} from "./state.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {{points: Point[], isClosed: boolean, names: [string, Point][]}} Mark frame px; names and where they stand
 */

/** @type {SVGSVGElement} */
let svg;
/** @type {Map<string, Mark[]>} */
const groups = new Map();

/** @param {Point[]} polygon @param {string} name @returns {Mark} */
export const passage = (polygon, name) => ({points: polygon, isClosed: true, names: [[name, topOf(polygon)]]});

/** @param {Point[]} ends @returns {Mark} */
export const across = (ends) => ({points: ends, isClosed: false, names: ends.map((p, i) => ["AB"[i], p])});

/** Show these marks of that kind instead of the earlier ones. @param {string} kind @param {Mark[]} marks */
export function show(kind, marks)
{
    groups.set(kind, marks);
    place();
}

/** @param {Mark} m */
function draw(m)
{
    const points = m.points.map(stage.toScreen), text = pointsText(points);
    return ["under", "over"].flatMap((w) => [
        m.isClosed ? s("polygon", {points: text, class: `outline passage ${w}`}) : s("polyline", {points: text, class: `outline ${w}`}),
        m.isClosed ? null : points.map(([x, y]) => s("circle", {cx: x, cy: y, r: 4, class: `outline ${w}`})),
        m.names.map(([name, at]) => {
            const [x, y] = stage.toScreen(at);
            return s("text", {class: `outline-name ${w}`, x, y: y - 12}, name);
        })].flat());
}

function place()
{
    svg.toggleAttribute("hidden", state.room !== "light");
    if (stage.isOpen() && state.room === "light")
        fill(svg, [...groups.values()].flat().flatMap(draw));
}

export function start()
{
    svg = s("svg", {id: "light-marks", "aria-hidden": true});
    byId("stage").insertBefore(svg, byId("line"));
    stage.onDraw(place);
    on(["room"], place);
}
