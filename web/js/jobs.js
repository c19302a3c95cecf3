// Long work: what is being done, how far it is, and a way to stop it.
import * as api from "./api.js";
import {h, say} from "./dom.js";
import {percent, sentence} from "./words.js";
/** @typedef {import("./types.js").JobDoc} JobDoc */

/** @param {JobDoc} d @returns {string} why a job failed, one sentence */
export function whyFailed(d)
{
    return sentence(d.error?.message ?? "") || "The work failed, and no reason was given.";
}

/** @param {string} what */
function bar(what)
{
    const meter = h("progress", {max: 1, "aria-label": what});
    const text = h("span", {class: "job-what"}, what);
    const stop = h("button", {type: "button"}, "Cancel");
    const root = h("div", {class: "job", role: "group", "aria-label": what}, text, meter, stop);
    return {root, meter, text, stop};
}

/**
 * Follow a job inside `place`. Resolves with the final document; a failed job throws its sentence.
 * @param {HTMLElement} place @param {string} what @param {string} id
 * @returns {Promise<JobDoc>}
 */
export async function run(place, what, id)
{
    const b = bar(what);
    place.append(b.root);
    b.stop.addEventListener("click", () => {
        b.stop.disabled = true;
        b.text.textContent = `${what}: stopping\u2026`;
        api.cancelJob(id).catch(() => {
            b.stop.disabled = false;
        });
    });
    let said = 0;
    try {
        const end = await api.followJob(id, (d) => {
            if (b.stop.disabled)
                return;
            if (d.status === "running")
                b.meter.value = d.fraction;
            b.text.textContent = d.status === "queued" ? `${what}: waiting for other work`
                : `${what}: ${d.what ? `${d.what}, ` : ""}${percent(d.fraction)}`;
            if (d.fraction >= said + 0.25) {
                said = d.fraction;
                say(b.text.textContent);
            }
        });
        if (end.status === "failed")
            throw new api.ApiError(0, "job", whyFailed(end));
        say(end.status === "cancelled" ? `${what}: cancelled.` : `${what}: done.`);
        return end;
    } finally {
        b.root.remove();
    }
}

/**
 * Work that is one request: shows it and can stop it.
 * @template T
 * @param {HTMLElement} place @param {string} what
 * @param {(signal: AbortSignal, onProgress: (share: number) => void) => Promise<T>} fn
 * @returns {Promise<T|null>} null when it was stopped
 */
export async function runRequest(place, what, fn)
{
    const b = bar(what), stop = new AbortController();
    place.append(b.root);
    b.stop.addEventListener("click", () => stop.abort());
    try {
        return await fn(stop.signal, (share) => {
            b.meter.value = share;
            b.text.textContent = `${what}: ${percent(share)}`;
        });
    } catch (e) {
        if (stop.signal.aborted)
            return null;
        throw e;
    } finally {
        b.root.remove();
    }
}

/** Names of work found running when the page is opened. @type {Record<string, string>} */
export const NAMES = {add: "Adding a view", align: "Placing views", calibrate: "Calibrating", forecast: "Computing the forecast"};

/** Work of those kinds that still runs or waits. @param {string[]} kinds @returns {Promise<JobDoc[]>} */
export async function running(kinds)
{
    return (await api.jobs()).filter((d) => kinds.includes(d.kind) && !api.isFinal(d));
}
