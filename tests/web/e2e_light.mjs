// The room Light on the real program: the lamp lights what the program measured, and the figures are its own.
//
//   HC_BIN=/path/to/halfclean [HC_DEMO=/path/of/halfclean-demo] [HC_WEB=web] node e2e_light.mjs
//
// HC_DEMO, HC_WEB: as in e2e.mjs.
import {execFileSync, spawn} from "node:child_process";
import {cpSync, mkdtempSync, readFileSync, rmSync} from "node:fs";
import {tmpdir} from "node:os";
import {join} from "node:path";
import {axeComplaints, colours, finish, launch, near, onPage, same, settled, test, until, yes} from "./harness.mjs";

/** @typedef {import("playwright-core").Page} Page */

const BIN = process.env.HC_BIN;
if (!BIN) {
    console.log("e2e_light.mjs needs HC_BIN, the path of the built program.\n0 passed, 1 failed");
    process.exit(1);
}
const axe = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
const work = mkdtempSync(join(tmpdir(), "halfclean-light-")), dossier = join(work, "dossier");
const demo = process.env.HC_DEMO ?? join(work, "demo");
if (!process.env.HC_DEMO)
    execFileSync(BIN, ["demo", demo, "--small", "--quiet"], {stdio: "ignore"});
cpSync(join(demo, "dossier"), dossier, {recursive: true});
const browser = await launch();

const child = spawn(BIN, ["serve", dossier, ...(process.env.HC_WEB ? ["--web-dir", process.env.HC_WEB] : [])], {stdio: ["ignore", "pipe", "inherit"]});
const link = await new Promise((resolve, reject) => {
    let text = "";
    child.stdout.on("data", (d) => {
        text += d;
        const m = /http:\/\/127\.0\.0\.1:\d+\/open\?token=\w+/.exec(text);
        if (m)
            resolve(m[0]);
    });
    child.on("exit", (code) => reject(new Error(`serve ended with ${code}: ${text}`)));
});

/** @param {(page: Page) => Promise<void>} fn @param {number} [dense] device px per CSS px */
async function withRoom(fn, dense = 1)
{
    const context = await browser.newContext({viewport: {width: 1280, height: 800}, deviceScaleFactor: dense});
    const page = await context.newPage();
    /** @type {string[]} */
    const complaints = [];
    page.on("console", (m) => {
        if (m.type() === "error" && !/status of 4\d\d/.test(m.text()))
            complaints.push(m.text());
    });
    page.on("pageerror", (e) => complaints.push(String(e)));
    try {
        await page.goto(link);
        await page.waitForSelector(".is-open");
        await page.locator("#tab-light").click();
        await settled(page);
        await page.getByRole("radio", {name: "One side"}).check({force: true});
        await fn(page);
        same(complaints, [], "what the browser complained about");
    } finally {
        await context.close();
    }
}

/** Lit without colours and thrown shadows, at a place, everything there. @param {Page} page @param {[number, number]} at
 *  @param {number} zoom */
async function plain(page, at, zoom)
{
    await page.getByRole("button", {name: "Light the lamp"}).click();
    await page.getByLabel("Without the colours").check();
    await page.getByLabel("Shadows thrown by ridges").uncheck();
    await page.evaluate(async ([p, z]) => (await import("/js/stage.js")).goTo(/** @type {any} */ (p), Number(z)), [at, zoom]);
    await page.waitForTimeout(1500);
    await page.waitForLoadState("networkidle");
    await page.waitForTimeout(500);
}

/** The unit normal that the program serves for a px of the frame. @param {Page} page @param {number} x @param {number} y */
const servedNormal = (page, x, y) => page.evaluate(async ([px, py]) => {
    const api = await import("/js/api.js"), t = (await api.reliefs())[0].tiles.slopes;
    const i = Math.floor(px / t.tile), j = Math.floor(py / t.tile);
    const bitmap = await createImageBitmap(await (await fetch(api.tileUrl(t.key, t.levels - 1, i, j))).blob(), {premultiplyAlpha: "none", colorSpaceConversion: "none"});
    const c = new OffscreenCanvas(bitmap.width, bitmap.height), g = /** @type {OffscreenCanvasRenderingContext2D} */ (c.getContext("2d"));
    g.drawImage(bitmap, 0, 0);
    const [r, gr, b] = g.getImageData(px - i * t.tile, py - j * t.tile, 1, 1).data;
    const nx = (r << 4 | gr >> 4) / 2047.5 - 1, ny = ((gr & 15) << 8 | b) / 2047.5 - 1;
    return [nx, ny, Math.sqrt(1 - nx * nx - ny * ny)];
}, [x, y]);

