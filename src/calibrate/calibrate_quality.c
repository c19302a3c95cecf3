// The figures of the imaging guidelines, and the table of tolerances they are judged by.
#include <math.h>
#include <string.h>

#include "calibrate/calibrate_priv.h"
#include "colour/colour.h"
#include "num/stats.h"

static const struct {
    const char *name, *unit;
} quality[HC_QUALITY_COUNT] = {
    [HC_QUALITY_TONE] = {"tone", "L*"},
    [HC_QUALITY_GAIN_HIGHLIGHT] = {"gain highlight", ""},
    [HC_QUALITY_GAIN_LOW] = {"gain low", ""},
    [HC_QUALITY_GAIN_HIGH] = {"gain high", ""},
    [HC_QUALITY_WHITE] = {"white balance", "a*b*"},
    [HC_QUALITY_WHITE_2000] = {"white balance 2000", "CIEDE2000"},
    [HC_QUALITY_COLOUR_MEAN] = {"colour mean", "CIEDE2000"},
    [HC_QUALITY_COLOUR_P90] = {"colour p90", "CIEDE2000"},
    [HC_QUALITY_COLOUR_MAX] = {"colour max", "CIEDE2000"},
    [HC_QUALITY_COLOUR_MEAN_SL1] = {"colour mean S_L 1", "CIEDE2000"},
    [HC_QUALITY_COLOUR_MAX_SL1] = {"colour max S_L 1", "CIEDE2000"},
    [HC_QUALITY_NOISE] = {"noise", "L*"},
    [HC_QUALITY_EVENNESS] = {"evenness", "%"},
    [HC_QUALITY_EVENNESS_L] = {"evenness L*", "L*"},
    [HC_QUALITY_EFFICIENCY] = {"sampling efficiency", ""},
};

const char *hc_quality_name(enum hc_quality q)
{
    return q < HC_QUALITY_COUNT ? quality[q].name : "";
}

const char *hc_quality_unit(enum hc_quality q)
{
    return q < HC_QUALITY_COUNT ? quality[q].unit : "";
}

static void set(struct hc_quality_report *out, enum hc_quality q, double v)
{
    out->value[q] = v;
    out->is_known[q] = true;
}

static void raise(struct hc_quality_report *out, enum hc_quality q, double v)
{
    set(out, q, out->is_known[q] ? fmax(out->value[q], v) : v);
}

// Neutrals from light to dark; returns how many.
static int sort_neutrals(int *order, const struct hc_patch *patch, const struct hc_target *t)
{
    int n = 0;
    for (int i = 0; i < t->n; i++) {
        if (!t->patch[i].is_neutral || patch[i].faults) {
            continue;
        }
        int at = n++;
        for (; at > 0 && t->patch[order[at - 1]].lab[0] < t->patch[i].lab[0]; at--) {
            order[at] = order[at - 1];
        }
        order[at] = i;
    }
    return n;
}

static void judge_neutrals(struct hc_quality_report *out, const struct hc_patch *patch,
                           const struct hc_target *t)
{
    int order[HC_TARGET_MAX];
    bool is_first = true;
    out->neutrals = sort_neutrals(order, patch, t);
    for (int n = 0; n < out->neutrals; n++) {
        const struct hc_patch *p = &patch[order[n]];
        const double *want = t->patch[order[n]].lab;
        double rest, sl1;
        hc_calibrate_de_parts(&rest, &sl1, want, p->lab);
        raise(out, HC_QUALITY_TONE, fabs(p->lab[0] - want[0]));
        raise(out, HC_QUALITY_WHITE, hypot(p->lab[1] - want[1], p->lab[2] - want[2]));
        raise(out, HC_QUALITY_WHITE_2000, rest);
        // L* grows with the cube root of the light, and its noise with it
        double got = 0.28804 * p->lin[0] + 0.71188 * p->lin[1] + 0.00009 * p->lin[2];
        double f = (p->lab[0] + 16.0) / 116.0;
        raise(out, HC_QUALITY_NOISE, p->noise_l * (got > 0.0 ? f / cbrt(got) : 1.0));
        if (n == 0) {
            continue;
        }
        const double *lighter = t->patch[order[n - 1]].lab;
        double step = lighter[0] - want[0];
        if (step < 2.0) { // two patches of one grey say nothing about the gain
            continue;
        }
        double gain = (patch[order[n - 1]].lab[0] - p->lab[0]) / step;
        if (is_first) {
            set(out, HC_QUALITY_GAIN_HIGHLIGHT, gain);
            is_first = false;
            continue;
        }
        set(out, HC_QUALITY_GAIN_LOW,
            out->is_known[HC_QUALITY_GAIN_LOW] ? fmin(out->value[HC_QUALITY_GAIN_LOW], gain)
                                               : gain);
        raise(out, HC_QUALITY_GAIN_HIGH, gain);
    }
}

