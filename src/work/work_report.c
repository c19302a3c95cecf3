// The printed report: gathers pictures and figures, hands them to the report room.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "report/report.h"
#include "work/work_forecast_priv.h"
#include "work/work_report_priv.h"

#define PICTURE_SIDE 1500 // px on the longest side: 300 dpi at about 125 mm
#define LINE_TILT 0.22    // the half-clean line leans by this share of the width

// What people need to be told wherever cleaning is proposed (common practice of the trade; the
// product's own wording).
static const char *const cautions[] = {
    "This is a forecast, not a finding. Tests on the object overrule it. A qualified conservator "
    "decides.",
    "Solvents: work with local extraction, away from ignition sources, with gloves and eye "
    "protection "
    "chosen for the solvent. Safety data sheets and local law come first.",
    "Stop when the swab shows colour, when a passage softens or blanches, or when lifting paint is "
    "seen: "
    "stop, and consolidate before going on.",
    "UV lamps harm eyes and skin: wear UV-blocking eye and face protection, and limit the object's "
    "dose.",
    "Old paint and its dust may hold lead, mercury or arsenic: no dry sanding, no bare hands, and "
    "waste "
    "handled as local codes require."};

// Text built for the report, kept until the PDF is written.
struct desk {
    struct hc_buf text[640];
    size_t n_text;
    struct hc_report_row fact[16], figure[16], provenance[128];
    size_t n_fact, n_figure, n_provenance;
    struct hc_report_window_row *window;
    size_t n_window;
    struct hc_report_refusal_row refusal[HC_REFUSAL_COUNT];
    size_t n_refusal;
    uint8_t *before, *halfclean, *map;
    int w, h;
    json_t *forecast, *windows, *views;
    struct hc_work_report_reliefs reliefs;
    struct hc_painting p;
};

static void desk_release(struct desk *d)
{
    for (size_t i = 0; i < d->n_text; i++) {
        hc_buf_release(&d->text[i]);
    }
    hc_mem_free(d->window);
    hc_mem_free(d->before);
    hc_mem_free(d->halfclean);
    hc_mem_free(d->map);
    hc_work_report_reliefs_release(&d->reliefs);
    json_decref(d->forecast);
    json_decref(d->windows);
    json_decref(d->views);
    hc_painting_release(&d->p);
}

__attribute__((format(printf, 2, 3))) static const char *say(struct desk *d, const char *fmt, ...)
{
    char text[600];
    va_list ap;
    va_start(ap, fmt);
    vsnprintf(text, sizeof text, fmt, ap);
    va_end(ap);
    hc_assert(d->n_text < sizeof d->text / sizeof d->text[0]);
    hc_buf_str(&d->text[d->n_text], text);
    return hc_buf_text(&d->text[d->n_text++]);
}

static void put(struct hc_report_row *rows, size_t *n, size_t room, const char *label,
                const char *value, const char *note)
{
    if (*n < room && value && *value) {
        rows[(*n)++] = (struct hc_report_row){label, value, note};
    }
}

#define PUT(d, list, label, value, note)                                                           \
    put((d)->list, &(d)->n_##list, sizeof(d)->list / sizeof(d)->list[0], label, value, note)

// ---- pictures ----
static hc_status overview(struct hc_raster *r, struct hc_plane *bands, struct hc_job *job,
                          struct hc_err *err)
{
    int factor;
    return hc_raster_overview(r, PICTURE_SIDE, bands, &factor, job, err);
}

static hc_status to_srgb(uint8_t **out, const struct hc_plane *p, struct hc_err *err)
{
    int w = p[0].w, h = p[0].h;
    *out = hc_mem_array((size_t)w * (size_t)h, 3);
    if (!*out) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the report's pictures");
    }
    for (int y = 0; y < h; y++) {
        const float *row[3] = {hc_plane_row(&p[0], y), hc_plane_row(&p[1], y),
                               hc_plane_row(&p[2], y)};
        hc_colour_srgb8_row(*out + (size_t)y * (size_t)w * 3, row, (size_t)w);
    }
    return HC_OK;
}

