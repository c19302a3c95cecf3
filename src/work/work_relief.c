// Relief as a use case: the raking views of one state become slopes, height and texture figures in
// the frame, and what can be said through a varnish, or why it cannot.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_relief_priv.h"

#define HEIGHT_PX 2.6e7 // the height is computed on at most this many px: 1.1 GB (relief.h)
#define SHORT_PX 4.0    // a band reaches down to four px: less is noise and blur
#define LONG_MM 2.5     // and up to 2.5 mm: drift of the lamps grows with the wavelength
#define SHORT_MM 0.2    // (methods of the theory page, section 5: band 0.2 to 2.5 mm)

// ---- one run ----

static void run_release(struct hc_work_relief_run *r)
{
    for (size_t i = 0; i < HC_RELIEF_MAX_LIGHTS; i++) {
        hc_raster_close(r->lent[i]);
        hc_raster_close(r->board[i]);
    }
    hc_work_relief_pairs_release(&r->pairs);
    hc_work_set_release(&r->set);
    hc_painting_release(&r->p);
}

static hc_status lend(struct hc_work_relief_run *r, const struct hc_view *v, struct hc_raster **l,
                      struct hc_relief_view *out, struct hc_err *err)
{
    hc_status st = hc_work_open_placed(r->w, v, l, err);
    if (st == HC_OK) {
        *out = (struct hc_relief_view){
            .w = hc_raster_w(*l), .h = hc_raster_h(*l), .read = hc_work_read_grey, .ctx = *l};
    }
    return st;
}

static hc_status open_set(struct hc_work_relief_run *r, struct hc_job *job, struct hc_err *err)
{
    hc_status st = hc_work_set_gather(&r->set, r->w, r->req->state, NULL, err);
    size_t boards = 0;
    for (size_t i = 0; st == HC_OK && i < r->set.n; i++) {
        st = lend(r, r->set.v[i], &r->lent[i], &r->view[i], err);
        boards += r->set.lamp[i].flat != 0;
    }
    if (st == HC_OK && boards && boards != r->set.n) {
        return hc_err_set(
            err, HC_EREFUSED, HC_WORK_ROOM,
            "%zu of %zu lamps have an even board; give one for each or for none (column "
            "flat of the file of lights)",
            boards, r->set.n);
    }
    r->has_flat = boards > 0;
    for (size_t i = 0; st == HC_OK && r->has_flat && i < r->set.n; i++) {
        struct hc_view v = {0};
        st = hc_store_view_by_id(r->w->store, r->set.lamp[i].flat, &v, err);
        // A board shows nothing that could be placed: it lies where the view of its lamp lies.
        st = st == HC_OK ? hc_work_open_as(r->w, &v, r->set.v[i], &r->board[i], job, err) : st;
        if (st == HC_OK) {
            r->flat[i] = (struct hc_relief_view){.w = r->view[i].w,
                                                 .h = r->view[i].h,
                                                 .read = hc_work_read_grey,
                                                 .ctx = r->board[i]};
        }
        hc_view_release(&v);
    }
    return st;
}

// What is wrong with the set stops the run: numbers from it would be wrong with confidence.
static hc_status check_set(struct hc_work_relief_run *r, struct hc_err *err)
{
    struct hc_relief_rig rig;
    hc_status st;
    hc_relief_rig_check(&rig, r->set.light, r->set.n);
    if (!rig.is_usable) {
        return hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM, "relief of %s: %s", r->req->state,
                          rig.why);
    }
    st = hc_relief_views_check(&r->seen, r->view, r->set.light, r->set.n, err);
    for (size_t i = 0; st == HC_OK && i < r->set.n; i++) {
        const struct hc_relief_view_state *s = &r->seen.view[i];
        if (s->is_bad && !(s->is_other_exposure && r->req->is_gained)) {
            return hc_err_set(
                err, HC_EREFUSED, HC_WORK_ROOM, "view %s: %s; %s", r->set.v[i]->label, s->why,
                s->is_other_exposure
                    ? "photograph it again, or let the exposures be evened out (--even-exposure)"
                    : "leave it aside by taking its placement back (align "
                      "DOSSIER VIEW --clear)");
        }
    }
    if (st == HC_OK && (!r->seen.is_usable || r->seen.is_order_doubtful)) {
        st = hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM, "relief of %s: %s", r->req->state,
                        r->seen.why);
    }
    return st;
}

// ---- slopes ----

// Kept as p, q and the standard error of a slope; -1 there says that the px has no answer.
struct slopes_sink {
    struct hc_raster_writer *out;
};

