// Windows and zones: polygons in the frame with what was done there.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_priv.h"

static const char *const zone_kinds[] = {"overpaint", "retouching", "loss",
                                         "abrasion",  "gilding",    NULL};

static bool is_in(const char *word, const char *const *list)
{
    while (*list && strcmp(word, *list) != 0) {
        list++;
    }
    return *list != NULL;
}

// The view named, or the only placed view in normal light of that state.
static hc_status find_view(struct hc_work *w, const char *name, const char *state,
                           struct hc_view *out, struct hc_err *err)
{
    struct hc_view_list l = {0};
    const struct hc_view *hit = NULL;
    int hits = 0;
    hc_status st;
    if (name && *name) {
        st = hc_store_view_by_name(w->store, name, out, err);
        if (st == HC_OK && strcmp(out->technique, "normal") != 0) {
            st = hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                            "view %s is %s; a window needs views in normal light", out->label,
                            out->technique);
        } else if (st == HC_OK && !hc_work_is_placed(out)) {
            st = hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                            "view %s has no place in the frame; align it first", out->label);
        }
        return st;
    }
    st = hc_store_views(w->store, &l, err);
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        const struct hc_view *v = &l.v[i];
        if (strcmp(v->technique, "normal") == 0 && strcmp(v->state, state) == 0 &&
            hc_work_is_placed(v)) {
            hit = v;
            hits++;
        }
    }
    if (st == HC_OK && hits != 1) {
        st = hc_err_set(
            err, hits ? HC_EARG : HC_ENOTFOUND, HC_WORK_ROOM,
            hits ? "several views in normal light have the state \"%s\": name one"
                 : "no placed view in normal light has the state \"%s\": add and align it",
            state);
    }
    if (st == HC_OK) {
        st = hc_store_view_by_id(w->store, hit->id, out, err);
    }
    hc_view_list_release(&l);
    return st;
}

static hc_status check_overlap(struct hc_work *w, const struct hc_pt *pt, size_t n,
                               struct hc_err *err)
{
    struct hc_window_list l = {0};
    hc_status st = hc_store_windows(w->store, &l, err);
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        struct hc_pt *q = NULL;
        size_t m = 0;
        st = hc_work_poly_parse(&q, &m, l.w[i].polygon, err);
        if (st == HC_OK && hc_poly_is_overlapping(pt, n, q, m)) {
            st = hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM,
                            "it overlaps window %s; a place can be in one window only",
                            l.w[i].label);
        }
        hc_mem_free(q);
    }
    hc_window_list_release(&l);
    return st;
}

static void window_json(struct hc_buf *b, const struct hc_window *x, double mm,
                        const json_t *report)
{
    hc_json_obj(b);
    hc_json_kint(b, "id", x->id);
    hc_json_kstr(b, "label", x->label);
    hc_json_key(b, "polygon");
    hc_json_raw(b, x->polygon);
    hc_json_kint(b, "before", x->before_view);
    hc_json_kint(b, "test", x->test_view);
    hc_json_kstr(b, "surface", x->surface);
    hc_json_kstr(b, "system", x->system ? x->system : "");
    hc_json_knum(b, "area_px", x->area_px);
    hc_json_knum(b, "area_mm2", x->area_px * mm * mm);
    hc_json_kstr(b, "added_at", x->added_at);
    hc_json_key(b, "forecast");
    if (report) {
        char *text = json_dumps(report, JSON_COMPACT | JSON_REAL_PRECISION(9));
        hc_json_raw(b, text ? text : "null");
        free(text); // the JSON library's own block
    } else {
        hc_json_null(b);
    }
    hc_json_end_obj(b);
}

struct window_draft {
    struct hc_view before, test;
    struct hc_window row;
};

static void draft_release(struct window_draft *d)
{
    hc_view_release(&d->before);
    hc_view_release(&d->test);
    hc_mem_free(d->row.label);
    hc_mem_free(d->row.polygon);
    hc_mem_free(d->row.surface);
    hc_mem_free(d->row.system);
}

