// Rendering: the fitted forecast as a function of one pixel (theory 10). Built for speed; only
// + - * / sqrtf, comparisons and integer moves, so that all compilers give the same bits. This file
// is compiled twice on x86-64, the second time for AVX2 (without fused multiply-add) as
// fc_render_avx2; forecast_pick.c chooses.
#include <math.h>
#include <string.h>

#include "forecast/forecast_priv.h"

#ifndef FC_RENDER
#define FC_RENDER fc_render_plain
#endif
#define CHUNK 256
#define LN_FLOOR (-4.6051702f) // ln FC_FLOOR
#define LN_TOP 0.47623418f     // ln(1.6 + FC_FLOOR)
#define INLINE static inline __attribute__((always_inline))

// Natural logarithm of a normal positive x; error below 3e-7 absolute for x near 1, relative else.
INLINE float fast_ln(float x)
{
    int32_t bits, e;
    float m, s, z;
    memcpy(&bits, &x, sizeof bits);
    e = (bits - 0x3f3504f3) >> 23; // exponent, so that the mantissa is in sqrt(1/2) .. sqrt(2)
    bits -= (int32_t)((uint32_t)e << 23);
    memcpy(&m, &bits, sizeof m);
    s = (m - 1.0f) / (m + 1.0f);
    z = s * s;
    return (float)e * 0.69314718f +
           2.0f * s * (1.0f + z * (0.33333333f + z * (0.2f + z * (0.14285714f + z * 0.11111111f))));
}

// e^x for |x| < 80; relative error below 3e-7.
INLINE float fast_exp(float x)
{
    float k = x * 1.44269504f, r, p;
    int32_t n = (int32_t)(k + (k >= 0.0f ? 0.5f : -0.5f)), bits;
    r = (x - (float)n * 0.693359375f) + (float)n * 2.12194440e-4f;
    p = 1.0f +
        r * (1.0f + r * (0.5f + r * (0.16666667f + r * (0.041666667f +
                                                        r * (0.0083333333f + r * 0.0013888889f)))));
    memcpy(&bits, &p, sizeof bits);
    bits += (int32_t)((uint32_t)n << 23);
    memcpy(&p, &bits, sizeof p);
    return p;
}

INLINE float clampf(float v, float lo, float hi)
{
    v = v > lo ? v : lo; // NaN becomes lo
    return v < hi ? v : hi;
}

struct chunk {
    float v[3][CHUNK], t[3][CHUNK]; // inner colour; ln(v + floor), first before, then after
    float ln_uv[CHUNK], cue[CHUNK], far[CHUNK];
    float ln_d[CHUNK], cue_ln_d[CHUNK], var[CHUNK];
    int corner[CHUNK], step1[CHUNK], step2[CHUNK];
    float w[4][CHUNK], slope2[CHUNK], d[CHUNK];
    float u2[CHUNK]; // u^2 of the radius
    float radius[CHUNK], why[CHUNK];
    float weak[CHUNK]; // > 0: clipped, not a number, or lost in noise
};

struct matrix {
    float m[9];
};

static struct matrix matrix_of(const double m[9])
{
    struct matrix r = {{0}};
    for (int i = 0; i < 9; i++) {
        r.m[i] = (float)m[i];
    }
    return r;
}

static void load(struct chunk *c, const struct hc_forecast *f, const struct hc_forecast_rows *rows,
                 int x, int y, int n)
{
    const struct matrix m = matrix_of(f->basis.to);
    const float *r = hc_plane_row(&rows->before.ch[0], y) + x,
                *g = hc_plane_row(&rows->before.ch[1], y) + x,
                *b = hc_plane_row(&rows->before.ch[2], y) + x;
    const float dark = (float)(3 * f->noise), c0 = f->clip[0], c1 = f->clip[1], c2 = f->clip[2];
    for (int i = 0; i < n; i++) {
        float rr = clampf(r[i], -1.0f, 4.0f), gg = clampf(g[i], -1.0f, 4.0f),
              bb = clampf(b[i], -1.0f, 4.0f);
        float low, v0, v1, v2;
        v0 = m.m[0] * rr + m.m[1] * gg + m.m[2] * bb;
        v1 = m.m[3] * rr + m.m[4] * gg + m.m[5] * bb;
        v2 = m.m[6] * rr + m.m[7] * gg + m.m[8] * bb;
        low = v0 < v1 ? v0 : v1;
        low = low < v2 ? low : v2;
        c->weak[i] = (low < dark ? 1.0f : 0.0f) + (rr < c0 ? 0.0f : 1.0f) +
                     (gg < c1 ? 0.0f : 1.0f) + (bb < c2 ? 0.0f : 1.0f) +
                     (r[i] == rr && g[i] == gg && b[i] == bb ? 0.0f : 1.0f);
        c->v[0][i] = v0;
        c->v[1][i] = v1;
        c->v[2][i] = v2;
    }
    for (int k = 0; k < 3; k++) {
        for (int i = 0; i < n; i++) {
            c->t[k][i] = fast_ln(clampf(c->v[k][i], 0.0f, 1.6f) + (float)FC_FLOOR);
        }
    }
    if (rows->uv.px) {
        const float *uv = hc_plane_row(&rows->uv, y) + x, unit = (float)(1 / f->uv_unit);
        for (int i = 0; i < n; i++) {
            c->ln_uv[i] = fast_ln(clampf(uv[i] * unit, 1e-4f, 1e4f));
        }
    } else {
        memset(c->ln_uv, 0, sizeof c->ln_uv);
    }
}

