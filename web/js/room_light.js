// Light: the measured relief under a lamp, what is measured on it, its figures by detail size, and what it
// foretells of the relief that comes back.
import * as api from "./api.js";
import {byId, field, figures, fill, h, keepFocus, say, select} from "./dom.js";
import * as jobs from "./jobs.js";
import * as lamp from "./lamp.js";
import * as across from "./light_line.js";
import * as marks from "./light_marks.js";
import * as passages from "./light_passages.js";
import {plot} from "./plot.js";
import {on, reload, set, state} from "./state.js";
import {num, percent} from "./words.js";
/** @typedef {import("./types.js").Relief} Relief */

/** @type {Record<"lamp"|"measure"|"figures"|"make"|"work"|"trouble", HTMLElement>} */
let part;
const asked = {state: "", method: "trimmed", flat: false, even: false};

/** States that have raking views. */
const statesWithLights = () => [...new Set(state.views.filter((v) => v.technique === "raking").map((v) => v.state))];

/** @param {string} text @param {number} value @param {[number, number, number]} range lo, hi, step
 *  @param {(v: number) => string} show @param {(v: number) => void} fn */
function slider(text, value, [lo, hi, step], show, fn)
{
    const id = `slider-${text.toLowerCase().replaceAll(" ", "-")}`;
    const out = h("output", {for: id}, show(value)), el = h("input", {type: "range", id, min: lo, max: hi, step, value});
    el.addEventListener("input", () => {
        out.textContent = show(Number(el.value));
        fn(Number(el.value));
    });
    return h("div", {class: "slider"}, h("label", {for: id}, text), out, el);
}

/** @param {string} text @param {boolean} isOn @param {(isOn: boolean) => void} fn */
function tick(text, isOn, fn)
{
    const el = h("input", {type: "checkbox", checked: isOn});
    el.addEventListener("change", () => fn(el.checked));
    return h("label", {class: "tick"}, el, h("span", {}, text));
}

/** @param {number} azimuth */
const directionText = (azimuth) => `${num(azimuth, 0)}\u00b0, ${lamp.fromText(azimuth)}`;

function showLamp()
{
    const focus = keepFocus(part.lamp), names = state.reliefs.map((r) => /** @type {[string, string]} */ ([r.state, r.state]));
    if (!names.length) {
        fill(part.lamp, h("p", {class: "first"}, "No relief yet. Add three or more views in raking light of one state, each with the " +
            "place of its lamp (eight round the picture are good), let them be placed, and compute the relief" +
            `${statesWithLights().length ? " below" : ""}.`));
        return;
    }
    const button = h("button", {type: "button", class: "main", "aria-pressed": String(state.lampOn),
                                onclick: () => lamp.light(!state.lampOn)}, state.lampOn ? "Put out the lamp" : "Light the lamp");
    const l = lamp.lamp, first = lamp.reliefOf(state.lampA) ?? state.reliefs[0], hasTwo = state.mode === "line" || state.mode === "alternation";
    const others = first.forecast.gain ? [...names, /** @type {[string, string]} */ ([lamp.PREDICTED, "predicted without the coat"])] : names;
    fill(part.lamp, h("div", {class: "row"}, button),
         names.length > 1 || hasTwo ? h("div", {class: "pair"},
             field("Relief of one side", select(names, first.state, (v) => set({lampA: v}))),
             hasTwo ? field("Relief of the other", select(others, lamp.otherName(), (v) => set({lampB: v}))) : null) : null,
         hasTwo ? h("p", {class: "hint"}, passages.unlike(first.state, lamp.otherName())) : null,
         slider("Direction", Math.round(l.azimuth), [-180, 180, 1], directionText, (v) => lamp.put({azimuth: v})),
         slider("Height over the picture", Math.round(l.elevation), [4, 90, 1], (v) => `${num(v, 0)}\u00b0`, (v) => lamp.put({elevation: v})),
         slider("Breadth of the lamp", l.breadth, [0, 40, 5], (v) => v ? `${num(v, 0)}\u00b0` : "a point", (v) => lamp.put({breadth: v})),
         slider("Exaggeration of the relief", l.exaggeration, [1, 8, 0.5], (v) => v === 1 ? "none" : `\u00d7${num(v, 1)}`, (v) => lamp.put({exaggeration: v})),
         tick("Shadows thrown by ridges", l.isShadowed, (v) => lamp.put({isShadowed: v})),
         tick("Without the colours", l.isPlain, (v) => lamp.put({isPlain: v})),
         h("p", {class: "hint"}, "Drag the lamp on the picture, or use the arrow keys on it. Its light is computed from the slopes as measured."));
    focus();
}

