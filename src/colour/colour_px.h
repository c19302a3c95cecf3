// One pixel in float: the arithmetic behind the row functions, free of branches and library calls
// but sqrtf so that a compiler turns a loop over it into vector code.
//
// Only + - * / sqrtf, comparisons and integer moves are used and contraction is off, so scalar,
// SSE2 and AVX2 code give the same bits; colour_rows_test.c holds them to that.
#ifndef HC_COLOUR_COLOUR_PX_H
#define HC_COLOUR_COLOUR_PX_H

#include <math.h>
#include <stdint.h>
#include <string.h>

#define HC_PX static inline __attribute__((always_inline))

HC_PX float hc_px_max(float a, float b)
{
    return a > b ? a : b;
}

// 0..1; NaN gives 0.
HC_PX float hc_px_clip(float v)
{
    float low = v > 0.0f ? v : 0.0f;
    return low < 1.0f ? low : 1.0f;
}

// Cube root of a normal positive x, relative error below 5e-7: 1 / cbrt(x) from a third of the
// exponent (error 3.5 %) and three Newton steps, which need no division.
HC_PX float hc_px_cbrt(float x)
{
    const float third = x * (1.0f / 3.0f);
    int32_t bits;
    float r;
    memcpy(&bits, &x, sizeof bits);
    bits = 0x54a24000 - (int32_t)((float)bits * (1.0f / 3.0f));
    memcpy(&r, &bits, sizeof r);
    r *= (4.0f / 3.0f) - third * (r * r * r);
    r *= (4.0f / 3.0f) - third * (r * r * r);
    r *= (4.0f / 3.0f) - third * (r * r * r);
    return x * (r * r);
}

// The f of CIELAB (CIE 015:2018, eq. 8.6 on).
HC_PX float hc_px_lab_f(float t)
{
    const float at = (float)(216.0 / 24389.0);
    float root = hc_px_cbrt(hc_px_max(t, at));
    float line = (float)(841.0 / 108.0) * t + (float)(4.0 / 29.0);
    return t > at ? root : line;
}

// Encoded sRGB of linear v in 0..1: v^(1/2.4) = v^(1/4) * cbrt(v^(1/2)).
HC_PX float hc_px_srgb(float v)
{
    const float at = 0.0031308f;
    float root = sqrtf(hc_px_max(v, at));
    float curve = 1.055f * (sqrtf(root) * hc_px_cbrt(root)) - 0.055f;
    return hc_px_clip(v > at ? curve : 12.92f * v);
}

// sqrt(c^7 / (c^7 + 25^7))
HC_PX float hc_px_chroma7(float c)
{
    float x = c * (1.0f / 25.0f);
    float x2 = x * x, x7 = x2 * x2 * x2 * x;
    return sqrtf(x7 / (x7 + 1.0f));
}

// exp(-((h - 275) / 25)^2) for the hue whose cosine and sine are c, s; 0 where it is below 3e-6.
HC_PX float hc_px_blue_turn(float c, float s)
{
    const float c275 = 0.08715574275f, s275 = -0.99619469809f;
    float along = c * c275 + s * s275;
    float across = s * c275 - c * s275;
    float t = across / (1.0f + hc_px_max(along, 0.0f)); // tan of half the angle from 275 degrees
    float w = t * t;
    // atan on -1..1, error 1e-5 (Abramowitz and Stegun 1964, 4.4.47).
    float at = t * (0.9998660f +
                    w * (-0.3302995f + w * (0.1801410f + w * (-0.0851330f + w * 0.0208351f))));
    float z = 4.5836624f * at; // 2 * 180 / (25 pi)
    float y = z * z * (-1.0f / 16.0f);
    float e =
        1.0f +
        y * (1.0f +
             y * (0.5f + y * ((1.0f / 6.0f) +
                              y * ((1.0f / 24.0f) + y * ((1.0f / 120.0f) + y * (1.0f / 720.0f))))));
    e *= e;
    e *= e;
    e *= e;
    e *= e;
    return along > 0.0f ? e : 0.0f;
}