// The place of each pixel in the colour cube: the lowest corner and the four corners of the
// tetrahedron it lies in (the usual way of colour tables), as steps in nodes with their weights.
#define ALL_STEPS (FC_AXIS * FC_AXIS + FC_AXIS + 1)

static void find_place(struct chunk *c, int n)
{
    const float scale = (float)(FC_AXIS - 1) / (LN_TOP - LN_FLOOR),
                end = (float)(FC_AXIS - 1) - 1e-4f;
    const float sa = (float)(FC_AXIS * FC_AXIS),
                sb = (float)FC_AXIS; // whole numbers, exact in float
    // Two loops: in one, the compiler sees branches where there are none and works pixel by pixel.
    for (int p = 0; p < n; p++) {
        float u0 = clampf((c->t[0][p] - LN_FLOOR) * scale, 0.0f, end),
              u1 = clampf((c->t[1][p] - LN_FLOOR) * scale, 0.0f, end),
              u2 = clampf((c->t[2][p] - LN_FLOOR) * scale, 0.0f, end);
        float i0 = (float)(int)u0, i1 = (float)(int)u1, i2 = (float)(int)u2;
        c->w[0][p] = u0 - i0;
        c->w[1][p] = u1 - i1;
        c->w[2][p] = u2 - i2;
        c->corner[p] = (int)(i0 * sa + i1 * sb + i2);
    }
    for (int p = 0; p < n; p++) {
        float x = c->w[0][p], y = c->w[1][p], z = c->w[2][p], high, low, middle, big, small;
        high = x > y ? x : y;
        big = x > y ? sa : sb;
        low = x > y ? y : x;
        small = x > y ? sb : sa;
        big = z > high ? 1.0f : big;
        small = z < low ? 1.0f : small;
        high = z > high ? z : high;
        low = z < low ? z : low;
        middle = x + y + z - high - low;
        c->step1[p] = (int)big;
        c->step2[p] = ALL_STEPS - (int)small;
        c->w[0][p] = 1.0f - high;
        c->w[1][p] = high - middle;
        c->w[2][p] = middle - low;
        c->w[3][p] = low;
    }
}

// Four floats at once (a vector type of gcc and clang; the same sums as one by one).
typedef float four __attribute__((vector_size(16)));

INLINE four four_at(const float *p)
{
    four v;
    memcpy(&v, p, sizeof v);
    return v;
}

INLINE four four_of(float s)
{
    return (four){s, s, s, s};
}

static void look_colour(struct chunk *c, const struct hc_forecast *f, int n)
{
    for (int p = 0; p < n; p++) {
        const float *q = f->colour + FC_CELL * c->corner[p];
        four v = four_of(c->w[0][p]) * four_at(q) +
                 four_of(c->w[1][p]) * four_at(q + FC_CELL * c->step1[p]) +
                 four_of(c->w[2][p]) * four_at(q + FC_CELL * c->step2[p]) +
                 four_of(c->w[3][p]) * four_at(q + FC_CELL * ALL_STEPS);
        c->cue[p] = v[0];
        c->far[p] = v[1];
        c->slope2[p] = v[2];
    }
}

