// Minimum of a function of a few variables without derivatives.
#ifndef HC_NUM_MINIMISE_H
#define HC_NUM_MINIMISE_H

#include <stddef.h>

#define HC_MINIMISE_MAX 12 // most variables

typedef double (*hc_minimise_fn)(void *ctx, const double *x);

// Nelder and Mead (The Computer Journal 7(4), 1965) with the coefficients 1, 2, 1/2, 1/2. x (n
// values) holds the start and receives the best point; step is the size of the first simplex per
// variable. Stops after max_calls or when the simplex values differ by less than tol. Returns the
// value at x. Deterministic.
double hc_minimise_simplex(double *x, const double *step, size_t n, hc_minimise_fn fn, void *ctx,
                           int max_calls, double tol);

#endif