/** The sliders follow the grip on the picture without being made anew. */
function follow()
{
    const [direction, height] = part.lamp.querySelectorAll(".slider");
    for (const [el, v, text] of /** @type {[Element|undefined, number, string][]} */ ([
        [direction, lamp.lamp.azimuth, directionText(lamp.lamp.azimuth)], [height, lamp.lamp.elevation, `${num(lamp.lamp.elevation, 0)}\u00b0`]])) {
        const input = el?.querySelector("input"), out = el?.querySelector("output");
        if (input && out && document.activeElement !== input) {
            input.value = String(Math.round(v));
            out.textContent = text;
        }
    }
}

/** @param {Relief} r */
function reliefPart(r)
{
    const t = r.texture, k = r.through_varnish;
    return h("section", {class: "relief"},
             h("h3", {}, `Relief of the state ${r.state}`),
             r.is_stale ? h("p", {class: "loud"}, "Views, lamps or windows changed since: compute it again.") : null,
             k.is_varnished ? h("p", {class: "loud"}, `If a varnish of index 1.5 covers the paint, these slopes are ${num(k.paint, 2)} of the paint's ` +
                 `and ${num(k.film, 2)} of the varnish surface's.`) : null,
             figures([
                 [`Sq, ${num(t.short_mm, 2)} to ${num(t.long_mm, 2)} mm`, `${num(t.sq_um, 1)} \u00b5m`],
                 ["Sdq, same details", num(t.sdq, 4)],
                 ["standard error of a slope", `\u00b1${num(r.slope_sd, 4)}${r.slope_sd_assumed ? ", noise assumed" : ""}`],
                 ["answered", percent(r.answered)]]),
             h("details", {}, h("summary", {}, "How it was measured"), h("p", {}, k.what),
               figures([["lamps", `${r.lights.length}${r.crossed ? ", crossed polarisers" : ""}`], ["method", r.method],
                        ["heights hold up to a wavelength of", `${num(r.height.reliable_mm, 0)} mm`]]),
               h("p", {}, r.height.what)),
             forecastPart(r));
}

/** Reasons that several windows share are said once. @param {Relief["windows"]} windows @returns {[string, string[]][]} */
function reasons(windows)
{
    /** @type {Map<string, string[]>} */
    const by = new Map();
    for (const w of windows.filter((v) => !v.retained))
        by.set(w.why, [...(by.get(w.why) ?? []), w.label]);
    return [...by];
}

/** @param {Relief} r */
function forecastPart(r)
{
    const f = r.forecast, {between} = passages;
    return [h("h4", {}, "What removing the coat gives back"),
            f.gain ? h("p", {}, `Fine relief times ${between(f.gain)}. `, f.what) : h("p", {}, f.what),
            r.windows.length ? h("ul", {class: "plain"},
                r.windows.filter((w) => w.retained).map((w) =>
                    h("li", {}, h("b", {}, w.label), `: the varnished neighbour keeps ${between(/** @type {any} */ (w.retained))} of the relief. ${w.why}`)),
                reasons(r.windows).map(([why, names]) => h("li", {}, h("b", {}, names.join("; ")), ": ", why))) : null];
}

