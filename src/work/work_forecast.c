// The forecast as a use case: gather windows and overviews, fit, render by rows, keep the result.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/clock.h"
#include "base/mem.h"
#include "forecast/forecast.h"
#include "work/work_forecast_priv.h"

#define OVERVIEW_SIDE                                                                              \
    HC_WORK_FORECAST_SIDE // px on the longest side: statistics, kriging, thresholds
#define MIN_SAMPLES 25

// A channel at the coding maximum of its file, in working light: coded white maps to 1.
static const float clip_level[3] = {0.995f, 0.995f, 0.995f};

static enum hc_surface_state surface_from(const char *s)
{
    return strcmp(s, "bare") == 0        ? HC_SURFACE_BARE
           : strcmp(s, "saturated") == 0 ? HC_SURFACE_SATURATED
                                         : HC_SURFACE_VARNISHED;
}

static const char *surface_word(enum hc_surface_state s)
{
    return s == HC_SURFACE_BARE ? "bare" : s == HC_SURFACE_SATURATED ? "saturated" : "varnished";
}

struct run {
    struct hc_work *w;
    struct hc_painting p;
    struct hc_view before;
    struct hc_work_uv uv;
    struct hc_raster *before_r, *uv_r;
    struct hc_window_list windows;
    struct hc_zone_list zones;
    struct hc_pt **zone_pt;
    size_t *zone_n;
    struct hc_forecast_window *sample; // one per window
    float **block;                     // its samples: 9 arrays in one block
    struct hc_lin3 over;
    struct hc_plane over_uv, over_zone;
    struct hc_forecast *fit;
    char layer[HC_WORK_LAYERS][80]; // raster names in derived/
    char tiles[HC_WORK_LAYERS][HC_SHA256_HEX];
    char inputs[40]; // JSON: the basis the layers were computed on
};

static void run_release(struct run *r)
{
    for (size_t i = 0; i < r->windows.n; i++) {
        if (r->block) {
            hc_mem_free(r->block[i]);
        }
    }
    for (size_t i = 0; i < r->zones.n; i++) {
        if (r->zone_pt) {
            hc_mem_free(r->zone_pt[i]);
        }
    }
    hc_mem_free(r->block);
    hc_mem_free(r->sample);
    hc_mem_free(r->zone_pt);
    hc_mem_free(r->zone_n);
    hc_forecast_destroy(r->fit);
    hc_lin3_release(&r->over);
    hc_plane_release(&r->over_uv);
    hc_plane_release(&r->over_zone);
    hc_raster_close(r->before_r);
    hc_raster_close(r->uv_r);
    hc_window_list_release(&r->windows);
    hc_zone_list_release(&r->zones);
    hc_view_release(&r->before);
    hc_work_uv_release(&r->uv);
    hc_painting_release(&r->p);
}

// ---- inputs ----

// None is no failure.
static hc_status open_uv(struct run *r, struct hc_err *err)
{
    hc_status st = hc_work_find_uv(r->w, &r->uv, &r->p, &r->windows, err);
    return st == HC_OK && r->uv.view.id ? hc_work_open_placed(r->w, &r->uv.view, &r->uv_r, err)
                                        : st;
}

static hc_status load_zones(struct run *r, struct hc_err *err)
{
    hc_status st = hc_store_zones(r->w->store, &r->zones, err);
    if (st == HC_OK && r->zones.n) {
        r->zone_pt = hc_mem_array(r->zones.n, sizeof *r->zone_pt);
        r->zone_n = hc_mem_array(r->zones.n, sizeof *r->zone_n);
        if (!r->zone_pt || !r->zone_n) {
            return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for %zu zones",
                              r->zones.n);
        }
        for (size_t i = 0; st == HC_OK && i < r->zones.n; i++) {
            st = hc_work_poly_parse(&r->zone_pt[i], &r->zone_n[i], r->zones.z[i].polygon, err);
        }
    }
    return st;
}

