// Documents as plain text for a terminal.
#include <math.h>
#include <string.h>

#include "work/work_priv.h"

#define STRAIN_WARNING 0.03 // stretch of a bend; docs/theory/align.md

static const json_t *get(const json_t *o, const char *key)
{
    return json_object_get(o, key);
}

static const char *text(const json_t *o, const char *key)
{
    return hc_work_json_text(o, key);
}

static double number(const json_t *o, const char *key)
{
    return hc_work_json_number(o, key);
}

static double at(const json_t *array, size_t i)
{
    const json_t *v = json_array_get(array, i);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

static void tell_lab(struct hc_buf *b, const char *name, const json_t *o)
{
    const json_t *lab = get(o, "lab");
    if (json_is_array(lab)) {
        hc_buf_printf(b, "  %-22s L* %5.1f  a* %6.1f  b* %6.1f", name, at(lab, 0), at(lab, 1),
                      at(lab, 2));
    }
}

static void tell_dossier(struct hc_buf *b, const json_t *o)
{
    static const char *const rows[][2] = {{"maker", "Maker"},
                                          {"date", "Date"},
                                          {"support", "Support"},
                                          {"inventory", "Inventory"},
                                          {"owner", "Owner"}};
    const json_t *f = get(o, "frame");
    hc_buf_printf(b, "%s\n", text(o, "title"));
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (*text(o, rows[i][0])) {
            hc_buf_printf(b, "  %-10s %s\n", rows[i][1], text(o, rows[i][0]));
        }
    }
    hc_buf_printf(b, "  %-10s %g x %g mm (height x width)\n", "Size", number(o, "height_mm"),
                  number(o, "width_mm"));
    if (json_is_object(f)) {
        hc_buf_printf(b, "  %-10s %.0f x %.0f px, %.4f mm per px\n", "Frame", number(f, "w"),
                      number(f, "h"), number(f, "mm_per_px"));
        if (*text(f, "note")) {
            hc_buf_printf(b, "  NOTE: %s\n", text(f, "note"));
        }
    } else {
        hc_buf_str(
            b, "  No reference view yet: add the photograph in normal light before treatment.\n");
    }
}

// Where the view lies and how well that is known, in px and mm.
static void tell_fit(struct hc_buf *b, const json_t *v, const json_t *fit)
{
    const json_t *shift = get(fit, "shift_px");
    bool is_refused = strcmp(text(fit, "verdict"), "refused") == 0;
    if (!json_is_array(shift) || is_refused) {
        return;
    }
    hc_buf_printf(b, ": moved %+.2f %+.2f px, turned %+.3f deg, scale %.5f", at(shift, 0),
                  at(shift, 1), number(fit, "rotation_deg"), number(fit, "scale"));
    if (isfinite(number(fit, "held_out_p95_px"))) {
        hc_buf_printf(b,
                      "; held-out residual about %.2f px = %.3f mm (median), %.2f px = %.3f mm "
                      "(95 %%)",
                      number(fit, "held_out_median_px"), number(fit, "held_out_median_mm"),
                      number(fit, "held_out_p95_px"), number(fit, "held_out_p95_mm"));
    } else {
        hc_buf_str(b, "; residual not known");
    }
    if (strcmp(text(v, "technique"), "normal") == 0) {
        hc_buf_printf(b, "; exposure x %.4f +- %.4f", number(fit, "exposure_factor"),
                      number(fit, "exposure_factor") * number(fit, "exposure_spread"));
    }
}

// What a person must know before using the placement.
static void tell_cautions(struct hc_buf *b, const json_t *fit)
{
    const char *verdict = text(fit, "verdict");
    bool is_placed = strcmp(verdict, "good") == 0 || strcmp(verdict, "usable") == 0;
    if (strcmp(verdict, "refused") == 0 || strcmp(verdict, "usable") == 0) {
        hc_buf_printf(b, "     %s\n", text(fit, "why"));
    }
    if (is_placed && *text(fit, "compare_note")) {
        hc_buf_printf(b, "     %s\n", text(fit, "compare_note"));
    }
    if (is_placed && json_is_true(get(fit, "is_detail"))) {
        hc_buf_printf(b, "     a detail: %.2f of its px to one of the frame\n",
                      number(fit, "view_per_frame"));
    }
    if (is_placed && number(fit, "bend_max_px") > 0) {
        hc_buf_printf(b,
                      "     a bend of up to %.1f px was followed; it stretches by up to %.1f %%\n",
                      number(fit, "bend_max_px"), 100 * number(fit, "bend_strain_max"));
    }
    if (is_placed && number(fit, "bend_strain_max") > STRAIN_WARNING) {
        hc_buf_str(b, "     NOTE: that is much for canvas or panel: look at the placement before "
                      "believing details\n");
    }
    if (is_placed && number(fit, "unsupported_share") > 0.005) {
        hc_buf_printf(b, "     over %.0f %% of what it shows the placement is extrapolated\n",
                      100 * number(fit, "unsupported_share"));
    }
}

