// Measuring the patches of a target whose corners are known.
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"
#include "num/linear.h"
#include "num/stats.h"

#define MIDDLE 0.25       // half-width of the measured middle, in patch distances
#define SAMPLES_MAX 40000 // pixels per patch; more are thinned out evenly
#define TRIM 0.1
#define TILT_MAX 3.0 // L*
#define CLIPPED_MAX 0.02

hc_status hc_place_fit(struct hc_homog *out, const struct hc_pt *from, const struct hc_pt *to,
                       size_t n, struct hc_err *err)
{
    // Coordinates are shifted and scaled to about 1 so that the squared equations keep their digits
    // (Hartley, IEEE Trans. PAMI 19(6), 1997).
    struct hc_homog nf = hc_homog_identity(), nt = nf, back;
    double a[64] = {0.0}, b[8] = {0.0};
    for (int side = 0; side < 2; side++) {
        const struct hc_pt *p = side ? to : from;
        struct hc_homog *h = side ? &nt : &nf;
        double mx = 0.0, my = 0.0, r = 0.0;
        for (size_t i = 0; i < n; i++) {
            mx += p[i].x / (double)n;
            my += p[i].y / (double)n;
        }
        for (size_t i = 0; i < n; i++) {
            r += hypot(p[i].x - mx, p[i].y - my) / (double)n;
        }
        r = r > 0.0 ? 1.0 / r : 1.0;
        *h = (struct hc_homog){{r, 0.0, -r * mx, 0.0, r, -r * my, 0.0, 0.0, 1.0}};
    }
    for (size_t i = 0; i < n; i++) {
        struct hc_pt f = hc_homog_apply(&nf, from[i]), t = hc_homog_apply(&nt, to[i]);
        double row[2][8] = {{f.x, f.y, 1.0, 0.0, 0.0, 0.0, -f.x * t.x, -f.y * t.x},
                            {0.0, 0.0, 0.0, f.x, f.y, 1.0, -f.x * t.y, -f.y * t.y}};
        for (int e = 0; e < 2; e++) {
            for (int j = 0; j < 8; j++) {
                b[j] += row[e][j] * (e ? t.y : t.x);
                for (int k = 0; k < 8; k++) {
                    a[8 * j + k] += row[e][j] * row[e][k];
                }
            }
        }
    }
    hc_status st = hc_linear_solve_spd(a, 8, b, 1, err);
    if (st == HC_OK) {
        st = hc_homog_invert(&back, &nt, err);
    }
    if (st == HC_OK) {
        struct hc_homog h = {{b[0], b[1], b[2], b[3], b[4], b[5], b[6], b[7], 1.0}};
        h = hc_homog_compose(&h, &nf);
        *out = hc_homog_compose(&back, &h);
    }
    return st;
}

hc_status hc_place_homog(struct hc_homog *out, const struct hc_pt corner[4], int rows, int cols,
                         struct hc_err *err)
{
    double w = (double)cols, h = (double)rows;
    struct hc_pt from[4] = {{0.5, 0.5}, {w - 0.5, 0.5}, {w - 0.5, h - 0.5}, {0.5, h - 0.5}};
    for (int i = 0; i < 4; i++) {
        struct hc_pt a = corner[i], b = corner[(i + 1) % 4], c = corner[(i + 2) % 4];
        double turn = (b.x - a.x) * (c.y - b.y) - (b.y - a.y) * (c.x - b.x);
        if (!(turn > 1.0)) {
            return hc_err_set(err, HC_EARG, HC_CALIBRATE_ROOM,
                              "the four corners do not form a convex shape clockwise; give the "
                              "middles of the first patch, the last of the first row, the last "
                              "patch, and the first of the last row");
        }
    }
    return hc_place_fit(out, from, corner, 4, err);
}

struct pool {     // the pixels of one patch
    float *v[4];  // channels and L*
    float *order; // scratch
    int n;
    double quarter[4]; // sums of luminance
    int quarter_n[4];
    int clipped;
};

double hc_lightness(double y)
{
    return y > 216.0 / 24389.0 ? 116.0 * cbrt(y) - 16.0 : y * 24389.0 / 27.0;
}

static void pool_pixel(struct pool *p, const struct hc_lin3 *lin, int x, int y, double dx,
                       double dy, double ceiling)
{
    double v[3], luminance;
    bool is_clipped = false;
    int q = (dx > 0.0 ? 1 : 0) + (dy > 0.0 ? 2 : 0);
    for (int k = 0; k < 3; k++) {
        float f = hc_plane_get(&lin->ch[k], x, y);
        v[k] = isfinite(f) ? (double)f : 0.0;
        p->v[k][p->n] = (float)v[k];
        is_clipped |= v[k] >= ceiling;
    }
    luminance = 0.28804 * v[0] + 0.71188 * v[1] + 0.00009 * v[2]; // Y of linear ROMM
    p->v[3][p->n] = (float)hc_lightness(luminance);
    p->quarter[q] += luminance;
    p->quarter_n[q]++;
    p->clipped += is_clipped;
    p->n++;
}

