#include "num/minimise.h"

#include <math.h>
#include <string.h>

#include "base/err.h"

#define MAX HC_MINIMISE_MAX

struct simplex {
    double x[MAX + 1][MAX], f[MAX + 1], mid[MAX];
    size_t n, best, worst, second; // second: the second worst
    int calls;
    hc_minimise_fn fn;
    void *ctx;
};

static double call(struct simplex *s, const double *x)
{
    double f = s->fn(s->ctx, x);
    s->calls++;
    return isfinite(f) ? f : HUGE_VAL;
}

static void rank(struct simplex *s)
{
    s->best = s->worst = 0;
    for (size_t i = 1; i <= s->n; i++) {
        s->best = s->f[i] < s->f[s->best] ? i : s->best;
        s->worst = s->f[i] >= s->f[s->worst] ? i : s->worst;
    }
    s->second = s->best;
    for (size_t i = 0; i <= s->n; i++) {
        if (i != s->worst && s->f[i] >= s->f[s->second]) {
            s->second = i;
        }
    }
    for (size_t j = 0; j < s->n; j++) {
        s->mid[j] = 0;
        for (size_t i = 0; i <= s->n; i++) {
            s->mid[j] += i == s->worst ? 0 : s->x[i][j] / (double)s->n;
        }
    }
}

// The point mid + k (mid - worst).
static double probe(struct simplex *s, double *x, double k)
{
    for (size_t j = 0; j < s->n; j++) {
        x[j] = s->mid[j] + k * (s->mid[j] - s->x[s->worst][j]);
    }
    return call(s, x);
}

static void replace_worst(struct simplex *s, const double *x, double f)
{
    memcpy(s->x[s->worst], x, s->n * sizeof *x);
    s->f[s->worst] = f;
}

static void shrink(struct simplex *s)
{
    for (size_t i = 0; i <= s->n; i++) {
        for (size_t j = 0; j < s->n && i != s->best; j++) {
            s->x[i][j] = 0.5 * (s->x[i][j] + s->x[s->best][j]);
        }
        if (i != s->best) {
            s->f[i] = call(s, s->x[i]);
        }
    }
}

static void step_once(struct simplex *s)
{
    double r[MAX], e[MAX], fr = probe(s, r, 1), fe;
    if (fr < s->f[s->best]) {
        fe = probe(s, e, 2);
        if (fe < fr) {
            replace_worst(s, e, fe);
        } else {
            replace_worst(s, r, fr);
        }
    } else if (fr < s->f[s->second]) {
        replace_worst(s, r, fr);
    } else {
        fe = probe(s, e, fr < s->f[s->worst] ? 0.5 : -0.5);
        if (fe < fr && fe < s->f[s->worst]) {
            replace_worst(s, e, fe);
        } else {
            shrink(s);
        }
    }
}

double hc_minimise_simplex(double *x, const double *step, size_t n, hc_minimise_fn fn, void *ctx,
                           int max_calls, double tol)
{
    struct simplex s = {.n = n, .fn = fn, .ctx = ctx};
    hc_assert(n >= 1 && n <= MAX);
    for (size_t i = 0; i <= n; i++) {
        memcpy(s.x[i], x, n * sizeof *x);
        if (i > 0) {
            s.x[i][i - 1] += step[i - 1];
        }
        s.f[i] = call(&s, s.x[i]);
    }
    rank(&s);
    while (s.calls < max_calls && s.f[s.worst] - s.f[s.best] > tol) {
        step_once(&s);
        rank(&s);
    }
    memcpy(x, s.x[s.best], n * sizeof *x);
    return s.f[s.best];
}