static void paint(uint8_t *px, uint8_t v)
{
    px[0] = px[1] = px[2] = v;
}

// Diagonal double stroke, light beside dark, so that it reads on any picture.
static void hatch(uint8_t *px, int x, int y)
{
    int k = (x + y) % 14;
    if (k < 2) {
        paint(px, 235);
    } else if (k < 4) {
        paint(px, 40);
    }
}

// The pair across a leaning line: before on its left, the forecast on its right, refusals hatched.
static void compose(struct desk *d, const uint8_t *look, const struct hc_plane *refusal)
{
    for (int y = 0; y < d->h; y++) {
        double line = d->w * (0.5 + LINE_TILT * (0.5 - (y + 0.5) / d->h));
        for (int x = 0; x < d->w; x++) {
            size_t at = ((size_t)y * (size_t)d->w + (size_t)x) * 3;
            uint8_t *px = d->halfclean + at;
            if (x + 0.5 > line) {
                memcpy(px, look + at, 3);
                if (hc_plane_get(refusal, x, y) > 0.5f) {
                    hatch(px, x, y);
                }
            }
            if (fabs(x + 0.5 - line) < 2) {
                paint(px, fabs(x + 0.5 - line) < 1 ? 245 : 30);
            }
        }
    }
}

// The radius as a grey veil over the picture's own lightness, refusals hatched.
static void compose_map(struct desk *d, const struct hc_plane *radius,
                        const struct hc_plane *refusal)
{
    for (int y = 0; y < d->h; y++) {
        for (int x = 0; x < d->w; x++) {
            uint8_t *px = d->map + ((size_t)y * (size_t)d->w + (size_t)x) * 3;
            double grey = (px[0] + 2 * px[1] + px[2]) / 4.0;
            double t = (double)hc_plane_get(radius, x, y) / (double)HC_WORK_RADIUS_HI;
            t = t > 1 ? 1 : t;
            paint(px, (uint8_t)(grey * 0.35 + 40 + t * 120));
            if (hc_plane_get(refusal, x, y) > 0.5f) {
                hatch(px, x, y);
            }
        }
    }
}

static hc_status load_pictures(struct hc_work *w, struct desk *d, struct hc_job *job,
                               struct hc_err *err)
{
    struct hc_view v = {0};
    struct hc_raster *r = NULL, *layer[HC_WORK_LAYERS] = {0};
    struct hc_plane before[3] = {{0}}, look[3] = {{0}}, radius = {0}, refusal = {0};
    uint8_t *look8 = NULL;
    size_t bytes;
    hc_status st = hc_store_view_by_id(w->store, d->p.frame_view, &v, err);
    st = st == HC_OK ? hc_work_open_placed(w, &v, &r, err) : st;
    st = st == HC_OK ? overview(r, before, job, err) : st;
    for (int k = 0; st == HC_OK && k < HC_WORK_LAYERS; k++) {
        st = hc_work_open_layer(w, (enum hc_work_layer)k, &layer[k], err);
    }
    st = st == HC_OK ? overview(layer[HC_WORK_LOOK], look, job, err) : st;
    st = st == HC_OK ? overview(layer[HC_WORK_RADIUS], &radius, job, err) : st;
    st = st == HC_OK ? overview(layer[HC_WORK_REFUSAL], &refusal, job, err) : st;
    st = st == HC_OK ? to_srgb(&d->before, before, err) : st;
    st = st == HC_OK ? to_srgb(&look8, look, err) : st;
    if (st == HC_OK) {
        d->w = before[0].w;
        d->h = before[0].h;
        bytes = (size_t)d->w * (size_t)d->h * 3;
        d->halfclean = hc_mem_alloc(bytes);
        d->map = hc_mem_alloc(bytes);
        if (!d->halfclean || !d->map) {
            st =
                hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the report's pictures");
        } else {
            memcpy(d->halfclean, d->before, bytes);
            memcpy(d->map, d->before, bytes);
            compose(d, look8, &refusal);
            compose_map(d, &radius, &refusal);
        }
    }
    hc_mem_free(look8);
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&before[c]);
        hc_plane_release(&look[c]);
    }
    hc_plane_release(&radius);
    hc_plane_release(&refusal);
    for (int k = 0; k < HC_WORK_LAYERS; k++) {
        hc_raster_close(layer[k]);
    }
    hc_raster_close(r);
    hc_view_release(&v);
    return st;
}

