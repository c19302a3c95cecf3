// Do these views belong together? Exposure, order, misfit (theory, section 8).
#include "relief/relief_priv.h"

#include "base/mem.h"
#include "num/stats.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define SIDE 96
#define MAX_N HC_RELIEF_MAX_LIGHTS

// What a sample is worth: v / median of its view, over the mean of that at the pixel. On a nearly
// flat surface w_k = 1 - p (t_xk - mean) - q (t_yk - mean), with t = (l_x, l_y) / l_z: exposure and
// reflectance have gone.
struct check {
    int n, side_x, side_y, patches;
    size_t px;               // per view
    float *v;                // n x px
    float *p, *q;            // slopes under the order in question
    unsigned char *is_good;  // all samples usable
    double t[MAX_N][2];      // of the lamps
    double s[MAX_N * MAX_N]; // sum of (w_j - 1) (w_k - 1)
    double all;              // its trace
};

static hc_status read_patches(struct check *c, const struct hc_relief_view *views,
                              struct hc_err *err)
{
    for (int k = 0; k < c->n; k++) {
        const struct hc_relief_view *v = &views[k];
        for (int i = 0; i < c->patches; i++) {
            int x0 = (v->w - c->side_x) * (i % 3) / 2, y0 = (v->h - c->side_y) * (i / 3) / 2;
            float *to = c->v + (size_t)k * c->px + (size_t)i * (size_t)(c->side_x * c->side_y);
            struct hc_plane out = {to, c->side_x, c->side_y, c->side_x};
            if (!v->px16) {
                hc_status st = v->read(v->ctx, x0, y0, &out, err);
                if (st != HC_OK) {
                    return st;
                }
                continue;
            }
            for (int j = 0; j < c->side_x * c->side_y; j++) {
                ptrdiff_t at = (ptrdiff_t)(y0 + j / c->side_x) * v->stride16 + x0 + j % c->side_x;
                to[j] = (float)v->px16[at] * (1.0f / 65535.0f);
            }
        }
    }
    return HC_OK;
}

// Shares, medians, exposures. Returns false when a view is useless.
static bool look_at_each(struct check *c, struct hc_relief_views_report *out, double *median,
                         const struct hc_relief_light *lights)
{
    double level[MAX_N], sorted[MAX_N];
    bool is_fine = true;
    for (int k = 0; k < c->n; k++) {
        struct hc_relief_view_state *s = &out->view[k];
        float *v = c->v + (size_t)k * c->px, *copy = c->p;
        for (size_t i = 0; i < c->px; i++) {
            s->dark += v[i] < 0.002f || !(v[i] >= 0.0f);
            s->clipped += v[i] > 0.98f;
        }
        s->dark /= (double)c->px;
        s->clipped /= (double)c->px;
        memcpy(copy, v, c->px * sizeof *v);
        for (size_t i = 0; i < c->px; i++) {
            copy[i] = copy[i] > 0.0f ? copy[i] : 0.0f;
        }
        median[k] = (double)hc_stats_quantile_f(copy, c->px, 0.5);
        sorted[k] = level[k] = median[k] / lights[k].dir[2];
    }
    double usual = hc_stats_median(sorted, (size_t)c->n);
    for (int k = 0; k < c->n; k++) {
        struct hc_relief_view_state *s = &out->view[k];
        s->gain = usual > 0 ? level[k] / usual : 1;
        if (s->dark > 0.9) {
            snprintf(s->why, sizeof s->why, "all but black");
            is_fine = false;
        } else if (s->clipped > 0.3) {
            snprintf(s->why, sizeof s->why, "%.0f %% of it is clipped", 100 * s->clipped);
            is_fine = false;
        } else if (s->gain < 0.7 || s->gain > 1.4) {
            snprintf(
                s->why, sizeof s->why,
                "exposed %.2f times as the others (or its lamp stands nearer, or its elevation "
                "is wrong)",
                s->gain);
            s->is_other_exposure = true;
        }
        s->is_bad = s->why[0] != 0;
    }
    return is_fine;
}

