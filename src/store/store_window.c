#include "store/store_priv.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/clock.h"
#include "base/mem.h"

static const char *const surfaces[] = {"bare", "saturated", "varnished"};
static const char *const kinds[] = {"overpaint", "retouching", "loss", "abrasion", "gilding"};

void hc_window_list_release(struct hc_window_list *l)
{
    for (size_t i = 0; i < l->n; i++) {
        hc_mem_free(l->w[i].label);
        hc_mem_free(l->w[i].polygon);
        hc_mem_free(l->w[i].surface);
        hc_mem_free(l->w[i].system);
        hc_mem_free(l->w[i].added_at);
    }
    hc_mem_free(l->w);
    *l = (struct hc_window_list){0};
}

void hc_zone_list_release(struct hc_zone_list *l)
{
    for (size_t i = 0; i < l->n; i++) {
        hc_mem_free(l->z[i].kind);
        hc_mem_free(l->z[i].label);
        hc_mem_free(l->z[i].polygon);
        hc_mem_free(l->z[i].added_at);
    }
    hc_mem_free(l->z);
    *l = (struct hc_zone_list){0};
}

static hc_status check_view_exists(struct hc_store *s, int64_t id, const char *role,
                                   struct hc_err *err)
{
    struct hc_query q;
    bool is_there;
    hc_status st;
    hc_query_init(&q, s->db, "SELECT 1 FROM view WHERE id = ?");
    hc_query_int(&q, id);
    is_there = hc_query_row(&q);
    st = hc_query_end(&q, "looking for a view", err);
    if (st == HC_OK && !is_there) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM,
                        "there is no view %lld, named as the %s view of a window", (long long)id,
                        role);
    }
    return st;
}

static hc_status check_window(struct hc_store *s, const struct hc_window *w, struct hc_err *err)
{
    hc_status st;
    if (!hc_store_is_listed(w->surface, surfaces, sizeof surfaces / sizeof surfaces[0])) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the surface of a window is \"%s\"; it must be bare, saturated or "
                          "varnished",
                          hc_store_or_empty(w->surface));
    }
    if (!(w->area_px >= 0 && w->area_px < 1e12)) {
        return hc_err_set(err, HC_ERANGE, HC_STORE_ROOM, "a window of %g px is not possible",
                          w->area_px);
    }
    if (w->before_view == w->test_view) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "view %lld is given as both the view before and the view with the "
                          "window open; they must be two",
                          (long long)w->before_view);
    }
    st = hc_store_check_polygon(w->polygon, "the window", err);
    if (st == HC_OK) {
        st = check_view_exists(s, w->before_view, "before", err);
    }
    return st == HC_OK ? check_view_exists(s, w->test_view, "test", err) : st;
}

// The label given, or "window N" with the first free N when there is none.
static hc_status choose_label(struct hc_store *s, const char *given, char *out, size_t room,
                              struct hc_err *err)
{
    int64_t n = 0;
    bool is_taken = true;
    hc_status st = hc_store_db_get_int(s->db, "SELECT coalesce(max(id), 0) FROM window", &n,
                                       "numbering the window", err);
    while (st == HC_OK && is_taken) {
        struct hc_query q;
        if (given && *given) {
            snprintf(out, room, "%s", given);
        } else {
            snprintf(out, room, "window %lld", (long long)++n);
        }
        hc_query_init(&q, s->db, "SELECT 1 FROM window WHERE label = ?");
        hc_query_text(&q, out);
        is_taken = hc_query_row(&q);
        st = hc_query_end(&q, "looking for the label", err);
        if (st == HC_OK && is_taken && given && *given) {
            st = hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                            "there is a window labelled \"%s\" already; choose another label", out);
        }
    }
    return st;
}

