// Joining overlapping pictures of one technique (X-ray plates, IR frames) into one view.
import * as api from "./api.js";
import {field, fill, h, keepFocus} from "./dom.js";
import * as jobs from "./jobs.js";
import {on, reload, state} from "./state.js";
/** @typedef {import("./types.js").View} View */

/** @type {HTMLElement} */
let root;
/** @type {HTMLElement} */
let work;
/** @type {HTMLElement} */
let trouble;
const chosen = /** @type {Set<number>} */ (new Set());
const about = {label: ""};
let isBusy = false;

/** Why what is chosen cannot be joined, or "". @param {View[]} views */
export function whyNotJoined(views)
{
    const [kinds, states] = [new Set(views.map((v) => v.technique)), new Set(views.map((v) => v.state))];
    const mixed = kinds.size > 1 ? [...kinds] : states.size > 1 ? [...states] : null;
    return views.length < 2 ? "Choose two or more." : mixed
        ? `Choose pictures of one technique and state: these are ${mixed.join(" and ")}.` : "";
}

function show()
{
    const all = state.views.filter((v) => v.id !== state.dossier.frame?.view && v.tiles);
    const views = all.filter((v) => all.some((w) => w !== v && w.technique === v.technique && w.state === v.state));
    for (const id of chosen)
        if (!views.some((v) => v.id === id))
            chosen.delete(id);
    root.hidden = state.dossier.read_only || views.length < 2;
    if (root.hidden)
        return;
    const focus = keepFocus(root), picked = views.filter((v) => chosen.has(v.id)), why = whyNotJoined(picked);
    const label = h("input", {type: "text", maxlength: 80, value: about.label});
    label.addEventListener("input", () => {
        about.label = label.value.trim();
    });
    const isOpen = root.querySelector("details")?.open ?? false;
    fill(root, h("details", {class: "join", open: isOpen}, h("summary", {}, h("h2", {id: "join-title"}, "Join overlapping pictures")),
         h("p", {class: "hint"}, "X-ray plates or IR frames that overlap become one view. The single ones stay in the record."),
         h("ul", {class: "join-list", "aria-label": "Pictures to join"}, views.map((v) => h("li", {}, h("label", {},
             h("input", {type: "checkbox", value: v.id, checked: chosen.has(v.id), disabled: isBusy, onchange: (/** @type {Event} */ e) => {
                 if (/** @type {HTMLInputElement} */ (e.target).checked)
                     chosen.add(v.id);
                 else
                     chosen.delete(v.id);
                 show();
             }}), h("span", {}, v.label), h("span", {class: "quiet"}, v.technique))))),
         field("Label of the joined view", label, "empty: made from the technique"),
         h("div", {class: "row"}, h("button", {type: "button", class: "main", id: "join", disabled: isBusy || why !== "", onclick: join},
             picked.length > 1 ? `Join ${picked.length} pictures` : "Join"), why ? h("span", {class: "hint"}, why) : null),
         trouble, work));
    focus();
}

async function join()
{
    trouble.textContent = "";
    isBusy = true;
    show();
    try {
        const end = await jobs.run(work, "Joining pictures", await api.mosaic(
            {views: state.views.filter((v) => chosen.has(v.id)).map((v) => v.id), ...(about.label ? {label: about.label} : {})}));
        if (end.status === "done") {
            chosen.clear();
            about.label = "";
            await reload();
            const made = /** @type {{id?: number, view?: {id: number}}|undefined} */ (end.result);
            document.getElementById(`view-${made?.id ?? made?.view?.id}`)?.scrollIntoView({block: "nearest"});
        }
    } catch (e) {
        trouble.textContent = e instanceof Error ? e.message : String(e);
    }
    isBusy = false;
    show();
}

/** @param {HTMLElement} place */
export function start(place)
{
    root = place;
    work = h("div", {class: "work"});
    trouble = h("p", {class: "trouble", role: "alert"});
    on(["views", "dossier"], show);
    show();
}
