// Shared inside the room.
#ifndef HC_RELIEF_RELIEF_PRIV_H
#define HC_RELIEF_RELIEF_PRIV_H

#include "relief/relief.h"

#define HC_RELIEF_NEAR_AXIS_DEG 25.0

// Symmetric 3x3 as xx, xy, xz, yy, yz, zz.
struct hc_relief_sym3 {
    double m[6];
};
void hc_relief_sym3_add(struct hc_relief_sym3 *s, const double v[3], double w); // s += w v v^T
bool hc_relief_sym3_invert(struct hc_relief_sym3 *out, const struct hc_relief_sym3 *s);
void hc_relief_sym3_apply(double out[3], const struct hc_relief_sym3 *s, const double v[3]);
void hc_relief_sym3_eigen(double low_to_high[3], const struct hc_relief_sym3 *s);

double hc_relief_angle_deg(const double a[3], const double b[3]); // between unit vectors
bool hc_relief_normalise(double v[3]);                            // false for length 0

double hc_relief_fresnel_t(double cosine, double index); // unpolarised, air to film
// Share of white noise power (per component) that hc_relief_band_filter lets pass.
double hc_relief_band_noise(struct hc_relief_band band, double mm_per_px);

#endif
