// Parts of a stored relief: windows beside their varnished neighbours, a passage, a line across,
// two states of one area.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_relief_priv.h"

#define AREA_PX 1.6e7
#define PROFILE_MAX 4096

// ---- stored reliefs ----

hc_status hc_work_relief_load(struct hc_work *w, const char *state, struct hc_work_relief_kept *out,
                              struct hc_err *err)
{
    char kind[48];
    const json_t *height, *rasters;
    hc_status st;
    *out = (struct hc_work_relief_kept){0};
    snprintf(kind, sizeof kind, "relief-%.30s", state);
    st = hc_work_result(w, kind, &out->doc, NULL);
    if (st != HC_OK) {
        return hc_err_set(err, st, HC_WORK_ROOM,
                          "no relief of the state %.40s was computed: halfclean relief DOSSIER "
                          "--state %.40s",
                          state, state);
    }
    height = json_object_get(out->doc, "height");
    rasters = json_object_get(out->doc, "rasters");
    out->reduced = (int)json_integer_value(json_object_get(height, "reduced"));
    out->mm_per_px = hc_work_json_number(height, "mm_per_px");
    snprintf(out->slopes, sizeof out->slopes, "%.79s", hc_work_json_text(rasters, "slopes"));
    snprintf(out->height, sizeof out->height, "%.79s", hc_work_json_text(rasters, "height"));
    if (out->reduced < 1 || !(out->mm_per_px > 0)) {
        hc_work_relief_kept_release(out);
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                          "the stored relief is damaged; compute it again");
    }
    return HC_OK;
}

void hc_work_relief_kept_release(struct hc_work_relief_kept *k)
{
    json_decref(k->doc);
    k->doc = NULL;
}

static void tiles_of(struct hc_work *w, struct hc_buf *b, const json_t *doc)
{
    static const char *const what[] = {"slopes", "height"};
    hc_json_key(b, "tiles");
    hc_json_obj(b);
    for (int k = 0; k < 2; k++) {
        hc_json_key(b, what[k]);
        hc_work_tiles_json(w, b, hc_work_json_text(json_object_get(doc, "tile_keys"), what[k]),
                           NULL);
    }
    hc_json_end_obj(b);
}

// Whether views, lamps, boards or windows changed since it was computed.
static hc_status stale(bool *out, struct hc_work *w, const char *state, const json_t *doc,
                       struct hc_err *err)
{
    struct hc_work_set set = {0};
    char basis[17] = "";
    hc_status st = HC_OK;
    if (hc_work_set_gather(&set, w, state, NULL, NULL) == HC_OK) {
        st = hc_work_relief_basis(w, &set, basis, err);
    }
    hc_work_set_release(&set);
    *out = strcmp(basis, hc_work_json_text(doc, "basis")) != 0;
    return st;
}

// The stored document with its tiles, and whether views, lamps or windows changed since.
static hc_status one_json(struct hc_work *w, const char *state, struct hc_buf *b,
                          struct hc_err *err)
{
    struct hc_work_relief_kept k = {0};
    char *text = NULL;
    bool is_stale = false;
    hc_status st = hc_work_relief_load(w, state, &k, err);
    if (st != HC_OK) {
        return st;
    }
    st = stale(&is_stale, w, state, k.doc, err);
    hc_json_obj(b);
    hc_json_kbool(b, "is_stale", is_stale);
    tiles_of(w, b, k.doc);
    json_object_del(k.doc, "tile_keys");
    for (void *it = json_object_iter(k.doc); st == HC_OK && it;
         it = json_object_iter_next(k.doc, it)) {
        text = json_dumps(json_object_iter_value(it), JSON_ENCODE_ANY | JSON_REAL_PRECISION(9));
        if (!text) {
            st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the relief");
            break;
        }
        hc_json_key(b, json_object_iter_key(it));
        hc_json_raw(b, text);
        free(text); // the JSON library's own block
    }
    hc_json_end_obj(b);
    hc_work_relief_kept_release(&k);
    return st == HC_OK ? hc_buf_check(b, err) : st;
}

// View i is the first raking view of a state that has a relief.
static bool has_relief(struct hc_work *w, const struct hc_view_list *l, size_t i)
{
    struct hc_work_relief_kept k = {0};
    bool is_first = strcmp(l->v[i].technique, "raking") == 0;
    for (size_t j = 0; j < i && is_first; j++) {
        is_first =
            strcmp(l->v[j].technique, "raking") != 0 || strcmp(l->v[j].state, l->v[i].state) != 0;
    }
    is_first = is_first && hc_work_relief_load(w, l->v[i].state, &k, NULL) == HC_OK;
    hc_work_relief_kept_release(&k);
    return is_first;
}

