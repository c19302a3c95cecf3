// Placing by hand in the page, against the stand-in program: pairs of points, fit maps, details, what is
// ignored, mixing any two views, joining plates. With the real program: e2e_place.mjs.
import {mkdirSync, readFileSync} from "node:fs";
import {axeComplaints, boxOf, colours, finish, near, onPage, same, settled, test, until, yes} from "./harness.mjs";
import {XRAY} from "./mock_place.mjs";
import {browser, clickFrame, withPage} from "./stand_in.mjs";

/** @typedef {import("playwright-core").Page} Page */
/** @typedef {[number, number]} Point */

const axe = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8"), shots = process.env.HC_SHOTS;
/** Frame px of a place in the X-ray. @param {Point} p @returns {Point} */
const frameOf = ([x, y]) => [x / XRAY.k + XRAY.off[0], y / XRAY.k + XRAY.off[1]];
const OWN = /** @type {Point[]} */ ([[200, 200], [1400, 180], [1350, 1100], [250, 1150], [800, 600], [400, 660], [1200, 640], [820, 240]]);

/** @param {Page} page @param {string} name */
async function shot(page, name)
{
    if (shots) {
        mkdirSync(shots, {recursive: true});
        await page.screenshot({path: `${shots}/${name}.png`});
    }
}

/** Where own px of a marked picture are on the page now (0 = frame, 1 = view). @param {Page} page @param {number} n
 *  @param {Point} p @param {Point} size @returns {Promise<Point>} */
async function onPane(page, n, p, size)
{
    const box = await page.locator(".pane-area").nth(n).boundingBox();
    if (!box)
        throw new Error("no picture to mark in");
    const zoom = await page.locator(".pane-picture").nth(n).evaluate((el, [w, q]) => {
        const v = OpenSeadragon.getViewer(/** @type {HTMLElement} */ (el));
        const s = v.viewport.pixelFromPoint(new OpenSeadragon.Point(q[0] / w, q[1] / w), true);
        return [s.x, s.y];
    }, /** @type {[number, Point]} */ ([size[0], p]));
    return [box.x + zoom[0], box.y + zoom[1]];
}

/** @param {Page} page @param {number} n @param {Point} p */
async function mark(page, n, p)
{
    await page.mouse.click(...await onPane(page, n, p, n ? [XRAY.w, XRAY.h] : [3000, 3600]));
    await page.waitForTimeout(60);
}

/** @param {Page} page */
async function openPairs(page)
{
    await page.getByRole("button", {name: "Pairs of points: xray film 2"}).click();
    await page.waitForSelector(".pane-area");
    await until(() => page.evaluate(() => [...document.querySelectorAll(".pane-picture")].every((el) => {
        const world = OpenSeadragon.getViewer(/** @type {HTMLElement} */ (el))?.world;
        return world && world.getItemCount() === 1 && world.getItemAt(0).getFullyLoaded();
    })), "the two pictures");
    await page.waitForTimeout(100);
}

/** Mark and keep pairs, each off by up to half a screen px as by hand. @param {Page} page @param {Point[]} own */
async function keepPairs(page, own)
{
    for (const p of own) {
        await mark(page, 0, frameOf(p));
        await mark(page, 1, p);
        await page.getByRole("button", {name: "Keep this pair"}).click();
    }
}

/** @param {Page} page @param {string} text */
const panelHas = (page, text) => until(async () => (await page.locator("#panel").innerText()).includes(text), `the panel to say "${text}"`);

/** The glass's px at its middle, and what it says. @param {Page} page @param {number} n */
const glass = (page, n) => page.locator(".glass canvas").nth(n).evaluate((el) => {
    const c = /** @type {HTMLCanvasElement} */ (el), g = /** @type {CanvasRenderingContext2D} */ (c.getContext("2d"));
    return {middle: [...g.getImageData(c.width / 2, c.height / 2, 1, 1).data], shown: c.dataset.shown, size: c.width,
            says: c.closest(".glass")?.querySelector(".glass-foot")?.textContent ?? ""};
});

/** Own px of the mark under a glass. @param {Page} page @param {number} n */
const markAt = async (page, n) => ((await glass(page, n)).says.match(/[\d.]+(?=,| px)/g) ?? []).map(Number);

