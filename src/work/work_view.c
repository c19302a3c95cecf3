// New dossiers and views: from a studio file to a working raster and display tiles.
#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "num/stats.h"
#include "work/work_priv.h"

hc_status hc_work_new(const char *dossier, const struct hc_work_new *req, struct hc_err *err)
{
    struct hc_painting p = {.height_mm = req->height_mm, .width_mm = req->width_mm};
    const struct {
        const char *from;
        char **to;
    } text[] = {{req->title, &p.title},     {req->maker, &p.maker},         {req->date, &p.date},
                {req->support, &p.support}, {req->inventory, &p.inventory}, {req->owner, &p.owner}};
    hc_status st = HC_OK;
    if (!req->title || !*req->title) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM, "the painting needs a title (--title)");
    }
    // 20 m: no easel painting is larger; a slip from cm or m shows here (our own limit).
    if (!(req->height_mm > 0 && req->height_mm <= 20000) ||
        !(req->width_mm > 0 && req->width_mm <= 20000)) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                          "the size %g x %g mm is not possible; give height and width in mm, each "
                          "above 0 and up to 20000",
                          req->height_mm, req->width_mm);
    }
    for (size_t i = 0; i < sizeof text / sizeof text[0] && st == HC_OK; i++) {
        if (text[i].from && !(*text[i].to = hc_mem_strdup(text[i].from))) {
            st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the painting's data");
        }
    }
    if (st == HC_OK) {
        st = hc_store_create(dossier, &p, err);
    }
    hc_painting_release(&p);
    return st;
}

// ---- display ----
hc_status hc_work_display_get(struct hc_work *w, int64_t view, struct hc_work_display *d,
                              struct hc_err *err)
{
    char kind[48];
    json_t *j = NULL;
    hc_status st;
    snprintf(kind, sizeof kind, "display-%lld", (long long)view);
    st = hc_work_result(w, kind, &j, err);
    if (st == HC_OK) {
        snprintf(d->tiles, sizeof d->tiles, "%s", hc_work_json_text(j, "tiles"));
        d->lo = (float)hc_work_json_number(j, "lo");
        d->hi = (float)hc_work_json_number(j, "hi");
        json_decref(j);
    }
    return st;
}

static hc_status display_put(struct hc_work *w, int64_t view, const struct hc_work_display *d,
                             struct hc_err *err)
{
    char kind[48], json[160];
    int64_t id;
    snprintf(kind, sizeof kind, "display-%lld", (long long)view);
    snprintf(json, sizeof json, "{\"tiles\":\"%s\",\"lo\":%.9g,\"hi\":%.9g}", d->tiles,
             (double)d->lo, (double)d->hi);
    return hc_store_put_result(w->store, kind, json, &id, err);
}

void hc_work_drop_derived(struct hc_work *w, const char *name)
{
    char path[HC_WORK_PATH];
    if (hc_store_derived_path(w->store, name, path, sizeof path, NULL) == HC_OK) {
        unlink(path);
    }
}

// ---- rasters ----
hc_status hc_work_open_derived(struct hc_work *w, const char *name, struct hc_raster **out,
                               struct hc_err *err)
{
    char path[HC_WORK_PATH];
    hc_status st = hc_store_derived_path(w->store, name, path, sizeof path, err);
    return st == HC_OK ? hc_raster_open(out, path, err) : st;
}

enum stage { DECODED, CALIBRATED, PLACED };

static void raster_name(char *name, size_t room, int64_t id, enum stage stage)
{
    static const char *const tail[] = {"", "-calibrated", "-placed"};
    snprintf(name, room, "view-%lld%s.raster", (long long)id, tail[stage]);
}

static hc_status open_stage(struct hc_work *w, const struct hc_view *v, enum stage stage,
                            struct hc_raster **out, struct hc_err *err)
{
    char name[64];
    hc_status st;
    raster_name(name, sizeof name, v->id, stage);
    st = hc_work_open_derived(w, name, out, err);
    return st == HC_OK ? st
                       : hc_err_prefix(err, st, "view %s (run align to rebuild it): ", v->label);
}

hc_status hc_work_open_decoded(struct hc_work *w, const struct hc_view *v, struct hc_raster **out,
                               struct hc_err *err)
{
    return open_stage(w, v, DECODED, out, err);
}

