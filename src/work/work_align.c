// Placing views in the frame by what they show, and taking a placement back.
#include <stdio.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

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

static struct hc_align_ignore lend_ignored(const struct hc_work_ignored *g)
{
    return (struct hc_align_ignore){(const struct hc_pt *const *)g->poly, g->corners, g->n};
}

static hc_status measure(struct hc_work *w, const struct hc_view *ref, const struct hc_view *v,
                         struct hc_align_fit *fit, struct hc_job *job, struct hc_err *err)
{
    struct hc_raster *a = NULL, *b = NULL;
    struct hc_work_ignored in_frame = {0}, in_view = {0};
    struct hc_err why = {0};
    hc_status st = hc_work_open_own(w, ref, &a, err);
    st = st == HC_OK ? hc_work_open_own(w, v, &b, err) : st;
    st = st == HC_OK ? hc_work_ignored_read(w, ref->id, &in_frame, err) : st;
    st = st == HC_OK ? hc_work_ignored_read(w, v->id, &in_view, err) : st;
    if (st == HC_OK) {
        struct hc_align_source sa = {hc_raster_w(a), hc_raster_h(a), hc_work_read_grey, a};
        struct hc_align_source sb = {hc_raster_w(b), hc_raster_h(b), hc_work_read_grey, b};
        struct hc_align_options options = {lend_ignored(&in_frame), lend_ignored(&in_view)};
        st = hc_align_place(fit, &sa, &sb, &options, w->par, job, &why);
        if (st == HC_EDATA) {
            refuse(fit, &why);
            st = HC_OK;
        } else if (st != HC_OK && err) {
            *err = why;
        }
    }
    hc_work_ignored_release(&in_frame);
    hc_work_ignored_release(&in_view);
    hc_raster_close(a);
    hc_raster_close(b);
    return st;
}

static bool is_raking(const struct hc_view *v)
{
    return strcmp(v->technique, "raking") == 0;
}

// Measured; where that is refused and pairs of points are kept, by these.
static hc_status place_one(struct hc_work *w, const struct hc_view *ref, struct hc_view *v,
                           const struct hc_painting *p, struct hc_job *job, struct hc_err *err)
{
    struct hc_align_fit fit = {0}, by_hand = {0};
    bool is_by_hand = false;
    hc_status st = hc_work_view_refresh(w, v, false, job, err);
    st = st == HC_OK ? measure(w, ref, v, &fit, job, err) : st;
    if (st == HC_OK && fit.verdict == HC_ALIGN_REFUSED) {
        is_by_hand = hc_work_fit_kept_pairs(w, v, p, &by_hand, NULL) == HC_OK &&
                     by_hand.verdict != HC_ALIGN_REFUSED;
    }
    st = st == HC_OK ? hc_work_store_fit(w, v, is_by_hand ? &by_hand : &fit, is_by_hand, err) : st;
    hc_align_fit_release(&fit);
    hc_align_fit_release(&by_hand);
    // Raking views are resampled once all of their set are placed.
    if (st == HC_OK && (!is_raking(v) || v->is_placed == false)) {
        st = hc_work_view_changed(w, v, job, err);
    }
    return st == HC_OK ? st : hc_err_prefix(err, st, "placing view %s: ", v->label);
}

// The view named (by id), or with 0 every view that was not tried yet.
static bool is_asked_for(const struct hc_view *v, int64_t id)
{
    bool is_refused = v->verdict && strcmp(v->verdict, "refused") == 0;
    return id ? v->id == id : !hc_work_is_placed(v) && !is_refused;
}

// Remakes what is missing or out of date of every view (also what was deleted from derived/), and
// tells of the views: of the one named by its id, or with 0 of all.
static hc_status finish(struct hc_work *w, const struct hc_painting *p, int64_t asked,
                        struct hc_buf *b, struct hc_job *job, struct hc_err *err)
{
    struct hc_view_list l = {0};
    hc_status st = hc_store_views(w->store, &l, err);
    if (b) {
        hc_json_obj(b);
        hc_json_key(b, "views");
        hc_json_arr(b);
    }
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        st = hc_work_view_refresh(w, &l.v[i], false, job, err);
        if (st == HC_OK && b && (asked == 0 || l.v[i].id == asked)) {
            hc_work_view_json(w, b, &l.v[i], hc_work_mm_per_px(p));
        }
    }
    if (b && st == HC_OK) {
        hc_json_end_arr(b);
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
    }
    hc_view_list_release(&l);
    return st;
}

hc_status hc_work_align(struct hc_work *w, const char *view, struct hc_buf *b, struct hc_job *job,
                        struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view_list l = {0};
    struct hc_view one = {0};
    const struct hc_view *ref = NULL;
    size_t todo = 0, done = 0;
    bool has_raking = false;
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK && view ? hc_store_view_by_name(w->store, view, &one, err) : st;
    st = st == HC_OK ? hc_store_views(w->store, &l, err) : st;
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        ref = l.v[i].id == p.frame_view ? &l.v[i] : ref;
        todo += is_asked_for(&l.v[i], one.id);
    }
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        struct hc_view *v = &l.v[i];
        bool is_asked = is_asked_for(v, one.id);
        hc_job_phase(job, (double)done / (double)(todo + 1),
                     (double)(done + 1) / (double)(todo + 1));
        if (v != ref && is_asked) {
            st = place_one(w, ref, v, &p, job, err);
            done++;
            has_raking = has_raking || is_raking(v);
        }
    }
    st = st == HC_OK && has_raking ? hc_work_share_places(w, &p, err) : st;
    st = st == HC_OK ? finish(w, &p, view ? one.id : 0, b, job, err) : st;
    hc_view_release(&one);
    hc_view_list_release(&l);
    hc_painting_release(&p);
    return st;
}

static hc_status forget_place(struct hc_work *w, struct hc_view *v, struct hc_err *err)
{
    const struct hc_homog same = hc_homog_identity();
    hc_mem_free(v->verdict);
    hc_mem_free(v->fit_why);
    hc_mem_free(v->fit_json);
    v->verdict = hc_mem_strdup("none");
    v->fit_why = hc_mem_strdup("the placement was taken back");
    v->fit_json = NULL;
    if (!v->verdict || !v->fit_why) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a view's placement");
    }
    v->is_placed = false;
    memcpy(v->frame_to_view, same.m, sizeof v->frame_to_view);
    v->held_out_median_px = v->held_out_p95_px = v->area_supported = 0;
    v->exposure_factor = 1;
    v->exposure_spread = 0;
    return hc_store_place_view(w->store, v, err);
}

hc_status hc_work_align_remove(struct hc_work *w, const char *view, struct hc_buf *b,
                               struct hc_job *job, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    char placed[64];
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_store_view_by_name(w->store, view, &v, err) : st;
    if (st == HC_OK && v.id == p.frame_view) {
        st = hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM,
                        "view %s is the reference: its place is the frame itself", v.label);
    } else if (st == HC_OK && (!v.verdict || strcmp(v.verdict, "none") == 0)) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM,
                        "view %s is not placed: there is nothing to take back", v.label);
    }
    st = st == HC_OK ? forget_place(w, &v, err) : st;
    if (st == HC_OK) {
        snprintf(placed, sizeof placed, "view-%lld-placed.raster", (long long)v.id);
        hc_work_drop_derived(w, placed);
    }
    st = st == HC_OK ? hc_work_view_refresh(w, &v, true, job, err) : st;
    if (st == HC_OK && b) {
        hc_work_view_json(w, b, &v, hc_work_mm_per_px(&p));
        st = hc_buf_check(b, err);
    }
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}
