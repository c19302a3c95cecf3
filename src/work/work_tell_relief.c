// Relief documents as plain text for a terminal.
#include <math.h>
#include <string.h>

#include "work/work_priv.h"

static const json_t *get(const json_t *o, const char *key)
{
    return json_object_get(o, key);
}

static double number(const json_t *o, const char *key)
{
    return hc_work_json_number(o, key);
}

static void tell_interval(struct hc_buf *b, const json_t *i, int digits)
{
    hc_buf_printf(b, "%.*f (90 %% interval %.*f to %.*f)", digits, number(i, "value"), digits,
                  number(i, "low"), digits, number(i, "high"));
}

static void tell_texture(struct hc_buf *b, const json_t *t)
{
    hc_buf_printf(b,
                  "  texture, details of %.2f to %.2f mm: Sa %.2f um, Sq %.2f um, Sz %.1f um, Ssk "
                  "%.2f, Sku %.2f, Sdq %.4f, Sdr %.5f\n",
                  number(t, "short_mm"), number(t, "long_mm"), number(t, "sa_um"),
                  number(t, "sq_um"), number(t, "sz_um"), number(t, "ssk"), number(t, "sku"),
                  number(t, "sdq"), number(t, "sdr"));
}

static void tell_windows(struct hc_buf *b, const json_t *o)
{
    const json_t *f = get(o, "forecast"), *list = get(o, "windows");
    if (json_array_size(list)) {
        hc_buf_printf(b, "  windows beside varnish, details of %.2f to %.2f mm:\n",
                      number(get(o, "windows_band"), "short_mm"),
                      number(get(o, "windows_band"), "long_mm"));
    }
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *w = json_array_get(list, i);
        hc_buf_printf(b, "  window %s: ", hc_work_json_text(w, "label"));
        if (json_is_object(get(w, "retained"))) {
            hc_buf_str(b, "its varnished neighbour keeps ");
            tell_interval(b, get(w, "retained"), 2);
            hc_buf_str(b, " of the relief\n");
        } else {
            hc_buf_printf(b, "%s\n", hc_work_json_text(w, "why"));
        }
    }
    hc_buf_str(b, "  forecast: ");
    if (json_is_object(get(f, "gain"))) {
        hc_buf_str(b, "fine relief times ");
        tell_interval(b, get(f, "gain"), 2);
        hc_buf_str(b, " once the coat is off. ");
    }
    hc_buf_printf(b, "%s\n", hc_work_json_text(f, "what"));
}

void hc_work_tell_relief(struct hc_buf *b, const json_t *o)
{
    const json_t *list = get(o, "lights"), *h = get(o, "height"), *v = get(o, "through_varnish");
    hc_buf_printf(b, "Relief of the state %s, %s, %zu lamps%s%s\n", hc_work_json_text(o, "state"),
                  hc_work_json_text(o, "method"), json_array_size(list),
                  json_is_true(get(o, "crossed")) ? ", crossed polarisers" : "",
                  json_is_true(get(o, "is_stale")) ? " (OUT OF DATE: compute it again)" : "");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *l = json_array_get(list, i);
        hc_buf_printf(b, "  %-24s azimuth %6.1f, elevation %5.1f, gain %.3f, misfit %.2f%s%s\n",
                      hc_work_json_text(l, "label"), number(l, "azimuth_deg"),
                      number(l, "elevation_deg"), number(l, "gain"), number(l, "misfit"),
                      *hc_work_json_text(l, "why") ? ": " : "", hc_work_json_text(l, "why"));
    }
    list = get(o, "aside");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *a = json_array_get(list, i);
        hc_buf_printf(b, "  %-24s LEFT ASIDE: %s\n", hc_work_json_text(a, "label"),
                      hc_work_json_text(a, "why"));
    }
    hc_buf_printf(b, "  %s\n", hc_work_json_text(o, "set_why"));
    hc_buf_printf(b, "  answered %.1f %% of the picture, error of a slope %.4f%s\n",
                  100 * number(o, "answered"), number(o, "slope_sd"),
                  json_is_true(get(o, "slope_sd_assumed")) ? " (noise assumed)" : "");
    hc_buf_printf(b, "  %s\n", hc_work_json_text(v, "what"));
    if (json_is_true(get(v, "is_varnished"))) {
        hc_buf_printf(b,
                      "  if a varnish of index 1.5 covers the paint these slopes are %.2f of the "
                      "paint's and %.2f of the varnish surface's\n",
                      number(v, "paint"), number(v, "film"));
    }
    hc_buf_printf(b, "  height: %s\n", hc_work_json_text(h, "what"));
    tell_texture(b, get(o, "texture"));
    tell_windows(b, o);
}

