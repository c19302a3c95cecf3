// Everything at a spot: one patch in every view, with the forecast and what it rests on.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "num/filter.h"
#include "num/stats.h"
#include "work/work_forecast_priv.h"
#include "work/work_relief_priv.h"

#define SHOWN_SHARE 0.5 // of the patch; our own choice

// Accumulated mean and spread of the pixels chosen.
struct tally {
    double sum[3], sq[3];
    size_t n;
};

static void tally_add(struct tally *t, const double v[3])
{
    for (int c = 0; c < 3; c++) {
        t->sum[c] += v[c];
        t->sq[c] += v[c] * v[c];
    }
    t->n++;
}

static double tally_mean(const struct tally *t, int c)
{
    return t->n ? t->sum[c] / (double)t->n : (double)NAN;
}

static double tally_sd(const struct tally *t, int c)
{
    double m = tally_mean(t, c);
    return t->n > 1 ? sqrt(fmax(0, t->sq[c] / (double)t->n - m * m)) : 0;
}

static void json_triple(struct hc_buf *b, const char *key, const double v[3])
{
    hc_json_key(b, key);
    hc_json_arr(b);
    for (int c = 0; c < 3; c++) {
        hc_json_num(b, v[c]);
    }
    hc_json_end_arr(b);
}

// Lab of the mean light (what the eye sees of the patch), and the spread of the pixels' Lab.
static void json_lab(struct hc_buf *b, const struct tally *lin, const struct tally *lab)
{
    double mean[3], out[3], sd[3];
    for (int c = 0; c < 3; c++) {
        mean[c] = tally_mean(lin, c);
        sd[c] = tally_sd(lab, c);
    }
    hc_colour_lin_to_lab_d50(out, mean);
    json_triple(b, "lab", out);
    json_triple(b, "sd", sd);
    hc_json_kint(b, "n", (int64_t)lin->n);
}

hc_status hc_work_spot_rect(const struct hc_painting *p, double x, double y, double mm,
                            struct hc_work_rect *at, struct hc_err *err)
{
    double half = mm / hc_work_mm_per_px(p) / 2;
    if (!(x >= 0 && x < p->frame_w && y >= 0 && y < p->frame_h)) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                          "the spot %.1f, %.1f lies outside the frame of %d x %d px", x, y,
                          p->frame_w, p->frame_h);
    }
    if (!(mm >= 0.1 && mm <= 200)) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM, "a spot of %g mm; give 0.1 to 200 mm", mm);
    }
    at->x0 = (int)fmax(0, floor(x - half));
    at->y0 = (int)fmax(0, floor(y - half));
    at->w = (int)fmin(p->frame_w, fmax(floor(x) + 1, ceil(x + half))) - at->x0;
    at->h = (int)fmin(p->frame_h, fmax(floor(y) + 1, ceil(y + half))) - at->y0;
    return HC_OK;
}

static void release3(struct hc_plane p[3])
{
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&p[c]);
    }
}

// Adds every pixel (where mask, when given, is above 0.5) to both tallies.
static void tally_planes(struct tally *lin, struct tally *lab, const struct hc_plane *bands, int n,
                         double factor, const struct hc_plane *mask)
{
    for (int y = 0; y < bands[0].h; y++) {
        for (int x = 0; x < bands[0].w; x++) {
            double v[3] = {0}, l[3];
            if (mask && hc_plane_get(mask, x, y) < 0.5f) {
                continue;
            }
            for (int c = 0; c < n; c++) {
                v[c] = factor * (double)hc_plane_get(&bands[c], x, y);
            }
            tally_add(lin, v);
            if (n == 3) {
                hc_colour_lin_to_lab_d50(l, v);
                tally_add(lab, l);
            }
        }
    }
}

// The patch of one view: its pixels, on its own grid, and which of them it shows.
struct part {
    struct hc_plane bands[3], mask;
    int n; // bands
    double shown_share, px_per_frame;
};

