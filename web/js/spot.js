// The spot strip: the same patch of the painting in every technique and state, side by side, with its
// numbers. Follows the pointer, or stays where it was pinned. Pictures and numbers of one spot appear
// together or not at all, so that no number ever stands under another spot's picture.
import * as api from "./api.js";
import {byId, fill, h, keepFocus, say} from "./dom.js";
import {clamp, contains} from "./geometry.js";
import {hatchOf} from "./hatch.js";
import * as stage from "./stage.js";
import {isPlaced, on, set, state} from "./state.js";
import {labText, num, percent, refName, refusalText, sentence, viewWords} from "./words.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Spot} Spot
 */

/** The lamp shown of the raking views of a state, by the state. @type {Map<string, number>} */
const lampOf = new Map();

const FOLLOW_MS = 140; // at most one question in this time while the pointer moves

/** @type {AbortController|null} */
let asking = null;
let isWaiting = false;
let lastAsked = 0;
/** @type {Spot|null} */
let shown = null;

/** Put the spot somewhere. @param {Point} p frame px @param {boolean} isPinned */
export function putAt(p, isPinned)
{
    const [w, h0] = stage.frameSize();
    set({cross: [clamp(p[0], 0, w - 1), clamp(p[1], 0, h0 - 1)], isPinned});
}

export function unpin()
{
    if (state.isPinned) {
        set({isPinned: false});
        say("Spot unpinned.");
    }
}

/** Move the crosshair. @param {number} dx @param {number} dy in quarters of the patch */
function step(dx, dy)
{
    const mm = state.dossier.frame?.mm_per_px ?? 1, px = state.mm / mm / 4;
    const [w, h0] = stage.areaSize();
    const from = state.cross ?? stage.toFrame([w / 2, h0 / 2]);
    putAt(state.cross ? [from[0] + dx * px, from[1] + dy * px] : from, state.isPinned);
    stage.reveal(/** @type {Point} */ (state.cross));
}

/** @param {KeyboardEvent} e @returns {boolean} whether the key was for the spot */
export function key(e)
{
    /** @type {Record<string, Point>} */
    const by = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]};
    const d = by[e.key];
    if (d && e.shiftKey)
        stage.panBy(d[0] * 80, d[1] * 80);
    else if (d)
        step(...d);
    else if (e.key === "Enter") {
        const [w, h0] = stage.areaSize();
        putAt(state.cross ?? stage.toFrame([w / 2, h0 / 2]), true);
        say("Spot pinned.");
    } else if (e.key === "Escape" && state.isPinned)
        unpin();
    else
        return false;
    return true;
}

/** Ask soon, never more often than FOLLOW_MS, always for the newest place. */
function askSoon()
{
    if (isWaiting)
        return;
    isWaiting = true;
    setTimeout(() => {
        isWaiting = false;
        load();
    }, Math.max(0, lastAsked + FOLLOW_MS - performance.now()));
}

/** Side of a patch in the strip, CSS px. */
function patchSide()
{
    return parseFloat(getComputedStyle(byId("strip")).getPropertyValue("--patch")) || 112;
}

/** @param {string} url @returns {Promise<HTMLImageElement>} */
async function picture(url)
{
    const img = new Image();
    img.src = url;
    await img.decode();
    return img;
}

/** Can the view show half of a patch there or more? Beyond its outline there is nothing to see.
 *  @param {import("./types.js").View} v @param {number} x @param {number} y */
const shows = (v, x, y) => !v.fit.outline || contains(v.fit.outline, [x, y]);

async function load()
{
    if (!state.cross || !state.dossier.frame)
        return;
    lastAsked = performance.now();
    asking?.abort();
    const mine = asking = new AbortController();
    const [x, y] = state.cross, mm = state.mm;
    const px = clamp(Math.round(patchSide() * devicePixelRatio), 16, 512);
    const strip = byId("strip");
    strip.classList.add("is-asking");
    try {
        const hidden = unseenLamps();
        const whats = [...state.views.filter((v) => v.tiles && isPlaced(v) && shows(v, x, y) && !hidden.has(v.id)).map((v) => String(v.id)),
                       ...(state.forecast ? ["forecast"] : [])];
        const coming = Promise.all(whats.map((what) => picture(api.patchUrl(what, x, y, mm, px))));
        coming.catch(() => undefined); // told below, after what the program itself has to say
        const doc = await api.spot(x, y, mm, mine.signal);
        const pictures = await coming;
        const side = mm / state.dossier.frame.mm_per_px, hatch = state.forecast && doc.forecast?.refused_share
            ? await hatchOf(state.forecast.tiles.refusal, x, y, side, px) : null;
        if (mine.signal.aborted)
            return;
        show(doc, new Map(whats.map((what, i) => [what, pictures[i]])), hatch);
        strip.classList.remove("is-asking");
    } catch (e) {
        if (mine.signal.aborted)
            return;
        strip.classList.remove("is-asking");
        shown = null;
        fill(byId("strip-cells"), h("p", {class: "trouble", role: "alert"},
                                    e instanceof api.ApiError ? e.message
                                        : "A patch of this spot could not be read."));
        fill(byId("strip-figures"));
    }
}

