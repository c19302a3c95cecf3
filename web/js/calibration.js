// The calibration of a view: how far each patch of the colour target lies from its reference, how well
// the fit does on patches it was not given, and how that stands against published tolerances.
import * as api from "./api.js";
import {form, takeBack} from "./calibrate_form.js";
import {cssOf} from "./colour.js";
import {figures, h, s} from "./dom.js";
import {state} from "./state.js";
import {showMeasured} from "./target_picker.js";
import {num, sentence, when} from "./words.js";
/**
 * @typedef {import("./types.js").View} View
 * @typedef {import("./types.js").Calibration} Calibration
 * @typedef {import("./types.js").CalibrationPatch} Patch
 * @typedef {import("./types.js").Tolerance} Tolerance
 */

/** What was asked before, by view and the figures in the list of views. @type {Map<string, Calibration>} */
const known = new Map();

/** "calibrated by ..." for the list of views, or "". @param {View} v */
export function line(v)
{
    const c = v.calibration;
    return c ? `calibrated by ${c.inherited ? `${c.from_label}, inherited` : "the target in it"}: patches left out ` +
        `of the fit miss by ${num(c.mean, 2)} (mean), ${num(c.p95, 2)} (95\u00a0%) CIEDE2000` : "";
}

/** Patches from the worst on. @param {Patch[]} patches */
export const worstFirst = (patches) =>
    patches.filter((p) => !p.fault && Number.isFinite(p.de_left_out)).sort((a, b) => Number(b.de_left_out) - Number(a.de_left_out));

/** By how much the differences in the plot are magnified: so that the longest stays within a sixth of
 *  the plot's half width. @param {Patch[]} patches @param {number} reach a*b* */
export function plotFactor(patches, reach)
{
    const long = Math.max(0, ...patches.filter((p) => !p.fault).map(
        (p) => Math.hypot(p.lab[1] - p.reference_lab[1], p.lab[2] - p.reference_lab[2])));
    return [1, 2, 5, 10, 20, 50].filter((f) => f * long <= reach / 6).pop() ?? 1;
}

/** @param {Patch[]} patches */
const reachOf = (patches) =>
    20 * Math.ceil(Math.max(20, ...patches.flatMap((p) => [...p.lab.slice(1), ...p.reference_lab.slice(1)].map(Math.abs))) / 20);

/** Where each patch is in a*b*, and where it should be. @param {Calibration} c */
function plot(c)
{
    const half = 140, reach = reachOf(c.patches), k = (half - 6) / reach, factor = plotFactor(c.patches, reach);
    const at = (/** @type {number[]} */ ab) => [half + k * ab[0], half - k * ab[1]];
    const named = new Set(worstFirst(c.patches).slice(0, 3));
    /** Where names stand, so that one does not lie on another. @type {number[]} */
    const rows = [];
    const rowAt = (/** @type {number} */ y) => {
        while (rows.some((r) => Math.abs(r - y) < 11))
            y += 1;
        rows.push(y);
        return y;
    };
    const marks = c.patches.map((p) => {
        const ref = p.reference_lab.slice(1), [x, y] = at(ref);
        const [x1, y1] = at(ref.map((v, i) => v + factor * (p.lab[i + 1] - v)));
        return s("g", {class: p.fault ? "plot-patch is-left-out" : "plot-patch", "data-patch": c.patches.indexOf(p)},
                 s("title", {}, patchText(p)), s("line", {x1: x, y1: y, x2: x1, y2: y1}),
                 s("rect", {x: x - 3, y: y - 3, width: 6, height: 6}), s("circle", {cx: x1, cy: y1, r: 2.5}),
                 named.has(p) ? s("text", {x: x > half ? x - 7 : x + 7, y: rowAt(y - 6), "text-anchor": x > half ? "end" : "start"},
                                  p.name) : null);
    });
    const grid = [];
    for (let v = -reach + 20; v < reach; v += 20)
        grid.push(s("path", {class: v === 0 ? "plot-axis" : "plot-grid",
                             d: `M${half + k * v},0 V${2 * half} M0,${half + k * v} H${2 * half}`}));
    return h("figure", {class: "plot"},
             s("svg", {viewBox: `0 0 ${2 * half} ${2 * half}`, role: "img", "aria-label":
                 `Patches of the target in a* and b*; the worst: ${worstText(c)}`},
               grid, s("text", {x: 2 * half - 3, y: half + 11, "text-anchor": "end", class: "plot-name"}, `a* ${reach}`),
               s("text", {x: half + 4, y: 11, class: "plot-name"}, `b* ${reach}`), marks),
             h("figcaption", {}, h("span", {class: "key-ref", "aria-hidden": "true"}), "reference", " ",
               h("span", {class: "key-is", "aria-hidden": "true"}), `measured, its distance \u00d7${factor}`));
}

