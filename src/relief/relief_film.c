// Two surfaces from one set: gates, solution, what is retained (theory, section 6).
#include "relief/relief_film.h"

#include "base/mem.h"
#include "num/filter.h"
#include "num/stats.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define MIN_COVERAGE 0.6
#define MIN_NEAR 8
#define MIN_BARE_RATIO 1.05 // misfit of bare paint over that of the film
#define MIN_LOBE 0.5        // width of the highlight over the lamps' spacing (from our simulations)
#define FILL_RESIDUAL_DEG 0.5

static hc_status refuse(struct hc_relief_film *out, enum hc_relief_refusal r, const char *more)
{
    hc_relief_film_release(out);
    out->refusal = r;
    snprintf(out->why, sizeof out->why, "Not given: %s%s.", hc_relief_refusal_text(r), more);
    return HC_OK;
}

void hc_relief_film_release(struct hc_relief_film *f)
{
    hc_plane_release(&f->paint_p);
    hc_plane_release(&f->paint_q);
    hc_plane_release(&f->film_p);
    hc_plane_release(&f->film_q);
}

// ---- preparing ----

static enum hc_relief_refusal rig_gate(struct hc_relief_film_work *w, struct hc_relief_film *out)
{
    int lobes = 0, raking = 0;
    for (int k = 0; k < w->n; k++) {
        const double *l = w->in->lights[k].dir;
        w->zenith[k] = acos(fmin(1, fmax(0, l[2]))) * 180 / M_PI;
        w->facet[k][0] = -l[0] / (1 + l[2]);
        w->facet[k][1] = -l[1] / (1 + l[2]);
        w->has_lobe[k] = w->zenith[k] <= HC_RELIEF_LOBE_ZENITH;
        lobes += w->has_lobe[k];
        raking += w->zenith[k] >= HC_RELIEF_RAKE_ZENITH;
        out->near_axis += w->zenith[k] <= HC_RELIEF_NEAR_AXIS_DEG;
    }
    return lobes == 0                  ? HC_RELIEF_RAKING_ONLY
           : out->near_axis < MIN_NEAR ? HC_RELIEF_FEW_NEAR
           : raking < 4                ? HC_RELIEF_ONE_HEIGHT
                                       : HC_RELIEF_GIVEN;
}

static hc_status check(const struct hc_relief_film_input *in, struct hc_err *err)
{
    if (in->n < 3 || in->n > HC_RELIEF_MAX_LIGHTS || !in->plain || !(in->mm_per_px > 0) ||
        (in->index > 0 && !(in->index > 1.2 && in->index < 2)) || in->white < 0 ||
        in->film_guess_mm < 0 || in->film_guess_mm > 1) {
        return hc_err_set(
            err, HC_EARG, "relief",
            "two surfaces need 3 to 64 views, a scale, an index between 1.2 and 2, and "
            "a thickness guess up to 1 mm");
    }
    for (size_t k = 0; k < in->n; k++) {
        const struct hc_plane *p[2] = {&in->plain[k], in->crossed ? &in->crossed[k] : NULL};
        for (int i = 0; i < 2; i++) {
            if (p[i] && (p[i]->w != in->plain[0].w || p[i]->h != in->plain[0].h)) {
                return hc_err_set(err, HC_EDATA, "relief",
                                  "view %zu measures %d x %d px, the first "
                                  "%d x %d",
                                  k + 1, p[i]->w, p[i]->h, in->plain[0].w, in->plain[0].h);
            }
        }
        if (!(in->lights[k].dir[2] > 0)) {
            return hc_err_set(err, HC_EARG, "relief", "lamp %zu lies below the picture plane",
                              k + 1);
        }
    }
    if (in->mask && (in->mask->w != in->plain[0].w || in->mask->h != in->plain[0].h)) {
        return hc_err_set(err, HC_EARG, "relief", "the mask and the views differ in size");
    }
    return HC_OK;
}

static hc_status prepare(struct hc_relief_film_work *w, struct hc_err *err)
{
    struct hc_plane *plane[5] = {&w->p, &w->q, &w->lobe2, &w->strength, &w->seen};
    hc_status st = HC_OK;
    for (int i = 0; i < 5 && st == HC_OK; i++) {
        st = hc_plane_create(plane[i], w->w, w->h, err);
    }
    for (int k = 0; k < w->n && st == HC_OK; k++) {
        st = hc_plane_create(&w->diffuse[k], w->w, w->h, err);
        if (st == HC_OK) {
            hc_plane_copy(&w->diffuse[k], w->in->crossed ? &w->in->crossed[k] : &w->in->plain[k]);
        }
    }
    return st;
}