// ---- text ----

// The verdict in words, and the residual in px and mm.
static const char *placement(struct desk *d, const json_t *fit)
{
    double px = hc_work_json_number(fit, "held_out_p95_px");
    const char *word = hc_work_verdict_word(hc_work_json_text(fit, "verdict"));
    if (strcmp(hc_work_json_text(fit, "verdict"), "refused") == 0) {
        return say(d, "%s", word);
    }
    return isfinite(px) ? say(d, "%s, 95 %% within about %.2f px = %.2f mm", word, px,
                              hc_work_json_number(fit, "held_out_p95_mm"))
                        : say(d, "%s, residual not known", word);
}

// One row for every view but the reference.
static void placements(struct desk *d)
{
    const json_t *list = json_object_get(d->views, "views");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *v = json_array_get(list, i), *fit = json_object_get(v, "fit");
        const char *verdict = hc_work_json_text(fit, "verdict"),
                   *note = hc_work_json_text(fit, "compare_note");
        if (strcmp(verdict, "reference") == 0) {
            continue;
        }
        PUT(d, provenance, say(d, "Placement of %s", hc_work_json_text(v, "label")),
            strcmp(verdict, "none") == 0 ? "not placed" : placement(d, fit),
            strcmp(verdict, "refused") == 0                   ? hc_work_json_text(fit, "why")
            : strcmp(verdict, "none") == 0                    ? NULL
            : *note                                           ? note
            : json_is_true(json_object_get(fit, "is_detail")) ? "a detail"
                                                              : NULL);
    }
}

static void facts(struct desk *d)
{
    const struct hc_painting *p = &d->p;
    const json_t *list = json_object_get(d->views, "views");
    PUT(d, fact, "Maker", p->maker, NULL);
    PUT(d, fact, "Date", p->date, NULL);
    PUT(d, fact, "Support", p->support, NULL);
    PUT(d, fact, "Size (height x width)", say(d, "%g x %g mm", p->height_mm, p->width_mm), NULL);
    PUT(d, fact, "Inventory", p->inventory, NULL);
    PUT(d, fact, "Owner", p->owner, NULL);
    PUT(d, fact, "Frame", say(d, "%d x %d px", p->frame_w, p->frame_h),
        say(d, "%.3f mm per px", hc_work_mm_per_px(p)));
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *v = json_array_get(list, i), *fit = json_object_get(v, "fit");
        if (json_is_true(json_object_get(v, "profile_assumed")) &&
            strcmp(hc_work_json_text(v, "technique"), "normal") == 0) {
            PUT(d, fact, say(d, "Colour of %s", hc_work_json_text(v, "label")),
                "profile assumed: sRGB", "no colour profile in the file");
        }
        if (json_is_object(json_object_get(v, "calibration"))) {
            const json_t *c = json_object_get(v, "calibration");
            PUT(d, fact, say(d, "Colour of %s", hc_work_json_text(v, "label")),
                say(d, "calibrated %.10s%s%s", hc_work_json_text(c, "made_at"),
                    json_is_true(json_object_get(c, "inherited")) ? ", inherited from " : "",
                    json_is_true(json_object_get(c, "inherited"))
                        ? hc_work_json_text(c, "from_label")
                        : ""),
                say(d, "patches left out: %.2f CIEDE2000 (mean)", hc_work_json_number(c, "mean")));
        }
        if (strcmp(hc_work_json_text(v, "state"), "test") == 0) {
            PUT(d, fact, say(d, "Placement of %s", hc_work_json_text(v, "label")),
                placement(d, fit),
                say(d, "exposure x %.3f", hc_work_json_number(fit, "exposure_factor")));
        }
    }
}

