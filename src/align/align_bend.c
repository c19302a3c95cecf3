// What a homography leaves: a thin plate through the tiles' residuals (docs/theory/align.md,
// section 9).
#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/banded.h"
#include "num/linear.h"
#include "num/stats.h"

#define NEIGHBOURS 12
#define NEAR_PX 0.8     // a tile may always differ this much (units) from its neighbours' plane
#define NEAR_SPREAD 1.5 // and by this many times what they themselves do
#define FOLDS 3
#define MIN_TRAIN 24
#define MIN_HELD 8
#define GAIN 0.85        // held-out miss with the field over the miss without, at most
#define MIN_GAIN_PX 0.03 // and the least fall of its mean, units
#define SIGNS 3.0        // tiles that gain minus tiles that lose, in standard deviations
#define NODES 64         // per side, at most
#define REACH 2.0        // steps from an agreeing tile up to which the field is whole
#define FADE 2.0         // steps over which it then goes to 0

// ---- the field as a function

// Weights of the nodes first .. first + 3 at t (in cells) along a side of n nodes.
static int side_weights(double weight[4], double t, int n)
{
    double clamped = fmin(fmax(t, 0), n - 1.0);
    int i = (int)fmin(floor(clamped), n - 2.0), first = i < 1 ? 0 : i > n - 3 ? n - 4 : i - 1;
    double u = clamped - i, u2 = u * u, u3 = u2 * u;
    double w[4] = {(-u + 2 * u2 - u3) / 2, (2 - 5 * u2 + 3 * u3) / 2, (u + 4 * u2 - 3 * u3) / 2,
                   (u3 - u2) / 2};
    memset(weight, 0, 4 * sizeof *weight);
    for (int k = 0; k < 4; k++) {
        int at = i - 1 + k - first;
        if (i - 1 + k < 0) { // the node beyond the border: 2 f(0) - f(1)
            weight[0] += 2 * w[k];
            weight[1] -= w[k];
        } else if (i - 1 + k > n - 1) {
            weight[3] += 2 * w[k];
            weight[2] -= w[k];
        } else {
            weight[at] += w[k];
        }
    }
    return first;
}

struct hc_pt hc_align_field_at(const struct hc_align_field *f, struct hc_pt frame)
{
    double wx[4], wy[4];
    int i = side_weights(wx, frame.x / f->cell_px, f->cols);
    int j = side_weights(wy, frame.y / f->cell_px, f->rows);
    struct hc_pt d = {0, 0};
    for (int b = 0; b < 4; b++) {
        for (int a = 0; a < 4; a++) {
            ptrdiff_t k = (ptrdiff_t)(j + b) * f->cols + i + a;
            d.x += wy[b] * wx[a] * (double)f->dx[k];
            d.y += wy[b] * wx[a] * (double)f->dy[k];
        }
    }
    return d;
}

struct hc_pt hc_align_map(const struct hc_align_fit *fit, struct hc_pt frame)
{
    if (fit->field) {
        struct hc_pt d = hc_align_field_at(fit->field, frame);
        frame.x += d.x;
        frame.y += d.y;
    }
    return hc_homog_apply(&fit->frame_to_view, frame);
}

struct hc_align_field *hc_align_field_create(int cols, int rows, double cell)
{
    size_t n = (size_t)cols * (size_t)rows;
    struct hc_align_field *f = hc_mem_array(1, sizeof *f);
    if (f) {
        *f = (struct hc_align_field){.cols = cols, .rows = rows, .cell_px = cell};
        f->dx = hc_mem_array(2 * n, sizeof *f->dx);
        f->dy = f->dx ? f->dx + n : NULL;
    }
    if (f && !f->dx) {
        hc_mem_free(f);
        f = NULL;
    }
    return f;
}

void hc_align_bend_release(struct hc_align_field *f)
{
    if (f) {
        hc_mem_free(f->dx); // dy lies in the same block
        hc_mem_free(f);
    }
}

void hc_align_bend_extent(const struct hc_align_field *f, double w, double hgt, double *strain,
                          double *longest_px)
{
    double h = f->cell_px / 4;
    *strain = *longest_px = 0;
    for (int j = 1; (j + 1) * h <= hgt; j++) {
        for (int i = 1; (i + 1) * h <= w; i++) {
            struct hc_pt m = hc_align_field_at(f, (struct hc_pt){i * h, j * h});
            struct hc_pt l = hc_align_field_at(f, (struct hc_pt){(i - 1) * h, j * h});
            struct hc_pt r = hc_align_field_at(f, (struct hc_pt){(i + 1) * h, j * h});
            struct hc_pt t = hc_align_field_at(f, (struct hc_pt){i * h, (j - 1) * h});
            struct hc_pt b = hc_align_field_at(f, (struct hc_pt){i * h, (j + 1) * h});
            double xx = (r.x - l.x) / (2 * h), xy = (b.x - t.x) / (2 * h);
            double yx = (r.y - l.y) / (2 * h), yy = (b.y - t.y) / (2 * h);
            // greatest singular value of a 2 x 2 matrix
            double s = (hypot(xx + yy, yx - xy) + hypot(xx - yy, yx + xy)) / 2;
            *strain = fmax(*strain, s);
            *longest_px = fmax(*longest_px, hypot(m.x, m.y));
        }
    }
}

