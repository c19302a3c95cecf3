// Fitting one model: the coat's parameters, the coat of each window, cues, residual (theory 4).
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "forecast/forecast_priv.h"
#include "num/minimise.h"

// A log residual that counts as one: not the noise of a pixel but what the model itself leaves
// (paints alike in colour, unlike in spectrum; haze that is not even). Smaller values trust the
// windows too much.
#define SCALE 0.10
#define CLIP 0.40 // log residuals beyond this count no more
#define CALLS_FULL 260
#define CALLS_AGAIN 70

// Prior means and log-sds: guesses for an aged natural-resin coat; wide where paintings differ
// most.
static const double prior_mean[FC_THETA] = {0.5, 55, 0.015, 0.006, 0.006, 0.012};
static const double prior_sd[FC_THETA] = {0.5, 0.15, 1.0, 0.4, 0.4, 0.6};

struct search {
    const struct fc_data *data;
    const struct fc_model *m; // for left_out
    struct fc_maps *maps;
};

static struct fc_theta theta_of(const double x[FC_THETA])
{
    double v[FC_THETA];
    for (int i = 0; i < FC_THETA; i++) {
        double u = x[i] < -4 ? -4 : x[i] > 4 ? 4 : x[i];
        v[i] = prior_mean[i] * exp(prior_sd[i] * u);
    }
    return (struct fc_theta){v[0], v[1], v[2], v[3], v[4], v[5]};
}

static void x_of(double x[FC_THETA], const struct fc_theta *t)
{
    const double v[FC_THETA] = {t->a0, t->slope_nm, t->haze, t->before, t->after, t->grey};
    for (int i = 0; i < FC_THETA; i++) {
        x[i] = log(v[i] / prior_mean[i]) / prior_sd[i];
    }
}

// Minus the log likelihood of the window's ln d at every `step`-th grid point: the mean over its
// pixels (they share one model error, so a window counts as one), truncated.
static void window_curve(double curve[FC_GRID], const struct fc_data *data, int w,
                         const struct fc_maps *maps, int step, size_t stride)
{
    const double cap = (CLIP / SCALE) * (CLIP / SCALE);
    double count = 0;
    memset(curve, 0, FC_GRID * sizeof *curve);
    for (size_t i = data->first[w]; i < data->first[w + 1]; i += stride, count++) {
        const struct fc_px *p = &data->px[i];
        double f[FC_FEATURES], ln_v[3], e[FC_NODES][3];
        fc_features(f, ln_v, maps, p->v);
        for (int node = 0; node < FC_NODES; node++) {
            fc_node_ratio(e[node], maps, node, f);
        }
        for (int k = 0; k < 3; k++) {
            double o = fc_soft(p->o[k] - maps->after), g = o / (o + FC_FLOOR) / SCALE;
            for (int node = 0; node < FC_NODES; node++) {
                e[node][k] = g * (e[node][k] + ln_v[k] - log(o));
            }
        }
        for (int j = 0, node = 0; j < FC_GRID; j += step) {
            double d = exp(fc_grid_ln_d(j)), t;
            while (node < FC_NODES - 2 && d > fc_node[node + 1]) {
                node++;
            }
            t = (d - fc_node[node]) / (fc_node[node + 1] - fc_node[node]);
            for (int k = 0; k < 3; k++) {
                double r = e[node][k] + t * (e[node + 1][k] - e[node][k]);
                r *= r;
                curve[j] += 0.5 * (r < cap ? r : cap);
            }
        }
    }
    for (int j = 0; j < FC_GRID; j++) {
        curve[j] /= count > 0 ? count : 1;
    }
}

static double search_cost(void *ctx, const double *x)
{
    struct search *s = ctx;
    struct fc_theta theta = theta_of(x);
    double cost = 0, curve[FC_GRID];
    fc_maps_train(s->maps, s->data->lib, FC_QUICK, &theta);
    for (int w = 0; w < s->data->n_windows; w++) {
        double best = HUGE_VAL;
        if (w == s->m->left_out) {
            continue;
        }
        window_curve(curve, s->data, w, s->maps, 2, 3);
        for (int j = 0; j < FC_GRID; j += 2) {
            double u = fc_grid_ln_d(j) / 0.6; // the coat does not differ by orders of magnitude
            double c = curve[j] + 0.5 * u * u;
            best = c < best ? c : best;
        }
        cost += best;
    }
    for (int i = 0; i < FC_THETA; i++) {
        cost += 0.5 * x[i] * x[i];
    }
    return cost;
}

