// How things are named and how numbers are written. Pure.
/**
 * @typedef {import("./types.js").View} View
 * @typedef {import("./types.js").Lab} Lab
 * @typedef {import("./types.js").Fit} Fit
 */

/** @type {[string, string][]} */
export const TECHNIQUES = [
    ["normal", "normal"], ["raking", "raking"], ["specular", "specular"],
    ["transmitted", "transmitted"], ["uv", "uv (visible fluorescence)"], ["ir", "ir"],
    ["xray", "xray"], ["micro", "micro"], ["section", "section"]];

/** @type {[string, string][]} */
export const STATES = [
    ["before", "before"], ["test", "test (windows open)"], ["during-1", "during-1"],
    ["during-2", "during-2"], ["during-3", "during-3"], ["after-cleaning", "after-cleaning"],
    ["after-filling", "after-filling"], ["after", "after"]];

/** @type {[string, string][]} */
export const SURFACES = [
    ["bare", "bare"], ["saturated", "saturated"], ["varnished", "varnished"]];

/** @type {[string, string][]} */
export const ZONE_KINDS = [
    ["overpaint", "overpaint"], ["retouching", "retouching"], ["loss", "loss"],
    ["abrasion", "abrasion"], ["gilding", "gilding"]];

/** How the verdicts of a placement are called. @type {Record<string, string>} */
export const VERDICTS = {reference: "frame", good: "good", usable: "usable", refused: "do not compare", none: "not placed yet"};

const MINUS = "\u2212", NBSP = "\u00a0";

/** A number with a true minus sign; a dash when there is none.
 *  @param {number|null|undefined} v @param {number} digits */
export function num(v, digits)
{
    if (v === null || v === undefined || !Number.isFinite(v))
        return "\u2013";
    const t = v.toFixed(digits);
    // -0.0 after rounding is 0.0.
    return Number(t) === 0 ? t.replace("-", "") : t.replace("-", MINUS);
}

/** @param {number|null|undefined} v a share 0..1 */
export function percent(v)
{
    if (v === null || v === undefined || !Number.isFinite(v))
        return "\u2013";
    const p = v * 100;
    return `${p > 0 && p < 1 ? num(p, 1) : num(p, 0)}${NBSP}%`;
}

/** @param {Lab|number[]|null|undefined} lab */
export function labText(lab)
{
    return lab ? `${num(lab[0], 1)} ${num(lab[1], 1)} ${num(lab[2], 1)}` : "\u2013";
}

/** What the program says begins small and without a full stop, to be put together; alone it is a
 *  sentence. @param {string} message */
export function sentence(message)
{
    const t = message.trim();
    return t === "" ? "" : t[0].toUpperCase() + t.slice(1) + (/[.!?:]$/.test(t) ? "" : ".");
}

/** "normal, before" @param {View} v */
export const viewWords = (v) => `${v.technique}, ${v.state}`;

/** @param {Fit} fit one sentence about how a view lies in the frame */
export function fitSentence(fit)
{
    switch (fit.verdict) {
    case "reference":
        return "Gives the frame.";
    case "none":
        return "Not placed in the frame yet.";
    case "refused":
        return `Not placed, do not compare: ${sentence(fit.why || "no reason was given")}`;
    default:
        return sentence(`Placed, fit ${fit.verdict}${fit.why ? `: ${fit.why}` : ""}`);
    }
}

/** Residual of a placed view in px and mm, or "" @param {Fit} fit */
export function residualText(fit)
{
    if (fit.verdict !== "good" && fit.verdict !== "usable")
        return "";
    if (fit.held_out_median_px === null || fit.held_out_median_px === undefined)
        return "residual not known";
    const one = `${num(fit.held_out_median_px, 2)}${NBSP}px (${num(fit.held_out_median_mm, 2)}${NBSP}mm)`;
    const two = `${num(fit.held_out_p95_px, 2)}${NBSP}px (${num(fit.held_out_p95_mm, 2)}${NBSP}mm)`;
    return `residual, median ${one}, 95${NBSP}% ${two}`;
}

/** What a joined view was made of, or "" @param {View} v */
export function platesText(v)
{
    const m = v.mosaic;
    if (!m)
        return "";
    const miss = m.held_out_median_px === null || m.held_out_median_px === undefined ? "how far the overlaps miss is not known"
        : `the overlaps miss by ${num(m.held_out_median_px, 2)}${NBSP}px (median), ${num(m.held_out_p95_px, 2)}${NBSP}px (95${NBSP}%)`;
    return `joined from ${m.plates.map((p) => p.label).join(", ")}: ${VERDICTS[m.verdict] ?? m.verdict}; ${m.why || miss}`;
}

/**
 * What must be said loudly about a view.
 * @param {View} v @returns {string[]}
 */
export function viewWarnings(v)
{
    const out = [];
    if (v.profile_assumed)
        out.push("No usable colour profile in the file: its colours are ASSUMED to be sRGB. " +
                 "Numbers from this view are only as good as that guess.");
    if (v.fit.verdict === "refused")
        out.push("Do not compare: this view could not be placed in the frame. It is shown on its own and " +
                 "takes no part in the spot strip or the forecast. Pairs of points may place it.");
    if (v.fit.verdict === "usable" && v.fit.compare_note)
        out.push(sentence(v.fit.compare_note));
    if (v.clipped_share !== null && v.clipped_share > 0.005)
        out.push(`${percent(v.clipped_share)} of the picture is clipped at the brightest value; ` +
                 "no colour can be known there.");
    return out;
}

/** @param {string} iso @returns {string} "2026-11-25 09:30 UTC" */
export const when = (iso) => iso.replace("T", " ").replace(/(:\d\d)(\.\d+)?Z$/, "$1 UTC");

/** A plain reason in few words, for the strip. Codes as in the refusal raster.
 *  @param {number} code @param {string|null} reason */
export function refusalText(code, reason)
{
    return reason || `refused (reason ${code})`;
}

/** "window 3", whichever way the document names it. @param {unknown} ref */
export function refName(ref)
{
    if (ref === null || ref === undefined)
        return "";
    if (typeof ref === "object") {
        const o = /** @type {{label?:string, kind?:string, id?:number}} */ (ref);
        return o.label || (o.kind ?? String(o.id ?? ""));
    }
    return String(ref);
}
