// Calibration as a use case: find the target in a view, fit, judge, and apply it to the view and to
// those photographed with it. Point measurements on the painting, and the photograph held to them.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "work/work_calibrate_priv.h"

#define FIND_SIDE 1500  // overview in which the target is sought, px
#define TARGET_PX 4.0e7 // ceiling on the full-size pixels of the target's box (our own)
#define CEILING 0.995   // linear value at which a view is taken as clipped

// ---- the stored calibration ----
void hc_work_calibration_kind(char *kind, size_t room, int64_t view)
{
    snprintf(kind, room, "calibration-%lld", (long long)view);
}

int64_t hc_work_calibration_id(struct hc_work *w, int64_t view)
{
    char kind[48], *json = NULL;
    int64_t id = 0;
    hc_work_calibration_kind(kind, sizeof kind, view);
    if (hc_store_get_result(w->store, kind, &id, &json, NULL) != HC_OK ||
        strcmp(json, "{\"none\":true}") == 0) {
        id = 0;
    }
    hc_mem_free(json);
    return id;
}

static hc_status flat_load(struct hc_flat *f, const json_t *j, struct hc_err *err)
{
    const json_t *rows = json_object_get(j, "coef");
    *f = (struct hc_flat){.w = (int)hc_work_json_number(j, "w"),
                          .h = (int)hc_work_json_number(j, "h"),
                          .degree = (int)hc_work_json_number(j, "degree")};
    if (json_array_size(rows) != 3 || f->degree < 0 || f->degree > HC_FLAT_DEGREE_MAX) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                          "the stored flat field is damaged; calibrate again");
    }
    for (size_t c = 0; c < 3; c++) {
        for (size_t k = 0; k < 28; k++) {
            f->coef[c][k] = json_number_value(json_array_get(json_array_get(rows, c), k));
        }
    }
    return HC_OK;
}

static hc_status calibration_load(struct hc_work *w, int64_t view, struct hc_calibration *c,
                                  struct hc_flat *flat, bool *has_flat, struct hc_err *err)
{
    char kind[48];
    json_t *j = NULL;
    const json_t *gain, *coef;
    hc_status st;
    hc_work_calibration_kind(kind, sizeof kind, view);
    st = hc_work_result(w, kind, &j, err);
    if (st != HC_OK) {
        return st;
    }
    *c =
        (struct hc_calibration){.kind = (enum hc_calibrate_kind)hc_work_json_number(j, "kind_code"),
                                .terms = (int)json_array_size(json_object_get(j, "coef"))};
    gain = json_object_get(j, "gain");
    coef = json_object_get(j, "coef");
    if (c->terms < 3 || c->terms > HC_CALIBRATE_TERMS_MAX || json_array_size(gain) != 3) {
        st = hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                        "the stored calibration is damaged; calibrate again");
    }
    for (int i = 0; st == HC_OK && i < 3; i++) {
        c->gain[i] = json_number_value(json_array_get(gain, (size_t)i));
        for (int k = 0; k < c->terms; k++) {
            c->coef[k][i] =
                json_number_value(json_array_get(json_array_get(coef, (size_t)k), (size_t)i));
        }
    }
    *has_flat = json_is_object(json_object_get(j, "flat"));
    if (st == HC_OK && *has_flat) {
        st = flat_load(flat, json_object_get(j, "flat"), err);
    }
    json_decref(j);
    return st;
}

struct apply {
    const struct hc_calibration *c;
    struct hc_plane *rows;
};

static void apply_block(void *ctx, int block, int y0, int y1)
{
    const struct apply *a = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        float *const row[3] = {hc_plane_row(&a->rows[0], y), hc_plane_row(&a->rows[1], y),
                               hc_plane_row(&a->rows[2], y)};
        hc_calibrate_apply_rows(row, a->c, (size_t)a->rows[0].w);
    }
}

hc_status hc_work_apply_calibration(struct hc_work *w, int64_t view, const struct hc_raster *in,
                                    const char *path, struct hc_job *job, struct hc_err *err)
{
    struct hc_calibration c;
    struct hc_flat flat;
    bool has_flat = false;
    struct hc_raster_writer *out = NULL;
    int width = hc_raster_w(in), height = hc_raster_h(in);
    hc_status st = calibration_load(w, view, &c, &flat, &has_flat, err);
    st = st == HC_OK ? hc_raster_create(&out, path, width, height, 3, err) : st;
    for (int y = 0; st == HC_OK && y < height; y += 256) {
        struct hc_lin3 lin = {0};
        struct apply a = {&c, lin.ch};
        int n = height - y < 256 ? height - y : 256;
        st = hc_job_step(job, (double)y / height, "applying the calibration", err);
        st = st == HC_OK ? hc_work_read_rect(in, (struct hc_work_rect){0, y, width, n}, lin.ch, err)
                         : st;
        if (st == HC_OK) {
            if (has_flat) {
                hc_flat_apply_rows(&lin, &flat, y, width, height);
            }
            hc_par_rows(w->par, n, apply_block, &a);
            st = hc_raster_append(out, lin.ch, err);
        }
        hc_lin3_release(&lin);
    }
    if (st == HC_OK) {
        return hc_raster_finish(out, err);
    }
    if (out) {
        hc_raster_abandon(out);
    }
    return st;
}

