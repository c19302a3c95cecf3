// The overview rendered once: how far the radius may go, what is refused, where the next window
// helps (theory 11).
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "forecast/forecast_priv.h"
#include "num/filter.h"
#include "num/stats.h"

#define WORST_SHARE 0.96  // the radius above which the worst 4 % lie is refused ...
#define ALWAYS_OF_USE 5.0 // ... but never one as small as this
#define BINS_L 12         // colour bins for the share of the picture: L* by 10 (and below, above)
#define BINS_AB 16        // a*, b* by 14 from -112

struct survey {
    const struct hc_forecast *f;
    const struct hc_forecast_input *in;
    struct hc_lin3 after;
    struct hc_plane radius, coat, reason;
};

// The overview has its own pixel size: one row at a time so that places stay right.
static void survey_rows(void *ctx, int block, int y0, int y1)
{
    struct survey *s = ctx;
    (void)block;
    fc_render_scaled(s->f,
                     &(struct hc_forecast_rows){
                         .before = s->in->over,
                         .uv = s->in->over_uv ? *s->in->over_uv : (struct hc_plane){0},
                         .zone = s->in->over_zone ? *s->in->over_zone : (struct hc_plane){0},
                         .after = s->after,
                         .radius = s->radius,
                         .coat = s->coat,
                         .reason = s->reason,
                     },
                     0, 0, s->in->over_cell_px, y0, y1);
}

static size_t accepted_radii(float *v, const struct survey *s)
{
    size_t n = 0;
    for (int y = 0; y < s->radius.h; y++) {
        for (int x = 0; x < s->radius.w; x++) {
            if (!(hc_plane_get(&s->reason, x, y) > 0)) {
                v[n++] = hc_plane_get(&s->radius, x, y);
            }
        }
    }
    return n;
}

static int bin_of(const double lab[3])
{
    int l = (int)floor(lab[0] / 10), a = (int)floor((lab[1] + 112) / 14),
        b = (int)floor((lab[2] + 112) / 14);
    l = l < 0 ? 0 : l >= BINS_L ? BINS_L - 1 : l;
    a = a < 0 ? 0 : a >= BINS_AB ? BINS_AB - 1 : a;
    b = b < 0 ? 0 : b >= BINS_AB ? BINS_AB - 1 : b;
    return (l * BINS_AB + a) * BINS_AB + b;
}

static void lab_at(double lab[3], const struct survey *s, int x, int y)
{
    double lin[3];
    for (int k = 0; k < 3; k++) {
        lin[k] = (double)hc_plane_get(&s->in->over.ch[k], x, y);
    }
    hc_colour_lin_to_lab_d50(lab, lin);
}

static const char *light_word(double l)
{
    return l < 25 ? "dark" : l < 50 ? "fairly dark" : l < 70 ? "fairly light" : "light";
}

static const char *hue_word(const double lab[3])
{
    static const char *const name[8] = {"red",   "orange", "yellow", "green",
                                        "green", "blue",   "blue",   "purple"};
    double h = atan2(lab[2], lab[1]) * 180 / 3.14159265358979;
    return hypot(lab[1], lab[2]) < 10 ? "neutral" : name[(int)floor((h + 360 + 10) / 45) % 8];
}

// Where the next window helps most: radius x share of the picture with this colour x distance from
// the colours the windows show, outside zones, later paint and signal faults; averaged over the
// size of a window, since it takes a place, not a pixel. The radius raster is 0 where refused, so
// it is taken from a rendering without limits.
struct score {
    struct hc_plane *to;
    const struct hc_forecast *f;
    const struct survey *s;
    const float *share;
    const struct hc_plane *open_radius;
};

static void score_rows(void *ctx, int block, int y0, int y1)
{
    const struct score *c = ctx;
    const struct survey *s = c->s;
    (void)block;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < c->to->w; x++) {
            int why = (int)hc_plane_get(&s->reason, x, y);
            double lab[3];
            if (why == HC_REFUSAL_ZONE || why == HC_REFUSAL_SIGNAL || why == HC_REFUSAL_COAT ||
                why == HC_REFUSAL_UNSEEN) {
                continue;
            }
            lab_at(lab, s, x, y);
            hc_plane_row(c->to, y)[x] = hc_plane_get(c->open_radius, x, y) * c->share[bin_of(lab)] *
                                        (float)fc_colour_distance(c->f, lab);
        }
    }
}

static hc_status score_places(struct hc_plane *score, const struct hc_forecast *f,
                              const struct survey *s, const float *share,
                              const struct hc_plane *open_radius, struct hc_par *par,
                              struct hc_err *err)
{
    struct score c = {score, f, s, share, open_radius};
    hc_par_rows(par, score->h, score_rows, &c);
    return hc_filter_gauss(score, score, score->w > 640 ? score->w / 320.0 : 2.0, err);
}