/** The px with the steepest slope among some hundreds, away from the edges. @param {Page} page */
const steepest = (page) => page.evaluate(async () => {
    const api = await import("/js/api.js"), t = (await api.reliefs())[0].tiles.slopes;
    let best = {x: 0, y: 0, s: 0};
    for (const [i, j] of [[1, 1], [1, 2]]) {
        const bitmap = await createImageBitmap(await (await fetch(api.tileUrl(t.key, t.levels - 1, i, j))).blob(), {premultiplyAlpha: "none", colorSpaceConversion: "none"});
        const c = new OffscreenCanvas(bitmap.width, bitmap.height), g = /** @type {OffscreenCanvasRenderingContext2D} */ (c.getContext("2d"));
        g.drawImage(bitmap, 0, 0);
        const d = g.getImageData(0, 0, bitmap.width, bitmap.height).data;
        for (let y = 8; y < bitmap.height - 8; y++)
            for (let x = 8; x < bitmap.width - 8; x++) {
                const k = 4 * (y * bitmap.width + x), s = Math.abs((d[k] << 4 | d[k + 1] >> 4) / 2047.5 - 1);
                if (s > best.s)
                    best = {x: i * t.tile + x, y: j * t.tile + y, s};
            }
    }
    return best;
});

const linearOf = (/** @type {number} */ v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);

for (const dense of [1, 2])
    await test(`a ridge is lit as Lambert's law says from the served slope, ${dense} device px per px`, () => withRoom(async (page) => {
        const ridge = await steepest(page), n = await servedNormal(page, ridge.x, ridge.y);
        yes(ridge.s > 0.02, `a ridge: ${ridge.s}`);
        await plain(page, [ridge.x + 0.5, ridge.y + 0.5], 30);
        await page.getByLabel("Height over the picture").fill("30");
        const seen = [];
        for (const azimuth of [0, 180, 90]) {
            await page.getByLabel("Direction", {exact: true}).fill(String(azimuth));
            await page.waitForTimeout(600);
            const at = await onPage(page, [ridge.x + 0.5, ridge.y + 0.5]), box = await page.locator("#stage").boundingBox();
            const [[r]] = await colours(page, [/** @type {[number, number]} */ ([at[0] * dense, at[1] * dense])]);
            const w = box?.width ?? 0, hgt = box?.height ?? 0, far = 3 * Math.hypot(w, hgt), az = azimuth * Math.PI / 180, el = Math.PI / 6;
            const d = [far * Math.cos(el) * Math.cos(az) - (at[0] - (box?.x ?? 0) - w / 2),
                       far * Math.cos(el) * Math.sin(az) - ((box?.y ?? 0) + hgt / 2 - at[1]), far * Math.sin(el)];
            const long = Math.hypot(...d), lit = (n[0] * d[0] + n[1] * d[1] + n[2] * d[2]) / long * (far / long) ** 2;
            near(linearOf(r), 0.42 * (0.03 + 2 * lit), 0.02, `lamp at ${azimuth}, normal ${n.map((v) => v.toFixed(3))}`);
            seen.push(linearOf(r));
        }
        same(Math.sign(seen[0] - seen[1]), Math.sign(n[0]), "brighter from the side it faces");
    }, dense));

