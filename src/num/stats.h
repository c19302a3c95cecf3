// Order statistics and moments. Sums are double. Functions that reorder their input say so.
#ifndef HC_NUM_STATS_H
#define HC_NUM_STATS_H

#include <stddef.h>

double hc_stats_mean(const double *v, size_t n); // 0 for n = 0
double hc_stats_sd(const double *v, size_t n);   // n-1 in the divisor; 0 for n < 2
// Quantile q in 0..1 by linear interpolation between order statistics (type 7 of Hyndman and Fan,
// The American Statistician 50(4), 1996). Sorts v in place. 0 for n = 0.
double hc_stats_quantile(double *v, size_t n, double q);
double hc_stats_median(double *v, size_t n);
// The smallest value whose cumulated weight reaches q of the total. Sorts both arrays together.
double hc_stats_weighted_quantile(double *v, double *w, size_t n, double q);
// Float twin of hc_stats_quantile by selection: reorders v, O(n).
float hc_stats_quantile_f(float *v, size_t n, double q);

#endif