static void gather(struct check *c, const double *median)
{
    size_t good = 0;
    memset(c->s, 0, sizeof c->s);
    for (size_t i = 0; i < c->px; i++) {
        double w[MAX_N], mean = 0;
        bool is_good = true;
        for (int k = 0; k < c->n; k++) {
            double v = (double)c->v[(size_t)k * c->px + i];
            is_good = is_good && v > 0.002 && v < 0.98;
            w[k] = v / median[k];
            mean += w[k] / c->n;
        }
        c->is_good[i] = is_good;
        if (!is_good) {
            continue;
        }
        good++;
        for (int k = 0; k < c->n; k++) {
            w[k] = w[k] / mean - 1;
            c->v[(size_t)k * c->px + i] = (float)w[k];
        }
        for (int k = 0; k < c->n; k++) {
            for (int j = 0; j <= k; j++) {
                c->s[k * c->n + j] += w[k] * w[j];
            }
        }
    }
    c->all = 0;
    for (int k = 0; k < c->n; k++) {
        for (int j = 0; j <= k; j++) {
            c->s[j * c->n + k] = c->s[k * c->n + j] /= good ? (double)good : 1;
        }
        c->all += c->s[k * c->n + k];
    }
}

// Two columns, orthonormal, spanning what slopes can do when view order[i] belongs to lamp i. False
// when the lamps stand in one line.
static bool span(double b[2][MAX_N], const struct check *c, const int *order)
{
    for (int d = 0; d < 2; d++) {
        double mean = 0, len = 0, dot = 0;
        for (int i = 0; i < c->n; i++) {
            mean += c->t[i][d] / c->n;
        }
        for (int i = 0; i < c->n; i++) {
            b[d][order[i]] = c->t[i][d] - mean;
        }
        for (int i = 0; d == 1 && i < c->n; i++) {
            dot += b[0][i] * b[1][i];
        }
        for (int i = 0; i < c->n; i++) {
            b[d][i] -= d == 1 ? dot * b[0][i] : 0;
            len += b[d][i] * b[d][i];
        }
        if (!(len > 1e-9)) {
            return false;
        }
        for (int i = 0; i < c->n; i++) {
            b[d][i] /= sqrt(len);
        }
    }
    return true;
}

// Share of the variance that no slope explains.
static double unexplained(const struct check *c, const int *order)
{
    double b[2][MAX_N], got = 0;
    if (!(c->all > 0) || !span(b, c, order)) {
        return 1;
    }
    for (int d = 0; d < 2; d++) {
        for (int k = 0; k < c->n; k++) {
            for (int j = 0; j < c->n; j++) {
                got += b[d][k] * c->s[k * c->n + j] * b[d][j];
            }
        }
    }
    return fmax(0, 1 - got / c->all);
}

// Slopes by least squares of w on the centred t.
static void slopes(struct check *c, const int *order)
{
    double a[3] = {0}, mean[2] = {0}, k2[2][MAX_N];
    for (int i = 0; i < c->n; i++) {
        mean[0] += c->t[i][0] / c->n;
        mean[1] += c->t[i][1] / c->n;
    }
    for (int i = 0; i < c->n; i++) {
        double x = c->t[i][0] - mean[0], y = c->t[i][1] - mean[1];
        a[0] += x * x;
        a[1] += x * y;
        a[2] += y * y;
    }
    double det = a[0] * a[2] - a[1] * a[1];
    for (int i = 0; i < c->n; i++) {
        double x = c->t[i][0] - mean[0], y = c->t[i][1] - mean[1];
        k2[0][order[i]] = det > 0 ? -(a[2] * x - a[1] * y) / det : 0;
        k2[1][order[i]] = det > 0 ? -(a[0] * y - a[1] * x) / det : 0;
    }
    for (size_t i = 0; i < c->px; i++) {
        double p = 0, q = 0;
        for (int k = 0; c->is_good[i] && k < c->n; k++) {
            p += k2[0][k] * (double)c->v[(size_t)k * c->px + i];
            q += k2[1][k] * (double)c->v[(size_t)k * c->px + i];
        }
        c->p[i] = (float)p;
        c->q[i] = (float)q;
    }
}

// Energy of the curl over that of curl and divergence: 0 for slopes of a surface, 1/2 for noise.
static double curl_share(struct check *c, const int *order)
{
    double curl = 0, div = 0;
    int w = c->side_x, size = c->side_x * c->side_y;
    slopes(c, order);
    for (int i = 0; i < c->patches; i++) {
        for (int j = 0; j < size; j++) {
            size_t at = (size_t)i * (size_t)size + (size_t)j;
            int x = j % w, y = j / w;
            if (x < 1 || y < 1 || x + 1 >= w || y + 1 >= c->side_y || !c->is_good[at - 1] ||
                !c->is_good[at + 1] || !c->is_good[at - (size_t)w] || !c->is_good[at + (size_t)w]) {
                continue;
            }
            double px = (double)(c->p[at + 1] - c->p[at - 1]);
            double qx = (double)(c->q[at + 1] - c->q[at - 1]);
            double py = (double)(c->p[at - (size_t)w] - c->p[at + (size_t)w]);
            double qy = (double)(c->q[at - (size_t)w] - c->q[at + (size_t)w]);
            curl += (qx - py) * (qx - py);
            div += (px + qy) * (px + qy);
        }
    }
    return curl + div > 0 ? curl / (curl + div) : 0.5;
}

