// Leave one window out, and what follows from it: which estimator, with or without UV, and how wide
// the radius must be (theory 8 and 9).
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "forecast/forecast_priv.h"
#include "num/linear.h"
#include "num/stats.h"

// ---- folds ----

struct folds {
    struct fc_left *left;
    struct fc_model *fold;
    const struct fc_model *full;
    const struct fc_data *data;
    struct hc_job *job;
    hc_status status[FC_WINDOWS];
    struct hc_err err[FC_WINDOWS];
};

static void members(struct fc_left *l, const struct fc_model *m, const struct fc_data *data,
                    const struct fc_px *p)
{
    double out[3], mean;
    for (int uv = 0; uv <= (data->has_uv ? 1 : 0); uv++) {
        const struct fc_coat_field *c = &m->coat[uv];
        int member = uv == (data->has_uv ? 1 : 0) ? HC_ESTIMATOR_PHYSICAL : (int)FC_NO_UV;
        struct fc_ready r;
        fc_coat_krige(c, p->x, p->y, &mean, &l->var[uv]);
        l->ln_d[uv] = fc_coat_cue(c, p->ln_uv, fc_model_cue(m, p->v)) + mean;
        fc_model_ready(&r, m, uv, p->v);
        fc_model_at(out, m, &r, l->ln_d[uv]);
        for (int k = 0; k < 3; k++) {
            l->t[member][k] = fc_t(out[k]);
        }
    }
    for (int e = 0; e < FC_PLAIN; e++) {
        if (m->has_plain[e]) {
            fc_plain_apply(out, m, &data->basis, e, p->v, p->lin, p->ln_uv);
        }
        for (int k = 0; k < 3; k++) {
            l->t[1 + e][k] = m->has_plain[e] ? fc_t(out[k]) : (double)NAN;
        }
    }
}

static void one_fold(void *ctx, int block, int y0, int y1)
{
    struct folds *s = ctx;
    int w = block;
    (void)y0;
    (void)y1;
    if (hc_job_is_cancelled(s->job)) {
        s->status[w] = HC_ECANCEL;
        return;
    }
    s->status[w] = fc_model_fit(&s->fold[w], s->data, w, s->full, &s->err[w]);
    if (s->status[w] == HC_OK) {
        for (size_t i = s->data->first[w]; i < s->data->first[w + 1]; i++) {
            members(&s->left[i], &s->fold[w], s->data, &s->data->px[i]);
        }
    }
}

hc_status fc_leave_out(struct fc_left *left, struct fc_model *fold, const struct fc_model *full,
                       const struct fc_data *data, struct hc_par *par, struct hc_job *job,
                       struct hc_err *err)
{
    struct folds *s = hc_mem_array(1, sizeof *s);
    hc_status st =
        s ? HC_OK : hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for the check");
    if (!s) {
        return st;
    }
    s->left = left;
    s->fold = fold;
    s->full = full;
    s->data = data;
    s->job = job;
    hc_par_rows(par, data->n_windows * HC_BLOCK, one_fold, s);
    for (int w = 0; w < data->n_windows && st == HC_OK; w++) {
        st = s->status[w];
        if (st == HC_ECANCEL) {
            hc_err_set(err, st, "forecast", "the forecast was cancelled");
        } else if (st != HC_OK) {
            hc_err_set(err, st, "forecast", "%s", s->err[w].what);
        }
    }
    hc_mem_free(s);
    return st;
}

// ---- skill ----

void fc_blend_t(double t[3], const double weight[HC_ESTIMATOR_COUNT], const double (*member)[3])
{
    for (int k = 0; k < 3; k++) {
        t[k] = 0;
        for (int e = 0; e < HC_ESTIMATOR_BLEND; e++) {
            t[k] += weight[e] > 0 ? weight[e] * member[e][k] : 0;
        }
    }
}

static double error_of(double lab[3], const double t[3], const struct fc_data *data,
                       const struct fc_px *p)
{
    double v[3];
    for (int k = 0; k < 3; k++) {
        v[k] = fc_t_inverse(t[k]);
    }
    fc_lab_of_inner(lab, &data->basis, v);
    return hc_colour_ciede2000(lab, p->lab_o);
}