static const char *first(const char *a, const char *b)
{
    return a && *a ? a : b && *b ? b : NULL;
}

static hc_status check_shown(const struct hc_view *v, const struct hc_work_poly *p,
                             struct hc_err *err)
{
    struct hc_work_place place = {0};
    hc_status st = hc_work_place_read(&place, v, err);
    if (st == HC_OK && !hc_work_place_shows(&place, p->pt, p->n)) {
        st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                        "test view %s does not show all of the window; draw it where the view lies",
                        v->label);
    }
    hc_work_place_release(&place);
    return st;
}

static hc_status check_draft(const struct window_draft *d, const struct hc_work_poly *p,
                             const char *surface, struct hc_err *err)
{
    static const char *const surfaces[] = {"bare", "saturated", "varnished", NULL};
    if (!surface || !is_in(surface, surfaces)) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                          "surface \"%s\": say how the window looked when photographed: bare, "
                          "saturated or varnished",
                          surface ? surface : "");
    }
    if (d->before.id == d->test.id) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM, "before and test are the same view (%s)",
                          d->test.label);
    }
    if (strcmp(d->before.verdict, "reference") != 0) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                          "the before view of a window must be the reference view, not %s",
                          d->before.label);
    }
    if (strcmp(d->test.state, "before") == 0) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                          "view %s shows the state before; a window needs a view with it open",
                          d->test.label);
    }
    return check_shown(&d->test, p, err);
}

static hc_status draft_row(struct window_draft *d, const struct hc_work_poly *p,
                           const struct hc_work_window *req, const char *surface, size_t number,
                           struct hc_err *err)
{
    struct hc_buf poly = {0};
    char label[80];
    const char *name = first(req->label, p->label), *system = first(req->system, p->system);
    snprintf(label, sizeof label, "window %zu", number);
    hc_work_poly_json(&poly, p->pt, p->n);
    d->row.polygon = hc_mem_strdup(hc_buf_text(&poly));
    hc_buf_release(&poly);
    d->row.label = hc_mem_strdup(name ? name : label);
    d->row.surface = hc_mem_strdup(surface);
    d->row.system = hc_mem_strdup(system ? system : "");
    d->row.before_view = d->before.id;
    d->row.test_view = d->test.id;
    d->row.area_px = hc_poly_area(p->pt, p->n);
    if (!d->row.polygon || !d->row.label || !d->row.surface || !d->row.system) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a window");
    }
    return HC_OK;
}

static hc_status add_one(struct hc_work *w, const struct hc_work_poly *p,
                         const struct hc_work_window *req, const struct hc_painting *painting,
                         struct hc_buf *b, struct hc_err *err)
{
    struct window_draft d = {0};
    const char *surface = first(req->surface, p->surface);
    struct hc_window_list l = {0};
    size_t number = 0;
    int64_t id = 0;
    hc_status st =
        hc_work_poly_check(p->pt, p->n, "frame", painting->frame_w, painting->frame_h, err);
    st = st == HC_OK ? find_view(w, first(req->before, p->before), "before", &d.before, err) : st;
    st = st == HC_OK ? find_view(w, first(req->test, p->test), "test", &d.test, err) : st;
    st = st == HC_OK ? check_draft(&d, p, surface, err) : st;
    st = st == HC_OK ? check_overlap(w, p->pt, p->n, err) : st;
    st = st == HC_OK ? hc_store_windows(w->store, &l, err) : st;
    for (size_t i = 0; i < l.n; i++) {
        number = (size_t)l.w[i].id > number ? (size_t)l.w[i].id : number;
    }
    st = st == HC_OK ? draft_row(&d, p, req, surface, number + 1, err) : st;
    st = st == HC_OK ? hc_store_add_window(w->store, &d.row, &id, err) : st;
    hc_window_list_release(&l);
    if (st == HC_OK && b) {
        st = hc_store_windows(w->store, &l, err);
        for (size_t i = 0; st == HC_OK && i < l.n; i++) {
            if (l.w[i].id == id) {
                window_json(b, &l.w[i], hc_work_mm_per_px(painting), NULL);
            }
        }
        hc_window_list_release(&l);
    }
    draft_release(&d);
    return st;
}