static hc_status write_slopes(void *ctx, int y0, const struct hc_relief_rows *rows,
                              struct hc_err *err)
{
    struct slopes_sink *s = ctx;
    struct hc_plane band[3] = {rows->p, rows->q, rows->slope_sd};
    (void)y0;
    for (int y = 0; y < rows->p.h; y++) {
        const float *used = hc_plane_row(&rows->used, y);
        float *sd = hc_plane_row(&rows->slope_sd, y);
        for (int x = 0; x < rows->p.w; x++) {
            if (used[x] < 0.5f) {
                sd[x] = -1.0f;
            }
        }
    }
    return hc_raster_append(s->out, band, err);
}

static hc_status make_slopes(struct hc_work_relief_run *r, struct hc_job *job, struct hc_err *err)
{
    static const enum hc_relief_method methods[] = {HC_RELIEF_TRIM, HC_RELIEF_LS, HC_RELIEF_LTS};
    struct hc_relief_normals_options o = {.method = methods[r->req->method], .mm_per_px = r->mm};
    struct slopes_sink s = {0};
    struct hc_relief_sink sink = {write_slopes, &s};
    double gain[HC_RELIEF_MAX_LIGHTS];
    char path[HC_WORK_PATH];
    hc_status st = hc_store_derived_path(r->w->store, r->slopes, path, sizeof path, err);
    for (size_t i = 0; i < r->set.n; i++) {
        gain[i] = r->seen.view[i].gain;
    }
    // Views photographed with the same exposure differ in brightness only by the painting; the
    // measured gains are applied where they are too unlike for that.
    o.gain = r->req->is_gained ? gain : NULL;
    o.flat = r->has_flat ? r->flat : NULL;
    st = st == HC_OK ? hc_raster_create_as(&s.out, path, r->p.frame_w, r->p.frame_h, 3,
                                           HC_CELLS_HALF, false, (struct hc_tap){0}, err)
                     : st;
    if (st == HC_OK) {
        st = hc_relief_normals(&r->normals, &sink, r->view, r->set.light, r->set.n, &o, r->w->par,
                               job, err);
    }
    if (st == HC_OK) {
        st = hc_raster_finish(s.out, err);
    } else if (s.out) {
        hc_raster_abandon(s.out);
    }
    return st == HC_OK ? hc_store_put_derived(r->w->store, r->slopes, "relief", r->inputs, err)
                       : st;
}

// ---- height ----

// Slopes averaged over cells of k x k px, and the share of each cell that has an answer.
static hc_status reduce_slopes(const struct hc_raster *slopes, int k, struct hc_plane out[3],
                               struct hc_job *job, struct hc_err *err)
{
    int w = hc_raster_w(slopes), cells = w / k, rows = hc_raster_h(slopes) / k;
    struct hc_plane in[3] = {{0}};
    hc_status st = HC_OK;
    for (int c = 0; st == HC_OK && c < 3; c++) {
        st = hc_plane_create(&out[c], cells, rows, err);
        st = st == HC_OK ? hc_plane_create(&in[c], w, k, err) : st;
    }
    for (int y = 0; st == HC_OK && y < rows; y++) {
        st = y % 64 ? st : hc_job_step(job, (double)y / rows, "reading the slopes", err);
        for (int c = 0; st == HC_OK && c < 3; c++) {
            st = hc_raster_read(slopes, c, 0, y * k, &in[c], err);
        }
        for (int x = 0; st == HC_OK && x < cells; x++) {
            double p = 0, q = 0;
            int n = 0;
            for (int i = 0; i < k * k; i++) {
                int xx = x * k + i % k, yy = i / k;
                if (hc_plane_get(&in[2], xx, yy) >= 0.0f) {
                    p += (double)hc_plane_get(&in[0], xx, yy);
                    q += (double)hc_plane_get(&in[1], xx, yy);
                    n++;
                }
            }
            hc_plane_row(&out[0], y)[x] = n ? (float)(p / n) : 0.0f;
            hc_plane_row(&out[1], y)[x] = n ? (float)(q / n) : 0.0f;
            hc_plane_row(&out[2], y)[x] = (float)n / (float)(k * k);
        }
    }
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&in[c]);
    }
    return st;
}

// The band of the figures, held to what the px and the picture allow.
static struct hc_relief_band usable_band(const struct hc_work_relief_run *r, double mm,
                                         const struct hc_plane *z)
{
    struct hc_relief_band b = {r->req->short_mm, r->req->long_mm};
    double side = mm * (z->w < z->h ? z->w : z->h);
    b.short_mm = b.short_mm > 0 ? b.short_mm : fmax(SHORT_MM, SHORT_PX * mm);
    b.long_mm = b.long_mm > 0 ? b.long_mm : fmin(fmax(LONG_MM, 8 * b.short_mm), side / 4);
    return b;
}

