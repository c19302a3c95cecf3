#include "work/work_priv.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"

// One table for both edges: process exit code and HTTP code of each status.
static const struct {
    int exit_code, http;
} codes[] = {
    [HC_OK] = {0, 200},        [HC_EARG] = {2, 400},         [HC_ERANGE] = {2, 400},
    [HC_EDATA] = {3, 422},     [HC_ENUMERIC] = {4, 422},     [HC_ENOTFOUND] = {5, 404},
    [HC_ECONFLICT] = {6, 409}, [HC_EUNSUPPORTED] = {7, 415}, [HC_EIO] = {8, 507},
    [HC_ENOMEM] = {9, 503},    [HC_ELIMIT] = {10, 413},      [HC_ECANCEL] = {11, 409},
    [HC_EREFUSED] = {12, 422},
};

int hc_work_exit_code(hc_status status)
{
    return (size_t)status < sizeof codes / sizeof codes[0] ? codes[status].exit_code : 1;
}

int hc_work_http_code(hc_status status)
{
    return (size_t)status < sizeof codes / sizeof codes[0] ? codes[status].http : 500;
}

int hc_work_child_main(int argc, char **argv)
{
    return hc_image_child_main(argc, argv);
}

hc_status hc_work_init(const char *argv0, struct hc_err *err)
{
    return hc_image_init(argv0, err);
}

void hc_work_shutdown(void)
{
    hc_image_shutdown();
}

hc_status hc_work_open(struct hc_work **out, const char *dossier, bool for_writing, int threads,
                       struct hc_err *err)
{
    struct hc_work *w = hc_mem_array(1, sizeof *w);
    hc_status st;
    if (!w) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory while opening %s", dossier);
    }
    w->is_writable = for_writing;
    if (threads <= 0) {
        long n = sysconf(_SC_NPROCESSORS_ONLN);
        threads = n < 1 ? 1 : n > 64 ? 64 : (int)n;
    }
    st = hc_store_open(&w->store, dossier, for_writing ? HC_STORE_WRITE : HC_STORE_READ, err);
    if (st == HC_OK) {
        st = hc_par_create(&w->par, threads, err);
    }
    if (st != HC_OK) {
        hc_work_close(w);
        return st;
    }
    *out = w;
    return HC_OK;
}

void hc_work_close(struct hc_work *w)
{
    if (!w) {
        return;
    }
    for (int i = 0; i < HC_WORK_TILE_CACHE; i++) {
        hc_tiles_close(w->cache[i].tiles);
    }
    hc_par_destroy(w->par);
    hc_store_close(w->store);
    hc_mem_free(w);
}

void hc_work_set_author(struct hc_work *w, const char *author)
{
    hc_store_set_author(w->store, author ? author : "");
}

double hc_work_mm_per_px(const struct hc_painting *p)
{
    if (p->frame_w <= 0 || p->frame_h <= 0) {
        return 0;
    }
    return sqrt(p->width_mm * p->height_mm / ((double)p->frame_w * p->frame_h));
}

hc_status hc_work_framed(struct hc_work *w, struct hc_painting *p, struct hc_err *err)
{
    hc_status st = hc_store_painting(w->store, p, err);
    if (st == HC_OK && p->frame_view == 0) {
        hc_painting_release(p);
        return hc_err_set(
            err, HC_ENOTFOUND, HC_WORK_ROOM,
            "the dossier has no reference view yet: add the photograph in normal light "
            "before treatment first (technique normal, state before)");
    }
    return st;
}

bool hc_work_is_placed(const struct hc_view *v)
{
    return v->is_placed && v->verdict &&
           (strcmp(v->verdict, "reference") == 0 || strcmp(v->verdict, "good") == 0 ||
            strcmp(v->verdict, "usable") == 0);
}

