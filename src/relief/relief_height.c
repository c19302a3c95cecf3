// Height from slopes (theory, section 4).
#include "relief/relief_priv.h"

#include "base/mem.h"
#include "num/dct.h"
#include "num/linear.h"

#include <math.h>
#include <stdio.h>

#define BRIDGE 1e-3f // weight of a link that carries no slope
#define MAX_ROUNDS 200
#define GOAL 1e-5

struct height {
    const struct hc_plane *p, *q, *weight;
    float mm;
    bool has_drift;
    double drift[12]; // 6 coefficients, each for p and q: [2 c + 0], [2 c + 1]
    struct hc_dct2 *dct;
    float *cos_x, *cos_y; // 2 cos(pi i / w) - 2
    double *part, *part2; // per block
    struct hc_par *par;
    // of the running pass
    struct hc_plane *a, *b;
    float step;
    struct hc_plane r, s, d, ad;
};

// ---- slopes and links ----

static void basis(double out[6], const struct hc_plane *p, int x, int y)
{
    double u = (2.0 * x + 1) / p->w - 1, v = (2.0 * y + 1) / p->h - 1;
    out[0] = 1;
    out[1] = u;
    out[2] = v;
    out[3] = u * u;
    out[4] = u * v;
    out[5] = v * v;
}

static float drift_at(const struct height *t, int x, int y, int which)
{
    double b[6], s = 0;
    basis(b, t->p, x, y);
    for (int c = 0; c < 6; c++) {
        s += b[c] * t->drift[2 * c + which];
    }
    return (float)s;
}

static float slope(const struct height *t, int x, int y, int which)
{
    float v = hc_plane_get(which ? t->q : t->p, x, y);
    return t->has_drift ? v - drift_at(t, x, y, which) : v;
}

// Rise from pixel (x, y) to its right (or lower) neighbour, and what the link weighs.
static float link(const struct height *t, int x, int y, bool is_down, float *w)
{
    int x1 = x + !is_down, y1 = y + is_down;
    *w = 1.0f;
    if (t->weight) {
        float a = hc_plane_get(t->weight, x, y), b = hc_plane_get(t->weight, x1, y1);
        a = a < b ? a : b;
        if (!(a > BRIDGE)) {
            *w = BRIDGE;
            return 0.0f;
        }
        *w = a < 1.0f ? a : 1.0f;
    }
    float g = 0.5f * t->mm * (slope(t, x, y, is_down) + slope(t, x1, y1, is_down));
    return is_down ? -g : g; // q points up, rows go down
}

// out = div(W g), the right-hand side.
static void divergence_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    int w = t->p->w, h = t->p->h;
    (void)block;
    for (int y = y0; y < y1; y++) {
        float *out = hc_plane_row(t->a, y), k, left = 0.0f;
        for (int x = 0; x < w; x++) {
            float right = 0.0f, up = 0.0f, down = 0.0f;
            if (x + 1 < w) {
                right = link(t, x, y, false, &k);
                right *= k;
            }
            if (y > 0) {
                up = link(t, x, y - 1, true, &k);
                up *= k;
            }
            if (y + 1 < h) {
                down = link(t, x, y, true, &k);
                down *= k;
            }
            out[x] = right - left + down - up;
            left = right;
        }
    }
}

// The same without weights and drift, in one plain loop.
static void plain_divergence_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    int w = t->p->w, h = t->p->h;
    float k = 0.5f * t->mm;
    (void)block;
    for (int y = y0; y < y1; y++) {
        const float *p = hc_plane_row(t->p, y), *q = hc_plane_row(t->q, y);
        const float *qa = y > 0 ? q - t->q->stride : NULL,
                    *qb = y + 1 < h ? q + t->q->stride : NULL;
        float *restrict out = hc_plane_row(t->a, y);
        out[0] = k * (p[0] + p[1]);
        for (int x = 1; x < w - 1; x++) {
            out[x] = k * (p[x + 1] - p[x - 1]);
        }
        out[w - 1] = -k * (p[w - 2] + p[w - 1]);
        for (int x = 0; qa && x < w; x++) {
            out[x] += k * (qa[x] + q[x]);
        }
        for (int x = 0; qb && x < w; x++) {
            out[x] -= k * (q[x] + qb[x]);
        }
    }
}

// ---- the direct solver ----

static void divide_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    float scale = (float)(1 / (4.0 * t->p->w * t->p->h));
    (void)block;
    for (int y = y0; y < y1; y++) {
        float *restrict row = hc_plane_row(t->a, y), cy = t->cos_y[y];
        const float *restrict cx = t->cos_x;
        for (int x = y == 0; x < t->p->w; x++) {
            row[x] *= scale / (cx[x] + cy);
        }
        if (y == 0) {
            row[0] = 0.0f;
        }
    }
}

