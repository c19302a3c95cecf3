// Forecast: the windows, the areas to leave out, computing the predicted look, and what to believe.
import * as api from "./api.js";
import {byId, field, fill, h, select} from "./dom.js";
import {resultOf} from "./forecast_result.js";
import {middleOf} from "./geometry.js";
import * as jobs from "./jobs.js";
import * as shapes from "./shapes.js";
import * as spot from "./spot.js";
import * as stage from "./stage.js";
import {on, referenceSide, reload, set, state} from "./state.js";
import {SURFACES, ZONE_KINDS, num} from "./words.js";
/**
 * @typedef {import("./types.js").TestWindow} TestWindow
 * @typedef {import("./types.js").Point} Point
 */

/** @type {Record<"result"|"compute"|"windows"|"zones"|"work"|"trouble", HTMLElement>} */
let part;
let isBusy = false;
const ask = {surface: "", limit: ""};
/** The polygon waiting for its particulars. @type {{kind: "window"|"zone", polygon: Point[]}|null} */
let fresh = null;
const windowAbout = {before: "", test: "", surface: "bare", system: "", label: ""};
const zoneAbout = {kind: "overpaint", label: ""};

const CAUTION = "Halfclean advises; a qualified conservator decides. Local codes and safety data sheets " +
    "come first. Solvents: ventilation, ignition, skin, exposure limits. UV lamps: eyes and skin. " +
    "Flaking paint: stop and consolidate.";

/** @param {() => Promise<void>} fn */
async function attempt(fn)
{
    part.trouble.textContent = "";
    try {
        await fn();
    } catch (e) {
        part.trouble.textContent = e instanceof Error ? e.message : String(e);
        part.trouble.scrollIntoView({block: "nearest"});
    }
}

// ---- the result -------------------------------------------------------------------------------------

function showResult()
{
    const f = state.forecast, n = state.windows.length;
    fill(part.result, h("h2", {}, "Predicted look after removing this coat"), f ? resultOf(f, report, showForecast) : [
        h("p", {class: "first"}, state.dossier.frame
            ? "No forecast yet. A forecast learns from test windows: open at least four, over light " +
              "and over dark paint, photograph the painting again in the same light, add that " +
              "photograph in Look with the state test, then draw each window here."
            : "No forecast yet, and no frame: first add a view in normal light of the state before, in Look."),
        state.dossier.frame ? h("p", {class: "first"}, n === 0 ? "No window is drawn so far."
            : n < 4 ? `${n} of at least 4 windows drawn.`
                : `${n} windows drawn: compute the forecast below.`) : null]);
}

/** Before on one side, forecast on the other. */
function showForecast()
{
    if (!state.forecast)
        return;
    const before = state.windows[0] ? `view:${state.windows[0].before}` : referenceSide();
    set({sideA: before, sideB: "forecast", mode: "line"});
    byId("stage").focus();
}

async function report()
{
    await attempt(async () => {
        const pdf = await jobs.runRequest(part.work, "Writing the report", (signal) => api.report(signal));
        if (!pdf)
            return;
        const url = URL.createObjectURL(pdf);
        const name = state.dossier.title.replace(/[^\p{L}\p{N}]+/gu, "-").replace(/^-|-$/g, "");
        h("a", {href: url, download: `${name || "dossier"}-forecast.pdf`}).click();
        setTimeout(() => URL.revokeObjectURL(url), 60000);
    });
}

// ---- computing --------------------------------------------------------------------------------------

function showCompute()
{
    if (state.dossier.read_only) {
        fill(part.compute, h("p", {class: "quiet"}, "This dossier is open for reading only."));
        return;
    }
    const limit = h("input", {type: "number", min: 0, max: 50, step: 0.5, value: ask.limit,
                              placeholder: "none"});
    limit.addEventListener("input", () => {
        ask.limit = limit.value;
    });
    const n = state.windows.length;
    fill(part.compute, h("h2", {}, "Compute"),
         h("div", {class: "pair"},
           field("Surface state", select([["", "as most windows"], ...SURFACES], ask.surface, (v) => {
               ask.surface = v;
           })),
           field("Radius limit", limit, "CIEDE2000; refused above")),
         h("div", {class: "row"}, h("button", {type: "button", class: "main", id: "compute",
             disabled: isBusy || n === 0 || !state.dossier.frame, onclick: compute},
             state.forecast ? "Compute again" : "Compute the forecast"),
           n === 0 ? h("span", {class: "hint"}, "draw the windows first") : null),
         part.work);
}

async function compute()
{
    const limit = Number(ask.limit);
    await attempt(async () => follow("Computing the forecast", await api.computeForecast({
        ...(ask.surface ? {surface: ask.surface} : {}),
        ...(limit > 0 ? {radius_limit: limit} : {})})));
}

