// The door of the room: samples in, one fitted forecast out.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "forecast/forecast_priv.h"
#include "num/linear.h"
#include "num/stats.h"

#define MIN_WINDOWS 4
#define MIN_PIXELS 12
#define CLASS_DARK 35.0 // L* before: dark | middle | light
#define CLASS_LIGHT 60.0
#define CLASS_SPREAD 10.0
#define COLOUR_LIMIT 3.0 // mean Lab distance / 8 to the nearest window pixels
#define COAT_BELOW 0.25  // of ln d below what the windows span: later paint is dark in UV
#define COAT_ABOVE 0.35  // and above

static const char *const refusal_text[HC_REFUSAL_COUNT] = {
    "A forecast is given.",
    "Inside a zone marked as later paint, loss, abrasion or gilding.",
    "The coat here is thinner or thicker than in any window, or something dark in UV lies over it.",
    "No window shows a colour like this one.",
    "The radius is too large to be of use.",
    "The photograph is clipped here or lost in its noise.",
    "The windows were photographed in another surface state than the one asked for.",
    "Fewer than four windows, or all of them about equally light.",
    "Left-out windows are predicted worse than by leaving the colours as they are.",
    "The UV view does not show this place.",
};

const char *hc_refusal_text(enum hc_refusal r)
{
    return (unsigned)r < HC_REFUSAL_COUNT ? refusal_text[r] : "Unknown reason.";
}

static const char *const estimator_name[HC_ESTIMATOR_COUNT] = {
    "physical coat", "3x3 + offset", "3x3 + offset with UV", "quadratic", "log-affine", "blend",
};

const char *hc_estimator_name(enum hc_estimator e)
{
    return (unsigned)e < HC_ESTIMATOR_COUNT ? estimator_name[e] : "unknown";
}

// ---- samples ----

static bool is_usable(const struct hc_forecast_window *w, size_t i, const float *clip, bool has_uv)
{
    for (int k = 0; k < 3; k++) {
        float b = w->before[k][i], a = w->after[k][i];
        if (!isfinite(b) || !isfinite(a) || fabsf(b) > 8 || fabsf(a) > 8 ||
            (clip && (b >= clip[k] || a >= clip[k]))) {
            return false;
        }
    }
    return isfinite(w->x[i]) && isfinite(w->y[i]) &&
           (!has_uv || (isfinite(w->uv[i]) && w->uv[i] > 0));
}

static void sample(struct fc_px *p, const struct fc_data *data, const struct hc_forecast_window *w,
                   size_t i, double long_side)
{
    double after[3];
    for (int k = 0; k < 3; k++) {
        p->lin[k] = (double)w->before[k][i];
        after[k] = (double)w->after[k][i];
    }
    hc_linear_apply3(p->v, data->basis.to, p->lin);
    hc_linear_apply3(p->o, data->basis.to, after);
    for (int k = 0; k < 3; k++) { // black at worst: noise goes below zero, light does not
        after[k] = after[k] > 0 ? after[k] : 0;
    }
    hc_colour_lin_to_lab_d50(p->lab_o, after);
    hc_colour_lin_to_lab_d50(p->lab_v, p->lin);
    p->ln_uv = data->has_uv ? log((double)w->uv[i] / data->uv_unit) : 0;
    p->x = (double)w->x[i] / long_side;
    p->y = (double)w->y[i] / long_side;
}

// Pixels whose change in colour lies far from that of their window (a tide-line, an edge that does
// not register) say nothing about the coat: beyond 4 robust sds of the log change, plus a margin
// for windows that span two paints.
static size_t drop_outliers(struct fc_px *px, size_t n, double *scratch)
{
    double middle[3], limit[3];
    size_t kept = 0;
    for (int k = 0; k < 3; k++) {
        for (size_t i = 0; i < n; i++) {
            scratch[i] = fc_t(px[i].o[k]) - fc_t(px[i].v[k]);
        }
        middle[k] = hc_stats_median(scratch, n);
        for (size_t i = 0; i < n; i++) {
            scratch[i] = fabs(fc_t(px[i].o[k]) - fc_t(px[i].v[k]) - middle[k]);
        }
        limit[k] = 4 * 1.4826 * hc_stats_median(scratch, n) + 0.15;
    }
    for (size_t i = 0; i < n; i++) {
        bool good = true;
        for (int k = 0; k < 3; k++) {
            good = good && fabs(fc_t(px[i].o[k]) - fc_t(px[i].v[k]) - middle[k]) <= limit[k];
        }
        if (good) {
            px[kept++] = px[i];
        }
    }
    return kept;
}