await test("pairs: both pictures are marked, kept, placed, and each pair tells how far it misses", () => withPage("placing", async (page, world) => {
    await openPairs(page);
    same(await axeComplaints(page, axe), [], "axe, nothing marked");
    await panelHas(page, "4 pairs are needed; 8 to 12, spread to the corners, are good.");
    same(await page.locator("#place-by-pairs").isDisabled(), true, "nothing to place by yet");
    await mark(page, 0, frameOf(OWN[0]));
    yes((await page.locator("#pair-what").innerText()).includes("same detail in the other picture"), "what comes next");
    const f = await markAt(page, 0);
    near(f[0], frameOf(OWN[0])[0], 6, "the mark lies where it was put, x");
    near(f[1], frameOf(OWN[0])[1], 6, "the mark lies where it was put, y");
    await mark(page, 1, OWN[0]);
    await page.getByRole("button", {name: "Keep this pair"}).click();
    await panelHas(page, "1 of at least 4 pairs");
    await panelHas(page, "towards the lower right of the view");
    await keepPairs(page, OWN.slice(1, 4));
    await panelHas(page, "4 pairs: enough to place the view, but nothing is left to check them by.");
    await keepPairs(page, OWN.slice(4));
    await shot(page, "pairs-kept");
    await page.locator("#place-by-pairs").click();
    await panelHas(page, "pairs of points");
    await panelHas(page, "good");
    same(world.pairs[6].length, 8, "pairs in the record");
    world.pairs[6].forEach((/** @type {number[]} */ p, /** @type {number} */ i) => {
        near(Math.hypot(p[2] - OWN[i][0], p[3] - OWN[i][1]), 0, 3, `own px of pair ${i + 1}`);
        near(Math.hypot(p[0] - frameOf(OWN[i])[0], p[1] - frameOf(OWN[i])[1]), 0, 6, `frame px of pair ${i + 1}`);
    });
    const rows = await page.locator(".pair-table tbody tr td:nth-of-type(1)").allInnerTexts();
    const first = world.fits[6].tiles[0], miss = Math.hypot(first.dx, first.dy);
    same(rows[0].replaceAll("\u00a0", " "), `${miss.toFixed(2)} px (${(miss * 0.2).toFixed(2)} mm)`, "the first miss, px and mm");
    same(rows.length, 8, "a miss for each");
    await shot(page, "pairs-placed");
    // A changed pair has no miss until it is placed again.
    await page.getByRole("button", {name: "Edit pair 2"}).click();
    await page.locator(".glass canvas").nth(1).press("Shift+ArrowRight");
    await page.getByRole("button", {name: "Keep pair 2"}).click();
    same(await page.locator(".pair-table tbody tr:nth-child(2) td").first().innerText(), "\u2013", "no miss for the changed one");
    await panelHas(page, "changed since the last placing");
    same(await axeComplaints(page, axe), [], "axe, placed");
    // The view is placed now, and its own pixels are still what is marked: pair 1 is where it was.
    const at = await markAtOwn(page, OWN[0]);
    near(at[0], OWN[0][0], 3, "own px after placing, x");
    near(at[1], OWN[0][1], 3, "own px after placing, y");
    await page.locator("#workplace-back").click();
    yes((await page.locator("#view-6").innerText()).includes("good"), "the verdict in the list");
    same(await page.locator("#workplace").isVisible(), false, "the picture area is back");
    await settled(page);
}));

/** Click in the view's picture, and say what own px that was. @param {Page} page @param {Point} p */
async function markAtOwn(page, p)
{
    await until(() => page.locator(".pane-picture").nth(1).evaluate((el) => {
        const world = OpenSeadragon.getViewer(/** @type {HTMLElement} */ (el)).world;
        return world.getItemCount() === 1 && world.getItemAt(0).getFullyLoaded();
    }), "its own pixels");
    await mark(page, 1, p);
    const at = await markAt(page, 1);
    await page.getByRole("button", {name: "Let go"}).click();
    return at;
}

await test("after four pairs the other mark comes as a first guess, which cannot be kept as it is", () => withPage("placing", async (page) => {
    await openPairs(page);
    await keepPairs(page, OWN.slice(0, 4));
    await mark(page, 0, frameOf(OWN[4]));
    yes((await glass(page, 1)).says.includes("first guess"), "it is called a guess");
    const guess = await markAt(page, 1);
    near(Math.hypot(guess[0] - OWN[4][0], guess[1] - OWN[4][1]), 0, 5, "and is near the place");
    same(await page.getByRole("button", {name: "Keep this pair"}).isDisabled(), true, "it is not kept unseen");
    yes((await page.locator("#pair-what").innerText()).includes("still a first guess"), "why not");
    await shot(page, "pairs-guess");
    await page.locator(".glass canvas").nth(1).press("ArrowRight");
    near((await markAt(page, 1))[0], guess[0] + 1, 0.011, "one pixel to the right");
    await page.locator(".glass canvas").nth(1).press("Enter");
    await panelHas(page, "5 pairs: enough");
    await page.keyboard.press("Control+z");
    await panelHas(page, "4 pairs: enough");
}));

