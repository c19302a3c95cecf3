// Look: every view of the painting, how well it lies in the frame, and adding files.
import * as api from "./api.js";
import * as calibration from "./calibration.js";
import {choose, show} from "./compare.js";
import {byId, field, fill, h, keepFocus, say, select} from "./dom.js";
import * as fitMap from "./fit_map.js";
import {verdictLine, viewFigures} from "./fit_report.js";
import * as jobs from "./jobs.js";
import * as mosaic from "./mosaic.js";
import {isFitted, isPlaced, on, referenceSide, reload, set, state, whyNot} from "./state.js";
import {STATES, TECHNIQUES, VERDICTS, fitSentence, num, platesText, residualText, sentence, viewWarnings, viewWords} from "./words.js";
/** @typedef {import("./types.js").View} View */

/** @type {HTMLElement} */
let list;
/** @type {HTMLElement} */
let adding;
/** @type {HTMLElement} */
let work;
/** @type {HTMLElement} */
let trouble;

/** How well a view lies in the frame, and the button of its map. @param {View} v */
function fitPart(v)
{
    const isOn = state.fitMap?.view === v.id;
    return [
        verdictLine(v.fit),
        viewFigures(v, state.dossier.frame?.mm_per_px ?? null),
        h("div", {class: "row"},
          h("button", {type: "button", "aria-pressed": String(isOn), "aria-label": `Fit map: ${v.label}`,
                       disabled: !v.tiles, onclick: () => showFit(v, !isOn)}, "Fit map"))];
}

/** The map is seen over its own view; that of a view that was refused over the frame.
 *  @param {View} v @param {boolean} isOn */
function showFit(v, isOn)
{
    const side = `view:${v.id}`;
    if (isOn && !isPlaced(v))
        set({sideA: referenceSide(), mode: "one"});
    else if (isOn && state.sideA !== side) {
        choose("sideB", side);
        if (state.mode === "one")
            show("line");
    }
    fitMap.show(isOn ? v.id : null);
}

/** What can be done about a view's place. @param {View} v */
function placing(v)
{
    if (state.dossier.read_only || !state.dossier.frame || !v.tiles)
        return null;
    const open = (/** @type {"pairs"|"ignored"} */ kind) => () => set({workplace: {kind, view: v.id}});
    const button = (/** @type {string} */ text, /** @type {() => void} */ fn) =>
        h("button", {type: "button", "aria-label": `${text}: ${v.label}`, onclick: fn}, text);
    const isFrame = v.id === state.dossier.frame.view;
    return h("div", {class: "row"},
             isFrame ? null : button("Pairs of points", open("pairs")), button("What is ignored", open("ignored")),
             isFrame ? null : isPlaced(v) ? button("Take this placement back", () => takeBack(v)) : button("Place again", () => place(v)));
}

