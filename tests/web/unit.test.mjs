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
import {lensText, pxAndMm, strainText} from "../../web/js/fit_report.js";
import {squareOf} from "../../web/js/magnifier.js";
import {whyNotJoined} from "../../web/js/mosaic.js";
import {makePairList} from "../../web/js/pair_list.js";
import {affineOf, applyTo, nextPlace, scaleOf} from "../../web/js/pair_math.js";
import {adviceOf, missesOf} from "../../web/js/pair_panel.js";
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

test("the arrows of a fit map get a round factor", () => {
    const tiles = [];
    for (let y = 0; y < 8; y++)
        for (let x = 0; x < 6; x++)
            if ((x + y) % 3) // some have no texture
                tiles.push({x: 87 + 64 * x, y: 66 + 64 * y, dx: 0.03, dy: -0.04, used: true});
    assert.equal(g.arrowFactor(tiles, 64), 1000); // 0.05 px by 1000 = 50 px < 0.8 of 64
    assert.equal(g.arrowFactor(tiles.map((t) => ({...t, dx: 0.6, dy: 0})), 64), 50);
    // One bad tile in forty does not shrink all; tiles that do not agree have no arrow at all.
    assert.equal(g.arrowFactor(tiles.map((t, i) => ({...t, dx: i === 3 ? 40 : 0.6, dy: 0})), 64), 50);
    assert.equal(g.arrowFactor(tiles.map((t, i) => ({...t, dx: i % 2 ? 40 : 0.6, dy: 0, used: i % 2 === 0})), 64), 50);
    const pairs = [[10, 20], [300.5, 41], [77, 402.25], [350, 391]].map(([x, y]) => ({x, y, dx: 0.4, dy: 0, used: true}));
    assert.equal(g.arrowFactor(pairs), 50);
    assert.equal(g.arrowFactor([]), 1);
});

test("law: what two convex polygons have in common is in both, whatever their turn, and as large either way", () => {
    const r = random(3);
    const next = () => /** @type {number} */ (r.next().value);
    const quad = () => {
        const x = next() * 100, y = next() * 100, w = 20 + next() * 80, h = 20 + next() * 80, t = next() * 6;
        const p = /** @type {[number, number][]} */ ([[-w, -h], [w, -h], [w, h], [-w, h]].map(([a, b]) => [x + (a * Math.cos(t) - b * Math.sin(t)) / 2, y + (a * Math.sin(t) + b * Math.cos(t)) / 2]));
        return next() < 0.5 ? p : p.reverse();
    };
    let some = 0;
    for (let i = 0; i < 300; i++) {
        const p = quad(), q = quad(), c = g.intersection(p, q);
        assert.ok(Math.abs(Math.abs(g.polygonArea(c)) - Math.abs(g.polygonArea(g.intersection(q, p)))) < 1e-6);
        some += c.length ? 1 : 0;
        if (c.length) {
            const [x, y] = [0, 1].map((k) => c.reduce((s, v) => s + v[k], 0) / c.length);
            assert.ok(g.contains(p, [x, y]) && g.contains(q, [x, y]));
        }
    }
    assert.ok(some > 50 && some < 300);
    assert.deepEqual(g.intersection([[0, 0], [4, 0], [4, 4], [0, 4]], [[2, 2], [6, 2], [6, 6], [2, 6]]).map((v) => v.map(Number)).sort().join(";"), "2,2;2,4;4,2;4,4");
    assert.equal(g.contains([[0, 0], [4, 0], [4, 4], [0, 4]], [5, 2]), false);
    assert.deepEqual(g.inset([[0, 0], [4, 0], [4, 4], [0, 4]], Math.SQRT2), [[1, 1], [3, 1], [3, 3], [1, 3]]);
});

