// A stand-in for the program, for page tests that need states the real one does not show on demand: an
// empty dossier, a view that could not be placed, hostile titles, work that fails, a record open for
// reading only. It speaks docs/http-api.md with an invented picture and the real security headers.
// What the page does with real results is tested in e2e.mjs against the real binary.
import {createHash} from "node:crypto";
import {readFile} from "node:fs/promises";
import {createServer} from "node:http";
import {extname, join, normalize} from "node:path";
import {fileURLToPath} from "node:url";
import {TARGET, answerColour} from "./mock_colour.mjs";
import {SIZES, answerPlace, placePictures, placeViews, supportOf} from "./mock_place.mjs";
import {RELIEF_PICTURES, answerRelief} from "./mock_relief.mjs";
import {pngOf} from "./png.mjs";

const WEB = fileURLToPath(new URL("../../web/", import.meta.url));
const FW = 3000, FH = 3600, MM_PER_PX = 0.2;
export const CSP = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; " +
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
const TYPES = {".html": "text/html; charset=utf-8", ".js": "text/javascript", ".css": "text/css"};

// ---- an invented picture ----------------------------------------------------------------------------

/** Clean paint at frame px, sRGB 0..255. @param {number} x @param {number} y @returns {number[]} */
function paint(x, y)
{
    const n = Math.sin(x * 0.031) * Math.sin(y * 0.027) * 6 + Math.sin(x * 0.21 + y * 0.17) * 3;
    if (y > 2350) {
        const fold = 18 * Math.sin(x * 0.012 + y * 0.002);
        return x > 420 && x < 2600 && y > 2450 ? [214 + fold + n, 208 + fold + n, 196 + fold + n]
                                               : [92 + n, 66 + n, 48 + n];
    }
    for (const [cx, cy, r] of [[1050, 2180, 330], [1640, 2250, 300], [1340, 1880, 290]]) {
        const d = Math.hypot(x - cx, y - cy) / r;
        if (d < 1) {
            const l = 0.55 + 0.6 * Math.max(0, 1 - Math.hypot(x - cx + r * 0.35, y - cy + r * 0.4) / (1.2 * r));
            return [205 * l + n, 178 * l + n, 70 * l + n];
        }
    }
    const jug = Math.hypot((x - 2180) / 330, (y - 1900) / 560);
    if (jug < 1)
        return [118, 122, 128].map((c) => c * (0.45 + 0.9 * Math.max(0, 1 - Math.abs(x - 2080) / 260)) + n);
    if (x < 620 + 60 * Math.sin(y * 0.004))
        return [34 + n, 26 + n, 28 + n];
    const wall = 150 - 40 * (y / 2350) - 30 * (x / FW);
    return [wall + n, wall * 0.97 + n, wall * 0.9 + n];
}

/** @param {number} x @param {number} y */
const coatAt = (x, y) => 0.8 + 0.35 * Math.sin(x * 0.0011 + 1) * Math.cos(y * 0.0014);

/** @param {number} x @param {number} y @returns {number[]} */
function aged(x, y)
{
    const c = coatAt(x, y), p = paint(x, y);
    return [p[0] * (1 - 0.1 * c) + 9, p[1] * (1 - 0.22 * c) + 8, p[2] * (1 - 0.5 * c) + 6];
}

/** @param {number[][]} p @param {number} x @param {number} y */
const inside = (p, x, y) => p.reduce((odd, [x0, y0], i) => {
    const [x1, y1] = p[(i + 1) % p.length];
    return (y0 > y) !== (y1 > y) && x < (x1 - x0) * (y - y0) / (y1 - y0) + x0 ? !odd : odd;
}, false);

/** @param {number} x @param {number} y */
const isRefused = (x, y) => Math.hypot((x - 2350) / 420, (y - 700) / 330) < 1 || (x < 240 && y > 2500);

/** @param {number} x @param {number} y @param {number} w @param {number} h */
const square = (x, y, w, h) => [[x, y], [x + w, y], [x + w, y + h], [x, y + h]];

