// Surfaces of known height and slope and their pictures, for this room's tests and bench.
#ifndef HC_RELIEF_RELIEF_SCENE_H
#define HC_RELIEF_RELIEF_SCENE_H

#include "relief/relief.h"

#define RELIEF_WAVES 160

// A sum of cosine waves: exact slopes, and any transfer by wavelength.
struct relief_waves {
    double kx[RELIEF_WAVES], ky[RELIEF_WAVES]; // rad per mm; y up
    double phase[RELIEF_WAVES], amp_mm[RELIEF_WAVES], wavelength_mm[RELIEF_WAVES];
    int n;
};
// Wavelengths log-uniform in short..long, equal slope from each, rms slope as given.
struct relief_waves relief_waves_make(double short_mm, double long_mm, double rms_slope,
                                      uint64_t seed);
struct relief_waves relief_waves_kept(const struct relief_waves *w, double cut_mm, double solids,
                                      int coats); // through hc_relief_level_kept

struct relief_surface {
    struct hc_plane z, p, q; // mm, slopes
    double mm;
};
hc_status relief_surface_create(struct relief_surface *out, const struct relief_waves *w, int width,
                                int height, double mm, struct hc_err *err) HC_MUST_CHECK;
void relief_surface_release(struct relief_surface *s);

// Reflectance with smooth patches, 0.25 .. 0.75.
hc_status relief_albedo_create(struct hc_plane *out, int w, int h, uint64_t seed,
                               struct hc_err *err) HC_MUST_CHECK;

struct relief_look {
    bool has_cast;          // shadows cast by higher ground
    double ambient;         // share of the lamp's light that also comes from all round
    double gloss, lobe;     // strength and rms slope of the highlight; 0 = matte
    double noise_electrons; // full scale in electrons; 0 = no noise
    double exposure;
    bool is_clipped; // at 1
};
hc_status relief_render(struct hc_plane *out, const struct relief_surface *s,
                        const struct hc_plane *albedo, const struct hc_relief_light *light,
                        const struct relief_look *look, uint64_t seed,
                        struct hc_err *err) HC_MUST_CHECK;

// A varnished surface, traced through the film by Snell and Fresnel with first-order lateral shift,
// internal reflection spread by a Gaussian, highlights of the film, cast shadows of the film
// surface. crossed: light from the paint only.
struct relief_film_scene {
    struct relief_surface paint, film;
    struct hc_plane albedo;
    double index, film_mm, lobe;
    bool is_gauss;     // Gaussian lobe instead of GGX
    double scatter_px; // blur by light scattered inside the paint; 0 = none
    bool is_bare;      // no film at all: matte paint
};
hc_status relief_render_film(struct hc_plane *plain, struct hc_plane *crossed,
                             const struct relief_film_scene *s, const struct hc_relief_light *light,
                             double exposure, double noise_electrons, uint64_t seed,
                             struct hc_err *err) HC_MUST_CHECK;

#endif