await test("under the glass: own pixels, nudged by 1, 10 and a quarter, zoomed in steps, by click and by buttons", () => withPage("placing", async (page) => {
    await openPairs(page);
    await mark(page, 1, [266, 500]);
    const canvas = page.locator(".glass canvas").nth(1), at = async () => markAt(page, 1);
    await until(async () => (await glass(page, 1)).shown, "the pixels");
    const [x, y] = await at();
    await canvas.press("ArrowRight");
    await canvas.press("Shift+ArrowDown");
    await canvas.press("Alt+ArrowLeft");
    same(await at(), [Math.round((x + 0.75) * 100) / 100, Math.round((y + 10) * 100) / 100], "moved");
    await page.getByRole("button", {name: "up by 1 pixel: xray film 2"}).click();
    near((await at())[1], y + 9, 0.011, "by the button");
    for (const times of ["\u00d78", "\u00d716", "\u00d732"]) {
        await canvas.press("+");
        same(await page.locator(".glass-times").innerText(), times, "a step");
    }
    await canvas.press("+");
    same(await page.locator(".glass-times").innerText(), "\u00d732", "no further");
    // 32 screen px for each own px: the pixel under the mark is one even square of the view's own value.
    const p = await at(), own = await page.evaluate(async (q) => {
        const img = new Image();
        img.src = (await import("/js/api.js")).ownUrl(6, Math.floor(q[0]), Math.floor(q[1]), 16, 16);
        await img.decode();
        const c = document.createElement("canvas");
        c.width = c.height = 16;
        const g = /** @type {CanvasRenderingContext2D} */ (c.getContext("2d"));
        g.drawImage(img, 0, 0);
        return [...g.getImageData(8, 8, 1, 1).data];
    }, p);
    await until(async () => JSON.stringify((await glass(page, 1)).middle) === JSON.stringify(own), "the very pixel in the middle of the glass");
    // A click in the glass, 64 screen px to the right: two own px.
    const box = await canvas.boundingBox();
    if (!box)
        throw new Error("no glass");
    await page.mouse.click(box.x + box.width / 2 + 64, box.y + box.height / 2);
    near((await at())[0], p[0] + 2, 0.03, "put by a click");
    await canvas.press("Escape");
    same(await at(), [], "let go");
}));

await test("pairs by keyboard alone", () => withPage("placing", async (page) => {
    await openPairs(page);
    same(await page.evaluate(() => document.activeElement?.id), "workplace-back", "the focus is at the head of the panel");
    for (const n of [0, 1]) {
        await page.locator(".pane-area").nth(n).focus();
        await page.keyboard.press("ArrowRight");
        await page.keyboard.press("Shift+ArrowUp");
        await page.keyboard.press("Enter");
    }
    await page.locator(".glass canvas").nth(0).focus();
    await page.keyboard.press("Alt+ArrowUp");
    await page.keyboard.press("Enter");
    await panelHas(page, "1 of at least 4 pairs");
    same(await page.evaluate(() => document.activeElement?.className), "pane-area", "back in the first picture");
    const seen = new Set();
    for (let i = 0; i < 40; i++) {
        await page.keyboard.press("Tab");
        seen.add(await page.evaluate(() => document.activeElement?.getAttribute("aria-label") ?? document.activeElement?.textContent));
    }
    for (const name of ["Delete pair 1", "Edit pair 1", "Magnify more", "Undo", "\u2190 Back to the views"])
        yes(seen.has(name), `${name} is reached: ${[...seen].join("; ")}`);
    await page.getByRole("button", {name: "Delete pair 1"}).press("Enter");
    await panelHas(page, "4 pairs are needed");
    await page.keyboard.press("Control+z");
    await panelHas(page, "1 of at least 4 pairs");
}));

await test("a reload loses nothing: marks on the way, and pairs in the record", () => withPage("placing", async (page, world) => {
    await openPairs(page);
    await keepPairs(page, OWN.slice(0, 3));
    await mark(page, 0, frameOf(OWN[3]));
    const hand = await markAt(page, 0);
    await page.reload();
    await page.waitForSelector(".pane-area");
    await panelHas(page, "3 of at least 4 pairs");
    same(await markAt(page, 0), hand, "the mark in hand");
    await mark(page, 1, OWN[3]);
    await page.getByRole("button", {name: "Keep this pair"}).click();
    await page.locator("#place-by-pairs").click();
    await panelHas(page, "4 pairs fit exactly, and nothing is left to check them");
    await panelHas(page, "usable");
    await panelHas(page, "not known");
    await page.evaluate(() => localStorage.clear());
    await page.reload();
    await page.waitForSelector(".pair-table tbody tr:nth-child(4)");
    same(await page.locator(".pair-table tbody tr").count(), world.pairs[6].length, "those of the record");
}));

