// The effective coat: cues by empirical Bayes, kriging of what they leave (theory 5), and the
// residual of the maps over colour (theory 6).
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "forecast/forecast_priv.h"
#include "num/linear.h"

#define ROUNDS 8
#define LN_D_LOW (-2.1)
#define LN_D_HIGH 1.1

double fc_grid_ln_d(int i)
{
    return LN_D_LOW + (LN_D_HIGH - LN_D_LOW) * i / (FC_GRID - 1);
}

// ---- cues ----

double fc_coat_cue(const struct fc_coat_field *c, double ln_uv, double cue)
{
    return c->with_uv ? c->beta[0] + c->beta[1] * ln_uv + c->beta[2] * cue : c->beta[0];
}

// Mean and variance of ln d of one window: its likelihood times the normal prior of the cues.
static void posterior(double *mean, double *var, const double *curve, double prior, double tau2)
{
    double best = HUGE_VAL, sum = 0, s1 = 0, s2 = 0, e[FC_GRID];
    for (int i = 0; i < FC_GRID; i++) {
        double u = fc_grid_ln_d(i) - prior;
        e[i] = curve[i] + 0.5 * u * u / tau2;
        best = e[i] < best ? e[i] : best;
    }
    for (int i = 0; i < FC_GRID; i++) {
        double w = exp(best - e[i]), x = fc_grid_ln_d(i);
        sum += w;
        s1 += w * x;
        s2 += w * x * x;
    }
    *mean = s1 / sum;
    *var = s2 / sum - *mean * *mean;
    *var = *var > 4e-4 ? *var : 4e-4;
}

struct window_cues {
    int w[FC_WINDOWS], n;
    double x[FC_WINDOWS][3], at_x[FC_WINDOWS], at_y[FC_WINDOWS];
    double mean[FC_WINDOWS], var[FC_WINDOWS];
};

static void gather(struct window_cues *g, const struct fc_model *m, const struct fc_data *data)
{
    g->n = 0;
    for (int w = 0; w < data->n_windows; w++) {
        double s[4] = {0, 0, 0, 0}, count = (double)(data->first[w + 1] - data->first[w]);
        if (w == m->left_out) {
            continue;
        }
        for (size_t i = data->first[w]; i < data->first[w + 1]; i++) {
            const struct fc_px *p = &data->px[i];
            s[0] += p->ln_uv / count;
            s[1] += fc_model_cue(m, p->v) / count;
            s[2] += p->x / count;
            s[3] += p->y / count;
        }
        g->w[g->n] = w;
        g->x[g->n][0] = 1;
        g->x[g->n][1] = s[0];
        g->x[g->n][2] = s[1];
        g->at_x[g->n] = s[2];
        g->at_y[g->n] = s[3];
        g->n++;
    }
}

// One M step: regression of the posterior means on the cues. Prior slopes: more fluorescence means
// more coat; a light ground fluoresces more by itself.
static void regress(struct fc_coat_field *c, const struct window_cues *g)
{
    static const double prior[3] = {0, 1.3, -1.3};
    double a[9] = {1e-6, 0, 0, 0, 1 / (0.5 * 0.5), 0, 0, 0, 1 / (0.6 * 0.6)};
    double b[3] = {0, a[4] * prior[1], a[8] * prior[2]};
    int k = c->with_uv ? 3 : 1;
    for (int i = 0; i < g->n; i++) {
        double w = 1 / (g->var[i] + c->tau2);
        for (int p = 0; p < 3; p++) {
            b[p] += w * g->x[i][p] * g->mean[i];
            for (int q = 0; q < 3; q++) {
                a[3 * p + q] += w * g->x[i][p] * g->x[i][q];
            }
        }
    }
    if (k == 1) {
        c->beta[0] = b[0] / a[0];
        c->beta[1] = c->beta[2] = 0;
    } else {
        hc_status st = hc_linear_solve_spd(a, 3, b, 1, NULL);
        hc_assert(st == HC_OK); // the priors make it positive definite
        memcpy(c->beta, b, sizeof c->beta);
    }
}

static double cue_of(const struct fc_coat_field *c, const struct window_cues *g, int i)
{
    return fc_coat_cue(c, g->x[i][1], g->x[i][2]);
}

