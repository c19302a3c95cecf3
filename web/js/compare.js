// The bar above the picture: what is shown on each side, and how the two are compared.
import {byId, fill, h, keepFocus, select} from "./dom.js";
import * as line from "./line.js";
import * as stage from "./stage.js";
import {on, set, sides, state} from "./state.js";
import {num} from "./words.js";
/** @typedef {import("./types.js").CompareMode} CompareMode */

/** @type {[CompareMode, string, string][]} */
const MODES = [
    ["one", "One side", "only the first picture"],
    ["line", "Half-clean line", "one picture on each side of the line"],
    ["mix", "Mix", "the second picture laid over the first"]];

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
    const has = sides().length > 1;
    return h("div", {class: "modes", role: "radiogroup", "aria-label": "Compare"},
             MODES.map(([m, text, title]) => h("label", {title}, h("input", {
                 type: "radio", name: "mode", value: m, checked: state.mode === m,
                 disabled: !has && m !== "one", onchange: () => set({mode: m})}), h("span", {}, text))));
}

/** Choose a side; the same picture is never on both. @param {"sideA"|"sideB"} which @param {string} v */
export function choose(which, v)
{
    const other = which === "sideA" ? "sideB" : "sideA";
    set(state[other] === v ? {[which]: v, [other]: state[which]} : {[which]: v});
}

function mixer()
{
    const el = h("input", {type: "range", min: 0, max: 100, step: 1, value: Math.round(state.mix * 100),
                           "aria-label": "Opacity of the second picture, per cent"});
    el.addEventListener("input", () => set({mix: Number(el.value) / 100}));
    return el;
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
         two ? select(list, state.sideB, (v) => choose("sideB", v),
                      {"aria-label": "Other side"}) : null,
         state.mode === "mix" && two ? mixer() : null,
         state.mode === "line" && two
             ? [button("Swap", "Change the two sides (X)", line.swap),
                button("Line here", "Bring the line to the middle of the picture area (L)",
                       line.bringHere)] : [],
         withForecast ? toggle("Radius", "Half-width of the 90 % interval as a veil (R)",
                               state.radiusOn, () => set({radiusOn: !state.radiusOn})) : null,
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

/** What the veil and the hatch mean, at the foot of the picture. */
function legend()
{
    const el = byId("legend"), f = state.forecast;
    const isShown = f !== null && (state.sideA === "forecast" ||
                                   (state.mode !== "one" && state.sideB === "forecast"));
    el.hidden = !isShown;
    if (!f || !isShown)
        return;
    fill(el, h("span", {class: "legend-hatch", "aria-hidden": "true"}), h("span", {}, "refused"),
         state.radiusOn ? veilLegend(f.radius_scale) : []);
}

export function start()
{
    on(["views", "forecast", "sideA", "sideB", "mode", "radiusOn", "outlinesOn"], () => {
        build();
        legend();
    });
    build();
    legend();
}
