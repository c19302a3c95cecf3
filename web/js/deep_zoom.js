// The picture library's viewers, made alike wherever the page has one, and what they are fed with.
import * as api from "./api.js";
/**
 * @typedef {import("./types.js").Point} Point
 * @typedef {import("./types.js").Tiles} Tiles
 * @typedef {import("./types.js").View} View
 */

/** Keep the library from adding a style element of its own, which our content policy forbids (page.css
 *  has its one rule). It looks for an element of that name first: this one is in no known language. */
export function keepStyles()
{
    const none = document.createElementNS("urn:halfclean", "style");
    none.setAttribute("data-openseadragon-mobile-css", "true");
    document.head.append(none);
}

/** @param {HTMLElement} element @param {boolean} takesPointer */
export function makeViewer(element, takesPointer)
{
    return OpenSeadragon({
        element,
        // Canvas, not WebGL: no limit of contexts, no lost context, and the same colours everywhere.
        drawer: "canvas",
        showNavigationControl: false,
        showNavigator: false,
        mouseNavEnabled: takesPointer,
        keyboardNavEnabled: false,
        tabIndex: -1,
        animationTime: matchMedia("(prefers-reduced-motion: reduce)").matches ? 0 : 0.35,
        springStiffness: 8,
        blendTime: 0,
        alwaysBlend: false,
        visibilityRatio: 0.25,
        minZoomImageRatio: 0.7,
        maxZoomPixelRatio: 12,
        zoomPerScroll: 1.25,
        imageLoaderLimit: 6,
        maxImageCacheCount: 500,
        preserveImageSizeOnResize: true,
        preserveViewport: true,
        // The veil and the hatch are partly transparent: tiles that overlap by a fraction of a px
        // would show as seams.
        subPixelRoundingForTransparency: {"*": OpenSeadragon.SUBPIXEL_ROUNDING_OCCURRENCES.ALWAYS},
        gestureSettingsMouse: {clickToZoom: false, dblClickToZoom: false, flickEnabled: false},
        gestureSettingsTouch: {clickToZoom: false, dblClickToZoom: true, flickEnabled: true},
        gestureSettingsPen: {clickToZoom: false, dblClickToZoom: false, flickEnabled: false}});
}

/** @param {Tiles} t @returns {any} an OpenSeadragon tile source */
export function tileSource(t)
{
    return {width: t.w, height: t.h, tileSize: t.tile, tileOverlap: 0, minLevel: 0,
            maxLevel: t.levels - 1,
            getTileUrl: (/** @type {number} */ level, /** @type {number} */ x,
                         /** @type {number} */ y) => api.tileUrl(t.key, level, x, y)};
}

const OWN_TILE = 512; // the largest square that the program gives

/**
 * A view's own pixels where its tiles lie in the frame: squares cut from the file. The squares at the
 * border reach beyond the view; the size says so, and the caller clips it to w x h.
 * @param {View} v @returns {any} an OpenSeadragon tile source
 */
export function ownSource(v)
{
    const steps = Math.ceil(Math.log2(Math.max(1, v.w / OWN_TILE, v.h / OWN_TILE)));
    const whole = OWN_TILE * 2 ** steps;
    return {width: whole, height: whole, tileSize: OWN_TILE, tileOverlap: 0, minLevel: 0, maxLevel: steps,
            tileExists: (/** @type {number} */ level, /** @type {number} */ x, /** @type {number} */ y) => {
                const side = OWN_TILE * 2 ** (steps - level);
                return x >= 0 && y >= 0 && x * side < v.w && y * side < v.h;
            },
            getTileUrl: (/** @type {number} */ level, /** @type {number} */ x, /** @type {number} */ y) => {
                const side = OWN_TILE * 2 ** (steps - level);
                return api.ownUrl(v.id, (x + 0.5) * side, (y + 0.5) * side, side, OWN_TILE);
            }};
}

/** A polygon as the library takes it. @param {Point[]} p @param {(p: Point) => Point} map */
export const cropOf = (p, map) => p.map((q) => {
    const [x, y] = map(q);
    return new OpenSeadragon.Point(x, y);
});
