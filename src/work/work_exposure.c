// Matching exposure between the reference and other views in normal light.
#include <math.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

#define EXPOSURE_SIDE 1500 // overview for the exposure ratio, px on the longest side

// Where two views are compared: a box of the frame, in cells of `cell` x `cell` frame px.
struct area {
    int x0, y0, w, h, cell;
};

static struct area area_of(const struct hc_work_place *place, const struct hc_painting *p)
{
    struct area a = {0, 0, p->frame_w, p->frame_h, 1};
    if (place->is_detail) {
        a = (struct area){place->grid.x0, place->grid.y0, place->grid.w, place->grid.h, 1};
    }
    a.cell = ((a.w > a.h ? a.w : a.h) + EXPOSURE_SIDE - 1) / EXPOSURE_SIDE;
    return a;
}

// 0 in the windows and a margin, and where the view does not show the whole cell; else 1.
static hc_status make_mask(struct hc_work *w, struct hc_plane *mask, const struct area *a,
                           const struct hc_work_place *place, double mm_per_px, struct hc_err *err)
{
    struct hc_window_list l = {0};
    // 1 mm of solvent edge, and the two pixels by which test and before may differ.
    double margin = 1.0 / (mm_per_px * a->cell) + 2.0;
    hc_status st = hc_store_windows(w->store, &l, err);
    for (int y = 0; y < mask->h; y++) {
        for (int x = 0; x < mask->w; x++) {
            double fx = a->x0 + x * a->cell, fy = a->y0 + y * a->cell, s = a->cell;
            const struct hc_pt corner[] = {{fx, fy}, {fx + s, fy}, {fx, fy + s}, {fx + s, fy + s}};
            hc_plane_row(mask, y)[x] = hc_work_place_shows(place, corner, 4) ? 1.0f : 0.0f;
        }
    }
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        struct hc_pt *pt = NULL;
        size_t n = 0;
        st = hc_work_poly_parse(&pt, &n, l.w[i].polygon, err);
        if (st == HC_OK) {
            struct hc_box b = hc_poly_box(pt, n);
            int x0 = (int)fmax(0, floor((b.x0 - a->x0) / a->cell - margin)),
                y0 = (int)fmax(0, floor((b.y0 - a->y0) / a->cell - margin));
            int x1 = (int)fmin(mask->w, ceil((b.x1 - a->x0) / a->cell + margin)),
                y1 = (int)fmin(mask->h, ceil((b.y1 - a->y0) / a->cell + margin));
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

hc_status hc_work_cell_means(const struct hc_raster *r, int x0, int y0, int side,
                             struct hc_plane out[3], struct hc_job *job, struct hc_err *err)
{
    hc_status st = HC_OK;
    for (int y = 0; st == HC_OK && y < out[0].h; y++) {
        struct hc_plane rows[3] = {{0}};
        st = hc_job_step(job, (double)y / out[0].h, "matching the exposure", err);
        if (st == HC_OK) {
            st = hc_work_read_rect(
                r, (struct hc_work_rect){x0, y0 + y * side, out[0].w * side, side}, rows, err);
        }
        for (int c = 0; st == HC_OK && c < 3; c++) {
            for (int x = 0; x < out[c].w; x++) {
                double sum = 0;
                for (int j = 0; j < side; j++) {
                    for (int i = 0; i < side; i++) {
                        sum += (double)hc_plane_get(&rows[c], x * side + i, j);
                    }
                }
                hc_plane_row(&out[c], y)[x] = (float)(sum / ((double)side * side));
            }
        }
        for (int c = 0; c < 3; c++) {
            hc_plane_release(&rows[c]);
        }
    }
    return st;
}

struct pair {
    struct hc_raster *ref, *view;
    struct hc_lin3 over_ref, over_view;
    struct hc_plane mask;
    struct hc_work_place place;
};

static void pair_release(struct pair *q)
{
    hc_plane_release(&q->mask);
    hc_lin3_release(&q->over_ref);
    hc_lin3_release(&q->over_view);
    hc_raster_close(q->ref);
    hc_raster_close(q->view);
    hc_work_place_release(&q->place);
}

static hc_status load_whole(struct hc_work *w, struct pair *q, const struct hc_view *ref,
                            const struct hc_view *v, struct area *a, struct hc_job *job,
                            struct hc_err *err)
{
    hc_status st = hc_work_overview(w, ref, EXPOSURE_SIDE, q->over_ref.ch, &a->cell, job, err);
    return st == HC_OK ? hc_work_overview(w, v, EXPOSURE_SIDE, q->over_view.ch, &a->cell, job, err)
                       : st;
}

// A detail and the part of the frame it shows, in the same cells.
static hc_status load_detail(struct pair *q, const struct area *a, struct hc_job *job,
                             struct hc_err *err)
{
    int w = a->w / a->cell, h = a->h / a->cell;
    hc_status st = hc_lin3_create(&q->over_ref, w, h, err);
    st = st == HC_OK ? hc_lin3_create(&q->over_view, w, h, err) : st;
    st = st == HC_OK ? hc_work_cell_means(q->ref, a->x0, a->y0, a->cell, q->over_ref.ch, job, err)
                     : st;
    return st == HC_OK ? hc_work_cell_means(q->view, 0, 0, a->cell * q->place.grid.magnification,
                                            q->over_view.ch, job, err)
                       : st;
}

static hc_status pair_load(struct hc_work *w, struct pair *q, const struct hc_view *v,
                           const struct hc_painting *p, struct hc_job *job, struct hc_err *err)
{
    struct hc_view ref = {0};
    struct area a = {0};
    hc_status st = hc_store_view_by_id(w->store, p->frame_view, &ref, err);
    st = st == HC_OK ? hc_work_open_placed(w, &ref, &q->ref, err) : st;
    st = st == HC_OK ? hc_work_open_placed(w, v, &q->view, err) : st;
    st = st == HC_OK ? hc_work_place_read(&q->place, v, err) : st;
    if (st == HC_OK) {
        a = area_of(&q->place, p);
        st = q->place.is_detail ? load_detail(q, &a, job, err)
                                : load_whole(w, q, &ref, v, &a, job, err);
    }
    if (st == HC_OK) {
        st = hc_plane_create(&q->mask, q->over_ref.ch[0].w, q->over_ref.ch[0].h, err);
    }
    st = st == HC_OK ? make_mask(w, &q->mask, &a, &q->place, hc_work_mm_per_px(p), err) : st;
    hc_view_release(&ref);
    return st;
}

hc_status hc_work_match_exposure(struct hc_work *w, struct hc_view *v, struct hc_job *job,
                                 struct hc_err *err)
{
    struct hc_painting p = {0};
    struct pair q = {0};
    struct hc_align_exposure e = {.common = 1};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? pair_load(w, &q, v, &p, job, err) : st;
    if (st == HC_OK) {
        st = hc_align_exposure(&e, &q.over_ref, &q.over_view, &q.mask, err);
        // A detail may show too little outside the windows: then its light stays as it is.
        if (st == HC_EDATA && q.place.is_detail) {
            e = (struct hc_align_exposure){.common = 1};
            st = HC_OK;
        }
    }
    if (st == HC_OK) {
        v->exposure_factor = e.common;
        v->exposure_spread = e.spread;
        st = hc_store_place_view(w->store, v, err);
    }
    pair_release(&q);
    hc_painting_release(&p);
    return st == HC_OK ? st : hc_err_prefix(err, st, "exposure of view %s: ", v->label);
}