static hc_status add_window_rows(struct hc_store *s, const struct hc_window *w, int64_t *id,
                                 struct hc_err *err)
{
    char at[21], label[208];
    struct hc_query q;
    hc_status st = check_window(s, w, err);
    if (st == HC_OK) {
        st = choose_label(s, w->label, label, sizeof label, err);
    }
    if (st != HC_OK) {
        return st;
    }
    hc_clock_now_iso(at);
    hc_query_init(&q, s->db,
                  "INSERT INTO window (label, polygon, before_view, test_view, surface, system, "
                  "area_px, added_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)");
    hc_query_text(&q, label);
    hc_query_text(&q, w->polygon);
    hc_query_int(&q, w->before_view);
    hc_query_int(&q, w->test_view);
    hc_query_text(&q, w->surface);
    hc_query_text(&q, hc_store_or_empty(w->system));
    hc_query_num(&q, w->area_px);
    hc_query_text(&q, at);
    hc_query_row(&q);
    st = hc_query_end(&q, "writing the window", err);
    if (st != HC_OK) {
        return st;
    }
    *id = sqlite3_last_insert_rowid(s->db);
    return hc_store_log_add(s, NULL, err,
                            "window %lld \"%s\" added: %s surface, %.0f px, views %lld and %lld, "
                            "system \"%.200s\"",
                            (long long)*id, label, w->surface, w->area_px,
                            (long long)w->before_view, (long long)w->test_view,
                            hc_store_or_empty(w->system));
}

hc_status hc_store_add_window(struct hc_store *s, const struct hc_window *w, int64_t *id,
                              struct hc_err *err)
{
    int64_t made = 0;
    hc_status st;
    if (w->label && strlen(w->label) > 200) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the label of a window has %zu bytes; at most 200 are kept",
                          strlen(w->label));
    }
    st = hc_store_begin(s, err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_store_finish(s, add_window_rows(s, w, &made, err), err);
    if (st == HC_OK) {
        *id = made;
    }
    return st;
}

// Removal keeps the whole row in the log: a record forgets nothing.
struct removal {
    const char *what, *describe, *remove; // "window"; SQL that gives label and JSON; SQL to delete
};

static hc_status remove_rows(struct hc_store *s, const struct removal *r, int64_t id,
                             struct hc_err *err)
{
    char *label = NULL, *json = NULL;
    struct hc_query q;
    bool is_there;
    hc_status st;
    hc_query_init(&q, s->db, r->describe);
    hc_query_int(&q, id);
    is_there = hc_query_row(&q);
    if (is_there) {
        label = hc_query_take_text(&q);
        json = hc_query_take_text(&q);
    }
    st = hc_query_end(&q, "looking for what to remove", err);
    if (st == HC_OK && !is_there) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM, "there is no %s %lld to remove", r->what,
                        (long long)id);
    }
    if (st != HC_OK) {
        goto done;
    }
    hc_query_init(&q, s->db, r->remove);
    hc_query_int(&q, id);
    hc_query_row(&q);
    st = hc_query_end(&q, "removing a row", err);
    if (st == HC_OK) {
        st = hc_store_log_add(s, json, err, "%s %lld \"%s\" removed", r->what, (long long)id,
                              hc_store_or_empty(label));
    }
done:
    hc_mem_free(label);
    hc_mem_free(json);
    return st;
}

static hc_status remove_one(struct hc_store *s, const struct removal *r, int64_t id,
                            struct hc_err *err)
{
    hc_status st = hc_store_begin(s, err);
    return st == HC_OK ? hc_store_finish(s, remove_rows(s, r, id, err), err) : st;
}

hc_status hc_store_remove_window(struct hc_store *s, int64_t id, struct hc_err *err)
{
    static const struct removal r = {
        "window",
        "SELECT label, json_object('label', label, 'polygon', json(polygon), 'before_view', "
        "before_view, 'test_view', test_view, 'surface', surface, 'system', system, 'area_px', "
        "area_px, 'added_at', added_at) FROM window WHERE id = ?",
        "DELETE FROM window WHERE id = ?"};
    return remove_one(s, &r, id, err);
}

hc_status hc_store_remove_zone(struct hc_store *s, int64_t id, struct hc_err *err)
{
    static const struct removal r = {
        "zone",
        "SELECT label, json_object('kind', kind, 'label', label, 'polygon', json(polygon), "
        "'added_at', added_at) FROM zone WHERE id = ?",
        "DELETE FROM zone WHERE id = ?"};
    return remove_one(s, &r, id, err);
}

