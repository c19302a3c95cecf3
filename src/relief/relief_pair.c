// A cleaned window beside varnish: relief retained, and what removing the coat gives (theory, 6.4,
// 9).
#include "relief/relief_priv.h"

#include "base/mem.h"
#include "base/rng.h"
#include "num/stats.h"

#include <math.h>
#include <stdio.h>

#define ROUNDS 1000
#define MIN_PATCHES 4
#define MIN_HALF 0.15 // of the interval, until validated on real paintings
#define MAX_PATCHES 4096

const char *hc_relief_refusal_text(enum hc_relief_refusal r)
{
    static const char *const text[HC_RELIEF_REFUSAL_COUNT] = {
        "an estimate is given",
        "all lamps rake: a nearly flat varnish shows no highlight to any of them, so its surface "
        "cannot be told from the paint's",
        "fewer than 8 lamps stand within 25 degrees of the camera's axis; highlights of the "
        "varnish "
        "are too few to place its surface",
        "no lamp rakes: paint and varnish cannot be told apart by lamps of one height",
        "highlights are seen on too little of the area (under 60 %)",
        "bare paint explains the views as well: no film is seen",
        "the area is too small for details of this size",
        "the paint's relief is lost in noise at this size of detail",
        "no usable pair of a cleaned window and its varnished neighbour",
        "the numbers contradict the model (retained relief far outside 0 to 1); perhaps the two "
        "areas "
        "differ in brushwork",
        "the highlights are narrower than the lamps near the axis can place; use more lamps there, "
        "or "
        "broader ones",
        "without crossed polarisers the varnish's highlights disturb slopes under lamps this high; "
        "use "
        "lamps at about 30 degrees elevation or lower, or polarisers"};
    return (unsigned)r < HC_RELIEF_REFUSAL_COUNT ? text[r] : "unknown reason";
}

double hc_relief_retained(double ratio, double dilute, struct hc_relief_reading reading)
{
    return (ratio - dilute * reading.paint) / reading.film;
}

// Share of white noise power that passes a band: integral of (G_s (1 - G_l))^2 for Gaussians of
// standard deviation 0.187391 lc.
double hc_relief_band_noise(struct hc_relief_band b, double mm)
{
    double s = 0.187391 * b.short_mm / mm, l = 0.187391 * b.long_mm / mm;
    double s2 = s * s, l2 = l * l, k = 1 / (4 * M_PI);
    double share = s2 > 0 ? fmin(1, k / s2) : 1;
    if (l2 > 0) {
        share += k / (s2 + l2) - 2 * k / (s2 + l2 / 2);
    }
    return fmax(0, share);
}

struct patch {
    double sum, n; // of p^2 + q^2
    int side;      // of the crop, 0..3, where it lies
};

// Band-limited slope power in square patches at least half inside the mask.
static hc_status cut(struct patch *out, int *count, const struct hc_relief_pair_input *in,
                     const struct hc_plane *mask, struct hc_par *par, struct hc_err *err)
{
    struct hc_plane f[2] = {{0}, {0}};
    int side = (int)ceil(2 * in->band.long_mm / in->mm_per_px), w = in->p->w, h = in->p->h;
    hc_status st = HC_OK;
    *count = 0;
    for (int j = 0; j < 2 && st == HC_OK; j++) {
        st = hc_plane_create(&f[j], w, h, err);
        st = st == HC_OK ? hc_relief_band_filter(&f[j], j ? in->q : in->p, mask, in->mm_per_px,
                                                 in->band, par, err)
                         : st;
    }
    for (int half = 0; half < 2 && st == HC_OK && *count < MIN_PATCHES;
         half++, side = (side + 1) / 2) {
        *count = 0; // small windows: patches of one longest detail instead of two
        for (int i = 0; i < (w / side) * (h / side) && *count < MAX_PATCHES; i++) {
            struct patch p = {0};
            for (int k = 0; k < side * side; k++) {
                int x = i % (w / side) * side + k % side, y = i / (w / side) * side + k / side;
                if (hc_plane_get(mask, x, y) > 0.5f) {
                    double a = (double)hc_plane_get(&f[0], x, y),
                           b = (double)hc_plane_get(&f[1], x, y);
                    p.sum += a * a + b * b;
                    p.n++;
                }
            }
            if (p.n >= 0.5 * side * side) {
                double dx = (i % (w / side) + 0.5) * side / w - 0.5,
                       dy = (i / (w / side) + 0.5) * side / h - 0.5;
                p.side = fabs(dx) > fabs(dy) ? (dx > 0 ? 0 : 2) : (dy > 0 ? 1 : 3);
                out[(*count)++] = p;
            }
        }
    }
    hc_plane_release(&f[0]);
    hc_plane_release(&f[1]);
    return st;
}

