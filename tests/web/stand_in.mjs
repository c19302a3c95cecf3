// A page on the stand-in program, for tests.
import {launch, onPage, same, settled} from "./harness.mjs";
import {startMock} from "./mock_server.mjs";

/** @typedef {import("playwright-core").Page} Page */

export const browser = await launch();

/**
 * A page on its own program. Fails on anything the browser complains about, but the 404 that says
 * "no forecast yet".
 * @param {string} kind @param {(page: Page, world: any) => Promise<void>} fn
 * @param {{room?: string, width?: number, height?: number, touch?: boolean, seconds?: number,
 *   store?: Record<string, string>}} [options]
 */
export async function withPage(kind, fn, options = {})
{
    const mock = await startMock(kind, {seconds: options.seconds ?? 0.5});
    const context = await browser.newContext({acceptDownloads: true, hasTouch: options.touch ?? false,
        viewport: {width: options.width ?? 1280, height: options.height ?? 800}});
    const page = await context.newPage();
    /** @type {string[]} */
    const complaints = [];
    page.on("console", (m) => {
        if (m.type() === "error" && !/status of 4\d\d/.test(m.text()))
            complaints.push(m.text());
    });
    page.on("pageerror", (e) => complaints.push(String(e)));
    page.on("request", (r) => {
        if (!/^(data|blob):/.test(r.url()) && !r.url().startsWith(mock.url))
            complaints.push(`asked outside: ${r.url()}`);
    });
    try {
        await page.addInitScript((s) => Object.entries(s).forEach(
            ([k, v]) => localStorage.setItem(`halfclean-${k}`, v)), options.store ?? {});
        await page.goto(`${mock.url}#${options.room ?? "look"}`);
        await page.waitForSelector(".is-open");
        await settled(page);
        await fn(page, mock.world);
        same(complaints, [], "what the browser complained about");
    } finally {
        await context.close();
        await mock.stop();
    }
}

/** @param {Page} page @param {[number, number]} p */
export async function clickFrame(page, p)
{
    const [x, y] = await onPage(page, p);
    await page.mouse.click(x, y);
    // Two quick clicks at one place would be a double click.
    await page.waitForTimeout(60);
}
