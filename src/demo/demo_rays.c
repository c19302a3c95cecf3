// Other radiations: fluorescence under UV, infrared, X-rays. Amounts invented, laws simple.
#include "demo_priv.h"

#include <math.h>

// ---- UV-induced visible fluorescence
// --------------------------------------------------------------- Aged resin glows greenish yellow,
// saturating with thickness, backed by the paint, its own blue taken back by its yellow; retouching
// over it is dark; the synthetic coat gives a faint blue.
void hc_demo_uv_row(const struct hc_demo *d, int y, float *const rgb[3])
{
    static const float glow[3] = {0.225f, 0.325f, 0.165f}, top[3] = {0.006f, 0.009f, 0.018f};
    static const int band[3] = {21, 14, 6}; // 610, 540, 460 nm
    const struct canvas *c = &d->canvas;
    for (int x = 0; x < c->w; x++) {
        size_t i = (size_t)y * (size_t)c->w + (size_t)x;
        float rho[HC_DEMO_BANDS], cover = (float)c->cover[i] / 255.0f, sum = 1e-6f;
        struct film film = hc_demo_film(d, x, y);
        const uint8_t *mix = c->mix + i * P_COUNT;
        size_t node = (size_t)((double)film.d / HC_DEMO_COAT_STEP);
        node = node < HC_DEMO_COAT_NODES ? node : HC_DEMO_COAT_NODES - 1;
        float amount = 1.0f - expf(-0.95f * film.d), uv_left = expf(-1.5f * film.d);
        double u = (double)x / c->w - 0.46, v = (double)y / c->h - 0.42;
        float lamp = (float)(1.08 - 0.42 * (u * u + v * v));
        hc_demo_paint_rho(rho, &d->paints, mix);
        for (int k = 0; k < P_COUNT; k++) {
            sum += (float)mix[k];
        }
        for (int j = 0; j < 3; j++) {
            float own = 0.0f, back = rho[band[j]];
            for (int k = 0; k < P_COUNT; k++) {
                own += (float)mix[k] * hc_demo_paint_other[k].uv[j];
            }
            float through = sqrtf(d->coats->through_io[node][band[j]]);
            float f = glow[j] * amount * (0.40f + 1.0f * back) * (0.35f + 0.65f * through);
            f += own / sum * uv_left * through;
            f = f * (1.0f - 0.95f * cover) + 0.006f * cover * (1.0f + (float)j);
            f = (f + top[j]) * lamp + 0.004f;
            f += sqrtf(2e-6f + 3e-5f * f) * (float)hc_demo_gauss(d->seed + 800 + (uint64_t)j, x, y);
            rgb[j][x] = hc_demo_encode(f);
        }
    }
}

// ---- infrared ----
static int thing_at(const struct model *m, double x_mm, double y_mm)
{
    int x = (int)floor(x_mm / m->mm_per_px), y = (int)floor(y_mm / m->mm_per_px);
    x = x < 0 ? 0 : x >= m->w ? m->w - 1 : x;
    y = y < 0 ? 0 : y >= m->h ? m->h - 1 : y;
    return m->thing[(size_t)y * (size_t)m->w + (size_t)x];
}

// The drawing on the ground, 0..1: outlines a little off what was painted, hatching in the shadows,
// and two ideas given up: the hidden quince and a lower, rounder handle.
static double drawn(const struct hc_demo *d, double x, double y)
{
    const struct model *m = &d->model;
    double wx = x + 0.9 * hc_demo_noise(d->seed + 810, x * 0.05, y * 0.05) +
                0.25 * hc_demo_noise(d->seed + 811, x * 0.4, y * 0.4);
    double wy = y + 0.9 * hc_demo_noise(d->seed + 812, x * 0.05, y * 0.05);
    double line = 0.0, press = 0.65 + 0.5 * hc_demo_noise(d->seed + 813, x * 0.12, y * 0.12);
    int here = thing_at(m, wx, wy);
    for (int t = T_CURTAIN; t < T_COUNT; t++) {
        line = fmax(line, 0.8 * ramp(0.32, 0.10, fabs(hc_demo_inside(m, t, wx, wy) - 0.5)));
    }
    size_t at = (size_t)(fmin(fmax(wy, 0.0), HC_DEMO_H_MM - 0.01) / m->mm_per_px) * (size_t)m->w +
                (size_t)(fmin(fmax(wx, 0.0), HC_DEMO_W_MM - 0.01) / m->mm_per_px);
    if (here >= T_CLOTH && here <= T_HALF && m->light[at] < 0.22f) {
        double h = (wx * 0.8 + wy) / 2.3 + 0.25 * hc_demo_noise(d->seed + 814, x * 0.1, y * 0.1);
        double gap = hc_demo_noise(d->seed + 815, floor(h) * 3.7, (wx - wy) * 0.06);
        line = fmax(line, 0.75 * ramp(0.12, 0.05, fabs(h - floor(h) - 0.5)) * ramp(-0.3, 0.1, gap));
    }
    double lump = 1.6 * hc_demo_noise(d->seed + 816, x * 0.06, y * 0.06);
    double q =
        hypot(wx - HC_DEMO_HIDDEN_X, (wy - HC_DEMO_HIDDEN_Y) / 0.95) - HC_DEMO_HIDDEN_R + lump;
    line = fmax(line, ramp(0.55, 0.2, fabs(q)));
    double e = hypot((wx - 146.0) / 27.0, (wy - 166.0) / 31.0) + 0.045 * lump;
    if (wx > 143.0) {
        double lift = ramp(143.0, 152.0, wx); // the chalk comes down gently
        line = fmax(line, lift * ramp(0.026, 0.010, fmin(fabs(e - 1.0), fabs(e - 0.80))));
    }
    return clamp01(line * press);
}

