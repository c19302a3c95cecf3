// Quick alternation: the two pictures in turn at the same place, so that what differs jumps to the eye.
// It starts only when asked, and never by itself where the system asks for less motion: there, and
// always, the pictures can be changed by hand. The rate counts changes a second: at most 4, which is 2
// flashes a second, under the 3 that WCAG 2.2 (success criterion 2.3.1) allows.
import {say} from "./dom.js";
import {on, set, sideName, state} from "./state.js";

export const RATES = [1, 2, 3, 4];

const still = () => matchMedia("(prefers-reduced-motion: reduce)");
let timer = 0;

/** May the pictures change by themselves? */
export const mayRun = () => !still().matches;

/** Show the other of the two pictures. */
export function change()
{
    if (state.mode !== "alternation")
        return;
    set({isRunning: false, isOther: !state.isOther});
    say(`${sideName(state.isOther ? state.sideB : state.sideA)} is shown.`);
}

export function toggle()
{
    if (state.mode === "alternation" && mayRun())
        set({isRunning: !state.isRunning});
}

/** Start or stop the clock as the state wants it; leaving the mode stops it. */
function follow()
{
    clearInterval(timer);
    timer = 0;
    if (state.mode !== "alternation") {
        set({isRunning: false, isOther: false});
        return;
    }
    if (state.isRunning)
        timer = window.setInterval(() => set({isOther: !state.isOther}), 1000 / state.rate);
}

export function start()
{
    const stop = () => set({isRunning: false});
    on(["mode", "isRunning", "rate"], follow);
    on(["sideA", "sideB"], stop);
    document.addEventListener("visibilitychange", stop);
    still().addEventListener("change", stop);
}
