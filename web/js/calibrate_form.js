// Calibrating a view from the page: the reference file, an even board, the views that inherit, and the
// corners of the target when it is not found.
import * as api from "./api.js";
import {field, fill, h, select} from "./dom.js";
import * as jobs from "./jobs.js";
import {reload, state} from "./state.js";
import {gridOf} from "./target_grid.js";
import {pickCorners} from "./target_picker.js";
/**
 * @typedef {import("./types.js").View} View
 * @typedef {import("./types.js").Point} Point
 */

const TEXT_MAX = 640 * 1024; // bytes, as the program takes them (docs/http-api.md)

/** What is being asked for each view; it outlives the list, which is made anew. @type {Map<number, ReturnType<typeof makeForm>>} */
const forms = new Map();

/** Photographs of reflected light in colour: they could inherit, or show an even board. @param {View} v */
const others = (v) => state.views.filter((w) => w.id !== v.id && w.bands === 3 && ["normal", "raking", "specular"].includes(w.technique));

/** @param {number} id */
function makeForm(id)
{
    const view = () => /** @type {View} */ (state.views.find((w) => w.id === id));
    const ask = {text: "", name: "", flat: "", also: new Set(/** @type {number[]} */ ([])), rows: 0, cols: 0,
                 corners: /** @type {Point[]|null} */ (null)};
    let isBusy = false;
    const trouble = h("p", {class: "trouble", role: "alert"}), work = h("div", {}), fields = h("div", {});
    const root = h("div", {class: "calibrate-form"}, fields, trouble, work);
    const file = h("input", {type: "file", accept: ".txt,.cgats,.cie,.csv,.tsv,.it8,.ti2,.ti3,text/plain,text/csv", onchange: () => read(file.files?.[0])});

    /** @param {unknown} e */
    const tell = (e) => {
        trouble.textContent = e instanceof Error ? e.message : String(e);
    };

    /** @param {File|undefined} file */
    async function read(file)
    {
        trouble.textContent = "";
        ask.text = ask.name = "";
        if (file && file.size > TEXT_MAX)
            tell(`${file.name} has ${Math.ceil(file.size / 1024)} KiB; a reference file has at most ${TEXT_MAX / 1024}.`);
        else if (file) {
            ask.text = (await file.text()).replace(/^\uFEFF/, "");
            ask.name = file.name;
        }
        show();
    }

    async function run()
    {
        trouble.textContent = "";
        isBusy = true;
        show();
        try {
            const end = await jobs.run(work, `Calibrating ${view().label}`, await api.calibrate(id, {
                chart_text: ask.text, ...(ask.corners ? {corners: ask.corners} : {}), ...(ask.rows && ask.cols ? {rows: ask.rows, cols: ask.cols} : {}),
                ...(ask.flat ? {flat: Number(ask.flat)} : {}), also: [...ask.also]}));
            isBusy = false;
            if (end.status === "done") {
                ask.corners = null;
                await reload();
            }
        } catch (e) {
            tell(e);
            if (trouble.textContent?.includes("corners"))
                root.querySelector("button.corners")?.scrollIntoView({block: "nearest"});
        } finally {
            isBusy = false;
            show();
        }
    }

    async function corners()
    {
        const got = await pickCorners(view(), gridOf(ask.text, ask.rows, ask.cols), ask.corners ?? []);
        if (got)
            ask.corners = got;
        show();
        /** @type {HTMLElement|null} */ (root.querySelector("button.corners"))?.focus();
    }

    /** @param {"rows"|"cols"} name */
    function count(name)
    {
        const el = h("input", {type: "number", min: 2, max: 60, value: ask[name] || "", placeholder: "as in the file"});
        el.addEventListener("input", () => {
            ask[name] = Number(el.value);
        });
        return el;
    }

    function show()
    {
        const v = view();
        if (!v)
            return;
        const list = others(v);
        fill(fields,
             field("Reference file of the target", file, ask.name ? `${ask.name} is used` : "CGATS.17 or CSV of measured colours; best of this very target"),
             list.length ? field("Even board, for the fall-off of the light", select([["", "none"], ...list.map((w) => /** @type {[string, string]} */ ([String(w.id), w.label]))], ask.flat, (x) => {
                 ask.flat = x;
             })) : null,
             list.length ? h("fieldset", {class: "also"}, h("legend", {}, "Also for these views: same camera, settings and light"),
                 list.map((w) => h("label", {}, h("input", {type: "checkbox", checked: ask.also.has(w.id), onchange: (/** @type {Event} */ e) => {
                     ask.also[/** @type {HTMLInputElement} */ (e.target).checked ? "add" : "delete"](w.id);
                 }}), h("span", {}, w.label)))) : null,
             h("div", {class: "pair"}, field("Rows", count("rows")), field("Columns", count("cols"))),
             ask.corners ? h("p", {class: "hint"}, "The corners given are used. ", h("button", {type: "button", onclick: () => {
                 ask.corners = null;
                 show();
             }}, "Look for the target instead")) : null,
             h("div", {class: "row"},
               h("button", {type: "button", class: "main", disabled: !ask.text || isBusy, onclick: run}, "Calibrate"),
               h("button", {type: "button", class: "corners", disabled: isBusy, onclick: corners}, ask.corners ? "Change its corners\u2026" : "Give its corners\u2026")),
             ask.text ? null : h("p", {class: "hint"}, "Choose the reference file first. The target is then looked for in the picture."));
    }
    show();
    return {root, show: () => isBusy || root.contains(document.activeElement) || show()};
}

/** The form of a view. @param {View} v @returns {HTMLElement} */
export function form(v)
{
    const have = forms.get(v.id) ?? makeForm(v.id);
    forms.set(v.id, have);
    have.show();
    return have.root;
}

/** The button that takes a calibration back. @param {View} v @returns {HTMLElement} */
export function takeBack(v)
{
    const work = h("div", {}), trouble = h("p", {class: "trouble", role: "alert"});
    const button = h("button", {type: "button", onclick: async () => {
        button.disabled = true;
        trouble.textContent = "";
        try {
            const end = await jobs.run(work, `Taking the calibration of ${v.label} back`, await api.removeCalibration(v.id));
            if (end.status === "done")
                await reload();
        } catch (e) {
            trouble.textContent = e instanceof Error ? e.message : String(e);
        }
        button.disabled = false;
    }}, "Take calibration back");
    return h("div", {}, h("div", {class: "row"}, button), trouble, work);
}