static void turned(int *order, int n, int by, bool is_reversed)
{
    for (int i = 0; i < n; i++) {
        order[i] = ((is_reversed ? by - i : by + i) % n + n) % n;
    }
}

static void swap(int *order, int i, int j)
{
    int t = order[i];
    order[i] = order[j];
    order[j] = t;
}

// Best single exchanges, one after the other, while they help much.
static double exchange(const struct check *c, int *order, double now)
{
    for (int round = 0; round < c->n; round++) {
        double best = now;
        int bi = 0, bj = 0;
        for (int i = 0; i < c->n; i++) {
            for (int j = i + 1; j < c->n; j++) {
                swap(order, i, j);
                double u = unexplained(c, order);
                swap(order, i, j);
                if (u < best) {
                    best = u;
                    bi = i;
                    bj = j;
                }
            }
        }
        if (!(best < 0.9 * now)) {
            break;
        }
        swap(order, bi, bj);
        now = best;
    }
    return now;
}

static void find_order(struct check *c, struct hc_relief_views_report *out)
{
    int n = c->n, id[MAX_N], best[MAX_N], order[MAX_N];
    turned(id, n, 0, false);
    memcpy(best, id, sizeof best);
    double given = unexplained(c, id), given_curl = curl_share(c, id);
    double u = given, curl = given_curl, least = given;
    for (int i = 1; i < 2 * n; i++) {
        turned(order, n, i % n, i >= n);
        least = fmin(least, unexplained(c, order));
    }
    for (int i = 1; i < 2 * n; i++) { // of those that fit alike, the one that makes a surface
        turned(order, n, i % n, i >= n);
        double here = unexplained(c, order);
        if (here <= 1.1 * least + 0.005) {
            double k = curl_share(c, order);
            if (u > 1.1 * least + 0.005 || k < curl - 0.1) {
                u = here;
                curl = k;
                memcpy(best, order, sizeof best);
            }
        }
    }
    memcpy(order, id, sizeof order);
    double swapped = exchange(c, order, given);
    if (swapped < 0.9 * u) {
        u = swapped;
        curl = curl_share(c, order);
        memcpy(best, order, sizeof best);
    }
    bool fits_better = u < 0.5 * given && given - u > 0.05;
    bool is_surface = u <= 1.1 * given + 0.005 && given_curl - curl > 0.25 && curl < 0.35;
    out->residual = sqrt(given);
    out->curl = given_curl;
    out->is_order_doubtful = fits_better || is_surface;
    memcpy(out->order, out->is_order_doubtful ? best : id, sizeof best);
    out->order_residual = out->is_order_doubtful ? sqrt(u) : out->residual;
}

// Misfit of each view: diagonal of (1 - P) S (1 - P).
static void find_strangers(const struct check *c, struct hc_relief_views_report *out)
{
    double b[2][MAX_N], bs[2][MAX_N] = {{0}}, bsb[2][2] = {{0}}, r[MAX_N], sorted[MAX_N];
    if (!(c->all > 0) || !span(b, c, out->order)) {
        return;
    }
    for (int d = 0; d < 2; d++) {
        for (int k = 0; k < c->n; k++) {
            for (int j = 0; j < c->n; j++) {
                bs[d][k] += b[d][j] * c->s[j * c->n + k];
            }
        }
        for (int e = 0; e < 2; e++) {
            for (int k = 0; k < c->n; k++) {
                bsb[d][e] += bs[d][k] * b[e][k];
            }
        }
    }
    for (int k = 0; k < c->n; k++) {
        r[k] = c->s[k * c->n + k];
        for (int d = 0; d < 2; d++) {
            r[k] -= 2 * b[d][k] * bs[d][k];
            for (int e = 0; e < 2; e++) {
                r[k] += b[d][k] * bsb[d][e] * b[e][k];
            }
        }
        sorted[k] = r[k] = sqrt(fmax(r[k], 0));
    }
    double usual = hc_stats_median(sorted, (size_t)c->n);
    for (int k = 0; k < c->n; k++) {
        struct hc_relief_view_state *s = &out->view[k];
        s->residual = usual > 0 ? r[k] / usual : 1;
        if (s->residual > 3 && r[k] > 0.02 && !s->is_bad) {
            s->is_bad = true;
            snprintf(s->why, sizeof s->why,
                     "does not fit the others (%.1f times their misfit): not aligned, or its lamp "
                     "stood elsewhere",
                     s->residual);
        }
    }
}

