// Points, polygons and plane transforms, in pixels of one frame (x right, y down). The centre of
// the top-left pixel is (0.5, 0.5); pixel (i, j) covers i..i+1, j..j+1.
#ifndef HC_NUM_GEOM_H
#define HC_NUM_GEOM_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"
#include "num/plane.h"

struct hc_pt {
    double x, y;
};

struct hc_box {
    double x0, y0, x1, y1;
};

// A homography, row-major 3x3: (x', y', w) = m (x, y, 1), then divided by w.
struct hc_homog {
    double m[9];
};

struct hc_homog hc_homog_identity(void);
struct hc_pt hc_homog_apply(const struct hc_homog *h, struct hc_pt p);
struct hc_homog hc_homog_compose(const struct hc_homog *second, const struct hc_homog *first);
hc_status hc_homog_invert(struct hc_homog *out, const struct hc_homog *h,
                          struct hc_err *err) HC_MUST_CHECK;

// Polygons are closed implicitly: the last corner joins the first.
double hc_poly_area(const struct hc_pt *p, size_t n); // px^2, never negative
struct hc_box hc_poly_box(const struct hc_pt *p, size_t n);
bool hc_poly_has(const struct hc_pt *p, size_t n, struct hc_pt q); // even-odd rule
bool hc_poly_is_crossing(const struct hc_pt *p, size_t n);         // crosses or touches itself
bool hc_poly_is_overlapping(const struct hc_pt *a, size_t na, const struct hc_pt *b, size_t nb);
// 1 where the pixel centre lies inside, else 0. `mask` covers x0.., y0.. of the frame. Returns the
// number of pixels set.
size_t hc_poly_mask(struct hc_plane *mask, int x0, int y0, const struct hc_pt *p, size_t n);

#endif
