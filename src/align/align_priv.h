// What the files of the align room share. Equation numbers are those of docs/theory/align.md.
#ifndef HC_ALIGN_ALIGN_PRIV_H
#define HC_ALIGN_ALIGN_PRIV_H

#include "align/align.h"
#include "num/fft.h"

struct hc_align_placing; // below

// ---- align_source.c

// A view at 1/k of its size: level px = full px / k.
struct hc_align_level {
    struct hc_align_source src; // looks at `own` for k > 1, at the caller's pixels for k = 1
    struct hc_plane own;
    int k;
};

// Box means over k x k cells, read in strips. out gets ceil(w/k) x ceil(h/k) pixels. HC_EDATA when
// a pixel is not finite. `range` (may be NULL) gets the least and greatest pixel read.
hc_status hc_align_reduce(struct hc_plane *out, const struct hc_align_source *src, int k,
                          double range[2], struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
// Fill out from x0, y0 of src; pixels outside src repeat its nearest edge. The box must meet src.
hc_status hc_align_read_box(struct hc_plane *out, const struct hc_align_source *src, int x0, int y0,
                            struct hc_err *err) HC_MUST_CHECK;

// ---- align_pyramid.c

#define HC_ALIGN_LEVELS 5        // each 4 times smaller than the one before
#define HC_ALIGN_COARSE_SIDE 256 // px, at most, of the coarse plane

struct hc_align_pyramid {
    struct hc_align_level level[HC_ALIGN_LEVELS]; // 1/base, 1/(4 base) ... of full size
    int levels;
    struct hc_plane coarse; // 1/coarse_k of full size
    int coarse_k;
    double floor; // gradient (tone per px) up to which there is only noise to see
};
// HC_EDATA when the view is blank; `which` names it. Reads src once when base is 1.
hc_status hc_align_pyramid_create(struct hc_align_pyramid *p, const struct hc_align_source *src,
                                  int base, int levels, int coarse_k, const char *which,
                                  struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
void hc_align_pyramid_release(struct hc_align_pyramid *p);

// ---- align_ignore.c

// Ignored polygons of one picture as a mask with cells of `px` full px; no pixels: nothing ignored.
struct hc_align_mask {
    struct hc_plane plane;
    double px;
};
// HC_EARG for a polygon of under three corners or a corner that is not a number; HC_ENOMEM.
hc_status hc_align_mask_create(struct hc_align_mask *m, const struct hc_align_ignore *ignore, int w,
                               int h, struct hc_err *err) HC_MUST_CHECK;
void hc_align_mask_release(struct hc_align_mask *m);
// The point, or one `margin` beside it along x or y, is ignored (full px). m may be NULL.
bool hc_align_mask_has(const struct hc_align_mask *m, struct hc_pt p, double margin);

// ---- align_orient.c

#define HC_ALIGN_MARGIN 6 // px the orientations need around them: 5 of blur, 1 of gradient

// The orientation field (eq. 1) of img without `margin` px on each side, times `weight` (of that
// size), its weighted mean taken off first. Written to the top-left of the n x n complex array z;
// the rest is zeroed. *contrast gets the 90 % quantile of the gradient, tone per px.
hc_status hc_align_orient(float *z, int n, const struct hc_plane *img, int margin,
                          const struct hc_plane *weight, double *contrast) HC_MUST_CHECK;

struct hc_align_peak {
    double dx, dy;    // px
    double score;     // peak over the standard deviation of the surface
    double rival;     // the best other maximum, at least 5 px away, over the peak
    double roundness; // lesser over greater curvature at the summit (fine correlation only)
};

// Half-whitened correlation (eq. 2): where does b lie against a, |dx|, |dy| <= radius? `a` holds
// the transform of one field, `b` a field; b is overwritten.
struct hc_align_peak hc_align_correlate(const struct hc_fft2 *fft, int n, const float *a, float *b,
                                        int radius);
// The same for two fields, with the summit found by Newton steps on the trigonometric interpolation
// of the surface (eq. 3) instead of a parabola. Both are overwritten.
struct hc_align_peak hc_align_correlate_fine(const struct hc_fft2 *fft, int n, float *a, float *b,
                                             int radius);

// ---- align_coarse.c

// Similarities to try between two reduced planes, about their centres: `turns` (odd) steps round
// turn_deg, `scales` (odd) factors round scale (reduced view px per reduced frame px).
struct hc_align_grid {
    double turn_deg, turn_step_deg;
    int turns;
    double scale, scale_ratio;
    int scales;
};
struct hc_align_start {
    struct hc_homog frame_to_view; // full px
    double score;                  // peak over the standard deviation of its surface
};
// A view reduced by k to 512 px or less.
struct hc_align_coarse {
    const struct hc_plane *plane;
    double k;
    const struct hc_align_mask *ignored;
};
// The best of a grid.
hc_status hc_align_coarse(struct hc_align_start *out, const struct hc_align_coarse *ref,
                          const struct hc_align_coarse *view, const struct hc_align_grid *grid,
                          struct hc_par *par, struct hc_err *err) HC_MUST_CHECK;

// ---- align_search.c

#define HC_ALIGN_SEARCH_SIDE 768 // px, at most, of the planes searched
#define HC_ALIGN_TIERS 3
#define HC_ALIGN_CANDIDATES 6 // at most, from one search
// Likely places of one picture in the other, best first. Tier 0: both show about the same length
// (0.67 to 1.5); tier 1: the smaller one 0.4 to 0.72, tier 2: 0.22 to 0.43 of the other's length.
// `out` has room for HC_ALIGN_CANDIDATES; of each only frame_to_view and score are filled.
hc_status hc_align_search(struct hc_align_start *out, int *count, int tier, bool is_view_small,
                          const struct hc_align_coarse *ref, const struct hc_align_coarse *view,
                          struct hc_par *par, struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// ---- align_lens.c

// Radial distortion of the view (align.h, lens_k1), full px. {0}: none.
struct hc_align_lens {
    double k1, k2;
    struct hc_pt centre;
    double radius;
};
// From where a straight view would show a point to where this one does.
struct hc_pt hc_align_lens_apply(const struct hc_align_lens *l, struct hc_pt q);

// ---- align_tile.c

// One tile pass over a pair of levels: measure where the view lies against the frame on a grid of
// tiles, given the map found so far.
struct hc_align_measure {
    double x, y;   // centre, frame px at full size
    double dx, dy; // frame px at full size: view(map(p + d)) looks like frame(p)
    double peak, rival;
    bool is_textured, is_clear, is_held_out;
    bool is_ignored; // more than a fifth of its window is: no say, as if it had no texture
};
struct hc_align_pass {
    const struct hc_align_level *ref, *view;
    struct hc_homog frame_to_view; // so far, full px
    double floor_ref, floor_view;  // gradient (tone per px) up to which a tile has no texture
    int size, step, radius;        // of a tile, between tiles, of the search: level px
    struct hc_align_lens lens;     // after frame_to_view
    int x0, y0, x1, y1;            // part of the reference where tiles are laid, level px;
                                   // x1 = 0: all of it
    const struct hc_align_mask *ignored_ref, *ignored_view;
    bool is_staggered; // half a step out: between the tiles laid without, and over the border
};
// *out: *n tiles in row order, owned by the caller. Staggered tiles that hang over the border have
// their centre where the part inside has it.
hc_status hc_align_measure(struct hc_align_measure **out, size_t *n,
                           const struct hc_align_pass *pass, struct hc_par *par, struct hc_job *job,
                           struct hc_err *err) HC_MUST_CHECK;

// ---- align_fit.c

enum hc_align_model { HC_ALIGN_SIMILARITY, HC_ALIGN_AFFINE, HC_ALIGN_HOMOGRAPHY };

// Fit frame -> view from clear tiles: similarity, affine or homography relative to `start`, the
// simplest that the held-out tiles support. `sofar` is the map the tiles were measured with,
// `reach` the agreement distance in full px. HC_EREFUSED when fewer than 6 clear tiles.
struct hc_align_model_fit {
    struct hc_homog frame_to_view;
    enum hc_align_model model;
    size_t clear, agreeing;
};
hc_status hc_align_fit_map(struct hc_align_model_fit *out, const struct hc_align_measure *tile,
                           size_t n, const struct hc_homog *start, const struct hc_homog *sofar,
                           struct hc_pt centre, double half_diagonal, double reach,
                           struct hc_err *err) HC_MUST_CHECK;
// Measured minus fitted place of a tile, frame px.
struct hc_pt hc_align_residual(const struct hc_align_measure *tile, const struct hc_homog *sofar,
                               const struct hc_homog *fitted_inverse);

// ---- align_lens.c, fit

// Is there distortion left in the tiles, measured through `sofar` and the lens so far, beyond the
// map that was fitted to them? Then the lens changes, and the measurements are said anew for it.
// `unit` is one level px in view px.
hc_status hc_align_lens_fit(bool *is_found, struct hc_align_lens *lens,
                            struct hc_align_measure *tile, size_t n, const struct hc_homog *sofar,
                            const struct hc_homog *map, double unit,
                            struct hc_err *err) HC_MUST_CHECK;
// Put the lens into the field (made when *field is NULL): map(p + field) then shows it.
hc_status hc_align_lens_into_field(struct hc_align_field **field, const struct hc_align_lens *lens,
                                   const struct hc_homog *map, double w, double h,
                                   struct hc_err *err) HC_MUST_CHECK;

// ---- align_judge.c

#define HC_ALIGN_REACH_PX 3.0 // a tile agrees when it lies this close to the fit, px of its level

// ---- align_bend.c

// A tile's say in the residual field: where it lies and by how much the homography misses, frame
// px.
struct hc_align_sample {
    double x, y, d[2];
    double weight; // 0 when it does not agree with its neighbours
    bool is_held_out;
};
// The field over a w x h frame from tiles in a part of it, `step` px apart whose displacements are
// trusted to about `unit` px (section 9 of the theory); writes the weights. *out is NULL, and HC_OK
// returned, when the held-out tiles do not gain clearly. Otherwise owned by the caller.
hc_status hc_align_bend(struct hc_align_field **out, struct hc_align_sample *s, size_t n,
                        struct hc_box part, double w, double h, double step, double unit,
                        struct hc_err *err) HC_MUST_CHECK;
struct hc_align_field *hc_align_field_create(int cols, int rows, double cell_px); // NULL: no memory
void hc_align_bend_release(struct hc_align_field *f);
// The greatest singular value of the field's derivative over the w x hgt frame, and its greatest
// length.
void hc_align_bend_extent(const struct hc_align_field *f, double w, double hgt, double *strain,
                          double *longest_px);

// ---- align_opinion.c

// How far another method, mutual information of the tones on overviews, would move the fit: the
// mean displacement over the frame, frame px; NaN when the tones say nothing about place. Further
// than *limit_px the two disagree.
hc_status hc_align_opine(double *away_px, double *limit_px, const struct hc_align_placing *pl,
                         const struct hc_align_fit *fit, struct hc_par *par,
                         struct hc_err *err) HC_MUST_CHECK;

// ---- align_judge.c, thresholds

#define HC_ALIGN_MIN_SUPPORTED 0.3 // share of the frame; less is refused
#define HC_ALIGN_GOOD_SUPPORTED 0.6

// A placement under way.
struct hc_align_placing {
    struct hc_align_mask ignored_ref, ignored_view;
    struct hc_align_pyramid ref, view;
    int w, h, view_w, view_h; // full px
    struct hc_box roi;        // part of the frame where tiles are laid
    struct hc_align_start start;
    struct hc_homog sofar, map; // the last tiles were measured with sofar, and gave map
    enum hc_align_model model;  // of map
    struct hc_align_lens lens;  // after map
    size_t clear, agreeing;     // tiles of the last pass
    struct hc_align_measure *tile;
    size_t n;
    int tile_k, step_px; // level and spacing (full px) of the last tiles
    bool is_doubled;     // staggered tiles were added to them
};
// The strain over the box is below a tenth.
bool hc_align_is_plausible(const struct hc_homog *h, struct hc_box box);
// The report and the verdict from the last tiles. *is_bent: it is one picture but a homography
// does not do, so that more tiles could make a field, or a better one. out is released by the
// caller also on failure.
hc_status hc_align_judge(struct hc_align_fit *out, bool *is_bent, const struct hc_align_placing *pl,
                         struct hc_err *err) HC_MUST_CHECK;
// Add the second opinion to the report: a disagreement is said, and "good" becomes "usable".
void hc_align_report_opinion(struct hc_align_fit *out, double away_px, double limit_px);

// ---- align_report.c

// The linear part of the map at a point: dx'/dx, dx'/dy, dy'/dx, dy'/dy.
void hc_align_jacobian(double j[4], const struct hc_homog *h, double x, double y);
// Greatest squeeze, shear or change of scale at a corner of the box relative to its centre;
// HUGE_VAL when the map folds it.
double hc_align_strain(const struct hc_homog *h, struct hc_box box);
// Shift, rotation, scale, mirror, outline and what is shown, from out->frame_to_view and the field.
void hc_align_report_place(struct hc_align_fit *out, int w, int h, int view_w, int view_h);
// Share of what the view shows of the box that lies within two steps of an agreeing tile.
double hc_align_area_supported(const struct hc_align_fit *fit, struct hc_box box, double step,
                               int view_w, int view_h);
// All cells 0, for a frame of w x h px and tiles `step` px apart; owned by the caller.
hc_status hc_align_support_create(struct hc_align_support *s, int w, int h, double step,
                                  struct hc_err *err) HC_MUST_CHECK;
struct hc_pt hc_align_support_centre(const struct hc_align_support *s, int i, int j, int w, int h);
// Made anew from the tiles of the report.
hc_status hc_align_report_support(struct hc_align_fit *out, int w, int h, double step, int view_w,
                                  int view_h, struct hc_err *err) HC_MUST_CHECK;

#endif
