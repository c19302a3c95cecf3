// Joining plates: views of one technique that overlap become one view, by a solution in common.
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

#define DESCRIPTION_MAX ((size_t)64 << 10)

struct joining {
    struct hc_work *w;
    struct hc_view *view;
    struct hc_raster **raster;
    struct hc_align_source *source;
    const char **label;
    size_t n;
    struct hc_align_mosaic m;
    double tone[2]; // written tone = (tone - tone[0]) / tone[1]
    double covered_share;
};

// ---- progress: one part of a longer job ----
struct part {
    struct hc_job own, *whole;
};

static void pass_on(void *ctx, double fraction, const char *what)
{
    struct part *p = ctx;
    // A cancelled whole says so here; the part then stops at its own next step.
    if (hc_job_step(p->whole, fraction, what, NULL) != HC_OK) {
        atomic_store(&p->own.cancel, true);
    }
}

static struct hc_job *begin_part(struct part *p, struct hc_job *whole, double lo, double hi)
{
    *p = (struct part){.own = {.progress = pass_on, .ctx = p}, .whole = whole};
    hc_job_phase(whole, lo, hi);
    return whole ? &p->own : NULL;
}

// ---- the plates ----
static hc_status check_view(const struct joining *j, size_t i, struct hc_err *err)
{
    const struct hc_view *v = &j->view[i], *first = &j->view[0];
    for (size_t k = 0; k < i; k++) {
        if (j->view[k].id == v->id) {
            return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                              "view %s is named twice; name each plate once", v->label);
        }
    }
    if (strcmp(v->technique, first->technique) != 0 || strcmp(v->state, first->state) != 0 ||
        strcmp(v->face, first->face) != 0 || v->bands != first->bands) {
        return hc_err_set(
            err, HC_EARG, HC_WORK_ROOM,
            "view %s (%s, %s, %s, %d bands) and view %s (%s, %s, %s, %d bands) cannot "
            "be joined; plates are of one technique, state, face and kind of file",
            first->label, first->technique, first->state, first->face, first->bands, v->label,
            v->technique, v->state, v->face, v->bands);
    }
    return HC_OK;
}

static hc_status open_plates(struct joining *j, const char *const *views, struct hc_job *job,
                             struct hc_err *err)
{
    hc_status st = HC_OK;
    for (size_t i = 0; st == HC_OK && i < j->n; i++) {
        st = hc_store_view_by_name(j->w->store, views[i], &j->view[i], err);
        st = st == HC_OK ? check_view(j, i, err) : st;
    }
    for (size_t i = 0; st == HC_OK && i < j->n; i++) {
        st = hc_work_view_refresh(j->w, &j->view[i], false, job, err);
        st = st == HC_OK ? hc_work_open_own(j->w, &j->view[i], &j->raster[i], err) : st;
        if (st == HC_OK) {
            j->source[i] =
                (struct hc_align_source){hc_raster_w(j->raster[i]), hc_raster_h(j->raster[i]),
                                         hc_work_read_grey, j->raster[i]};
            j->label[i] = j->view[i].label;
        }
    }
    return st;
}

// ---- the joined file ----

// What the file says of itself, for a reader without the program. No date: the same plates give
// the same file.
static void describe(struct hc_buf *b, const struct joining *j)
{
    b->max = DESCRIPTION_MAX;
    hc_buf_printf(b,
                  "Joined by Halfclean " HC_VERSION " from %zu plates, one %s each. [x y 1] of the "
                  "mosaic = H [x y 1] of the plate, then divided by the third; px, centres at "
                  "+0.5. Linear tone of the mosaic = (gain * linear tone of the plate + offset - "
                  "%.6g) / %.6g. Uncovered px are 0.\n",
                  j->n, j->m.kind, j->tone[0], j->tone[1]);
    for (size_t i = 0; i < j->n; i++) {
        const struct hc_align_mosaic_plate *p = &j->m.plate[i];
        hc_buf_printf(b, "plate %s, file sha256 %s, gain %.6g, offset %.6g, H", j->view[i].label,
                      j->view[i].sha256, p->gain, p->offset);
        for (int k = 0; k < 9; k++) {
            hc_buf_printf(b, " %.12g", p->to_mosaic.m[k]);
        }
        hc_buf_str(b, "\n");
    }
    hc_buf_printf(b, "%s.\n", j->m.why);
}