static bool is_frame(const struct hc_view *v)
{
    return v->verdict && strcmp(v->verdict, "reference") == 0;
}

// The stage whose raster is a view in its own pixels.
static enum stage own_stage(struct hc_work *w, const struct hc_view *v)
{
    return hc_work_calibration_id(w, v->id) ? CALIBRATED : DECODED;
}

static enum stage shown_stage(struct hc_work *w, const struct hc_view *v)
{
    return hc_work_is_placed(v) && !is_frame(v) ? PLACED : own_stage(w, v);
}

void hc_work_placed_name(struct hc_work *w, const struct hc_view *v, char *name, size_t room)
{
    raster_name(name, room, v->id, shown_stage(w, v));
}

hc_status hc_work_open_own(struct hc_work *w, const struct hc_view *v, struct hc_raster **out,
                           struct hc_err *err)
{
    return open_stage(w, v, own_stage(w, v), out, err);
}

hc_status hc_work_open_placed(struct hc_work *w, const struct hc_view *v, struct hc_raster **out,
                              struct hc_err *err)
{
    if (!hc_work_is_placed(v)) {
        return hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                          "view %s has no place in the frame%s%s; align it first", v->label,
                          v->fit_why && *v->fit_why ? ": " : "", v->fit_why ? v->fit_why : "");
    }
    return is_frame(v) ? hc_work_open_own(w, v, out, err) : open_stage(w, v, PLACED, out, err);
}

void hc_work_luminance(struct hc_plane *dst, const struct hc_plane *bands, int n)
{
    for (int y = 0; y < dst->h; y++) {
        float *out = hc_plane_row(dst, y);
        const float *r = hc_plane_row(&bands[0], y);
        if (n == 1) {
            memcpy(out, r, (size_t)dst->w * sizeof *out);
            continue;
        }
        const float *g = hc_plane_row(&bands[1], y), *bl = hc_plane_row(&bands[2], y);
        // The Y row of linear ROMM to XYZ (ISO 22028-2:2013).
        for (int x = 0; x < dst->w; x++) {
            out[x] = 0.28804f * r[x] + 0.71187f * g[x] + 0.00009f * bl[x];
        }
    }
}

hc_status hc_work_read_grey(void *raster, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    const struct hc_raster *r = raster;
    struct hc_plane bands[3] = {{0}};
    int n = hc_raster_bands(r);
    hc_status st;
    if (n == 1) {
        return hc_raster_read(r, 0, x0, y0, out, err);
    }
    st = hc_work_read_rect(r, (struct hc_work_rect){x0, y0, out->w, out->h}, bands, err);
    if (st == HC_OK) {
        hc_work_luminance(out, bands, n);
    }
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&bands[c]);
    }
    return st;
}

hc_status hc_work_read_rect(const struct hc_raster *r, struct hc_work_rect at,
                            struct hc_plane *bands, struct hc_err *err)
{
    hc_status st = HC_OK;
    int n = hc_raster_bands(r);
    for (int c = 0; c < n && st == HC_OK; c++) {
        st = hc_plane_create(&bands[c], at.w, at.h, err);
        if (st == HC_OK) {
            st = hc_raster_read(r, c, at.x0, at.y0, &bands[c], err);
        }
    }
    if (st != HC_OK) {
        for (int c = 0; c < n; c++) {
            hc_plane_release(&bands[c]);
        }
    }
    return st;
}

// Where the display of a one-band view puts black and white: the 0.5 % and 99.5 % points.
static hc_status stretch(const struct hc_raster *r, float *lo, float *hi, struct hc_job *job,
                         struct hc_err *err)
{
    struct hc_plane o[3] = {{0}};
    int factor;
    hc_status st = hc_raster_overview(r, 512, o, &factor, job, err);
    if (st == HC_OK) {
        size_t n = (size_t)o[0].w * (size_t)o[0].h;
        *lo = hc_stats_quantile_f(o[0].px, n, 0.005);
        *hi = hc_stats_quantile_f(o[0].px, n, 0.995);
        if (!(*hi > *lo)) {
            *hi = *lo + 1e-3f;
        }
    }
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&o[c]);
    }
    return st;
}