await test("a pair that spoils the others is named, mended and placed again; the placement is taken back", () => withPage("placing", async (page, world) => {
    await openPairs(page);
    await keepPairs(page, OWN.slice(0, 5));
    await mark(page, 0, [frameOf(OWN[5])[0] + 150, frameOf(OWN[5])[1]]);
    await mark(page, 1, OWN[5]);
    await page.getByRole("button", {name: "Keep this pair"}).click();
    await page.locator("#place-by-pairs").click();
    await panelHas(page, "Pair 6 does not agree with the others.");
    await panelHas(page, "do not compare");
    same(await page.locator(".pair-off").count(), 1, "it is marked in the list, at once with the verdict");
    yes((await page.locator(".pair-table tbody tr:nth-child(6)").innerText()).includes("does not agree"), "at its place");
    await shot(page, "pairs-spoilt");
    await page.getByRole("button", {name: "Delete pair 6"}).click();
    await page.locator("#place-by-pairs").click();
    await panelHas(page, "usable");
    same(world.views.find((/** @type {any} */ v) => v.id === 6).fit.verdict, "usable", "in the record");
    await page.getByRole("button", {name: "Take this placement back"}).click();
    await panelHas(page, "Not placed yet.");
    same(world.pairs[6].length, 5, "the pairs are kept");
    same(await page.locator(".pair-table tbody tr").count(), 5, "and still there");
}));

await test("the fit map of a refused view lies over the frame: hatch by the program's own cells, verdict and why", () => withPage("placing", async (page) => {
    const view = page.locator("#view-6");
    yes((await view.innerText()).includes("do not compare"), "the verdict in the list");
    await view.getByText("File and fit").click();
    yes((await view.innerText()).includes("do not compare: The two pictures share too little structure"), "and why");
    await page.getByRole("button", {name: "Fit map: xray film 2"}).click();
    await until(async () => (await page.locator("#legend").innerText()).includes("fit of xray film 2: do not compare"), "the legend");
    const legend = await page.locator("#legend").innerText();
    for (const s of ["4.20\u00a0px (0.84\u00a0mm)", "11.50\u00a0px (2.30\u00a0mm)", "homography", "no support", "not placed: what was found is shown over the frame"])
        yes(legend.includes(s), `"${s}" in ${legend}`);
    await settled(page);
    const wrong = await page.evaluate(async () => {
        const stage = await import("/js/stage.js"), {state} = await import("/js/state.js"), sup = state.fitMap?.support;
        const c = /** @type {HTMLCanvasElement} */ (document.getElementById("fit-map")), g = /** @type {CanvasRenderingContext2D} */ (c.getContext("2d"));
        let bad = 0, hatched = 0;
        if (!sup)
            return [1, 0];
        for (let j = 0; j < sup.rows; j++)
            for (let i = 0; i < sup.cols; i++) {
                const p = stage.toScreen([i * sup.cell_px, j * sup.cell_px]), q = stage.toScreen([(i + 1) * sup.cell_px, (j + 1) * sup.cell_px]);
                const d = g.getImageData(Math.ceil(p[0]) + 1, Math.ceil(p[1]) + 1, Math.floor(q[0] - p[0]) - 3, Math.floor(q[1] - p[1]) - 3).data;
                const has = d.some((v, k) => k % 4 === 3 && v > 0);
                const tile = state.fitMap?.tiles.some((t) => Math.abs(t.x - (i + 0.5) * sup.cell_px) < 1.3 * sup.cell_px && Math.abs(t.y - (j + 0.5) * sup.cell_px) < 1.3 * sup.cell_px);
                hatched += has ? 1 : 0;
                bad += !tile && has !== (sup.mask[j][i] === "0") ? 1 : 0;
            }
        return [bad, hatched];
    });
    same(wrong[0], 0, "cells whose hatch is not the program's");
    yes(wrong[1] > 100, `cells are hatched: ${wrong[1]}`);
    await shot(page, "fit-refused");
    same(await axeComplaints(page, axe), [], "axe");
    await page.locator("#stage").press("2");
    await until(async () => !await page.locator("#fit-map").isVisible(), "it goes when something else is shown");
}));

