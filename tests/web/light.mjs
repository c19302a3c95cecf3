// The room Light against the stand-in program: the lamp on a surface that is known, its figures, its refusals.
import {readFile} from "node:fs/promises";
import {axeComplaints, boxOf, colours, finish, near, onPage, same, test, until, yes} from "./harness.mjs";
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
    yes((await page.locator("#room-light").innerText()).includes("135\u00b0, from upper left"), "in words");
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
    for (const part of ["0.41 of the paint's", "41.2 \u00b5m", "\u00b10.0060", "times 1.60 (90 %: 1.20 to 2.00)", "keeps 0.41 (90 %: 0.24 to 0.58)",
                        "The window is too small for this band.", "nothing is foretold"])
        yes(text.includes(part), `the room says "${part}"`);
    same(await page.locator(".plot > svg path.plot-line").count(), 2, "a curve for each state, in one plot");
    same(await page.locator(".plot-names").innerText().then((t) => t.split(/\s+/).filter(Boolean).slice(0, 2)), ["before", "test"], "named");
    same(await page.locator("rect.plot-doubt").count(), 0, "all details shorter than what is reliable");
}, light));

await test("what is not reliable is shaded", () => withPage("no-forecast", async (page) => {
    const shaded = await page.evaluate(async () => {
        const {plot} = await import("/js/plot.js"), el = plot([{name: "a", points: [[1, 1], [10, 2], [100, 3]]}],
            {label: "x", unit: "mm", isLog: true}, {label: "y", unit: "m"}, "", {from: 10, text: "not reliable over 10 mm"});
        return [el.querySelector("rect.plot-doubt")?.getAttribute("x"), el.textContent?.includes("not reliable over 10 mm")];
    });
    near(Number(shaded[0]), 40 + (312 - 48) / 2, 0.01, "where the shade begins: half of the decades");
    same(shaded[1], true, "said as well");
}, light));

await test("a line across the relief, by hand and by keys", () => withPage("full", async (page) => {
    const plotted = () => page.locator("#room-light .plot").count();
    await page.getByRole("button", {name: "Line across the relief"}).click();
    await clickFrame(page, [600, 1500]);
    await clickFrame(page, [1150, 1500]);
    await until(async () => (await plotted()) === 2, "the profiles");
    const text = await page.locator("#room-light").innerText();
    yes(text.includes("Levelled by least squares; forms longer than 150 mm are not reliable"), "how far it holds");
    const [ax, ay] = await onPage(page, [600, 1500]), drawn = await page.locator("#light-marks polyline").first().getAttribute("points");
    const box = await boxOf(page, "#stage"), [px, py] = String(drawn).split(/[ ,]/).map(Number);
    near(px + box.x, ax, 1, "the line begins where it was set");
    near(py + box.y, ay, 1, "and so high");
    await page.getByRole("button", {name: "Clear the line"}).click();
    same(await page.locator("#light-marks polyline").count(), 0, "cleared");
    await page.getByRole("button", {name: "Line across the relief"}).click();
    await page.keyboard.press("ArrowRight");
    await page.keyboard.press("Enter");
    for (let i = 0; i < 6; i++)
        await page.keyboard.press("ArrowRight");
    await page.keyboard.press("Enter");
    await until(async () => (await plotted()) === 2, "the profiles of the line set by keys");
    await page.getByRole("button", {name: "Line across the relief"}).click();
    await page.keyboard.press("Escape");
    same(await plotted(), 1, "left off");
}, light));

/** @param {Page} page @param {number} side frame px */
async function outline(page, side)
{
    for (const [x, y] of [[600, 1500], [600 + side, 1500], [600 + side, 1500 + side], [600, 1500 + side]])
        await clickFrame(page, [x, y]);
    await page.locator("#stage").press("Enter");
}

await test("the texture of a passage, beside another state, on the band asked for", () => withPage("full", async (page) => {
    await page.getByLabel("Beside it").selectOption("test");
    await page.getByLabel("to, mm").fill("12");
    await page.getByRole("button", {name: "Texture of a passage"}).click();
    await outline(page, 600);
    const list = page.locator("#room-light .passage");
    await until(async () => (await list.count()) && (await list.innerText()).includes("2.10 (90 %: 1.80 to 2.40)"), "the ratio with its interval");
    const text = await list.innerText();
    for (const part of ["0.80 to 12.00 mm", "20.60", "41.20", "2.00 (90 %: 1.80 to 2.20)", "were not taken alike (polarisers)"])
        yes(text.includes(part), `the passage says "${part}" in ${text}`);
    same(await page.locator("#light-marks polygon").count(), 2, "its outline, dark and light");
    await page.getByRole("button", {name: "Texture of a passage"}).click();
    await outline(page, 200);
    await until(async () => (await list.first().innerText()).includes("The area is too small for details of this size."), "the refusal, as a sentence");
    same(await page.locator("#light-marks polygon").count(), 4, "both outlines");
    await page.getByRole("button", {name: /Clear passage 1/}).click();
    same([await list.count(), await page.locator("#light-marks polygon").count()], [1, 2], "one is cleared");
}, light));

