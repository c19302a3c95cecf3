// The demo: makes the invented painting's photographs and takes them down the whole path, through
// the same use cases a studio's files go through.
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"
#include "demo/demo.h"
#include "work/work_priv.h"

#define DEMO_HEIGHT_MM 360.0
#define DEMO_WIDTH_MM 300.0

struct demo_rows {
    struct hc_demo *demo;
    enum hc_demo_view view;
};

static hc_status next_rows(void *ctx, int y0, struct hc_plane *bands, struct hc_err *err)
{
    struct demo_rows *r = ctx;
    return hc_demo_rows(r->demo, r->view, y0, bands, err);
}

static hc_status make_folder(const char *path, struct hc_err *err)
{
    if (mkdir(path, 0777) != 0 && errno != EEXIST) {
        return hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not make the folder %s: %s", path,
                          strerror(errno));
    }
    return HC_OK;
}

// Truth that is plain numbers leaves as float TIFF, through the same export a result takes.
static hc_status write_numbers(const char *path, struct demo_rows *rows, int w, int h,
                               struct hc_job *job, struct hc_err *err)
{
    char tmp[HC_WORK_PATH];
    struct hc_raster_writer *out = NULL;
    struct hc_raster *r = NULL;
    struct hc_plane block = {0};
    hc_status st;
    snprintf(tmp, sizeof tmp, "%.4000s.raster", path);
    st = hc_plane_create(&block, w, HC_BLOCK, err);
    st = st == HC_OK ? hc_raster_create(&out, tmp, w, h, 1, err) : st;
    for (int y = 0; st == HC_OK && y < h; y += HC_BLOCK) {
        struct hc_plane part = hc_plane_part(&block, 0, 0, w, h - y < HC_BLOCK ? h - y : HC_BLOCK);
        st = next_rows(rows, y, &part, err);
        st = st == HC_OK ? hc_raster_append(out, &part, err) : st;
    }
    if (st == HC_OK) {
        st = hc_raster_finish(out, err);
    } else if (out) {
        hc_raster_abandon(out);
    }
    st = st == HC_OK ? hc_raster_open(&r, tmp, err) : st;
    st = st == HC_OK
             ? hc_image_export(r, HC_EXPORT_FLOAT, path, "truth of the demo painting", job, err)
             : st;
    hc_raster_close(r);
    hc_plane_release(&block);
    unlink(tmp);
    return st;
}

static hc_status write_view(const char *dir, struct hc_demo *demo, enum hc_demo_view k, int w,
                            int h, struct hc_job *job, struct hc_err *err)
{
    struct hc_demo_view_info info = hc_demo_view_info(k);
    struct demo_rows rows = {demo, k};
    char path[HC_WORK_PATH];
    double dpi = w / (DEMO_WIDTH_MM / 25.4);
    bool is_truth = !*info.technique;
    snprintf(path, sizeof path, "%s/%s/%s", dir, is_truth ? "truth" : "photographs", info.file);
    if (is_truth && info.bands == 1) {
        return write_numbers(path, &rows, w, h, job, err);
    }
    return hc_image_write_tiff16(path, w, h, info.bands, next_rows, &rows, dpi, job, err);
}

static hc_status write_files(const char *dir, struct hc_demo *demo, int w, int h,
                             struct hc_job *job, struct hc_err *err)
{
    char path[HC_WORK_PATH];
    hc_status st;
    snprintf(path, sizeof path, "%s/photographs", dir);
    st = make_folder(path, err);
    snprintf(path, sizeof path, "%s/truth", dir);
    st = st == HC_OK ? make_folder(path, err) : st;
    for (int k = 0; st == HC_OK && k < HC_DEMO_VIEW_COUNT; k++) {
        st = write_view(dir, demo, (enum hc_demo_view)k, w, h, job, err);
    }
    return st;
}

static void polygon_text(struct hc_buf *b, const struct hc_pt *pt, size_t n)
{
    hc_buf_reset(b);
    hc_json_obj(b);
    hc_json_kstr(b, "type", "Polygon");
    hc_json_kstr(b, "frame", "px");
    hc_json_key(b, "coordinates");
    hc_json_arr(b);
    hc_work_poly_json(b, pt, n);
    hc_json_end_arr(b);
    hc_json_end_obj(b);
}

// The windows and zones also as files, so that the path can be walked again by hand.
static hc_status write_text(const char *dir, const char *name, const struct hc_buf *b,
                            struct hc_err *err)
{
    char path[HC_WORK_PATH];
    FILE *f;
    bool is_whole;
    snprintf(path, sizeof path, "%s/photographs/%s", dir, name);
    f = fopen(path, "wb");
    is_whole = f && fwrite(b->data, 1, b->len, f) == b->len;
    if (f && fclose(f) != 0) {
        is_whole = false;
    }
    return is_whole ? HC_OK
                    : hc_err_set(err, HC_EIO, HC_WORK_ROOM, "could not write %s: %s", path,
                                 strerror(errno));
}

