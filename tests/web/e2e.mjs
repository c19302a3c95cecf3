// The page on the real program, end to end: what is on the screen is what the command line says.
//
//   HC_BIN=/path/to/halfclean [HC_DEMO=/path/of/halfclean-demo] [HC_WEB=web] node e2e.mjs
//
// HC_DEMO: the folder of an earlier `halfclean demo DIR --small`; its dossier is copied, never changed.
// Without it the demo is made first. HC_WEB: serve the page from this folder, not from the program.
import {execFileSync, spawn} from "node:child_process";
import {cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync} from "node:fs";
import {tmpdir} from "node:os";
import {join} from "node:path";
import {fileURLToPath} from "node:url";
import {srgbOf} from "../../web/js/colour.js";
import {axeComplaints, boxOf, colours, finish, launch, near, onPage, same, settled, test, until, yes} from "./harness.mjs";
import {pngOf} from "./png.mjs";

/** @typedef {import("playwright-core").Page} Page */

const BIN = process.env.HC_BIN;
if (!BIN) {
    console.log("e2e.mjs needs HC_BIN, the path of the built program.\n0 passed, 1 failed");
    process.exit(1);
}
const axe = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
const work = mkdtempSync(join(tmpdir(), "halfclean-page-"));
const demo = process.env.HC_DEMO ?? join(work, "demo");

/** @param {string[]} args @returns {any} */
const hc = (...args) => {
    const out = execFileSync(BIN, [...args, "--json", "--quiet"], {encoding: "utf8", stdio: ["ignore", "pipe", "pipe"], maxBuffer: 1 << 28});
    return out.trim() ? JSON.parse(out) : null;
};

if (!process.env.HC_DEMO)
    execFileSync(BIN, ["demo", demo, "--small", "--quiet"], {stdio: "ignore"});
const browser = await launch();

/**
 * Serve a dossier. @param {string} dossier @param {string[]} more
 * @returns {Promise<{link: string, origin: string, stop: () => Promise<number|null>}>}
 */
function serve(dossier, ...more)
{
    const child = spawn(/** @type {string} */ (BIN), ["serve", dossier, ...(process.env.HC_WEB ? ["--web-dir", process.env.HC_WEB] : []), ...more], {stdio: ["ignore", "pipe", "pipe"]});
    const ended = new Promise((r) => child.on("exit", (code) => r(code)));
    return new Promise((resolve, reject) => {
        let text = "";
        /** @param {Buffer} d */
        const read = (d) => {
            text += d;
            const m = /(http:\/\/127\.0\.0\.1:\d+)\/open\?token=\w+/.exec(text);
            if (m)
                resolve({link: m[0], origin: m[1], stop: () => {
                    child.kill("SIGINT");
                    return /** @type {Promise<number|null>} */ (ended);
                }});
        };
        child.stdout.on("data", read);
        child.stderr.on("data", read);
        ended.then((code) => reject(new Error(`serve ended with ${code}: ${text}`)));
    });
}

/**
 * @param {string} dossier @param {(page: Page, server: {origin: string, link: string,
 *   stop: () => Promise<number|null>}) => Promise<void>} fn
 * @param {{more?: string[], room?: string, isStopped?: boolean}} [options]
 */
async function withServer(dossier, fn, options = {})
{
    const server = await serve(dossier, ...(options.more ?? []));
    const context = await browser.newContext({viewport: {width: 1280, height: 800}, acceptDownloads: true});
    const page = await context.newPage();
    /** @type {string[]} */
    const complaints = [];
    page.on("console", (m) => {
        if (m.type() === "error" && !/status of 4\d\d/.test(m.text()))
            complaints.push(m.text());
    });
    page.on("pageerror", (e) => complaints.push(String(e)));
    page.on("request", (r) => {
        if (!/^(data|blob):/.test(r.url()) && !r.url().startsWith(`${server.origin}/`))
            complaints.push(`asked outside: ${r.url()}`);
    });
    try {
        await page.goto(server.link);
        await page.waitForSelector(".is-open");
        if (options.room)
            await page.locator(`#tab-${options.room}`).click();
        await settled(page);
        await fn(page, server);
        if (!options.isStopped)
            same(complaints, [], "what the browser complained about");
    } finally {
        await context.close();
        if (!options.isStopped)
            same(await server.stop(), 0, "exit code of serve");
    }
}

