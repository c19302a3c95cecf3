// Plates into one picture, tile by tile, without a seam: what changes slowly is mixed over the
// whole overlap, what changes fast only near the line where plates meet (docs/theory/mosaic.md,
// section 5; two bands after Burt and Adelson, ACM Transactions on Graphics 2(4), 1983: cited from
// memory).
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "image/image_priv.h"
#include "num/filter.h"

#define TILE 256
#define LOW_CELL 16       // px of a plate that the slow band averages over
#define LOW_BLUR 1.0      // cells: then the slow band has nothing that two plates see differently
#define NARROW_PX 24.0    // plates change over within about this many px for the fast band
#define BORDER 3          // px around a piece for the kernel
#define LEAST_DEPTH 1e-6f // on the border itself

struct plate {
    const struct hc_raster *r;
    struct hc_homog map; // mosaic px -> plate px
    float gain, offset;
    int w, h;
    struct hc_plane low[3]; // blurred means over LOW_CELL px, before gain and offset
};

struct join {
    struct plate *plate;
    size_t n;
    int w, h, bands, across;
    float base, range; // tone written = (tone - base) / range
    int y0, rows;      // strip under work
    struct hc_plane strip[3];
    struct tile {
        hc_status st;
        struct hc_err err;
        long long covered;
    } * tile;
    long long covered;
    struct hc_par *par;
};

// Sums of one tile: the two bands with their weights, and the deepest plate's depth.
struct sums {
    float *slow[3], *fast[3], *slow_weight, *fast_weight, *deepest;
};

// Depth of a point inside a plate: px to its nearest border; below 0 outside.
static float depth(const struct plate *p, struct hc_pt q)
{
    return (float)fmin(fmin(q.x, p->w - q.x), fmin(q.y, p->h - q.y));
}

// The same with the second distance in it, so that two plates with one nearest border in common are
// not equally deep all along it; still 0 on the border.
static float seam_depth(const struct plate *p, struct hc_pt q)
{
    double x = fmin(q.x, p->w - q.x), y = fmin(q.y, p->h - q.y);
    return (float)fmin(x + y, 4 * fmin(x, y));
}

// The piece of a plate under a tile; false when they do not meet.
static bool piece_of(const struct plate *p, int x0, int y0, int w, int h, int box[4])
{
    double lo[2] = {HUGE_VAL, HUGE_VAL}, hi[2] = {-HUGE_VAL, -HUGE_VAL};
    for (int c = 0; c < 4; c++) {
        struct hc_pt q =
            hc_homog_apply(&p->map, (struct hc_pt){x0 + (c & 1 ? w : 0), y0 + (c & 2 ? h : 0)});
        lo[0] = fmin(lo[0], q.x);
        lo[1] = fmin(lo[1], q.y);
        hi[0] = fmax(hi[0], q.x);
        hi[1] = fmax(hi[1], q.y);
    }
    if (!(lo[0] < p->w && lo[1] < p->h && hi[0] > 0 && hi[1] > 0)) {
        return false;
    }
    box[0] = (int)fmax(0, floor(lo[0]) - BORDER);
    box[1] = (int)fmax(0, floor(lo[1]) - BORDER);
    box[2] = (int)fmin(p->w, ceil(hi[0]) + BORDER) - box[0];
    box[3] = (int)fmin(p->h, ceil(hi[1]) + BORDER) - box[1];
    return true;
}

static struct hc_pt at(const struct plate *p, int x, int y)
{
    return hc_homog_apply(&p->map, (struct hc_pt){x + 0.5, y + 0.5});
}

static void find_deepest(const struct join *j, struct sums *s, int x0, int y0, int w, int h)
{
    for (int i = 0; i < w * h; i++) {
        s->deepest[i] = -1;
    }
    for (size_t k = 0; k < j->n; k++) {
        int box[4];
        if (!piece_of(&j->plate[k], x0, y0, w, h, box)) {
            continue;
        }
        for (int i = 0; i < w * h; i++) {
            float d = seam_depth(&j->plate[k], at(&j->plate[k], x0 + i % w, y0 + i / w));
            s->deepest[i] = d > s->deepest[i] ? d : s->deepest[i];
        }
    }
}