// ---- which tiles agree with their neighbours

// The nearest training tiles to s[at], itself left out; returns how many.
static size_t nearest(size_t who[NEIGHBOURS], const struct hc_align_sample *s, size_t n, size_t at)
{
    double far[NEIGHBOURS];
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        double d = hypot(s[i].x - s[at].x, s[i].y - s[at].y);
        size_t k = count;
        if (i == at || s[i].is_held_out || (count == NEIGHBOURS && d >= far[count - 1])) {
            continue;
        }
        count += count < NEIGHBOURS;
        k = count - 1;
        for (; k > 0 && far[k - 1] > d; k--) {
            far[k] = far[k - 1];
            who[k] = who[k - 1];
        }
        far[k] = d;
        who[k] = i;
    }
    return count;
}

// A plane through the neighbours' displacements, twice reweighted so that a few wrong ones do not
// bend it; the weight of s[at] falls with its distance from the plane. A strained patch is a plane,
// so its tiles stay; a median would throw them out.
static double neighbourly(const struct hc_align_sample *s, size_t n, size_t at, double unit)
{
    static const double ridge[3] = {1e-6, 1e-6, 1e-6};
    size_t who[NEIGHBOURS], count = nearest(who, s, n, at);
    double x[NEIGHBOURS][3], y[NEIGHBOURS][2], w[NEIGHBOURS], length[NEIGHBOURS], c[3][2];
    double spread = 0, limit, r;
    if (count < 6) {
        return 0;
    }
    for (size_t k = 0; k < count; k++) {
        const struct hc_align_sample *o = &s[who[k]];
        x[k][0] = 1;
        x[k][1] = (o->x - s[at].x) / (100 * unit);
        x[k][2] = (o->y - s[at].y) / (100 * unit);
        y[k][0] = o->d[0];
        y[k][1] = o->d[1];
        w[k] = 1;
    }
    for (int round = 0; round < 3; round++) {
        if (hc_linear_ridge(c[0], x[0], y[0], w, ridge, count, 3, 2, NULL) != HC_OK) {
            return 0;
        }
        for (size_t k = 0; k < count; k++) {
            double e[2];
            for (size_t a = 0; a < 2; a++) {
                e[a] = y[k][a] - c[0][a] - c[1][a] * x[k][1] - c[2][a] * x[k][2];
            }
            w[k] = length[k] = hypot(e[0], e[1]);
        }
        spread = hc_stats_median(length, count);
        for (size_t k = 0; k < count; k++) { // Cauchy's weight
            double q = w[k] / (2 * spread + 0.05 * unit);
            w[k] = 1 / (1 + q * q);
        }
    }
    limit = NEAR_PX * unit + NEAR_SPREAD * spread;
    r = hypot(s[at].d[0] - c[0][0], s[at].d[1] - c[0][1]) / limit;
    return r < 1 ? (1 - r * r) * (1 - r * r) : 0;
}

// ---- the thin plate on the nodes

struct plate {
    int cols, rows;
    double cell;
    size_t nodes, band;
    double *a, *b; // nodes x (band + 1), nodes x 2
};

static void add_product(struct plate *p, const size_t *node, const double *v, size_t n, double w)
{
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            if (node[j] <= node[i]) {
                p->a[node[i] * (p->band + 1) + p->band - (node[i] - node[j])] += w * v[i] * v[j];
            }
        }
    }
}

// Bending energy fxx^2 + 2 fxy^2 + fyy^2 by differences of the nodes, in cells (eq. 6).
static void add_bending(struct plate *p, double smooth)
{
    static const double second[3] = {1, -2, 1}, mixed[4] = {1, -1, -1, 1};
    size_t cols = (size_t)p->cols, rows = (size_t)p->rows;
    for (size_t j = 0; j < rows; j++) {
        for (size_t i = 0; i < cols; i++) {
            size_t k = j * cols + i, across[3] = {k, k + 1, k + 2};
            size_t down[3] = {k, k + cols, k + 2 * cols};
            size_t square[4] = {k, k + 1, k + cols, k + cols + 1};
            if (i + 2 < cols) {
                add_product(p, across, second, 3, smooth);
            }
            if (j + 2 < rows) {
                add_product(p, down, second, 3, smooth);
            }
            if (i + 1 < cols && j + 1 < rows) {
                add_product(p, square, mixed, 4, 2 * smooth);
            }
        }
    }
}

