// The forecast on simulated scenes with known truth, against the promised bars; and its speed.
//
//   forecast_bench [--root DIR] [--scenes FIRST-LAST]... [--only VARIANT] [--results FILE]
//   [--speed]
//
// Scene sets without --scenes: 100-107, 300-307 and 400-407. What was tuned on which scenes is told
// in docs/theory/forecast.md.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "forecast/forecast.h"
#include "forecast/forecast_priv.h"
#include "num/linear.h"
#include "num/stats.h"
#include "scene.h"

#define METHODS                                                                                    \
    (HC_ESTIMATOR_COUNT +                                                                          \
     4) // estimators, nothing, the forecast, physical without UV and with true coat
#define NOTHING HC_ESTIMATOR_COUNT
#define FORECAST (HC_ESTIMATOR_COUNT + 1)
#define NO_UV (HC_ESTIMATOR_COUNT + 2)
#define TRUE_COAT (HC_ESTIMATOR_COUNT + 3)

struct variant {
    const char *name;
    struct hc_scene_recipe recipe;
    double bar_mean, bar_p95; // 0 = none
};
static const struct variant variants[] = {
    {"uneven", {0, 160, 0.30, 1, 8}, 3.2, 7.8},    {"even", {0, 160, 0.08, 1, 8}, 2.9, 0},
    {"12-windows", {0, 160, 0.30, 1, 12}, 3.1, 0}, {"6-windows", {0, 160, 0.30, 1, 6}, 3.5, 0},
    {"haze-x3", {0, 160, 0.30, 3, 8}, 5.0, 0},     {"haze-x0.2", {0, 160, 0.30, 0.2, 8}, 0, 0},
};
#define VARIANTS ((int)(sizeof variants / sizeof *variants))

struct result { // one scene; or, summed, a set
    double mean[METHODS], p95[METHODS], dark[METHODS], light[METHODS];
    double cover90, radius, refused, accepted_de, refused_de, paint_refused, seconds, q;
    double coat_corr, left_out, nothing_left_out;
    int chosen[HC_ESTIMATOR_COUNT], n, worse_than_nothing;
    double cover_min, why[HC_REFUSAL_COUNT];
};

struct images {
    struct hc_lin3 after;
    struct hc_plane radius, coat, reason;
};

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t); // one thread runs; other programs do not count
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void must(hc_status st, const struct hc_err *err)
{
    if (st != HC_OK) {
        fprintf(stderr, "forecast_bench: %s\n", err->what);
        exit(1);
    }
}

static double de_lin(const double a[3], const double b[3])
{
    double p[3], q[3];
    hc_colour_lin_to_lab_d50(p, a);
    hc_colour_lin_to_lab_d50(q, b);
    return hc_colour_ciede2000(p, q);
}

// Mean over the windows of true minus fitted ln d: the scale of d is conventional.
static double true_offset(const struct hc_forecast *f, const struct hc_scene *s)
{
    double sum = 0, n = 81.0 * s->n_windows;
    for (int w = 0; w < s->n_windows; w++) {
        for (int i = 0; i < 81; i++) {
            int x = s->window_x[w] + i % 9, y = s->window_y[w] + i / 9;
            sum += (log((double)hc_plane_get(&s->coat, x, y)) - f->full.ln_d[f->which][w]) / n;
        }
    }
    return sum;
}

