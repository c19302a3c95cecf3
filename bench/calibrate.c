// How well a photograph is calibrated: leave-one-patch-out CIEDE2000 of every kind of fit for
// simulated cameras under several lights, and colours the fit never saw (other paints under the
// same light). Prints figures; nothing is asserted here.
//
//   bench_calibrate [ROOT]       ROOT: the source folder, for tests/data
//
// Cameras: measured spectral sensitivities of two cameras (tests/data/camera_sensitivities.csv
// names the source). Chart: published average spectra of 30 charts. Paints: measured oil drawdowns
// (tests/data/oilpaint_reflectance_cc0.txt). The reference is the colour under D50: photographs
// under other lamps are judged on how well they give that.
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "base/mem.h"
#include "base/rng.h"
#include "calibrate/calibrate.h"
#include "calibrate/calibrate_scene.h"
#include "colour/colour.h"

static const char *const lights[] = {"D50", "A", "LED-B3", "LED-V2", "FL11"};

static double seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void photograph(struct hc_patch *patch, const struct hc_scene_data *s, int camera,
                       const char *light, double noise)
{
    double rgb[24][3];
    struct hc_rng rng = hc_rng_make(9);
    hc_scene_camera(rgb, s, &s->chart, camera, light);
    for (int i = 0; i < 24; i++) {
        patch[i] = (struct hc_patch){.pixels = 100};
        for (int k = 0; k < 3; k++) {
            patch[i].lin[k] = rgb[i][k] + noise * sqrt(rgb[i][k] + 0.01) * hc_rng_normal(&rng);
        }
    }
}

static void judge_paints(const struct hc_calibration *c, const struct hc_scene_data *s,
                         const struct hc_readings *paints, int camera, const char *light)
{
    double(*rgb)[3] = hc_mem_array(paints->n, sizeof *rgb);
    double *want = hc_mem_array(3 * paints->n, sizeof *want),
           *got = hc_mem_array(3 * paints->n, sizeof *got);
    struct hc_calibrate_figures f;
    if (rgb && want && got && hc_readings_lab(want, paints, "D50", 2, false, NULL) == HC_OK) {
        hc_scene_camera(rgb, s, paints, camera, light);
        for (size_t i = 0; i < paints->n; i++) {
            double lin[3];
            hc_calibrate_apply(lin, c, rgb[i]);
            hc_colour_lin_to_lab_d50(got + 3 * i, lin);
        }
        hc_calibrate_compare(&f, NULL, NULL, want, got, paints->n);
        printf("  paints %5.2f %5.2f %6.2f", f.mean, f.p95, f.max);
    }
    hc_mem_free(rgb);
    hc_mem_free(want);
    hc_mem_free(got);
}

static void time_rows(const struct hc_calibration *c)
{
    enum { N = 1 << 16 };
    float *block = hc_mem_array(3 * (size_t)N, sizeof *block),
          *lin[3] = {block, block + N, block + 2 * N};
    double best = 1e9;
    for (int run = 0; block && run < 7; run++) {
        for (int i = 0; i < 3 * N; i++) {
            block[i] = 0.3F + 1e-6F * (float)i;
        }
        double t = seconds();
        for (int k = 0; k < 8; k++) {
            hc_calibrate_apply_rows(lin, c, N);
        }
        best = fmin(best, (seconds() - t) / 8.0);
    }
    printf("apply rows, %s: %.0f Mpx/s on one core\n", hc_calibrate_kind_name(c->kind),
           1e-6 * N / best);
    hc_mem_free(block);
}

int main(int argc, char **argv)
{
    const char *root = argc > 1 ? argv[1] : ".";
    struct hc_scene_data s;
    struct hc_readings paints = {0};
    struct hc_calibration c = {0};
    if (!hc_scene_load(&s, root) ||
        !hc_scene_read(&paints, root, "tests/data/oilpaint_reflectance_cc0.txt")) {
        return 1;
    }
    printf("CIEDE2000: leave-one-patch-out mean, 95 %%, max; then %zu oil paints never fitted\n",
           paints.n);
    for (int camera = 0; camera < 2; camera++) {
        for (size_t l = 0; l < sizeof lights / sizeof *lights; l++) {
            for (int kind = HC_CALIBRATE_BEST; kind < HC_CALIBRATE_ROOT3; kind++) {
                struct hc_patch patch[24];
                struct hc_err err = {0};
                photograph(patch, &s, camera, lights[l], 0.0005);
                hc_status st = hc_calibrate_fit(&c, patch, &s.target, kind, &err);
                printf("camera %c %-6s %-28s", 'a' + camera, lights[l],
                       kind == HC_CALIBRATE_BEST ? "chosen" : hc_calibrate_kind_name(kind));
                if (st != HC_OK) {
                    printf(" %s\n", err.what);
                    continue;
                }
                printf(" %5.2f %5.2f %5.2f", c.out.mean, c.out.p95, c.out.max);
                judge_paints(&c, &s, &paints, camera, lights[l]);
                printf("  %s%s, %d left out\n",
                       kind == HC_CALIBRATE_BEST ? hc_calibrate_kind_name(c.kind) : "",
                       c.is_weighted ? " weighted" : " plain", c.left_out);
            }
        }
    }
    time_rows(&c);
    hc_readings_release(&paints);
    hc_scene_release(&s);
    return 0;
}