// ln d of each pixel: cue part, and with the kriged residual of the windows.
static void find_coat(struct chunk *c, const struct hc_forecast *f, float x_px, float y_px,
                      float cell, int n)
{
    const struct fc_coat_field *field = &f->full.coat[f->which];
    const float b0 = (float)field->beta[0], b1 = (float)field->beta[1], b2 = (float)field->beta[2];
    // Refusals look at UV even where left-out skill says that the coat is better known without it.
    const double *see = f->full.coat[f->sum.has_uv].beta;
    const float s0 = (float)see[0], s1 = (float)see[1], s2 = (float)see[2];
    const float sx = (float)(FC_KRIGE - 1) / (float)f->frame_w,
                sy = (float)(FC_KRIGE - 1) / (float)f->frame_h;
    float v = clampf((y_px + 0.5f * cell) * sy, 0.0f, (float)(FC_KRIGE - 1)), wy;
    int iy = (int)v < FC_KRIGE - 2 ? (int)v : FC_KRIGE - 2;
    float mean[FC_KRIGE], var[FC_KRIGE];
    wy = v - (float)iy;
    for (int i = 0; i < FC_KRIGE; i++) {
        const float *m = f->krige_mean + iy * FC_KRIGE + i, *s = f->krige_var + iy * FC_KRIGE + i;
        mean[i] = m[0] + wy * (m[FC_KRIGE] - m[0]);
        var[i] = s[0] + wy * (s[FC_KRIGE] - s[0]);
    }
    for (int p = 0; p < n; p++) {
        float u = clampf((x_px + ((float)p + 0.5f) * cell) * sx, 0.0f, (float)(FC_KRIGE - 1)), w;
        int i = (int)u;
        i = i < FC_KRIGE - 2 ? i : FC_KRIGE - 2;
        w = u - (float)i;
        c->cue_ln_d[p] = s0 + s1 * c->ln_uv[p] + s2 * c->cue[p];
        c->ln_d[p] = b0 + b1 * c->ln_uv[p] + b2 * c->cue[p] + mean[i] + w * (mean[i + 1] - mean[i]);
        c->var[p] = var[i] + w * (var[i + 1] - var[i]);
    }
}

// One corner: its two nodes along ln d.
INLINE four corner(const float *q, float w, four lo, four hi)
{
    return four_of(w) * (lo * four_at(q) + hi * four_at(q + FC_CELL));
}

static void look_cell(struct chunk *c, const struct hc_forecast *f, int n)
{
    const float d0 = (float)fc_axis_ln_d(0), d1 = (float)fc_axis_ln_d(FC_AXIS_D - 1);
    const float scale = (float)(FC_AXIS_D - 1) / (d1 - d0), end = (float)(FC_AXIS_D - 1) - 1e-4f;
    const int node = FC_AXIS_D * FC_CELL;
    for (int p = 0; p < n; p++) {
        float u = clampf((c->ln_d[p] - d0) * scale, 0.0f, end), wd;
        int i = (int)u;
        const float *at = f->cell + c->corner[p] * node + i * FC_CELL;
        four lo, hi, v;
        wd = u - (float)i;
        lo = four_of(1.0f - wd);
        hi = four_of(wd);
        v = corner(at, c->w[0][p], lo, hi) + corner(at + c->step1[p] * node, c->w[1][p], lo, hi) +
            corner(at + c->step2[p] * node, c->w[2][p], lo, hi) +
            corner(at + ALL_STEPS * node, c->w[3][p], lo, hi);
        c->t[0][p] += v[0];
        c->t[1][p] += v[1];
        c->t[2][p] += v[2];
        c->u2[p] = v[3];
    }
    for (int p = 0; p < n; p++) {
        float d = fast_exp(clampf(c->ln_d[p], -4.0f, 4.0f));
        c->d[p] = d;
        c->u2[p] += c->slope2[p] * d * d * c->var[p];
    }
}

// The UV-dependent member of a blend comes on top: t += weight (t(with this UV) - t(median UV)).
static void add_uv_member(struct chunk *c, const struct hc_forecast *f,
                          const struct hc_forecast_rows *rows, int x, int y, int n)
{
    const float weight = (float)f->weight[HC_ESTIMATOR_AFFINE_UV];
    const double *p = f->full.plain[HC_ESTIMATOR_AFFINE_UV - 1];
    float inner[8][3];
    if (!(weight > 0.0f)) {
        return;
    }
    for (int j = 0; j < 8; j++) {
        for (int k = 0; k < 3; k++) {
            inner[j][k] =
                (float)(f->basis.to[3 * k] * p[3 * j] + f->basis.to[3 * k + 1] * p[3 * j + 1] +
                        f->basis.to[3 * k + 2] * p[3 * j + 2]);
        }
    }
    const float *r = hc_plane_row(&rows->before.ch[0], y) + x,
                *g = hc_plane_row(&rows->before.ch[1], y) + x,
                *b = hc_plane_row(&rows->before.ch[2], y) + x;
    for (int i = 0; i < n; i++) {
        float u = clampf(c->ln_uv[i], -1.5f, 1.5f);
        float rr = clampf(r[i], -1.0f, 4.0f), gg = clampf(g[i], -1.0f, 4.0f),
              bb = clampf(b[i], -1.0f, 4.0f);
        for (int k = 0; k < 3; k++) {
            float plain = inner[0][k] + inner[1][k] * rr + inner[2][k] * gg + inner[3][k] * bb;
            float slope = inner[4][k] + inner[5][k] * rr + inner[6][k] * gg + inner[7][k] * bb;
            float with = clampf(plain + u * slope, 0.0f, 4.0f) + (float)FC_FLOOR;
            float without = clampf(plain, 0.0f, 4.0f) + (float)FC_FLOOR;
            c->t[k][i] += weight * fast_ln(with / without);
        }
    }
}

