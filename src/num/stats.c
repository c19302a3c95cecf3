#include "num/stats.h"

#include <math.h>
#include <stdlib.h>

static int by_value(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double hc_stats_mean(const double *v, size_t n)
{
    double s = 0;
    for (size_t i = 0; i < n; i++) {
        s += v[i];
    }
    return n ? s / (double)n : 0;
}

double hc_stats_sd(const double *v, size_t n)
{
    double m = hc_stats_mean(v, n), s = 0;
    for (size_t i = 0; i < n; i++) {
        s += (v[i] - m) * (v[i] - m);
    }
    return n > 1 ? sqrt(s / (double)(n - 1)) : 0;
}

double hc_stats_quantile(double *v, size_t n, double q)
{
    double pos, f;
    size_t i;
    if (n == 0) {
        return 0;
    }
    qsort(v, n, sizeof *v, by_value);
    pos = q * (double)(n - 1);
    i = (size_t)pos;
    f = pos - (double)i;
    return i + 1 < n ? v[i] + f * (v[i + 1] - v[i]) : v[n - 1];
}

double hc_stats_median(double *v, size_t n)
{
    return hc_stats_quantile(v, n, 0.5);
}

// Heap sort of two arrays by the first: no allocation, deterministic.
static void sift(double *v, double *w, size_t i, size_t n)
{
    for (;;) {
        size_t c = 2 * i + 1;
        double tv, tw;
        if (c >= n) {
            return;
        }
        if (c + 1 < n && v[c + 1] > v[c]) {
            c++;
        }
        if (v[i] >= v[c]) {
            return;
        }
        tv = v[i];
        tw = w[i];
        v[i] = v[c];
        w[i] = w[c];
        v[c] = tv;
        w[c] = tw;
        i = c;
    }
}

double hc_stats_weighted_quantile(double *v, double *w, size_t n, double q)
{
    double total = 0, run = 0;
    if (n == 0) {
        return 0;
    }
    for (size_t i = n / 2; i-- > 0;) {
        sift(v, w, i, n);
    }
    for (size_t m = n; m > 1; m--) {
        double tv = v[0], tw = w[0];
        v[0] = v[m - 1];
        w[0] = w[m - 1];
        v[m - 1] = tv;
        w[m - 1] = tw;
        sift(v, w, 0, m - 1);
    }
    for (size_t i = 0; i < n; i++) {
        total += w[i];
    }
    for (size_t i = 0; i < n; i++) {
        run += w[i];
        if (run >= q * total) {
            return v[i];
        }
    }
    return v[n - 1];
}

// Hoare selection: after it v[k] is the k-th smallest.
static float select_kth(float *v, size_t n, size_t k)
{
    size_t lo = 0, hi = n - 1;
    while (lo < hi) {
        float pivot = v[lo + (hi - lo) / 2];
        size_t i = lo, j = hi;
        for (;;) {
            while (v[i] < pivot) {
                i++;
            }
            while (v[j] > pivot) {
                j--;
            }
            if (i >= j) {
                break;
            }
            float t = v[i];
            v[i++] = v[j];
            v[j--] = t;
        }
        if (k <= j) {
            hi = j;
        } else {
            lo = j + 1;
        }
    }
    return v[k];
}

float hc_stats_quantile_f(float *v, size_t n, double q)
{
    double pos = q * (double)(n ? n - 1 : 0);
    size_t i = (size_t)pos;
    float a, b, f = (float)(pos - (double)i);
    if (n == 0) {
        return 0.0f;
    }
    a = select_kth(v, n, i);
    if (i + 1 >= n || !(f > 0.0f)) {
        return a;
    }
    b = v[i + 1];
    for (size_t j = i + 2; j < n; j++) {
        if (v[j] < b) {
            b = v[j];
        }
    }
    return a + f * (b - a);
}