// ---- measuring ----
static hc_status find_target(const struct hc_raster *r, struct hc_work_bench *b, struct hc_job *job,
                             struct hc_err *err)
{
    struct hc_lin3 over = {0};
    int cell = 1;
    hc_status st = hc_raster_overview(r, FIND_SIDE, over.ch, &cell, job, err);
    st = st == HC_OK ? hc_target_find(&b->place, &over, &b->target, err) : st;
    for (int i = 0; st == HC_OK && i < 4; i++) {
        b->place.corner[i].x *= cell;
        b->place.corner[i].y *= cell;
    }
    hc_lin3_release(&over);
    return st;
}

// The full-size pixels around the target, one patch distance beyond its corner patches.
static hc_status target_box(const struct hc_raster *r, const struct hc_work_bench *b,
                            struct hc_work_rect *at, struct hc_err *err)
{
    struct hc_box box = hc_poly_box(b->place.corner, 4);
    int least = b->target.rows < b->target.cols ? b->target.rows : b->target.cols;
    double grow = fmax(box.x1 - box.x0, box.y1 - box.y0) / (least > 1 ? least - 1 : 1);
    at->x0 = (int)fmax(0, floor(box.x0 - grow));
    at->y0 = (int)fmax(0, floor(box.y0 - grow));
    at->w = (int)fmin(hc_raster_w(r), ceil(box.x1 + grow)) - at->x0;
    at->h = (int)fmin(hc_raster_h(r), ceil(box.y1 + grow)) - at->y0;
    if (at->w < 1 || at->h < 1) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM, "the corners given lie outside the view");
    }
    if ((double)at->w * at->h > TARGET_PX) {
        return hc_err_set(
            err, HC_ELIMIT, HC_WORK_ROOM,
            "the target covers %.0f Mpx of the view; photograph it smaller (up to %.0f)",
            (double)at->w * at->h / 1e6, TARGET_PX / 1e6);
    }
    return HC_OK;
}

static hc_status measure(const struct hc_raster *r, struct hc_work_bench *b, struct hc_err *err)
{
    struct hc_work_rect at = {0};
    struct hc_lin3 lin = {0};
    struct hc_pt corner[4];
    struct hc_box edge;
    hc_status st = target_box(r, b, &at, err);
    st = st == HC_OK ? hc_work_read_rect(r, at, lin.ch, err) : st;
    for (int i = 0; i < 4; i++) {
        corner[i] = (struct hc_pt){b->place.corner[i].x - at.x0, b->place.corner[i].y - at.y0};
    }
    if (st == HC_OK && b->has_flat) {
        hc_flat_apply_rows(&lin, &b->flat, at.y0, hc_raster_w(r), hc_raster_h(r));
    }
    st = st == HC_OK ? hc_target_measure(b->patch, &lin, &b->target, corner, CEILING, err) : st;
    st = st == HC_OK ? hc_calibrate_fit(&b->c, b->patch, &b->target, HC_CALIBRATE_BEST, err) : st;
    if (st == HC_OK) {
        b->has_edge = hc_edge_in_target(&edge, &lin, &b->target, corner, NULL) == HC_OK &&
                      hc_edge_measure(&b->edge, &lin, edge, NULL) == HC_OK;
    }
    hc_lin3_release(&lin);
    return st;
}

// Stores the calibration of one view and remakes what is shown of it. The raster's inputs name the
// calibration, so nothing old is taken for new.
static hc_status keep(struct hc_work *w, const struct hc_work_bench *m, const struct hc_view *from,
                      struct hc_view *v, struct hc_buf *json, struct hc_job *job,
                      struct hc_err *err)
{
    struct hc_buf b = {0};
    char kind[48];
    int64_t id;
    hc_status st = hc_work_calibration_document(&b, m, from, v->id != from->id, err);
    hc_work_calibration_kind(kind, sizeof kind, v->id);
    st = st == HC_OK ? hc_store_put_result(w->store, kind, hc_buf_text(&b), &id, err) : st;
    st = st == HC_OK ? hc_work_view_changed(w, v, job, err) : st;
    if (st == HC_OK && json) {
        hc_json_raw(json, hc_buf_text(&b));
    }
    hc_buf_release(&b);
    return st;
}