static void finish_patch(struct hc_patch *out, struct pool *p)
{
    double low = HUGE_VAL, high = -HUGE_VAL;
    size_t n = (size_t)p->n;
    for (int k = 0; k < 4; k++) {
        double sum = 0.0;
        size_t kept = 0;
        memcpy(p->order, p->v[k], n * sizeof *p->order);
        float lo = hc_stats_quantile_f(p->order, n, TRIM);
        float hi = hc_stats_quantile_f(p->order, n, 1.0 - TRIM);
        double sd = 0.5 * (double)(hc_stats_quantile_f(p->order, n, 0.8413) -
                                   hc_stats_quantile_f(p->order, n, 0.1587));
        for (size_t i = 0; i < n; i++) {
            if (p->v[k][i] >= lo && p->v[k][i] <= hi) {
                sum += (double)p->v[k][i];
                kept++;
            }
        }
        if (k < 3) {
            out->lin[k] = kept ? sum / (double)kept : 0.0;
            out->noise[k] = sd;
        } else {
            out->noise_l = sd;
        }
    }
    for (int q = 0; q < 4; q++) {
        double l = p->quarter_n[q] ? hc_lightness(p->quarter[q] / (double)p->quarter_n[q]) : 0.0;
        low = fmin(low, l);
        high = fmax(high, l);
    }
    out->pixels = p->n;
    out->tilt = high - low;
    out->clipped = (double)p->clipped / (double)p->n;
    out->faults =
        (out->clipped > CLIPPED_MAX ? HC_PATCH_CLIPPED : 0U) |
        (out->tilt > TILT_MAX ? HC_PATCH_UNEVEN : 0U) |
        (!(out->lin[0] > 0.0 && out->lin[1] > 0.0 && out->lin[2] > 0.0) ? HC_PATCH_DARK : 0U);
}

// The pixels whose centres lie in the middle of cell (i, j).
static hc_status gather(struct pool *p, const struct hc_lin3 *lin, const struct hc_homog *to_px,
                        const struct hc_homog *to_grid, int i, int j, double ceiling,
                        struct hc_err *err)
{
    double cx = (double)i + 0.5, cy = (double)j + 0.5;
    double x0 = HUGE_VAL, y0 = HUGE_VAL, x1 = -HUGE_VAL, y1 = -HUGE_VAL;
    for (int k = 0; k < 4; k++) {
        struct hc_pt g = {cx + (k & 1 ? MIDDLE : -MIDDLE), cy + (k & 2 ? MIDDLE : -MIDDLE)};
        struct hc_pt q = hc_homog_apply(to_px, g);
        x0 = fmin(x0, q.x);
        x1 = fmax(x1, q.x);
        y0 = fmin(y0, q.y);
        y1 = fmax(y1, q.y);
    }
    if (!(x0 >= 0.0 && y0 >= 0.0 && x1 <= (double)lin->ch[0].w && y1 <= (double)lin->ch[0].h)) {
        return hc_err_set(err, HC_EARG, HC_CALIBRATE_ROOM,
                          "patch %d of row %d lies outside the view; check the four corners", i + 1,
                          j + 1);
    }
    double area = (x1 - x0) * (y1 - y0);
    int step = area > SAMPLES_MAX ? (int)ceil(sqrt(area / SAMPLES_MAX)) : 1;
    memset(p->quarter, 0, sizeof p->quarter);
    memset(p->quarter_n, 0, sizeof p->quarter_n);
    p->n = p->clipped = 0;
    for (int y = (int)y0; y < lin->ch[0].h && (double)y < y1; y += step) {
        for (int x = (int)x0; x < lin->ch[0].w && (double)x < x1; x += step) {
            struct hc_pt g =
                hc_homog_apply(to_grid, (struct hc_pt){(double)x + 0.5, (double)y + 0.5});
            if (fabs(g.x - cx) <= MIDDLE && fabs(g.y - cy) <= MIDDLE && p->n < SAMPLES_MAX) {
                pool_pixel(p, lin, x, y, g.x - cx, g.y - cy, ceiling);
            }
        }
    }
    if (p->n < 16) {
        return hc_err_set(
            err, HC_ERANGE, HC_CALIBRATE_ROOM,
            "the middle of a patch covers only %d pixels; 16 are needed: use a larger "
            "picture of the target",
            p->n);
    }
    return HC_OK;
}

hc_status hc_target_measure(struct hc_patch *patch, const struct hc_lin3 *lin,
                            const struct hc_target *target, const struct hc_pt corner[4],
                            double ceiling, struct hc_err *err)
{
    struct hc_homog to_px, to_grid;
    struct pool p = {0};
    float *block = NULL;
    hc_status st = hc_place_homog(&to_px, corner, target->rows, target->cols, err);
    if (st == HC_OK) {
        st = hc_homog_invert(&to_grid, &to_px, err);
    }
    if (st != HC_OK) {
        return st;
    }
    block = hc_mem_array(5 * (size_t)SAMPLES_MAX, sizeof *block);
    if (!block) {
        return hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory to measure patches");
    }
    for (int k = 0; k < 4; k++) {
        p.v[k] = block + (size_t)k * SAMPLES_MAX;
    }
    p.order = block + (size_t)4 * SAMPLES_MAX;
    for (int i = 0; st == HC_OK && i < target->n; i++) {
        patch[i] = (struct hc_patch){0};
        st = gather(&p, lin, &to_px, &to_grid, i % target->cols, i / target->cols,
                    ceiling > 0.0 ? ceiling : 0.999, err);
        if (st == HC_OK) {
            finish_patch(&patch[i], &p);
        }
    }
    hc_mem_free(block);
    return st;
}
