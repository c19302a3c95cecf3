#include "server/server_test_fake.h"

#include <pthread.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "base/mem.h"
#include "work/work.h"

struct hc_test_fake hc_test_fake;

struct hc_work {
    atomic_bool is_used;
    bool is_writer;
};

// One writer for each folder.
static pthread_mutex_t held_lock = PTHREAD_MUTEX_INITIALIZER;
static struct {
    const struct hc_work *by;
    char dir[64];
} held[8];

static bool hold(const struct hc_work *w, const char *dir)
{
    int free_at = -1;
    bool is_held = false;
    pthread_mutex_lock(&held_lock);
    for (int i = 0; i < 8; i++) {
        is_held = is_held || (held[i].by && strcmp(held[i].dir, dir) == 0);
        free_at = held[i].by ? free_at : i;
    }
    hc_assert(free_at >= 0);
    if (!is_held) {
        held[free_at].by = w;
        snprintf(held[free_at].dir, sizeof held[free_at].dir, "%s", dir);
    }
    pthread_mutex_unlock(&held_lock);
    return !is_held;
}

static void let_go(const struct hc_work *w)
{
    pthread_mutex_lock(&held_lock);
    for (int i = 0; i < 8; i++) {
        held[i].by = held[i].by == w ? NULL : held[i].by;
    }
    pthread_mutex_unlock(&held_lock);
}

static void enter(struct hc_work *w)
{
    hc_assert(!atomic_exchange(&w->is_used, true));
}

static hc_status leave(struct hc_work *w, hc_status st)
{
    hc_assert(atomic_exchange(&w->is_used, false));
    return st;
}

static hc_status fail(struct hc_err *err, hc_status st, const char *what)
{
    return hc_err_set(err, st, "fake", "%s", what);
}

int hc_work_exit_code(hc_status status)
{
    return (int)status;
}

int hc_work_http_code(hc_status status)
{
    static const int code[] = {200, 400, 400, 422, 422, 404, 409, 415, 507, 503, 413, 409, 422};
    return code[status];
}

hc_status hc_work_open(struct hc_work **out, const char *dossier, bool for_writing, int threads,
                       struct hc_err *err)
{
    struct stat info;
    (void)threads;
    if (stat(dossier, &info) != 0) {
        return fail(err, HC_ENOTFOUND, "there is no such dossier");
    }
    *out = hc_mem_array(1, sizeof **out);
    if (for_writing && !hold(*out, dossier)) {
        hc_mem_free(*out);
        *out = NULL;
        return fail(err, HC_ECONFLICT, "another program writes this dossier");
    }
    (*out)->is_writer = for_writing;
    atomic_fetch_add(&hc_test_fake.open, 1);
    return HC_OK;
}

void hc_work_close(struct hc_work *w)
{
    if (w) {
        hc_assert(!atomic_load(&w->is_used));
        if (w->is_writer) {
            let_go(w);
        }
        atomic_fetch_sub(&hc_test_fake.open, 1);
        hc_mem_free(w);
    }
}

// Ten milliseconds of work, `steps` times.
static hc_status labour(int steps, struct hc_job *job, struct hc_err *err)
{
    const struct timespec pause = {.tv_nsec = 10 * 1000 * 1000};
    hc_status st = HC_OK;
    int now = atomic_fetch_add(&hc_test_fake.jobs, 1) + 1;
    if (now > atomic_load(&hc_test_fake.most_jobs)) {
        atomic_store(&hc_test_fake.most_jobs, now);
    }
    for (int i = 0; st == HC_OK && i < steps; i++) {
        nanosleep(&pause, NULL);
        st = hc_job_step(job, (i + 1.0) / steps, "weighing \"windows\"", err);
    }
    atomic_fetch_sub(&hc_test_fake.jobs, 1);
    return st;
}

static long bytes_of(const char *path)
{
    struct stat info;
    return stat(path, &info) == 0 ? (long)info.st_size : -1;
}