static void drop(struct hc_relief_film_work *w)
{
    struct hc_plane *plane[5] = {&w->p, &w->q, &w->lobe2, &w->strength, &w->seen};
    for (int i = 0; i < 5; i++) {
        hc_plane_release(plane[i]);
    }
    for (int k = 0; k < w->n; k++) {
        hc_plane_release(&w->diffuse[k]);
    }
}

// A highlight counts above 3 % of the usual brightest one and above half a per cent of full scale.
static hc_status set_floor(struct hc_relief_film_work *w, const struct hc_plane *spec,
                           struct hc_err *err)
{
    size_t n = (size_t)w->w * (size_t)w->h;
    float *top = hc_mem_array(n, sizeof *top);
    if (!top) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for highlights");
    }
    for (int k = 0; k < w->n; k++) {
        for (size_t i = 0; w->has_lobe[k] && i < n; i++) {
            float v = hc_plane_get(&spec[k], (int)(i % (size_t)w->w), (int)(i / (size_t)w->w));
            top[i] = v > top[i] ? v : top[i];
        }
    }
    w->floor_signal = fmax(0.005, 0.03 * (double)hc_stats_quantile_f(top, n, 0.5));
    hc_mem_free(top);
    return HC_OK;
}

// ---- light that was reflected inside the film ----

// r_i of a flat film surface by index (fit through computed values .5645 .5963 .6250 at 1.45, 1.5,
// 1.55; methods study).
static double inner_reflectance(double n)
{
    return 0.5963 + 0.605 * (n - 1.5) - 0.62 * (n - 1.5) * (n - 1.5);
}

// diffuse <- diffuse - rho r_i (G * diffuse). The reflectance follows from a perfect white's
// signal: seen through the film, rho / (1 - rho r_i) T_v / n^2 times T cos z.
static hc_status take_inner_light(struct hc_relief_film_work *w, struct hc_err *err)
{
    struct hc_plane spread = {0}, rho = {0};
    double ri = inner_reflectance(w->index), tv = hc_relief_fresnel_t(1, w->index), even = 0;
    hc_status st = hc_plane_create(&spread, w->w, w->h, err);
    st = st == HC_OK ? hc_plane_create(&rho, w->w, w->h, err) : st;
    for (int k = 0; k < w->n && st == HC_OK; k++) {
        double c = w->in->lights[k].dir[2];
        even += c * hc_relief_fresnel_t(c, w->index) / w->n;
        for (int i = 0; i < w->w * w->h; i++) {
            rho.px[i] += w->diffuse[k].px[i] / (float)w->n;
        }
    }
    st = st == HC_OK ? hc_filter_gauss(&rho, &rho, 4, err) : st;
    for (int i = 0; st == HC_OK && i < w->w * w->h; i++) {
        double m = (double)rho.px[i] * w->index * w->index / (w->in->white * tv * even);
        rho.px[i] = (float)fmin(0.95, m / (1 + m * ri));
    }
    for (int k = 0; k < w->n && st == HC_OK; k++) {
        st = hc_filter_gauss(&spread, &w->diffuse[k], 1.2 * w->film_mm / w->mm, err);
        for (int i = 0; st == HC_OK && i < w->w * w->h; i++) {
            w->diffuse[k].px[i] -= rho.px[i] * (float)ri * spread.px[i];
        }
    }
    hc_plane_release(&spread);
    hc_plane_release(&rho);
    return st;
}

// ---- the two surfaces ----

static hc_status with_crossed(struct hc_relief_film_work *w, struct hc_err *err)
{
    struct hc_plane spec[HC_RELIEF_MAX_LIGHTS] = {{0}};
    hc_status st = HC_OK;
    for (int k = 0; k < w->n && st == HC_OK; k++) {
        if (!w->has_lobe[k]) {
            continue;
        }
        st = hc_plane_create(&spec[k], w->w, w->h, err);
        for (int i = 0; st == HC_OK && i < w->w * w->h; i++) {
            int x = i % w->w, y = i / w->w;
            spec[k].px[i] =
                hc_plane_get(&w->in->plain[k], x, y) - hc_plane_get(&w->in->crossed[k], x, y);
        }
    }
    st = st == HC_OK ? set_floor(w, spec, err) : st;
    st = st == HC_OK ? hc_relief_lobe_fit(w, spec, err) : st;
    for (int k = 0; k < w->n; k++) {
        hc_plane_release(&spec[k]);
    }
    return st;
}