static hc_status find_next(struct hc_forecast *f, const struct survey *s, const float *share,
                           const struct hc_plane *open_radius, struct hc_par *par,
                           struct hc_err *err)
{
    struct hc_plane score = {0};
    double lab[3], n = (double)s->radius.w * s->radius.h;
    int bx = 0, by = 0;
    hc_status st = hc_plane_create(&score, s->radius.w, s->radius.h, err);
    if (st == HC_OK) {
        st = score_places(&score, f, s, share, open_radius, par, err);
    }
    for (int y = 0; y < score.h && st == HC_OK; y++) {
        for (int x = 0; x < score.w; x++) {
            if (hc_plane_get(&score, x, y) > hc_plane_get(&score, bx, by)) {
                bx = x;
                by = y;
            }
        }
    }
    f->sum.has_next = st == HC_OK && hc_plane_get(&score, bx, by) > 0;
    if (f->sum.has_next) {
        lab_at(lab, s, bx, by);
        f->sum.next_x_px = (bx + 0.5) * s->in->over_cell_px;
        f->sum.next_y_px = (by + 0.5) * s->in->over_cell_px;
        snprintf(
            f->sum.next_why, sizeof f->sum.next_why,
            "a %s %s passage (L* %.0f): %.1f %% of the picture looks like it, its radius is %.1f "
            "and the nearest colours in a window are %.0f Lab units away; no other place has a "
            "larger product of the three",
            light_word(lab[0]), hue_word(lab), lab[0], 100 * (double)share[bin_of(lab)] / n,
            (double)hc_plane_get(open_radius, bx, by), 8 * fc_colour_distance(f, lab));
    }
    hc_plane_release(&score);
    return st;
}

static void count_shares(struct hc_forecast *f, const struct survey *s)
{
    double n = (double)s->reason.w * s->reason.h;
    for (int y = 0; y < s->reason.h; y++) {
        for (int x = 0; x < s->reason.w; x++) {
            f->sum.refused_share[(int)hc_plane_get(&s->reason, x, y)] += 1 / n;
        }
    }
}

static hc_status survey_make(struct survey *s, int w, int h, struct hc_err *err)
{
    hc_status st = hc_lin3_create(&s->after, w, h, err);
    struct hc_plane *p[3] = {&s->radius, &s->coat, &s->reason};
    for (int i = 0; i < 3 && st == HC_OK; i++) {
        st = hc_plane_create(p[i], w, h, err);
    }
    return st;
}

hc_status fc_survey(struct hc_forecast *f, const struct hc_forecast_input *in, struct hc_par *par,
                    struct hc_err *err)
{
    struct survey s = {.f = f, .in = in};
    int w = in->over.ch[0].w, h = in->over.ch[0].h;
    size_t n = (size_t)w * (size_t)h, m;
    enum hc_refusal all = f->all;
    double colour_limit;
    float *v = hc_mem_array(n, sizeof *v),
          *share = hc_mem_array(BINS_L * BINS_AB * BINS_AB, sizeof *share);
    struct hc_plane open_radius = {0};
    hc_status st = v && share
                       ? survey_make(&s, w, h, err)
                       : hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for the overview");
    if (st == HC_OK) {
        st = hc_plane_create(&open_radius, w, h, err);
    }
    if (st != HC_OK) {
        goto done;
    }
    // Colour limit off: the radius of unseen colours is wanted for "next window".
    colour_limit = f->colour_limit;
    f->all = HC_REFUSAL_NONE;
    f->colour_limit = HUGE_VAL;
    hc_par_rows(par, h, survey_rows, &s);
    hc_plane_copy(&open_radius, &s.radius);
    f->colour_limit = colour_limit;
    hc_par_rows(par, h, survey_rows, &s);
    m = accepted_radii(v, &s);
    if (m > 0) {
        double worst = (double)hc_stats_quantile_f(v, m, WORST_SHARE);
        f->radius_limit = worst > ALWAYS_OF_USE ? worst : ALWAYS_OF_USE;
    }
    if (in->radius_limit > 0 && in->radius_limit < f->radius_limit) {
        f->radius_limit = in->radius_limit;
    }
    f->all = all;
    hc_par_rows(par, h, survey_rows, &s);
    count_shares(f, &s);
    m = accepted_radii(v, &s);
    f->sum.radius_median = (double)hc_stats_quantile_f(v, m, 0.5);
    f->sum.radius_p95 = (double)hc_stats_quantile_f(v, m, 0.95);
    for (int y = 0; y < h; y++) {
        for (int x = 0; x < w; x++) {
            double lab[3];
            lab_at(lab, &s, x, y);
            share[bin_of(lab)] += 1;
        }
    }
    st = find_next(f, &s, share, &open_radius, par, err);
done:
    hc_lin3_release(&s.after);
    hc_plane_release(&s.radius);
    hc_plane_release(&s.coat);
    hc_plane_release(&s.reason);
    hc_plane_release(&open_radius);
    hc_mem_free(v);
    hc_mem_free(share);
    return st;
}