hc_status hc_work_add(struct hc_work *w, const struct hc_work_add *req, struct hc_buf *json,
                      struct hc_job *job, struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(2, job, err);
    if (st == HC_OK && strcmp(req->technique, "smell") == 0) {
        st = fail(err, HC_EUNSUPPORTED, "there is no technique called smell");
    }
    if (st == HC_OK) {
        hc_json_obj(json);
        hc_json_kint(json, "id", req->label && strcmp(req->label, "lost") == 0 ? 8 : 7);
        hc_json_kint(json, "bytes", bytes_of(req->file));
        hc_json_kstr(json, "name", req->shown_name);
        hc_json_kstr(json, "label", req->label);
        hc_json_knum(json, "azimuth", req->has_light ? req->azimuth_deg : -1);
        hc_json_end_obj(json);
    }
    return leave(w, st);
}

hc_status hc_work_align(struct hc_work *w, const char *view, struct hc_buf *json,
                        struct hc_job *job, struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(2, job, err);
    if (st == HC_OK && view && strcmp(view, "8") == 0) {
        st = fail(err, HC_EREFUSED, "the view shares too little with the frame");
    }
    if (st == HC_OK) {
        hc_json_obj(json);
        hc_json_kstr(json, "view", view);
        hc_json_end_obj(json);
    }
    return leave(w, st);
}

hc_status hc_work_dossier(struct hc_work *w, struct hc_buf *json, struct hc_err *err)
{
    enter(w);
    hc_json_obj(json);
    hc_json_kstr(json, "title", "Quinces and a jug");
    hc_json_knum(json, "height_mm", 412.5);
    hc_json_kbool(json, "read_only", !w->is_writer);
    hc_json_end_obj(json);
    return leave(w, hc_buf_check(json, err));
}

hc_status hc_work_views(struct hc_work *w, struct hc_buf *json, struct hc_err *err)
{
    enter(w);
    hc_buf_str(json, "{\"views\":[]}");
    return leave(w, hc_buf_check(json, err));
}

hc_status hc_work_window_add(struct hc_work *w, const struct hc_work_window *req,
                             struct hc_buf *json, struct hc_err *err)
{
    hc_status st = HC_OK;
    enter(w);
    hc_assert(w->is_writer);
    if (req->surface && strcmp(req->surface, "bare") != 0) {
        st = fail(err, HC_EARG, "the surface is not known");
    } else {
        hc_json_obj(json);
        hc_json_kint(json, "id", atomic_fetch_add(&hc_test_fake.windows, 1) + 1);
        hc_json_kstr(json, "label", req->label);
        hc_json_kstr(json, "before", req->before);
        hc_json_kstr(json, "geojson", req->geojson);
        hc_json_end_obj(json);
    }
    return leave(w, st);
}

hc_status hc_work_window_remove(struct hc_work *w, int64_t id, struct hc_err *err)
{
    enter(w);
    hc_assert(w->is_writer);
    return leave(w, id == 1 ? HC_OK : fail(err, HC_ENOTFOUND, "there is no such window"));
}

hc_status hc_work_windows(struct hc_work *w, struct hc_buf *json, struct hc_err *err)
{
    enter(w);
    hc_buf_str(json, "{\"windows\":[]}");
    return leave(w, hc_buf_check(json, err));
}

hc_status hc_work_zone_add(struct hc_work *w, const char *geojson, const char *kind,
                           const char *label, struct hc_buf *json, struct hc_err *err)
{
    enter(w);
    hc_assert(w->is_writer);
    hc_json_obj(json);
    hc_json_kint(json, "id", 1);
    hc_json_kstr(json, "kind", kind);
    hc_json_kstr(json, "label", label);
    hc_json_kstr(json, "geojson", geojson);
    hc_json_end_obj(json);
    return leave(w, hc_buf_check(json, err));
}

hc_status hc_work_zone_remove(struct hc_work *w, int64_t id, struct hc_err *err)
{
    enter(w);
    hc_assert(w->is_writer);
    return leave(w, id == 1 ? HC_OK : fail(err, HC_ENOTFOUND, "there is no such zone"));
}

hc_status hc_work_zones(struct hc_work *w, struct hc_buf *json, struct hc_err *err)
{
    enter(w);
    hc_buf_str(json, "{\"zones\":[]}");
    return leave(w, hc_buf_check(json, err));
}

