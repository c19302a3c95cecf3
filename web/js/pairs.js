// Pairs of points: the same detail marked in the frame and in a view, to place the view by them when
// the program cannot find its place, or found a wrong one.
import * as api from "./api.js";
import {fill, h, s, say} from "./dom.js";
import {keepDraft, recallDraft} from "./draft.js";
import * as jobs from "./jobs.js";
import {ZOOMS, makeMagnifier} from "./magnifier.js";
import {affineOf, nextPlace, scaleOf} from "./pair_math.js";
import {makePairList} from "./pair_list.js";
import {showPanel} from "./pair_panel.js";
import {makePane} from "./pane.js";
import {isPlaced, reload, state} from "./state.js";
import {addKind} from "./workplace.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Pair} Pair
 * @typedef {import("./types.js").View} View
 * @typedef {import("./pair_list.js").Which} Which
 */

const WHICH = /** @type {Which[]} */ (["frame", "own"]);

/** A numbered mark. @param {Point} at screen px @param {string} text @param {string} kind */
const mark = (at, text, kind) => s("g", {class: `pair-mark ${kind}`, transform: `translate(${at.join(" ")})`},
    ["under", "over"].map((w) => s("path", {class: w, d: "M-11,0 H-4 M4,0 H11 M0,-11 V-4 M0,4 V11"})),
    ["under", "over"].map((w) => s("circle", {class: w, r: 7})),
    ["under", "over"].map((w) => s("text", {class: `outline-name ${w}`, x: 12, y: -10}, text)));

/** @param {View} view @param {HTMLElement} place @param {HTMLElement} panel
 *  @returns {import("./workplace.js").Opened} */