/** @param {string} what @param {string} id */
async function follow(what, id)
{
    isBusy = true;
    showCompute();
    try {
        const end = await jobs.run(part.work, what, id);
        await reload();
        if (end.status === "done")
            showForecast();
    } finally {
        isBusy = false;
        showCompute();
    }
}

/** Follow the work that was left running when the page was closed. */
async function resume()
{
    await attempt(async () => {
        for (const d of await jobs.running(["forecast"]))
            await follow(jobs.NAMES[d.kind], String(d.id));
    });
}

// ---- windows and zones ------------------------------------------------------------------------------

/** Views in normal light that can be before or test. @param {(state: string) => boolean} fits
 *  @returns {[string, string][]} */
function normalViews(fits)
{
    return state.views.filter((v) => v.technique === "normal" && fits(v.state))
        .map((v) => [String(v.id), v.label]);
}

/** @param {TestWindow} w */
function windowItem(w)
{
    const name = (/** @type {number} */ id) =>
        state.views.find((v) => v.id === id)?.label ?? `view ${id}`;
    const f = state.forecast?.windows.find((r) => r.id === w.id) ?? w.forecast;
    return h("li", {},
             h("div", {class: "view-top"}, h("h3", {}, w.label),
               h("span", {class: "verdict"}, `${num(w.area_mm2, w.area_mm2 < 100 ? 1 : 0)} mm\u00b2`)),
             h("p", {class: "view-what"}, `${name(w.before)} \u2192 ${name(w.test)} \u00b7 ${w.surface}` +
                                          `${w.system ? ` \u00b7 ${w.system}` : ""}`),
             f ? h("p", {class: "view-what"}, `L* ${num(f.lightness, 0)} \u00b7 left out: ` +
                 `${num(f.left_out_de, 1)} CIEDE2000, doing nothing: ${num(f.nothing_de, 1)} \u00b7 ` +
                 `coat ${num(f.coat, 2)}`) : null,
             h("div", {class: "row"},
               h("button", {type: "button", "aria-label": `Go there: ${w.label}`,
                            onclick: () => goToPolygon(w.polygon)}, "Go there"),
               remover(w.label, () => api.removeWindow(w.id))));
}

/** @param {Point[]} polygon */
function goToPolygon(polygon)
{
    const at = middleOf(polygon);
    stage.goTo(at, 4);
    spot.putAt(at, true);
}

/** Remove, in two presses. @param {string} name @param {() => Promise<unknown>} fn */
function remover(name, fn)
{
    if (state.dossier.read_only)
        return null;
    const el = h("button", {type: "button", "aria-label": `Remove ${name}`}, "Remove");
    let isSure = false;
    el.addEventListener("click", () => {
        if (isSure) {
            attempt(async () => {
                await fn();
                await reload();
            });
            return;
        }
        isSure = true;
        el.textContent = "Remove: sure?";
        el.setAttribute("aria-label", `Remove: sure? ${name}`);
    });
    el.addEventListener("blur", () => {
        isSure = false;
        el.textContent = "Remove";
        el.setAttribute("aria-label", `Remove ${name}`);
    });
    return el;
}

/** @param {"window"|"zone"} kind */
function startDrawing(kind)
{
    drop();
    shapes.draw({title: kind === "window" ? "Drawing a window" : "Drawing a zone", onDone: (polygon) => {
        setFresh({kind, polygon});
        const form = part[kind === "window" ? "windows" : "zones"].querySelector("form");
        form?.scrollIntoView({block: "nearest"});
        /** @type {HTMLElement|null|undefined} */ (form?.querySelector("select,input"))?.focus();
    }});
}

/** @param {Record<string, string>} about @param {string} name @param {number} max */
function text(about, name, max)
{
    const el = h("input", {type: "text", value: about[name], maxlength: max});
    el.addEventListener("input", () => {
        about[name] = el.value.trim();
    });
    return el;
}

/** @param {typeof fresh} what */
function setFresh(what)
{
    fresh = what;
    shapes.showWaiting(what ? what.polygon : null);
    showWindows();
    showZones();
}

/** Put the drawn polygon away and go back to where drawing began. */
function drop()
{
    if (!fresh)
        return;
    const kind = fresh.kind;
    setFresh(null);
    byId(`draw-${kind}`).focus();
}

/** @param {string} title @param {(HTMLElement|null)[]} fields @param {() => Promise<unknown>} fn */
function particulars(title, fields, fn)
{
    const why = h("p", {class: "trouble", role: "alert"});
    return h("form", {class: "particulars", "aria-label": title, onsubmit: async (/** @type {Event} */ e) => {
        e.preventDefault();
        why.textContent = "";
        try {
            await fn();
        } catch (x) {
            why.textContent = x instanceof Error ? x.message : String(x);
            return;
        }
        await reload();
        drop();
    }}, h("h3", {}, title), fields, why,
        h("div", {class: "row"}, h("button", {type: "submit", class: "main"}, "Keep"),
          h("button", {type: "button", onclick: drop}, "Discard")));
}

