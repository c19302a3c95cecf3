// Small square pictures: of a spot in the frame, and of a place in a view's own pixels.
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "num/filter.h"
#include "work/work_forecast_priv.h"

#define GREY 0.18f // linear light of what a picture does not show: a mid grey

struct source {
    struct hc_raster *r;
    float lo, hi;               // of a one-band source
    double factor;              // exposure
    struct hc_work_place place; // of a view
};

static void source_release(struct source *s)
{
    hc_raster_close(s->r);
    hc_work_place_release(&s->place);
}

static hc_status view_source(struct hc_work *w, const char *name, bool is_own, struct source *s,
                             struct hc_err *err)
{
    struct hc_view v = {0};
    struct hc_work_display d = {.hi = 1};
    hc_status st = hc_store_view_by_name(w->store, name, &v, err);
    if (st == HC_OK) {
        st = is_own ? hc_work_open_own(w, &v, &s->r, err) : hc_work_open_placed(w, &v, &s->r, err);
    }
    st = st == HC_OK ? hc_work_place_read(&s->place, &v, err) : st;
    if (st == HC_OK) {
        hc_ignore(hc_work_display_get(w, v.id, &d, NULL));
        s->lo = d.lo;
        s->hi = d.hi > d.lo ? d.hi : d.lo + 1;
        s->factor = !is_own && v.exposure_factor > 0 ? v.exposure_factor : 1;
    }
    hc_view_release(&v);
    return st;
}

static hc_status patch_source(struct hc_work *w, const char *what, struct source *s,
                              struct hc_err *err)
{
    static const struct {
        const char *name;
        enum hc_work_layer layer;
        float hi;
    } layers[] = {{"forecast", HC_WORK_LOOK, 1},
                  {"radius", HC_WORK_RADIUS, HC_WORK_RADIUS_HI},
                  {"coat", HC_WORK_COAT, HC_WORK_COAT_HI}};
    for (size_t i = 0; i < sizeof layers / sizeof layers[0]; i++) {
        if (strcmp(what, layers[i].name) == 0) {
            s->hi = layers[i].hi;
            return hc_work_open_layer(w, layers[i].layer, &s->r, err);
        }
    }
    return view_source(w, what, false, s, err);
}

// Box mean when shrinking, bicubic when enlarging; beyond the plane its edge repeats.
static float sample(const struct hc_plane *p, double cx, double cy, double step)
{
    if (step <= 1.5) {
        return hc_filter_bicubic(p, cx, cy);
    }
    int n = (int)ceil(step);
    double sum = 0;
    for (int j = 0; j < n; j++) {
        for (int i = 0; i < n; i++) {
            sum += (double)hc_filter_bilinear(p, cx + ((i + 0.5) / n - 0.5) * step,
                                              cy + ((j + 0.5) / n - 0.5) * step);
        }
    }
    return (float)(sum / (n * n));
}

static float shade(const struct source *s, float v, int bands)
{
    return bands == 1 ? (v - s->lo) / (s->hi - s->lo) : v;
}

// The square in pixels of a raster: its middle and side. Rows are read a few at a time, so that
// memory does not grow with the square.
struct square {
    double x, y, side;
    int px;
};

static hc_status fill_row(const struct source *s, const struct square *q, int j,
                          struct hc_plane *out, struct hc_err *err)
{
    double step = q->side / q->px, fy = q->y + ((j + 0.5) / q->px - 0.5) * q->side;
    int w = hc_raster_w(s->r), h = hc_raster_h(s->r), n = hc_raster_bands(s->r);
    struct hc_work_rect at = {.x0 = (int)fmax(0, floor(q->x - q->side / 2) - 2),
                              .y0 = (int)fmax(0, floor(fy - step / 2) - 2)};
    struct hc_plane in[3] = {{0}};
    hc_status st = HC_OK;
    at.w = (int)fmin(w, ceil(q->x + q->side / 2) + 2) - at.x0;
    at.h = (int)fmin(h, ceil(fy + step / 2) + 2) - at.y0;
    bool is_there = fy >= 0 && fy < h && at.w > 0 && at.h > 0;
    st = is_there ? hc_work_read_rect(s->r, at, in, err) : st;
    for (int i = 0; st == HC_OK && i < q->px; i++) {
        double fx = q->x + ((i + 0.5) / q->px - 0.5) * q->side;
        bool is_shown = is_there && fx >= 0 && fx < w;
        for (int c = 0; c < n; c++) {
            hc_plane_row(&out[c], j)[i] =
                is_shown
                    ? shade(s, (float)s->factor * sample(&in[c], fx - at.x0, fy - at.y0, step), n)
                    : GREY;
        }
    }
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&in[c]);
    }
    return st;
}