hc_status hc_work_relief_get(struct hc_work *w, const char *state, struct hc_buf *json,
                             struct hc_err *err)
{
    struct hc_view_list l = {0};
    hc_status st = HC_OK;
    if (state) {
        return one_json(w, state, json, err);
    }
    st = hc_store_views(w->store, &l, err);
    hc_json_obj(json);
    hc_json_key(json, "reliefs");
    hc_json_arr(json);
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        if (has_relief(w, &l, i)) {
            st = one_json(w, l.v[i].state, json, err);
        }
    }
    hc_json_end_arr(json);
    hc_json_end_obj(json);
    hc_view_list_release(&l);
    return st == HC_OK ? hc_buf_check(json, err) : st;
}

// ---- a passage ----

// The height round a polygon, on its own grid, with the polygon as a mask. The box is widened by
// half the longest wavelength, so that the filter sees what lies beside it.
struct passage {
    struct hc_plane z, mask;
    double mm;
};

static hc_status passage_read(struct passage *out, struct hc_work *w, const char *state,
                              const struct hc_pt *pt, size_t n, struct hc_relief_band *band,
                              struct hc_err *err)
{
    struct hc_work_relief_kept k = {0};
    struct hc_raster *height = NULL;
    struct hc_pt *own = hc_mem_array(n, sizeof *own);
    struct hc_work_rect at;
    hc_status st = own ? hc_work_relief_load(w, state, &k, err)
                       : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory");
    st = st == HC_OK ? hc_work_open_derived(w, k.height, &height, err) : st;
    if (st == HC_OK) {
        const json_t *t = json_object_get(k.doc, "texture");
        struct hc_box b;
        double more;
        band->short_mm = band->short_mm > 0 ? band->short_mm : hc_work_json_number(t, "short_mm");
        band->long_mm = band->long_mm > 0 ? band->long_mm : hc_work_json_number(t, "long_mm");
        for (size_t i = 0; i < n; i++) {
            own[i] = (struct hc_pt){pt[i].x / k.reduced, pt[i].y / k.reduced};
        }
        b = hc_poly_box(own, n);
        more = 0.5 * band->long_mm / k.mm_per_px + 2;
        at.x0 = (int)fmax(0, floor(b.x0 - more));
        at.y0 = (int)fmax(0, floor(b.y0 - more));
        at.w = (int)fmin(hc_raster_w(height), ceil(b.x1 + more)) - at.x0;
        at.h = (int)fmin(hc_raster_h(height), ceil(b.y1 + more)) - at.y0;
        out->mm = k.mm_per_px;
        if (at.w < 8 || at.h < 8 || (double)at.w * at.h > AREA_PX) {
            st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                            "a passage of %d x %d px; give one of 8 x 8 px to %.0f Mpx inside the "
                            "frame",
                            at.w, at.h, AREA_PX * 1e-6);
        }
        st = st == HC_OK ? hc_work_read_rect(height, at, &out->z, err) : st;
        st = st == HC_OK ? hc_plane_create(&out->mask, at.w, at.h, err) : st;
        if (st == HC_OK) {
            hc_poly_mask(&out->mask, at.x0, at.y0, own, n);
        }
    }
    hc_raster_close(height);
    hc_work_relief_kept_release(&k);
    hc_mem_free(own);
    return st;
}

static void passage_release(struct passage *p)
{
    hc_plane_release(&p->z);
    hc_plane_release(&p->mask);
}

// Two states of which one may be varnished are compared only when their slopes read paint and
// varnish surface alike: the same kind of lamps, polarisers and method. Otherwise the ratio tells
// of those.
static hc_status check_alike(struct hc_work *w, const char *a, const char *b, struct hc_err *err)
{
    struct hc_work_relief_kept one = {0}, two = {0};
    hc_status st = hc_work_relief_load(w, a, &one, err);
    st = st == HC_OK ? hc_work_relief_load(w, b, &two, err) : st;
    if (st == HC_OK) {
        const json_t *x = json_object_get(one.doc, "through_varnish"),
                     *y = json_object_get(two.doc, "through_varnish");
        double paint = hc_work_json_number(x, "paint") - hc_work_json_number(y, "paint");
        double film = hc_work_json_number(x, "film") - hc_work_json_number(y, "film");
        bool is_crossed = json_is_true(json_object_get(one.doc, "crossed")) ==
                          json_is_true(json_object_get(two.doc, "crossed"));
        bool is_method =
            strcmp(hc_work_json_text(one.doc, "method"), hc_work_json_text(two.doc, "method")) == 0;
        bool is_varnished = json_is_true(json_object_get(x, "is_varnished")) ||
                            json_is_true(json_object_get(y, "is_varnished"));
        bool is_alike = is_crossed && is_method && fabs(paint) <= 0.05 && fabs(film) <= 0.1;
        if (is_varnished && !is_alike) {
            st = hc_err_set(
                err, HC_EREFUSED, HC_WORK_ROOM,
                "the states %.40s and %.40s were not taken alike (%s differ): a ratio of "
                "their textures would tell of that, not of the surface",
                a, b,
                !is_method    ? "the methods"
                : !is_crossed ? "the polarisers"
                              : "the lamps' heights");
        }
    }
    hc_work_relief_kept_release(&one);
    hc_work_relief_kept_release(&two);
    return st;
}