hc_status hc_store_windows(struct hc_store *s, struct hc_window_list *out, struct hc_err *err)
{
    struct hc_query q;
    hc_status st;
    *out = (struct hc_window_list){0};
    hc_query_init(&q, s->db,
                  "SELECT id, label, polygon, before_view, test_view, surface, system, area_px, "
                  "added_at FROM window ORDER BY id");
    while (hc_query_row(&q)) {
        void *items = out->w;
        struct hc_window *w = hc_store_append(&items, &out->n, sizeof *w);
        out->w = items;
        if (!w) {
            hc_query_no_memory(&q);
            break;
        }
        w->id = hc_query_take_int(&q);
        w->label = hc_query_take_text(&q);
        w->polygon = hc_query_take_text(&q);
        w->before_view = hc_query_take_int(&q);
        w->test_view = hc_query_take_int(&q);
        w->surface = hc_query_take_text(&q);
        w->system = hc_query_take_text(&q);
        w->area_px = hc_query_take_num(&q);
        w->added_at = hc_query_take_text(&q);
    }
    st = hc_query_end(&q, "reading the windows", err);
    if (st != HC_OK) {
        hc_window_list_release(out);
    }
    return st;
}

static hc_status add_zone_rows(struct hc_store *s, const struct hc_zone *z, int64_t *id,
                               struct hc_err *err)
{
    char at[21];
    struct hc_query q;
    hc_status st = hc_store_check_polygon(z->polygon, "the zone", err);
    if (st != HC_OK) {
        return st;
    }
    hc_clock_now_iso(at);
    hc_query_init(&q, s->db,
                  "INSERT INTO zone (kind, label, polygon, added_at) VALUES (?, ?, ?, ?)");
    hc_query_text(&q, z->kind);
    hc_query_text(&q, hc_store_or_empty(z->label));
    hc_query_text(&q, z->polygon);
    hc_query_text(&q, at);
    hc_query_row(&q);
    st = hc_query_end(&q, "writing the zone", err);
    if (st != HC_OK) {
        return st;
    }
    *id = sqlite3_last_insert_rowid(s->db);
    return hc_store_log_add(s, NULL, err, "zone %lld \"%.200s\" added: %s", (long long)*id,
                            hc_store_or_empty(z->label), z->kind);
}

hc_status hc_store_add_zone(struct hc_store *s, const struct hc_zone *z, int64_t *id,
                            struct hc_err *err)
{
    int64_t made = 0;
    hc_status st;
    if (!hc_store_is_listed(z->kind, kinds, sizeof kinds / sizeof kinds[0])) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the kind of a zone is \"%s\"; it must be overpaint, retouching, loss, "
                          "abrasion or gilding",
                          hc_store_or_empty(z->kind));
    }
    st = hc_store_begin(s, err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_store_finish(s, add_zone_rows(s, z, &made, err), err);
    if (st == HC_OK) {
        *id = made;
    }
    return st;
}

hc_status hc_store_zones(struct hc_store *s, struct hc_zone_list *out, struct hc_err *err)
{
    struct hc_query q;
    hc_status st;
    *out = (struct hc_zone_list){0};
    hc_query_init(&q, s->db, "SELECT id, kind, label, polygon, added_at FROM zone ORDER BY id");
    while (hc_query_row(&q)) {
        void *items = out->z;
        struct hc_zone *z = hc_store_append(&items, &out->n, sizeof *z);
        out->z = items;
        if (!z) {
            hc_query_no_memory(&q);
            break;
        }
        z->id = hc_query_take_int(&q);
        z->kind = hc_query_take_text(&q);
        z->label = hc_query_take_text(&q);
        z->polygon = hc_query_take_text(&q);
        z->added_at = hc_query_take_text(&q);
    }
    st = hc_query_end(&q, "reading the zones", err);
    if (st != HC_OK) {
        hc_zone_list_release(out);
    }
    return st;
}
