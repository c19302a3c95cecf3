// The bar above the picture: what is shown on each side, and how the two are compared.
import * as alternation from "./alternation.js";
import {byId, fill, h, keepFocus, say, select} from "./dom.js";
import * as fitMap from "./fit_map.js";
import * as line from "./line.js";
import * as stage from "./stage.js";
import {compareNotes, on, set, sideName, sides, state, whyApart, whyNot} from "./state.js";
import {num} from "./words.js";
/** @typedef {import("./types.js").CompareMode} CompareMode */

/** @type {[CompareMode, string, string][]} */
const MODES = [
    ["one", "One side", "only the first picture"],
    ["line", "Half-clean line", "one picture on each side of the line"],
    ["mix", "Mix", "the second picture laid over the first"],
    ["difference", "Difference", "what differs between the two pictures, black where they are the same"],
    ["alternation", "Alternation", "the two pictures in turn"]];

const FACTORS = [1, 2, 4, 8];

/** @param {string} text @param {string} title @param {() => void} fn */
function button(text, title, fn)
{
    return h("button", {type: "button", title, onclick: fn}, text);
}

/** @param {string} text @param {string} title @param {boolean} isOn @param {() => void} fn */
function toggle(text, title, isOn, fn)
{
    const el = button(text, title, fn);
    el.setAttribute("aria-pressed", String(isOn));
    return el;
}

function modes()
{
    const why = whyNot(state.sideA), has = !why && sides().some(([v]) => v !== state.sideA && !whyNot(v));
    return h("div", {class: "modes", role: "radiogroup", "aria-label": "Compare"},
             MODES.map(([m, text, title]) => h("label", {title: has || m === "one" ? title : why}, h("input", {
                 type: "radio", name: "mode", value: m, checked: state.mode === m,
                 disabled: !has && m !== "one", onchange: () => show(m)}), h("span", {}, text))));
}

/** Choose a side; the same picture is never on both. What cannot be compared is not laid beside another:
 *  the reason is said. @param {"sideA"|"sideB"} which @param {string} v */
export function choose(which, v)
{
    const other = which === "sideA" ? "sideB" : "sideA";
    const change = state[other] === v ? {[which]: v, [other]: state[which]} : {[which]: v};
    const why = whyApart({...state, ...change});
    if (which === "sideB" && why)
        say(why);
    else
        set(change);
}

/** Another way to compare; a second picture is found when the one at hand does not go with the first.
 *  @param {CompareMode} mode */
export function show(mode)
{
    const why = whyNot(state.sideA);
    if (mode !== "one" && why) {
        say(why);
        return;
    }
    const sideB = !whyNot(state.sideB) && state.sideB !== state.sideA ? state.sideB
        : sides().map(([v]) => v).find((v) => v !== state.sideA && !whyNot(v)) ?? "";
    if (mode === "one" || sideB)
        set({sideB, mode});
}

function mixer()
{
    const el = h("input", {type: "range", min: 0, max: 100, step: 1, value: Math.round(state.mix * 100),
                           "aria-label": "Opacity of the second picture, per cent"});
    el.addEventListener("input", () => set({mix: Number(el.value) / 100}));
    return el;
}

/** Multiply the difference by the next factor. */
export function nextFactor()
{
    if (state.mode !== "difference")
        return;
    set({factor: FACTORS[(FACTORS.indexOf(state.factor) + 1) % FACTORS.length]});
    say(`Difference times ${state.factor}.`);
}

function amplifier()
{
    return select(FACTORS.map((k) => [String(k), `\u00d7${k}`]), String(state.factor),
                  (v) => set({factor: Number(v)}),
                  {"aria-label": "The difference is multiplied by", title: "Multiply the difference (D)"});
}

function alternator()
{
    const run = toggle("Run", alternation.mayRun() ? "Let the pictures change by themselves (S)"
        : "This system asks for less motion: change the pictures by hand", state.isRunning,
                       alternation.toggle);
    run.disabled = !alternation.mayRun();
    return [button("Other picture", "Show the other of the two pictures (A)", alternation.change), run,
            select(alternation.RATES.map((n) => [String(n), `${n} a second`]), String(state.rate),
                   (v) => set({rate: Number(v)}), {"aria-label": "Changes", disabled: run.disabled})];
}

/** What belongs to the way the two pictures are compared. */
function means()
{
    switch (state.mode) {
    case "mix":
        return [mixer()];
    case "difference":
        return [amplifier()];
    case "alternation":
        return alternator();
    case "line":
        return [button("Swap", "Change the two sides (X)", line.swap),
                button("Line here", "Bring the line to the middle of the picture area (L)",
                       line.bringHere)];
    default:
        return [];
    }
}