#define CANDIDATES 1024 // pixels of one window looked at before FC_SAMPLES of them are kept

// Every (n / CANDIDATES)-th usable pixel, outliers dropped, then FC_SAMPLES spread over the rest.
static size_t window_samples(struct fc_px *out, const struct fc_data *data,
                             const struct hc_forecast_window *w, int index, double long_side,
                             const float *clip, struct fc_px *scratch, double *values)
{
    size_t step = w->n / CANDIDATES + 1, n = 0, keep;
    for (size_t i = step / 2; i < w->n && n < CANDIDATES; i += step) {
        if (is_usable(w, i, clip, data->has_uv)) {
            scratch[n].window = index;
            sample(&scratch[n++], data, w, i, long_side);
        }
    }
    if (n < MIN_PIXELS) {
        return 0;
    }
    n = drop_outliers(scratch, n, values);
    keep = n < FC_SAMPLES ? n : FC_SAMPLES;
    for (size_t i = 0; i < keep; i++) {
        out[i] = scratch[(2 * i + 1) * n / (2 * keep)];
    }
    return keep < MIN_PIXELS ? 0 : keep;
}

// Noise of the darkest, smoothest window: differences between neighbours along a row.
static double noise_of(const struct hc_forecast_window *w, double *values)
{
    size_t step = w->n / CANDIDATES + 1, n = 0;
    for (size_t i = 0; i + 1 < w->n && n < CANDIDATES; i += step) {
        if (w->y[i] == w->y[i + 1] && fabsf(w->x[i] - w->x[i + 1]) < 1.5f) {
            double d = fabs((double)w->before[1][i] - (double)w->before[1][i + 1]);
            if (isfinite(d)) {
                values[n++] = d;
            }
        }
    }
    return n < 8 ? 0.001 : hc_stats_median(values, n) / (0.6745 * sqrt(2));
}

static double plane_median(const struct hc_plane *p, double *values)
{
    size_t n = (size_t)p->w * (size_t)p->h, step = n / CANDIDATES + 1, m = 0;
    for (size_t i = step / 2; i < n && m < CANDIDATES; i += step) {
        double v = (double)hc_plane_get(p, (int)(i % (size_t)p->w), (int)(i / (size_t)p->w));
        if (isfinite(v) && v > 0) {
            values[m++] = v;
        }
    }
    return m ? hc_stats_median(values, m) : 0;
}

// ---- refusals that end everything ----

static const char *const state_name[3] = {"bare", "saturated", "varnished"};

static hc_status check_count(const struct hc_forecast_input *in, size_t fitting, struct hc_err *err)
{
    if (fitting >= MIN_WINDOWS) {
        return HC_OK;
    }
    if (in->n_windows >= MIN_WINDOWS) {
        return hc_err_set(err, HC_EREFUSED, "forecast",
                          "only %zu of %zu windows were photographed %s, the state the forecast is "
                          "asked for; photograph the others in that state, or ask for another one",
                          fitting, in->n_windows, state_name[in->wanted]);
    }
    return hc_err_set(
        err, HC_EREFUSED, "forecast",
        "%zu window%s: a forecast needs at least %d, of which two dark and two light; "
        "open more windows",
        fitting, fitting == 1 ? "" : "s", MIN_WINDOWS);
}

static hc_status check_lightness(const struct fc_data *data, struct hc_err *err)
{
    double lo = HUGE_VAL, hi = -HUGE_VAL;
    unsigned classes = 0;
    for (int w = 0; w < data->n_windows; w++) {
        double l = 0;
        for (size_t i = data->first[w]; i < data->first[w + 1]; i++) {
            l += data->px[i].lab_v[0] / (double)(data->first[w + 1] - data->first[w]);
        }
        classes |= l < CLASS_DARK ? 1u : l < CLASS_LIGHT ? 2u : 4u;
        lo = l < lo ? l : lo;
        hi = l > hi ? l : hi;
    }
    if ((classes & (classes - 1)) != 0 && hi - lo >= CLASS_SPREAD) {
        return HC_OK;
    }
    return hc_err_set(err, HC_EREFUSED, "forecast",
                      "all %d windows are about equally light (L* %.0f to %.0f); open one in a %s "
                      "passage, so that haze and yellowing can be told apart",
                      data->n_windows, lo, hi, lo < 45 ? "light" : "dark");
}

