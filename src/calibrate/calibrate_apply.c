// Applying a fitted correction, and the local metric in which it is fitted.
#include <math.h>

#include "calibrate/calibrate_priv.h"
#include "colour/colour.h"

void hc_calibrate_apply(double out[3], const struct hc_calibration *c, const double in[3])
{
    double t[HC_CALIBRATE_TERMS_MAX], rgb[3];
    for (int k = 0; k < 3; k++) {
        rgb[k] = in[k] * c->gain[k];
    }
    int n = hc_calibrate_terms(t, c->kind, rgb);
    for (int k = 0; k < 3; k++) {
        out[k] = 0.0;
        for (int i = 0; i < n; i++) {
            out[k] += t[i] * c->coef[i][k];
        }
    }
}

// Six terms in float: the path of whole images. A matrix has zeros for the last three.
static void apply_six(float *restrict r, float *restrict g, float *restrict b, const float m[18],
                      const float gain[3], size_t n)
{
    for (size_t i = 0; i < n; i++) {
        float x = r[i] * gain[0], y = g[i] * gain[1], z = b[i] * gain[2];
        float px = x > 0.0F ? x : 0.0F, py = y > 0.0F ? y : 0.0F, pz = z > 0.0F ? z : 0.0F;
        float xy = sqrtf(px * py), yz = sqrtf(py * pz), xz = sqrtf(px * pz);
        r[i] = x * m[0] + y * m[3] + z * m[6] + xy * m[9] + yz * m[12] + xz * m[15];
        g[i] = x * m[1] + y * m[4] + z * m[7] + xy * m[10] + yz * m[13] + xz * m[16];
        b[i] = x * m[2] + y * m[5] + z * m[8] + xy * m[11] + yz * m[14] + xz * m[17];
    }
}

void hc_calibrate_apply_rows(float *const lin[3], const struct hc_calibration *c, size_t n)
{
    if (c->terms > 6) {
        for (size_t i = 0; i < n; i++) {
            double v[3] = {(double)lin[0][i], (double)lin[1][i], (double)lin[2][i]};
            hc_calibrate_apply(v, c, v);
            for (int k = 0; k < 3; k++) {
                lin[k][i] = (float)v[k];
            }
        }
        return;
    }
    float m[18] = {0.0F}, gain[3];
    for (int k = 0; k < 3; k++) {
        gain[k] = (float)c->gain[k];
        for (int i = 0; i < c->terms; i++) {
            m[3 * i + k] = (float)c->coef[i][k];
        }
    }
    apply_six(lin[0], lin[1], lin[2], m, gain, n);
}

// S_C, S_H and the stretch 1 + G of a* at a colour (CIEDE2000; Sharma, Wu, Dalal 2005, eq. 4, 15,
// 20, 21), without the rotation term.
static void weights_at(double *s_l, double *s_c, double *s_h, double *stretch, const double lab[3])
{
    const double deg = 3.14159265358979323846 / 180.0;
    double c7 = pow(hypot(lab[1], lab[2]), 7.0), d = lab[0] - 50.0;
    *stretch = 1.0 + 0.5 * (1.0 - sqrt(c7 / (c7 + 6103515625.0))); // 25^7
    double a = lab[1] * *stretch, c = hypot(a, lab[2]), h = c > 0.0 ? atan2(lab[2], a) : 0.0;
    double t = 1.0 - 0.17 * cos(h - 30.0 * deg) + 0.24 * cos(2.0 * h) +
               0.32 * cos(3.0 * h + 6.0 * deg) - 0.20 * cos(4.0 * h - 63.0 * deg);
    *s_l = 1.0 + 0.015 * d * d / sqrt(20.0 + d * d);
    *s_c = 1.0 + 0.045 * c;
    *s_h = 1.0 + 0.015 * c * t;
}

void hc_calibrate_metric(double j[9], const double lin[3])
{
    double lab[3], s_l, s_c, s_h, stretch;
    double step = 1e-4 * (0.01 + fmax(lin[0], fmax(lin[1], lin[2])));
    hc_colour_lin_to_lab_d50(lab, lin);
    weights_at(&s_l, &s_c, &s_h, &stretch, lab);
    double a = lab[1] * stretch, c = hypot(a, lab[2]);
    double ca = c > 1e-9 ? a / c : 1.0, cb = c > 1e-9 ? lab[2] / c : 0.0;
    for (int k = 0; k < 3; k++) {
        double up[3] = {lin[0], lin[1], lin[2]}, down[3] = {lin[0], lin[1], lin[2]}, lu[3], ld[3];
        up[k] += step;
        down[k] -= step;
        hc_colour_lin_to_lab_d50(lu, up);
        hc_colour_lin_to_lab_d50(ld, down);
        double dl = (lu[0] - ld[0]) / (2.0 * step), da = stretch * (lu[1] - ld[1]) / (2.0 * step);
        double db = (lu[2] - ld[2]) / (2.0 * step);
        j[k] = dl / s_l;
        j[3 + k] = (ca * da + cb * db) / s_c;
        j[6 + k] = (ca * db - cb * da) / s_h;
    }
}

double hc_calibrate_de_parts(double *without_l, double *sl1, const double lab1[3],
                             const double lab2[3])
{
    double de = hc_colour_ciede2000(lab1, lab2), d = 0.5 * (lab1[0] + lab2[0]) - 50.0;
    double dl = lab2[0] - lab1[0], s_l = 1.0 + 0.015 * d * d / sqrt(20.0 + d * d);
    double rest = fmax(0.0, de * de - dl * dl / (s_l * s_l));
    *without_l = sqrt(rest);
    *sl1 = sqrt(rest + dl * dl);
    return de;
}
