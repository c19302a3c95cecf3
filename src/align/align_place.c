#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"

#define WANTED_TILES 300 // per pass; on smaller views the tiles overlap, by half at most
#define MAX_TILES 2500   // per pass; on larger views the tiles stand apart
#define MIN_SIDE 128

static int longest(const struct hc_align_source *s)
{
    return s->w > s->h ? s->w : s->h;
}

// All levels but the first stay at least as long as the coarse plane.
static int levels_for(int side)
{
    int n = 1;
    for (; n < HC_ALIGN_LEVELS && side / 4 >= HC_ALIGN_COARSE_SIDE; side /= 4) {
        n++;
    }
    return n;
}

// By how much a view of this length is reduced for the coarse plane; a multiple of `unit`, so that
// it can be made from a level that exists.
static int coarse_for(int side, int unit)
{
    return unit * ((side + unit * HC_ALIGN_COARSE_SIDE - 1) / (unit * HC_ALIGN_COARSE_SIDE));
}

// Tiles of one level, measured with the map so far.
static struct hc_align_pass lay_tiles(const struct hc_align_placing *pl, int level)
{
    const struct hc_align_level *ref = &pl->ref.level[level];
    struct hc_align_pass pass = {.ref = ref,
                                 .view = &pl->view.level[level],
                                 .frame_to_view = pl->map,
                                 .x0 = (int)floor(pl->roi.x0 / ref->k),
                                 .y0 = (int)floor(pl->roi.y0 / ref->k),
                                 .x1 = (int)fmin(ceil(pl->roi.x1 / ref->k), ref->src.w),
                                 .y1 = (int)fmin(ceil(pl->roi.y1 / ref->k), ref->src.h),
                                 .ignored_ref = &pl->ignored_ref,
                                 .ignored_view = &pl->ignored_view,
                                 .floor_ref = pl->ref.floor,
                                 .floor_view = pl->view.floor};
    int w = pass.x1 - pass.x0, h = pass.y1 - pass.y0, shortest = w < h ? w : h;
    double spread = sqrt((double)w * h / MAX_TILES), dense = sqrt((double)w * h / WANTED_TILES);
    pass.size = shortest < 400 ? 64 : 128;
    pass.step = (int)fmin(fmax(dense, pass.size / 2.0), pass.size);
    pass.step = spread > pass.step ? (int)ceil(spread) : pass.step;
    pass.radius = pass.size / 8 + 4;
    return pass;
}

