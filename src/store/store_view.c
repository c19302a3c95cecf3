#include "store/store_priv.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/clock.h"
#include "base/mem.h"

void hc_view_release(struct hc_view *v)
{
    hc_mem_free(v->label);
    hc_mem_free(v->technique);
    hc_mem_free(v->state);
    hc_mem_free(v->face);
    hc_mem_free(v->file_name);
    hc_mem_free(v->ext);
    hc_mem_free(v->profile);
    hc_mem_free(v->note);
    hc_mem_free(v->added_at);
    hc_mem_free(v->verdict);
    hc_mem_free(v->fit_why);
    hc_mem_free(v->fit_json);
    *v = (struct hc_view){0};
}

void hc_view_list_release(struct hc_view_list *l)
{
    for (size_t i = 0; i < l->n; i++) {
        hc_view_release(&l->v[i]);
    }
    hc_mem_free(l->v);
    *l = (struct hc_view_list){0};
}

#define COLUMNS                                                                                    \
    "id, label, technique, state, face, file_name, sha256, ext, w, h, bands, bits, profile, "      \
    "is_profile_assumed, note, clipped_share, azimuth_deg, elevation_deg, added_at, is_placed, "   \
    "verdict, fit_why, m0, m1, m2, m3, m4, m5, m6, m7, m8, held_out_median_px, held_out_p95_px, "  \
    "area_supported, exposure_factor, exposure_spread, fit_json"

// In the order of COLUMNS.
static void take_view(struct hc_query *q, struct hc_view *v)
{
    v->id = hc_query_take_int(q);
    v->label = hc_query_take_text(q);
    v->technique = hc_query_take_text(q);
    v->state = hc_query_take_text(q);
    v->face = hc_query_take_text(q);
    v->file_name = hc_query_take_text(q);
    hc_query_take_chars(q, v->sha256, sizeof v->sha256);
    v->ext = hc_query_take_text(q);
    v->w = (int)hc_query_take_int(q);
    v->h = (int)hc_query_take_int(q);
    v->bands = (int)hc_query_take_int(q);
    v->bits = (int)hc_query_take_int(q);
    v->profile = hc_query_take_text(q);
    v->is_profile_assumed = hc_query_take_int(q) != 0;
    v->note = hc_query_take_text(q);
    v->clipped_share = hc_query_take_num(q);
    v->has_light = !hc_query_is_null(q);
    v->azimuth_deg = hc_query_take_num(q);
    v->elevation_deg = hc_query_take_num(q);
    v->added_at = hc_query_take_text(q);
    v->is_placed = hc_query_take_int(q) != 0;
    v->verdict = hc_query_take_text(q);
    v->fit_why = hc_query_take_text(q);
    for (int i = 0; i < 9; i++) {
        v->frame_to_view[i] = hc_query_take_num(q);
    }
    v->held_out_median_px = hc_query_take_num(q);
    v->held_out_p95_px = hc_query_take_num(q);
    v->area_supported = hc_query_take_num(q);
    v->exposure_factor = hc_query_take_num(q);
    v->exposure_spread = hc_query_take_num(q);
    v->fit_json = hc_query_take_text(q);
}

// Placement columns, in the order of COLUMNS from is_placed on.
static void bind_placement(struct hc_query *q, const struct hc_view *v)
{
    hc_query_int(q, v->is_placed);
    hc_query_text(q, v->verdict && *v->verdict ? v->verdict : "none");
    hc_query_text(q, hc_store_or_empty(v->fit_why));
    for (int i = 0; i < 9; i++) {
        hc_query_num(q, v->frame_to_view[i]);
    }
    hc_query_num(q, v->held_out_median_px);
    hc_query_num(q, v->held_out_p95_px);
    hc_query_num(q, v->area_supported);
    hc_query_num(q, v->exposure_factor);
    hc_query_num(q, v->exposure_spread);
    hc_query_text(q, v->fit_json && *v->fit_json ? v->fit_json : NULL);
}