void hc_quality_make(struct hc_quality_report *out, const struct hc_calibration *c,
                     const struct hc_patch *patch, const struct hc_target *target,
                     const struct hc_flat *flat, const struct hc_edge *edge)
{
    double de[HC_TARGET_MAX] = {0.0};
    size_t n = 0;
    *out = (struct hc_quality_report){0};
    judge_neutrals(out, patch, target);
    for (int i = 0; i < target->n; i++) {
        double half[3], full[3], lab1[3], lab2[3];
        out->clipped = fmax(out->clipped, patch[i].clipped);
        if (patch[i].faults) {
            continue;
        }
        de[n++] = patch[i].de_out;
        for (int k = 0; k < 3; k++) {
            half[k] = 0.5 * patch[i].lin[k];
        }
        hc_calibrate_apply(full, c, patch[i].lin);
        hc_calibrate_apply(half, c, half);
        for (int k = 0; k < 3; k++) {
            half[k] *= 2.0;
        }
        hc_colour_lin_to_lab_d50(lab1, full);
        hc_colour_lin_to_lab_d50(lab2, half);
        out->exposure_change = fmax(out->exposure_change, hc_colour_ciede2000(lab1, lab2));
    }
    set(out, HC_QUALITY_COLOUR_MEAN, c->out.mean);
    set(out, HC_QUALITY_COLOUR_P90, hc_stats_quantile(de, n, 0.9));
    set(out, HC_QUALITY_COLOUR_MAX, c->out.max);
    set(out, HC_QUALITY_COLOUR_MEAN_SL1, c->out_sl1.mean);
    set(out, HC_QUALITY_COLOUR_MAX_SL1, c->out_sl1.max);
    if (flat) {
        set(out, HC_QUALITY_EVENNESS,
            fmax(flat->before_percent[0], fmax(flat->before_percent[1], flat->before_percent[2])));
        set(out, HC_QUALITY_EVENNESS_L, flat->before_delta_l);
    }
    if (edge) {
        set(out, HC_QUALITY_EFFICIENCY, edge->efficiency);
    }
}

// ---- tolerances ---------------------------------------------------------------------------------

static bool is_quality(enum hc_quality *out, struct hc_word w)
{
    for (int q = 0; q < HC_QUALITY_COUNT; q++) {
        if (hc_word_is(w, quality[q].name)) {
            *out = (enum hc_quality)q;
            return true;
        }
    }
    return false;
}

static hc_status read_row(struct hc_tolerance *out, struct hc_csv *s, struct hc_err *err)
{
    struct hc_word w[8] = {{0}}, more;
    bool is_last = false, is_good = true;
    int n = 0, line = s->line;
    double year = 0.0;
    while (n < 8 && hc_csv_field(&w[n], &is_last, s)) {
        n++;
    }
    if (n != 8 || hc_csv_field(&more, &is_last, s)) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: a tolerance has 8 fields: guideline, year, level, quantity, "
                          "lower, upper, status, source",
                          line);
    }
    *out = (struct hc_tolerance){.lower = -HUGE_VAL, .upper = HUGE_VAL};
    if (!is_quality(&out->quality, w[3])) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM, "line %d: no quantity named \"%.*s\"",
                          line, (int)(w[3].n < 40 ? w[3].n : 40), w[3].at);
    }
    is_good = hc_word_number(&year, w[1]) && year > 1900.0 && year < 2200.0;
    is_good &= w[4].n == 0 || hc_word_number(&out->lower, w[4]);
    is_good &= w[5].n == 0 || hc_word_number(&out->upper, w[5]);
    if (!is_good || (w[4].n == 0 && w[5].n == 0) || out->lower > out->upper) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: the year or the bounds are no numbers in order", line);
    }
    if (!hc_word_is(w[6], "primary") && !hc_word_is(w[6], "secondary") &&
        !hc_word_is(w[6], "memory")) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: the status must be primary, secondary or memory", line);
    }
    if (w[0].n == 0 || w[7].n == 0) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: a tolerance must name its guideline and where it was read",
                          line);
    }
    out->year = (int)year;
    hc_word_copy(out->guideline, sizeof out->guideline, w[0]);
    hc_word_copy(out->level, sizeof out->level, w[2]);
    hc_word_copy(out->status, sizeof out->status, w[6]);
    hc_word_copy(out->source, sizeof out->source, w[7]);
    return HC_OK;
}

hc_status hc_tolerances_read(struct hc_tolerance *out, size_t *n, const char *text, size_t bytes,
                             struct hc_err *err)
{
    struct hc_csv s = {text, text + bytes, 1, ','};
    struct hc_word first;
    bool is_last = false;
    hc_status st = HC_OK;
    *n = 0;
    if (!hc_csv_row(&s, NULL) || !hc_csv_field(&first, &is_last, &s) ||
        !hc_word_is(first, "guideline")) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: a table of tolerances begins with the header guideline,year,"
                          "level,quantity,lower,upper,status,source",
                          s.line);
    }
    while (hc_csv_field(&first, &is_last, &s)) {
    }
    while (st == HC_OK && hc_csv_row(&s, NULL)) {
        if (*n == HC_TOLERANCES_MAX) {
            return hc_err_set(err, HC_ELIMIT, HC_CALIBRATE_ROOM, "line %d: more than %d tolerances",
                              s.line, HC_TOLERANCES_MAX);
        }
        st = read_row(&out[*n], &s, err);
        *n += st == HC_OK;
    }
    return st;
}

enum hc_verdict hc_tolerance_judge(const struct hc_tolerance *t, const struct hc_quality_report *r)
{
    if (!r->is_known[t->quality]) {
        return HC_VERDICT_UNKNOWN;
    }
    double v = r->value[t->quality];
    return v >= t->lower && v <= t->upper ? HC_VERDICT_WITHIN : HC_VERDICT_OUTSIDE;
}