hc_status hc_work_relief_texture(struct hc_work *w, const struct hc_work_relief_area *req,
                                 struct hc_buf *json, struct hc_err *err)
{
    struct hc_relief_band band = {req->short_mm, req->long_mm};
    struct hc_work_poly_list l = {0};
    struct passage a = {0}, b = {0};
    struct hc_relief_texture t = {0};
    struct hc_relief_change change = {0};
    bool is_pair = req->other && *req->other;
    hc_status st = hc_work_geojson_read(&l, req->geojson, err);
    if (st == HC_OK && l.n != 1) {
        st = hc_err_set(err, HC_EARG, HC_WORK_ROOM, "give one polygon, not %zu", l.n);
    }
    st = st == HC_OK && is_pair ? check_alike(w, req->state, req->other, err) : st;
    st = st == HC_OK ? passage_read(&a, w, req->state, l.p[0].pt, l.p[0].n, &band, err) : st;
    st = st == HC_OK && is_pair ? passage_read(&b, w, req->other, l.p[0].pt, l.p[0].n, &band, err)
                                : st;
    if (st == HC_OK && is_pair && (a.z.w != b.z.w || a.z.h != b.z.h)) {
        st = hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                        "the two reliefs have different grids; compute both again");
    }
    // Filtered without the mask, so that the passage's own border makes no relief.
    st = st == HC_OK ? hc_relief_band_filter(&a.z, &a.z, NULL, a.mm, band, w->par, err) : st;
    st = st == HC_OK && is_pair ? hc_relief_band_filter(&b.z, &b.z, NULL, b.mm, band, w->par, err)
                                : st;
    if (st == HC_OK && is_pair) {
        st = hc_relief_compare(&change, &a.z, &b.z, &a.mask, a.mm, band, 1, err);
    } else if (st == HC_OK) {
        st = hc_relief_texture(&t, &a.z, &a.mask, a.mm, band, err);
    }
    if (st == HC_OK) {
        hc_json_obj(json);
        hc_json_kstr(json, "state", req->state);
        hc_json_key(json, "texture");
        hc_work_relief_texture_json(json, is_pair ? &change.before : &t);
        if (is_pair) {
            hc_json_kstr(json, "other", req->other);
            hc_json_key(json, "other_texture");
            hc_work_relief_texture_json(json, &change.after);
            hc_work_relief_interval_json(json, "sq_ratio", change.sq_ratio);
            hc_work_relief_interval_json(json, "sdq_ratio", change.sdq_ratio);
            hc_json_kint(json, "patches", change.patches);
            hc_json_kstr(json, "what", change.what);
        }
        hc_json_end_obj(json);
        st = hc_buf_check(json, err);
    }
    passage_release(&a);
    passage_release(&b);
    hc_work_poly_list_release(&l);
    return st;
}

// ---- a spot ----

// Figures of one state over the patch; a reason in their place where they would say nothing.
static hc_status spot_texture(struct hc_relief_texture *out, char why[200], struct hc_work *w,
                              const char *state, const struct hc_pt corner[4], struct hc_err *err)
{
    struct hc_relief_band band = {0};
    struct passage a = {0};
    struct hc_err said = {0};
    double side = fmin(corner[2].x - corner[0].x, corner[2].y - corner[0].y);
    struct hc_painting p = {0};
    hc_status st = hc_work_framed(w, &p, &said);
    st = st == HC_OK ? passage_read(&a, w, state, corner, 4, &band, &said) : st;
    if (st == HC_OK && side * hc_work_mm_per_px(&p) < 2 * band.long_mm) {
        st = hc_err_set(&said, HC_EREFUSED, HC_WORK_ROOM,
                        "the spot is too small for details of %.3g mm; ask for %.3g mm or more",
                        band.long_mm, 2 * band.long_mm);
    }
    st = st == HC_OK ? hc_relief_band_filter(&a.z, &a.z, NULL, a.mm, band, w->par, &said) : st;
    st = st == HC_OK ? hc_relief_texture(out, &a.z, &a.mask, a.mm, band, &said) : st;
    passage_release(&a);
    hc_painting_release(&p);
    if (st == HC_EREFUSED || st == HC_ERANGE || st == HC_ENOTFOUND) {
        snprintf(why, 200, "%.199s", said.what);
        return HC_OK;
    }
    if (st != HC_OK && err) {
        *err = said;
    }
    return st;
}

