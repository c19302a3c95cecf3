// Placement: where does this view lie in the frame?
//
// Answers with a transform from frame pixels to view pixels, and with a fit report a conservator
// can judge. Refuses rather than give a bad fit; pairs of points marked by hand are the other way
// (hc_align_points). Sign-blind gradient orientation correlation on
// tiles (theory, thresholds and their reasons: docs/theory/align.md). A view from the same camera
// position (shift up to a few per cent of the side, turn within 2 degrees, scale within 2 %) is
// tried first; then any turn, mirrored or not, with one picture 0.22 to 4.5 times as long as the
// other: a detail that lies in the frame, or a view that shows more than the frame, each with its
// own pixels per millimetre.
//
// Coordinates are pixel coordinates with centres at +0.5 (num/geom.h), angles are positive from x
// towards y (clockwise on screen). Pure: no file is touched; the caller lends readers. Memory: at
// most 2 bytes per pixel of the larger view plus 40 MB (and per thread 2 MB).
#ifndef HC_ALIGN_ALIGN_H
#define HC_ALIGN_ALIGN_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"
#include "base/job.h"
#include "base/par.h"
#include "num/geom.h"
#include "num/plane.h"

// One channel (linear light, or any monotone tone) of a view, read piece by piece so that a large
// raster need never be held. `read` fills out->w x out->h pixels from x0, y0; the rectangle always
// lies inside w x h and out->px is allocated (out->stride may exceed out->w). It is called from the
// thread that called hc_align_place, never twice at once: first whole-width strips from top to
// bottom, then boxes of up to about 200 px a side in rows of tiles. When the first placement is
// refused, strips once more for the wide search, and strips and boxes for each place it finds that
// the tiles have to judge; boxes once more when the painting has bent, strips once more for the
// second opinion on small views and on details. It must return the same pixels each time. A
// failure of `read` ends the placement with that status.
struct hc_align_source {
    int w, h;
    hc_status (*read)(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err);
    void *ctx;
};

// A source that looks at a plane; the plane must outlive it.
struct hc_align_source hc_align_source_plane(const struct hc_plane *p);

struct hc_align_tile {
    double x, y;      // centre in the frame, px
    double dx, dy;    // measured place minus fitted place, frame px
    double peak;      // correlation peak over the standard deviation of its background
    bool is_clear;    // the peak stands out and has no rival: the tile has a say
    bool is_used;     // clear, and agrees with the fit
    bool is_held_out; // left out of the fit, used to check it
};

// A smooth displacement of frame points: dx[j * cols + i], dy[...] (frame px) at the node
// (i * cell_px, j * cell_px) of the frame, i < cols, j < rows; the nodes reach the right and bottom
// edge or pass it by less than a cell. Between nodes cubic convolution (Keys 1981, a = -0.5), at
// the border with a node added by straight continuation; outside the nodes the nearest border
// value.
struct hc_align_field {
    int cols, rows; // 4 or more
    double cell_px;
    float *dx, *dy;
};
struct hc_pt hc_align_field_at(const struct hc_align_field *f, struct hc_pt frame);

// Where tiles (or pairs) speak for the placement: cell (i, j) of the frame covers cell_px x cell_px
// px from (i * cell_px, j * cell_px), i < cols, j < rows, the last ones cut by the border.
struct hc_align_support {
    int cols, rows;
    double cell_px;
    unsigned char *is_supported; // 1 = an agreeing tile lies within 2 tiles of the cell's centre;
                                 // 0 = extrapolated, or not shown by the view
};

// What is left out of the comparison: a cradle or stretcher that an X-ray shows, a clamp, a colour
// target beside the painting. Polygons in px of the picture they lie in.
struct hc_align_ignore {
    const struct hc_pt *const *poly; // n polygons
    const size_t *corners;           // of corners[i] corners each
    size_t n;
};
struct hc_align_options {
    struct hc_align_ignore frame, view; // {0} = nothing is ignored
};

enum hc_align_verdict { HC_ALIGN_GOOD, HC_ALIGN_USABLE, HC_ALIGN_REFUSED };

