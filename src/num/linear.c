#include "num/linear.h"

#include <math.h>
#include <string.h>

hc_status hc_linear_solve_spd(double *a, size_t n, double *b, size_t m, struct hc_err *err)
{
    for (size_t j = 0; j < n; j++) {
        double d = a[j * n + j];
        for (size_t k = 0; k < j; k++) {
            d -= a[j * n + k] * a[j * n + k];
        }
        if (!(d > 0) || !isfinite(d)) {
            return hc_err_set(err, HC_ENUMERIC, "num",
                              "a system of %zu equations is singular (pivot %zu)", n, j);
        }
        d = sqrt(d);
        a[j * n + j] = d;
        for (size_t i = j + 1; i < n; i++) {
            double s = a[i * n + j];
            for (size_t k = 0; k < j; k++) {
                s -= a[i * n + k] * a[j * n + k];
            }
            a[i * n + j] = s / d;
        }
    }
    for (size_t c = 0; c < m; c++) {
        for (size_t i = 0; i < n; i++) {
            double s = b[i * m + c];
            for (size_t k = 0; k < i; k++) {
                s -= a[i * n + k] * b[k * m + c];
            }
            b[i * m + c] = s / a[i * n + i];
        }
        for (size_t i = n; i-- > 0;) {
            double s = b[i * m + c];
            for (size_t k = i + 1; k < n; k++) {
                s -= a[k * n + i] * b[k * m + c];
            }
            b[i * m + c] = s / a[i * n + i];
        }
    }
    return HC_OK;
}

hc_status hc_linear_ridge(double *c, const double *x, const double *y, const double *w,
                          const double *ridge, size_t rows, size_t p, size_t m, struct hc_err *err)
{
    double a[64 * 64];
    hc_assert(p >= 1 && p <= 64 && m >= 1 && m <= 8);
    memset(a, 0, p * p * sizeof *a);
    memset(c, 0, p * m * sizeof *c);
    for (size_t r = 0; r < rows; r++) {
        const double *xr = x + r * p, *yr = y + r * m;
        double wr = w ? w[r] : 1.0;
        for (size_t i = 0; i < p; i++) {
            double wx = wr * xr[i];
            for (size_t j = 0; j <= i; j++) {
                a[i * p + j] += wx * xr[j];
            }
            for (size_t k = 0; k < m; k++) {
                c[i * m + k] += wx * yr[k];
            }
        }
    }
    for (size_t i = 0; i < p; i++) {
        a[i * p + i] += ridge[i];
        for (size_t j = i + 1; j < p; j++) {
            a[i * p + j] = a[j * p + i];
        }
    }
    return hc_linear_solve_spd(a, p, c, m, err);
}

hc_status hc_linear_inv3(double out[9], const double in[9], struct hc_err *err)
{
    double m[9], det;
    memcpy(m, in, sizeof m);
    double c0 = m[4] * m[8] - m[5] * m[7], c1 = m[5] * m[6] - m[3] * m[8],
           c2 = m[3] * m[7] - m[4] * m[6];
    det = m[0] * c0 + m[1] * c1 + m[2] * c2;
    if (!(fabs(det) > 1e-300) || !isfinite(det)) {
        return hc_err_set(err, HC_ENUMERIC, "num", "a 3x3 matrix has no inverse");
    }
    out[0] = c0 / det;
    out[1] = (m[2] * m[7] - m[1] * m[8]) / det;
    out[2] = (m[1] * m[5] - m[2] * m[4]) / det;
    out[3] = c1 / det;
    out[4] = (m[0] * m[8] - m[2] * m[6]) / det;
    out[5] = (m[2] * m[3] - m[0] * m[5]) / det;
    out[6] = c2 / det;
    out[7] = (m[1] * m[6] - m[0] * m[7]) / det;
    out[8] = (m[0] * m[4] - m[1] * m[3]) / det;
    return HC_OK;
}

void hc_linear_mul3(double out[9], const double a[9], const double b[9])
{
    double t[9];
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++) {
            t[i * 3 + j] = a[i * 3] * b[j] + a[i * 3 + 1] * b[3 + j] + a[i * 3 + 2] * b[6 + j];
        }
    }
    memcpy(out, t, sizeof t);
}

void hc_linear_apply3(double out[3], const double m[9], const double v[3])
{
    double a = v[0], b = v[1], c = v[2];
    for (int i = 0; i < 3; i++) {
        out[i] = m[i * 3] * a + m[i * 3 + 1] * b + m[i * 3 + 2] * c;
    }
}
