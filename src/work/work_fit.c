// The fit of a view as it is kept: written after placing, read back to resample and to judge.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

#define MAX_CELLS 4096 // columns or rows of a stored field or support mask
// A detail's raster: at most this much finer than the frame, and this much larger than the view.
#define MAX_MAGNIFICATION 16
#define MAX_GROWTH 1.3

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
    if (f->cols < 4 || f->rows < 4 || f->cols > MAX_CELLS || f->rows > MAX_CELLS ||
        !(f->cell_px > 0) || json_array_size(json_object_get(j, "dx")) != n ||
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
    struct hc_work_place place = {0};
    const json_t *f;
    struct hc_homog h;
    struct hc_raster_grid grid = {0, 0, frame_w, frame_h, 1};
    hc_status st = hc_work_place_read(&place, v, err);
    memcpy(h.m, v->frame_to_view, sizeof h.m);
    f = json_object_get(place.fit, "field");
    if (st == HC_OK && json_is_object(f)) {
        bend.max_px = hc_work_json_number(f, "max_px") + 0.01;
        st = field_load(f, &field, err);
    }
    if (st == HC_OK) {
        st = hc_raster_place_grid(own, path, &h, field.dx ? &bend : NULL,
                                  place.is_detail ? &place.grid : &grid, NULL, w->par, job, err);
    }
    hc_mem_free(field.dx);
    hc_work_place_release(&place);
    return st;
}

// ---- writing ----
static bool has_outline(const struct hc_align_fit *fit)
{
    for (int i = 0; i < 4; i++) {
        if (!isfinite(fit->outline[i].x) || !isfinite(fit->outline[i].y)) {
            return false;
        }
    }
    return hc_poly_area(fit->outline, 4) > 0;
}

static struct hc_pt cell_middle(const struct hc_align_support *s, int i, int j)
{
    return (struct hc_pt){(i + 0.5) * s->cell_px, (j + 0.5) * s->cell_px};
}

// Share of the cells the view shows that no tile or pair speaks for.
static double unsupported_share(const struct hc_align_fit *fit)
{
    const struct hc_align_support *s = &fit->support;
    size_t shown = 0, without = 0;
    for (int j = 0; j < s->rows; j++) {
        for (int i = 0; i < s->cols; i++) {
            if (!has_outline(fit) || hc_poly_has(fit->outline, 4, cell_middle(s, i, j))) {
                shown++;
                without += !s->is_supported[j * s->cols + i];
            }
        }
    }
    return shown ? (double)without / (double)shown : 1 - fit->area_supported;
}

