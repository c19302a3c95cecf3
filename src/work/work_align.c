// Placing views in the frame, and matching exposure between before and test.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

#define EXPOSURE_SIDE 1500 // overview for the exposure ratio, px on the longest side

// A raster lent to the placement as one luminance-like channel.
struct lent {
    const struct hc_raster *r;
};

static hc_status read_lent(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    const struct lent *l = ctx;
    struct hc_plane bands[3] = {{0}};
    hc_status st;
    if (hc_raster_bands(l->r) == 1) {
        return hc_raster_read(l->r, 0, x0, y0, out, err);
    }
    st = hc_work_read_rect(l->r, (struct hc_work_rect){x0, y0, out->w, out->h}, bands, err);
    if (st == HC_OK) {
        hc_work_luminance(out, bands, 3);
        for (int c = 0; c < 3; c++) {
            hc_plane_release(&bands[c]);
        }
    }
    return st;
}

// The bend, node by node; nine digits bring a float back as it was.
static void field_json(struct hc_buf *b, const struct hc_align_fit *fit)
{
    const struct hc_align_field *f = fit->field;
    hc_json_key(b, "field");
    if (!f) {
        hc_json_null(b);
        return;
    }
    hc_json_obj(b);
    hc_json_kint(b, "cols", f->cols);
    hc_json_kint(b, "rows", f->rows);
    hc_json_knum(b, "cell_px", f->cell_px);
    hc_json_knum(b, "max_px", fit->field_max_px);
    hc_json_knum(b, "strain_max", fit->field_strain_max);
    for (int k = 0; k < 2; k++) {
        hc_json_key(b, k ? "dy" : "dx");
        hc_json_arr(b);
        for (int i = 0; i < f->cols * f->rows; i++) {
            hc_json_num(b, (double)(k ? f->dy[i] : f->dx[i]));
        }
        hc_json_end_arr(b);
    }
    hc_json_end_obj(b);
}

static hc_status field_load(const json_t *j, struct hc_align_field *f, struct hc_err *err)
{
    size_t n;
    *f = (struct hc_align_field){.cols = (int)hc_work_json_number(j, "cols"),
                                 .rows = (int)hc_work_json_number(j, "rows"),
                                 .cell_px = hc_work_json_number(j, "cell_px")};
    n = (size_t)f->cols * (size_t)f->rows;
    if (f->cols < 4 || f->rows < 4 || f->cols > 4096 || f->rows > 4096 || !(f->cell_px > 0) ||
        json_array_size(json_object_get(j, "dx")) != n ||
        json_array_size(json_object_get(j, "dy")) != n) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM, "the stored bend is damaged; align again");
    }
    f->dx = hc_mem_array(2 * n, sizeof *f->dx);
    if (!f->dx) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the bend of a view");
    }
    f->dy = f->dx + n;
    for (size_t i = 0; i < n; i++) {
        f->dx[i] = (float)json_number_value(json_array_get(json_object_get(j, "dx"), i));
        f->dy[i] = (float)json_number_value(json_array_get(json_object_get(j, "dy"), i));
    }
    return HC_OK;
}

static struct hc_pt field_at(const void *ctx, struct hc_pt p)
{
    return hc_align_field_at(ctx, p);
}

hc_status hc_work_place_raster(struct hc_work *w, const struct hc_view *v,
                               const struct hc_raster *own, const char *path, int frame_w,
                               int frame_h, struct hc_job *job, struct hc_err *err)
{
    struct hc_align_field field = {0};
    struct hc_raster_bend bend = {field_at, &field, 0};
    const json_t *f = NULL;
    json_t *fit = NULL;
    struct hc_homog h;
    double covered;
    hc_status st = HC_OK;
    memcpy(h.m, v->frame_to_view, sizeof h.m);
    if (v->fit_json && *v->fit_json) {
        st = hc_work_json_load(&fit, v->fit_json, "the fit report", err);
        f = json_object_get(fit, "field");
    }
    if (st == HC_OK && json_is_object(f)) {
        bend.max_px = hc_work_json_number(f, "max_px") + 0.01;
        st = field_load(f, &field, err);
    }
    if (st == HC_OK) {
        st = hc_raster_place(own, path, &h, field.dx ? &bend : NULL, frame_w, frame_h, &covered,
                             w->par, job, err);
    }
    hc_mem_free(field.dx);
    json_decref(fit);
    return st;
}