static void part_release(struct part *t)
{
    release3(t->bands);
    hc_plane_release(&t->mask);
}

static struct hc_work_rect clipped(double x0, double y0, double x1, double y1,
                                   const struct hc_raster *r)
{
    struct hc_work_rect at = {(int)fmax(0, floor(x0)), (int)fmax(0, floor(y0)), 0, 0};
    at.w = (int)fmin(hc_raster_w(r), ceil(x1)) - at.x0;
    at.h = (int)fmin(hc_raster_h(r), ceil(y1)) - at.y0;
    return at;
}

// What lies outside the view's outline is not data, though its raster has pixels there.
static hc_status part_mask(struct part *t, struct hc_work_rect at, double m,
                           const struct hc_work_place *place, double cells, struct hc_err *err)
{
    struct hc_pt outline[4];
    size_t n = (size_t)at.w * (size_t)at.h;
    hc_status st = hc_plane_create(&t->mask, at.w, at.h, err);
    if (st == HC_OK && place->has_outline) {
        for (int i = 0; i < 4; i++) {
            outline[i] = (struct hc_pt){(place->outline[i].x - place->grid.x0) * m,
                                        (place->outline[i].y - place->grid.y0) * m};
        }
        n = hc_poly_mask(&t->mask, at.x0, at.y0, outline, 4);
    } else if (st == HC_OK) {
        hc_plane_fill(&t->mask, 1.0f);
    }
    t->shown_share = fmin(1, (double)n / cells);
    return st;
}

// Empty (shown_share 0) when the view does not reach the spot.
static hc_status part_read(struct hc_work *w, const struct hc_view *v, struct hc_work_rect spot,
                           const struct hc_work_place *place, struct part *t, struct hc_err *err)
{
    struct hc_raster *r = NULL;
    struct hc_work_rect at = spot;
    double m = place->is_detail ? place->grid.magnification : 1;
    double x0 = (spot.x0 - place->grid.x0) * m, y0 = (spot.y0 - place->grid.y0) * m;
    hc_status st = hc_work_open_placed(w, v, &r, err);
    if (st == HC_OK) {
        at = clipped(x0, y0, x0 + spot.w * m, y0 + spot.h * m, r);
        t->n = hc_raster_bands(r);
        t->px_per_frame = m;
    }
    if (st == HC_OK && at.w > 0 && at.h > 0) {
        st = part_mask(t, at, m, place, spot.w * m * spot.h * m, err);
        st = st == HC_OK ? hc_work_read_rect(r, at, t->bands, err) : st;
    }
    hc_raster_close(r);
    return st;
}

static void spot_compare(struct hc_buf *b, const struct hc_view *v,
                         const struct hc_work_place *place, struct hc_work_rect at, double mm)
{
    struct hc_work_compare c;
    struct hc_pt middle = {at.x0 + at.w / 2.0, at.y0 + at.h / 2.0};
    hc_work_compare(&c, v, place, mm);
    enum hc_work_support support = hc_work_place_support(place, middle);
    if (support != HC_WORK_NEAR) {
        size_t n = strlen(c.note);
        c.is_comparable = c.is_comparable && support == HC_WORK_BETWEEN;
        snprintf(c.note + n, sizeof c.note - n, "%splacement is %s here", n ? "; " : "",
                 support == HC_WORK_BETWEEN ? "interpolated" : "extrapolated");
    }
    hc_json_kbool(b, "comparable", c.is_comparable);
    hc_json_kstr(b, "compare_note", c.note);
}

