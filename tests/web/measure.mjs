// Prints how fast the page is; judges nothing.
//   node measure.mjs LINK     (the link that halfclean serve prints)
import {boxOf, launch, settled} from "./harness.mjs";

const link = process.argv[2];
if (!link) {
    console.log("usage: node measure.mjs LINK");
    process.exit(2);
}
const browser = await launch();

/** @param {number[]} v @param {number} q */
const quantile = (v, q) => [...v].sort((a, b) => a - b)[Math.min(v.length - 1, Math.floor(q * v.length))];

/** @param {import("playwright-core").Page} page @param {string} what @param {() => Promise<void>} fn */
async function frames(page, what, fn)
{
    await page.evaluate(() => {
        const w = /** @type {any} */ (window);
        w.times = [];
        const tick = (/** @type {number} */ t) => {
            w.times.push(t);
            w.ticking = requestAnimationFrame(tick);
        };
        requestAnimationFrame(tick);
    });
    await fn();
    const times = await page.evaluate(() => {
        const w = /** @type {any} */ (window);
        cancelAnimationFrame(w.ticking);
        return /** @type {number[]} */ (w.times);
    });
    const gaps = times.slice(1).map((t, i) => t - times[i]);
    console.log(`${what}: ${gaps.length} frames, median ${quantile(gaps, 0.5).toFixed(1)} ms, ` +
                `95 % ${quantile(gaps, 0.95).toFixed(1)} ms, longest ${Math.max(...gaps).toFixed(1)} ms`);
}

/** Dragging the lamp round, with and without thrown shadows, over the whole picture and enlarged.
 *  @param {import("playwright-core").Page} page */
async function lampFrames(page)
{
    await page.locator("#tab-light").click();
    const button = page.getByRole("button", {name: "Light the lamp"});
    if (!(await button.count()))
        return;
    await page.getByRole("radio", {name: "One side"}).check({force: true});
    await button.click();
    const renderer = await page.evaluate(() => {
        const gl = /** @type {HTMLCanvasElement} */ (document.getElementById("lamp")).getContext("webgl2");
        const it = gl?.getExtension("WEBGL_debug_renderer_info");
        return String(it && gl?.getParameter(it.UNMASKED_RENDERER_WEBGL));
    });
    console.log(`  the lamp, drawn by ${renderer}`);
    for (const [where, zoom] of /** @type {[string, number][]} */ ([["whole picture", 0], ["at 1:1", 1], ["at 4:1", 4]])) {
        if (zoom)
            await page.evaluate(async (z) => {
                const stage = await import("/js/stage.js"), [w, h] = stage.frameSize();
                stage.goTo([w / 2, 0.7 * h], 1);
                stage.zoomBy(z / devicePixelRatio / stage.scale(), [w / 2, 0.7 * h]);
            }, zoom);
        await page.waitForTimeout(1500);
        await page.waitForLoadState("networkidle");
        for (const isShadowed of [true, false]) {
            await page.getByLabel("Shadows thrown by ridges").setChecked(isShadowed);
            const area = await boxOf(page, "#stage"), grip = await boxOf(page, ".lamp-disc");
            await page.mouse.move(grip.x + grip.width / 2, grip.y + grip.height / 2);
            await page.mouse.down();
            await frames(page, `  dragging the lamp, ${where}, shadows ${isShadowed ? "on" : "off"}`, async () => {
                for (let i = 0; i < 60; i++)
                    await page.mouse.move(area.x + area.width / 2 + 160 * Math.cos(i / 6), area.y + area.height / 2 + 160 * Math.sin(i / 6));
            });
            await page.mouse.up();
        }
    }
    await page.locator("#tab-look").click();
}

for (const [width, height] of [[1280, 800], [1920, 1080]]) {
    const page = await browser.newPage({viewport: {width, height}});
    await page.goto(link);
    await page.waitForSelector(".is-open");
    await settled(page);
    // A second opening, as on any later day: nothing kept but the program's own files.
    const begin = Date.now();
    await page.goto(new URL("/", link).href);
    await page.waitForSelector(".is-open");
    const open = Date.now() - begin;
    await settled(page);
    console.log(`${width} x ${height}: page open after ${open} ms, all pictures sharp after ${Date.now() - begin} ms`);
    const grip = await boxOf(page, ".line-grip"), x = grip.x + grip.width / 2, y = grip.y + grip.height / 2;
    await page.mouse.move(x, y);
    await page.mouse.down();
    await frames(page, "  dragging the line", async () => {
        for (let i = 0; i < 120; i++)
            await page.mouse.move(x + 200 * Math.sin(i / 12), y + 60 * Math.sin(i / 7));
    });
    await page.mouse.up();
    const ring = await boxOf(page, ".line-ring");
    await page.mouse.move(ring.x + ring.width / 2, ring.y + ring.height / 2);
    await page.mouse.down();
    await frames(page, "  turning the line", async () => {
        for (let i = 0; i < 90; i++)
            await page.mouse.move(x + 150 * Math.cos(i / 15), y + 150 * Math.sin(i / 15));
    });
    await page.mouse.up();
    await frames(page, "  zooming with both pictures", async () => {
        await page.locator("#stage").press("+");
        await page.waitForTimeout(400);
        await page.locator("#stage").press("0");
        await page.waitForTimeout(500);
    });
    await lampFrames(page);
    const tiles = await page.evaluate(async () => {
        const api = await import("/js/api.js");
        const t = (await api.views())[0].tiles, out = [];
        if (!t)
            return [];
        const level = t.levels - 1, nx = Math.ceil(t.w / 256), ny = Math.ceil(t.h / 256);
        for (let i = 0; i < 200; i++) {
            const begin = performance.now();
            await (await fetch(api.tileUrl(t.key, level, i % nx, Math.floor(i / nx) % ny), {cache: "no-store"})).blob();
            out.push(performance.now() - begin);
        }
        return out;
    });
    console.log(`  tiles: median ${quantile(tiles, 0.5).toFixed(1)} ms, 95 % ${quantile(tiles, 0.95).toFixed(1)} ms`);
    await page.close();
}
await browser.close();
