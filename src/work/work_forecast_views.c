// Which views a forecast may rest on: placed well enough, and showing what is asked of them
// (docs/theory/forecast.md, section 11).
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_forecast_priv.h"

// Three times the 95 % residual of a UV view that is only usable: over less than this a coat does
// not change, and an edge of later paint may be off by no more (our own choice).
#define UV_MISS_MM 1.0

static bool is_placed_finely(const struct hc_view *v, double limit_px)
{
    return strcmp(v->verdict, "good") == 0 ||
           (v->held_out_p95_px >= 0 && v->held_out_p95_px <= limit_px);
}

static hc_status shows_windows(const struct hc_work_place *place, const struct hc_window_list *l,
                               bool *out, struct hc_err *err)
{
    hc_status st = HC_OK;
    *out = true;
    for (size_t i = 0; st == HC_OK && i < l->n; i++) {
        struct hc_pt *pt = NULL;
        size_t n = 0;
        st = hc_work_poly_parse(&pt, &n, l->w[i].polygon, err);
        *out = *out && st == HC_OK && hc_work_place_shows(place, pt, n);
        hc_mem_free(pt);
    }
    return st;
}

// Why this UV view is left aside, "" when it is not.
static hc_status judge_uv(struct hc_work_uv *uv, const struct hc_view *v,
                          const struct hc_window_list *windows, double mm, struct hc_err *err)
{
    const struct hc_work_place *place = &uv->place;
    bool is_showing = true;
    hc_status st = shows_windows(place, windows, &is_showing, err);
    uv->note[0] = 0;
    if (place->is_detail) {
        snprintf(uv->note, sizeof uv->note, "UV view %.80s shows a detail: left aside", v->label);
    } else if (!is_placed_finely(v, UV_MISS_MM / mm / 3)) {
        char within[40] = "not known how finely";
        if (v->held_out_p95_px >= 0) {
            snprintf(within, sizeof within, "within %.1f px only (95 %%)", v->held_out_p95_px);
        }
        snprintf(uv->note, sizeof uv->note,
                 "UV view %.80s is placed %s: left aside, as three times that may not pass %.0f mm",
                 v->label, within, UV_MISS_MM);
    } else if (!is_showing) {
        snprintf(uv->note, sizeof uv->note, "UV view %.80s does not show every window: left aside",
                 v->label);
    }
    return st;
}

hc_status hc_work_find_uv(struct hc_work *w, struct hc_work_uv *uv, const struct hc_painting *p,
                          const struct hc_window_list *windows, struct hc_err *err)
{
    struct hc_view_list l = {0};
    const struct hc_pt corner[] = {{0.5, 0.5},
                                   {p->frame_w - 0.5, 0.5},
                                   {0.5, p->frame_h - 0.5},
                                   {p->frame_w - 0.5, p->frame_h - 0.5}};
    hc_status st = hc_store_views(w->store, &l, err);
    *uv = (struct hc_work_uv){0};
    for (size_t i = 0; st == HC_OK && i < l.n && uv->view.id == 0; i++) {
        if (strcmp(l.v[i].technique, "uv") != 0 || strcmp(l.v[i].state, "before") != 0 ||
            !hc_work_is_placed(&l.v[i])) {
            continue;
        }
        hc_work_place_release(&uv->place);
        st = hc_work_place_read(&uv->place, &l.v[i], err);
        st = st == HC_OK ? judge_uv(uv, &l.v[i], windows, hc_work_mm_per_px(p), err) : st;
        if (st == HC_OK && !uv->note[0]) {
            st = hc_store_view_by_id(w->store, l.v[i].id, &uv->view, err);
        }
    }
    hc_view_list_release(&l);
    uv->is_partial = uv->view.id && !hc_work_place_shows(&uv->place, corner, 4);
    return st;
}

void hc_work_uv_release(struct hc_work_uv *uv)
{
    hc_view_release(&uv->view);
    hc_work_place_release(&uv->place);
}

hc_status hc_work_check_test(const struct hc_view *v, const struct hc_work_place *place,
                             const struct hc_pt *pt, size_t n, struct hc_err *err)
{
    struct hc_box box = hc_poly_box(pt, n);
    if (!hc_work_place_shows(place, pt, n)) {
        return hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                          "view %s does not show all of it; draw it where the view lies, or use "
                          "another test view",
                          v->label);
    }
    if (!is_placed_finely(v, HC_WORK_EDGE_PX)) {
        if (v->held_out_p95_px < 0) {
            return hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                              "how well view %s is placed is not known; place it by 8 or more "
                              "pairs of points",
                              v->label);
        }
        return hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                          "view %s is placed within %.1f px only (95 %%), and a window is read "
                          "from %.1f px inside its outline on; place the view better",
                          v->label, v->held_out_p95_px, HC_WORK_EDGE_PX);
    }
    if (hc_work_place_support(place,
                              (struct hc_pt){(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2}) ==
        HC_WORK_EXTRAPOLATED) {
        return hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                          "the placement of view %s is extrapolated there; place the view with "
                          "pairs of points around it",
                          v->label);
    }
    return HC_OK;
}

hc_status hc_work_read_in_frame(const struct hc_raster *r, const struct hc_work_place *place,
                                struct hc_work_rect at, struct hc_plane bands[3],
                                struct hc_err *err)
{
    const struct hc_raster_grid *g = &place->grid;
    hc_status st = HC_OK;
    if (!place->is_detail) {
        return hc_work_read_rect(r, at, bands, err);
    }
    for (int c = 0; st == HC_OK && c < 3; c++) {
        st = hc_plane_create(&bands[c], at.w, at.h, err);
    }
    return st == HC_OK ? hc_work_cell_means(r, (at.x0 - g->x0) * g->magnification,
                                            (at.y0 - g->y0) * g->magnification, g->magnification,
                                            bands, NULL, err)
                       : st;
}
