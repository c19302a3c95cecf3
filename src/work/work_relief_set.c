// The raking views of a state that can be used together.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_relief_priv.h"

static bool covers_frame(const struct hc_view *v)
{
    struct hc_work_place p = {0};
    bool is_whole =
        hc_work_is_placed(v) && hc_work_place_read(&p, v, NULL) == HC_OK && !p.is_detail;
    hc_work_place_release(&p);
    return is_whole;
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

hc_status hc_work_set_gather(struct hc_work_set *s, struct hc_work *w, const char *state,
                             const char *polariser, struct hc_err *err)
{
    struct hc_err why = {0};
    bool any_crossed = false, has_any = false;
    hc_status st;
    memset(s, 0, sizeof *s);
    st = hc_store_views(w->store, &s->views, err);
    for (int pass = 0; st == HC_OK && pass < 2; pass++) {
        for (size_t i = 0; i < s->views.n; i++) {
            struct hc_view *v = &s->views.v[i];
            struct hc_work_lamp lamp;
            if (strcmp(v->technique, "raking") != 0 || strcmp(v->state, state) != 0) {
                continue;
            }
            has_any = true;
            if (hc_work_lamp_get(w, v, &lamp, &why) != HC_OK || !covers_frame(v)) {
                s->left_aside += pass == 0;
            } else if (pass == 0) {
                any_crossed |= strcmp(lamp.polariser, "crossed") == 0;
            } else if (wants(polariser, lamp.polariser, any_crossed)) {
                if (s->n == HC_RELIEF_MAX_LIGHTS) {
                    return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM,
                                      "more than %d raking views in the state %s",
                                      HC_RELIEF_MAX_LIGHTS, state);
                }
                s->v[s->n] = v;
                s->lamp[s->n] = lamp;
                s->light[s->n++] = lamp.light;
            }
        }
    }
    s->is_crossed = s->n > 0 && strcmp(s->lamp[0].polariser, "crossed") == 0;
    if (st == HC_OK && s->n < 3) {
        st = hc_err_set(err, HC_EREFUSED, HC_WORK_ROOM,
                        "relief needs 3 or more raking views of the state %s that are placed and "
                        "whose lamps are known; there %s %zu%s%.200s",
                        state, s->n == 1 ? "is" : "are", s->n,
                        !has_any    ? ": add them with --technique raking"
                        : *why.what ? ": "
                                    : "",
                        why.what);
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
