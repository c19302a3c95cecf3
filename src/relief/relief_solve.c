// Robust least squares for many pixels at once (theory, section 3).
#include "relief/relief_solve.h"

#include <math.h>
#include <string.h>

#define LANES HC_RELIEF_LANES
#define BODY static inline __attribute__((always_inline)) void

// Batcher's odd-even merge sort (AFIPS Spring Joint Computer Conference 32, 1968; from memory, and
// proved by the test on all 0-1 patterns). Exchanges with places past n are left out: those places
// would hold +infinity.
void hc_relief_network(struct hc_relief_plan *plan)
{
    int n = 1;
    plan->swaps = 0;
    while (n < plan->n) {
        n *= 2;
    }
    for (int p = 1; p < n; p *= 2) {
        for (int k = p; k >= 1; k /= 2) {
            for (int j = k % p; j + k < n; j += 2 * k) {
                for (int i = j; i < j + k && i + k < n; i++) {
                    if (i / (2 * p) == (i + k) / (2 * p) && i + k < plan->n) {
                        plan->swap[plan->swaps][0] = (unsigned char)i;
                        plan->swap[plan->swaps++][1] = (unsigned char)(i + k);
                    }
                }
            }
        }
    }
}

BODY sort_lanes(hc_relief_lanes *s, const struct hc_relief_plan *plan)
{
    for (int j = 0; j < plan->swaps; j++) {
        float *restrict a = s[plan->swap[j][0]], *restrict b = s[plan->swap[j][1]];
        for (int i = 0; i < LANES; i++) {
            float lo = a[i] < b[i] ? a[i] : b[i], hi = a[i] < b[i] ? b[i] : a[i];
            a[i] = lo;
            b[i] = hi;
        }
    }
}

// g from the samples with weights w, its covariance for unit noise in cov; all zero where the
// weighted lamps do not span space.
BODY solve(struct hc_relief_chunk *c, int n, hc_relief_lanes *w)
{
    float s[9][LANES] = {{0}};
    for (int k = 0; k < n; k++) {
        const float *restrict x = c->light[0][k], *restrict y = c->light[1][k];
        const float *restrict z = c->light[2][k], *restrict v = c->v[k], *restrict ww = w[k];
        for (int i = 0; i < LANES; i++) {
            float wx = ww[i] * x[i], wy = ww[i] * y[i], wz = ww[i] * z[i];
            s[0][i] += wx * x[i];
            s[1][i] += wx * y[i];
            s[2][i] += wx * z[i];
            s[3][i] += wy * y[i];
            s[4][i] += wy * z[i];
            s[5][i] += wz * z[i];
            s[6][i] += wx * v[i];
            s[7][i] += wy * v[i];
            s[8][i] += wz * v[i];
        }
    }
    for (int i = 0; i < LANES; i++) {
        double xx = (double)s[0][i], xy = (double)s[1][i], xz = (double)s[2][i];
        double yy = (double)s[3][i], yz = (double)s[4][i], zz = (double)s[5][i];
        double a = yy * zz - yz * yz, b = xz * yz - xy * zz, d = xy * yz - xz * yy;
        double e = xx * zz - xz * xz, f = xy * xz - xx * yz, h = xx * yy - xy * xy;
        double det = xx * a + xy * b + xz * d, size = xx + yy + zz;
        double inv = det > 1e-7 * size * size * size ? 1 / det : 0;
        double bx = (double)s[6][i], by = (double)s[7][i], bz = (double)s[8][i];
        c->cov[0][i] = (float)(a * inv);
        c->cov[1][i] = (float)(b * inv);
        c->cov[2][i] = (float)(d * inv);
        c->cov[3][i] = (float)(e * inv);
        c->cov[4][i] = (float)(f * inv);
        c->cov[5][i] = (float)(h * inv);
        c->g[0][i] = (float)((a * bx + b * by + d * bz) * inv);
        c->g[1][i] = (float)((b * bx + e * by + f * bz) * inv);
        c->g[2][i] = (float)((d * bx + f * by + h * bz) * inv);
    }
}

