// Radial distortion of the view (Brown, Photogrammetric Engineering 32(3), 1966; from memory) from
// the tiles of one pass: docs/theory/align.md, section 13.
#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/linear.h"
#include "num/stats.h"

#define PARAMS 10 // eight of a homography, two of the lens
#define ROUNDS 12
#define MIN_TRAIN 24
#define MIN_HELD 8
#define MIN_REACH 0.6    // of the half diagonal: how far out a tenth of the tiles must lie
#define GAIN 0.7         // held-out miss with the lens over the miss without, at most
#define MIN_GAIN_PX 0.05 // and the least fall of its mean, level px
#define SIGNS 2.0        // tiles that gain minus tiles that lose, in standard deviations
#define CAP_PX 8.0       // a miss counts for this at most, level px
#define MAX_K 0.25
#define FAR 2.0 // u^2 beyond which the distortion grows no more: nothing is seen there
#define UNDO_STEPS 12

static double stretch(const struct hc_align_lens *l, struct hc_pt q)
{
    double x = (q.x - l->centre.x) / l->radius, y = (q.y - l->centre.y) / l->radius;
    double u2 = fmin(x * x + y * y, FAR);
    return u2 * (l->k1 + l->k2 * u2);
}

struct hc_pt hc_align_lens_apply(const struct hc_align_lens *l, struct hc_pt q)
{
    double f = l->k1 != 0 || l->k2 != 0 ? stretch(l, q) : 0;
    return (struct hc_pt){q.x + f * (q.x - l->centre.x), q.y + f * (q.y - l->centre.y)};
}

// By fixed-point steps: the distortion's slope stays far below 1.
static struct hc_pt undo(const struct hc_align_lens *l, struct hc_pt at)
{
    struct hc_pt q = at;
    for (int i = 0; i < UNDO_STEPS && (l->k1 != 0 || l->k2 != 0); i++) {
        double f = 1 + stretch(l, q);
        q.x = l->centre.x + (at.x - l->centre.x) / f;
        q.y = l->centre.y + (at.y - l->centre.y) / f;
    }
    return q;
}

// One clear tile: where the map and the lens so far put it (units of the half diagonal, about the
// view's centre), and by how much that misses, view px.
struct look {
    double x, y, e[2], miss;
    bool is_held_out;
};

static void fill_row(double row[2][PARAMS], const struct look *t)
{
    double x = t->x, y = t->y, r2 = x * x + y * y;
    double a[2][PARAMS] = {{1, 0, x, y, 0, 0, x * x, x * y, x * r2, x * r2 * r2},
                           {0, 1, 0, 0, x, y, x * y, y * y, y * r2, y * r2 * r2}};
    memcpy(row, a, sizeof a);
}

// Weighted least squares over the training tiles, reweighted (Cauchy): `np` is 8 without the lens.
// Leaves the misses of all tiles under the result.
static hc_status solve(double c[PARAMS], struct look *t, size_t n, size_t np, double unit,
                       double *scratch)
{
    static const double ridge[PARAMS] = {1e-9, 1e-9, 1e-9, 1e-9, 1e-9,
                                         1e-9, 1e-9, 1e-9, 1e-9, 1e-9};
    double *x = scratch, *y = x + 2 * n * PARAMS, *w = y + 2 * n, *order = w + 2 * n;
    hc_status st = HC_OK;
    double scale = CAP_PX * unit;
    for (size_t i = 0; i < n; i++) {
        t[i].miss = 0;
    }
    for (int round = 0; st == HC_OK && round < ROUNDS; round++) {
        size_t rows = 0, train = 0;
        for (size_t i = 0; i < n; i++) {
            double row[2][PARAMS], q = t[i].miss / scale;
            fill_row(row, &t[i]);
            for (size_t e = 0; e < 2 && !t[i].is_held_out; e++, rows++) {
                memcpy(x + rows * np, row[e], np * sizeof *x);
                y[rows] = t[i].e[e];
                w[rows] = 1 / ((1 + q * q) * (1 + q * q));
            }
        }
        st = hc_linear_ridge(c, x, y, w, ridge, rows, np, 1, NULL);
        for (size_t i = 0; st == HC_OK && i < n; i++) {
            double row[2][PARAMS], left[2];
            fill_row(row, &t[i]);
            for (size_t e = 0; e < 2; e++) {
                left[e] = t[i].e[e];
                for (size_t k = 0; k < np; k++) {
                    left[e] -= c[k] * row[e][k];
                }
            }
            t[i].miss = hypot(left[0], left[1]);
            if (!t[i].is_held_out) {
                order[train++] = t[i].miss;
            }
        }
        scale = train ? fmax(3 * hc_stats_median(order, train), 0.3 * unit) : scale;
    }
    return st;
}

