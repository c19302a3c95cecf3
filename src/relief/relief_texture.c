// Areal texture figures, their maps and their change between states (theory, section 5).
#include "relief/relief_priv.h"

#include "base/mem.h"
#include "base/rng.h"
#include "num/stats.h"

#include <math.h>
#include <stdio.h>

#define MIN_PX 64
#define ROUNDS 1000 // of the bootstrap
#define MIN_PATCHES 8

static bool is_in(const struct hc_plane *mask, int x, int y)
{
    return !mask || hc_plane_get(mask, x, y) > 0.5f;
}

struct box {
    int x0, y0, x1, y1;
};

struct sums {
    double n, z, z2, z3, z4, abs, low, high; // about `mean`
    double n_grad, grad2, area;              // pixels with all four neighbours
};

// Central differences need all four neighbours.
static bool gradient(double g[2], const struct hc_plane *z, const struct hc_plane *mask, int x,
                     int y, double mm)
{
    if (x < 1 || y < 1 || x + 1 >= z->w || y + 1 >= z->h || !is_in(mask, x - 1, y) ||
        !is_in(mask, x + 1, y) || !is_in(mask, x, y - 1) || !is_in(mask, x, y + 1)) {
        return false;
    }
    g[0] = ((double)hc_plane_get(z, x + 1, y) - (double)hc_plane_get(z, x - 1, y)) / (2 * mm);
    g[1] = ((double)hc_plane_get(z, x, y - 1) - (double)hc_plane_get(z, x, y + 1)) / (2 * mm);
    return true;
}

static struct sums sum_up(const struct hc_plane *z, const struct hc_plane *mask, struct box b,
                          double mm, double mean)
{
    struct sums s = {.low = 1e30, .high = -1e30};
    for (int y = b.y0; y < b.y1; y++) {
        for (int x = b.x0; x < b.x1; x++) {
            double v, g[2];
            if (!is_in(mask, x, y)) {
                continue;
            }
            v = (double)hc_plane_get(z, x, y) - mean;
            s.n++;
            s.z += v;
            s.abs += fabs(v);
            s.z2 += v * v;
            s.z3 += v * v * v;
            s.z4 += v * v * v * v;
            s.low = fmin(s.low, v);
            s.high = fmax(s.high, v);
            if (gradient(g, z, mask, x, y, mm)) {
                double g2 = g[0] * g[0] + g[1] * g[1];
                s.n_grad++;
                s.grad2 += g2;
                s.area += g2 / (sqrt(1 + g2) + 1); // sqrt(1 + g2) - 1
            }
        }
    }
    return s;
}

hc_status hc_relief_texture(struct hc_relief_texture *out, const struct hc_plane *z_mm,
                            const struct hc_plane *mask, double mm_per_px,
                            struct hc_relief_band band, struct hc_err *err)
{
    struct box all = {0, 0, z_mm->w, z_mm->h};
    *out = (struct hc_relief_texture){.band = band, .mm_per_px = mm_per_px};
    if (!(mm_per_px > 0) || (mask && (mask->w != z_mm->w || mask->h != z_mm->h))) {
        return hc_err_set(err, HC_EARG, "relief",
                          "texture needs a scale and a mask of the same size");
    }
    struct sums s = sum_up(z_mm, mask, all, mm_per_px, 0);
    if (s.n < MIN_PX || s.n_grad < MIN_PX) {
        return hc_err_set(err, HC_EREFUSED, "relief",
                          "only %.0f pixels count here; texture needs at least %d that touch", s.n,
                          MIN_PX);
    }
    s = sum_up(z_mm, mask, all, mm_per_px, s.z / s.n);
    double sq = sqrt(s.z2 / s.n);
    out->px = (size_t)s.n;
    out->sa_um = 1e3 * s.abs / s.n;
    out->sq_um = 1e3 * sq;
    out->sp_um = 1e3 * s.high;
    out->sv_um = -1e3 * s.low;
    out->sz_um = out->sp_um + out->sv_um;
    out->ssk = sq > 0 ? s.z3 / s.n / (sq * sq * sq) : 0;
    out->sku = sq > 0 ? s.z4 / s.n / (sq * sq * sq * sq) : 0;
    out->sdq = sqrt(s.grad2 / s.n_grad);
    out->sdr = s.area / s.n_grad;
    return HC_OK;
}