await test("a strong stretch and a lens are said with the fit", () => withPage("placing", async (page) => {
    const view = page.locator("#view-8");
    await view.getByText("File and fit").click();
    const text = await view.innerText();
    for (const s of ["usable", "homography and bend", "k1 \u22120.0123, k2 0.0004", "4.1\u00a0%, strong: look at it closely", "It lies within 1.9 px", "1.90\u00a0px (0.38\u00a0mm)"])
        yes(text.includes(s), `"${s}" in ${text}`);
}));

/** @param {Page} page @param {Point} at @param {number} zoom */
async function goTo(page, at, zoom)
{
    await page.evaluate(async ([p, z]) => (await import("/js/stage.js")).goTo(p, z), /** @type {[Point, number]} */ ([at, zoom]));
    await page.waitForTimeout(600);
    await settled(page);
}

const MIDDLE = /** @type {Point} */ ([2160, 1700]);

await test("a detail lies in the frame at its place, cut to its outline, finer than the frame", () => withPage("placing", async (page) => {
    await page.getByRole("button", {name: "One side: jug rim"}).click();
    await page.locator("#stage").press("1");
    await settled(page);
    await page.waitForTimeout(200);
    /** Is any of it loud? @param {number} n */
    const loud = async (n) => {
        const at = [];
        for (let i = 0; i < n; i++)
            for (let j = 0; j < n; j++)
                at.push(await onPage(page, [1880 + 540 * i / n, 1480 + 440 * j / n]));
        return (await colours(page, at)).filter(([r, g, b]) => r > 150 && b > 150 && g < 100).length;
    };
    same(await loud(18), 0, "places outside the outline that show the detail's picture");
    await page.locator("#stage").press("0");
    await goTo(page, MIDDLE, 10);
    // A px of the frame is several on the screen; the stripes of the detail change within it.
    const row = [];
    for (let i = 0; i < 24; i++)
        row.push(await onPage(page, [MIDDLE[0] + i / 4, MIDDLE[1]]));
    const light = (await colours(page, row)).map((c) => c[1]);
    let turns = 0;
    for (let i = 1; i < light.length; i++)
        turns += Math.abs(light[i] - light[i - 1]) > 25 ? 1 : 0;
    yes(turns >= 4, `stripes of a frame px each, seen in quarters of a px: ${light}`);
    await goTo(page, [1950, 1520], 10); // inside the box, outside the outline
    const [outside] = await colours(page, [await onPage(page, [1950, 1512])]);
    await page.getByRole("button", {name: "One side: normal before"}).click();
    await settled(page);
    await page.waitForTimeout(200);
    same(await colours(page, [await onPage(page, [1950, 1512])]), [outside], "outside the outline it is the frame's picture");
    await shot(page, "detail");
}));

await test("line, mix, difference and alternation with a detail change nothing outside its outline", () => withPage("placing", async (page) => {
    await page.getByRole("button", {name: "Other side: jug rim"}).click();
    await goTo(page, MIDDLE, 3);
    const out = await Promise.all(/** @type {Point[]} */ ([[1880, 1600], [2440, 1700], [2100, 1950], [1935, 1515]]).map((p) => onPage(page, p)));
    const inside = await Promise.all(/** @type {Point[]} */ ([[2100, 1600], [2200, 1700], [2300, 1650]]).map((p) => onPage(page, p)));
    await page.locator("#stage").press("1");
    await settled(page);
    const alone = await colours(page, [...out, ...inside]);
    yes(!await page.locator("#legend").isVisible(), "nothing to say of one picture");
    for (const [key, what] of [["3", "mix"], ["4", "difference"], ["5", "alternation"]]) {
        await page.locator("#stage").press(key);
        if (key === "3")
            await page.getByRole("slider", {name: /Opacity/}).fill("100");
        if (key === "5")
            await page.locator("#stage").press("a");
        await settled(page);
        await page.waitForTimeout(200);
        const now = await colours(page, [...out, ...inside]);
        now.slice(0, 4).forEach((c, i) => c.forEach((v, k) => near(v, alone[i][k], 2, `${what} outside, point ${i}`)));
        yes(now.slice(4).some((c, i) => Math.abs(c[1] - alone[i + 4][1]) > 10), `${what} is seen inside`);
        yes((await page.locator("#legend").innerText()).includes("compared inside the outline only"), `${what} says where`);
        await shot(page, `detail-${what}`);
    }
    // The line: whole picture left of it, the detail right of it, the frame around the detail.
    await page.locator("#stage").press("2");
    await settled(page);
    await page.waitForTimeout(200);
    const line = await colours(page, out);
    const grip = await page.locator("#line").boundingBox();
    yes(grip, "the line is there");
    line.slice(1, 3).forEach((c, i) => c.forEach((v, k) => near(v, alone[i + 1][k], 2, `line outside, point ${i + 1}`)));
    // The other way round: the detail below, UV over it, inside the outline alone.
    await page.locator("#bar select").first().selectOption("view:7");
    await page.locator("#bar select").nth(1).selectOption("view:3");
    await page.locator("#stage").press("3");
    await settled(page);
    await page.waitForTimeout(200);
    const uv = await colours(page, [...out, ...inside]);
    uv.slice(0, 4).forEach((c, i) => c.forEach((v, k) => near(v, alone[i][k], 2, `UV over a detail, outside, point ${i}`)));
    yes(uv.slice(4).every((c) => c[2] > c[0] + 20), `UV inside the outline: ${JSON.stringify(uv.slice(4))}`);
    same(await axeComplaints(page, axe), [], "axe");
}));