// Slope power per component of the picked patches, noise taken off.
static double power(const struct patch *p, int n, struct hc_rng *r, double noise)
{
    double sum = 0, px = 0;
    for (int i = 0; i < n; i++) {
        const struct patch *q = &p[r ? hc_rng_below(r, n) : i];
        sum += q->sum;
        px += q->n;
    }
    return px > 0 ? 0.5 * sum / px - noise : 0;
}

struct half {
    struct patch *patch;
    int n;
};

// How unlike the sides of the neighbour are: standard deviation of the logarithm of their slope
// texture. As much the window, too, may differ from what surrounds it.
static double unlike(const struct half *near, double noise)
{
    double at[4], mean = 0, var = 0;
    int sides = 0;
    for (int s = 0; s < 4; s++) {
        double sum = 0, px = 0;
        for (int i = 0; i < near->n; i++) {
            sum += near->patch[i].side == s ? near->patch[i].sum : 0;
            px += near->patch[i].side == s ? near->patch[i].n : 0;
        }
        if (px > 0) {
            at[sides] = 0.5 * log(fmax(1e-12, 0.5 * sum / px - noise));
            mean += at[sides++];
        }
    }
    mean /= sides > 0 ? sides : 1;
    for (int i = 0; i < sides; i++) {
        var += (at[i] - mean) * (at[i] - mean) / (sides > 1 ? sides - 1 : 1);
    }
    return sqrt(var);
}

static hc_status spread(struct hc_relief_pair *out, const struct hc_relief_pair_input *in,
                        const struct half *win, const struct half *near, double noise, double d,
                        double d_sd, struct hc_err *err)
{
    struct hc_rng r = hc_rng_make(in->seed);
    double areas = unlike(near, noise);
    double *ratio = hc_mem_array(2 * ROUNDS, sizeof *ratio), *kept = ratio ? ratio + ROUNDS : NULL;
    if (!ratio) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for the interval of a window");
    }
    for (int k = 0; k < ROUNDS; k++) {
        double a = fmax(1e-12, power(win->patch, win->n, &r, noise));
        double b = fmax(0, power(near->patch, near->n, &r, noise));
        double dd = fmin(1, fmax(0.1, d + d_sd * hc_rng_normal(&r)));
        ratio[k] = sqrt(b / a) * exp(areas * hc_rng_normal(&r));
        kept[k] = hc_relief_retained(ratio[k], dd, in->reading);
    }
    struct hc_relief_interval *q = &out->ratio, *t = &out->retained;
    q->low = hc_stats_quantile(ratio, ROUNDS, 0.05);
    q->high = hc_stats_quantile(ratio, ROUNDS, 0.95);
    t->low = fmin(t->value - MIN_HALF, hc_stats_quantile(kept, ROUNDS, 0.05));
    t->high = fmax(t->value + MIN_HALF, hc_stats_quantile(kept, ROUNDS, 0.95));
    hc_mem_free(ratio);
    return HC_OK;
}

static void refuse(struct hc_relief_pair *out, enum hc_relief_refusal r)
{
    out->refusal = r;
    out->ratio = out->retained = (struct hc_relief_interval){0};
    snprintf(out->why, sizeof out->why, "Not given: %s.", hc_relief_refusal_text(r));
}

