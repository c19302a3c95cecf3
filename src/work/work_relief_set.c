// The raking views of a state that can be used together.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "num/stats.h"
#include "work/work_relief_priv.h"

#define COARSE 0.7 // of the usual px per frame px (invented: half an octave)

// Why a raking view cannot stand beside the others; NULL when it can.
static const char *unfit(const struct hc_view *v)
{
    struct hc_work_place p = {0};
    const char *why = !hc_work_is_placed(v)                      ? "not placed in the frame"
                      : hc_work_place_read(&p, v, NULL) != HC_OK ? "its placement is damaged"
                      : p.is_detail ? "a detail: it does not cover the frame"
                                    : NULL;
    hc_work_place_release(&p);
    return why;
}

hc_status hc_work_open_as(struct hc_work *w, const struct hc_view *v, const struct hc_view *as,
                          struct hc_raster **out, struct hc_job *job, struct hc_err *err)
{
    char name[80], path[HC_WORK_PATH], inputs[HC_WORK_INPUTS];
    struct hc_derived had = {0};
    struct hc_painting p = {0};
    struct hc_raster *own = NULL;
    bool is_current;
    hc_status st = hc_work_framed(w, &p, err);
    snprintf(name, sizeof name, "view-%lld-as-%lld.raster", (long long)v->id, (long long)as->id);
    snprintf(inputs, sizeof inputs, "{\"sha256\":\"%.64s\",\"place\":\"%016llx\"}", v->sha256,
             (unsigned long long)hc_work_mark((const char *)as->frame_to_view,
                                              sizeof as->frame_to_view));
    is_current = st == HC_OK && hc_store_get_derived(w->store, name, &had, NULL) == HC_OK &&
                 strcmp(had.inputs, inputs) == 0;
    hc_derived_release(&had);
    if (st == HC_OK && !is_current) {
        st = hc_work_open_decoded(w, v, &own, err);
        st = st == HC_OK ? hc_store_derived_path(w->store, name, path, sizeof path, err) : st;
        st = st == HC_OK ? hc_work_place_raster(w, as, own, path, p.frame_w, p.frame_h, job, err)
                         : st;
        st = st == HC_OK ? hc_store_put_derived(w->store, name, "placed", inputs, err) : st;
        hc_raster_close(own);
    }
    hc_painting_release(&p);
    return st == HC_OK ? hc_work_open_derived(w, name, out, err) : st;
}

static bool wants(const char *polariser, const char *has, bool any_crossed)
{
    return polariser ? strcmp(has, polariser) == 0 : strcmp(has, any_crossed ? "crossed" : "") == 0;
}

static void lay_aside(struct hc_work_set *s, const struct hc_view *v, const char *why)
{
    if (s->left_aside < HC_RELIEF_MAX_LIGHTS) {
        s->aside[s->left_aside].v = v;
        s->aside[s->left_aside].why = why;
    }
    s->left_aside++;
}

static bool is_raking_of(const struct hc_view *v, const char *state)
{
    return strcmp(v->technique, "raking") == 0 && strcmp(v->state, state) == 0;
}

// Boards are photographed as raking views too, but belong to their lamps, not to the painting.
static bool is_board(struct hc_work *w, const struct hc_view_list *l, int64_t id)
{
    bool found = false;
    for (size_t i = 0; i < l->n && !found; i++) {
        struct hc_work_lamp lamp;
        found = strcmp(l->v[i].technique, "raking") == 0 &&
                hc_work_lamp_get(w, &l->v[i], &lamp, NULL) == HC_OK && lamp.flat == id;
    }
    return found;
}

static hc_status take_view(struct hc_work_set *s, struct hc_view *v,
                           const struct hc_work_lamp *lamp, struct hc_err *err)
{
    if (s->n == HC_RELIEF_MAX_LIGHTS) {
        return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM, "more than %d raking views in the state %s",
                          HC_RELIEF_MAX_LIGHTS, v->state);
    }
    s->v[s->n] = v;
    s->lamp[s->n] = *lamp;
    s->light[s->n++] = lamp->light;
    return HC_OK;
}