static void support_json(struct hc_buf *b, const struct hc_align_support *s)
{
    hc_json_key(b, "support");
    if (s->cols == 0) {
        hc_json_null(b);
        return;
    }
    hc_json_obj(b);
    hc_json_kint(b, "cols", s->cols);
    hc_json_kint(b, "rows", s->rows);
    hc_json_knum(b, "cell_px", s->cell_px);
    hc_json_key(b, "mask");
    hc_json_arr(b);
    for (int j = 0; j < s->rows; j++) {
        struct hc_buf row = {0};
        for (int i = 0; i < s->cols; i++) {
            hc_buf_str(&row, s->is_supported[j * s->cols + i] ? "1" : "0");
        }
        hc_json_str(b, hc_buf_text(&row));
        hc_buf_release(&row);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
}

// A detail is resampled into a box of the frame, on a grid of its own: every frame pixel is cut
// into magnification x magnification.
static struct hc_raster_grid detail_grid(const struct hc_align_fit *fit, const struct hc_view *v,
                                         const struct hc_painting *p)
{
    struct hc_box box = hc_poly_box(fit->outline, 4);
    // A thousandth of a pixel more or less is no pixel.
    int x1 = (int)fmax(1, fmin(p->frame_w, ceil(box.x1 - 1e-3))),
        y1 = (int)fmax(1, fmin(p->frame_h, ceil(box.y1 - 1e-3)));
    struct hc_raster_grid g = {.x0 = (int)fmax(0, fmin(x1 - 1, floor(box.x0 + 1e-3))),
                               .y0 = (int)fmax(0, fmin(y1 - 1, floor(box.y0 + 1e-3)))};
    double room;
    g.w = x1 - g.x0;
    g.h = y1 - g.y0;
    room = sqrt(MAX_GROWTH * v->w * v->h / ((double)g.w * g.h));
    g.magnification =
        (int)fmax(1, fmin(fmin(MAX_MAGNIFICATION, round(fit->view_per_frame)), floor(room)));
    return g;
}

static void grid_json(struct hc_buf *b, const struct hc_align_fit *fit, const struct hc_view *v,
                      const struct hc_painting *p)
{
    hc_json_key(b, "grid");
    if (!fit->is_detail || !has_outline(fit) || fit->verdict == HC_ALIGN_REFUSED) {
        hc_json_null(b);
        return;
    }
    struct hc_raster_grid g = detail_grid(fit, v, p);
    hc_json_obj(b);
    hc_json_kint(b, "x", g.x0);
    hc_json_kint(b, "y", g.y0);
    hc_json_kint(b, "w", g.w);
    hc_json_kint(b, "h", g.h);
    hc_json_kint(b, "magnification", g.magnification);
    hc_json_end_obj(b);
}

static void place_json(struct hc_buf *b, const struct hc_align_fit *fit, bool is_by_hand)
{
    hc_json_kstr(b, "kind", fit->kind);
    hc_json_kbool(b, "pairs", is_by_hand);
    hc_json_key(b, "lens");
    if (fit->lens_k1 != 0 || fit->lens_k2 != 0) {
        hc_json_obj(b);
        hc_json_knum(b, "k1", fit->lens_k1);
        hc_json_knum(b, "k2", fit->lens_k2);
        hc_json_end_obj(b);
    } else {
        hc_json_null(b);
    }
    hc_json_knum(b, "tile_pitch_px", fit->tile_pitch_px > 0 ? fit->tile_pitch_px : (double)NAN);
    hc_json_knum(b, "view_per_frame", fit->view_per_frame > 0 ? fit->view_per_frame : (double)NAN);
    hc_json_kbool(b, "is_detail", fit->is_detail);
    hc_json_key(b, "outline");
    if (has_outline(fit)) {
        hc_work_poly_json(b, fit->outline, 4);
    } else {
        hc_json_null(b);
    }
    hc_json_knum(b, "unsupported_share", unsupported_share(fit));
    support_json(b, &fit->support);
}

static hc_status fit_text(struct hc_view *v, const struct hc_align_fit *fit, bool is_by_hand,
                          const struct hc_painting *p, struct hc_err *err)
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
    place_json(&b, fit, is_by_hand);
    grid_json(&b, fit, v, p);
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

hc_status hc_work_store_fit(struct hc_work *w, struct hc_view *v, const struct hc_align_fit *fit,
                            bool is_by_hand, struct hc_err *err)
{
    static const char *const names[] = {"good", "usable", "refused"};
    bool is_checked;
    memcpy(v->frame_to_view, fit->frame_to_view.m, sizeof v->frame_to_view);
    hc_mem_free(v->verdict);
    hc_mem_free(v->fit_why);
    v->verdict = hc_mem_strdup(names[fit->verdict]);
    v->fit_why = hc_mem_strdup(fit->why);
    if (!v->verdict || !v->fit_why) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory while storing a fit");
    }
    v->is_placed = fit->verdict != HC_ALIGN_REFUSED;
    // -1 stands for "not known" in the record (four pairs of points leave nothing to check with; a
    // fit refused before it was checked has no figures).
    is_checked = v->is_placed || fit->held_out_p95_px > 0;
    v->held_out_median_px =
        is_checked && isfinite(fit->held_out_median_px) ? fit->held_out_median_px : -1;
    v->held_out_p95_px = is_checked && isfinite(fit->held_out_p95_px) ? fit->held_out_p95_px : -1;
    v->area_supported = fit->area_supported;
    struct hc_painting p = {0};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? fit_text(v, fit, is_by_hand, &p, err) : st;
    hc_painting_release(&p);
    return st == HC_OK ? hc_store_place_view(w->store, v, err) : st;
}