await test("the lamp agrees with the raking photographs: the same ridges light, the same dark", () => withRoom(async (page) => {
    // Over all px: (light from the right - from the left) / sum, in the photographs and under the lamp.
    const grid = /** @type {[number, number][]} */ ([]);
    for (let y = 560; y < 740; y += 3)
        for (let x = 330; x < 540; x += 3)
            grid.push([x + 0.5, y + 0.5]);
    await page.evaluate(async () => (await import("/js/stage.js")).goTo([435, 650], 3));
    await page.evaluate(() => /** @type {HTMLElement} */ (document.getElementById("lamp-hand")).style.setProperty("display", "none"));
    const look = async () => {
        await page.waitForTimeout(1200);
        await settled(page);
        await page.mouse.move(3, 3);
        return (await colours(page, await Promise.all(grid.map((p) => onPage(page, p))))).map(([, g]) => linearOf(g));
    };
    const photographs = [];
    for (const name of ["raking-before-0", "raking-before-180"]) {
        await page.evaluate(async (label) => {
            const {set, state} = await import("/js/state.js");
            set({sideA: `view:${state.views.find((v) => v.label === label)?.id}`, mode: "one", cross: null});
        }, name);
        photographs.push(await look());
    }
    await page.getByRole("button", {name: "Light the lamp"}).click();
    await page.getByLabel("Without the colours").check();
    await page.getByLabel("Shadows thrown by ridges").uncheck();
    await page.getByLabel("Height over the picture").fill("12");
    const lamps = [];
    for (const azimuth of [0, 180]) {
        await page.getByLabel("Direction", {exact: true}).fill(String(azimuth));
        lamps.push(await look());
    }
    const [p, l] = [photographs, lamps].map(([a, b]) => a.map((v, i) => (v - b[i]) / (v + b[i] + 1e-3)));
    const mean = (/** @type {number[]} */ v) => v.reduce((s, x) => s + x, 0) / v.length, mp = mean(p), ml = mean(l);
    const cov = mean(p.map((v, i) => (v - mp) * (l[i] - ml))), r = cov / Math.sqrt(mean(p.map((v) => (v - mp) ** 2)) * mean(l.map((v) => (v - ml) ** 2)));
    console.log(`      correlation of ${grid.length} places: ${r.toFixed(2)}`);
    yes(r > 0.5, `correlation ${r}`);
}));

await test("profile and passage are the program's own figures", () => withRoom(async (page) => {
    const click = async (/** @type {[number, number]} */ p) => {
        const [x, y] = await onPage(page, p);
        await page.mouse.click(x, y);
        await page.waitForTimeout(80);
    };
    await page.getByRole("button", {name: "Line across the relief"}).click();
    await click([330, 560]);
    await click([560, 700]);
    await until(async () => (await page.locator("#room-light").innerText()).includes("Levelled by least squares"), "the profile");
    await page.getByLabel("Beside it").selectOption("test");
    await page.getByRole("button", {name: "Texture of a passage"}).click();
    const corners = /** @type {[number, number][]} */ ([[340, 500], [600, 500], [600, 780], [340, 780]]);
    for (const c of corners)
        await click(c);
    await page.locator("#stage").press("Enter");
    const list = page.locator("#room-light .passage");
    await until(async () => (await list.first().innerText()).includes("were not taken alike"), "states under other lamps are not compared");
    await page.getByLabel("Beside it").selectOption("");
    await page.getByRole("button", {name: "Texture of a passage"}).click();
    const answer = page.waitForResponse((r) => r.url().endsWith("/api/relief/texture"));
    for (const c of corners)
        await click(c);
    await page.locator("#stage").press("Enter");
    const doc = await (await answer).json();
    await until(async () => (await list.first().innerText()).includes(doc.texture.sq_um.toFixed(2)), "Sq");
    yes((await list.first().innerText()).includes(doc.texture.sdq.toFixed(4)), "Sdq");
    await page.getByRole("button", {name: "Paint and varnish surface"}).click();
    for (const c of corners)
        await click(c);
    await page.locator("#stage").press("Enter");
    await until(async () => (await list.first().locator(".loud").count()) === 1, "the refusal: four raking views cannot tell", 60);
    yes((await list.first().innerText()).length > 60, "with its reason");
    same(await axeComplaints(page, axe), [], "axe");
}));

await test("a relief is computed, with progress, and the room shows it", () => withRoom(async (page) => {
    await page.getByLabel("Method").selectOption("least-squares");
    await page.getByRole("button", {name: "Compute"}).click();
    await until(async () => (await page.locator("#say").innerText()).includes("Computing the relief: done"), "the work to be done", 120);
    const method = () => page.evaluate(async () => (await import("/js/state.js")).state.reliefs[0].method);
    await until(async () => (await method()) !== "trimmed", "the new relief to be read");
    const name = await method();
    yes(/^least.squares$/.test(name), name);
    await page.locator(".relief summary").first().click();
    yes((await page.locator("#room-light").innerText()).includes(name), "the method is told");
    await page.getByRole("button", {name: "Light the lamp"}).click();
    yes((await page.locator("#lamp-note").innerText()).includes("Relief of the state before"), "and lit");
}));

await browser.close();
child.removeAllListeners("exit");
child.kill("SIGINT");
await new Promise((r) => child.on("exit", r));
rmSync(work, {recursive: true, force: true});
finish();
