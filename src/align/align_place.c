#include <float.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/stats.h"

#define LEVELS 5         // 1, 4, 16, 64, 256
#define COARSE_SIDE 256  // px, of the coarse search
#define REACH_PX 3.0     // a tile agrees when it lies this close to the fit
#define WANTED_TILES 300 // per pass; on smaller views the tiles overlap, by half at most
#define MAX_TILES 2500   // per pass; on larger views the tiles stand apart
#define FLOOR 0.002      // of the tone range per px: below this there is only noise to see
#define MIN_SIDE 128

// Reasons of the bars: docs/theory/align.md, section 5.
#define MIN_USED 12
#define MIN_USED_OF_CLEAR 0.55
#define MIN_USED_OF_TEXTURED 0.2
#define MIN_SUPPORTED 0.3
#define GOOD_SUPPORTED 0.6
#define GOOD_MEDIAN_PX 0.3
#define GOOD_P95_PX 1.0
#define USABLE_MEDIAN_PX 0.75
#define USABLE_P95_PX 2.0
#define MAX_STRAIN 0.1
#define SYMMETRY_SCORE 12.0 // a turned or mirrored coarse fit is named from this score on
#define SYMMETRY_LEAD 1.3   // and when it beats the upright one by this factor

struct pyramid {
    struct hc_align_level level[LEVELS];
    int levels;
    struct hc_plane coarse;
    double floor;
};

struct placing {
    struct pyramid ref, view;
    int coarse_k;
    struct hc_align_start start;
    struct hc_homog sofar, map; // the last tiles were measured with sofar, and gave map
    struct hc_align_measure *tile;
    size_t n;
    struct hc_align_model_fit fit;
    int tile_px, step_px; // of the last pass
};

static void pyramid_release(struct pyramid *p)
{
    for (int i = 1; i < LEVELS; i++) {
        hc_plane_release(&p->level[i].own);
    }
    hc_plane_release(&p->coarse);
}

static hc_status measure_floor(struct pyramid *p, const char *which, double lo, double hi,
                               struct hc_err *err)
{
    size_t n = (size_t)p->coarse.w * (size_t)p->coarse.h;
    float *v;
    if (!(hi - lo > 1e-6 * fmax(fabs(lo), fabs(hi)))) {
        return hc_err_set(err, HC_EDATA, "align",
                          "%s is blank: all its pixels have the value %.4g; check the file", which,
                          hi);
    }
    v = hc_mem_alloc(n * sizeof *v);
    if (!v) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu pixels", n);
    }
    memcpy(v, p->coarse.px, n * sizeof *v);
    p->floor = FLOOR * (double)(hc_stats_quantile_f(v, n, 0.99) - hc_stats_quantile_f(v, n, 0.01));
    hc_mem_free(v);
    return HC_OK;
}

// Levels 1, 4, 16 ... while the longer side stays above the coarse size, and the coarse plane.
static hc_status pyramid_create(struct pyramid *p, const struct hc_align_source *src, int longest,
                                int coarse_k, const char *which, struct hc_job *job,
                                struct hc_err *err)
{
    double range[2] = {0}, *measure = range;
    hc_status st = HC_OK;
    p->level[0] = (struct hc_align_level){.src = *src, .k = 1};
    p->levels = 1;
    while (st == HC_OK && p->levels < LEVELS &&
           longest / p->level[p->levels - 1].k / 4 >= COARSE_SIDE) {
        struct hc_align_level *l = &p->level[p->levels];
        l->k = l[-1].k * 4;
        st = hc_align_reduce(&l->own, &l[-1].src, 4, measure, job, err);
        l->src = hc_align_source_plane(&l->own);
        p->levels += st == HC_OK;
        measure = NULL;
    }
    if (st == HC_OK) {
        int from = p->levels > 1 ? 1 : 0;
        st = hc_align_reduce(&p->coarse, &p->level[from].src, coarse_k / p->level[from].k, measure,
                             NULL, err);
    }
    if (st == HC_OK) {
        st = measure_floor(p, which, range[0], range[1], err);
    }
    return st == HC_OK ? HC_OK : hc_err_prefix(err, st, "%s", which);
}

static bool is_plausible(const struct hc_homog *h, double w, double hgt);