/** The step in which bars of that height are drawn. @param {number} top L* */
export const barReach = (top) => [0.5, 1, 2, 5, 10, 20, 50].find((r) => top <= r) ?? 100;

/** Lightness, measured minus reference, from the darkest patch to the lightest; neutrals are filled. @param {Calibration} c */
function lightness(c)
{
    const order = [...c.patches].sort((a, b) => a.reference_lab[0] - b.reference_lab[0]);
    const off = (/** @type {Patch} */ p) => p.lab[0] - p.reference_lab[0];
    const reach = barReach(Math.max(...c.patches.filter((p) => !p.fault).map((p) => Math.abs(off(p)))));
    const w = 256 / order.length, half = 46;
    const bars = order.map((p, i) => {
        const high = Math.max(-1.05, Math.min(1.05, off(p) / reach)) * (half - 8), x = 24 + i * w;
        return s("rect", {class: `plot-bar${p.neutral ? " is-neutral" : ""}${p.fault ? " is-left-out" : ""}`, "data-patch": c.patches.indexOf(p),
                          x: x + w * 0.15, width: w * 0.7, y: half - Math.max(0, high), height: Math.max(0.75, Math.abs(high))});
    });
    const tick = (/** @type {number} */ v) => s("text", {x: 20, y: half + 3.5 - v / reach * (half - 8), "text-anchor": "end", class: "plot-name"}, num(v, reach < 1 ? 1 : 0));
    return h("figure", {class: "plot"},
             s("svg", {viewBox: `0 0 280 ${2 * half}`, role: "img", "aria-label": `Lightness of the patches, measured minus reference, within ${num(reach, 1)} L*`},
               s("path", {class: "plot-axis", d: `M24,${half} H280`}), s("path", {class: "plot-grid", d: `M24,8 H280 M24,${2 * half - 8} H280`}),
               [-reach, 0, reach].map(tick), bars),
             h("figcaption", {}, "L*, measured minus reference, dark patches left; neutrals filled"));
}

/** @param {Patch} p */
function patchText(p)
{
    return `${p.name}: CIEDE2000 ${num(p.de_left_out, 2)} when left out of the fit` + (p.fault ? `; not used: ${p.fault}` : "");
}

/** @param {Calibration} c */
const worstText = (c) => worstFirst(c.patches).slice(0, 3).map((p) => `${p.name} ${num(p.de_left_out, 2)}`).join(", ");

/** Reference over measured, patch by patch; crossed out where a patch was not used. @param {Calibration} c */
function swatches(c)
{
    const n = c.patches.length, columns = n <= 24 ? 6 : 14, w = 280 / columns, tall = Math.min(30, w);
    const cells = c.patches.map((p, i) => {
        const x = (i % columns) * w, y = Math.floor(i / columns) * (tall + 3);
        return s("g", {class: "swatch", "data-patch": i}, s("title", {}, patchText(p)),
                 s("rect", {x, y, width: w - 3, height: tall / 2, fill: cssOf(p.reference_lab)}),
                 s("rect", {x, y: y + tall / 2, width: w - 3, height: tall / 2, fill: cssOf(p.lab)}),
                 p.fault ? ["under", "over"].map((cl) => s("path", {class: cl, d: `M${x},${y} l${w - 3},${tall} m0,${-tall} l${3 - w},${tall}`})) : []);
    });
    return h("figure", {class: "plot"},
             s("svg", {viewBox: `0 0 280 ${Math.ceil(n / columns) * (tall + 3)}`, role: "img",
                       "aria-label": "Patches: reference above, measured below"}, cells),
             h("figcaption", {}, "above the reference, below the measured colour, as far as sRGB shows it"));
}

