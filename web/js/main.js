// Opens the page: asks for the dossier, starts the picture area, the rooms and the settings.
import * as alternation from "./alternation.js";
import * as compare from "./compare.js";
import {byId, fill, h} from "./dom.js";
import * as fitMap from "./fit_map.js";
import * as ignored from "./ignored.js";
import * as keys from "./keys.js";
import * as line from "./line.js";
import * as pairs from "./pairs.js";
import * as lamp from "./lamp.js";
import * as forecastRoom from "./room_forecast.js";
import * as lightRoom from "./room_light.js";
import * as lookRoom from "./room_look.js";
import * as points from "./points.js";
import * as shapes from "./shapes.js";
import * as spot from "./spot.js";
import * as stage from "./stage.js";
import {on, reload, set, state} from "./state.js";
import {num} from "./words.js";
import * as workplace from "./workplace.js";
/** @typedef {import("./types.js").RoomName} RoomName */

/** @type {RoomName[]} */
const ROOMS = ["look", "forecast", "light"];

/** A setting kept in the browser. @param {string} name @param {string} otherwise */
function recall(name, otherwise)
{
    try {
        return localStorage.getItem(`halfclean-${name}`) ?? otherwise;
    } catch {
        return otherwise;
    }
}

/** @param {string} name @param {string} value */
function remember(name, value)
{
    try {
        localStorage.setItem(`halfclean-${name}`, value);
    } catch {
        // Storage is a comfort only.
    }
}

/** @param {RoomName} room */
function enter(room)
{
    for (const r of ROOMS) {
        const isHere = r === room, tab = byId(`tab-${r}`);
        tab.setAttribute("aria-selected", String(isHere));
        tab.tabIndex = isHere ? 0 : -1;
        byId(`room-${r}`).hidden = !isHere;
    }
    byId("panel").setAttribute("aria-labelledby", `tab-${room}`);
    byId("panel").scrollTop = 0;
    shapes.cancelDrawing();
    set({room, workplace: null});
    history.replaceState(null, "", `#${room}`);
}

function startRooms()
{
    ROOMS.forEach((room, i) => {
        const tab = byId(`tab-${room}`);
        tab.addEventListener("click", () => enter(room));
        tab.addEventListener("keydown", (e) => {
            if (e.key !== "ArrowLeft" && e.key !== "ArrowRight")
                return;
            const next = ROOMS[(i + (e.key === "ArrowRight" ? 1 : ROOMS.length - 1)) % ROOMS.length];
            enter(next);
            byId(`tab-${next}`).focus();
        });
    });
    document.addEventListener("keydown", (e) => {
        const room = e.altKey ? ROOMS[Number(e.key) - 1] : undefined;
        if (room) {
            enter(room);
            byId(`tab-${room}`).focus();
            e.preventDefault();
        }
    });
}

function startSettings()
{
    const root = document.documentElement;
    const surround = /** @type {HTMLSelectElement} */ (byId("surround"));
    const dress = () => {
        root.dataset.surround = surround.value;
        remember("surround", surround.value);
    };
    surround.value = recall("surround", "dark");
    surround.addEventListener("change", dress);
    dress();
    press("large", "is-large", "aria-pressed", recall("large", "false") === "true", true);
    press("fold", "is-folded", "aria-expanded", recall("fold", innerWidth < 700 ? "false" : "true") ===
          "true", false);
}

/** A button that switches a class of the page. @param {string} id @param {string} name
 *  @param {string} aria @param {boolean} isOn @param {boolean} classWhen */
function press(id, name, aria, isOn, classWhen)
{
    const el = byId(id);
    const show = () => {
        el.setAttribute(aria, String(isOn));
        document.documentElement.classList.toggle(name, isOn === classWhen);
    };
    el.addEventListener("click", () => {
        isOn = !isOn;
        show();
        remember(id, String(isOn));
    });
    show();
}

function showDossier()
{
    const d = state.dossier;
    byId("title").textContent = d.title;
    document.title = `${d.title} \u00b7 Halfclean`;
    byId("about").textContent = [d.maker, d.date, d.support,
        `${num(d.height_mm, 0)} \u00d7 ${num(d.width_mm, 0)} mm`, d.inventory,
        d.read_only ? "reading only" : ""].filter(Boolean).join(" \u00b7 ");
    fill(byId("stage-empty"), h("p", {}, "No picture yet."),
         h("p", {}, "First add a photograph in normal light of the state before treatment, in Look."));
}

/** A file dropped beside its place would replace the page. */
function keepPage()
{
    for (const type of ["dragover", "drop"])
        document.addEventListener(type, (e) => e.preventDefault());
}

/** A reload comes back to the room, and to what was being marked there. */
function byAddress()
{
    const at = /^#look-(pairs|ignored)-(\d+)$/.exec(location.hash), view = Number(at?.[2]);
    enter(ROOMS.find((r) => location.hash === `#${r}`) ?? "look");
    if (at && !state.dossier.read_only && state.dossier.frame && state.views.some((v) => v.id === view && v.tiles))
        set({workplace: {kind: /** @type {"pairs"|"ignored"} */ (at[1]), view}});
}

async function open()
{
    keepPage();
    startSettings();
    startRooms();
    try {
        await reload();
    } catch (e) {
        byId("trouble").textContent = e instanceof Error ? e.message : String(e);
        byId("trouble").className = "trouble";
        return;
    }
    showDossier();
    on(["dossier"], showDossier);
    stage.start();
    line.start();
    shapes.start();
    lamp.start();
    lightRoom.start(); // its clicks go before those of the spot
    spot.start();
    alternation.start();
    fitMap.start();
    compare.start();
    keys.start();
    lookRoom.start();
    points.start();
    forecastRoom.start();
    pairs.start();
    ignored.start();
    workplace.start();
    on(["workplace"], () => history.replaceState(null, "", state.workplace
        ? `#look-${state.workplace.kind}-${state.workplace.view}` : `#${state.room}`));
    addEventListener("hashchange", byAddress);
    byAddress();
    set({outlinesOn: state.room === "forecast"});
    document.documentElement.classList.add("is-open");
}

open();