static double edge_distance(const struct hc_pt *p, size_t n, struct hc_pt q)
{
    double best = (double)INFINITY;
    for (size_t i = 0, j = n - 1; i < n; j = i++) {
        double ex = p[i].x - p[j].x, ey = p[i].y - p[j].y;
        double t = ((q.x - p[j].x) * ex + (q.y - p[j].y) * ey) / (ex * ex + ey * ey);
        t = t < 0 ? 0 : t > 1 ? 1 : t;
        best = fmin(best, hypot(q.x - p[j].x - t * ex, q.y - p[j].y - t * ey));
    }
    return best;
}

struct patch {
    struct hc_plane before[3], test[3], uv[3], uv_y, mask;
    struct hc_work_rect at;
};

static void patch_release(struct patch *p)
{
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&p->before[c]);
        hc_plane_release(&p->test[c]);
        hc_plane_release(&p->uv[c]);
    }
    hc_plane_release(&p->uv_y);
    hc_plane_release(&p->mask);
}

// The window's pixels: those away from its edge when at least MIN_SAMPLES remain, else all.
static size_t pick_pixels(struct patch *p, const struct hc_pt *pt, size_t n)
{
    size_t all = hc_poly_mask(&p->mask, p->at.x0, p->at.y0, pt, n), inner = 0;
    for (int pass = 0; pass < 2; pass++) {
        for (int y = 0; y < p->mask.h; y++) {
            float *row = hc_plane_row(&p->mask, y);
            for (int x = 0; x < p->mask.w; x++) {
                struct hc_pt q = {p->at.x0 + x + 0.5, p->at.y0 + y + 0.5};
                if (row[x] > 0.5f && edge_distance(pt, n, q) >= HC_WORK_EDGE_PX) {
                    inner += pass == 0;
                } else if (pass == 1) {
                    row[x] = 0.0f;
                }
            }
        }
        if (inner < MIN_SAMPLES) {
            return all;
        }
    }
    return inner;
}

static hc_status load_patch(struct run *r, const struct hc_pt *pt, size_t n,
                            const struct hc_view *test, struct patch *p, struct hc_err *err)
{
    struct hc_box b = hc_poly_box(pt, n);
    struct hc_raster *test_r = NULL;
    struct hc_work_place place = {0};
    hc_status st;
    p->at.x0 = (int)fmax(0, floor(b.x0));
    p->at.y0 = (int)fmax(0, floor(b.y0));
    p->at.w = (int)fmin(r->p.frame_w, ceil(b.x1)) - p->at.x0;
    p->at.h = (int)fmin(r->p.frame_h, ceil(b.y1)) - p->at.y0;
    st = hc_work_open_placed(r->w, test, &test_r, err);
    st = st == HC_OK ? hc_work_place_read(&place, test, err) : st;
    st = st == HC_OK ? hc_work_check_test(test, &place, pt, n, err) : st;
    st = st == HC_OK ? hc_work_read_rect(r->before_r, p->at, p->before, err) : st;
    st = st == HC_OK ? hc_work_read_in_frame(test_r, &place, p->at, p->test, err) : st;
    if (st == HC_OK && r->uv_r) {
        st = hc_work_read_rect(r->uv_r, p->at, p->uv, err);
        st = st == HC_OK ? hc_plane_create(&p->uv_y, p->at.w, p->at.h, err) : st;
        if (st == HC_OK) {
            hc_work_luminance(&p->uv_y, p->uv, hc_raster_bands(r->uv_r));
        }
    }
    st = st == HC_OK ? hc_plane_create(&p->mask, p->at.w, p->at.h, err) : st;
    hc_work_place_release(&place);
    hc_raster_close(test_r);
    return st;
}