void hc_work_tell_texture(struct hc_buf *b, const json_t *o)
{
    hc_buf_printf(b, "Passage, state %s\n", hc_work_json_text(o, "state"));
    tell_texture(b, get(o, "texture"));
    if (json_is_object(get(o, "other_texture"))) {
        hc_buf_printf(b, "state %s\n", hc_work_json_text(o, "other"));
        tell_texture(b, get(o, "other_texture"));
        hc_buf_str(b, "  Sq of the second over the first ");
        tell_interval(b, get(o, "sq_ratio"), 2);
        hc_buf_str(b, ", Sdq ");
        tell_interval(b, get(o, "sdq_ratio"), 2);
        hc_buf_printf(b, "\n  %s\n", hc_work_json_text(o, "what"));
    }
}

void hc_work_tell_film(struct hc_buf *b, const json_t *o)
{
    hc_buf_printf(b,
                  "Paint and varnish surface, state %s, %.0f views%s, details of %.2f to %.2f mm\n",
                  hc_work_json_text(o, "state"), number(o, "views"),
                  json_is_true(get(o, "polarised")) ? ", crossed and parallel polarisers" : "",
                  number(o, "short_mm"), number(o, "long_mm"));
    if (number(o, "refusal") > 0) {
        hc_buf_printf(b, "  REFUSED: %s\n", hc_work_json_text(o, "why"));
        return;
    }
    hc_buf_str(b, "  relief retained at the surface ");
    tell_interval(b, get(o, "retained"), 2);
    if (json_is_object(get(o, "fill_um"))) {
        hc_buf_str(b, "\n  the filling varies by ");
        tell_interval(b, get(o, "fill_um"), 1);
        hc_buf_str(b, " um rms (not a thickness)");
    }
    hc_buf_printf(b, "\n  %s\n", hc_work_json_text(o, "why"));
    if (json_is_object(get(o, "gain"))) {
        hc_buf_str(b, "  fine relief times ");
        tell_interval(b, get(o, "gain"), 2);
        hc_buf_printf(b, " once the coat is off. %s\n", hc_work_json_text(o, "gain_what"));
    }
}

void hc_work_tell_lights(struct hc_buf *b, const json_t *o)
{
    const json_t *list = get(o, "lights");
    if (!json_is_array(list)) {
        hc_buf_printf(b, "%.0f lamps read from %s\n", number(o, "lights"),
                      hc_work_json_text(o, "file_name"));
        return;
    }
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *l = json_array_get(list, i);
        hc_buf_printf(b, "  %-24s azimuth %6.1f, elevation %5.1f", hc_work_json_text(l, "label"),
                      number(l, "azimuth_deg"), number(l, "elevation_deg"));
        if (number(l, "residual_deg") >= 0) {
            hc_buf_printf(b, ", the spheres agree to %.2f degrees", number(l, "residual_deg"));
        } else {
            hc_buf_str(b, ", as seen from one sphere (its distance is not known)");
        }
        hc_buf_str(b, json_is_true(get(l, "is_near")) ? ", a near lamp\n" : "\n");
    }
}

void hc_work_tell_levelling(struct hc_buf *b, const json_t *o)
{
    const json_t *list = get(o, "details");
    hc_buf_printf(
        b,
        "A wet coat of %g um, %g Pa s, %g N/m, open for %g s: details under about %.2f mm "
        "level out\n",
        number(o, "thickness_um"), number(o, "viscosity_pa_s"), number(o, "tension_n_per_m"),
        number(o, "open_s"), number(o, "levelled_mm"));
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *d = json_array_get(list, i);
        hc_buf_printf(b, "  %5.1f mm   half-life %10.3g s   relief kept after drying %3.0f %%\n",
                      number(d, "detail_mm"), number(d, "half_life_s"), 100 * number(d, "kept"));
    }
    hc_buf_printf(b, "  %s\n", hc_work_json_text(o, "what"));
}