await test("the strip asks a detail only for what it shows", () => withPage("placing", async (page) => {
    /** @type {string[]} */
    const asked = [];
    page.on("request", (r) => asked.push(r.url()));
    await clickFrame(page, [900, 2900]);
    await page.waitForSelector(".cell");
    same(asked.filter((u) => u.includes("what=7")).length, 0, "far from it");
    await page.locator("#strip-mm").fill("5");
    await page.locator("#strip-mm").press("Tab");
    await clickFrame(page, MIDDLE);
    await until(async () => asked.some((u) => u.includes("what=7")), "over it");
}));

await test("what is not placed is not mixed: no way to compare is offered, and why is said", () => withPage("placing", async (page) => {
    for (const label of ["xray film 2", "plate left"])
        same(await page.getByRole("button", {name: `Other side: ${label}`}).isDisabled(), true, `${label} cannot be the other side`);
    const others = await page.getByLabel("Other side", {exact: true}).locator("option").allInnerTexts();
    yes(!others.includes("xray film 2") && !others.includes("plate left") && others.includes("jug rim"), `offered: ${others}`);
    await page.getByRole("button", {name: "One side: plate left"}).click();
    await settled(page);
    const legend = () => page.locator("#legend").innerText();
    same(await legend(), "plate left is not placed; its pixels cannot be compared.", "the reason");
    for (const way of ["Half-clean line", "Mix", "Difference", "Alternation"])
        same(await page.getByRole("radio", {name: way}).isDisabled(), true, `${way} is not offered`);
    for (const key of ["2", "3", "4", "5", "l"]) {
        await page.locator("#stage").press(key);
        same(await page.getByRole("radio", {name: "One side"}).isChecked(), true, `key ${key} does nothing`);
    }
    same(await page.locator("#say").innerText(), "plate left is not placed; its pixels cannot be compared.", "it is said aloud");
    await page.getByRole("button", {name: "One side: xray film 2"}).click();
    same(await legend(), "Do not compare: xray film 2 is not placed; its pixels cannot be compared.", "of a refused one");
    same(await axeComplaints(page, axe), [], "axe");
    await page.getByRole("button", {name: "One side: uv before"}).click();
    for (const [key, way] of [["2", "Half-clean line"], ["3", "Mix"], ["4", "Difference"], ["5", "Alternation"]]) {
        await page.locator("#stage").press(key);
        same(await page.getByRole("radio", {name: way}).isChecked(), true, `${way} between two placed ones`);
    }
}));

await test("two views whose fit is only usable carry a note as long as they are compared", () => withPage("placing", async (page) => {
    await page.getByRole("button", {name: "Other side: ir late"}).click();
    const note = "ir late: Lines up within 0.4 mm only: compare areas larger than that, not single cracks.";
    for (const key of ["2", "3", "4", "5"]) {
        await page.locator("#stage").press(key);
        yes((await page.locator("#legend").innerText()).includes(note), `the note stands in way ${key}`);
    }
    await page.locator("#stage").press("1");
    same(await page.locator("#legend").isVisible(), false, "alone it needs none");
}));

