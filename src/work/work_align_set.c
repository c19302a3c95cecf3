// Raking views of one state lie in one place: the camera stood still while the lamp went round.
// Edges of shading move with the lamp, so each view by itself is placed a little towards or away
// from it; together the lamps tell that movement from the place.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "num/stats.h"
#include "work/work_relief_priv.h"

#define SET_MAX 64
#define APART_PX 3.0 // a view further from the others' place was not taken from there
#define GOOD_PX 1.0

struct member {
    struct hc_view *v;
    json_t *fit;
    struct hc_homog own; // as measured from this view alone
    struct hc_pt
        to_lamp; // view px, times how strongly a lamp of this height moves edges; 0 unknown
    bool has_lamp;
};

struct set {
    struct member m[SET_MAX];
    size_t n;
};

// Where a view was placed by itself; kept in its report once it shares a place.
static void own_map(struct member *m)
{
    const json_t *own = json_object_get(m->fit, "own_map");
    memcpy(m->own.m, m->v->frame_to_view, sizeof m->own.m);
    for (size_t k = 0; json_array_size(own) == 9 && k < 9; k++) {
        m->own.m[k] = json_number_value(json_array_get(own, k));
    }
}

// The lower the lamp, the further shading reaches: by the square root of the shadow's length, as
// views of an invented painting under lamps of 12 and 30 degrees had it (our own choice).
static void lamp_direction(struct hc_work *w, struct member *m, const struct hc_painting *p)
{
    struct hc_work_lamp lamp;
    double az = 0, el = 90, reach, length;
    m->has_lamp = hc_work_lamp_get(w, m->v, &lamp, NULL) == HC_OK;
    if (m->has_lamp) {
        hc_relief_light_to_angles(&lamp.light, &az, &el);
    }
    az *= M_PI / 180;
    reach = sqrt(1 / fmax(tan(el * M_PI / 180), 0.05));
    struct hc_pt at = {p->frame_w / 2.0, p->frame_h / 2.0};
    struct hc_pt a = hc_homog_apply(&m->own, at);
    struct hc_pt b = hc_homog_apply(&m->own, (struct hc_pt){at.x + cos(az), at.y - sin(az)});
    length = hypot(b.x - a.x, b.y - a.y);
    m->has_lamp = m->has_lamp && el < 89 && length > 0;
    if (m->has_lamp) {
        m->to_lamp = (struct hc_pt){reach * (b.x - a.x) / length, reach * (b.y - a.y) / length};
    }
}

static hc_status gather(struct set *s, struct hc_work *w, struct hc_view_list *l,
                        const struct hc_view *first, const struct hc_painting *p,
                        struct hc_err *err)
{
    hc_status st = HC_OK;
    s->n = 0;
    for (size_t i = 0; st == HC_OK && i < l->n && s->n < SET_MAX; i++) {
        struct hc_view *v = &l->v[i];
        struct member *m = &s->m[s->n];
        if (strcmp(v->technique, "raking") != 0 || strcmp(v->state, first->state) != 0 ||
            !hc_work_is_placed(v) || v->w != first->w || v->h != first->h || !v->fit_json) {
            continue;
        }
        *m = (struct member){.v = v};
        st = hc_work_json_load(&m->fit, v->fit_json, "the fit report", err);
        if (st == HC_OK && (json_is_true(json_object_get(m->fit, "pairs")) ||
                            json_is_true(json_object_get(m->fit, "is_detail")))) {
            json_decref(m->fit);
            continue;
        }
        if (st == HC_OK) {
            own_map(m);
            lamp_direction(w, m, p);
            s->n++;
        }
    }
    return st;
}

// One corner: place = mean - pull * mean direction, fitted with the pull towards the lamps. Misses
// of the views go to miss[].
static struct hc_pt one_corner(const struct set *s, struct hc_pt frame, double *pull, double *miss)
{
    struct hc_pt at[SET_MAX], mean = {0, 0}, lamp = {0, 0};
    double up = 0, down = 0, n = (double)s->n;
    bool has_lamps = true;
    for (size_t i = 0; i < s->n; i++) {
        at[i] = hc_homog_apply(&s->m[i].own, frame);
        mean = (struct hc_pt){mean.x + at[i].x / n, mean.y + at[i].y / n};
        lamp = (struct hc_pt){lamp.x + s->m[i].to_lamp.x / n, lamp.y + s->m[i].to_lamp.y / n};
        has_lamps = has_lamps && s->m[i].has_lamp;
    }
    for (size_t i = 0; has_lamps && i < s->n; i++) {
        double lx = s->m[i].to_lamp.x - lamp.x, ly = s->m[i].to_lamp.y - lamp.y;
        up += (at[i].x - mean.x) * lx + (at[i].y - mean.y) * ly;
        down += lx * lx + ly * ly;
    }
    *pull = down > 0.1 ? up / down : 0;
    struct hc_pt place = {mean.x - *pull * lamp.x, mean.y - *pull * lamp.y};
    for (size_t i = 0; i < s->n; i++) {
        miss[i] = hypot(at[i].x - place.x - *pull * s->m[i].to_lamp.x,
                        at[i].y - place.y - *pull * s->m[i].to_lamp.y);
    }
    return place;
}

