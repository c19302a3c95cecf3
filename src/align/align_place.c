#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"

#define WANTED_TILES 300 // per pass; on smaller views the tiles overlap, by half at most
#define MAX_TILES 2500   // per pass; on larger views the tiles stand apart
#define MIN_SIDE 128
#define MIN_SURVEY 600     // px of a level that serves for the wide search
#define MIN_TOP_PX 200     // of the coarsest level that tiles are laid on in a part of the frame
#define ROI_MARGIN 0.05    // of the part that a view shows
#define MAX_SCALE 32       // view px per frame px
#define TRIED 3            // places from one search that the tiles may judge
#define MIN_SCORE 6.0      // of such a place
#define NEXT_SCORE 0.7     // and of the next ones, times the best
#define MIN_AGREEING 6     // tiles of a pass for it to be followed by another
#define MIN_AGREEMENT 0.35 // of its clear tiles
#define SETTLED_PX 0.25    // view px by which a pass may move the map without another one
#define REPEATS 3          // of the last level, at most

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
                                 .lens = pl->lens,
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

// The map from the tiles of the last pass; a level without an answer leaves it as it was, and the
// verdict judges the last.
static hc_status fit_tiles(struct hc_align_placing *pl, struct hc_err *err)
{
    struct hc_pt centre = {(pl->roi.x0 + pl->roi.x1) / 2, (pl->roi.y0 + pl->roi.y1) / 2};
    struct hc_align_model_fit fit;
    struct hc_err fit_err = {0};
    hc_status st = hc_align_fit_map(&fit, pl->tile, pl->n, &pl->start.frame_to_view, &pl->sofar,
                                    centre, hypot(pl->roi.x1 - centre.x, pl->roi.y1 - centre.y),
                                    HC_ALIGN_REACH_PX * pl->tile_k, &fit_err);
    pl->clear = pl->agreeing = 0;
    if (st == HC_OK) {
        pl->clear = fit.clear;
        pl->agreeing = fit.agreeing;
    }
    if (st == HC_OK && hc_align_is_plausible(&fit.frame_to_view, pl->roi)) {
        pl->map = fit.frame_to_view;
        pl->model = fit.model;
    } else if (st == HC_ENOMEM) {
        return hc_err_set(err, st, "align", "%s", fit_err.what);
    }
    return HC_OK;
}

static hc_status run_pass(struct hc_align_placing *pl, int level, struct hc_par *par,
                          struct hc_job *job, struct hc_err *err)
{
    struct hc_align_pass pass = lay_tiles(pl, level);
    hc_status st;
    hc_mem_free(pl->tile);
    pl->tile = NULL;
    pl->sofar = pl->map;
    pl->tile_k = pass.ref->k;
    pl->step_px = pass.step * pl->tile_k;
    pl->is_doubled = false;
    st = hc_align_measure(&pl->tile, &pl->n, &pass, par, job, err);
    return st == HC_OK ? fit_tiles(pl, err) : st;
}

// Whether the last pass left the map where it found it, at the corners of the part in question.
static bool is_settled(const struct hc_align_placing *pl, int level)
{
    const struct hc_box *b = &pl->roi;
    struct hc_pt corner[4] = {{b->x0, b->y0}, {b->x1, b->y0}, {b->x1, b->y1}, {b->x0, b->y1}};
    double most = 0;
    for (int k = 0; k < 4; k++) {
        struct hc_pt was = hc_homog_apply(&pl->sofar, corner[k]);
        struct hc_pt is = hc_homog_apply(&pl->map, corner[k]);
        most = fmax(most, hypot(is.x - was.x, is.y - was.y));
    }
    return most <= SETTLED_PX * pl->view.level[level].k;
}