static hc_status check_free(struct hc_store *s, const struct hc_view *v, struct hc_err *err)
{
    char other[208] = "";
    struct hc_query q;
    hc_status st;
    bool is_taken;
    hc_query_init(&q, s->db, "SELECT 1 FROM view WHERE label = ?");
    hc_query_text(&q, v->label);
    is_taken = hc_query_row(&q);
    st = hc_query_end(&q, "looking for the label", err);
    if (st == HC_OK && is_taken) {
        st = hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                        "there is a view labelled \"%s\" already; choose another label", v->label);
    }
    if (st != HC_OK) {
        return st;
    }
    hc_query_init(&q, s->db,
                  "SELECT label FROM view WHERE sha256 = ? AND technique = ? AND state = ?");
    hc_query_text(&q, v->sha256);
    hc_query_text(&q, v->technique);
    hc_query_text(&q, v->state);
    is_taken = hc_query_row(&q);
    if (is_taken) {
        hc_query_take_chars(&q, other, sizeof other);
    }
    st = hc_query_end(&q, "looking for the same photograph", err);
    if (st == HC_OK && is_taken) {
        st = hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                        "the same photograph is in the dossier already as view \"%s\" (%s, %s)",
                        other, v->technique, v->state);
    }
    return st;
}

// The file must be in originals/ (hc_store_keep_original puts it there).
static hc_status insert_original(struct hc_store *s, const struct hc_view *v, const char *at,
                                 struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX];
    struct hc_file file = {0};
    struct hc_query q;
    hc_status st = hc_store_original_path(s, v->sha256, v->ext, path, sizeof path, err);
    if (st == HC_OK) {
        st = hc_store_look(path, &file, err);
    }
    if (st != HC_OK) {
        return st;
    }
    hc_query_init(&q, s->db,
                  "INSERT OR IGNORE INTO original (sha256, ext, bytes, added_at) "
                  "VALUES (?, ?, ?, ?)");
    hc_query_text(&q, v->sha256);
    hc_query_text(&q, v->ext);
    hc_query_int(&q, file.bytes);
    hc_query_text(&q, at);
    hc_query_row(&q);
    return hc_query_end(&q, "writing the original", err);
}