// What lies outside the view's outline is no part of it, though its raster has pixels there.
static void clip_to_outline(const struct source *s, const struct square *q, double magnification,
                            struct hc_plane *out)
{
    const struct hc_work_place *p = &s->place;
    for (int j = 0; p->has_outline && j < q->px; j++) {
        double fy = (q->y + ((j + 0.5) / q->px - 0.5) * q->side) / magnification + p->grid.y0;
        for (int i = 0; i < q->px; i++) {
            double fx = (q->x + ((i + 0.5) / q->px - 0.5) * q->side) / magnification + p->grid.x0;
            if (!hc_poly_has(p->outline, 4, (struct hc_pt){fx, fy})) {
                for (int c = 0; c < hc_raster_bands(s->r); c++) {
                    hc_plane_row(&out[c], j)[i] = GREY;
                }
            }
        }
    }
}

static hc_status fill(const struct source *s, const struct square *q, struct hc_plane out[3],
                      struct hc_err *err)
{
    hc_status st = HC_OK;
    for (int c = 0; st == HC_OK && c < hc_raster_bands(s->r); c++) {
        st = hc_plane_create(&out[c], q->px, q->px, err);
    }
    for (int j = 0; st == HC_OK && j < q->px; j++) {
        st = fill_row(s, q, j, out, err);
    }
    return st;
}

static hc_status check_px(int px, struct hc_err *err)
{
    return px >= 16 && px <= 512
               ? HC_OK
               : hc_err_set(err, HC_ERANGE, HC_WORK_ROOM, "a patch of %d px; give 16 to 512", px);
}

static hc_status encode(const struct source *s, struct hc_plane out[3], hc_status st,
                        struct hc_buf *jpeg, struct hc_err *err)
{
    st = st == HC_OK ? hc_image_encode_jpeg(jpeg, out, hc_raster_bands(s->r), 90, err) : st;
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&out[c]);
    }
    return st;
}

hc_status hc_work_patch(struct hc_work *w, const char *what, double x, double y, double mm, int px,
                        struct hc_buf *jpeg, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_work_rect at = {0};
    struct source s = {.hi = 1, .factor = 1};
    struct hc_plane out[3] = {{0}};
    hc_status st = check_px(px, err);
    st = st == HC_OK ? hc_work_framed(w, &p, err) : st;
    st = st == HC_OK ? hc_work_spot_rect(&p, x, y, mm, &at, err) : st;
    st = st == HC_OK ? patch_source(w, what, &s, err) : st;
    if (st == HC_OK) {
        double m = s.place.is_detail ? s.place.grid.magnification : 1;
        struct square q = {(x - s.place.grid.x0) * m, (y - s.place.grid.y0) * m,
                           mm / hc_work_mm_per_px(&p) * m, px};
        st = fill(&s, &q, out, err);
        if (st == HC_OK) {
            clip_to_outline(&s, &q, m, out);
        }
    }
    st = encode(&s, out, st, jpeg, err);
    source_release(&s);
    hc_painting_release(&p);
    return st;
}

hc_status hc_work_own(struct hc_work *w, const char *view, double x, double y, double side, int px,
                      struct hc_buf *jpeg, struct hc_err *err)
{
    struct source s = {.hi = 1, .factor = 1};
    struct hc_plane out[3] = {{0}};
    hc_status st = check_px(px, err);
    if (st == HC_OK && !(side >= 1 && side <= 2.0 * HC_IMAGE_MAX_SIDE)) {
        st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM, "a square of %g px; give 1 to %d", side,
                        2 * HC_IMAGE_MAX_SIDE);
    }
    if (st == HC_OK && !(fabs(x) <= HC_IMAGE_MAX_SIDE && fabs(y) <= HC_IMAGE_MAX_SIDE)) {
        st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM, "no picture reaches to %g, %g px", x, y);
    }
    st = st == HC_OK ? view_source(w, view, true, &s, err) : st;
    if (st == HC_OK) {
        struct square q = {x, y, side, px};
        st = fill(&s, &q, out, err);
    }
    st = encode(&s, out, st, jpeg, err);
    source_release(&s);
    return st;
}
