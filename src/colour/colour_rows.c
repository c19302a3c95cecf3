// The row functions: one vectorised loop each, built for the plain machine and for AVX2.
#include "colour/colour.h"

#include "colour/colour_px.h"

// Each row function is its body, built twice; both builds give the same bits (see colour_px.h) and
// the processor decides which one runs. (Function multi-versioning by attribute would be shorter,
// but clang 14 names the result so that no other file can call it.)
#if defined(__x86_64__)
#define ROW_FUNCTION(name, parameters, arguments)                                                  \
    __attribute__((target("avx2"))) static void name##_avx2 parameters                             \
    {                                                                                              \
        name##_body arguments;                                                                     \
    }                                                                                              \
    void name parameters                                                                           \
    {                                                                                              \
        if (__builtin_cpu_supports("avx2")) {                                                      \
            name##_avx2 arguments;                                                                 \
        } else {                                                                                   \
            name##_body arguments;                                                                 \
        }                                                                                          \
    }
#else
#define ROW_FUNCTION(name, parameters, arguments)                                                  \
    void name parameters                                                                           \
    {                                                                                              \
        name##_body arguments;                                                                     \
    }
#endif

#define CHUNK 256

HC_PX void hc_colour_ciede2000_row_body(float *de, const float *const lab1[3],
                                        const float *const lab2[3], size_t n)
{
    float *restrict out = de;
    const float *restrict l1 = lab1[0], *restrict a1 = lab1[1], *restrict b1 = lab1[2];
    const float *restrict l2 = lab2[0], *restrict a2 = lab2[1], *restrict b2 = lab2[2];
    for (size_t i = 0; i < n; i++) {
        out[i] = hc_px_ciede2000(l1[i], a1[i], b1[i], l2[i], a2[i], b2[i]);
    }
}

HC_PX void hc_colour_lab_row_body(float *const lab[3], const float *const lin[3], size_t n)
{
    float f[3][CHUNK];
    for (size_t at = 0; at < n; at += CHUNK) {
        const size_t m = n - at < CHUNK ? n - at : CHUNK;
        const float *r = lin[0] + at, *g = lin[1] + at, *b = lin[2] + at;
        float *lab_l = lab[0] + at, *lab_a = lab[1] + at, *lab_b = lab[2] + at;
        for (int k = 0; k < 3; k++) {
            const float m0 = (float)(hc_colour_romm_to_xyz[3 * k] / hc_colour_white_d50[k]);
            const float m1 = (float)(hc_colour_romm_to_xyz[3 * k + 1] / hc_colour_white_d50[k]);
            const float m2 = (float)(hc_colour_romm_to_xyz[3 * k + 2] / hc_colour_white_d50[k]);
            float *restrict o = f[k];
            for (size_t i = 0; i < m; i++) {
                o[i] = hc_px_lab_f(m0 * r[i] + m1 * g[i] + m2 * b[i]);
            }
        }
        for (size_t i = 0; i < m; i++) {
            lab_l[i] = 116.0f * f[1][i] - 16.0f;
            lab_a[i] = 500.0f * (f[0][i] - f[1][i]);
            lab_b[i] = 200.0f * (f[1][i] - f[2][i]);
        }
    }
}

// n <= CHUNK values of the three encoded channels, scaled to 0..top and rounded.
HC_PX void encode_chunk(int32_t out[3][CHUNK], const float *const lin[3], size_t at, size_t n,
                        float top)
{
    const float *restrict r = lin[0] + at, *restrict g = lin[1] + at, *restrict b = lin[2] + at;
    for (int k = 0; k < 3; k++) {
        const float m0 = (float)hc_colour_romm_to_srgb[3 * k];
        const float m1 = (float)hc_colour_romm_to_srgb[3 * k + 1];
        const float m2 = (float)hc_colour_romm_to_srgb[3 * k + 2];
        int32_t *restrict o = out[k];
        for (size_t i = 0; i < n; i++) {
            float v = hc_px_clip(m0 * r[i] + m1 * g[i] + m2 * b[i]);
            o[i] = (int32_t)(hc_px_srgb(v) * top + 0.5f);
        }
    }
}

HC_PX void hc_colour_srgb8_row_body(uint8_t *rgb, const float *const lin[3], size_t n)
{
    int32_t code[3][CHUNK];
    for (size_t at = 0; at < n; at += CHUNK) {
        size_t m = n - at < CHUNK ? n - at : CHUNK;
        encode_chunk(code, lin, at, m, 255.0f);
        for (size_t i = 0; i < m; i++) {
            for (size_t k = 0; k < 3; k++) {
                rgb[3 * (at + i) + k] = (uint8_t)code[k][i];
            }
        }
    }
}

HC_PX void hc_colour_srgb16_row_body(uint16_t *rgb, const float *const lin[3], size_t n)
{
    int32_t code[3][CHUNK];
    for (size_t at = 0; at < n; at += CHUNK) {
        size_t m = n - at < CHUNK ? n - at : CHUNK;
        encode_chunk(code, lin, at, m, 65535.0f);
        for (size_t i = 0; i < m; i++) {
            for (size_t k = 0; k < 3; k++) {
                rgb[3 * (at + i) + k] = (uint16_t)code[k][i];
            }
        }
    }
}

ROW_FUNCTION(hc_colour_ciede2000_row,
             (float *de, const float *const lab1[3], const float *const lab2[3], size_t n),
             (de, lab1, lab2, n))
ROW_FUNCTION(hc_colour_lab_row, (float *const lab[3], const float *const lin[3], size_t n),
             (lab, lin, n))
ROW_FUNCTION(hc_colour_srgb8_row, (uint8_t * rgb, const float *const lin[3], size_t n),
             (rgb, lin, n))
ROW_FUNCTION(hc_colour_srgb16_row, (uint16_t * rgb, const float *const lin[3], size_t n),
             (rgb, lin, n))
