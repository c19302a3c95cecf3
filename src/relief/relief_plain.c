// Plain least squares with one matrix for the whole picture, near the speed of memory (theory,
// section 3).
#include "relief/relief_solve.h"

#include <math.h>

#define BODY static inline __attribute__((always_inline)) void

BODY finish(struct hc_relief_segment *out, int m)
{
    for (int i = 0; i < m; i++) {
        float gx = out->p[i], gy = out->q[i], gz = out->albedo[i];
        float inv = gz > 1e-6f ? 1.0f / gz : 0.0f;
        out->p[i] = -gx * inv;
        out->q[i] = -gy * inv;
        out->albedo[i] = gz > 1e-6f ? sqrtf(gx * gx + gy * gy + gz * gz) : 0.0f;
    }
}

BODY spread(struct hc_relief_segment *out, int m, const struct hc_relief_plan *plan)
{
    const float fixed = plan->noise_sd > 0.0f ? plan->noise_sd * plan->noise_sd : 1e-4f;
    const float share = plan->noise_sd > 0.0f || plan->n <= 3 ? 0.0f : 1.0f / (float)(plan->n - 3);
    const float *c = plan->cov;
    for (int i = 0; i < m; i++) {
        float p = out->p[i], q = out->q[i], var = share > 0.0f ? share * out->ssr[i] : fixed;
        float a = c[0] + c[3] + 2.0f * (p * c[2] + q * c[4]) + (p * p + q * q) * c[5];
        float gz = out->albedo[i] / sqrtf(1.0f + p * p + q * q);
        out->slope_sd[i] = gz > 0.0f && a > 0.0f ? sqrtf(0.5f * var * a) / gz : 0.0f;
    }
}

// Four views per pass keep the sums in registers longer; the last passes repeat view 0 with weight
// nought.
#define PLAIN(name, type, scale)                                                                   \
    BODY name##_sums(struct hc_relief_segment *out, const type *const *v, int m,                   \
                     const struct hc_relief_plan *plan)                                            \
    {                                                                                              \
        type low[HC_RELIEF_SEGMENT], high[HC_RELIEF_SEGMENT];                                      \
        float *restrict gx = out->p, *restrict gy = out->q, *restrict gz = out->albedo;            \
        for (int i = 0; i < m; i++) {                                                              \
            gx[i] = gy[i] = gz[i] = 0.0f;                                                          \
            low[i] = high[i] = v[0][i];                                                            \
        }                                                                                          \
        for (int k = 0; k < plan->n; k += 4) {                                                     \
            const type *restrict u[4];                                                             \
            float a[3][4];                                                                         \
            for (int j = 0; j < 4; j++) {                                                          \
                bool is_there = k + j < plan->n;                                                   \
                u[j] = v[is_there ? k + j : 0];                                                    \
                for (int d = 0; d < 3; d++) {                                                      \
                    a[d][j] = is_there ? plan->plain[d][k + j] * scale : 0.0f;                     \
                }                                                                                  \
            }                                                                                      \
            const type *restrict u0 = u[0], *restrict u1 = u[1];                                   \
            const type *restrict u2 = u[2], *restrict u3 = u[3];                                   \
            for (int i = 0; i < m; i++) {                                                          \
                float f0 = (float)u0[i], f1 = (float)u1[i], f2 = (float)u2[i], f3 = (float)u3[i];  \
                gx[i] += (a[0][0] * f0 + a[0][1] * f1) + (a[0][2] * f2 + a[0][3] * f3);            \
                gy[i] += (a[1][0] * f0 + a[1][1] * f1) + (a[1][2] * f2 + a[1][3] * f3);            \
                gz[i] += (a[2][0] * f0 + a[2][1] * f1) + (a[2][2] * f2 + a[2][3] * f3);            \
            }                                                                                      \
            for (int i = 0; i < m; i++) {                                                          \
                type b = u0[i] < u1[i] ? u0[i] : u1[i], c = u2[i] < u3[i] ? u2[i] : u3[i];         \
                type d = u0[i] > u1[i] ? u0[i] : u1[i], e = u2[i] > u3[i] ? u2[i] : u3[i];         \
                b = b < c ? b : c;                                                                 \
                d = d > e ? d : e;                                                                 \
                low[i] = low[i] < b ? low[i] : b;                                                  \
                high[i] = high[i] > d ? high[i] : d;                                               \
            }                                                                                      \
        }                                                                                          \
        for (int i = 0; i < m; i++) {                                                              \
            out->low[i] = (float)low[i] * scale;                                                   \
            out->high[i] = (float)high[i] * scale;                                                 \
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

PLAIN(plain_f, float, 1.0f)
PLAIN(plain_u16, uint16_t, (1.0f / 65535.0f))

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