/** @param {View} v */
function viewItem(v)
{
    const side = `view:${v.id}`, residual = residualText(v.fit);
    const light = v.light ? `light from ${num(v.light.azimuth_deg, 0)}\u00b0, ` +
        `${num(v.light.elevation_deg, 0)}\u00b0 above the picture` : "";
    return h("li", {class: "view"},
             h("div", {class: "view-top"},
               h("h3", {}, v.label),
               h("span", {class: `verdict is-${v.fit.verdict}`}, VERDICTS[v.fit.verdict] ?? v.fit.verdict)),
             h("p", {class: "view-what"}, `${viewWords(v)} \u00b7 ${v.w} \u00d7 ${v.h} px, ${v.bits} bit` +
                                          `${v.bands === 1 ? ", grey" : ""}${light ? ` \u00b7 ${light}` : ""}`),
             residual ? h("p", {class: "view-what"}, residual) : null,
             v.mosaic ? h("p", {class: "view-what"}, platesText(v)) : null,
             v.calibration ? h("p", {class: "view-what"}, calibration.line(v)) : null,
             viewWarnings(v).map((w) => h("p", {class: "loud"}, w)),
             isPlaced(v) ? null : placing(v),
             h("div", {class: "row"},
               h("button", {type: "button", "aria-pressed": String(state.sideA === side),
                            "aria-label": `One side: ${v.label}`, disabled: !v.tiles,
                            onclick: () => choose("sideA", side)}, "One side"),
               h("button", {type: "button", "aria-pressed": String(state.mode !== "one" &&
                                                                    state.sideB === side),
                            "aria-label": `Other side: ${v.label}`, disabled: !v.tiles || whyNot(side) !== "",
                            title: whyNot(side), onclick: () => {
                                choose("sideB", side);
                                if (state.mode === "one")
                                    show("line");
                            }}, "Other side"),
               h("details", {}, h("summary", {}, "File and fit"),
                 isFitted(v) ? fitPart(v) : h("p", {}, fitSentence(v.fit)),
                 isPlaced(v) ? placing(v) : null,
                 h("p", {}, `colour profile: ${v.profile_assumed ? "assumed sRGB" : v.profile || "none needed"}`),
                 v.note ? h("p", {}, sentence(v.note)) : null,
                 h("p", {class: "file"}, `${v.file_name}, SHA-256 ${v.sha256.slice(0, 16)}\u2026`)),
             calibration.part(v)));
}

function showList()
{
    const open = new Set([...list.querySelectorAll("details[open]")].map(partName));
    const focus = keepFocus(list), note = state.dossier.frame?.note;
    fill(list, note ? h("p", {class: "loud"}, note) : null, state.views.length
        ? h("ul", {class: "views"}, state.views.map((v) => {
            const li = viewItem(v);
            li.id = `view-${v.id}`;
            for (const d of li.querySelectorAll("details"))
                d.toggleAttribute("open", open.has(partName(d)));
            return li;
        }))
        : h("p", {class: "first"}, "No views yet. First add a photograph in normal light of the state " +
            "before treatment: it gives the frame in which everything else is placed. Then add the " +
            "same face in UV, and in normal light with the test windows open."));
    focus();
}

/** A part of a view's entry, to find it again when the list is made anew. @param {Element} details */
const partName = (details) =>
    `${details.closest("li")?.id} ${details.querySelector("summary")?.textContent}`;

/** @param {View} v */
async function place(v)
{
    await attempt(async () => {
        await jobs.run(work, `Placing ${v.label}`, await api.align(v.id));
        await reload();
    });
}

/** @param {View} v */
async function takeBack(v)
{
    await attempt(async () => {
        const id = await api.takeBack(v.id);
        if (id)
            await jobs.run(work, `Taking back the place of ${v.label}`, id);
        await reload();
    });
}

/** Run something and show its sentence when it fails. @param {() => Promise<void>} fn */
async function attempt(fn)
{
    trouble.textContent = "";
    try {
        await fn();
    } catch (e) {
        trouble.textContent = e instanceof Error ? e.message : String(e);
    }
}

/** Lamps of raking views that are being added. @type {File|null} */
let lights = null;

const about = {technique: "normal", state: "before", label: "", azimuth: "", elevation: ""};

/** @param {Iterable<File>} files */
async function addFiles(files)
{
    for (const file of files) {
        const ask = Object.fromEntries(Object.entries(about).filter(([, v]) => v !== ""));
        if (about.technique !== "raking") {
            delete ask.azimuth;
            delete ask.elevation;
        }
        await attempt(async () => {
            const id = await jobs.runRequest(work, `Sending ${file.name}`, (signal, onProgress) =>
                api.addView(file, ask, onProgress, signal));
            const end = id === null ? null : await jobs.run(work, `Adding ${file.name}`, id);
            await reload();
            const why = /** @type {{not_placed?: string}|undefined} */ (end?.result)?.not_placed;
            if (why)
                throw new Error(`${file.name} was added, but not placed: ${sentence(why)}`);
        });
    }
    if (about.technique === "raking" && lights)
        await attempt(sendLights);
    about.label = "";
    showAdding();
}

