// How a view lies in the frame, in words and figures: the same report for tiles and for pairs of points,
// for a placed view and for one that was refused.
import {figures, h} from "./dom.js";
import {VERDICTS, num, percent, sentence} from "./words.js";
/**
 * @typedef {import("./types.js").Fit} Fit
 * @typedef {import("./types.js").FitMap} FitMap
 * @typedef {import("./types.js").View} View
 */

export const STRAIN_WARNED = 0.03; // stretch of the fit's field from which the program warns (WARN_FIELD_STRAIN)

/** @param {number|null|undefined} px @param {number|null|undefined} mm */
export const pxAndMm = (px, mm) => px === null || px === undefined ? "not known"
    : mm === null || mm === undefined ? `${num(px, 2)}\u00a0px` : `${num(px, 2)}\u00a0px (${num(mm, 2)}\u00a0mm)`;

/** "good", and why. @param {{verdict: string, why: string}} f */
export const verdictLine = (f) => h("p", {class: "fit-verdict"},
    h("strong", {class: `verdict is-${f.verdict}`}, VERDICTS[f.verdict] ?? f.verdict), f.why ? `: ${sentence(f.why)}` : "");

/** Stretch by the fit's field, and a word when it is large. @param {number|null|undefined} strain */
export const strainText = (strain) => strain === null || strain === undefined ? "not known"
    : strain === 0 ? "none" : `${num(100 * strain, strain < 0.01 ? 2 : 1)}\u00a0%` + (strain > STRAIN_WARNED ? ", strong: look at it closely" : "");

/** @param {{k1: number, k2: number}|null|undefined} lens */
export const lensText = (lens) => (lens ? `k1 ${num(lens.k1, 4)}, k2 ${num(lens.k2, 4)}` : "none found");

/** Figures of a fit as its map has them. @param {FitMap} f */
export function figuresOf(f)
{
    const agree = f.tiles.filter((t) => t.used).length;
    return figures([
        ["kind of fit", f.kind || "not known"],
        [f.pairs ? "miss of a pair left out, median" : "residual on held-out tiles, median", pxAndMm(f.held_out_median_px, f.held_out_median_mm)],
        ["the same, 95 %", pxAndMm(f.held_out_p95_px, f.held_out_p95_mm)],
        [f.pairs ? "pairs that agree" : "tiles with texture that agree", `${agree} of ${f.tiles.length}`],
        ["lens distortion", lensText(f.lens)],
        ...(f.strain_max === null || f.strain_max === undefined ? [] : /** @type {[string, string][]} */ ([["greatest stretch of the fit", strainText(f.strain_max)]])),
        ...(f.pairs ? [] : /** @type {[string, string][]} */ ([["a second method would move it by", pxAndMm(f.second_opinion_px, mmOf(f, f.second_opinion_px))]]))]);
}

/** @param {FitMap} f @param {number|null|undefined} px */
const mmOf = (f, px) => (px !== null && px !== undefined && f.mm_per_px ? px * f.mm_per_px : null);

/** The same of a view in the list; what the record does not have is left out.
 *  @param {View} v @param {number|null} mmPerPx */
export function viewFigures(v, mmPerPx)
{
    const f = v.fit, mm = (/** @type {number|null|undefined} */ px) => (px !== null && px !== undefined && mmPerPx ? px * mmPerPx : null);
    const share = f.unsupported_share === undefined || f.unsupported_share === null ? f.area_supported : 1 - f.unsupported_share;
    /** @type {[unknown, string, string][]} */
    const rows = [
        [f.kind, "kind of fit", f.kind ?? ""],
        [f.held_out_median_px !== undefined, f.pairs ? "miss of a pair left out, median" : "residual held out, median", pxAndMm(f.held_out_median_px, f.held_out_median_mm)],
        [f.held_out_p95_px !== undefined, "the same, 95 %", pxAndMm(f.held_out_p95_px, f.held_out_p95_mm)],
        [f.tiles_textured, f.pairs ? "pairs that agree" : "tiles with texture that agree", `${num(f.tiles_used, 0)} of ${num(f.tiles_textured, 0)}`],
        [share !== undefined && share !== null, "share of the view with support", percent(share)],
        [f.lens, "lens distortion", lensText(f.lens)],
        [f.bend_strain_max !== undefined && f.bend_strain_max !== null, "greatest stretch of the fit", strainText(f.bend_strain_max)],
        [f.second_opinion_px !== undefined && !f.pairs, "a second method would move it by", pxAndMm(f.second_opinion_px, mm(f.second_opinion_px))],
        [f.verdict !== "refused" && f.view_per_frame, "pixels for each of the frame", num(f.view_per_frame, 2)],
        [f.verdict !== "refused" && f.exposure_factor, "exposure, multiplied by", num(f.exposure_factor, 3) + (f.exposure_spread ? `, spread ${num(f.exposure_spread, 3)}` : "")]];
    return figures(rows.filter(([isKnown]) => isKnown).map(([, name, value]) => /** @type {[string, string]} */ ([name, value])));
}
