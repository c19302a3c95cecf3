// What two told-apart surfaces say in numbers: relief retained, variation of the filling, where
// fine relief is clogged.
#include <math.h>

#include "relief/relief_film.h"

#define MIN_HALF 0.15
#define TILES 4 // a side, for the spread of the retained relief

double hc_relief_keep(const struct hc_plane *mask, int x, int y)
{
    return !mask || hc_plane_get(mask, x, y) > 0.5f ? 1 : 0;
}

static struct hc_relief_dots dot(const struct hc_plane *const f[6], const struct hc_plane *mask,
                                 int x0, int y0, int x1, int y1)
{
    struct hc_relief_dots d = {0};
    for (int y = y0; y < y1; y++) {
        for (int x = x0; x < x1; x++) {
            double v[6];
            for (int i = 0; i < 6; i++) {
                v[i] = (double)hc_plane_get(f[i], x, y);
            }
            if (hc_relief_keep(mask, x, y) > 0) {
                d.ab += 0.5 * ((v[0] + v[2]) * v[4] + (v[1] + v[3]) * v[5]);
                d.aa += v[0] * v[2] + v[1] * v[3];
                d.self += 0.5 * (v[0] * v[0] + v[1] * v[1] + v[2] * v[2] + v[3] * v[3]);
            }
        }
    }
    return d;
}

// Retained relief, with its spread from leaving out one of 4 x 4 tiles at a time (jackknife).
void hc_relief_film_retained(struct hc_relief_film *out, const struct hc_plane *const f[6],
                             const struct hc_plane *mask, struct hc_relief_dots *all)
{
    int w = f[0]->w, h = f[0]->h, n = 0;
    struct hc_relief_dots part[TILES * TILES];
    double mean = 0, var = 0, r[TILES * TILES];
    *all = (struct hc_relief_dots){0};
    for (int i = 0; i < TILES * TILES; i++) {
        int x = i % TILES, y = i / TILES;
        part[i] =
            dot(f, mask, x * w / TILES, y * h / TILES, (x + 1) * w / TILES, (y + 1) * h / TILES);
        all->ab += part[i].ab;
        all->aa += part[i].aa;
        all->self += part[i].self;
    }
    if (!(all->aa > 0)) {
        return;
    }
    for (int i = 0; i < TILES * TILES; i++) {
        if (part[i].self > 0 && all->aa - part[i].aa > 0) {
            r[n] = (all->ab - part[i].ab) / (all->aa - part[i].aa);
            mean += r[n++];
        }
    }
    for (int i = 0; i < n; i++) {
        var += (r[i] - mean / n) * (r[i] - mean / n) * (n - 1) / n;
    }
    double half = fmax(MIN_HALF, 1.6449 * sqrt(var));
    out->retained.value = all->ab / all->aa;
    out->retained.low = out->retained.value - half;
    out->retained.high = out->retained.value + half;
}

hc_status hc_relief_film_fill(struct hc_relief_film *out, const struct hc_relief_film_work *w,
                              struct hc_relief_band band, struct hc_err *err)
{
    struct hc_plane p = {0}, q = {0}, z = {0};
    struct hc_relief_height_report rep;
    struct hc_relief_texture t;
    hc_status st = hc_plane_create(&p, w->w, w->h, err);
    st = st == HC_OK ? hc_plane_create(&q, w->w, w->h, err) : st;
    st = st == HC_OK ? hc_plane_create(&z, w->w, w->h, err) : st;
    for (int i = 0; st == HC_OK && i < w->w * w->h; i++) {
        p.px[i] = out->film_p.px[i] - out->paint_p.px[i];
        q.px[i] = out->film_q.px[i] - out->paint_q.px[i];
    }
    st = st == HC_OK ? hc_relief_height(&z, &rep, &p, &q, w->mm, NULL, w->par, NULL, err) : st;
    st = st == HC_OK ? hc_relief_band_filter(&z, &z, w->in->mask, w->mm, band, w->par, err) : st;
    st = st == HC_OK ? hc_relief_texture(&t, &z, w->in->mask, w->mm, band, err) : st;
    if (st == HC_OK) {
        // What our simulations missed by (bench_relief film), as a floor.
        double half = w->in->crossed ? fmax(3, 0.2 * t.sq_um) : fmax(9, 0.3 * t.sq_um);
        out->has_fill = true;
        out->fill_um =
            (struct hc_relief_interval){t.sq_um, fmax(0, t.sq_um - half), t.sq_um + half};
    }
    hc_plane_release(&p);
    hc_plane_release(&q);
    hc_plane_release(&z);
    return st;
}

