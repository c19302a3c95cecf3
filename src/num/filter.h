// Sampling and smoothing of planes. Coordinates are pixel coordinates with centres at +0.5 (see
// geom.h). Samples outside the plane take the nearest edge pixel.
#ifndef HC_NUM_FILTER_H
#define HC_NUM_FILTER_H

#include "base/err.h"
#include "num/plane.h"

float hc_filter_bilinear(const struct hc_plane *p, double x, double y);
// Catmull-Rom cubic convolution (Keys, IEEE Trans. ASSP 29(6), 1981, a = -0.5).
float hc_filter_bicubic(const struct hc_plane *p, double x, double y);
// Separable Gaussian, sigma in px, kernel cut at 4 sigma, edges replicated. dst may be src.
hc_status hc_filter_gauss(struct hc_plane *dst, const struct hc_plane *src, double sigma_px,
                          struct hc_err *err) HC_MUST_CHECK;
// Mean over k x k cells; dst has ceil(w/k) x ceil(h/k) pixels, edge cells average what they cover.
void hc_filter_box_down(struct hc_plane *dst, const struct hc_plane *src, int k);

#endif
