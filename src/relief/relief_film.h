// The two-surface estimate, split over relief_lobe.c, relief_under.c and relief_film.c.
#ifndef HC_RELIEF_RELIEF_FILM_H
#define HC_RELIEF_RELIEF_FILM_H

#include "relief/relief_priv.h"

#define HC_RELIEF_LOBE_ZENITH 40.0 // lamps up to here may show highlights of a nearly flat film
#define HC_RELIEF_RAKE_ZENITH 45.0

struct hc_relief_film_work {
    const struct hc_relief_film_input *in;
    int w, h, n;
    double index, film_mm, mm;
    double zenith[HC_RELIEF_MAX_LIGHTS];
    double facet[HC_RELIEF_MAX_LIGHTS][2]; // slope that mirrors lamp k into the camera
    bool has_lobe[HC_RELIEF_MAX_LIGHTS];
    struct hc_plane diffuse[HC_RELIEF_MAX_LIGHTS]; // light from the paint, corrected; owned
    bool is_owned;
    struct hc_plane p, q, lobe2, seen; // film slopes, squared width of the lobe, 1 = highlight seen
    struct hc_plane strength; // of the lobe, so that S = strength / (lobe2 + |facet - b|^2)^2
    double floor_signal;      // a highlight counts above this
    struct hc_par *par;
};

// Film slopes from the highlights `spec` of the lamps that may show one (planes of other lamps are
// not read); fills p, q, lobe2, strength, seen; unseen pixels are bridged by their surroundings.
hc_status hc_relief_lobe_fit(struct hc_relief_film_work *w, const struct hc_plane *spec,
                             struct hc_err *err) HC_MUST_CHECK;
double hc_relief_lobe_value(const struct hc_relief_film_work *w, int k, int x, int y);

// Paint slopes from w->diffuse with the film given: every `stride`-th lamp from `first`. is_bare:
// as if there were no film. Also rho (signal) and the trimmed sum of squared misfits per pixel.
struct hc_relief_under {
    struct hc_plane p, q, rho, misfit;
};
hc_status hc_relief_under_solve(struct hc_relief_under *out, const struct hc_relief_film_work *w,
                                int first, int stride, bool is_bare,
                                struct hc_err *err) HC_MUST_CHECK;
void hc_relief_under_release(struct hc_relief_under *u);
// Signal of lamp k that the solved paint and film predict.
double hc_relief_under_signal(const struct hc_relief_under *u, const struct hc_relief_film_work *w,
                              int k, int x, int y);

// 1 where the mask lets a pixel count (NULL: everywhere), else 0.
double hc_relief_keep(const struct hc_plane *mask, int x, int y);
// Figures of the band-filtered slopes f: paint p, q of the odd and of the even lamps, film p, q.
struct hc_relief_dots {
    double ab, aa, self; // <(a1 + a2).b> / 2, <a1.a2>, <a1^2 + a2^2> / 2
};
void hc_relief_film_retained(struct hc_relief_film *out, const struct hc_plane *const f[6],
                             const struct hc_plane *mask, struct hc_relief_dots *all);
hc_status hc_relief_film_fill(struct hc_relief_film *out, const struct hc_relief_film_work *w,
                              struct hc_relief_band band, struct hc_err *err) HC_MUST_CHECK;
#define HC_RELIEF_FULL_COVERAGE                                                                    \
    0.9 // what is bridged between highlights is too smooth to integrate or to map

#endif