function windowForm()
{
    const before = normalViews((v) => v === "before"), test = normalViews((v) => v !== "before");
    if (!before.some(([v]) => v === windowAbout.before))
        windowAbout.before = before[0]?.[0] ?? "";
    if (!test.some(([v]) => v === windowAbout.test))
        windowAbout.test = test[0]?.[0] ?? "";
    return particulars("The new window", [
        field("Before", select(before, windowAbout.before, (v) => {
            windowAbout.before = v;
        })),
        field("Test", select(test, windowAbout.test, (v) => {
            windowAbout.test = v;
        }), test.length ? "" : "no normal view with windows open yet: add one in Look"),
        field("Surface when photographed", select(SURFACES, windowAbout.surface, (v) => {
            windowAbout.surface = v;
        })),
        field("System", text(windowAbout, "system", 200), "material and way of application"),
        field("Label", text(windowAbout, "label", 80), "empty: numbered")],
        () => api.addWindow({polygon: fresh?.polygon ?? [], surface: windowAbout.surface,
            ...(windowAbout.before ? {before: Number(windowAbout.before)} : {}),
            ...(windowAbout.test ? {test: Number(windowAbout.test)} : {}),
            ...(windowAbout.system ? {system: windowAbout.system} : {}),
            ...(windowAbout.label ? {label: windowAbout.label} : {})}).then(() => {
            windowAbout.label = "";
        }));
}

function zoneForm()
{
    return particulars("The new zone", [
        field("What lies here", select(ZONE_KINDS, zoneAbout.kind, (v) => {
            zoneAbout.kind = v;
        })),
        field("Label", text(zoneAbout, "label", 80), "empty: the kind")],
        () => api.addZone({polygon: fresh?.polygon ?? [], kind: zoneAbout.kind,
            ...(zoneAbout.label ? {label: zoneAbout.label} : {})}).then(() => {
            zoneAbout.label = "";
        }));
}

/** @param {"window"|"zone"} kind @param {string} words */
function drawButton(kind, words)
{
    return state.dossier.read_only ? null
        : h("button", {type: "button", id: `draw-${kind}`, disabled: !state.dossier.frame,
                       onclick: () => startDrawing(kind)}, words);
}

function showWindows()
{
    fill(part.windows, h("h2", {}, `Windows (${state.windows.length})`),
         fresh?.kind === "window" ? windowForm() : drawButton("window", "Draw a window"),
         state.windows.length ? h("ul", {class: "views"}, state.windows.map(windowItem))
             : h("p", {class: "quiet"}, "None yet."));
}

function showZones()
{
    fill(part.zones, h("h2", {}, `Zones to leave out (${state.zones.length})`),
         h("p", {class: "hint"}, "Mark what is not the painting's own paint under this coat: the " +
             "forecast would be wrong there, and is refused."),
         fresh?.kind === "zone" ? zoneForm() : drawButton("zone", "Draw a zone"),
         state.zones.length ? h("ul", {class: "views"}, state.zones.map((z) => h("li", {},
             h("div", {class: "view-top"}, h("h3", {}, z.label || z.kind),
               h("span", {class: "verdict"}, z.kind)),
             h("p", {class: "view-what"}, `${num(z.area_mm2, 0)} mm\u00b2`),
             h("div", {class: "row"},
               h("button", {type: "button", "aria-label": `Go there: ${z.label || z.kind}`,
                            onclick: () => goToPolygon(z.polygon)}, "Go there"),
               remover(z.label || z.kind, () => api.removeZone(z.id)))))) : null);
}

export function start()
{
    part = {result: h("section", {"aria-label": "Result"}),
            compute: h("section", {"aria-label": "Compute"}),
            windows: h("section", {"aria-label": "Windows"}), zones: h("section", {"aria-label": "Zones"}),
            work: h("div", {class: "work"}), trouble: h("p", {class: "trouble", role: "alert"})};
    fill(byId("room-forecast"),
         part.trouble, part.result, part.compute, part.windows, part.zones,
         h("section", {class: "caution", "aria-label": "Caution"}, h("p", {}, CAUTION)));
    on(["forecast", "windows", "dossier"], () => {
        showResult();
        showCompute();
    });
    on(["windows", "views", "forecast", "dossier"], showWindows);
    on(["zones", "dossier"], showZones);
    showResult();
    showCompute();
    showWindows();
    showZones();
    resume();
}