static hc_status run_pass(struct hc_align_placing *pl, int level, struct hc_par *par,
                          struct hc_job *job, struct hc_err *err)
{
    struct hc_align_pass pass = lay_tiles(pl, level);
    int k = pass.ref->k;
    struct hc_pt centre = {(pl->roi.x0 + pl->roi.x1) / 2, (pl->roi.y0 + pl->roi.y1) / 2};
    struct hc_align_model_fit fit;
    struct hc_err fit_err = {0};
    hc_status st;
    hc_mem_free(pl->tile);
    pl->tile = NULL;
    pl->sofar = pl->map;
    pl->tile_k = k;
    pl->step_px = pass.step * k;
    pl->is_doubled = false;
    st = hc_align_measure(&pl->tile, &pl->n, &pass, par, job, err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_align_fit_map(&fit, pl->tile, pl->n, &pl->start.frame_to_view, &pl->sofar, centre,
                          hypot(pl->roi.x1 - centre.x, pl->roi.y1 - centre.y),
                          HC_ALIGN_REACH_PX * k, &fit_err);
    if (st == HC_OK && hc_align_is_plausible(&fit.frame_to_view, pl->roi)) {
        pl->map = fit.frame_to_view;
        pl->model = fit.model;
    } else if (st == HC_ENOMEM) {
        return hc_err_set(err, st, "align", "%s", fit_err.what);
    }
    return HC_OK; // a level without an answer leaves the map as it was; the verdict judges the last
}

// A bend wants more tiles than a homography: staggered ones join those of the last pass, measured
// through the same map.
static hc_status add_tiles(struct hc_align_placing *pl, struct hc_par *par, struct hc_job *job,
                           struct hc_err *err)
{
    struct hc_align_pass pass = lay_tiles(pl, 0);
    struct hc_align_measure *more = NULL, *all;
    size_t n = 0;
    hc_status st;
    pass.is_staggered = true;
    pass.frame_to_view = pl->sofar;
    st = hc_align_measure(&more, &n, &pass, par, job, err);
    if (st == HC_OK && n > 0) {
        all = hc_mem_grow(pl->tile, (pl->n + n) * sizeof *all);
        if (all) {
            memcpy(all + pl->n, more, n * sizeof *all);
            pl->tile = all;
            pl->n += n;
            pl->is_doubled = true;
        } else {
            st = hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", pl->n + n);
        }
    }
    hc_mem_free(more);
    return st;
}

// From the start found by a coarse search through all levels to the verdict.
static hc_status run_levels(struct hc_align_fit *out, struct hc_align_placing *pl, double lo,
                            double hi, struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    hc_status st = HC_OK;
    bool is_bent = false;
    pl->map = pl->start.frame_to_view;
    for (int l = pl->ref.levels - 1; st == HC_OK && l >= 0; l--) {
        double share = 0.2 * (hi - lo), last = lo + 0.6 * (hi - lo); // the last passes take longest
        hc_job_phase(job, l ? lo : lo + share, l ? lo + share : last);
        st = run_pass(pl, l, par, job, err);
    }
    if (st == HC_OK) {
        st = hc_align_judge(out, &is_bent, pl, err);
    }
    if (st == HC_OK && is_bent) {
        hc_align_fit_release(out);
        *out = (struct hc_align_fit){0};
        hc_job_phase(job, lo + 0.6 * (hi - lo), hi);
        st = add_tiles(pl, par, job, err);
        if (st == HC_OK) {
            st = hc_align_judge(out, &is_bent, pl, err);
        }
    }
    if (st == HC_OK && out->verdict != HC_ALIGN_REFUSED) {
        double away, limit;
        st = hc_align_opine(&away, &limit, pl, out, par, err);
        hc_align_report_opinion(out, away, limit);
    }
    return st;
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

static hc_status read_both(struct hc_align_placing *pl, const struct hc_align_source *ref,
                           const struct hc_align_source *view, struct hc_job *job,
                           struct hc_err *err)
{
    int levels = levels_for(longest(ref)), unit = levels > 1 ? 4 : 1;
    hc_status st;
    hc_job_phase(job, 0, 0.15);
    st = hc_align_pyramid_create(&pl->ref, ref, 1, levels, coarse_for(longest(ref), unit),
                                 "the reference", job, err);
    if (st == HC_OK) {
        hc_job_phase(job, 0.15, 0.3);
        st = hc_align_pyramid_create(&pl->view, view, 1, levels, coarse_for(longest(view), unit),
                                     "the view", job, err);
    }
    return st;
}

// The same camera position: small turns, scale near 1 at full size.
static hc_status place_near(struct hc_align_fit *out, struct hc_align_placing *pl,
                            struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    double unity = (double)pl->ref.coarse_k / pl->view.coarse_k;
    struct hc_align_grid grid = {0, 0, 0.5, 9, unity, 1.01, 5};
    struct hc_align_coarse ref = {&pl->ref.coarse, pl->ref.coarse_k, &pl->ignored_ref};
    struct hc_align_coarse view = {&pl->view.coarse, pl->view.coarse_k, &pl->ignored_view};
    hc_status st = hc_align_coarse(&pl->start, &ref, &view, &grid, par, err);
    return st == HC_OK ? run_levels(out, pl, 0.3, 0.6, par, job, err) : st;
}

// Turned, mirrored or of another resolution. Levels are made anew when one view has to be reduced
// for its pixels to match the other's.
static hc_status place_wide(struct hc_align_fit *out, struct hc_align_placing *pl,
                            const struct hc_align_source *ref, const struct hc_align_source *view,
                            struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    double scale;
    int ref_k, view_k;
    hc_status st;
    hc_job_phase(job, 0.6, 0.7);
    st = hc_align_search_wide(
        &pl->start, &(struct hc_align_coarse){&pl->ref.coarse, pl->ref.coarse_k, &pl->ignored_ref},
        &(struct hc_align_coarse){&pl->view.coarse, pl->view.coarse_k, &pl->ignored_view}, par, job,
        err);
    if (st != HC_OK) {
        return st;
    }
    scale = pl->start.scale * pl->view.coarse_k / pl->ref.coarse_k; // view px per frame px
    ref_k = scale < 1 ? (int)lround(1 / scale) : 1;
    view_k = scale > 1 ? (int)lround(scale) : 1;
    if (ref_k > 1 || view_k > 1) {
        int levels = levels_for(longest(ref) / ref_k), ref_c = pl->ref.coarse_k;
        int view_c = pl->view.coarse_k;
        hc_align_pyramid_release(&pl->ref);
        hc_align_pyramid_release(&pl->view);
        hc_job_phase(job, 0.7, 0.75);
        st =
            hc_align_pyramid_create(&pl->ref, ref, ref_k, levels, ref_c, "the reference", job, err);
        if (st == HC_OK) {
            hc_job_phase(job, 0.75, 0.8);
            st = hc_align_pyramid_create(&pl->view, view, view_k, levels, view_c, "the view", job,
                                         err);
        }
    }
    return st == HC_OK ? run_levels(out, pl, 0.8, 1, par, job, err) : st;
}

hc_status hc_align_place(struct hc_align_fit *out, const struct hc_align_source *ref,
                         const struct hc_align_source *view, const struct hc_align_options *options,
                         struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    struct hc_align_placing *pl;
    struct hc_align_fit wide = {0};
    hc_status st = check_sizes(ref, view, err);
    memset(out, 0, sizeof *out);
    if (st != HC_OK) {
        return st;
    }
    pl = hc_mem_array(1, sizeof *pl);
    if (!pl) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for a placement");
    }
    pl->w = ref->w;
    pl->h = ref->h;
    pl->view_w = view->w;
    pl->view_h = view->h;
    pl->roi = (struct hc_box){0, 0, ref->w, ref->h};
    if (options) {
        st = hc_align_mask_create(&pl->ignored_ref, &options->frame, ref->w, ref->h, err);
    }
    if (options && st == HC_OK) {
        st = hc_align_mask_create(&pl->ignored_view, &options->view, view->w, view->h, err);
    }
    if (st == HC_OK) {
        st = read_both(pl, ref, view, job, err);
    }
    if (st == HC_OK) {
        st = place_near(out, pl, par, job, err);
    }
    if (st == HC_OK && out->verdict == HC_ALIGN_REFUSED) {
        st = place_wide(&wide, pl, ref, view, par, job, err);
        if (st == HC_OK && wide.verdict != HC_ALIGN_REFUSED) {
            struct hc_align_fit refused = *out;
            *out = wide;
            wide = refused;
        }
    }
    if (st != HC_OK) {
        hc_align_fit_release(out);
    }
    hc_align_fit_release(&wide);
    hc_align_pyramid_release(&pl->ref);
    hc_align_pyramid_release(&pl->view);
    hc_align_mask_release(&pl->ignored_ref);
    hc_align_mask_release(&pl->ignored_view);
    hc_mem_free(pl->tile);
    hc_mem_free(pl);
    return st;
}

void hc_align_fit_release(struct hc_align_fit *fit)
{
    hc_mem_free(fit->tile);
    fit->tile = NULL;
    fit->tiles_textured = 0;
    hc_align_bend_release(fit->field);
    fit->field = NULL;
    hc_mem_free(fit->support.is_supported);
    fit->support = (struct hc_align_support){0};
}