// Views much coarser than the others have lost the fine relief that is asked for.
static void drop_coarse(struct hc_work_set *s)
{
    double scale[HC_RELIEF_MAX_LIGHTS], sorted[HC_RELIEF_MAX_LIGHTS], usual;
    size_t kept = 0;
    for (size_t i = 0; i < s->n; i++) {
        const double *m = s->v[i]->frame_to_view; // view px per frame px by its linear part
        scale[i] = sorted[i] = sqrt(fabs(m[0] * m[4] - m[1] * m[3])) / fabs(m[8]);
    }
    usual = s->n ? hc_stats_median(sorted, s->n) : 0;
    for (size_t i = 0; i < s->n; i++) {
        if (scale[i] < COARSE * usual) {
            lay_aside(s, s->v[i], "much coarser than the others: fine relief is lost in it");
            continue;
        }
        s->v[kept] = s->v[i];
        s->lamp[kept] = s->lamp[i];
        s->light[kept++] = s->light[i];
    }
    s->n = kept;
}

hc_status hc_work_set_gather(struct hc_work_set *s, struct hc_work *w, const char *state,
                             const char *polariser, struct hc_err *err)
{
    bool any_crossed = false, has_any = false;
    hc_status st;
    memset(s, 0, sizeof *s);
    st = hc_store_views(w->store, &s->views, err);
    for (size_t i = 0; st == HC_OK && i < s->views.n; i++) {
        const struct hc_view *v = &s->views.v[i];
        struct hc_work_lamp lamp;
        any_crossed |= is_raking_of(v, state) && !unfit(v) &&
                       hc_work_lamp_get(w, v, &lamp, NULL) == HC_OK &&
                       strcmp(lamp.polariser, "crossed") == 0;
    }
    for (size_t i = 0; st == HC_OK && i < s->views.n; i++) {
        struct hc_view *v = &s->views.v[i];
        struct hc_work_lamp lamp;
        if (!is_raking_of(v, state)) {
            continue;
        }
        has_any = true;
        if (hc_work_lamp_get(w, v, &lamp, NULL) != HC_OK) {
            if (!is_board(w, &s->views, v->id)) {
                lay_aside(s, v,
                          v->has_light
                              ? "its lamp would not stand above the picture: halfclean lights"
                              : "nobody said where its lamp stood: halfclean lights");
            }
        } else if (unfit(v)) {
            lay_aside(s, v, unfit(v));
        } else if (wants(polariser, lamp.polariser, any_crossed)) {
            st = take_view(s, v, &lamp, err);
        } else if (!polariser) {
            lay_aside(s, v,
                      any_crossed ? "not through crossed polarisers like the others"
                                  : "through parallel polarisers, without the crossed views");
        }
    }
    if (st == HC_OK) {
        drop_coarse(s);
    }
    s->is_crossed = s->n > 0 && strcmp(s->lamp[0].polariser, "crossed") == 0;
    if (st == HC_OK && s->n < 3) {
        const char *why = s->left_aside ? s->aside[0].why : "";
        st = hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                        "relief needs 3 or more raking views of the state %s that are placed and "
                        "whose lamps are known; there %s %zu%s%.80s%s%.120s",
                        state, s->n == 1 ? "is" : "are", s->n,
                        !has_any        ? ": add them with --technique raking"
                        : s->left_aside ? "; view "
                                        : "",
                        s->left_aside ? s->aside[0].v->label : "", s->left_aside ? ": " : "", why);
    }
    return st;
}

void hc_work_set_release(struct hc_work_set *s)
{
    hc_view_list_release(&s->views);
    s->n = 0;
}

hc_status hc_work_relief_basis(struct hc_work *w, const struct hc_work_set *s, char out[17],
                               struct hc_err *err)
{
    struct hc_buf b = {0};
    struct hc_window_list l = {0};
    hc_status st = hc_store_windows(w->store, &l, err);
    for (size_t i = 0; i < s->n; i++) {
        const struct hc_view *v = s->v[i];
        const struct hc_relief_light *x = &s->light[i];
        hc_buf_printf(&b, "%lld %s %s %.9g %.9g %.9g %.9g %lld;", (long long)v->id, v->sha256,
                      v->verdict, x->dir[0], x->dir[1], x->is_near ? x->pos_mm[2] : 0.0,
                      v->frame_to_view[2], (long long)s->lamp[i].flat);
    }
    for (size_t i = 0; i < l.n; i++) {
        hc_buf_printf(&b, "%lld %s;", (long long)l.w[i].id, l.w[i].polygon);
    }
    st = st == HC_OK ? hc_buf_check(&b, err) : st;
    snprintf(out, 17, "%016llx", (unsigned long long)hc_work_mark(hc_buf_text(&b), b.len));
    hc_window_list_release(&l);
    hc_buf_release(&b);
    return st;
}
