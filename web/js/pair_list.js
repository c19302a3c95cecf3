// The pairs of points of one view while they are marked: those kept, the one in hand, and the way back.
// The one in hand may hold a first guess, which is never taken for a mark. No document in here.
import {NEEDED, affineOf, applyTo} from "./pair_math.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Pair} Pair
 * @typedef {"frame"|"own"} Which
 * @typedef {{frame: Point|null, own: Point|null, guess: Which|null, index: number|null}} Hand
 *   index: which of the kept pairs it is, null = a new one
 * @typedef {{list: Pair[], hand: Hand}} Marks
 */

/** @returns {Hand} */
const empty = () => ({frame: null, own: null, guess: null, index: null});

/** @param {Point} p @returns {Point} */
const rounded = (p) => [Math.round(p[0] * 100) / 100, Math.round(p[1] * 100) / 100];

/** @param {Record<Which, Point>} sizes of both pictures, px @param {() => void} changed */
export function makePairList(sizes, changed)
{
    /** @type {Marks} */
    let now = {list: [], hand: empty()};
    /** @type {{was: string, why: string}[]} */
    let back = [];

    /** Change the marks; moves of one point in a row are one step back. @param {string} why
     *  @param {() => void} fn */
    function change(why, fn)
    {
        const was = JSON.stringify(now);
        fn();
        if (JSON.stringify(now) === was)
            return;
        if (!why.startsWith("nudge") || back[back.length - 1]?.why !== why)
            back.push({was, why});
        changed();
    }

    /** @param {Which} which @returns {Which} */
    const otherThan = (which) => (which === "frame" ? "own" : "frame");

    /** Where the point of `which` leads in the other picture by the pairs kept so far, or null.
     *  @param {Which} which @param {Point} p @returns {Point|null} */
    function guessFrom(which, p)
    {
        const list = now.list.filter((_, i) => i !== now.hand.index);
        const frame = list.map((q) => /** @type {Point} */ ([q[0], q[1]])), own = list.map((q) => /** @type {Point} */ ([q[2], q[3]]));
        const m = list.length < NEEDED ? null : which === "frame" ? affineOf(frame, own) : affineOf(own, frame);
        const q = m && applyTo(m, p), size = sizes[otherThan(which)];
        return q && q[0] >= 0 && q[1] >= 0 && q[0] <= size[0] && q[1] <= size[1] ? rounded(q) : null;
    }

    /** Why the pair in hand cannot be kept, one sentence, or "". */
    function whyNotKept()
    {
        const h = now.hand;
        return !h.frame && !h.own ? "Mark a detail in either picture."
            : !h.frame || !h.own ? "Mark the same detail in the other picture."
                : h.guess ? "One mark is still a first guess: set it on the detail, or move it there." : "";
    }

    return {
        marks: () => now,
        whyNotKept,
        canUndo: () => back.length > 0,
        /** Start from what was marked before. @param {Marks} marks */
        start(marks)
        {
            now = marks;
            back = [];
            changed();
        },
        /** Put a point of the pair in hand; the other one follows by a first guess where there is one.
         *  @param {Which} which @param {Point} p @param {boolean} [isNudge] */
        put(which, p, isNudge = false)
        {
            change(`${isNudge ? "nudge" : "put"} ${which}`, () => {
                const other = otherThan(which), hand = {...now.hand, [which]: rounded(p)};
                if (hand.guess === which)
                    hand.guess = null;
                if (!isNudge && (hand[other] === null || hand.guess === other)) {
                    hand[other] = guessFrom(which, p);
                    hand.guess = hand[other] ? other : null;
                }
                now = {...now, hand};
            });
        },
        /** Keep the pair in hand. @returns {string} why not, or "" */
        keep()
        {
            const why = whyNotKept(), {frame, own, index} = now.hand;
            if (!why && frame && own)
                change("keep", () => {
                    const pair = /** @type {Pair} */ ([...frame, ...own]);
                    now = {list: index === null ? [...now.list, pair] : now.list.map((q, i) => (i === index ? pair : q)), hand: empty()};
                });
            return why;
        },
        /** Take a kept pair in hand. @param {number} i */
        edit(i)
        {
            const p = now.list[i];
            change("edit", () => {
                now = {...now, hand: {frame: [p[0], p[1]], own: [p[2], p[3]], guess: null, index: i}};
            });
        },
        drop()
        {
            change("drop", () => {
                now = {...now, hand: empty()};
            });
        },
        /** @param {number} i */
        remove(i)
        {
            change("remove", () => {
                const {index} = now.hand;
                now = {list: now.list.filter((_, k) => k !== i),
                       hand: index === i ? empty() : {...now.hand, index: index !== null && index > i ? index - 1 : index}};
            });
        },
        undo()
        {
            const step = back.pop();
            if (!step)
                return;
            now = JSON.parse(step.was);
            changed();
        }};
}
