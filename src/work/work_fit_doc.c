// The fit of a view as documents for people: the short form in VIEW, the whole in FIT.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_priv.h"

// Between the tiles a bend is known less well than at them (docs/theory/align.md).
#define FIELD_FACTOR 3.0
#define LEAST_PX 0.1 // no residual is told as smaller

const char *hc_work_verdict_word(const char *verdict)
{
    return strcmp(verdict, "refused") == 0 ? "do not compare" : verdict;
}

// A stored residual below 0 was not known.
static double known(double residual)
{
    return residual >= 0 ? residual : (double)NAN;
}

void hc_work_compare(struct hc_work_compare *c, const struct hc_view *v,
                     const struct hc_work_place *p, double mm)
{
    bool is_bent = json_is_object(json_object_get(p->fit, "field"));
    double p95 = known(v->held_out_p95_px);
    const char *verdict = v->verdict ? v->verdict : "none";
    *c = (struct hc_work_compare){.is_comparable = hc_work_is_placed(v),
                                  .finest_px = is_bent ? FIELD_FACTOR * p95 : p95};
    if (strcmp(verdict, "reference") == 0) {
        c->finest_px = 0;
    } else if (!c->is_comparable) {
        snprintf(c->note, sizeof c->note, "%s",
                 strcmp(verdict, "refused") == 0
                     ? "do not compare: it has no reliable place in the frame"
                     : "not placed in the frame yet");
    } else if (!isfinite(p95)) {
        c->is_comparable = false;
        snprintf(c->note, sizeof c->note,
                 "how well it is placed is not known: do not compare details with it");
    } else if (strcmp(verdict, "usable") == 0 && is_bent) {
        snprintf(c->note, sizeof c->note,
                 "placed within %.1f px (%.2f mm) in 95 %% of the places checked, with a bend "
                 "followed between them: do not compare details finer than %.1f px (%.2f mm)",
                 fmax(p95, LEAST_PX), fmax(p95, LEAST_PX) * mm, fmax(c->finest_px, LEAST_PX),
                 fmax(c->finest_px, LEAST_PX) * mm);
    } else if (strcmp(verdict, "usable") == 0) {
        snprintf(c->note, sizeof c->note,
                 "placed within %.1f px (%.2f mm) in 95 %% of the places checked: do not compare "
                 "details finer than that",
                 fmax(p95, LEAST_PX), fmax(p95, LEAST_PX) * mm);
    }
}

// One value of the stored report under the same name; null when it has none.
static void copy(struct hc_buf *b, const json_t *fit, const char *key)
{
    json_t *v = json_object_get(fit, key);
    char *text = v ? json_dumps(v, JSON_COMPACT | JSON_ENCODE_ANY | JSON_REAL_PRECISION(9)) : NULL;
    hc_json_key(b, key);
    hc_json_raw(b, text ? text : "null");
    free(text); // the JSON library's own block
}

static void residual_json(struct hc_buf *b, const struct hc_view *v, double mm)
{
    hc_json_knum(b, "held_out_median_px", known(v->held_out_median_px));
    hc_json_knum(b, "held_out_p95_px", known(v->held_out_p95_px));
    hc_json_knum(b, "held_out_median_mm", known(v->held_out_median_px) * mm);
    hc_json_knum(b, "held_out_p95_mm", known(v->held_out_p95_px) * mm);
}