static hc_status insert_view(struct hc_store *s, const struct hc_view *v, const char *at,
                             struct hc_err *err)
{
    struct hc_query q;
    hc_query_init(&q, s->db,
                  "INSERT INTO view (" COLUMNS ") VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, "
                  "?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
    hc_query_text(&q, v->label);
    hc_query_text(&q, v->technique);
    hc_query_text(&q, v->state);
    hc_query_text(&q, v->face ? v->face : "front");
    hc_query_text(&q, hc_store_or_empty(v->file_name));
    hc_query_text(&q, v->sha256);
    hc_query_text(&q, v->ext);
    hc_query_int(&q, v->w);
    hc_query_int(&q, v->h);
    hc_query_int(&q, v->bands);
    hc_query_int(&q, v->bits);
    hc_query_text(&q, hc_store_or_empty(v->profile));
    hc_query_int(&q, v->is_profile_assumed);
    hc_query_text(&q, hc_store_or_empty(v->note));
    hc_query_num(&q, v->clipped_share);
    if (v->has_light) {
        hc_query_num(&q, v->azimuth_deg);
        hc_query_num(&q, v->elevation_deg);
    } else {
        hc_query_null(&q);
        hc_query_null(&q);
    }
    hc_query_text(&q, at);
    bind_placement(&q, v);
    hc_query_row(&q);
    return hc_query_end(&q, "writing the view", err);
}

// Does the dossier still lack a frame, and is this the kind of view that makes one?
static hc_status makes_frame(struct hc_store *s, const struct hc_view *v, bool *out,
                             struct hc_err *err)
{
    int64_t frame = 0;
    hc_status st = hc_store_db_get_int(s->db, "SELECT frame_view FROM painting", &frame,
                                       "looking for the frame", err);
    *out = frame == 0 && strcmp(v->technique, "normal") == 0 && strcmp(v->state, "before") == 0 &&
           (!v->face || strcmp(v->face, "front") == 0);
    return st;
}

static hc_status set_frame(struct hc_store *s, const struct hc_view *v, int64_t id,
                           struct hc_err *err)
{
    struct hc_query q;
    hc_query_init(&q, s->db, "UPDATE painting SET frame_view = ?, frame_w = ?, frame_h = ?");
    hc_query_int(&q, id);
    hc_query_int(&q, v->w);
    hc_query_int(&q, v->h);
    hc_query_row(&q);
    return hc_query_end(&q, "setting the frame", err);
}

static char reference_verdict[] = "reference", frame_why[] = "this view is the frame";

static struct hc_view as_reference(const struct hc_view *v)
{
    static const double same[9] = {1, 0, 0, 0, 1, 0, 0, 0, 1};
    struct hc_view r = *v; // borrows the strings
    r.is_placed = true;
    r.verdict = reference_verdict;
    r.fit_why = frame_why;
    memcpy(r.frame_to_view, same, sizeof same);
    r.held_out_median_px = r.held_out_p95_px = 0;
    r.area_supported = 1;
    r.exposure_factor = 1;
    r.exposure_spread = 0;
    r.fit_json = NULL;
    return r;
}

static hc_status add_view_rows(struct hc_store *s, const struct hc_view *v, int64_t *id,
                               struct hc_err *err)
{
    char at[21];
    bool is_frame = false;
    struct hc_view row = *v;
    hc_status st = check_free(s, v, err);
    hc_clock_now_iso(at);
    if (st == HC_OK) {
        st = insert_original(s, v, at, err);
    }
    if (st == HC_OK) {
        st = makes_frame(s, v, &is_frame, err);
    }
    if (st == HC_OK) {
        row = is_frame ? as_reference(v) : row;
        if (!row.is_placed && row.exposure_factor == 0) {
            row.exposure_factor = 1; // not measured
        }
        st = insert_view(s, &row, at, err);
    }
    if (st != HC_OK) {
        return st;
    }
    *id = sqlite3_last_insert_rowid(s->db);
    if (is_frame) {
        st = set_frame(s, v, *id, err);
    }
    if (st == HC_OK) {
        st = hc_store_log_add(s, NULL, err,
                              "view %lld \"%s\" added: %s, %s, %d x %d px, file \"%s\", SHA-256 "
                              "%s%s",
                              (long long)*id, v->label, v->technique, v->state, v->w, v->h,
                              hc_store_or_empty(v->file_name), v->sha256,
                              is_frame ? "; it is the frame" : "");
    }
    return st;
}

hc_status hc_store_add_view(struct hc_store *s, const struct hc_view *v, int64_t *id,
                            struct hc_err *err)
{
    hc_status st = hc_store_check_view(v, err);
    int64_t made = 0;
    if (st != HC_OK) {
        return st;
    }
    if (v->verdict && strcmp(v->verdict, reference_verdict) == 0) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "which view is the frame is decided by the dossier: the first normal "
                          "view before treatment");
    }
    st = hc_store_begin(s, err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_store_finish(s, add_view_rows(s, v, &made, err), err);
    if (st == HC_OK) {
        *id = made;
    }
    return st;
}

static hc_status check_frame_stays(struct hc_store *s, const struct hc_view *v, struct hc_err *err)
{
    int64_t frame = 0;
    bool is_reference = v->verdict && strcmp(v->verdict, reference_verdict) == 0;
    hc_status st = hc_store_db_get_int(s->db, "SELECT frame_view FROM painting", &frame,
                                       "looking for the frame", err);
    if (st == HC_OK && is_reference != (frame == v->id)) {
        st =
            hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                       frame == v->id ? "view %lld is the frame; it cannot be placed elsewhere"
                                      : "view %lld is not the frame, so it cannot be the reference",
                       (long long)v->id);
    }
    return st;
}

static hc_status place_view_rows(struct hc_store *s, const struct hc_view *v, struct hc_err *err)
{
    struct hc_query q;
    hc_status st = check_frame_stays(s, v, err);
    if (st != HC_OK) {
        return st;
    }
    hc_query_init(&q, s->db,
                  "UPDATE view SET is_placed = ?, verdict = ?, fit_why = ?, m0 = ?, m1 = ?, "
                  "m2 = ?, m3 = ?, m4 = ?, m5 = ?, m6 = ?, m7 = ?, m8 = ?, "
                  "held_out_median_px = ?, held_out_p95_px = ?, area_supported = ?, "
                  "exposure_factor = ?, exposure_spread = ?, fit_json = ? WHERE id = ?");
    bind_placement(&q, v);
    hc_query_int(&q, v->id);
    hc_query_row(&q);
    st = hc_query_end(&q, "saving the placement", err);
    if (st == HC_OK && sqlite3_changes(s->db) == 0) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM, "there is no view %lld to place",
                        (long long)v->id);
    }
    if (st == HC_OK) {
        st = hc_store_log_add(s, NULL, err, "view %lld \"%s\" placed in the frame: %s, %s",
                              (long long)v->id, hc_store_or_empty(v->label),
                              v->verdict && *v->verdict ? v->verdict : "none",
                              v->fit_why && *v->fit_why ? v->fit_why : "no reason given");
    }
    return st;
}