// surface "slow": ten seconds; "thin": refused; otherwise quick.
hc_status hc_work_forecast(struct hc_work *w, const struct hc_work_forecast *req,
                           struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    const char *surface = req->surface ? req->surface : "";
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(strcmp(surface, "slow") == 0   ? 1000
                : strcmp(surface, "half") == 0 ? 40
                                               : 1,
                job, err);
    if (st == HC_OK && strcmp(surface, "thin") == 0) {
        st = fail(err, HC_EREFUSED, "three windows are needed, there are two");
    }
    if (st == HC_OK) {
        hc_json_obj(json);
        hc_json_kint(json, "id", 3);
        hc_json_knum(json, "radius_limit", req->radius_limit);
        hc_json_end_obj(json);
    }
    return leave(w, st);
}

hc_status hc_work_forecast_get(struct hc_work *w, struct hc_buf *json, struct hc_err *err)
{
    (void)json;
    enter(w);
    return leave(w, fail(err, HC_ENOTFOUND, "no forecast was made yet"));
}

hc_status hc_work_fit_map(struct hc_work *w, const char *view, struct hc_buf *json,
                          struct hc_err *err)
{
    enter(w);
    if (strcmp(view, "1") != 0) {
        return leave(w, fail(err, HC_ENOTFOUND, "no such view"));
    }
    hc_json_raw(json, "{\"view\":1,\"tiles\":[]}");
    return leave(w, HC_OK);
}

hc_status hc_work_pairs(struct hc_work *w, const char *view, struct hc_buf *json,
                        struct hc_err *err)
{
    enter(w);
    if (strcmp(view, "1") != 0) {
        return leave(w, fail(err, HC_ENOTFOUND, "no such view"));
    }
    hc_json_raw(json, "{\"view\":1,\"pairs\":[]}");
    return leave(w, HC_OK);
}

// Fewer than 4 pairs are refused.
hc_status hc_work_pairs_check(struct hc_work *w, const char *view, const struct hc_work_pair *pair,
                              size_t n, struct hc_err *err)
{
    (void)view;
    (void)pair;
    enter(w);
    return leave(w, n < 4 ? fail(err, HC_EREFUSED, "give at least 4 pairs") : HC_OK);
}

hc_status hc_work_align_pairs(struct hc_work *w, const char *view, const struct hc_work_pair *pair,
                              size_t n, struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(2, job, err);
    hc_json_obj(json);
    hc_json_kstr(json, "view", view);
    hc_json_knum(json, "last", pair[n - 1].view_y);
    hc_json_end_obj(json);
    return leave(w, st);
}

hc_status hc_work_align_remove(struct hc_work *w, const char *view, struct hc_buf *json,
                               struct hc_job *job, struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(2, job, err);
    if (st == HC_OK && strcmp(view, "1") == 0) {
        st = fail(err, HC_ECONFLICT, "view 1 is the reference");
    }
    hc_json_obj(json);
    hc_json_kstr(json, "taken_back", view);
    hc_json_end_obj(json);
    return leave(w, st);
}

hc_status hc_work_ignored(struct hc_work *w, const char *view, struct hc_buf *json,
                          struct hc_err *err)
{
    (void)view;
    (void)err;
    enter(w);
    hc_json_raw(json, "{\"view\":1,\"polygons\":[]}");
    return leave(w, HC_OK);
}

hc_status hc_work_ignored_set(struct hc_work *w, const char *view, const char *geojson,
                              struct hc_buf *json, struct hc_err *err)
{
    (void)view;
    (void)err;
    enter(w);
    hc_assert(w->is_writer);
    hc_json_obj(json);
    hc_json_kstr(json, "geojson", geojson);
    hc_json_end_obj(json);
    return leave(w, HC_OK);
}

hc_status hc_work_own(struct hc_work *w, const char *view, double x, double y, double side, int px,
                      struct hc_buf *jpeg, struct hc_err *err)
{
    enter(w);
    hc_buf_printf(jpeg, "\xff\xd8 %s %g %g %g %d", view, x, y, side, px);
    return leave(w, hc_buf_check(jpeg, err));
}