static hc_status fit_text(struct hc_view *v, const struct hc_align_fit *fit, struct hc_err *err)
{
    struct hc_buf b = {0};
    hc_status st;
    hc_json_obj(&b);
    hc_json_knum(&b, "shift_x_px", fit->shift_x_px);
    hc_json_knum(&b, "shift_y_px", fit->shift_y_px);
    hc_json_knum(&b, "rotation_deg", fit->rotation_deg);
    hc_json_knum(&b, "scale", fit->scale);
    hc_json_kint(&b, "tiles", fit->tiles);
    hc_json_kint(&b, "tiles_textured", fit->tiles_textured);
    hc_json_kint(&b, "tiles_used", fit->tiles_used);
    hc_json_knum(&b, "second_opinion_px", fit->second_opinion_px);
    field_json(&b, fit);
    hc_json_key(&b, "tile");
    hc_json_arr(&b);
    for (int i = 0; i < fit->tiles_textured; i++) {
        const struct hc_align_tile *t = &fit->tile[i];
        hc_json_arr(&b);
        hc_json_num(&b, t->x);
        hc_json_num(&b, t->y);
        hc_json_num(&b, t->dx);
        hc_json_num(&b, t->dy);
        hc_json_int(&b, t->is_used);
        hc_json_end_arr(&b);
    }
    hc_json_end_arr(&b);
    hc_json_end_obj(&b);
    st = hc_buf_check(&b, err);
    if (st == HC_OK) {
        hc_mem_free(v->fit_json);
        v->fit_json = hc_mem_strdup(hc_buf_text(&b));
        st = v->fit_json ? HC_OK : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory");
    }
    hc_buf_release(&b);
    return st;
}

// The windows as a mask of the overview: 1 outside them and a margin, 0 inside.
static hc_status outside_mask(struct hc_work *w, struct hc_plane *mask, int cell, double mm_per_px,
                              struct hc_err *err)
{
    struct hc_window_list l = {0};
    // 1 mm of solvent edge, and the two pixels by which test and before may differ.
    double margin = 1.0 / (mm_per_px * cell) + 2.0;
    hc_status st = hc_store_windows(w->store, &l, err);
    hc_plane_fill(mask, 1.0f);
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        struct hc_pt *pt = NULL;
        size_t n = 0;
        st = hc_work_poly_parse(&pt, &n, l.w[i].polygon, err);
        if (st == HC_OK) {
            struct hc_box b = hc_poly_box(pt, n);
            int x0 = (int)fmax(0, floor(b.x0 / cell - margin)),
                y0 = (int)fmax(0, floor(b.y0 / cell - margin));
            int x1 = (int)fmin(mask->w, ceil(b.x1 / cell + margin)),
                y1 = (int)fmin(mask->h, ceil(b.y1 / cell + margin));
            for (int y = y0; y < y1; y++) {
                for (int x = x0; x < x1; x++) {
                    hc_plane_row(mask, y)[x] = 0.0f;
                }
            }
        }
        hc_mem_free(pt);
    }
    hc_window_list_release(&l);
    return st;
}