const STATUS = {primary: "read in the guideline itself", secondary: "read in a table made by others, not in the guideline",
                memory: "from memory, unchecked"};

/** Tolerances of one guideline in one trust, as rows of qualities. @param {Calibration} c
 *  @returns {Map<string, {about: Tolerance, rows: {name: string, value: string, within: string[], outside: string[]}[]}>} */
export function byGuideline(c)
{
    /** @type {ReturnType<typeof byGuideline>} */
    const out = new Map();
    for (const q of c.qualities)
        for (const t of q.tolerances) {
            const key = `${t.guideline} ${t.year} ${t.status}`, g = out.get(key) ?? {about: t, rows: []};
            out.set(key, g);
            let row = g.rows.find((r) => r.name === q.name);
            if (!row)
                g.rows.push(row = {name: q.name, value: `${num(q.value, 2)} ${q.unit}`.trim(), within: [], outside: []});
            (t.within ? row.within : row.outside).push(t.level);
        }
    return out;
}

/** @param {Calibration} c */
function tolerances(c)
{
    const unknown = c.qualities.filter((q) => q.value === null).map((q) => q.name);
    const head = () => ["quality, measured", "within", "outside"].map((t) => h("th", {scope: "col"}, t));
    const levels = (/** @type {string[]} */ list) => h("td", {}, list.length
        ? list.flatMap((l, i) => [i ? ", " : "", h("span", {class: "level"}, l)]) : "none");
    return h("details", {class: "inner"}, h("summary", {}, "Against published tolerances"),
             h("p", {}, "One photograph of one target, judged with patches left out; no certificate."),
             [...byGuideline(c).values()].map(({about: t, rows}) =>
                 h("table", {class: "numbers is-narrow"},
                   h("caption", {}, `${t.guideline}, ${t.year}`, h("span", {class: "status"}, STATUS[t.status] ?? t.status)),
                   h("thead", {}, h("tr", {}, head())),
                   h("tbody", {}, rows.map((r) => h("tr", {class: r.within.length ? "" : "is-chosen"},
                       h("th", {scope: "row"}, r.name, h("span", {class: "status"}, r.value)),
                       levels(r.within), levels(r.outside)))))),
             unknown.length ? h("p", {}, `Not measured here: ${unknown.join(", ")}.`) : null);
}

/** Show one patch in all plots, or none. @param {Element} inside @param {number|null} index */
function mark(inside, index)
{
    for (const el of inside.closest(".calibration")?.querySelectorAll("[data-patch]") ?? [])
        el.classList.toggle("is-marked", index !== null && el.getAttribute("data-patch") === String(index));
}

/** Every patch in numbers. One stop of the keyboard; the arrow keys go from patch to patch and mark it in the plots.
 *  @param {Calibration} c */
function table(c)
{
    const lab = (/** @type {number[]} */ v) => v.map((x) => num(x, 1)).join(" ");
    const focused = () => {
        const at = [...body.querySelectorAll(".patch-name")].indexOf(/** @type {Element} */ (document.activeElement));
        return at < 0 ? null : at;
    };
    const body = h("tbody", {}, c.patches.map((p, i) => {
        const name = h("button", {type: "button", class: "patch-name", tabindex: i === 0 ? 0 : -1, onfocus: () => mark(body, i), onblur: () => mark(body, null)}, p.name);
        return h("tr", {onpointerenter: () => mark(body, i), onpointerleave: () => mark(body, focused())},
                 h("th", {scope: "row"}, name, p.fault ? h("span", {class: "status"}, `not used: ${p.fault}`) : null),
                 h("td", {class: "lab"}, h("div", {}, lab(p.reference_lab)), h("div", {}, lab(p.lab))), h("td", {}, num(p.de_left_out, 2)));
    }));
    body.addEventListener("keydown", (e) => {
        const names = /** @type {HTMLElement[]} */ ([...body.querySelectorAll(".patch-name")]), at = names.indexOf(/** @type {HTMLElement} */ (e.target));
        const to = {ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: names.length - 1}[e.key];
        if (at < 0 || to === undefined)
            return;
        e.preventDefault();
        if (names[to]) {
            names[at].tabIndex = -1;
            names[to].tabIndex = 0;
            names[to].focus();
        }
    });
    return h("details", {class: "inner"}, h("summary", {}, `All ${c.patches.length} patches`),
             h("p", {}, "Above the reference, below the measured colour (CIELAB D50), and CIEDE2000 when left out of the fit. " +
               "Arrow keys go from patch to patch and mark it in the plots."),
             h("table", {class: "numbers is-narrow"}, h("thead", {}, h("tr", {}, ["patch", "L* a* b*", "left out"].map(
                 (t) => h("th", {scope: "col"}, t)))), body));
}

