// How closely views are placed, and how fast: docs/theory/align.md, section 6.
//   bench_align [name=value ...]
//     sets=plain,bend,lens,turned,mirrored,small,wide,detail,turndet   which (all)
//     views=vis,test,gamma,inv,uv,ir,xray,raking               which (all)
//     frames=vis           techniques of the frame
//     photos=FOLDER        photographs instead of invented paintings (align_photo.c)
//     large=1              one pair without and one with a bend, of side 7071 unless told
//     side=2000 seeds=5 first=1 threads=1 opencv=0
//     raw=FILE             a line for each pair
//     results=FILE         bench/results.csv: rows of this room are written anew
// opencv=1 asks for ECC and SIFT beside it (a build with -Dbench_opencv=enabled).
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "align/align_scene.h"
#include "align_photo.h"
#include "align_results.h"
#include "align_run.h"
#include "align_sets.h"
#include "base/mem.h"
#include "base/rng.h"

#define MAX_ROWS 600

struct args {
    const char *sets, *views, *frames, *photos, *raw, *results;
    int side, seeds, first, threads, opencv, large;
};

static struct hc_pt truth(const void *ctx, struct hc_pt p)
{
    return align_scene_map(ctx, p);
}

static int one(struct bench_row *row, const struct bench_set *set, const struct hc_plane *frame,
               enum align_technique t, int seed, const struct bench_how *how)
{
    struct hc_err err = {0};
    struct hc_plane px = {0};
    struct hc_rng r = hc_rng_make((uint64_t)seed + 900);
    struct align_view view = {.technique = t};
    struct bench_pair pair = {
        .frame = frame, .view = &px, .truth = truth, .ctx = &view, .is_flipped = set->is_flipped};
    char label[16];
    int failed = 1;
    hc_status st;
    set->draw(&view, frame->w, frame->h, &r);
    snprintf(label, sizeof label, "%d", seed);
    st = hc_homog_invert(&pair.back, &view.frame_to_view, &err);
    if (st == HC_OK) {
        st = align_scene_render(&px, frame->w, frame->h, (uint64_t)seed, &view, &err);
    }
    if (st == HC_OK) {
        failed = bench_run(row, &pair, label, how);
    } else {
        fprintf(stderr, "%s\n", err.what);
    }
    hc_plane_release(&px);
    return failed;
}

static int frame_of(struct hc_plane *out, int side, enum align_technique t, int seed)
{
    struct hc_err err = {0};
    struct align_view view = {
        .frame_to_view = hc_homog_identity(), .technique = t, .w = side, .h = side};
    if (align_scene_render(out, side, side, (uint64_t)seed, &view, &err) != HC_OK) {
        fprintf(stderr, "%s\n", err.what);
        return 1;
    }
    return 0;
}

// The frames of all seeds are drawn once.
static int paintings(struct bench_row *rows, int *n, const struct args *a,
                     const struct bench_how *how, enum align_technique frame)
{
    struct hc_plane *px = hc_mem_array((size_t)a->seeds, sizeof *px);
    int failed = !px;
    for (int s = 0; s < a->seeds && !failed; s++) {
        failed = frame_of(&px[s], a->side, frame, a->first + s);
    }
    for (size_t i = 0; i < bench_sets_n && !failed; i++) {
        for (int t = 0; t < ALIGN_WEAVE && bench_is_listed(a->sets, bench_sets[i].name); t++) {
            struct bench_row *row = &rows[*n];
            if (!bench_is_listed(a->views, align_technique_name[t]) || *n == MAX_ROWS) {
                continue;
            }
            snprintf(row->set, sizeof row->set, "%s", bench_sets[i].name);
            snprintf(row->name, sizeof row->name, "%s%s%s",
                     frame == ALIGN_VIS ? "" : align_technique_name[frame],
                     frame == ALIGN_VIS ? "" : "-", align_technique_name[t]);
            for (int s = 0; s < a->seeds; s++) {
                failed |=
                    one(row, &bench_sets[i], &px[s], (enum align_technique)t, a->first + s, how);
            }
            bench_print(row);
            ++*n;
        }
    }
    for (int s = 0; px && s < a->seeds; s++) {
        hc_plane_release(&px[s]);
    }
    hc_mem_free(px);
    return failed;
}

