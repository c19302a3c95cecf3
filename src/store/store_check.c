// What a row must be before it is written, each refusal in words. The schema has the same rules as
// far as SQL can say them, as the second wall.
#include "store/store_priv.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

// The only techniques and states a record uses ("during-N" is checked by itself).
static const char *const techniques[] = {"normal", "raking", "specular", "transmitted", "uv",
                                         "ir",     "xray",   "micro",    "section"};
static const char *const states[] = {"before", "test", "after-cleaning", "after-filling", "after"};

const char *hc_store_or_empty(const char *s)
{
    return s ? s : "";
}

bool hc_store_is_listed(const char *word, const char *const *list, size_t n)
{
    for (size_t i = 0; word && i < n; i++) {
        if (strcmp(word, list[i]) == 0) {
            return true;
        }
    }
    return false;
}

static bool is_state(const char *s)
{
    static const char during[] = "during-";
    size_t n = strlen(during);
    if (s && strncmp(s, during, n) == 0) {
        size_t digits = strspn(s + n, "0123456789");
        return digits >= 1 && digits <= 4 && s[n + digits] == 0;
    }
    return hc_store_is_listed(s, states, sizeof states / sizeof states[0]);
}

static hc_status check_label(const char *label, struct hc_err *err)
{
    size_t n = label ? strlen(label) : 0;
    if (n < 1 || n > 200) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the label of a view has %zu bytes; it needs 1 to 200", n);
    }
    for (size_t i = 0; i < n; i++) {
        if (iscntrl((unsigned char)label[i])) {
            return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                              "the label of a view holds a control character (a line end or a "
                              "tab); leave it out");
        }
    }
    // Views are also called by their number.
    if (strspn(label, "0123456789") == n) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the label \"%s\" is only a number, which could be mistaken for the id "
                          "of another view; put a word in it",
                          label);
    }
    return HC_OK;
}

static bool has_only_numbers(const struct hc_view *v)
{
    bool is_fine = isfinite(v->held_out_median_px) && isfinite(v->held_out_p95_px) &&
                   isfinite(v->area_supported) && isfinite(v->exposure_factor) &&
                   isfinite(v->exposure_spread);
    for (int i = 0; i < 9; i++) {
        is_fine = is_fine && isfinite(v->frame_to_view[i]);
    }
    return is_fine;
}

hc_status hc_store_check_placement(const struct hc_view *v, struct hc_err *err)
{
    static const char *const verdicts[] = {"reference", "good", "usable", "refused", "none"};
    const char *verdict = v->verdict && *v->verdict ? v->verdict : "none";
    if (!hc_store_is_listed(verdict, verdicts, sizeof verdicts / sizeof verdicts[0])) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the verdict on a placement is \"%s\"; it must be reference, good, "
                          "usable, refused or none",
                          verdict);
    }
    if (v->fit_json && *v->fit_json && !hc_store_is_json(v->fit_json)) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the report on the placement of view \"%s\" is not a JSON text",
                          hc_store_or_empty(v->label));
    }
    if (!has_only_numbers(v)) {
        return hc_err_set(err, HC_ERANGE, HC_STORE_ROOM,
                          "the placement of view \"%s\" holds a value that is not a number",
                          hc_store_or_empty(v->label));
    }
    // A refused placement must never be used as if it were one.
    if (v->is_placed == (strcmp(verdict, "refused") == 0 || strcmp(verdict, "none") == 0)) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "a view with the verdict \"%s\" cannot be marked as %s", verdict,
                          v->is_placed ? "placed" : "not placed");
    }
    return HC_OK;
}

hc_status hc_store_check_view(const struct hc_view *v, struct hc_err *err)
{
    const char *face = v->face ? v->face : "front";
    hc_status st = check_label(v->label, err);
    if (st != HC_OK) {
        return st;
    }
    if (!hc_store_is_listed(v->technique, techniques, sizeof techniques / sizeof techniques[0])) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the technique \"%s\" is not known; it is one of normal, raking, "
                          "specular, transmitted, uv, ir, xray, micro, section",
                          hc_store_or_empty(v->technique));
    }
    if (!is_state(v->state)) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the state \"%s\" is not known; it is one of before, test, during-N "
                          "(N a number), after-cleaning, after-filling, after",
                          hc_store_or_empty(v->state));
    }
    if (strcmp(face, "front") != 0 && strcmp(face, "back") != 0) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM, "the face \"%s\" is neither front nor back",
                          face);
    }
    if (v->w < 1 || v->h < 1 || v->bands < 1 || v->bits < 1) {
        return hc_err_set(err, HC_ERANGE, HC_STORE_ROOM,
                          "view \"%s\" has %d x %d px, %d bands of %d bits; all must be above 0",
                          v->label, v->w, v->h, v->bands, v->bits);
    }
    if (!(v->clipped_share >= 0 && v->clipped_share <= 1)) {
        return hc_err_set(err, HC_ERANGE, HC_STORE_ROOM,
                          "the clipped share %g of view \"%s\" is not between 0 and 1",
                          v->clipped_share, v->label);
    }
    if (v->has_light && !(fabs(v->azimuth_deg) <= 360 && fabs(v->elevation_deg) <= 90)) {
        return hc_err_set(err, HC_ERANGE, HC_STORE_ROOM,
                          "light at azimuth %g and elevation %g degrees is not possible; azimuth "
                          "is within 360 and elevation within 90",
                          v->azimuth_deg, v->elevation_deg);
    }
    return hc_store_check_placement(v, err);
}

hc_status hc_store_check_json(const char *json, const char *what, struct hc_err *err)
{
    return hc_store_is_json(json)
               ? HC_OK
               : hc_err_set(err, HC_EARG, HC_STORE_ROOM, "%s is not a JSON text", what);
}

hc_status hc_store_check_polygon(const char *polygon, const char *what, struct hc_err *err)
{
    return hc_store_is_polygon(polygon)
               ? HC_OK
               : hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                            "the outline of %s is not a list of at least three corners "
                            "[[x,y],...] in px",
                            what);
}