/** @param {string} name */
function copy(name)
{
    const to = join(work, name);
    cpSync(join(demo, "dossier"), to, {recursive: true});
    return to;
}

/** @param {Page} page @param {[number, number]} p */
async function clickFrame(page, p)
{
    const [x, y] = await onPage(page, p);
    await page.mouse.click(x, y);
    await page.waitForTimeout(60);
}

/** @param {Page} page @param {string} text @param {number} [seconds] */
const panelHas = (page, text, seconds) => until(async () =>
    (await page.locator("#panel").innerText()).includes(text), `the panel to say "${text}"`, seconds);

/** @param {unknown} v */
const number = (v) => Number(String(v).replace("\u2212", "-"));

/** A polygon of the demo's files, frame px. @param {string} file @returns {[number, number][]} */
function polygonOf(file)
{
    const doc = JSON.parse(readFileSync(join(demo, "photographs", file), "utf8"));
    const g = doc.features?.[0]?.geometry ?? doc.geometry ?? doc;
    const ring = g.coordinates[0];
    return ring.slice(0, ring.length - 1);
}

const whole = copy("whole");

await test("without the link nothing is shown", async () => {
    const server = await serve(whole);
    const page = await browser.newPage();
    const r = await page.goto(server.origin);
    same(r?.status(), 403, "status");
    await page.close();
    same(await server.stop(), 0, "exit code of serve");
});

await test("both rooms open on the demo, clean under the real content policy and for axe", () => withServer(whole, async (page) => {
    const d = hc("show", whole);
    same(await page.locator("h1").innerText(), d.title, "title");
    const views = hc("views", whole).views;
    same(await page.locator(".view h3").allInnerTexts(), views.map((/** @type {any} */ v) => v.label), "views");
    await clickFrame(page, [d.frame.w * 0.3, d.frame.h * 0.4]);
    await page.waitForSelector(".cell");
    same(await axeComplaints(page, axe), [], "Look");
    await page.locator("#tab-forecast").click();
    same(await axeComplaints(page, axe), [], "Forecast");
}));

await test("every view can be put on one side and is drawn", () => withServer(whole, async (page) => {
    await page.locator("#stage").press("1");
    const views = hc("views", whole).views, frame = hc("show", whole).frame;
    let before = "";
    for (const v of views) {
        await page.locator("#bar select").first().selectOption(`view:${v.id}`);
        await settled(page);
        await until(() => page.evaluate(() => OpenSeadragon.getViewer("side-a").world.getItemCount() === 1), "the old picture to go");
        const at = [0.2, 0.35, 0.5, 0.65, 0.8].map((f) => onPage(page, [frame.w * f, frame.h * 0.6]));
        const now = JSON.stringify(await colours(page, await Promise.all(at)));
        yes(now !== before, `${v.label} looks like the view before it`);
        before = now;
    }
}));

await test("tiles: every level's edge tile has the size the page counts with", () => withServer(whole, async (page) => {
    const wrong = await page.evaluate(async () => {
        const api = await import("/js/api.js");
        const f = await api.forecast();
        const all = [...(await api.views()).map((v) => v.tiles), ...Object.values(f?.tiles ?? {})];
        const out = [];
        for (const t of all) {
            if (!t)
                continue;
            for (let level = 0; level < t.levels; level++) {
                const k = 2 ** (t.levels - 1 - level), w = Math.ceil(t.w / k), h = Math.ceil(t.h / k);
                const x = Math.ceil(w / t.tile) - 1, y = Math.ceil(h / t.tile) - 1;
                const img = new Image();
                img.src = api.tileUrl(t.key, level, x, y);
                await img.decode();
                if (img.width !== w - x * t.tile || img.height !== h - y * t.tile)
                    out.push(`${t.key} level ${level}: ${img.width} x ${img.height}`);
                if (level === 0 && (x !== 0 || y !== 0))
                    out.push(`${t.key}: level 0 is not one tile`);
            }
        }
        return out;
    });
    same(wrong, [], "tiles");
}));