// First reason that applies, as the number of enum hc_refusal.
static void judge(struct chunk *c, const struct hc_forecast *f, const float *zone, bool has_uv,
                  int n)
{
    const float q = (float)f->q, far = (float)f->colour_limit, limit = (float)f->radius_limit;
    const float hi = (float)f->coat_hi, all = (float)f->all;
    // Fitted with UV, asked without: the coat is not known anywhere.
    const float lo = f->sum.has_uv && !has_uv ? 1e30f : (float)f->coat_lo;
    for (int i = 0; i < n; i++) {
        float r = 0.0f, radius = q * sqrtf(c->u2[i]);
        r = radius > limit ? (float)HC_REFUSAL_RADIUS : r;
        r = c->cue_ln_d[i] < lo ? (float)HC_REFUSAL_COAT : r;
        r = c->cue_ln_d[i] > hi ? (float)HC_REFUSAL_COAT : r;
        r = c->far[i] > far ? (float)HC_REFUSAL_COLOUR : r;
        r = c->weak[i] > 0.0f ? (float)HC_REFUSAL_SIGNAL : r;
        c->why[i] = r;
        c->radius[i] = radius;
    }
    for (int i = 0; zone && i < n; i++) {
        c->why[i] = zone[i] > 1.5f   ? (float)HC_REFUSAL_UNSEEN
                    : zone[i] > 0.5f ? (float)HC_REFUSAL_ZONE
                                     : c->why[i];
    }
    for (int i = 0; all > 0.0f && i < n; i++) {
        c->why[i] = all;
    }
}

static void store(struct chunk *c, const struct hc_forecast *f, const struct hc_forecast_rows *rows,
                  int x, int y, int n)
{
    const struct matrix m = matrix_of(f->basis.from);
    float *restrict radius = hc_plane_row(&rows->radius, y) + x;
    float *restrict coat = hc_plane_row(&rows->coat, y) + x;
    float *restrict reason = hc_plane_row(&rows->reason, y) + x;
    for (int k = 0; k < 3; k++) {
        for (int i = 0; i < n; i++) {
            float v = fast_exp(clampf(c->t[k][i], -6.0f, 1.4f)) - (float)FC_FLOOR;
            c->v[k][i] = v > 0.0f ? v : 0.0f;
        }
    }
    for (int k = 0; k < 3; k++) {
        const float *restrict in = hc_plane_row(&rows->before.ch[k], y) + x;
        float *restrict out = hc_plane_row(&rows->after.ch[k], y) + x;
        const float m0 = m.m[3 * k], m1 = m.m[3 * k + 1], m2 = m.m[3 * k + 2];
        for (int i = 0; i < n; i++) {
            float lin = m0 * c->v[0][i] + m1 * c->v[1][i] + m2 * c->v[2][i], same = in[i];
            same = same - same == 0.0f ? same : 0.0f; // NaN and infinity stay inside
            lin = lin > 0.0f ? lin : 0.0f;
            out[i] = c->why[i] > 0.0f ? same : lin;
        }
    }
    for (int i = 0; i < n; i++) {
        radius[i] = c->why[i] > 0.0f ? 0.0f : c->radius[i];
        coat[i] = c->d[i];
        reason[i] = c->why[i];
    }
}

void FC_RENDER(const struct hc_forecast *f, const struct hc_forecast_rows *rows, double x_px,
               double y_px, double cell, int y0, int y1)
{
    struct chunk c;
    int w = rows->before.ch[0].w;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < w; x += CHUNK) {
            int n = w - x < CHUNK ? w - x : CHUNK;
            load(&c, f, rows, x, y, n);
            find_place(&c, n);
            look_colour(&c, f, n);
            find_coat(&c, f, (float)(x_px + x * cell), (float)(y_px + y * cell), (float)cell, n);
            look_cell(&c, f, n);
            add_uv_member(&c, f, rows, x, y, n);
            judge(&c, f, rows->zone.px ? hc_plane_row(&rows->zone, y) + x : NULL,
                  rows->uv.px != NULL, n);
            store(&c, f, rows, x, y, n);
        }
    }
}
