// Small dense linear algebra (row-major doubles). Larger problems belong in a library.
#ifndef HC_NUM_LINEAR_H
#define HC_NUM_LINEAR_H

#include <stddef.h>

#include "base/err.h"

#define HC_LINEAR_MAX 512 // largest n of hc_linear_solve_spd

// Solve A X = B for symmetric positive definite A (n x n), B (n x m), by Cholesky. A and B are
// overwritten (A by its factor, B by X). HC_ENUMERIC when A is not positive definite.
hc_status hc_linear_solve_spd(double *a, size_t n, double *b, size_t m,
                              struct hc_err *err) HC_MUST_CHECK;

// Weighted ridge regression: minimise sum_i w_i |y_i - x_i C|^2 + sum_j ridge_j |C_j|^2 with
// x (rows x p), y (rows x m), w (rows, NULL = 1), ridge (p). Writes c (p x m). p <= 64, m <= 8.
hc_status hc_linear_ridge(double *c, const double *x, const double *y, const double *w,
                          const double *ridge, size_t rows, size_t p, size_t m,
                          struct hc_err *err) HC_MUST_CHECK;

// Inverse of a 3x3 matrix; HC_ENUMERIC when singular. out may be in.
hc_status hc_linear_inv3(double out[9], const double in[9], struct hc_err *err) HC_MUST_CHECK;
void hc_linear_mul3(double out[9], const double a[9], const double b[9]);
void hc_linear_apply3(double out[3], const double m[9], const double v[3]);

#endif
