// Per-pixel solvers of the room: many pixels at once, one lane each.
#ifndef HC_RELIEF_RELIEF_SOLVE_H
#define HC_RELIEF_RELIEF_SOLVE_H

#include "relief/relief.h"

#define HC_RELIEF_LANES 32
#define HC_RELIEF_SEGMENT 512 // pixels per call of the plain solver

typedef float hc_relief_lanes[HC_RELIEF_LANES];

// What the solvers share for one set.
struct hc_relief_plan {
    int n; // lights
    enum hc_relief_method method;
    float trim_low, trim_high, noise_sd;
    bool has_sigma;
    float shadow, clip; // samples count between these
    uint16_t from16;    // the same for 16 bits: (int16_t)(v + from16) < count16
    int16_t count16;
    unsigned char swap[543][2]; // sorting network for n values
    int swaps;
    // Plain least squares, all lamps far: g = plain[.][k] v_k, rows of (L^T W L)^-1 L^T W.
    float plain[3][HC_RELIEF_MAX_LIGHTS];
    float dir[3][HC_RELIEF_MAX_LIGHTS];
    float cov[6]; // (L^T W L)^-1
};

// Samples of up to HC_RELIEF_LANES pixels and their light vectors; masked samples have weight 0.
struct hc_relief_chunk {
    hc_relief_lanes v[HC_RELIEF_MAX_LIGHTS], weight[HC_RELIEF_MAX_LIGHTS];
    hc_relief_lanes light[3][HC_RELIEF_MAX_LIGHTS];
    hc_relief_lanes p, q, albedo, slope_sd, used; // results
    hc_relief_lanes ssr, power;                   // of the used samples
    // work
    hc_relief_lanes w[HC_RELIEF_MAX_LIGHTS], sorted[HC_RELIEF_MAX_LIGHTS];
    hc_relief_lanes g[3], cov[6];
};

void hc_relief_network(struct hc_relief_plan *plan); // fills swap, swaps from n
void hc_relief_solve_chunk(struct hc_relief_chunk *c, const struct hc_relief_plan *plan);

// One segment of m <= HC_RELIEF_SEGMENT pixels by plain least squares; `masked` is 1 where a sample
// lies outside the plan's limits and the pixel must be solved another way.
struct hc_relief_segment {
    float *p, *q, *albedo, *slope_sd; // rows of the caller
    float masked[HC_RELIEF_SEGMENT];
    float ssr[HC_RELIEF_SEGMENT], power[HC_RELIEF_SEGMENT];
};
void hc_relief_plain_f(struct hc_relief_segment *out, const float *const *v, int m,
                       const struct hc_relief_plan *plan);
void hc_relief_plain_u16(struct hc_relief_segment *out, const uint16_t *const *v, int m,
                         const struct hc_relief_plan *plan);

#endif
