// Resampling a view into the frame, tile by tile, with memory that does not grow with the picture.
//
// Cubic convolution (Keys, IEEE Trans. ASSP 29(6), 1981, a = -0.5). Where one frame pixel covers
// more than one view pixel the kernel is stretched by that factor and normalised, which averages
// detail instead of aliasing it.
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "image/image_priv.h"

#define TILE_W 512
#define TILE_H 64
#define MAX_SCALE 32.0
#define MAX_BEND_PX 200.0 // our own limit: the piece of the view read for a tile stays small
#define OFFSET 256        // more than the kernel can reach to the left of the view
#define MAX_TAPS 132      // 4 * MAX_SCALE and a little

struct place {
    const struct hc_raster *src;
    struct hc_homog map;               // grid px to view px
    const struct hc_raster_bend *bend; // in frame px; NULL: the homography is all
    struct hc_raster_grid grid;
    int w, h, bands; // of the raster made, grid px
    int y0, rows;    // the strip being made
    int across;      // tiles per strip row
    struct hc_plane strip[3];
    struct item {
        hc_status st;
        struct hc_err err;
        long long inside;
    } * item;
};

// One tile of the raster made and the piece of the view it needs.
struct patch {
    int x0, y0, w, h;     // grid px
    int sx0, sy0, sw, sh; // view px
    double su, sv;        // kernel stretch, >= 1
    float *px;            // bands x sh x sw
};

// How far one step right or down in the frame moves in the view, at a frame point.
static void local_scale(const struct hc_homog *map, double x, double y, double *su, double *sv)
{
    struct hc_pt p = hc_homog_apply(map, (struct hc_pt){x, y});
    struct hc_pt r = hc_homog_apply(map, (struct hc_pt){x + 0.5, y});
    struct hc_pt d = hc_homog_apply(map, (struct hc_pt){x, y + 0.5});
    *su = 2 * hypot(r.x - p.x, d.x - p.x);
    *sv = 2 * hypot(r.y - p.y, d.y - p.y);
}

// A few per cent of enlargement need no stretch; 1 keeps the plain kernel exact.
static double stretch(double s)
{
    return s < 1.05 ? 1 : s;
}

static int clampi(double v, int lo, int hi)
{
    return v < lo ? lo : v > hi ? hi : (int)v;
}

// The view rectangle under a tile: its corners bound it (the map sends straight lines to straight
// lines and does not fold here), widened by the kernel.
static void find_source(const struct place *p, struct patch *t)
{
    double lo_x = HUGE_VAL, lo_y = HUGE_VAL, hi_x = -HUGE_VAL, hi_y = -HUGE_VAL, rx, ry;
    int w = hc_raster_w(p->src), h = hc_raster_h(p->src), x1, y1;
    for (int k = 0; k < 4; k++) {
        struct hc_pt c = {t->x0 + (k & 1 ? t->w : 0), t->y0 + (k & 2 ? t->h : 0)};
        c = hc_homog_apply(&p->map, c);
        lo_x = fmin(lo_x, c.x);
        hi_x = fmax(hi_x, c.x);
        lo_y = fmin(lo_y, c.y);
        hi_y = fmax(hi_y, c.y);
    }
    local_scale(&p->map, t->x0 + 0.5 * t->w, t->y0 + 0.5 * t->h, &t->su, &t->sv);
    t->su = stretch(t->su);
    t->sv = stretch(t->sv);
    rx = 2 * t->su + 1;
    ry = 2 * t->sv + 1;
    if (p->bend) {
        // su, sv are never below the true scale by more than the 5 % that stretch() forgives.
        rx += 1.05 * t->su * 2 * p->bend->max_px * p->grid.magnification;
        ry += 1.05 * t->sv * 2 * p->bend->max_px * p->grid.magnification;
    }
    t->sx0 = clampi(floor(lo_x - rx), 0, w - 1);
    t->sy0 = clampi(floor(lo_y - ry), 0, h - 1);
    x1 = clampi(ceil(hi_x + rx), t->sx0 + 1, w);
    y1 = clampi(ceil(hi_y + ry), t->sy0 + 1, h);
    t->sw = x1 - t->sx0;
    t->sh = y1 - t->sy0;
}

static double within(double v, double lo, double hi)
{
    return v < lo ? lo : v > hi ? hi : v;
}

