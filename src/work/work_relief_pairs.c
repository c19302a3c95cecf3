// Windows beside their varnished neighbours: how much of the relief the coat hides.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_relief_priv.h"

#define INSET_MM 0.5 // of a window: the solvent's edge is neither cleaned nor varnished
#define APART_MM 1.0 // the neighbour keeps away from windows and zones
#define RING_MM 5.0  // the neighbour reaches this far: brushwork changes with distance
#define ACROSS 4.0   // longest details across a window: about a dozen patches for the interval
#define OCTAVES 3.0 // a band reaches at least from its short limit to this many times it (invented)

struct outline {
    struct hc_pt *pt;
    size_t n;
};

struct outlines {
    struct outline *o;
    size_t n;
};

static void outlines_release(struct outlines *l)
{
    for (size_t i = 0; l->o && i < l->n; i++) {
        hc_mem_free(l->o[i].pt);
    }
    hc_mem_free(l->o);
    *l = (struct outlines){0};
}

// Windows first, in their order, then zones.
static hc_status outlines_read(struct outlines *out, struct hc_work *w,
                               const struct hc_window_list *windows, struct hc_err *err)
{
    struct hc_zone_list zones = {0};
    hc_status st = hc_store_zones(w->store, &zones, err);
    if (st == HC_OK) {
        out->o = hc_mem_array(windows->n + zones.n + 1, sizeof *out->o);
        st = out->o ? HC_OK : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory");
    }
    for (size_t i = 0; st == HC_OK && i < windows->n + zones.n; i++) {
        const char *text = i < windows->n ? windows->w[i].polygon : zones.z[i - windows->n].polygon;
        struct outline *o = &out->o[out->n];
        st = hc_work_poly_parse(&o->pt, &o->n, text, err);
        out->n += st == HC_OK;
    }
    hc_zone_list_release(&zones);
    return st;
}

// A point is well inside or well away when it and eight points round it are.
static bool is_all(const struct outline *o, struct hc_pt q, double reach, bool inside)
{
    for (int k = 0; k < 9; k++) {
        double a = k * M_PI / 4, r = k < 8 ? reach : 0;
        struct hc_pt at = {q.x + r * cos(a), q.y + r * sin(a)};
        if (hc_poly_has(o->pt, o->n, at) != inside) {
            return false;
        }
    }
    return true;
}

struct crop {
    struct hc_work_rect at;
    struct hc_plane band[3], inside, beside;
};

static void crop_release(struct crop *c)
{
    for (int k = 0; k < 3; k++) {
        hc_plane_release(&c->band[k]);
    }
    hc_plane_release(&c->inside);
    hc_plane_release(&c->beside);
}

static hc_status crop_read(struct crop *c, const struct hc_raster *slopes, const struct outlines *l,
                           size_t which, double mm, struct hc_err *err)
{
    const struct outline *own = &l->o[which];
    struct hc_box b = hc_poly_box(own->pt, own->n);
    double ring = (RING_MM + APART_MM) / mm;
    hc_status st;
    c->at.x0 = (int)fmax(0, floor(b.x0 - ring));
    c->at.y0 = (int)fmax(0, floor(b.y0 - ring));
    c->at.w = (int)fmin(hc_raster_w(slopes), ceil(b.x1 + ring)) - c->at.x0;
    c->at.h = (int)fmin(hc_raster_h(slopes), ceil(b.y1 + ring)) - c->at.y0;
    st = hc_work_read_rect(slopes, c->at, c->band, err);
    st = st == HC_OK ? hc_plane_create(&c->inside, c->at.w, c->at.h, err) : st;
    st = st == HC_OK ? hc_plane_create(&c->beside, c->at.w, c->at.h, err) : st;
    for (int y = 0; st == HC_OK && y < c->at.h; y++) {
        for (int x = 0; x < c->at.w; x++) {
            struct hc_pt q = {c->at.x0 + x + 0.5, c->at.y0 + y + 0.5};
            bool is_answered = hc_plane_get(&c->band[2], x, y) >= 0.0f;
            bool is_away = is_answered;
            for (size_t i = 0; is_away && i < l->n; i++) {
                is_away = is_all(&l->o[i], q, APART_MM / mm, false);
            }
            hc_plane_row(&c->inside, y)[x] =
                is_answered && is_all(own, q, INSET_MM / mm, true) ? 1.0f : 0.0f;
            hc_plane_row(&c->beside, y)[x] = is_away ? 1.0f : 0.0f;
        }
    }
    return st;
}

static double mean_sd(const struct crop *c)
{
    double sum = 0;
    size_t n = 0;
    for (int y = 0; y < c->at.h; y++) {
        for (int x = 0; x < c->at.w; x++) {
            double sd = (double)hc_plane_get(&c->band[2], x, y);
            if (sd >= 0) {
                sum += sd * sd;
                n++;
            }
        }
    }
    return n ? sqrt(sum / (double)n) : 0;
}

// ---- windows and neighbours ----

// One band for all pairs, since their gains are put together: as long as the figures' band, but
// short enough for the smallest window that can bear a band at all.
static struct hc_relief_band pair_band(const struct outlines *l, const bool *is_open,
                                       size_t n_windows, struct hc_relief_band band, double mm)
{
    double least = OCTAVES * band.short_mm;
    struct hc_relief_band out = {band.short_mm, fmax(band.long_mm, least)};
    for (size_t i = 0; i < n_windows; i++) {
        struct hc_box b = hc_poly_box(l->o[i].pt, l->o[i].n);
        double area = hc_poly_area(l->o[i].pt, l->o[i].n);
        double side = fmin(fmin(b.x1 - b.x0, b.y1 - b.y0), sqrt(area)) * mm - 2 * INSET_MM;
        if (is_open[i] && side / ACROSS >= least) {
            out.long_mm = fmin(out.long_mm, side / ACROSS);
        }
    }
    return out;
}