hc_status hc_work_match_exposure(struct hc_work *w, struct hc_view *v, struct hc_job *job,
                                 struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view ref = {0};
    struct hc_raster *a = NULL, *b = NULL;
    struct hc_lin3 over_a = {0}, over_b = {0};
    struct hc_plane mask = {0};
    struct hc_align_exposure e = {0};
    int cell = 1;
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_store_view_by_id(w->store, p.frame_view, &ref, err) : st;
    st = st == HC_OK ? hc_work_open_placed(w, &ref, &a, err) : st;
    st = st == HC_OK ? hc_work_open_placed(w, v, &b, err) : st;
    st = st == HC_OK ? hc_raster_overview(a, EXPOSURE_SIDE, over_a.ch, &cell, job, err) : st;
    st = st == HC_OK ? hc_raster_overview(b, EXPOSURE_SIDE, over_b.ch, &cell, job, err) : st;
    st = st == HC_OK ? hc_plane_create(&mask, over_a.ch[0].w, over_a.ch[0].h, err) : st;
    st = st == HC_OK ? outside_mask(w, &mask, cell, hc_work_mm_per_px(&p), err) : st;
    st = st == HC_OK ? hc_align_exposure(&e, &over_a, &over_b, &mask, err) : st;
    if (st == HC_OK) {
        v->exposure_factor = e.common;
        v->exposure_spread = e.spread;
        st = hc_store_place_view(w->store, v, err);
    }
    hc_plane_release(&mask);
    hc_lin3_release(&over_a);
    hc_lin3_release(&over_b);
    hc_raster_close(a);
    hc_raster_close(b);
    hc_view_release(&ref);
    hc_painting_release(&p);
    return st == HC_OK ? st : hc_err_prefix(err, st, "exposure of view %s: ", v->label);
}

hc_status hc_work_store_fit(struct hc_work *w, struct hc_view *v, const struct hc_align_fit *fit,
                            struct hc_err *err)
{
    static const char *const names[] = {"good", "usable", "refused"};
    memcpy(v->frame_to_view, fit->frame_to_view.m, sizeof v->frame_to_view);
    hc_mem_free(v->verdict);
    hc_mem_free(v->fit_why);
    v->verdict = hc_mem_strdup(names[fit->verdict]);
    v->fit_why = hc_mem_strdup(fit->why);
    if (!v->verdict || !v->fit_why) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory while storing a fit");
    }
    v->is_placed = fit->verdict != HC_ALIGN_REFUSED;
    // -1 stands for "not known" in the record (four pairs of points leave nothing to check with).
    v->held_out_median_px = isfinite(fit->held_out_median_px) ? fit->held_out_median_px : -1;
    v->held_out_p95_px = isfinite(fit->held_out_p95_px) ? fit->held_out_p95_px : -1;
    v->area_supported = fit->area_supported;
    hc_status st = fit_text(v, fit, err);
    return st == HC_OK ? hc_store_place_view(w->store, v, err) : st;
}

// A picture without texture or far too small cannot be placed; that is a verdict, not a failure.
static void refuse(struct hc_align_fit *fit, const struct hc_err *why)
{
    *fit = (struct hc_align_fit){
        .frame_to_view = hc_homog_identity(), .verdict = HC_ALIGN_REFUSED, .scale = 1};
    snprintf(fit->why, sizeof fit->why, "%.200s", why->what);
}

hc_status hc_work_view_changed(struct hc_work *w, struct hc_view *v, struct hc_job *job,
                               struct hc_err *err)
{
    hc_status st = hc_work_view_refresh(w, v, true, job, err);
    if (st == HC_OK && hc_work_is_placed(v) && strcmp(v->technique, "normal") == 0 &&
        strcmp(v->verdict, "reference") != 0) {
        st = hc_work_match_exposure(w, v, job, err);
    }
    return st;
}

static hc_status place_one(struct hc_work *w, const struct hc_view *ref, struct hc_view *v,
                           struct hc_job *job, struct hc_err *err)
{
    struct hc_raster *a = NULL, *b = NULL;
    struct hc_align_fit fit = {0};
    struct hc_err why = {0};
    hc_status st = hc_work_view_refresh(w, v, false, job, err);
    st = st == HC_OK ? hc_work_open_own(w, ref, &a, err) : st;
    st = st == HC_OK ? hc_work_open_own(w, v, &b, err) : st;
    if (st == HC_OK) {
        struct lent la = {a}, lb = {b};
        struct hc_align_source sa = {hc_raster_w(a), hc_raster_h(a), read_lent, &la};
        struct hc_align_source sb = {hc_raster_w(b), hc_raster_h(b), read_lent, &lb};
        st = hc_align_place(&fit, &sa, &sb, NULL, w->par, job, &why);
        if (st == HC_EDATA) {
            refuse(&fit, &why);
            st = HC_OK;
        } else if (st != HC_OK && err) {
            *err = why;
        }
    }
    st = st == HC_OK ? hc_work_store_fit(w, v, &fit, err) : st;
    hc_align_fit_release(&fit);
    hc_raster_close(a);
    hc_raster_close(b);
    st = st == HC_OK ? hc_work_view_changed(w, v, job, err) : st;
    return st == HC_OK ? st : hc_err_prefix(err, st, "placing view %s: ", v->label);
}

