// A small runner for tests that drive a browser: names, counts, one closing line.
import {chromium} from "playwright-core";

/** @typedef {import("playwright-core").Page} Page */

const ARGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
              "--disable-background-networking", "--disable-component-update", "--disable-sync",
              "--use-angle=swiftshader", "--enable-unsafe-swiftshader"];

export const launch = () => chromium.launch({
    executablePath: process.env.HC_CHROMIUM ?? "/usr/bin/chromium", args: ARGS});

let passed = 0, failed = 0;

/** Run one test. HC_ONLY=text runs only those whose name contains it (and says how many it left out).
 *  @param {string} name @param {() => Promise<void>} fn */
export async function test(name, fn)
{
    if (process.env.HC_ONLY && !name.includes(process.env.HC_ONLY)) {
        console.log(`left out: ${name}`);
        return;
    }
    try {
        await fn();
        passed++;
        console.log(`ok    ${name}`);
    } catch (e) {
        failed++;
        console.log(`FAIL  ${name}\n${e instanceof Error ? e.stack : e}`);
    }
}

/** The closing line, and the exit status. */
export function finish()
{
    console.log(`${passed} passed, ${failed} failed`);
    process.exitCode = failed ? 1 : 0;
}

/** @param {unknown} is @param {unknown} should @param {string} what */
export function same(is, should, what)
{
    const a = JSON.stringify(is), b = JSON.stringify(should);
    if (a !== b)
        throw new Error(`${what}: is ${a}, should be ${b}`);
}

/** @param {unknown} is @param {string} what @returns {void} */
export function yes(is, what)
{
    if (!is)
        throw new Error(`not so: ${what}`);
}

/** @param {number} is @param {number} should @param {number} within @param {string} what */
export function near(is, should, within, what)
{
    if (!(Math.abs(is - should) <= within))
        throw new Error(`${what}: is ${is}, should be ${should} within ${within}`);
}

/** Wait until fn gives something true. @template T @param {() => Promise<T>} fn @param {string} what
 *  @param {number} [seconds] @returns {Promise<NonNullable<T>>} */
export async function until(fn, what, seconds = 20)
{
    const end = Date.now() + seconds * 1000;
    for (;;) {
        const v = await fn();
        if (v)
            return v;
        if (Date.now() > end)
            throw new Error(`waited ${seconds} s in vain for: ${what}`);
        await new Promise((r) => setTimeout(r, 50));
    }
}

/**
 * Colours of points of the page as it is painted now.
 * @param {Page} page @param {[number, number][]} points CSS px @returns {Promise<number[][]>}
 */
export async function colours(page, points)
{
    const png = (await page.screenshot()).toString("base64");
    return page.evaluate(async ([data, at]) => {
        const img = new Image();
        img.src = `data:image/png;base64,${data}`;
        await img.decode();
        const c = document.createElement("canvas");
        c.width = img.width;
        c.height = img.height;
        const g = /** @type {CanvasRenderingContext2D} */ (c.getContext("2d"));
        g.drawImage(img, 0, 0);
        return at.map(([x, y]) => [...g.getImageData(Math.round(x), Math.round(y), 1, 1).data.slice(0, 3)]);
    }, /** @type {[string, [number, number][]]} */ ([png, points]));
}

/** Wait until every picture in sight is drawn at its full sharpness. @param {Page} page */
export const settled = (page) => until(() => page.evaluate(() => ["side-a", "layer-b", "marks"].every((id) => {
    const world = OpenSeadragon.getViewer(id)?.world;
    return world && Array.from({length: world.getItemCount()}, (_, i) => world.getItemAt(i))
        .every((t) => t.getFullyLoaded());
})), "the pictures to be drawn");

/** Where a frame point is on the page, CSS px. @param {Page} page @param {[number, number]} p
 *  @returns {Promise<[number, number]>} */
export async function onPage(page, p)
{
    return page.evaluate(async (q) => {
        const stage = await import("/js/stage.js");
        const r = /** @type {HTMLElement} */ (document.getElementById("stage")).getBoundingClientRect();
        const [x, y] = stage.toScreen(q);
        return /** @type {[number, number]} */ ([x + r.left, y + r.top]);
    }, p);
}

/** Complaints of axe about the page as it is. @param {Page} page @param {string} axe its source
 *  @returns {Promise<string[]>} */
export async function axeComplaints(page, axe)
{
    await page.evaluate(axe);
    return page.evaluate(async () => {
        const r = await /** @type {any} */ (window).axe.run(document, {resultTypes: ["violations"]});
        return r.violations.map((/** @type {any} */ v) =>
            `${v.id}: ${v.help}: ${v.nodes.map((/** @type {any} */ n) => n.target.join(" ")).join("; ")}`);
    });
}

/** Where something is. @param {Page} page @param {string} selector */
export async function boxOf(page, selector)
{
    const box = await page.locator(selector).boundingBox();
    if (!box)
        throw new Error(`${selector} is not to be seen`);
    return box;
}