/** Raking views of one state with their lamps, in the order of their directions; two or more share a cell.
 *  @param {string} name of the state */
const lampsIn = (name) => state.views.filter((v) => v.technique === "raking" && v.state === name && v.tiles && isPlaced(v) && v.light)
    .sort((a, b) => turnOf(a) - turnOf(b));

/** @param {import("./types.js").View} v */
const turnOf = (v) => ((v.light?.azimuth_deg ?? 0) + 360) % 360;

/** Views whose lamp is not the one shown of their state. */
function unseenLamps()
{
    const out = new Set();
    for (const name of new Set(state.views.map((v) => v.state))) {
        const lamps = lampsIn(name);
        lamps.forEach((v, i) => i !== (lampOf.get(name) ?? 0) % lamps.length && out.add(v.id));
    }
    return out;
}

/** Steps through the lamps of a state. @param {Spot["views"][0]} v */
function lampSteps(v)
{
    const lamps = lampsIn(v.state), at = lamps.findIndex((w) => w.id === v.id);
    if (lamps.length < 2 || at < 0)
        return null;
    const step = (/** @type {number} */ by, /** @type {string} */ text, /** @type {string} */ name) =>
        h("button", {type: "button", "aria-label": `${name} lamp, raking ${v.state}`, onclick: () => {
            lampOf.set(v.state, (at + by + lamps.length) % lamps.length);
            load();
        }}, text);
    return h("span", {class: "cell-step"}, step(-1, "\u2039", "Earlier"), h("span", {}, `${at + 1} of ${lamps.length}`), step(1, "\u203a", "Next"));
}

/** @param {Spot["views"][0]} v */
function lampWords(v)
{
    const light = state.views.find((w) => w.id === v.id)?.light;
    return light ? `lamp ${num(light.azimuth_deg, 0)}\u00b0, ${num(light.elevation_deg, 0)}\u00b0 up` : viewWords(/** @type {any} */ (v));
}

/** @param {Spot} doc @param {Map<string, HTMLImageElement>} pictures
 *  @param {HTMLCanvasElement|null} hatch */
function show(doc, pictures, hatch)
{
    shown = doc;
    const cells = byId("strip-cells"), at = cells.scrollLeft;
    const order = [...doc.views].sort((a, b) => rank(a) - rank(b));
    const before = order.filter((v) => rank(v) === 0), rest = order.filter((v) => rank(v) > 0);
    const focus = keepFocus(cells);
    fill(cells, ...before.map((v) => viewCell(v, pictures)), forecastCell(doc, pictures, hatch),
         ...rest.map((v) => viewCell(v, pictures)));
    cells.scrollLeft = at;
    focus();
    showFigures(doc);
}

/** Normal pictures first, those before treatment before all. @param {Spot["views"][0]} v */
function rank(v)
{
    return v.technique === "normal" ? (v.state === "before" ? 0 : 1) : v.technique === "uv" ? 2 : 3;
}

/** @param {Spot["views"][0]} v @param {Map<string, HTMLImageElement>} pictures */
function viewCell(v, pictures)
{
    const img = pictures.get(String(v.id));
    if (!img)
        return null;
    img.alt = `The patch in ${v.label}`;
    const view = state.views.find((w) => w.id === v.id), steps = lampSteps(v);
    return h("figure", {class: "cell"}, h("div", {class: "patch"}, img, steps),
             h("figcaption", {},
               h("span", {class: "cell-name", title: v.label}, steps ? `raking, ${v.state}` : v.label),
               h("span", {class: "cell-what", title: v.label}, steps ? lampWords(v) : viewWords(/** @type {any} */ (v))),
               v.lab ? h("span", {class: "cell-lab", title: "mean CIELAB (D50) of the patch"},
                         labText(v.lab))
                   : h("span", {class: "cell-lab", title: "mean linear light of the patch, no unit"},
                       meanText(v.mean)),
               view?.profile_assumed ? h("span", {class: "cell-loud"}, "profile assumed") : null));
}

/** @param {number[]} mean */
const meanText = (mean) => mean.length ? `light ${mean.map((m) => num(m, 2).replace(/^0/, "")).join(" ")}` : "";

/** The program's own patch shows the paint as it is where refused: the hatch over it says so.
 *  @param {Spot} doc @param {Map<string, HTMLImageElement>} pictures
 *  @param {HTMLCanvasElement|null} hatch */