function windowList()
{
    return [[1500, 700], [300, 1500], [1000, 2100], [2100, 1800], [900, 2800], [1900, 3000]].map(
        ([x, y], i) => ({id: i + 1, label: `window ${i + 1}`, polygon: square(x, y, 160, 120), before: 1,
                         test: 2, surface: "bare", system: "free solvent, swab", area_px: 19200,
                         area_mm2: 768, added_at: "2026-11-25T09:00:00Z",
                         forecast: {lightness: 30 + 9 * i, nothing_de: 9.1, left_out_de: 2.2 + 0.2 * i,
                                    left_out_bias: [0.4, -0.2, 0.8], coat: 0.8 + 0.08 * i}}));
}

/** @type {Record<string, (x: number, y: number, w: any) => number[]>} rgb or rgba */
const PICTURES = {
    1: aged,
    2: (x, y, w) => w.windows.some((/** @type {any} */ t) => inside(t.polygon, x, y)) ? paint(x, y) : aged(x, y),
    3: (x, y) => [30, 60 + 60 * coatAt(x, y), 70 + 70 * coatAt(x, y)],
    4: (x, y) => aged(x, y).map((c) => c + 26 * Math.sin(x * 0.21 + y * 0.17)),
    5: (x, y) => Array(3).fill(40 + 0.75 * paint(x, y)[0]),
    ...Object.fromEntries([50, 51, 52].map((id) => [id, (/** @type {number} */ x, /** @type {number} */ y) => aged(x, y).map((c) => c + id % 7)])),
    ...placePictures(aged, inside),
    ...RELIEF_PICTURES,
    look: (x, y) => isRefused(x, y) ? aged(x, y) : paint(x, y),
    coat: (x, y) => Array(3).fill(coatAt(x, y) * 180),
    radius: (x, y) => {
        const v = 255 * (1 - (0.5 + 0.5 * Math.sin(x * 0.002) * Math.sin(y * 0.0016)));
        return [v, v, v, 150];
    },
    refusal: (x, y, w) => isRefused(x, y) ? ((x + y) / w.step % 12 < 3 ? [245, 245, 245, 235]
        : (x + y) / w.step % 12 < 5 ? [20, 20, 20, 200] : [0, 0, 0, 0]) : [0, 0, 0, 0]};

/** @param {string} name */
const keyOf = (name) => createHash("sha256").update(name).digest("hex");
const NAME_OF = new Map(Object.keys(PICTURES).map((n) => [keyOf(n), n]));

/** @param {string} name */
function tiles(name)
{
    const [w, h] = SIZES[name] ?? [FW, FH];
    return {key: keyOf(name), w, h, tile: 256, levels: 1 + Math.ceil(Math.log2(Math.max(w, h) / 256)),
            type: "image/png"};
}

/** @param {string} name @param {number} x0 @param {number} y0 @param {number} step @param {number} w
 *  @param {number} h @param {any} world */
function render(name, x0, y0, step, w, h, world)
{
    const fn = PICTURES[name], bands = fn(0, 0, {...world, step}).length;
    const rows = Buffer.alloc((w * bands + 1) * h);
    for (let j = 0, o = 0; j < h; j++) {
        o++;
        for (let i = 0; i < w; i++)
            for (const c of fn(x0 + i * step, y0 + j * step, {...world, step}))
                rows[o++] = Math.max(0, Math.min(255, Math.round(c)));
    }
    return pngOf(w, h, rows, bands);
}

// ---- an invented record -----------------------------------------------------------------------------

/** @param {number} id @param {string} label @param {string} technique @param {string} state
 *  @param {object} [more] */