// What estimator e alone would say at a pixel, straight from the fitted model (no tables).
static void alone(double lin_out[3], const struct hc_forecast *f, const struct hc_scene *s, int e,
                  int x, int y)
{
    double lin[3], v[3], out[3], mean, var,
        ln_uv = log((double)hc_plane_get(&s->uv, x, y) / f->uv_unit);
    for (int k = 0; k < 3; k++) {
        lin[k] = (double)hc_plane_get(&s->before.ch[k], x, y);
    }
    hc_linear_apply3(v, f->basis.to, lin);
    if (e == TRUE_COAT) {
        struct fc_ready r;
        fc_model_ready(&r, &f->full, f->which, v);
        fc_model_at(out, &f->full, &r,
                    log((double)hc_plane_get(&s->coat, x, y)) - true_offset(f, s));
    } else if (e == HC_ESTIMATOR_PHYSICAL || e == NO_UV) {
        struct fc_ready r;
        int which = e == NO_UV ? 0 : f->which;
        const struct fc_coat_field *c = &f->full.coat[which];
        fc_coat_krige(c, (x + 0.5) / s->side, (y + 0.5) / s->side, &mean, &var);
        fc_model_ready(&r, &f->full, which, v);
        fc_model_at(out, &f->full, &r, fc_coat_cue(c, ln_uv, fc_model_cue(&f->full, v)) + mean);
    } else {
        fc_plain_apply(out, &f->full, &f->basis, e - 1, v, lin, ln_uv);
    }
    for (int k = 0; k < 3; k++) {
        out[k] = out[k] > 0 ? out[k] : 0;
    }
    hc_linear_apply3(lin_out, f->basis.from, out);
    for (int k = 0; k < 3; k++) {
        lin_out[k] = lin_out[k] > 0 ? lin_out[k] : 0;
    }
}

static int in_window(const struct hc_scene *s, int x, int y)
{
    for (int i = 0; i < s->n_windows; i++) {
        if (x >= s->window_x[i] && x < s->window_x[i] + HC_SCENE_WINDOW && y >= s->window_y[i] &&
            y < s->window_y[i] + HC_SCENE_WINDOW) {
            return 1;
        }
    }
    return 0;
}

static void score(struct result *r, const struct hc_scene *s, const struct hc_forecast *f,
                  const struct images *im)
{
    size_t n = 0, max = (size_t)s->side * (size_t)s->side;
    double *de[METHODS], dark = 0, light = 0, painted = 0, accepted = 0, hit = 0;
    double *radii = calloc(max, sizeof *radii);
    for (int m = 0; m < METHODS; m++) {
        de[m] = calloc(max, sizeof **de);
    }
    for (int y = 0; y < s->side; y++) {
        for (int x = 0; x < s->side; x++) {
            double truth[3], est[3], lab[3];
            int why = (int)hc_plane_get(&im->reason, x, y);
            if (hc_plane_get(&s->cover, x, y) > 0) {
                painted++;
                r->paint_refused += why != 0;
                continue;
            }
            if (in_window(s, x, y)) {
                continue;
            }
            for (int k = 0; k < 3; k++) {
                double t = (double)hc_plane_get(&s->truth.ch[k], x, y);
                truth[k] = t > 0 ? t : 0;
            }
            hc_colour_lin_to_lab_d50(lab, truth);
            for (int m = 0; m < METHODS; m++) {
                if (m == NOTHING || m == FORECAST) {
                    const struct hc_lin3 *from = m == NOTHING ? &s->before : &im->after;
                    for (int k = 0; k < 3; k++) {
                        est[k] = (double)hc_plane_get(&from->ch[k], x, y);
                    }
                } else if (m != HC_ESTIMATOR_BLEND) {
                    alone(est, f, s, m, x, y);
                } else {
                    continue;
                }
                de[m][n] = de_lin(est, truth);
                r->dark[m] += lab[0] < 30 ? de[m][n] : 0;
                r->light[m] += lab[0] > 60 ? de[m][n] : 0;
            }
            dark += lab[0] < 30;
            light += lab[0] > 60;
            if (why) {
                r->why[why]++;
                r->refused_de += de[FORECAST][n];
            } else {
                radii[(size_t)accepted] = (double)hc_plane_get(&im->radius, x, y);
                hit += de[FORECAST][n] <= radii[(size_t)accepted];
                accepted++;
                r->accepted_de += de[FORECAST][n];
            }
            n++;
        }
    }
    for (int m = 0; m < METHODS; m++) {
        r->mean[m] = hc_stats_mean(de[m], n);
        r->p95[m] = hc_stats_quantile(de[m], n, 0.95);
        r->dark[m] /= dark;
        r->light[m] /= light;
        free(de[m]);
    }
    r->cover90 = hit / accepted;
    r->radius = hc_stats_median(radii, (size_t)accepted);
    r->accepted_de /= accepted;
    r->refused_de /= (double)n - accepted > 0 ? (double)n - accepted : 1;
    r->refused = 1 - accepted / (double)n;
    r->paint_refused /= painted;
    for (int k = 0; k < HC_REFUSAL_COUNT; k++) {
        r->why[k] /= (double)n;
    }
    r->worse_than_nothing = r->mean[FORECAST] > r->mean[NOTHING];
    free(radii);
}

