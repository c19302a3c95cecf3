// True colour in the page, against the stand-in program: calibrating, corners, plots, point measurements.
// With the real program: e2e_colour.mjs.
import {mkdirSync, readFileSync} from "node:fs";
import {axeComplaints, finish, launch, near, onPage, same, settled, test, until, yes} from "./harness.mjs";
import {TARGET} from "./mock_colour.mjs";
import {startMock} from "./mock_server.mjs";

/** @typedef {import("playwright-core").Page} Page */
/** @typedef {import("playwright-core").Locator} Locator */

const axe = readFileSync(new URL("node_modules/axe-core/axe.min.js", import.meta.url), "utf8");
const browser = await launch(), shots = process.env.HC_SHOTS;

/** @param {string} kind @param {(page: Page, world: any) => Promise<void>} fn
 *  @param {{width?: number, height?: number, touch?: boolean}} [options] */
async function withPage(kind, fn, options = {})
{
    const mock = await startMock(kind, {seconds: 0.3});
    const context = await browser.newContext({hasTouch: options.touch ?? false, viewport: {width: options.width ?? 1280, height: options.height ?? 800}});
    const page = await context.newPage();
    /** @type {string[]} */
    const complaints = [];
    page.on("console", (m) => m.type() === "error" && !/status of 4\d\d/.test(m.text()) && complaints.push(m.text()));
    page.on("pageerror", (e) => complaints.push(String(e)));
    try {
        await page.goto(`${mock.url}#look`);
        await page.waitForSelector(".is-open");
        await settled(page);
        await fn(page, mock.world);
        same(complaints, [], "what the browser complained about");
    } finally {
        await context.close();
        await mock.stop();
    }
}

/** @param {Page} page @param {string} name */
async function shot(page, name)
{
    if (shots) {
        mkdirSync(shots, {recursive: true});
        await page.screenshot({path: `${shots}/${name}.png`});
    }
}

const CHART = "CGATS.17\nNUMBER_OF_SETS 12\n";

/** Open the calibration part of a view. @param {Page} page @param {number} id @returns {Promise<Locator>} */
async function open(page, id)
{
    const view = page.locator(`#view-${id}`);
    await view.locator(".calibration-part > summary").click();
    return view;
}

/** @param {Locator} view @param {string} text */
const choose = (view, text) => view.getByLabel("Reference file of the target").setInputFiles({name: "target.txt", mimeType: "text/plain", buffer: Buffer.from(text)});

/** @param {any} world */
const uncalibrate = (world) => {
    world.views = world.views.map((/** @type {any} */ v) => ({...v, calibration: null}));
};

await test("a view is calibrated from the page: file, even board, heirs; then its panel is shown", () => withPage("full", async (page, world) => {
    uncalibrate(world);
    await page.reload();
    await page.waitForSelector(".is-open");
    const view = await open(page, 2);
    same(await view.getByRole("button", {name: "Calibrate", exact: true}).isDisabled(), true, "nothing runs without a file");
    await choose(view, CHART);
    await until(async () => (await view.innerText()).includes("target.txt"), "the file to be named");
    await view.getByLabel("Even board").selectOption({label: "raking left"});
    await view.getByLabel("normal before").check();
    await view.getByLabel("Rows").fill("3");
    await view.getByLabel("Columns").fill("4");
    same(await axeComplaints(page, axe), [], "axe");
    await shot(page, "form");
    await view.getByRole("button", {name: "Calibrate", exact: true}).click();
    await until(async () => (await view.innerText()).includes("Worst patches: patch 5"), "the panel of the result");
    same(world.calibrateAsked, [{id: 2, chart_text: CHART, rows: 3, cols: 4, flat: 4, also: [1]}], "what was asked");
    yes((await page.locator("#view-1").innerText()).includes("calibrated by normal test, inherited"), "the heir says so");
}));

await test("a refused file says its sentence, and another can be chosen", () => withPage("full", async (page, world) => {
    uncalibrate(world);
    await page.reload();
    await page.waitForSelector(".is-open");
    const view = await open(page, 2);
    await choose(view, "short");
    await view.getByRole("button", {name: "Calibrate", exact: true}).click();
    await until(async () => (await view.innerText()).includes("Wrong patch count: the chart file holds 23 colours"), "the sentence");
    await choose(view, CHART);
    await until(async () => !(await view.innerText()).includes("Wrong patch count"), "the sentence to go with the file");
}));