function view(id, label, technique, state, more = {})
{
    return {id, label, technique, state, face: "front", file_name: `${label.replace(/ /g, "-")}.tif`,
            sha256: keyOf(`file${id}`), w: FW, h: FH, bands: 3, bits: 16, profile: "sRGB v4",
            profile_assumed: false, note: "", clipped_share: 0.0002, light: null,
            added_at: "2026-11-25T09:00:00Z",
            fit: {verdict: id === 1 ? "reference" : "good", why: "", shift_px: [3.1, -2.2],
                  rotation_deg: 0.02, scale: 1.0004, held_out_median_px: 0.06, held_out_p95_px: 0.17,
                  held_out_median_mm: 0.012, held_out_p95_mm: 0.034, area_supported: 0.97,
                  tiles_textured: 165, tiles_used: 141, comparable: true, compare_note: "", kind: "homography", lens: null,
                  is_detail: false, outline: null, unsupported_share: 0.03, view_per_frame: 1, bend_strain_max: 0, second_opinion_px: 0.11,
                  exposure_factor: 1.013, exposure_spread: 0.006},
            calibration: null, tiles: tiles(String(id)), ...more};
}

/** Twelve patches: one much worse than the others, one not used. @param {boolean} inherited */
function calibrationDoc(inherited)
{
    const patches = Array.from({length: 12}, (_, i) => {
        const t = i * Math.PI / 6, c = i < 9 ? 45 : 0, off = i === 4 ? 3 : 0.5;
        return {name: `patch ${i + 1}`, reference_lab: [30 + 5 * i, c * Math.cos(t), c * Math.sin(t)],
                lab: [30.4 + 5 * i, c * Math.cos(t) + off, c * Math.sin(t) - off / 2], de: off, de_left_out: 1.1 * off,
                noise_l: 0.2, clipped: i === 11 ? 0.4 : 0, neutral: i > 8, fault: i === 11 ? "clipped" : ""};
    });
    /** @param {string} guideline @param {number} year @param {string} status @param {[string, boolean][]} levels */
    const judged = (guideline, year, status, levels) =>
        levels.map(([level, within]) => ({guideline, year, level, status, within}));
    return {from_view: 2, from_label: "normal test", inherited, made_at: "2026-11-25T09:00:00Z", target: "12 patches, invented",
            kind: "3x3 matrix, neutrals kept", kind_code: 1, why: "3x3 matrix, neutrals kept: leave-one-patch-out mean CIEDE2000 0.80",
            exposure_ev: 0.35, used: 11, left_out: 1, place_confidence: 0.99, flat: null, before: {mean: 3.2, p95: 5.9, max: 6.9, n: 11},
            fit: {mean: 0.7, p95: 2.9, max: 3, n: 11}, left_out_patch: {mean: 0.8, p95: 3.1, max: 3.3, n: 11}, mtf50: null, ...TARGET,
            patches, qualities: [
                {name: "colour mean", unit: "CIEDE2000", value: 0.8, tolerances: [
                    ...judged("Guideline One", 2021, "secondary", [["A", false], ["B", true], ["C", true]]),
                    ...judged("Guideline Two", 2019, "memory", [["full", false]])]},
                {name: "noise", unit: "L*", value: 0.2, tolerances: judged("Guideline One", 2021, "secondary", [["A", true], ["B", true], ["C", true]])},
                {name: "evenness", unit: "%", value: null, tolerances: []}], gain: [1.224, 1.2, 1.14], coef: []};
}

const TILE_PITCH = 250;

/** Tiles all over but in a corner of the frame; those near it do not agree. Of view 6, four that agree by
 *  chance. @param {number} view */
function fitDoc(view)
{
    const tiles = [];
    for (let y = 175; y < FH; y += TILE_PITCH)
        for (let x = 125; x < FW; x += TILE_PITCH)
            if (x + y < 5400)
                tiles.push({x, y, dx: 0.3 * Math.sin(x * 0.002 + view), dy: 0.2 * Math.cos(y * 0.0017),
                            used: view === 6 ? (x * 7 + y) % 3500 < 150 : x + y < 4700});
    const isRefused = view === 6;
    return {view, verdict: isRefused ? "refused" : "good", why: isRefused ? "The two pictures share too little structure." : "",
            frame: {w: FW, h: FH}, tiles, pairs: false, kind: "homography", lens: null, tile_pitch_px: TILE_PITCH, mm_per_px: MM_PER_PX,
            held_out_median_px: isRefused ? 4.2 : 0.06, held_out_p95_px: isRefused ? 11.5 : 0.17, held_out_median_mm: isRefused ? 0.84 : 0.012,
            held_out_p95_mm: isRefused ? 2.3 : 0.034, second_opinion_px: isRefused ? null : 0.11, strain_max: 0, support: supportOf(tiles)};
}