await test("the strip says what the command says, pictures and hatch as well", () => withServer(whole, async (page) => {
    const frame = hc("show", whole).frame;
    await page.locator("#stage").press("o");
    let given = 0, refused = 0;
    for (const [fx, fy] of [[0.21, 0.63], [0.7, 0.62], [0.92, 0.37], [0.5, 0.85], [0.86, 0.25]]) {
        await clickFrame(page, [frame.w * fx, frame.h * fy]);
        const asked = await until(async () => {
            const src = await page.locator(".cell img").first().getAttribute("src").catch(() => null);
            const q = src ? new URLSearchParams(src.split("?")[1]) : null;
            return q && Math.abs(Number(q.get("x")) - frame.w * fx) < 3 ? q : null;
        }, "the strip to show the place");
        const spot = hc("spot", whole, "--at", `${asked.get("x")},${asked.get("y")}`, "--mm", String(asked.get("mm")));
        const text = await page.locator("#strip-figures").innerText();
        const triple = (/** @type {string} */ name) => new RegExp(`${name}\\s+([\u2212\\d.]+) ([\u2212\\d.]+) ([\u2212\\d.]+)`).exec(text)?.slice(1).map(number);
        same(triple("before"), spot.before.lab.map((/** @type {number} */ v) => Number(v.toFixed(1))), "before");
        if (spot.forecast.lab) {
            given++;
            same(triple("forecast"), spot.forecast.lab.map((/** @type {number} */ v) => Number(v.toFixed(1))), "forecast");
            same(number(/\u00b1([\d.]+)/.exec(text.slice(text.indexOf("forecast")))?.[1]), Number(spot.forecast.radius.toFixed(1)), "radius");
        } else {
            refused++;
            yes(text.includes(spot.forecast.reason), `the reason: ${text}`);
            same(triple("forecast"), undefined, "no forecast where it is refused");
        }
        // The raking views of a state share a cell.
        const cells = new Set(spot.views.map((/** @type {any} */ v) => v.technique === "raking" ? v.state : v.id)).size;
        same(await page.locator(".cell-name").count(), cells + 1, "a cell for each view and the forecast");
    }
    yes(given > 0 && refused > 0, `the spots were of both kinds: ${given} given, ${refused} refused`);
}));

await test("the hatch lies where a zone refuses, and nowhere in the before picture", () => withServer(whole, async (page) => {
    const zone = hc("zone", whole).zones.reduce((/** @type {any} */ a, /** @type {any} */ b) => a.area_mm2 > b.area_mm2 ? a : b);
    const xs = zone.polygon.map((/** @type {number[]} */ p) => p[0]), ys = zone.polygon.map((/** @type {number[]} */ p) => p[1]);
    const cx = (Math.min(...xs) + Math.max(...xs)) / 2, cy = (Math.min(...ys) + Math.max(...ys)) / 2;
    await page.locator("#stage").press("o");
    const spread = async () => {
        const row = [];
        for (let i = -20; i < 20; i++)
            row.push(await onPage(page, [cx + i, cy]));
        const l = (await colours(page, row)).map((c) => c[1]);
        return Math.max(...l) - Math.min(...l);
    };
    await page.locator("#stage").press("1");
    await settled(page);
    const before = await spread();
    await page.locator("#bar select").first().selectOption("forecast");
    await settled(page);
    await page.waitForTimeout(200);
    const after = await spread();
    yes(after > before + 60, `contrast ${before} before, ${after} under the hatch`);
}));

const figures = hc("forecast", whole);

await test("the forecast room gives the forecast's own figures, caveat and refusals", () => withServer(whole, async (page) => {
    const f = figures;
    const text = await page.locator("#room-forecast").innerText();
    for (const s of [f.sentence, f.caveat, `\u00b1${f.radius.median.toFixed(1)}`, f.left_out_de.toFixed(2), f.nothing_de.toFixed(2),
                     ...f.refused.map((/** @type {any} */ r) => r.reason), ...f.estimators.map((/** @type {any} */ e) => e.name),
                     ...(f.next_window ? [f.next_window.why] : [])])
        yes(text.includes(s) || text.includes(s[0].toUpperCase() + s.slice(1)), `"${s}" is in the room`);
    yes(!/original appearance/i.test(await page.locator("body").innerText()), "no claim of how it once looked");
    yes(!text.includes("older than the record"), "a fresh forecast is not called old");
}, {room: "forecast"}));