test("the first guess is the affine map of the pairs, and none when they say nothing across", () => {
    const r = random(9);
    const next = () => /** @type {number} */ (r.next().value);
    for (let i = 0; i < 100; i++) {
        const t = next() * 6, k = 0.3 + 2 * next(), f = next() < 0.5 ? -1 : 1; // turned, scaled, perhaps mirrored
        const map = (/** @type {number[]} */ [x, y]) => /** @type {[number, number]} */ ([700 + k * (x * Math.cos(t) - f * y * Math.sin(t)), -80 + k * (x * Math.sin(t) + f * y * Math.cos(t))]);
        const from = Array.from({length: 5}, () => /** @type {[number, number]} */ ([3000 * next(), 2000 * next()]));
        const m = affineOf(from, from.map(map));
        if (!m)
            continue;
        const p = /** @type {[number, number]} */ ([1234, 567]);
        assert.ok(Math.hypot(applyTo(m, p)[0] - map(p)[0], applyTo(m, p)[1] - map(p)[1]) < 1e-6);
        assert.ok(Math.abs(scaleOf(m) - k) < 1e-9);
    }
    assert.equal(affineOf([[0, 0], [1, 0]], [[0, 0], [1, 0]]), null);
    assert.equal(affineOf([[0, 0], [100, 1], [200, 0], [300, 1]], [[0, 0], [1, 0], [2, 0], [3, 0]]), null);
});

test("the next pair is asked for where no pair is near, and inside the frame", () => {
    const size = /** @type {[number, number]} */ ([1000, 1000]);
    assert.equal(nextPlace([], size, size), null);
    assert.equal(nextPlace([[100, 100, 100, 100]], size, size)?.words, "lower right");
    assert.equal(nextPlace([[900, 500, 900, 500]], size, size)?.words, "upper left");
    const corners = /** @type {[number, number, number, number][]} */ ([[100, 100], [900, 100], [100, 900], [900, 900]].map(([x, y]) => [x, y, x, y]));
    const middle = nextPlace(corners, size, size);
    assert.equal(middle?.words, "middle");
    near([...(middle?.frame ?? [])], [500, 500]);
    // The view reaches far beyond the frame on the right: nothing is asked for there.
    const shifted = /** @type {[number, number, number, number][]} */ ([[500, 0, 0, 0], [900, 0, 400, 0], [500, 900, 0, 900], [900, 900, 400, 900]]);
    assert.ok(Number(nextPlace(shifted, size, size)?.own[0]) <= 500);
});

/** @param {number[]} is @param {number[]} should */
const near = (is, should) => should.forEach((v, i) => assert.ok(Math.abs(is[i] - v) < 1e-6, `${is}`));

test("pairs: a first guess is never kept, undo goes back step by step, deleting keeps the pair in hand", () => {
    let told = 0;
    const l = makePairList({frame: [3000, 3000], own: [1500, 1500]}, () => told++);
    for (const [x, y] of /** @type {[number, number][]} */ ([[100, 100], [2900, 120], [2800, 2900], [90, 2700]])) {
        l.put("frame", [x, y]);
        assert.equal(l.marks().hand.own, null);
        assert.match(l.whyNotKept(), /other picture/);
        l.put("own", [x / 2, y / 2]);
        assert.equal(l.keep(), "");
    }
    l.put("own", [700, 600.123]);
    assert.deepEqual(l.marks().hand, {frame: [1400, 1200.25], own: [700, 600.12], guess: "frame", index: null});
    assert.match(l.keep(), /first guess/);
    assert.equal(l.marks().list.length, 4);
    l.put("own", [710, 600]); // the guess follows as long as it is one
    assert.deepEqual(l.marks().hand.frame, [1420, 1200]);
    l.put("frame", [1421, 1200], true);
    l.put("frame", [1422, 1200], true);
    assert.equal(l.marks().hand.guess, null);
    l.undo(); // moves in a row are one step
    assert.deepEqual([l.marks().hand.frame, l.marks().hand.guess], [[1420, 1200], "frame"]);
    l.put("frame", [1423, 1200]);
    assert.equal(l.keep(), "");
    l.edit(4);
    l.put("own", [712, 601], true);
    assert.equal(l.marks().hand.frame?.[0], 1423, "a set mark is not replaced by a guess");
    l.remove(0);
    assert.equal(l.marks().hand.index, 3);
    assert.equal(l.keep(), "");
    assert.deepEqual(l.marks().list[3], [1423, 1200, 712, 601]);
    while (l.canUndo())
        l.undo();
    assert.deepEqual(l.marks(), {list: [], hand: {frame: null, own: null, guess: null, index: null}});
    const before = told;
    l.undo();
    l.drop();
    assert.equal(told, before, "nothing to take back, nothing told");
});