// Without a polariser: what exceeds the light that the paint should send is the highlight; the
// paint is solved from what is left, and so on.
static hc_status without_crossed(struct hc_relief_film_work *w, struct hc_job *job,
                                 struct hc_err *err)
{
    struct hc_plane spec[HC_RELIEF_MAX_LIGHTS] = {{0}};
    struct hc_relief_under under = {{0}, {0}, {0}, {0}};
    bool has_lobe[HC_RELIEF_MAX_LIGHTS];
    hc_status st = HC_OK;
    memcpy(has_lobe, w->has_lobe, sizeof has_lobe);
    for (int k = 0; k < w->n && st == HC_OK; k++) {
        st = has_lobe[k] ? hc_plane_create(&spec[k], w->w, w->h, err) : HC_OK;
    }
    // First guess of the highlights: all above the darkest third of near-axis views, pixel by
    // pixel.
    for (int i = 0; st == HC_OK && i < w->w * w->h; i++) {
        double v[HC_RELIEF_MAX_LIGHTS];
        size_t n = 0;
        int x = i % w->w, y = i / w->w;
        for (int k = 0; k < w->n; k++) {
            if (has_lobe[k]) {
                v[n++] = (double)hc_plane_get(&w->in->plain[k], x, y) / w->in->lights[k].dir[2];
            }
        }
        double base = hc_stats_quantile(v, n, 0.3);
        for (int k = 0; k < w->n; k++) {
            if (has_lobe[k]) {
                spec[k].px[i] = (float)fmax(0, (double)hc_plane_get(&w->in->plain[k], x, y) -
                                                   base * w->in->lights[k].dir[2]);
            }
        }
    }
    for (int round = 0; round < 4 && st == HC_OK; round++) {
        st = hc_job_step(job, 0.1 + 0.15 * round, "telling highlights from paint", err);
        st = st == HC_OK ? set_floor(w, spec, err) : st;
        st = st == HC_OK ? hc_relief_lobe_fit(w, spec, err) : st;
        st = st == HC_OK && round < 3 ? hc_relief_under_solve(&under, w, 0, 1, false, err) : st;
        for (int k = 0; k < w->n && st == HC_OK && round < 3; k++) {
            for (int i = 0; has_lobe[k] && i < w->w * w->h; i++) {
                int x = i % w->w, y = i / w->w;
                double d = hc_relief_under_signal(&under, w, k, x, y);
                spec[k].px[i] = (float)fmax(0, (double)hc_plane_get(&w->in->plain[k], x, y) - d);
            }
        }
    }
    for (int k = 0; k < w->n; k++) {
        hc_plane_release(&spec[k]);
    }
    hc_relief_under_release(&under);
    return st;
}

// What the lobe leaves in the samples of an unpolarised view comes off before the last solution.
static void take_lobes(struct hc_relief_film_work *w)
{
    for (int k = 0; k < w->n; k++) {
        for (int i = 0; i < w->w * w->h; i++) {
            double s = hc_relief_lobe_value(w, k, i % w->w, i / w->w);
            double c = w->in->lights[k].dir[2];
            // Fresnel and foreshortening away from the axis are left out: near-axis lamps only.
            w->diffuse[k].px[i] -= w->has_lobe[k] ? (float)(s * fmin(1, c / 0.9)) : 0.0f;
        }
    }
}

static double mean_misfit(const struct hc_relief_under *u, const struct hc_relief_film_work *w)
{
    double s = 0, n = 0;
    for (int i = 0; i < w->w * w->h; i++) {
        if (u->rho.px[i] > 0.0f && hc_relief_keep(w->in->mask, i % w->w, i / w->w) > 0) {
            s += (double)(u->misfit.px[i] / (u->rho.px[i] * u->rho.px[i]));
            n++;
        }
    }
    return n > 0 ? sqrt(s / n) : 0;
}

static double coverage(const struct hc_relief_film_work *w)
{
    double s = 0, n = 0;
    for (int i = 0; i < w->w * w->h; i++) {
        double k = hc_relief_keep(w->in->mask, i % w->w, i / w->w);
        s += k * (double)w->seen.px[i];
        n += k;
    }
    return n > 0 ? s / n : 0;
}