await test("the whole path through the page: add, place, draw windows and a zone, forecast, report", async () => {
    const dossier = join(work, "path"), photographs = join(demo, "photographs");
    const show = hc("show", whole);
    hc("new", dossier, "--title", "Path \u2013 a \"quoted\" <title>", "--height-mm", String(show.height_mm), "--width-mm", String(show.width_mm));
    await withServer(dossier, async (page) => {
        yes((await page.locator("#stage").innerText()).includes("First add a photograph"), "says what to do first");
        const add = async (/** @type {string} */ file, /** @type {string} */ technique, /** @type {string} */ state, /** @type {number} */ n) => {
            await page.getByLabel("Technique").selectOption(technique);
            await page.getByLabel("State", {exact: true}).selectOption(state);
            await page.locator("#file").setInputFiles(join(photographs, file));
            await until(async () => await page.locator(".view").count() === n && !await page.locator("progress").count(), `${file} to be added`, 120);
        };
        await page.locator("#file").setInputFiles({name: "not.tif", mimeType: "image/tiff", buffer: Buffer.from("no picture at all")});
        await until(async () => (await page.locator("#room-look .trouble").first().innerText()).length > 20, "why a wrong file was refused", 60);
        await add("before.tif", "normal", "before", 1);
        await settled(page);
        await add("test.tif", "normal", "test", 2);
        await add("uv.tif", "uv", "before", 3);
        same(hc("views", dossier).views.map((/** @type {any} */ v) => [v.technique, v.state]), [["normal", "before"], ["normal", "test"], ["uv", "before"]], "views in the record");
        yes(/residual, median [\d.]+\spx \([\d.]+\smm\)/.test(await page.locator("#room-look").innerText()), "the residual is given");
        await page.locator("#tab-forecast").click();
        const frame = hc("show", dossier).frame;
        for (let i = 1; i <= 8; i++) {
            const polygon = polygonOf(`window-${i}.geojson`);
            await page.evaluate(async (q) => {
                const stage = await import("/js/stage.js");
                stage.goTo(q, 4);
            }, polygon[0]);
            await page.waitForTimeout(600);
            await page.locator("#draw-window").click();
            for (const p of polygon)
                await clickFrame(page, p);
            await page.keyboard.press("Enter");
            const form = page.locator("form.particulars");
            await form.getByLabel("System").fill(`system ${i}`);
            await form.getByLabel("Label", {exact: true}).fill(`w${i}`);
            await form.getByRole("button", {name: "Keep"}).click();
            await panelHas(page, `Windows (${i})`);
        }
        const windows = hc("window", dossier).windows;
        for (let i = 0; i < 8; i++) {
            const should = polygonOf(`window-${i + 1}.geojson`);
            same([windows[i].label, windows[i].system, windows[i].surface], [`w${i + 1}`, `system ${i + 1}`, "bare"], "particulars");
            should.forEach((p, k) => near(Math.hypot(windows[i].polygon[k][0] - p[0], windows[i].polygon[k][1] - p[1]), 0, 0.004 * frame.w, `corner ${k} of window ${i + 1}`));
        }
        await page.locator("#stage").press("0");
        await page.waitForTimeout(500);
        const form = page.locator("form.particulars");
        await page.locator("#draw-zone").click();
        for (const p of polygonOf("zone-1.geojson"))
            await clickFrame(page, p);
        await page.keyboard.press("Enter");
        await form.getByLabel("What lies here").selectOption("overpaint");
        await form.getByRole("button", {name: "Keep"}).click();
        await panelHas(page, "Zones to leave out (1)");
        await page.locator("#compute").click();
        await page.waitForSelector("progress");
        await page.getByRole("button", {name: "Cancel"}).click();
        await until(async () => !await page.locator("progress").count(), "the work to stop", 120);
        yes(!/Predicted look after removing this coat to the bare state/.test(await page.locator("#panel").innerText()), "cancelled: no forecast");
        await page.locator("#compute").click();
        await panelHas(page, "Predicted look after removing this coat to the bare state of the 8 windows", 300);
        await settled(page);
        same(await page.locator("#bar select").nth(1).inputValue(), "forecast", "the forecast is on the other side");
        const f = await page.evaluate(async () => (await import("/js/api.js")).forecast());
        if (!f)
            throw new Error("there is no forecast in the record");
        yes(Number(f.left_out_de) < 0.6 * Number(f.nothing_de), "it forecasts");
        yes(f.refused.some((/** @type {any} */ r) => r.code === 1 && r.share > 0), "the zone is refused");
        const [download] = await Promise.all([page.waitForEvent("download", {timeout: 120000}), page.getByRole("button", {name: "Report (PDF)"}).click()]);
        const pdf = readFileSync(await download.path());
        same(pdf.subarray(0, 5).toString(), "%PDF-", "the report is a PDF");
        yes(pdf.length > 20000, `with something in it (${pdf.length} bytes)`);
        const b = page.getByRole("button", {name: "Remove w8"});
        await b.click();
        await page.getByRole("button", {name: "Remove: sure? w8"}).click();
        await panelHas(page, "older than the record");
        same(hc("window", dossier).windows.length, 7, "seven windows in the record");
    });
    same(hc("verify", dossier).problem_count, 0, "problems found by verify");
});