// A file with several polygons is checked whole before the first is written.
static hc_status check_all(struct hc_work *w, const struct hc_work_poly_list *l,
                           const struct hc_work_window *req, const struct hc_painting *p,
                           struct hc_err *err)
{
    for (size_t i = 0; i < l->n; i++) {
        struct window_draft d = {0};
        const struct hc_work_poly *q = &l->p[i];
        hc_status st = hc_work_poly_check(q->pt, q->n, "frame", p->frame_w, p->frame_h, err);
        st = st == HC_OK ? check_overlap(w, q->pt, q->n, err) : st;
        st = st == HC_OK ? find_view(w, first(req->before, q->before), "before", &d.before, err)
                         : st;
        st = st == HC_OK ? find_view(w, first(req->test, q->test), "test", &d.test, err) : st;
        st = st == HC_OK ? check_draft(&d, q, first(req->surface, q->surface), err) : st;
        for (size_t j = 0; st == HC_OK && j < i; j++) {
            if (hc_poly_is_overlapping(q->pt, q->n, l->p[j].pt, l->p[j].n)) {
                st = hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM,
                                "it overlaps polygon %zu of the same file", j + 1);
            }
        }
        draft_release(&d);
        if (st != HC_OK) {
            return l->n > 1 ? hc_err_prefix(err, st, "polygon %zu: ", i + 1) : st;
        }
    }
    return HC_OK;
}

hc_status hc_work_window_add(struct hc_work *w, const struct hc_work_window *req, struct hc_buf *b,
                             struct hc_err *err)
{
    struct hc_work_poly_list l = {0};
    struct hc_painting p = {0};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_work_geojson_read(&l, req->geojson, err) : st;
    st = st == HC_OK ? check_all(w, &l, req, &p, err) : st;
    if (b && l.n > 1) {
        hc_json_arr(b);
    }
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        st = add_one(w, &l.p[i], req, &p, b, err);
    }
    if (b && l.n > 1 && st == HC_OK) {
        hc_json_end_arr(b);
    }
    hc_work_poly_list_release(&l);
    hc_painting_release(&p);
    return st == HC_OK && b ? hc_buf_check(b, err) : st;
}

hc_status hc_work_window_remove(struct hc_work *w, int64_t id, struct hc_err *err)
{
    return hc_store_remove_window(w->store, id, err);
}

hc_status hc_work_windows(struct hc_work *w, struct hc_buf *b, struct hc_err *err)
{
    struct hc_window_list l = {0};
    struct hc_painting p = {0};
    json_t *forecast = NULL;
    hc_status st = hc_store_painting(w->store, &p, err);
    st = st == HC_OK ? hc_store_windows(w->store, &l, err) : st;
    if (st == HC_OK) {
        hc_ignore(hc_work_result(w, "forecast", &forecast, NULL));
        hc_json_obj(b);
        hc_json_key(b, "windows");
        hc_json_arr(b);
        for (size_t i = 0; i < l.n; i++) {
            const json_t *found = NULL, *list = json_object_get(forecast, "windows");
            for (size_t j = 0; j < json_array_size(list); j++) {
                const json_t *r = json_array_get(list, j);
                if (json_integer_value(json_object_get(r, "id")) == l.w[i].id) {
                    found = r;
                }
            }
            window_json(b, &l.w[i], hc_work_mm_per_px(&p), found);
        }
        hc_json_end_arr(b);
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
        json_decref(forecast);
    }
    hc_window_list_release(&l);
    hc_painting_release(&p);
    return st;
}

