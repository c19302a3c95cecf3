// What the page computes without a document: node --test.
import assert from "node:assert/strict";
import {createHash} from "node:crypto";
import {readFile, readdir} from "node:fs/promises";
import {test} from "node:test";
import * as api from "../../web/js/api.js";
import * as g from "../../web/js/geometry.js";
import {hatchTiles} from "../../web/js/hatch.js";
import {KEYS} from "../../web/js/keys.js";
import * as calibration from "../../web/js/calibration.js";
import {srgbOf} from "../../web/js/colour.js";
import * as grid from "../../web/js/target_grid.js";
import * as words from "../../web/js/words.js";

const WEB = new URL("../../web/", import.meta.url);

/** A small generator, so that the laws see many lines and always the same. @param {number} seed */
function* random(seed)
{
    for (let s = seed >>> 0;;) {
        s = (Math.imul(s, 1664525) + 1013904223) >>> 0;
        yield s / 2 ** 32;
    }
}

test("an upright line halves the rectangle", () => {
    assert.deepEqual(g.clipRect(100, 60, {x: 40, y: 30, turn: 0}), [[40, 0], [100, 0], [100, 60], [40, 60]]);
    assert.deepEqual(g.clipRect(100, 60, {x: -5, y: 30, turn: 0}), [[0, 0], [100, 0], [100, 60], [0, 60]]);
    assert.deepEqual(g.clipRect(100, 60, {x: 105, y: 30, turn: 0}), []);
});

test("law: the two sides of any line make up the rectangle, and swap at half a turn", () => {
    const r = random(7);
    const next = () => /** @type {number} */ (r.next().value);
    for (let i = 0; i < 500; i++) {
        const line = {x: next() * 300 - 50, y: next() * 200 - 50, turn: next() * 360 - 180};
        const one = g.clipRect(200, 100, line), two = g.clipRect(200, 100, {...line, turn: line.turn + 180});
        const sum = Math.abs(g.polygonArea(one)) + Math.abs(g.polygonArea(two));
        assert.ok(Math.abs(sum - 20000) < 1e-6, `${sum}`);
        const n = g.sideOf(line.turn);
        for (const [x, y] of one)
            assert.ok((x - line.x) * n[0] + (y - line.y) * n[1] > -1e-9);
    }
});

test("law: the grip lies on the line and inside the picture area", () => {
    const r = random(11);
    const next = () => /** @type {number} */ (r.next().value);
    for (let i = 0; i < 500; i++) {
        const line = {x: next() * 600 - 200, y: next() * 400 - 150, turn: next() * 360};
        const p = g.gripPoint(200, 100, line, 30), n = g.sideOf(line.turn);
        assert.equal(p === null, g.lineSpan(200, 100, line) === null);
        if (!p)
            continue;
        assert.ok(Math.abs((p[0] - line.x) * n[0] + (p[1] - line.y) * n[1]) < 1e-6);
        assert.ok(p[0] > -1e-6 && p[0] < 200 + 1e-6 && p[1] > -1e-6 && p[1] < 100 + 1e-6);
    }
});

test("turns are brought into one circle", () => {
    assert.equal(g.wrapTurn(190), -170);
    assert.equal(g.wrapTurn(-180), 180);
    assert.equal(g.wrapTurn(720), 0);
});

test("areas and crossings of polygons", () => {
    assert.equal(Math.abs(g.polygonArea([[0, 0], [4, 0], [4, 3], [0, 3]])), 12);
    assert.equal(g.polygonArea([[0, 0], [4, 0]]), 0);
    assert.equal(g.crossesItself([[0, 0], [4, 0], [4, 3], [0, 3]]), false);
    assert.equal(g.crossesItself([[0, 0], [4, 3], [4, 0], [0, 3]]), true);
    assert.equal(g.crossesItself([[0, 0], [1, 0], [0, 1]]), false);
    assert.deepEqual(g.topOf([[2, 5], [4, 1], [6, 9]]), [4, 1]);
});