static hc_status check_input(const struct hc_forecast_input *in, struct hc_err *err)
{
    const struct hc_plane *p = &in->over.ch[0];
    if (in->n_windows > FC_WINDOWS) {
        return hc_err_set(err, HC_ELIMIT, "forecast", "%zu windows; at most %d can be used",
                          in->n_windows, FC_WINDOWS);
    }
    if (in->frame_w < 1 || in->frame_h < 1 || !p->px || p->w < 1 || p->h < 1 ||
        !(in->over_cell_px > 0) || !(in->radius_limit >= 0)) {
        return hc_err_set(err, HC_EARG, "forecast", "the picture is empty: %d x %d px", in->frame_w,
                          in->frame_h);
    }
    return HC_OK;
}

// ---- fit ----

struct scratch {
    struct fc_data data;
    struct fc_px *px, *candidates;
    double *values;
    struct fc_left *left;
    struct fc_model *fold;
};

static hc_status gather(struct scratch *s, struct hc_forecast *f,
                        const struct hc_forecast_input *in, struct hc_err *err)
{
    struct fc_data *data = &s->data;
    size_t fitting = 0;
    hc_status st;
    data->has_uv = in->over_uv != NULL;
    for (size_t i = 0; i < in->n_windows; i++) {
        fitting += in->window[i].surface == in->wanted;
        data->has_uv = data->has_uv && in->window[i].uv;
    }
    st = check_count(in, fitting, err);
    if (st != HC_OK) {
        return st;
    }
    data->uv_unit = data->has_uv ? plane_median(in->over_uv, s->values) : 1;
    if (!(data->uv_unit > 0)) {
        return hc_err_set(err, HC_EDATA, "forecast",
                          "the UV view is black; take it out of the dossier or add a better one");
    }
    data->noise = 0.003;
    for (size_t i = 0; i < in->n_windows; i++) {
        const struct hc_forecast_window *w = &in->window[i];
        double noise;
        size_t n;
        if (w->surface != in->wanted) {
            continue;
        }
        n = window_samples(s->px + data->n, data, w, data->n_windows, f->long_side, in->clip_level,
                           s->candidates, s->values);
        if (n == 0) {
            return hc_err_set(err, HC_EDATA, "forecast",
                              "window %lld has fewer than %d usable pixels of %zu (the others are "
                              "clipped, dark in UV or not registered); draw it larger or remove it",
                              (long long)w->id, MIN_PIXELS, w->n);
        }
        noise = noise_of(w, s->values);
        data->noise = noise < data->noise ? noise : data->noise;
        f->sum.report[data->n_windows].id = w->id;
        data->n += n;
        data->first[++data->n_windows] = data->n;
    }
    data->noise = data->noise > 2e-4 ? data->noise : 2e-4;
    f->sum.n_windows = (size_t)data->n_windows;
    f->sum.n_other_state = in->n_windows - fitting;
    return check_lightness(data, err);
}

static void write_caveat(struct hc_forecast_summary *s)
{
    char state[96] = "";
    if (s->n_other_state) {
        snprintf(state, sizeof state, " %zu windows in another surface state were left aside.",
                 s->n_other_state);
    }
    snprintf(
        s->caveat, sizeof s->caveat,
        "Predicted look after removing this coat to the state of the windows, from %zu windows. "
        "The radius is a %s%s%s",
        s->n_windows,
        s->is_distribution_free
            ? "90 % interval by the leave-one-window-out rule."
            : "model-based 90 % interval, checked by leaving out one window at a time.",
        s->is_uv_used ? ""
        : s->has_uv   ? " The UV view did not help to know the coat and is used for refusals only."
                      : " Without a UV view one effective coat is assumed, corrected near the "
                        "windows; later paint cannot be noticed.",
        state);
}

static void fill_summary(struct hc_forecast *f)
{
    struct hc_forecast_summary *s = &f->sum;
    const struct fc_theta *t = &f->full.theta;
    s->coat_a0 = t->a0;
    s->coat_slope_nm = t->slope_nm;
    s->coat_haze = t->haze;
    s->surface_before = t->before;
    s->surface_after = t->after;
    s->coat_grey = t->grey;
    s->interval_q = f->q;
    s->is_distribution_free = s->n_windows >= 9;
    write_caveat(s);
}

