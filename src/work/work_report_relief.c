// Relief for the printed report: every stored relief as a picture lit from one direction, figures,
// lamps, and what its windows say.
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_report_priv.h"

#define PICTURE_SIDE 1100 // px on the longest side: 300 dpi at about 95 mm
#define SHADE_AZIMUTH 135.0
#define SHADE_ELEVATION 30.0
#define SHADE_SLOPE                                                                                \
    0.15 // slopes are multiplied so that their rms comes near this; the caption says so
#define TEXTS 192
#define WINDOWS 48

// One relief and all that its rows point at.
struct hc_work_report_relief {
    uint8_t *rgb;
    double mm[HC_WORK_CURVE], um[HC_WORK_CURVE];
    struct hc_report_row row[16], pair[WINDOWS];
    struct hc_report_lamp_row lamp[HC_RELIEF_MAX_LIGHTS];
    char text[TEXTS][160];
    size_t n_text;
};

__attribute__((format(printf, 2, 3))) static const char *say(struct hc_work_report_relief *o,
                                                             const char *fmt, ...)
{
    va_list ap;
    hc_assert(o->n_text < TEXTS);
    va_start(ap, fmt);
    vsnprintf(o->text[o->n_text], sizeof o->text[0], fmt, ap);
    va_end(ap);
    return o->text[o->n_text++];
}

static const json_t *get(const json_t *o, const char *key)
{
    return json_object_get(o, key);
}

static double number(const json_t *o, const char *key)
{
    return hc_work_json_number(o, key);
}

// ---- picture ----

// A power of two from 1 to 64.
static double shade_factor(const struct hc_plane *p, const struct hc_plane *q)
{
    double sum = 0;
    for (int y = 0; y < p->h; y++) {
        for (int x = 0; x < p->w; x++) {
            double a = (double)hc_plane_get(p, x, y), b = (double)hc_plane_get(q, x, y);
            sum += a * a + b * b;
        }
    }
    sum = sqrt(sum / ((double)p->w * p->h));
    return exp2(round(fmin(6, fmax(0, log2(SHADE_SLOPE / fmax(1e-6, sum))))));
}

// Lambert's law on the stored slopes; mid-grey is a level surface, and where there is no answer.
static hc_status shade(struct hc_work *w, const char *state, struct hc_report_picture *pic,
                       uint8_t **rgb, double *times, struct hc_job *job, struct hc_err *err)
{
    struct hc_work_relief_kept k = {0};
    struct hc_raster *r = NULL;
    struct hc_plane b[3] = {{0}};
    const double az = SHADE_AZIMUTH * M_PI / 180, el = SHADE_ELEVATION * M_PI / 180;
    const double l[3] = {cos(el) * cos(az), cos(el) * sin(az), sin(el)};
    int factor;
    hc_status st = hc_work_relief_load(w, state, &k, err);
    st = st == HC_OK ? hc_work_open_derived(w, k.slopes, &r, err) : st;
    st = st == HC_OK ? hc_raster_overview(r, PICTURE_SIDE, b, &factor, job, err) : st;
    if (st == HC_OK) {
        pic->w = b[0].w;
        pic->h = b[0].h;
        *rgb = hc_mem_array((size_t)pic->w * (size_t)pic->h, 3);
        *times = shade_factor(&b[0], &b[1]);
        st = *rgb ? HC_OK : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a picture");
    }
    for (int y = 0; st == HC_OK && y < pic->h; y++) {
        for (int x = 0; x < pic->w; x++) {
            double p = *times * (double)hc_plane_get(&b[0], x, y),
                   q = *times * (double)hc_plane_get(&b[1], x, y);
            double lit = (l[2] - p * l[0] - q * l[1]) / (l[2] * sqrt(1 + p * p + q * q));
            double v = 255 * pow(fmin(1, fmax(0, 0.25 * lit)), 1 / 2.2);
            memset(*rgb + ((size_t)y * (size_t)pic->w + (size_t)x) * 3, (int)(v + 0.5), 3);
        }
    }
    pic->rgb = *rgb;
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&b[c]);
    }
    hc_raster_close(r);
    hc_work_relief_kept_release(&k);
    return st;
}

// ---- figures ----

static void put(struct hc_report_row *row, size_t *n, const char *label, const char *value,
                const char *note)
{
    row[(*n)++] = (struct hc_report_row){label, value, note};
}

static void figures(struct hc_work_report_relief *o, struct hc_report_relief *r, const json_t *doc)
{
    const json_t *t = get(doc, "texture"), *h = get(doc, "height");
    const char *band =
        say(o, "details of %.2f to %.2f mm", number(t, "short_mm"), number(t, "long_mm"));
    size_t n = 0;
    put(o->row, &n, "Views",
        say(o, "%zu lamps%s%s", json_array_size(get(doc, "lights")),
            json_is_true(get(doc, "crossed")) ? ", crossed polarisers" : "",
            json_is_true(get(doc, "boards")) ? ", even boards" : ""),
        number(doc, "left_aside") > 0 ? say(o, "%.0f left aside", number(doc, "left_aside"))
                                      : NULL);
    put(o->row, &n, "Method", hc_work_json_text(doc, "method"), hc_work_json_text(doc, "set_why"));
    put(o->row, &n, "Answered", say(o, "%.1f %% of the picture", 100 * number(doc, "answered")),
        NULL);
    put(o->row, &n, "Error of a slope", say(o, "%.4f", number(doc, "slope_sd")),
        json_is_true(get(doc, "slope_sd_assumed")) ? "image noise assumed: three lamps only"
                                                   : NULL);
    put(o->row, &n, "Sa", say(o, "%.2f um", number(t, "sa_um")), band);
    put(o->row, &n, "Sq", say(o, "%.2f um", number(t, "sq_um")), band);
    put(o->row, &n, "Sz", say(o, "%.1f um", number(t, "sz_um")), band);
    put(o->row, &n, "Ssk, Sku", say(o, "%.2f, %.2f", number(t, "ssk"), number(t, "sku")), band);
    put(o->row, &n, "Sdq", say(o, "%.4f", number(t, "sdq")), band);
    put(o->row, &n, "Sdr", say(o, "%.5f", number(t, "sdr")), band);
    put(o->row, &n, "Heights", say(o, "to be trusted up to %.0f mm", number(h, "reliable_mm")),
        json_is_true(get(doc, "flat_asserted")) ? "the picture was said to be flat" : NULL);
    r->row = o->row;
    r->n_rows = n;
}