// What a raster was made from; a derived file made from something else is made again.
static void raster_inputs(struct hc_work *w, char *out, size_t room, const struct hc_view *v,
                          enum stage stage)
{
    int n = snprintf(out, room, "{\"original\":\"%s\"", v->sha256);
    if (stage != DECODED) {
        n += snprintf(out + n, room - (size_t)n, ",\"calibration\":%lld",
                      (long long)hc_work_calibration_id(w, v->id));
    }
    for (int i = 0; stage == PLACED && i < 9 && (size_t)n < room; i++) {
        n += snprintf(out + n, room - (size_t)n, "%s%.17g%s", i ? "," : ",\"frame_to_view\":[",
                      v->frame_to_view[i], i == 8 ? "]" : "");
    }
    if (stage == PLACED && v->fit_json) {
        n += snprintf(out + n, room - (size_t)n, ",\"fit\":\"%016llx\"",
                      (unsigned long long)hc_work_mark(v->fit_json, strlen(v->fit_json)));
    }
    snprintf(out + n, room - (size_t)n, "}");
}

static bool is_current(struct hc_work *w, const char *name, const char *inputs)
{
    struct hc_derived d = {0};
    bool is_same = hc_store_get_derived(w->store, name, &d, NULL) == HC_OK && d.inputs &&
                   strcmp(d.inputs, inputs) == 0;
    hc_derived_release(&d);
    return is_same;
}

static hc_status make_decoded(struct hc_work *w, const struct hc_view *v, const char *name,
                              const char *inputs, struct hc_job *job, struct hc_err *err)
{
    char original[HC_WORK_PATH], path[HC_WORK_PATH];
    struct hc_image_info info;
    double clipped;
    hc_status st =
        hc_store_original_path(w->store, v->sha256, v->ext, original, sizeof original, err);
    st = st == HC_OK ? hc_store_derived_path(w->store, name, path, sizeof path, err) : st;
    st = st == HC_OK ? hc_image_to_raster(original, path, &info, &clipped, job, err) : st;
    return st == HC_OK ? hc_store_put_derived(w->store, name, "raster", inputs, err) : st;
}

static hc_status make_calibrated(struct hc_work *w, const struct hc_view *v, const char *name,
                                 const char *inputs, struct hc_job *job, struct hc_err *err)
{
    char path[HC_WORK_PATH];
    struct hc_raster *in = NULL;
    hc_status st = hc_work_open_decoded(w, v, &in, err);
    st = st == HC_OK ? hc_store_derived_path(w->store, name, path, sizeof path, err) : st;
    st = st == HC_OK ? hc_work_apply_calibration(w, v->id, in, path, job, err) : st;
    st = st == HC_OK ? hc_store_put_derived(w->store, name, "calibrated", inputs, err) : st;
    hc_raster_close(in);
    return st;
}

static hc_status make_placed(struct hc_work *w, const struct hc_view *v, const char *name,
                             const char *inputs, struct hc_job *job, struct hc_err *err)
{
    char path[HC_WORK_PATH];
    struct hc_painting p = {0};
    struct hc_raster *own = NULL;
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_work_open_own(w, v, &own, err) : st;
    st = st == HC_OK ? hc_store_derived_path(w->store, name, path, sizeof path, err) : st;
    st = st == HC_OK ? hc_work_place_raster(w, v, own, path, p.frame_w, p.frame_h, job, err) : st;
    st = st == HC_OK ? hc_store_put_derived(w->store, name, "placed", inputs, err) : st;
    hc_raster_close(own);
    hc_painting_release(&p);
    return st;
}

// Makes one stage unless it is there and was made from what it would be made from now.
static hc_status make_stage(struct hc_work *w, const struct hc_view *v, enum stage stage,
                            struct hc_job *job, struct hc_err *err)
{
    static hc_status (*const make[])(struct hc_work *, const struct hc_view *, const char *,
                                     const char *, struct hc_job *, struct hc_err *) = {
        make_decoded, make_calibrated, make_placed};
    char name[64], inputs[HC_WORK_INPUTS];
    raster_name(name, sizeof name, v->id, stage);
    raster_inputs(w, inputs, sizeof inputs, v, stage);
    return is_current(w, name, inputs) ? HC_OK : make[stage](w, v, name, inputs, job, err);
}