// One plate's part in a tile. The weights are 0 at the plate's border and share nothing out where
// it is alone.
static hc_status add_plate(const struct join *j, const struct plate *p, struct sums *s, int x0,
                           int y0, int w, int h, struct hc_err *err)
{
    struct hc_plane piece[3] = {{0}};
    int box[4];
    hc_status st = HC_OK;
    if (!piece_of(p, x0, y0, w, h, box)) {
        return HC_OK;
    }
    for (int b = 0; st == HC_OK && b < j->bands; b++) {
        st = hc_plane_create(&piece[b], box[2], box[3], err);
        st = st == HC_OK ? hc_raster_read(p->r, b, box[0], box[1], &piece[b], err) : st;
    }
    for (int i = 0; st == HC_OK && i < w * h; i++) {
        struct hc_pt q = at(p, x0 + i % w, y0 + i / w);
        float d = depth(p, q), wide, near;
        if (d < 0) {
            continue;
        }
        d += LEAST_DEPTH;
        near = 1 - (s->deepest[i] - seam_depth(p, q)) / (float)NARROW_PX;
        near = near > 0 ? near * fminf(d, (float)NARROW_PX) : 0;
        wide = d * d; // squared: near its border a plate's slow band has the border in it
        s->slow_weight[i] += wide;
        s->fast_weight[i] += near;
        for (int b = 0; b < j->bands; b++) {
            float low = hc_filter_bicubic(&p->low[b], q.x / LOW_CELL, q.y / LOW_CELL);
            float v = hc_filter_bicubic(&piece[b], q.x - box[0], q.y - box[1]);
            s->slow[b][i] += wide * (p->gain * low + p->offset);
            s->fast[b][i] += near * p->gain * (v - low);
        }
    }
    for (int b = 0; b < 3; b++) {
        hc_plane_release(&piece[b]);
    }
    return st;
}

static void do_tile(void *ctx, int block, int r0, int r1)
{
    struct join *j = ctx;
    struct tile *t = &j->tile[block];
    int x0 = block * TILE, w = j->w - x0 < TILE ? j->w - x0 : TILE, h = j->rows;
    size_t px = (size_t)w * (size_t)h;
    float *block_px = hc_mem_array(9 * px, sizeof *block_px);
    struct sums s = {.slow_weight = block_px};
    (void)r0;
    (void)r1;
    *t = (struct tile){.st = HC_OK};
    if (!block_px) {
        t->st = hc_err_set(&t->err, HC_ENOMEM, "image", "Out of memory while joining plates.");
        return;
    }
    s.fast_weight = block_px + px;
    s.deepest = block_px + 2 * px;
    for (int b = 0; b < 3; b++) {
        s.slow[b] = block_px + (size_t)(3 + b) * px;
        s.fast[b] = block_px + (size_t)(6 + b) * px;
    }
    find_deepest(j, &s, x0, j->y0, w, h);
    for (size_t k = 0; k < j->n && t->st == HC_OK; k++) {
        t->st = add_plate(j, &j->plate[k], &s, x0, j->y0, w, h, &t->err);
    }
    for (size_t i = 0; i < px && t->st == HC_OK; i++) {
        bool is_covered = s.slow_weight[i] > 0;
        t->covered += is_covered;
        for (int b = 0; b < j->bands; b++) {
            float v =
                is_covered ? s.slow[b][i] / s.slow_weight[i] + s.fast[b][i] / s.fast_weight[i] : 0;
            hc_plane_row(&j->strip[b], (int)i / w)[x0 + (int)i % w] =
                is_covered ? (v - j->base) / j->range : 0;
        }
    }
    hc_mem_free(block_px);
}