hc_status hc_work_calibration_get(struct hc_work *w, const char *view, struct hc_buf *json,
                                  struct hc_err *err)
{
    (void)view;
    (void)json;
    enter(w);
    return leave(w, fail(err, HC_ENOTFOUND, "no calibration"));
}

// chart "slow": ten seconds; "none": no target is found; otherwise the request told again.
hc_status hc_work_calibrate(struct hc_work *w, const struct hc_work_calibrate *req,
                            struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(strcmp(req->chart, "slow") == 0 ? 1000 : 1, job, err);
    if (st == HC_OK && strcmp(req->chart, "none") == 0) {
        st = fail(err, HC_EREFUSED, "no target was found; give its corners");
    }
    if (st == HC_OK) {
        hc_json_obj(json);
        hc_json_kstr(json, "view", req->view);
        hc_json_kstr(json, "chart", req->chart);
        hc_json_kstr(json, "flat", req->flat);
        hc_json_kint(json, "rows", req->rows);
        hc_json_kint(json, "cols", req->cols);
        hc_json_key(json, "corners");
        hc_json_arr(json);
        for (int i = 0; req->has_corners && i < 4; i++) {
            hc_json_num(json, req->corner[i].x);
            hc_json_num(json, req->corner[i].y);
        }
        hc_json_end_arr(json);
        hc_json_key(json, "also");
        hc_json_arr(json);
        for (size_t i = 0; i < req->n_also; i++) {
            hc_json_str(json, req->also[i]);
        }
        hc_json_end_arr(json);
        hc_json_end_obj(json);
    }
    return leave(w, st);
}

// The request told again; a view "apart" joins nothing.
hc_status hc_work_mosaic(struct hc_work *w, const char *const *views, size_t n, const char *label,
                         struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(1, job, err);
    hc_json_obj(json);
    hc_json_kstr(json, "label", label);
    hc_json_key(json, "views");
    hc_json_arr(json);
    for (size_t i = 0; st == HC_OK && i < n; i++) {
        hc_json_str(json, views[i]);
        st = strcmp(views[i], "apart") == 0 ? fail(err, HC_EREFUSED, "not joined: apart") : st;
    }
    hc_json_end_arr(json);
    hc_json_end_obj(json);
    return leave(w, st);
}

hc_status hc_work_calibrate_remove(struct hc_work *w, const char *view, struct hc_job *job,
                                   struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(1, job, err);
    if (st == HC_OK && strcmp(view, "target") != 0) {
        st = fail(err, HC_ENOTFOUND, "the view has no calibration");
    }
    return leave(w, st);
}

hc_status hc_work_points_import(struct hc_work *w, const char *text, const char *name,
                                double aperture_mm, struct hc_buf *json, struct hc_err *err)
{
    enter(w);
    hc_assert(w->is_writer);
    hc_json_obj(json);
    hc_json_kstr(json, "text", text);
    hc_json_kstr(json, "name", name);
    hc_json_knum(json, "mm", aperture_mm);
    hc_json_end_obj(json);
    return leave(w, hc_buf_check(json, err));
}

hc_status hc_work_points(struct hc_work *w, const char *light, int observer_deg,
                         struct hc_buf *json, struct hc_err *err)
{
    enter(w);
    if (strcmp(light, "D50") != 0 && strcmp(light, "A") != 0) {
        return leave(w, fail(err, HC_ENOTFOUND, "no such light"));
    }
    hc_json_obj(json);
    hc_json_kstr(json, "light", light);
    hc_json_kint(json, "observer_deg", observer_deg);
    hc_json_end_obj(json);
    return leave(w, hc_buf_check(json, err));
}

hc_status hc_work_spot(struct hc_work *w, double x, double y, double mm, struct hc_buf *json,
                       struct hc_err *err)
{
    enter(w);
    hc_json_obj(json);
    hc_json_knum(json, "x", x);
    hc_json_knum(json, "y", y);
    hc_json_knum(json, "mm", mm);
    hc_json_end_obj(json);
    return leave(w, hc_buf_check(json, err));
}