/** @param {boolean} inherited */
const calibrated = (inherited) => ({from_label: "normal test", inherited, made_at: "2026-11-25T09:00:00Z", kind: "3x3 matrix", mean: 0.8, p95: 3.1, max: 3.3});

/** @param {string} kind full, lamps, placing, empty, no-forecast, read-only, hostile */
function makeWorld(kind)
{
    const evil = "<img src=x onerror=\"document.title='broken'\">";
    const views = kind === "empty" ? [] : [
        view(1, "normal before", "normal", "before", {calibration: calibrated(true)}),
        view(2, "normal test", "normal", "test", {calibration: calibrated(false)}),
        view(3, "uv before", "uv", "before"),
        view(4, "raking left", "raking", "before", {light: {azimuth_deg: 180, elevation_deg: 12}}),
        view(5, "ir before", "ir", "before", {bands: 1, profile: "", profile_assumed: true,
             note: "8-bit grey file without a profile."}),
        view(6, kind === "hostile" ? evil : "xray film 2", "xray", "before", {w: 1600, h: 1300, bands: 1,
             tiles: tiles("6"),
             fit: {verdict: "refused", why: "The two pictures share too little structure: 4 of 30 tiles agree.", comparable: false}}),
        ...(kind === "lamps" ? [0, 90, 270].map((a, i) => view(50 + i, `raking ${a}`, "raking", "before",
            {light: {azimuth_deg: a, elevation_deg: 12}})) : []),
        ...(kind === "placing" ? placeViews(view, tiles) : [])];
    return {kind, views, windows: kind === "empty" ? [] : windowList(),
            zones: kind === "empty" ? [] : [{id: 1, kind: "retouching", label: "old retouching",
                                             polygon: square(2000, 420, 700, 560), area_mm2: 15680}],
            forecast: kind === "empty" || kind === "no-forecast" ? null : forecastDoc(),
            /** @type {string[]} */ reliefs: kind === "full" || kind === "lamps" ? ["before", "test"] : [],
            /** @type {Record<string, any>} */ jobs: {}, fits: {}, pairs: {}, ignored: {},
            dossier: {title: kind === "hostile" ? evil : "Quinces and a pewter jug", maker: "unknown",
                      date: "about 1640", support: "oak panel", inventory: "Demo 1", owner: "",
                      height_mm: 720, width_mm: 600,
                      frame: kind === "empty" ? null : {view: 1, w: FW, h: FH, mm_per_px: MM_PER_PX},
                      program: "halfclean 0.1.0", read_only: kind === "read-only"}};
}

