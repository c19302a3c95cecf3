// Accuracy of joined plates on invented scenes with known transforms: docs/theory/mosaic.md,
// section 7. Usage: bench_mosaic [seeds]. Prints one CSV line for each kind of set.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "align/align_scene.h"
#include "align/align.h"
#include "base/rng.h"

#define W 1560
#define H 1180
#define PLATES 6

struct kind {
    const char *name;
    enum align_technique technique;
    double overlap, turn_deg, scale;
};

static const struct kind kinds[] = {{"xray 15 % turn 2", ALIGN_XRAY, 0.15, 2, 0.01},
                                    {"xray 10 % turn 2", ALIGN_XRAY, 0.10, 2, 0.01},
                                    {"xray 8 % turn 1", ALIGN_XRAY, 0.08, 1, 0.005},
                                    {"ir 15 % turn 2", ALIGN_IR, 0.15, 2, 0.01},
                                    {"ir 10 % turn 2", ALIGN_IR, 0.10, 2, 0.01},
                                    {"normal 10 % turn 2", ALIGN_VIS, 0.10, 2, 0.01}};

struct set {
    struct hc_plane px[PLATES];
    struct align_view view[PLATES];
    struct hc_align_source src[PLATES];
};

static hc_status make(struct set *s, const struct kind *k, uint64_t seed, struct hc_err *err)
{
    struct hc_rng r = hc_rng_make(seed + 77);
    double pw = W / (3 - 2 * k->overlap), ph = H / (2 - k->overlap);
    hc_status st = HC_OK;
    for (int i = 0; i < PLATES && st == HC_OK; i++) {
        double x = (i % 3) * pw * (1 - k->overlap) + hc_rng_range(&r, -4, 4) + pw / 2;
        double y = (double)(i / 3) * ph * (1 - k->overlap) + hc_rng_range(&r, -4, 4) + ph / 2;
        double t = hc_rng_range(&r, -k->turn_deg, k->turn_deg) * M_PI / 180;
        double scale = 1 + hc_rng_range(&r, -k->scale, k->scale), a = scale * cos(t);
        double b = scale * sin(t), gain = exp(hc_rng_range(&r, -0.35, 0.35));
        int w = (int)pw, h = (int)ph;
        s->view[i] = (struct align_view){.technique = k->technique, .w = w, .h = h};
        s->view[i].frame_to_view = (struct hc_homog){
            {a, -b, w / 2.0 - a * x + b * y, b, a, h / 2.0 - b * x - a * y, 0, 0, 1}};
        st = align_scene_render(&s->px[i], W, H, seed, &s->view[i], err);
        for (int c = 0; st == HC_OK && c < w * h; c++) {
            s->px[i].px[c] = (float)((double)s->px[i].px[c] / gain);
        }
        s->src[i] = hc_align_source_plane(&s->px[i]);
    }
    return st;
}

// Greatest and mean square distance of the plates' corners and middles from where they belong, in
// the grid of the reference plate.
static double miss(const struct set *s, const struct hc_align_mosaic *m, double *square)
{
    const struct hc_homog *ref = &m->plate[m->reference].to_mosaic;
    double most = 0;
    for (int i = 0; i < PLATES; i++) {
        struct hc_homog back, truth;
        if (hc_homog_invert(&back, &s->view[i].frame_to_view, NULL) != HC_OK) {
            return HUGE_VAL;
        }
        truth = hc_homog_compose(&s->view[m->reference].frame_to_view, &back);
        truth = hc_homog_compose(ref, &truth);
        for (int k = 0; k < 9; k++) {
            struct hc_pt v = {k % 3 * s->view[i].w / 2.0, (double)(k / 3) * s->view[i].h / 2.0};
            struct hc_pt p = hc_homog_apply(&truth, v), q;
            double d;
            q = hc_homog_apply(&m->plate[i].to_mosaic, v);
            d = hypot(p.x - q.x, p.y - q.y);
            *square += d * d / (9 * PLATES);
            most = fmax(most, d);
        }
    }
    return most;
}

int main(int argc, char **argv)
{
    static const char *const name[PLATES] = {"a", "b", "c", "d", "e", "f"};
    int seeds = argc > 1 ? atoi(argv[1]) : 5;
    printf("set,seeds,joined,good,map rms px,map max px,held out median px,held out 95 px,"
           "worst corner sd px,seconds\n");
    for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++) {
        double square = 0, most = 0, median = 0, p95 = 0, corner = 0, seconds = 0;
        int joined = 0, good = 0;
        for (int n = 1; n <= seeds; n++) {
            struct set s = {0};
            struct hc_align_mosaic m = {0};
            struct hc_err err = {0};
            hc_status st = make(&s, &kinds[k], (uint64_t)n + 100, &err);
            clock_t start = clock();
            st = st == HC_OK
                     ? hc_align_mosaic_solve(&m, s.src, name, PLATES, false, NULL, NULL, &err)
                     : st;
            seconds += (double)(clock() - start) / CLOCKS_PER_SEC;
            if (st != HC_OK) {
                fprintf(stderr, "%s\n", err.what);
                return 1;
            }
            if (m.verdict != HC_ALIGN_REFUSED) {
                joined++;
                good += m.verdict == HC_ALIGN_GOOD;
                most = fmax(most, miss(&s, &m, &square));
                median += m.held_out_median_px;
                p95 = fmax(p95, m.held_out_p95_px);
                for (int i = 0; i < PLATES; i++) {
                    corner = fmax(corner, m.plate[i].corner_sd_px);
                }
            } else {
                fprintf(stderr, "%s, seed %d: %s\n", kinds[k].name, n, m.why);
            }
            hc_align_mosaic_release(&m);
            for (int i = 0; i < PLATES; i++) {
                hc_plane_release(&s.px[i]);
            }
        }
        printf("%s,%d,%d,%d,%.3f,%.3f,%.3f,%.3f,%.3f,%.1f\n", kinds[k].name, seeds, joined, good,
               joined ? sqrt(square / joined) : 0, most, joined ? median / joined : 0, p95, corner,
               seconds / seeds);
        fflush(stdout);
    }
    return 0;
}