// The tones are written as they are unless some would clip; then all are scaled alike.
static hc_status write_file(struct joining *j, const char *path, struct hc_job *job,
                            struct hc_err *err)
{
    struct hc_join_plate *plate = hc_mem_array(j->n, sizeof *plate);
    struct hc_buf text = {0};
    hc_status st = plate ? HC_OK : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory");
    for (size_t i = 0; st == HC_OK && i < j->n; i++) {
        const struct hc_align_mosaic_plate *p = &j->m.plate[i];
        plate[i] = (struct hc_join_plate){j->raster[i], p->to_mosaic, p->gain, p->offset};
    }
    hc_job_phase(job, 0, 0.1);
    st = st == HC_OK ? hc_image_join_range(j->tone, plate, j->n, job, err) : st;
    if (st == HC_OK) {
        j->tone[0] = fmin(j->tone[0], 0);
        j->tone[1] = fmax(j->tone[1], 1) - j->tone[0];
        describe(&text, j);
        st = hc_buf_check(&text, err);
    }
    if (st == HC_OK) {
        struct hc_join_picture picture = {path,       j->m.w,     j->m.h,
                                          j->tone[0], j->tone[1], hc_buf_text(&text)};
        st = hc_image_join(&j->covered_share, &picture, plate, j->n, j->w->par, job, err);
    }
    hc_buf_release(&text);
    hc_mem_free(plate);
    return st;
}

static hc_status make_label(struct joining *j, char *out, size_t room, struct hc_err *err)
{
    for (int i = 1; i < 1000; i++) {
        struct hc_view v = {0};
        int n = snprintf(out, room, "%s-%s-joined", j->view[0].technique, j->view[0].state);
        if (i > 1) {
            snprintf(out + n, room - (size_t)n, "-%d", i);
        }
        if (hc_store_view_by_name(j->w->store, out, &v, NULL) != HC_OK) {
            return HC_OK;
        }
        hc_view_release(&v);
    }
    return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM, "too many joined views; give a --label");
}

// ---- the record ----
static void write_note(char *note, size_t room, const struct joining *j)
{
    size_t at = (size_t)snprintf(note, room, "Joined by this program from views ");
    for (size_t i = 0; i < j->n && at < room; i++) {
        if (at + strlen(j->view[i].label) + 150 > room) { // the figures must find room
            at += (size_t)snprintf(note + at, room - at, " and %zu more", j->n - i);
            break;
        }
        at += (size_t)snprintf(note + at, room - at, "%s%s", i ? ", " : "", j->view[i].label);
    }
    snprintf(note + at, room - at,
             "; overlaps agree within %.2f px (median) and %.2f px (95 %%); it covers %.0f %% of "
             "its rectangle",
             j->m.held_out_median_px, j->m.held_out_p95_px, 100 * j->covered_share);
}