await test("what is ignored is drawn on the view's own pixels, kept, listed, deleted; then the view is placed again", () => withPage("placing", async (page, world) => {
    await page.locator("#view-4").getByText("File and fit").click();
    await page.getByRole("button", {name: "What is ignored: xray film 2"}).click();
    await panelHas(page, "Nothing is ignored.");
    await page.waitForTimeout(500);
    await page.locator("#draw-ignored").click();
    const bar = /** @type {Point[]} */ ([[226, 60], [306, 60], [306, 1240], [226, 1240]]);
    for (const p of bar) {
        await page.mouse.click(...await onPane(page, 0, p, [XRAY.w, XRAY.h]));
        await page.waitForTimeout(60);
    }
    yes(/4 corners, 4\.\d\s%|4 corners, 5\s% of the view/.test(await page.locator(".draw-bar:visible").innerText()), await page.locator(".draw-bar:visible").innerText());
    await page.keyboard.press("Enter");
    await panelHas(page, "outline 1");
    await until(async () => world.ignored[6]?.length === 1, "the record has it");
    world.ignored[6][0].forEach((/** @type {Point} */ p, /** @type {number} */ i) => near(Math.hypot(p[0] - bar[i][0], p[1] - bar[i][1]), 0, 3, `corner ${i}`));
    same(await page.locator(".outline.ignored.over").count(), 1, "it is drawn");
    same(await axeComplaints(page, axe), [], "axe");
    await shot(page, "ignored");
    // By keyboard, another one; then it is deleted again.
    await page.locator("#draw-ignored").press("Enter");
    for (const k of ["ArrowRight", " ", "Shift+ArrowRight", " ", "Shift+ArrowDown", " ", "Enter"])
        await page.keyboard.press(k === " " ? "Space" : k);
    await panelHas(page, "outline 2");
    await page.getByRole("button", {name: "Delete outline 2"}).click();
    await until(async () => world.ignored[6]?.length === 1, "one is left in the record");
    const [asked] = await Promise.all([page.waitForRequest((r) => r.url().endsWith("/api/align")), page.locator("#place-again").click()]);
    same(JSON.parse(asked.postData() ?? ""), {view: 6}, "that view is placed again");
    await until(() => page.locator("#place-again").isEnabled(), "the work to end");
    await page.reload();
    await panelHas(page, "outline 1");
    // A placed view is marked on its own pixels as well.
    await page.locator("#workplace-back").click();
    await page.locator("#view-4").getByText("File and fit").click();
    await page.getByRole("button", {name: "What is ignored: raking left"}).click();
    await panelHas(page, "Ignored when placing: raking left");
    await until(() => page.locator(".pane-picture").evaluate((el) => {
        const world = OpenSeadragon.getViewer(/** @type {HTMLElement} */ (el))?.world;
        return world && world.getItemCount() === 1 && world.getItemAt(0).getFullyLoaded();
    }), "its own pixels");
    const at = await onPane(page, 0, [1500, 2800], [3000, 3600]), [c] = await colours(page, [at]);
    yes(c[0] > 120, `the cloth is where it is in the file: ${c}`);
    const [grey] = await colours(page, [await onPane(page, 0, [3100, 1800], [3000, 3600])]);
    yes(grey[0] === grey[1] && grey[0] < 60, `beside the view is the surround, not the padding: ${grey}`);
}));

await test("the program's refusal of an outline is said, and the outline is not lost", () => withPage("placing", async (page, world) => {
    await page.getByRole("button", {name: "What is ignored: xray film 2"}).click();
    await page.waitForTimeout(500);
    await page.route("**/ignored", (r) => r.request().method() === "PUT"
        ? r.fulfill({status: 409, contentType: "application/json", body: JSON.stringify({error: {code: "conflict", message: "a job is writing the dossier"}})}) : r.continue());
    await page.locator("#draw-ignored").click();
    for (const p of /** @type {Point[]} */ ([[100, 100], [400, 100], [400, 500]]))
        await page.mouse.click(...await onPane(page, 0, p, [XRAY.w, XRAY.h]));
    await page.keyboard.press("Enter");
    await panelHas(page, "A job is writing the dossier.");
    await panelHas(page, "not in the record yet");
    await page.unroute("**/ignored");
    await page.getByRole("button", {name: "Keep the outlines"}).click();
    await until(async () => world.ignored[6]?.length === 1, "kept at last");
}));

await test("plates are joined, a refusal says why, and the joined view tells its plates", () => withPage("placing", async (page, world) => {
    await page.locator(".join > summary").click();
    same(await page.locator("#join").isDisabled(), true, "nothing is chosen");
    const box = (/** @type {string} */ label) => page.getByRole("checkbox", {name: label});
    same(await page.locator(".join-list li").allInnerTexts().then((t) => t.some((s) => s.includes("uv before"))), false, "a technique with one picture is not offered");
    await box("ir second").check();
    await box("plate left").check();
    await panelHas(page, "Choose pictures of one technique and state: these are ir and xray.");
    await box("ir second").uncheck();
    await box("xray film 2").check();
    await page.locator("#join").click();
    await panelHas(page, "Plate left and xray film 2 do not overlap: nothing holds them together.");
    same(await axeComplaints(page, axe), [], "axe");
    await box("xray film 2").uncheck();
    await box("plate right").check();
    await page.getByLabel("Label of the joined view").fill("xray whole");
    await page.locator("#join").click();
    await page.waitForSelector("#view-11");
    yes((await page.locator("#view-11").innerText()).includes("joined from plate left, plate right: good; the overlaps miss by 0.21\u00a0px"), "its plates");
    same(world.views.some((/** @type {any} */ v) => v.label === "xray whole"), true, "in the record");
}));

