// What is left out when a view is placed: a cradle or stretcher that an X-ray shows, a clamp, a target
// beside the painting. Polygons over the view's own pixels; each change is kept in the record at once.
import * as api from "./api.js";
import {fill, h, keepFocus, s, say} from "./dom.js";
import {middleOf, polygonArea} from "./geometry.js";
import * as jobs from "./jobs.js";
import {makePane} from "./pane.js";
import {makePen, pointsText} from "./pen.js";
import {verdictLine} from "./fit_report.js";
import {reload, state} from "./state.js";
import {percent} from "./words.js";
import {addKind, head} from "./workplace.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").View} View
 */

/** @param {View} view @param {HTMLElement} place @param {HTMLElement} panel
 *  @returns {import("./workplace.js").Opened} */
function open(view, place, panel)
{
    /** @type {Point[][]} */
    let polygons = [];
    const isFrame = view.id === state.dossier.frame?.view;
    let isKept = true, isBusy = false, isOpen = true;
    const layer = s("g"), penLayer = s("g");
    const work = h("div", {class: "work"}), trouble = h("p", {class: "trouble", role: "alert"}), body = h("div");
    const pane = makePane(view, {name: view.label, onDraw: drawPolygons, onSet: () => {},
        onClick: (p, kind) => pen.click(p, kind), onKey: (e) => pen.key(e)});
    const share = (/** @type {Point[]} */ p) => percent(Math.abs(polygonArea(p)) / (view.w * view.h));
    const pen = makePen({element: pane.area, bar: pane.bar, layer: penLayer, toScreen: pane.toScreen, toPoint: pane.toOwn,
                         scale: pane.scale, size: pane.size, cross: pane.cross,
                         areaText: (area) => `${percent(area / (view.w * view.h))} of the view`});

    function drawPolygons()
    {
        fill(layer, polygons.flatMap((p, i) => {
            const points = pointsText(p.map(pane.toScreen)), [x, y] = pane.toScreen(middleOf(p));
            return [...["fill", "under", "over"].map((w) => s("polygon", {points, class: `outline ignored ${w}`})),
                    ...["under", "over"].map((w) => s("text", {class: `outline-name ${w}`, x, y}, String(i + 1)))];
        }));
        pen.place();
    }

    function show()
    {
        if (!isOpen)
            return;
        const focus = keepFocus(body), n = polygons.length;
        fill(body, head(`Ignored when placing: ${view.label}`),
             h("p", {}, "Outline what is not the painting itself: the bars of a cradle or stretcher that an X-ray shows, a clamp, a colour " +
                        "target. The next placing leaves it out."),
             h("div", {class: "row"}, h("button", {type: "button", class: "main", id: "draw-ignored", disabled: isBusy, onclick: draw}, "Draw an outline")),
             n ? h("ul", {class: "views ignored-list"}, polygons.map((p, i) => h("li", {},
                   h("div", {class: "view-top"}, h("h3", {}, `outline ${i + 1}`),
                     h("span", {class: "verdict"}, `${p.length} corners, ${share(p)}`)),
                   h("div", {class: "row"},
                     h("button", {type: "button", "aria-label": `Go there: outline ${i + 1}`, onclick: () => pane.reveal(middleOf(p))}, "Go there"),
                     h("button", {type: "button", "aria-label": `Delete outline ${i + 1}`, disabled: isBusy, onclick: () => remove(i)}, "Delete")))))
               : h("p", {class: "quiet"}, "Nothing is ignored."),
             isKept ? null : h("div", {class: "row"}, h("button", {type: "button", onclick: keep}, "Keep the outlines"),
                               h("span", {class: "hint"}, "not in the record yet")),
             isFrame ? h("p", {class: "hint"}, "This view gives the frame: what is outlined here is left out whenever another view is placed.")
                 : h("div", {class: "row"}, h("button", {type: "button", id: "place-again", disabled: isBusy || !isKept, onclick: placeAgain}, "Place again")),
             isFrame ? null : h("section", {"aria-label": "Result", class: "pair-result"}, h("h3", {}, "In the record"), verdictLine(view.fit)));
        focus();
    }

    /** @param {() => Promise<void>} fn */
    async function attempt(fn)
    {
        trouble.textContent = "";
        isBusy = true;
        show();
        try {
            await fn();
        } catch (e) {
            trouble.textContent = e instanceof Error ? e.message : String(e);
        }
        isBusy = false;
        show();
    }

    const keep = () => attempt(async () => {
        isKept = false;
        await api.ignore(view.id, polygons);
        isKept = true;
        say("The outlines are in the record.");
    });

    /** @param {Point[][]} next */
    function change(next)
    {
        polygons = next;
        if (pane.isOpen())
            drawPolygons();
        keep();
    }

    const draw = () => pen.draw({title: "Outlining what is ignored", onDone: (p) => change([...polygons, p])});
    const remove = (/** @type {number} */ i) => change(polygons.filter((_, k) => k !== i));
    const placeAgain = () => attempt(async () => {
        await jobs.run(work, `Placing ${view.label}`, await api.align(view.id));
        await reload();
    });

    place.append(h("div", {class: "panes"}, pane.root));
    panel.append(body, trouble, work);
    pane.marks.prepend(layer, penLayer);
    pane.open();
    show();
    attempt(async () => {
        polygons = await api.ignored(view.id);
        drawPolygons();
    });
    return {
        refresh(v)
        {
            view = v;
            pane.show(v);
            show();
        },
        close()
        {
            isOpen = false;
            pane.close();
        }};
}

export const start = () => addKind("ignored", {open});
