// Two surfaces from one set of lights: the paint and the varnish over it, behind the gates of the
// relief room. Works on a passage, since all views of it are held at once.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_relief_priv.h"

#define PASSAGE_PX 4.0e6 // of one view
#define SET_PX 1.2e8     // of all views together: 480 MB

struct two {
    struct hc_work_set plain, crossed;
    struct hc_plane plain_px[HC_RELIEF_MAX_LIGHTS], crossed_px[HC_RELIEF_MAX_LIGHTS], mask;
    struct hc_work_rect at;
};

// The map of one passage.
struct map {
    char name[80], key[HC_SHA256_HEX], why[320];
    struct hc_raster_grid at;
    int cell_px;
};

static void two_release(struct two *t)
{
    for (int i = 0; i < HC_RELIEF_MAX_LIGHTS; i++) {
        hc_plane_release(&t->plain_px[i]);
        hc_plane_release(&t->crossed_px[i]);
    }
    hc_plane_release(&t->mask);
    hc_work_set_release(&t->plain);
    hc_work_set_release(&t->crossed);
}

static hc_status read_grey(struct hc_work *w, const struct hc_view *v, struct hc_work_rect at,
                           struct hc_plane *out, struct hc_err *err)
{
    struct hc_raster *r = NULL;
    hc_status st = hc_work_open_placed(w, v, &r, err);
    st = st == HC_OK ? hc_plane_create(out, at.w, at.h, err) : st;
    st = st == HC_OK ? hc_work_read_grey(r, at.x0, at.y0, out, err) : st;
    hc_raster_close(r);
    return st;
}

// Crossed and parallel views under the same lamps, or views without polarisers.
static hc_status gather(struct two *t, struct hc_work *w, const char *state, bool *has_crossed,
                        struct hc_err *err)
{
    struct hc_err why = {0};
    hc_status st = hc_work_set_gather(&t->crossed, w, state, "crossed", &why);
    *has_crossed = st == HC_OK;
    if (st != HC_OK) {
        hc_work_set_release(&t->crossed);
    }
    st = hc_work_set_gather(&t->plain, w, state, *has_crossed ? "parallel" : "", err);
    if (st == HC_EREFUSED && *has_crossed) {
        return hc_err_set(
            err, st, HC_WORK_ROOM,
            "through crossed polarisers the varnish shows no highlight: add the views "
            "through parallel polarisers under the same lamps");
    }
    if (st == HC_OK && *has_crossed && t->plain.n != t->crossed.n) {
        return hc_err_set(
            err, HC_EREFUSED, HC_WORK_ROOM,
            "%zu crossed and %zu parallel views of the state %s; each lamp needs both",
            t->crossed.n, t->plain.n, state);
    }
    for (size_t i = 0; st == HC_OK && *has_crossed && i < t->plain.n; i++) {
        const double *a = t->plain.light[i].dir, *b = t->crossed.light[i].dir;
        if (a[0] * b[0] + a[1] * b[1] + a[2] * b[2] < cos(0.5 * M_PI / 180)) {
            st =
                hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                           "views %s and %s should be of the same lamp, but their lamps stand more "
                           "than half a degree apart: add crossed and parallel views in one order",
                           t->crossed.v[i]->label, t->plain.v[i]->label);
        }
    }
    return st;
}

static hc_status place_box(struct two *t, const struct hc_painting *p, const struct hc_pt *pt,
                           size_t n, struct hc_err *err)
{
    struct hc_box b = hc_poly_box(pt, n);
    double px;
    t->at.x0 = (int)fmax(0, floor(b.x0));
    t->at.y0 = (int)fmax(0, floor(b.y0));
    t->at.w = (int)fmin(p->frame_w, ceil(b.x1)) - t->at.x0;
    t->at.h = (int)fmin(p->frame_h, ceil(b.y1)) - t->at.y0;
    px = (double)t->at.w * t->at.h;
    if (t->at.w < 16 || t->at.h < 16 || px > PASSAGE_PX ||
        px * (double)(t->plain.n + t->crossed.n) > SET_PX) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                          "a passage of %d x %d px under %zu views; give one of 16 x 16 px to "
                          "%.1f Mpx",
                          t->at.w, t->at.h, t->plain.n + t->crossed.n,
                          1e-6 * fmin(PASSAGE_PX, SET_PX / (double)(t->plain.n + t->crossed.n)));
    }
    return HC_OK;
}