static hc_status fill_sample(struct run *r, size_t i, const struct patch *p, size_t n,
                             float exposure, struct hc_err *err)
{
    struct hc_forecast_window *s = &r->sample[i];
    float *a = r->block[i] = hc_mem_array(n * 9, sizeof *a);
    size_t k = 0;
    if (!a) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for %zu window pixels", n);
    }
    for (int y = 0; y < p->at.h; y++) {
        for (int x = 0; x < p->at.w; x++) {
            if (hc_plane_get(&p->mask, x, y) < 0.5f) {
                continue;
            }
            for (size_t c = 0; c < 3; c++) {
                a[c * n + k] = hc_plane_get(&p->before[c], x, y);
                a[(3 + c) * n + k] = hc_plane_get(&p->test[c], x, y) * exposure;
            }
            a[6 * n + k] = p->uv_y.px ? hc_plane_get(&p->uv_y, x, y) : 0.0f;
            a[7 * n + k] = (float)(p->at.x0 + x) + 0.5f;
            a[8 * n + k] = (float)(p->at.y0 + y) + 0.5f;
            k++;
        }
    }
    for (size_t c = 0; c < 3; c++) {
        s->before[c] = a + c * n;
        s->after[c] = a + (3 + c) * n;
    }
    s->uv = r->uv_r ? a + 6 * n : NULL;
    s->x = a + 7 * n;
    s->y = a + 8 * n;
    s->n = k;
    return HC_OK;
}

static hc_status load_window(struct run *r, size_t i, struct hc_err *err)
{
    const struct hc_window *x = &r->windows.w[i];
    struct hc_view test = {0};
    struct patch p = {0};
    struct hc_pt *pt = NULL;
    size_t n = 0, picked;
    hc_status st = hc_store_view_by_id(r->w->store, x->test_view, &test, err);
    st = st == HC_OK ? hc_work_poly_parse(&pt, &n, x->polygon, err) : st;
    st = st == HC_OK ? load_patch(r, pt, n, &test, &p, err) : st;
    if (st == HC_OK) {
        picked = pick_pixels(&p, pt, n);
        r->sample[i].id = x->id;
        r->sample[i].surface = surface_from(x->surface);
        st = picked ? fill_sample(r, i, &p, picked, (float)test.exposure_factor, err)
                    : hc_err_set(err, HC_EDATA, HC_WORK_ROOM, "it covers no pixel centre");
    }
    patch_release(&p);
    hc_mem_free(pt);
    hc_view_release(&test);
    return st == HC_OK ? st : hc_err_prefix(err, st, "window %s: ", x->label);
}

// Exposure of each test view again: windows may have been added since it was placed.
static hc_status match_tests(struct run *r, struct hc_job *job, struct hc_err *err)
{
    hc_status st = HC_OK;
    for (size_t i = 0; st == HC_OK && i < r->windows.n; i++) {
        int64_t id = r->windows.w[i].test_view;
        struct hc_view v = {0};
        bool is_done = false;
        for (size_t j = 0; j < i; j++) {
            is_done = is_done || r->windows.w[j].test_view == id;
        }
        if (!is_done) {
            st = hc_store_view_by_id(r->w->store, id, &v, err);
            st = st == HC_OK ? hc_work_match_exposure(r->w, &v, job, err) : st;
            hc_view_release(&v);
        }
    }
    return st;
}

static struct hc_work_render what_to_render(struct run *r)
{
    return (struct hc_work_render){.w = r->w,
                                   .fit = r->fit,
                                   .before = r->before_r,
                                   .uv = r->uv_r,
                                   .frame_w = r->p.frame_w,
                                   .frame_h = r->p.frame_h,
                                   .zone_pt = r->zone_pt,
                                   .zone_n = r->zone_n,
                                   .n_zones = r->zones.n,
                                   .shown = r->uv.is_partial ? r->uv.place.outline : NULL,
                                   .inputs = r->inputs,
                                   .layer = r->layer,
                                   .tiles = r->tiles};
}