hc_status hc_work_patch(struct hc_work *w, const char *what, double x, double y, double mm, int px,
                        struct hc_buf *jpeg, struct hc_err *err)
{
    enter(w);
    hc_buf_printf(jpeg, "\xff\xd8 %s %g %g %g %d", what, x, y, mm, px);
    return leave(w, hc_buf_check(jpeg, err));
}

hc_status hc_work_tile(struct hc_work *w, const char *key, int level, int x, int y,
                       struct hc_buf *bytes, const char **type, struct hc_err *err)
{
    hc_status st = HC_OK;
    enter(w);
    if (key[0] != 'a') {
        st = fail(err, HC_ENOTFOUND, "there are no such tiles");
    } else {
        hc_buf_printf(bytes, "\xff\xd8 %d %d %d", level, x, y);
        *type = "image/jpeg";
    }
    return leave(w, st);
}

hc_status hc_work_report(struct hc_work *w, const char *path, struct hc_job *job,
                         struct hc_err *err)
{
    hc_status st;
    FILE *f;
    enter(w);
    st = labour(2, job, err);
    f = st == HC_OK ? fopen(path, "w") : NULL;
    if (f) {
        fputs("%PDF-1.7 of the test", f);
        fclose(f);
    }
    return leave(w, st);
}

// ---- relief ----

hc_status hc_work_relief_get(struct hc_work *w, const char *state, struct hc_buf *json,
                             struct hc_err *err)
{
    (void)err;
    enter(w);
    hc_json_obj(json);
    hc_json_kstr(json, "of", state);
    hc_json_end_obj(json);
    return leave(w, HC_OK);
}

hc_status hc_work_relief(struct hc_work *w, const struct hc_work_relief *req, struct hc_buf *json,
                         struct hc_job *job, struct hc_err *err)
{
    hc_status st;
    enter(w);
    hc_assert(w->is_writer);
    st = labour(1, job, err);
    if (st == HC_OK && strcmp(req->state, "two") == 0) {
        st = fail(err, HC_EREFUSED, "there are 2");
    }
    hc_buf_printf(json, "{\"asked\":\"%s %d %d %d %g %g\"}", req->state, req->method, req->is_flat,
                  req->is_gained, req->short_mm, req->long_mm);
    return leave(w, st);
}

static hc_status echo_area(struct hc_work *w, const struct hc_work_relief_area *a,
                           struct hc_buf *json)
{
    enter(w);
    hc_json_obj(json);
    hc_json_kstr(json, "state", a->state);
    hc_json_kstr(json, "other", a->other);
    hc_json_kstr(json, "geojson", a->geojson);
    hc_json_knum(json, "short_mm", a->short_mm);
    hc_json_end_obj(json);
    return leave(w, HC_OK);
}

hc_status hc_work_relief_texture(struct hc_work *w, const struct hc_work_relief_area *req,
                                 struct hc_buf *json, struct hc_err *err)
{
    (void)err;
    return echo_area(w, req, json);
}

hc_status hc_work_relief_film(struct hc_work *w, const struct hc_work_relief_area *req,
                              struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    (void)job;
    (void)err;
    return echo_area(w, req, json);
}

hc_status hc_work_relief_profile(struct hc_work *w, const char *state, struct hc_work_point from,
                                 struct hc_work_point to, struct hc_buf *json, struct hc_err *err)
{
    (void)err;
    enter(w);
    hc_buf_printf(json, "{\"line\":\"%s %g %g %g %g\"}", state, from.x, from.y, to.x, to.y);
    return leave(w, HC_OK);
}

hc_status hc_work_lights_import(struct hc_work *w, const char *text, const char *name,
                                bool is_partial, struct hc_buf *json, struct hc_err *err)
{
    hc_status st = HC_OK;
    enter(w);
    hc_assert(w->is_writer);
    hc_assert(!is_partial); // what is sent to the page is used whole or not at all
    if (strncmp(text, "file,", 5) != 0) {
        st = fail(err, HC_EDATA, "the lights need a first line of names");
    }
    hc_json_obj(json);
    hc_json_kstr(json, "file_name", name);
    hc_json_end_obj(json);
    return leave(w, st);
}
