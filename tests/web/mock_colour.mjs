// The stand-in's part for true colour: calibrating, own pixels with an invented target, point measurements.
import {pngOf} from "./png.mjs";

/** Corner patches of the invented target of 3 x 4 patches, own px of any view. */
export const TARGET = {rows: 3, cols: 4, corners: [[600, 900], [1500, 960], [1460, 1560], [560, 1500]]};
const STEP = 200; // about the distance of its patches, px

/** @param {number} x @param {number} y @returns {number[]} */
function own(x, y)
{
    const [a, b, , d] = TARGET.corners;
    // The target is a parallelogram: its own coordinates by two dot products are exact enough for a picture.
    const u = ((x - a[0]) * (b[0] - a[0]) + (y - a[1]) * (b[1] - a[1])) / ((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2) * (TARGET.cols - 1);
    const v = ((x - a[0]) * (d[0] - a[0]) + (y - a[1]) * (d[1] - a[1])) / ((d[0] - a[0]) ** 2 + (d[1] - a[1]) ** 2) * (TARGET.rows - 1);
    const i = Math.round(u), j = Math.round(v);
    if (i < 0 || j < 0 || i >= TARGET.cols || j >= TARGET.rows)
        return [96 + 10 * Math.sin(x / STEP), 92, 84];
    if (Math.abs(u - i) > 0.4 || Math.abs(v - j) > 0.4)
        return [28, 28, 28];
    const k = j * TARGET.cols + i;
    return k > 8 ? Array(3).fill(70 * (k - 8)) : [60 + 20 * k, 220 - 22 * k, 40 + ((k * 83) % 190)];
}

/** @param {string} light @param {number} observer */
const pointsDoc = (light, observer) => ({
    file_name: "points.csv", about: "", aperture_mm: 4, light, observer_deg: observer, has_spectra: true, lights: ["D50", "D65", "A"], observers: [2, 10],
    sentence: "normal before differs from the 2 measurements by 3.1 CIEDE2000 on average, 4.2 at most; it is 1.4 L* darker than they are. Its colour is by calibration of 2026-11-25",
    photograph_check: {mean: 3.1, p95: 4.2, max: 4.2, bias: [-1.4, 0.2, 0.6]},
    points: [{id: "1", name: "cloth", x: 1500, y: 2800, lab: [light === "A" ? 82 : 80, 1, 9], photographed: [78, 1.3, 10], de: 2},
             {id: "2", name: "", x: 900, y: 700, lab: [50, 2, 12], photographed: [48, 3, 14], de: 4.2}]});

/**
 * Answers what is about true colour. @param {any} ask at, path, q, body, json, refuse, res, world, startJob,
 * calibrated @returns {Promise<boolean>} whether it was
 */
export async function answerColour({at, path, q, body, json, refuse, res, world, startJob, calibrated})
{
    let m;
    if ((m = /^\/api\/views\/(\d+)\/own$/.exec(path))) {
        const px = Number(q.get("px")), side = Number(q.get("side")), x0 = Number(q.get("x")) - side / 2, y0 = Number(q.get("y")) - side / 2;
        const rows = Buffer.alloc((px * 3 + 1) * px);
        for (let j = 0, o = 0; j < px; j++) {
            o++;
            for (let i = 0; i < px; i++)
                for (const c of own(x0 + (i + 0.5) * side / px, y0 + (j + 0.5) * side / px))
                    rows[o++] = Math.max(0, Math.min(255, Math.round(c)));
        }
        res.writeHead(200, {"Content-Type": "image/png", "Cache-Control": "no-store"});
        res.end(pngOf(px, px, rows, 3));
        return true;
    }
    if ((m = /^POST \/api\/views\/(\d+)\/calibrate$/.exec(at))) {
        const doc = JSON.parse(String(await body())), id = Number(m[1]);
        world.calibrateAsked = [...(world.calibrateAsked ?? []), {id, ...doc}];
        const why = /hidden/.test(doc.chart_text) && !doc.corners ? "no grid of 3 x 4 even patches was seen in the picture; give the target's four corners"
            : /short/.test(doc.chart_text) ? "wrong patch count: the chart file holds 23 colours, a target of 4 rows and 6 columns has 24" : undefined;
        json({job: startJob("calibrate", () => {
            const heirs = new Set([id, ...(doc.also ?? [])]);
            world.views = world.views.map((/** @type {any} */ v) => heirs.has(v.id) ? {...v, calibration: calibrated(v.id !== id)} : v);
        }, why).id}, 202);
        return true;
    }
    if ((m = /^DELETE \/api\/views\/(\d+)\/calibration$/.exec(at))) {
        const id = Number(m[1]);
        json({job: startJob("calibrate", () => {
            world.views = world.views.map((/** @type {any} */ v) => v.id === id ? {...v, calibration: null} : v);
        }).id}, 202);
        return true;
    }
    if (at === "GET /api/points") {
        if (world.hasPoints)
            json(pointsDoc(q.get("light") ?? "D50", Number(q.get("observer") ?? 2)));
        else
            refuse(404, "not-found", "no point measurements have been imported");
        return true;
    }
    if (at === "POST /api/points") {
        const doc = JSON.parse(String(await body()));
        if (!/x,y/.test(doc.text)) {
            refuse(422, "data", "the points have no place: add columns x and y in frame pixels");
            return true;
        }
        world.hasPoints = true;
        json(pointsDoc("D50", 2), 201);
        return true;
    }
    return false;
}
