// A line across the relief: set by two clicks, or by the crosshair and Enter; its profile in every state.
import * as api from "./api.js";
import {byId, fill, h, say} from "./dom.js";
import * as marks from "./light_marks.js";
import {plot} from "./plot.js";
import * as stage from "./stage.js";
import {on, state} from "./state.js";
import {num} from "./words.js";
/** @typedef {import("./types.js").Point} Point */

const HINT = "Click where the line begins, then where it ends; or move the crosshair with the arrow keys and press Enter at each end. Esc leaves off.";

/** @type {HTMLElement} */
let place;
/** The ends set so far, while a line is being set. @type {Point[]|null} */
let ends = null;
/** @type {Node|null} */
let shown = null;

/** @param {Point} p frame px */
function setEnd(p)
{
    if (!ends)
        return;
    ends.push(p);
    marks.show("line", [marks.across(ends)]);
    say(ends.length === 1 ? "The line begins here." : "The line ends here.");
    if (ends.length === 2)
        measure(/** @type {[Point, Point]} */ (ends));
    else
        show();
}

/** Take the straight line of least squares away: how a profile leans as a whole is not known from slopes.
 *  @param {[number, number][]} points */
function level(points)
{
    const p = points.filter((q) => Number.isFinite(q[1])), n = p.length || 1;
    const mx = p.reduce((sum, q) => sum + q[0], 0) / n, my = p.reduce((sum, q) => sum + q[1], 0) / n;
    const k = p.reduce((sum, q) => sum + (q[0] - mx) * (q[1] - my), 0) / (p.reduce((sum, q) => sum + (q[0] - mx) ** 2, 0) || 1);
    points.forEach((q) => {
        q[1] -= my + k * (q[0] - mx);
    });
}

/** @param {[Point, Point]} line */
async function measure([a, b])
{
    ends = null;
    shown = null;
    show();
    try {
        const docs = await Promise.all(state.reliefs.map((r) => api.profile(r.state, a, b)));
        const curves = docs.map((d) => ({name: d.state, points: d.height_mm.map((v, i) =>
            /** @type {[number, number]} */ ([d.length_mm * i / (d.height_mm.length - 1), v === null ? NaN : 1000 * v]))}));
        curves.forEach((c) => level(c.points));
        shown = plot(curves, {label: "from A to B", unit: "mm"}, {label: "Height over the profile's straight line", unit: "\u00b5m"},
                     `Levelled by least squares; forms longer than ${num(Math.min(...docs.map((d) => d.reliable_mm)), 0)} mm are not reliable.`);
        say("The profile is shown.");
    } catch (e) {
        marks.show("line", []);
        shown = h("p", {class: "trouble", role: "alert"}, e instanceof Error ? e.message : String(e));
    }
    show();
}

function begin()
{
    ends = [];
    shown = null;
    marks.show("line", []);
    show();
    byId("stage").focus();
    say(HINT);
}

function leaveOff()
{
    ends = null;
    shown = null;
    marks.show("line", []);
    show();
}

function show()
{
    const button = (/** @type {string} */ text, /** @type {() => void} */ fn) => h("button", {type: "button", onclick: fn}, text);
    byId("stage").classList.toggle("is-measuring", ends !== null);
    fill(place, !state.reliefs.length ? null : [
        h("div", {class: "row"}, ends ? button("Leave off", leaveOff) : button("Line across the relief", begin),
          shown && !ends ? button("Clear the line", leaveOff) : null),
        ends ? h("p", {class: "hint"}, ends.length ? "Now its end." : HINT) : null,
        shown]);
}

/** @param {KeyboardEvent} e @returns {boolean} whether the key was for the line */
export function key(e)
{
    if (!ends || state.room !== "light" || (e.key !== "Enter" && e.key !== "Escape"))
        return false;
    if (e.key === "Escape")
        leaveOff();
    else if (state.cross)
        setEnd(state.cross);
    return true;
}

/** @param {HTMLElement} element */
export function start(element)
{
    place = element;
    stage.onClick((p, kind) => {
        if (!ends || state.room !== "light")
            return false;
        if (kind === "click")
            setEnd(p);
        return true;
    });
    on(["reliefs"], show);
    on(["room"], () => ends && leaveOff());
    show();
}