static void pairs(struct hc_work_report_relief *o, struct hc_report_relief *r, const json_t *doc)
{
    const json_t *list = get(doc, "windows"), *b = get(doc, "windows_band"),
                 *f = get(doc, "forecast");
    size_t n = 0;
    const char *band =
        say(o, "details of %.2f to %.2f mm", number(b, "short_mm"), number(b, "long_mm"));
    for (size_t i = 0; i < json_array_size(list) && n < WINDOWS; i++) {
        const json_t *x = json_array_get(list, i), *kept = get(x, "retained");
        put(o->pair, &n, say(o, "Beside %s", hc_work_json_text(x, "label")),
            json_is_object(kept)
                ? say(o, "%.2f of the relief kept (90 %% interval %.2f to %.2f)",
                      number(kept, "value"), number(kept, "low"), number(kept, "high"))
                : "no figure",
            json_is_object(kept) ? band : hc_work_json_text(x, "why"));
    }
    if (n == 0) {
        put(o->pair, &n, "Windows", "none open in this state",
            "how much a coat hides is seen from a cleaned window beside varnish");
    }
    r->pair = o->pair;
    r->n_pairs = n;
    r->forecast = hc_work_json_text(f, "what");
}

static void lamps(struct hc_work_report_relief *o, struct hc_report_relief *r, const json_t *doc)
{
    const json_t *list = get(doc, "lights");
    for (size_t i = 0; i < json_array_size(list) && i < HC_RELIEF_MAX_LIGHTS; i++) {
        const json_t *x = json_array_get(list, i);
        const char *why = hc_work_json_text(x, "why");
        o->lamp[r->n_lamps++] = (struct hc_report_lamp_row){
            hc_work_json_text(x, "label"),
            *why                                 ? why
            : json_is_true(get(x, "near"))       ? "a near lamp"
            : *hc_work_json_text(x, "polariser") ? hc_work_json_text(x, "polariser")
                                                 : NULL,
            number(x, "azimuth_deg"),
            number(x, "elevation_deg"),
            number(x, "residual_deg"),
            number(x, "gain"),
            number(x, "misfit")};
    }
    r->lamp = o->lamp;
}

static hc_status one(struct hc_work *w, struct hc_work_report_relief *o, struct hc_report_relief *r,
                     const json_t *doc, struct hc_job *job, struct hc_err *err)
{
    const char *state = hc_work_json_text(doc, "state");
    const json_t *curve = get(doc, "curve");
    double times = 1;
    hc_status st = shade(w, state, &r->shaded, &o->rgb, &times, job, err);
    r->title = say(o, "Relief of the state %s%s", state,
                   json_is_true(get(doc, "is_stale")) ? " (out of date: compute it again)" : "");
    r->shaded.caption =
        say(o, "Shaded relief: one fixed light, upper left, %.0f degrees; slopes times %.0f",
            SHADE_ELEVATION, times);
    r->reading = hc_work_json_text(get(doc, "through_varnish"), "what");
    for (size_t i = 0; i < json_array_size(curve) && i < HC_WORK_CURVE; i++) {
        o->mm[i] = number(json_array_get(curve, i), "detail_mm");
        o->um[i] = number(json_array_get(curve, i), "sq_um");
        r->n_details = i + 1;
    }
    r->detail_mm = o->mm;
    r->sq_um = o->um;
    figures(o, r, doc);
    pairs(o, r, doc);
    lamps(o, r, doc);
    return st;
}

hc_status hc_work_report_reliefs(struct hc_work_report_reliefs *out, struct hc_work *w,
                                 struct hc_job *job, struct hc_err *err)
{
    struct hc_buf b = {0};
    const json_t *list;
    hc_status st = hc_work_relief_get(w, NULL, &b, err);
    memset(out, 0, sizeof *out);
    st = st == HC_OK ? hc_work_json_load(&out->doc, hc_buf_text(&b), "the reliefs", err) : st;
    hc_buf_release(&b);
    list = get(out->doc, "reliefs");
    for (size_t i = 0; st == HC_OK && i < json_array_size(list) && i < HC_REPORT_MAX_RELIEFS; i++) {
        out->own[i] = hc_mem_array(1, sizeof *out->own[i]);
        st = out->own[i] ? one(w, out->own[i], &out->relief[i], json_array_get(list, i), job, err)
                         : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a relief");
        out->n += st == HC_OK;
        if (st == HC_ENOTFOUND) { // its rasters were cleared from derived/: left out, not made up
            out->n = i;
            st = HC_OK;
            break;
        }
    }
    return st;
}

void hc_work_report_reliefs_release(struct hc_work_report_reliefs *r)
{
    for (size_t i = 0; i < HC_REPORT_MAX_RELIEFS; i++) {
        if (r->own[i]) {
            hc_mem_free(r->own[i]->rgb);
        }
        hc_mem_free(r->own[i]);
    }
    json_decref(r->doc);
    memset(r, 0, sizeof *r);
}