static void figures(struct desk *d)
{
    const json_t *f = d->forecast, *radius = json_object_get(f, "radius"),
                 *model = json_object_get(f, "coat_model");
    const char *uv_note = hc_work_json_text(f, "uv_note");
    PUT(d, figure, "Estimator", hc_work_json_text(f, "estimator"), "chosen by leaving windows out");
    PUT(d, figure, "Error on left-out windows",
        say(d, "%.1f CIEDE2000", hc_work_json_number(f, "left_out_de")),
        say(d, "doing nothing: %.1f", hc_work_json_number(f, "nothing_de")));
    PUT(d, figure, "Radius (90 %), median",
        say(d, "%.1f CIEDE2000", hc_work_json_number(radius, "median")),
        say(d, "95 %% of the area: below %.1f", hc_work_json_number(radius, "p95")));
    PUT(d, figure, "State forecast", hc_work_json_text(f, "surface"), "surface of the windows");
    PUT(d, figure, "UV view",
        *uv_note                                      ? "left aside"
        : !json_is_true(json_object_get(f, "has_uv")) ? "none"
        : json_is_true(json_object_get(f, "uv_used")) ? "used for the coat, and to find later paint"
                                                      : "used to find later paint only",
        json_is_true(json_object_get(f, "has_uv"))
            ? say(d, "gain on left-out windows: %+.2f", hc_work_json_number(f, "uv_gain"))
        : *uv_note ? uv_note
                   : "one effective coat and kriging");
    PUT(d, figure, "Coat: yellowing slope",
        say(d, "%.0f nm", hc_work_json_number(model, "slope_nm")), "fitted to the windows");
    PUT(d, figure, "Coat: haze", say(d, "%.3f", hc_work_json_number(model, "haze")),
        "scattering at 550 nm");
}

static hc_status tables(struct desk *d, struct hc_err *err)
{
    const json_t *list = json_object_get(d->windows, "windows"),
                 *r = json_object_get(d->forecast, "refused");
    d->window = hc_mem_array(json_array_size(list) + 1, sizeof *d->window);
    if (!d->window) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the windows table");
    }
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *x = json_array_get(list, i), *f = json_object_get(x, "forecast");
        d->window[d->n_window++] = (struct hc_report_window_row){
            hc_work_json_text(x, "label"),         hc_work_json_text(x, "surface"),
            hc_work_json_text(x, "system"),        hc_work_json_number(x, "area_mm2"),
            hc_work_json_number(f, "lightness"),   hc_work_json_number(f, "nothing_de"),
            hc_work_json_number(f, "left_out_de"), hc_work_json_number(f, "coat")};
    }
    for (size_t i = 0; i < json_array_size(r) && d->n_refusal < HC_REFUSAL_COUNT; i++) {
        const json_t *x = json_array_get(r, i);
        d->refusal[d->n_refusal++] = (struct hc_report_refusal_row){
            (int)json_integer_value(json_object_get(x, "code")), hc_work_json_number(x, "share"),
            hc_work_json_text(x, "reason")};
    }
    return HC_OK;
}

static void provenance(struct desk *d)
{
    const json_t *list = json_object_get(d->forecast, "inputs");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *x = json_array_get(list, i);
        PUT(d, provenance, hc_work_json_text(x, "view"),
            say(d, "sha256 %.16s...", hc_work_json_text(x, "sha256")),
            say(d, "profile: %s", hc_work_json_text(x, "profile")));
    }
    PUT(d, provenance, "Computed", hc_work_json_text(d->forecast, "made_at"),
        hc_work_json_text(d->forecast, "program"));
    PUT(d, provenance, "Basis", hc_work_json_text(d->forecast, "basis"),
        "changes with views, placement, windows, zones");
}

