// Plain least squares with one matrix for the whole picture, near the speed of memory (theory,
// section 3).
#include "relief/relief_solve.h"

#include <math.h>

#define BODY static inline __attribute__((always_inline)) void

BODY finish(struct hc_relief_segment *out, int m)
{
    float *restrict p = out->p, *restrict q = out->q, *restrict albedo = out->albedo;
    for (int i = 0; i < m; i++) {
        float gx = p[i], gy = q[i], gz = albedo[i];
        float inv = gz > 1e-6f ? 1.0f / gz : 0.0f;
        p[i] = -gx * inv;
        q[i] = -gy * inv;
        albedo[i] = gz > 1e-6f ? sqrtf(gx * gx + gy * gy + gz * gz) : 0.0f;
    }
}

BODY spread(struct hc_relief_segment *out, int m, const struct hc_relief_plan *plan)
{
    const float fixed = plan->noise_sd > 0.0f ? plan->noise_sd * plan->noise_sd : 1e-4f;
    const float share = plan->noise_sd > 0.0f || plan->n <= 3 ? 0.0f : 1.0f / (float)(plan->n - 3);
    const float *c = plan->cov, *restrict pp = out->p, *restrict qq = out->q;
    const float *restrict albedo = out->albedo;
    float *restrict sd = out->slope_sd;
    for (int i = 0; i < m; i++) {
        float p = pp[i], q = qq[i], var = share > 0.0f ? share * out->ssr[i] : fixed;
        float a = c[0] + c[3] + 2.0f * (p * c[2] + q * c[4]) + (p * p + q * q) * c[5];
        float gz = albedo[i] / sqrtf(1.0f + p * p + q * q);
        sd[i] = gz > 0.0f && a > 0.0f ? sqrtf(0.5f * var * a) / gz : 0.0f;
    }
}

// Eight views per pass, so that the sums are fetched seldom; the last pass is filled up with view 0
// at weight nought.
#define PASS 8

BODY count_masked_f(float *restrict masked, const float *restrict v, int m,
                    const struct hc_relief_plan *plan)
{
    const float low = plan->shadow, high = plan->clip;
    for (int i = 0; i < m; i++) {
        masked[i] = v[i] > low && v[i] < high ? masked[i] : 1.0f;
    }
}

// In range when v - low - 1 wraps to something small: one addition and one signed comparison.
BODY count_masked_u16(int16_t *restrict masked, const uint16_t *restrict v, int m,
                      const struct hc_relief_plan *plan)
{
    const uint16_t from = plan->from16;
    const int16_t count = plan->count16;
    for (int i = 0; i < m; i++) {
        int16_t t = (int16_t)(uint16_t)(v[i] + from);
        masked[i] = (int16_t)(masked[i] | (t >= count ? -1 : 0));
    }
}

// The next segment of the same rows (past the end of the picture it does no harm).
BODY prefetch(const void *from, size_t bytes)
{
    for (size_t at = 0; at < bytes; at += 64) {
        __builtin_prefetch((const char *)from + at, 0, 2);
    }
}

