// What is left out of the comparison when a view is placed: polygons in its own pixels, kept as the
// result "ignored-<id>".
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_priv.h"

#define MAX_POLYGONS 64 // our own ceiling

static hc_status ignored_load(struct hc_work *w, int64_t view, json_t **doc, struct hc_err *err)
{
    char kind[48];
    hc_status st;
    snprintf(kind, sizeof kind, "ignored-%lld", (long long)view);
    st = hc_work_result(w, kind, doc, err);
    return st == HC_ENOTFOUND ? HC_OK : st;
}

hc_status hc_work_ignored_read(struct hc_work *w, int64_t view, struct hc_work_ignored *out,
                               struct hc_err *err)
{
    json_t *doc = NULL;
    const json_t *list;
    hc_status st = ignored_load(w, view, &doc, err);
    size_t n;
    *out = (struct hc_work_ignored){0};
    list = json_object_get(doc, "polygons");
    n = json_array_size(list);
    if (st == HC_OK && n > 0) {
        out->poly = hc_mem_array(n, sizeof *out->poly);
        out->corners = hc_mem_array(n, sizeof *out->corners);
        st = out->poly && out->corners
                 ? HC_OK
                 : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for ignored areas");
    }
    for (size_t i = 0; st == HC_OK && i < n; i++) {
        st = hc_work_poly_from(&out->poly[i], &out->corners[i], json_array_get(list, i), err);
        out->n += st == HC_OK;
    }
    json_decref(doc);
    if (st != HC_OK) {
        hc_work_ignored_release(out);
    }
    return st;
}

void hc_work_ignored_release(struct hc_work_ignored *g)
{
    for (size_t i = 0; i < g->n; i++) {
        hc_mem_free(g->poly[i]);
    }
    hc_mem_free(g->poly);
    hc_mem_free(g->corners);
    *g = (struct hc_work_ignored){0};
}

static void ignored_json(struct hc_buf *b, int64_t view, const struct hc_work_ignored *g)
{
    hc_json_obj(b);
    hc_json_kint(b, "view", view);
    hc_json_key(b, "polygons");
    hc_json_arr(b);
    for (size_t i = 0; i < g->n; i++) {
        hc_work_poly_json(b, g->poly[i], g->corners[i]);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
}

hc_status hc_work_ignored(struct hc_work *w, const char *view, struct hc_buf *b, struct hc_err *err)
{
    struct hc_view v = {0};
    struct hc_work_ignored g = {0};
    hc_status st = hc_store_view_by_name(w->store, view, &v, err);
    st = st == HC_OK ? hc_work_ignored_read(w, v.id, &g, err) : st;
    if (st == HC_OK) {
        ignored_json(b, v.id, &g);
        st = hc_buf_check(b, err);
    }
    hc_work_ignored_release(&g);
    hc_view_release(&v);
    return st;
}

static hc_status check_all(const struct hc_work_poly_list *l, const struct hc_view *v,
                           struct hc_err *err)
{
    hc_status st = HC_OK;
    if (l->n > MAX_POLYGONS) {
        return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM, "%zu areas to ignore; at most %d are taken",
                          l->n, MAX_POLYGONS);
    }
    for (size_t i = 0; st == HC_OK && i < l->n; i++) {
        st = hc_work_poly_check(l->p[i].pt, l->p[i].n, "view", v->w, v->h, err);
        if (st != HC_OK) {
            st = hc_err_prefix(err, st, "area %zu to ignore: ", i + 1);
        }
    }
    return st;
}

hc_status hc_work_ignored_set(struct hc_work *w, const char *view, const char *geojson,
                              struct hc_buf *json, struct hc_err *err)
{
    struct hc_view v = {0};
    struct hc_work_poly_list l = {0};
    struct hc_buf b = {0};
    char kind[48];
    int64_t id;
    hc_status st = hc_store_view_by_name(w->store, view, &v, err);
    st = st == HC_OK && geojson ? hc_work_geojson_read(&l, geojson, err) : st;
    st = st == HC_OK ? check_all(&l, &v, err) : st;
    if (st == HC_OK) {
        snprintf(kind, sizeof kind, "ignored-%lld", (long long)v.id);
        hc_json_obj(&b);
        hc_json_key(&b, "polygons");
        hc_json_arr(&b);
        for (size_t i = 0; i < l.n; i++) {
            hc_work_poly_json(&b, l.p[i].pt, l.p[i].n);
        }
        hc_json_end_arr(&b);
        hc_json_end_obj(&b);
        st = hc_buf_check(&b, err);
    }
    st = st == HC_OK ? hc_store_put_result(w->store, kind, hc_buf_text(&b), &id, err) : st;
    hc_buf_release(&b);
    hc_work_poly_list_release(&l);
    hc_view_release(&v);
    return st == HC_OK && json ? hc_work_ignored(w, view, json, err) : st;
}
