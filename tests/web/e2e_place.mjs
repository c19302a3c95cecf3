// Placing by hand in the page on the real program: what is marked, fitted, cut out and joined is what the
// program's own documents say.
//
//   HC_BIN=/path/to/halfclean [HC_WEB=web] node e2e_place.mjs
import {execFileSync, spawn} from "node:child_process";
import {mkdtempSync, readFileSync, rmSync, writeFileSync} from "node:fs";
import {tmpdir} from "node:os";
import {join} from "node:path";
import {axeComplaints, colours, finish, launch, near, onPage, same, settled, test, until, yes} from "./harness.mjs";
import {pngOf} from "./png.mjs";

/** @typedef {import("playwright-core").Page} Page */
/** @typedef {[number, number]} Point */

const BIN = process.env.HC_BIN;
if (!BIN) {
    console.log("e2e_place.mjs needs HC_BIN, the path of the built program.\n0 passed, 1 failed");
    process.exit(1);
}
const axe = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
const work = mkdtempSync(join(tmpdir(), "halfclean-place-")), shots = process.env.HC_SHOTS;
const browser = await launch();

/** @param {string[]} args @returns {any} */
const hc = (...args) => {
    const out = execFileSync(BIN, [...args, "--json", "--quiet"], {encoding: "utf8", stdio: ["ignore", "pipe", "pipe"], maxBuffer: 1 << 28});
    return out.trim() ? JSON.parse(out) : null;
};

// ---- an invented painting, known at every point -----------------------------------------------------

const W = 900, H = 1080;

/** @param {number} i @param {number} j @param {number} seed 0..1 */
function dice(i, j, seed)
{
    let h = Math.imul(i, 374761393) ^ Math.imul(j, 668265263) ^ Math.imul(seed, 2246822519);
    h = Math.imul(h ^ (h >>> 13), 1274126177);
    return ((h ^ (h >>> 16)) >>> 0) / 2 ** 32;
}

/** Value noise. @param {number} x @param {number} y @param {number} seed */
function noise(x, y, seed)
{
    const i = Math.floor(x), j = Math.floor(y), u = x - i, v = y - j, a = u * u * (3 - 2 * u), b = v * v * (3 - 2 * v);
    const top = dice(i, j, seed) * (1 - a) + dice(i + 1, j, seed) * a, low = dice(i, j + 1, seed) * (1 - a) + dice(i + 1, j + 1, seed) * a;
    return top * (1 - b) + low * b;
}

/** Tone of the painting at frame px, 0..1. @param {number} x @param {number} y */
const tone = (x, y) => 0.42 * noise(x / 90, y / 90, 1) + 0.3 * noise(x / 23, y / 23, 2) + 0.18 * noise(x / 6, y / 6, 3) + 0.1 * noise(x / 2.2, y / 2.2, 4);

/** A picture of `w` x `h` px. @param {string} name @param {number} w @param {number} h @param {(x: number, y: number) => number[]} fn */
function picture(name, w, h, fn)
{
    const rows = Buffer.alloc((3 * w + 1) * h);
    for (let y = 0, o = 0; y < h; y++) {
        o++;
        for (let x = 0; x < w; x++)
            for (const c of fn(x + 0.5, y + 0.5))
                rows[o++] = Math.max(0, Math.min(255, Math.round(c)));
    }
    const path = join(work, `${name}.png`);
    writeFileSync(path, pngOf(w, h, rows));
    return path;
}

/** Where the detail lies: own px = 4 (frame px - off). */
const DETAIL = {k: 4, off: /** @type {Point} */ ([420, 300]), w: 960, h: 720};
/** Where the x-ray lies: own px = 1.6 (frame px - off), mirrored nowhere. */
const FILM = {k: 1.25, off: /** @type {Point} */ ([40, 60]), w: 1000, h: 1150};
/** Own px of a frame place. @param {{k: number, off: Point}} v @param {Point} p @returns {Point} */
const ownOf = (v, p) => [(p[0] - v.off[0]) * v.k, (p[1] - v.off[1]) * v.k];