await test("what the program refuses is said in its own sentence", () => withServer(copy("refusals"), async (page) => {
    await page.getByLabel("Surface state").selectOption("varnished");
    await page.locator("#compute").click();
    const text = await until(async () => (await page.locator("#room-forecast > .trouble").innerText()) || null, "a sentence", 120);
    yes(text.length > 30 && text.endsWith("."), text);
    yes(!await page.locator("progress").count(), "no progress is left over");
}, {room: "forecast"}));

await test("open for reading only: no change is offered, all is shown", () => withServer(whole, async (page) => {
    same(await page.locator("#file").count(), 0, "no adding");
    await page.locator("#tab-forecast").click();
    same(await page.locator("#compute, #draw-window, #draw-zone").count(), 0, "no changes");
    const frame = hc("show", whole).frame;
    await clickFrame(page, [frame.w * 0.2, frame.h * 0.6]);
    await page.waitForSelector(".cell");
}, {more: ["--read-only"]}));

await test("when the program ends, the page says so", () => withServer(whole, async (page, server) => {
    const frame = hc("show", whole).frame;
    await clickFrame(page, [frame.w * 0.2, frame.h * 0.6]);
    await page.waitForSelector(".cell");
    same(await server.stop(), 0, "exit code of serve");
    await clickFrame(page, [frame.w * 0.6, frame.h * 0.3]);
    await until(async () => (await page.locator("#strip").innerText()).includes("does not answer"), "the sentence");
}, {isStopped: true}));

await test("the line's frames: line and cut agree and no picture is redrawn, on the real pictures", () => withServer(whole, async (page) => {
    const grip = await boxOf(page, ".line-grip");
    await page.evaluate(() => {
        const w = /** @type {any} */ (window);
        w.redrawn = 0;
        for (const id of ["side-a", "layer-b"])
            OpenSeadragon.getViewer(id).addHandler("update-viewport", () => w.redrawn++);
    });
    const x = grip.x + grip.width / 2, y = grip.y + grip.height / 2;
    await page.mouse.move(x, y);
    await page.mouse.down();
    await page.mouse.move(x - 150, y + 40, {steps: 40});
    await page.mouse.up();
    same(await page.evaluate(() => /** @type {any} */ (window).redrawn), 0, "pictures redrawn");
    near((await boxOf(page, ".line-grip")).x - grip.x, -150, 2, "the line went along");
}));