static float keys(double t)
{
    double a = fabs(t);
    return (float)(a < 1   ? (1.5 * a - 2.5) * a * a + 1
                   : a < 2 ? ((-0.5 * a + 2.5) * a - 4) * a + 2
                           : 0);
}

// Weights of view samples first, first+1, ... for a point at u (pixel centres at +0.5).
static int taps(double u, double s, float *weight, int *first)
{
    int n;
    double sum = 0;
    if (s == 1) {
        int f = (int)(u - 0.5 + OFFSET) - OFFSET; // floor, as u > -OFFSET
        float t = (float)(u - 0.5 - f), t2 = t * t, t3 = t2 * t;
        weight[0] = -0.5f * t3 + t2 - 0.5f * t;
        weight[1] = 1.5f * t3 - 2.5f * t2 + 1.0f;
        weight[2] = -1.5f * t3 + 2.0f * t2 + 0.5f * t;
        weight[3] = 0.5f * t3 - 0.5f * t2;
        *first = f - 1;
        return 4;
    }
    *first = (int)ceil(u - 0.5 - 2 * s);
    n = (int)floor(u - 0.5 + 2 * s) - *first + 1;
    for (int i = 0; i < n; i++) {
        weight[i] = keys((*first + i + 0.5 - u) / s);
        sum += (double)weight[i];
    }
    for (int i = 0; i < n; i++) {
        weight[i] = (float)((double)weight[i] / sum);
    }
    return n;
}

// Four floats side by side (a GCC and Clang extension): the four taps of a kernel row.
typedef float v4 __attribute__((vector_size(16)));

static v4 load4(const float *p)
{
    v4 v;
    memcpy(&v, p, sizeof v);
    return v;
}

// The plain kernel well inside the piece: 4 x 4, all bands with the same weights.
static void sample4(const struct patch *t, int bands, int x, int y, const float *wx,
                    const float *wy, float *out)
{
    size_t band = (size_t)t->sw * (size_t)t->sh;
    const float *at = t->px + (ptrdiff_t)y * t->sw + x;
    v4 w = load4(wx);
    for (int b = 0; b < bands; b++, at += band) {
        v4 s =
            (wy[0] * load4(at) + wy[1] * load4(at + t->sw)) +
            (wy[2] * load4(at + 2 * (ptrdiff_t)t->sw) + wy[3] * load4(at + 3 * (ptrdiff_t)t->sw));
        s *= w;
        out[b] = (s[0] + s[1]) + (s[2] + s[3]);
    }
}

// Any kernel, samples beyond the view take its nearest edge.
static void sample_any(const struct patch *t, int bands, int x, int nx, int y, int ny,
                       const float *wx, const float *wy, float *out)
{
    size_t band = (size_t)t->sw * (size_t)t->sh;
    for (int b = 0; b < bands; b++) {
        double sum = 0;
        for (int j = 0; j < ny; j++) {
            const float *r =
                t->px + (size_t)b * band + (ptrdiff_t)clampi(y + j, 0, t->sh - 1) * t->sw;
            double s = 0;
            for (int i = 0; i < nx; i++) {
                s += (double)wx[i] * (double)r[clampi(x + i, 0, t->sw - 1)];
            }
            sum += (double)wy[j] * s;
        }
        out[b] = (float)sum;
    }
}

static struct hc_pt bent(const struct place *p, double x, double y)
{
    struct hc_pt f = {x, y}, by;
    if (p->bend) {
        double m = p->grid.magnification;
        by = p->bend->at(p->bend->ctx, (struct hc_pt){p->grid.x0 + x / m, p->grid.y0 + y / m});
        f.x += m * within(by.x, -p->bend->max_px, p->bend->max_px);
        f.y += m * within(by.y, -p->bend->max_px, p->bend->max_px);
    }
    return f;
}

