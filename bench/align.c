// How closely views are placed, and how fast: docs/theory/align.md, section 6.
//   bench_align [side_px [seeds [threads [bend_px]]]]   default 2000 5 1 0
// bend_px: amplitude of a bend of 450 px wavelength (section 9).
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "align/align.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "base/rng.h"
#include "num/stats.h"

#define GRID 41

// Processor time: the bar is for one core, whatever else the machine does.
static double seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static struct hc_homog draw_map(int w, int h, uint64_t seed)
{
    struct hc_rng r = hc_rng_make(seed + 900);
    double turn = hc_rng_range(&r, -1, 1), scale = hc_rng_range(&r, 0.99, 1.01);
    double dx = hc_rng_range(&r, -24, 24), dy = hc_rng_range(&r, -24, 24);
    return align_scene_homog(w, h, turn, scale, dx, dy, hc_rng_range(&r, -0.002, 0.002));
}

static int run(int w, int h, enum align_technique t, uint64_t seed, double bend, struct hc_par *par)
{
    struct hc_err err = {0};
    struct hc_plane ref = {0}, view = {0};
    struct hc_align_fit fit = {0};
    struct align_view ref_view = {
        .frame_to_view = hc_homog_identity(), .technique = ALIGN_VIS, .w = w, .h = h};
    struct align_view at = {.frame_to_view = draw_map(w, h, seed), .technique = t, .w = w, .h = h};
    double *e = hc_mem_array(2 * GRID * GRID, sizeof *e), *plain = e ? e + GRID * GRID : NULL,
           start;
    hc_status st;
    at.bend = (struct align_bend){bend, 450};
    st = e ? align_scene_render(&ref, w, h, seed, &ref_view, &err) : HC_ENOMEM;
    if (st == HC_OK) {
        st = align_scene_render(&view, w, h, seed, &at, &err);
    }
    start = seconds();
    if (st == HC_OK) {
        struct hc_align_source a = hc_align_source_plane(&ref), b = hc_align_source_plane(&view);
        st = hc_align_place(&fit, &a, &b, NULL, par, NULL, &err);
        start = seconds() - start;
    }
    if (st == HC_OK) {
        static const char *const verdict[] = {"good", "usable", "refused"};
        for (int i = 0; i < GRID * GRID; i++) {
            struct hc_pt p = {(i % GRID) * w / (GRID - 1.0), (i / GRID) * h / (GRID - 1.0)};
            struct hc_pt q = hc_align_map(&fit, p), m = align_scene_map(&at, p);
            struct hc_pt o = hc_homog_apply(&fit.frame_to_view, p);
            e[i] = hypot(q.x - m.x, q.y - m.y);
            plain[i] = hypot(o.x - m.x, o.y - m.y);
        }
        printf(
            "%-7s %4llu  %6.3f %6.3f %6.3f   %6.3f %6.3f  %5d %5d %5d  %4.2f  %-7s %6.2f  %6.3f  "
            "%5.3f  %6.2f\n",
            align_technique_name[t], (unsigned long long)seed, hc_stats_median(e, GRID * GRID),
            hc_stats_quantile(e, GRID * GRID, 0.95), hc_stats_quantile(e, GRID * GRID, 1),
            fit.held_out_median_px, fit.held_out_p95_px, fit.tiles, fit.tiles_clear, fit.tiles_used,
            fit.area_supported, verdict[fit.verdict], start,
            fit.field ? hc_stats_median(plain, GRID * GRID) : 0.0, fit.field_strain_max,
            fit.second_opinion_px);
        fflush(stdout);
    } else {
        fprintf(stderr, "%s\n", err.what);
    }
    hc_align_fit_release(&fit);
    hc_plane_release(&ref);
    hc_plane_release(&view);
    hc_mem_free(e);
    return st != HC_OK;
}

int main(int argc, char **argv)
{
    int side = argc > 1 ? atoi(argv[1]) : 2000, seeds = argc > 2 ? atoi(argv[2]) : 5;
    int threads = argc > 3 ? atoi(argv[3]) : 1, failed = 0;
    double bend = argc > 4 ? atof(argv[4]) : 0;
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    if (side < 128 || side > 20000 || seeds < 1 || threads < 1 || threads > 64) {
        fprintf(stderr, "bench_align [side_px [seeds [threads [bend_px]]]]\n");
        return 2;
    }
    if (hc_par_create(&par, threads, &err) != HC_OK) {
        fprintf(stderr, "%s\n", err.what);
        return 1;
    }
    printf(
        "view    seed  true error, px          held-out, px   tiles clear  used  area  verdict "
        "seconds  no field  strain  second\n              median    p95    max   median    p95\n");
    for (int t = 0; t < ALIGN_WEAVE; t++) {
        for (int s = 1; s <= seeds; s++) {
            failed |= run(side, side, (enum align_technique)t, (uint64_t)s, bend, par);
        }
    }
    printf("peak memory incl. both views: %.1f MB\n", (double)hc_mem_peak() / 1e6);
    hc_par_destroy(par);
    return failed;
}
