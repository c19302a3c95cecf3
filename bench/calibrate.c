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

// A picture full of strokes, frames and tiles, like a painting in a studio.
static void clutter(struct hc_lin3 *p, struct hc_rng *rng)
{
    int w = p->ch[0].w, h = p->ch[0].h;
    for (int n = 0; n < 400; n++) {
        double cx = hc_rng_range(rng, 0, w), cy = hc_rng_range(rng, 0, h),
               a = hc_rng_range(rng, 0, 7);
        double lx = hc_rng_range(rng, 2, n < 40 ? 120 : 30),
               ly = hc_rng_range(rng, 2, n < 40 ? 120 : 12);
        double rgb[3], c = cos(a), s = sin(a), tilt = hc_rng_range(rng, -0.4, 0.4);
        for (int k = 0; k < 3; k++) {
            rgb[k] = hc_rng_range(rng, 0.02, 0.8);
        }
        double reach = hypot(lx, ly);
        for (int y = (int)fmax(0.0, cy - reach); y < h && y < cy + reach; y++) {
            for (int x = (int)fmax(0.0, cx - reach); x < w && x < cx + reach; x++) {
                double u = (c * (x - cx) + s * (y - cy)) / lx,
                       v = (c * (y - cy) - s * (x - cx)) / ly;
                for (int k = 0; k < 3 && fabs(u) < 1.0 && fabs(v) < 1.0; k++) {
                    hc_plane_row(&p->ch[k], y)[x] = (float)(rgb[k] * (1.0 + tilt * u));
                }
            }
        }
    }
}

static void try_finder(const struct hc_scene_data *s)
{
    enum { TRIES = 60, W = 640, H = 480 };
    int right = 0, refused = 0, wrong = 0, invented = 0;
    struct hc_rng rng = hc_rng_make(77);
    double rgb[24][3], worst = 0.0, spent = 0.0;
    for (int t = 0; t < 2 * TRIES; t++) {
        bool has_target = t < TRIES;
        struct hc_lin3 lin, back;
        struct hc_target_place place;
        double pitch = hc_rng_range(&rng, 12.0, 50.0);
        struct hc_scene_picture p = hc_scene_plain(W, H, pitch, hc_rng_range(&rng, 0, 360), 4, 6);
        p.seed = (uint64_t)t;
        p.gap = hc_rng_range(&rng, 0.06, 0.3);
        p.noise = hc_rng_range(&rng, 0.002, 0.02);
        double bend = 0.25 * pitch, dx = hc_rng_range(&rng, -0.5, 0.5) * (W - 8.5 * pitch),
               dy = hc_rng_range(&rng, -0.5, 0.5) * fmax(0.0, H - 8.5 * pitch);
        for (int k = 0; k < 4; k++) {
            p.corner[k].x += dx + hc_rng_range(&rng, -bend, bend);
            p.corner[k].y += dy + hc_rng_range(&rng, -bend, bend);
        }
        hc_scene_camera(rgb, s, &s->chart, t % 2, t % 3 ? "D50" : "A");
        p.border[0] = -1.0; // marks what is not the target
        double noise = p.noise;
        p.noise = p.blur_px = 0.0;
        if (hc_scene_draw(&lin, &p, (const double(*)[3])rgb, 4, 6, NULL) != HC_OK ||
            hc_lin3_create(&back, W, H, NULL) != HC_OK) {
            return;
        }
        clutter(&back, &rng);
        for (int k = 0; k < 3; k++) {
            for (int i = 0; i < W * H; i++) {
                bool is_target = has_target && lin.ch[0].px[i] >= 0.0F;
                back.ch[k].px[i] = is_target ? lin.ch[k].px[i] : back.ch[k].px[i];
            }
            for (int i = 0; i < W * H; i++) {
                double v = (double)back.ch[k].px[i];
                back.ch[k].px[i] = (float)(v + noise * sqrt(v + 0.01) * hc_rng_normal(&rng));
            }
        }
        double start = seconds();
        hc_status st = hc_target_find(&place, &back, &s->target, NULL);
        spent += seconds() - start;
        double far = 0.0;
        for (int k = 0; k < 4 && st == HC_OK; k++) {
            far = fmax(far,
                       hypot(place.corner[k].x - p.corner[k].x, place.corner[k].y - p.corner[k].y));
        }
        if (!has_target) {
            invented += st == HC_OK;
        } else if (st != HC_OK) {
            refused++;
        } else if (far < 0.15 * pitch) {
            right++;
            worst = fmax(worst, far / pitch);
        } else {
            wrong++;
        }
        hc_lin3_release(&lin);
        hc_lin3_release(&back);
    }
    printf("finder, %d cluttered pictures of %d x %d px: %d right (corners within %.3f patch "
           "distances), "
           "%d refused, %d wrong; without a target %d of %d accepted; %.2f s each\n",
           TRIES, W, H, right, worst, refused, wrong, invented, TRIES, spent / (2 * TRIES));
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
    try_finder(&s);
    hc_readings_release(&paints);
    hc_scene_release(&s);
    return 0;
}
