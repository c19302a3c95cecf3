// Small helpers over the document: make elements, set text. No markup strings anywhere, so nothing
// from a dossier can become markup.

/**
 * @typedef {Node|string|number|null|undefined|false} Child
 * @typedef {Record<string, string|number|boolean|null|undefined|((e: any) => void)>} Attributes
 */

/**
 * Make an element. Attributes: `on...` functions become listeners, true is an empty attribute,
 * false, null and undefined are left out.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag @param {Attributes} [attributes] @param {...(Child|Child[])} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function h(tag, attributes = {}, ...children)
{
    const el = document.createElement(tag);
    setAttributes(el, attributes);
    put(el, ...children);
    return el;
}

/**
 * The same for SVG.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag @param {Attributes} [attributes] @param {...(Child|Child[])} children
 * @returns {SVGElementTagNameMap[K]}
 */
export function s(tag, attributes = {}, ...children)
{
    const el = document.createElementNS("http://www.w3.org/2000/svg", tag);
    setAttributes(el, attributes);
    put(el, ...children);
    return el;
}

/** @param {Element} el @param {Attributes} attributes */
export function setAttributes(el, attributes)
{
    for (const [name, value] of Object.entries(attributes)) {
        if (typeof value === "function")
            el.addEventListener(name.slice(2), value);
        else if (value === true)
            el.setAttribute(name, "");
        else if (value === false || value === null || value === undefined)
            el.removeAttribute(name);
        else
            el.setAttribute(name, String(value));
    }
}

/** Append children. @param {Element} el @param {...(Child|Child[])} children */
export function put(el, ...children)
{
    for (const c of children.flat())
        if (c !== null && c !== undefined && c !== false)
            el.append(c instanceof Node ? c : String(c));
}

/** Replace all children. @param {Element} el @param {...(Child|Child[])} children */
export function fill(el, ...children)
{
    el.replaceChildren();
    put(el, ...children);
}

/** @param {string} id @returns {HTMLElement} */
export function byId(id)
{
    const el = document.getElementById(id);
    if (!el)
        throw new Error(`The page has no element "${id}".`);
    return el;
}

let fields = 0;

/**
 * A labelled control, one above the other.
 * @param {string} text @param {HTMLElement} control @param {string} [hint]
 */
export function field(text, control, hint)
{
    const id = `field-${++fields}`;
    control.id = id;
    if (hint)
        control.setAttribute("aria-describedby", `${id}-hint`);
    return h("div", {class: "field"}, h("label", {class: "field-name", for: id}, text), control,
             hint ? h("span", {class: "hint", id: `${id}-hint`}, hint) : null);
}

/**
 * @param {[string, string][]} options value and text
 * @param {string} value
 * @param {(value: string) => void} onChange
 * @param {Attributes} [attributes]
 */
export function select(options, value, onChange, attributes = {})
{
    const el = h("select", attributes,
                 options.map(([v, text]) => h("option", {value: v, selected: v === value}, text)));
    el.addEventListener("change", () => onChange(el.value));
    return el;
}

/** A list of names and values. @param {[string, Child|Child[]][]} rows */
export function figures(rows)
{
    return h("dl", {class: "figures"},
             rows.map(([name, value]) => h("div", {}, h("dt", {}, name),
                                           h("dd", {}, ...[value].flat()))));
}

/**
 * Filling an element anew drops the focus inside it. Gives a function that puts it on the control of
 * the same name afterwards.
 * @param {HTMLElement} el @returns {() => void}
 */
export function keepFocus(el)
{
    const controls = () =>
        /** @type {HTMLElement[]} */ ([...el.querySelectorAll("input,select,button,summary")]);
    const name = (/** @type {Element} */ c) =>
        (c.getAttribute("aria-label") ?? c.textContent ?? "") + (c.getAttribute("value") ?? "");
    const had = controls().find((c) => c === document.activeElement);
    return () => had && controls().find((c) => name(c) === name(had))?.focus({preventScroll: true});
}

/** Say a sentence to a screen reader, out of sight. @param {string} text */
export function say(text)
{
    byId("say").textContent = text;
}
