// The room Light against the stand-in program: the lamp on a surface that is known, its figures, its refusals.
import {readFile} from "node:fs/promises";
import {axeComplaints, colours, finish, near, onPage, same, test, until, yes} from "./harness.mjs";
import {browser, clickFrame, withPage} from "./stand_in.mjs";

/** @typedef {import("playwright-core").Page} Page */

const axe = await readFile(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
const light = {room: "light"};

/** @param {Page} page */
const note = (page) => page.locator("#lamp-note").innerText();

/** Lit without colours and thrown shadows, everything loaded. @param {Page} page */
async function plain(page)
{
    await page.getByRole("button", {name: "Light the lamp"}).click();
    await page.getByLabel("Without the colours").check();
    await page.getByLabel("Shadows thrown by ridges").uncheck();
    await page.getByRole("radio", {name: "One side"}).check({force: true});
    await page.waitForLoadState("networkidle");
}

/** Linear light of a frame place as painted. @param {Page} page @param {[number, number]} p */
async function linear(page, p)
{
    const [[r]] = await colours(page, [await onPage(page, p)]), v = r / 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
}

/** @param {Page} page @param {string} name @param {number} v */
const slide = (page, name, v) => page.getByLabel(name, {exact: true}).fill(String(v));

await test("the lamp obeys Lambert's law on the known surface", () => withPage("full", async (page) => {
    await plain(page);
    await slide(page, "Height over the picture", 30);
    // Where cos(0.02 x) is 1 the stand-in's surface rises most to the right: p = 0.005.
    const steep = /** @type {[number, number]} */ ([942.5, 1768]);
    for (const [factor, azimuth] of [[1, 0], [1, 180], [8, 0], [8, 180], [8, 90]]) {
        await slide(page, "Exaggeration of the relief", factor);
        await slide(page, "Direction", azimuth);
        await page.waitForTimeout(150);
        const shown = await linear(page, steep), at = await page.evaluate(([x, y]) => {
            const el = /** @type {HTMLElement} */ (document.getElementById("stage"));
            const box = el.getBoundingClientRect();
            return {x: x - box.left - box.width / 2, y: box.height / 2 - (y - box.top), d: Math.hypot(box.width, box.height)};
        }, await onPage(page, steep));
        const p = 0.005 * factor, q = -0.004 * Math.cos(0.016 * steep[1]) * factor, n = Math.hypot(1, p, q);
        const far = 3 * at.d, el = Math.PI / 6, az = azimuth * Math.PI / 180;
        const d = [far * Math.cos(el) * Math.cos(az) - at.x, far * Math.cos(el) * Math.sin(az) - at.y, far * Math.sin(el)];
        const l = Math.hypot(...d), lit = (-p * d[0] - q * d[1] + d[2]) / (n * l) * (far / l) ** 2;
        near(shown, 0.42 * (0.03 + 2 * lit), 0.012, `linear light, lamp at ${azimuth}, relief x${factor}`);
    }
}, light));

await test("what is lit, from where and how much exaggerated is always said", () => withPage("full", async (page) => {
    await plain(page);
    yes(/state before, lit from upper left, 22\u00b0 above the picture, as measured/.test(await note(page)), await note(page));
    await slide(page, "Exaggeration of the relief", 3);
    yes((await note(page)).includes("exaggerated \u00d73.0"), await note(page));
    await slide(page, "Height over the picture", 90);
    yes((await note(page)).includes("straight in front"), await note(page));
}, light));

await test("the lamp is moved by hand and by keys", () => withPage("full", async (page) => {
    await plain(page);
    const grip = page.getByRole("slider", {name: "Lamp", exact: true});
    const stage = /** @type {{x:number, y:number, width:number, height:number}} */ (await page.locator("#stage").boundingBox());
    const box = /** @type {{x:number, y:number, width:number, height:number}} */ (await grip.boundingBox());
    await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
    await page.mouse.down();
    await page.mouse.move(stage.x + stage.width / 2 + 100, stage.y + stage.height / 2, {steps: 8});
    await page.mouse.up();
    yes((await note(page)).includes("from the right"), await note(page));
    same(await grip.getAttribute("aria-valuenow"), "0", "azimuth");
    await grip.focus();
    await page.keyboard.press("ArrowLeft");
    same(await grip.getAttribute("aria-valuenow"), "3", "a step against the clock");
    await page.keyboard.press("Shift+ArrowRight");
    same(await grip.getAttribute("aria-valuenow"), "-12", "a long step back");
    await page.keyboard.press("Home");
    same(await grip.getAttribute("aria-valuenow"), "135", "home");
    same(await page.getByLabel("Direction", {exact: true}).inputValue(), "135", "the slider follows");
}, light));

await test("where there is no answer the picture is hatched", () => withPage("full", async (page) => {
    await plain(page);
    const row = await Promise.all(Array.from({length: 30}, (_, i) => onPage(page, /** @type {[number, number]} */ ([2850, 1500 + 4 * i]))));
    const seen = await colours(page, row);
    yes(seen.some(([r]) => r > 225) && seen.some(([r]) => r < 40), `light and dark strokes in ${JSON.stringify(seen)}`);
}, light));

await test("two states lie on the two sides of the line", () => withPage("full", async (page) => {
    await plain(page);
    await page.getByRole("radio", {name: "Half-clean line"}).check({force: true});
    await page.getByLabel("Relief of the other").selectOption("test");
    await slide(page, "Height over the picture", 20);
    await slide(page, "Exaggeration of the relief", 8);
    await page.waitForLoadState("networkidle");
    await page.waitForTimeout(300);
    // Contrast along a row, on each side: the relief of "test" is twice that of "before".
    const spread = async (/** @type {number} */ x0) => {
        const v = [];
        for (let i = 0; i < 16; i++)
            v.push(await linear(page, [x0 + 20 * i, 2900]));
        return (Math.max(...v) - Math.min(...v)) / (Math.max(...v) + Math.min(...v));
    };
    const [one, other] = [await spread(300), await spread(2300)];
    near(other / one, 2, 0.4, "ratio of contrasts");
    yes((await note(page)).includes("the states before and test"), await note(page));
    await page.getByLabel("Relief of one side").selectOption("test");
    await page.getByLabel("Relief of the other").selectOption("predicted");
    yes(/predicted: slopes \u00d71\.60 \(90 %: 1\.20 to 2\.00\)/.test(await note(page)), await note(page));
}, light));

await test("figures, forecast and refusals are told", () => withPage("full", async (page) => {
    const text = await page.locator("#room-light").innerText();
    for (const part of ["0.41 of the paint's", "41.2 \u00b5m", "times 1.60 (90 %: 1.20 to 2.00)", "keeps 0.41 (90 %: 0.24 to 0.58)",
                        "The window is too small for this band.", "nothing is foretold"])
        yes(text.includes(part), `the room says "${part}"`);
    same(await page.locator(".plot path.plot-line").count(), 2, "a curve for each state");
}, light));

await test("a line across the relief", () => withPage("full", async (page) => {
    await page.getByRole("button", {name: "Line across the relief"}).click();
    await clickFrame(page, [600, 1500]);
    await clickFrame(page, [1150, 1500]);
    await until(async () => (await page.locator(".plot path.plot-line").count()) === 4, "the two profiles");
    const text = await page.locator("#room-light").innerText();
    yes(text.includes("before, test dashed; not reliable over 150 mm"), "which is which, and how far it holds");
}, light));

await test("computing, its failure, and lamps from a file", () => withPage("full", async (page) => {
    await page.getByLabel("Method").selectOption("least-squares");
    await page.getByRole("button", {name: "Compute"}).click();
    await until(async () => (await page.locator("#room-light .trouble").innerText()).includes("0.4 of the others"), "the reason");
    await page.getByLabel("Method").selectOption("trimmed");
    await page.getByRole("button", {name: "Compute"}).click();
    await until(async () => (await page.locator("#say").innerText()).includes("relief: done"), "the work to be done");
    await page.getByLabel("Lamps from a file").setInputFiles({name: "a.csv", mimeType: "text/csv", buffer: Buffer.from("x\n1\n")});
    await until(async () => (await page.locator("#room-light .trouble").innerText()).includes("first line of names"), "the fault of the file");
    await page.getByLabel("Lamps from a file").setInputFiles({name: "b.csv", mimeType: "text/csv",
        buffer: Buffer.from("file,azimuth_deg,elevation_deg\na.tif,0,30\n")});
    await until(async () => (await page.locator("#say").innerText()).includes("1 lamps were read"), "the number read");
}, light));

await test("an empty room says what to do first", () => withPage("no-forecast", async (page) => {
    yes((await page.locator("#room-light").innerText()).includes("three or more views in raking light"), "advice");
    same(await page.getByRole("button", {name: "Light the lamp"}).count(), 0, "no lamp");
}, light));

await test("axe finds nothing wrong in the room Light, lit", () => withPage("full", async (page) => {
    await plain(page);
    same(await axeComplaints(page, axe), [], "Light");
}, light));

await test("leaving the room puts the lamp out", () => withPage("full", async (page) => {
    await plain(page);
    await page.getByRole("tab", {name: "Look"}).click();
    yes(await page.locator("#lamp").isHidden(), "the lamp's canvas is away");
}, light));

await browser.close();
finish();