// Mean over windows of the window's mean CIEDE2000, for one member or a blend (weight not NULL).
static double skill(double *per_window, const struct fc_left *left, const struct fc_data *data,
                    int member, const double *weight)
{
    double total = 0, lab[3], t[3];
    for (int w = 0; w < data->n_windows; w++) {
        double sum = 0, n = (double)(data->first[w + 1] - data->first[w]);
        for (size_t i = data->first[w]; i < data->first[w + 1]; i++) {
            const double(*m)[3] = (const double(*)[3])left[i].t;
            if (weight) {
                fc_blend_t(t, weight, m);
            }
            sum += error_of(lab, weight ? t : m[member], data, &data->px[i]) / n;
        }
        if (per_window) {
            per_window[w] = sum;
        }
        total += sum / data->n_windows;
    }
    return total;
}

// Softmax of the left-out means: an estimator TEMPERATURE worse counts e times less. A plain
// estimator must beat the physical one by HANDICAP to count as much: with few windows left-out
// means are noisy, and a plain map that happens to fit them fails elsewhere.
#define TEMPERATURE 0.35
#define HANDICAP 1.0

static void blend_weights(double weight[HC_ESTIMATOR_COUNT], const double de[HC_ESTIMATOR_COUNT])
{
    double best = HUGE_VAL, sum = 0, cost[HC_ESTIMATOR_BLEND];
    for (int e = 0; e < HC_ESTIMATOR_BLEND; e++) {
        cost[e] = de[e] + (e == HC_ESTIMATOR_PHYSICAL ? 0 : HANDICAP);
        best = cost[e] < best ? cost[e] : best;
    }
    for (int e = 0; e < HC_ESTIMATOR_BLEND; e++) {
        weight[e] = isfinite(cost[e]) ? exp(-(cost[e] - best) / TEMPERATURE) : 0;
        weight[e] = weight[e] > 0.03 ? weight[e] : 0;
        sum += weight[e];
    }
    for (int e = 0; e < HC_ESTIMATOR_BLEND; e++) {
        weight[e] /= sum;
    }
    weight[HC_ESTIMATOR_BLEND] = 0;
}

static void report_windows(struct hc_forecast *f, const struct fc_left *left,
                           const struct fc_data *data, const double *per_window)
{
    double geo = 0;
    for (int w = 0; w < data->n_windows; w++) {
        geo += f->full.ln_d[f->which][w] / data->n_windows;
    }
    for (int w = 0; w < data->n_windows; w++) {
        struct hc_forecast_window_report *r = &f->sum.report[w];
        double n = (double)(data->first[w + 1] - data->first[w]);
        r->left_out_de = per_window[w];
        r->coat = exp(f->full.ln_d[f->which][w] - geo);
        r->lightness = r->nothing_de = 0;
        for (size_t i = data->first[w]; i < data->first[w + 1]; i++) {
            const struct fc_px *p = &data->px[i];
            double t[3], lab[3];
            fc_blend_t(t, f->weight, (const double(*)[3])left[i].t);
            error_of(lab, t, data, p);
            for (int k = 0; k < 3; k++) {
                r->left_out_bias[k] += (lab[k] - p->lab_o[k]) / n;
            }
            r->lightness += p->lab_v[0] / n;
            r->nothing_de += hc_colour_ciede2000(p->lab_v, p->lab_o) / n;
        }
        f->sum.nothing_de += r->nothing_de / data->n_windows;
    }
}