// ---- documents ----
hc_status hc_work_dossier(struct hc_work *w, struct hc_buf *b, struct hc_err *err)
{
    struct hc_painting p = {0};
    hc_status st = hc_store_painting(w->store, &p, err);
    if (st != HC_OK) {
        return st;
    }
    hc_json_obj(b);
    hc_json_kstr(b, "title", p.title);
    hc_json_kstr(b, "maker", p.maker);
    hc_json_kstr(b, "date", p.date);
    hc_json_kstr(b, "support", p.support);
    hc_json_kstr(b, "inventory", p.inventory);
    hc_json_kstr(b, "owner", p.owner);
    hc_json_knum(b, "height_mm", p.height_mm);
    hc_json_knum(b, "width_mm", p.width_mm);
    hc_json_key(b, "frame");
    if (p.frame_view == 0) {
        hc_json_null(b);
    } else {
        double rx = p.width_mm / p.frame_w, ry = p.height_mm / p.frame_h;
        hc_json_obj(b);
        hc_json_kint(b, "view", p.frame_view);
        hc_json_kint(b, "w", p.frame_w);
        hc_json_kint(b, "h", p.frame_h);
        hc_json_knum(b, "mm_per_px", hc_work_mm_per_px(&p));
        // A photograph that shows a margin, or a wrong measurement, must not pass in silence. The
        // 2 % limit is our own choice.
        hc_json_kstr(
            b, "note",
            fabs(rx / ry - 1) > 0.02
                ? "The photograph's proportions differ from the measured size by more than "
                  "2 %: millimetres are approximate. Crop the margin or check the size."
                : "");
        hc_json_end_obj(b);
    }
    hc_json_kstr(b, "program", "halfclean " HC_VERSION);
    hc_json_kbool(b, "read_only", !w->is_writable);
    hc_json_end_obj(b);
    hc_painting_release(&p);
    return hc_buf_check(b, err);
}

static void camera_json(struct hc_work *w, struct hc_buf *b, int64_t view)
{
    char kind[48], *json = NULL;
    int64_t id;
    snprintf(kind, sizeof kind, "camera-%lld", (long long)view);
    hc_ignore(hc_store_get_result(w->store, kind, &id, &json, NULL));
    hc_json_raw(b, json ? json : "null");
    hc_mem_free(json);
}

void hc_work_view_json(struct hc_work *w, struct hc_buf *b, const struct hc_view *v, double mm)
{
    struct hc_work_display d = {0};
    struct hc_work_place place = {0};
    struct hc_err ignored = {0};
    hc_json_obj(b);
    hc_json_kint(b, "id", v->id);
    hc_json_kstr(b, "label", v->label);
    hc_json_kstr(b, "technique", v->technique);
    hc_json_kstr(b, "state", v->state);
    hc_json_kstr(b, "face", v->face);
    hc_json_kstr(b, "file_name", v->file_name);
    hc_json_kstr(b, "sha256", v->sha256);
    hc_json_kint(b, "w", v->w);
    hc_json_kint(b, "h", v->h);
    hc_json_kint(b, "bands", v->bands);
    hc_json_kint(b, "bits", v->bits);
    hc_work_colour_json(w, b, v);
    hc_json_knum(b, "clipped_share", v->clipped_share);
    hc_json_key(b, "light");
    if (v->has_light) {
        hc_json_obj(b);
        hc_json_knum(b, "azimuth_deg", v->azimuth_deg);
        hc_json_knum(b, "elevation_deg", v->elevation_deg);
        hc_json_end_obj(b);
    } else {
        hc_json_null(b);
    }
    hc_json_kstr(b, "added_at", v->added_at);
    hc_json_key(b, "camera");
    camera_json(w, b, v->id);
    hc_json_key(b, "calibration");
    hc_work_calibration_json(w, b, v->id);
    hc_json_key(b, "mosaic");
    hc_work_mosaic_json(w, b, v->id);
    hc_json_key(b, "fit");
    hc_work_fit_json(b, v, mm);
    hc_json_key(b, "tiles");
    hc_ignore(hc_work_display_get(w, v->id, &d, &ignored));
    hc_ignore(hc_work_place_read(&place, v, &ignored));
    hc_work_tiles_json(w, b, d.tiles, place.is_detail ? &place.grid : NULL);
    hc_work_place_release(&place);
    hc_json_end_obj(b);
}