// A pass, and what its tiles say of the lens. The last level is measured again with a new lens, and
// when the map moved: tiles see less of a displacement that grows across them than there is.
static hc_status run_level(struct hc_align_placing *pl, int level, struct hc_par *par,
                           struct hc_job *job, struct hc_err *err)
{
    bool is_found = false;
    hc_status st = run_pass(pl, level, par, job, err);
    if (st == HC_OK) {
        st = hc_align_lens_fit(&is_found, &pl->lens, pl->tile, pl->n, &pl->sofar, &pl->map,
                               pl->view.level[level].k, err);
    }
    if (st == HC_OK && is_found) {
        st = fit_tiles(pl, err);
    }
    if (st == HC_OK && is_found && level == 0) {
        st = run_pass(pl, level, par, job, err);
    }
    for (int i = 0; st == HC_OK && i < REPEATS && level == 0 && pl->agreeing >= MIN_AGREEING &&
                    !is_settled(pl, level);
         i++) {
        st = run_pass(pl, level, par, job, err);
    }
    return st;
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

// The coarsest level on which the part of the frame in question has room for tiles.
static int top_level(const struct hc_align_placing *pl)
{
    double side = fmax(pl->roi.x1 - pl->roi.x0, pl->roi.y1 - pl->roi.y0);
    int l = pl->ref.levels - 1;
    while (l > 0 && side / pl->ref.level[l].k < MIN_TOP_PX) {
        l--;
    }
    return l;
}

// From the start found by a coarse search through all levels to the verdict. With may_stop a start
// that the first level does not bear out is followed no further.
static hc_status run_levels(struct hc_align_fit *out, struct hc_align_placing *pl, double lo,
                            double hi, bool may_stop, struct hc_par *par, struct hc_job *job,
                            struct hc_err *err)
{
    hc_status st = HC_OK;
    bool is_bent = false, is_hopeless = false;
    int top = top_level(pl);
    pl->map = pl->start.frame_to_view;
    pl->model = HC_ALIGN_SIMILARITY;
    pl->lens = (struct hc_align_lens){
        0, 0, {pl->view_w / 2.0, pl->view_h / 2.0}, hypot(pl->view_w, pl->view_h) / 2};
    for (int l = top; st == HC_OK && l >= 0 && !is_hopeless; l--) {
        double share = 0.2 * (hi - lo), last = lo + 0.6 * (hi - lo); // the last passes take longest
        hc_job_phase(job, l ? lo : lo + share, l ? lo + share : last);
        st = run_level(pl, l, par, job, err);
        is_hopeless = may_stop && l == top && top > 0 &&
                      (pl->agreeing < MIN_AGREEING ||
                       (double)pl->agreeing < MIN_AGREEMENT * (double)pl->clear);
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
    struct hc_align_grid grid = {0, 0.5, 9, unity, 1.01, 5};
    struct hc_align_coarse ref = {&pl->ref.coarse, pl->ref.coarse_k, &pl->ignored_ref};
    struct hc_align_coarse view = {&pl->view.coarse, pl->view.coarse_k, &pl->ignored_view};
    hc_status st = hc_align_coarse(&pl->start, &ref, &view, &grid, par, err);
    return st == HC_OK ? run_levels(out, pl, 0.3, 0.5, false, par, job, err) : st;
}

// A plane for the wide search, from the smallest level that is large enough.
static hc_status survey(struct hc_plane *out, struct hc_align_coarse *pic,
                        const struct hc_align_pyramid *p, const struct hc_align_mask *ignored,
                        struct hc_err *err)
{
    int l = p->levels > 1 && longest(&p->level[1].src) >= MIN_SURVEY ? 1 : 0;
    const struct hc_align_level *level = &p->level[l];
    int by = (longest(&level->src) + HC_ALIGN_SEARCH_SIDE - 1) / HC_ALIGN_SEARCH_SIDE;
    *pic = (struct hc_align_coarse){out, level->k * by, ignored};
    return hc_align_reduce(out, &level->src, by, NULL, NULL, err);
}

// Levels are made anew when one view has to be reduced for its pixels to match the other's.
static hc_status match_levels(struct hc_align_placing *pl, const struct hc_align_source *ref,
                              const struct hc_align_source *view, double scale, struct hc_job *job,
                              struct hc_err *err)
{
    int ref_k = scale < 1 ? (int)lround(1 / scale) : 1;
    int view_k = scale > 1 ? (int)lround(scale) : 1;
    int levels = levels_for(longest(ref) / ref_k);
    int ref_c = pl->ref.coarse_k, view_c = pl->view.coarse_k;
    hc_status st;
    if (ref_k == pl->ref.level[0].k && view_k == pl->view.level[0].k) {
        return HC_OK;
    }
    hc_align_pyramid_release(&pl->ref);
    hc_align_pyramid_release(&pl->view);
    st = hc_align_pyramid_create(&pl->ref, ref, ref_k, levels, ref_c, "the reference", job, err);
    if (st == HC_OK) {
        st = hc_align_pyramid_create(&pl->view, view, view_k, levels, view_c, "the view", job, err);
    }
    return st;
}

// The part of the frame that a view placed so shows, and a little more. False when that is next to
// nothing, or the map is beyond reason.
static bool take_roi(struct hc_align_placing *pl, double *scale)
{
    struct hc_pt corner[4] = {{0, 0}, {pl->view_w, 0}, {pl->view_w, pl->view_h}, {0, pl->view_h}};
    struct hc_homog back;
    struct hc_box b;
    double margin, j[4];
    if (hc_homog_invert(&back, &pl->start.frame_to_view, NULL) != HC_OK) {
        return false;
    }
    for (int k = 0; k < 4; k++) {
        corner[k] = hc_homog_apply(&back, corner[k]);
    }
    b = hc_poly_box(corner, 4);
    margin = ROI_MARGIN * fmax(b.x1 - b.x0, b.y1 - b.y0);
    pl->roi = (struct hc_box){fmax(b.x0 - margin, 0), fmax(b.y0 - margin, 0),
                              fmin(b.x1 + margin, pl->w), fmin(b.y1 + margin, pl->h)};
    hc_align_jacobian(j, &pl->start.frame_to_view, pl->w / 2.0, pl->h / 2.0);
    *scale = sqrt(fabs(j[0] * j[3] - j[1] * j[2]));
    return pl->roi.x1 - pl->roi.x0 > 64 && pl->roi.y1 - pl->roi.y0 > 64 && *scale > 1 / MAX_SCALE &&
           *scale < MAX_SCALE;
}

// The tiles decide on the likely places that one search found, the likeliest first.
static hc_status try_places(struct hc_align_fit *out, struct hc_align_placing *pl,
                            const struct hc_align_source *ref, const struct hc_align_source *view,
                            const struct hc_align_start *start, int n, double lo, double hi,
                            struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    hc_status st = HC_OK;
    for (int i = 0; st == HC_OK && i < n && i < TRIED; i++) {
        double at = lo + (hi - lo) * i / TRIED, next = lo + (hi - lo) * (i + 1) / TRIED, scale;
        if (start[i].score < MIN_SCORE || start[i].score < NEXT_SCORE * start[0].score) {
            break;
        }
        pl->start = start[i];
        if (!take_roi(pl, &scale)) {
            continue;
        }
        hc_align_fit_release(out);
        *out = (struct hc_align_fit){.verdict = HC_ALIGN_REFUSED};
        hc_job_phase(job, at, at);
        st = match_levels(pl, ref, view, scale, NULL, err);
        if (st == HC_OK) {
            st = run_levels(out, pl, at, next, true, par, job, err);
        }
        if (st == HC_OK && out->verdict != HC_ALIGN_REFUSED) {
            break;
        }
    }
    return st;
}

// Turned, mirrored, of another resolution, a detail of the frame or more than the frame. The
// searches go from like lengths to unlike ones.
static hc_status place_wide(struct hc_align_fit *out, struct hc_align_placing *pl,
                            const struct hc_align_source *ref, const struct hc_align_source *view,
                            struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    static const struct {
        int tier;
        bool is_view_small;
    } search[] = {{0, true}, {1, true}, {1, false}, {2, true}, {2, false}};
    enum { SEARCHES = sizeof search / sizeof *search };
    struct hc_plane plane[2] = {{0}};
    struct hc_align_coarse pic[2];
    hc_status st = survey(&plane[0], &pic[0], &pl->ref, &pl->ignored_ref, err);
    out->verdict = HC_ALIGN_REFUSED;
    if (st == HC_OK) {
        st = survey(&plane[1], &pic[1], &pl->view, &pl->ignored_view, err);
    }
    for (int i = 0; st == HC_OK && i < SEARCHES && out->verdict == HC_ALIGN_REFUSED; i++) {
        double lo = 0.5 + 0.5 * i / SEARCHES, hi = lo + 0.5 / SEARCHES, mid = (lo + hi) / 2;
        struct hc_align_start start[HC_ALIGN_CANDIDATES];
        int n = 0;
        hc_job_phase(job, lo, mid);
        st = hc_align_search(start, &n, search[i].tier, search[i].is_view_small, &pic[0], &pic[1],
                             par, job, err);
        if (st == HC_OK) {
            st = try_places(out, pl, ref, view, start, n, mid, hi, par, job, err);
        }
    }
    hc_plane_release(&plane[0]);
    hc_plane_release(&plane[1]);
    return st;
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
