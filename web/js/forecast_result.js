// What a forecast document says, as elements: sentence, caveat, figures, refusals, estimators.
import {figures, h} from "./dom.js";
import * as spot from "./spot.js";
import * as stage from "./stage.js";
import {num, percent, sentence, when} from "./words.js";
/** @typedef {import("./types.js").Forecast} Forecast */

/** @param {Forecast} f */
function estimatorTable(f)
{
    return h("table", {class: "numbers"},
             h("caption", {}, "Estimators, each judged on windows it had not seen"),
             h("thead", {}, h("tr", {}, h("th", {scope: "col"}, "estimator"),
                              h("th", {scope: "col", title: "mean CIEDE2000 on left-out windows"},
                                "left out"),
                              h("th", {scope: "col"}, "weight"))),
             h("tbody", {}, f.estimators.map((e) => h("tr", {class: e.chosen ? "is-chosen" : ""},
                 h("th", {scope: "row"}, e.name, e.chosen ? " (chosen)" : ""),
                 h("td", {}, num(e.left_out_de, 2)), h("td", {}, num(e.weight, 2)))),
               h("tr", {}, h("th", {scope: "row"}, "doing nothing"), h("td", {}, num(f.nothing_de, 2)),
                 h("td", {}, "\u2013"))));
}

/** @param {Forecast} f */
function refusedTable(f)
{
    const rows = f.refused.filter((r) => r.code !== 0 && r.share > 0);
    const sum = rows.reduce((a, r) => a + r.share, 0);
    return h("table", {class: "numbers"},
             h("caption", {}, `Refused: ${percent(sum)} of the picture`),
             h("thead", {}, h("tr", {}, h("th", {scope: "col"}, "reason"),
                              h("th", {scope: "col"}, "share"))),
             h("tbody", {}, rows.length ? rows.map((r) => h("tr", {}, h("th", {scope: "row"}, r.reason),
                                                            h("td", {}, percent(r.share))))
                 : h("tr", {}, h("th", {scope: "row"}, "nothing was refused"), h("td", {}, percent(0)))));
}

/** @param {Forecast} f */
function nextWindow(f)
{
    const n = f.next_window;
    return n ? h("div", {class: "next"}, h("h3", {}, "The next window to open"), h("p", {}, sentence(n.why)),
                 h("button", {type: "button", onclick: () => {
                     stage.goTo([n.x, n.y], 4);
                     spot.putAt([n.x, n.y], true);
                 }}, "Go there")) : null;
}

/** @param {Forecast} f */
function modelFigures(f)
{
    const m = f.coat_model;
    if (!m)
        return null;
    return h("details", {}, h("summary", {}, "The coat as fitted"),
             figures([["absorbance a0", num(m.a0, 3)], ["slope", `${num(m.slope_nm, 1)} nm`],
                      ["haze", num(m.haze, 4)], ["grey", num(m.grey, 3)],
                      ["surface before", num(m.surface_before, 4)],
                      ["surface after", num(m.surface_after, 4)]]),
             h("p", {class: "hint"}, "Effective parameters of the fit, not measured properties of a varnish."));
}

/** @param {Forecast} f */
function uvGain(f)
{
    return !f.has_uv ? "no UV view" : f.uv_used === false ? `not used (${num(f.uv_gain, 2)})`
                                                          : num(f.uv_gain, 2);
}

/** The whole result. @param {Forecast} f @param {() => void} onReport @param {() => void} onShow */
export function resultOf(f, onReport, onShow)
{
    return [
        f.is_stale ? h("p", {class: "loud"}, "This forecast is older than the record: windows, zones " +
            "or views have changed since. Compute it again before using it.") : null,
        h("p", {class: "sentence"}, f.sentence),
        h("p", {class: "caveat"}, f.caveat),
        figures([
            ["radius, half the area is below", `\u00b1${num(f.radius.median, 1)}`],
            ["radius, 95 % of the area is below", `\u00b1${num(f.radius.p95, 1)}`],
            ["mean error on left-out windows", num(f.left_out_de, 2)],
            ["doing nothing, same windows", num(f.nothing_de, 2)],
            ["gain by the UV view", uvGain(f)],
            ["surface state", f.surface],
            ["estimator", f.estimator]]),
        h("p", {class: "hint"}, "Differences in CIEDE2000. The radius is the half-width of the 90 % interval: the look after " +
            "removing this coat should lie within it at nine places in ten. " +
            (f.interval.distribution_free
                ? "It rests on ranked left-out errors and assumes no distribution."
                : "With fewer than nine windows it rests on an assumed distribution; more windows make " +
                  "it firmer.")),
        nextWindow(f), refusedTable(f), estimatorTable(f), modelFigures(f),
        h("div", {class: "row"}, h("button", {type: "button", onclick: onReport}, "Report (PDF)"),
          h("button", {type: "button", onclick: onShow}, "Show on the picture")),
        h("p", {class: "hint"}, `Made ${when(f.made_at)} by ${f.program}.`)];
}