function build()
{
    const focus = keepFocus(byId("bar"));
    const list = sides(), two = state.mode !== "one" && state.sideB !== "";
    const withForecast = (two && state.sideB === "forecast") || state.sideA === "forecast";
    fill(byId("bar"),
         modes(),
         list.length ? select(list, state.sideA, (v) => choose("sideA", v),
                              {"aria-label": "One side"}) : null,
         two ? h("span", {class: "seam", "aria-hidden": "true"}) : null,
         two ? select(list.filter(([v]) => !whyNot(v)), state.sideB, (v) => choose("sideB", v),
                      {"aria-label": "Other side"}) : null,
         h("span", {class: "bar-break", "aria-hidden": "true"}),
         two ? means() : [],
         withForecast ? toggle("Radius", "Half-width of the 90 % interval as a veil (R)",
                               state.radiusOn, () => set({radiusOn: !state.radiusOn})) : null,
         state.fitMap || fitMap.candidate()
             ? toggle("Fit map", "Where the fit holds, and where it has no support (F)",
                      state.fitMap !== null, fitMap.toggle) : null,
         toggle("Outlines", "Windows and zones (O)", state.outlinesOn,
                () => set({outlinesOn: !state.outlinesOn})),
         h("span", {class: "zoom"},
           h("button", {type: "button", "aria-label": "Zoom out", onclick: () => stage.zoomBy(1 / 1.5)},
             "\u2212"),
           h("button", {type: "button", "aria-label": "Zoom in", onclick: () => stage.zoomBy(1.5)}, "+"),
           h("button", {type: "button", title: "Show the whole picture (0)", onclick: stage.fit}, "All")));
    focus();
}

/** The veil comes in six steps over its scale, the first one clear (HC_TILES_HEAT).
 *  @param {{lo: number, hi: number}} scale */
function veilLegend(scale)
{
    return h("span", {class: "legend-veil"}, "radius \u00b1", [0, 1, 2, 3, 4, 5].map((k) => [
        k ? h("span", {}, num(scale.lo + (scale.hi - scale.lo) * k / 6, 0)) : null,
        h("span", {class: `veil veil-${k}`, "aria-hidden": "true"})]).flat(), " and more, CIEDE2000");
}

/** What is seen in a difference. */
const differenceLegend = () => h("span", {}, `difference of the values on the screen, \u00d7${state.factor}: black = the same; ` +
    "not a measured colour difference");

/** What a person must know about the two before comparing at a spot, or why they stand apart: rows.
 *  @param {boolean} two @returns {HTMLElement[][]} */
function notes(two)
{
    const why = whyNot(state.sideA), part = two ? stage.commonPart() : null;
    return [...(why && state.sideA ? [why] : []), ...(two ? compareNotes() : [])].map((t) => [h("strong", {}, t)]).concat(
        part ? [[h("span", {}, part.length ? "compared inside the outline only"
            : "the two show no place in common: nothing is compared")]] : []);
}

/** Which of the two pictures is to be seen. */
function alternationLegend()
{
    return [state.sideA, state.sideB].map((side, i) =>
        h("span", {class: (i === 1) === state.isOther ? "in-turn is-shown" : "in-turn"}, sideName(side)));
}

/** What the veil, the hatch and the way to compare mean, at the foot of the picture. */
function legend()
{
    const el = byId("legend"), f = state.forecast, two = state.mode !== "one" && state.sideB !== "";
    const hasForecast = f !== null && (state.sideA === "forecast" || (two && state.sideB === "forecast"));
    const parts = [
        ...(two && state.mode === "difference" ? [differenceLegend()] : []),
        ...(two && state.mode === "alternation" ? alternationLegend() : []),
        ...(hasForecast ? [h("span", {class: "legend-hatch", "aria-hidden": "true"}), h("span", {}, "refused")]
                        : []),
        ...(hasForecast && state.radiusOn ? [veilLegend(f.radius_scale)] : [])];
    const rows = [...notes(two), parts, ...fitMap.legend()].filter((row) => row.length);
    el.hidden = rows.length === 0;
    fill(el, rows.map((row) => h("div", {class: "legend-row"}, row)));
}

export function start()
{
    on(["views", "forecast", "sideA", "sideB", "mode", "radiusOn", "outlinesOn", "factor", "rate", "isRunning",
        "fitMap"], build);
    on(["views", "forecast", "sideA", "sideB", "mode", "radiusOn", "factor", "isOther", "fitMap"], legend);
    build();
    legend();
}