function forecastDoc()
{
    return {id: 1, made_at: "2026-11-25T09:20:11Z", is_stale: false, surface: "bare",
            sentence: "Predicted look after removing this coat to the bare state of 6 windows; it was " +
                "within 2.7 CIEDE2000 on average on windows it had not seen.",
            estimator: "blend", estimators: [
                {name: "physical coat", chosen: false, weight: 0.55, left_out_de: 2.81},
                {name: "3x3 + offset", chosen: false, weight: 0, left_out_de: 4.12},
                {name: "3x3 + offset with UV", chosen: false, weight: 0.45, left_out_de: 3.05},
                {name: "quadratic", chosen: false, weight: 0, left_out_de: null},
                {name: "blend", chosen: true, weight: null, left_out_de: 2.7}],
            nothing_de: 9.4, left_out_de: 2.7,
            coat_model: {a0: 0.41, slope_nm: 92, haze: 0.0112, grey: 0.02, surface_before: 0.004,
                         surface_after: 0.021},
            interval: {q: 1.9, distribution_free: false}, radius: {median: 4.1, p95: 8.8},
            refused: [{code: 1, share: 0.021, reason: "inside a zone marked to be left out"},
                      {code: 3, share: 0.047, reason: "no window shows a colour like this one"}],
            has_uv: true, uv_gain: 0.9, windows: windowList().map((w) => ({id: w.id, label: w.label, ...w.forecast})),
            next_window: {x: 2350, y: 700, why: "Bright, cool wall: no window shows a colour like it, and 5 % of the picture would gain a forecast."},
            caveat: "This is the predicted look after removing this coat, not a promise. It holds for the paint the windows show.",
            tiles: {look: tiles("look"), radius: tiles("radius"), refusal: tiles("refusal"), coat: tiles("coat")},
            radius_scale: {lo: 0, hi: 12}, inputs: [{view: "normal before", sha256: keyOf("file1")}],
            program: "halfclean 0.1.0"};
}

/** @param {any} world @param {number} x @param {number} y @param {number} mm */
function spotDoc(world, x, y, mm)
{
    const refused = isRefused(x, y), win = world.windows.find((/** @type {any} */ w) => inside(w.polygon, x, y));
    return {x, y, mm, px: mm / MM_PER_PX,
            views: world.views.filter((/** @type {any} */ v) => !["refused", "none"].includes(v.fit.verdict) && !v.fit.is_detail).map(
                (/** @type {any} */ v) => ({id: v.id, label: v.label, technique: v.technique, state: v.state,
                                            mean: [0.21, 0.18, 0.1], n: 10000,
                                            lab: v.technique === "normal" ? [48.2, 3.1, 21.4] : null})),
            before: {lab: [48.2, 3.1, 21.4], sd: 2.1}, after: win ? {lab: [55.9, 1.2, 9.8], window: win.label} : null,
            forecast: world.forecast ? {lab: refused ? null : [55.4, 1.4, 10.3], radius: refused ? 0 : 4.2,
                                        coat: coatAt(x, y), refused_share: refused ? 1 : 0.12,
                                        reason_code: 3,
                                        reason: "No window shows a colour like this one."} : null,
            window: win ? win.label : null, zones: []};
}

/** Tiles made so far; they are the same in every world but for the open windows. @type {Map<string, Buffer>} */
const cache = new Map();

/** Start it. @param {string} kind @param {{seconds?: number}} [options] @returns {Promise<{url: string,
 *  world: any, stop: () => Promise<void>}>} */