static hc_status one_pair(struct hc_relief_pair *out, struct hc_work *w,
                          const struct hc_raster *slopes, const struct outlines *l, size_t which,
                          const struct hc_relief_pair_input *base, struct hc_err *err)
{
    struct crop c = {0};
    struct hc_relief_pair_input in = *base;
    hc_status st = crop_read(&c, slopes, l, which, base->mm_per_px, err);
    in.p = &c.band[0];
    in.q = &c.band[1];
    in.window = &c.inside;
    in.neighbour = &c.beside;
    in.noise_sd = mean_sd(&c);
    st = st == HC_OK ? hc_relief_window_pair(out, &in, w->par, err) : st;
    crop_release(&c);
    return st;
}

// Which windows were open when the raking views of this state were taken.
static hc_status find_open(bool *is_open, struct hc_work *w, const struct hc_window_list *windows,
                           const char *state, struct hc_err *err)
{
    hc_status st = HC_OK;
    for (size_t i = 0; st == HC_OK && i < windows->n; i++) {
        struct hc_view test = {0};
        st = hc_store_view_by_id(w->store, windows->w[i].test_view, &test, err);
        is_open[i] = st == HC_OK && strcmp(test.state, state) == 0;
        hc_view_release(&test);
    }
    return st;
}

hc_status hc_work_relief_pairs(struct hc_work_relief_pairs *out, struct hc_work *w,
                               const struct hc_work_relief_run *r, struct hc_job *job,
                               struct hc_err *err)
{
    struct hc_window_list windows = {0};
    struct outlines l = {0};
    struct hc_raster *slopes = NULL;
    bool *is_open = NULL;
    struct hc_relief_pair_input base = {.mm_per_px = r->mm,
                                        .reading = hc_relief_reading(r->set.light, r->set.n, 1.5),
                                        .is_crossed = r->set.is_crossed,
                                        .seed = 1};
    hc_status st = hc_store_windows(w->store, &windows, err);
    memset(out, 0, sizeof *out);
    st = st == HC_OK ? outlines_read(&l, w, &windows, err) : st;
    st = st == HC_OK ? hc_work_open_derived(w, r->slopes, &slopes, err) : st;
    if (st == HC_OK) {
        out->pair = hc_mem_array(windows.n + 1, sizeof *out->pair);
        out->label = hc_mem_array(windows.n + 1, sizeof *out->label);
        is_open = hc_mem_array(windows.n + 1, sizeof *is_open);
        st = out->pair && out->label && is_open
                 ? HC_OK
                 : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the windows");
    }
    st = st == HC_OK ? find_open(is_open, w, &windows, r->req->state, err) : st;
    if (st == HC_OK) {
        out->band = base.band = pair_band(&l, is_open, windows.n, r->band, r->mm);
    }
    for (size_t i = 0; st == HC_OK && i < windows.n; i++) {
        st = hc_job_step(job, (double)i / (double)windows.n, "comparing windows with neighbours",
                         err);
        if (st == HC_OK && is_open[i]) {
            snprintf(out->label[out->n], sizeof out->label[out->n], "%.79s", windows.w[i].label);
            st = one_pair(&out->pair[out->n], w, slopes, &l, i, &base, err);
            out->n += st == HC_OK;
        }
    }
    if (st == HC_OK) {
        hc_relief_forecast_pairs(&out->forecast, out->pair, out->n, base.band);
    }
    hc_raster_close(slopes);
    outlines_release(&l);
    hc_mem_free(is_open);
    hc_window_list_release(&windows);
    return st;
}

void hc_work_relief_pairs_release(struct hc_work_relief_pairs *p)
{
    hc_mem_free(p->pair);
    hc_mem_free(p->label);
    *p = (struct hc_work_relief_pairs){0};
}

void hc_work_relief_pairs_json(struct hc_buf *b, const struct hc_work_relief_pairs *p)
{
    hc_json_key(b, "windows_band");
    hc_json_obj(b);
    hc_json_knum(b, "short_mm", p->band.short_mm);
    hc_json_knum(b, "long_mm", p->band.long_mm);
    hc_json_end_obj(b);
    hc_json_key(b, "windows");
    hc_json_arr(b);
    for (size_t i = 0; i < p->n; i++) {
        const struct hc_relief_pair *x = &p->pair[i];
        hc_json_obj(b);
        hc_json_kstr(b, "label", p->label[i]);
        hc_json_kint(b, "refusal", x->refusal);
        hc_json_kstr(b, "why", *x->why ? x->why : hc_relief_refusal_text(x->refusal));
        if (x->refusal == HC_RELIEF_GIVEN) {
            hc_work_relief_interval_json(b, "ratio", x->ratio);
            hc_work_relief_interval_json(b, "retained", x->retained);
        }
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_json_key(b, "forecast");
    hc_json_obj(b);
    hc_json_kint(b, "refusal", p->forecast.refusal);
    hc_json_kint(b, "pairs", p->forecast.pairs);
    hc_json_kstr(b, "what",
                 *p->forecast.what ? p->forecast.what
                                   : hc_relief_refusal_text(p->forecast.refusal));
    if (p->forecast.refusal == HC_RELIEF_GIVEN) {
        hc_work_relief_interval_json(b, "gain", p->forecast.gain);
    }
    hc_json_end_obj(b);
}
