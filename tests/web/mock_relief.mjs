// The stand-in's part for relief: two states whose surfaces are known, packed as docs/http-api.md says.

const MM = 0.2; // per frame px
const LO = -0.4, HI = 0.4;

/** Ridges across and down, higher once the coat is off. @param {number} x @param {number} y frame px
 *  @param {number} k */
function surface(x, y, k)
{
    const a = 0.1 * k, fx = 0.02, fy = 0.016;
    return {z: a * (Math.sin(x * fx) + Math.sin(y * fy)), p: a * fx / MM * Math.cos(x * fx),
            q: -a * fy / MM * Math.cos(y * fy)};
}

/** @param {number} k @returns {(x: number, y: number) => number[]} */
const slopes = (k) => (x, y) => {
    const s = surface(x, y, k), n = Math.hypot(1, s.p, s.q);
    const a = Math.round(2047.5 * (1 - s.p / n)), b = Math.round(2047.5 * (1 - s.q / n));
    return x > 2800 ? [0, 0, 0] : [a >> 4, (a & 15) << 4 | b >> 8, b & 255];
};

/** @param {number} k @returns {(x: number, y: number) => number[]} */
const heights = (k) => (x, y) => {
    const v = Math.round(65535 * (surface(x, y, k).z - LO) / (HI - LO));
    return [v >> 8, v & 255, 0];
};

/** @type {Record<string, (x: number, y: number) => number[]>} */
export const RELIEF_PICTURES = {"slopes-before": slopes(0.5), "heights-before": heights(0.5),
                                "slopes-test": slopes(1), "heights-test": heights(1)};

const interval = (/** @type {number} */ value, /** @type {number} */ half) => ({value, low: value - half, high: value + half});

/** @param {string} state @param {(name: string) => any} tiles */
function reliefDoc(state, tiles)
{
    const k = state === "test" ? 1 : 0.5, isTest = state === "test";
    return {state, is_stale: false, method: "trimmed", flat_asserted: false, left_aside: 0, crossed: isTest, boards: false,
            lights: [0, 45, 90, 135, 180, 225, 270, 315].map((a, i) => ({view: 20 + i, label: `raking ${state} ${a}`, azimuth_deg: a,
                elevation_deg: 30, near: false, residual_deg: null, polariser: isTest ? "crossed" : "", board: false, gain: 1,
                dark_share: 0, clipped_share: 0, misfit: 1, why: ""})),
            set_why: "All views fit one surface.", condition: 1.7, rig_why: "", answered: 0.93, misfit: 0.02, slope_sd: 0.006,
            slope_sd_assumed: false,
            through_varnish: {is_varnished: true, paint: 0.41, film: 0.77,
                              what: "Slopes of the surface as lit from 30 degrees above the picture: through a varnish mostly the varnish's own."},
            height: {reduced: 1, mm_per_px: MM, reliable_mm: 150, drift_deg: 0, misfit: 0.03, what: "Least squares over the whole picture.", lo_mm: LO, hi_mm: HI},
            texture: {short_mm: 0.8, long_mm: 6.4, px: 9000000, sa_um: 30 * k, sq_um: 41.2 * k, sz_um: 390 * k, ssk: 0.1, sku: 3.1, sdq: 0.052 * k, sdr: 0.0012},
            curve: [1, 2, 4, 8, 16, 32].map((d, i) => ({detail_mm: d, sq_um: k * [4, 9, 17, 26, 33, 38][i]})),
            windows: isTest ? [{label: "window 1", refusal: 0, why: "", ratio: interval(0.62, 0.1), retained: interval(0.41, 0.17)},
                               {label: "window 2", refusal: 6, why: "The window is too small for this band."}] : [],
            forecast: isTest ? {refusal: 0, pairs: 1, what: "From one window; its interval is widened.", gain: interval(1.6, 0.4)}
                : {refusal: 8, pairs: 0, what: "No window was open when these views were taken: nothing is foretold."},
            tiles: {slopes: tiles(`slopes-${state}`), height: tiles(`heights-${state}`)}};
}

/**
 * @param {any} ask at, q, body, json, refuse, world, startJob, tiles
 * @returns {Promise<boolean>} whether it was about relief
 */
export async function answerRelief({at, q, body, json, refuse, world, startJob, tiles})
{
    if (at === "GET /api/relief")
        json({reliefs: (world.reliefs ?? []).map((/** @type {string} */ s) => reliefDoc(s, tiles))});
    else if (at === "POST /api/relief") {
        const ask = JSON.parse(String(await body()));
        json({job: startJob("relief", () => {
            world.reliefs = [...new Set([...(world.reliefs ?? []), ask.state])];
        }, ask.method === "least-squares" ? "View raking left: its exposure is 0.4 of the others'." : undefined).id}, 202);
    } else if (at === "POST /api/relief/texture") {
        const ask = JSON.parse(String(await body())), xs = ask.polygon.map((/** @type {number[]} */ p) => p[0]);
        const of = (/** @type {string} */ s) => ({...reliefDoc(s, tiles).texture, short_mm: ask.short_mm ?? 0.8, long_mm: ask.long_mm ?? 6.4});
        if ((Math.max(...xs) - Math.min(...xs)) * MM < 4 * of(ask.state).long_mm)
            refuse(422, "refused", "the area is too small for details of this size");
        else
            json({state: ask.state, texture: of(ask.state), ...(ask.other ? {other: ask.other, other_texture: of(ask.other), sq_ratio: interval(2, 0.2),
                  sdq_ratio: interval(2.1, 0.3), patches: 16, what: "Slope texture rose: 2.10 times as before."} : {})});
    } else if (at === "POST /api/relief/film") {
        const ask = JSON.parse(String(await body())), is = {state: ask.state, views: 16, polarised: true, coverage: 0.9, short_mm: ask.short_mm ?? 0.8, long_mm: ask.long_mm ?? 6.4};
        const job = startJob("film", () => {
            job.result = ask.state === "test" ? {...is, refusal: 0, why: "All gates passed.", retained: interval(0.52, 0.16), fill_um: interval(4.2, 1.1),
                                                 gain: interval(1.9, 0.5), gain_what: "As far as this passage goes."}
                : {...is, refusal: 3, why: "too few lamps stand near the axis"};
        });
        json({job: job.id}, 202);
    } else if (at === "PUT /api/lights") {
        const ask = JSON.parse(String(await body()));
        if (ask.text.startsWith("file,"))
            json({lights: ask.text.trim().split("\n").length - 1, file_name: ask.name});
        else
            refuse(422, "data", "the lights need a first line of names: file, and azimuth_deg, elevation_deg");
    } else if (at.startsWith("GET /api/relief/profile")) {
        const [x0, y0, x1, y1] = ["x0", "y0", "x1", "y1"].map((n) => Number(q.get(n))), k = q.get("state") === "test" ? 1 : 0.5;
        json({state: q.get("state"), length_mm: MM * Math.hypot(x1 - x0, y1 - y0), reliable_mm: 150,
              height_mm: Array.from({length: 200}, (_, i) => surface(x0 + (x1 - x0) * i / 199, y0 + (y1 - y0) * i / 199, k).z)});
    } else
        return false;
    return true;
}