// Where a pixel is refused the raster repeats the before colour; the errors above want what would
// have been said there, so the forecast is rendered once more without its limits.
static void render_open(struct hc_forecast *f, struct hc_forecast_rows *rows, struct images *im,
                        const struct hc_scene *s)
{
    struct hc_lin3 shown = im->after, open = {0};
    struct hc_plane reason = im->reason, radius = im->radius, p = {0}, q = {0};
    double keep[3] = {f->coat_lo, f->coat_hi, f->radius_limit}, colour = f->colour_limit,
           noise = f->noise;
    must(hc_lin3_create(&open, s->side, s->side, NULL), NULL);
    must(hc_plane_create(&p, s->side, s->side, NULL), NULL);
    must(hc_plane_create(&q, s->side, s->side, NULL), NULL);
    hc_forecast_render(f, rows, 0, 0);
    f->coat_lo = -HUGE_VAL;
    f->coat_hi = f->radius_limit = f->colour_limit = HUGE_VAL;
    f->noise = -1;
    rows->after = open;
    rows->reason = p;
    rows->radius = q;
    hc_forecast_render(f, rows, 0, 0);
    f->coat_lo = keep[0];
    f->coat_hi = keep[1];
    f->radius_limit = keep[2];
    f->colour_limit = colour;
    f->noise = noise;
    im->after = open;
    im->reason = reason;
    im->radius = radius;
    hc_lin3_release(&shown);
    hc_plane_release(&p);
    hc_plane_release(&q);
}

static void one_scene(struct result *r, const struct hc_paints *paints,
                      const struct hc_scene_recipe *recipe)
{
    struct hc_scene s;
    struct hc_err err;
    struct hc_forecast *f;
    struct images im = {0};
    must(hc_scene_make(&s, paints, recipe, &err), &err);
    must(hc_lin3_create(&im.after, s.side, s.side, &err), &err);
    must(hc_plane_create(&im.radius, s.side, s.side, &err), &err);
    must(hc_plane_create(&im.coat, s.side, s.side, &err), &err);
    must(hc_plane_create(&im.reason, s.side, s.side, &err), &err);
    struct hc_forecast_input in = {.window = s.window,
                                   .n_windows = (size_t)s.n_windows,
                                   .wanted = HC_SURFACE_SATURATED,
                                   .frame_w = s.side,
                                   .frame_h = s.side,
                                   .over = s.before,
                                   .over_uv = &s.uv,
                                   .over_cell_px = 1};
    double t0 = now();
    must(hc_forecast_fit(&f, &in, NULL, NULL, &err), &err);
    *r = (struct result){.seconds = now() - t0, .n = 1};
    struct hc_forecast_rows rows = {.before = s.before,
                                    .uv = s.uv,
                                    .after = im.after,
                                    .radius = im.radius,
                                    .coat = im.coat,
                                    .reason = im.reason};
    render_open(f, &rows, &im, &s);
    score(r, &s, f, &im);
    const struct hc_forecast_summary *sum = hc_forecast_get_summary(f);
    r->chosen[sum->chosen]++;
    r->q = sum->interval_q;
    r->left_out = sum->left_out_de[sum->chosen];
    r->nothing_left_out = sum->nothing_de;
    if (getenv("VERBOSE")) {
        printf(
            "  seed %llu: phys %.2f (noUV %.2f) aff %.2f affuv %.2f quad %.2f log %.2f | forecast "
            "%.2f/%.2f | left out %.2f %.2f %.2f %.2f %.2f b %.2f | cov %.3f rad %.1f q %.2f | a0 "
            "%.2f S "
            "%.0f h %.4f sb %.4f sa %.4f g %.4f beta %.2f %.2f %.2f tau %.2f\n",
            (unsigned long long)recipe->seed, r->mean[0], r->mean[NO_UV], r->mean[1], r->mean[2],
            r->mean[3], r->mean[4], r->mean[FORECAST], r->p95[FORECAST], sum->left_out_de[0],
            sum->left_out_de[1], sum->left_out_de[2], sum->left_out_de[3], sum->left_out_de[4],
            sum->left_out_de[5], r->cover90, r->radius, r->q, sum->coat_a0, sum->coat_slope_nm,
            sum->coat_haze, sum->surface_before, sum->surface_after, sum->coat_grey,
            f->full.coat[1].beta[0], f->full.coat[1].beta[1], f->full.coat[1].beta[2],
            sqrt(f->full.coat[1].tau2));
    }
    hc_forecast_destroy(f);
    hc_lin3_release(&im.after);
    hc_plane_release(&im.radius);
    hc_plane_release(&im.coat);
    hc_plane_release(&im.reason);
    hc_scene_release(&s);
}

