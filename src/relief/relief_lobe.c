// Where the film shines: its slopes from highlights (theory, 6.2).
#include "relief/relief_film.h"

#include "num/filter.h"
#include "num/linear.h"

#include <math.h>

#define MIN_LAMPS 5 // lamps whose highlight is seen at a pixel

struct fit {
    struct hc_relief_film_work *w;
    const struct hc_plane *spec;
};

// GGX (Walter, Marschner, Li and Torrance, EGSR 2007; from memory) over slopes: S = c / (a^2 + |f -
// b|^2)^2, so 1 / sqrt(S) = A |f|^2 - 2 A b.f + A (|b|^2 + a^2) is linear in four unknowns; its
// noise goes as S^-3/2, hence the weights S^3.
static bool fit_pixel(struct fit *t, int x, int y, double out[4])
{
    struct hc_relief_film_work *w = t->w;
    double a[16] = {0}, rhs[4] = {0}, top = 0;
    int lamps = 0;
    for (int k = 0; k < w->n; k++) {
        top = w->has_lobe[k] ? fmax(top, (double)hc_plane_get(&t->spec[k], x, y)) : top;
    }
    for (int k = 0; k < w->n && top > w->floor_signal; k++) {
        double s = w->has_lobe[k] ? (double)hc_plane_get(&t->spec[k], x, y) : 0;
        double fx = w->facet[k][0], fy = w->facet[k][1];
        if (!(s > fmax(w->floor_signal, 0.03 * top)) ||
            (double)hc_plane_get(&w->in->plain[k], x, y) > 0.98) {
            continue;
        }
        double r = s / top, weight = r * r * r, v[4] = {fx * fx + fy * fy, fx, fy, 1};
        lamps++;
        for (int i = 0; i < 4; i++) {
            for (int j = 0; j < 4; j++) {
                a[4 * i + j] += weight * v[i] * v[j];
            }
            rhs[i] += weight * v[i] / sqrt(r);
        }
    }
    for (int i = 0; i < 4; i++) {
        a[5 * i] *= 1 + 1e-9;
    }
    if (lamps < MIN_LAMPS || hc_linear_solve_spd(a, 4, rhs, 1, NULL) != HC_OK || !(rhs[0] > 0)) {
        return false;
    }
    out[0] = -rhs[1] / (2 * rhs[0]);
    out[1] = -rhs[2] / (2 * rhs[0]);
    out[2] = rhs[3] / rhs[0] - out[0] * out[0] - out[1] * out[1];
    out[3] = top / (rhs[0] * rhs[0]);
    return out[2] > 1e-5 && hypot(out[0], out[1]) < 0.7;
}

static void fit_rows(void *ctx, int block, int y0, int y1)
{
    struct fit *t = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < t->w->w; x++) {
            double v[4] = {0};
            bool is_seen = fit_pixel(t, x, y, v);
            hc_plane_row(&t->w->p, y)[x] = is_seen ? (float)v[0] : 0.0f;
            hc_plane_row(&t->w->q, y)[x] = is_seen ? (float)v[1] : 0.0f;
            hc_plane_row(&t->w->lobe2, y)[x] = is_seen ? (float)v[2] : 0.0f;
            hc_plane_row(&t->w->strength, y)[x] = is_seen ? (float)v[3] : 0.0f;
            hc_plane_row(&t->w->seen, y)[x] = is_seen ? 1.0f : 0.0f;
        }
    }
}

// Unseen pixels take the weighted mean of what is seen around them.
static hc_status bridge(struct hc_relief_film_work *w, struct hc_err *err)
{
    struct hc_plane share = {0}, low = {0}, *plane[4] = {&w->p, &w->q, &w->lobe2, &w->strength};
    hc_status st = hc_plane_create(&share, w->w, w->h, err);
    st = st == HC_OK ? hc_plane_create(&low, w->w, w->h, err) : st;
    st = st == HC_OK ? hc_filter_gauss(&share, &w->seen, 3, err) : st;
    for (int i = 0; i < 4 && st == HC_OK; i++) {
        st = hc_filter_gauss(&low, plane[i], 3, err); // unseen ones are 0
        for (int j = 0; st == HC_OK && j < w->w * w->h; j++) {
            if (!(w->seen.px[j] > 0.5f)) {
                plane[i]->px[j] = share.px[j] > 1e-3f ? low.px[j] / share.px[j] : 0.0f;
            }
        }
    }
    hc_plane_release(&share);
    hc_plane_release(&low);
    return st;
}

hc_status hc_relief_lobe_fit(struct hc_relief_film_work *w, const struct hc_plane *spec,
                             struct hc_err *err)
{
    struct fit t = {w, spec};
    hc_par_rows(w->par, w->h, fit_rows, &t);
    return bridge(w, err);
}

double hc_relief_lobe_value(const struct hc_relief_film_work *w, int k, int x, int y)
{
    double dx = w->facet[k][0] - (double)hc_plane_get(&w->p, x, y);
    double dy = w->facet[k][1] - (double)hc_plane_get(&w->q, x, y);
    double d = fmax(1e-4, (double)hc_plane_get(&w->lobe2, x, y)) + dx * dx + dy * dy;
    return (double)hc_plane_get(&w->strength, x, y) / (d * d);
}