// The view named (by id), or with 0 every view that was not tried yet.
static bool is_asked_for(const struct hc_view *v, int64_t id)
{
    bool is_refused = v->verdict && strcmp(v->verdict, "refused") == 0;
    return id ? v->id == id : !hc_work_is_placed(v) && !is_refused;
}

hc_status hc_work_align(struct hc_work *w, const char *view, struct hc_buf *b, struct hc_job *job,
                        struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view_list l = {0};
    struct hc_view one = {0};
    const struct hc_view *ref = NULL;
    size_t todo = 0, done = 0;
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK && view ? hc_store_view_by_name(w->store, view, &one, err) : st;
    st = st == HC_OK ? hc_store_views(w->store, &l, err) : st;
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        ref = l.v[i].id == p.frame_view ? &l.v[i] : ref;
        todo += is_asked_for(&l.v[i], one.id);
    }
    if (b) {
        hc_json_obj(b);
        hc_json_key(b, "views");
        hc_json_arr(b);
    }
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        struct hc_view *v = &l.v[i];
        bool is_asked = is_asked_for(v, one.id);
        hc_job_phase(job, (double)done / (double)(todo + 1),
                     (double)(done + 1) / (double)(todo + 1));
        if (v != ref && is_asked) {
            st = place_one(w, ref, v, job, err);
            done++;
        } else {
            // Whatever was deleted from derived/ comes back.
            st = hc_work_view_refresh(w, v, false, job, err);
        }
        if (st == HC_OK && b && (is_asked || !view)) {
            hc_work_view_json(w, b, v, hc_work_mm_per_px(&p));
        }
    }
    if (b && st == HC_OK) {
        hc_json_end_arr(b);
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
    }
    hc_view_release(&one);
    hc_view_list_release(&l);
    hc_painting_release(&p);
    return st;
}

hc_status hc_work_fit_map(struct hc_work *w, const char *view, struct hc_buf *b, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    json_t *fit = NULL;
    const json_t *tiles;
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_store_view_by_name(w->store, view, &v, err) : st;
    if (st == HC_OK && (!v.fit_json || !*v.fit_json)) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM, "view %s was not fitted to the frame",
                        v.label);
    }
    st = st == HC_OK ? hc_work_json_load(&fit, v.fit_json, "the fit report", err) : st;
    if (st == HC_OK) {
        hc_json_obj(b);
        hc_json_kint(b, "view", v.id);
        hc_json_kstr(b, "verdict", v.verdict);
        hc_json_kstr(b, "why", v.fit_why);
        hc_json_key(b, "frame");
        hc_json_obj(b);
        hc_json_kint(b, "w", p.frame_w);
        hc_json_kint(b, "h", p.frame_h);
        hc_json_end_obj(b);
        hc_json_key(b, "tiles");
        hc_json_arr(b);
        tiles = json_object_get(fit, "tile");
        for (size_t i = 0; i < json_array_size(tiles); i++) {
            static const char *const key[] = {"x", "y", "dx", "dy"};
            const json_t *t = json_array_get(tiles, i);
            hc_json_obj(b);
            for (size_t k = 0; k < 4; k++) {
                hc_json_knum(b, key[k], json_number_value(json_array_get(t, k)));
            }
            hc_json_kbool(b, "used", json_integer_value(json_array_get(t, 4)) != 0);
            hc_json_end_obj(b);
        }
        hc_json_end_arr(b);
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
        json_decref(fit);
    }
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}