static void view_json(struct hc_buf *b, const struct hc_view *v, const struct hc_work_place *place,
                      const struct part *t, struct hc_work_rect at, double mm)
{
    struct tally lin = {0}, lab = {0};
    double finest = place->is_detail ? fmin(t->px_per_frame, place->view_per_frame) : 1;
    tally_planes(&lin, &lab, t->bands, t->n, v->exposure_factor, &t->mask);
    hc_json_obj(b);
    hc_json_kint(b, "id", v->id);
    hc_json_kstr(b, "label", v->label);
    hc_json_kstr(b, "technique", v->technique);
    hc_json_kstr(b, "state", v->state);
    hc_json_kbool(b, "is_detail", place->is_detail);
    hc_json_knum(b, "px_per_mm", finest / mm);
    hc_json_knum(b, "shown_share", t->shown_share);
    spot_compare(b, v, place, at, mm);
    hc_json_key(b, "mean");
    hc_json_arr(b);
    for (int c = 0; c < t->n; c++) {
        hc_json_num(b, tally_mean(&lin, c));
    }
    hc_json_end_arr(b);
    if (t->n == 3 && strcmp(v->technique, "normal") == 0) {
        json_lab(b, &lin, &lab);
    } else {
        hc_json_key(b, "lab");
        hc_json_null(b);
        hc_json_kint(b, "n", (int64_t)lin.n);
    }
    hc_json_end_obj(b);
}

// A view that does not show at least half of the patch is left out.
static hc_status spot_view(struct hc_work *w, const struct hc_view *v, struct hc_work_rect at,
                           double mm, struct hc_buf *b, struct hc_err *err)
{
    struct part t = {0};
    struct hc_work_place place = {0};
    hc_status st = hc_work_place_read(&place, v, err);
    st = st == HC_OK ? part_read(w, v, at, &place, &t, err) : st;
    if (st == HC_OK && t.shown_share >= SHOWN_SHARE) {
        view_json(b, v, &place, &t, at, mm);
    }
    part_release(&t);
    hc_work_place_release(&place);
    return st;
}

static hc_status spot_before(struct hc_work *w, const struct hc_painting *p, struct hc_work_rect at,
                             struct hc_buf *b, struct hc_err *err)
{
    struct hc_view v = {0};
    struct hc_raster *r = NULL;
    struct hc_plane bands[3] = {{0}};
    struct tally lin = {0}, lab = {0};
    hc_status st = hc_store_view_by_id(w->store, p->frame_view, &v, err);
    st = st == HC_OK ? hc_work_open_placed(w, &v, &r, err) : st;
    st = st == HC_OK ? hc_work_read_rect(r, at, bands, err) : st;
    if (st == HC_OK) {
        tally_planes(&lin, &lab, bands, 3, 1, NULL);
        hc_json_key(b, "before");
        hc_json_obj(b);
        json_lab(b, &lin, &lab);
        hc_json_end_obj(b);
    }
    release3(bands);
    hc_raster_close(r);
    hc_view_release(&v);
    return st;
}

// Of the pixels of a patch, those inside a polygon of the frame.
static void keep_inside(struct part *t, struct hc_work_rect at, const struct hc_work_place *place,
                        const struct hc_pt *pt, size_t n)
{
    double m = t->px_per_frame, x0 = fmax(at.x0, place->grid.x0), y0 = fmax(at.y0, place->grid.y0);
    for (int y = 0; y < t->mask.h; y++) {
        for (int x = 0; x < t->mask.w; x++) {
            struct hc_pt q = {x0 + (x + 0.5) / m, y0 + (y + 0.5) / m};
            if (!hc_poly_has(pt, n, q)) {
                hc_plane_row(&t->mask, y)[x] = 0.0f;
            }
        }
    }
}