function open(view, place, panel)
{
    const frame = /** @type {View} */ (state.views.find((v) => v.id === state.dossier.frame?.view));
    const draftName = `pairs-${view.id}-${view.sha256.slice(0, 16)}`;
    const list = makePairList({frame: [frame.w, frame.h], own: [view.w, view.h]}, changed);
    const views = {frame, own: view};
    const names = {frame: `Frame: ${frame.label}`, own: view.label};
    const draft = /** @type {import("./pair_list.js").Marks|null} */ (recallDraft(draftName));
    let zoom = 4, isOpen = true, isBusy = false, isRead = false;
    /** What the record has, to tell what is not in it yet. @type {Pair[]} */
    let stored = [];
    /** @type {import("./types.js").FitMap|null} */
    let fit = null;

    const panes = {frame: paneOf("frame"), own: paneOf("own")};
    const layers = {frame: s("g"), own: s("g")};
    const glasses = {frame: glassOf("frame"), own: glassOf("own")};
    const control = h("div", {class: "glass-control", role: "group", "aria-label": "The pair in hand"});
    const work = h("div", {class: "work"}), trouble = h("p", {class: "trouble", role: "alert"}), body = h("div");

    /** @param {Which} which */
    function paneOf(which)
    {
        return makePane(views[which], {name: names[which], onDraw: () => drawMarks(which),
            onSet: (p) => list.put(which, p), onKey: (e) => e.key === "Escape" && (list.drop(), true)});
    }

    /** @param {Which} which */
    function glassOf(which)
    {
        return makeMagnifier(views[which], {name: names[which], onMove: (p) => list.put(which, p, true), onKey: (e) => {
            if (e.key === "Enter")
                keep();
            else if (e.key === "Escape")
                list.drop();
            else if (e.key === "+" || e.key === "=" || e.key === "-")
                zoomBy(e.key === "-" ? -1 : 1);
            else
                return false;
            return true;
        }});
    }

    /** @param {Which} which */
    function drawMarks(which)
    {
        const pane = panes[which], {list: kept, hand} = list.marks(), k = which === "frame" ? 0 : 2;
        const next = nextPlace(kept, [view.w, view.h], [frame.w, frame.h]), at = next?.[which];
        fill(layers[which],
             at && !hand.frame && !hand.own ? s("g", {class: "pair-next", transform: `translate(${pane.toScreen(at).join(" ")})`},
                  ["under", "over"].map((w) => s("circle", {class: w, r: 22}))) : null,
             kept.map((p, i) => (i === hand.index ? null : mark(pane.toScreen([p[k], p[k + 1]]), String(i + 1), "is-kept"))),
             hand[which] ? mark(pane.toScreen(/** @type {Point} */ (hand[which])), hand.index === null ? "" : String(hand.index + 1),
                                hand.guess === which ? "is-guess" : "is-hand") : null);
    }

    /** Own px of the view for each of the frame. */
    function ratio()
    {
        const kept = list.marks().list;
        const m = affineOf(kept.map((p) => [p[0], p[1]]), kept.map((p) => [p[2], p[3]]));
        return (m ? scaleOf(m) : isPlaced(view) ? view.fit.view_per_frame : null) || 1;
    }

    /** @param {number} by steps */
    function zoomBy(by)
    {
        zoom = ZOOMS[Math.min(Math.max(ZOOMS.indexOf(zoom) + by, 0), ZOOMS.length - 1)];
        changed();
    }

    function keep()
    {
        const n = list.marks().list.length, why = list.keep();
        say(why || (list.marks().list.length > n ? `Pair ${n + 1} kept.` : "Pair kept."));
        if (!why)
            panes.frame.area.focus({preventScroll: true});
    }

    function showControl()
    {
        const focused = control.contains(document.activeElement) ? document.activeElement?.getAttribute("data-name") : null;
        const {hand} = list.marks(), why = list.whyNotKept(), isAny = hand.frame !== null || hand.own !== null;
        const button = (/** @type {string} */ name, /** @type {string} */ text, /** @type {boolean} */ can, /** @type {() => void} */ fn, more = {}) =>
            h("button", {type: "button", "data-name": name, disabled: !can, onclick: fn, ...more}, text);
        fill(control, h("p", {class: "glass-what", id: "pair-what"}, why || "Both marks stand: compare them under the glass, then keep the pair."),
             h("div", {class: "row glass-zoom"},
               button("less", "\u2212", zoom > ZOOMS[0], () => zoomBy(-1), {"aria-label": "Magnify less"}),
               h("span", {class: "glass-times"}, `\u00d7${zoom}`),
               button("more", "+", zoom < ZOOMS[ZOOMS.length - 1], () => zoomBy(1), {"aria-label": "Magnify more"})),
             h("div", {class: "row"},
               button("keep", hand.index === null ? "Keep this pair" : `Keep pair ${hand.index + 1}`, why === "", keep, {class: "main"}),
               button("drop", "Let go", isAny, list.drop, {title: "Esc"}),
               button("undo", "Undo", list.canUndo(), list.undo, {title: "Ctrl+Z"})));
        if (focused)
            /** @type {HTMLElement|null} */ (control.querySelector(`[data-name="${focused}"]:not(:disabled)`))?.focus();
    }

    function changed()
    {
        if (!isOpen)
            return;
        const {list: kept, hand} = list.marks(), k = ratio();
        for (const which of WHICH) {
            const p = hand[which];
            if (panes[which].isOpen())
                drawMarks(which);
            glasses[which].show(p, which === "frame" ? zoom : zoom / k,
                                p === null ? "no mark yet" : hand.guess === which ? "first guess" : "marked");
            glasses[which].root.classList.toggle("is-guess", hand.guess === which);
        }
        showControl();
        const isNew = JSON.stringify(kept) !== JSON.stringify(stored);
        if (isRead)
            keepDraft(draftName, isNew || hand.frame || hand.own ? list.marks() : null);
        showPanel(body, {view, list, stored, fit, isBusy, next: nextPlace(kept, [view.w, view.h], [frame.w, frame.h]),
                         goTo: (i) => goTo(i), placeView, takeBack: takePlacementBack});
    }

    /** Take a pair in hand and bring it into sight. @param {number} i */
    function goTo(i)
    {
        list.edit(i);
        const p = list.marks().list[i];
        panes.frame.reveal([p[0], p[1]]);
        panes.own.reveal([p[2], p[3]]);
        glasses.own.canvas.focus();
    }

    /** Show the sentence of what goes wrong. @param {() => Promise<void>} fn */
    async function attempt(fn)
    {
        trouble.textContent = "";
        isBusy = true;
        changed();
        try {
            await fn();
        } catch (e) {
            trouble.textContent = e instanceof Error ? e.message : String(e);
        }
        isBusy = false;
        changed();
    }

    /** The pairs in the record, and how they fit. */
    async function readRecord()
    {
        stored = await api.pairs(view.id);
        fit = await api.fit(view.id).catch((e) => {
            if (e instanceof api.ApiError && e.status === 404)
                return null;
            throw e;
        });
    }

    const placeView = () => attempt(async () => {
        const asked = list.marks().list, end = await jobs.run(work, `Placing ${view.label}`, await api.placeByPairs(view.id, asked));
        await readRecord(); // first, so that verdict and misses change together
        await reload();
        if (end.status === "done")
            say(`${view.label}: ${view.fit.verdict === "refused" ? "do not compare" : view.fit.verdict}.`);
    });

    const takePlacementBack = () => attempt(async () => {
        const id = await api.takeBack(view.id);
        if (id)
            await jobs.run(work, `Taking back the place of ${view.label}`, id);
        await readRecord(); // first, so that verdict and misses change together
        await reload();
    });

    /** @param {KeyboardEvent} e */
    function keys(e)
    {
        if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "z" && !/** @type {Element} */ (e.target).closest("input, select")) {
            list.undo();
            e.preventDefault();
        }
    }

    place.append(h("div", {class: "panes"}, panes.frame.root, panes.own.root),
                 h("div", {class: "glasses"}, glasses.frame.root, control, glasses.own.root));
    panel.append(body, trouble, work);
    for (const which of WHICH) {
        panes[which].marks.prepend(layers[which]);
        panes[which].open();
    }
    document.addEventListener("keydown", keys);
    const watch = new ResizeObserver(() => WHICH.forEach((which) => glasses[which].draw()));
    watch.observe(glasses.frame.canvas);
    if (draft)
        list.start(draft);
    else
        changed();
    attempt(async () => {
        await readRecord();
        isRead = true;
        if (!draft)
            list.start({list: [...stored, ...list.marks().list], hand: list.marks().hand});
    });
    return {
        refresh(v)
        {
            view = views.own = v;
            panes.own.show(v);
            changed();
        },
        close()
        {
            isOpen = false;
            document.removeEventListener("keydown", keys);
            watch.disconnect();
            for (const which of WHICH)
                panes[which].close();
        }};
}

export const start = () => addKind("pairs", {open});