static double clamp(double v, double lo, double hi)
{
    return v < lo ? lo : v > hi ? hi : v;
}

static double covariance(const struct fc_coat_field *c, double dx, double dy)
{
    double near = c->with_uv ? 0.6 : 0.8; // share of the residual that is smooth over the picture
    return near * c->tau2 * exp(-(dx * dx + dy * dy) / (c->range * c->range));
}

static hc_status krige_fit(struct fc_coat_field *c, const struct window_cues *g, struct hc_err *err)
{
    size_t n = (size_t)g->n;
    double *k = hc_mem_array(n * n, sizeof *k), *inv = hc_mem_array(n * n, sizeof *inv);
    hc_status st;
    if (!k || !inv) {
        hc_mem_free(k);
        hc_mem_free(inv);
        return hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for %zu windows", n);
    }
    c->n = g->n;
    c->inverse = inv;
    for (size_t i = 0; i < n; i++) {
        c->x[i] = g->at_x[i];
        c->y[i] = g->at_y[i];
        for (size_t j = 0; j < n; j++) {
            k[i * n + j] = covariance(c, g->at_x[i] - g->at_x[j], g->at_y[i] - g->at_y[j]);
        }
        k[i * n + i] = c->tau2 + g->var[i];
        inv[i * n + i] = 1;
    }
    st = hc_linear_solve_spd(k, n, inv, n, err);
    for (size_t i = 0; i < n; i++) {
        c->alpha[i] = 0;
        for (size_t j = 0; j < n; j++) {
            c->alpha[i] += inv[i * n + j] * (g->mean[j] - cue_of(c, g, (int)j));
        }
    }
    hc_mem_free(k);
    return st;
}

hc_status fc_coat_fit(struct fc_model *m, const struct fc_data *data, bool with_uv,
                      const double (*curve)[FC_GRID], struct hc_err *err)
{
    struct fc_coat_field *c = &m->coat[with_uv];
    struct window_cues g;
    *c = (struct fc_coat_field){.with_uv = with_uv, .tau2 = 0.09, .range = with_uv ? 0.16 : 0.22};
    gather(&g, m, data);
    for (int i = 0; i < g.n; i++) {
        posterior(&g.mean[i], &g.var[i], curve[g.w[i]], 0, 0.25);
    }
    for (int round = 0; round < ROUNDS; round++) {
        double sum = 0.09; // one pseudo-window of variance keeps few windows from looking exact
        regress(c, &g);
        for (int i = 0; i < g.n; i++) {
            double u;
            posterior(&g.mean[i], &g.var[i], curve[g.w[i]], cue_of(c, &g, i), c->tau2);
            u = g.mean[i] - cue_of(c, &g, i);
            sum += u * u + g.var[i];
        }
        c->tau2 = clamp(sum / (g.n + 1), 0.1 * 0.1, 0.5 * 0.5);
    }
    c->lo = HUGE_VAL;
    c->hi = -HUGE_VAL;
    for (int w = 0; w < data->n_windows; w++) {
        m->ln_d[with_uv][w] = (double)NAN;
    }
    for (int i = 0; i < g.n; i++) {
        double cue = cue_of(c, &g, i);
        c->lo = cue < c->lo ? cue : c->lo;
        c->hi = cue > c->hi ? cue : c->hi;
        m->ln_d[with_uv][g.w[i]] = g.mean[i];
    }
    return krige_fit(c, &g, err);
}

void fc_coat_krige(const struct fc_coat_field *c, double x, double y, double *mean, double *var)
{
    double k[FC_WINDOWS], gain = 0;
    *mean = 0;
    for (int i = 0; i < c->n; i++) {
        k[i] = covariance(c, x - c->x[i], y - c->y[i]);
        *mean += k[i] * c->alpha[i];
    }
    for (int i = 0; i < c->n; i++) {
        for (int j = 0; j < c->n; j++) {
            gain += k[i] * k[j] * c->inverse[i * c->n + j];
        }
    }
    *var = c->tau2 - gain;
    *var = *var > 0.1 * c->tau2 ? *var : 0.1 * c->tau2;
}