static void add(struct result *a, const struct result *r)
{
    for (int m = 0; m < METHODS; m++) {
        a->mean[m] += r->mean[m];
        a->p95[m] += r->p95[m];
        a->dark[m] += r->dark[m];
        a->light[m] += r->light[m];
    }
    a->cover_min = a->n == 0 || r->cover90 < a->cover_min ? r->cover90 : a->cover_min;
    a->cover90 += r->cover90;
    a->radius += r->radius;
    a->refused += r->refused;
    a->accepted_de += r->accepted_de;
    a->refused_de += r->refused_de;
    a->paint_refused += r->paint_refused;
    a->seconds = r->seconds > a->seconds ? r->seconds : a->seconds;
    a->q += r->q;
    a->left_out += r->left_out;
    for (int e = 0; e < HC_ESTIMATOR_COUNT; e++) {
        a->chosen[e] += r->chosen[e];
    }
    a->worse_than_nothing += r->worse_than_nothing;
    for (int k = 0; k < HC_REFUSAL_COUNT; k++) {
        a->why[k] += r->why[k];
    }
    a->n++;
}

// bench/results.csv: room,set,figure,value,relation,bar. Rows of other rooms are kept, ours
// rewritten.
static struct {
    FILE *f;
    char set[64];
} results;

#define RESULTS_MAX ((size_t)1 << 20)

static void results_open(const char *path)
{
    char line[512], *kept = calloc(RESULTS_MAX, 1);
    size_t len = 0;
    FILE *f = fopen(path, "r");
    while (f && fgets(line, sizeof line, f) && len + strlen(line) < RESULTS_MAX) {
        if (strncmp(line, "forecast,", 9) != 0 && strncmp(line, "room,", 5) != 0) {
            memcpy(kept + len, line, strlen(line));
            len += strlen(line);
        }
    }
    if (f) {
        fclose(f);
    }
    results.f = fopen(path, "w");
    if (results.f) {
        fprintf(results.f, "room,set,figure,value,relation,bar\n%s", kept);
    }
    free(kept);
}

static void bar(const char *what, double got, const char *rel, double want, int *failed)
{
    int good = rel[0] == '<' ? got <= want : got >= want;
    printf("    %-44s %7.3f %s %.3f  %s\n", what, got, rel, want, good ? "pass" : "FAIL");
    *failed += !good;
    if (results.f) {
        fprintf(results.f, "forecast,%s,%s,%.3f,%s,%.3f\n", results.set, what, got, rel, want);
    }
}