// z <- Laplacian^-1 z, mean 0.
static void poisson(struct height *t, struct hc_plane *z)
{
    hc_dct2_forward(t->dct, z, t->par);
    t->a = z;
    hc_par_rows(t->par, z->h, divide_rows, t);
    hc_dct2_inverse(t->dct, z, t->par);
}

// ---- conjugate gradients ----

static double total(const double *part, int h)
{
    double s = 0;
    for (int b = 0; b < hc_par_blocks(h); b++) {
        s += part[b];
    }
    return s;
}

// ad = -div(W grad d), part = d.ad
static void apply_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    int w = t->p->w, h = t->p->h;
    double sum = 0;
    for (int y = y0; y < y1; y++) {
        const float *d = hc_plane_row(&t->d, y);
        float *out = hc_plane_row(&t->ad, y), k;
        for (int x = 0; x < w; x++) {
            float v = 0.0f;
            if (x > 0) {
                link(t, x - 1, y, false, &k);
                v += k * (d[x] - d[x - 1]);
            }
            if (x + 1 < w) {
                link(t, x, y, false, &k);
                v += k * (d[x] - d[x + 1]);
            }
            if (y > 0) {
                link(t, x, y - 1, true, &k);
                v += k * (d[x] - d[x - t->d.stride]);
            }
            if (y + 1 < h) {
                link(t, x, y, true, &k);
                v += k * (d[x] - d[x + t->d.stride]);
            }
            out[x] = v;
            sum += (double)v * (double)d[x];
        }
    }
    t->part[block] = sum;
}

// a += step b; part = a.a
static void add_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    for (int y = y0; y < y1; y++) {
        float *a = hc_plane_row(t->a, y);
        const float *b = hc_plane_row(t->b, y);
        for (int x = 0; x < t->p->w; x++) {
            a[x] += t->step * b[x];
        }
    }
    (void)block;
}

// d = s + step d
static void turn_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    for (int y = y0; y < y1; y++) {
        float *d = hc_plane_row(&t->d, y);
        const float *s = hc_plane_row(&t->s, y);
        for (int x = 0; x < t->p->w; x++) {
            d[x] = s[x] + t->step * d[x];
        }
    }
    (void)block;
}

// s = -r copied for the preconditioner
static void negate_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < t->p->w; x++) {
            hc_plane_row(&t->s, y)[x] = -hc_plane_get(&t->r, x, y);
        }
    }
    (void)block;
}

static void dot_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    double sum = 0;
    for (int y = y0; y < y1; y++) {
        const float *r = hc_plane_row(&t->r, y), *s = hc_plane_row(&t->s, y);
        for (int x = 0; x < t->p->w; x++) {
            sum += (double)r[x] * (double)s[x];
        }
    }
    t->part[block] = sum;
}

// s = (-Laplacian)^-1 r; returns r.s
static double precondition(struct height *t)
{
    hc_par_rows(t->par, t->p->h, negate_rows, t);
    poisson(t, &t->s);
    hc_par_rows(t->par, t->p->h, dot_rows, t);
    return total(t->part, t->p->h);
}

static void add(struct height *t, struct hc_plane *a, const struct hc_plane *b, double step)
{
    struct hc_plane from = *b;
    t->a = a;
    t->b = &from;
    t->step = (float)step;
    hc_par_rows(t->par, a->h, add_rows, t);
}

static hc_status weighted(struct height *t, struct hc_plane *z, int *rounds, struct hc_job *job,
                          struct hc_err *err)
{
    int h = t->p->h;
    hc_plane_fill(z, 0.0f);
    t->a = &t->r;
    hc_par_rows(t->par, h, divergence_rows, t);
    for (int y = 0; y < h; y++) { // A z = -div(W g)
        for (int x = 0; x < t->p->w; x++) {
            hc_plane_row(&t->r, y)[x] *= -1.0f;
        }
    }
    double rs = precondition(t), first = rs;
    hc_plane_copy(&t->d, &t->s);
    for (*rounds = 0; rs > GOAL * GOAL * first && first > 0; ++*rounds) {
        hc_status st = hc_job_step(job, (double)*rounds / MAX_ROUNDS, "integrating slopes", err);
        if (st != HC_OK) {
            return st;
        }
        if (*rounds == MAX_ROUNDS) {
            return hc_err_set(err, HC_ENUMERIC, "relief",
                              "the height did not settle in %d rounds; too much of the picture has "
                              "no slopes. Choose a smaller part",
                              MAX_ROUNDS);
        }
        hc_par_rows(t->par, h, apply_rows, t);
        double dad = total(t->part, h);
        if (!(dad > 0)) {
            break;
        }
        add(t, z, &t->d, rs / dad);
        add(t, &t->r, &t->ad, -rs / dad);
        double next = precondition(t);
        t->step = (float)(next / rs);
        hc_par_rows(t->par, h, turn_rows, t);
        rs = next;
    }
    return HC_OK;
}