static void settle_limits(struct hc_forecast *f, const struct hc_forecast_input *in,
                          const struct fc_data *data)
{
    const struct fc_coat_field *c = &f->full.coat[data->has_uv];
    f->colour_limit = COLOUR_LIMIT;
    f->coat_lo = c->lo - COAT_BELOW;
    f->coat_hi = c->hi + COAT_ABOVE;
    f->radius_limit = HUGE_VAL;
    f->noise = data->noise;
    f->uv_unit = data->uv_unit;
    for (int k = 0; k < 3; k++) {
        f->clip[k] = in->clip_level ? in->clip_level[k] : 4.0f;
    }
}

static hc_status run(struct hc_forecast *f, struct scratch *s, const struct hc_forecast_input *in,
                     struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    hc_status st = gather(s, f, in, err);
    if (st == HC_OK) {
        st = hc_job_step(job, 0.02, "fitting the coat", err);
    }
    if (st == HC_OK) {
        fc_library_make(s->data.lib, &f->basis);
        st = fc_model_fit(&f->full, &s->data, -1, NULL, err);
    }
    if (st == HC_OK) {
        st = hc_job_step(job, 0.2, "leaving out one window at a time", err);
    }
    if (st == HC_OK) {
        st = fc_leave_out(s->left, s->fold, &f->full, &s->data, par, job, err);
    }
    if (st == HC_OK) {
        st = hc_job_step(job, 0.6, "making the tables", err);
    }
    if (st == HC_OK) {
        fc_choose(f, s->left, &s->data);
        settle_limits(f, in, &s->data);
        st = fc_bake(f, s->fold, &s->data, par, err);
    }
    if (st == HC_OK) {
        st = fc_calibrate(f, s->left, &s->data, in, err);
    }
    if (st == HC_OK) {
        st = hc_job_step(job, 0.9, "surveying the picture", err);
    }
    if (st == HC_OK) {
        st = fc_survey(f, in, par, err);
    }
    return st;
}

hc_status hc_forecast_fit(struct hc_forecast **out, const struct hc_forecast_input *in,
                          struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    struct scratch s = {0};
    struct hc_forecast *f = NULL;
    hc_status st = check_input(in, err);
    if (st != HC_OK) {
        return st;
    }
    f = hc_mem_array(1, sizeof *f);
    s.px = hc_mem_array((in->n_windows + 1) * FC_SAMPLES, sizeof *s.px);
    s.candidates = hc_mem_array(CANDIDATES, sizeof *s.candidates);
    s.values = hc_mem_array(CANDIDATES, sizeof *s.values);
    s.left = hc_mem_array((in->n_windows + 1) * FC_SAMPLES, sizeof *s.left);
    s.fold = hc_mem_array(in->n_windows + 1, sizeof *s.fold);
    s.data.lib = hc_mem_array(1, sizeof *s.data.lib);
    if (f) {
        f->sum.report = hc_mem_array(in->n_windows + 1, sizeof *f->sum.report);
    }
    if (!f || !s.px || !s.candidates || !s.values || !s.left || !s.fold || !s.data.lib ||
        !f->sum.report) {
        st = hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for a forecast");
        goto done;
    }
    s.data.px = s.px;
    f->basis = s.data.basis = fc_basis_make();
    f->frame_w = in->frame_w;
    f->frame_h = in->frame_h;
    f->long_side = in->frame_w > in->frame_h ? in->frame_w : in->frame_h;
    st = run(f, &s, in, par, job, err);
    if (st == HC_OK) {
        fill_summary(f);
        *out = f;
        f = NULL;
    }
done:
    for (size_t i = 0; s.fold && i < in->n_windows; i++) {
        fc_model_release(&s.fold[i]);
    }
    hc_mem_free(s.px);
    hc_mem_free(s.candidates);
    hc_mem_free(s.values);
    hc_mem_free(s.left);
    hc_mem_free(s.fold);
    hc_mem_free(s.data.lib);
    hc_forecast_destroy(f);
    return st;
}

void hc_forecast_destroy(struct hc_forecast *f)
{
    if (f) {
        fc_model_release(&f->full);
        hc_mem_free(f->colour);
        hc_mem_free(f->cell);
        hc_mem_free(f->sum.report);
        hc_mem_free(f);
    }
}

const struct hc_forecast_summary *hc_forecast_get_summary(const struct hc_forecast *f)
{
    return &f->sum;
}
