// Simulated photographs of a target, for tests and bench: cameras of known spectral sensitivity
// (tests/data/camera_sensitivities.csv) look at the 24 average chart spectra.
#ifndef HC_CALIBRATE_SCENE_H
#define HC_CALIBRATE_SCENE_H

#include "base/rng.h"
#include "calibrate/calibrate.h"

// Everything read from tests/data below `root`; false when a file is missing or damaged.
struct hc_scene_data {
    struct hc_readings chart;   // 24 spectra
    struct hc_readings cameras; // 6 curves: a_r a_g a_b b_r b_g b_b
    struct hc_target target;    // 4 x 6
};
bool hc_scene_load(struct hc_scene_data *out, const char *root);
void hc_scene_release(struct hc_scene_data *s);
bool hc_scene_read(struct hc_readings *out, const char *root, const char *path);

// Linear camera values of n spectra (on the wavelengths of `r`) under a light; white gives 1, 1, 1.
// camera: 0 or 1.
void hc_scene_camera(double (*rgb)[3], const struct hc_scene_data *s, const struct hc_readings *r,
                     int camera, const char *light);

struct hc_scene_picture {
    int w, h;
    struct hc_pt corner[4]; // middles of the corner patches
    double gap;             // share of the patch distance
    double blur_px;         // Gaussian, sd
    double noise;           // sd at white, grows with the root of the light
    double surround[3], border[3];
    uint64_t seed;
};
// Draws rows x cols patches of the given linear colours, 3 x 3 samples a pixel.
hc_status hc_scene_draw(struct hc_lin3 *out, const struct hc_scene_picture *p,
                        const double (*rgb)[3], int rows, int cols, struct hc_err *err);
// A plain placement: middle of the picture, `size_px` between patches, turned.
struct hc_scene_picture hc_scene_plain(int w, int h, double size_px, double turn_deg, int rows,
                                       int cols);

#endif