// ---- maps ----

struct map {
    const struct hc_plane *z, *mask;
    struct hc_plane *out;
    enum hc_relief_figure figure;
    double mm;
    int cell;
};

static float figure_of(const struct sums *s, enum hc_relief_figure f, double px)
{
    if (s->n < 0.25 * px || s->n_grad < 1) {
        return -1.0f;
    }
    switch (f) {
    case HC_RELIEF_SA:
        return (float)(1e3 * s->abs / s->n);
    case HC_RELIEF_SQ:
        return (float)(1e3 * sqrt(s->z2 / s->n));
    case HC_RELIEF_SDQ:
        return (float)sqrt(s->grad2 / s->n_grad);
    case HC_RELIEF_SDR:
        break;
    }
    return (float)(s->area / s->n_grad);
}

static void map_rows(void *ctx, int block, int j0, int j1)
{
    const struct map *m = ctx;
    (void)block;
    for (int j = j0; j < j1; j++) {
        for (int i = 0; i < m->out->w; i++) {
            struct box b = {i * m->cell, j * m->cell, (i + 1) * m->cell, (j + 1) * m->cell};
            b.x1 = b.x1 < m->z->w ? b.x1 : m->z->w;
            b.y1 = b.y1 < m->z->h ? b.y1 : m->z->h;
            struct sums s = sum_up(m->z, m->mask, b, m->mm, 0);
            hc_plane_row(m->out, j)[i] =
                figure_of(&s, m->figure, (double)(b.x1 - b.x0) * (b.y1 - b.y0));
        }
    }
}

hc_status hc_relief_texture_map(struct hc_plane *out, enum hc_relief_figure figure,
                                const struct hc_plane *z_mm, const struct hc_plane *mask,
                                double mm_per_px, int cell_px, struct hc_par *par,
                                struct hc_err *err)
{
    if (cell_px < 4 || !(mm_per_px > 0) || out->w != (z_mm->w + cell_px - 1) / cell_px ||
        out->h != (z_mm->h + cell_px - 1) / cell_px) {
        return hc_err_set(err, HC_EARG, "relief",
                          "a texture map needs cells of 4 px or more and a result of one pixel per "
                          "cell");
    }
    struct map m = {z_mm, mask, out, figure, mm_per_px, cell_px};
    hc_par_rows(par, out->h, map_rows, &m);
    return HC_OK;
}

hc_status hc_relief_texture_curve(double *detail_mm, double *sq_um, size_t max, size_t *count,
                                  const struct hc_plane *z_mm, const struct hc_plane *mask,
                                  double mm_per_px, struct hc_par *par, struct hc_err *err)
{
    struct hc_plane z = {0};
    double side = (z_mm->w < z_mm->h ? z_mm->w : z_mm->h) * mm_per_px;
    hc_status st = hc_plane_create(&z, z_mm->w, z_mm->h, err);
    *count = 0;
    for (double d = 4 * mm_per_px; st == HC_OK && d <= 0.25 * side && *count < max; d *= 2) {
        struct hc_relief_band b = {d * M_SQRT1_2, d * M_SQRT2};
        struct hc_relief_texture t;
        st = hc_relief_band_filter(&z, z_mm, mask, mm_per_px, b, par, err);
        st = st == HC_OK ? hc_relief_texture(&t, &z, mask, mm_per_px, b, err) : st;
        if (st == HC_OK) {
            detail_mm[*count] = d;
            sq_um[(*count)++] = t.sq_um;
        }
    }
    hc_plane_release(&z);
    return st;
}

// ---- two states ----

struct patch {
    double z2[2], n, grad2[2], n_grad;
};

static struct hc_relief_interval cut_tails(double value, double *v, size_t n)
{
    double low = hc_stats_quantile(v, n, 0.05), high = hc_stats_quantile(v, n, 0.95);
    return (struct hc_relief_interval){value, low, high};
}

static double ratio(const struct patch *p, const int *pick, int n, bool is_slope)
{
    double a = 0, b = 0;
    for (int i = 0; i < n; i++) {
        const struct patch *q = &p[pick ? pick[i] : i];
        b += is_slope ? q->grad2[0] : q->z2[0];
        a += is_slope ? q->grad2[1] : q->z2[1];
    }
    return b > 0 ? sqrt(a / b) : 0;
}