static void print_set(const struct variant *v, const struct result *a, int first, int last,
                      int *failed)
{
    static const char *const name[METHODS] = {"physical coat",
                                              "3x3 + offset",
                                              "3x3 + offset with UV",
                                              "quadratic",
                                              "log-affine",
                                              "",
                                              "doing nothing",
                                              "FORECAST (chosen or blend)",
                                              "physical coat without UV",
                                              "physical, true coat known"};
    double n = a->n;
    snprintf(results.set, sizeof results.set, "%s scenes %d-%d", v->name, first, last);
    printf("\n%s, scenes %d-%d: mean / 95 %% | darks L*<30, lights L*>60 (CIEDE2000, held-out "
           "pixels)\n",
           v->name, first, last);
    for (int m = 0; m < METHODS; m++) {
        if (m != HC_ESTIMATOR_BLEND) {
            printf("  %-27s %5.2f / %5.2f | %5.2f %5.2f\n", name[m], a->mean[m] / n, a->p95[m] / n,
                   a->dark[m] / n, a->light[m] / n);
        }
    }
    printf("  coverage %.3f (worst scene %.3f), median radius %.1f, q %.2f; refused %.1f %%, error "
           "there "
           "%.2f, elsewhere %.2f; overpaint refused %.1f %%; left-out mean %.2f; fit %.2f s\n  "
           "chosen:",
           a->cover90 / n, a->cover_min, a->radius / n, a->q / n, 100 * a->refused / n,
           a->refused_de / n, a->accepted_de / n, 100 * a->paint_refused / n, a->left_out / n,
           a->seconds);
    for (int e = 0; e < HC_ESTIMATOR_COUNT; e++) {
        if (a->chosen[e]) {
            printf(" %s x%d", hc_estimator_name((enum hc_estimator)e), a->chosen[e]);
        }
    }
    printf("\n  refused by reason, %%:");
    for (int k = 1; k < HC_REFUSAL_COUNT; k++) {
        if (a->why[k] > 0) {
            printf(" %d: %.1f", k, 100 * a->why[k] / n);
        }
    }
    printf("\n");
    if (v->bar_mean > 0) {
        bar("mean", a->mean[FORECAST] / n, "<=", v->bar_mean, failed);
    }
    if (v->bar_p95 > 0) {
        bar("95 %", a->p95[FORECAST] / n, "<=", v->bar_p95, failed);
        bar("share of 3x3 + offset", a->mean[FORECAST] / a->mean[1], "<=", 0.75, failed);
        bar("share of doing nothing", a->mean[FORECAST] / a->mean[NOTHING], "<=", 0.55, failed);
        bar("darks", a->dark[FORECAST] / n, "<=", 3.7, failed);
        bar("lights", a->light[FORECAST] / n, "<=", 4.0, failed);
        bar("overpaint refused", a->paint_refused / n, ">=", 0.80, failed);
        bar("rest refused", a->refused / n, "<=", 0.12, failed);
        bar("error refused / accepted", a->refused_de / a->accepted_de, ">=", 1.2, failed);
        bar("coverage of the 90 % radius", a->cover90 / n, ">=", 0.87, failed);
        bar("coverage of the 90 % radius", a->cover90 / n, "<=", 0.97, failed);
        bar("worst-scene coverage", a->cover_min, ">=", 0.78, failed);
    }
    bar("scenes worse than doing nothing", a->worse_than_nothing, "<=", 0, failed);
    if (a->n && v->recipe.n_windows == 12) {
        bar("slowest fit with left-out refits (s)", a->seconds, "<=", 2, failed);
    }
    fflush(stdout);
}