static hc_status load_documents(struct hc_work *w, struct desk *d, struct hc_err *err)
{
    struct hc_buf b[3] = {{0}};
    json_t **to[3] = {&d->forecast, &d->windows, &d->views};
    hc_status st = hc_work_framed(w, &d->p, err);
    st = st == HC_OK ? hc_work_forecast_get(w, &b[0], err) : st;
    st = st == HC_OK ? hc_work_windows(w, &b[1], err) : st;
    st = st == HC_OK ? hc_work_views(w, &b[2], err) : st;
    for (int i = 0; i < 3; i++) {
        st = st == HC_OK ? hc_work_json_load(to[i], hc_buf_text(&b[i]), "a document", err) : st;
        hc_buf_release(&b[i]);
    }
    if (st == HC_OK && json_is_true(json_object_get(d->forecast, "is_stale"))) {
        st = hc_err_set(
            err, HC_ECONFLICT, HC_WORK_ROOM,
            "views, windows or zones have changed since the forecast: compute it again first");
    }
    return st;
}

static hc_status write_pdf(const char *path, struct desk *d, struct hc_err *err)
{
    const json_t *next = json_object_get(d->forecast, "next_window");
    const struct hc_painting *p = &d->p;
    struct hc_report_forecast r = {
        .title = p->title,
        .subtitle = say(d, "Forecast of removing this coat, before treatment"),
        .made_at = hc_work_json_text(d->forecast, "made_at"),
        .program = hc_work_json_text(d->forecast, "program"),
        .before = {d->before, d->w, d->h, "Before treatment"},
        .halfclean =
            {d->halfclean, d->w, d->h,
             "Half-clean: before on the left, predicted look on the right; hatched: refused"},
        .map = {d->map, d->w, d->h,
                "Lighter grey: larger radius (0 to 12 CIEDE2000); hatched: refused"},
        .fact = d->fact,
        .n_facts = d->n_fact,
        .figure = d->figure,
        .n_figures = d->n_figure,
        .window = d->window,
        .n_windows = d->n_window,
        .refusal = d->refusal,
        .n_refusals = d->n_refusal,
        .relief = d->reliefs.relief,
        .n_reliefs = d->reliefs.n,
        .provenance = d->provenance,
        .n_provenance = d->n_provenance,
        .next_window = json_is_object(next)
                           ? say(d, "At x %.0f, y %.0f px: %s", hc_work_json_number(next, "x"),
                                 hc_work_json_number(next, "y"), hc_work_json_text(next, "why"))
                           : NULL,
        .caveat = hc_work_json_text(d->forecast, "caveat"),
        .caution = cautions,
        .n_cautions = sizeof cautions / sizeof cautions[0]};
    for (size_t i = 0; i < d->n_text; i++) {
        hc_status st = hc_buf_check(&d->text[i], err);
        if (st != HC_OK) {
            return st;
        }
    }
    return hc_report_forecast_pdf(path, &r, err);
}

hc_status hc_work_report(struct hc_work *w, const char *path, struct hc_job *job,
                         struct hc_err *err)
{
    struct desk *d = hc_mem_array(1, sizeof *d);
    hc_status st;
    if (!d) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the report");
    }
    st = load_documents(w, d, err);
    st = st == HC_OK ? load_pictures(w, d, job, err) : st;
    st = st == HC_OK ? hc_work_report_reliefs(&d->reliefs, w, job, err) : st;
    if (st == HC_OK) {
        facts(d);
        figures(d);
        provenance(d);
        placements(d);
        st = tables(d, err);
    }
    st = st == HC_OK ? write_pdf(path, d, err) : st;
    desk_release(d);
    hc_mem_free(d);
    return st;
}