export async function startMock(kind, options = {})
{
    const world = makeWorld(kind), seconds = options.seconds ?? 1.2;
    let nextJob = 1;

    /** @param {string} what @param {() => void} done @param {string} [fails] */
    const startJob = (what, done, fails) => {
        const job = {id: nextJob++, kind: what, status: "running", fraction: 0, what: "reading", error: /** @type {any} */ (null), result: /** @type {any} */ (null), begun: Date.now()};
        world.jobs[job.id] = job;
        const t = setInterval(() => {
            job.fraction = Math.min(1, (Date.now() - job.begun) / (seconds * 1000));
            job.what = job.fraction > 0.5 ? "writing tiles" : "fitting";
            if (job.status === "running" && job.fraction >= 1) {
                job.status = fails ? "failed" : "done";
                job.error = fails ? {code: "range", message: fails} : null;
                if (!fails)
                    done();
            }
            if (job.status !== "running")
                clearInterval(t);
        }, 60);
        return job;
    };

    /** @param {import("node:http").IncomingMessage} req @param {import("node:http").ServerResponse} res */
    const answer = async (req, res) => {
        const url = new URL(req.url ?? "/", "http://x"), path = url.pathname, q = url.searchParams;
        const at = `${req.method} ${path}`;
        /** @type {RegExpExecArray|null} */
        let m;
        /** @param {unknown} doc @param {number} [status] */
        const json = (doc, status = 200) => {
            res.writeHead(status, {"Content-Type": "application/json"});
            res.end(JSON.stringify(doc));
        };
        const refuse = (/** @type {number} */ status, /** @type {string} */ code, /** @type {string} */ message) =>
            json({error: {code, message}}, status);
        const body = async () => {
            const parts = [];
            for await (const p of req)
                parts.push(p);
            return Buffer.concat(parts);
        };
        res.setHeader("Content-Security-Policy", CSP);
        res.setHeader("X-Content-Type-Options", "nosniff");
        if ((m = /^\/tiles\/([0-9a-f]{64})\/(\d+)\/(\d+)_(\d+)$/.exec(path))) {
            const name = NAME_OF.get(m[1]) ?? "1", [level, x, y] = [m[2], m[3], m[4]].map(Number);
            const t = tiles(name), step = 2 ** (t.levels - 1 - level);
            const known = `${path} ${name === "2" ? JSON.stringify(world.windows) : ""}`;
            if (!cache.has(known))
                cache.set(known, render(name, x * 256 * step, y * 256 * step, step,
                                       Math.min(256, Math.ceil(t.w / step) - x * 256),
                                       Math.min(256, Math.ceil(t.h / step) - y * 256), world));
            res.writeHead(200, {"Content-Type": "image/png", "Cache-Control": "public, max-age=31536000, immutable"});
            return res.end(cache.get(known));
        }
        if (path === "/api/patch") {
            const mm = Number(q.get("mm")), px = Number(q.get("px")), side = mm / MM_PER_PX;
            const what = q.get("what") === "forecast" ? "look" : String(q.get("what"));
            res.writeHead(200, {"Content-Type": "image/png", "Cache-Control": "no-store"});
            return res.end(render(what, Number(q.get("x")) - side / 2, Number(q.get("y")) - side / 2, side / px, px, px, world));
        }
        if (path === "/api/spot")
            return json(spotDoc(world, Number(q.get("x")), Number(q.get("y")), Number(q.get("mm"))));
        if (at === "GET /api/dossier")
            return json(world.dossier);
        if (at === "GET /api/views")
            return json({views: world.views});
        if (await answerPlace({at, path, q, body, json, refuse, res, world, startJob, tiles, pictures: PICTURES, view}))
            return undefined;
        if (await answerRelief({at, q, body, json, refuse, world, startJob, tiles}))
            return undefined;
        if (await answerColour({at, path, q, body, json, refuse, res, world, startJob, calibrated}))
            return undefined;
        if ((m = /^\/api\/views\/(\d+)\/calibration$/.exec(path)))
            return ["1", "2"].includes(m[1]) ? json(calibrationDoc(m[1] === "1"))
                : refuse(404, "not-found", `view ${m[1]} has no calibration`);
        if ((m = /^\/api\/views\/(\d+)\/fit$/.exec(path)))
            return [2, 3, 4, 5, 6, 7, 8].includes(Number(m[1])) ? json(fitDoc(Number(m[1])))
                : refuse(404, "not-found", `view ${m[1]} was not fitted to the frame`);
        if (at === "GET /api/windows")
            return json({windows: world.windows});
        if (at === "GET /api/zones")
            return json({zones: world.zones});
        if (at === "GET /api/forecast")
            return world.forecast ? json(world.forecast) : refuse(404, "not-found", "No forecast was made yet.");
        if (at === "POST /api/forecast") {
            const ask = JSON.parse(String(await body()));
            return json({job: startJob("forecast", () => {
                world.forecast = forecastDoc();
            }, ask.surface === "varnished" ? "All 6 windows were photographed bare; none shows the varnished state." : undefined).id}, 202);
        }
        if (at === "POST /api/windows") {
            const w = JSON.parse(String(await body()));
            if (w.polygon.length < 3)
                return refuse(400, "argument", "A window needs at least three corners.");
            if (w.label === "window 1")
                return refuse(409, "conflict", "There is a window with the label \"window 1\" already; choose another.");
            const made = {id: 100 + world.windows.length, label: w.label || `window ${world.windows.length + 1}`, system: "", area_px: 100,
                          area_mm2: 12.5, added_at: "2026-11-25T10:00:00Z", forecast: null, ...w};
            world.windows = [...world.windows, made];
            if (world.forecast)
                world.forecast = {...world.forecast, is_stale: true};
            return json(made, 201);
        }
        if (at === "POST /api/zones") {
            const made = {id: 100 + world.zones.length, label: "", area_mm2: 9, ...JSON.parse(String(await body()))};
            world.zones = [...world.zones, made];
            return json(made, 201);
        }
        if ((m = /^DELETE \/api\/(windows|zones)\/(\d+)$/.exec(at))) {
            const list = /** @type {any} */ (world);
            list[m[1]] = list[m[1]].filter((/** @type {any} */ w) => w.id !== Number(m?.[2]));
            res.writeHead(204);
            return res.end();
        }
        if (at === "PUT /api/views") {
            const size = (await body()).length;
            if (size < 10)
                return refuse(400, "data", "The file is empty or no picture of a kind that is known (TIFF, PNG, JPEG).");
            const job = startJob("add", () => {
                if (q.get("technique") === "micro")
                    job.result = {not_placed: "it shows too small a part of the painting"};
                world.views = [...world.views, view(1, q.get("label") || `${q.get("technique")} ${q.get("state")}`,
                    q.get("technique") ?? "", q.get("state") ?? "", {id: 50 + world.views.length})];
                world.dossier = {...world.dossier, frame: {view: world.views[0].id, w: FW, h: FH, mm_per_px: MM_PER_PX}};
            });
            return json({job: job.id}, 202);
        }
        if (at === "GET /api/jobs")
            return json({jobs: Object.values(world.jobs)});
        if (at === "POST /api/align")
            return json({job: startJob("align", () => {}).id}, 202);
        if (at === "POST /api/report") {
            await new Promise((r) => setTimeout(r, 200));
            res.writeHead(200, {"Content-Type": "application/pdf"});
            return res.end("%PDF-1.5\n%%EOF\n");
        }
        if ((m = /^\/api\/jobs\/(\d+)(\/events)?$/.exec(path))) {
            const job = world.jobs[m[1]];
            if (!job)
                return refuse(404, "not-found", `There is no job ${m[1]}.`);
            if (req.method === "DELETE") {
                job.status = "cancelled";
                return json({}, 202);
            }
            if (!m[2])
                return json(job);
            res.writeHead(200, {"Content-Type": "text/event-stream"});
            const t = setInterval(() => {
                res.write(`event: progress\ndata: ${JSON.stringify(job)}\n\n`);
                if (job.status !== "running") {
                    clearInterval(t);
                    res.end();
                }
            }, 50);
            return req.on("close", () => clearInterval(t));
        }
        const file = normalize(path === "/" ? "index.html" : path.slice(1));
        try {
            const bytes = await readFile(join(WEB, file));
            res.writeHead(200, {"Content-Type": TYPES[/** @type {keyof typeof TYPES} */ (extname(file))] ?? "text/plain"});
            res.end(bytes);
        } catch {
            refuse(404, "not-found", `There is nothing at ${path}.`);
        }
    };
    const server = createServer((req, res) => {
        answer(req, res).catch((e) => {
            res.writeHead(500);
            res.end(String(e));
        });
    });
    await new Promise((r) => server.listen(Number(process.env.MOCK_PORT ?? 0), "127.0.0.1", () => r(null)));
    const address = server.address();
    const port = typeof address === "object" && address ? address.port : 0;
    return {url: `http://127.0.0.1:${port}/`, world, stop: () => new Promise((r) => {
        server.closeAllConnections();
        server.close(() => r());
    })};
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
    const {url} = await startMock(process.argv[2] ?? "full");
    console.log(url);
}