static void tell_view(struct hc_buf *b, const json_t *v)
{
    const json_t *fit = get(v, "fit");
    hc_buf_printf(b, "%3.0f  %-22s %-11s %-8s %5.0f x %-5.0f %2.0f-bit  %s", number(v, "id"),
                  text(v, "label"), text(v, "technique"), text(v, "state"), number(v, "w"),
                  number(v, "h"), number(v, "bits"), hc_work_verdict_word(text(fit, "verdict")));
    tell_fit(b, v, fit);
    hc_buf_str(b, "\n");
    tell_cautions(b, fit);
    if (*text(v, "note")) {
        hc_buf_printf(b, "     NOTE: %s\n", text(v, "note"));
    } else if (*text(v, "profile")) {
        hc_buf_printf(b, "     profile: %s\n", text(v, "profile"));
    }
    if (json_is_object(get(v, "camera"))) {
        const json_t *c = get(v, "camera");
        hc_buf_printf(b, "     %s %s, %s, %.4g s, f/%.3g, ISO %.0f\n", text(c, "camera"),
                      text(c, "lens"), text(c, "taken_at"), number(c, "exposure_s"),
                      number(c, "f_number"), number(c, "iso"));
    }
    if (json_is_object(get(v, "mosaic"))) {
        const json_t *m = get(v, "mosaic");
        hc_buf_printf(b, "     mosaic %s: %s\n", text(m, "verdict"), text(m, "why"));
    }
    if (json_is_object(get(v, "calibration"))) {
        const json_t *c = get(v, "calibration");
        hc_buf_printf(
            b, "     calibrated by %s%s: left-out patches off by %.2f (mean), %.2f (95 %%)\n",
            text(c, "from_label"), json_is_true(get(c, "inherited")) ? ", inherited" : "",
            number(c, "mean"), number(c, "p95"));
    }
    if (number(v, "clipped_share") > 0.001) {
        hc_buf_printf(b, "     NOTE: %.1f %% of the pixels are clipped\n",
                      100 * number(v, "clipped_share"));
    }
}

static void tell_window(struct hc_buf *b, const json_t *x)
{
    const json_t *f = get(x, "forecast");
    hc_buf_printf(b, "%3.0f  %-18s %8.1f mm2  %-10s %s\n", number(x, "id"), text(x, "label"),
                  number(x, "area_mm2"), text(x, "surface"), text(x, "system"));
    if (json_is_object(f)) {
        hc_buf_printf(
            b, "     L* %.0f, coat %.2f; left out of the fit: off by %.1f (doing nothing: %.1f)\n",
            number(f, "lightness"), number(f, "coat"), number(f, "left_out_de"),
            number(f, "nothing_de"));
    }
}

static void tell_zone(struct hc_buf *b, const json_t *z)
{
    hc_buf_printf(b, "%3.0f  %-12s %8.1f mm2  %s\n", number(z, "id"), text(z, "kind"),
                  number(z, "area_mm2"), text(z, "label"));
}

// A list under `key`, a bare array, or a single document.
static void each(struct hc_buf *b, const json_t *o, const char *key,
                 void (*tell)(struct hc_buf *, const json_t *), const char *empty)
{
    const json_t *list = json_is_array(o) ? o : get(o, key);
    if (!list) {
        tell(b, o);
        return;
    }
    for (size_t i = 0; i < json_array_size(list); i++) {
        tell(b, json_array_get(list, i));
    }
    if (json_array_size(list) == 0) {
        hc_buf_printf(b, "%s\n", empty);
    }
}

