// Passages of the relief: an outline is drawn, its texture on a band of detail sizes is told, beside that
// of another state, or what of its relief is the paint's and what the varnish surface's.
import * as api from "./api.js";
import {field, figures, fill, h, keepFocus, say, select} from "./dom.js";
import * as jobs from "./jobs.js";
import * as marks from "./light_marks.js";
import * as shapes from "./shapes.js";
import {on, state} from "./state.js";
import {num, percent, sentence} from "./words.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Texture} Texture
 * @typedef {{name: string, polygon: Point[], body: Node[]}} Passage
 */

/** @type {Record<"form"|"work"|"list", HTMLElement>} */
let part;
/** @type {Passage[]} */
let passages = [];
let count = 0;
/** What is asked; an empty band is the program's own. */
const asked = {state: "", other: "", short: "", long: ""};

/** @param {{value: number, low: number, high: number}} i @param {number} [digits] */
export const between = (i, digits = 2) => `${num(i.value, digits)} (90 %: ${num(i.low, digits)} to ${num(i.high, digits)})`;

/** Two states that were not taken alike do not read the same share of paint and varnish: what differs is
 *  then not all relief. Says so, or nothing. @param {string} one @param {string} other */
export function unlike(one, other)
{
    const [a, b] = [one, other].map((name) => state.reliefs.find((r) => r.state === name));
    if (!a || !b || a === b)
        return "";
    const by = [a.crossed !== b.crossed ? "polarisers" : "", Math.abs(a.through_varnish.paint - b.through_varnish.paint) > 0.05 ? "height of the lamps" : ""].filter(Boolean);
    return by.length ? `The states ${a.state} and ${b.state} were not taken alike (${by.join(", ")}): under a varnish they read unlike shares ` +
        "of the paint's slopes. What differs between them is not all relief." : "";
}

/** @param {{short_mm: number, long_mm: number}} t */
const bandText = (t) => `details from ${num(t.short_mm, 2)} to ${num(t.long_mm, 2)} mm`;

function band()
{
    const out = {short_mm: Number(asked.short) || undefined, long_mm: Number(asked.long) || undefined};
    return Object.fromEntries(Object.entries(out).filter(([, v]) => v !== undefined));
}

/** @param {[string, Texture][]} textures state and figures; one table, a column for each state */
function textureTable(textures)
{
    /** @type {[string, (t: Texture) => string][]} */
    const rows = [["Sq, \u00b5m", (t) => num(t.sq_um, 2)], ["Sa, \u00b5m", (t) => num(t.sa_um, 2)], ["Sz, \u00b5m", (t) => num(t.sz_um, 1)],
                  ["Ssk", (t) => num(t.ssk, 2)], ["Sku", (t) => num(t.sku, 1)], ["Sdq", (t) => num(t.sdq, 4)], ["Sdr, %", (t) => num(100 * t.sdr, t.sdr < 0.001 ? 4 : 2)]];
    return h("table", {class: "numbers"}, h("caption", {class: "unseen"}, "Texture of the passage, ISO 25178-2"),
             h("thead", {}, h("tr", {}, h("th", {scope: "col"}, bandText(textures[0][1])), textures.map(([name]) => h("th", {scope: "col"}, name)))),
             h("tbody", {}, rows.map(([name, fn]) => h("tr", {}, h("th", {scope: "row"}, name), textures.map(([, t]) => h("td", {}, fn(t)))))));
}

/** @param {string} _name @param {Point[]} polygon @returns {Promise<Node[]>} */
async function texture(_name, polygon)
{
    const d = await api.texture({state: asked.state, polygon, ...(asked.other ? {other: asked.other} : {}), ...band()});
    const {other, other_texture, sdq_ratio, sq_ratio} = d, warning = other ? unlike(d.state, other) : "";
    if (!other || !other_texture)
        return [textureTable([[d.state, d.texture]])];
    /** @type {[string, string][]} */
    const ratios = sdq_ratio ? [["Sdq, times", between(sdq_ratio)]] : [];
    if (sq_ratio)
        ratios.push(["Sq, times", between(sq_ratio)]);
    return [textureTable([[d.state, d.texture], [other, other_texture]]),
            h("p", {class: "hint"}, `${other} over ${d.state}`), figures(ratios),
            ...(warning ? [h("p", {class: "loud"}, warning)] : []), ...(d.what ? [h("p", {}, d.what)] : [])];
}

