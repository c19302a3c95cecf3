// The correction from a photographed target to its reference: what belongs, which kind is chosen
// by leaving out one patch at a time (docs/theory/calibrate.md, "Fit").
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"
#include "colour/colour.h"
#include "num/stats.h"

#define STRANGE_DE 6.0    // least CIEDE2000 of a patch that is set aside
#define STRANGE_SCALE 4.0 // and over so many robust sd
#define MISFIT_DE 8.0
#define NEUTRALS_MIN 3
#define SLOPE_MIN 0.75 // flare of 1 % of white gives 0.92
#define SLOPE_MAX 1.33
#define ROOT3_MIN 70 // patches
#define ROUNDS 6     // of reweighting

const char *hc_calibrate_kind_name(enum hc_calibrate_kind kind)
{
    static const char *const name[HC_CALIBRATE_KINDS] = {"3x3 matrix", "3x3 matrix, neutrals kept",
                                                         "root-polynomial of degree 2",
                                                         "root-polynomial of degree 3"};
    return kind >= 0 && kind < HC_CALIBRATE_KINDS ? name[kind] : "none";
}

static struct hc_calibrate_figures figures_of(const double *de, const struct hc_fit_job *j,
                                              double darkest_l)
{
    struct hc_calibrate_figures f = {.worst = -1};
    double v[HC_TARGET_MAX] = {0.0};
    size_t n = 0;
    for (int i = 0; i < j->target->n; i++) {
        if (j->share[i] > 0.0 && j->target->patch[i].lab[0] >= darkest_l) {
            if (f.worst < 0 || de[i] > de[f.worst]) {
                f.worst = i;
            }
            v[n++] = de[i];
        }
    }
    f.n = (int)n;
    f.mean = hc_stats_mean(v, n);
    f.max = f.worst >= 0 ? de[f.worst] : 0.0;
    f.p95 = hc_stats_quantile(v, n, 0.95);
    return f;
}

void hc_calibrate_compare(struct hc_calibrate_figures *out, double *de, double bias[3],
                          const double *lab1, const double *lab2, size_t n)
{
    *out = (struct hc_calibrate_figures){.n = (int)n, .worst = -1};
    double sum = 0.0, shift[3] = {0.0};
    double *v = hc_mem_array(n, sizeof *v);
    for (size_t i = 0; i < n; i++) {
        double d = hc_colour_ciede2000(lab1 + 3 * i, lab2 + 3 * i);
        if (de) {
            de[i] = d;
        }
        if (v) {
            v[i] = d;
        }
        if (out->worst < 0 || d > out->max) {
            out->max = d;
            out->worst = (int)i;
        }
        sum += d;
        for (size_t k = 0; k < 3; k++) {
            shift[k] += lab2[3 * i + k] - lab1[3 * i + k];
        }
    }
    out->mean = n ? sum / (double)n : 0.0;
    out->p95 = v ? hc_stats_quantile(v, n, 0.95) : out->max; // without memory: the safe side
    for (int k = 0; bias && k < 3; k++) {
        bias[k] = n ? shift[k] / (double)n : 0.0;
    }
    hc_mem_free(v);
}

// ---- patches that do not belong -----------------------------------------------------------------

static int count_used(const struct hc_fit_job *j, bool neutrals)
{
    int n = 0;
    for (int i = 0; i < j->target->n; i++) {
        n += j->share[i] > 0.0 && (!neutrals || j->target->patch[i].is_neutral);
    }
    return n;
}

// A 3x3 fit with Cauchy weights, a few rounds; returns the robust sd of the differences and writes
// them to de.
static hc_status robust_fit(double *scale, double *de, struct hc_fit_job *j, struct hc_err *err)
{
    struct hc_fit f = {.kind = HC_CALIBRATE_MATRIX, .is_weighted = true};
    double v[HC_TARGET_MAX], lab[3];
    bool usable[HC_TARGET_MAX];
    hc_status st = HC_OK;
    for (int i = 0; i < j->target->n; i++) {
        usable[i] = j->share[i] > 0.0;
    }
    *scale = 10.0;
    for (int round = 0; st == HC_OK && round < 20; round++) {
        size_t n = 0;
        st = hc_fit_solve(&f, j, -1, err);
        for (int i = 0; st == HC_OK && i < j->target->n; i++) {
            de[i] = hc_fit_de(&f, j, i, lab);
            if (usable[i]) {
                v[n++] = de[i];
            }
        }
        *scale = fmax(1.0, 1.4826 * hc_stats_median(v, n));
        for (int i = 0; i < j->target->n; i++) {
            double z = de[i] / (2.0 * *scale);
            j->share[i] = usable[i] ? 1.0 / (1.0 + z * z) : 0.0;
        }
    }
    for (int i = 0; i < j->target->n; i++) {
        j->share[i] = usable[i] ? 1.0 : 0.0;
    }
    return st;
}