hc_status hc_work_views(struct hc_work *w, struct hc_buf *b, struct hc_err *err)
{
    struct hc_view_list l = {0};
    struct hc_painting p = {0};
    hc_status st = hc_store_painting(w->store, &p, err);
    if (st == HC_OK) {
        st = hc_store_views(w->store, &l, err);
    }
    if (st == HC_OK) {
        hc_json_obj(b);
        hc_json_key(b, "views");
        hc_json_arr(b);
        for (size_t i = 0; i < l.n; i++) {
            hc_work_view_json(w, b, &l.v[i], hc_work_mm_per_px(&p));
        }
        hc_json_end_arr(b);
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
    }
    hc_view_list_release(&l);
    hc_painting_release(&p);
    return st;
}

// ---- JSON in ----
hc_status hc_work_json_load(json_t **out, const char *text, const char *what, struct hc_err *err)
{
    json_error_t e;
    json_t *j = json_loads(text, JSON_REJECT_DUPLICATES, &e);
    if (!j) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM, "%s is not valid JSON: %s (line %d)", what,
                          e.text, e.line);
    }
    *out = j;
    return HC_OK;
}

hc_status hc_work_result(struct hc_work *w, const char *kind, json_t **out, struct hc_err *err)
{
    char *text = NULL;
    int64_t id = 0;
    hc_status st = hc_store_get_result(w->store, kind, &id, &text, err);
    if (st == HC_OK) {
        st = hc_work_json_load(out, text, kind, err);
        hc_mem_free(text);
        if (st == HC_OK && json_is_object(*out)) {
            json_object_set_new(*out, "id", json_integer(id));
        }
    }
    return st;
}

const char *hc_work_json_text(const json_t *o, const char *key)
{
    const char *s = json_string_value(json_object_get(o, key));
    return s ? s : "";
}

double hc_work_json_number(const json_t *o, const char *key)
{
    const json_t *v = json_object_get(o, key);
    return json_is_number(v) ? json_number_value(v) : (double)NAN;
}

// FNV-1a, 64 bit (Fowler, Noll, Vo; offset and prime from memory: they only tell "changed").
uint64_t hc_work_mark(const char *text, size_t n)
{
    uint64_t h = 0xcbf29ce484222325u;
    for (size_t i = 0; i < n; i++) {
        h = (h ^ (unsigned char)text[i]) * 0x100000001b3u;
    }
    return h;
}

hc_status hc_work_basis(struct hc_work *w, char out[17], struct hc_err *err)
{
    struct hc_view_list views = {0};
    struct hc_window_list windows = {0};
    struct hc_zone_list zones = {0};
    struct hc_buf b = {0};
    hc_status st = hc_store_views(w->store, &views, err);
    if (st == HC_OK) {
        st = hc_store_windows(w->store, &windows, err);
    }
    if (st == HC_OK) {
        st = hc_store_zones(w->store, &zones, err);
    }
    for (size_t i = 0; st == HC_OK && i < views.n; i++) {
        const struct hc_view *v = &views.v[i];
        if (strcmp(v->technique, "normal") != 0 && strcmp(v->technique, "uv") != 0) {
            continue;
        }
        hc_buf_printf(&b, "view %lld %s %s %lld;", (long long)v->id, v->sha256,
                      v->verdict ? v->verdict : "", (long long)hc_work_calibration_id(w, v->id));
        for (int k = 0; k < 9; k++) {
            hc_buf_printf(&b, "%.9g ", v->frame_to_view[k]);
        }
        hc_buf_str(&b, v->fit_json ? v->fit_json : "");
    }
    for (size_t i = 0; st == HC_OK && i < windows.n; i++) {
        const struct hc_window *x = &windows.w[i];
        hc_buf_printf(&b, "window %lld %lld %lld %s %s;", (long long)x->id,
                      (long long)x->before_view, (long long)x->test_view, x->surface, x->polygon);
    }
    for (size_t i = 0; st == HC_OK && i < zones.n; i++) {
        hc_buf_printf(&b, "zone %s %s;", zones.z[i].kind, zones.z[i].polygon);
    }
    if (st == HC_OK) {
        st = hc_buf_check(&b, err);
    }
    snprintf(out, 17, "%016llx", (unsigned long long)hc_work_mark(hc_buf_text(&b), b.len));
    hc_buf_release(&b);
    hc_view_list_release(&views);
    hc_window_list_release(&windows);
    hc_zone_list_release(&zones);
    return st;
}
