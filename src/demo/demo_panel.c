// The oak panel under the paint and what time did on top: grain, ground, abrasion, age cracks,
// losses, an old overpaint, the two coats and the retouching over the older one.
#include "demo_priv.h"

#include <math.h>

#define JOIN_X 187.0 // mm, where the two boards meet

// Relief of the planed oak, mm, grain upright: rings, vessels, ray flecks, the join of two boards.
double hc_demo_grain_mm(const struct hc_demo *d, double x, double y)
{
    uint64_t s = d->seed + 300 + (x > JOIN_X ? 50u : 0u);
    double bend = 2.2 * hc_demo_noise(s, x * 0.02, y * 0.006) +
                  0.25 * hc_demo_noise(s + 1, x * 0.3, y * 0.03);
    double ring = sin((x + bend) * 2.6 + 2.0 * hc_demo_noise(s + 2, x * 0.07, 0.0));
    double fibre = hc_demo_noise(s + 3, (x + bend) * 5.5, y * 0.10);
    double vessel = ramp(0.45, 0.85, hc_demo_noise(s + 4, (x + bend) * 3.4, y * 0.16 + x));
    double fleck = ramp(0.62, 0.80, hc_demo_noise(s + 5, x * 0.35 + 0.1 * y, y * 0.9)) *
                   ramp(0.0, 0.5, hc_demo_noise(s + 6, x * 0.03, y * 0.02));
    double join = exp(-pow((x - JOIN_X - 0.25 * hc_demo_noise(s + 7, 0.0, y * 0.05)) / 0.22, 2.0));
    return 0.007 * ring + 0.006 * fibre - 0.016 * vessel * ramp(-0.6, 0.6, ring) + 0.006 * fleck -
           0.045 * join;
}

void hc_demo_ground_rows(struct hc_demo *d, int y0, int y1)
{
    struct canvas *c = &d->canvas;
    // A warm imprimatura over chalk, streaked with the priming brush.
    const double dark[3] = {0.13, 0.085, 0.048}, light[3] = {0.25, 0.175, 0.105};
    struct mix a = hc_demo_recipe(&d->recipes, T_WALL, dark),
               b = hc_demo_recipe(&d->recipes, T_WALL, light);
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < c->w; x++) {
            size_t i = (size_t)y * (size_t)c->w + (size_t)x;
            double xm = (x + 0.5) * c->mm, ym = (y + 0.5) * c->mm;
            double t = clamp01(0.5 + 0.6 * hc_demo_noise(d->seed + 310, xm * 0.35, ym * 0.05) +
                               0.3 * hc_demo_noise(d->seed + 311, xm * 2.0, ym * 0.2));
            for (int k = 0; k < P_COUNT; k++) {
                c->mix[i * P_COUNT + (size_t)k] =
                    (uint8_t)(a.c[k] + t * ((double)b.c[k] - a.c[k]) + 0.5);
            }
            c->height[i] =
                (uint16_t)((0.075 + hc_demo_grain_mm(d, xm, ym)) / (double)HC_DEMO_HEIGHT_MM);
            c->lead[i] = 60;
            c->cover[i] = 0;
        }
    }
}

static void mix_towards(uint8_t *mix, const uint8_t *to, double a)
{
    for (int k = 0; k < P_COUNT; k++) {
        mix[k] = (uint8_t)(mix[k] + a * ((double)to[k] - mix[k]) + 0.5);
    }
}

static void dig(struct canvas *c, size_t i, double mm)
{
    double h = c->height[i] - mm / (double)HC_DEMO_HEIGHT_MM;
    c->height[i] = (uint16_t)(h > 0.0 ? h : 0.0);
}