// sin on 0..pi/3, error below 5e-6.
HC_PX float hc_px_sin(float x)
{
    float q = x * x;
    return x * (1.0f + q * ((-1.0f / 6.0f) + q * ((1.0f / 120.0f) + q * (-1.0f / 5040.0f))));
}

// CIEDE2000 without angles (docs/theory/colour.md, "CIEDE2000 without angles"): chroma and hue
// differences come from products of differences, so small distances keep their digits.
HC_PX float hc_px_ciede2000(float l1, float a1, float b1, float l2, float a2, float b2)
{
    const float tiny = 1e-18f;
    float mean_c = 0.5f * (sqrtf(a1 * a1 + b1 * b1) + sqrtf(a2 * a2 + b2 * b2));
    float g1 = 1.5f - 0.5f * hc_px_chroma7(mean_c);
    float p1 = a1 * g1, p2 = a2 * g1;
    float dp = (a2 - a1) * g1, db = b2 - b1, dl = l2 - l1;
    float c1 = sqrtf(p1 * p1 + b1 * b1), c2 = sqrtf(p2 * p2 + b2 * b2);
    float dc = (dp * (p1 + p2) + db * (b1 + b2)) / hc_px_max(c1 + c2, tiny);
    // The cross product from the difference and the greyer of the two loses no digits to
    // cancellation.
    float pg = c1 < c2 ? p1 : p2, bg = c1 < c2 ? b1 : b2;
    float dot = p1 * p2 + b1 * b2, cross = pg * db - bg * dp, product = c1 * c2;
    float half = sqrtf(0.5f * (product + fabsf(dot)));
    // Which way round from 1 to 2. Exactly opposite hues follow the published rule: through the
    // mean of both angles, so upwards from the one below 180 degrees.
    float up = b1 > 0.0f ? 1.0f : (b1 < 0.0f ? -1.0f : (a1 > 0.0f ? 1.0f : -1.0f));
    float turn = cross > 1e-6f * product ? 1.0f : (cross < -1e-6f * product ? -1.0f : up);
    float dh_near = cross / hc_px_max(half, tiny);
    float dh = dot >= 0.0f ? dh_near : turn * 2.0f * half;
    // Direction of the mean hue: the sum of the unit vectors, or the normal of their difference
    // where the sum would be short.
    float r1 = 1.0f / hc_px_max(c1, tiny), r2 = 1.0f / hc_px_max(c2, tiny);
    float ux = p1 * r1, uy = b1 * r1, vx = p2 * r2, vy = b2 * r2;
    float hx = dot >= 0.0f ? ux + vx : turn * (vy - uy);
    float hy = dot >= 0.0f ? uy + vy : turn * (ux - vx);
    float rh = 1.0f / hc_px_max(sqrtf(hx * hx + hy * hy), tiny);
    float c = hx * rh, s = hy * rh;
    float cc = c * c - s * s, ss = 2.0f * c * s; // of twice the hue
    float c3 = c * cc - s * ss, s3 = s * cc + c * ss;
    float c4 = cc * cc - ss * ss, s4 = 2.0f * cc * ss;
    float t = 1.0f - 0.17f * (0.86602540f * c + 0.5f * s) + 0.24f * cc +
              0.32f * (0.99452190f * c3 - 0.10452846f * s3) -
              0.20f * (0.45399050f * c4 + 0.89100652f * s4);
    float mean_cp = 0.5f * (c1 + c2), l50 = 0.5f * (l1 + l2) - 50.0f;
    float l2q = l50 * l50;
    float sl = 1.0f + 0.015f * l2q / sqrtf(20.0f + l2q);
    float sc = 1.0f + 0.045f * mean_cp;
    float sh = 1.0f + 0.015f * mean_cp * t;
    float rt = -2.0f * hc_px_chroma7(mean_cp) * hc_px_sin(1.04719755f * hc_px_blue_turn(c, s));
    float x = dl / sl, y = dc / sc, w = dh / sh;
    return sqrtf(hc_px_max(x * x + y * y + w * w + rt * y * w, 0.0f));
}

#endif
