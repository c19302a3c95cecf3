#include "demo_priv.h"

#include <math.h>

static double fade(double t)
{
    return t * t * (3.0 - 2.0 * t);
}

double hc_demo_noise(uint64_t seed, double x, double y)
{
    double fx = floor(x), fy = floor(y);
    int64_t ix = (int64_t)fx, iy = (int64_t)fy;
    double u = fade(x - fx), v = fade(y - fy);
    double a = hc_rng_hash(seed, ix, iy), b = hc_rng_hash(seed, ix + 1, iy);
    double c = hc_rng_hash(seed, ix, iy + 1), d = hc_rng_hash(seed, ix + 1, iy + 1);
    return 2.0 * (a + u * (b - a) + v * (c + u * (d - c) - a - u * (b - a))) - 1.0;
}

double hc_demo_fbm(uint64_t seed, double x, double y, int octaves)
{
    double sum = 0.0, amp = 0.5;
    for (int i = 0; i < octaves; i++) {
        sum += amp * hc_demo_noise(seed + (uint64_t)i * 7919u, x, y);
        // Turned a little at each octave so that the lattice does not show.
        double tx = 1.6 * x - 1.2 * y + 11.3, ty = 1.2 * x + 1.6 * y - 4.7;
        x = tx;
        y = ty;
        amp *= 0.5;
    }
    return sum;
}

// Distance from (x, y) to the nearest border between cells of jittered seed points, in cell units.
// Worley, "A cellular texture basis function", SIGGRAPH 1996; border distance by the bisector.
double hc_demo_cell_border(uint64_t seed, double x, double y)
{
    double fx = floor(x), fy = floor(y), best = 1e9, bx = 0.0, by = 0.0, border = 1e9;
    double px[25], py[25];
    int n = 0;
    for (int j = -2; j <= 2; j++) {
        for (int i = -2; i <= 2; i++) {
            int64_t cx = (int64_t)fx + i, cy = (int64_t)fy + j;
            double qx = (double)cx + 0.1 + 0.8 * hc_rng_hash(seed, cx, cy) - x;
            double qy = (double)cy + 0.1 + 0.8 * hc_rng_hash(seed + 1, cx, cy) - y;
            double d = qx * qx + qy * qy;
            px[n] = qx;
            py[n++] = qy;
            if (d < best) {
                best = d;
                bx = qx;
                by = qy;
            }
        }
    }
    for (int k = 0; k < n; k++) {
        double ex = px[k] - bx, ey = py[k] - by, len = ex * ex + ey * ey;
        if (len > 1e-9) {
            double d = (0.5 * (px[k] + bx) * ex + 0.5 * (py[k] + by) * ey) / sqrt(len);
            border = d < border ? d : border;
        }
    }
    return border;
}