// ---- drift ----

// Second order in both slopes, least squares over at most about 512 x 512 places.
static hc_status find_drift(struct height *t, double *drift_deg, struct hc_err *err)
{
    int w = t->p->w, h = t->p->h, step = (w > h ? w : h) / 512 + 1;
    double a[36] = {0}, worst = 0;
    for (int y = step / 2; y < h; y += step) {
        for (int x = step / 2; x < w; x += step) {
            double b[6], k = t->weight ? (double)hc_plane_get(t->weight, x, y) : 1;
            basis(b, t->p, x, y);
            for (int i = 0; i < 6; i++) {
                for (int j = 0; j < 6; j++) {
                    a[6 * i + j] += k * b[i] * b[j];
                }
                t->drift[2 * i] += k * b[i] * (double)hc_plane_get(t->p, x, y);
                t->drift[2 * i + 1] += k * b[i] * (double)hc_plane_get(t->q, x, y);
            }
        }
    }
    hc_status st = hc_linear_solve_spd(a, 6, t->drift, 2, err);
    if (st != HC_OK) {
        return hc_err_prefix(err, st, "taking the drift off a flat picture: ");
    }
    t->has_drift = true;
    for (int y = 0; y < h; y += step) {
        for (int x = 0; x < w; x += step) {
            double p = (double)drift_at(t, x, y, 0), q = (double)drift_at(t, x, y, 1);
            worst = fmax(worst, hypot(p, q));
        }
    }
    *drift_deg = atan(worst) * 180 / M_PI;
    return HC_OK;
}

// ---- the door ----

// part = sum over links of w (rise - g)^2, part2 = sum of w g^2
static void misfit_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    double miss = 0, all = 0;
    for (int y = y0; y < y1; y++) {
        const float *z = hc_plane_row(t->a, y);
        for (int x = 0; x < t->p->w; x++) {
            for (int down = 0; down < 2; down++) {
                if (down ? y + 1 >= t->p->h : x + 1 >= t->p->w) {
                    continue;
                }
                float w, g = link(t, x, y, down, &w);
                float e = (down ? z[x + t->a->stride] : z[x + 1]) - z[x] - g;
                if (w > BRIDGE) {
                    miss += (double)(w * e * e);
                    all += (double)(w * g * g);
                }
            }
        }
    }
    t->part[block] = miss;
    t->part2[block] = all;
}

// The same without weights and drift (and without the last column's links down); short runs are
// summed in float, the runs in double.
static void plain_misfit_rows(void *ctx, int block, int y0, int y1)
{
    struct height *t = ctx;
    int w = t->p->w, h = t->p->h;
    float k = 0.5f * t->mm;
    double miss = 0, all = 0;
    for (int y = y0; y < y1; y++) {
        const float *p = hc_plane_row(t->p, y), *q = hc_plane_row(t->q, y),
                    *z = hc_plane_row(t->a, y);
        const float *qb = y + 1 < h ? q + t->q->stride : NULL, *zb = z + t->a->stride;
        for (int at = 0; at < w - 1; at += 64) {
            float e2[8] = {0}, g2[8] = {0};
            int end = at + 64 < w - 1 ? at + 64 : w - 1;
            for (int x = at; x < end; x++) {
                float g = k * (p[x] + p[x + 1]), e = z[x + 1] - z[x] - g;
                float gd = qb ? -k * (q[x] + qb[x]) : 0.0f, ed = qb ? zb[x] - z[x] - gd : 0.0f;
                e2[x & 7] += e * e + ed * ed;
                g2[x & 7] += g * g + gd * gd;
            }
            for (int i = 0; i < 8; i++) {
                miss += (double)e2[i];
                all += (double)g2[i];
            }
        }
    }
    t->part[block] = miss;
    t->part2[block] = all;
}