struct hc_align_fit {
    struct hc_homog frame_to_view; // frame px -> view px
    enum hc_align_verdict verdict;
    char why[480];                              // one sentence for the verdict
    double shift_x_px, shift_y_px;              // view minus frame position ...
    double rotation_deg, scale;                 // ... at the middle of what the view shows
    bool is_mirrored;                           // left-right first, then rotation_deg
    double held_out_median_px, held_out_p95_px; // residual of clear held-out tiles that agree
    int tiles, tiles_textured, tiles_clear, tiles_used; // laid out, with texture, clear, agreeing
    double area_supported;      // share of the frame shown by the view that lies within 2 tiles of
                                // an agreeing one
    struct hc_align_tile *tile; // `tiles_textured` of them; owned
    // What the homography leaves: the view position is frame_to_view(p + field(p)). NULL when the
    // held-out tiles do not gain clearly, then the homography is all. dx, dy of the tiles, the
    // held-out figures, is_used and the verdict are those of the fit with the field. Owned.
    struct hc_align_field *field;
    double field_strain_max; // greatest stretch by the field, e.g. 0.02 = 2 %; 0 without a field
    double field_max_px;     // its greatest length
    // How far another method (mutual information of the tones on overviews of at most 512 px,
    // within 3 px of the fit there) would move the fit: mean over the frame, frame px. It moves
    // nothing. Over 1 px of the overview `why` says so and the verdict is at best usable. NaN when
    // the tones say nothing about place, for a refused fit and for pairs of points.
    double second_opinion_px;
    // Radial distortion of the view against the frame, found only when held-out tiles gain by it:
    // a point u = (q - c) / r of the view (c its centre, r half its diagonal) is moved to
    // u (1 + k1 |u|^2 + k2 |u|^4) (Brown 1966; from memory). 0, 0 = none. For information: `field`
    // already holds its effect, so hc_align_map needs nothing more.
    double lens_k1, lens_k2;
    char kind[80];        // what was fitted, in words: "homography and bend", "pairs of points" ...
    double tile_pitch_px; // distance between the centres of neighbouring tiles, frame px
    double view_per_frame;   // view px per frame px at the middle of what the view shows
    bool is_detail;          // the view shows under half of the frame's area
    struct hc_pt outline[4]; // the view's corners in the frame, px (top left of the view first,
                             // then along its border; partly outside the frame where it shows more)
    struct hc_align_support support; // owned; cols 0 when refused before tiles were laid
};

