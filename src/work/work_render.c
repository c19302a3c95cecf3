// Rendering a fitted forecast: rows flow by bands from the placed views through the renderer into
// the four result rasters and their display tiles at once; nothing is read again.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "work/work_forecast_priv.h"

#define BAND_ROWS HC_TILES_ROWS // rows rendered and written at a time

const char *const hc_work_layer_name[HC_WORK_LAYERS] = {"look", "radius", "coat", "refusal"};

struct layer {
    struct hc_raster_writer *out;
    struct hc_hash *hash;
    struct hc_tiles_maker *tiles;
    char part[24]; // of the tiles, in derived/
    hc_status st;
    struct hc_err err;
};

struct band {
    const struct hc_work_render *r;
    struct hc_forecast_rows rows;
    struct hc_plane uv[3]; // as read
    int y0, n;
    hc_status st[BAND_ROWS / HC_BLOCK];
    struct hc_err err[BAND_ROWS / HC_BLOCK];
    struct layer layer[HC_WORK_LAYERS];
};

static struct hc_plane part(const struct hc_plane *p, int y0, int y1)
{
    return p->px ? hc_plane_part(p, 0, y0, p->w, y1 - y0) : *p;
}

// The planes of one layer, n rows; returns their number.
static int layer_rows(const struct band *b, int k, struct hc_plane out[3])
{
    const struct hc_plane *const one[HC_WORK_LAYERS] = {NULL, &b->rows.radius, &b->rows.coat,
                                                        &b->rows.reason};
    if (k != HC_WORK_LOOK) {
        out[0] = part(one[k], 0, b->n);
        return 1;
    }
    for (int c = 0; c < 3; c++) {
        out[c] = part(&b->rows.after.ch[c], 0, b->n);
    }
    return 3;
}

static void band_release(struct band *b)
{
    hc_lin3_release(&b->rows.before);
    hc_lin3_release(&b->rows.after);
    hc_plane_release(&b->rows.uv);
    hc_plane_release(&b->rows.zone);
    hc_plane_release(&b->rows.radius);
    hc_plane_release(&b->rows.coat);
    hc_plane_release(&b->rows.reason);
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&b->uv[c]);
    }
}

static hc_status band_create(struct band *b, const struct hc_work_render *r, struct hc_err *err)
{
    int w = r->frame_w, h = r->frame_h < BAND_ROWS ? r->frame_h : BAND_ROWS;
    hc_status st = hc_lin3_create(&b->rows.before, w, h, err);
    st = st == HC_OK ? hc_lin3_create(&b->rows.after, w, h, err) : st;
    st = st == HC_OK && r->uv ? hc_plane_create(&b->rows.uv, w, h, err) : st;
    for (int c = 0; r->uv && c < hc_raster_bands(r->uv) && st == HC_OK; c++) {
        st = hc_plane_create(&b->uv[c], w, h, err);
    }
    st = st == HC_OK && (r->n_zones || r->shown) ? hc_plane_create(&b->rows.zone, w, h, err) : st;
    st = st == HC_OK ? hc_plane_create(&b->rows.radius, w, h, err) : st;
    st = st == HC_OK ? hc_plane_create(&b->rows.coat, w, h, err) : st;
    return st == HC_OK ? hc_plane_create(&b->rows.reason, w, h, err) : st;
}

// ---- one block of a band ----

// Row by row: an outline is convex, so that it shows one stretch of each.
static void mark_unseen(const struct hc_pt shown[4], struct hc_plane *mask, double y0, double cell)
{
    for (int y = 0; y < mask->h; y++) {
        double fy = y0 + (y + 0.5) * cell, lo = HUGE_VAL, hi = -HUGE_VAL;
        for (int i = 0, j = 3; i < 4; j = i++) {
            struct hc_pt a = shown[j], b = shown[i];
            if ((a.y > fy) != (b.y > fy)) {
                double x = a.x + (fy - a.y) * (b.x - a.x) / (b.y - a.y);
                lo = fmin(lo, x);
                hi = fmax(hi, x);
            }
        }
        for (int x = 0; x < mask->w; x++) {
            double fx = (x + 0.5) * cell;
            hc_plane_row(mask, y)[x] = fx < lo || fx > hi ? 2.0f : hc_plane_row(mask, y)[x];
        }
    }
}