test("a guess outside the other picture is none", () => {
    const l = makePairList({frame: [3000, 3000], own: [1000, 1000]}, () => {});
    for (const [x, y] of /** @type {[number, number][]} */ ([[100, 100], [900, 120], [800, 900], [90, 700]])) {
        l.put("frame", [x, y]);
        l.put("own", [x, y]);
        l.keep();
    }
    l.put("frame", [2500, 500]);
    assert.deepEqual([l.marks().hand.own, l.marks().hand.guess], [null, null]);
});

test("misses belong to the pairs they were found for; a changed pair has none", () => {
    const stored = /** @type {[number, number, number, number][]} */ ([[1, 1, 1, 1], [2, 2, 2, 2]]);
    const tiles = [{x: 1, y: 1, dx: 3, dy: 4, used: true}, {x: 2, y: 2, dx: 0, dy: 30, used: false}];
    const fit = (/** @type {any} */ more) => /** @type {any} */ ({stored, fit: {pairs: true, tiles, ...more}});
    assert.deepEqual(missesOf(fit({})).get("[2,2,2,2]"), {miss: 30, used: false});
    assert.equal(missesOf(fit({})).get("[1,1,1,1]")?.miss, 5);
    assert.equal(missesOf(fit({})).has("[1,1,1,1.25]"), false);
    assert.equal(missesOf(fit({pairs: false})).size, 0);
    assert.equal(missesOf(fit({tiles: tiles.slice(1)})).size, 0);
    for (const [n, words] of /** @type {[number, RegExp][]} */ ([[0, /4 pairs are needed; 8 to 12/], [2, /2 of at least 4/], [4, /nothing is left to check/], [6, /6 pairs: enough/], [9, /^9 pairs: a good number/]]))
        assert.match(adviceOf(n), words);
});

test("the glass asks for whole pixels one for one, and for no more than 512", () => {
    assert.deepEqual(squareOf([100.4, 7.6], 50), {x: 100, y: 8, side: 100, px: 100});
    assert.deepEqual(squareOf([0, 0], 3.1), {x: 0, y: 0, side: 16, px: 16});
    assert.deepEqual(squareOf([0, 0], 400), {x: 0, y: 0, side: 800, px: 512});
});

test("stretch, lens and what is not known, in words", () => {
    assert.match(strainText(0.041), /4\.1\s% ?, strong|4\.1\s%, strong/);
    assert.match(strainText(0.004), /^0\.40\s%$/);
    assert.equal(strainText(0), "none");
    assert.equal(strainText(null), "not known");
    assert.equal(lensText({k1: -0.0123, k2: 0.0004}), "k1 \u22120.0123, k2 0.0004");
    assert.equal(lensText(null), "none found");
    assert.equal(pxAndMm(null, 1), "not known");
});

test("plates are joined when there are two or more of one technique", () => {
    const v = (/** @type {string} */ technique) => ({...VIEW, technique});
    assert.equal(whyNotJoined([v("xray"), v("xray")]), "");
    assert.match(whyNotJoined([v("xray")]), /two or more/);
    assert.match(whyNotJoined([v("xray"), v("ir")]), /xray and ir/);
    assert.match(whyNotJoined([v("xray"), {...v("xray"), state: "after"}]), /before and after/);
    assert.match(words.platesText({...VIEW, mosaic: {verdict: "usable", why: "one overlap is narrow", held_out_median_px: 0.31, held_out_p95_px: 0.9, plates: [{view: 4, label: "a"}, {view: 5, label: "b"}]}}),
                 /^joined from a, b: usable; one overlap is narrow$/);
    assert.match(words.platesText({...VIEW, mosaic: {verdict: "good", why: "", held_out_median_px: 0.31, held_out_p95_px: 0.9, plates: [{view: 4, label: "a"}]}}), /good; the overlaps miss by 0\.31\spx \(median\), 0\.90\spx \(95\s%\)$/);
    assert.equal(words.platesText(VIEW), "");
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