static hc_status judge(struct hc_relief_pair *out, const struct hc_relief_pair_input *in,
                       const struct half *win, const struct half *near, struct hc_err *err)
{
    double d = in->dilute > 0 ? in->dilute : 0.8;
    double d_sd = (in->dilute > 0 ? in->dilute_high - in->dilute_low : 0.3) / (2 * 1.6449);
    double noise = in->noise_sd * in->noise_sd * hc_relief_band_noise(in->band, in->mm_per_px);
    double a = power(win->patch, win->n, NULL, noise), b = power(near->patch, near->n, NULL, noise);
    out->window_patches = win->n;
    out->neighbour_patches = near->n;
    // .53 at zenith 60, 1 at 45, where unpolarised pairs read 1.05 for .67 (bench_relief pair).
    if (!in->is_crossed && in->reading.paint > 0.75 * in->reading.film) {
        refuse(out, HC_RELIEF_HIGHLIGHTS);
        return HC_OK;
    }
    if (win->n < MIN_PATCHES || near->n < MIN_PATCHES) {
        refuse(out, HC_RELIEF_SMALL);
        return HC_OK;
    }
    if (!(a > fmax(noise, 2.5e-5))) { // slopes of 0.005 rms: a third of a degree
        refuse(out, HC_RELIEF_NO_TEXTURE);
        return HC_OK;
    }
    out->ratio.value = sqrt(fmax(0, b) / a);
    out->retained.value = hc_relief_retained(out->ratio.value, d, in->reading);
    hc_status st = spread(out, in, win, near, noise, d, fmax(0, d_sd), err);
    if (st != HC_OK) {
        return st;
    }
    // A coat can neither roughen the paint nor turn its relief over. Beyond a tenth (what pairs of
    // a conformal coat scatter by, theory 6.4) the brushwork of the two areas differs.
    if (out->retained.value < -0.1 || out->retained.value > 1.1) {
        refuse(out, HC_RELIEF_OUTSIDE);
        return HC_OK;
    }
    if (out->retained.low <= 0 && out->retained.high >= 1) {
        refuse(out, HC_RELIEF_OUTSIDE);
        snprintf(out->why, sizeof out->why,
                 "Not given: the varnish on the sides of this window differs so much in texture "
                 "that the comparison says nothing; choose a window in even brushwork.");
        return HC_OK;
    }
    snprintf(out->why, sizeof out->why,
             "In details of %.3g to %.3g mm the varnish surface keeps about %.2f of the paint's "
             "relief (%.2f to %.2f); slopes read %.2f of those in the window. Holds if both areas "
             "have the same brushwork and the window is matte and dry; not yet validated on real "
             "paintings.",
             in->band.short_mm, in->band.long_mm, out->retained.value, out->retained.low,
             out->retained.high, out->ratio.value);
    return HC_OK;
}

hc_status hc_relief_window_pair(struct hc_relief_pair *out, const struct hc_relief_pair_input *in,
                                struct hc_par *par, struct hc_err *err)
{
    struct half win = {0}, near = {0};
    *out = (struct hc_relief_pair){0};
    if (!in->window || !in->neighbour || !(in->band.long_mm > 0) || !(in->reading.film > 0.05) ||
        in->noise_sd < 0 || in->dilute < 0 || in->dilute > 1) {
        return hc_err_set(
            err, HC_EARG, "relief",
            "a window pair needs two masks, a band with an upper limit, the reading of "
            "the lamps and a dilution of 0 to 1");
    }
    win.patch = hc_mem_array(2 * MAX_PATCHES, sizeof *win.patch);
    if (!win.patch) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for a window pair");
    }
    near.patch = win.patch + MAX_PATCHES;
    hc_status st = cut(win.patch, &win.n, in, in->window, par, err);
    st = st == HC_OK ? cut(near.patch, &near.n, in, in->neighbour, par, err) : st;
    st = st == HC_OK ? judge(out, in, &win, &near, err) : st;
    hc_mem_free(win.patch);
    return st;
}