await test("a target that is not found: its corners are given on the picture, by pointer and by keys", () => withPage("full", async (page, world) => {
    uncalibrate(world);
    await page.reload();
    await page.waitForSelector(".is-open");
    const view = await open(page, 2);
    await choose(view, `hidden ${CHART}`);
    await view.getByLabel("Rows").fill("3");
    await view.getByLabel("Columns").fill("4");
    await view.getByRole("button", {name: "Calibrate", exact: true}).click();
    await until(async () => (await view.innerText()).includes("give the target's four corners"), "the refusal");
    await view.getByRole("button", {name: "Give its corners\u2026"}).click();
    const dialog = page.getByRole("dialog"), area = dialog.getByRole("application");
    await area.waitFor();
    const use = dialog.getByRole("button", {name: "Use these corners"});
    same(await use.isDisabled(), true, "four are needed");
    const box = /** @type {any} */ (await area.boundingBox()), side = 3600, cx = 1500, cy = 1800;
    const onBoard = (/** @type {number[]} */ p) => /** @type {[number, number]} */ ([box.x + ((p[0] - cx) / side + 0.5) * box.width, box.y + ((p[1] - cy) / side + 0.5) * box.height]);
    for (const c of TARGET.corners.slice(0, 3))
        await page.mouse.click(...onBoard(c));
    // The last by keys: from the cross where the pointer left it, in steps of a hundredth and of a pixel.
    await page.mouse.move(box.x + 5, box.y - 30);
    await area.focus();
    for (let i = 0; i < 25; i++)
        await page.keyboard.press("ArrowLeft");
    await page.keyboard.press("ArrowUp");
    await page.keyboard.press("Space");
    await until(async () => await use.isEnabled(), "the button to wake");
    same(await dialog.locator(".measured-part.over").count(), 12, "parts that will be measured");
    await dialog.getByRole("button", {name: "Zoom in"}).click();
    await page.waitForTimeout(300);
    same(await axeComplaints(page, axe), [], "axe");
    await shot(page, "corners");
    await use.click();
    await until(async () => (await view.innerText()).includes("The corners given are used."), "the form to say so");
    await view.getByRole("button", {name: "Calibrate", exact: true}).click();
    await until(async () => (await view.innerText()).includes("Worst patches"), "the result");
    const asked = world.calibrateAsked.at(-1).corners;
    TARGET.corners.slice(0, 3).forEach((c, i) => c.forEach((x, k) => near(asked[i][k], x, side / box.width, `corner ${i + 1}`)));
    near(asked[3][0], asked[2][0] - 25 * 36, 0.2, "moved by keys");
    near(asked[3][1], asked[2][1] - 36, 0.2, "moved by keys");
}));

await test("corners set anticlockwise are not taken, and Escape gives up", () => withPage("full", async (page) => {
    const view = await open(page, 2);
    await view.getByText("Calibrate again").click();
    await view.getByRole("button", {name: "Give its corners\u2026"}).click();
    const dialog = page.getByRole("dialog"), area = dialog.getByRole("application");
    const box = /** @type {any} */ (await area.boundingBox());
    for (const [x, y] of [[0.2, 0.2], [0.2, 0.6], [0.6, 0.6], [0.6, 0.2]])
        await page.mouse.click(box.x + x * box.width, box.y + y * box.height);
    yes((await dialog.innerText()).includes("anticlockwise"), "why not");
    same(await dialog.getByRole("button", {name: "Use these corners"}).isDisabled(), true, "not taken");
    await page.keyboard.press("Escape");
    await until(async () => await page.getByRole("dialog").count() === 0, "the dialog to go");
    yes(!(await view.innerText()).includes("The corners given are used."), "nothing kept");
}));