static void measured_json(struct hc_buf *b, const struct hc_view *v, const struct hc_work_place *p,
                          double mm)
{
    static const char *const kept[] = {"rotation_deg",
                                       "scale",
                                       "tiles_textured",
                                       "tiles_used",
                                       "kind",
                                       "pairs",
                                       "view_per_frame",
                                       "outline",
                                       "lens",
                                       "second_opinion_px",
                                       "unsupported_share"};
    const json_t *field = json_object_get(p->fit, "field");
    hc_json_key(b, "shift_px");
    hc_json_arr(b);
    hc_json_num(b, hc_work_json_number(p->fit, "shift_x_px"));
    hc_json_num(b, hc_work_json_number(p->fit, "shift_y_px"));
    hc_json_end_arr(b);
    for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++) {
        copy(b, p->fit, kept[i]);
    }
    hc_json_kbool(b, "is_detail", p->is_detail);
    hc_json_knum(b, "bend_max_px", hc_work_json_number(field, "max_px"));
    hc_json_knum(b, "bend_strain_max", hc_work_json_number(field, "strain_max"));
    residual_json(b, v, mm);
    hc_json_knum(b, "area_supported", v->area_supported);
}

void hc_work_fit_json(struct hc_buf *b, const struct hc_view *v, double mm)
{
    struct hc_work_place p = {0};
    struct hc_work_compare c;
    struct hc_err ignored = {0};
    hc_ignore(hc_work_place_read(&p, v, &ignored));
    hc_work_compare(&c, v, &p, mm);
    hc_json_obj(b);
    hc_json_kstr(b, "verdict", v->verdict && *v->verdict ? v->verdict : "none");
    hc_json_kstr(b, "why", v->fit_why ? v->fit_why : "");
    hc_json_kbool(b, "comparable", c.is_comparable);
    hc_json_kstr(b, "compare_note", c.note);
    if (p.fit) {
        measured_json(b, v, &p, mm);
    }
    hc_json_knum(b, "exposure_factor", v->exposure_factor);
    hc_json_knum(b, "exposure_spread", v->exposure_spread);
    hc_json_end_obj(b);
    hc_work_place_release(&p);
}

static void tiles_json(struct hc_buf *b, const json_t *tiles)
{
    hc_json_key(b, "tiles");
    hc_json_arr(b);
    for (size_t i = 0; i < json_array_size(tiles); i++) {
        static const char *const key[] = {"x", "y", "dx", "dy"};
        const json_t *t = json_array_get(tiles, i);
        hc_json_obj(b);
        for (size_t k = 0; k < 4; k++) {
            hc_json_knum(b, key[k], json_number_value(json_array_get(t, k)));
        }
        hc_json_kbool(b, "used", json_integer_value(json_array_get(t, 4)) != 0);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
}

static void map_json(struct hc_buf *b, const struct hc_view *v, const struct hc_work_place *place,
                     const struct hc_painting *p)
{
    static const char *const kept[] = {
        "kind", "lens", "pairs", "tile_pitch_px", "outline", "second_opinion_px", "support"};
    double mm = hc_work_mm_per_px(p);
    hc_json_obj(b);
    hc_json_kint(b, "view", v->id);
    hc_json_kstr(b, "verdict", v->verdict);
    hc_json_kstr(b, "why", v->fit_why);
    hc_json_key(b, "frame");
    hc_json_obj(b);
    hc_json_kint(b, "w", p->frame_w);
    hc_json_kint(b, "h", p->frame_h);
    hc_json_end_obj(b);
    hc_json_knum(b, "mm_per_px", mm);
    for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++) {
        copy(b, place->fit, kept[i]);
    }
    residual_json(b, v, mm);
    hc_json_knum(b, "strain_max",
                 hc_work_json_number(json_object_get(place->fit, "field"), "strain_max"));
    tiles_json(b, json_object_get(place->fit, "tile"));
    hc_json_end_obj(b);
}

hc_status hc_work_fit_map(struct hc_work *w, const char *view, struct hc_buf *b, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    struct hc_work_place place = {0};
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_store_view_by_name(w->store, view, &v, err) : st;
    st = st == HC_OK ? hc_work_place_read(&place, &v, err) : st;
    if (st == HC_OK && !place.fit) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM, "view %s was not fitted to the frame",
                        v.label);
    }
    if (st == HC_OK) {
        map_json(b, &v, &place, &p);
        st = hc_buf_check(b, err);
    }
    hc_work_place_release(&place);
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}
