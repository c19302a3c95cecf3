// The only place of the page that talks to the program (docs/http-api.md). Everything that goes wrong
// becomes an ApiError with one sentence to show as it is.
import {sentence} from "./words.js";
/**
 * @typedef {import("./types.js").Dossier} Dossier
 * @typedef {import("./types.js").View} View
 * @typedef {import("./types.js").TestWindow} TestWindow
 * @typedef {import("./types.js").Zone} Zone
 * @typedef {import("./types.js").Forecast} Forecast
 * @typedef {import("./types.js").JobDoc} JobDoc
 * @typedef {import("./types.js").Spot} Spot
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Pair} Pair
 */

export class ApiError extends Error {
    /** @param {number} status @param {string} code @param {string} message */
    constructor(status, code, message)
    {
        super(message);
        this.status = status;
        this.code = code;
    }
}

const AWAY = "The program does not answer. See whether halfclean serve is still running, then reload.";
const NO_COOKIE = "This page has lost its key. Open the link that halfclean serve printed when it started.";

/** The sentence of a refusal. @param {number} status @param {string} text @returns {ApiError} */
export function errorOf(status, text)
{
    let code = `http-${status}`, message = "";
    try {
        const doc = JSON.parse(text);
        code = String(doc.error.code ?? code);
        message = sentence(String(doc.error.message ?? ""));
    } catch {
        // Not a document of ours: the status has to do.
    }
    if (!message)
        message = status === 403 ? NO_COOKIE : `The program answered with the status ${status}.`;
    return new ApiError(status, code, message);
}

/**
 * @param {string} method @param {string} path @param {unknown} [body] @param {AbortSignal} [signal]
 * @returns {Promise<Response>}
 */
async function send(method, path, body, signal)
{
    /** @type {RequestInit} */
    const init = {method, signal, credentials: "same-origin", cache: "no-store"};
    if (body !== undefined) {
        init.body = JSON.stringify(body);
        init.headers = {"Content-Type": "application/json"};
    }
    let r;
    try {
        r = await fetch(path, init);
    } catch (e) {
        if (signal?.aborted)
            throw e;
        throw new ApiError(0, "away", AWAY);
    }
    if (!r.ok)
        throw errorOf(r.status, await r.text());
    return r;
}

/** @param {string} path @param {AbortSignal} [signal] */
async function get(path, signal)
{
    return (await send("GET", path, undefined, signal)).json();
}

/** @returns {Promise<Dossier>} */
export const dossier = () => get("/api/dossier");

/** @returns {Promise<View[]>} */
export const views = async () => (await get("/api/views")).views;

/** @param {number} view @returns {Promise<import("./types.js").FitMap>} */
export const fit = (view) => get(`/api/views/${view}/fit`);

/** @param {number} view @returns {Promise<import("./types.js").Calibration>} */
export const calibration = (view) => get(`/api/views/${view}/calibration`);

/** Calibrate by the colour target in a view. @param {number} view @param {{chart_text:string, corners?:Point[],
 *  rows?:number, cols?:number, flat?:number, also?:number[]}} ask @returns {Promise<string>} the job's id */
export const calibrate = async (view, ask) => jobOf(await send("POST", `/api/views/${view}/calibrate`, ask));

/** @param {number} view @returns {Promise<string>} the job's id */
export const removeCalibration = async (view) => jobOf(await send("DELETE", `/api/views/${view}/calibration`));

/** Point measurements under a light, or null when there are none. @param {string} light @param {number} observer
 *  @returns {Promise<import("./types.js").Points|null>} */
export async function points(light, observer)
{
    try {
        return await get(`/api/points?${new URLSearchParams({light, observer: String(observer)})}`);
    } catch (e) {
        if (e instanceof ApiError && e.status === 404)
            return null;
        throw e;
    }
}

/** @param {{text:string, name:string, mm:number}} ask @returns {Promise<import("./types.js").Points>} */
export const importPoints = async (ask) => (await send("POST", "/api/points", ask)).json();

/** @returns {Promise<TestWindow[]>} */
export const windows = async () => (await get("/api/windows")).windows;

/** @returns {Promise<Zone[]>} */
export const zones = async () => (await get("/api/zones")).zones;