// Training tiles other than those of `fold` (FOLDS: all), each by its weight.
static void add_tiles(struct plate *p, const struct hc_align_sample *s, size_t n, size_t fold)
{
    size_t rank = 0;
    for (size_t i = 0; i < n; i++) {
        double wx[4], wy[4], v[16];
        size_t node[16];
        int x, y;
        if (s[i].is_held_out || !(s[i].weight > 0) || rank++ % FOLDS == fold) {
            continue;
        }
        x = side_weights(wx, s[i].x / p->cell, p->cols);
        y = side_weights(wy, s[i].y / p->cell, p->rows);
        for (int k = 0; k < 16; k++) {
            node[k] = (size_t)(y + k / 4) * (size_t)p->cols + (size_t)(x + k % 4);
            v[k] = wy[k / 4] * wx[k % 4];
            p->b[2 * node[k]] += s[i].weight * v[k] * s[i].d[0];
            p->b[2 * node[k] + 1] += s[i].weight * v[k] * s[i].d[1];
        }
        add_product(p, node, v, 16, s[i].weight);
    }
}

static hc_status solve(struct hc_align_field *f, struct plate *p, const struct hc_align_sample *s,
                       size_t n, size_t fold, double smooth, struct hc_err *err)
{
    hc_status st;
    memset(p->a, 0, p->nodes * (p->band + 1) * sizeof *p->a);
    memset(p->b, 0, p->nodes * 2 * sizeof *p->b);
    for (size_t k = 0; k < p->nodes; k++) {
        p->a[k * (p->band + 1) + p->band] = 1e-7; // keeps far corners from drifting
    }
    add_bending(p, smooth);
    add_tiles(p, s, n, fold);
    st = hc_banded_solve_spd(p->a, p->nodes, p->band, p->b, 2, err);
    for (size_t k = 0; st == HC_OK && k < p->nodes; k++) {
        f->dx[k] = (float)p->b[2 * k];
        f->dy[k] = (float)p->b[2 * k + 1];
    }
    return st;
}

static double miss(const struct hc_align_field *f, const struct hc_align_sample *s)
{
    struct hc_pt d = hc_align_field_at(f, (struct hc_pt){s->x, s->y});
    return hypot(s->d[0] - d.x, s->d[1] - d.y);
}

// The smoothing with the least miss of training tiles that took no part.
static hc_status choose_smoothing(double *smooth, struct hc_align_field *f, struct plate *p,
                                  const struct hc_align_sample *s, size_t n, struct hc_err *err)
{
    double best = HUGE_VAL;
    for (int e = -6; e <= 4; e++) {
        double l = pow(10, e / 2.0), sum = 0;
        for (size_t fold = 0; fold < FOLDS; fold++) {
            size_t rank = 0;
            hc_status st = solve(f, p, s, n, fold, l, err);
            if (st != HC_OK) {
                return st;
            }
            for (size_t i = 0; i < n; i++) {
                if (!s[i].is_held_out && s[i].weight > 0 && rank++ % FOLDS == fold) {
                    sum += s[i].weight * miss(f, &s[i]);
                }
            }
        }
        if (sum < best) {
            best = sum;
            *smooth = l;
        }
    }
    return HC_OK;
}

// Whole near agreeing tiles, 0 far from all of them: there the homography alone is used.
static void fade(struct hc_align_field *f, const struct hc_align_sample *s, size_t n, double step)
{
    for (int k = 0; k < f->cols * f->rows; k++) {
        double x = k % f->cols * f->cell_px, y = k / f->cols * f->cell_px, d = HUGE_VAL, t;
        for (size_t i = 0; i < n; i++) {
            if (s[i].weight > 0) {
                d = fmin(d, hypot(s[i].x - x, s[i].y - y));
            }
        }
        t = fmin(fmax((d / step - REACH) / FADE, 0), 1);
        f->dx[k] *= (float)(0.5 + 0.5 * cos(M_PI * t));
        f->dy[k] *= (float)(0.5 + 0.5 * cos(M_PI * t));
    }
}