hc_status hc_work_spot_relief(struct hc_work *w, const struct hc_view_list *l,
                              struct hc_work_rect at, struct hc_buf *b, struct hc_err *err)
{
    const double x0 = at.x0, y0 = at.y0, x1 = x0 + at.w, y1 = y0 + at.h;
    const struct hc_pt corner[4] = {{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}};
    hc_status st = HC_OK;
    hc_json_key(b, "relief");
    hc_json_arr(b);
    for (size_t i = 0; st == HC_OK && i < l->n; i++) {
        struct hc_relief_texture t = {0};
        struct hc_work_relief_kept k = {0};
        char why[200] = "";
        bool is_stale = false;
        if (!has_relief(w, l, i)) {
            continue;
        }
        st = hc_work_relief_load(w, l->v[i].state, &k, err);
        st = st == HC_OK ? stale(&is_stale, w, l->v[i].state, k.doc, err) : st;
        st = st == HC_OK ? spot_texture(&t, why, w, l->v[i].state, corner, err) : st;
        hc_json_obj(b);
        hc_json_kstr(b, "state", l->v[i].state);
        hc_json_kbool(b, "is_stale", is_stale);
        hc_json_key(b, "texture");
        if (t.px) {
            hc_work_relief_texture_json(b, &t);
        } else {
            hc_json_null(b);
        }
        hc_json_kstr(b, "why", t.px ? NULL : why);
        hc_json_end_obj(b);
        hc_work_relief_kept_release(&k);
    }
    hc_json_end_arr(b);
    return st;
}

// ---- a line across ----

hc_status hc_work_relief_profile(struct hc_work *w, const char *state, struct hc_work_point from,
                                 struct hc_work_point to, struct hc_buf *json, struct hc_err *err)
{
    struct hc_work_relief_kept k = {0};
    struct hc_raster *height = NULL;
    double long_px;
    int n;
    hc_status st = hc_work_relief_load(w, state, &k, err);
    st = st == HC_OK ? hc_work_open_derived(w, k.height, &height, err) : st;
    if (st != HC_OK) {
        hc_work_relief_kept_release(&k);
        return st;
    }
    long_px = hypot(to.x - from.x, to.y - from.y) / k.reduced;
    n = (int)fmin(PROFILE_MAX, ceil(long_px) + 1);
    if (!(long_px >= 2) || !isfinite(long_px)) {
        st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM, "the line across is shorter than 2 px");
    }
    if (st == HC_OK) {
        hc_json_obj(json);
        hc_json_kstr(json, "state", state);
        hc_json_knum(json, "length_mm", long_px * k.mm_per_px);
        hc_json_knum(json, "reliable_mm",
                     hc_work_json_number(json_object_get(k.doc, "height"), "reliable_mm"));
        hc_json_key(json, "height_mm");
        hc_json_arr(json);
    }
    for (int i = 0; st == HC_OK && i < n; i++) {
        double t = (double)i / (n - 1);
        double x = (from.x + t * (to.x - from.x)) / k.reduced,
               y = (from.y + t * (to.y - from.y)) / k.reduced;
        struct hc_plane px = {0};
        struct hc_work_rect at = {(int)floor(x), (int)floor(y), 1, 1};
        if (x < 0 || y < 0 || at.x0 >= hc_raster_w(height) || at.y0 >= hc_raster_h(height)) {
            hc_json_num(json, (double)NAN);
            continue;
        }
        st = hc_work_read_rect(height, at, &px, err);
        hc_json_num(json, st == HC_OK ? (double)hc_plane_get(&px, 0, 0) : (double)NAN);
        hc_plane_release(&px);
    }
    if (st == HC_OK) {
        hc_json_end_arr(json);
        hc_json_end_obj(json);
        st = hc_buf_check(json, err);
    }
    hc_raster_close(height);
    hc_work_relief_kept_release(&k);
    return st;
}