/** Red and blue against green, what the neutrals were multiplied by. @param {Calibration} c */
const balance = (c) => `red \u00d7${num(c.gain[0] / c.gain[1], 3)}, blue \u00d7${num(c.gain[2] / c.gain[1], 3)}`;

/** The view in which the target lies, if it is still there. @param {Calibration} c */
const source = (c) => state.views.find((v) => v.id === c.from_view);

/** @param {Calibration} c @param {View} v */
function content(c, v)
{
    const out = c.left_out_patch, faulty = c.patches.filter((p) => p.fault), from = source(c);
    return [
        h("p", {}, c.inherited
            ? `Inherited from ${c.from_label}: nothing was measured in this view itself. It holds as far as camera, ` +
              "settings and light were the same."
            : `From the colour target in this view, ${when(c.made_at)}${c.target ? `: ${c.target}` : ""}.`),
        h("p", {}, sentence(c.why)),
        figures([["patches left out of the fit, mean", num(out.mean, 2)], ["the same, 95\u00a0%", num(out.p95, 2)],
                 ["the same, worst", num(out.max, 2)], ["patches before the correction, mean", num(c.before.mean, 2)],
                 ["patches used", `${c.used} of ${c.patches.length}`], ["exposure corrected by", `${num(c.exposure_ev, 2)} EV`],
                 ["white balance corrected by", balance(c)], ["uneven light", flatText(c)],
                 ["kind", c.kind]]),
        h("p", {class: "hint"}, "Differences in CIEDE2000."),
        h("p", {}, `Worst patches: ${worstText(c)}.`),
        faulty.length ? h("p", {class: "loud"}, `Not used: ${faulty.map((p) => `${p.name} (${p.fault})`).join(", ")}.`) : null,
        plot(c), lightness(c), swatches(c), tolerances(c), table(c),
        from ? h("div", {class: "row"}, h("button", {type: "button", onclick: () => showMeasured(from, c)}, "Where it was measured")) : null,
        state.dossier.read_only ? null : takeBack(v),
        state.dossier.read_only ? null : h("details", {class: "inner"}, h("summary", {}, "Calibrate again"), form(v))];
}

/** @param {Calibration} c */
const flatText = (c) => !c.flat ? "not corrected"
    : `corrected: fall-off of ${num(c.flat.before_delta_l, 1)} L*, then ${num(c.flat.after_delta_l, 1)}`;

/** How to get one. @param {View} v */
function none(v)
{
    return [h("p", {}, "Not calibrated: colours are those of the file. With a colour target in this photograph, and a " +
              "file of the target's values, they can be corrected and judged. A target in another photograph of the same " +
              "sitting: calibrate that one, and name this view there."),
            state.dossier.read_only ? h("p", {}, h("code", {}, `halfclean calibrate DOSSIER "${v.label}" --chart FILE`)) : form(v)];
}

/** The part of a view's entry; what it shows is asked for when it is opened. @param {View} v */
export function part(v)
{
    if (!v.calibration && v.technique !== "normal")
        return null;
    const el = h("div", {class: "calibration"}), key = JSON.stringify([state.dossier.title, v.id, v.calibration]);
    const have = known.get(key);
    const d = h("details", {class: "calibration-part"}, h("summary", {}, "Calibration"), el);
    if (!v.calibration || have)
        el.append(.../** @type {Node[]} */ ((have ? content(have, v) : none(v)).filter(Boolean)));
    else
        d.addEventListener("toggle", async () => {
            if (!d.open || el.childNodes.length)
                return;
            try {
                const c = await api.calibration(v.id);
                known.set(key, c);
                el.replaceChildren(.../** @type {Node[]} */ (content(c, v).filter(Boolean)));
            } catch (e) {
                el.replaceChildren(h("p", {class: "trouble", role: "alert"}, e instanceof Error ? e.message : String(e)));
            }
        });
    return d;
}