// Do tiles that had no part in the field gain clearly from it?
static bool is_gain(const struct hc_align_field *f, const struct hc_align_sample *s, size_t n,
                    double unit, double *scratch)
{
    double *before = scratch, *after = scratch + n, mean[2], signs = 0;
    size_t held = 0;
    for (size_t i = 0; i < n; i++) {
        if (s[i].is_held_out && s[i].weight > 0) {
            before[held] = hypot(s[i].d[0], s[i].d[1]);
            after[held] = miss(f, &s[i]);
            signs += after[held] < before[held] ? 1 : -1;
            held++;
        }
    }
    mean[0] = hc_stats_mean(before, held);
    mean[1] = hc_stats_mean(after, held);
    return held >= MIN_HELD && mean[1] < GAIN * mean[0] && mean[1] < mean[0] - MIN_GAIN_PX * unit &&
           signs > SIGNS * sqrt((double)held) &&
           hc_stats_median(after, held) < GAIN * hc_stats_median(before, held);
}

// The part's nodes in the frame's grid, the nearest ones repeated beyond.
static struct hc_align_field *embed(const struct hc_align_field *f, double x0, double y0, double w,
                                    double h)
{
    int i0 = (int)lround(x0 / f->cell_px), j0 = (int)lround(y0 / f->cell_px);
    int cols = (int)fmax(ceil(w / f->cell_px) + 1, 4),
        rows = (int)fmax(ceil(h / f->cell_px) + 1, 4);
    struct hc_align_field *all = hc_align_field_create(cols, rows, f->cell_px);
    for (int k = 0; all && k < cols * rows; k++) {
        int i = k % cols - i0, j = k / cols - j0;
        i = i < 0 ? 0 : i < f->cols ? i : f->cols - 1;
        j = j < 0 ? 0 : j < f->rows ? j : f->rows - 1;
        all->dx[k] = f->dx[j * f->cols + i];
        all->dy[k] = f->dy[j * f->cols + i];
    }
    return all;
}

static void move(struct hc_align_sample *s, size_t n, double dx, double dy)
{
    for (size_t i = 0; i < n; i++) {
        s[i].x += dx;
        s[i].y += dy;
    }
}

hc_status hc_align_bend(struct hc_align_field **out, struct hc_align_sample *s, size_t n,
                        struct hc_box part, double w, double h, double step, double unit,
                        struct hc_err *err)
{
    double side = fmax(part.x1 - part.x0, part.y1 - part.y0);
    struct plate p = {.cell = fmax(fmax(step, side / (NODES - 1)), fmax(w, h) / (2 * NODES - 1))};
    double x0 = p.cell * floor(part.x0 / p.cell), y0 = p.cell * floor(part.y0 / p.cell);
    struct hc_align_field *f = NULL, *all = NULL;
    double *scratch = n ? hc_mem_array(2 * n, sizeof *scratch) : NULL, smooth = 1;
    size_t train = 0;
    hc_status st = HC_OK;
    *out = NULL;
    for (size_t i = 0; i < n; i++) {
        s[i].weight = neighbourly(s, n, i, unit);
        train += s[i].weight > 0 && !s[i].is_held_out;
    }
    if (train < MIN_TRAIN) {
        goto done;
    }
    p.cols = (int)fmax(ceil((part.x1 - x0) / p.cell) + 1, 4);
    p.rows = (int)fmax(ceil((part.y1 - y0) / p.cell) + 1, 4);
    p.nodes = (size_t)p.cols * (size_t)p.rows;
    p.band = 3 * (size_t)p.cols + 3;
    p.a = hc_mem_array(p.nodes * (p.band + 3), sizeof *p.a);
    f = hc_align_field_create(p.cols, p.rows, p.cell);
    if (!scratch || !p.a || !f) {
        st = hc_err_set(err, HC_ENOMEM, "align", "out of memory for a field of %zu nodes", p.nodes);
        goto done;
    }
    p.b = p.a + p.nodes * (p.band + 1);
    move(s, n, -x0, -y0);
    st = choose_smoothing(&smooth, f, &p, s, n, err);
    if (st == HC_OK) {
        st = solve(f, &p, s, n, FOLDS, smooth, err);
    }
    move(s, n, x0, y0);
    if (st == HC_OK) {
        all = embed(f, x0, y0, w, h);
        st = all ? HC_OK : hc_err_set(err, HC_ENOMEM, "align", "out of memory for a field");
    }
    if (st == HC_OK) {
        fade(all, s, n, step);
        if (is_gain(all, s, n, unit, scratch)) {
            *out = all;
            all = NULL;
        }
    }
done:
    hc_align_bend_release(all);
    hc_align_bend_release(f);
    hc_mem_free(p.a);
    hc_mem_free(scratch);
    return st;
}