void hc_work_zone_mask(const struct hc_work_render *r, struct hc_plane *mask, double y0,
                       double cell)
{
    hc_plane_fill(mask, 0.0f);
    for (size_t i = 0; i < r->n_zones; i++) {
        struct hc_box b = hc_poly_box(r->zone_pt[i], r->zone_n[i]);
        for (int y = 0; y < mask->h; y++) {
            double fy = y0 + (y + 0.5) * cell;
            if (fy < b.y0 || fy > b.y1) {
                continue;
            }
            int x1 = (int)fmin(mask->w, ceil(b.x1 / cell));
            for (int x = (int)fmax(0, floor(b.x0 / cell)); x < x1; x++) {
                if (hc_poly_has(r->zone_pt[i], r->zone_n[i],
                                (struct hc_pt){(x + 0.5) * cell, fy})) {
                    hc_plane_row(mask, y)[x] = 1.0f;
                }
            }
        }
    }
    if (r->shown) {
        mark_unseen(r->shown, mask, y0, cell);
    }
}

static hc_status read_block(const struct band *b, struct hc_forecast_rows *s, int y0, int y1,
                            struct hc_err *err)
{
    hc_status st = HC_OK;
    for (int c = 0; c < 3 && st == HC_OK; c++) {
        st = hc_raster_read(b->r->before, c, 0, b->y0 + y0, &s->before.ch[c], err);
    }
    if (b->r->uv && st == HC_OK) {
        struct hc_plane uv[3];
        int n = hc_raster_bands(b->r->uv);
        for (int c = 0; c < n && st == HC_OK; c++) {
            uv[c] = part(&b->uv[c], y0, y1);
            st = hc_raster_read(b->r->uv, c, 0, b->y0 + y0, &uv[c], err);
        }
        if (st == HC_OK) {
            hc_work_luminance(&s->uv, uv, n);
        }
    }
    if (s->zone.px && st == HC_OK) {
        hc_work_zone_mask(b->r, &s->zone, b->y0 + y0, 1);
    }
    return st;
}

static void render_block(void *ctx, int block, int y0, int y1)
{
    struct band *b = ctx;
    struct hc_forecast_rows s = {0};
    for (int c = 0; c < 3; c++) {
        s.before.ch[c] = part(&b->rows.before.ch[c], y0, y1);
        s.after.ch[c] = part(&b->rows.after.ch[c], y0, y1);
    }
    s.uv = part(&b->rows.uv, y0, y1);
    s.zone = part(&b->rows.zone, y0, y1);
    s.radius = part(&b->rows.radius, y0, y1);
    s.coat = part(&b->rows.coat, y0, y1);
    s.reason = part(&b->rows.reason, y0, y1);
    b->st[block] = read_block(b, &s, y0, y1, &b->err[block]);
    if (b->st[block] == HC_OK) {
        hc_forecast_render(b->r->fit, &s, 0, b->y0 + y0);
    }
}

static void append_layer(void *ctx, int k, int r0, int r1)
{
    struct band *b = ctx;
    struct layer *l = &b->layer[k];
    struct hc_plane rows[3];
    (void)r0; // hc_par_rows counts "rows"; one block stands for one layer
    (void)r1;
    layer_rows(b, k, rows);
    l->st = hc_raster_append(l->out, rows, &l->err);
}

static hc_status do_band(struct band *b, struct hc_err *err)
{
    struct hc_par *par = b->r->w->par;
    hc_par_rows(par, b->n, render_block, b);
    for (int i = 0; i < hc_par_blocks(b->n); i++) {
        if (b->st[i] != HC_OK) {
            return hc_err_set(err, b->st[i], HC_WORK_ROOM, "%s", b->err[i].what);
        }
    }
    hc_par_rows(par, HC_WORK_LAYERS * HC_BLOCK, append_layer, b);
    for (int k = 0; k < HC_WORK_LAYERS; k++) {
        struct hc_plane rows[3];
        hc_status st = b->layer[k].st;
        if (st != HC_OK) {
            return hc_err_set(err, st, HC_WORK_ROOM, "%s", b->layer[k].err.what);
        }
        layer_rows(b, k, rows);
        st = hc_tiles_add(b->layer[k].tiles, rows, par, err);
        if (st != HC_OK) {
            return st;
        }
    }
    return HC_OK;
}

// ---- the four layers ----

