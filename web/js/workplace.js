// Where something is marked on a view's own pixels: it takes the place of the picture area and the strip,
// and the panel tells what is marked. One kind of marking is open at a time.
import {byId, fill, h} from "./dom.js";
import {on, set, state} from "./state.js";
/**
 * @typedef {import("./types.js").View} View
 * @typedef {{close: () => void, refresh: (view: View) => void}} Opened refresh: the record was read anew
 * @typedef {{open: (view: View, place: HTMLElement, panel: HTMLElement) => Opened}} Kind
 */

/** @type {Record<string, Kind>} */
const kinds = {};
/** @type {Opened|null} */
let opened = null;
/** @type {typeof state.workplace} */
let shown = null;

/** @param {"pairs"|"ignored"} name @param {Kind} kind */
export function addKind(name, kind)
{
    kinds[name] = kind;
}

export const leave = () => set({workplace: null});

/** The way back, at the head of the panel. @param {string} title */
export const head = (title) => h("div", {class: "workplace-head"},
    h("button", {type: "button", id: "workplace-back", onclick: leave}, "\u2190 Back to the views"), h("h2", {}, title));

function sync()
{
    const want = state.workplace, view = state.views.find((v) => v.id === want?.view);
    if (want && !view) {
        leave();
        return;
    }
    if (want?.kind === shown?.kind && want?.view === shown?.view) {
        if (view)
            opened?.refresh(view);
        return;
    }
    const left = shown;
    opened?.close();
    opened = null;
    shown = want;
    byId("bench").classList.toggle("is-marking", want !== null);
    byId("workplace").hidden = byId("room-workplace").hidden = want === null;
    byId("room-look").hidden = want !== null || state.room !== "look";
    fill(byId("workplace"));
    fill(byId("room-workplace"));
    if (want && view) {
        byId("panel").scrollTop = 0;
        opened = kinds[want.kind].open(view, byId("workplace"), byId("room-workplace"));
        byId("workplace-back").focus({preventScroll: true});
    } else if (left)
        document.getElementById(`view-${left.view}`)?.scrollIntoView({block: "nearest"});
}

export function start()
{
    on(["workplace", "views"], sync);
    sync();
}
