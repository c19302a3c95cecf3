// Symmetric banded systems (double).
#ifndef HC_NUM_BANDED_H
#define HC_NUM_BANDED_H

#include <stddef.h>

#include "base/err.h"

// Solve A X = B for a symmetric positive definite A (n x n) whose entries vanish further than
// `band` from the diagonal, by Cholesky. a[i * (band + 1) + band - k] is A(i, i - k), k = 0..band
// (what would lie left of column 0 is not read); b is n x m, m right-hand sides. Both are
// overwritten (A by its factor, B by X). Costs n band^2 / 2 multiplications. HC_ENUMERIC when A is
// not positive definite.
hc_status hc_banded_solve_spd(double *a, size_t n, size_t band, double *b, size_t m,
                              struct hc_err *err) HC_MUST_CHECK;

#endif