static void put_numbers(json_t *fit, const char *key, const double *v, size_t n)
{
    json_t *list = json_array();
    for (size_t k = 0; k < n; k++) {
        json_array_append_new(list, json_real(v[k]));
    }
    json_object_set_new(fit, key, list);
}

// The residuals of the tiles, which belonged to the view's own map, are left out: they do not speak
// of the shared one.
static hc_status give(struct hc_work *w, struct member *m, const struct hc_align_fit *shared,
                      size_t n, double pull, double median, double p95, struct hc_err *err)
{
    struct hc_view *v = m->v;
    char kind[80], why[320];
    char *text;
    snprintf(kind, sizeof kind, "one place for %zu raking views", n);
    snprintf(why, sizeof why,
             "one place for the %zu raking views of this state, as from one camera position: they "
             "agree on it within %.2f px (95 %%); shading had moved each by up to %.2f px with its "
             "lamp",
             n, p95, fabs(pull));
    if (!json_object_get(m->fit, "own_map")) {
        put_numbers(m->fit, "own_map", m->own.m, 9);
    }
    json_object_set_new(m->fit, "kind", json_string(kind));
    json_object_set_new(m->fit, "field", json_null());
    json_object_set_new(m->fit, "lens", json_null());
    json_object_set_new(m->fit, "shift_x_px", json_real(shared->shift_x_px));
    json_object_set_new(m->fit, "shift_y_px", json_real(shared->shift_y_px));
    json_object_set_new(m->fit, "rotation_deg", json_real(shared->rotation_deg));
    json_object_set_new(m->fit, "scale", json_real(shared->scale));
    json_object_set_new(m->fit, "tile", json_array());
    text = json_dumps(m->fit, JSON_COMPACT | JSON_REAL_PRECISION(17));
    if (!text) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a shared place");
    }
    hc_mem_free(v->fit_json);
    hc_mem_free(v->verdict);
    hc_mem_free(v->fit_why);
    v->fit_json = hc_mem_strdup(text);
    v->verdict = hc_mem_strdup(p95 <= GOOD_PX ? "good" : "usable");
    v->fit_why = hc_mem_strdup(why);
    free(text); // the JSON library's own block
    if (!v->fit_json || !v->verdict || !v->fit_why) {
        return hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for a shared place");
    }
    memcpy(v->frame_to_view, shared->frame_to_view.m, sizeof v->frame_to_view);
    v->held_out_median_px = median;
    v->held_out_p95_px = p95;
    return hc_store_place_view(w->store, v, err);
}

static hc_status share(struct hc_work *w, struct set *s, const struct hc_painting *p,
                       struct hc_err *err)
{
    const struct hc_pt frame[4] = {
        {0, 0}, {p->frame_w, 0}, {p->frame_w, p->frame_h}, {0, p->frame_h}};
    struct hc_pt view[4];
    struct hc_align_fit fit = {0};
    double miss[4 * SET_MAX], pull = 0, median, p95;
    hc_status st;
    for (int c = 0; c < 4; c++) {
        double one;
        view[c] = one_corner(s, frame[c], &one, miss + (size_t)c * s->n);
        pull = fabs(one) > fabs(pull) ? one : pull;
    }
    median = hc_stats_median(miss, 4 * s->n);
    p95 = hc_stats_quantile(miss, 4 * s->n, 0.95);
    if (!(hc_stats_quantile(miss, 4 * s->n, 1) <= APART_PX)) {
        return HC_OK; // not from one place: each keeps its own
    }
    pull *= hypot(s->m[0].to_lamp.x, s->m[0].to_lamp.y);
    st = hc_align_points(&fit, frame, view, 4, p->frame_w, p->frame_h, s->m[0].v->w, s->m[0].v->h,
                         err);
    for (size_t i = 0; st == HC_OK && i < s->n; i++) {
        st = give(w, &s->m[i], &fit, s->n, pull, median, p95, err);
    }
    hc_align_fit_release(&fit);
    return st;
}

hc_status hc_work_share_places(struct hc_work *w, const struct hc_painting *p, struct hc_err *err)
{
    struct hc_view_list l = {0};
    struct set *s = hc_mem_array(1, sizeof *s);
    hc_status st = s ? hc_store_views(w->store, &l, err)
                     : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for shared places");
    for (size_t i = 0; st == HC_OK && i < l.n; i++) {
        bool is_first = strcmp(l.v[i].technique, "raking") == 0;
        for (size_t j = 0; is_first && j < i; j++) {
            is_first = strcmp(l.v[j].technique, "raking") != 0 ||
                       strcmp(l.v[j].state, l.v[i].state) != 0 || l.v[j].w != l.v[i].w ||
                       l.v[j].h != l.v[i].h;
        }
        if (is_first) {
            st = gather(s, w, &l, &l.v[i], p, err);
            st = st == HC_OK && s->n >= 3 ? share(w, s, p, err) : st;
            for (size_t k = 0; k < s->n; k++) {
                json_decref(s->m[k].fit);
            }
        }
    }
    hc_view_list_release(&l);
    hc_mem_free(s);
    return st;
}