void fc_choose(struct hc_forecast *f, struct fc_left *left, const struct fc_data *data)
{
    struct hc_forecast_summary *s = &f->sum;
    double per_window[FC_WINDOWS];
    for (int e = 0; e < HC_ESTIMATOR_BLEND; e++) {
        bool has = e == HC_ESTIMATOR_PHYSICAL || f->full.has_plain[e - 1];
        s->left_out_de[e] = has ? skill(NULL, left, data, e, NULL) : (double)NAN;
    }
    f->which = data->has_uv;
    s->has_uv = data->has_uv;
    s->uv_gain = (double)NAN;
    if (data->has_uv) {
        double without = skill(NULL, left, data, FC_NO_UV, NULL);
        s->uv_gain = without - s->left_out_de[HC_ESTIMATOR_PHYSICAL];
        if (s->uv_gain < -0.1 * without) { // the cue misleads: do without it
            f->which = 0;
            s->left_out_de[HC_ESTIMATOR_PHYSICAL] = without;
            for (size_t i = 0; i < data->n; i++) {
                memcpy(left[i].t[HC_ESTIMATOR_PHYSICAL], left[i].t[FC_NO_UV], sizeof left[i].t[0]);
            }
        }
    }
    s->is_uv_used = f->which == 1;
    blend_weights(f->weight, s->left_out_de);
    s->left_out_de[HC_ESTIMATOR_BLEND] = skill(per_window, left, data, 0, f->weight);
    s->chosen = HC_ESTIMATOR_BLEND;
    for (int e = 0; e < HC_ESTIMATOR_BLEND; e++) {
        if (f->weight[e] >= 1) {
            s->chosen = (enum hc_estimator)e;
        }
    }
    memcpy(s->weight, f->weight, sizeof s->weight);
    report_windows(f, left, data, per_window);
    f->all = s->left_out_de[s->chosen] < s->nothing_de ? HC_REFUSAL_NONE : HC_REFUSAL_NO_GAIN;
}

// ---- radius ----

#define Q_PRIOR 1.65 // q of a normal error when u is its sd: before any left-out error is seen
#define Q_PRIOR_WINDOWS 6.0 // as if that many windows had said so
#define Q_LEAST 1.4         // small left-out errors of a few windows may be luck

// Share of the picture whose colour lies nearest to each window's (by strata means in Lab).
static void colour_shares(double share[FC_WINDOWS], const struct fc_data *data,
                          const struct hc_forecast_input *in)
{
    size_t n = (size_t)in->over.ch[0].w * (size_t)in->over.ch[0].h, step = n / 4000 + 1, seen = 0;
    memset(share, 0, FC_WINDOWS * sizeof *share);
    for (size_t i = step / 2; i < n; i += step, seen++) {
        int x = (int)(i % (size_t)in->over.ch[0].w), y = (int)(i / (size_t)in->over.ch[0].w),
            at = 0;
        double lin[3], lab[3], best = HUGE_VAL;
        for (int k = 0; k < 3; k++) {
            lin[k] = (double)hc_plane_get(&in->over.ch[k], x, y);
        }
        hc_colour_lin_to_lab_d50(lab, lin);
        for (size_t j = 0; j < data->n; j += 4) {
            const double *l = data->px[j].lab_v;
            double a = l[0] - lab[0], b = l[1] - lab[1], c = l[2] - lab[2],
                   d = a * a + b * b + c * c;
            if (d < best) {
                best = d;
                at = data->px[j].window;
            }
        }
        share[at]++;
    }
    for (int w = 0; w < data->n_windows; w++) {
        share[w] /= seen ? (double)seen : 1;
    }
}

hc_status fc_calibrate(struct hc_forecast *f, const struct fc_left *left,
                       const struct fc_data *data, const struct hc_forecast_input *in,
                       struct hc_err *err)
{
    double *score = hc_mem_array(data->n, sizeof *score),
           *weight = hc_mem_array(data->n, sizeof *weight);
    double share[FC_WINDOWS], q;
    if (!score || !weight) {
        hc_mem_free(score);
        hc_mem_free(weight);
        return hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for %zu pixels", data->n);
    }
    colour_shares(share, data, in);
    for (size_t i = 0; i < data->n; i++) {
        const struct fc_px *p = &data->px[i];
        double t[3], lab[3], u2;
        int w = p->window;
        fc_blend_t(t, f->weight, (const double(*)[3])left[i].t);
        u2 = fc_u2(f, p->v, left[i].ln_d[f->which], left[i].var[f->which]);
        score[i] = error_of(lab, t, data, p) / sqrt(u2);
        weight[i] =
            (share[w] + 0.3 / data->n_windows) / (double)(data->first[w + 1] - data->first[w]);
    }
    q = hc_stats_weighted_quantile(score, weight, data->n, 0.9);
    f->q = exp((data->n_windows * log(q) + Q_PRIOR_WINDOWS * log(Q_PRIOR)) /
               (data->n_windows + Q_PRIOR_WINDOWS));
    f->q = f->q > Q_LEAST ? f->q : Q_LEAST;
    hc_mem_free(score);
    hc_mem_free(weight);
    return HC_OK;
}