await test("paint and varnish surface told apart, or why not", () => withPage("full", async (page) => {
    const list = page.locator("#room-light .passage");
    await page.getByRole("button", {name: "Paint and varnish surface"}).click();
    await outline(page, 600);
    await until(async () => (await list.count()) && (await list.innerText()).includes("Too few lamps stand near the axis."), "the refusal");
    await page.getByLabel("Passage in the state").selectOption("test");
    await page.getByRole("button", {name: "Paint and varnish surface"}).click();
    await outline(page, 600);
    await until(async () => (await list.first().innerText()).includes("0.52 (90 %: 0.36 to 0.68)"), "what is retained");
    yes((await list.first().innerText()).includes("4.2 (90 %: 3.1 to 5.3)"), "the filling");
    same(await axeComplaints(page, axe), [], "with results");
}, light));

await test("the raking views of a state share a cell of the strip", () => withPage("lamps", async (page, world) => {
    const [x, y] = await onPage(page, [900, 1200]);
    await page.mouse.click(x, y);
    const cell = page.locator(".cell", {has: page.locator(".cell-step")});
    await until(async () => (await cell.count()) === 1, "one cell for four lamps");
    yes((await cell.innerText()).includes("raking, before") && (await cell.innerText()).includes("lamp 0\u00b0, 12\u00b0 up"), await cell.innerText());
    await page.getByRole("button", {name: "Next lamp, raking before"}).focus();
    for (const [turn, at] of [["90", "2 of 4"], ["180", "3 of 4"], ["270", "4 of 4"], ["0", "1 of 4"]]) {
        await page.keyboard.press("Enter");
        await until(async () => (await cell.innerText()).includes(`lamp ${turn}\u00b0`), `the lamp at ${turn}`);
        yes((await cell.innerText()).includes(at), at);
    }
    same(await page.evaluate(() => document.activeElement?.getAttribute("aria-label")), "Next lamp, raking before", "the focus stays");
    same(world.views.length, 9, "nothing else");
}, light));

await test("what is refused of the forecast stays hatched under the lamp", () => withPage("full", async (page) => {
    const row = async () => colours(page, await Promise.all(Array.from({length: 40}, (_, i) => onPage(page, /** @type {[number, number]} */ ([2100 + 8 * i, 600])))));
    await page.getByRole("radio", {name: "One side"}).check({force: true});
    await page.evaluate(async () => (await import("/js/state.js")).set({sideA: "forecast"}));
    await page.waitForTimeout(400);
    const strokes = async () => {
        const v = (await row()).map(([r]) => r);
        return Math.max(...v) - Math.min(...v);
    };
    const out = await strokes();
    yes(out > 80, `hatched with the lamp out, or this place is no test: ${out}`);
    await page.getByRole("button", {name: "Light the lamp"}).click();
    await page.waitForLoadState("networkidle");
    await page.waitForTimeout(300);
    yes(await strokes() > 0.7 * out, `hatched with the lamp lit: ${await strokes()} of ${out}`);
}, light));

await test("a view that is not placed is lit without its colours, and that is said", () => withPage("full", async (page) => {
    await page.evaluate(async () => (await import("/js/state.js")).set({sideA: "view:6", mode: "one"}));
    await page.getByRole("button", {name: "Light the lamp"}).click();
    await page.waitForLoadState("networkidle");
    yes((await note(page)).includes("xray film 2 is not placed: lit without its colours"), await note(page));
    await page.evaluate(async () => (await import("/js/state.js")).set({sideA: "view:4"}));
    yes((await note(page)).includes("raking left has its own light from the side in it"), await note(page));
}, light));

await test("no tile shows its edge, and panning leaves nothing behind", () => withPage("full", async (page) => {
    await plain(page);
    await slide(page, "Height over the picture", 30);
    await slide(page, "Exaggeration of the relief", 8);
    await page.evaluate(async () => (await import("/js/stage.js")).goTo([1024, 1024], 60));
    await page.waitForTimeout(1200);
    await page.waitForLoadState("networkidle");
    await page.waitForTimeout(300);
    const profile = async () => {
        const [x, y] = await onPage(page, [1024, 1030]);
        return (await colours(page, Array.from({length: 121}, (_, i) => /** @type {[number, number]} */ ([x - 60 + i, y])))).map(([r]) => r);
    };
    const seen = await profile(), bend = seen.slice(2).map((v, i) => Math.abs(v - 2 * seen[i + 1] + seen[i]));
    yes(Math.max(...seen) - Math.min(...seen) > 2, `the light changes along the row: ${seen.join(" ")}`);
    yes(Math.max(...bend) <= 2, `no step where two tiles meet: ${seen.join(" ")}`);
    await page.evaluate(async () => (await import("/js/stage.js")).panBy(37, 0));
    await page.waitForTimeout(900);
    const later = await profile();
    yes(later.every((v, i) => Math.abs(v - seen[i]) <= 6), `the same place after panning: ${later.join(" ")}`);
}, light));

await test("a drawing taken away by the browser comes back", () => withPage("full", async (page) => {
    await plain(page);
    const before = await linear(page, [942, 1768]);
    await page.evaluate(() => {
        const gl = /** @type {HTMLCanvasElement} */ (document.getElementById("lamp")).getContext("webgl2");
        const it = gl?.getExtension("WEBGL_lose_context");
        it?.loseContext();
        setTimeout(() => it?.restoreContext(), 300);
    });
    await until(async () => (await page.getByRole("button", {name: "Light the lamp"}).count()) === 1, "the lamp to go out");
    await until(async () => (await page.getByRole("button", {name: "Put out the lamp"}).count()) === 1, "the lamp to be lit again");
    await page.waitForLoadState("networkidle");
    await page.waitForTimeout(300);
    near(await linear(page, [942, 1768]), before, 0.01, "the same light");
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