// The cleaned colour, where the patch meets a window and the test view shows it.
static hc_status spot_after(struct hc_work *w, struct hc_work_rect at, struct hc_buf *b,
                            struct hc_err *err)
{
    struct hc_window_list l = {0};
    const struct hc_window *hit = NULL;
    struct hc_pt *outline = NULL;
    struct hc_view test = {0};
    struct hc_work_place place = {0};
    struct part t = {0};
    struct tally lin = {0}, lab = {0};
    size_t n = 0;
    hc_status st = hc_store_windows(w->store, &l, err);
    for (size_t i = 0; st == HC_OK && i < l.n && !hit; i++) {
        struct hc_plane mask = {0};
        st = hc_plane_create(&mask, at.w, at.h, err);
        st = st == HC_OK ? hc_work_poly_parse(&outline, &n, l.w[i].polygon, err) : st;
        if (st == HC_OK && hc_poly_mask(&mask, at.x0, at.y0, outline, n) > 0) {
            hit = &l.w[i];
        } else {
            hc_mem_free(outline);
            outline = NULL;
        }
        hc_plane_release(&mask);
    }
    if (st == HC_OK && hit) {
        st = hc_store_view_by_id(w->store, hit->test_view, &test, err);
        st = st == HC_OK ? hc_work_place_read(&place, &test, err) : st;
    }
    hc_json_key(b, "after");
    if (st == HC_OK && hit && hc_work_is_placed(&test)) {
        st = part_read(w, &test, at, &place, &t, err);
        if (st == HC_OK && t.mask.px) {
            keep_inside(&t, at, &place, outline, n);
            tally_planes(&lin, &lab, t.bands, 3, test.exposure_factor, &t.mask);
        }
    }
    if (st == HC_OK && lin.n) {
        hc_json_obj(b);
        json_lab(b, &lin, &lab);
        hc_json_kstr(b, "window", hit->label);
        hc_json_kstr(b, "surface", hit->surface);
        hc_json_end_obj(b);
    } else {
        hc_json_null(b);
    }
    hc_json_kstr(b, "window", hit ? hit->label : NULL);
    part_release(&t);
    hc_work_place_release(&place);
    hc_mem_free(outline);
    hc_view_release(&test);
    hc_window_list_release(&l);
    return st;
}

struct spot_layers {
    struct hc_plane look[3], radius, coat, reason;
};

static hc_status read_layers(struct hc_work *w, struct hc_work_rect at, struct spot_layers *s,
                             struct hc_err *err)
{
    struct hc_plane *dst[HC_WORK_LAYERS] = {s->look, &s->radius, &s->coat, &s->reason};
    hc_status st = HC_OK;
    for (int k = 0; st == HC_OK && k < HC_WORK_LAYERS; k++) {
        struct hc_raster *r = NULL;
        st = hc_work_open_layer(w, (enum hc_work_layer)k, &r, err);
        st = st == HC_OK ? hc_work_read_rect(r, at, dst[k], err) : st;
        hc_raster_close(r);
    }
    return st;
}

static void layers_release(struct spot_layers *s)
{
    release3(s->look);
    hc_plane_release(&s->radius);
    hc_plane_release(&s->coat);
    hc_plane_release(&s->reason);
}

static void forecast_json(struct hc_buf *b, struct spot_layers *s)
{
    struct tally lin = {0}, lab = {0}, coat = {0};
    size_t count[HC_REFUSAL_COUNT] = {0}, total = 0, refused, n = 0;
    int worst = 0;
    float *radius = s->radius.px;
    for (int y = 0; y < s->reason.h; y++) {
        for (int x = 0; x < s->reason.w; x++) {
            int code = (int)hc_plane_get(&s->reason, x, y);
            double d[3] = {(double)hc_plane_get(&s->coat, x, y), 0, 0};
            count[code >= 0 && code < HC_REFUSAL_COUNT ? code : 0]++;
            total++;
            tally_add(&coat, d);
            // From here on, 1 = a forecast is given; the radii of those pixels move to the front.
            hc_plane_row(&s->reason, y)[x] = code == 0 ? 1.0f : 0.0f;
            if (code == 0) {
                radius[n++] = hc_plane_get(&s->radius, x, y);
            }
        }
    }
    for (int k = 1; k < HC_REFUSAL_COUNT; k++) {
        worst = count[k] > (worst ? count[worst] : 0) ? k : worst;
    }
    refused = total - count[0];
    hc_json_obj(b);
    if (count[0]) {
        tally_planes(&lin, &lab, s->look, 3, 1, &s->reason);
        json_lab(b, &lin, &lab);
        hc_json_knum(b, "radius", (double)hc_stats_quantile_f(radius, n, 0.5));
    } else {
        hc_json_key(b, "lab");
        hc_json_null(b);
        hc_json_key(b, "radius");
        hc_json_null(b);
    }
    hc_json_knum(b, "coat", tally_mean(&coat, 0));
    hc_json_knum(b, "refused_share", total ? (double)refused / (double)total : 0);
    hc_json_kint(b, "reason_code", worst);
    hc_json_kstr(b, "reason", worst ? hc_refusal_text((enum hc_refusal)worst) : NULL);
    hc_json_end_obj(b);
}

