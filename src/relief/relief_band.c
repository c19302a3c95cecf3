// Areal Gaussian filters, renormalised at borders and masks (theory, section 5).
#include "relief/relief_priv.h"

#include "base/mem.h"

#include <math.h>
#include <string.h>

// s(x, y) = exp(-pi r^2 / (alpha lc)^2) / (alpha lc)^2, alpha = sqrt(ln 2 / pi) (ISO 16610-61: the
// definition from memory; 50 % at lc with alpha 0.4697 from a gauge maker's manual). Cut at lc,
// where 1e-7 of it is left.
#define ALPHA 0.4697186393498257

struct pass {
    const float *kernel; // kernel[-r..r]
    int r;
    const struct hc_plane *from, *mask;
    struct hc_plane *to, *share; // share: the same of the mask
    bool is_column;
    bool is_left; // keep what the filter takes away
};

static float weight(const struct hc_plane *mask, int x, int y)
{
    return !mask || hc_plane_get(mask, x, y) > 0.5f ? 1.0f : 0.0f;
}

static void fold_row(float *out, const float *in, const struct pass *p, int w)
{
    for (int i = -p->r; i <= p->r; i++) {
        int a = i < 0 ? -i : 0, b = i > 0 ? w - i : w;
        const float k = p->kernel[i], *restrict from = in + i;
        float *restrict to = out;
        for (int x = a; x < b; x++) {
            to[x] += k * from[x];
        }
    }
}

// Along rows: to = kernel * (z m), share = kernel * m. `from` holds z m already.
static void along(void *ctx, int block, int y0, int y1)
{
    const struct pass *p = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        float *to = hc_plane_row(p->to, y);
        memset(to, 0, (size_t)p->to->w * sizeof *to);
        fold_row(to, hc_plane_row(p->from, y), p, p->to->w);
    }
}

static void across(void *ctx, int block, int y0, int y1)
{
    const struct pass *p = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        float *restrict to = hc_plane_row(p->to, y);
        memset(to, 0, (size_t)p->to->w * sizeof *to);
        for (int i = -p->r; i <= p->r; i++) {
            if (y + i < 0 || y + i >= p->from->h) {
                continue;
            }
            const float k = p->kernel[i], *restrict from = hc_plane_row(p->from, y + i);
            for (int x = 0; x < p->to->w; x++) {
                to[x] += k * from[x];
            }
        }
    }
}

// to = from m
static void load_rows(void *ctx, int block, int y0, int y1)
{
    const struct pass *p = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < p->to->w; x++) {
            float m = weight(p->mask, x, y);
            hc_plane_row(p->to, y)[x] = m > 0.0f ? hc_plane_get(p->from, x, y) : 0.0f;
            if (p->share) {
                hc_plane_row(p->share, y)[x] = m;
            }
        }
    }
}

// from: smoothed z m; share: smoothed m; to: z m, replaced by the filtered surface.
static void settle_rows(void *ctx, int block, int y0, int y1)
{
    const struct pass *p = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < p->to->w; x++) {
            float *z = hc_plane_row(p->to, y) + x, share = hc_plane_get(p->share, x, y);
            float low = share > 0.0f ? hc_plane_get(p->from, x, y) / share : 0.0f;
            float v = p->is_left ? *z - low : low;
            *z = weight(p->mask, x, y) > 0.0f ? v : 0.0f;
        }
    }
}

struct bench { // work planes
    struct hc_plane a, b, share;
    float *kernel;
    int r;
};

static void smooth(struct bench *w, struct hc_plane *z, struct hc_par *par)
{
    struct pass p = {.kernel = w->kernel + w->r, .r = w->r, .from = z, .to = &w->b};
    hc_par_rows(par, z->h, along, &p);
    p.from = &w->b;
    p.to = &w->a;
    hc_par_rows(par, z->h, across, &p);
}

// One filter on z (already z m).
static hc_status filter(struct bench *w, struct hc_plane *z, const struct hc_plane *mask,
                        double cut_px, bool is_left, struct hc_par *par, struct hc_err *err)
{
    double sum = 0;
    w->r = (int)ceil(cut_px);
    w->kernel = hc_mem_array(2 * (size_t)w->r + 1, sizeof *w->kernel);
    if (!w->kernel) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for a filter of %.0f px",
                          cut_px);
    }
    for (int i = -w->r; i <= w->r; i++) {
        sum += exp(-M_PI * i * i / (ALPHA * ALPHA * cut_px * cut_px));
    }
    for (int i = -w->r; i <= w->r; i++) {
        w->kernel[i + w->r] = (float)(exp(-M_PI * i * i / (ALPHA * ALPHA * cut_px * cut_px)) / sum);
    }
    struct pass p = {.from = z, .mask = mask, .to = &w->b, .share = &w->share};
    hc_par_rows(par, z->h, load_rows, &p); // share = m
    smooth(w, &w->share, par);
    hc_plane_copy(&w->share, &w->a);
    smooth(w, z, par);
    p = (struct pass){.from = &w->a, .share = &w->share, .mask = mask, .to = z, .is_left = is_left};
    hc_par_rows(par, z->h, settle_rows, &p);
    hc_mem_free(w->kernel);
    w->kernel = NULL;
    return HC_OK;
}

static hc_status check(const struct hc_plane *out, const struct hc_plane *z,
                       const struct hc_plane *mask, double mm, struct hc_relief_band b,
                       struct hc_err *err)
{
    int side = z->w < z->h ? z->w : z->h;
    if (!(mm > 0) || out->w != z->w || out->h != z->h ||
        (mask && (mask->w != z->w || mask->h != z->h))) {
        return hc_err_set(
            err, HC_EARG, "relief",
            "filtering needs a scale over 0 and surface, mask and result of one size");
    }
    if (!(b.short_mm >= 0) || !(b.long_mm >= 0) || (b.short_mm > 0 && b.short_mm < 2 * mm) ||
        (b.long_mm > 0 && (b.long_mm < 2 * mm || b.long_mm > side * mm)) ||
        (b.long_mm > 0 && b.short_mm >= b.long_mm) || b.short_mm > side * mm) {
        return hc_err_set(err, HC_ERANGE, "relief",
                          "details from %g to %g mm: limits go from two pixels (%.3g mm) to the "
                          "shorter side (%.3g mm), the first below the second",
                          b.short_mm, b.long_mm, 2 * mm, side * mm);
    }
    return HC_OK;
}

hc_status hc_relief_band_filter(struct hc_plane *out, const struct hc_plane *z,
                                const struct hc_plane *mask, double mm_per_px,
                                struct hc_relief_band band, struct hc_par *par, struct hc_err *err)
{
    struct bench w = {0};
    struct hc_plane from = *z;
    hc_status st = check(out, z, mask, mm_per_px, band, err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_plane_create(&w.a, z->w, z->h, err);
    st = st == HC_OK ? hc_plane_create(&w.b, z->w, z->h, err) : st;
    st = st == HC_OK ? hc_plane_create(&w.share, z->w, z->h, err) : st;
    if (st == HC_OK) {
        struct pass p = {.from = &from, .mask = mask, .to = out};
        hc_par_rows(par, z->h, load_rows, &p);
    }
    if (st == HC_OK && band.short_mm > 0) {
        st = filter(&w, out, mask, band.short_mm / mm_per_px, false, par, err);
    }
    if (st == HC_OK && band.long_mm > 0) {
        st = filter(&w, out, mask, band.long_mm / mm_per_px, true, par, err);
    }
    hc_plane_release(&w.a);
    hc_plane_release(&w.b);
    hc_plane_release(&w.share);
    return st;
}