// ---- reading ----

static bool outline_read(struct hc_pt outline[4], const json_t *o)
{
    for (size_t i = 0; i < 4; i++) {
        const json_t *c = json_array_get(o, i), *x = json_array_get(c, 0),
                     *y = json_array_get(c, 1);
        if (!json_is_number(x) || !json_is_number(y)) {
            return false;
        }
        outline[i] = (struct hc_pt){json_number_value(x), json_number_value(y)};
    }
    return json_array_size(o) == 4;
}

hc_status hc_work_place_read(struct hc_work_place *p, const struct hc_view *v, struct hc_err *err)
{
    const json_t *g;
    hc_status st = HC_OK;
    *p = (struct hc_work_place){.view_per_frame = (double)NAN};
    if (v->fit_json && *v->fit_json) {
        st = hc_work_json_load(&p->fit, v->fit_json, "the fit report", err);
    }
    if (st == HC_OK) {
        p->view_per_frame = hc_work_json_number(p->fit, "view_per_frame");
        p->has_outline = outline_read(p->outline, json_object_get(p->fit, "outline"));
        g = json_object_get(p->fit, "grid");
        p->is_detail = json_is_object(g) && hc_work_is_placed(v);
    }
    if (st == HC_OK && p->is_detail) {
        p->grid = (struct hc_raster_grid){
            (int)hc_work_json_number(g, "x"), (int)hc_work_json_number(g, "y"),
            (int)hc_work_json_number(g, "w"), (int)hc_work_json_number(g, "h"),
            (int)hc_work_json_number(g, "magnification")};
    }
    return st;
}

void hc_work_place_release(struct hc_work_place *p)
{
    json_decref(p->fit);
    *p = (struct hc_work_place){0};
}

bool hc_work_place_shows(const struct hc_work_place *p, const struct hc_pt *pt, size_t n)
{
    for (size_t i = 0; p->has_outline && i < n; i++) {
        if (!hc_poly_has(p->outline, 4, pt[i])) {
            return false;
        }
    }
    return true;
}

// Inside the convex hull of the supported cells, but for its fine corners: in each of 16 directions
// one of them lies farther than the point.
static bool is_between(const json_t *rows, double cell, struct hc_pt at)
{
    bool has[16] = {false};
    size_t n = json_array_size(rows);
    for (size_t j = 0; j < n; j++) {
        const char *row = json_string_value(json_array_get(rows, j));
        for (size_t i = 0; row && row[i]; i++) {
            double x = ((double)i + 0.5) * cell - at.x, y = ((double)j + 0.5) * cell - at.y;
            for (int k = 0; row[i] == '1' && k < 16; k++) {
                has[k] |= x * cos(k * M_PI / 8) + y * sin(k * M_PI / 8) > 0;
            }
        }
    }
    for (int k = 0; k < 16; k++) {
        if (!has[k]) {
            return false;
        }
    }
    return true;
}

enum hc_work_support hc_work_place_support(const struct hc_work_place *p, struct hc_pt at)
{
    const json_t *s = json_object_get(p->fit, "support"), *rows = json_object_get(s, "mask");
    double cell = hc_work_json_number(s, "cell_px");
    const char *row;
    if (!(cell > 0) || !(at.x >= 0 && at.y >= 0)) {
        return HC_WORK_NEAR; // not known: nothing is said
    }
    row = json_string_value(json_array_get(rows, (size_t)floor(at.y / cell)));
    if (!row || at.x / cell >= (double)strlen(row) || row[(size_t)(at.x / cell)] == '1') {
        return HC_WORK_NEAR;
    }
    return is_between(rows, cell, at) ? HC_WORK_BETWEEN : HC_WORK_EXTRAPOLATED;
}
