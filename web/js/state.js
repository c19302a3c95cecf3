// What the page knows, in one place: set() changes it and tells those who listen to the keys changed.
import * as api from "./api.js";
import {sentence} from "./words.js";
/** @typedef {import("./types.js").State} State */
/** @typedef {keyof State} Key */

/** @type {State} */
export const state = {
    dossier: {title: "", maker: null, date: null, support: null, inventory: null, owner: null,
              height_mm: 1, width_mm: 1, frame: null, program: "", read_only: true},
    views: [], windows: [], zones: [], forecast: null,
    room: "look", sideA: "", sideB: "", mode: "one", mix: 0.5,
    factor: 4, rate: 2, isRunning: false, isOther: false,
    fitMap: null, workplace: null, radiusOn: false, outlinesOn: true, cross: null, isPinned: false, mm: 20,
    reliefs: [], lampOn: false, lampA: "", lampB: ""};

/** @type {{keys: Key[], fn: () => void}[]} */
const listeners = [];

/** @param {Key[]} keys @param {() => void} fn */
export function on(keys, fn)
{
    listeners.push({keys, fn});
}

/** What cannot be compared is not shown as if it could: then the first picture stands alone.
 *  @param {Partial<State>} change */
function settleMode(change)
{
    const next = {...state, ...change};
    if (next.mode !== "one" && whyApart(next))
        change.mode = "one";
}

/** @param {Partial<State>} change */
export function set(change)
{
    settleMode(change);
    const changed = /** @type {Key[]} */ (Object.keys(change)).filter((k) => state[k] !== change[k]);
    if (changed.length === 0)
        return;
    Object.assign(state, change);
    for (const l of listeners)
        if (l.keys.some((k) => changed.includes(k)))
            l.fn();
}

/** @param {string} side @returns {import("./types.js").View|undefined} */
export function viewOf(side)
{
    return side.startsWith("view:") ? state.views.find((v) => `view:${v.id}` === side) : undefined;
}

/** Does the view lie in the frame? @param {import("./types.js").View} v */
export const isPlaced = (v) => v.fit.verdict !== "refused" && v.fit.verdict !== "none";

/** Was the view fitted to the frame, well or badly, so that there is a map of its fit?
 *  @param {import("./types.js").View} v */
export const isFitted = (v) => v.fit.verdict !== "reference" && v.fit.verdict !== "none";

/** May its pixels be compared with those of others, spot by spot? @param {import("./types.js").View} v */
export const isComparable = (v) => isPlaced(v) && v.fit.comparable !== false;

/** Why a side cannot be compared with any other, one sentence, or "". @param {string} side */
export function whyNot(side)
{
    const v = viewOf(side);
    if (side === "forecast" || (v && isComparable(v)))
        return "";
    if (!v)
        return "There is no second picture.";
    if (isPlaced(v))
        return `Do not compare ${v.label}: ${sentence(v.fit.compare_note || "the program advises against it")}`;
    return `${v.fit.verdict === "none" ? "" : "Do not compare: "}${v.label} is not placed; its pixels cannot be compared.`;
}

/** Why the two sides cannot be compared, or "". @param {{sideA: string, sideB: string}} at */
export const whyApart = (at) => whyNot(at.sideA) || whyNot(at.sideB);

/** May the two sides be compared? */
export const areComparable = () => whyApart(state) === "";

/** What a person reads before comparing at a spot what the two sides show. @returns {string[]} */
export const compareNotes = () => [state.sideA, state.sideB].map(viewOf)
    .flatMap((v) => (v?.fit.compare_note ? [`${v.label}: ${sentence(v.fit.compare_note)}`] : []));

/** Sides that can be shown, as value and text. @returns {[string, string][]} */
export function sides()
{
    /** @type {[string, string][]} */
    const out = state.views.filter((v) => v.tiles).map((v) => [`view:${v.id}`, v.label]);
    if (state.forecast)
        out.push(["forecast", "forecast"]);
    return out;
}

/** @param {string} side */
export function sideName(side)
{
    const v = viewOf(side);
    if (side === "forecast")
        return state.forecast?.is_stale ? "forecast, out of date" : "forecast";
    return !v ? "" : isPlaced(v) ? v.label : `${v.label} (not placed)`;
}

/** The view that gives the frame, or the first one. */
export function referenceSide()
{
    const shown = state.views.filter((v) => v.tiles);
    const v = shown.find((w) => w.id === state.dossier.frame?.view) ?? shown[0];
    return v ? `view:${v.id}` : "";
}

/** Ask for everything again and keep the sides where they still exist. */
export async function reload()
{
    const [dossier, views, windows, zones, forecast, reliefs] = await Promise.all(
        [api.dossier(), api.views(), api.windows(), api.zones(), api.forecast(), api.reliefs()]);
    const known = new Set(views.filter((v) => v.tiles).map((v) => `view:${v.id}`));
    if (forecast)
        known.add("forecast");
    Object.assign(state, {dossier, views, windows, zones, forecast, reliefs});
    /** @type {Partial<State>} */
    const change = {};
    if (!known.has(state.sideA))
        state.sideA = referenceSide();
    if (!known.has(state.sideB) || state.sideB === state.sideA) {
        state.sideB = forecast ? "forecast"
            : [...known].find((k) => k !== state.sideA && !whyNot(k)) ?? "";
        change.mode = state.sideB ? "line" : "one";
        state.mode = change.mode;
    }
    settleMode(change);
    Object.assign(state, change);
    for (const l of listeners)
        if (l.keys.some((k) => ["dossier", "views", "windows", "zones", "forecast", "sideA", "sideB",
                                "mode", "reliefs"].includes(k)))
            l.fn();
}