/** All states in one plot: the share of each octave of detail size. */
function curvesPart()
{
    const limit = Math.min(...state.reliefs.map((r) => r.height.reliable_mm));
    return h("section", {class: "relief"}, h("h3", {}, "Texture by detail size"),
             plot(state.reliefs.map((r) => ({name: r.state, points: r.curve.map((c) => /** @type {[number, number]} */ ([c.detail_mm, c.sq_um]))})),
                  {label: "detail size", unit: "mm", isLog: true}, {label: "Sq in an octave", unit: "\u00b5m"}, "",
                  {from: limit, text: `not reliable over ${num(limit, 0)} mm`}));
}

function showFigures()
{
    const open = [...part.figures.querySelectorAll("details")].map((d) => d.open);
    fill(part.figures, state.reliefs.length ? curvesPart() : null, state.reliefs.map(reliefPart));
    part.figures.querySelectorAll("details").forEach((d, i) => d.toggleAttribute("open", open[i] ?? false));
}

async function compute()
{
    part.trouble.textContent = "";
    try {
        const id = await api.computeRelief({state: asked.state, method: asked.method, flat: asked.flat, even_exposure: asked.even});
        await jobs.run(part.work, "Computing the relief", id);
        await reload();
    } catch (e) {
        part.trouble.textContent = e instanceof Error ? e.message : String(e);
    }
}

function showMake()
{
    const names = statesWithLights();
    if (state.dossier.read_only || !names.length) {
        fill(part.make);
        return;
    }
    asked.state = names.includes(asked.state) ? asked.state : names[0];
    const lights = h("input", {type: "file", accept: ".csv,text/csv"});
    lights.addEventListener("change", () => sendLights(lights.files?.[0]));
    fill(part.make, h("h3", {}, "Compute a relief"),
         h("div", {class: "pair"},
           field("State", select(names.map((n) => [n, n]), asked.state, (v) => {
               asked.state = v;
           })),
           field("Method", select([["trimmed", "trimmed"], ["least-squares", "least squares"], ["least-trimmed", "least trimmed (slow)"]],
                                  asked.method, (v) => {
                                      asked.method = v;
                                  }))),
         tick("The picture is flat: take away slow drift", asked.flat, (v) => {
             asked.flat = v;
         }),
         tick("Exposures differed: bring the views to one", asked.even, (v) => {
             asked.even = v;
         }),
         field("Lamps from a file", lights, "CSV: file, azimuth_deg, elevation_deg; or file, x_mm, y_mm, z_mm"),
         h("div", {class: "row"}, h("button", {type: "button", class: "main", onclick: compute}, "Compute")));
}

/** @param {File|undefined} file */
async function sendLights(file)
{
    if (!file)
        return;
    part.trouble.textContent = "";
    try {
        const doc = await api.sendLights(await file.text(), file.name);
        await reload();
        say(`${doc.lights} lamps were read.`);
    } catch (e) {
        part.trouble.textContent = e instanceof Error ? e.message : String(e);
    }
}

export function start()
{
    const line = h("div"), outlines = h("div");
    part = {lamp: h("div"), make: h("div"), figures: h("div"), work: h("div"), trouble: h("p", {class: "trouble", role: "alert"}),
            measure: h("section", {"aria-labelledby": "measure-title"}, h("h2", {id: "measure-title"}, "On the relief"), line, outlines)};
    fill(byId("room-light"), h("h2", {}, "The lamp"), part.trouble, part.lamp, part.work, part.measure, part.figures, part.make);
    marks.start();
    across.start(line);
    passages.start(outlines);
    lamp.onChange(follow);
    on(["reliefs", "lampOn", "mode", "lampA", "lampB", "views"], showLamp);
    on(["reliefs"], showReliefs);
    on(["views", "dossier"], showMake);
    on(["room"], () => {
        if (state.room !== "light" && state.lampOn)
            lamp.light(false);
    });
    showLamp();
    showMake();
    showReliefs();
}

function showReliefs()
{
    part.measure.hidden = !state.reliefs.length;
    showFigures();
}