/** The newest forecast, or null when none was made. @returns {Promise<Forecast|null>} */
export async function forecast()
{
    try {
        return await get("/api/forecast");
    } catch (e) {
        if (e instanceof ApiError && e.status === 404)
            return null;
        throw e;
    }
}

/** @param {number} x @param {number} y @param {number} mm @param {AbortSignal} [signal]
 *  @returns {Promise<Spot>} */
export const spot = (x, y, mm, signal) =>
    get(`/api/spot?${new URLSearchParams({x: x.toFixed(2), y: y.toFixed(2), mm: String(mm)})}`, signal);

/** Address of a patch picture. @param {string} what @param {number} x @param {number} y
 *  @param {number} mm @param {number} px */
export const patchUrl = (what, x, y, mm, px) =>
    `/api/patch?${new URLSearchParams({what, x: x.toFixed(2), y: y.toFixed(2), mm: String(mm),
                                       px: String(px)})}`;

/** Address of a square of a view's own pixels. @param {number} view @param {number} x @param {number} y
 *  centre @param {number} side own px @param {number} px of the picture */
export const ownUrl = (view, x, y, side, px) =>
    `/api/views/${view}/own?${new URLSearchParams({x: String(x), y: String(y), side: String(side), px: String(px)})}`;

/** @param {string} key @param {number} level @param {number} x @param {number} y */
export const tileUrl = (key, level, x, y) => `/tiles/${key}/${level}/${x}_${y}`;

/** @param {{polygon:Point[], before?:number, test?:number, surface?:string, system?:string,
 *  label?:string}} w @returns {Promise<TestWindow>} */
export const addWindow = async (w) => (await send("POST", "/api/windows", w)).json();

/** @param {number} id */
export const removeWindow = (id) => send("DELETE", `/api/windows/${id}`);

/** @param {{polygon:Point[], kind:string, label?:string}} z @returns {Promise<Zone>} */
export const addZone = async (z) => (await send("POST", "/api/zones", z)).json();

/** @param {number} id */
export const removeZone = (id) => send("DELETE", `/api/zones/${id}`);

/** @param {Response} r @returns {Promise<string>} */
async function jobOf(r)
{
    return String((await r.json()).job);
}

/** @param {{surface?:string, radius_limit?:number}} ask @returns {Promise<string>} the job's id */
export const computeForecast = async (ask) => jobOf(await send("POST", "/api/forecast", ask));

/** @param {number} [view] @returns {Promise<string>} the job's id */
export const align = async (view) =>
    jobOf(await send("POST", "/api/align", view === undefined ? {} : {view}));

/** @param {number} view @returns {Promise<Pair[]>} */
export const pairs = async (view) => (await get(`/api/views/${view}/pairs`)).pairs;

/** Keep the pairs and place the view by them. @param {number} view @param {Pair[]} list
 *  @returns {Promise<string>} the job's id */
export const placeByPairs = async (view, list) => jobOf(await send("PUT", `/api/views/${view}/pairs`, {pairs: list}));

/** Take a placement back. @param {number} view @returns {Promise<string|null>} the job's id, if it takes one */
export async function takeBack(view)
{
    const r = await send("DELETE", `/api/views/${view}/placement`);
    return r.status === 202 ? jobOf(r) : null;
}

/** @param {number} view @returns {Promise<Point[][]>} own px of the view */
export const ignored = async (view) => (await get(`/api/views/${view}/ignored`)).polygons;

/** @param {number} view @param {Point[][]} polygons */
export const ignore = (view, polygons) => send("PUT", `/api/views/${view}/ignored`, {polygons});

/** Join overlapping pictures into one view. @param {{views: number[], label?: string}} ask
 *  @returns {Promise<string>} the job's id */
export const mosaic = async (ask) => jobOf(await send("POST", "/api/mosaic", ask));

/** The bytes of a tile, null where there is none. @param {string} url of tileUrl() @returns {Promise<Blob|null>} */
export async function tile(url)
{
    const r = await fetch(url, {credentials: "same-origin"});
    if (r.status === 404)
        return null;
    if (!r.ok)
        throw new Error(`A tile could not be read (${r.status}).`);
    return r.blob();
}