static bool number(const char *text, const char *name, int *out, int lo, int hi)
{
    size_t n = strlen(name);
    if (strncmp(text, name, n) != 0 || text[n] != '=') {
        return false;
    }
    *out = atoi(text + n + 1);
    if (*out < lo || *out > hi) {
        fprintf(stderr, "%s: between %d and %d, please\n", text, lo, hi);
        exit(2);
    }
    return true;
}

static bool word(const char *text, const char *name, const char **out)
{
    size_t n = strlen(name);
    if (strncmp(text, name, n) != 0 || text[n] != '=') {
        return false;
    }
    *out = text + n + 1;
    return true;
}

static int take_args(struct args *a, int argc, char **argv)
{
    for (int i = 1; i < argc; i++) {
        if (!(number(argv[i], "side", &a->side, 128, 20000) ||
              number(argv[i], "seeds", &a->seeds, 1, BENCH_SEEDS) ||
              number(argv[i], "first", &a->first, 1, 100000) ||
              number(argv[i], "threads", &a->threads, 1, 64) ||
              number(argv[i], "opencv", &a->opencv, 0, 1) ||
              number(argv[i], "large", &a->large, 0, 1) || word(argv[i], "sets", &a->sets) ||
              word(argv[i], "views", &a->views) || word(argv[i], "frames", &a->frames) ||
              word(argv[i], "photos", &a->photos) || word(argv[i], "raw", &a->raw) ||
              word(argv[i], "results", &a->results))) {
            fprintf(stderr, "bench_align: %s is not known; see the top of bench/align.c\n",
                    argv[i]);
            return 2;
        }
    }
    a->side = a->side ? a->side : a->large ? 7071 : 2000;
    a->seeds = a->seeds ? a->seeds : a->large ? 1 : 5;
    if (a->large && !a->sets) {
        a->sets = "plain,bend";
    }
    if (a->large && !a->views) {
        a->views = "vis";
    }
#ifndef HC_BENCH_OPENCV
    if (a->opencv) {
        fprintf(stderr, "this build has no OpenCV: meson setup -Dbench_opencv=enabled\n");
        return 2;
    }
#endif
    return 0;
}

int main(int argc, char **argv)
{
    struct args a = {.frames = "vis", .first = 1, .threads = 1};
    struct bench_how how = {0};
    struct bench_row *rows = hc_mem_array(MAX_ROWS, sizeof *rows);
    struct hc_err err = {0};
    int failed = take_args(&a, argc, argv), n = 0;
    if (failed || !rows) {
        hc_mem_free(rows);
        return failed ? failed : 1;
    }
    how.with_opencv = a.opencv;
    how.raw = a.raw ? fopen(a.raw, "a") : NULL;
    if (hc_par_create(&how.par, a.threads, &err) != HC_OK) {
        fprintf(stderr, "%s\n", err.what);
        return 1;
    }
    bench_print_head();
    if (a.photos) {
        failed = bench_photos(rows, MAX_ROWS, &n, a.photos, &how, a.sets, a.views);
    }
    for (int t = 0; t < ALIGN_WEAVE && !a.photos; t++) {
        if (bench_is_listed(a.frames, align_technique_name[t])) {
            failed |= paintings(rows, &n, &a, &how, (enum align_technique)t);
        }
    }
    bench_print_total(rows, n);
    printf("peak memory with both pictures: %.0f MB\n", bench_peak_mb());
    if (a.results) {
        failed |= bench_results(a.results, rows, n, a.photos != NULL);
    }
    if (how.raw) {
        fclose(how.raw);
    }
    hc_par_destroy(how.par);
    hc_mem_free(rows);
    return failed;
}
