// Terms and weighted least squares for one fit (docs/theory/calibrate.md, "Fit").
#include <math.h>
#include <string.h>

#include "calibrate/calibrate_priv.h"
#include "colour/colour.h"
#include "num/linear.h"

#define N3 (3 * HC_CALIBRATE_TERMS_MAX)
#define LEAST_DE 0.5 // CIEDE2000 below which all patches weigh alike

static double root(double v)
{
    return v > 0.0 ? sqrt(v) : 0.0;
}

int hc_calibrate_terms(double *t, enum hc_calibrate_kind kind, const double rgb[3])
{
    double r = fmax(rgb[0], 0.0), g = fmax(rgb[1], 0.0), b = fmax(rgb[2], 0.0);
    memcpy(t, rgb, 3 * sizeof *t);
    if (kind == HC_CALIBRATE_MATRIX || kind == HC_CALIBRATE_MATRIX_WHITE) {
        return 3;
    }
    // Finlayson, Mackiewicz, Hurlbert, IEEE Trans. Image Processing 24(5), 2015: every term grows
    // in proportion to the light.
    t[3] = root(r * g);
    t[4] = root(g * b);
    t[5] = root(r * b);
    if (kind == HC_CALIBRATE_ROOT2) {
        return 6;
    }
    t[6] = cbrt(r * g * g);
    t[7] = cbrt(g * b * b);
    t[8] = cbrt(r * b * b);
    t[9] = cbrt(g * r * r);
    t[10] = cbrt(b * g * g);
    t[11] = cbrt(b * r * r);
    t[12] = cbrt(r * g * b);
    return 13;
}

void hc_fit_apply(double out[3], const struct hc_fit *f, const double in[3])
{
    double t[HC_CALIBRATE_TERMS_MAX], rgb[3], sum[3] = {0.0};
    for (int k = 0; k < 3; k++) {
        rgb[k] = in[k] * f->gain[k];
    }
    int n = hc_calibrate_terms(t, f->kind, rgb);
    for (int i = 0; i < n; i++) {
        for (int k = 0; k < 3; k++) {
            sum[k] += t[i] * f->coef[i][k];
        }
    }
    memcpy(out, sum, sizeof sum);
}

double hc_fit_de(const struct hc_fit *f, const struct hc_fit_job *j, int i, double lab[3])
{
    double lin[3];
    hc_fit_apply(lin, f, j->patch[i].lin);
    hc_colour_lin_to_lab_d50(lab, lin);
    return hc_colour_ciede2000(j->target->patch[i].lab, lab);
}

// White balance and exposure: the gain that brings the neutrals to their reference, relative errors
// weighing alike. 1 without a usable neutral (only the finder comes here without one).
static void fit_gain(double gain[3], const struct hc_fit_job *j, int skip)
{
    double up[3] = {0.0}, down[3] = {0.0};
    for (int i = 0; i < j->target->n; i++) {
        const struct hc_target_patch *p = &j->target->patch[i];
        if (!p->is_neutral || j->share[i] <= 0.0 || i == skip) {
            continue;
        }
        for (int k = 0; k < 3; k++) {
            double want = fmax(p->lin[k], 1e-6), got = j->patch[i].lin[k];
            up[k] += j->share[i] * got;
            down[k] += j->share[i] * got * got / want;
        }
    }
    for (int k = 0; k < 3; k++) {
        gain[k] = up[k] > 0.0 && down[k] > 0.0 ? up[k] / down[k] : 1.0;
    }
}

// The mean neutral, each scaled to the lightness of its reference: balanced camera values and
// reference. Real neutrals are slightly tinted, and a matrix with large terms would blow that up if
// (1, 1, 1) were kept instead.
static void mean_neutral(double got[3], double want[3], const struct hc_fit *f,
                         const struct hc_fit_job *j, int skip)
{
    for (int k = 0; k < 3; k++) {
        got[k] = want[k] = 0.0;
        for (int i = 0; i < j->target->n; i++) {
            const struct hc_target_patch *p = &j->target->patch[i];
            if (p->is_neutral && j->share[i] > 0.0 && i != skip) {
                double share = j->share[i] / fmax(p->lin[1], 1e-6);
                got[k] += share * f->gain[k] * j->patch[i].lin[k];
                want[k] += share * p->lin[k];
            }
        }
    }
}