// Where fine relief is clogged: kept as a raster of one px per cell, with tiles that lie over the
// passage. Nothing is kept when the room gives no map.
static hc_status keep_map(struct hc_work *w, struct map *m, const struct two *t, const char *state,
                          const struct hc_relief_film *f, const struct hc_relief_film_input *in,
                          struct hc_job *job, struct hc_err *err)
{
    struct hc_plane cells = {0};
    struct hc_raster *r = NULL;
    struct hc_err why = {0};
    hc_status st;
    m->cell_px = (int)fmax(4, round(2 * in->band.long_mm / in->mm_per_px));
    m->at = (struct hc_raster_grid){t->at.x0, t->at.y0, 0, 0, 1};
    st = hc_plane_create(&cells, (t->at.w + m->cell_px - 1) / m->cell_px,
                         (t->at.h + m->cell_px - 1) / m->cell_px, err);
    m->at.w = cells.w * m->cell_px;
    m->at.h = cells.h * m->cell_px;
    if (st == HC_OK && hc_relief_clog_map(&cells, f, in->mask, in->mm_per_px, in->band, m->cell_px,
                                          w->par, &why) != HC_OK) {
        snprintf(m->why, sizeof m->why, "%.300s", why.what);
        hc_plane_release(&cells);
        return HC_OK;
    }
    snprintf(m->name, sizeof m->name, "relief-%.30s-clog.raster", state);
    st = st == HC_OK ? hc_work_keep_planes(w, m->name, "relief", "{}", 1, &cells, err) : st;
    st = st == HC_OK ? hc_work_open_derived(w, m->name, &r, err) : st;
    st = st == HC_OK
             ? hc_work_make_tiles(w, r, m->name, HC_TILES_HEAT, 0, 1, "{}", m->key, job, err)
             : st;
    hc_raster_close(r);
    hc_plane_release(&cells);
    return st;
}

static void map_json(struct hc_work *w, struct hc_buf *b, const struct map *m)
{
    hc_json_key(b, "clog");
    hc_json_obj(b);
    hc_json_kstr(b, "why", m->why);
    if (m->key[0]) {
        hc_json_kint(b, "cell_px", m->cell_px);
        hc_json_kstr(b, "raster", m->name);
        hc_json_key(b, "tiles");
        hc_work_tiles_json(w, b, m->key, &m->at);
    }
    hc_json_end_obj(b);
}

static void film_json(struct hc_work *w, struct hc_buf *b, const struct hc_work_relief_area *req,
                      const struct hc_relief_film *f, const struct hc_relief_film_input *in,
                      const struct map *map)
{
    hc_json_obj(b);
    hc_json_kstr(b, "state", req->state);
    hc_json_kint(b, "views", (int64_t)in->n);
    hc_json_kbool(b, "polarised", in->crossed != NULL);
    hc_json_kint(b, "refusal", f->refusal);
    hc_json_kstr(b, "why", *f->why ? f->why : hc_relief_refusal_text(f->refusal));
    hc_json_kint(b, "near_axis", f->near_axis);
    hc_json_knum(b, "coverage", f->coverage);
    hc_json_knum(b, "bare_ratio", f->bare_ratio);
    hc_json_knum(b, "reads_paint", f->reading.paint);
    hc_json_knum(b, "reads_film", f->reading.film);
    hc_json_knum(b, "short_mm", in->band.short_mm);
    hc_json_knum(b, "long_mm", in->band.long_mm);
    if (f->refusal == HC_RELIEF_GIVEN) {
        struct hc_relief_forecast gain = {0};
        hc_work_relief_interval_json(b, "retained", f->retained);
        if (f->has_fill) {
            hc_work_relief_interval_json(b, "fill_um", f->fill_um);
        }
        hc_relief_forecast_film(&gain, f, 0, in->band);
        hc_json_kstr(b, "gain_what", gain.what);
        if (gain.refusal == HC_RELIEF_GIVEN) {
            hc_work_relief_interval_json(b, "gain", gain.gain);
        }
        map_json(w, b, map);
    }
    hc_json_end_obj(b);
}

