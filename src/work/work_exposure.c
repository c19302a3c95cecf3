// Matching exposure between the reference and other views in normal light.
#include <math.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

#define EXPOSURE_SIDE 1500 // overview for the exposure ratio, px on the longest side

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
    struct hc_lin3 over_a = {0}, over_b = {0};
    struct hc_plane mask = {0};
    struct hc_align_exposure e = {0};
    int cell = 1;
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_store_view_by_id(w->store, p.frame_view, &ref, err) : st;
    st = st == HC_OK ? hc_work_overview(w, &ref, EXPOSURE_SIDE, over_a.ch, &cell, job, err) : st;
    st = st == HC_OK ? hc_work_overview(w, v, EXPOSURE_SIDE, over_b.ch, &cell, job, err) : st;
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
    hc_view_release(&ref);
    hc_painting_release(&p);
    return st == HC_OK ? st : hc_err_prefix(err, st, "exposure of view %s: ", v->label);
}