for (const [w, h, touch] of /** @type {[number, number, boolean][]} */ ([[1280, 800, false], [1920, 1080, false], [820, 1180, true], [390, 844, true]]))
    for (const large of ["false", "true"])
        await test(`marking at ${w} x ${h}${large === "true" ? ", large type," : ""} has room and runs over no edge`, () => withPage("placing", async (page) => {
            if (!await page.locator("#panel").isVisible())
                await page.locator("#fold").click();
            await openPairs(page);
            await mark(page, 0, frameOf(OWN[0]));
            await mark(page, 1, OWN[0]);
            await page.getByRole("button", {name: "Keep this pair"}).scrollIntoViewIfNeeded();
            const over = await page.evaluate(() => ["#workplace", "#panel", ".glasses"].map((q) => {
                const el = /** @type {HTMLElement} */ (document.querySelector(q));
                return el.scrollWidth - el.clientWidth;
            }).concat(document.documentElement.scrollWidth - innerWidth));
            yes(over.every((v) => v <= 0), `nothing over the edge: ${over}`);
            const stage = await boxOf(page, "#workplace");
            for (const q of [".pane-area >> nth=0", ".pane-area >> nth=1", ".glass canvas >> nth=0", ".glass canvas >> nth=1"]) {
                const b = await boxOf(page, q);
                yes(b.width >= 100 && b.height >= 90, `${q} has room: ${JSON.stringify(b)}`);
                yes(b.y + b.height <= stage.y + stage.height + 1 && b.x + b.width <= stage.x + stage.width + 1, `${q} is in sight: ${JSON.stringify([b, stage])}`);
            }
            await shot(page, `marking-${w}${large === "true" ? "-large" : ""}`);
            if (large === "false")
                same(await axeComplaints(page, axe), [], "axe");
        }, {width: w, height: h, touch, store: {large}}));

for (const surround of ["middle", "light"])
    await test(`axe finds nothing wrong while marking, surround ${surround}`, () => withPage("placing", async (page, world) => {
        world.pairs[6] = OWN.slice(0, 6).map((p, i) => [...frameOf(p).map((v) => v + (i === 5 ? 90 : 0)), ...p]);
        await openPairs(page);
        await page.locator("#place-by-pairs").click();
        await panelHas(page, "does not agree");
        await mark(page, 0, frameOf(OWN[6]));
        same(await axeComplaints(page, axe), [], "pairs");
        await shot(page, `marking-${surround}`);
        await page.evaluate(() => {
            location.hash = "#look-ignored-9";
        });
        await page.locator("#draw-ignored").click();
        same(await axeComplaints(page, axe), [], "while outlining");
    }, {store: {surround}}));

await test("by touch: taps mark, buttons nudge", () => withPage("placing", async (page) => {
    await openPairs(page);
    await page.touchscreen.tap(...await onPane(page, 0, frameOf(OWN[0]), [3000, 3600]));
    await page.touchscreen.tap(...await onPane(page, 1, OWN[0], [XRAY.w, XRAY.h]));
    await until(async () => (await markAt(page, 1)).length === 2, "both marks");
    const [x] = await markAt(page, 1);
    await page.getByRole("button", {name: "right by 1 pixel: xray film 2"}).tap();
    near((await markAt(page, 1))[0], x + 1, 0.011, "by a button");
    await page.getByRole("button", {name: "Keep this pair"}).tap();
    await panelHas(page, "1 of at least 4 pairs");
}, {width: 820, height: 1180, touch: true}));

await test("a record open for reading only marks nothing", () => withPage("read-only", async (page) => {
    same(await page.getByRole("button", {name: /^(Pairs of points|What is ignored|Take this placement back|Place again)/}).count(), 0, "no button");
    same(await page.locator(".join").count(), 0, "no joining");
    await page.goto(`${page.url().split("#")[0]}#look-pairs-6`);
    await page.waitForTimeout(300);
    same(await page.locator("#workplace").isVisible(), false, "not by its address either");
}));

await browser.close();
finish();
