// How many megapixels a second one core puts through the row functions of the colour room.
// Prints the best of several runs; nothing is asserted here.
#include <stdio.h>
#include <time.h>

#include "base/mem.h"
#include "base/rng.h"
#include "colour/colour.h"

#define WIDTH 4096
#define ROWS 512
#define RUNS 7

struct rows {
    float *lin[3], *lab1[3], *lab2[3], *de;
    uint8_t *rgb8;
    uint16_t *rgb16;
};

static double seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static const float *const *view(float *const p[3])
{
    return (const float *const *)p;
}

static void run_de(struct rows *r)
{
    hc_colour_ciede2000_row(r->de, view(r->lab1), view(r->lab2), WIDTH);
}

static void run_lab(struct rows *r)
{
    hc_colour_lab_row(r->lab1, view(r->lin), WIDTH);
}

static void run_srgb8(struct rows *r)
{
    hc_colour_srgb8_row(r->rgb8, view(r->lin), WIDTH);
}

static void run_srgb16(struct rows *r)
{
    hc_colour_srgb16_row(r->rgb16, view(r->lin), WIDTH);
}

static void time_rows(const char *name, void (*fn)(struct rows *), struct rows *r)
{
    double best = 1e9;
    for (int k = 0; k < RUNS; k++) {
        double t = seconds();
        for (int y = 0; y < ROWS; y++) {
            fn(r);
        }
        t = seconds() - t;
        best = t < best ? t : best;
    }
    printf("%-24s %8.1f Mpx/s per core\n", name, 1e-6 * WIDTH * ROWS / best);
}

static int fill(struct rows *r)
{
    struct hc_rng rng = hc_rng_make(1);
    for (int k = 0; k < 3; k++) {
        r->lin[k] = hc_mem_array(WIDTH, sizeof(float));
        r->lab1[k] = hc_mem_array(WIDTH, sizeof(float));
        r->lab2[k] = hc_mem_array(WIDTH, sizeof(float));
        if (!r->lin[k] || !r->lab1[k] || !r->lab2[k]) {
            return 0;
        }
        for (int i = 0; i < WIDTH; i++) {
            r->lin[k][i] = (float)hc_rng_unit(&rng);
            r->lab2[k][i] = (float)hc_rng_range(&rng, k ? -80.0 : 0.0, k ? 80.0 : 100.0);
        }
    }
    r->de = hc_mem_array(WIDTH, sizeof(float));
    r->rgb8 = hc_mem_array((size_t)3 * WIDTH, sizeof(uint8_t));
    r->rgb16 = hc_mem_array((size_t)3 * WIDTH, sizeof(uint16_t));
    return r->de && r->rgb8 && r->rgb16;
}

int main(void)
{
    struct rows r = {0};
    if (!fill(&r)) {
        fprintf(stderr, "bench_colour: out of memory\n");
        return 1;
    }
    time_rows("lab_row", run_lab, &r);
    time_rows("ciede2000_row", run_de, &r);
    time_rows("srgb8_row", run_srgb8, &r);
    time_rows("srgb16_row", run_srgb16, &r);
    for (int k = 0; k < 3; k++) {
        hc_mem_free(r.lin[k]);
        hc_mem_free(r.lab1[k]);
        hc_mem_free(r.lab2[k]);
    }
    hc_mem_free(r.de);
    hc_mem_free(r.rgb8);
    hc_mem_free(r.rgb16);
    return 0;
}