void hc_demo_ir_row(const struct hc_demo *d, int y, float *out)
{
    const struct canvas *c = &d->canvas;
    for (int x = 0; x < c->w; x++) {
        size_t i = (size_t)y * (size_t)c->w + (size_t)x;
        const uint8_t *mix = c->mix + i * P_COUNT;
        double k = 1e-6, s = 1e-6, sum = 1e-6;
        for (int p = 0; p < P_COUNT; p++) {
            k += mix[p] * (double)hc_demo_paint_other[p].ir_k;
            s += mix[p] * (double)hc_demo_paint_other[p].ir_s;
            sum += mix[p];
        }
        k /= sum;
        s /= sum;
        double q = k / s, deep = 1.0 / (1.0 + q + sqrt(q * (q + 2.0)));
        double t = (double)c->height[i] * (double)HC_DEMO_HEIGHT_MM;
        double left = exp(-16.0 * t * sqrt(k * (k + 2.0 * s))) / (1.0 + 9.0 * s * t);
        double xm = (x + 0.5) * c->mm, ym = (y + 0.5) * c->mm;
        double ground = 0.74 - 0.68 * drawn(d, xm, ym);
        double v = deep + (ground - deep) * left;
        double cover = c->cover[i] / 255.0;
        v = v * (1.0 - 0.30 * cover) + 0.05 * cover;
        double u = (double)x / c->w - 0.5, w = (double)y / c->h - 0.5;
        v = 0.80 * v * (1.0 - 0.25 * (u * u + w * w)) + 0.006;
        v += 0.0045 * hc_demo_gauss(d->seed + 820, x, y);
        out[x] = hc_demo_encode((float)v);
    }
}

// ---- X-rays
// ----------------------------------------------------------------------------------------- The
// panel's own shadow: grain, two dowels across the join, two nails, worm channels.
static double panel_density(const struct hc_demo *d, double x, double y)
{
    double dense = 0.16 + 1.6 * hc_demo_grain_mm(d, x, y);
    dense += 0.020 * hc_demo_noise(d->seed + 831, x * 0.9, y * 0.012);
    static const double dowel[2] = {84.0, 271.0}, nail[2][2] = {{14.0, 22.0}, {289.0, 335.0}};
    for (int k = 0; k < 2; k++) {
        double along = fabs(x - 187.0), across = fabs(y - dowel[k]);
        if (along < 21.0 && across < 3.6) {
            dense += 0.030 * sqrt(1.0 - across * across / 12.96) + 0.012 * (across > 3.2);
        }
        dense += 0.9 * ramp(1.9, 1.5, hypot(x - nail[k][0], y - nail[k][1]));
    }
    for (int k = 0; k < 7; k++) {
        double at = HC_DEMO_W_MM * hc_rng_hash(d->seed + 832, k, 0);
        double top = HC_DEMO_H_MM * hc_rng_hash(d->seed + 832, k, 1);
        double len = 15.0 + 45.0 * hc_rng_hash(d->seed + 832, k, 2);
        double mid = at + 5.0 * hc_demo_noise(d->seed + 833, k * 9.7, y * 0.07) +
                     1.2 * hc_demo_noise(d->seed + 834, k * 3.1, y * 0.4);
        if (y > top && y < top + len) {
            dense -= 0.055 * ramp(0.85, 0.55, fabs(x - mid));
        }
    }
    return dense;
}

void hc_demo_xray_row(const struct hc_demo *d, int y, float *out)
{
    const struct canvas *c = &d->canvas;
    for (int x = 0; x < c->w; x++) {
        size_t i = (size_t)y * (size_t)c->w + (size_t)x;
        double lead = c->lead[i] / 1000.0;
        double v = panel_density(d, (x + 0.5) * c->mm, (y + 0.5) * c->mm);
        v = 0.85 * (1.0 - exp(-v - 0.55 * lead));
        v = v * v * 1.05 + 0.02;
        v += (0.004 + 0.006 * sqrt(v > 0.0 ? v : 0.0)) * hc_demo_gauss(d->seed + 840, x, y);
        out[x] = hc_demo_encode((float)v);
    }
}
