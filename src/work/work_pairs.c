// Placement by pairs of points marked by hand, for views the measurement cannot place. The pairs of
// a view are kept as the result "pairs-<id>".
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

#define MIN_PAIRS 4
#define MAX_PAIRS HC_ALIGN_MAX_PAIRS
#define SAME_PX 0.5 // marks closer than this in the frame are one mark

struct pairs {
    struct hc_work_pair p[MAX_PAIRS];
    size_t n;
};

// Four numbers separated by commas, spaces or tabs, and nothing else up to the line's end.
static bool read_four(const char *line, size_t length, double v[4])
{
    const char *p = line, *end_of_line = line + length;
    for (int i = 0; i < 4; i++) {
        char *end = NULL;
        v[i] = strtod(p, &end);
        if (end == p || end > end_of_line) {
            return false;
        }
        p = end + strspn(end, ", \t");
    }
    p += strspn(p, "\r");
    return p >= end_of_line;
}

static hc_status read_pairs(struct pairs *out, const char *text, struct hc_err *err)
{
    int number = 0;
    bool is_begun = false;
    for (const char *line = text; *line;) {
        size_t length = strcspn(line, "\n"), blank = strspn(line, " \t\r");
        double v[4];
        number++;
        if (blank < length && *line != '#') {
            bool is_pair = read_four(line, length, v);
            bool is_heading = !is_pair && !is_begun;
            is_begun = true;
            if (!is_pair && !is_heading) {
                return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                                  "line %d is not four numbers frame_x,frame_y,view_x,view_y",
                                  number);
            }
            if (is_pair && out->n == MAX_PAIRS) {
                return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM, "more than %d pairs of points",
                                  MAX_PAIRS);
            }
            if (is_pair) {
                out->p[out->n++] = (struct hc_work_pair){v[0], v[1], v[2], v[3]};
            }
        }
        line += length + (line[length] == '\n');
    }
    return HC_OK;
}

static bool is_inside(double x, double y, int w, int h)
{
    return x >= 0 && y >= 0 && x <= w && y <= h;
}

static hc_status check_pairs(const struct hc_work_pair *p, size_t n, const struct hc_view *v,
                             const struct hc_painting *frame, struct hc_err *err)
{
    if (v->id == frame->frame_view) {
        return hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM,
                          "view %s is the reference: the others are placed on it", v->label);
    }
    if (n < MIN_PAIRS) {
        return hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                          "%zu pairs of points; give at least 4, better 8 spread to the corners",
                          n);
    }
    if (n > MAX_PAIRS) {
        return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM, "more than %d pairs of points", MAX_PAIRS);
    }
    for (size_t i = 0; i < n; i++) {
        if (!is_inside(p[i].frame_x, p[i].frame_y, frame->frame_w, frame->frame_h)) {
            return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                              "pair %zu: %.1f, %.1f lies outside the frame of %d x %d px", i + 1,
                              p[i].frame_x, p[i].frame_y, frame->frame_w, frame->frame_h);
        }
        if (!is_inside(p[i].view_x, p[i].view_y, v->w, v->h)) {
            return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                              "pair %zu: %.1f, %.1f lies outside view %s of %d x %d px", i + 1,
                              p[i].view_x, p[i].view_y, v->label, v->w, v->h);
        }
        for (size_t j = 0; j < i; j++) {
            if (hypot(p[i].frame_x - p[j].frame_x, p[i].frame_y - p[j].frame_y) < SAME_PX) {
                return hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM,
                                  "pairs %zu and %zu mark the same place of the frame; keep one",
                                  j + 1, i + 1);
            }
        }
    }
    return HC_OK;
}

static hc_status pairs_put(struct hc_work *w, int64_t view, const struct hc_work_pair *p, size_t n,
                           struct hc_err *err)
{
    struct hc_buf b = {0};
    char kind[48];
    int64_t id;
    hc_status st;
    snprintf(kind, sizeof kind, "pairs-%lld", (long long)view);
    hc_json_obj(&b);
    hc_json_key(&b, "pairs");
    hc_json_arr(&b);
    for (size_t i = 0; i < n; i++) {
        hc_json_arr(&b);
        hc_json_num(&b, p[i].frame_x);
        hc_json_num(&b, p[i].frame_y);
        hc_json_num(&b, p[i].view_x);
        hc_json_num(&b, p[i].view_y);
        hc_json_end_arr(&b);
    }
    hc_json_end_arr(&b);
    hc_json_end_obj(&b);
    st = hc_buf_check(&b, err);
    st = st == HC_OK ? hc_store_put_result(w->store, kind, hc_buf_text(&b), &id, err) : st;
    hc_buf_release(&b);
    return st;
}