static hc_status load_overviews(struct run *r, int *cell, struct hc_job *job, struct hc_err *err)
{
    struct hc_plane uv[3] = {{0}};
    hc_status st = hc_work_overview(r->w, &r->before, OVERVIEW_SIDE, r->over.ch, cell, job, err);
    int w = r->over.ch[0].w, h = r->over.ch[0].h;
    if (st == HC_OK && r->uv_r) {
        int uv_cell;
        st = hc_work_overview(r->w, &r->uv.view, OVERVIEW_SIDE, uv, &uv_cell, job, err);
        st = st == HC_OK ? hc_plane_create(&r->over_uv, w, h, err) : st;
        if (st == HC_OK) {
            hc_work_luminance(&r->over_uv, uv, hc_raster_bands(r->uv_r));
        }
    }
    if (st == HC_OK && (r->zones.n || r->uv.is_partial)) {
        st = hc_plane_create(&r->over_zone, w, h, err);
        if (st == HC_OK) {
            struct hc_work_render zones = what_to_render(r);
            hc_work_zone_mask(&zones, &r->over_zone, 0, *cell);
        }
    }
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&uv[c]);
    }
    return st;
}

// The surface asked for, or that of most windows (the smoother one wins a tie).
static hc_status wanted_surface(const struct run *r, const char *asked, enum hc_surface_state *out,
                                struct hc_err *err)
{
    int count[3] = {0};
    if (asked && *asked) {
        *out = surface_from(asked);
        if (strcmp(surface_word(*out), asked) != 0) {
            return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                              "surface \"%s\"; give bare, saturated or varnished", asked);
        }
        return HC_OK;
    }
    *out = HC_SURFACE_BARE;
    for (size_t i = 0; i < r->windows.n; i++) {
        count[r->sample[i].surface]++;
    }
    for (int s = 1; s < 3; s++) {
        if (count[s] >= count[*out]) {
            *out = (enum hc_surface_state)s;
        }
    }
    return HC_OK;
}

static hc_status gather(struct run *r, const struct hc_work_forecast *req,
                        struct hc_forecast_input *in, struct hc_job *job, struct hc_err *err)
{
    int cell = 1;
    hc_status st = hc_work_framed(r->w, &r->p, err);
    st = st == HC_OK ? hc_store_windows(r->w->store, &r->windows, err) : st;
    st = st == HC_OK ? hc_store_view_by_id(r->w->store, r->p.frame_view, &r->before, err) : st;
    st = st == HC_OK ? hc_work_open_placed(r->w, &r->before, &r->before_r, err) : st;
    st = st == HC_OK ? open_uv(r, err) : st;
    st = st == HC_OK ? load_zones(r, err) : st;
    st = st == HC_OK ? match_tests(r, job, err) : st;
    if (st == HC_OK && r->windows.n) {
        r->sample = hc_mem_array(r->windows.n, sizeof *r->sample);
        r->block = hc_mem_array(r->windows.n, sizeof *r->block);
        if (!r->sample || !r->block) {
            return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the windows");
        }
    }
    for (size_t i = 0; st == HC_OK && i < r->windows.n; i++) {
        st = load_window(r, i, err);
    }
    st = st == HC_OK ? wanted_surface(r, req->surface, &in->wanted, err) : st;
    st = st == HC_OK ? load_overviews(r, &cell, job, err) : st;
    in->window = r->sample;
    in->n_windows = r->windows.n;
    in->frame_w = r->p.frame_w;
    in->frame_h = r->p.frame_h;
    in->over = r->over;
    in->over_uv = r->uv_r ? &r->over_uv : NULL;
    in->over_zone = r->over_zone.px ? &r->over_zone : NULL;
    in->over_cell_px = cell;
    in->radius_limit = req->radius_limit;
    in->clip_level = clip_level;
    return st;
}