// ---- forecast ----

// 95 % quantile of Student's t (tables, from memory; above 10 by 1.645 + 1.6 / df).
static double student(int df)
{
    static const double t[11] = {0,     6.314, 2.920, 2.353, 2.132, 2.015,
                                 1.943, 1.895, 1.860, 1.833, 1.812};
    return df <= 10 ? t[df < 1 ? 1 : df] : 1.645 + 1.6 / df;
}

static void tell(struct hc_relief_forecast *out, struct hc_relief_band b, const char *from)
{
    const struct hc_relief_interval *g = &out->gain;
    const char *say = g->low > 1    ? "is predicted to rise"
                      : g->high < 1 ? "is predicted to fall"
                                    : "may rise or fall";
    snprintf(
        out->what, sizeof out->what,
        "After removing this coat, slope texture of details from %.3g to %.3g mm %s: %.2f times "
        "as now (90 %% interval %.2f to %.2f), from %s.",
        b.short_mm, b.long_mm, say, g->value, g->low, g->high, from);
}

void hc_relief_forecast_pairs(struct hc_relief_forecast *out, const struct hc_relief_pair *pairs,
                              size_t n, struct hc_relief_band band)
{
    double mean = 0, var = 0, within = 0;
    int used = 0;
    *out = (struct hc_relief_forecast){0};
    for (size_t i = 0; i < n; i++) {
        if (pairs[i].refusal == HC_RELIEF_GIVEN && pairs[i].ratio.low > 0) {
            double half = log(pairs[i].ratio.high / pairs[i].ratio.low) / (2 * 1.6449);
            mean -= log(pairs[i].ratio.value);
            within += half * half;
            used++;
        }
    }
    out->pairs = used;
    if (used == 0) {
        out->refusal = HC_RELIEF_FEW_WINDOWS;
        snprintf(out->what, sizeof out->what, "Not given: %s.",
                 hc_relief_refusal_text(HC_RELIEF_FEW_WINDOWS));
        return;
    }
    mean /= used;
    within /= used;
    for (size_t i = 0; i < n; i++) {
        if (pairs[i].refusal == HC_RELIEF_GIVEN && pairs[i].ratio.low > 0) {
            double d = -log(pairs[i].ratio.value) - mean;
            var += used > 1 ? d * d / (used - 1) : 0;
        }
    }
    // One pair says nothing of how pairs differ: twice its own interval, at least a factor 1.5
    // (invented).
    double half = used > 1 ? student(used - 1) * sqrt(fmax(var, within) * (1 + 1.0 / used))
                           : fmax(log(1.5), 2 * 1.6449 * sqrt(within));
    out->gain = (struct hc_relief_interval){exp(mean), exp(mean - half), exp(mean + half)};
    char from[80];
    snprintf(from, sizeof from, "%d pair%s of window and varnished neighbour", used,
             used == 1 ? "" : "s");
    tell(out, band, from);
}

void hc_relief_forecast_film(struct hc_relief_forecast *out, const struct hc_relief_film *film,
                             double dilute, struct hc_relief_band band)
{
    double d = dilute > 0 ? dilute : 0.8, g[3];
    const double r[3] = {film->retained.value, film->retained.high, film->retained.low};
    *out = (struct hc_relief_forecast){.refusal = film->refusal};
    if (film->refusal != HC_RELIEF_GIVEN) {
        snprintf(out->what, sizeof out->what, "Not given: %s.",
                 hc_relief_refusal_text(film->refusal));
        return;
    }
    for (int i = 0; i < 3; i++) {
        g[i] = 1 / fmax(0.02, d * film->reading.paint + film->reading.film * fmax(0, r[i]));
    }
    out->gain = (struct hc_relief_interval){g[0], g[1], g[2]};
    tell(out, band, "the two surfaces seen by this set (not yet validated on real paintings)");
}