static void tell_forecast(struct hc_buf *b, const json_t *f)
{
    const json_t *list = get(f, "estimators"), *next = get(f, "next_window");
    if (json_is_true(get(f, "is_stale"))) {
        hc_buf_str(b, "NOTE: views, windows or zones have changed since; compute it again.\n");
    }
    hc_buf_printf(b, "%s\n\n  %-34s left-out CIEDE2000\n", text(f, "sentence"), "estimator");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *e = json_array_get(list, i);
        if (isfinite(number(e, "left_out_de"))) {
            hc_buf_printf(b, "  %-34s %6.2f%s\n", text(e, "name"), number(e, "left_out_de"),
                          json_is_true(get(e, "chosen")) ? "  chosen" : "");
        }
    }
    hc_buf_printf(b, "  %-34s %6.2f\n\n", "doing nothing", number(f, "nothing_de"));
    if (*text(f, "uv_note")) {
        hc_buf_printf(b, "  %s\n\n", text(f, "uv_note"));
    }
    list = get(f, "windows");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *x = json_array_get(list, i);
        hc_buf_printf(b,
                      "  window %-20s L* %3.0f  coat %.2f  left out: %.1f  doing nothing: %.1f\n",
                      text(x, "label"), number(x, "lightness"), number(x, "coat"),
                      number(x, "left_out_de"), number(x, "nothing_de"));
    }
    list = get(f, "refused");
    hc_buf_str(b, "\n");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *r = json_array_get(list, i);
        hc_buf_printf(b, "  refused %5.1f %%  %s\n", 100 * number(r, "share"), text(r, "reason"));
    }
    if (json_is_object(next)) {
        hc_buf_printf(b, "  next window at %.0f,%.0f: %s\n", number(next, "x"), number(next, "y"),
                      text(next, "why"));
    }
    hc_buf_printf(b, "\n%s\n", text(f, "caveat"));
}

static void tell_spot(struct hc_buf *b, const json_t *s)
{
    const json_t *f = get(s, "forecast"), *list = get(s, "views");
    hc_buf_printf(b, "spot %.1f, %.1f px, %g mm across\n", number(s, "x"), number(s, "y"),
                  number(s, "mm"));
    tell_lab(b, "before", get(s, "before"));
    hc_buf_str(b, "\n");
    if (json_is_object(get(s, "after"))) {
        tell_lab(b, "after", get(s, "after"));
        hc_buf_printf(b, "  (%s, %s)\n", text(get(s, "after"), "window"),
                      text(get(s, "after"), "surface"));
    }
    if (json_is_object(f)) {
        if (json_is_array(get(f, "lab"))) {
            tell_lab(b, "forecast", f);
            hc_buf_printf(b, "  radius %.1f CIEDE2000 (90 %%)\n", number(f, "radius"));
        }
        hc_buf_printf(b, "  %-22s %.2f (1 = mean over the windows)\n", "effective coat",
                      number(f, "coat"));
        if (number(f, "refused_share") > 0) {
            hc_buf_printf(b, "  %-22s %.0f %% of the spot: %s\n", "refused",
                          100 * number(f, "refused_share"), text(f, "reason"));
        }
    } else {
        hc_buf_str(b, "  no forecast has been computed yet\n");
    }
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *v = json_array_get(list, i), *mean = get(v, "mean");
        if (json_is_array(get(v, "lab"))) {
            tell_lab(b, text(v, "label"), v);
        } else {
            hc_buf_printf(b, "  %-22s linear light", text(v, "label"));
            for (size_t c = 0; c < json_array_size(mean); c++) {
                hc_buf_printf(b, " %.4f", at(mean, c));
            }
        }
        hc_buf_str(b, "\n");
        if (*text(v, "compare_note")) {
            hc_buf_printf(b, "  %-22s %s\n", "", text(v, "compare_note"));
        }
        if (json_is_true(get(v, "is_detail"))) {
            hc_buf_printf(b, "  %-22s a detail of %.1f px per mm\n", "", number(v, "px_per_mm"));
        }
    }
    list = get(s, "relief");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *r = json_array_get(list, i), *t = get(r, "texture");
        char name[48];
        snprintf(name, sizeof name, "relief %.32s", text(r, "state"));
        if (json_is_object(t)) {
            hc_buf_printf(b, "  %-22s details of %.2f to %.2f mm: Sq %.2f um, Sdq %.4f%s\n", name,
                          number(t, "short_mm"), number(t, "long_mm"), number(t, "sq_um"),
                          number(t, "sdq"),
                          json_is_true(get(r, "is_stale")) ? " (OUT OF DATE)" : "");
        } else {
            hc_buf_printf(b, "  %-22s %s\n", name, text(r, "why"));
        }
    }
    list = get(s, "zones");
    for (size_t i = 0; i < json_array_size(list); i++) {
        hc_buf_printf(b, "  in a zone: %s %s\n", text(json_array_get(list, i), "kind"),
                      text(json_array_get(list, i), "label"));
    }
}