static void plate_json(struct hc_buf *b, const struct joining *j, size_t i)
{
    const struct hc_align_mosaic_plate *p = &j->m.plate[i];
    hc_json_obj(b);
    hc_json_kint(b, "view", j->view[i].id);
    hc_json_kstr(b, "label", j->view[i].label);
    hc_json_kstr(b, "sha256", j->view[i].sha256);
    hc_json_kint(b, "calibration", hc_work_calibration_id(j->w, j->view[i].id));
    hc_json_kint(b, "w", j->view[i].w);
    hc_json_kint(b, "h", j->view[i].h);
    hc_json_knum(b, "gain", p->gain);
    hc_json_knum(b, "offset", p->offset);
    hc_json_kint(b, "overlaps", p->overlaps);
    hc_json_knum(b, "corner_sd_px", p->corner_sd_px);
    hc_json_key(b, "to_mosaic");
    hc_json_arr(b);
    for (int k = 0; k < 9; k++) {
        hc_json_num(b, p->to_mosaic.m[k]);
    }
    hc_json_end_arr(b);
    hc_json_key(b, "outline");
    hc_json_arr(b);
    for (int c = 0; c < 4; c++) { // top left first, along the border
        struct hc_pt q = {c == 1 || c == 2 ? j->source[i].w : 0, c >= 2 ? j->source[i].h : 0};
        q = hc_homog_apply(&p->to_mosaic, q);
        hc_json_arr(b);
        hc_json_num(b, q.x);
        hc_json_num(b, q.y);
        hc_json_end_arr(b);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
}

static void overlap_json(struct hc_buf *b, const struct joining *j, size_t i)
{
    const struct hc_align_mosaic_overlap *o = &j->m.overlap[i];
    hc_json_obj(b);
    hc_json_kint(b, "a", j->view[o->a].id);
    hc_json_kint(b, "b", j->view[o->b].id);
    hc_json_knum(b, "share", o->share);
    hc_json_kint(b, "tiles", o->tiles);
    hc_json_kint(b, "tiles_clear", o->tiles_clear);
    hc_json_kint(b, "tiles_used", o->tiles_used);
    hc_json_knum(b, "held_out_median_px", o->held_out_median_px);
    hc_json_knum(b, "held_out_p95_px", o->held_out_p95_px);
    hc_json_knum(b, "tone_left", o->tone_left);
    hc_json_end_obj(b);
}

static hc_status keep_record(const struct joining *j, int64_t view, struct hc_err *err)
{
    struct hc_buf b = {.max = (size_t)1 << 20};
    char kind[48];
    int64_t id;
    hc_status st;
    snprintf(kind, sizeof kind, "mosaic-%lld", (long long)view);
    hc_json_obj(&b);
    hc_json_kstr(&b, "program", HC_VERSION);
    hc_json_kstr(&b, "kind", j->m.kind);
    hc_json_kint(&b, "reference", j->view[j->m.reference].id);
    hc_json_kint(&b, "w", j->m.w);
    hc_json_kint(&b, "h", j->m.h);
    hc_json_knum(&b, "covered_share", j->covered_share);
    hc_json_knum(&b, "tone_base", j->tone[0]);
    hc_json_knum(&b, "tone_range", j->tone[1]);
    hc_json_kstr(&b, "verdict", j->m.verdict == HC_ALIGN_GOOD ? "good" : "usable");
    hc_json_kstr(&b, "why", j->m.why);
    hc_json_knum(&b, "held_out_median_px", j->m.held_out_median_px);
    hc_json_knum(&b, "held_out_p95_px", j->m.held_out_p95_px);
    hc_json_key(&b, "plates");
    hc_json_arr(&b);
    for (size_t i = 0; i < j->n; i++) {
        plate_json(&b, j, i);
    }
    hc_json_end_arr(&b);
    hc_json_key(&b, "overlaps");
    hc_json_arr(&b);
    for (size_t i = 0; i < j->m.overlaps; i++) {
        overlap_json(&b, j, i);
    }
    hc_json_end_arr(&b);
    hc_json_end_obj(&b);
    st = hc_buf_check(&b, err);
    st = st == HC_OK ? hc_store_put_result(j->w->store, kind, hc_buf_text(&b), &id, err) : st;
    hc_buf_release(&b);
    return st;
}

void hc_work_mosaic_json(struct hc_work *w, struct hc_buf *b, int64_t view)
{
    char kind[48];
    json_t *m = NULL;
    const json_t *plates;
    snprintf(kind, sizeof kind, "mosaic-%lld", (long long)view);
    if (hc_work_result(w, kind, &m, NULL) != HC_OK) {
        hc_json_null(b);
        return;
    }
    hc_json_obj(b);
    hc_json_kstr(b, "verdict", hc_work_json_text(m, "verdict"));
    hc_json_kstr(b, "why", hc_work_json_text(m, "why"));
    hc_json_kstr(b, "kind", hc_work_json_text(m, "kind"));
    hc_json_knum(b, "held_out_median_px", hc_work_json_number(m, "held_out_median_px"));
    hc_json_knum(b, "held_out_p95_px", hc_work_json_number(m, "held_out_p95_px"));
    hc_json_knum(b, "covered_share", hc_work_json_number(m, "covered_share"));
    hc_json_key(b, "plates");
    hc_json_arr(b);
    plates = json_object_get(m, "plates");
    for (size_t i = 0; i < json_array_size(plates); i++) {
        const json_t *p = json_array_get(plates, i), *outline = json_object_get(p, "outline");
        hc_json_obj(b);
        hc_json_kint(b, "view", json_integer_value(json_object_get(p, "view")));
        hc_json_kstr(b, "label", hc_work_json_text(p, "label"));
        hc_json_knum(b, "gain", hc_work_json_number(p, "gain"));
        hc_json_knum(b, "corner_sd_px", hc_work_json_number(p, "corner_sd_px"));
        hc_json_key(b, "outline");
        hc_json_arr(b);
        for (size_t c = 0; c < json_array_size(outline); c++) {
            const json_t *q = json_array_get(outline, c);
            hc_json_arr(b);
            hc_json_num(b, json_number_value(json_array_get(q, 0)));
            hc_json_num(b, json_number_value(json_array_get(q, 1)));
            hc_json_end_arr(b);
        }
        hc_json_end_arr(b);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
    json_decref(m);
}

// Adds the file as a view like any other; gives its number.
static hc_status add_view(struct joining *j, const char *path, const char *label, int64_t *id,
                          struct hc_job *job, struct hc_err *err)
{
    char note[400], shown[200];
    struct hc_work_add req = {.file = path,
                              .technique = j->view[0].technique,
                              .state = j->view[0].state,
                              .label = label,
                              .shown_name = shown,
                              .note = note};
    struct hc_buf added = {0};
    json_t *doc = NULL;
    hc_status st;
    write_note(note, sizeof note, j);
    snprintf(shown, sizeof shown, "%.180s.tif", label);
    for (char *c = shown; *c; c++) {
        *c = *c == '/' || *c == '\\' ? '-' : *c;
    }
    st = hc_work_add(j->w, &req, &added, job, err);
    st = st == HC_OK ? hc_work_json_load(&doc, hc_buf_text(&added), "the new view", err) : st;
    if (st == HC_OK) {
        *id = (int64_t)json_integer_value(json_object_get(doc, "id"));
        st = keep_record(j, *id, err);
    }
    json_decref(doc);
    hc_buf_release(&added);
    return st;
}

static hc_status tell_view(struct hc_work *w, int64_t id, struct hc_buf *b, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_store_view_by_id(w->store, id, &v, err) : st;
    if (st == HC_OK && b) {
        hc_work_view_json(w, b, &v, hc_work_mm_per_px(&p));
        st = hc_buf_check(b, err);
    }
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}

static hc_status join(struct joining *j, const char *const *views, const char *label,
                      struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    char path[HC_WORK_PATH], own_label[160];
    struct part part;
    int64_t id = 0;
    hc_status st = open_plates(j, views, begin_part(&part, job, 0, 0.02), err);
    if (st == HC_OK && !label) {
        st = make_label(j, own_label, sizeof own_label, err);
        label = own_label;
    }
    st = st == HC_OK
             ? hc_align_mosaic_solve(&j->m, j->source, j->label, j->n, j->view[0].bands == 3,
                                     j->w->par, begin_part(&part, job, 0.02, 0.6), err)
             : st;
    if (st == HC_OK && j->m.verdict == HC_ALIGN_REFUSED) {
        st = hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM, "not joined: %.440s", j->m.why);
    }
    st = st == HC_OK ? hc_store_derived_path(j->w->store, "joining.part", path, sizeof path, err)
                     : st;
    if (st != HC_OK) {
        return st;
    }
    st = write_file(j, path, begin_part(&part, job, 0.6, 0.85), err);
    st = st == HC_OK ? add_view(j, path, label, &id, begin_part(&part, job, 0.85, 1), err) : st;
    unlink(path);
    return st == HC_OK ? tell_view(j->w, id, json, err) : st;
}

hc_status hc_work_mosaic(struct hc_work *w, const char *const *views, size_t n, const char *label,
                         struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    struct joining j = {.w = w, .n = n};
    struct hc_view taken = {0};
    hc_status st;
    if (n < 2 || n > HC_ALIGN_MOSAIC_MAX) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM, "name 2 to %d views to join; %zu are given",
                          HC_ALIGN_MOSAIC_MAX, n);
    }
    if (label && hc_store_view_by_name(w->store, label, &taken, NULL) == HC_OK) {
        hc_view_release(&taken);
        return hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM, "there is a view called %s already",
                          label);
    }
    j.view = hc_mem_array(n, sizeof *j.view);
    j.raster = hc_mem_array(n, sizeof(struct hc_raster *));
    j.source = hc_mem_array(n, sizeof *j.source);
    j.label = hc_mem_array(n, sizeof(char *));
    st = j.view && j.raster && j.source && j.label
             ? join(&j, views, label, json, job, err)
             : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for %zu plates", n);
    for (size_t i = 0; i < n; i++) {
        if (j.raster) {
            hc_raster_close(j.raster[i]);
        }
        if (j.view) {
            hc_view_release(&j.view[i]);
        }
    }
    hc_align_mosaic_release(&j.m);
    hc_mem_free(j.view);
    hc_mem_free(j.raster);
    hc_mem_free(j.source);
    hc_mem_free(j.label);
    return st;
}