// Do the held-out tiles bear the lens out, and do the tiles reach the borders?
static bool is_gain(const struct look *t, const double *before, size_t n, double unit,
                    double *scratch)
{
    double *a = scratch, *b = a + n, *r = b + n, mean[2], signs = 0;
    size_t held = 0, train = 0;
    for (size_t i = 0; i < n; i++) {
        if (!t[i].is_held_out) {
            r[train++] = hypot(t[i].x, t[i].y);
            continue;
        }
        b[held] = fmin(before[i], CAP_PX * unit);
        a[held] = fmin(t[i].miss, CAP_PX * unit);
        signs += a[held] < b[held] ? 1 : -1;
        held++;
    }
    if (held < MIN_HELD || train < MIN_TRAIN) {
        return false;
    }
    mean[0] = hc_stats_mean(b, held);
    mean[1] = hc_stats_mean(a, held);
    return mean[1] < GAIN * mean[0] && mean[1] < mean[0] - MIN_GAIN_PX * unit &&
           signs > SIGNS * sqrt((double)held) &&
           hc_stats_median(a, held) < GAIN * hc_stats_median(b, held) &&
           hc_stats_quantile(r, train, 0.9) > MIN_REACH;
}

static size_t look_at(struct look *out, const struct hc_align_lens *lens,
                      const struct hc_align_measure *tile, size_t n, const struct hc_homog *sofar,
                      const struct hc_homog *map)
{
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        struct hc_pt p = {tile[i].x, tile[i].y}, m = {p.x + tile[i].dx, p.y + tile[i].dy}, q, h;
        if (!tile[i].is_clear) {
            continue;
        }
        q = hc_align_lens_apply(lens, hc_homog_apply(sofar, m));
        h = hc_align_lens_apply(lens, hc_homog_apply(map, p));
        out[count++] = (struct look){(h.x - lens->centre.x) / lens->radius,
                                     (h.y - lens->centre.y) / lens->radius,
                                     {q.x - h.x, q.y - h.y},
                                     0,
                                     tile[i].is_held_out};
    }
    return count;
}

// The same measurements said for another lens.
static hc_status retell(struct hc_align_measure *tile, size_t n, const struct hc_homog *sofar,
                        const struct hc_align_lens *from, const struct hc_align_lens *to,
                        struct hc_err *err)
{
    struct hc_homog back;
    hc_status st = hc_homog_invert(&back, sofar, err);
    for (size_t i = 0; st == HC_OK && i < n; i++) {
        struct hc_pt m = {tile[i].x + tile[i].dx, tile[i].y + tile[i].dy};
        m = hc_homog_apply(sofar, m);
        m = undo(to, hc_align_lens_apply(from, m));
        m = hc_homog_apply(&back, m);
        tile[i].dx = m.x - tile[i].x;
        tile[i].dy = m.y - tile[i].y;
    }
    return st;
}

hc_status hc_align_lens_fit(bool *is_found, struct hc_align_lens *lens,
                            struct hc_align_measure *tile, size_t n, const struct hc_homog *sofar,
                            const struct hc_homog *map, double unit, struct hc_err *err)
{
    struct look *t = hc_mem_array(n + 1, sizeof *t);
    double *scratch = hc_mem_array((n + 1) * (2 * PARAMS + 7), sizeof *scratch), *before;
    double c[PARAMS] = {0};
    size_t count;
    hc_status st = HC_OK;
    *is_found = false;
    if (!t || !scratch) {
        st = hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", n);
        goto done;
    }
    before = scratch + n * (2 * PARAMS + 6);
    count = look_at(t, lens, tile, n, sofar, map);
    if (count >= MIN_TRAIN + MIN_HELD && solve(c, t, count, 8, unit, scratch) == HC_OK) {
        for (size_t i = 0; i < count; i++) {
            before[i] = t[i].miss;
        }
        if (solve(c, t, count, PARAMS, unit, scratch) == HC_OK &&
            is_gain(t, before, count, unit, scratch)) {
            struct hc_align_lens found = *lens;
            found.k1 += c[8] / lens->radius;
            found.k2 += c[9] / lens->radius;
            if (fabs(found.k1) + fabs(found.k2) < MAX_K) {
                st = retell(tile, n, sofar, lens, &found, err);
                *lens = found;
                *is_found = st == HC_OK;
            }
        }
    }
done:
    hc_mem_free(t);
    hc_mem_free(scratch);
    return st;
}

hc_status hc_align_lens_into_field(struct hc_align_field **field, const struct hc_align_lens *lens,
                                   const struct hc_homog *map, double w, double h,
                                   struct hc_err *err)
{
    struct hc_align_field *f = *field;
    struct hc_homog back;
    hc_status st = hc_homog_invert(&back, map, err);
    if (st == HC_OK && !f) {
        double cell = fmax(w, h) / 48;
        f = hc_align_field_create((int)ceil(w / cell) + 1, (int)ceil(h / cell) + 1, cell);
        st = f ? HC_OK : hc_err_set(err, HC_ENOMEM, "align", "out of memory for a field");
    }
    for (int k = 0; st == HC_OK && k < f->cols * f->rows; k++) {
        struct hc_pt p = {k % f->cols * f->cell_px, k / f->cols * f->cell_px}, q;
        q = (struct hc_pt){p.x + (double)f->dx[k], p.y + (double)f->dy[k]};
        q = hc_align_lens_apply(lens, hc_homog_apply(map, q));
        q = hc_homog_apply(&back, q);
        f->dx[k] = (float)(q.x - p.x);
        f->dy[k] = (float)(q.y - p.y);
    }
    *field = st == HC_OK ? f : *field;
    return st;
}