static void say(struct hc_relief_film *out, const struct hc_relief_film_input *in,
                struct hc_relief_band band)
{
    const struct hc_relief_interval *r = &out->retained;
    int n = snprintf(out->why, sizeof out->why,
                     "In details of %.3g to %.3g mm the varnish surface keeps about %.2f of the "
                     "paint's relief (%.2f to %.2f; not yet validated on real paintings%s%s).",
                     band.short_mm, band.long_mm, r->value, r->low, r->high,
                     in->crossed ? "" : "; without polarisers it tends to read low",
                     in->white > 0 ? ""
                                   : "; light reflected inside the film is uncorrected for want "
                                     "of a white, so it reads high");
    size_t at = n > 0 && (size_t)n < sizeof out->why ? (size_t)n : sizeof out->why - 1;
    if (out->has_fill) {
        snprintf(out->why + at, sizeof out->why - at,
                 " The filling varies by %.0f um rms (%.0f to %.0f); its mean thickness cannot be "
                 "seen.",
                 out->fill_um.value, out->fill_um.low, out->fill_um.high);
    } else {
        snprintf(out->why + at, sizeof out->why - at, " No micrometres: %s.",
                 out->coverage < HC_RELIEF_FULL_COVERAGE
                     ? "highlights cover too little for that"
                     : "lamp directions are not known to half a degree");
    }
}

// Usual width of the lobe over the usual distance of a lamp's mirroring slope from its neighbour's.
static double lobe_spacing(const struct hc_relief_film_work *w)
{
    double gap[HC_RELIEF_MAX_LIGHTS], width = 0, seen = 0;
    size_t n = 0;
    for (int k = 0; k < w->n; k++) {
        double near = 1e9;
        for (int j = 0; j < w->n; j++) {
            if (j != k && w->has_lobe[j]) {
                near = fmin(
                    near, hypot(w->facet[k][0] - w->facet[j][0], w->facet[k][1] - w->facet[j][1]));
            }
        }
        if (w->has_lobe[k]) {
            gap[n++] = near;
        }
    }
    for (int i = 0; i < w->w * w->h; i++) {
        bool is_seen = w->seen.px[i] > 0.5f && hc_relief_keep(w->in->mask, i % w->w, i / w->w) > 0;
        width += is_seen ? sqrt((double)w->lobe2.px[i]) : 0;
        seen += is_seen;
    }
    return seen > 0 ? width / seen / fmax(1e-6, hc_stats_median(gap, n)) : 0;
}

struct solution {
    struct hc_relief_under all, bare, half[2]; // half: from every second lamp
    struct hc_plane film[2];                   // band-limited
    struct hc_plane told;                      // mask of the figures: where highlights were seen
};

// Is there a film, and was its surface seen?
static hc_status film_gates(struct hc_relief_film *out, struct solution *s,
                            struct hc_relief_film_work *w, struct hc_job *job, struct hc_err *err)
{
    hc_status st = hc_relief_under_solve(&s->all, w, 0, 1, false, err);
    st = st == HC_OK ? hc_job_step(job, 0.7, "comparing with bare paint", err) : st;
    st = st == HC_OK ? hc_relief_under_solve(&s->bare, w, 0, 1, true, err) : st;
    if (st != HC_OK) {
        return st;
    }
    double film = mean_misfit(&s->all, w);
    out->coverage = coverage(w);
    out->bare_ratio = film > 0 ? mean_misfit(&s->bare, w) / film : 1;
    if (out->bare_ratio < MIN_BARE_RATIO) {
        return refuse(out, HC_RELIEF_NO_FILM, "");
    }
    if (out->coverage < MIN_COVERAGE) {
        return refuse(out, HC_RELIEF_COVERAGE, "");
    }
    return lobe_spacing(w) < MIN_LOBE ? refuse(out, HC_RELIEF_NARROW, "") : HC_OK;
}