static hc_status next_strip(struct join *j, int y0, struct hc_err *err)
{
    j->y0 = y0;
    j->rows = j->h - y0 < TILE ? j->h - y0 : TILE;
    hc_par_rows(j->par, j->across * HC_BLOCK, do_tile, j);
    for (int i = 0; i < j->across; i++) {
        if (j->tile[i].st != HC_OK) {
            return hc_err_set(err, j->tile[i].st, "image", "%s", j->tile[i].err.what);
        }
        j->covered += j->tile[i].covered;
    }
    return HC_OK;
}

// Rows for the file, joined a strip at a time.
static hc_status give_rows(void *ctx, int y0, struct hc_plane *rows, struct hc_err *err)
{
    struct join *j = ctx;
    hc_status st = HC_OK;
    for (int y = 0; st == HC_OK && y < rows[0].h; y++) {
        if (y0 + y >= j->y0 + j->rows) {
            st = next_strip(j, y0 + y, err);
        }
        for (int b = 0; st == HC_OK && b < j->bands; b++) {
            memcpy(hc_plane_row(&rows[b], y), hc_plane_row(&j->strip[b], y0 + y - j->y0),
                   (size_t)j->w * sizeof(float));
        }
    }
    return st;
}

// Whole-width strips of one band from top to bottom.
typedef void (*strip_fn)(void *ctx, int band, int y, const struct hc_plane *strip);

static hc_status read_strips(const struct hc_raster *r, strip_fn fn, void *ctx, struct hc_job *job,
                             struct hc_err *err)
{
    enum { ROWS = 8 * LOW_CELL };
    int w = hc_raster_w(r), h = hc_raster_h(r), bands = hc_raster_bands(r);
    struct hc_plane strip = {0};
    hc_status st = hc_plane_create(&strip, w, h < ROWS ? h : ROWS, err);
    for (int b = 0; b < bands; b++) {
        for (int y = 0; st == HC_OK && y < h; y += ROWS) {
            struct hc_plane in = strip;
            in.h = h - y < ROWS ? h - y : ROWS;
            st =
                hc_job_step(job, ((double)b * h + y) / ((double)bands * h), "reading a plate", err);
            st = st == HC_OK ? hc_raster_read(r, b, 0, y, &in, err) : st;
            if (st == HC_OK) {
                fn(ctx, b, y, &in);
            }
        }
    }
    hc_plane_release(&strip);
    return st;
}

static void widen_range(void *ctx, int band, int y, const struct hc_plane *strip)
{
    float *range = ctx;
    (void)band;
    (void)y;
    for (int r = 0; r < strip->h; r++) {
        const float *row = hc_plane_row(strip, r);
        for (int x = 0; x < strip->w; x++) {
            range[0] = row[x] < range[0] ? row[x] : range[0];
            range[1] = row[x] > range[1] ? row[x] : range[1];
        }
    }
}

hc_status hc_image_join_range(double range[2], const struct hc_join_plate *plate, size_t n,
                              struct hc_job *job, struct hc_err *err)
{
    hc_status st = HC_OK;
    range[0] = HUGE_VAL;
    range[1] = -HUGE_VAL;
    for (size_t i = 0; st == HC_OK && i < n; i++) {
        float own[2] = {HUGE_VALF, -HUGE_VALF};
        st = read_strips(plate[i].raster, widen_range, own, job, err);
        range[0] = fmin(range[0], plate[i].gain * (double)own[0] + plate[i].offset);
        range[1] = fmax(range[1], plate[i].gain * (double)own[1] + plate[i].offset);
    }
    return st;
}

static void average(void *ctx, int band, int y, const struct hc_plane *strip)
{
    struct plate *p = ctx;
    struct hc_plane cells = hc_plane_part(&p->low[band], 0, y / LOW_CELL, p->low[band].w,
                                          (strip->h + LOW_CELL - 1) / LOW_CELL);
    hc_filter_box_down(&cells, strip, LOW_CELL);
}