// The names of the patches that are left out, as many as fit.
static void name_left_out(char *out, size_t size, const struct hc_fit_job *j)
{
    size_t at = 0;
    out[0] = 0;
    for (int i = 0; i < j->target->n; i++) {
        if (j->share[i] > 0.0) {
            continue;
        }
        int n = snprintf(out + at, size - at, "%s%.24s", at ? ", " : "", j->target->patch[i].name);
        at += n > 0 ? (size_t)n : 0;
        if (at + 32 > size) {
            break;
        }
    }
}

// Patches that disagree with all others after a robust fit.
static hc_status find_strange(struct hc_fit_job *j, struct hc_patch *patch, struct hc_err *err)
{
    double scale = 1.0, de[HC_TARGET_MAX] = {0.0}, v[HC_TARGET_MAX] = {0.0};
    size_t used = 0;
    hc_status st = robust_fit(&scale, de, j, err);
    if (st != HC_OK) {
        return st;
    }
    for (int i = 0; i < j->target->n; i++) {
        if (j->share[i] > 0.0) {
            v[used++] = de[i];
        }
    }
    double middle = hc_stats_median(v, used);
    if (middle > MISFIT_DE) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "the patches do not fit this reference (median CIEDE2000 %.1f): another "
                          "target, its corners in another order, or a picture that is not linear",
                          middle);
    }
    for (int i = 0; i < j->target->n; i++) {
        if (j->share[i] > 0.0 && de[i] > fmax(STRANGE_DE, STRANGE_SCALE * scale)) {
            patch[i].faults |= HC_PATCH_STRANGE;
            j->share[i] = 0.0;
        }
    }
    return HC_OK;
}

static hc_status set_aside(struct hc_fit_job *j, struct hc_patch *patch, struct hc_err *err)
{
    int n = j->target->n, most = n / 8;
    char names[200];
    for (int i = 0; i < n; i++) {
        patch[i].faults &= ~(unsigned)HC_PATCH_STRANGE;
        j->share[i] = patch[i].faults ? 0.0 : 1.0;
    }
    if (count_used(j, true) >= NEUTRALS_MIN && count_used(j, false) >= n - most) {
        hc_status st = find_strange(j, patch, err);
        if (st != HC_OK) {
            return st;
        }
    }
    if (count_used(j, false) < n - most || count_used(j, true) < NEUTRALS_MIN) {
        name_left_out(names, sizeof names, j);
        return hc_err_set(
            err, HC_EREFUSED, HC_CALIBRATE_ROOM,
            "%d of %d patches cannot be used (%s: clipped, uneven, dark or hidden) and "
            "%d good neutrals are left; at most %d may be missing and %d neutrals are "
            "needed: clear the target of glare and shadow and photograph it again",
            n - count_used(j, false), n, names, count_used(j, true), most, NEUTRALS_MIN);
    }
    return HC_OK;
}

// Slope of log luminance against log reference over the good neutrals; 1 when they span too little.
static double tone_slope(const struct hc_fit_job *j)
{
    double n = 0.0, sx = 0.0, sy = 0.0, sxx = 0.0, sxy = 0.0;
    for (int i = 0; i < j->target->n; i++) {
        const double *want = j->target->patch[i].lin, *got = j->patch[i].lin;
        if (j->share[i] > 0.0 && j->target->patch[i].is_neutral && want[1] > 0.0) {
            double x = log(want[1]),
                   y = log(0.28804 * got[0] + 0.71188 * got[1] + 0.00009 * got[2]);
            n += 1.0;
            sx += x;
            sy += y;
            sxx += x * x;
            sxy += x * y;
        }
    }
    double spread = n > 0.0 ? sxx / n - sx / n * (sx / n) : 0.0;
    return spread > 0.05 ? (sxy / n - sx / n * (sy / n)) / spread : 1.0;
}

