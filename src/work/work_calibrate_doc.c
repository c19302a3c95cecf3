// The documents of a calibration: the whole one that is stored, the short one in the list of views,
// and the sentence that takes the place of what the file says about its colours.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/clock.h"
#include "base/mem.h"
#include "work/work_calibrate_priv.h"

static void flat_json(struct hc_buf *b, const struct hc_flat *f)
{
    hc_json_obj(b);
    hc_json_kint(b, "w", f->w);
    hc_json_kint(b, "h", f->h);
    hc_json_kint(b, "degree", f->degree);
    hc_json_knum(b, "before_delta_l", f->before_delta_l);
    hc_json_knum(b, "after_delta_l", f->after_delta_l);
    hc_json_knum(b, "dust_share", f->dust_share);
    hc_json_key(b, "coef");
    hc_json_arr(b);
    for (int c = 0; c < 3; c++) {
        hc_json_arr(b);
        for (int k = 0; k < 28; k++) {
            char text[32];
            snprintf(text, sizeof text, "%.17g", f->coef[c][k]);
            hc_json_raw(b, text);
        }
        hc_json_end_arr(b);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
}

static void figures_json(struct hc_buf *b, const char *key, const struct hc_calibrate_figures *f)
{
    hc_json_key(b, key);
    hc_json_obj(b);
    hc_json_knum(b, "mean", f->mean);
    hc_json_knum(b, "p95", f->p95);
    hc_json_knum(b, "max", f->max);
    hc_json_kint(b, "n", f->n);
    hc_json_end_obj(b);
}

static void triple_json(struct hc_buf *b, const char *key, const double v[3])
{
    if (key) {
        hc_json_key(b, key);
    }
    hc_json_arr(b);
    for (int i = 0; i < 3; i++) {
        // Coefficients must come back as they were: 17 digits.
        char text[32];
        snprintf(text, sizeof text, "%.17g", v[i]);
        hc_json_raw(b, text);
    }
    hc_json_end_arr(b);
}

static void patches_json(struct hc_buf *b, const struct hc_work_bench *m)
{
    hc_json_key(b, "patches");
    hc_json_arr(b);
    for (int i = 0; i < m->target.n; i++) {
        const struct hc_patch *p = &m->patch[i];
        hc_json_obj(b);
        hc_json_kstr(b, "name", m->target.patch[i].name);
        triple_json(b, "reference_lab", m->target.patch[i].lab);
        triple_json(b, "lab", p->lab);
        hc_json_knum(b, "de", p->de);
        hc_json_knum(b, "de_left_out", p->de_out);
        hc_json_knum(b, "noise_l", p->noise_l);
        hc_json_knum(b, "clipped", p->clipped);
        hc_json_kbool(b, "neutral", m->target.patch[i].is_neutral);
        hc_json_kstr(b, "fault",
                     p->faults & HC_PATCH_CLIPPED   ? "clipped"
                     : p->faults & HC_PATCH_UNEVEN  ? "uneven: an edge, glare or a shadow"
                     : p->faults & HC_PATCH_STRANGE ? "far from what the other patches say"
                     : p->faults & HC_PATCH_DARK    ? "black"
                                                    : "");
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
}

static hc_status tolerances_json(struct hc_buf *b, const struct hc_work_bench *m,
                                 struct hc_err *err)
{
    struct hc_tolerance *t = hc_mem_array(HC_TOLERANCES_MAX, sizeof *t);
    size_t n = 0;
    hc_status st =
        t ? hc_tolerances_read(t, &n, hc_tolerances_text, strlen(hc_tolerances_text), err)
          : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the tolerances");
    hc_json_key(b, "qualities");
    hc_json_arr(b);
    for (int q = 0; q < HC_QUALITY_COUNT; q++) {
        hc_json_obj(b);
        hc_json_kstr(b, "name", hc_quality_name((enum hc_quality)q));
        hc_json_kstr(b, "unit", hc_quality_unit((enum hc_quality)q));
        hc_json_knum(b, "value", m->quality.is_known[q] ? m->quality.value[q] : (double)NAN);
        hc_json_key(b, "tolerances");
        hc_json_arr(b);
        for (size_t i = 0; st == HC_OK && i < n; i++) {
            enum hc_verdict v = hc_tolerance_judge(&t[i], &m->quality);
            if ((int)t[i].quality == q && v != HC_VERDICT_UNKNOWN) {
                hc_json_obj(b);
                hc_json_kstr(b, "guideline", t[i].guideline);
                hc_json_kint(b, "year", t[i].year);
                hc_json_kstr(b, "level", t[i].level);
                hc_json_kstr(b, "status", t[i].status);
                hc_json_kbool(b, "within", v == HC_VERDICT_WITHIN);
                hc_json_end_obj(b);
            }
        }
        hc_json_end_arr(b);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_mem_free(t);
    return st;
}

hc_status hc_work_calibration_document(struct hc_buf *b, const struct hc_work_bench *m,
                                       const struct hc_view *from, bool is_inherited,
                                       struct hc_err *err)
{
    char now[21];
    hc_clock_now_iso(now);
    hc_json_obj(b);
    hc_json_kint(b, "from_view", from->id);
    hc_json_kstr(b, "from_label", from->label);
    hc_json_kbool(b, "inherited", is_inherited);
    hc_json_kstr(b, "made_at", now);
    hc_json_kstr(b, "target", m->target.about);
    hc_json_kstr(b, "kind", hc_calibrate_kind_name(m->c.kind));
    hc_json_kint(b, "kind_code", m->c.kind);
    hc_json_kstr(b, "why", m->c.why);
    hc_json_knum(b, "exposure_ev", m->c.exposure_ev);
    hc_json_knum(b, "tone_slope", m->c.tone_slope);
    hc_json_kint(b, "rows", m->target.rows);
    hc_json_kint(b, "cols", m->target.cols);
    hc_json_kint(b, "used", m->c.used);
    hc_json_kint(b, "left_out", m->c.left_out);
    hc_json_knum(b, "place_confidence", m->place.confidence);
    hc_json_key(b, "flat");
    if (m->has_flat) {
        flat_json(b, &m->flat);
    } else {
        hc_json_null(b);
    }
    figures_json(b, "before", &m->c.before);
    figures_json(b, "fit", &m->c.fit);
    figures_json(b, "left_out_patch", &m->c.out);
    hc_json_knum(b, "mtf50", m->has_edge ? m->edge.mtf50 : (double)NAN);
    hc_json_key(b, "corners");
    hc_work_poly_json(b, m->place.corner, 4);
    patches_json(b, m);
    hc_status st = tolerances_json(b, m, err);
    triple_json(b, "gain", m->c.gain);
    hc_json_key(b, "coef");
    hc_json_arr(b);
    for (int k = 0; k < m->c.terms; k++) {
        triple_json(b, NULL, m->c.coef[k]);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
    return st == HC_OK ? hc_buf_check(b, err) : st;
}

void hc_work_calibration_json(struct hc_work *w, struct hc_buf *b, int64_t view)
{
    char kind[48];
    json_t *j = NULL;
    const json_t *f;
    hc_work_calibration_kind(kind, sizeof kind, view);
    if (hc_work_calibration_id(w, view) == 0 || hc_work_result(w, kind, &j, NULL) != HC_OK) {
        hc_json_null(b);
        return;
    }
    f = json_object_get(j, "left_out_patch");
    hc_json_obj(b);
    hc_json_kstr(b, "from_label", hc_work_json_text(j, "from_label"));
    hc_json_kbool(b, "inherited", json_is_true(json_object_get(j, "inherited")));
    hc_json_kstr(b, "made_at", hc_work_json_text(j, "made_at"));
    hc_json_kstr(b, "target", hc_work_json_text(j, "target"));
    hc_json_kstr(b, "kind", hc_work_json_text(j, "kind"));
    hc_json_knum(b, "mean", hc_work_json_number(f, "mean"));
    hc_json_knum(b, "p95", hc_work_json_number(f, "p95"));
    hc_json_knum(b, "max", hc_work_json_number(f, "max"));
    hc_json_end_obj(b);
    json_decref(j);
}

bool hc_work_colour_source(struct hc_work *w, const struct hc_view *v, char *text, size_t room)
{
    char kind[48];
    json_t *j = NULL;
    const char *target;
    hc_work_calibration_kind(kind, sizeof kind, v->id);
    if (hc_work_calibration_id(w, v->id) == 0 || hc_work_result(w, kind, &j, NULL) != HC_OK) {
        return false;
    }
    target = hc_work_json_text(j, "target");
    snprintf(text, room, "by calibration of %.10s against %.60s%s%.80s",
             hc_work_json_text(j, "made_at"), *target ? target : "a colour target",
             json_is_true(json_object_get(j, "inherited")) ? ", inherited from " : " in it",
             json_is_true(json_object_get(j, "inherited")) ? hc_work_json_text(j, "from_label")
                                                           : "");
    json_decref(j);
    return true;
}

void hc_work_colour_json(struct hc_work *w, struct hc_buf *b, const struct hc_view *v)
{
    char source[200] = "", note[400];
    bool is_calibrated = hc_work_colour_source(w, v, source, sizeof source);
    // The profile still opens the file; the fit was made on what that gave, and corrects it.
    snprintf(note, sizeof note,
             "Colour %s; the profile of the file (%s) only opens it and no longer says what its "
             "colours are.",
             source, v->is_profile_assumed ? "assumed" : "its own");
    hc_json_kstr(b, "profile", v->profile ? v->profile : "");
    hc_json_kbool(b, "profile_assumed", v->is_profile_assumed && !is_calibrated);
    hc_json_kstr(b, "note", is_calibrated ? note : v->note ? v->note : "");
}

hc_status hc_work_calibration_get(struct hc_work *w, const char *view, struct hc_buf *b,
                                  struct hc_err *err)
{
    struct hc_view v = {0};
    char kind[48], *json = NULL;
    int64_t id;
    hc_status st = hc_store_view_by_name(w->store, view, &v, err);
    hc_work_calibration_kind(kind, sizeof kind, v.id);
    if (st == HC_OK && hc_work_calibration_id(w, v.id) == 0) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM, "view %s has no calibration", v.label);
    }
    st = st == HC_OK ? hc_store_get_result(w->store, kind, &id, &json, err) : st;
    if (st == HC_OK) {
        hc_json_raw(b, json);
        st = hc_buf_check(b, err);
    }
    hc_mem_free(json);
    hc_view_release(&v);
    return st;
}