test("the grid of a fit map is told from pairs of points, and the arrows get a round factor", () => {
    const tiles = [];
    for (let y = 0; y < 8; y++)
        for (let x = 0; x < 6; x++)
            if ((x + y) % 3) // some have no texture
                tiles.push({x: 87 + 64 * x, y: 66 + 64 * y, dx: 0.03, dy: -0.04, used: true});
    assert.equal(g.tilePitch(tiles), 64);
    assert.equal(g.arrowFactor(tiles), 1000); // 0.05 px by 1000 = 50 px < 0.8 of 64
    assert.equal(g.arrowFactor(tiles.map((t) => ({...t, dx: 0.6, dy: 0}))), 50);
    // One bad tile in forty does not shrink all; tiles that do not agree have no arrow at all.
    assert.equal(g.arrowFactor(tiles.map((t, i) => ({...t, dx: i === 3 ? 40 : 0.6, dy: 0}))), 50);
    assert.equal(g.arrowFactor(tiles.map((t, i) => ({...t, dx: i % 2 ? 40 : 0.6, dy: 0, used: i % 2 === 0}))), 50);
    const pairs = [[10, 20], [300.5, 41], [77, 402.25], [350, 391]].map(([x, y]) => ({x, y, dx: 0.4, dy: 0, used: true}));
    assert.equal(g.tilePitch(pairs), null);
    assert.equal(g.tilePitch([]), null);
    assert.equal(g.arrowFactor(pairs), 50);
    assert.equal(g.arrowFactor([]), 1);
});

test("swatches: CIELAB D50 to sRGB as Little CMS 2.14 has it (relative), and clipped", () => {
    for (const [lab, rgb] of [[[38.42, 13.69, 14.42], [116.91, 81.85, 67.78]], [[65.93, 17.94, 17.88], [198.91, 147.92, 129.11]],
                              [[50.05, -4.43, -22.25], [91.6, 122.46, 156.67]], [[81.8, 4, 79.8], [238.43, 198.66, 20.24]],
                              [[95.2, -0.2, 2.9], [242.67, 241.15, 235.55]], [[20.5, 0.1, -0.2], [49.42, 49.33, 49.67]]])
        srgbOf(lab).forEach((v, i) => assert.ok(Math.abs(v - rgb[i]) <= 0.6, `${lab}: ${srgbOf(lab)}`));
    assert.deepEqual(srgbOf([100, 0, 0]), [255, 255, 255]);
    assert.deepEqual(srgbOf([0, 0, 0]), [0, 0, 0]);
    assert.equal(srgbOf([60, -120, 0])[0], 0);
});

test("tolerances are grouped by guideline, year and how they are known; nothing is left out", () => {
    const level = (/** @type {string} */ guideline, /** @type {"primary"|"secondary"|"memory"} */ status, /** @type {string} */ l, /** @type {boolean} */ within) =>
        ({guideline, year: 2021, level: l, status, within});
    const doc = /** @type {any} */ ({qualities: [
        {name: "tone", unit: "L*", value: 1.234, tolerances: [level("G", "secondary", "A", false), level("G", "secondary", "B", true), level("G", "memory", "X", true)]},
        {name: "noise", unit: "", value: 0.5, tolerances: [level("G", "secondary", "A", false)]}, {name: "evenness", unit: "%", value: null, tolerances: []}]});
    const groups = [...calibration.byGuideline(doc).values()];
    assert.deepEqual(groups.map((g) => [g.about.status, g.rows]), [
        ["secondary", [{name: "tone", value: "1.23 L*", within: ["B"], outside: ["A"]}, {name: "noise", value: "0.50", within: [], outside: ["A"]}]],
        ["memory", [{name: "tone", value: "1.23 L*", within: ["X"], outside: []}]]]);
});

test("the worst patches are those that were used; the plot's factor is round and keeps in sight", () => {
    const patch = (/** @type {number} */ off, /** @type {string} */ fault = "") => /** @type {any} */ ({name: String(off), reference_lab: [50, 10, 10], lab: [50, 10 + off, 10], de_left_out: off, fault});
    const list = [patch(0.4), patch(2), patch(90, "clipped"), patch(1)];
    assert.deepEqual(calibration.worstFirst(list).map((p) => p.name), ["2", "1", "0.4"]);
    assert.equal(calibration.plotFactor(list, 60), 5);
    assert.equal(calibration.plotFactor([patch(0.01)], 60), 50);
    assert.equal(calibration.plotFactor([patch(30)], 60), 1);
});