// ---- the choice ---------------------------------------------------------------------------------

// Leave-one-patch-out differences of one kind; false when some fit is singular.
static bool leave_out(double *de, struct hc_fit *f, const struct hc_fit_job *j)
{
    double lab[3];
    for (int i = 0; i < j->target->n; i++) {
        de[i] = 0.0;
        if (j->share[i] > 0.0) {
            if (hc_fit_solve(f, j, i, NULL) != HC_OK) {
                return false;
            }
            de[i] = hc_fit_de(f, j, i, lab);
        }
    }
    return true;
}

// Is b clearly better than a? The mean of the paired gains over one standard error and over 5 % of
// the mean of a.
static bool is_clearly_better(const double *a, const double *b, const struct hc_fit_job *j)
{
    double gain[HC_TARGET_MAX], mean_a = 0.0;
    size_t n = 0;
    for (int i = 0; i < j->target->n; i++) {
        if (j->share[i] > 0.0) {
            mean_a += a[i];
            gain[n++] = a[i] - b[i];
        }
    }
    double mean = hc_stats_mean(gain, n), se = hc_stats_sd(gain, n) / sqrt((double)n);
    return mean > se && mean > 0.05 * mean_a / (double)n;
}

static void try_all(struct hc_calibration *out, struct hc_fit_job *j)
{
    static const enum hc_calibrate_kind order[] = {HC_CALIBRATE_MATRIX_WHITE, HC_CALIBRATE_MATRIX,
                                                   HC_CALIBRATE_ROOT2, HC_CALIBRATE_ROOT3};
    for (int i = 0; i < HC_CALIBRATE_KINDS; i++) {
        if (order[i] == HC_CALIBRATE_ROOT3 && out->used < ROOT3_MIN) {
            continue;
        }
        for (int weighted = 0; weighted < 2; weighted++) {
            struct hc_fit f = {
                .kind = order[i], .is_weighted = weighted == 1, .rounds = weighted ? ROUNDS : 0};
            double *de = j->de[out->candidates];
            if (leave_out(de, &f, j)) {
                out->candidate[out->candidates].kind = order[i];
                out->candidate[out->candidates].is_weighted = f.is_weighted;
                out->candidate[out->candidates++].out = figures_of(de, j, -HUGE_VAL);
            }
        }
    }
}

// The candidate to take: within a kind the weighting with the lower mean; a kind with more freedom
// only when it is clearly better.
static int choose(struct hc_calibration *out, const struct hc_fit_job *j,
                  enum hc_calibrate_kind kind)
{
    int best = -1, i = 0;
    while (i < out->candidates) {
        int here = i;
        for (i++; i < out->candidates && out->candidate[i].kind == out->candidate[here].kind; i++) {
            if (out->candidate[i].out.mean < out->candidate[here].out.mean) {
                here = i;
            }
        }
        if (kind != HC_CALIBRATE_BEST
                ? out->candidate[here].kind == kind
                : best < 0 || is_clearly_better(j->de[best], j->de[here], j)) {
            best = here;
        }
    }
    if (best >= 0) {
        snprintf(out->why, sizeof out->why,
                 kind != HC_CALIBRATE_BEST
                     ? "%s as asked for; leave-one-patch-out mean CIEDE2000 %.2f"
                     : "%s: leave-one-patch-out mean CIEDE2000 %.2f; no fit with more freedom is "
                       "better by over one standard error and 5 %%",
                 hc_calibrate_kind_name(out->candidate[best].kind), out->candidate[best].out.mean);
    }
    return best;
}

