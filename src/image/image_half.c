// Half floats (IEEE 754-2008 binary16): rows to and from float, rounding to nearest, ties to even.
// The plain code and the processor's own conversion give the same bits.
#include <string.h>

#include "image/image_priv.h"

#if defined(__x86_64__)
#include <immintrin.h>
#endif

#define HALF_MAX 65504.0f

static uint32_t bits_of(float v)
{
    uint32_t u;
    memcpy(&u, &v, sizeof u);
    return u;
}

static float float_of(uint32_t u)
{
    float v;
    memcpy(&v, &u, sizeof v);
    return v;
}

// What a half cannot hold is brought inside: beyond its largest number, and what is no number.
static float inside(float v)
{
    v = v == v ? v : 0.0f;
    v = v < HALF_MAX ? v : HALF_MAX;
    return v > -HALF_MAX ? v : -HALF_MAX;
}

static uint16_t half_of(float v)
{
    uint32_t u = bits_of(inside(v)), sign = u >> 16 & 0x8000, m;
    u &= 0x7fffffff;
    if (u < 0x38800000) { // below 2^-14: adding 0.5 leaves multiples of 2^-24 in the low bits
        m = bits_of(float_of(u) + 0.5f) - 0x3f000000;
    } else {
        m = (u + 0xc8000fff + (u >> 13 & 1)) >> 13; // 0xc8000000: 112 taken from the exponent
    }
    return (uint16_t)(sign | m);
}

static float float_of_half(uint16_t h)
{
    uint32_t sign = (uint32_t)(h & 0x8000) << 16, m = h & 0x7fff;
    float v = m < 0x400 ? (float)m * 0x1p-24f : float_of((m << 13) + 0x38000000);
    return float_of(bits_of(v) | sign);
}

#if defined(__x86_64__)
__attribute__((target("avx,f16c"))) static size_t to_half8(uint16_t *out, const float *in, size_t n)
{
    const __m256 hi = _mm256_set1_ps(HALF_MAX), lo = _mm256_set1_ps(-HALF_MAX);
    size_t i = 0;
    for (; i + 8 <= n; i += 8) {
        __m256 v = _mm256_loadu_ps(in + i);
        v = _mm256_and_ps(v, _mm256_cmp_ps(v, v, _CMP_ORD_Q));
        v = _mm256_max_ps(_mm256_min_ps(v, hi), lo);
        _mm_storeu_si128((__m128i *)(void *)(out + i), _mm256_cvtps_ph(v, 0));
    }
    return i;
}

__attribute__((target("avx,f16c"))) static size_t from_half8(float *out, const uint16_t *in,
                                                             size_t n)
{
    size_t i = 0;
    for (; i + 8 <= n; i += 8) {
        __m128i h = _mm_loadu_si128((const __m128i *)(const void *)(in + i));
        _mm256_storeu_ps(out + i, _mm256_cvtph_ps(h));
    }
    return i;
}

// Both belong to the level x86-64-v3, and clang 14 cannot ask for f16c by name.
static bool has_f16c(void)
{
    return __builtin_cpu_supports("avx2");
}
#endif

void hc_half_plain_from(uint16_t *out, const float *in, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        out[i] = half_of(in[i]);
    }
}

void hc_half_plain_to(float *out, const uint16_t *in, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        out[i] = float_of_half(in[i]);
    }
}

void hc_half_from(uint16_t *out, const float *in, size_t n)
{
    size_t i = 0;
#if defined(__x86_64__)
    i = has_f16c() ? to_half8(out, in, n) : 0;
#endif
    hc_half_plain_from(out + i, in + i, n - i);
}

void hc_half_to(float *out, const uint16_t *in, size_t n)
{
    size_t i = 0;
#if defined(__x86_64__)
    i = has_f16c() ? from_half8(out, in, n) : 0;
#endif
    hc_half_plain_to(out + i, in + i, n - i);
}
