// Simulated varnished paintings with known truth, for the forecast's bench and tests only.
//
// A port of the simulation described in docs/theory/forecast.md, section "The scenes": paints are
// mixtures (Kubelka-Munk) of measured oil paints; nothing of them is known to the estimator.
#ifndef HC_BENCH_SCENE_H
#define HC_BENCH_SCENE_H

#include <stdint.h>

#include "base/err.h"
#include "forecast/forecast.h"
#include "num/plane.h"

struct hc_paints; // the measured reflectances and the calibration patches
// root: the source tree (tests/data below it).
hc_status hc_paints_load(struct hc_paints **out, const char *root,
                         struct hc_err *err) HC_MUST_CHECK;
void hc_paints_free(struct hc_paints *p);

struct hc_scene_recipe {
    uint64_t seed;
    int side;           // px; 160
    double coat_cv;     // 0.30 uneven, 0.08 even
    double haze_factor; // 1; 3 very hazy; 0.2 nearly clear
    int n_windows;
};

struct hc_scene {
    int side, n_windows;
    struct hc_lin3 before;     // with noise
    struct hc_lin3 after;      // photographed after cleaning, with noise (the windows look here)
    struct hc_lin3 truth;      // after cleaning, without noise: what is scored against
    struct hc_plane uv, cover; // cover: 1 where overpaint lies over the varnish
    struct hc_plane coat;      // true effective coat
    int window_x[32], window_y[32];
    struct hc_forecast_window window[32];
    float *pixels; // backs window[]
};

#define HC_SCENE_WINDOW 9 // window side, px

hc_status hc_scene_make(struct hc_scene *s, const struct hc_paints *paints,
                        const struct hc_scene_recipe *recipe, struct hc_err *err) HC_MUST_CHECK;
void hc_scene_release(struct hc_scene *s);

#endif
