// The forecast document: written once when computed, read back by page, command, spot and report.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/clock.h"
#include "base/mem.h"
#include "work/work_forecast_priv.h"

static const struct hc_window *window_of(const struct hc_window_list *l, int64_t id)
{
    for (size_t i = 0; i < l->n; i++) {
        if (l->w[i].id == id) {
            return &l->w[i];
        }
    }
    return NULL;
}

// The mildest and the worst of the answer in one sentence a curator can read.
static void sentence(struct hc_buf *b, const struct hc_work_forecast_basis *f)
{
    const struct hc_forecast_summary *s = f->summary;
    char text[700];
    double refused = 0;
    for (int k = 1; k < HC_REFUSAL_COUNT; k++) {
        refused += s->refused_share[k];
    }
    snprintf(
        text, sizeof text,
        "Predicted look after removing this coat to the %s state of the %zu windows: on windows "
        "left out of the fit it was off by %.1f CIEDE2000 on average (doing nothing: %.1f). Half "
        "the area shown has a radius of %.1f or less; %.0f %% of the picture is refused.",
        f->surface, s->n_windows, s->left_out_de[s->chosen], s->nothing_de, s->radius_median,
        100 * refused);
    hc_json_kstr(b, "sentence", text);
}

static void estimators(struct hc_buf *b, const struct hc_forecast_summary *s)
{
    hc_json_kstr(b, "estimator", hc_estimator_name(s->chosen));
    hc_json_key(b, "estimators");
    hc_json_arr(b);
    for (int e = 0; e < HC_ESTIMATOR_COUNT; e++) {
        hc_json_obj(b);
        hc_json_kstr(b, "name", hc_estimator_name((enum hc_estimator)e));
        hc_json_kbool(b, "chosen", e == (int)s->chosen);
        hc_json_knum(b, "weight", s->weight[e]);
        hc_json_knum(b, "left_out_de", s->left_out_de[e]);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_json_knum(b, "nothing_de", s->nothing_de);
    hc_json_knum(b, "left_out_de", s->left_out_de[s->chosen]);
}

static void model(struct hc_buf *b, const struct hc_forecast_summary *s)
{
    hc_json_key(b, "coat_model");
    hc_json_obj(b);
    hc_json_knum(b, "a0", s->coat_a0);
    hc_json_knum(b, "slope_nm", s->coat_slope_nm);
    hc_json_knum(b, "haze", s->coat_haze);
    hc_json_knum(b, "grey", s->coat_grey);
    hc_json_knum(b, "surface_before", s->surface_before);
    hc_json_knum(b, "surface_after", s->surface_after);
    hc_json_end_obj(b);
    hc_json_key(b, "interval");
    hc_json_obj(b);
    hc_json_knum(b, "q", s->interval_q);
    hc_json_kbool(b, "distribution_free", s->is_distribution_free);
    hc_json_end_obj(b);
    hc_json_key(b, "radius");
    hc_json_obj(b);
    hc_json_knum(b, "median", s->radius_median);
    hc_json_knum(b, "p95", s->radius_p95);
    hc_json_end_obj(b);
}

static void refusals(struct hc_buf *b, const struct hc_forecast_summary *s)
{
    hc_json_key(b, "refused");
    hc_json_arr(b);
    for (int k = 1; k < HC_REFUSAL_COUNT; k++) {
        if (s->refused_share[k] > 0) {
            hc_json_obj(b);
            hc_json_kint(b, "code", k);
            hc_json_knum(b, "share", s->refused_share[k]);
            hc_json_kstr(b, "reason", hc_refusal_text((enum hc_refusal)k));
            hc_json_end_obj(b);
        }
    }
    hc_json_end_arr(b);
}

static void windows(struct hc_buf *b, const struct hc_work_forecast_basis *f)
{
    const struct hc_forecast_summary *s = f->summary;
    hc_json_key(b, "windows");
    hc_json_arr(b);
    for (size_t i = 0; i < s->n_windows; i++) {
        const struct hc_forecast_window_report *r = &s->report[i];
        const struct hc_window *x = window_of(f->windows, r->id);
        hc_json_obj(b);
        hc_json_kint(b, "id", r->id);
        hc_json_kstr(b, "label", x ? x->label : "");
        hc_json_knum(b, "lightness", r->lightness);
        hc_json_knum(b, "nothing_de", r->nothing_de);
        hc_json_knum(b, "left_out_de", r->left_out_de);
        hc_json_key(b, "left_out_bias");
        hc_json_arr(b);
        for (int c = 0; c < 3; c++) {
            hc_json_num(b, r->left_out_bias[c]);
        }
        hc_json_end_arr(b);
        hc_json_knum(b, "coat", r->coat);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_json_kint(b, "windows_left_aside", (int64_t)s->n_other_state);
}

static void inputs(struct hc_work *w, struct hc_buf *b, const struct hc_work_forecast_basis *f)
{
    struct hc_view_list l = {0};
    hc_json_key(b, "inputs");
    hc_json_arr(b);
    if (hc_store_views(w->store, &l, NULL) == HC_OK) {
        for (size_t i = 0; i < l.n; i++) {
            const struct hc_view *v = &l.v[i];
            bool is_used = v->id == f->before->id || (f->uv && v->id == f->uv->id);
            for (size_t j = 0; j < f->windows->n; j++) {
                is_used = is_used || f->windows->w[j].test_view == v->id;
            }
            if (is_used) {
                hc_json_obj(b);
                hc_json_kstr(b, "view", v->label);
                hc_json_kstr(b, "sha256", v->sha256);
                char source[200];
                hc_json_kstr(b, "profile",
                             hc_work_colour_source(w, v, source, sizeof source) ? source
                             : v->is_profile_assumed                            ? "assumed sRGB"
                                                                                : v->profile);
                hc_json_knum(b, "exposure_factor", v->exposure_factor);
                hc_json_knum(b, "held_out_p95_px",
                             v->held_out_p95_px >= 0 ? v->held_out_p95_px : (double)NAN);
                hc_json_end_obj(b);
            }
        }
    }
    hc_json_end_arr(b);
    hc_view_list_release(&l);
}

hc_status hc_work_forecast_document(struct hc_work *w, struct hc_buf *b,
                                    const struct hc_work_forecast_basis *f, struct hc_err *err)
{
    const struct hc_forecast_summary *s = f->summary;
    char now[21], basis[17];
    hc_status st = hc_work_basis(w, basis, err);
    if (st != HC_OK) {
        return st;
    }
    hc_clock_now_iso(now);
    hc_json_obj(b);
    hc_json_kstr(b, "made_at", now);
    hc_json_kstr(b, "basis", basis);
    hc_json_kstr(b, "surface", f->surface);
    sentence(b, f);
    estimators(b, s);
    model(b, s);
    refusals(b, s);
    hc_json_kbool(b, "has_uv", s->has_uv);
    hc_json_kbool(b, "uv_used", s->is_uv_used);
    hc_json_knum(b, "uv_gain", s->uv_gain);
    hc_json_kstr(b, "uv_note", f->uv_note);
    hc_json_kint(b, "zones", (int64_t)f->n_zones);
    windows(b, f);
    hc_json_key(b, "next_window");
    if (s->has_next) {
        hc_json_obj(b);
        hc_json_knum(b, "x", s->next_x_px);
        hc_json_knum(b, "y", s->next_y_px);
        hc_json_kstr(b, "why", s->next_why);
        hc_json_end_obj(b);
    } else {
        hc_json_null(b);
    }
    hc_json_kstr(b, "caveat", s->caveat);
    for (int pass = 0; pass < 2; pass++) {
        hc_json_key(b, pass ? "tile_keys" : "rasters");
        hc_json_obj(b);
        for (int k = 0; k < HC_WORK_LAYERS; k++) {
            hc_json_kstr(b, hc_work_layer_name[k], pass ? f->tiles[k] : f->raster[k]);
        }
        hc_json_end_obj(b);
    }
    hc_json_key(b, "radius_scale");
    hc_json_raw(b, "{\"lo\":0,\"hi\":12}");
    inputs(w, b, f);
    hc_json_kstr(b, "program", "halfclean " HC_VERSION);
    hc_json_end_obj(b);
    return hc_buf_check(b, err);
}

// The stored document plus what is only known now: id, is_stale, and tile sizes.
hc_status hc_work_forecast_get(struct hc_work *w, struct hc_buf *b, struct hc_err *err)
{
    json_t *doc = NULL;
    struct hc_buf tiles = {0};
    json_t *t = NULL;
    char basis[17];
    char *text;
    hc_status st = hc_work_result(w, "forecast", &doc, err);
    if (st == HC_ENOTFOUND) {
        return hc_err_set(
            err, st, HC_WORK_ROOM,
            "no forecast has been computed yet: add at least 4 windows, then run forecast");
    }
    st = st == HC_OK ? hc_work_basis(w, basis, err) : st;
    if (st != HC_OK) {
        json_decref(doc);
        return st;
    }
    json_object_set_new(doc, "is_stale",
                        json_boolean(strcmp(basis, hc_work_json_text(doc, "basis")) != 0));
    hc_json_obj(&tiles);
    for (int k = 0; k < HC_WORK_LAYERS; k++) {
        hc_json_key(&tiles, hc_work_layer_name[k]);
        hc_work_tiles_json(
            w, &tiles, hc_work_json_text(json_object_get(doc, "tile_keys"), hc_work_layer_name[k]),
            NULL);
    }
    hc_json_end_obj(&tiles);
    st = hc_work_json_load(&t, hc_buf_text(&tiles), "tiles", err);
    if (st == HC_OK) {
        json_object_set_new(doc, "tiles", t);
        json_object_del(doc, "tile_keys");
        text = json_dumps(doc, JSON_COMPACT | JSON_REAL_PRECISION(9));
        if (text) {
            hc_json_raw(b, text);
        }
        st =
            text ? hc_buf_check(b, err) : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory");
        free(text); // the JSON library's own block
    }
    hc_buf_release(&tiles);
    json_decref(doc);
    return st;
}

hc_status hc_work_open_layer(struct hc_work *w, enum hc_work_layer k, struct hc_raster **out,
                             struct hc_err *err)
{
    json_t *doc = NULL;
    hc_status st = hc_work_result(w, "forecast", &doc, err);
    if (st == HC_ENOTFOUND) {
        return hc_err_set(err, st, HC_WORK_ROOM,
                          "no forecast has been computed yet: run forecast first");
    }
    if (st == HC_OK) {
        st = hc_work_open_derived(
            w, hc_work_json_text(json_object_get(doc, "rasters"), hc_work_layer_name[k]), out, err);
        st = st == HC_OK ? st : hc_err_prefix(err, st, "the forecast must be computed again: ");
        json_decref(doc);
    }
    return st;
}