static hc_status colour_view(struct hc_work *w, const char *name, struct hc_view *v,
                             struct hc_err *err)
{
    hc_status st = hc_store_view_by_name(w->store, name, v, err);
    if (st == HC_OK && v->bands != 3) {
        st = hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                        "view %s has one grey band; nothing to calibrate", v->label);
    }
    if (st == HC_OK && (strcmp(v->technique, "uv") == 0 || strcmp(v->technique, "ir") == 0 ||
                        strcmp(v->technique, "xray") == 0)) {
        st = hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                        "view %s (%s) does not show reflected visible light; a colour target says "
                        "nothing about its colours",
                        v->label, v->technique);
    }
    return st;
}

// The light's fall-off, from a view of an even board photographed in the same set-up.
static hc_status measure_flat(struct hc_work *w, const char *name, struct hc_work_bench *b,
                              struct hc_job *job, struct hc_err *err)
{
    struct hc_view board = {0};
    struct hc_raster *r = NULL;
    struct hc_lin3 over = {0};
    int cell;
    hc_status st = colour_view(w, name, &board, err);
    st = st == HC_OK ? hc_work_open_decoded(w, &board, &r, err) : st;
    st = st == HC_OK ? hc_raster_overview(r, FIND_SIDE, over.ch, &cell, job, err) : st;
    st = st == HC_OK ? hc_flat_measure(&b->flat, &over, CEILING, err) : st;
    b->has_flat = st == HC_OK;
    hc_lin3_release(&over);
    hc_raster_close(r);
    hc_view_release(&board);
    return st;
}

static hc_status run(struct hc_work *w, const struct hc_work_calibrate *req,
                     const struct hc_view *v, struct hc_work_bench *b, struct hc_job *job,
                     struct hc_err *err)
{
    struct hc_raster *r = NULL;
    hc_status st = hc_readings_read(&b->readings, req->chart, strlen(req->chart), err);
    st = st == HC_OK ? hc_target_make(&b->target, &b->readings, req->rows, req->cols, err) : st;
    st = st == HC_OK && req->flat ? measure_flat(w, req->flat, b, job, err) : st;
    st = st == HC_OK ? hc_work_open_decoded(w, v, &r, err) : st;
    if (st == HC_OK && req->has_corners) {
        memcpy(b->place.corner, req->corner, sizeof b->place.corner);
        b->place.confidence = 1;
    } else if (st == HC_OK) {
        st = find_target(r, b, job, err);
    }
    st = st == HC_OK ? measure(r, b, err) : st;
    if (st == HC_OK) {
        hc_quality_make(&b->quality, &b->c, b->patch, &b->target, b->has_flat ? &b->flat : NULL,
                        b->has_edge ? &b->edge : NULL);
    }
    hc_raster_close(r);
    return st;
}

hc_status hc_work_calibrate(struct hc_work *w, const struct hc_work_calibrate *req,
                            struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    struct hc_work_bench *b = hc_mem_array(1, sizeof *b);
    struct hc_view v = {0}, *also = hc_mem_array(req->n_also + 1, sizeof *also);
    hc_status st;
    if (!b || !also) {
        st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the calibration");
        goto done;
    }
    st = colour_view(w, req->view, &v, err);
    for (size_t i = 0; st == HC_OK && i < req->n_also; i++) {
        st = colour_view(w, req->also[i], &also[i], err);
    }
    st = st == HC_OK ? run(w, req, &v, b, job, err) : st;
    st = st == HC_OK ? keep(w, b, &v, &v, json, job, err) : st;
    for (size_t i = 0; st == HC_OK && i < req->n_also; i++) {
        st = keep(w, b, &v, &also[i], NULL, job, err);
    }
done:
    for (size_t i = 0; also && i < req->n_also; i++) {
        hc_view_release(&also[i]);
    }
    if (b) {
        hc_readings_release(&b->readings);
    }
    hc_mem_free(also);
    hc_mem_free(b);
    hc_view_release(&v);
    return st;
}

hc_status hc_work_calibrate_remove(struct hc_work *w, const char *view, struct hc_job *job,
                                   struct hc_err *err)
{
    struct hc_view v = {0};
    char kind[48];
    int64_t id;
    hc_status st = colour_view(w, view, &v, err);
    if (st == HC_OK && hc_work_calibration_id(w, v.id) == 0) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM, "view %s has no calibration", v.label);
    }
    hc_work_calibration_kind(kind, sizeof kind, v.id);
    st = st == HC_OK ? hc_store_put_result(w->store, kind, "{\"none\":true}", &id, err) : st;
    st = st == HC_OK ? hc_work_view_changed(w, &v, job, err) : st;
    hc_view_release(&v);
    return st;
}
