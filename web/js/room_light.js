// Light: the measured relief under a lamp, its figures by detail size, a line across it, and what it
// foretells of the relief that comes back.
import * as api from "./api.js";
import {byId, field, figures, fill, h, keepFocus, say, select} from "./dom.js";
import * as jobs from "./jobs.js";
import * as lamp from "./lamp.js";
import {plot} from "./plot.js";
import * as stage from "./stage.js";
import {on, reload, set, state} from "./state.js";
import {num} from "./words.js";
/**
 * @typedef {import("./types.js").Relief} Relief
 * @typedef {import("./types.js").Point} Point
 */

/** @type {Record<"lamp"|"figures"|"make"|"work"|"trouble"|"across", HTMLElement>} */
let part;
/** @type {Point|null} */
let from = null;
let isDrawing = false;
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

function showLamp()
{
    const focus = keepFocus(part.lamp), names = state.reliefs.map((r) => /** @type {[string, string]} */ ([r.state, r.state]));
    if (!names.length) {
        fill(part.lamp, h("p", {class: "first"}, "No relief yet. Add three or more views in raking light of one state, each with the " +
            "place of its lamp (eight round the picture are good), let them be placed, and compute the relief below."));
        return;
    }
    const button = h("button", {type: "button", class: "main", "aria-pressed": String(state.lampOn),
                                onclick: () => lamp.light(!state.lampOn)}, state.lampOn ? "Put out the lamp" : "Light the lamp");
    const l = lamp.lamp, gain = lamp.sides().a?.forecast.gain;
    const others = gain ? [...names, /** @type {[string, string]} */ ([lamp.PREDICTED, "predicted without the coat"])] : names;
    fill(part.lamp, h("div", {class: "row"}, button),
         names.length > 1 || state.mode === "line" ? h("div", {class: "pair"},
             field("Relief of one side", select(names, state.lampA || names[0][0], (v) => set({lampA: v}))),
             state.mode === "line" ? field("Relief of the other", select(others, state.lampB || names[0][0], (v) => set({lampB: v}))) : null) : null,
         slider("Direction", Math.round(l.azimuth), [-180, 180, 1], (v) => `${num(v, 0)}\u00b0`, (v) => lamp.put({azimuth: v})),
         slider("Height over the picture", Math.round(l.elevation), [4, 90, 1], (v) => `${num(v, 0)}\u00b0`, (v) => lamp.put({elevation: v})),
         slider("Breadth of the lamp", l.breadth, [0, 40, 5], (v) => v ? `${num(v, 0)}\u00b0` : "a point", (v) => lamp.put({breadth: v})),
         slider("Exaggeration of the relief", l.exaggeration, [1, 8, 0.5], (v) => `\u00d7${num(v, 1)}`, (v) => lamp.put({exaggeration: v})),
         tick("Shadows thrown by ridges", l.isShadowed, (v) => lamp.put({isShadowed: v})),
         tick("Without the colours", l.isPlain, (v) => lamp.put({isPlain: v})),
         h("p", {class: "hint"}, "Drag the lamp on the picture, or use the arrow keys on it. Its light is computed: it shows the surface as measured."));
    focus();
}

/** The sliders follow the grip on the picture without being made anew. */
function follow()
{
    const [direction, height] = part.lamp.querySelectorAll(".slider");
    for (const [el, v] of /** @type {[Element|undefined, number][]} */ ([[direction, lamp.lamp.azimuth], [height, lamp.lamp.elevation]])) {
        const input = el?.querySelector("input"), out = el?.querySelector("output");
        if (input && out && document.activeElement !== input) {
            input.value = String(Math.round(v));
            out.textContent = `${num(v, 0)}\u00b0`;
        }
    }
}

/** @param {{value: number, low: number, high: number}} i @param {number} [digits] */
const between = (i, digits = 2) => `${num(i.value, digits)} (90 %: ${num(i.low, digits)} to ${num(i.high, digits)})`;