// When the fit is bad the call still returns HC_OK with verdict HC_ALIGN_REFUSED and the report
// (frame_to_view is then the last guess, not to be used). HC_EDATA when a source has no texture at
// all or a side below 128 px; HC_ECANCEL; HC_ENOMEM; what `read` returned. `out` needs no release
// after a failure. The same sources give the same bits for any number of threads.
// `options` may be NULL.
hc_status hc_align_place(struct hc_align_fit *out, const struct hc_align_source *ref,
                         const struct hc_align_source *view, const struct hc_align_options *options,
                         struct hc_par *par, struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
void hc_align_fit_release(struct hc_align_fit *fit);

// Frame px to view px with all that the fit knows. Needs frame_to_view and field only, so a fit
// that was stored can be made again from these.
struct hc_pt hc_align_map(const struct hc_align_fit *fit, struct hc_pt frame);

// Placement by hand, when hc_align_place refuses: frame[i] and view[i], i < n, are the same detail
// of the painting, in pixels of the frame and of the view. 4 to HC_ALIGN_MAX_PAIRS pairs; 8 to 12
// spread to the corners are good. The report is the same: `tile` has the n pairs in their order,
// dx, dy the miss of each against the fit of all the others (what the held-out figures are made
// of), area_supported the share of what the view shows of the frame inside the convex hull of the
// pairs, `support` the cells there, tile_pitch_px 0.
//
// With exactly 4 pairs the map is exact and nothing is left to check it: held_out_median_px and
// held_out_p95_px are NaN (not known) and the verdict is at best "usable". When one pair, or two of
// 9 or more, spoil an agreement of the others, `why` names them (pairs count from 1), they are not
// is_used, dx, dy are misses against the fit of the others, and the verdict is HC_ALIGN_REFUSED.
//
// HC_EREFUSED when no map is determined: under 4 pairs, two pairs at almost the same place, all
// nearly on a line; HC_EARG for a point outside the frame or not finite; HC_ELIMIT for too many
// pairs; HC_ENOMEM. A map that folds or stretches, pairs that enclose under 30 % of what the view
// shows or disagree return HC_OK and are refused by verdict, as in hc_align_place.
#define HC_ALIGN_MAX_PAIRS 40
hc_status hc_align_points(struct hc_align_fit *out, const struct hc_pt *frame,
                          const struct hc_pt *view, size_t n, int frame_w, int frame_h, int view_w,
                          int view_h, struct hc_err *err) HC_MUST_CHECK;

// Exposure of `view` relative to `ref` on pixels where mask > 0.5 (mask NULL = all): the factor
// that view must be multiplied by, as a robust (median) ratio of linear light, with its spread.
// Near-black (below 0.02) and nearly clipped (above 0.97) pixels are left out; windows are left out
// by the caller's mask, with a margin of a few pixels for the blur between the two photographs.
struct hc_align_exposure {
    double factor[3]; // per channel; equal to `common` for a channel with too few usable pixels
    double common;    // one factor for all three (what is applied)
    double spread;    // relative: half-width of the central 68 % of patch ratios over the median,
                      // divided by the square root of the 64-px cells that hold usable patches
    size_t n;         // usable pixels behind `common`
};
// All planes have one size and lie in the frame. HC_EARG when sizes differ, HC_EDATA when fewer
// than 1000 usable pixels, HC_ENOMEM.
hc_status hc_align_exposure(struct hc_align_exposure *out, const struct hc_lin3 *ref,
                            const struct hc_lin3 *view, const struct hc_plane *mask,
                            struct hc_err *err) HC_MUST_CHECK;

// ---- Mosaic: plates that overlap, solved together -----------------------------------------------

// Where do the plates of one picture (X-ray films, infrared frames) lie against each other? Every
// pair is compared, no layout or order is asked for; then the transforms of all plates are solved
// together by robust least squares over all overlaps (docs/theory/mosaic.md). Plates are of one
// technique and exposure series: turned against each other by at most about 4 degrees, of one scale
// within about 2 %, overlapping by 8 % of a side or more.
#define HC_ALIGN_MOSAIC_MAX 60

struct hc_align_mosaic_plate {
    struct hc_homog to_mosaic; // plate px -> mosaic px
    double gain, offset;       // tone in the mosaic = gain * tone of the plate + offset
    int overlaps;              // trusted overlaps with other plates
    double corner_sd_px; // standard deviation of the worst corner against the reference plate,
                         // as far as the tiles' scatter tells, mosaic px
};
struct hc_align_mosaic_overlap {
    int a, b;               // plates
    double share;           // overlap as a share of plate a's area
    int tiles, tiles_clear; // that lie in both plates with texture; that have a say
    int tiles_used;         // that agree with the common solution
    double held_out_median_px, held_out_p95_px; // of agreeing tiles, each left out of the fit once
    double tone_left; // rms tone difference after gain and offset, over the reference plate's range
};
struct hc_align_mosaic {
    struct hc_align_mosaic_plate *plate; // n, in the order given; owned
    size_t n;
    struct hc_align_mosaic_overlap *overlap; // owned
    size_t overlaps;
    int reference; // the plate whose pixel grid the mosaic continues
    int w, h;      // mosaic px
    enum hc_align_verdict verdict;
    char why[480];                              // one sentence; names plates that join nothing
    char kind[24];                              // "similarity", "affine" or "homography" per plate
    double held_out_median_px, held_out_p95_px; // over all overlaps
    double simpler_px; // held-out mean of the next simpler model, which was left for `kind`; NaN
                       // for "similarity"
};

// name[i] is used in sentences. is_gain_only: the tone model has no offset (colour photographs).
// Refusal (a plate that joins nothing, one given twice, overlaps that contradict each other) is a
// verdict, not a failure; the transforms are then not to be used. HC_ERANGE for n below 2 or above
// HC_ALIGN_MOSAIC_MAX, HC_EDATA for a plate that is blank, not finite or below 128 px a side,
// HC_ECANCEL, HC_ENOMEM, what `read` returned. The same bits for any number of threads. Memory:
// about 2.5 MB per plate, and at most 1 byte per pixel of plates below 3000 px.
hc_status hc_align_mosaic_solve(struct hc_align_mosaic *out, const struct hc_align_source *plate,
                                const char *const *name, size_t n, bool is_gain_only,
                                struct hc_par *par, struct hc_job *job,
                                struct hc_err *err) HC_MUST_CHECK;
void hc_align_mosaic_release(struct hc_align_mosaic *m);

#endif