static long long fill_tile(const struct place *p, const struct patch *t)
{
    const double *m = p->map.m;
    double w = hc_raster_w(p->src), h = hc_raster_h(p->src);
    long long inside = 0;
    float wx[MAX_TAPS], wy[MAX_TAPS], out[3];
    for (int y = 0; y < t->h; y++) {
        double fy = t->y0 + y + 0.5;
        float *row[3];
        for (int b = 0; b < p->bands; b++) {
            row[b] = hc_plane_row(&p->strip[b], t->y0 - p->y0 + y) + t->x0;
        }
        for (int x = 0; x < t->w; x++) {
            struct hc_pt f = bent(p, t->x0 + x + 0.5, fy);
            double d = m[6] * f.x + m[7] * f.y + m[8];
            double u = (m[0] * f.x + m[1] * f.y + m[2]) / d;
            double v = (m[3] * f.x + m[4] * f.y + m[5]) / d;
            int i, j, nx, ny;
            inside += u >= 0 && v >= 0 && u <= w && v <= h;
            // Far outside, the edge pixel is all there is: no need to go farther than the kernel.
            u = within(u, -3 * t->su, w + 3 * t->su);
            v = within(v, -3 * t->sv, h + 3 * t->sv);
            nx = taps(u, t->su, wx, &i);
            ny = taps(v, t->sv, wy, &j);
            i -= t->sx0;
            j -= t->sy0;
            if (nx == 4 && ny == 4 && i >= 0 && j >= 0 && i + 4 <= t->sw && j + 4 <= t->sh) {
                sample4(t, p->bands, i, j, wx, wy, out);
            } else {
                sample_any(t, p->bands, i, nx, j, ny, wx, wy, out);
            }
            for (int b = 0; b < p->bands; b++) {
                row[b][x] = out[b];
            }
        }
    }
    return inside;
}

static void do_tile(void *ctx, int block, int r0, int r1)
{
    struct place *p = ctx;
    struct item *it = &p->item[block];
    struct patch t = {.x0 = block % p->across * TILE_W, .y0 = p->y0 + block / p->across * TILE_H};
    (void)r0; // hc_par_rows counts "rows"; one block stands for one tile
    (void)r1;
    t.w = p->w - t.x0 < TILE_W ? p->w - t.x0 : TILE_W;
    t.h = p->y0 + p->rows - t.y0 < TILE_H ? p->y0 + p->rows - t.y0 : TILE_H;
    find_source(p, &t);
    it->st = HC_OK;
    t.px = hc_mem_alloc((size_t)t.sw * (size_t)t.sh * (size_t)p->bands * sizeof(float));
    if (!t.px) {
        it->st = hc_err_set(&it->err, HC_ENOMEM, "image", "Out of memory while placing a view.");
        return;
    }
    for (int b = 0; b < p->bands && it->st == HC_OK; b++) {
        struct hc_plane piece = {t.px + (size_t)b * (size_t)t.sw * (size_t)t.sh, t.sw, t.sh, t.sw};
        it->st = hc_raster_read(p->src, b, t.sx0, t.sy0, &piece, &it->err);
    }
    if (it->st == HC_OK) {
        it->inside = fill_tile(p, &t);
    }
    hc_mem_free(t.px);
}

// The map must be finite and keep its orientation over the whole frame.
static hc_status check_map(const struct place *p, struct hc_err *err)
{
    const double *m = p->map.m;
    double first = 0;
    for (int k = 0; k < 9; k++) {
        if (!isfinite(m[k])) {
            return hc_err_set(err, HC_ENUMERIC, "image",
                              "The placing transform holds no number at %d.", k);
        }
    }
    for (int k = 0; k < 4; k++) {
        double x = k & 1 ? p->w : 0, y = k & 2 ? p->h : 0, d = m[6] * x + m[7] * y + m[8], su, sv;
        first = k == 0 ? d : first;
        if (!(d * first > 0) || fabs(d) < 1e-12) {
            return hc_err_set(
                err, HC_ENUMERIC, "image",
                "The placing transform folds over inside the frame; place the view again "
                "by control points.");
        }
        local_scale(&p->map, x, y, &su, &sv);
        if (!(su <= MAX_SCALE && sv <= MAX_SCALE)) {
            return hc_err_set(
                err, HC_ERANGE, "image",
                "The view is %.0f times finer than the frame; at most %.0f is taken, so "
                "reduce the picture or choose a finer reference view.",
                fmax(su, sv), MAX_SCALE);
        }
    }
    return HC_OK;
}

static hc_status do_strip(struct place *p, struct hc_raster_writer *out, struct hc_par *par,
                          long long *inside, struct hc_err *err)
{
    struct hc_plane part[3];
    int n = p->across * ((p->rows + TILE_H - 1) / TILE_H);
    hc_par_rows(par, n * HC_BLOCK, do_tile, p);
    for (int i = 0; i < n; i++) {
        if (p->item[i].st != HC_OK) {
            return hc_err_set(err, p->item[i].st, "image", "%s", p->item[i].err.what);
        }
        *inside += p->item[i].inside;
    }
    for (int b = 0; b < p->bands; b++) {
        part[b] = hc_plane_part(&p->strip[b], 0, 0, p->w, p->rows);
    }
    return hc_raster_append(out, part, err);
}