// ---- the run ----
static hc_status name_layers(struct run *r, struct hc_err *err)
{
    int64_t last = 0;
    char *json = NULL, basis[17] = "";
    hc_status st = hc_work_basis(r->w, basis, err);
    snprintf(r->inputs, sizeof r->inputs, "{\"basis\":\"%s\"}", basis);
    if (st != HC_OK) {
        return st;
    }
    st = hc_store_get_result(r->w->store, "forecast", &last, &json, err);
    hc_mem_free(json);
    if (st == HC_ENOTFOUND) {
        st = HC_OK;
    }
    for (int k = 0; k < HC_WORK_LAYERS; k++) {
        snprintf(r->layer[k], sizeof r->layer[k], "forecast-%lld-%s.raster", (long long)last + 1,
                 hc_work_layer_name[k]);
    }
    return st;
}

static void drop_old(struct hc_work *w, const json_t *old, const struct run *r)
{
    char name[HC_SHA256_HEX + 16];
    for (int k = 0; old && k < HC_WORK_LAYERS; k++) {
        const json_t *rasters = json_object_get(old, "rasters"),
                     *tiles = json_object_get(old, "tile_keys");
        const char *raster = hc_work_json_text(rasters, hc_work_layer_name[k]);
        const char *key = hc_work_json_text(tiles, hc_work_layer_name[k]);
        if (*raster && strcmp(raster, r->layer[k]) != 0) {
            hc_work_drop_derived(w, raster);
        }
        if (*key && strcmp(key, r->tiles[k]) != 0) {
            snprintf(name, sizeof name, "%.64s.tiles", key);
            hc_work_drop_derived(w, name);
        }
    }
}

static hc_status keep(struct run *r, enum hc_surface_state surface, struct hc_err *err)
{
    struct hc_buf doc = {0};
    struct hc_work_forecast_basis basis = {.summary = hc_forecast_get_summary(r->fit),
                                           .surface = surface_word(surface),
                                           .windows = &r->windows,
                                           .before = &r->before,
                                           .uv = r->uv.view.id ? &r->uv.view : NULL,
                                           .uv_note = r->uv.view.id ? "" : r->uv.note,
                                           .n_zones = r->zones.n};
    json_t *old = NULL;
    int64_t id;
    hc_status st;
    for (int k = 0; k < HC_WORK_LAYERS; k++) {
        basis.raster[k] = r->layer[k];
        basis.tiles[k] = r->tiles[k];
    }
    hc_ignore(hc_work_result(r->w, "forecast", &old, NULL));
    st = hc_work_forecast_document(r->w, &doc, &basis, err);
    st = st == HC_OK ? hc_store_put_result(r->w->store, "forecast", hc_buf_text(&doc), &id, err)
                     : st;
    if (st == HC_OK) {
        drop_old(r->w, old, r);
    }
    json_decref(old);
    hc_buf_release(&doc);
    return st;
}

hc_status hc_work_forecast(struct hc_work *w, const struct hc_work_forecast *req,
                           struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    struct run r = {.w = w};
    struct hc_forecast_input in = {0};
    hc_status st;
    if (req->radius_limit < 0 || !isfinite(req->radius_limit)) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                          "radius limit %g; give a CIEDE2000 above 0, or 0 for none",
                          req->radius_limit);
    }
    hc_job_phase(job, 0, 0.1);
    st = gather(&r, req, &in, job, err);
    hc_job_phase(job, 0.1, 0.4);
    st = st == HC_OK ? hc_forecast_fit(&r.fit, &in, w->par, job, err) : st;
    st = st == HC_OK ? name_layers(&r, err) : st;
    hc_job_phase(job, 0.4, 0.99);
    if (st == HC_OK) {
        struct hc_work_render all = what_to_render(&r);
        st = hc_work_render(&all, job, err);
    }
    hc_job_phase(job, 0.99, 1);
    st = st == HC_OK ? keep(&r, in.wanted, err) : st;
    run_release(&r);
    return st == HC_OK && json ? hc_work_forecast_get(w, json, err) : st;
}
