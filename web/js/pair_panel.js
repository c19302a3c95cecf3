// The panel beside the pairs of points: how many there are, where the next one helps, how far each misses.
import {fill, h, keepFocus} from "./dom.js";
import {figuresOf, verdictLine} from "./fit_report.js";
import {MOST, NEEDED} from "./pair_math.js";
import {isPlaced, state} from "./state.js";
import {num} from "./words.js";
import {head} from "./workplace.js";
/**
 * @typedef {import("./types.js").Pair} Pair
 * @typedef {import("./types.js").View} View
 * @typedef {import("./types.js").FitMap} FitMap
 * @typedef {object} Shown
 * @property {View} view
 * @property {ReturnType<typeof import("./pair_list.js").makePairList>} list
 * @property {Pair[]} stored          the pairs of the last placing
 * @property {FitMap|null} fit
 * @property {boolean} isBusy
 * @property {ReturnType<typeof import("./pair_math.js").nextPlace>} next
 * @property {(i: number) => void} goTo
 * @property {() => void} placeView
 * @property {() => void} takeBack
 */

/** The misses of the last placing, by pair: what was changed since has none. @param {Shown} w
 *  @returns {Map<string, {miss: number, used: boolean}>} */
export function missesOf(w)
{
    if (!w.fit?.pairs || w.fit.tiles.length !== w.stored.length)
        return new Map();
    return new Map(w.fit.tiles.map((t, i) => [JSON.stringify(w.stored[i]), {miss: Math.hypot(t.dx, t.dy), used: t.used}]));
}

/** @param {number} n */
export function adviceOf(n)
{
    return n === 0 ? "4 pairs are needed; 8 to 12, spread to the corners, are good."
        : n < NEEDED ? `${n} of at least ${NEEDED} pairs; 8 to 12, spread to the corners, are good.`
            : n === NEEDED ? "4 pairs: enough to place the view, but nothing is left to check them by. 8 to 12 are good."
                : n < 8 ? `${n} pairs: enough; 8 to 12, spread to the corners, are good.`
                    : `${n} pairs: a good number when they reach the corners.`;
}

/** @param {Shown} w @param {ReturnType<typeof missesOf>} misses */
function listOf(w, misses)
{
    const {list, hand} = w.list.marks(), mm = state.dossier.frame?.mm_per_px ?? 0;
    return h("table", {class: "numbers pair-table"}, h("caption", {class: "unseen"}, "Pairs of points"),
             h("thead", {}, h("tr", {}, h("th", {scope: "col"}, "pair"),
                                h("th", {scope: "col", title: "of the pair against the fit of all the others"}, "miss"),
                                h("th", {scope: "col"}, h("span", {class: "unseen"}, "change")))),
             h("tbody", {}, list.map((p, i) => {
                 const m = misses.get(JSON.stringify(p)), n = i + 1;
                 return h("tr", {class: hand.index === i ? "is-chosen" : ""}, h("th", {scope: "row"}, String(n)),
                          h("td", {}, !m ? "\u2013" : [`${num(m.miss, 2)}\u00a0px (${num(m.miss * mm, 2)}\u00a0mm)`,
                                                     m.used ? null : h("div", {class: "pair-off"}, "does not agree")]),
                          h("td", {class: "pair-acts"},
                            h("button", {type: "button", "aria-label": `Edit pair ${n}`, onclick: () => w.goTo(i)}, "Edit"),
                            h("button", {type: "button", "aria-label": `Delete pair ${n}`, onclick: () => w.list.remove(i)}, "Delete")));
             })));
}

/** @param {Shown} w */
function resultOf(w)
{
    const isByPairs = w.fit?.pairs === true, isPlacedNow = isPlaced(w.view);
    return h("section", {"aria-label": "Result", class: "pair-result"}, h("h3", {}, "In the record"),
             w.view.fit.verdict === "none" ? h("p", {}, "Not placed yet.") : verdictLine(w.view.fit),
             isPlacedNow && !isByPairs ? h("p", {class: "hint"}, "Placed without pairs; placing by pairs takes its place.") : null,
             w.fit && isByPairs ? figuresOf(w.fit) : null,
             isPlacedNow ? h("div", {class: "row"}, h("button", {type: "button", disabled: w.isBusy, onclick: w.takeBack}, "Take this placement back")) : null);
}

/** @param {HTMLElement} el @param {Shown} w */
export function showPanel(el, w)
{
    const focus = keepFocus(el), {list} = w.list.marks(), n = list.length, misses = missesOf(w);
    const isStored = JSON.stringify(list) === JSON.stringify(w.stored);
    fill(el, head(`Pairs of points: ${w.view.label}`),
         h("p", {}, "Mark the same detail in both pictures: a crack crossing, a highlight, the corner of a loss. Then keep the pair."),
         h("p", {class: "pair-count", role: "status"}, adviceOf(n)),
         w.next ? h("p", {class: "hint"}, `The next pair helps most towards the ${w.next.words} of the view (ring), the place farthest from all pairs.`) : null,
         n ? listOf(w, misses) : null,
         n && misses.size === 0 ? h("p", {class: "hint"}, "How far each pair misses is known after placing.") : null,
         h("div", {class: "row"},
           h("button", {type: "button", class: "main", id: "place-by-pairs", disabled: w.isBusy || n < NEEDED || n > MOST, onclick: w.placeView},
             "Place the view"),
           w.stored.length && !isStored ? h("span", {class: "hint"}, "changed since the last placing") : null,
           n > MOST ? h("span", {class: "hint"}, `at most ${MOST} pairs`) : null),
         resultOf(w));
    focus();
}