const dossier = join(work, "dossier");
hc("new", dossier, "--title", "Noise", "--height-mm", "270", "--width-mm", "225");
hc("add", dossier, picture("before", W, H, (x, y) => [230 * tone(x, y) + 12, 200 * tone(x, y) + 10, 130 * tone(x, y) + 8]), "--technique", "normal", "--state", "before", "--label", "before");
// A film of the same painting whose tones say nothing: coarse blots over it, so that only a person places it.
hc("add", dossier, picture("film", FILM.w, FILM.h, (x, y) => Array(3).fill(30 + 200 * noise(x / 300, y / 300, 9))), "--technique", "xray", "--state", "before", "--label", "film");
hc("add", dossier, picture("detail", DETAIL.w, DETAIL.h, (x, y) => {
    const t = tone(DETAIL.off[0] + x / DETAIL.k, DETAIL.off[1] + y / DETAIL.k), stripe = Math.floor(x / 4) % 2 ? 40 : -40;
    return [230 * t + 12 + stripe, 200 * t + 10 + stripe, 130 * t + 8 + stripe];
}), "--technique", "micro", "--state", "before", "--label", "detail");
for (const [name, off] of /** @type {[string, number][]} */ ([["plate one", 0], ["plate two", 300], ["plate far", 2000]]))
    hc("add", dossier, picture(name, 520, 600, (x, y) => Array(3).fill(40 + 190 * tone(x + off, y + 3000))), "--technique", "xray", "--state", "before", "--label", name);
try {
    hc("align", dossier, "film");
} catch {
    // Refused, as it should be: the first test looks at what the record says of it.
}
/** @param {string} label */
const viewOf = (label) => hc("views", dossier).views.find((/** @type {any} */ v) => v.label === label);

/** @param {(page: Page) => Promise<void>} fn @param {string[]} more */
async function withServer(fn, ...more)
{
    const child = spawn(/** @type {string} */ (BIN), ["serve", dossier, ...(process.env.HC_WEB ? ["--web-dir", process.env.HC_WEB] : []), ...more], {stdio: ["ignore", "pipe", "pipe"]});
    const ended = new Promise((r) => child.on("exit", (code) => r(code)));
    const link = await new Promise((resolve, reject) => {
        let text = "";
        const read = (/** @type {Buffer} */ d) => {
            text += d;
            const m = /http:\/\/127\.0\.0\.1:\d+\/open\?token=\w+/.exec(text);
            if (m)
                resolve(m[0]);
        };
        child.stdout.on("data", read);
        child.stderr.on("data", read);
        ended.then((code) => reject(new Error(`serve ended with ${code}: ${text}`)));
    });
    const context = await browser.newContext({viewport: {width: 1280, height: 800}}), page = await context.newPage();
    /** @type {string[]} */
    const complaints = [];
    page.on("console", (m) => m.type() === "error" && !/status of 4\d\d/.test(m.text()) && complaints.push(m.text()));
    page.on("pageerror", (e) => complaints.push(String(e)));
    try {
        await page.goto(String(link));
        await page.waitForSelector(".is-open");
        await settled(page);
        await fn(page);
        same(complaints, [], "what the browser complained about");
    } finally {
        await context.close();
        child.kill("SIGINT");
        same(await ended, 0, "exit code of serve");
    }
}

/** @param {Page} page @param {string} text @param {number} [seconds] */
const panelHas = (page, text, seconds = 60) => until(async () => (await page.locator("#panel").innerText()).includes(text), `the panel to say "${text}"`, seconds);

/** @param {Page} page @param {string} name */
const shot = async (page, name) => shots ? page.screenshot({path: `${shots}/${name}.png`}) : undefined;

/** @param {Page} page */
const panesDrawn = (page) => until(() => page.evaluate(() => [...document.querySelectorAll(".pane-picture")].every((el) => {
    const world = OpenSeadragon.getViewer(/** @type {HTMLElement} */ (el))?.world;
    return world && world.getItemCount() === 1 && world.getItemAt(0).getFullyLoaded();
})), "the pictures to mark in");

/** @param {Page} page @param {number} n @param {Point} p own px @param {number} w of the picture */
async function onPane(page, n, p, w)
{
    return /** @type {Promise<Point>} */ (page.locator(".pane-picture").nth(n).evaluate((el, [width, q]) => {
        const at = OpenSeadragon.getViewer(/** @type {HTMLElement} */ (el)).viewport.pixelFromPoint(new OpenSeadragon.Point(q[0] / width, q[1] / width), true);
        const r = el.getBoundingClientRect();
        return [at.x + r.left, at.y + r.top];
    }, /** @type {[number, Point]} */ ([w, p])));
}

