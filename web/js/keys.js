// The keyboard of the picture area, and the list of keys. Single keys work only while the picture has
// the focus, so that nothing happens by accident while typing.
import * as alternation from "./alternation.js";
import * as compare from "./compare.js";
import {byId, fill, h} from "./dom.js";
import * as fitMap from "./fit_map.js";
import * as across from "./light_line.js";
import * as line from "./line.js";
import * as shapes from "./shapes.js";
import * as spot from "./spot.js";
import * as stage from "./stage.js";
import {set, state} from "./state.js";

/** @type {[string, string][]} docs/page.md says the same */
export const KEYS = [
    ["Arrow keys", "move the crosshair; with Shift, move the picture"],
    ["Enter, Esc", "pin the spot; let it go"],
    ["+ and \u2212, 0", "zoom in and out; show the whole picture"],
    ["1 to 5", "one side; half-clean line; mix; difference; alternation"],
    ["D", "multiply the difference by 1, 2, 4 or 8"],
    ["A, S", "alternation: show the other picture; start or stop"],
    ["[ and ]", "turn the line by 1 degree; with Shift by 15"],
    [", and .", "move the line across itself; with Shift further"],
    ["L", "bring the line to the middle of what is in sight and take hold of it"],
    ["X", "change the two sides of the line"],
    ["R", "radius on or off"],
    ["F", "fit map of the view on show, on or off"],
    ["O", "outlines of windows and zones on or off"],
    ["P", "panel on or off"],
    ["Space, Enter, Backspace, Esc", "while drawing: set a corner at the crosshair; close; take back; cancel"],
    ["Arrow keys on a magnified mark", "move it by 1 pixel; with Shift by 10, with Alt by a quarter"],
    ["Enter, Esc, Ctrl+Z", "while marking pairs: keep the pair; let it go; undo"],
    ["Enter, Esc", "in Light, while a line across is set: set an end at the crosshair; leave off"],
    ["Arrow keys, Home on the lamp", "move it round, higher and lower; with Shift further; where it stood first"],
    ["Alt+1, Alt+2, Alt+3", "the rooms Look, Forecast and Light, from anywhere"],
    ["?", "the list of keys"]];

/** @type {Record<string, () => void>} */
const COMMANDS = {
    "+": () => stage.zoomBy(1.5, state.cross ?? undefined),
    "=": () => stage.zoomBy(1.5, state.cross ?? undefined),
    "-": () => stage.zoomBy(1 / 1.5, state.cross ?? undefined),
    "0": stage.fit,
    "1": () => compare.show("one"),
    "2": () => compare.show("line"),
    "3": () => compare.show("mix"),
    "4": () => compare.show("difference"),
    "5": () => compare.show("alternation"),
    "d": compare.nextFactor,
    "f": fitMap.toggle,
    "a": alternation.change,
    "s": alternation.toggle,
    "l": () => {
        compare.show("line");
        if (state.mode === "line")
            line.bringHere();
    },
    "x": line.swap,
    "r": () => set({radiusOn: !state.radiusOn}),
    "o": () => set({outlinesOn: !state.outlinesOn}),
    "p": () => byId("fold").click(),
    "?": showKeys};

export function showKeys()
{
    const dialog = /** @type {HTMLDialogElement} */ (byId("key-list"));
    fill(dialog, h("h2", {id: "key-title"}, "Keys"),
         h("p", {class: "hint"}, "Single keys work while the picture has the focus: click it, or reach it with Tab."),
         h("dl", {class: "key-rows"}, KEYS.map(([k, what]) => h("div", {}, h("dt", {}, k),
                                                                 h("dd", {}, what)))),
         h("button", {type: "button", class: "main", onclick: () => dialog.close()}, "Close"));
    dialog.showModal();
}

export function start()
{
    byId("stage").addEventListener("keydown", (e) => {
        if (e.ctrlKey || e.metaKey || e.altKey || !stage.isOpen() ||
            /** @type {Element} */ (e.target).closest("button"))
            return;
        if (shapes.key(e) || across.key(e) || line.key(e) || spot.key(e))
            e.preventDefault();
        else {
            const fn = COMMANDS[e.key.length === 1 ? e.key.toLowerCase() : e.key];
            if (fn) {
                fn();
                e.preventDefault();
            }
        }
    });
    // The picture library focuses its own canvas when pressed; the picture area is the one with keys.
    byId("stage").addEventListener("focusin", (e) => {
        if (/** @type {Element} */ (e.target).closest("#side-a, #side-b"))
            byId("stage").focus({preventScroll: true});
    });
    // The ring of the focus is for the keyboard; a bright frame must not stand round the picture for
    // those who point.
    byId("stage").addEventListener("pointerdown", () => byId("stage").classList.add("by-pointer"), true);
    document.addEventListener("keydown", () => byId("stage").classList.remove("by-pointer"), true);
    byId("keys").addEventListener("click", showKeys);
}