// Look, radius and coat as half floats, rounded by at most 1/2048 of their value: a colour moves by
// under 0.1 CIEDE2000, a radius of 3 by 0.0015. Refusals are whole numbers.
static hc_status open_layer(struct band *b, int k, struct hc_err *err)
{
    static const enum hc_tiles_kind kind[HC_WORK_LAYERS] = {HC_TILES_COLOUR, HC_TILES_HEAT,
                                                            HC_TILES_GREY, HC_TILES_HATCH};
    static const float hi[HC_WORK_LAYERS] = {1, HC_WORK_RADIUS_HI, HC_WORK_COAT_HI, 1};
    const struct hc_work_render *r = b->r;
    struct layer *l = &b->layer[k];
    char path[HC_WORK_PATH];
    hc_status st = hc_store_hash_begin(&l->hash, err);
    st = st == HC_OK ? hc_store_derived_path(r->w->store, r->layer[k], path, sizeof path, err) : st;
    if (st == HC_OK) {
        st = hc_raster_create_as(&l->out, path, r->frame_w, r->frame_h, k == HC_WORK_LOOK ? 3 : 1,
                                 k == HC_WORK_REFUSAL ? HC_CELLS_CODE8 : HC_CELLS_HALF, true,
                                 (struct hc_tap){hc_store_hash_add, l->hash}, err);
    }
    snprintf(l->part, sizeof l->part, "making-%d.part", k);
    st = st == HC_OK ? hc_store_derived_path(r->w->store, l->part, path, sizeof path, err) : st;
    return st == HC_OK
               ? hc_tiles_begin(&l->tiles, path, r->frame_w, r->frame_h, kind[k], 0, hi[k], err)
               : st;
}

// The raster first, and its row; then the tiles, which name it by its hash.
static hc_status keep_layer(struct band *b, int k, struct hc_job *job, struct hc_err *err)
{
    const struct hc_work_render *r = b->r;
    struct layer *l = &b->layer[k];
    char hex[HC_SHA256_HEX] = "", source[HC_TILES_SOURCE];
    struct hc_raster_writer *out = l->out;
    struct hc_tiles_maker *tiles = l->tiles;
    hc_status st;
    int64_t bytes;
    l->out = NULL;
    st = hc_raster_finish(out, err);
    bytes = hc_store_hash_end(l->hash, hex);
    l->hash = NULL;
    if (st == HC_OK) {
        st = hc_store_put_derived_hashed(r->w->store, r->layer[k], "forecast", r->inputs, hex,
                                         bytes, err);
    }
    st = st == HC_OK ? hc_work_source(r->w, r->layer[k], source, err) : st;
    if (st == HC_OK) {
        l->tiles = NULL;
        st = hc_tiles_end(tiles, source, err);
    }
    return st == HC_OK ? hc_work_keep_tiles(r->w, l->part, r->inputs, r->tiles[k], job, err) : st;
}

// Their names are new: nothing refers to them yet.
static void drop_layer(const struct hc_work_render *r, int k)
{
    char name[HC_SHA256_HEX + 8];
    hc_work_drop_derived(r->w, r->layer[k]);
    if (r->tiles[k][0]) {
        snprintf(name, sizeof name, "%s.tiles", r->tiles[k]);
        hc_work_drop_derived(r->w, name);
    }
}

hc_status hc_work_render(const struct hc_work_render *r, struct hc_job *job, struct hc_err *err)
{
    struct band b = {.r = r};
    hc_status st = band_create(&b, r, err);
    for (int k = 0; k < HC_WORK_LAYERS && st == HC_OK; k++) {
        st = open_layer(&b, k, err);
    }
    for (; b.y0 < r->frame_h && st == HC_OK; b.y0 += BAND_ROWS) {
        b.n = r->frame_h - b.y0 < BAND_ROWS ? r->frame_h - b.y0 : BAND_ROWS;
        st = hc_job_step(job, (double)b.y0 / r->frame_h, "rendering the forecast", err);
        st = st == HC_OK ? do_band(&b, err) : st;
    }
    for (int k = 0; k < HC_WORK_LAYERS && st == HC_OK; k++) {
        st = keep_layer(&b, k, job, err);
    }
    for (int k = 0; k < HC_WORK_LAYERS; k++) {
        if (st != HC_OK) { // layers that were finished before it went wrong
            drop_layer(r, k);
        }
        hc_raster_abandon(b.layer[k].out);
        hc_tiles_abandon(b.layer[k].tiles);
        hc_store_hash_end(b.layer[k].hash, NULL);
    }
    band_release(&b);
    return st;
}