static hc_status measure_height(struct hc_work_relief_run *r, struct hc_plane *z,
                                const struct hc_plane *mask, double mm, struct hc_err *err)
{
    struct hc_plane f = {0};
    hc_status st = hc_plane_create(&f, z->w, z->h, err);
    r->band = usable_band(r, mm, z);
    st = st == HC_OK ? hc_relief_band_filter(&f, z, mask, mm, r->band, r->w->par, err) : st;
    st = st == HC_OK ? hc_relief_texture(&r->whole, &f, mask, mm, r->band, err) : st;
    hc_plane_release(&f);
    return st == HC_OK ? hc_relief_texture_curve(r->curve_mm, r->curve_um, HC_WORK_CURVE,
                                                 &r->curve_n, z, mask, mm, r->w->par, err)
                       : st;
}

static hc_status make_height(struct hc_work_relief_run *r, struct hc_job *job, struct hc_err *err)
{
    struct hc_relief_height_options o = {.is_flat = r->req->is_flat};
    struct hc_raster *slopes = NULL;
    struct hc_plane in[3] = {{0}}, z = {0};
    double mm;
    bool has_holes = r->normals.answered < 0.9999;
    hc_status st = hc_work_open_derived(r->w, r->slopes, &slopes, err);
    r->reduced = 1;
    while ((double)r->p.frame_w * r->p.frame_h / (r->reduced * r->reduced) > HEIGHT_PX) {
        r->reduced++;
    }
    mm = r->mm * r->reduced;
    hc_job_phase(job, 0.55, 0.62);
    st = st == HC_OK ? reduce_slopes(slopes, r->reduced, in, job, err) : st;
    st = st == HC_OK ? hc_plane_create(&z, in[0].w, in[0].h, err) : st;
    o.weight = has_holes ? &in[2] : NULL;
    hc_job_phase(job, 0.62, 0.75);
    st = st == HC_OK ? hc_relief_height(&z, &r->tall, &in[0], &in[1], mm, &o, r->w->par, job, err)
                     : st;
    hc_plane_release(&in[0]);
    hc_plane_release(&in[1]);
    st = st == HC_OK ? hc_work_keep_planes(r->w, r->height, "relief", r->inputs, 1, &z, err) : st;
    st = st == HC_OK ? measure_height(r, &z, has_holes ? &in[2] : NULL, mm, err) : st;
    hc_plane_release(&in[2]);
    hc_plane_release(&z);
    hc_raster_close(slopes);
    return st;
}

// ---- what the lamp in the page needs ----

static hc_status make_tiles(struct hc_work_relief_run *r, struct hc_job *job, struct hc_err *err)
{
    struct hc_raster *slopes = NULL, *height = NULL;
    struct hc_plane z = {0};
    int cell = 1;
    double lo = HUGE_VAL, hi = -HUGE_VAL;
    hc_status st = hc_work_open_derived(r->w, r->slopes, &slopes, err);
    hc_job_phase(job, 0.8, 0.92);
    st = st == HC_OK ? hc_work_make_tiles(r->w, slopes, r->slopes, HC_TILES_SLOPES, 0, 1, r->inputs,
                                          r->normal_key, job, err)
                     : st;
    st = st == HC_OK ? hc_work_open_derived(r->w, r->height, &height, err) : st;
    st = st == HC_OK ? hc_raster_overview(height, 1000, &z, &cell, job, err) : st;
    for (int y = 0; st == HC_OK && y < z.h; y++) {
        for (int x = 0; x < z.w; x++) {
            lo = fmin(lo, (double)hc_plane_get(&z, x, y));
            hi = fmax(hi, (double)hc_plane_get(&z, x, y));
        }
    }
    // The overview has averaged the crests away.
    r->shown_lo = lo - 0.25 * (hi - lo) - 0.2;
    r->shown_hi = hi + 0.25 * (hi - lo) + 0.2;
    hc_job_phase(job, 0.92, 0.98);
    st = st == HC_OK
             ? hc_work_make_tiles(r->w, height, r->height, HC_TILES_NUMBERS, (float)r->shown_lo,
                                  (float)r->shown_hi, r->inputs, r->height_key, job, err)
             : st;
    hc_plane_release(&z);
    hc_raster_close(slopes);
    hc_raster_close(height);
    return st;
}

// ---- keeping ----

static void drop_old(struct hc_work *w, const json_t *old, const struct hc_work_relief_run *r)
{
    static const char *const what[] = {"slopes", "height"};
    const char *const raster[] = {r->slopes, r->height};
    const char *const key[] = {r->normal_key, r->height_key};
    for (int k = 0; old && k < 2; k++) {
        const char *had = hc_work_json_text(json_object_get(old, "rasters"), what[k]);
        const char *tiles = hc_work_json_text(json_object_get(old, "tile_keys"), what[k]);
        char name[HC_SHA256_HEX + 16];
        if (*had && strcmp(had, raster[k]) != 0) {
            hc_work_drop_derived(w, had);
        }
        if (*tiles && strcmp(tiles, key[k]) != 0) {
            snprintf(name, sizeof name, "%.64s.tiles", tiles);
            hc_work_drop_derived(w, name);
        }
    }
}

