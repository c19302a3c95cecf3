// Rendering: the fitted forecast as a function of one pixel (theory 10). Built for speed; only
// + - * / sqrtf, comparisons and integer moves, so that all compilers give the same bits.
#include <math.h>
#include <string.h>

#include "forecast/forecast_priv.h"

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
    float v[3][CHUNK], t[3][CHUNK]; // inner colour before, ln(v + floor)
    float ln_uv[CHUNK], cue[CHUNK], far[CHUNK];
    float ln_d[CHUNK], cue_ln_d[CHUNK], var[CHUNK];
    float cell[CHUNK][FC_CELL];
    float weak[CHUNK]; // > 0: clipped, not a number, or lost in noise
};

struct matrix {
    float m[9];
};

static struct matrix matrix_of(const double m[9])
{
    struct matrix r;
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

struct axis {
    int i[3];
    float w[3];
};

INLINE struct axis axis_of(const struct chunk *c, int p)
{
    const float scale = (float)(FC_AXIS - 1) / (LN_TOP - LN_FLOOR);
    struct axis a;
    for (int k = 0; k < 3; k++) {
        float u = clampf((c->t[k][p] - LN_FLOOR) * scale, 0.0f, (float)(FC_AXIS - 1));
        int i = (int)u;
        i = i < FC_AXIS - 2 ? i : FC_AXIS - 2;
        a.i[k] = i;
        a.w[k] = u - (float)i;
    }
    return a;
}

static void look_colour(struct chunk *c, const struct hc_forecast *f, int n)
{
    for (int p = 0; p < n; p++) {
        struct axis a = axis_of(c, p);
        const float *at = f->colour + 4 * ((a.i[0] * FC_AXIS + a.i[1]) * FC_AXIS + a.i[2]);
        float cue = 0, far = 0;
        for (int j = 0; j < 8; j++) {
            const float *q = at + 4 * (((j >> 2) * FC_AXIS + (j >> 1 & 1)) * FC_AXIS + (j & 1));
            float w = (j & 4 ? a.w[0] : 1.0f - a.w[0]) * (j & 2 ? a.w[1] : 1.0f - a.w[1]) *
                      (j & 1 ? a.w[2] : 1.0f - a.w[2]);
            cue += w * q[0];
            far += w * q[1];
        }
        c->cue[p] = cue;
        c->far[p] = far;
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

static void look_cell(struct chunk *c, const struct hc_forecast *f, int n)
{
    const float d0 = (float)fc_axis_ln_d(0), d1 = (float)fc_axis_ln_d(FC_AXIS_D - 1);
    const float scale = (float)(FC_AXIS_D - 1) / (d1 - d0);
    for (int p = 0; p < n; p++) {
        struct axis a = axis_of(c, p);
        float u = clampf((c->ln_d[p] - d0) * scale, 0.0f, (float)(FC_AXIS_D - 1)), w, out[FC_CELL];
        int i = (int)u;
        const float *at;
        i = i < FC_AXIS_D - 2 ? i : FC_AXIS_D - 2;
        w = u - (float)i;
        at = f->cell + (((a.i[0] * FC_AXIS + a.i[1]) * FC_AXIS + a.i[2]) * FC_AXIS_D + i) * FC_CELL;
        memset(out, 0, sizeof out);
        for (int j = 0; j < 8; j++) {
            const float *q = at + (((j >> 2) * FC_AXIS + (j >> 1 & 1)) * FC_AXIS + (j & 1)) *
                                      (FC_AXIS_D * FC_CELL);
            float s = (j & 4 ? a.w[0] : 1.0f - a.w[0]) * (j & 2 ? a.w[1] : 1.0f - a.w[1]) *
                      (j & 1 ? a.w[2] : 1.0f - a.w[2]);
            float s0 = s * (1.0f - w), s1 = s * w;
            for (int k = 0; k < FC_CELL; k++) {
                out[k] += s0 * q[k] + s1 * q[FC_CELL + k];
            }
        }
        memcpy(c->cell[p], out, sizeof out);
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
            c->cell[i][k] += weight * fast_ln(with / without);
        }
    }
}

// First reason that applies, as the number of enum hc_refusal.
INLINE float reason_of(const struct hc_forecast *f, const struct chunk *c, int i, float zone,
                       float radius, float lo, float hi)
{
    float r = 0.0f;
    r = radius > (float)f->radius_limit ? (float)HC_REFUSAL_RADIUS : r;
    r = c->far[i] > (float)f->colour_limit ? (float)HC_REFUSAL_COLOUR : r;
    r = c->cue_ln_d[i] < lo || c->cue_ln_d[i] > hi ? (float)HC_REFUSAL_COAT : r;
    r = c->weak[i] > 0.0f ? (float)HC_REFUSAL_SIGNAL : r;
    r = zone > 0.5f ? (float)HC_REFUSAL_ZONE : r;
    return f->all != HC_REFUSAL_NONE ? (float)f->all : r;
}

INLINE float finite_or_zero(float v)
{
    return v - v == 0.0f ? v : 0.0f;
}

static void store(const struct chunk *c, const struct hc_forecast *f,
                  const struct hc_forecast_rows *rows, int x, int y, int n)
{
    const struct matrix m = matrix_of(f->basis.from);
    const float *in[3], *zone = rows->zone.px ? hc_plane_row(&rows->zone, y) + x : NULL;
    const float q = (float)f->q;
    float lo = (float)f->coat_lo, hi = (float)f->coat_hi, *out[3];
    float *radius = hc_plane_row(&rows->radius, y) + x, *coat = hc_plane_row(&rows->coat, y) + x;
    float *reason = hc_plane_row(&rows->reason, y) + x;
    if (f->sum.has_uv && !rows->uv.px) {
        lo = 1e30f; // fitted with UV, asked without: the coat is not known anywhere
    }
    for (int k = 0; k < 3; k++) {
        in[k] = hc_plane_row(&rows->before.ch[k], y) + x;
        out[k] = hc_plane_row(&rows->after.ch[k], y) + x;
    }
    for (int i = 0; i < n; i++) {
        float v[3], u = q * sqrtf(c->cell[i][3] + c->cell[i][4] * c->var[i]);
        float why = reason_of(f, c, i, zone ? zone[i] : 0.0f, u, lo, hi);
        for (int k = 0; k < 3; k++) {
            v[k] = fast_exp(clampf(c->t[k][i] + c->cell[i][k], -6.0f, 1.4f)) - (float)FC_FLOOR;
            v[k] = v[k] > 0.0f ? v[k] : 0.0f;
        }
        for (int k = 0; k < 3; k++) {
            float lin = m.m[3 * k] * v[0] + m.m[3 * k + 1] * v[1] + m.m[3 * k + 2] * v[2];
            float same = finite_or_zero(in[k][i]);
            out[k][i] = why > 0.0f ? same : lin > 0.0f ? lin : 0.0f;
        }
        radius[i] = why > 0.0f ? 0.0f : u;
        coat[i] = fast_exp(clampf(c->ln_d[i], -4.0f, 4.0f));
        reason[i] = why;
    }
}

void fc_render_scaled(const struct hc_forecast *f, const struct hc_forecast_rows *rows, double x_px,
                      double y_px, double cell, int y0, int y1)
{
    struct chunk c;
    int w = rows->before.ch[0].w;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < w; x += CHUNK) {
            int n = w - x < CHUNK ? w - x : CHUNK;
            load(&c, f, rows, x, y, n);
            look_colour(&c, f, n);
            find_coat(&c, f, (float)(x_px + x * cell), (float)(y_px + y * cell), (float)cell, n);
            look_cell(&c, f, n);
            add_uv_member(&c, f, rows, x, y, n);
            store(&c, f, rows, x, y, n);
        }
    }
}

void hc_forecast_render(const struct hc_forecast *f, const struct hc_forecast_rows *rows, int x0,
                        int y0)
{
    fc_render_scaled(f, rows, x0, y0, 1, 0, rows->before.ch[0].h);
}