// The pairs kept for a view; none is no failure.
static hc_status pairs_get(struct hc_work *w, int64_t view, struct pairs *out, struct hc_err *err)
{
    char kind[48];
    json_t *doc = NULL;
    const json_t *list;
    hc_status st;
    out->n = 0;
    snprintf(kind, sizeof kind, "pairs-%lld", (long long)view);
    st = hc_work_result(w, kind, &doc, err);
    if (st != HC_OK) {
        return st == HC_ENOTFOUND ? HC_OK : st;
    }
    list = json_object_get(doc, "pairs");
    for (size_t i = 0; i < json_array_size(list) && i < MAX_PAIRS; i++) {
        const json_t *p = json_array_get(list, i);
        double v[4];
        for (size_t k = 0; k < 4; k++) {
            v[k] = json_number_value(json_array_get(p, k));
        }
        out->p[out->n++] = (struct hc_work_pair){v[0], v[1], v[2], v[3]};
    }
    json_decref(doc);
    return HC_OK;
}

static hc_status fit_pairs(struct hc_align_fit *fit, const struct hc_work_pair *p, size_t n,
                           const struct hc_painting *frame, const struct hc_view *v,
                           struct hc_err *err)
{
    struct hc_pt a[MAX_PAIRS], b[MAX_PAIRS];
    for (size_t i = 0; i < n; i++) {
        a[i] = (struct hc_pt){p[i].frame_x, p[i].frame_y};
        b[i] = (struct hc_pt){p[i].view_x, p[i].view_y};
    }
    return hc_align_points(fit, a, b, n, frame->frame_w, frame->frame_h, v->w, v->h, err);
}

hc_status hc_work_fit_kept_pairs(struct hc_work *w, const struct hc_view *v,
                                 const struct hc_painting *p, struct hc_align_fit *fit,
                                 struct hc_err *err)
{
    struct pairs kept;
    hc_status st = pairs_get(w, v->id, &kept, err);
    if (st == HC_OK && kept.n == 0) {
        return hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM,
                          "no pairs of points are kept for view %s", v->label);
    }
    return st == HC_OK ? fit_pairs(fit, kept.p, kept.n, p, v, err) : st;
}

// The painting and the view named, both owned by the caller on success.
static hc_status find(struct hc_work *w, const char *view, struct hc_painting *p, struct hc_view *v,
                      struct hc_err *err)
{
    hc_status st = hc_work_framed(w, p, err);
    return st == HC_OK ? hc_store_view_by_name(w->store, view, v, err) : st;
}

hc_status hc_work_pairs(struct hc_work *w, const char *view, struct hc_buf *b, struct hc_err *err)
{
    struct hc_view v = {0};
    struct pairs kept;
    hc_status st = hc_store_view_by_name(w->store, view, &v, err);
    st = st == HC_OK ? pairs_get(w, v.id, &kept, err) : st;
    if (st == HC_OK) {
        hc_json_obj(b);
        hc_json_kint(b, "view", v.id);
        hc_json_key(b, "pairs");
        hc_json_arr(b);
        for (size_t i = 0; i < kept.n; i++) {
            const struct hc_work_pair *q = &kept.p[i];
            const double n[4] = {q->frame_x, q->frame_y, q->view_x, q->view_y};
            hc_json_arr(b);
            for (size_t k = 0; k < 4; k++) {
                hc_json_num(b, n[k]);
            }
            hc_json_end_arr(b);
        }
        hc_json_end_arr(b);
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
    }
    hc_view_release(&v);
    return st;
}

hc_status hc_work_pairs_check(struct hc_work *w, const char *view, const struct hc_work_pair *pair,
                              size_t n, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    hc_status st = find(w, view, &p, &v, err);
    st = st == HC_OK ? check_pairs(pair, n, &v, &p, err) : st;
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}

hc_status hc_work_align_pairs(struct hc_work *w, const char *view, const struct hc_work_pair *pair,
                              size_t n, struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    struct hc_align_fit fit = {0};
    hc_status st = find(w, view, &p, &v, err);
    st = st == HC_OK ? check_pairs(pair, n, &v, &p, err) : st;
    // Fitted before they are kept: pairs that determine no place are refused whole.
    st = st == HC_OK ? fit_pairs(&fit, pair, n, &p, &v, err) : st;
    st = st == HC_OK ? pairs_put(w, v.id, pair, n, err) : st;
    st = st == HC_OK ? hc_work_store_fit(w, &v, &fit, true, err) : st;
    st = st == HC_OK ? hc_work_view_changed(w, &v, job, err) : st;
    if (st == HC_OK && json) {
        hc_work_view_json(w, json, &v, hc_work_mm_per_px(&p));
        st = hc_buf_check(json, err);
    }
    hc_align_fit_release(&fit);
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}

hc_status hc_work_align_points(struct hc_work *w, const char *view, const char *text,
                               struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    struct pairs read = {.n = 0};
    hc_status st = read_pairs(&read, text, err);
    return st == HC_OK ? hc_work_align_pairs(w, view, read.p, read.n, json, job, err) : st;
}