static hc_status compare_surfaces(struct hc_relief_film *out, struct solution *s,
                                  struct hc_relief_film_work *w, struct hc_relief_band band,
                                  struct hc_err *err)
{
    struct hc_plane *f[6] = {&s->half[0].p, &s->half[0].q, &s->half[1].p,
                             &s->half[1].q, &s->film[0],   &s->film[1]};
    struct hc_relief_dots d = {0};
    hc_status st = HC_OK;
    for (int i = 0; i < 2 && st == HC_OK; i++) {
        st = hc_relief_under_solve(&s->half[i], w, i, 2, false, err);
        st = st == HC_OK ? hc_plane_create(&s->film[i], w->w, w->h, err) : st;
    }
    st = st == HC_OK ? hc_plane_create(&s->told, w->w, w->h, err) : st;
    for (int i = 0; st == HC_OK && i < w->w * w->h; i++) {
        s->told.px[i] = w->seen.px[i] * (float)hc_relief_keep(w->in->mask, i % w->w, i / w->w);
    }
    if (st == HC_OK) {
        hc_plane_copy(&s->film[0], &w->p);
        hc_plane_copy(&s->film[1], &w->q);
    }
    for (int i = 0; i < 6 && st == HC_OK; i++) {
        st = hc_relief_band_filter(f[i], f[i], &s->told, w->mm, band, w->par, err);
    }
    if (st != HC_OK) {
        return st;
    }
    const struct hc_plane *const g[6] = {f[0], f[1], f[2], f[3], f[4], f[5]};
    hc_relief_film_retained(out, g, &s->told, &d);
    if (!(d.aa > 0.5 * d.self)) {
        return refuse(out, HC_RELIEF_NO_TEXTURE, "");
    }
    if (out->retained.high < 0 || out->retained.low > 1) {
        return refuse(out, HC_RELIEF_OUTSIDE, "");
    }
    out->paint_p = s->all.p;
    out->paint_q = s->all.q;
    out->film_p = w->p;
    out->film_q = w->q;
    s->all.p = s->all.q = w->p = w->q = (struct hc_plane){0};
    if (w->in->sphere_residual_deg >= 0 && w->in->sphere_residual_deg <= FILL_RESIDUAL_DEG &&
        out->coverage >= HC_RELIEF_FULL_COVERAGE) {
        st = hc_relief_film_fill(out, w, band, err);
    }
    say(out, w->in, band);
    return st;
}

static hc_status figures(struct hc_relief_film *out, struct hc_relief_film_work *w,
                         struct hc_relief_band band, struct hc_job *job, struct hc_err *err)
{
    struct solution s;
    memset(&s, 0, sizeof s);
    hc_status st = film_gates(out, &s, w, job, err);
    if (st == HC_OK && out->refusal == HC_RELIEF_GIVEN) {
        st = compare_surfaces(out, &s, w, band, err);
    }
    hc_relief_under_release(&s.all);
    hc_relief_under_release(&s.bare);
    hc_relief_under_release(&s.half[0]);
    hc_relief_under_release(&s.half[1]);
    hc_plane_release(&s.film[0]);
    hc_plane_release(&s.film[1]);
    hc_plane_release(&s.told);
    return st;
}

hc_status hc_relief_film_solve(struct hc_relief_film *out, const struct hc_relief_film_input *in,
                               struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    struct hc_relief_film_work w = {.in = in, .par = par};
    struct hc_relief_band band = in->band;
    *out = (struct hc_relief_film){0};
    hc_status st = check(in, err);
    if (st != HC_OK) {
        return st;
    }
    if (!(band.long_mm > 0)) {
        band = (struct hc_relief_band){0.2, 2.5};
    }
    w.n = (int)in->n;
    w.w = in->plain[0].w;
    w.h = in->plain[0].h;
    w.mm = in->mm_per_px;
    w.index = in->index > 0 ? in->index : 1.5;
    w.film_mm = in->film_guess_mm > 0 ? in->film_guess_mm : 0.05;
    out->reading = hc_relief_reading(in->lights, in->n, w.index);
    enum hc_relief_refusal gate = rig_gate(&w, out);
    if (gate != HC_RELIEF_GIVEN) {
        return refuse(out, gate, "");
    }
    if ((w.w < w.h ? w.w : w.h) * w.mm < 2 * band.long_mm || band.short_mm < 2 * w.mm) {
        return refuse(out, HC_RELIEF_SMALL, " (or the pixels too coarse)");
    }
    st = prepare(&w, err);
    st = st == HC_OK && in->crossed ? with_crossed(&w, err) : st;
    st = st == HC_OK && !in->crossed ? without_crossed(&w, job, err) : st;
    if (st == HC_OK && !in->crossed) {
        take_lobes(&w);
    }
    st = st == HC_OK && in->white > 0 ? take_inner_light(&w, err) : st;
    st = st == HC_OK ? figures(out, &w, band, job, err) : st;
    drop(&w);
    if (st != HC_OK) {
        hc_relief_film_release(out);
    }
    return st;
}
