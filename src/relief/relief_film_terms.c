// First-order shading of paint under a film, and what ordinary slopes read through it (theory,
// section 6).
#include "relief/relief_priv.h"

#include <math.h>

// Unpolarised transmission of a flat surface at cosine c (Fresnel).
double hc_relief_fresnel_t(double c, double index)
{
    double ct = sqrt(1 - (1 - c * c) / (index * index));
    double s = (c - index * ct) / (c + index * ct), p = (index * c - ct) / (index * c + ct);
    return 1 - 0.5 * (s * s + p * p);
}

struct hc_relief_film_terms hc_relief_film_terms(double zenith_deg, double index)
{
    double c = cos(fmin(fabs(zenith_deg), 89.9) * M_PI / 180);
    double ct = sqrt(1 - (1 - c * c) / (index * index)), step = 1e-5 * c;
    double up = fmin(c + step, 1), down = c - step, t = hc_relief_fresnel_t(c, index);
    double slope =
        (hc_relief_fresnel_t(up, index) - hc_relief_fresnel_t(down, index)) / (up - down);
    struct hc_relief_film_terms f = {.kappa = c / (index * ct), .transmit = t};
    f.beta = 1 - f.kappa + c * slope / t;
    return f;
}

// Least squares is linear: with signal T (c - (kappa a + beta b).l_t) the solved g changes by
// -L^+ (T kappa l_t a), and p = -g_x / g_z. Mean of the x and y answers.
struct hc_relief_reading hc_relief_reading(const struct hc_relief_light *lights, size_t n,
                                           double index)
{
    struct hc_relief_reading out = {0};
    struct hc_relief_sym3 s = {0}, inv;
    double flat[3] = {0}, paint[2][3] = {{0}}, film[2][3] = {{0}}, g[3], d[3];
    for (size_t k = 0; k < n; k++) {
        const double *l = lights[k].dir;
        struct hc_relief_film_terms f =
            hc_relief_film_terms(acos(fmin(1, fmax(0, l[2]))) * 180 / M_PI, index);
        hc_relief_sym3_add(&s, l, 1);
        for (int i = 0; i < 3; i++) {
            flat[i] += f.transmit * l[2] * l[i];
            for (int j = 0; j < 2; j++) {
                paint[j][i] -= f.transmit * f.kappa * l[j] * l[i];
                film[j][i] -= f.transmit * f.beta * l[j] * l[i];
            }
        }
    }
    if (!hc_relief_sym3_invert(&inv, &s)) {
        return out;
    }
    hc_relief_sym3_apply(g, &inv, flat);
    for (int j = 0; j < 2 && g[2] > 0; j++) {
        hc_relief_sym3_apply(d, &inv, paint[j]);
        out.paint += 0.5 * -(d[j] - g[j] / g[2] * d[2]) / g[2];
        hc_relief_sym3_apply(d, &inv, film[j]);
        out.film += 0.5 * -(d[j] - g[j] / g[2] * d[2]) / g[2];
    }
    return out;
}