function forecastCell(doc, pictures, hatch)
{
    const img = pictures.get("forecast"), f = doc.forecast;
    if (!img || !f)
        return null;
    const isRefused = f.lab === null;
    img.alt = isRefused ? "No forecast is given for this patch" : "The patch in the forecast";
    return h("figure", {class: isRefused ? "cell is-forecast is-refused" : "cell is-forecast"},
             h("div", {class: "patch"}, img, hatch),
             h("figcaption", {},
               h("span", {class: "cell-name"}, "forecast"),
               h("span", {class: "cell-what"}, isRefused ? "refused"
                   : state.forecast?.is_stale ? "out of date" : "predicted look"),
               isRefused ? null : h("span", {class: "cell-lab"}, labText(f.lab)),
               isRefused ? null : h("span", {class: "cell-lab", title:
                   "half-width of the 90 % interval, CIEDE2000"}, `radius \u00b1${num(f.radius, 1)}`)));
}

/** @param {Spot} doc */
function showFigures(doc)
{
    const mm = state.dossier.frame?.mm_per_px ?? 1, f = doc.forecast;
    /** @type {[string, string][]} */
    const rows = [];
    if (doc.before)
        rows.push(["before", labText(doc.before.lab)]);
    if (doc.after)
        rows.push([`after, ${refName(doc.after.window)}`, labText(doc.after.lab)]);
    if (f && f.lab)
        rows.push(["forecast", `${labText(f.lab)} \u00b1${num(f.radius, 1)}`]);
    if (f)
        rows.push(["effective coat", num(f.coat, 2)]);
    const isRefused = f && f.lab === null;
    fill(byId("strip-figures"),
         h("div", {class: "strip-place"},
           h("span", {title: "from the left and from the top"},
             `${num(doc.x * mm, 1)}, ${num(doc.y * mm, 1)} mm`),
           h("span", {}, "L* a* b* \u00b1radius")),
         h("table", {class: "spot-table"},
           h("caption", {class: "unseen"}, "Means of the patch: CIELAB D50; radius in CIEDE2000"),
           h("tbody", {}, rows.map(([n, v]) => h("tr", {}, h("th", {scope: "row", title: n}, n),
                                                  h("td", {}, v))))),
         isRefused ? h("p", {class: "strip-refusal"}, h("strong", {}, "No forecast here. "),
                       refusalText(f.reason_code, f.reason)) : null,
         f && !isRefused && f.refused_share > 0
             ? h("p", {class: "strip-refusal"},
                 h("strong", {}, `${percent(f.refused_share)} of this patch refused. `),
                 "The numbers are of the rest. ", refusalText(f.reason_code, f.reason))
             : null,
         doc.views.filter((v) => !unseenLamps().has(v.id)).map((v) => (v.compare_note ? h("p", {class: "strip-refusal"}, h("strong", {}, `${v.label}: `), sentence(v.compare_note)) : null)),
         doc.zones.length ? h("p", {class: "strip-refusal"},
                              `In a marked zone: ${doc.zones.map(refName).join(", ")}.`) : null);
}

function head()
{
    const canShow = state.dossier.frame !== null;
    byId("strip-head").classList.toggle("is-pinned", state.isPinned);
    byId("strip-mode").textContent = !canShow ? ""
        : state.isPinned ? "pinned (Esc)" : "click pins it";
    if (!shown)
        fill(byId("strip-cells"), h("p", {class: "quiet"}, canShow
            ? "Point at the picture: the same patch appears here in every technique and state."
            : "The strip needs a frame: add a normal view of the state before."));
}

export function start()
{
    const stageEl = byId("stage");
    stageEl.addEventListener("pointermove", (e) => {
        if (state.isPinned || e.pointerType === "touch" || e.buttons !== 0 || !stage.isOpen() ||
            /** @type {Element} */ (e.target).closest("#line > *, #draw-bar"))
            return;
        const r = stageEl.getBoundingClientRect();
        const p = stage.toFrame([e.clientX - r.left, e.clientY - r.top]), [w, h0] = stage.frameSize();
        if (p[0] >= 0 && p[1] >= 0 && p[0] < w && p[1] < h0)
            putAt(p, false);
    });
    stage.onClick((p, kind) => {
        if (kind !== "click")
            return false;
        putAt(p, true);
        return true;
    });
    const size = /** @type {HTMLInputElement} */ (byId("strip-mm"));
    size.value = String(state.mm);
    size.addEventListener("change", () => {
        const v = clamp(Number(size.value) || 20, 1, 200);
        size.value = String(v);
        set({mm: v});
    });
    on(["cross", "mm", "forecast", "views"], askSoon);
    on(["isPinned", "dossier", "views"], head);
    head();
}