static hc_status open_plates(struct join *j, const struct hc_join_plate *plate, struct hc_job *job,
                             struct hc_err *err)
{
    hc_status st = HC_OK;
    for (size_t i = 0; st == HC_OK && i < j->n; i++) {
        struct plate *p = &j->plate[i];
        *p = (struct plate){.r = plate[i].raster,
                            .gain = (float)plate[i].gain,
                            .offset = (float)plate[i].offset,
                            .w = hc_raster_w(plate[i].raster),
                            .h = hc_raster_h(plate[i].raster)};
        if (hc_raster_bands(p->r) != j->bands) {
            return hc_err_set(err, HC_EARG, "image",
                              "Plates of %d and of %d bands cannot be joined.", j->bands,
                              hc_raster_bands(p->r));
        }
        for (int b = 0; st == HC_OK && b < j->bands; b++) {
            st = hc_plane_create(&p->low[b], (p->w + LOW_CELL - 1) / LOW_CELL,
                                 (p->h + LOW_CELL - 1) / LOW_CELL, err);
        }
        st = st == HC_OK ? hc_homog_invert(&p->map, &plate[i].to_mosaic, err) : st;
        hc_job_phase(job, 0.1 + 0.2 * (double)i / (double)j->n,
                     0.1 + 0.2 * (double)(i + 1) / (double)j->n);
        st = st == HC_OK ? read_strips(p->r, average, p, job, err) : st;
        for (int b = 0; st == HC_OK && b < j->bands; b++) {
            st = hc_filter_gauss(&p->low[b], &p->low[b], LOW_BLUR, err);
        }
    }
    return st;
}

hc_status hc_image_join(double *covered_share, const struct hc_join_picture *picture,
                        const struct hc_join_plate *plate, size_t n, struct hc_par *par,
                        struct hc_job *job, struct hc_err *err)
{
    int w = picture->w, h = picture->h;
    struct join j = {.n = n,
                     .w = w,
                     .h = h,
                     .bands = hc_raster_bands(plate[0].raster),
                     .across = (w + TILE - 1) / TILE,
                     .base = (float)picture->base,
                     .range = (float)picture->range,
                     .par = par};
    hc_status st = HC_OK;
    if (w < 1 || h < 1 || w > HC_IMAGE_MAX_SIDE || h > HC_IMAGE_MAX_SIDE ||
        (long long)w * h > HC_IMAGE_MAX_PX) {
        return hc_err_set(err, HC_ELIMIT, "image",
                          "The joined picture would be %d x %d px; at most %d px a side and %lld "
                          "Mpx are written, so reduce the plates.",
                          w, h, HC_IMAGE_MAX_SIDE, HC_IMAGE_MAX_PX / 1000000);
    }
    j.plate = hc_mem_array(n, sizeof *j.plate);
    j.tile = hc_mem_array((size_t)j.across, sizeof *j.tile);
    if (!j.plate || !j.tile) {
        st = hc_err_set(err, HC_ENOMEM, "image", "Out of memory while joining plates.");
    }
    for (int b = 0; st == HC_OK && b < j.bands; b++) {
        st = hc_plane_create(&j.strip[b], w, TILE, err);
    }
    st = st == HC_OK ? open_plates(&j, plate, job, err) : st;
    hc_job_phase(job, 0.3, 1);
    st = st == HC_OK ? hc_image_write_linear16(picture->path, w, h, j.bands, give_rows, &j,
                                               picture->description, job, err)
                     : st;
    if (st == HC_OK) {
        *covered_share = (double)j.covered / ((double)w * h);
    }
    for (int b = 0; b < 3; b++) {
        hc_plane_release(&j.strip[b]);
        for (size_t i = 0; j.plate && i < n; i++) {
            hc_plane_release(&j.plate[i].low[b]);
        }
    }
    hc_mem_free(j.plate);
    hc_mem_free(j.tile);
    return st;
}