hc_status hc_work_relief_film(struct hc_work *w, const struct hc_work_relief_area *req,
                              struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    struct two *t = hc_mem_array(1, sizeof *t);
    struct hc_painting p = {0};
    struct hc_work_poly_list l = {0};
    struct hc_relief_film_input in = {.sphere_residual_deg = -1};
    struct hc_relief_film film = {0};
    struct map map = {0};
    bool has_crossed = false;
    hc_status st = t ? hc_work_framed(w, &p, err)
                     : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the films");
    if (!t) {
        return st;
    }
    st = st == HC_OK ? hc_work_geojson_read(&l, req->geojson, err) : st;
    if (st == HC_OK && l.n != 1) {
        st = hc_err_set(err, HC_EARG, HC_WORK_ROOM, "give one polygon, not %zu", l.n);
    }
    st = st == HC_OK ? gather(t, w, req->state, &has_crossed, err) : st;
    st = st == HC_OK ? place_box(t, &p, l.p[0].pt, l.p[0].n, err) : st;
    st = st == HC_OK ? hc_plane_create(&t->mask, t->at.w, t->at.h, err) : st;
    for (size_t i = 0; st == HC_OK && i < t->plain.n; i++) {
        double residual = t->plain.light[i].residual_deg;
        // The worst lamp counts; one that nobody measured makes all unknown.
        in.sphere_residual_deg = i > 0 && in.sphere_residual_deg < 0 ? -1
                                 : residual < 0                      ? -1
                                                : fmax(in.sphere_residual_deg, residual);
        st = hc_job_step(job, (double)i / (double)t->plain.n, "reading the views", err);
        st = st == HC_OK ? read_grey(w, t->plain.v[i], t->at, &t->plain_px[i], err) : st;
        st = st == HC_OK && has_crossed
                 ? read_grey(w, t->crossed.v[i], t->at, &t->crossed_px[i], err)
                 : st;
    }
    if (st == HC_OK) {
        hc_poly_mask(&t->mask, t->at.x0, t->at.y0, l.p[0].pt, l.p[0].n);
        in.n = t->plain.n;
        in.lights = t->plain.light;
        in.plain = t->plain_px;
        in.crossed = has_crossed ? t->crossed_px : NULL;
        in.mask = &t->mask;
        in.mm_per_px = hc_work_mm_per_px(&p);
        in.band.short_mm = req->short_mm > 0 ? req->short_mm : fmax(0.2, 4 * in.mm_per_px);
        in.band.long_mm = req->long_mm > 0 ? req->long_mm : fmax(2.5, 8 * in.band.short_mm);
        st = hc_relief_film_solve(&film, &in, w->par, job, err);
    }
    if (st == HC_OK && film.refusal == HC_RELIEF_GIVEN) {
        st = keep_map(w, &map, t, req->state, &film, &in, job, err);
    }
    if (st == HC_OK) {
        film_json(w, json, req, &film, &in, &map);
        st = hc_buf_check(json, err);
    }
    hc_relief_film_release(&film);
    hc_work_poly_list_release(&l);
    hc_painting_release(&p);
    two_release(t);
    hc_mem_free(t);
    return st;
}