// ---- residual over colour ----

#define SD_CONSTANT 0.05
#define SD_LINEAR 0.04
#define SD_NEAR 0.10
#define SD_NOISE 0.06
#define LIMIT 0.4

static double kernel(const double a[3], const double b[3])
{
    double dm = (a[0] - b[0]) / 1.3, dp = (a[1] - b[1]) / 0.48, dq = (a[2] - b[2]) / 0.64;
    double lin = a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    return SD_CONSTANT * SD_CONSTANT + SD_LINEAR * SD_LINEAR * lin +
           SD_NEAR * SD_NEAR * exp(-0.5 * (dm * dm + dp * dp + dq * dq));
}

static void residual_feature(double f[3], const double ln_v[3])
{
    f[0] = clamp(ln_v[1], -4.5, 0.5) + 1.5;
    f[1] = clamp(ln_v[0] - ln_v[1], -2, 2.5);
    f[2] = clamp(ln_v[2] - ln_v[1], -3, 1.5) + 0.4;
}

struct row {
    double light, f[3], e[3];
};

// The pixels of window w, by lightness: what the map at the window's coat leaves.
static int window_rows(struct row *r, const struct fc_model *m, const struct fc_data *data, int w,
                       double d)
{
    int n = 0;
    for (size_t i = data->first[w]; i < data->first[w + 1]; i++, n++) {
        const struct fc_px *p = &data->px[i];
        double f[FC_FEATURES], ln_v[3], ratio[3];
        int at = n;
        fc_features(f, ln_v, &m->maps, p->v);
        fc_ratio(ratio, &m->maps, f, d);
        while (at > 0 && r[at - 1].light > ln_v[1]) { // insertion keeps them sorted
            r[at] = r[at - 1];
            at--;
        }
        r[at].light = ln_v[1];
        residual_feature(r[at].f, ln_v);
        for (int k = 0; k < 3; k++) {
            double o = fc_soft(p->o[k] - m->maps.after), g = o / (o + FC_FLOOR);
            r[at].e[k] = g * (log(o) - ln_v[k] - ratio[k]);
        }
    }
    return n;
}

hc_status fc_residual_fit(struct fc_model *m, const struct fc_data *data, int which,
                          struct hc_err *err)
{
    struct fc_residual *r = &m->residual[which];
    struct row row[FC_SAMPLES];
    hc_status st;
    r->n = 0;
    for (int w = 0; w < data->n_windows; w++) {
        int n;
        if (w == m->left_out) {
            continue;
        }
        n = window_rows(row, m, data, w, exp(m->ln_d[which][w]));
        for (int s = 0; s < FC_STRATA; s++) {
            int a = n * s / FC_STRATA, b = n * (s + 1) / FC_STRATA;
            for (int k = 0; k < 3 && a < b; k++) {
                r->f[r->n][k] = r->alpha[r->n][k] = 0;
                for (int i = a; i < b; i++) {
                    r->f[r->n][k] += row[i].f[k] / (b - a);
                    r->alpha[r->n][k] += clamp(row[i].e[k], -LIMIT, LIMIT) / (b - a);
                }
            }
            r->n += a < b;
        }
    }
    size_t n = (size_t)r->n;
    double *a = hc_mem_array(n * n, sizeof *a);
    if (!a) {
        return hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for %zu colours", n);
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            a[i * n + j] = kernel(r->f[i], r->f[j]);
        }
        a[i * n + i] += SD_NOISE * SD_NOISE;
    }
    st = hc_linear_solve_spd(a, n, r->alpha[0], 3, err);
    hc_mem_free(a);
    return st;
}

void fc_residual_get(double out[3], const struct fc_residual *r, const double ln_v[3])
{
    double f[3];
    residual_feature(f, ln_v);
    out[0] = out[1] = out[2] = 0;
    for (int i = 0; i < r->n; i++) {
        double k = kernel(f, r->f[i]);
        for (int c = 0; c < 3; c++) {
            out[c] += k * r->alpha[i][c];
        }
    }
    for (int c = 0; c < 3; c++) {
        out[c] = clamp(out[c], -LIMIT, LIMIT);
    }
}