// ---- zones ----
static void zone_json(struct hc_buf *b, const struct hc_zone *z, double mm)
{
    struct hc_pt *pt = NULL;
    size_t n = 0;
    hc_json_obj(b);
    hc_json_kint(b, "id", z->id);
    hc_json_kstr(b, "kind", z->kind);
    hc_json_kstr(b, "label", z->label ? z->label : "");
    hc_json_key(b, "polygon");
    hc_json_raw(b, z->polygon);
    hc_ignore(hc_work_poly_parse(&pt, &n, z->polygon, NULL));
    hc_json_knum(b, "area_mm2", pt ? hc_poly_area(pt, n) * mm * mm : (double)NAN);
    hc_json_end_obj(b);
    hc_mem_free(pt);
}

static hc_status zone_add_one(struct hc_work *w, const struct hc_work_poly *p, const char *kind,
                              const char *label, double mm, struct hc_buf *b, struct hc_err *err)
{
    struct hc_buf poly = {0};
    struct hc_zone z = {0};
    const char *name = first(label, p->label);
    hc_status st;
    hc_work_poly_json(&poly, p->pt, p->n);
    z.kind = hc_mem_strdup(first(kind, p->kind));
    z.label = hc_mem_strdup(name ? name : "");
    z.polygon = hc_mem_strdup(hc_buf_text(&poly));
    hc_buf_release(&poly);
    if (!z.kind || !z.label || !z.polygon) {
        st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a zone");
    } else {
        st = hc_store_add_zone(w->store, &z, &z.id, err);
    }
    if (st == HC_OK && b) {
        zone_json(b, &z, mm);
    }
    hc_mem_free(z.kind);
    hc_mem_free(z.label);
    hc_mem_free(z.polygon);
    return st;
}

hc_status hc_work_zone_add(struct hc_work *w, const char *geojson, const char *kind,
                           const char *label, struct hc_buf *b, struct hc_err *err)
{
    struct hc_work_poly_list l = {0};
    struct hc_painting p = {0};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_work_geojson_read(&l, geojson, err) : st;
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        const char *k = first(kind, l.p[i].kind);
        if (!k || !is_in(k, zone_kinds)) {
            st = hc_err_set(
                err, HC_EARG, HC_WORK_ROOM,
                "zone kind \"%s\": give overpaint, retouching, loss, abrasion or gilding",
                k ? k : "");
        } else {
            st = hc_work_poly_check(l.p[i].pt, l.p[i].n, "frame", p.frame_w, p.frame_h, err);
        }
    }
    if (b && l.n > 1) {
        hc_json_arr(b);
    }
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        st = zone_add_one(w, &l.p[i], kind, label, hc_work_mm_per_px(&p), b, err);
    }
    if (b && l.n > 1 && st == HC_OK) {
        hc_json_end_arr(b);
    }
    hc_work_poly_list_release(&l);
    hc_painting_release(&p);
    return st == HC_OK && b ? hc_buf_check(b, err) : st;
}

hc_status hc_work_zone_remove(struct hc_work *w, int64_t id, struct hc_err *err)
{
    return hc_store_remove_zone(w->store, id, err);
}

hc_status hc_work_zones(struct hc_work *w, struct hc_buf *b, struct hc_err *err)
{
    struct hc_zone_list l = {0};
    struct hc_painting p = {0};
    hc_status st = hc_store_painting(w->store, &p, err);
    st = st == HC_OK ? hc_store_zones(w->store, &l, err) : st;
    if (st == HC_OK) {
        hc_json_obj(b);
        hc_json_key(b, "zones");
        hc_json_arr(b);
        for (size_t i = 0; i < l.n; i++) {
            zone_json(b, &l.z[i], hc_work_mm_per_px(&p));
        }
        hc_json_end_arr(b);
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
    }
    hc_zone_list_release(&l);
    hc_painting_release(&p);
    return st;
}