// Age cracks: long ones along the grain, a finer net between, both coming and going. Returns the
// share of the pixel that is crack.
static double crack_share(const struct hc_demo *d, double x, double y)
{
    uint64_t s = d->seed + 330;
    double wx = x + 1.1 * hc_demo_noise(s, x * 0.22, y * 0.22) + 0.35 * hc_demo_noise(s + 1, x, y);
    double wy =
        y + 1.1 * hc_demo_noise(s + 2, x * 0.22, y * 0.22) + 0.35 * hc_demo_noise(s + 3, x, y);
    double where = 0.5 + 0.9 * hc_demo_fbm(s + 4, x * 0.016, y * 0.012, 3);
    double px = d->canvas.mm, share = 0.0;
    // Cells of 5 x 11 mm and 2.4 x 3.4 mm; border distances back in mm by the smaller side.
    double wide = hc_demo_cell_border(s + 5, wx / 5.0, wy / 11.0) * 5.0;
    double w = 0.055 * ramp(0.15, 0.8, where + 0.5 * hc_demo_noise(s + 6, x * 0.15, y * 0.1));
    if (w > 0.003) {
        share = clamp01((0.5 * w - wide) / px + 0.5) * fmin(1.0, w / px);
    }
    double net = hc_demo_cell_border(s + 7, wx / 2.4, wy / 3.4) * 2.4;
    w = 0.034 * ramp(0.50, 0.95, where + 0.6 * hc_demo_noise(s + 8, x * 0.2, y * 0.17));
    if (w > 0.003) {
        share = fmax(share, clamp01((0.5 * w - net) / px + 0.5) * fmin(1.0, w / px));
    }
    return share;
}

// Losses: chips along the edges and the join, 0 none .. 1 bare ground.
static double loss_share(const struct hc_demo *d, double x, double y)
{
    double edge = fmin(fmin(x, HC_DEMO_W_MM - x), fmin(y, HC_DEMO_H_MM - y));
    double some = ramp(0.0, 0.5, hc_demo_noise(d->seed + 351, x * 0.02, y * 0.02));
    double bias = (0.04 + 0.42 * some) * exp(-edge / 2.0) + 0.27 * exp(-fabs(x - JOIN_X) / 0.8);
    if (bias < 0.05) {
        return 0.0;
    }
    double n = hc_demo_fbm(d->seed + 350, x * 0.35, y * 0.22, 4);
    return ramp(0.30, 0.36, n + bias - 0.22);
}

// Later paint laid over the older resin: a strip over the join, two blotches, one broad overpaint.
static double cover_share(const struct hc_demo *d, double x, double y)
{
    static const double blot[4][4] = {{63.0, 214.0, 5.5, 4.0},
                                      {248.0, 92.0, 7.0, 5.0},
                                      {131.0, 52.0, 4.0, 6.5},
                                      {262.0, 205.0, 6.0, 4.0}};
    double n = hc_demo_fbm(d->seed + 360, x * 0.25, y * 0.25, 3), a = 0.0;
    for (int k = 0; k < 4; k++) {
        double r = hypot((x - blot[k][0]) / blot[k][2], (y - blot[k][1]) / blot[k][3]);
        a = fmax(a, ramp(1.15, 0.75, r + 0.55 * n));
    }
    double run = ramp(0.20, 0.50, hc_demo_noise(d->seed + 361, 0.0, y * 0.035));
    // Narrow touches side by side, not one band.
    double touch = hc_demo_noise(d->seed + 362, x * 0.9, y * 0.55) + 0.7 * n;
    a = fmax(a, run * ramp(1.10, 0.75, fabs(x - JOIN_X) / 1.25 + 0.55 * touch));
    double patch = hypot((x - 272.0) / 19.0, (y - 128.0) / 24.0);
    patch += 0.30 * hc_demo_noise(d->seed + 363, x * 0.06, y * 0.06);
    // Scrubbed on sideways: frayed at its ends.
    double fray = hc_demo_noise(d->seed + 364, x * 0.08, y * 0.45);
    return fmax(a, 0.97 * ramp(1.10, 0.78, patch + 0.24 * n + 0.06 * fray));
}