static void fill_figures(struct hc_calibration *out, struct hc_patch *patch,
                         const struct hc_fit_job *j, const struct hc_fit *f, const double *de_out)
{
    double de[HC_TARGET_MAX], sl1[HC_TARGET_MAX], before[HC_TARGET_MAX], g;
    g = cbrt(f->gain[0] * f->gain[1] * f->gain[2]);
    for (int i = 0; i < j->target->n; i++) {
        struct hc_fit left = *f;
        double lin[3], lab[3], rest;
        const double *want = j->target->patch[i].lab;
        for (int k = 0; k < 3; k++) {
            lin[k] = g * patch[i].lin[k];
        }
        hc_colour_lin_to_lab_d50(lab, lin);
        before[i] = hc_colour_ciede2000(want, lab);
        patch[i].de = de[i] = hc_fit_de(f, j, i, patch[i].lab);
        patch[i].de_out = j->share[i] > 0.0 ? de_out[i] : de[i];
        sl1[i] = 0.0;
        if (j->share[i] > 0.0 && hc_fit_solve(&left, j, i, NULL) == HC_OK) {
            hc_fit_de(&left, j, i, lab);
            hc_calibrate_de_parts(&rest, &sl1[i], want, lab);
        }
    }
    out->before = figures_of(before, j, -HUGE_VAL);
    out->fit = figures_of(de, j, -HUGE_VAL);
    out->out = figures_of(de_out, j, -HUGE_VAL);
    out->out_light = figures_of(de_out, j, 10.0);
    out->out_sl1 = figures_of(sl1, j, -HUGE_VAL);
}

static hc_status fit_job(struct hc_calibration *out, struct hc_patch *patch, struct hc_fit_job *j,
                         enum hc_calibrate_kind kind, struct hc_err *err)
{
    hc_status st = set_aside(j, patch, err);
    if (st != HC_OK) {
        return st;
    }
    out->tone_slope = tone_slope(j);
    if (!(out->tone_slope > SLOPE_MIN && out->tone_slope < SLOPE_MAX)) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "the picture is not linear: its light grows as the power %.2f of the "
                          "neutrals' (%.2f to %.2f is taken); develop it without a tone curve and "
                          "with its right profile",
                          out->tone_slope, SLOPE_MIN, SLOPE_MAX);
    }
    out->used = count_used(j, false);
    out->left_out = j->target->n - out->used;
    try_all(out, j);
    int best = choose(out, j, kind);
    if (best < 0) {
        return hc_err_set(err, kind == HC_CALIBRATE_ROOT3 ? HC_EREFUSED : HC_ENUMERIC,
                          HC_CALIBRATE_ROOM, "%s cannot be fitted to %d patches%s",
                          kind == HC_CALIBRATE_BEST ? "a correction" : hc_calibrate_kind_name(kind),
                          out->used, kind == HC_CALIBRATE_ROOT3 ? "; it takes 70" : "");
    }
    struct hc_fit f = {.kind = out->candidate[best].kind,
                       .is_weighted = out->candidate[best].is_weighted,
                       .rounds = out->candidate[best].is_weighted ? ROUNDS : 0};
    st = hc_fit_solve(&f, j, -1, err);
    if (st != HC_OK) {
        return st;
    }
    out->kind = f.kind;
    out->is_weighted = f.is_weighted;
    out->terms = f.terms;
    memcpy(out->gain, f.gain, sizeof out->gain);
    memcpy(out->coef, f.coef, sizeof out->coef);
    out->exposure_ev = log2(cbrt(f.gain[0] * f.gain[1] * f.gain[2]));
    fill_figures(out, patch, j, &f, j->de[best]);
    return HC_OK;
}

double hc_calibrate_misfit(const struct hc_patch *patch, const struct hc_target *target)
{
    struct hc_fit_job *j = hc_mem_array(1, sizeof *j);
    double de[HC_TARGET_MAX], scale, middle = HUGE_VAL;
    if (j) {
        j->target = target;
        j->patch = patch;
        for (int i = 0; i < target->n; i++) {
            j->share[i] = 1.0;
            hc_calibrate_metric(j->metric[i], target->patch[i].lin);
        }
        if (robust_fit(&scale, de, j, NULL) == HC_OK) {
            middle = hc_stats_median(de, (size_t)target->n);
        }
    }
    hc_mem_free(j);
    return middle;
}

hc_status hc_calibrate_fit(struct hc_calibration *out, struct hc_patch *patch,
                           const struct hc_target *target, enum hc_calibrate_kind kind,
                           struct hc_err *err)
{
    struct hc_fit_job *j = hc_mem_array(1, sizeof *j);
    hc_status st;
    *out = (struct hc_calibration){0};
    if (!j) {
        return hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory to fit %d patches",
                          target->n);
    }
    j->target = target;
    j->patch = patch;
    for (int i = 0; i < target->n; i++) {
        hc_calibrate_metric(j->metric[i], target->patch[i].lin);
    }
    st = fit_job(out, patch, j, kind, err);
    hc_mem_free(j);
    return st;
}