// Rendering speed on a large picture made of one scene repeated, one core.
static void speed(const struct hc_paints *paints, int *failed)
{
    struct hc_scene s;
    struct hc_err err;
    struct hc_forecast *f;
    struct hc_lin3 in = {0}, out = {0};
    struct hc_plane p[4] = {{0}};
    int w = 4096, h = 1024, rows_each = 64;
    double best = 1e9;
    struct hc_scene_recipe recipe = variants[0].recipe;
    recipe.seed = 100;
    must(hc_scene_make(&s, paints, &recipe, &err), &err);
    struct hc_forecast_input input = {
        s.window, 8, HC_SURFACE_SATURATED, w, h, s.before, &s.uv, NULL, w / 160.0, 0, NULL};
    must(hc_forecast_fit(&f, &input, NULL, NULL, &err), &err);
    must(hc_lin3_create(&in, w, h, &err), &err);
    must(hc_lin3_create(&out, w, h, &err), &err);
    for (int i = 0; i < 4; i++) {
        must(hc_plane_create(&p[i], w, h, &err), &err);
    }
    for (int y = 0; y < h; y++) {
        for (int x = 0; x < w; x++) {
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&in.ch[k], y)[x] = hc_plane_get(&s.before.ch[k], x % 160, y % 160);
            }
            hc_plane_row(&p[0], y)[x] = hc_plane_get(&s.uv, x % 160, y % 160);
        }
    }
    for (int k = 0; k < 5; k++) {
        double t0 = now();
        for (int y = 0; y < h; y += rows_each) {
            struct hc_forecast_rows r = {.zone = {0}};
            for (int c = 0; c < 3; c++) {
                r.before.ch[c] = hc_plane_part(&in.ch[c], 0, y, w, rows_each);
                r.after.ch[c] = hc_plane_part(&out.ch[c], 0, y, w, rows_each);
            }
            r.uv = hc_plane_part(&p[0], 0, y, w, rows_each);
            r.radius = hc_plane_part(&p[1], 0, y, w, rows_each);
            r.coat = hc_plane_part(&p[2], 0, y, w, rows_each);
            r.reason = hc_plane_part(&p[3], 0, y, w, rows_each);
            hc_forecast_render(f, &r, 0, y);
        }
        best = now() - t0 < best ? now() - t0 : best;
    }
    snprintf(results.set, sizeof results.set, "rendering on one core");
    printf("\nrendering on one core, best of 5\n");
    bar("Mpx/s", 1e-6 * w * h / best, ">=", 25, failed);
    hc_forecast_destroy(f);
    hc_lin3_release(&in);
    hc_lin3_release(&out);
    for (int i = 0; i < 4; i++) {
        hc_plane_release(&p[i]);
    }
    hc_scene_release(&s);
}

int main(int argc, char **argv)
{
    const char *root = getenv("HC_SOURCE_ROOT"), *only = NULL;
    int set[16][2] = {{100, 107}, {300, 307}, {400, 407}}, n_sets = 3, given = 0, only_speed = 0,
        failed = 0;
    struct hc_paints *paints;
    struct hc_err err;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--speed") == 0) {
            only_speed = 1;
        } else if (i + 1 < argc && strcmp(argv[i], "--root") == 0) {
            root = argv[++i];
        } else if (i + 1 < argc && strcmp(argv[i], "--only") == 0) {
            only = argv[++i];
        } else if (i + 1 < argc && strcmp(argv[i], "--results") == 0) {
            results_open(argv[++i]);
        } else if (i + 1 < argc && strcmp(argv[i], "--scenes") == 0 && given < 16) {
            n_sets = ++given;
            char *dash = strchr(argv[++i], '-');
            set[given - 1][0] = atoi(argv[i]);
            set[given - 1][1] = dash ? atoi(dash + 1) : set[given - 1][0];
        } else {
            fprintf(stderr, "forecast_bench: unknown option %s\n", argv[i]);
            return 2;
        }
    }
    must(hc_paints_load(&paints, root ? root : ".", &err), &err);
    for (int k = 0; k < n_sets && !only_speed; k++) {
        for (int v = 0; v < VARIANTS; v++) {
            struct result all = {0};
            for (int seed = set[k][0];
                 seed <= set[k][1] && (!only || !strcmp(only, variants[v].name)); seed++) {
                struct hc_scene_recipe recipe = variants[v].recipe;
                struct result r;
                recipe.seed = (uint64_t)seed;
                one_scene(&r, paints, &recipe);
                add(&all, &r);
            }
            if (all.n) {
                print_set(&variants[v], &all, set[k][0], set[k][1], &failed);
            }
        }
    }
    if (!only) {
        speed(paints, &failed);
    }
    printf("\n%d bar%s failed\n", failed, failed == 1 ? "" : "s");
    hc_paints_free(paints);
    if (results.f) {
        fclose(results.f);
    }
    return failed ? 1 : 0;
}
