#include "num/banded.h"

#include <math.h>

static double dot(const double *a, const double *b, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        sum += a[i] * b[i];
    }
    return sum;
}

// L of A = L L', in place, row by row.
static hc_status factor(double *a, size_t n, size_t band, struct hc_err *err)
{
    for (size_t i = 0; i < n; i++) {
        double *row = a + i * (band + 1);
        size_t first = i < band ? band - i : 0; // first entry of the row that exists
        for (size_t c = first; c <= band; c++) {
            const double *other = a + (i + c - band) * (band + 1); // row of that column
            size_t shift = band - c;                               // its entries lie further right
            double v = row[c] - dot(row + first, other + first + shift, c - first);
            if (c < band) {
                row[c] = v / other[band];
            } else if (v > 0 && isfinite(v)) {
                row[c] = sqrt(v);
            } else {
                return hc_err_set(err, HC_ENUMERIC, "num",
                                  "a banded system of %zu unknowns is not positive definite at "
                                  "row %zu",
                                  n, i);
            }
        }
    }
    return HC_OK;
}

hc_status hc_banded_solve_spd(double *a, size_t n, size_t band, double *b, size_t m,
                              struct hc_err *err)
{
    hc_status st = factor(a, n, band, err);
    if (st != HC_OK) {
        return st;
    }
    for (size_t e = 0; e < m; e++) {
        for (size_t i = 0; i < n; i++) {
            const double *row = a + i * (band + 1);
            double v = b[i * m + e];
            for (size_t k = 1; k <= band && k <= i; k++) {
                v -= row[band - k] * b[(i - k) * m + e];
            }
            b[i * m + e] = v / row[band];
        }
        for (size_t i = n; i-- > 0;) {
            const double *row = a + i * (band + 1);
            double v = b[i * m + e] / row[band];
            b[i * m + e] = v;
            for (size_t k = 1; k <= band && k <= i; k++) {
                b[(i - k) * m + e] -= row[band - k] * v;
            }
        }
    }
    return HC_OK;
}