#define PLAIN(name, type, scale, flag, suffix)                                                     \
    BODY name##_sums(struct hc_relief_segment *out, const type *const *v, int m,                   \
                     const struct hc_relief_plan *plan)                                            \
    {                                                                                              \
        flag masked[HC_RELIEF_SEGMENT] = {0};                                                      \
        float *restrict gx = out->p, *restrict gy = out->q, *restrict gz = out->albedo;            \
        for (int i = 0; i < m; i++) {                                                              \
            gx[i] = gy[i] = gz[i] = 0.0f;                                                          \
        }                                                                                          \
        for (int k = 0; k < plan->n; k += PASS) {                                                  \
            const type *u[PASS];                                                                   \
            float x[PASS], y[PASS], z[PASS];                                                       \
            for (int j = 0; j < PASS; j++) {                                                       \
                bool is_there = k + j < plan->n;                                                   \
                u[j] = v[is_there ? k + j : 0];                                                    \
                x[j] = is_there ? plan->plain[0][k + j] * scale : 0.0f;                            \
                y[j] = is_there ? plan->plain[1][k + j] * scale : 0.0f;                            \
                z[j] = is_there ? plan->plain[2][k + j] * scale : 0.0f;                            \
                if (is_there) {                                                                    \
                    prefetch(u[j] + m, (size_t)m * sizeof(type));                                  \
                    count_masked_##suffix(masked, u[j], m, plan);                                  \
                }                                                                                  \
            }                                                                                      \
            const type *restrict u0 = u[0], *restrict u1 = u[1], *restrict u2 = u[2];              \
            const type *restrict u3 = u[3], *restrict u4 = u[4], *restrict u5 = u[5];              \
            const type *restrict u6 = u[6], *restrict u7 = u[7];                                   \
            for (int i = 0; i < m; i++) {                                                          \
                float f0 = (float)u0[i], f1 = (float)u1[i], f2 = (float)u2[i], f3 = (float)u3[i];  \
                float f4 = (float)u4[i], f5 = (float)u5[i], f6 = (float)u6[i], f7 = (float)u7[i];  \
                gx[i] += ((x[0] * f0 + x[1] * f1) + (x[2] * f2 + x[3] * f3)) +                     \
                         ((x[4] * f4 + x[5] * f5) + (x[6] * f6 + x[7] * f7));                      \
                gy[i] += ((y[0] * f0 + y[1] * f1) + (y[2] * f2 + y[3] * f3)) +                     \
                         ((y[4] * f4 + y[5] * f5) + (y[6] * f6 + y[7] * f7));                      \
                gz[i] += ((z[0] * f0 + z[1] * f1) + (z[2] * f2 + z[3] * f3)) +                     \
                         ((z[4] * f4 + z[5] * f5) + (z[6] * f6 + z[7] * f7));                      \
            }                                                                                      \
        }                                                                                          \
        for (int i = 0; i < m; i++) {                                                              \
            out->masked[i] = masked[i] != 0 ? 1.0f : 0.0f;                                         \
        }                                                                                          \
    }                                                                                              \
    BODY name##_misfit(struct hc_relief_segment *out, const type *const *v, int m,                 \
                       const struct hc_relief_plan *plan)                                          \
    {                                                                                              \
        float *restrict ssr = out->ssr, *restrict power = out->power;                              \
        for (int i = 0; i < m; i++) {                                                              \
            ssr[i] = power[i] = 0.0f;                                                              \
        }                                                                                          \
        for (int k = 0; k < plan->n; k++) {                                                        \
            const type *restrict u = v[k];                                                         \
            const float *restrict gx = out->p, *restrict gy = out->q, *restrict gz = out->albedo;  \
            const float x = plan->dir[0][k], y = plan->dir[1][k], z = plan->dir[2][k];             \
            for (int i = 0; i < m; i++) {                                                          \
                float f = (float)u[i] * scale, r = f - (x * gx[i] + y * gy[i] + z * gz[i]);        \
                ssr[i] += r * r;                                                                   \
                power[i] += f * f;                                                                 \
            }                                                                                      \
        }                                                                                          \
    }                                                                                              \
    BODY name##_body(struct hc_relief_segment *out, const type *const *v, int m,                   \
                     const struct hc_relief_plan *plan)                                            \
    {                                                                                              \
        name##_sums(out, v, m, plan);                                                              \
        if (plan->has_sigma) {                                                                     \
            name##_misfit(out, v, m, plan);                                                        \
        }                                                                                          \
        finish(out, m);                                                                            \
        if (plan->has_sigma) {                                                                     \
            spread(out, m, plan);                                                                  \
        }                                                                                          \
    }

PLAIN(plain_f, float, 1.0f, float, f)
PLAIN(plain_u16, uint16_t, (1.0f / 65535.0f), int16_t, u16)

#if defined(__x86_64__)
#define BUILDS(name, type)                                                                         \
    __attribute__((target("avx2"))) static void name##_avx2(struct hc_relief_segment *out,         \
                                                            const type *const *v, int m,           \
                                                            const struct hc_relief_plan *plan)     \
    {                                                                                              \
        name##_body(out, v, m, plan);                                                              \
    }                                                                                              \
    void hc_relief_##name(struct hc_relief_segment *out, const type *const *v, int m,              \
                          const struct hc_relief_plan *plan)                                       \
    {                                                                                              \
        if (__builtin_cpu_supports("avx2")) {                                                      \
            name##_avx2(out, v, m, plan);                                                          \
        } else {                                                                                   \
            name##_body(out, v, m, plan);                                                          \
        }                                                                                          \
    }
#else
#define BUILDS(name, type)                                                                         \
    void hc_relief_##name(struct hc_relief_segment *out, const type *const *v, int m,              \
                          const struct hc_relief_plan *plan)                                       \
    {                                                                                              \
        name##_body(out, v, m, plan);                                                              \
    }
#endif

BUILDS(plain_f, float)
BUILDS(plain_u16, uint16_t)