static hc_status make_display(struct hc_work *w, const struct hc_view *v, const char *inputs,
                              const struct hc_work_display *old, struct hc_job *job,
                              struct hc_err *err)
{
    struct hc_work_display d = {.hi = 1};
    struct hc_raster *shown = NULL;
    enum hc_tiles_kind kind;
    char tiles[HC_SHA256_HEX + 8], name[64];
    hc_status st = open_stage(w, v, shown_stage(w, v), &shown, err);
    raster_name(name, sizeof name, v->id, shown_stage(w, v));
    kind = st == HC_OK && hc_raster_bands(shown) == 1 ? HC_TILES_GREY : HC_TILES_COLOUR;
    if (st == HC_OK && kind == HC_TILES_GREY) {
        st = stretch(shown, &d.lo, &d.hi, job, err);
    }
    st = st == HC_OK
             ? hc_work_make_tiles(w, shown, name, kind, d.lo, d.hi, inputs, d.tiles, job, err)
             : st;
    st = st == HC_OK ? display_put(w, v->id, &d, err) : st;
    if (st == HC_OK && old->tiles[0] && strcmp(old->tiles, d.tiles) != 0) {
        snprintf(tiles, sizeof tiles, "%s.tiles", old->tiles);
        hc_work_drop_derived(w, tiles);
    }
    hc_raster_close(shown);
    return st;
}

// Tiles of an older program, or damaged ones, are made again.
static bool is_readable(struct hc_work *w, const char *name)
{
    char path[HC_WORK_PATH];
    struct hc_tiles *t = NULL;
    bool ok = hc_store_derived_path(w->store, name, path, sizeof path, NULL) == HC_OK &&
              hc_tiles_open(&t, path, NULL) == HC_OK;
    hc_tiles_close(t);
    return ok;
}

// What every forecast asks of these views is made once, when they are placed.
static hc_status make_overview(struct hc_work *w, const struct hc_view *v, struct hc_job *job,
                               struct hc_err *err)
{
    struct hc_plane o[3] = {{0}};
    int cell;
    hc_status st = HC_OK;
    if (is_frame(v) || (hc_work_is_placed(v) && strcmp(v->technique, "uv") == 0)) {
        st = hc_work_overview(w, v, HC_WORK_FORECAST_SIDE, o, &cell, job, err);
    }
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&o[c]);
    }
    return st;
}

hc_status hc_work_view_refresh(struct hc_work *w, const struct hc_view *v, bool is_forced,
                               struct hc_job *job, struct hc_err *err)
{
    char tiles[HC_SHA256_HEX + 8], inputs[HC_WORK_INPUTS];
    struct hc_work_display old = {0};
    bool is_moved = hc_work_is_placed(v) && !is_frame(v);
    hc_status st = make_stage(w, v, DECODED, job, err);
    if (st == HC_OK && hc_work_calibration_id(w, v->id)) {
        st = make_stage(w, v, CALIBRATED, job, err);
    }
    st = st == HC_OK && is_moved ? make_stage(w, v, PLACED, job, err) : st;
    if (st != HC_OK) {
        return hc_err_prefix(err, st, "view %s: ", v->label);
    }
    raster_inputs(w, inputs, sizeof inputs, v, is_moved ? PLACED : CALIBRATED);
    hc_ignore(hc_work_display_get(w, v->id, &old, NULL));
    snprintf(tiles, sizeof tiles, "%s.tiles", old.tiles);
    if (!is_forced && old.tiles[0] && is_current(w, tiles, inputs) && is_readable(w, tiles)) {
        return HC_OK;
    }
    st = make_display(w, v, inputs, &old, job, err);
    return st == HC_OK ? make_overview(w, v, job, err) : st;
}

// ---- add ----
static bool is_listed(const char *word, const char *const *list)
{
    for (; *list; list++) {
        if (strcmp(word, *list) == 0) {
            return true;
        }
    }
    return false;
}

static bool is_state(const char *s)
{
    static const char *const states[] = {"before",        "test",  "after-cleaning",
                                         "after-filling", "after", NULL};
    if (strncmp(s, "during-", 7) == 0) {
        size_t n = strspn(s + 7, "0123456789");
        return n > 0 && n <= 3 && s[7 + n] == 0;
    }
    return is_listed(s, states);
}