/** Mark a pair by clicks, set both marks exactly under the glass with the keys, and keep it.
 *  @param {Page} page @param {Point} frame @param {Point} own @param {number} w of the view */
async function keepPair(page, frame, own, w)
{
    for (const [n, p, width] of /** @type {[number, Point, number][]} */ ([[0, frame, W], [1, own, w]])) {
        await page.mouse.click(...await onPane(page, n, p, width));
        await page.waitForTimeout(60);
        const foot = page.locator(".glass-place").nth(n);
        await until(async () => await foot.innerText(), "the mark");
        for (const [axis, less, more] of /** @type {[number, string, string][]} */ ([[0, "ArrowLeft", "ArrowRight"], [1, "ArrowUp", "ArrowDown"]])) {
            const at = (await foot.innerText()).match(/[\d.]+/g)?.map(Number) ?? [], by = Math.round(4 * (p[axis] - at[axis])) / 4, key = by < 0 ? less : more;
            const canvas = page.locator(".glass canvas").nth(n);
            for (let i = 0; i < Math.floor(Math.abs(by)); i++)
                await canvas.press(key);
            for (let i = 0; i < Math.round((Math.abs(by) % 1) * 4); i++)
                await canvas.press(`Alt+${key}`);
        }
    }
    await page.getByRole("button", {name: "Keep this pair"}).click();
}

const PLACES = /** @type {Point[]} */ ([[90, 100], [800, 120], [780, 930], [100, 900], [450, 500], [440, 120], [120, 480], [790, 520], [430, 920]]);

await test("a film that cannot be found is placed by pairs; the misses are those of the program's report", () => withServer(async (page) => {
    const film = viewOf("film");
    same(film.fit.verdict, "refused", "the program alone refuses it");
    yes((await page.locator(`#view-${film.id}`).innerText()).includes("do not compare"), "the list says so");
    await page.locator(`#view-${film.id}`).getByText("File and fit").click();
    await page.getByRole("button", {name: "Fit map: film"}).click();
    await until(async () => (await page.locator("#legend").innerText()).includes("fit of film: do not compare"), "the map of what was found");
    yes((await page.locator("#legend").innerText()).includes(film.fit.why.slice(1, 40)), "and why it was refused");
    await shot(page, "real-refused");
    await page.getByRole("button", {name: "Pairs of points: film"}).click();
    await panesDrawn(page);
    for (const p of PLACES)
        await keepPair(page, p, ownOf(FILM, p), FILM.w);
    await panelHas(page, "9 pairs: a good number");
    await shot(page, "real-pairs");
    await page.locator("#place-by-pairs").click();
    await until(async () => ["good", "usable"].includes(viewOf("film").fit.verdict), "the place in the record");
    await panelHas(page, "miss of a pair left out, median");
    const fit = await page.evaluate(async (id) => (await import("/js/api.js")).fit(id), film.id);
    same(fit.pairs, true, "by hand");
    same(fit.tiles.length, PLACES.length, "a tile for each pair");
    const rows = await page.locator(".pair-table tbody tr td:nth-of-type(1)").allInnerTexts();
    fit.tiles.forEach((t, i) => yes(rows[i].startsWith(Math.hypot(t.dx, t.dy).toFixed(2)), `pair ${i + 1}: ${rows[i]}, ${Math.hypot(t.dx, t.dy)}`));
    yes(fit.tiles.every((t) => Math.hypot(t.dx, t.dy) < 1), "marks to a quarter of a pixel miss little");
    const kept = await page.evaluate(async (id) => (await import("/js/api.js")).pairs(id), film.id);
    kept.forEach((p, i) => near(Math.hypot(p[0] - PLACES[i][0], p[1] - PLACES[i][1], p[2] - ownOf(FILM, PLACES[i])[0], p[3] - ownOf(FILM, PLACES[i])[1]), 0, 0.5, `pair ${i + 1} in the record`));
    await shot(page, "real-pairs-placed");
    same(await axeComplaints(page, axe), [], "axe");
    await page.reload();
    await page.waitForSelector(".pair-table");
    same(await page.locator(".pair-table tbody tr").count(), 9, "after a reload");
    await page.locator("#workplace-back").click();
    await page.getByRole("button", {name: "Other side: film"}).click();
    await page.locator(`#view-${film.id}`).getByText("File and fit").click();
    await page.getByRole("button", {name: "Fit map: film"}).click();
    await until(async () => (await page.locator("#legend").innerText()).includes("9 of 9 pairs of points agree"), "its map");
    await shot(page, "real-fit-map");
}));