static hc_status add_windows(struct hc_work *w, const char *dir, const struct hc_demo *demo,
                             struct hc_err *err)
{
    const struct hc_demo_window *x = hc_demo_windows(demo);
    size_t n_zones = 0;
    const struct hc_demo_zone *z = hc_demo_zones(demo, &n_zones);
    struct hc_buf b = {0};
    char name[80];
    hc_status st = HC_OK;
    for (int i = 0; st == HC_OK && i < HC_DEMO_WINDOWS; i++) {
        struct hc_work_window req = {
            .surface = x[i].surface, .system = x[i].system, .label = x[i].name};
        polygon_text(&b, x[i].corner, 4);
        req.geojson = hc_buf_text(&b);
        snprintf(name, sizeof name, "window-%d.geojson", i + 1);
        st = write_text(dir, name, &b, err);
        st = st == HC_OK && w ? hc_work_window_add(w, &req, NULL, err) : st;
    }
    for (size_t i = 0; st == HC_OK && i < n_zones; i++) {
        polygon_text(&b, z[i].corner, z[i].n);
        snprintf(name, sizeof name, "zone-%zu.geojson", i + 1);
        st = write_text(dir, name, &b, err);
        st = st == HC_OK && w
                 ? hc_work_zone_add(w, hc_buf_text(&b), z[i].kind, z[i].name, NULL, err)
                 : st;
    }
    hc_buf_release(&b);
    return st;
}

// Where the lamps stood, also as a file.
static hc_status add_lights(struct hc_work *w, const char *dir, struct hc_err *err)
{
    struct hc_buf b = {0};
    hc_status st;
    hc_buf_str(&b, "file,azimuth_deg,elevation_deg,polariser\n");
    for (int k = 0; k < HC_DEMO_VIEW_COUNT; k++) {
        struct hc_demo_view_info info = hc_demo_view_info((enum hc_demo_view)k);
        if (info.has_light) {
            hc_buf_printf(&b, "%s,%g,%g,%s\n", info.file, info.azimuth_deg, info.elevation_deg,
                          k < HC_DEMO_RING ? "" : "crossed");
        }
    }
    st = hc_buf_check(&b, err);
    st = st == HC_OK ? write_text(dir, "lights.csv", &b, err) : st;
    st = st == HC_OK && w
             ? hc_work_lights_import(w, hc_buf_text(&b), "lights.csv", false, NULL, err)
             : st;
    hc_buf_release(&b);
    return st;
}

static hc_status add_views(struct hc_work *w, const char *dir, struct hc_job *job,
                           struct hc_err *err)
{
    hc_status st = HC_OK;
    for (int k = 0; st == HC_OK && k < HC_DEMO_VIEW_COUNT; k++) {
        struct hc_demo_view_info info = hc_demo_view_info((enum hc_demo_view)k);
        char path[HC_WORK_PATH];
        struct hc_work_add req = {.file = path,
                                  .technique = info.technique,
                                  .state = info.state,
                                  .has_light = info.has_light,
                                  .azimuth_deg = info.azimuth_deg,
                                  .elevation_deg = info.elevation_deg};
        if (!*info.technique) {
            continue;
        }
        snprintf(path, sizeof path, "%s/photographs/%s", dir, info.file);
        st = hc_work_add(w, &req, NULL, job, err);
    }
    hc_job_phase(job, 0, 1);
    return st == HC_OK ? hc_work_align(w, NULL, NULL, job, err) : st;
}

static hc_status make_dossier(const char *dir, const struct hc_demo *demo, int threads,
                              struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    const struct hc_work_new about = {.title = "Still life with quinces and a pewter jug",
                                      .maker = "invented for this program",
                                      .date = "after an invented scene",
                                      .support = "oil on oak panel",
                                      .inventory = "demo 1",
                                      .owner = "nobody: the painting does not exist",
                                      .height_mm = DEMO_HEIGHT_MM,
                                      .width_mm = DEMO_WIDTH_MM};
    static const char *const states[] = {"before", "test"};
    struct hc_work_forecast req = {0};
    struct hc_work *w = NULL;
    char path[HC_WORK_PATH];
    hc_status st;
    snprintf(path, sizeof path, "%s/dossier", dir);
    st = hc_work_new(path, &about, err);
    st = st == HC_OK ? hc_work_open(&w, path, true, threads, err) : st;
    st = st == HC_OK ? add_views(w, dir, job, err) : st;
    st = st == HC_OK ? add_windows(w, dir, demo, err) : st;
    st = st == HC_OK ? add_lights(w, dir, err) : st;
    for (int k = 0; st == HC_OK && k < 2; k++) {
        struct hc_work_relief relief = {.state = states[k]};
        hc_job_phase(job, 0, 1);
        st = hc_work_relief(w, &relief, NULL, job, err);
    }
    hc_job_phase(job, 0, 1);
    st = st == HC_OK ? hc_work_forecast(w, &req, json, job, err) : st;
    hc_work_close(w);
    return st;
}

hc_status hc_work_demo(const char *dir, const struct hc_work_demo *req, struct hc_buf *json,
                       struct hc_job *job, struct hc_err *err)
{
    int w = req->is_small ? 750 : 3000, h = req->is_small ? 900 : 3600;
    struct hc_demo *demo = NULL;
    struct hc_par *par = NULL;
    hc_status st = make_folder(dir, err);
    st = st == HC_OK ? hc_par_create(&par, req->threads > 0 ? req->threads : 2, err) : st;
    st = st == HC_OK ? hc_demo_create(&demo, w, h, req->seed, par, job, err) : st;
    st = st == HC_OK ? write_files(dir, demo, w, h, job, err) : st;
    if (st == HC_OK && req->only_files) {
        st = add_windows(NULL, dir, demo, err);
        st = st == HC_OK ? add_lights(NULL, dir, err) : st;
    } else if (st == HC_OK) {
        st = make_dossier(dir, demo, req->threads, json, job, err);
    }
    hc_demo_destroy(demo);
    hc_par_destroy(par);
    return st;
}
