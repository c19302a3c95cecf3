// Paint slopes through a film whose surface is known (theory, 6.3).
#include "relief/relief_film.h"

#include "num/filter.h"
#include "num/stats.h"

#include <math.h>
#include <string.h>

#define ROUNDS 3 // of leaving out what does not fit (cast shadows, highlights)

struct under {
    const struct hc_relief_film_work *w;
    struct hc_relief_under *out;
    int first, stride;
    bool is_bare;
};

// Row of the linear system of lamp k at a pixel: signal = row . (rho n). Through the film the light
// is refracted at the place where it entered, weakened by T and gathered by cos ti / cos tt.
static bool light_row(double row[3], const struct hc_relief_film_work *w, int k, int x, int y,
                      bool is_bare)
{
    const double *l = w->in->lights[k].dir;
    memcpy(row, l, 3 * sizeof *row);
    if (is_bare) {
        return true;
    }
    double flat = hypot(l[0], l[1]), n = w->index;
    double shift = w->film_mm / w->mm * flat / sqrt(n * n - flat * flat);
    double ux = flat > 0 ? l[0] / flat : 0, uy = flat > 0 ? l[1] / flat : 0;
    double bp = (double)hc_filter_bilinear(&w->p, x + 0.5 + shift * ux, y + 0.5 - shift * uy);
    double bq = (double)hc_filter_bilinear(&w->q, x + 0.5 + shift * ux, y + 0.5 - shift * uy);
    double len = sqrt(1 + bp * bp + bq * bq), m[3] = {-bp / len, -bq / len, 1 / len};
    double ci = m[0] * l[0] + m[1] * l[1] + m[2] * l[2];
    if (!(ci > 0.02)) {
        return false;
    }
    double ct = sqrt(1 - (1 - ci * ci) / (n * n)), t = hc_relief_fresnel_t(ci, n) * ci / ct;
    for (int i = 0; i < 3; i++) {
        row[i] = t * (l[i] / n + (ct - ci / n) * m[i]);
    }
    return true;
}

// 0 where a highlight may sit on the sample of an unpolarised view, or where it is clipped or dark.
static double trust(const struct hc_relief_film_work *w, int k, int x, int y)
{
    double v = (double)hc_plane_get(&w->diffuse[k], x, y);
    double raw = (double)hc_plane_get(w->in->crossed ? &w->in->crossed[k] : &w->in->plain[k], x, y);
    if (!(v > 0.002) || !(raw < 0.98)) {
        return 0;
    }
    if (!w->in->crossed && w->has_lobe[k] && w->strength.px) {
        double s = hc_relief_lobe_value(w, k, x, y);
        return s > 0.15 * v ? 0 : 1 / (1 + 400 * s * s / (v * v));
    }
    return 1;
}

static bool solve(double g[3], double (*row)[3], const double *v, const double *weight, int n)
{
    struct hc_relief_sym3 a = {0}, inv;
    double b[3] = {0};
    for (int k = 0; k < n; k++) {
        hc_relief_sym3_add(&a, row[k], weight[k]);
        for (int i = 0; i < 3; i++) {
            b[i] += weight[k] * v[k] * row[k][i];
        }
    }
    if (!hc_relief_sym3_invert(&inv, &a)) {
        return false;
    }
    hc_relief_sym3_apply(g, &inv, b);
    return true;
}

static void solve_pixel(const struct under *t, int x, int y)
{
    const struct hc_relief_film_work *w = t->w;
    double row[HC_RELIEF_MAX_LIGHTS][3], v[HC_RELIEF_MAX_LIGHTS], base[HC_RELIEF_MAX_LIGHTS];
    double weight[HC_RELIEF_MAX_LIGHTS], r[HC_RELIEF_MAX_LIGHTS], sorted[HC_RELIEF_MAX_LIGHTS];
    double g[3] = {0}, miss = 0, count = 0;
    int n = 0;
    for (int k = t->first; k < w->n; k += t->stride) {
        v[n] = (double)hc_plane_get(&w->diffuse[k], x, y);
        base[n] = trust(w, k, x, y);
        if (base[n] > 0 && light_row(row[n], w, k, x, y, t->is_bare)) {
            weight[n] = base[n];
            n++;
        }
    }
    bool is_told = n >= 4 && solve(g, row, v, weight, n);
    for (int round = 0; round < ROUNDS && is_told; round++) {
        for (int k = 0; k < n; k++) {
            sorted[k] = r[k] = fabs(v[k] - row[k][0] * g[0] - row[k][1] * g[1] - row[k][2] * g[2]);
        }
        double limit = fmax(1e-4, 3 * 1.4826 * hc_stats_median(sorted, (size_t)n));
        miss = count = 0;
        for (int k = 0; k < n; k++) {
            bool in = r[k] <= limit;
            weight[k] = in ? base[k] : 0;
            miss += fmin(r[k], limit) * fmin(r[k], limit);
            count++;
        }
        is_told = solve(g, row, v, weight, n);
    }
    is_told = is_told && g[2] > 1e-4;
    hc_plane_row(&t->out->p, y)[x] = is_told ? (float)fmax(-3, fmin(3, -g[0] / g[2])) : 0.0f;
    hc_plane_row(&t->out->q, y)[x] = is_told ? (float)fmax(-3, fmin(3, -g[1] / g[2])) : 0.0f;
    hc_plane_row(&t->out->rho, y)[x] =
        is_told ? (float)sqrt(g[0] * g[0] + g[1] * g[1] + g[2] * g[2]) : 0.0f;
    hc_plane_row(&t->out->misfit, y)[x] = is_told && count > 3 ? (float)(miss / (count - 3)) : 0.0f;
}

static void solve_rows(void *ctx, int block, int y0, int y1)
{
    const struct under *t = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < t->w->w; x++) {
            solve_pixel(t, x, y);
        }
    }
}

hc_status hc_relief_under_solve(struct hc_relief_under *out, const struct hc_relief_film_work *w,
                                int first, int stride, bool is_bare, struct hc_err *err)
{
    struct under t = {w, out, first, stride, is_bare};
    struct hc_plane *plane[4] = {&out->p, &out->q, &out->rho, &out->misfit};
    for (int i = 0; i < 4; i++) {
        if (!plane[i]->px) {
            hc_status st = hc_plane_create(plane[i], w->w, w->h, err);
            if (st != HC_OK) {
                return st;
            }
        }
    }
    hc_par_rows(w->par, w->h, solve_rows, &t);
    return HC_OK;
}

void hc_relief_under_release(struct hc_relief_under *u)
{
    hc_plane_release(&u->p);
    hc_plane_release(&u->q);
    hc_plane_release(&u->rho);
    hc_plane_release(&u->misfit);
}

double hc_relief_under_signal(const struct hc_relief_under *u, const struct hc_relief_film_work *w,
                              int k, int x, int y)
{
    double row[3], p = (double)hc_plane_get(&u->p, x, y), q = (double)hc_plane_get(&u->q, x, y);
    if (!light_row(row, w, k, x, y, false)) {
        return 0;
    }
    return fmax(0, (double)hc_plane_get(&u->rho, x, y) * (row[2] - p * row[0] - q * row[1]) /
                       sqrt(1 + p * p + q * q));
}