void hc_demo_age_rows(struct hc_demo *d, int y0, int y1)
{
    struct canvas *c = &d->canvas;
    static const uint8_t dirt[P_COUNT] = {[P_BLACK] = 110, [P_UMBER] = 140};
    static const uint8_t bare[P_COUNT] = {[P_WHITE] = 150, [P_OCHRE] = 48, [P_UMBER] = 57};
    static const uint8_t worn[P_COUNT] = {[P_WHITE] = 26, [P_OCHRE] = 120, [P_UMBER] = 100};
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < c->w; x++) {
            size_t i = (size_t)y * (size_t)c->w + (size_t)x;
            double xm = (x + 0.5) * c->mm, ym = (y + 0.5) * c->mm;
            uint8_t *mix = c->mix + i * P_COUNT;
            // Old cleaning rubbed thin paint off the tops of the grain.
            double thin = ramp(0.13, 0.085, (double)c->height[i] * (double)HC_DEMO_HEIGHT_MM);
            double zone = ramp(0.05, 0.45, hc_demo_fbm(d->seed + 340, xm * 0.018, ym * 0.012, 3));
            if (thin * zone > 0.01) {
                double top = ramp(0.003, 0.013, hc_demo_grain_mm(d, xm, ym));
                mix_towards(mix, worn, 0.42 * thin * zone * top);
            }
            double loss = loss_share(d, xm, ym);
            if (loss > 0.0) {
                mix_towards(mix, bare, loss);
                double left = 0.05 + hc_demo_grain_mm(d, xm, ym);
                dig(c, i,
                    loss * fmax((double)c->height[i] * (double)HC_DEMO_HEIGHT_MM - left, 0.0));
                c->lead[i] = (uint16_t)(c->lead[i] * (1.0 - 0.8 * loss));
            }
            double crack = crack_share(d, xm, ym);
            if (crack > 0.0) {
                mix_towards(mix, dirt, 0.80 * crack);
                dig(c, i, 0.05 * crack);
                c->lead[i] = (uint16_t)(c->lead[i] * (1.0 - 0.4 * crack));
            }
            c->cover[i] = (uint8_t)(255.0 * cover_share(d, xm, ym) + 0.5);
        }
    }
}

// Effective coat, relative: three scales, runs, brush lanes, pools in the hollows of the paint, and
// a strip under the frame that saw neither light nor dirt.
static double coat_share(const struct hc_demo *d, double x, double y, double hollow_mm)
{
    uint64_t s = d->seed + 380;
    double broad =
        hc_demo_noise(s, x * 0.011, y * 0.011) + 0.6 * hc_demo_noise(s + 1, x * 0.03, y * 0.03);
    double lane = hc_demo_noise(s + 2, x * 0.05 + 0.02 * y, y * 0.21 - 0.05 * x + 1.5 * broad);
    double fine = hc_demo_noise(s + 3, x * 0.5, y * 0.5);
    double run = 0.0;
    for (int k = 0; k < 7; k++) { // drips that ran down and stopped
        double at =
            12.0 + 276.0 * hc_rng_hash(s + 4, k, 0) + 1.2 * hc_demo_noise(s + 5, k, y * 0.04);
        double top = 330.0 * hc_rng_hash(s + 4, k, 1) - 40.0,
               end = top + 50.0 + 90.0 * hc_rng_hash(s + 4, k, 2);
        double tail = ramp(top, top + 30.0, y) * ramp(end + 1.5, end, y);
        double wide = 1.1 + 1.1 * ramp(end - 9.0, end - 1.0, y);
        run = fmax(run, tail * exp(-pow((x - at) / wide, 2.0)));
    }
    double edge = fmin(fmin(x, HC_DEMO_W_MM - x), fmin(y, HC_DEMO_H_MM - y));
    double rebate =
        0.45 + 0.55 * ramp(4.0, 6.5, edge + 0.5 * hc_demo_noise(s + 6, x * 0.08, y * 0.08));
    double log_d = 0.28 * broad + 0.10 * lane + 0.05 * fine + 0.30 * run +
                   4.5 * fmin(fmax(hollow_mm, -0.06), 0.06);
    return 1.32 * exp(log_d) * rebate;
}

void hc_demo_coat_rows(struct hc_demo *d, int y0, int y1)
{
    struct canvas *c = &d->canvas;
    double cell = d->smooth_cell;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < c->w; x++) {
            size_t i = (size_t)y * (size_t)c->w + (size_t)x;
            float level = hc_filter_bilinear(&d->smooth, (x + 0.5) / cell, (y + 0.5) / cell);
            double hollow = (double)level - (double)c->height[i] * (double)HC_DEMO_HEIGHT_MM;
            double v = coat_share(d, (x + 0.5) * c->mm, (y + 0.5) * c->mm, hollow);
            c->coat[i] = (uint16_t)(fmin(v, 6.0) / (double)HC_DEMO_COAT + 0.5);
        }
    }
}