// Normal equations of the 3 * terms coefficients (index 3 * term + channel) without patch `skip`.
static void normal_equations(double *a, double *b, const struct hc_fit *f,
                             const struct hc_fit_job *j, const double *share, int skip)
{
    int n = 3 * f->terms;
    memset(a, 0, (size_t)(n * n) * sizeof *a);
    memset(b, 0, (size_t)n * sizeof *b);
    for (int i = 0; i < j->target->n; i++) {
        double t[HC_CALIBRATE_TERMS_MAX], rgb[3], q[9] = {1, 0, 0, 0, 1, 0, 0, 0, 1}, want[3];
        if (i == skip || share[i] <= 0.0) {
            continue;
        }
        for (int k = 0; k < 3; k++) {
            rgb[k] = j->patch[i].lin[k] * f->gain[k];
        }
        hc_calibrate_terms(t, f->kind, rgb);
        if (f->is_weighted) { // q = J'J of the metric
            const double *m = j->metric[i];
            for (int r = 0; r < 3; r++) {
                for (int c = 0; c < 3; c++) {
                    q[3 * r + c] = m[r] * m[c] + m[3 + r] * m[3 + c] + m[6 + r] * m[6 + c];
                }
            }
        }
        hc_linear_apply3(want, q, j->target->patch[i].lin);
        for (int p = 0; p < n; p++) {
            double tp = share[i] * t[p / 3];
            b[p] += tp * want[p % 3];
            for (int c = 0; c <= p; c++) {
                a[p * n + c] += tp * t[c / 3] * q[3 * (p % 3) + c % 3];
            }
        }
    }
    for (int p = 0; p < n; p++) {
        for (int c = p + 1; c < n; c++) {
            a[p * n + c] = a[c * n + p];
        }
    }
}

// Least squares without patch `skip` (-1: with all). MATRIX_WHITE keeps the mean neutral by
// Lagrange's multipliers: x = x0 + H^-1 C' (C H^-1 C')^-1 (r - C x0), C x the image of the mean
// neutral, r its reference.
static hc_status solve_once(struct hc_fit *f, const struct hc_fit_job *j, const double *share,
                            int skip, struct hc_err *err)
{
    double a[N3 * N3], b[N3], rhs[N3 * 4], c[9], lack[3], multiplier[3], got[3], want[3];
    bool keeps_white = f->kind == HC_CALIBRATE_MATRIX_WHITE;
    int m = keeps_white ? 4 : 1;
    int n = 3 * f->terms;
    normal_equations(a, b, f, j, share, skip);
    mean_neutral(got, want, f, j, skip);
    for (int p = 0; p < n; p++) {
        for (int k = 0; k < m; k++) {
            rhs[p * m + k] = k == 0 ? b[p] : p % 3 == k - 1 ? got[p / 3] : 0.0;
        }
    }
    hc_status st = hc_linear_solve_spd(a, (size_t)n, rhs, (size_t)m, err);
    if (st == HC_OK && keeps_white) {
        for (int k = 0; k < 3; k++) {
            lack[k] = want[k];
            for (int t = 0; t < 3; t++) {
                lack[k] -= got[t] * rhs[(3 * t + k) * m];
            }
            for (int q = 0; q < 3; q++) {
                c[3 * k + q] = 0.0;
                for (int t = 0; t < 3; t++) {
                    c[3 * k + q] += got[t] * rhs[(3 * t + k) * m + q + 1];
                }
            }
        }
        st = hc_linear_inv3(c, c, err);
        if (st == HC_OK) {
            hc_linear_apply3(multiplier, c, lack);
        }
    }
    if (st != HC_OK) {
        return st;
    }
    for (int p = 0; p < n; p++) {
        double v = rhs[p * m];
        for (int q = 0; keeps_white && q < 3; q++) {
            v += rhs[p * m + q + 1] * multiplier[q];
        }
        f->coef[p / 3][p % 3] = v;
    }
    return HC_OK;
}

// Iteratively reweighted least squares (Lawson 1961; Holland, Welsch, Communications in Statistics
// 6(9), 1977): weights of 1 / difference turn the sum of squares into a sum of differences, which
// is what the fit is judged by, and keep one odd patch from bending it for all others.
hc_status hc_fit_solve(struct hc_fit *f, const struct hc_fit_job *j, int skip, struct hc_err *err)
{
    double share[HC_TARGET_MAX], lab[3];
    memcpy(share, j->share, (size_t)j->target->n * sizeof *share);
    f->terms = f->kind == HC_CALIBRATE_ROOT3 ? 13 : f->kind == HC_CALIBRATE_ROOT2 ? 6 : 3;
    fit_gain(f->gain, j, skip);
    hc_status st = solve_once(f, j, share, skip, err);
    for (int round = 0; st == HC_OK && round < f->rounds; round++) {
        for (int i = 0; i < j->target->n; i++) {
            if (i != skip && j->share[i] > 0.0) {
                share[i] = j->share[i] / fmax(hc_fit_de(f, j, i, lab), LEAST_DE);
            }
        }
        st = solve_once(f, j, share, skip, err);
    }
    return st;
}