/** @param {Relief} r */
function reliefPart(r)
{
    const t = r.texture, k = r.through_varnish;
    return h("section", {class: "relief"},
             h("h3", {}, `Relief of the state ${r.state}`),
             r.is_stale ? h("p", {class: "loud"}, "Views, lamps or windows changed since: compute it again.") : null,
             h("p", {}, k.what),
             k.is_varnished ? h("p", {class: "loud"}, `If a varnish of index 1.5 covers the paint, these slopes are ${num(k.paint, 2)} of the paint's ` +
                 `and ${num(k.film, 2)} of the varnish surface's.`) : null,
             figures([
                 ["lamps", `${r.lights.length}, ${r.method}${r.crossed ? ", crossed polarisers" : ""}`],
                 ["answered", `${num(100 * r.answered, 1)} % of the picture`],
                 ["error of a slope", `${num(r.slope_sd, 3)}${r.slope_sd_assumed ? " (noise assumed)" : ""}`],
                 [`Sq, ${num(t.short_mm, 2)} to ${num(t.long_mm, 2)} mm`, `${num(t.sq_um, 1)} \u00b5m`],
                 ["Sdq, same band", num(t.sdq, 3)],
                 ["heights are reliable up to", `${num(r.height.reliable_mm, 0)} mm of wavelength`]]),
             plot([{name: r.state, points: r.curve.map((c) => /** @type {[number, number]} */ ([c.detail_mm, c.sq_um]))}],
                  {label: "detail size", unit: "mm", isLog: true}, {label: "Sq in an octave", unit: "\u00b5m"}, "Texture by detail size."),
             forecastPart(r));
}

/** @param {Relief} r */
function forecastPart(r)
{
    const f = r.forecast;
    return [h("h4", {}, "What removing the coat gives back"),
            f.gain ? h("p", {}, `Fine relief times ${between(f.gain)}. `, f.what) : h("p", {}, f.what),
            r.windows.length ? h("ul", {class: "plain"}, r.windows.map((w) =>
                h("li", {}, h("b", {}, w.label), ": ", w.retained ? `the varnished neighbour keeps ${between(w.retained)} of the relief. ${w.why}` : w.why))) : null];
}

function showFigures()
{
    fill(part.figures, state.reliefs.map(reliefPart));
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

// ---- a line across ----

/** @param {Point} to */
async function across(to)
{
    const r = lamp.reliefOf(state.lampA) ?? state.reliefs[0];
    if (!r || !from)
        return;
    try {
        const docs = await Promise.all(state.reliefs.map((x) => api.profile(x.state, /** @type {Point} */ (from), to)));
        const shown = docs.map((d, k) => ({name: d.state, isDashed: k > 0, points: d.height_mm.map((v, i) =>
            /** @type {[number, number]} */ ([d.length_mm * i / (d.height_mm.length - 1), v === null ? NaN : 1000 * v]))}));
        const low = shown.map((c) => Math.min(...c.points.map((p) => p[1]).filter(Number.isFinite)));
        shown.forEach((c, k) => c.points.forEach((p) => {
            p[1] -= low[k];
        }));
        fill(part.across, acrossButton(),
             plot(shown, {label: "along the line", unit: "mm"}, {label: "height over the lowest", unit: "\u00b5m"},
                  `${docs.map((d, k) => `${d.state}${k ? " dashed" : ""}`).join(", ")}; not reliable over ${num(docs[0].reliable_mm, 0)} mm.`));
    } catch (e) {
        part.trouble.textContent = e instanceof Error ? e.message : String(e);
    }
    from = null;
}

function acrossButton()
{
    return h("div", {class: "row"}, h("button", {type: "button", "aria-pressed": String(isDrawing), onclick: () => {
        isDrawing = !isDrawing;
        from = null;
        say(isDrawing ? "Click where the line begins, then where it ends." : "");
        showAcross();
    }}, "Line across the relief"), isDrawing ? h("span", {class: "quiet"}, from ? "click its end" : "click its beginning") : null);
}

function showAcross()
{
    fill(part.across, state.reliefs.length ? acrossButton() : null);
}

export function start()
{
    part = {lamp: h("div"), make: h("div"), figures: h("div"), work: h("div"), trouble: h("p", {class: "trouble", role: "alert"}), across: h("div")};
    fill(byId("room-light"), h("h2", {}, "The lamp"), part.trouble, part.lamp, part.work, part.across, part.figures, part.make);
    stage.onClick((p, kind) => {
        if (!isDrawing || kind !== "click" || state.room !== "light")
            return false;
        if (!from) {
            from = p;
            showAcross();
        } else {
            isDrawing = false;
            across(p);
        }
        return true;
    });
    lamp.onChange(follow);
    on(["reliefs", "lampOn", "mode", "lampA"], showLamp);
    on(["reliefs"], () => {
        showFigures();
        showAcross();
    });
    on(["views", "dossier"], showMake);
    on(["room"], () => {
        if (state.room !== "light" && state.lampOn)
            lamp.light(false);
    });
    showLamp();
    showMake();
    showFigures();
    showAcross();
}
