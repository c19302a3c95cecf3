// What the files of the mosaic share. Equation numbers are those of docs/theory/mosaic.md.
#ifndef HC_ALIGN_ALIGN_MOSAIC_PRIV_H
#define HC_ALIGN_ALIGN_MOSAIC_PRIV_H

#include "align/align_priv.h"

struct hc_mosaic_plate {
    struct hc_align_source src;
    const char *name;
    struct hc_plane over;      // 1/over_k of full size
    struct hc_align_level mid; // finer, held in memory; looks at src when mid.k is 1
    double floor;              // gradient up to which there is only noise
    double range;              // of the tones, 1 % to 99 %
};

// A clear tile: the same detail in both plates, full px.
struct hc_mosaic_match {
    struct hc_pt a, b;
};
// What the coarse search says of a pair.
struct hc_mosaic_guess {
    struct hc_homog a_to_b; // full px
    double score;           // peak over the spread of the surface, 0 = none
};
#define HC_MOSAIC_GUESSES 2
struct hc_mosaic_pair {
    int a, b;
    struct hc_mosaic_guess guess[HC_MOSAIC_GUESSES]; // best first
    struct hc_homog a_to_b;                          // similarity, from tiles
    bool is_trusted, is_same;                        // is_same: both show the same area
    double share;                                    // of a's area
    int tiles;                                       // with texture in both
    struct hc_mosaic_match *match;                   // owned
    size_t n;
    size_t agreeing; // with the pair's own similarity
};

// ---- align_mosaic_search.c
// Fills the guesses of all pairs; pair[] lists every a < b, ordered by b, then a.
hc_status hc_mosaic_search(struct hc_mosaic_pair *pair, const struct hc_mosaic_plate *plate, int n,
                           int over_k, struct hc_par *par, struct hc_job *job,
                           struct hc_err *err) HC_MUST_CHECK;

// ---- align_mosaic_pair.c
// Tiles in the overlap of a pair; says whether it is trusted.
hc_status hc_mosaic_measure(struct hc_mosaic_pair *p, const struct hc_mosaic_plate *plate,
                            struct hc_par *par, struct hc_err *err) HC_MUST_CHECK;
// Share of plate a that lies in plate b, and the box of it in a, full px.
double hc_mosaic_overlap(struct hc_box *box, const struct hc_homog *a_to_b,
                         const struct hc_align_source *a, const struct hc_align_source *b);

// ---- align_mosaic_solve.c
struct hc_mosaic_solution {
    enum hc_align_model model;
    struct hc_homog *to_ref; // n: plate px -> px of the reference plate; owned
    double *corner_sd_px;    // n; owned
    double **miss_px;        // of each trusted pair's matches, left out of the fit once; owned
    double mean_px;          // their mean, each counted up to a ceiling
    double simpler_px;       // the same of the next simpler model, NaN for the simplest
};
hc_status hc_mosaic_solve(struct hc_mosaic_solution *out, const struct hc_mosaic_pair *pair,
                          size_t pairs, const struct hc_mosaic_plate *plate, int n, int reference,
                          struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
void hc_mosaic_solution_release(struct hc_mosaic_solution *s, size_t pairs);

// ---- align_mosaic_tone.c
// Gains and offsets of all plates (eq. 6), and what is left in each overlap. Blurs the overviews.
hc_status hc_mosaic_tone(struct hc_align_mosaic *m, struct hc_mosaic_plate *plate, int over_k,
                         bool is_gain_only, struct hc_err *err) HC_MUST_CHECK;

#endif