static hc_status spot_forecast(struct hc_work *w, struct hc_work_rect at, struct hc_buf *b,
                               struct hc_err *err)
{
    struct spot_layers s = {0};
    struct hc_err why = {0};
    hc_status st = read_layers(w, at, &s, &why);
    hc_json_key(b, "forecast");
    if (st == HC_OK) {
        forecast_json(b, &s);
    } else {
        hc_json_null(b); // none computed, or its rasters were cleared: the page says how to get one
    }
    layers_release(&s);
    if (st != HC_OK && st != HC_ENOTFOUND) {
        if (err) {
            *err = why;
        }
        return st;
    }
    return HC_OK;
}

static hc_status spot_zones(struct hc_work *w, double x, double y, struct hc_buf *b,
                            struct hc_err *err)
{
    struct hc_zone_list l = {0};
    hc_status st = hc_store_zones(w->store, &l, err);
    hc_json_key(b, "zones");
    hc_json_arr(b);
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        struct hc_pt *pt = NULL;
        size_t n = 0;
        st = hc_work_poly_parse(&pt, &n, l.z[i].polygon, err);
        if (st == HC_OK && hc_poly_has(pt, n, (struct hc_pt){x, y})) {
            hc_json_obj(b);
            hc_json_kint(b, "id", l.z[i].id);
            hc_json_kstr(b, "kind", l.z[i].kind);
            hc_json_kstr(b, "label", l.z[i].label);
            hc_json_end_obj(b);
        }
        hc_mem_free(pt);
    }
    hc_json_end_arr(b);
    hc_zone_list_release(&l);
    return st;
}

hc_status hc_work_spot(struct hc_work *w, double x, double y, double mm, struct hc_buf *b,
                       struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view_list l = {0};
    struct hc_work_rect at = {0};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_work_spot_rect(&p, x, y, mm, &at, err) : st;
    st = st == HC_OK ? hc_store_views(w->store, &l, err) : st;
    if (st == HC_OK) {
        hc_json_obj(b);
        hc_json_knum(b, "x", x);
        hc_json_knum(b, "y", y);
        hc_json_knum(b, "mm", mm);
        hc_json_kint(b, "px", at.w > at.h ? at.w : at.h);
        hc_json_key(b, "views");
        hc_json_arr(b);
    }
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        st = hc_work_is_placed(&l.v[i]) ? spot_view(w, &l.v[i], at, hc_work_mm_per_px(&p), b, err)
                                        : st;
    }
    if (st == HC_OK) {
        hc_json_end_arr(b);
        st = spot_before(w, &p, at, b, err);
    }
    st = st == HC_OK ? spot_after(w, at, b, err) : st;
    st = st == HC_OK ? spot_forecast(w, at, b, err) : st;
    st = st == HC_OK ? spot_zones(w, x, y, b, err) : st;
    st = st == HC_OK ? hc_work_spot_relief(w, &l, at, b, err) : st;
    if (st == HC_OK) {
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
    }
    hc_view_list_release(&l);
    hc_painting_release(&p);
    return st;
}