test("law: the hatch's tiles cover the patch, fit together and exist", () => {
    const t = {key: "", w: 3000, h: 3600, tile: 256, levels: 5, type: "image/png"};
    const r = random(5);
    const next = () => /** @type {number} */ (r.next().value);
    for (let n = 0; n < 300; n++) {
        const side = 10 + next() * 900, px = 100, x = side + next() * (t.w - 2 * side), y = side + next() * (t.h - 2 * side);
        const list = hatchTiles(t, x, y, side, px);
        const ends = list.map((p) => [p.left, p.top, p.left + t.tile * p.scale, p.top + t.tile * p.scale]);
        assert.ok(Math.min(...ends.map((e) => e[0])) <= 1e-9 && Math.min(...ends.map((e) => e[1])) <= 1e-9);
        assert.ok(Math.max(...ends.map((e) => e[2])) >= px - 1e-9 && Math.max(...ends.map((e) => e[3])) >= px - 1e-9);
        for (const p of list) {
            const k = 2 ** (t.levels - 1 - p.level);
            assert.ok(p.i * 256 * k < t.w && p.j * 256 * k < t.h && p.i >= 0 && p.j >= 0);
            assert.ok(p.scale < 2 || k === 1);
        }
    }
    assert.deepEqual(hatchTiles(t, 0, 0, 100, 100).map((p) => [p.i, p.j, p.left]), [[0, 0, 50]]);
});

test("numbers are written with a true minus and never as minus zero", () => {
    assert.equal(words.num(-3.14159, 2), "\u22123.14");
    assert.equal(words.num(-0.04, 1), "0.0");
    assert.equal(words.num(null, 1), "\u2013");
    assert.equal(words.num(NaN, 1), "\u2013");
    assert.equal(words.num(Infinity, 1), "\u2013");
    assert.equal(words.percent(0.004), "0.4\u00a0%");
    assert.equal(words.percent(0.123), "12\u00a0%");
    assert.equal(words.percent(null), "\u2013");
    assert.equal(words.labText([50, -1.25, 0]), "50.0 \u22121.3 0.0");
});

/** @type {import("../../web/js/types.js").View} */
const VIEW = {id: 1, label: "a", technique: "normal", state: "before", face: "front", file_name: "a.tif",
              sha256: "", w: 10, h: 10, bands: 3, bits: 16, profile: "p", profile_assumed: false, note: "",
              clipped_share: 0, light: null, added_at: "", tiles: null, fit: {verdict: "good", why: "",
              held_out_median_px: 0.061, held_out_p95_px: 0.2, held_out_median_mm: 0.0122, held_out_p95_mm: 0.04}};

test("patches of a target lie between its corners, in perspective too", () => {
    /** @type {[number, number][]} */
    const c = [[10, 20], [310, 50], [280, 260], [40, 220]], to = grid.squareTo(c);
    [[0, 0], [1, 0], [1, 1], [0, 1]].forEach(([u, v], i) => to(u, v).forEach((x, k) => assert.ok(Math.abs(x - c[i][k]) < 1e-9)));
    // Straight lines stay straight, and the diagonals cross in the image of the middle.
    const [mx, my] = to(0.5, 0.5), cross = (/** @type {number[]} */ a, /** @type {number[]} */ b) => (mx - a[0]) * (b[1] - a[1]) - (my - a[1]) * (b[0] - a[0]);
    assert.ok(Math.abs(cross(c[0], c[2])) < 1e-6 && Math.abs(cross(c[1], c[3])) < 1e-6);
    const flat = grid.measuredParts([[0, 0], [50, 0], [50, 30], [0, 30]], 4, 6);
    assert.equal(flat.length, 24);
    assert.deepEqual(flat[7].map((p) => p.map((x) => Math.round(x * 100) / 100)), [[7.5, 7.5], [12.5, 7.5], [12.5, 12.5], [7.5, 12.5]]);
});

test("corners that cannot be are told apart, and the grid is drawn as far as it is known", () => {
    assert.equal(grid.whyNoCorners([[0, 0], [9, 1], [8, 7], [1, 6]]), "");
    assert.match(grid.whyNoCorners([[0, 0], [1, 6], [8, 7], [9, 1]]), /anticlockwise/);
    assert.match(grid.whyNoCorners([[0, 0], [9, 9], [9, 0], [0, 9]]), /four outer corners/);
    assert.match(grid.whyNoCorners([[0, 0], null, null, null]), /Four/);
    assert.deepEqual(grid.gridOf("", 10, 14), [10, 14]);
    assert.deepEqual(grid.gridOf("CGATS.17\nNUMBER_OF_SETS 24\n", 0, 0), [4, 6]);
    assert.equal(grid.gridOf("NUMBER_OF_SETS 140", 0, 0), null);
    assert.deepEqual([0.3, 0.51, 7, 400].map(calibration.barReach), [0.5, 1, 10, 100]);
});