static hc_status bootstrap(struct hc_relief_change *out, const struct patch *p, int n,
                           uint64_t seed, struct hc_err *err)
{
    struct hc_rng r = hc_rng_make(seed);
    double *sq = hc_mem_array(2 * ROUNDS, sizeof *sq), *sdq = sq ? sq + ROUNDS : NULL;
    int *pick = hc_mem_array((size_t)n, sizeof *pick);
    hc_status st = HC_OK;
    if (!sq || !pick) {
        st = hc_err_set(err, HC_ENOMEM, "relief", "out of memory for the interval of a change");
        goto done;
    }
    for (int k = 0; k < ROUNDS; k++) {
        for (int i = 0; i < n; i++) {
            pick[i] = hc_rng_below(&r, n);
        }
        sq[k] = ratio(p, pick, n, false);
        sdq[k] = ratio(p, pick, n, true);
    }
    out->sq_ratio = cut_tails(ratio(p, NULL, n, false), sq, ROUNDS);
    out->sdq_ratio = cut_tails(ratio(p, NULL, n, true), sdq, ROUNDS);
done:
    hc_mem_free(pick);
    hc_mem_free(sq);
    return st;
}

hc_status hc_relief_compare(struct hc_relief_change *out, const struct hc_plane *before_mm,
                            const struct hc_plane *after_mm, const struct hc_plane *mask,
                            double mm_per_px, struct hc_relief_band band, uint64_t seed,
                            struct hc_err *err)
{
    int w = before_mm->w, h = before_mm->h;
    struct patch *p = NULL;
    *out = (struct hc_relief_change){0};
    if (after_mm->w != w || after_mm->h != h || !(band.long_mm > 0)) {
        return hc_err_set(
            err, HC_EARG, "relief",
            "two states are compared in one frame and on one band with an upper limit");
    }
    hc_status st = hc_relief_texture(&out->before, before_mm, mask, mm_per_px, band, err);
    st = st == HC_OK ? hc_relief_texture(&out->after, after_mm, mask, mm_per_px, band, err) : st;
    if (st != HC_OK) {
        return st;
    }
    int side = (int)ceil(2 * band.long_mm / mm_per_px), nx = w / side, ny = h / side;
    p = nx > 0 && ny > 0 ? hc_mem_array((size_t)nx * (size_t)ny, sizeof *p) : NULL;
    if (!p && nx > 0 && ny > 0) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for %d x %d patches", nx, ny);
    }
    for (int i = 0; i < nx * ny; i++) {
        struct box b = {i % nx * side, i / nx * side, (i % nx + 1) * side, (i / nx + 1) * side};
        struct sums s = sum_up(before_mm, mask, b, mm_per_px, 0);
        struct sums t = sum_up(after_mm, mask, b, mm_per_px, 0);
        if (s.n >= 0.5 * side * side) {
            p[out->patches++] = (struct patch){{s.z2, t.z2}, s.n, {s.grad2, t.grad2}, s.n_grad};
        }
    }
    if (out->patches < MIN_PATCHES) {
        st = hc_err_set(
            err, HC_EREFUSED, "relief",
            "only %d patches of %.3g mm lie in the area; %d are needed to say how sure a "
            "change is. Take a larger area or smaller details",
            out->patches, side * mm_per_px, MIN_PATCHES);
    } else {
        st = bootstrap(out, p, out->patches, seed, err);
    }
    if (st == HC_OK) {
        bool is_more = out->sdq_ratio.low > 1, is_less = out->sdq_ratio.high < 1;
        snprintf(out->what, sizeof out->what,
                 "Slope texture of details from %.3g to %.3g mm %s: %.2f times as before (90 %% "
                 "interval %.2f to %.2f, %d patches).",
                 band.short_mm, band.long_mm,
                 is_more   ? "rose"
                 : is_less ? "fell"
                           : "did not change surely",
                 out->sdq_ratio.value, out->sdq_ratio.low, out->sdq_ratio.high, out->patches);
    }
    hc_mem_free(p);
    return st;
}