await test("fit maps: the program's tiles over its own view, its figures, and its share without support", () => withServer(whole, async (page) => {
    const views = hc("views", whole).views.filter((/** @type {any} */ v) => ["good", "usable"].includes(v.fit.verdict));
    yes(views.length > 5, "fitted views");
    for (const v of views) {
        const item = page.locator(`#view-${v.id}`);
        if (!await item.locator("details").first().evaluate((d) => /** @type {HTMLDetailsElement} */ (d).open))
            await item.getByText("File and fit").click();
        const text = await item.innerText(), f = v.fit;
        for (const s of [f.why.slice(1), f.held_out_median_px.toFixed(2), f.held_out_p95_px.toFixed(2), f.held_out_median_mm.toFixed(2), f.held_out_p95_mm.toFixed(2), `${f.tiles_used} of ${f.tiles_textured}`])
            yes(text.includes(s), `"${s}" in ${text}`);
        await page.getByRole("button", {name: `Fit map: ${v.label}`, exact: true}).click();
        await until(async () => (await page.locator("#legend").innerText()).includes(`fit of ${v.label}: ${f.verdict}, ` +
            (f.kind.startsWith("one place") ? f.kind : `${f.tiles_used} of ${f.tiles_textured}`)), `the map of ${v.label}`);
        const map = await page.evaluate(async (id) => (await import("/js/api.js")).fit(id), v.id);
        // The hatched cells are those the program found no support for, as the share in its report says.
        const cells = map.support?.mask.join("") ?? "", shown = [...cells].filter((c) => c === "1").length / cells.length;
        near(shown, f.area_supported, 0.05, `share with support, ${v.label}`);
    }
}));

await test("differences on the real pictures: little from before to test where no window is, much to the forecast", () => withServer(whole, async (page) => {
    const frame = hc("show", whole).frame;
    const at = await Promise.all([[0.3, 0.6], [0.5, 0.75], [0.75, 0.55], [0.6, 0.2]].map(([x, y]) => onPage(page, [frame.w * x, frame.h * y])));
    const mean = async (/** @type {string} */ side) => {
        await page.locator("#bar select").nth(1).selectOption(side);
        await settled(page);
        await page.waitForTimeout(200);
        return (await colours(page, at)).flat().reduce((a, b) => a + b, 0) / 12;
    };
    await page.locator("#stage").press("4");
    const views = hc("views", whole).views, test2 = views.find((/** @type {any} */ v) => v.state === "test");
    const small = await mean(`view:${test2.id}`), large = await mean("forecast");
    yes(small < 25 && large > 1.5 * small, `before and test ${small}, before and forecast ${large}`);
}));