static hc_status prepare(struct height *t, struct hc_err *err)
{
    int w = t->p->w, h = t->p->h;
    hc_status st = hc_dct2_create(&t->dct, w, h, err);
    if (st != HC_OK) {
        return st;
    }
    t->cos_x = hc_mem_array((size_t)w, sizeof *t->cos_x);
    t->cos_y = hc_mem_array((size_t)h, sizeof *t->cos_y);
    t->part = hc_mem_array((size_t)hc_par_blocks(h), sizeof *t->part);
    t->part2 = hc_mem_array((size_t)hc_par_blocks(h), sizeof *t->part2);
    if (!t->cos_x || !t->cos_y || !t->part || !t->part2) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for a height of %d x %d px", w,
                          h);
    }
    for (int i = 0; i < w; i++) {
        double s = sin(M_PI * i / (2.0 * w));
        t->cos_x[i] = (float)(-4 * s * s); // 2 cos - 2 without cancellation
    }
    for (int i = 0; i < h; i++) {
        double s = sin(M_PI * i / (2.0 * h));
        t->cos_y[i] = (float)(-4 * s * s);
    }
    struct hc_plane *more[4] = {&t->r, &t->s, &t->d, &t->ad};
    for (int i = 0; i < 4 && t->weight && st == HC_OK; i++) {
        st = hc_plane_create(more[i], w, h, err);
    }
    return st;
}

static hc_status check(const struct hc_plane *z, const struct hc_plane *p, const struct hc_plane *q,
                       const struct hc_plane *weight, double mm_per_px, struct hc_err *err)
{
    if (!(mm_per_px > 0 && mm_per_px < 1e3)) {
        return hc_err_set(err, HC_EARG, "relief", "heights need the scale; %g mm per px given",
                          mm_per_px);
    }
    if (p->w < 8 || p->h < 8 || p->w != q->w || p->h != q->h || z->w != p->w || z->h != p->h ||
        (weight && (weight->w != p->w || weight->h != p->h))) {
        return hc_err_set(err, HC_EARG, "relief",
                          "heights need slopes, weights and result of one size, at least 8 x 8 px");
    }
    return HC_OK;
}

hc_status hc_relief_height(struct hc_plane *z_mm, struct hc_relief_height_report *out,
                           const struct hc_plane *p, const struct hc_plane *q, double mm_per_px,
                           const struct hc_relief_height_options *options, struct hc_par *par,
                           struct hc_job *job, struct hc_err *err)
{
    struct height t = {.p = p, .q = q, .mm = (float)mm_per_px, .par = par};
    t.weight = options ? options->weight : NULL;
    *out = (struct hc_relief_height_report){0};
    hc_status st = check(z_mm, p, q, t.weight, mm_per_px, err);
    if (st != HC_OK) {
        return st;
    }
    st = prepare(&t, err);
    if (st == HC_OK && options && options->is_flat) {
        st = find_drift(&t, &out->drift_deg, err);
    }
    if (st == HC_OK) {
        st = hc_job_step(job, 0, "integrating slopes", err);
    }
    if (st == HC_OK && t.weight) {
        st = weighted(&t, z_mm, &out->rounds, job, err);
    } else if (st == HC_OK) {
        t.a = z_mm;
        hc_par_rows(par, p->h, t.has_drift ? divergence_rows : plain_divergence_rows, &t);
        poisson(&t, z_mm);
    }
    if (st == HC_OK) {
        t.a = z_mm;
        hc_par_rows(par, p->h, t.weight || t.has_drift ? misfit_rows : plain_misfit_rows, &t);
        double miss = total(t.part, p->h), all = total(t.part2, p->h);
        out->residual = all > 0 ? sqrt(miss / all) : 0;
        out->reliable_mm = 0.25 * (p->w < p->h ? p->w : p->h) * mm_per_px;
        snprintf(
            out->what, sizeof out->what,
            "Height in mm from slopes; forms longer than %.3g mm are not to be trusted without "
            "an independent measurement%s.",
            out->reliable_mm,
            t.has_drift ? "; drift was taken off because the picture was said to be flat" : "");
    }
    hc_plane_release(&t.r);
    hc_plane_release(&t.s);
    hc_plane_release(&t.d);
    hc_plane_release(&t.ad);
    hc_mem_free(t.part);
    hc_mem_free(t.part2);
    hc_mem_free(t.cos_x);
    hc_mem_free(t.cos_y);
    hc_dct2_destroy(t.dct);
    return st;
}

size_t hc_relief_height_bytes(int w, int h, bool has_weight)
{
    size_t px = (size_t)w * (size_t)h * sizeof(float);
    size_t blocks = (size_t)hc_par_blocks((w + 15) / 16);
    return (has_weight ? 4 * px : 0) + blocks * 16 * (size_t)h * sizeof(float) +
           ((size_t)w + (size_t)h) * sizeof(float) + 2 * (size_t)hc_par_blocks(h) * sizeof(double) +
           4096;
}