// |v - light.g| of light k
BODY misfit(float *restrict r, const struct hc_relief_chunk *c, int k)
{
    for (int i = 0; i < LANES; i++) {
        float d = c->v[k][i] - c->light[0][k][i] * c->g[0][i] - c->light[1][k][i] * c->g[1][i] -
                  c->light[2][k][i] * c->g[2][i];
        r[i] = d < 0.0f ? -d : d;
    }
}

// Keeps, of the samples with weight, those whose key lies between two ranks; keys in `sorted` (any
// order, 1e30 for masked ones). Lanes that would keep under 4 keep all.
BODY keep_ranks(struct hc_relief_chunk *c, const struct hc_relief_plan *plan, float drop_low,
                float drop_high)
{
    float lo[LANES], hi[LANES], key[HC_RELIEF_MAX_LIGHTS][LANES], count[LANES] = {0};
    memcpy(key, c->sorted, (size_t)plan->n * sizeof key[0]);
    for (int k = 0; k < plan->n; k++) {
        for (int i = 0; i < LANES; i++) {
            count[i] += c->weight[k][i] > 0.0f ? 1.0f : 0.0f;
        }
    }
    sort_lanes(c->sorted, plan);
    for (int i = 0; i < LANES; i++) {
        int m = (int)count[i];
        int a = (int)(drop_low * count[i] + 1e-4f), b = (int)(drop_high * count[i] + 1e-4f);
        bool is_all = m - a - b < 4;
        lo[i] = is_all ? -1e29f : c->sorted[a][i];
        hi[i] = is_all ? 1e29f : c->sorted[m - 1 - b][i];
    }
    for (int k = 0; k < plan->n; k++) {
        for (int i = 0; i < LANES; i++) {
            bool in = key[k][i] >= lo[i] && key[k][i] <= hi[i];
            c->w[k][i] = in ? c->weight[k][i] : 0.0f;
        }
    }
}

BODY trim(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    for (int k = 0; k < plan->n; k++) {
        for (int i = 0; i < LANES; i++) {
            c->sorted[k][i] = c->weight[k][i] > 0.0f ? c->v[k][i] : 1e30f;
        }
    }
    keep_ranks(c, plan, plan->trim_low, plan->trim_high);
    solve(c, plan->n, c->w);
}

BODY least_absolute(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    float least[LANES] = {0}; // a residual below this counts as zero
    for (int k = 0; k < plan->n; k++) {
        for (int i = 0; i < LANES; i++) {
            least[i] += c->v[k][i] * (1e-3f / (float)plan->n);
        }
    }
    solve(c, plan->n, c->weight);
    for (int round = 0; round < 10; round++) {
        for (int k = 0; k < plan->n; k++) {
            float r[LANES];
            misfit(r, c, k);
            for (int i = 0; i < LANES; i++) {
                float d = r[i] > least[i] ? r[i] : least[i];
                c->w[k][i] = c->weight[k][i] / (d > 1e-6f ? d : 1e-6f);
            }
        }
        solve(c, plan->n, c->w);
    }
}

// Rousseeuw and Van Driessen's concentration steps (Data Mining and Knowledge Discovery 12, 2006;
// from memory) from the L1 start, keeping 60 %.
BODY least_trimmed(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    least_absolute(c, plan);
    for (int round = 0; round < 10; round++) {
        float before[3][LANES];
        memcpy(before, c->g, sizeof before);
        for (int k = 0; k < plan->n; k++) {
            misfit(c->sorted[k], c, k);
            for (int i = 0; i < LANES; i++) {
                c->sorted[k][i] = c->weight[k][i] > 0.0f ? c->sorted[k][i] : 1e30f;
            }
        }
        keep_ranks(c, plan, 0.0f, 0.4f);
        solve(c, plan->n, c->w);
        if (memcmp(before, c->g, sizeof before) == 0) {
            break;
        }
    }
}