/** @returns {Promise<import("./types.js").Relief[]>} */
export const reliefs = async () => (await get("/api/relief")).reliefs;

/** @param {{state:string, method?:string, flat?:boolean, even_exposure?:boolean}} ask @returns {Promise<string>} the job's id */
export const computeRelief = async (ask) => jobOf(await send("POST", "/api/relief", ask));

/** @typedef {{state:string, polygon:Point[], other?:string, short_mm?:number, long_mm?:number}} PassageAsk */

/** @param {PassageAsk} ask @returns {Promise<import("./types.js").TextureAnswer>} */
export const texture = async (ask) => (await send("POST", "/api/relief/texture", ask)).json();

/** @param {PassageAsk} ask @returns {Promise<string>} the job's id */
export const film = async (ask) => jobOf(await send("POST", "/api/relief/film", ask));

/** @param {string} text @param {string} name @returns {Promise<{lights:number, file_name:string}>} */
export const sendLights = async (text, name) => (await send("PUT", "/api/lights", {text, name})).json();

/** @param {string} of the state @param {Point} from @param {Point} to @returns {Promise<import("./types.js").Profile>} */
export const profile = (of, from, to) =>
    get(`/api/relief/profile?${new URLSearchParams({state: of, x0: from[0].toFixed(2), y0: from[1].toFixed(2),
                                                    x1: to[0].toFixed(2), y1: to[1].toFixed(2)})}`);

/** @param {string} id @returns {Promise<JobDoc>} */
export const job = (id) => get(`/api/jobs/${id}`);

/** @returns {Promise<JobDoc[]>} the work of this session */
export const jobs = async () => (await get("/api/jobs")).jobs;

/** @param {string} id */
export const cancelJob = (id) => send("DELETE", `/api/jobs/${id}`);

/** @param {JobDoc} d */
export const isFinal = (d) => d.status === "done" || d.status === "failed" || d.status === "cancelled";

/**
 * Follow a job to its end; each news goes to `onNews`. The event stream is asked first; when it
 * breaks off, the job is asked for every second.
 * @param {string} id @param {(d: JobDoc) => void} onNews @returns {Promise<JobDoc>}
 */
export function followJob(id, onNews)
{
    return new Promise((resolve, reject) => {
        const stream = new EventSource(`/api/jobs/${id}/events`);
        /** @param {JobDoc} d */
        const take = (d) => {
            onNews(d);
            if (isFinal(d)) {
                stream.close();
                resolve(d);
                return true;
            }
            return false;
        };
        stream.addEventListener("progress",
                                (e) => take(JSON.parse(/** @type {MessageEvent} */ (e).data)));
        stream.addEventListener("error", () => {
            stream.close();
            const poll = async () => {
                try {
                    if (!take(await job(id)))
                        setTimeout(poll, 1000);
                } catch (e) {
                    reject(e);
                }
            };
            poll();
        });
    });
}

/**
 * Send a file as it is. XMLHttpRequest, since fetch does not tell how much has gone.
 * @param {File} file @param {Record<string, string>} about technique, state, label, azimuth, elevation
 * @param {(share: number) => void} onProgress @param {AbortSignal} signal
 * @returns {Promise<string>} the job's id
 */
export function addView(file, about, onProgress, signal)
{
    return new Promise((resolve, reject) => {
        const x = new XMLHttpRequest();
        x.open("PUT", `/api/views?${new URLSearchParams({name: file.name, ...about})}`);
        x.setRequestHeader("Content-Type", "application/octet-stream");
        x.upload.onprogress = (e) => onProgress(e.total ? e.loaded / e.total : 0);
        x.onload = () => x.status >= 200 && x.status < 300
            ? resolve(String(JSON.parse(x.responseText).job))
            : reject(errorOf(x.status, x.responseText));
        x.onerror = () => reject(new ApiError(0, "away", AWAY));
        x.onabort = () => reject(new DOMException("stopped", "AbortError"));
        signal.addEventListener("abort", () => x.abort());
        x.send(file);
    });
}

/** The forecast report as PDF. @param {AbortSignal} signal @returns {Promise<Blob>} */
export const report = async (signal) => (await send("POST", "/api/report", {}, signal)).blob();
