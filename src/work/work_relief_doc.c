// The relief document.
#include <math.h>
#include <string.h>

#include "work/work_relief_priv.h"

void hc_work_relief_interval_json(struct hc_buf *b, const char *key, struct hc_relief_interval i)
{
    hc_json_key(b, key);
    hc_json_obj(b);
    hc_json_knum(b, "value", i.value);
    hc_json_knum(b, "low", i.low);
    hc_json_knum(b, "high", i.high);
    hc_json_end_obj(b);
}

void hc_work_relief_texture_json(struct hc_buf *b, const struct hc_relief_texture *t)
{
    hc_json_obj(b);
    hc_json_knum(b, "short_mm", t->band.short_mm);
    hc_json_knum(b, "long_mm", t->band.long_mm);
    hc_json_kint(b, "px", (int64_t)t->px);
    hc_json_knum(b, "sa_um", t->sa_um);
    hc_json_knum(b, "sq_um", t->sq_um);
    hc_json_knum(b, "sz_um", t->sz_um);
    hc_json_knum(b, "ssk", t->ssk);
    hc_json_knum(b, "sku", t->sku);
    hc_json_knum(b, "sdq", t->sdq);
    hc_json_knum(b, "sdr", t->sdr);
    hc_json_end_obj(b);
}

static void lights_json(struct hc_buf *b, const struct hc_work_relief_run *r)
{
    hc_json_key(b, "lights");
    hc_json_arr(b);
    for (size_t i = 0; i < r->set.n; i++) {
        const struct hc_relief_light *l = &r->set.light[i];
        const struct hc_relief_view_state *s = &r->seen.view[i];
        double az, el;
        hc_relief_light_to_angles(l, &az, &el);
        hc_json_obj(b);
        hc_json_kint(b, "view", r->set.v[i]->id);
        hc_json_kstr(b, "label", r->set.v[i]->label);
        hc_json_knum(b, "azimuth_deg", az);
        hc_json_knum(b, "elevation_deg", el);
        hc_json_kbool(b, "near", l->is_near);
        hc_json_knum(b, "residual_deg", l->residual_deg < 0 ? (double)NAN : l->residual_deg);
        hc_json_kstr(b, "polariser", r->set.lamp[i].polariser);
        hc_json_kbool(b, "board", r->set.lamp[i].flat != 0);
        hc_json_knum(b, "gain", s->gain);
        hc_json_knum(b, "dark_share", s->dark);
        hc_json_knum(b, "clipped_share", s->clipped);
        hc_json_knum(b, "misfit", s->residual);
        hc_json_kstr(b, "why", s->why);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
}

// Colour views and a film of index 1.5: what the slopes are, in words and numbers.
static void reading_json(struct hc_buf *b, const struct hc_work_relief_run *r, bool is_varnished)
{
    struct hc_relief_reading k = hc_relief_reading(r->set.light, r->set.n, 1.5);
    hc_json_key(b, "through_varnish");
    hc_json_obj(b);
    hc_json_kbool(b, "is_varnished", is_varnished);
    hc_json_knum(b, "paint", k.paint);
    hc_json_knum(b, "film", k.film);
    hc_json_kstr(b, "what", r->normals.what);
    hc_json_end_obj(b);
}

void hc_work_relief_document(struct hc_buf *b, const struct hc_work_relief_run *r)
{
    static const char *const methods[] = {"trimmed", "least squares", "least trimmed squares"};
    bool is_varnished = strcmp(r->req->state, "before") == 0 ||
                        strcmp(r->req->state, "test") == 0 || strcmp(r->req->state, "after") == 0;
    hc_json_obj(b);
    hc_json_kstr(b, "state", r->req->state);
    hc_json_kstr(b, "basis", r->basis);
    hc_json_kstr(b, "method", methods[r->req->method]);
    hc_json_kbool(b, "flat_asserted", r->req->is_flat);
    lights_json(b, r);
    hc_json_kint(b, "left_aside", (int64_t)r->set.left_aside);
    hc_json_key(b, "aside");
    hc_json_arr(b);
    for (size_t i = 0; i < r->set.left_aside && i < HC_RELIEF_MAX_LIGHTS; i++) {
        hc_json_obj(b);
        hc_json_kint(b, "view", r->set.aside[i].v->id);
        hc_json_kstr(b, "label", r->set.aside[i].v->label);
        hc_json_kstr(b, "why", r->set.aside[i].why);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_json_kbool(b, "crossed", r->set.is_crossed);
    hc_json_kbool(b, "boards", r->has_flat);
    hc_json_kstr(b, "set_why", r->seen.why);
    hc_json_knum(b, "condition", r->normals.rig.condition);
    hc_json_kstr(b, "rig_why", r->normals.rig.why);
    hc_json_knum(b, "answered", r->normals.answered);
    hc_json_knum(b, "misfit", r->normals.residual);
    hc_json_knum(b, "slope_sd", r->normals.slope_sd_mean);
    hc_json_kbool(b, "slope_sd_assumed", r->normals.is_sd_assumed);
    reading_json(b, r, is_varnished);
    hc_json_key(b, "height");
    hc_json_obj(b);
    hc_json_kint(b, "reduced", r->reduced);
    hc_json_knum(b, "mm_per_px", r->mm * r->reduced);
    hc_json_knum(b, "reliable_mm", r->tall.reliable_mm);
    hc_json_knum(b, "drift_deg", r->tall.drift_deg);
    hc_json_knum(b, "misfit", r->tall.residual);
    hc_json_kstr(b, "what", r->tall.what);
    hc_json_knum(b, "lo_mm", r->shown_lo);
    hc_json_knum(b, "hi_mm", r->shown_hi);
    hc_json_end_obj(b);
    hc_json_key(b, "texture");
    hc_work_relief_texture_json(b, &r->whole);
    hc_json_key(b, "curve");
    hc_json_arr(b);
    for (size_t i = 0; i < r->curve_n; i++) {
        hc_json_obj(b);
        hc_json_knum(b, "detail_mm", r->curve_mm[i]);
        hc_json_knum(b, "sq_um", r->curve_um[i]);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_work_relief_pairs_json(b, &r->pairs);
    hc_json_key(b, "rasters");
    hc_json_obj(b);
    hc_json_kstr(b, "slopes", r->slopes);
    hc_json_kstr(b, "height", r->height);
    hc_json_end_obj(b);
    hc_json_key(b, "tile_keys");
    hc_json_obj(b);
    hc_json_kstr(b, "slopes", r->normal_key);
    hc_json_kstr(b, "height", r->height_key);
    hc_json_end_obj(b);
    hc_json_end_obj(b);
}
