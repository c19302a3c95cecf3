// Our colour conversions held to an independent package (colorjs.io, by other authors from other tables):
// CIEDE2000, Lab, XYZ, ROMM and sRGB with the adaptation between D50 and D65, the whites of the lights, and
// the page's own swatches. HC_COLOUR_PRINT is tests/web/colour_print.c, built.
//
// What the two mean differs slightly: their D50 is x 0.3457, y 0.3585 (0.96430, 1, 0.82510), ours that of
// ICC profiles (0.9642, 1, 0.8249; ICC.1:2022, 6.3.4.3). Tolerances are as wide as that asks, no wider.
import Color from "colorjs.io";
import {execFileSync} from "node:child_process";
import {srgbOf} from "../../web/js/colour.js";
import {finish, test, yes} from "./harness.mjs";

const {WHITES} = /** @type {any} */ (Color);
const PRINT = process.env.HC_COLOUR_PRINT;
if (!PRINT) {
    console.log("colour_check.mjs needs HC_COLOUR_PRINT, the path of the built colour_print.\n0 passed, 1 failed");
    process.exit(1);
}

/** @param {string[]} lines @returns {number[][]} */
const ours = (lines) => execFileSync(/** @type {string} */ (PRINT), {input: lines.join("\n") + "\n", encoding: "utf8"}).trim().split("\n").map((l) => l.split(" ").map(Number));

let seed = 20261125;
const random = () => (seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0) / 2 ** 32;

/** @param {number[]} a @param {ArrayLike<number|null>} b */
const apart = (a, b) => Math.max(...a.map((v, i) => Math.abs(v - Number(b[i]))));

/** @param {number} worst @param {number} within @param {string} what */
function within(worst, within, what)
{
    console.log(`      ${what}: worst ${worst.toPrecision(3)}`);
    yes(worst <= within, `${what}: ${worst} is within ${within}`);
}

await test("CIEDE2000 of 2000 pairs, near and far, grey and saturated", async () => {
    const pairs = Array.from({length: 2000}, (_, i) => {
        const near = i % 2 ? 4 : 200, c = i % 5 ? 180 : 4;
        const a = [100 * random(), c * (random() - 0.5), c * (random() - 0.5)];
        return [a, [Math.min(100, Math.max(0, a[0] + near / 4 * (random() - 0.5))), a[1] + near * (random() - 0.5), a[2] + near * (random() - 0.5)]];
    });
    const got = ours(pairs.map(([a, b]) => `de ${[...a, ...b].join(" ")}`));
    const is = (/** @type {number[]} */ v) => new Color("lab", /** @type {[number, number, number]} */ (v));
    within(Math.max(...pairs.map(([a, b], i) => Math.abs(got[i][0] - is(a).deltaE(is(b), "2000")))), 1e-9, "CIEDE2000");
});

await test("sRGB to Lab under D50, and back by way of ROMM", async () => {
    const list = Array.from({length: 500}, () => [random(), random(), random()]);
    const labs = ours(list.map((v) => `srgb ${v.join(" ")}`));
    const should = list.map((v) => new Color("srgb", /** @type {[number, number, number]} */ (v)).to("lab").coords);
    within(Math.max(...labs.map((v, i) => apart(v, should[i]))), 0.01, "Lab of sRGB");
    const back = ours(labs.map((v) => `lab ${v.join(" ")}`));
    within(Math.max(...back.map((v, i) => apart(v.slice(6), list[i]))), 1e-9, "sRGB there and back");
    within(Math.max(...back.map((v, i) => apart(v.slice(0, 3), new Color("lab", /** @type {any} */ (labs[i])).to("xyz-d50").coords))), 2.5e-4, "XYZ of Lab");
    within(Math.max(...back.map((v, i) => apart(v.slice(3, 6), new Color("lab", /** @type {any} */ (labs[i])).to("prophoto-linear").coords))), 5e-5, "linear ROMM of Lab");
    within(Math.max(...back.map((v, i) => apart(v.slice(6), new Color("lab", /** @type {any} */ (labs[i])).to("srgb").coords))), 8e-4, "sRGB of Lab");
});

// Theirs are the rounded values of ASTM E308; D50 and D65 by their chromaticities of four digits.
await test("whites of ten lights, 2 degrees, from the tables of lights and observer", async () => {
    const lights = [["D50", 3e-4], ["D65", 3e-4], ["A", 3e-4], ["C", 3e-4], ["D55", 3e-4], ["D75", 3e-4], ["E", 3e-4], ["FL2", 1e-4], ["FL7", 1e-4], ["FL11", 1e-4]];
    const got = ours(lights.map(([name]) => `white ${name} 2`));
    lights.forEach(([name, most], i) => within(apart(got[i], WHITES[String(name).replace("FL", "F")]), Number(most), String(name)));
});

await test("the page's swatches are the colours of the numbers beside them", async () => {
    const list = Array.from({length: 300}, () => new Color("srgb", [random(), random(), random()]).to("lab").coords.map(Number));
    within(Math.max(...list.map((lab) => apart(srgbOf(lab), new Color("lab", /** @type {any} */ (lab)).to("srgb").coords.map((v) => Math.round(255 * Math.min(1, Math.max(0, Number(v)))))))), 1, "8-bit sRGB");
});

finish();