static hc_status check_words(const struct hc_work_add *req, struct hc_err *err)
{
    static const char *const techniques[] = {"normal", "raking", "specular", "transmitted", "uv",
                                             "ir",     "xray",   "micro",    "section",     NULL};
    if (!req->technique || !is_listed(req->technique, techniques)) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                          "technique \"%s\" is not known; give one of normal, raking, specular, "
                          "transmitted, uv, ir, xray, micro, section",
                          req->technique ? req->technique : "");
    }
    if (!req->state || !is_state(req->state)) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                          "state \"%s\" is not known; give one of before, test, during-N, "
                          "after-cleaning, after-filling, after",
                          req->state ? req->state : "");
    }
    if (req->has_light && !(req->azimuth_deg >= -360 && req->azimuth_deg <= 360 &&
                            req->elevation_deg > 0 && req->elevation_deg <= 90)) {
        return hc_err_set(
            err, HC_ERANGE, HC_WORK_ROOM,
            "light at azimuth %g, elevation %g; give azimuth -360 to 360 and elevation "
            "above 0 to 90 degrees (the lamp stands above the picture plane)",
            req->azimuth_deg, req->elevation_deg);
    }
    if (req->label && (!*req->label || strlen(req->label) > 80 ||
                       strspn(req->label, "0123456789") == strlen(req->label))) {
        return hc_err_set(
            err, HC_EARG, HC_WORK_ROOM,
            "label \"%.90s\": give 1 to 80 characters that are not only digits (digits "
            "alone mean a view's number)",
            req->label);
    }
    return HC_OK;
}

// "normal-before", then "normal-before-2" ...; raking views carry their azimuth.
static hc_status make_label(struct hc_work *w, const struct hc_work_add *req, char *out,
                            size_t room, struct hc_err *err)
{
    struct hc_view v = {0};
    char stem[120];
    if (req->label) {
        snprintf(out, room, "%s", req->label);
        return HC_OK;
    }
    if (req->has_light) {
        snprintf(stem, sizeof stem, "%s-%s-%g", req->technique, req->state, req->azimuth_deg);
    } else {
        snprintf(stem, sizeof stem, "%s-%s", req->technique, req->state);
    }
    for (int i = 1; i < 10000; i++) {
        snprintf(out, room, i == 1 ? "%s" : "%s-%d", stem, i);
        if (hc_store_view_by_name(w->store, out, &v, NULL) != HC_OK) {
            return HC_OK;
        }
        hc_view_release(&v);
    }
    return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM, "too many views are called %s; give a --label",
                      stem);
}

static hc_status check_kind(const struct hc_work_add *req, const struct hc_image_info *info,
                            const struct hc_painting *p, struct hc_err *err)
{
    bool is_normal = strcmp(req->technique, "normal") == 0;
    if (is_normal && info->bands != 3) {
        return hc_err_set(err, HC_EUNSUPPORTED, HC_WORK_ROOM,
                          "%s has one grey band; a view in normal light needs red, green and blue",
                          req->file);
    }
    if (p->frame_view == 0 && !(is_normal && strcmp(req->state, "before") == 0)) {
        return hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM,
                          "the first view must be the reference: technique normal, state before "
                          "(got %s, %s)",
                          req->technique, req->state);
    }
    return HC_OK;
}

static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

// What the camera wrote into the file, kept beside the view; nothing when it wrote nothing.
static hc_status keep_camera(struct hc_work *w, int64_t view, const struct hc_image_info *i,
                             struct hc_err *err)
{
    struct hc_buf b = {0};
    char kind[48];
    int64_t id;
    hc_status st;
    if (!i->camera[0] && !i->lens[0] && !i->taken_at[0] && !(i->exposure_s > 0)) {
        return HC_OK;
    }
    snprintf(kind, sizeof kind, "camera-%lld", (long long)view);
    hc_json_obj(&b);
    hc_json_kstr(&b, "camera", i->camera);
    hc_json_kstr(&b, "lens", i->lens);
    hc_json_kstr(&b, "taken_at", i->taken_at);
    hc_json_knum(&b, "exposure_s", i->exposure_s);
    hc_json_knum(&b, "f_number", i->f_number);
    hc_json_knum(&b, "iso", i->iso);
    hc_json_knum(&b, "focal_mm", i->focal_mm);
    hc_json_end_obj(&b);
    st = hc_buf_check(&b, err);
    st = st == HC_OK ? hc_store_put_result(w->store, kind, hc_buf_text(&b), &id, err) : st;
    hc_buf_release(&b);
    return st;
}