static struct hc_homog grid_to_frame(const struct hc_raster_grid *g)
{
    double s = 1.0 / g->magnification;
    return (struct hc_homog){{s, 0, g->x0, 0, s, g->y0, 0, 0, 1}};
}

static hc_status check_grid(const struct hc_raster_grid *g, struct hc_err *err)
{
    if (g->w < 1 || g->h < 1 || g->magnification < 1 ||
        g->w > HC_IMAGE_MAX_SIDE / g->magnification ||
        g->h > HC_IMAGE_MAX_SIDE / g->magnification) {
        return hc_err_set(
            err, HC_EARG, "image",
            "A grid of %d x %d frame px magnified %d times; give sides of 1 to %d px.", g->w, g->h,
            g->magnification, HC_IMAGE_MAX_SIDE);
    }
    return HC_OK;
}

hc_status hc_raster_place_grid(const struct hc_raster *src, const char *out_path,
                               const struct hc_homog *frame_to_view,
                               const struct hc_raster_bend *bend, const struct hc_raster_grid *grid,
                               double *covered_share, struct hc_par *par, struct hc_job *job,
                               struct hc_err *err)
{
    struct place p = {.src = src, .bend = bend, .grid = *grid, .bands = hc_raster_bands(src)};
    int strip = TILE_H * 2;
    struct hc_raster_writer *out = NULL;
    struct hc_homog to_frame;
    long long inside = 0;
    hc_status st = check_grid(grid, err);
    if (st != HC_OK) {
        return st;
    }
    to_frame = grid_to_frame(grid);
    p.map = hc_homog_compose(frame_to_view, &to_frame);
    p.w = grid->w * grid->magnification;
    p.h = grid->h * grid->magnification;
    st = hc_raster_create(&out, out_path, p.w, p.h, p.bands, err);
    if (st != HC_OK) {
        return st;
    }
    st = check_map(&p, err);
    if (st == HC_OK && bend && !(bend->max_px >= 0 && bend->max_px <= MAX_BEND_PX)) {
        st = hc_err_set(err, HC_ERANGE, "image",
                        "A placing bend of %g px; up to %g px can be followed.", bend->max_px,
                        MAX_BEND_PX);
    }
    p.across = (p.w + TILE_W - 1) / TILE_W;
    for (int b = 0; b < p.bands && st == HC_OK; b++) {
        st = hc_plane_create(&p.strip[b], p.w, strip, err);
    }
    if (st == HC_OK) {
        p.item = hc_mem_array((size_t)p.across * (size_t)(strip / TILE_H), sizeof *p.item);
        st = p.item ? HC_OK
                    : hc_err_set(err, HC_ENOMEM, "image", "Out of memory while placing a view.");
    }
    for (p.y0 = 0; p.y0 < p.h && st == HC_OK; p.y0 += strip) {
        p.rows = p.h - p.y0 < strip ? p.h - p.y0 : strip;
        st = hc_job_step(job, (double)p.y0 / p.h, "placing the view", err);
        st = st == HC_OK ? do_strip(&p, out, par, &inside, err) : st;
    }
    if (st == HC_OK) {
        st = hc_raster_finish(out, err);
    } else {
        hc_raster_abandon(out);
    }
    if (st == HC_OK && covered_share) {
        *covered_share = (double)inside / ((double)p.w * p.h);
    }
    for (int b = 0; b < p.bands; b++) {
        hc_plane_release(&p.strip[b]);
    }
    hc_mem_free(p.item);
    return st;
}

hc_status hc_raster_place(const struct hc_raster *src, const char *out_path,
                          const struct hc_homog *frame_to_view, const struct hc_raster_bend *bend,
                          int frame_w, int frame_h, double *covered_share, struct hc_par *par,
                          struct hc_job *job, struct hc_err *err)
{
    struct hc_raster_grid frame = {0, 0, frame_w, frame_h, 1};
    return hc_raster_place_grid(src, out_path, frame_to_view, bend, &frame, covered_share, par, job,
                                err);
}