// What a run that failed or was stopped had finished already.
static void drop_own(const struct hc_work_relief_run *r)
{
    const char *const key[] = {r->normal_key, r->height_key};
    const char *const raster[] = {r->slopes, r->height};
    char name[HC_SHA256_HEX + 16];
    for (int k = 0; k < 2; k++) {
        if (*raster[k]) {
            hc_work_drop_derived(r->w, raster[k]);
            hc_ignore(hc_store_forget_derived(r->w->store, raster[k], NULL));
        }
        if (*key[k]) {
            snprintf(name, sizeof name, "%.64s.tiles", key[k]);
            hc_work_drop_derived(r->w, name);
            hc_ignore(hc_store_forget_derived(r->w->store, name, NULL));
        }
    }
}

static hc_status keep(struct hc_work_relief_run *r, struct hc_err *err)
{
    struct hc_buf b = {0};
    char kind[48];
    json_t *old = NULL;
    int64_t id;
    hc_status st;
    snprintf(kind, sizeof kind, "relief-%.30s", r->req->state);
    hc_ignore(hc_work_result(r->w, kind, &old, NULL));
    hc_work_relief_document(&b, r);
    st = hc_buf_check(&b, err);
    st = st == HC_OK ? hc_store_put_result(r->w->store, kind, hc_buf_text(&b), &id, err) : st;
    if (st == HC_OK) {
        drop_old(r->w, old, r);
    }
    json_decref(old);
    hc_buf_release(&b);
    return st;
}

static hc_status name_files(struct hc_work_relief_run *r, struct hc_err *err)
{
    char kind[48], *json = NULL;
    int64_t last = 0;
    hc_status st = hc_work_relief_basis(r->w, &r->set, r->basis, err);
    snprintf(kind, sizeof kind, "relief-%.30s", r->req->state);
    if (hc_store_get_result(r->w->store, kind, &last, &json, NULL) != HC_OK) {
        last = 0;
    }
    hc_mem_free(json);
    snprintf(r->inputs, sizeof r->inputs, "{\"basis\":\"%s\",\"method\":%d}", r->basis,
             r->req->method);
    snprintf(r->slopes, sizeof r->slopes, "relief-%.30s-%lld-slopes.raster", r->req->state,
             (long long)last + 1);
    snprintf(r->height, sizeof r->height, "relief-%.30s-%lld-height.raster", r->req->state,
             (long long)last + 1);
    return st;
}

static hc_status check_request(const struct hc_work_relief *req, struct hc_err *err)
{
    if (req->method < 0 || req->method > 2) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                          "there is no method %d; give 0 (trimmed), 1 (least squares) or 2 (least "
                          "trimmed squares)",
                          req->method);
    }
    if (!(req->short_mm >= 0) || !(req->long_mm >= 0) ||
        (req->short_mm > 0 && req->long_mm > 0 && req->short_mm >= req->long_mm)) {
        return hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                          "a band from %g to %g mm; the first must be the smaller (0 = default)",
                          req->short_mm, req->long_mm);
    }
    return HC_OK;
}

hc_status hc_work_relief(struct hc_work *w, const struct hc_work_relief *req, struct hc_buf *json,
                         struct hc_job *job, struct hc_err *err)
{
    struct hc_work_relief_run *r = hc_mem_array(1, sizeof *r);
    hc_status st = r ? check_request(req, err)
                     : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the relief");
    if (!r) {
        return st;
    }
    r->w = w;
    r->req = req;
    st = st == HC_OK ? hc_work_framed(w, &r->p, err) : st;
    if (st == HC_OK) {
        r->mm = hc_work_mm_per_px(&r->p);
        st = open_set(r, job, err);
    }
    st = st == HC_OK ? check_set(r, err) : st;
    st = st == HC_OK ? name_files(r, err) : st;
    hc_job_phase(job, 0.05, 0.55);
    st = st == HC_OK ? make_slopes(r, job, err) : st;
    st = st == HC_OK ? make_height(r, job, err) : st;
    if (st == HC_OK) {
        hc_job_phase(job, 0.75, 0.8);
        st = hc_work_relief_pairs(&r->pairs, w, r, job, err);
    }
    st = st == HC_OK ? make_tiles(r, job, err) : st;
    hc_job_phase(job, 0.98, 1);
    st = st == HC_OK ? keep(r, err) : st;
    if (st != HC_OK) {
        drop_own(r);
    }
    run_release(r);
    hc_mem_free(r);
    return st == HC_OK && json ? hc_work_relief_get(w, req->state, json, err) : st;
}