// a0 and the mean of ln d stand for each other: put the mean of the windows' ln d at 0 (or, when
// one window is left out, where the full model has it), so that coats of all models mean the same.
static void settle_scale(struct fc_model *m, const struct fc_data *data,
                         const struct fc_model *start, double (*curve)[FC_GRID])
{
    double sum = 0, want = 0;
    int n = 0;
    for (int w = 0; w < data->n_windows; w++) {
        int best = 0;
        if (w == m->left_out) {
            continue;
        }
        window_curve(curve[w], data, w, &m->maps, 1, 1);
        for (int j = 1; j < FC_GRID; j++) {
            best = curve[w][j] < curve[w][best] ? j : best;
        }
        sum += fc_grid_ln_d(best);
        want += start ? start->ln_d[0][w] : 0;
        n++;
    }
    m->theta.a0 *= exp((sum - want) / n);
    m->theta.a0 = m->theta.a0 < 4 ? m->theta.a0 : 4;
    fc_maps_train(&m->maps, data->lib, FC_PAINTS, &m->theta);
    for (int w = 0; w < data->n_windows; w++) {
        if (w != m->left_out) {
            window_curve(curve[w], data, w, &m->maps, 1, 1);
        }
    }
}

hc_status fc_model_fit(struct fc_model *m, const struct fc_data *data, int left_out,
                       const struct fc_model *start, struct hc_err *err)
{
    double curve[FC_WINDOWS][FC_GRID], x[FC_THETA] = {0}, step[FC_THETA];
    struct search s = {.data = data, .m = m, .maps = &m->maps};
    hc_status st = HC_OK;
    m->left_out = left_out;
    for (int i = 0; i < FC_THETA; i++) {
        step[i] = start ? 0.25 : 0.7;
    }
    if (start) {
        x_of(x, &start->theta);
    }
    hc_minimise_simplex(x, step, FC_THETA, search_cost, &s, start ? CALLS_AGAIN : CALLS_FULL, 1e-3);
    m->theta = theta_of(x);
    fc_maps_train(&m->maps, data->lib, FC_PAINTS, &m->theta);
    settle_scale(m, data, start, curve);
    for (int uv = 0; uv <= (data->has_uv ? 1 : 0) && st == HC_OK; uv++) {
        st = fc_coat_fit(m, data, uv, (const double(*)[FC_GRID])curve, err);
        if (st == HC_OK) {
            st = fc_residual_fit(m, data, uv, err);
        }
    }
    return st == HC_OK ? fc_plain_fit(m, data, err) : st;
}

void fc_model_release(struct fc_model *m)
{
    hc_mem_free(m->coat[0].inverse);
    hc_mem_free(m->coat[1].inverse);
    m->coat[0].inverse = m->coat[1].inverse = NULL;
}

void fc_model_ready(struct fc_ready *r, const struct fc_model *m, int which, const double v[3])
{
    fc_features(r->f, r->ln_v, &m->maps, v);
    fc_residual_get(r->extra, &m->residual[which], r->ln_v);
}

void fc_model_at(double out[3], const struct fc_model *m, const struct fc_ready *r, double ln_d)
{
    double ratio[3];
    fc_ratio(ratio, &m->maps, r->f, exp(ln_d));
    for (int k = 0; k < 3; k++) {
        double e = ratio[k] + r->extra[k];
        e = e < -3 ? -3 : e > 3 ? 3 : e;
        out[k] = exp(r->ln_v[k] + e) + m->maps.after;
    }
}

double fc_model_cue(const struct fc_model *m, const double v[3])
{
    double f[FC_FEATURES], ln_v[3], ratio[3], clean = 0;
    fc_features(f, ln_v, &m->maps, v);
    fc_ratio(ratio, &m->maps, f, 1);
    for (int k = 1; k < 3; k++) {
        double r = ratio[k] < -3 ? -3 : ratio[k] > 3 ? 3 : ratio[k];
        clean += 0.5 * exp(ln_v[k] + r);
    }
    return log(0.5 + (clean < 1.5 ? clean : 1.5));
}