/** @param {string} name @param {Point[]} polygon @returns {Promise<Node[]>} */
async function film(name, polygon)
{
    const id = await api.film({state: asked.state, polygon, ...band()});
    const end = await jobs.run(part.work, `${name}: paint and varnish surface`, id);
    if (end.status === "cancelled")
        return [h("p", {}, "Cancelled.")];
    const d = /** @type {import("./types.js").Film} */ (end.result);
    if (d.refusal || !d.retained)
        return [h("p", {class: "loud"}, sentence(d.why))];
    /** @type {[string, string][]} */
    const rows = [["relief retained at the surface", between(d.retained)]];
    if (d.fill_um)
        rows.push(["the filling varies by, \u00b5m rms (not a thickness)", between(d.fill_um, 1)]);
    if (d.gain)
        rows.push(["fine relief once the coat is off, times", between(d.gain)]);
    rows.push(["views", `${d.views}${d.polarised ? ", polarised" : ""}`], ["coverage", percent(d.coverage)]);
    return [h("p", {class: "hint"}, sentence(bandText(d))), figures(rows), ...[d.why, d.gain_what].filter(Boolean).map((t) => h("p", {}, sentence(String(t))))];
}

/** Ask for an outline, then for what is to be known of it.
 *  @param {string} what @param {(name: string, polygon: Point[]) => Promise<Node[]>} fn */
function begin(what, fn)
{
    shapes.draw({title: what, onDone: async (polygon) => {
        const name = `passage ${++count}`, p = {name: `${name}, ${asked.state}`, polygon, body: /** @type {Node[]} */ ([h("p", {class: "quiet"}, "Working\u2026")])};
        passages.unshift(p);
        show();
        try {
            p.body = await fn(name, polygon);
            say(`${name}: done.`);
        } catch (e) {
            p.body = [h("p", {class: "loud", role: "alert"}, sentence(e instanceof Error ? e.message : String(e)))];
        }
        show();
    }});
}

function show()
{
    marks.show("passages", passages.map((p) => marks.passage(p.polygon, p.name.replace(/^passage (\d+).*/, "$1"))));
    const focus = keepFocus(part.list);
    fill(part.list, passages.map((p) => h("section", {class: "passage"},
        h("div", {class: "view-top"}, h("h3", {}, p.name[0].toUpperCase() + p.name.slice(1)),
          h("button", {type: "button", "aria-label": `Clear ${p.name}`, onclick: () => {
              passages = passages.filter((q) => q !== p);
              show();
          }}, "Clear")), p.body)));
    focus();
}

/** @param {"short"|"long"} which @param {string} text */
function bandField(which, text)
{
    const el = h("input", {type: "number", min: 0, step: "any", value: asked[which] || text});
    el.addEventListener("input", () => {
        asked[which] = el.value;
    });
    return el;
}

function showForm()
{
    const names = state.reliefs.map((r) => r.state), t = state.reliefs.find((r) => r.state === asked.state)?.texture ?? state.reliefs[0]?.texture;
    if (!names.length) {
        fill(part.form);
        return;
    }
    asked.state = names.includes(asked.state) ? asked.state : names[0];
    const others = names.filter((n) => n !== asked.state);
    asked.other = others.includes(asked.other) ? asked.other : "";
    const focus = keepFocus(part.form);
    fill(part.form,
         h("div", {class: "pair"},
           field("Passage in the state", select(names.map((n) => [n, n]), asked.state, (v) => {
               asked.state = v;
               showForm();
           })),
           field("Beside it", select([["", "no other"], ...others.map((n) => /** @type {[string, string]} */ ([n, n]))], asked.other, (v) => {
               asked.other = v;
           })),
           field("Details from, mm", bandField("short", num(t.short_mm, 2))),
           field("to, mm", bandField("long", num(t.long_mm, 2)))),
         h("div", {class: "row"},
           h("button", {type: "button", onclick: () => begin("Texture of a passage", texture)}, "Texture of a passage"),
           h("button", {type: "button", onclick: () => begin("Paint and varnish surface", film)}, "Paint and varnish surface")));
    focus();
}

/** @param {HTMLElement} element */
export function start(element)
{
    part = {form: h("div"), work: h("div"), list: h("div")};
    fill(element, part.form, part.work, part.list);
    on(["reliefs"], showForm);
    showForm();
}