static hc_status run_pass(struct placing *pl, int level, struct hc_par *par, struct hc_job *job,
                          struct hc_err *err)
{
    const struct hc_align_level *ref = &pl->ref.level[level];
    int w = ref->src.w, h = ref->src.h, longest = w > h ? w : h, shortest = w < h ? w : h;
    struct hc_align_pass pass = {.ref = ref,
                                 .view = &pl->view.level[level],
                                 .frame_to_view = pl->map,
                                 .floor_ref = pl->ref.floor,
                                 .floor_view = pl->view.floor};
    double spread = sqrt((double)w * h / MAX_TILES), dense = sqrt((double)w * h / WANTED_TILES);
    struct hc_pt centre = {pl->ref.level[0].src.w / 2.0, pl->ref.level[0].src.h / 2.0};
    struct hc_err fit_err = {0};
    hc_status st;
    pass.size = longest < 1024 || shortest < 512 ? 64 : 128;
    pass.step = (int)fmin(fmax(dense, pass.size / 2.0), pass.size);
    pass.step = spread > pass.step ? (int)ceil(spread) : pass.step;
    pass.radius = pass.size / 8 + 4;
    hc_mem_free(pl->tile);
    pl->tile = NULL;
    pl->sofar = pl->map;
    pl->tile_px = pass.size * ref->k;
    pl->step_px = pass.step * ref->k;
    st = hc_align_measure(&pl->tile, &pl->n, &pass, par, job, err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_align_fit_map(&pl->fit, pl->tile, pl->n, &pl->start.frame_to_view, &pl->sofar, centre,
                          hypot(centre.x, centre.y), REACH_PX * ref->k, &fit_err);
    if (st == HC_OK && is_plausible(&pl->fit.frame_to_view, 2 * centre.x, 2 * centre.y)) {
        pl->map = pl->fit.frame_to_view;
    } else if (st == HC_ENOMEM) {
        return hc_err_set(err, st, "align", "%s", fit_err.what);
    }
    return HC_OK; // a level without an answer leaves the map as it was; the verdict judges the last
}

// The linear part of the map at a point, per frame px.
static void jacobian(double j[4], const struct hc_homog *h, double x, double y)
{
    struct hc_pt l = hc_homog_apply(h, (struct hc_pt){x - 0.5, y});
    struct hc_pt r = hc_homog_apply(h, (struct hc_pt){x + 0.5, y});
    struct hc_pt t = hc_homog_apply(h, (struct hc_pt){x, y - 0.5});
    struct hc_pt b = hc_homog_apply(h, (struct hc_pt){x, y + 0.5});
    j[0] = r.x - l.x;
    j[1] = b.x - t.x;
    j[2] = r.y - l.y;
    j[3] = b.y - t.y;
}

// Squeeze, shear and change of scale over the frame stay below MAX_STRAIN, and nothing folds.
static bool is_plausible(const struct hc_homog *h, double w, double hgt)
{
    double j[4], scale, det;
    jacobian(j, h, w / 2, hgt / 2);
    det = j[0] * j[3] - j[1] * j[2];
    scale = sqrt(fabs(det));
    for (int c = 0; c < 4; c++) {
        double k[4], x = c & 1 ? w : 0, y = c & 2 ? hgt : 0, cross, lx, ly, d;
        double denominator = h->m[6] * x + h->m[7] * y + h->m[8];
        jacobian(k, h, x, y);
        d = k[0] * k[3] - k[1] * k[2];
        lx = hypot(k[0], k[2]) / scale;
        ly = hypot(k[1], k[3]) / scale;
        cross = (k[0] * k[1] + k[2] * k[3]) / (scale * scale);
        if (!(denominator * h->m[8] > 0) || !(d * det > 0) || !(fabs(lx - 1) < MAX_STRAIN) ||
            !(fabs(ly - 1) < MAX_STRAIN) || !(fabs(cross) < MAX_STRAIN)) {
            return false;
        }
    }
    return true;
}

static double area_supported(const struct hc_align_fit *fit, double w, double h, double reach)
{
    enum { GRID = 40 };
    int covered = 0;
    for (int c = 0; c < GRID * GRID; c++) {
        double x = (c % GRID + 0.5) * w / GRID, y = (c / GRID + 0.5) * h / GRID;
        for (int i = 0; i < fit->tiles_textured; i++) {
            const struct hc_align_tile *t = &fit->tile[i];
            if (t->is_used && hypot(t->x - x, t->y - y) <= reach) {
                covered++;
                break;
            }
        }
    }
    return (double)covered / (GRID * GRID);
}

// Fill the report's tiles and counts from the last pass.
static hc_status report_tiles(struct hc_align_fit *out, const struct placing *pl,
                              struct hc_err *err)
{
    struct hc_homog back;
    double *held = hc_mem_array(pl->n + 1, sizeof *held);
    size_t n = 0;
    hc_status st = held ? hc_homog_invert(&back, &pl->map, err) : HC_ENOMEM;
    out->tile = hc_mem_array(pl->n + 1, sizeof *out->tile);
    if (!held || !out->tile) {
        st = hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", pl->n);
    }
    for (size_t i = 0; st == HC_OK && i < pl->n; i++) {
        const struct hc_align_measure *m = &pl->tile[i];
        struct hc_align_tile *t = &out->tile[out->tiles_textured];
        struct hc_pt d;
        if (!m->is_textured) {
            continue;
        }
        d = hc_align_residual(m, &pl->sofar, &back);
        *t = (struct hc_align_tile){m->x,    m->y,        d.x,   d.y,
                                    m->peak, m->is_clear, false, m->is_held_out};
        t->is_used = m->is_clear && hypot(d.x, d.y) < REACH_PX;
        out->tiles_textured++;
        out->tiles_clear += t->is_clear;
        out->tiles_used += t->is_used;
        if (t->is_used && t->is_held_out) {
            held[n++] = hypot(d.x, d.y);
        }
    }
    out->tiles = (int)pl->n;
    out->held_out_median_px = hc_stats_median(held, n);
    out->held_out_p95_px = hc_stats_quantile(held, n, 0.95);
    hc_mem_free(held);
    return st;
}

static void report_map(struct hc_align_fit *out, const struct placing *pl)
{
    double w = pl->ref.level[0].src.w, h = pl->ref.level[0].src.h, j[4];
    struct hc_pt centre = {w / 2, h / 2}, q = hc_homog_apply(&pl->map, centre);
    out->frame_to_view = pl->map;
    out->shift_x_px = q.x - centre.x;
    out->shift_y_px = q.y - centre.y;
    jacobian(j, &pl->map, centre.x, centre.y);
    out->rotation_deg = atan2(j[2] - j[1], j[0] + j[3]) * 180 / M_PI;
    out->scale = sqrt(fabs(j[0] * j[3] - j[1] * j[2]));
    out->area_supported = area_supported(out, w, h, 2.0 * pl->step_px);
}

static void judge(struct hc_align_fit *out, const struct placing *pl)
{
    double of_clear = (double)out->tiles_used / fmax(out->tiles_clear, 1);
    double of_textured = (double)out->tiles_used / fmax(out->tiles_textured, 1);
    out->verdict = HC_ALIGN_REFUSED;
    if (out->tiles_clear < MIN_USED) {
        snprintf(
            out->why, sizeof out->why,
            "too few places can be recognised in both pictures: %d of %d tiles, at least %d are "
            "needed",
            out->tiles_clear, out->tiles, MIN_USED);
    } else if (of_clear < MIN_USED_OF_CLEAR || out->tiles_used < MIN_USED) {
        snprintf(out->why, sizeof out->why,
                 "only %d of the %d recognisable tiles agree on one placement, at least %.0f are "
                 "needed: these look like different pictures",
                 out->tiles_used, out->tiles_clear,
                 fmax(MIN_USED, ceil(MIN_USED_OF_CLEAR * out->tiles_clear)));
    } else if (of_textured < MIN_USED_OF_TEXTURED) {
        snprintf(
            out->why, sizeof out->why,
            "the placement is borne out by only %d of the %d tiles that show anything, at least "
            "%.0f are needed: these may be different pictures in the same frame",
            out->tiles_used, out->tiles_textured, ceil(MIN_USED_OF_TEXTURED * out->tiles_textured));
    } else if (out->area_supported < MIN_SUPPORTED) {
        snprintf(
            out->why, sizeof out->why,
            "the tiles that agree support only %.0f %% of the frame, at least %.0f %% are needed",
            100 * out->area_supported, 100 * MIN_SUPPORTED);
    } else if (out->held_out_median_px > USABLE_MEDIAN_PX || out->held_out_p95_px > USABLE_P95_PX) {
        snprintf(
            out->why, sizeof out->why,
            "tiles left out of the fit miss it by %.2f px (median), %.2f px (95 %%); up to %.2f "
            "and %.2f can be used: the painting may have moved or the view is distorted",
            out->held_out_median_px, out->held_out_p95_px, USABLE_MEDIAN_PX, USABLE_P95_PX);
    } else if (!is_plausible(&pl->map, pl->ref.level[0].src.w, pl->ref.level[0].src.h)) {
        snprintf(out->why, sizeof out->why,
                 "the placement would stretch the picture by over %.0f %%", 100 * MAX_STRAIN);
    } else {
        bool good = out->held_out_median_px <= GOOD_MEDIAN_PX &&
                    out->held_out_p95_px <= GOOD_P95_PX && out->area_supported >= GOOD_SUPPORTED;
        out->verdict = good ? HC_ALIGN_GOOD : HC_ALIGN_USABLE;
        snprintf(out->why, sizeof out->why,
                 "%d of %d recognisable tiles agree; tiles left out of the fit miss it by %.2f px "
                 "(median), %.2f px (95 %%); %.0f %% of the frame is supported",
                 out->tiles_used, out->tiles_clear, out->held_out_median_px, out->held_out_p95_px,
                 100 * out->area_supported);
    }
}

// A refused view may only lie mirrored or turned: say so when the coarse search sees it plainly.
static hc_status name_symmetry(struct hc_align_fit *out, const struct placing *pl,
                               struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    static const char *const name[8] = {"",
                                        "turned by 90 degrees",
                                        "turned by 180 degrees",
                                        "turned by 270 degrees",
                                        "mirrored left to right",
                                        "mirrored and turned by 90 degrees",
                                        "mirrored top to bottom",
                                        "mirrored and turned by 270 degrees"};
    double best = SYMMETRY_LEAD * pl->start.score;
    int found = 0;
    for (int s = 1; s < 8; s++) {
        struct hc_align_start at;
        hc_status st = hc_job_step(job, s / 8.0, "looking for a turned or mirrored view", err);
        if (st == HC_OK) {
            st = hc_align_coarse(&at, &pl->ref.coarse, &pl->view.coarse, pl->coarse_k, s, par, err);
        }
        if (st != HC_OK) {
            return st;
        }
        if (at.score > SYMMETRY_SCORE && at.score > best) {
            best = at.score;
            found = s;
        }
    }
    if (found) {
        snprintf(out->why, sizeof out->why,
                 "the view looks %s against the reference; put it upright and add it again",
                 name[found]);
    }
    return HC_OK;
}

static hc_status check_sizes(const struct hc_align_source *ref, const struct hc_align_source *view,
                             struct hc_err *err)
{
    const struct hc_align_source *s[2] = {ref, view};
    for (int i = 0; i < 2; i++) {
        if (s[i]->w < MIN_SIDE || s[i]->h < MIN_SIDE) {
            return hc_err_set(err, HC_EDATA, "align",
                              "the %s is %d x %d px; placing needs at least %d px a side",
                              i ? "view" : "reference", s[i]->w, s[i]->h, MIN_SIDE);
        }
    }
    return HC_OK;
}

static hc_status read_both(struct placing *pl, const struct hc_align_source *ref,
                           const struct hc_align_source *view, struct hc_job *job,
                           struct hc_err *err)
{
    int longest = ref->w > ref->h ? ref->w : ref->h, base;
    longest = view->w > longest ? view->w : longest;
    longest = view->h > longest ? view->h : longest;
    base = longest / 4 >= COARSE_SIDE ? 4 : 1;
    pl->coarse_k = base * ((longest + base * COARSE_SIDE - 1) / (base * COARSE_SIDE));
    hc_job_phase(job, 0, 0.15);
    hc_status st = pyramid_create(&pl->ref, ref, longest, pl->coarse_k, "the reference", job, err);
    if (st == HC_OK) {
        hc_job_phase(job, 0.15, 0.3);
        st = pyramid_create(&pl->view, view, longest, pl->coarse_k, "the view", job, err);
    }
    return st;
}

hc_status hc_align_place(struct hc_align_fit *out, const struct hc_align_source *ref,
                         const struct hc_align_source *view, struct hc_par *par, struct hc_job *job,
                         struct hc_err *err)
{
    struct placing *pl;
    hc_status st = check_sizes(ref, view, err);
    memset(out, 0, sizeof *out);
    if (st != HC_OK) {
        return st;
    }
    pl = hc_mem_array(1, sizeof *pl);
    if (!pl) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for a placement");
    }
    st = read_both(pl, ref, view, job, err);
    if (st == HC_OK) {
        st = hc_align_coarse(&pl->start, &pl->ref.coarse, &pl->view.coarse, pl->coarse_k, 0, par,
                             err);
        pl->map = pl->start.frame_to_view;
    }
    for (int l = pl->ref.levels - 1; st == HC_OK && l >= 0; l--) {
        hc_job_phase(job, l ? 0.35 : 0.45, l ? 0.45 : 0.95);
        st = run_pass(pl, l, par, job, err);
    }
    if (st == HC_OK) {
        st = report_tiles(out, pl, err);
    }
    if (st == HC_OK) {
        report_map(out, pl);
        judge(out, pl);
        hc_job_phase(job, 0.95, 1);
        if (out->verdict == HC_ALIGN_REFUSED) {
            st = name_symmetry(out, pl, par, job, err);
        }
    }
    if (st != HC_OK) {
        hc_align_fit_release(out);
    }
    pyramid_release(&pl->ref);
    pyramid_release(&pl->view);
    hc_mem_free(pl->tile);
    hc_mem_free(pl);
    return st;
}

void hc_align_fit_release(struct hc_align_fit *fit)
{
    hc_mem_free(fit->tile);
    fit->tile = NULL;
    fit->tiles_textured = 0;
}
