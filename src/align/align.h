// Placement: where does this view lie in the frame?
//
// Answers with a transform from frame pixels to view pixels, and with a fit report a conservator can
// judge. Refuses rather than give a bad fit. Sign-blind gradient orientation correlation on tiles
// (theory: docs/theory/align.md). This stage is for views that differ little from the reference
// (same camera position: shift up to 24 px at full size, rotation within 1 degree, scale within 1 %).
// Pure: no file is touched. Memory: about 40 bytes per frame pixel while it runs.
#ifndef HC_ALIGN_ALIGN_H
#define HC_ALIGN_ALIGN_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"
#include "base/job.h"
#include "base/par.h"
#include "num/geom.h"
#include "num/plane.h"

struct hc_align_tile {
    double x, y;       // centre in the frame, px
    double dx, dy;     // measured shift minus fitted shift, px
    double peak;       // correlation peak over its background
    bool is_used;      // agreed with the fit
    bool is_held_out;  // left out of the fit, used to check it
};

enum hc_align_verdict { HC_ALIGN_GOOD, HC_ALIGN_USABLE, HC_ALIGN_REFUSED };

struct hc_align_fit {
    struct hc_homog frame_to_view; // frame px -> view px
    enum hc_align_verdict verdict;
    char why[200];          // one sentence for the verdict
    double shift_x_px, shift_y_px; // at the frame centre
    double rotation_deg, scale;
    double held_out_median_px, held_out_p95_px;
    int tiles, tiles_textured, tiles_used; // laid out, with texture, agreeing
    double area_supported;  // share of the frame within 2 tiles of an agreeing tile
    struct hc_align_tile *tile; // `tiles_textured` of them; owned
};

// ref and view: one channel each (linear light); they may differ in size by what the range allows.
// When the fit is bad the call still returns HC_OK with verdict HC_ALIGN_REFUSED and the report;
// HC_EDATA when a plane has no texture at all or is smaller than 128 px; HC_ECANCEL; HC_ENOMEM.
hc_status hc_align_place(struct hc_align_fit *out, const struct hc_plane *ref,
                         const struct hc_plane *view, struct hc_par *par, struct hc_job *job,
                         struct hc_err *err) HC_MUST_CHECK;
void hc_align_fit_release(struct hc_align_fit *fit);

// Exposure of `view` relative to `ref` on pixels where mask > 0.5 (mask NULL = all): the factor that
// view must be multiplied by, as a robust (median) ratio of linear light, with its spread
// (half-width of the central 68 % divided by the median, then by sqrt of the independent patches).
struct hc_align_exposure {
    double factor[3]; // per channel
    double common;    // one factor for all three (what is applied)
    double spread;    // relative, of the common factor
    size_t n;
};
// All planes have one size and lie in the frame. HC_EDATA when fewer than 1000 usable pixels.
hc_status hc_align_exposure(struct hc_align_exposure *out, const struct hc_lin3 *ref,
                            const struct hc_lin3 *view, const struct hc_plane *mask,
                            struct hc_err *err) HC_MUST_CHECK;

#endif