static char *joined_note(const char *first, const char *second)
{
    char both[900];
    snprintf(both, sizeof both, "%s%s%s", first ? first : "", first && *second ? ". " : "", second);
    return hc_mem_strdup(both);
}

// Everything that can fail on the file's side happens before the record changes: probe, full decode
// into a temporary raster; then the original is kept and the row written in one transaction.
static hc_status ingest(struct hc_work *w, const struct hc_work_add *req, struct hc_view *v,
                        struct hc_job *job, struct hc_err *err)
{
    char tmp[HC_WORK_PATH], path[HC_WORK_PATH], name[64], inputs[HC_WORK_INPUTS];
    struct hc_image_info info = {0};
    double clipped = 0;
    hc_status st = hc_store_derived_path(w->store, "adding.part", tmp, sizeof tmp, err);
    hc_job_phase(job, 0, 0.4);
    st = st == HC_OK ? hc_image_to_raster(req->file, tmp, &info, &clipped, job, err) : st;
    hc_job_phase(job, 0.4, 0.5);
    st = st == HC_OK ? hc_store_keep_original(w->store, req->file, info.format, v->sha256, job, err)
                     : st;
    if (st == HC_OK) {
        v->ext = hc_mem_strdup(info.format);
        v->profile = hc_mem_strdup(info.profile);
        v->note = joined_note(req->note, info.note);
        if (!v->ext || !v->profile || !v->note) {
            st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory while adding a view");
        }
        v->w = info.w;
        v->h = info.h;
        v->bands = info.bands;
        v->bits = info.bits;
        v->is_profile_assumed = info.is_assumed;
        v->clipped_share = clipped;
    }
    st = st == HC_OK ? hc_store_add_view(w->store, v, &v->id, err) : st;
    if (st == HC_OK) {
        raster_name(name, sizeof name, v->id, DECODED);
        st = hc_store_derived_path(w->store, name, path, sizeof path, err);
    }
    if (st == HC_OK && rename(tmp, path) != 0) {
        st =
            hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not store the working raster in derived/");
    }
    raster_inputs(w, inputs, sizeof inputs, v, DECODED);
    st = st == HC_OK ? hc_store_put_derived(w->store, name, "raster", inputs, err) : st;
    st = st == HC_OK ? keep_camera(w, v->id, &info, err) : st;
    unlink(tmp);
    return st;
}

hc_status hc_work_add(struct hc_work *w, const struct hc_work_add *req, struct hc_buf *json,
                      struct hc_job *job, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_image_info info;
    struct hc_view v = {.has_light = req->has_light,
                        .azimuth_deg = req->azimuth_deg,
                        .elevation_deg = req->elevation_deg,
                        .exposure_factor = 1},
                   stored = {0};
    char label[160];
    hc_status st = check_words(req, err);
    st = st == HC_OK ? hc_store_painting(w->store, &p, err) : st;
    st = st == HC_OK ? hc_image_probe(&info, req->file, err) : st;
    st = st == HC_OK ? check_kind(req, &info, &p, err) : st;
    st = st == HC_OK ? make_label(w, req, label, sizeof label, err) : st;
    if (st != HC_OK) {
        goto done;
    }
    v.label = hc_mem_strdup(label);
    v.technique = hc_mem_strdup(req->technique);
    v.state = hc_mem_strdup(req->state);
    v.face = hc_mem_strdup("front");
    v.file_name = hc_mem_strdup(base_name(req->shown_name ? req->shown_name : req->file));
    if (!v.label || !v.technique || !v.state || !v.face || !v.file_name) {
        st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory while adding a view");
        goto done;
    }
    st = ingest(w, req, &v, job, err);
    st = st == HC_OK ? hc_store_view_by_id(w->store, v.id, &stored, err) : st;
    if (st != HC_OK) {
        goto done;
    }
    hc_job_phase(job, 0.5, 1);
    st = hc_work_view_refresh(w, &stored, true, job, err);
    if (st == HC_OK && json) {
        hc_painting_release(&p);
        st = hc_store_painting(w->store, &p, err);
        hc_work_view_json(w, json, &stored, hc_work_mm_per_px(&p));
        st = st == HC_OK ? hc_buf_check(json, err) : st;
    }
done:
    hc_view_release(&v);
    hc_view_release(&stored);
    hc_painting_release(&p);
    return st;
}