/** A colour target as a camera with crosstalk sees it, a little turned; 8-bit PNG. @param {number} seed */
function targetPhotograph(seed)
{
    const data = new URL("../data/chart24_spectra.csv", import.meta.url);
    const labs = readFileSync(data, "utf8").split("\n").filter((l) => l && !l.startsWith("#") && !l.startsWith("name"))
        .map((l) => l.split(",").slice(4, 7).map(Number));
    const camera = [[0.70, 0.07, 0.03], [0.05, 0.68, 0.05], [0.02, 0.10, 0.66]];
    const shot = (/** @type {number[]} */ lab) => {
        const lin = srgbOf(lab).map((v) => v <= 10 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
        return camera.map((row) => row.reduce((s, m, i) => s + m * lin[i], 0)).map((v) => 255 * (1.055 * v ** (1 / 2.4) - 0.055));
    };
    const patches = labs.map(shot), card = shot([22, 0, 0]), table = shot([45, 2, 8]);
    const w = 1200, h = 900, rows = Buffer.alloc((3 * w + 1) * h), c = Math.cos(0.07), s = Math.sin(0.07);
    for (let y = 0, o = 0; y < h; y++) {
        o++;
        for (let x = 0; x < w; x++) {
            const u = c * (x - 600) + s * (y - 450) + 260, v = -s * (x - 600) + c * (y - 450) + 175;
            const i = Math.floor(u / 84), j = Math.floor(v / 84), isCard = u > -14 && v > -14 && u < 504 && v < 336;
            const isPatch = i >= 0 && j >= 0 && i < 6 && j < 4 && u - 84 * i < 70 && v - 84 * j < 70;
            for (const k of isPatch ? patches[6 * j + i] : isCard ? card : table) {
                seed = (Math.imul(seed, 1664525) + 1013904223) >>> 0;
                rows[o++] = Math.round(k + seed / 2 ** 32 - 0.5);
            }
        }
    }
    return pngOf(w, h, rows);
}

await test("calibration: the page says what the command says, of the view itself and of one that inherits", async () => {
    const d = join(work, "chart"), chart = fileURLToPath(new URL("../data/chart24_average_reflectance.csv", import.meta.url));
    hc("new", d, "--title", "Chart", "--height-mm", "90", "--width-mm", "120");
    for (const [label, seed] of /** @type {[string, number][]} */ ([["target", 3], ["later", 4]])) {
        writeFileSync(join(work, `${label}.png`), targetPhotograph(seed));
        hc("add", d, join(work, `${label}.png`), "--technique", "normal", "--state", "before", "--label", label);
    }
    await withServer(d, async (page) => {
        await page.locator(".view").first().getByText("Calibration", {exact: true}).click();
        yes((await page.locator(".view").first().innerText()).includes('halfclean calibrate DOSSIER "target" --chart FILE'), "how to get one");
    }, {more: ["--read-only"]});
    const doc = hc("calibrate", d, "target", "--chart", chart, "--also", "later");
    yes(doc.left_out_patch.mean < 0.5 * doc.before.mean, "the calibration is a good one");
    await withServer(d, async (page) => {
        const own = page.locator(".view").first(), heir = page.locator(".view").nth(1);
        await own.getByText("Calibration", {exact: true}).click();
        await own.locator(".plot").first().waitFor();
        await own.getByText("Against published tolerances").click();
        await own.getByText("All 24 patches").click();
        const text = (await own.innerText()).replaceAll("\u2212", "-"), out = doc.left_out_patch;
        const worst = [...doc.patches].filter((p) => !p.fault).sort((a, b) => b.de_left_out - a.de_left_out)[0];
        for (const s of [out.mean, out.p95, out.max, doc.before.mean, doc.exposure_ev].map((v) => v.toFixed(2)).concat(
            doc.kind, `${doc.used} of 24`, `Worst patches: ${worst.name} ${worst.de_left_out.toFixed(2)}`, ...doc.patches.map((/** @type {any} */ p) => p.name)))
            yes(text.includes(s), `"${s}" in ${text}`);
        for (const t of doc.qualities.flatMap((/** @type {any} */ q) => q.tolerances))
            yes(text.includes(`${t.guideline}, ${t.year}`) && text.includes(t.level), `${t.guideline} ${t.level}`);
        yes(text.includes("read in a table made by others") === doc.qualities.some((/** @type {any} */ q) => q.tolerances.some((/** @type {any} */ t) => t.status === "secondary")), "how the numbers are known");
        same([await own.locator(".plot-patch").count(), await own.locator("svg rect[fill]").count()], [24, 48], "patches and swatches");
        same(await axeComplaints(page, axe), [], "axe");
        yes((await heir.innerText()).includes("calibrated by target, inherited"), "the list says so");
        await heir.getByText("Calibration", {exact: true}).click();
        await until(async () => (await heir.innerText()).includes("Inherited from target: nothing was measured"), "and the panel");
    }, {more: ["--read-only"]});
});

await test("calibrating from the page: found or by its corners, measured where the outlines lie, taken back; points at their spots", async () => {
    const d = join(work, "by-page"), chart = fileURLToPath(new URL("../data/chart24_average_reflectance.csv", import.meta.url));
    hc("new", d, "--title", "Chart", "--height-mm", "90", "--width-mm", "120");
    for (const [label, seed] of /** @type {[string, number][]} */ ([["target", 3], ["later", 4]])) {
        writeFileSync(join(work, `${label}.png`), targetPhotograph(seed));
        hc("add", d, join(work, `${label}.png`), "--technique", "normal", "--state", "before", "--label", label);
    }
    writeFileSync(join(work, "short.csv"), readFileSync(chart, "utf8").split("\n").map((l) => l.split(",").slice(0, 24).join(",")).join("\n"));
    await withServer(d, async (page) => {
        const own = page.locator("#view-1"), heir = page.locator("#view-2"), button = (/** @type {string} */ name, at = own) => at.getByRole("button", {name, exact: true});
        yes((await own.innerText()).includes("ASSUMED to be sRGB"), "before: an assumption, said loudly");
        await own.getByText("Calibration", {exact: true}).click();
        await own.getByLabel("Reference file of the target").setInputFiles(join(work, "short.csv"));
        await button("Calibrate").click();
        await until(async () => (await own.innerText()).includes("23 patches: say how many rows and columns the target has"), "the refusal of a short file");
        await own.getByLabel("Reference file of the target").setInputFiles(chart);
        await own.getByLabel("later").check();
        await button("Calibrate").click();
        await until(async () => (await own.innerText()).includes("Worst patches:"), "the panel", 60);
        const doc = hc("calibrate", d, "target"), text = await own.innerText();
        yes(text.includes(doc.left_out_patch.mean.toFixed(2)) && text.includes(`${doc.used} of 24`), "the command's figures");
        yes(!text.includes("ASSUMED") && !(await heir.innerText()).includes("ASSUMED"), "nothing is assumed any more");
        yes((await heir.innerText()).includes("calibrated by target, inherited"), "the heir says so");
        await own.getByText("File and fit").click();
        yes((await own.innerText()).includes("only opens it and no longer says what its colours are"), "what the colours rest on");

        await button("Where it was measured").click();
        const dialog = page.getByRole("dialog");
        await until(() => dialog.locator("img").first().evaluate((i) => /** @type {HTMLImageElement} */ (i).naturalWidth === 512), "the picture");
        await page.waitForTimeout(300);
        const parts = await dialog.locator(".measured-part.over").evaluateAll((all) => all.map((e) => {
            const r = e.getBoundingClientRect();
            return /** @type {[number, number]} */ ([r.x + r.width / 2, r.y + r.height / 4]);
        }));
        same(parts.length, 24, "outlines");
        (await colours(page, parts)).forEach((rgb, i) => srgbOf(doc.patches[i].lab).forEach((v, k) => near(rgb[k], v, 14, `${doc.patches[i].name}, channel ${k}`)));
        await button("Close", dialog).click();

        await button("Take calibration back").click();
        await until(async () => (await own.innerText()).includes("ASSUMED to be sRGB"), "taken back", 30);
        await button("Give its corners\u2026").click();
        const area = dialog.getByRole("application"), box = /** @type {any} */ (await area.boundingBox()), c = Math.cos(0.07), s = Math.sin(0.07);
        await page.waitForTimeout(300);
        const at = [[0, 0], [5, 0], [5, 3], [0, 3]].map(([i, j]) => {
            const u = 84 * i + 35 - 260, v = 84 * j + 35 - 175;
            return [600 + c * u - s * v, 450 + s * u + c * v];
        });
        for (const [x, y] of at)
            await page.mouse.click(box.x + x / 1200 * box.width, box.y + ((y - 450) / 1200 + 0.5) * box.height);
        await button("Use these corners", dialog).click();
        await button("Calibrate").click();
        await until(async () => (await own.innerText()).includes("Worst patches:"), "the panel", 60);
        const given = hc("calibrate", d, "target");
        at.forEach((p, i) => p.forEach((x, k) => near(given.corners[i][k], x, 4, `corner ${i + 1}`)));
        near(given.left_out_patch.mean, doc.left_out_patch.mean, 0.2, "as good as found");

        const [x, y] = at[0].map(Math.round), lab = doc.patches[0].reference_lab;
        writeFileSync(join(work, "points.csv"), `id,x,y,L,a,b\nskin,${x},${y},${lab.join(",")}\nboard,100,100,45,2,8\n`);
        const points = page.locator("section[aria-labelledby=points-title]");
        await points.getByText("Import", {exact: true}).click();
        await points.getByLabel("File").setInputFiles(join(work, "points.csv"));
        await until(async () => (await points.innerText()).includes("skin"), "the points");
        const check = hc("points", d), rows = await points.locator("tbody tr").allInnerTexts();
        check.points.forEach((/** @type {any} */ p, /** @type {number} */ i) => yes(rows[i].endsWith(p.de.toFixed(1)), `CIEDE2000 of ${p.id} in ${rows[i]}`));
        near(check.points[0].de, given.patches[0].de, 0.6, "a patch of the target, as a point");
        same(await page.locator("g.points circle.over").count(), 2, "marks on the picture");
        same(await axeComplaints(page, axe), [], "axe");
    });
});

await browser.close();
rmSync(work, {recursive: true, force: true});
finish();
