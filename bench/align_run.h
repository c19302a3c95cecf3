// One pair of pictures with a known map: placed, timed and scored; rows of a set are summed up.
#ifndef HC_BENCH_ALIGN_RUN_H
#define HC_BENCH_ALIGN_RUN_H

#include <stdbool.h>
#include <stdio.h>

#include "align/align.h"

#define BENCH_SEEDS 64 // most results of one row

enum bench_method { BENCH_OURS, BENCH_ECC, BENCH_SIFT, BENCH_METHODS };
enum bench_verdict { BENCH_GOOD, BENCH_USABLE, BENCH_NONE, BENCH_VERDICTS };

struct bench_pair {
    const struct hc_plane *frame, *view;
    // Where a frame point truly lies in the view; `back` is about the way back (a homography).
    struct hc_pt (*truth)(const void *ctx, struct hc_pt frame);
    const void *ctx;
    struct hc_homog back;
    bool is_flipped; // told to OpenCV, not to us
};

// Errors in px of the coarser of the two pictures, on a 41 x 41 grid over what of the frame the
// view shows; inside_*: where the fit says that it is supported.
struct bench_result {
    enum bench_verdict verdict;
    double median, p95, max, inside_median, inside_p95, seconds; // of processor time
    double held_out_median, held_out_p95;
    bool has_field;
};

struct bench_row {
    char set[24], name[24];
    struct bench_result r[BENCH_METHODS][BENCH_SEEDS];
    int n[BENCH_METHODS];
};

struct bench_how {
    struct hc_par *par;
    bool with_opencv;
    FILE *raw; // one line per pair and method; may be NULL
};

// Places the pair by each method asked for and adds the results to the row. 0, or 1 after an error
// (told on stderr).
int bench_run(struct bench_row *row, const struct bench_pair *pair, const char *label,
              const struct bench_how *how);
void bench_print_head(void);
void bench_print(const struct bench_row *row);
void bench_print_total(const struct bench_row *rows, int n);

// Figures of a row: the quantile q over the runs that were given as good or usable.
double bench_figure(const struct bench_row *row, enum bench_method m, size_t offset, double q);
int bench_count(const struct bench_row *row, enum bench_method m, enum bench_verdict v);
int bench_wrong(const struct bench_row *row, enum bench_method m); // given, but over 2 px off
double bench_seconds(void);                                        // processor time so far
double bench_peak_mb(void);                                        // VmHWM of this process

#endif