test("an assumed profile, a refused place and clipping are said, and nothing else is", () => {
    assert.deepEqual(words.viewWarnings(VIEW), []);
    assert.match(words.viewWarnings({...VIEW, profile_assumed: true})[0], /ASSUMED/);
    assert.match(words.viewWarnings({...VIEW, fit: {verdict: "refused", why: ""}})[0], /could not be placed/);
    assert.match(words.viewWarnings({...VIEW, clipped_share: 0.02})[0], /2\s% of the picture is clipped/);
});

test("the residual is given in px and mm, and only where a view was fitted", () => {
    assert.match(words.residualText(VIEW.fit), /0\.06\spx \(0\.01\smm\), 95\s% 0\.20\spx \(0\.04\smm\)/);
    assert.equal(words.residualText({verdict: "reference", why: ""}), "");
    assert.equal(words.residualText({verdict: "usable", why: "", held_out_median_px: null}), "residual not known");
    assert.equal(words.residualText({verdict: "none", why: "", held_out_median_px: 0}), "");
});

test("the program's sentence is shown as it is; a bare status still says something", () => {
    const e = api.errorOf(409, '{"error":{"code":"conflict","message":"There is one already."}}');
    assert.equal(e.message, "There is one already.");
    assert.equal(e.code, "conflict");
    assert.equal(api.errorOf(422, '{"error":{"code":"data","message":"the file ends too early"}}').message,
                 "The file ends too early.");
    assert.match(api.errorOf(500, "<html>").message, /status 500/);
    assert.match(api.errorOf(403, "").message, /link that halfclean serve printed/);
});

test("the picture library is the published one, byte for byte, with its licence", async () => {
    const hash = async (/** @type {URL} */ u) => createHash("sha256").update(await readFile(u)).digest("hex");
    const from = new URL("node_modules/openseadragon/", import.meta.url);
    assert.equal(await hash(new URL("vendor/openseadragon.min.js", WEB)),
                 await hash(new URL("build/openseadragon/openseadragon.min.js", from)));
    assert.equal(await hash(new URL("vendor/openseadragon.LICENSE.txt", WEB)),
                 await hash(new URL("LICENSE.txt", from)));
});

test("only api.js talks to the program, no markup is built from text, no address outside", async () => {
    for (const name of await readdir(new URL("js/", WEB))) {
        const text = await readFile(new URL(`js/${name}`, WEB), "utf8");
        if (name !== "api.js")
            assert.doesNotMatch(text, /\bfetch\(|XMLHttpRequest|EventSource|sendBeacon|WebSocket/, name);
        assert.doesNotMatch(text, /innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(/, name);
        assert.doesNotMatch(text.replaceAll("http://www.w3.org/2000/svg", ""), /https?:\/\//, name);
    }
    const html = await readFile(new URL("index.html", WEB), "utf8");
    assert.doesNotMatch(html, /\sstyle=|<style|\son\w+=/);
});

test("the page never claims to show how the painting once looked", async () => {
    for (const name of ["index.html", ...(await readdir(new URL("js/", WEB))).map((n) => `js/${n}`)])
        assert.doesNotMatch(await readFile(new URL(name, WEB), "utf8"), /original appearance/i, name);
});

test("the page's list of keys and docs/page.md say the same", async () => {
    const doc = (await readFile(new URL("../../docs/page.md", import.meta.url), "utf8")).replace(/\s+/g, " ");
    for (const [, what] of KEYS)
        assert.ok(doc.includes(what), what);
});

test("near the picture every colour is neutral", async () => {
    const css = await readFile(new URL("css/page.css", WEB), "utf8");
    const ground = [...css.matchAll(/--(ground|ground-ink|ground-quiet|panel|raised|line|edge|ink|quiet): (#[0-9a-f]+)/g)];
    assert.ok(ground.length >= 18);
    for (const [, name, hex] of ground) {
        const c = hex.length === 4 ? [...hex.slice(1)] : [hex.slice(1, 3), hex.slice(3, 5), hex.slice(5, 7)];
        assert.ok(c[0] === c[1] && c[1] === c[2], `${name}: ${hex}`);
    }
});