/** The file of lamps names the views: it is read once they are there. */
async function sendLights()
{
    const doc = await api.sendLights(await /** @type {File} */ (lights).text(), /** @type {File} */ (lights).name);
    await reload();
    say(`${doc.lights} lamps were read from ${doc.file_name}.`);
}

/** @param {HTMLInputElement} el */
function lightsInput(el)
{
    el.addEventListener("change", () => {
        lights = el.files?.[0] ?? null;
        showAdding();
    });
    return el;
}

/** @param {"label"|"azimuth"|"elevation"} name @param {import("./dom.js").Attributes} attributes */
function input(name, attributes)
{
    const el = h("input", {value: about[name], ...attributes});
    el.addEventListener("input", () => {
        about[name] = el.value.trim();
    });
    return el;
}

function showAdding()
{
    if (state.dossier.read_only) {
        fill(adding, h("p", {class: "quiet"}, "This dossier is open for reading only: nothing can be added."));
        return;
    }
    const file = h("input", {type: "file", multiple: true, accept: ".tif,.tiff,.png,.jpg,.jpeg",
                             class: "unseen", id: "file", tabindex: -1, "aria-hidden": "true"});
    file.addEventListener("change", () => addFiles([...(file.files ?? [])]));
    fill(adding,
         h("div", {class: "pair"},
           field("Technique", select(TECHNIQUES, about.technique, (v) => {
               about.technique = v;
               showAdding();
           })),
           field("State", select(STATES, about.state, (v) => {
               about.state = v;
           }))),
         about.technique === "raking" ? h("div", {class: "pair"},
             field("Azimuth, degrees", input("azimuth", {type: "number", min: -180, max: 360}),
                   "0 from the right, 90 from above"),
             field("Elevation, degrees", input("elevation", {type: "number", min: 0, max: 90}),
                   "above the picture plane")) : null,
         about.technique === "raking" ? field("or all lamps from a file", lightsInput(h("input", {type: "file", accept: ".csv,text/csv"})),
             lights ? `${lights.name} is read once the views are added` : "CSV: file, azimuth_deg, elevation_deg; or file, x_mm, y_mm, z_mm") : null,
         field("Label", input("label", {type: "text", maxlength: 80}),
               "empty: made from technique and state"),
         h("div", {class: "drop", id: "drop"},
           h("button", {type: "button", class: "main", onclick: () => file.click()}, "Choose files\u2026"),
           h("span", {}, "or drop them here. TIFF, PNG or JPEG; the file itself is kept unchanged."),
           file));
    const drop = /** @type {HTMLElement} */ (adding.querySelector("#drop"));
    for (const type of ["dragover", "dragleave", "drop"])
        drop.addEventListener(type, (e) => {
            e.preventDefault();
            drop.classList.toggle("is-over", type === "dragover");
            const files = /** @type {DragEvent} */ (e).dataTransfer?.files;
            if (type === "drop" && files?.length)
                addFiles([...files]);
        });
}

/** Follow the work that was left running when the page was closed. */
async function resume()
{
    await attempt(async () => {
        for (const d of await jobs.running(["add", "align", "calibrate"])) {
            await jobs.run(work, jobs.NAMES[d.kind], String(d.id));
            await reload();
        }
    });
}

export function start()
{
    list = h("div", {});
    adding = h("div", {});
    const joining = h("section", {"aria-labelledby": "join-title"});
    work = h("div", {class: "work"});
    trouble = h("p", {class: "trouble", role: "alert"});
    fill(byId("room-look"),
         h("section", {"aria-labelledby": "views-title"}, h("h2", {id: "views-title"}, "Views"), list),
         h("section", {"aria-labelledby": "add-title"}, h("h2", {id: "add-title"}, "Add a view"),
           trouble, work, adding),
         joining);
    mosaic.start(joining);
    on(["views", "sideA", "sideB", "mode", "fitMap", "dossier"], showList);
    on(["dossier"], showAdding);
    showList();
    showAdding();
    resume();
}
