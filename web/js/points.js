// Point measurements on the painting: imported, shown at their spots, and the photograph held to them.
import * as api from "./api.js";
import {cssOf} from "./colour.js";
import {byId, field, fill, h, keepFocus, s, say, select} from "./dom.js";
import * as stage from "./stage.js";
import {on, set, state} from "./state.js";
import {labText, num, sentence} from "./words.js";
/** @typedef {import("./types.js").Points} Points */

const TEXT_MAX = 640 * 1024; // bytes, as the program takes them (docs/http-api.md)

/** @type {Points|null} */
let doc = null;
const ask = {light: "D50", observer: 2, mm: 3, isShown: true};
/** @type {HTMLElement} */
let part;
/** @type {HTMLElement} */
let trouble;
/** @type {SVGGElement} */
let marks;

/** @param {() => Promise<Points|null>} get */
async function load(get)
{
    trouble.textContent = "";
    try {
        doc = await get();
        show();
    } catch (e) {
        trouble.textContent = e instanceof Error ? e.message : String(e);
    }
}

/** @param {HTMLInputElement} file */
async function take(file)
{
    const f = file.files?.[0];
    if (!f)
        return;
    if (f.size > TEXT_MAX) {
        trouble.textContent = `${f.name} has ${Math.ceil(f.size / 1024)} KiB; at most ${TEXT_MAX / 1024} are taken.`;
        return;
    }
    const text = (await f.text()).replace(/^\uFEFF/, "");
    await load(() => api.importPoints({text, name: f.name, mm: ask.mm}));
    ask.light = doc?.light ?? "D50";
    ask.observer = doc?.observer_deg ?? 2;
}

/** Bring a point into sight and pin the spot there. @param {Points["points"][number]} p */
function goTo(p)
{
    stage.goTo([p.x, p.y], 3);
    set({cross: [p.x, p.y], isPinned: true});
    say(`Point ${p.name || p.id}.`);
}

/** @param {Points} d */
function list(d)
{
    const swatch = (/** @type {number[]} */ lab) => s("svg", {class: "point-swatch", viewBox: "0 0 12 12", "aria-hidden": "true"}, s("rect", {width: 12, height: 12, fill: cssOf(lab)}));
    return h("table", {class: "numbers is-narrow points"},
             h("thead", {}, h("tr", {}, ["point", "L* a* b*", "CIEDE2000"].map((t) => h("th", {scope: "col"}, t)))),
             h("tbody", {}, d.points.map((p) => h("tr", {},
                 h("th", {scope: "row"}, h("button", {type: "button", class: "patch-name", "aria-label": `Go to point ${p.name || p.id}`, onclick: () => goTo(p)}, p.name || p.id)),
                 h("td", {class: "lab"}, h("div", {}, swatch(p.lab), labText(p.lab)), h("div", {}, swatch(p.photographed), labText(p.photographed))),
                 h("td", {}, num(p.de, 1))))));
}

function show()
{
    const d = doc, focus = keepFocus(part), readOnly = state.dossier.read_only;
    const lights = d ? d.lights.map((l) => /** @type {[string, string]} */ ([l, l])) : [];
    const file = h("input", {type: "file", accept: ".csv,.txt,.cgats,.tsv,text/plain,text/csv", onchange: () => take(file)});
    const mm = h("input", {type: "number", min: 0.1, max: 50, step: 0.1, value: ask.mm, onchange: () => {
        ask.mm = Number(mm.value) || 3;
    }});
    fill(part,
         d ? [h("p", {}, `${d.file_name}: ${d.points.length} point${d.points.length === 1 ? "" : "s"}, aperture ${num(d.aperture_mm, 1)} mm${d.about ? `; ${d.about}` : ""}.`),
              h("p", {class: "sentence"}, sentence(d.sentence)),
              h("div", {class: "pair"},
                field("Light", select(lights, d.light, (v) => {
                    ask.light = v;
                    load(() => api.points(ask.light, ask.observer));
                })),
                field("Observer", select(d.observers.map((o) => /** @type {[string, string]} */ ([String(o), `${o}\u00b0`])), String(d.observer_deg), (v) => {
                    ask.observer = Number(v);
                    load(() => api.points(ask.light, ask.observer));
                }))),
              list(d),
              h("p", {class: "hint"}, `Above as measured, under ${d.light} and ${d.observer_deg}\u00b0; below as photographed. The photograph and CIEDE2000 are for D50 and 2\u00b0, whatever is chosen.`),
              h("label", {class: "setting"}, h("input", {type: "checkbox", checked: ask.isShown, onchange: (/** @type {Event} */ e) => {
                  ask.isShown = /** @type {HTMLInputElement} */ (e.target).checked;
                  draw();
              }}), h("span", {}, "Show the points on the picture"))]
           : h("p", {}, "None imported. A spectrometer's CSV or CGATS file with columns x and y in frame px checks the photograph where it was measured."),
         readOnly || !state.dossier.frame ? null : h("details", {}, h("summary", {}, d ? "Import others in their place" : "Import"),
             h("div", {class: "pair"}, field("Aperture, mm", mm), field("File", file))));
    focus();
    draw();
}

/** A ring as large as the aperture at each point, never smaller than can be seen. */
function draw()
{
    const d = doc, frame = state.dossier.frame;
    marks.toggleAttribute("hidden", !d || !frame || !ask.isShown || state.room !== "look");
    if (!d || !frame || !stage.isOpen() || marks.hasAttribute("hidden"))
        return;
    const r = Math.max(5, d.aperture_mm / frame.mm_per_px * stage.scale() / 2);
    fill(marks, d.points.flatMap((p) => {
        const [x, y] = stage.toScreen([p.x, p.y]), name = p.name || p.id;
        return ["under", "over"].flatMap((c) => [s("circle", {class: `${c} point-mark`, cx: x, cy: y, r}),
                                                 s("text", {class: `point-name ${c}`, x: x + r + 4, y: y + 4}, `${name} ${num(p.de, 1)}`)]);
    }));
}

export function start()
{
    part = h("div", {});
    trouble = h("p", {class: "trouble", role: "alert"});
    byId("room-look").append(h("section", {"aria-labelledby": "points-title"}, h("h2", {id: "points-title"}, "Point measurements"), trouble, part));
    marks = s("g", {class: "points", hidden: true});
    byId("shapes").append(marks);
    stage.onDraw(draw);
    on(["room"], draw);
    // The photograph's side of the check changes with its calibration.
    on(["views", "dossier"], () => load(() => api.points(ask.light, ask.observer)));
    load(() => api.points(ask.light, ask.observer));
    show();
}