for (const [width, height, touch] of /** @type {[number, number, boolean][]} */ ([[1280, 800, false], [1920, 1080, false], [820, 1180, true]]))
    await test(`the panel at ${width} x ${height}: plots, patches by keys, where it was measured, taking back`, () => withPage("full", async (page, world) => {
        const view = await open(page, 2);
        await view.locator(".plot").first().waitFor();
        yes((await view.innerText()).includes("red \u00d71.020, blue \u00d70.950"), "the white balance");
        same(await view.locator(".plot-bar").count(), 12, "bars");
        await view.locator(".plot").first().scrollIntoViewIfNeeded();
        await shot(page, `panel-${width}`);
        await view.getByText("All 12 patches").click();
        await view.locator(".patch-name").first().focus();
        await page.keyboard.press("ArrowDown");
        await page.keyboard.press("ArrowDown");
        same(await page.evaluate(() => document.activeElement?.textContent), "patch 3", "arrow keys go from patch to patch");
        same(await view.locator(".plot-patch.is-marked, .plot-bar.is-marked, .swatch.is-marked").count(), 3, "marked in every plot");
        await page.keyboard.press("End");
        same(await page.evaluate(() => document.activeElement?.textContent), "patch 12", "End goes to the last");
        same(await axeComplaints(page, axe), [], "axe");
        await view.getByRole("button", {name: "Where it was measured"}).click();
        const dialog = page.getByRole("dialog");
        await until(async () => await dialog.locator("img").first().evaluate((i) => /** @type {HTMLImageElement} */ (i).naturalWidth) > 0, "the picture");
        same([await dialog.locator(".measured-part.over").count(), await dialog.locator(".measured-part.over.is-bad").count()], [12, 1], "measured, and not used");
        await page.waitForTimeout(300);
        await shot(page, `measured-${width}`);
        same(await axeComplaints(page, axe), [], "axe in the dialog");
        await dialog.getByRole("button", {name: "Close"}).click();
        await view.getByRole("button", {name: "Take calibration back"}).click();
        await until(async () => world.views[1].calibration === null, "the calibration to go");
        await until(async () => !(await view.innerText()).includes("calibrated by"), "the list to say so");
    }, {width, height, touch}));

await test("point measurements: imported, under a chosen light, on the picture and in a list", () => withPage("full", async (page) => {
    const part = page.locator("section[aria-labelledby=points-title]");
    yes((await part.innerText()).includes("None imported."), "none yet");
    await part.getByText("Import", {exact: true}).click();
    await part.getByLabel("File").setInputFiles({name: "p.csv", mimeType: "text/csv", buffer: Buffer.from("L,a,b\n")});
    await until(async () => (await part.innerText()).includes("The points have no place"), "the refusal");
    await part.getByLabel("File").setInputFiles({name: "p.csv", mimeType: "text/csv", buffer: Buffer.from("id,x,y,L,a,b\n")});
    await until(async () => (await part.innerText()).includes("differs from the 2 measurements by 3.1 CIEDE2000 on average"), "the sentence");
    yes((await part.innerText()).includes("80.0 1.0 9.0"), "measured Lab");
    await part.getByLabel("Light").selectOption("A");
    await until(async () => (await part.innerText()).includes("82.0 1.0 9.0"), "Lab under another light");
    yes((await part.innerText()).includes("under A and 2\u00b0"), "which light");
    const marks = page.locator("g.points circle.over");
    same(await marks.count(), 2, "marks on the picture");
    const [x, y] = await onPage(page, [1500, 2800]), at = /** @type {any} */ (await marks.first().boundingBox());
    near(at.x + at.width / 2, x, 1, "at its spot, x");
    near(at.y + at.height / 2, y, 1, "at its spot, y");
    same(await axeComplaints(page, axe), [], "axe");
    await shot(page, "points");
    await part.getByRole("button", {name: "Go to point 2"}).click();
    await until(async () => JSON.stringify(await page.evaluate(async () => (await import("/js/state.js")).state.cross)) === "[900,700]", "the spot there");
    same(await page.locator("#shapes .cross.is-pinned").count(), 1, "pinned");
    await part.getByLabel("Show the points on the picture").uncheck();
    same(await marks.first().isVisible(), false, "taken from the picture");
}));

await test("open for reading only: nothing to change", () => withPage("read-only", async (page) => {
    const view = await open(page, 2);
    await view.locator(".plot").first().waitFor();
    same(await view.getByRole("button", {name: "Take calibration back"}).count(), 0, "not taken back");
    same(await page.locator(".calibrate-form").count(), 0, "no form");
    same(await page.locator("section[aria-labelledby=points-title] input").count(), 0, "nothing imported");
}));

await browser.close();
finish();