hc_status hc_relief_clog_map(struct hc_plane *out, const struct hc_relief_film *f,
                             const struct hc_plane *mask, double mm_per_px,
                             struct hc_relief_band band, int cell_px, struct hc_par *par,
                             struct hc_err *err)
{
    const struct hc_plane *from[4] = {&f->paint_p, &f->paint_q, &f->film_p, &f->film_q};
    struct hc_plane g[4] = {{0}, {0}, {0}, {0}};
    double total = 0;
    hc_status st = HC_OK;
    if (f->refusal != HC_RELIEF_GIVEN || !f->paint_p.px) {
        return hc_err_set(err, HC_EREFUSED, "relief", "no map of filled relief: %s",
                          hc_relief_refusal_text(f->refusal));
    }
    if (f->coverage < HC_RELIEF_FULL_COVERAGE) {
        return hc_err_set(
            err, HC_EREFUSED, "relief",
            "no map of filled relief: highlights are seen on %.0f %% of the area, 90 %% "
            "are needed",
            100 * f->coverage);
    }
    if (cell_px < 4 || out->w != (f->paint_p.w + cell_px - 1) / cell_px ||
        out->h != (f->paint_p.h + cell_px - 1) / cell_px) {
        return hc_err_set(err, HC_EARG, "relief",
                          "the map needs one pixel per cell of 4 px or more");
    }
    for (int i = 0; i < 4 && st == HC_OK; i++) {
        st = hc_plane_create(&g[i], f->paint_p.w, f->paint_p.h, err);
        st = st == HC_OK ? hc_relief_band_filter(&g[i], from[i], mask, mm_per_px, band, par, err)
                         : st;
        for (int j = 0; i < 2 && st == HC_OK && j < g[i].w * g[i].h; j++) {
            total += (double)g[i].px[j] * (double)g[i].px[j] / ((double)g[i].w * g[i].h);
        }
    }
    for (int c = 0; c < out->w * out->h && st == HC_OK; c++) {
        int x0 = c % out->w * cell_px, y0 = c / out->w * cell_px;
        int x1 = x0 + cell_px < g[0].w ? x0 + cell_px : g[0].w;
        int y1 = y0 + cell_px < g[0].h ? y0 + cell_px : g[0].h;
        double ab = 0, aa = 0, n = 0;
        for (int y = y0; y < y1; y++) {
            for (int x = x0; x < x1; x++) {
                double p = (double)hc_plane_get(&g[0], x, y), q = (double)hc_plane_get(&g[1], x, y);
                n += hc_relief_keep(mask, x, y);
                ab += p * (double)hc_plane_get(&g[2], x, y) + q * (double)hc_plane_get(&g[3], x, y);
                aa += p * p + q * q;
            }
        }
        // A quarter of the usual relief is too little to judge by.
        bool is_told = n > 0.25 * (x1 - x0) * (y1 - y0) && aa > 0.25 * 0.25 * total * n * 4;
        hc_plane_row(out, c / out->w)[c % out->w] =
            is_told ? (float)fmin(1, fmax(0, 1 - ab / aa)) : -1.0f;
    }
    for (int i = 0; i < 4; i++) {
        hc_plane_release(&g[i]);
    }
    return st;
}