static void say(struct hc_relief_views_report *out, int n, bool is_fine, bool is_read)
{
    int bad = -1, count = 0;
    for (int k = 0; k < n; k++) {
        bad = bad < 0 && out->view[k].is_bad ? k : bad;
        count += out->view[k].is_bad;
    }
    out->is_usable = is_fine && is_read && !out->is_order_doubtful;
    if (!is_read && is_fine) {
        snprintf(out->why, sizeof out->why,
                 "hardly a pixel is lit and unclipped in all views; expose them alike");
    } else if (out->is_order_doubtful) {
        int moved = 0;
        for (int k = n - 1; k >= 0; k--) {
            moved = out->order[k] != k ? k : moved;
        }
        snprintf(
            out->why, sizeof out->why,
            "the views seem to be in another order than the lamps: view %d fits lamp %d, and so "
            "on (misfit %.2f as given, %.2f so); check the names",
            out->order[moved] + 1, moved + 1, out->residual, out->order_residual);
    } else if (count > 0) {
        snprintf(out->why, sizeof out->why, "view %d: %s%s", bad + 1, out->view[bad].why,
                 count > 1 ? " (and others)" : "");
    } else {
        snprintf(out->why, sizeof out->why, "%d views that fit one surface, exposures alike", n);
    }
}

hc_status hc_relief_views_check(struct hc_relief_views_report *out,
                                const struct hc_relief_view *views,
                                const struct hc_relief_light *lights, size_t n, struct hc_err *err)
{
    struct hc_relief_rig rig;
    struct check *c = NULL;
    double median[MAX_N];
    size_t good = 0;
    *out = (struct hc_relief_views_report){0};
    hc_relief_rig_check(&rig, lights, n);
    if (!rig.is_usable) {
        snprintf(out->why, sizeof out->why, "%s", rig.why);
        return HC_OK;
    }
    for (size_t k = 0; k < n; k++) {
        if (views[k].w != views[0].w || views[k].h != views[0].h || views[k].w < 8 ||
            views[k].h < 8) {
            return hc_err_set(err, HC_EDATA, "relief",
                              "view %zu measures %d x %d px, the first view %d x %d; all must be "
                              "placed in one frame of at least 8 x 8 px",
                              k + 1, views[k].w, views[k].h, views[0].w, views[0].h);
        }
    }
    c = hc_mem_array(1, sizeof *c);
    if (!c) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for the check of %zu views", n);
    }
    c->n = (int)n;
    c->side_x = views[0].w < SIDE ? views[0].w : SIDE;
    c->side_y = views[0].h < SIDE ? views[0].h : SIDE;
    c->patches = views[0].w < 3 * SIDE && views[0].h < 3 * SIDE ? 1 : 9;
    c->px = (size_t)(c->patches * c->side_x * c->side_y);
    c->v = hc_mem_array(n * c->px, sizeof *c->v);
    c->p = hc_mem_array(2 * c->px, sizeof *c->p);
    c->q = c->p ? c->p + c->px : NULL;
    c->is_good = hc_mem_array(c->px, 1);
    hc_status st =
        c->v && c->p && c->is_good
            ? read_patches(c, views, err)
            : hc_err_set(err, HC_ENOMEM, "relief", "out of memory for the check of %zu views", n);
    if (st == HC_OK) {
        bool is_fine = look_at_each(c, out, median, lights);
        for (int k = 0; k < c->n; k++) {
            c->t[k][0] = lights[k].dir[0] / lights[k].dir[2];
            c->t[k][1] = lights[k].dir[1] / lights[k].dir[2];
            out->order[k] = k;
        }
        if (is_fine) {
            gather(c, median);
            for (size_t i = 0; i < c->px; i++) {
                good += c->is_good[i];
            }
        }
        if (is_fine && good >= 500) {
            find_order(c, out);
            find_strangers(c, out);
        }
        say(out, c->n, is_fine, good >= 500 || !is_fine);
    }
    hc_mem_free(c->v);
    hc_mem_free(c->p);
    hc_mem_free(c->is_good);
    hc_mem_free(c);
    return st;
}
