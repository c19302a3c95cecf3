// Overlays that must read over light and over dark paint and add no hue: a hatch of light-and-dark
// line pairs for refusals, a grey veil in steps for an amount. Computed in each level's own pixels,
// so lines keep their spacing on the screen; from absolute positions, so they run on across tiles.
#include <math.h>

#include "image/image_priv.h"

#define HATCH_PERIOD 12 // level px along a row

// cover is the refused share under the pixel. Where it is small the hatch fades but never vanishes:
// the square root keeps a 1 % scatter of refused pixels visible as a faint hatch.
void hc_overlay_hatch_row(uint8_t *ga, const float *cover, int n, int x0, int y0)
{
    // Grey and opacity along the diagonal: two dark, two light, then a thin veil.
    static const uint8_t grey[HATCH_PERIOD] = {24,  24,  236, 236, 128, 128,
                                               128, 128, 128, 128, 128, 128};
    static const uint8_t alpha[HATCH_PERIOD] = {200, 200, 200, 200, 56, 56, 56, 56, 56, 56, 56, 56};
    for (int i = 0; i < n; i++) {
        int t = (x0 + i + y0) % HATCH_PERIOD;
        float c = cover[i] > 0 ? sqrtf(cover[i] < 1 ? cover[i] : 1) : 0;
        ga[2 * i] = c > 0 ? grey[t] : 0;
        ga[2 * i + 1] = (uint8_t)((float)alpha[t] * c + 0.5f);
    }
}

static int heat_step(float v, float lo, float hi)
{
    float t = (v - lo) / (hi - lo) * 6;
    return t >= 5 ? 5 : t > 0 ? (int)t : 0;
}

// Steps 1..5 of a mid-grey veil; where a step begins, a line of dark and light dashes, so that half
// of it stands out from any paint.
void hc_overlay_heat_row(uint8_t *ga, const float *v, const float *above, float left, int n, int x0,
                         int y0, float lo, float hi)
{
    static const uint8_t alpha[6] = {0, 45, 82, 118, 152, 184};
    int before = isnan(left) ? heat_step(v[0], lo, hi) : heat_step(left, lo, hi);
    for (int i = 0; i < n; i++) {
        int s = heat_step(v[i], lo, hi), up = above ? heat_step(above[i], lo, hi) : s;
        bool is_edge = s != before || s != up, is_light = ((x0 + i) / 4 + y0 / 4) % 2 == 1;
        ga[2 * i] = is_edge ? (is_light ? 236 : 24) : s ? 128 : 0;
        ga[2 * i + 1] = is_edge ? 200 : alpha[s];
        before = s;
    }
}
