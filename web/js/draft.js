// What was begun and not yet given to the program is kept by the browser, so that a reload loses nothing.

/** @param {string} name @returns {any} what was kept, or null */
export function recallDraft(name)
{
    try {
        return JSON.parse(localStorage.getItem(`halfclean-draft-${name}`) ?? "null");
    } catch {
        return null;
    }
}

/** @param {string} name @param {unknown} what null = nothing any more */
export function keepDraft(name, what)
{
    try {
        if (what === null)
            localStorage.removeItem(`halfclean-draft-${name}`);
        else
            localStorage.setItem(`halfclean-draft-${name}`, JSON.stringify(what));
    } catch {
        // Without storage the draft lives as long as the page.
    }
}