hc_status hc_store_place_view(struct hc_store *s, const struct hc_view *v, struct hc_err *err)
{
    hc_status st = hc_store_check_placement(v, err);
    if (st == HC_OK) {
        st = hc_store_begin(s, err);
    }
    return st == HC_OK ? hc_store_finish(s, place_view_rows(s, v, err), err) : st;
}

hc_status hc_store_views(struct hc_store *s, struct hc_view_list *out, struct hc_err *err)
{
    struct hc_query q;
    hc_status st;
    *out = (struct hc_view_list){0};
    hc_query_init(&q, s->db, "SELECT " COLUMNS " FROM view ORDER BY id");
    while (hc_query_row(&q)) {
        void *items = out->v;
        struct hc_view *v = hc_store_append(&items, &out->n, sizeof *v);
        out->v = items;
        if (!v) {
            hc_query_no_memory(&q);
            break;
        }
        take_view(&q, v);
    }
    st = hc_query_end(&q, "reading the views", err);
    if (st != HC_OK) {
        hc_view_list_release(out);
    }
    return st;
}

// The one view that `q` finds; *is_found tells whether there was one.
static hc_status one_view(struct hc_query *q, struct hc_view *out, bool *is_found,
                          struct hc_err *err)
{
    hc_status st;
    *out = (struct hc_view){0};
    *is_found = hc_query_row(q);
    if (*is_found) {
        take_view(q, out);
    }
    st = hc_query_end(q, "reading a view", err);
    if (st != HC_OK) {
        hc_view_release(out);
    }
    return st;
}

hc_status hc_store_view_by_id(struct hc_store *s, int64_t id, struct hc_view *out,
                              struct hc_err *err)
{
    struct hc_query q;
    bool is_found;
    hc_status st;
    hc_query_init(&q, s->db, "SELECT " COLUMNS " FROM view WHERE id = ?");
    hc_query_int(&q, id);
    st = one_view(&q, out, &is_found, err);
    if (st == HC_OK && !is_found) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM, "there is no view %lld in the dossier",
                        (long long)id);
    }
    return st;
}

static hc_status name_the_labels(struct hc_store *s, const char *name, struct hc_err *err)
{
    struct hc_buf labels = {0};
    struct hc_query q;
    hc_status st;
    hc_query_init(&q, s->db, "SELECT label FROM view ORDER BY id");
    while (hc_query_row(&q)) {
        char label[208];
        hc_query_take_chars(&q, label, sizeof label);
        if (labels.len > 240) {
            hc_buf_str(&labels, ", ...");
            break;
        }
        hc_buf_printf(&labels, "%s\"%s\"", labels.len ? ", " : "", label);
    }
    st = hc_query_end(&q, "reading the labels", err);
    if (st == HC_OK) {
        st = hc_buf_check(&labels, err);
    }
    if (st == HC_OK) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM, "there is no view \"%.80s\"; %s%s", name,
                        labels.len ? "the dossier has " : "the dossier has no views yet",
                        hc_buf_text(&labels));
    }
    hc_buf_release(&labels);
    return st;
}

hc_status hc_store_view_by_name(struct hc_store *s, const char *name, struct hc_view *out,
                                struct hc_err *err)
{
    struct hc_query q;
    bool is_found;
    hc_status st;
    const char *wanted = hc_store_or_empty(name);
    size_t digits = strspn(wanted, "0123456789");
    hc_query_init(&q, s->db, "SELECT " COLUMNS " FROM view WHERE label = ?");
    hc_query_text(&q, wanted);
    st = one_view(&q, out, &is_found, err);
    if (st != HC_OK || is_found) {
        return st;
    }
    if (digits >= 1 && digits <= 18 && wanted[digits] == 0) {
        hc_query_init(&q, s->db, "SELECT " COLUMNS " FROM view WHERE id = ?");
        hc_query_int(&q, strtoll(wanted, NULL, 10));
        st = one_view(&q, out, &is_found, err);
        if (st != HC_OK || is_found) {
            return st;
        }
    }
    return name_the_labels(s, wanted, err);
}