/** Place a view by pairs on the command line. @param {string} label @param {Point[]} at frame px
 *  @param {{k: number, off: Point}} map */
function placeByFile(label, at, map)
{
    const file = join(work, `${label}.csv`);
    writeFileSync(file, at.map((p) => [...p, ...ownOf(map, p)].join(",")).join("\n") + "\n");
    hc("align", dossier, label, "--points", file);
}

await test("a spoilt pair is named by the program and seen in the list; the placement is taken back", () => {
    placeByFile("film", PLACES, FILM);
    return withServer(async (page) => spoilAndTakeBack(page));
});

/** @param {Page} page */
async function spoilAndTakeBack(page)
{
    const film = viewOf("film");
    await page.evaluate((id) => {
        location.hash = `#look-pairs-${id}`;
    }, film.id);
    await page.waitForSelector(".pair-table");
    await panesDrawn(page);
    await page.getByRole("button", {name: "Edit pair 3"}).click();
    for (let i = 0; i < 9; i++)
        await page.locator(".glass canvas").nth(1).press("Shift+ArrowLeft");
    await page.getByRole("button", {name: "Keep pair 3"}).click();
    await page.locator("#place-by-pairs").click();
    await until(async () => viewOf("film").fit.verdict === "refused", "the program refuses", 60);
    await panelHas(page, "do not compare");
    await until(async () => (await page.locator(".pair-table tbody tr:nth-child(3)").innerText()).includes("does not agree"), "pair 3 to be the one");
    same(await page.locator(".pair-off").count(), 1, "and no other");
    await page.getByRole("button", {name: "Delete pair 3"}).click();
    await page.locator("#place-by-pairs").click();
    await until(async () => ["good", "usable"].includes(viewOf("film").fit.verdict), "placed again", 60);
    await page.getByRole("button", {name: "Take this placement back"}).click();
    await panelHas(page, "Not placed yet.");
    same(viewOf("film").fit.verdict, "none", "in the record");
    same(await page.locator(".pair-table tbody tr").count(), 8, "the pairs are kept");
}

await test("a detail lies in the frame at its place, cut to its outline and finer than the frame", () => {
    const detail = viewOf("detail");
    const at = /** @type {Point[]} */ ([[430, 310], [650, 312], [652, 470], [432, 468], [540, 390], [540, 312], [432, 390], [650, 390], [541, 470]]);
    placeByFile("detail", at, DETAIL);
    return withServer(async (page) => {
        const v = await page.evaluate(async (id) => (await (await import("/js/api.js")).views()).find((w) => w.id === id), detail.id);
        yes(v?.tiles?.at && v.fit.is_detail && v.fit.outline, `placed as a detail: ${JSON.stringify(v?.fit)}`);
        v?.fit.outline?.forEach((p, i) => near(Math.hypot(p[0] - DETAIL.off[0] - [0, 240, 240, 0][i], p[1] - DETAIL.off[1] - [0, 0, 180, 180][i]), 0, 2, `corner ${i}`));
        await page.getByRole("button", {name: "One side: detail"}).click();
        await page.locator("#stage").press("1");
        await page.evaluate(async () => (await import("/js/stage.js")).goTo([540, 390], 12));
        await page.waitForTimeout(700);
        await settled(page);
        // Stripes of one px of the frame: bright and dark in turn where the painting says, four own px each.
        const row = await Promise.all(Array.from({length: 8}, (_, i) => onPage(page, [540 + i + 0.5, 390.5])));
        const seen = (await colours(page, row)).map((c) => c[0]);
        const should = row.map((_, i) => 230 * tone(540 + i + 0.5, 390.5) + 12 + ((540 + i - DETAIL.off[0]) % 2 ? 40 : -40));
        seen.forEach((s, i) => near(s, should[i], 22, `stripe ${i}: ${seen} should be ${should}`));
        await shot(page, "real-detail");
        await page.locator("#stage").press("0");
        await page.waitForTimeout(500);
        await settled(page);
        const out = await Promise.all(/** @type {Point[]} */ ([[410, 390], [670, 390], [540, 290], [540, 490]]).map((p) => onPage(page, p)));
        const near4 = await colours(page, out);
        await page.getByRole("button", {name: "One side: before"}).click();
        await settled(page);
        await page.waitForTimeout(300);
        (await colours(page, out)).forEach((c, i) => c.forEach((s, k) => near(near4[i][k], s, 2, `around it, point ${i}`)));
    });
});