// Lanes whose trimmed lamps do not span space are answered by all their samples.
BODY mend(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    bool is_any = false;
    for (int i = 0; i < LANES; i++) {
        if (!(c->cov[5][i] > 0.0f)) {
            is_any = true;
            for (int k = 0; k < plan->n; k++) {
                c->w[k][i] = c->weight[k][i];
            }
        }
    }
    if (is_any) {
        solve(c, plan->n, c->w);
    }
}

BODY judge(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    float n[LANES] = {0}, ssr[LANES] = {0}, power[LANES] = {0}, r[LANES];
    // Kept middle 60 % of a normal distribution: variance 0.2146 of the whole. L1: pi/2 times the
    // variance of least squares.
    const float grow = plan->method == HC_RELIEF_LTS  ? 1.0f / 0.2146f
                       : plan->method == HC_RELIEF_L1 ? (float)M_PI_2
                                                      : 1.0f;
    if (plan->method == HC_RELIEF_L1) {
        hc_relief_lanes g[3];
        memcpy(g, c->g, sizeof g);
        memcpy(c->w, c->weight, (size_t)plan->n * sizeof c->w[0]);
        solve(c, plan->n, c->w); // for the covariance
        memcpy(c->g, g, sizeof g);
    }
    for (int k = 0; k < plan->n; k++) {
        misfit(r, c, k);
        for (int i = 0; i < LANES; i++) {
            bool in = c->w[k][i] > 0.0f;
            n[i] += in ? 1.0f : 0.0f;
            ssr[i] += in ? r[i] * r[i] : 0.0f;
            power[i] += in ? c->v[k][i] * c->v[k][i] : 0.0f;
        }
    }
    for (int i = 0; i < LANES; i++) {
        float gx = c->g[0][i], gy = c->g[1][i], gz = c->g[2][i];
        bool is_told = c->cov[5][i] > 0.0f && gz > 1e-6f;
        float inv = is_told ? 1.0f / gz : 0.0f, p = -gx * inv, q = -gy * inv;
        float var = plan->noise_sd > 0.0f ? plan->noise_sd * plan->noise_sd
                    : n[i] > 3.0f         ? grow * ssr[i] / (n[i] - 3.0f)
                                          : 1e-4f;
        float spread = c->cov[0][i] + c->cov[3][i] + 2.0f * (p * c->cov[2][i] + q * c->cov[4][i]) +
                       (p * p + q * q) * c->cov[5][i];
        c->p[i] = p;
        c->q[i] = q;
        c->albedo[i] = is_told ? sqrtf(gx * gx + gy * gy + gz * gz) : 0.0f;
        c->used[i] = is_told ? n[i] : 0.0f;
        c->slope_sd[i] =
            plan->has_sigma && is_told && spread > 0.0f ? sqrtf(0.5f * var * spread) * inv : 0.0f;
        c->ssr[i] = is_told ? ssr[i] : 0.0f;
        c->power[i] = is_told ? power[i] : 0.0f;
    }
}

BODY solve_chunk_body(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    if (plan->method == HC_RELIEF_LS) {
        memcpy(c->w, c->weight, (size_t)plan->n * sizeof c->w[0]);
        solve(c, plan->n, c->w);
    } else if (plan->method == HC_RELIEF_TRIM) {
        trim(c, plan);
    } else if (plan->method == HC_RELIEF_L1) {
        least_absolute(c, plan);
    } else {
        least_trimmed(c, plan);
    }
    mend(c, plan);
    judge(c, plan);
}

// Two builds of one body; both give the same bits (see colour_rows.c for why not by attribute).
#if defined(__x86_64__)
__attribute__((target("avx2"))) static void solve_chunk_avx2(struct hc_relief_chunk *c,
                                                             const struct hc_relief_plan *plan)
{
    solve_chunk_body(c, plan);
}
void hc_relief_solve_chunk(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    if (__builtin_cpu_supports("avx2")) {
        solve_chunk_avx2(c, plan);
    } else {
        solve_chunk_body(c, plan);
    }
}
#else
void hc_relief_solve_chunk(struct hc_relief_chunk *c, const struct hc_relief_plan *plan)
{
    solve_chunk_body(c, plan);
}
#endif
