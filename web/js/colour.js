// Colours of numbers, for swatches only: what is measured is given in numbers beside them.
/** @typedef {import("./types.js").Lab} Lab */

// XYZ of white D50 (ICC.1:2022, 6.3.4.3) to linear sRGB: primaries and white of IEC 61966-2-1, adapted
// by Bradford (ICC.1:2022, annex E).
const WHITE = [0.9642, 1, 0.8249];
const TO_SRGB = [[3.1341864, -1.6172090, -0.4906941],
                 [-0.9787485, 1.9161301, 0.0334334],
                 [0.0719639, -0.2289939, 1.4057537]];

/** @param {number} t CIE 15:2018, 8.2.1.1, inverse */
const cubed = (t) => t > 6 / 29 ? t ** 3 : 3 * (6 / 29) ** 2 * (t - 4 / 29);

/** @param {number} v IEC 61966-2-1 */
const encode = (v) => v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055;

/** CIELAB D50 to sRGB 0..255; what sRGB cannot show is clipped. @param {Lab|number[]} lab
 *  @returns {[number, number, number]} */
export function srgbOf(lab)
{
    const y = (lab[0] + 16) / 116;
    const xyz = [y + lab[1] / 500, y, y - lab[2] / 200].map((t, i) => WHITE[i] * cubed(t));
    const rgb = TO_SRGB.map((row) => row.reduce((sum, m, i) => sum + m * xyz[i], 0)).map(
        (v) => Math.round(255 * Math.min(1, Math.max(0, encode(v)))));
    return [rgb[0], rgb[1], rgb[2]];
}

/** @param {Lab|number[]} lab */
export const cssOf = (lab) => `rgb(${srgbOf(lab).join(", ")})`;