await test("what is ignored is kept in own px of the view and used by the next placing", () => withServer(async (page) => {
    const one = viewOf("plate one");
    await page.getByRole("button", {name: "What is ignored: plate one"}).click();
    await panelHas(page, "Nothing is ignored.");
    await panesDrawn(page);
    await page.locator("#draw-ignored").click();
    const bar = /** @type {Point[]} */ ([[100, 40], [160, 40], [160, 560], [100, 560]]);
    for (const p of bar) {
        await page.mouse.click(...await onPane(page, 0, p, 520));
        await page.waitForTimeout(60);
    }
    await page.keyboard.press("Enter");
    await panelHas(page, "outline 1");
    await until(() => page.locator("#place-again").isEnabled(), "it is kept");
    const kept = await page.evaluate(async (id) => (await import("/js/api.js")).ignored(id), one.id);
    kept[0].forEach((p, i) => near(Math.hypot(p[0] - bar[i][0], p[1] - bar[i][1]), 0, 1.5, `corner ${i}`));
    await page.locator("#place-again").click();
    await until(async () => !await page.locator("progress").count() && viewOf("plate one").fit.why !== "", "the placing", 60);
    await page.getByRole("button", {name: "Delete outline 1"}).click();
    await panelHas(page, "Nothing is ignored.");
    await until(() => page.locator("#place-again").isEnabled(), "it is kept");
    same(await page.evaluate(async (id) => (await import("/js/api.js")).ignored(id), one.id), [], "none is left");
}));

await test("own pixels of a placed view are those of its file, and the surround begins where it ends", () => withServer(async (page) => {
    const detail = viewOf("detail");
    await page.locator(`#view-${detail.id}`).getByText("File and fit").click();
    await page.getByRole("button", {name: "What is ignored: detail"}).click();
    await panesDrawn(page);
    await page.waitForTimeout(300);
    // Even blots of the file, far larger than a px of the screen.
    const at = /** @type {Point[]} */ ([[100, 100], [480, 360], [860, 620]]);
    const seen = await colours(page, await Promise.all(at.map((p) => onPane(page, 0, p, DETAIL.w))));
    const mean = at.map(([x, y]) => 230 * tone(DETAIL.off[0] + x / 4, DETAIL.off[1] + y / 4) + 12);
    seen.forEach((c, i) => near(c[0], mean[i], 62, `point ${i} within a stripe of the tone`));
    const [side] = await colours(page, [await onPane(page, 0, [DETAIL.w + 12, 300], DETAIL.w)]);
    yes(side[0] === side[1] && side[0] < 60, `the surround: ${side}`);
}));

await test("plates are joined, or refused with a reason; the joined view names its plates", () => withServer(async (page) => {
    await page.locator(".join > summary").click();
    const box = (/** @type {string} */ label) => page.getByRole("checkbox", {name: label});
    await box("plate one").check();
    await box("plate far").check();
    await page.locator("#join").click();
    const why = await until(async () => (await page.locator(".join .trouble").innerText()) || null, "why not", 120);
    yes(why.includes("plate") && why.endsWith("."), why);
    await box("plate far").uncheck();
    await box("plate two").check();
    await page.getByLabel("Label of the joined view").fill("both plates");
    await page.locator("#join").click();
    await until(async () => viewOf("both plates"), "the joined view", 120);
    const v = viewOf("both plates");
    await panelHas(page, "joined from plate one, plate two");
    near(v.w, 820, 6, "its width");
    same(v.mosaic.plates.map((/** @type {any} */ p) => p.label), ["plate one", "plate two"], "its plates");
    await shot(page, "real-joined");
}));

await browser.close();
rmSync(work, {recursive: true, force: true});
finish();