static void tell_calibration(struct hc_buf *b, const json_t *c)
{
    const json_t *out = get(c, "left_out_patch"), *list = get(c, "qualities");
    hc_buf_printf(
        b,
        "calibrated from %s%s: %s, %.0f patches used, %.0f left out\n  %s\n"
        "  left-out patches: mean %.2f, 95 %% %.2f, max %.2f CIEDE2000 (uncorrected mean %.2f)\n",
        text(c, "from_label"), json_is_true(get(c, "inherited")) ? " (inherited)" : "",
        text(c, "kind"), number(c, "used"), number(c, "left_out"), text(c, "why"),
        number(out, "mean"), number(out, "p95"), number(out, "max"),
        number(get(c, "before"), "mean"));
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *q = json_array_get(list, i), *t = get(q, "tolerances");
        if (!isfinite(number(q, "value"))) {
            continue;
        }
        hc_buf_printf(b, "  %-22s %8.2f %-10s", text(q, "name"), number(q, "value"),
                      text(q, "unit"));
        for (size_t k = 0; k < json_array_size(t); k++) {
            const json_t *x = json_array_get(t, k);
            hc_buf_printf(b, "%s %s %.0f %s: %s (%s)", k ? ";" : "", text(x, "guideline"),
                          number(x, "year"), text(x, "level"),
                          json_is_true(get(x, "within")) ? "within" : "outside", text(x, "status"));
        }
        hc_buf_str(b, "\n");
    }
    list = get(c, "patches");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *p = json_array_get(list, i);
        if (*text(p, "fault")) {
            hc_buf_printf(b, "  patch %s: %s\n", text(p, "name"), text(p, "fault"));
        }
    }
}

static void tell_points(struct hc_buf *b, const json_t *o)
{
    const json_t *check = get(o, "photograph_check"), *list = get(o, "points");
    hc_buf_printf(b, "%s: %zu points, %g mm, light %s, %.0f degrees\n", text(o, "file_name"),
                  json_array_size(list), number(o, "aperture_mm"), text(o, "light"),
                  number(o, "observer_deg"));
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *p = json_array_get(list, i), *l = get(p, "lab");
        hc_buf_printf(
            b, "  %-8s %-20s %7.1f %7.1f  L* %5.1f a* %6.1f b* %6.1f  photograph off by %.1f\n",
            text(p, "id"), text(p, "name"), number(p, "x"), number(p, "y"), at(l, 0), at(l, 1),
            at(l, 2), number(p, "de"));
    }
    hc_buf_printf(b,
                  "  photograph against measurement: mean %.2f, 95 %% %.2f, max %.2f CIEDE2000\n",
                  number(check, "mean"), number(check, "p95"), number(check, "max"));
}

static void tell_verify(struct hc_buf *b, const json_t *v)
{
    static const char *const lists[][2] = {{"problems", "PROBLEM"}, {"notes", "note"}};
    hc_buf_printf(b, "checked %.0f originals, %.0f derived files, %.0f views: %.0f problems\n",
                  number(v, "originals"), number(v, "derived"), number(v, "views"),
                  number(v, "problem_count"));
    for (size_t k = 0; k < 2; k++) {
        const json_t *list = get(v, lists[k][0]);
        for (size_t i = 0; i < json_array_size(list); i++) {
            hc_buf_printf(b, "  %s: %s\n", lists[k][1], json_string_value(json_array_get(list, i)));
        }
    }
}

hc_status hc_work_tell(const char *kind, const char *json, struct hc_buf *b, struct hc_err *err)
{
    json_t *o = NULL;
    hc_status st = hc_work_json_load(&o, json, kind, err);
    if (st != HC_OK) {
        return st;
    }
    if (strcmp(kind, "dossier") == 0) {
        tell_dossier(b, o);
    } else if (strncmp(kind, "view", 4) == 0) {
        each(b, o, "views", tell_view, "no views yet");
    } else if (strncmp(kind, "window", 6) == 0) {
        each(b, o, "windows", tell_window, "no windows yet");
    } else if (strncmp(kind, "zone", 4) == 0) {
        each(b, o, "zones", tell_zone, "no zones");
    } else if (strcmp(kind, "forecast") == 0) {
        tell_forecast(b, o);
    } else if (strcmp(kind, "spot") == 0) {
        tell_spot(b, o);
    } else if (strcmp(kind, "calibration") == 0) {
        tell_calibration(b, o);
    } else if (strcmp(kind, "points") == 0) {
        tell_points(b, o);
    } else if (strcmp(kind, "verify") == 0) {
        tell_verify(b, o);
    } else if (strcmp(kind, "relief") == 0) {
        hc_work_tell_relief(b, o);
    } else if (strcmp(kind, "texture") == 0) {
        hc_work_tell_texture(b, o);
    } else if (strcmp(kind, "film") == 0) {
        hc_work_tell_film(b, o);
    } else if (strcmp(kind, "levelling") == 0) {
        hc_work_tell_levelling(b, o);
    } else if (strcmp(kind, "lights") == 0) {
        hc_work_tell_lights(b, o);
    } else {
        st = hc_err_set(err, HC_EARG, HC_WORK_ROOM, "no text form for \"%s\"", kind);
    }
    json_decref(o);
    return st == HC_OK ? hc_buf_check(b, err) : st;
}
