// What the relief room reaches: angular errors, heights, drift, the film simulation, speed. Figures
// and conditions: docs/theory/relief.md.
//   bench_relief [normals|height|drift|film|pair|speed|memory]...    all when none is named
// Surfaces are drawn and ray-traced here (src/relief/relief_scene.c); no outside data.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

#include "base/mem.h"
#include "base/rng.h"
#include "num/fft.h"
#include "num/stats.h"
#include "relief/relief_scene.h"
#ifdef HC_BENCH_OPENCV
#include "relief_opencv.h"
#endif

// Processor time of this process: the machine may be busy with other things.
static double seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void must(hc_status st, const struct hc_err *err)
{
    if (st != HC_OK) {
        fprintf(stderr, "bench_relief: %s: %s\n", hc_status_name(st), err->what);
        exit(1);
    }
}

struct keep {
    struct hc_plane p, q;
};

static hc_status keep_rows(void *ctx, int y0, const struct hc_relief_rows *r, struct hc_err *err)
{
    struct keep *k = ctx;
    struct hc_plane p = hc_plane_part(&k->p, 0, y0, r->p.w, r->p.h);
    struct hc_plane q = hc_plane_part(&k->q, 0, y0, r->q.w, r->q.h);
    (void)err;
    hc_plane_copy(&p, &r->p);
    hc_plane_copy(&q, &r->q);
    return HC_OK;
}

static void new_keep(struct keep *k, int w, int h)
{
    struct hc_err err = {0};
    *k = (struct keep){{0}, {0}};
    must(hc_plane_create(&k->p, w, h, &err), &err);
    must(hc_plane_create(&k->q, w, h, &err), &err);
}

static void drop_keep(struct keep *k)
{
    hc_plane_release(&k->p);
    hc_plane_release(&k->q);
}

// Mean and median angle between two fields of slopes, degrees.
static double angles(double *median, const struct hc_plane *p, const struct hc_plane *q,
                     const struct hc_plane *p0, const struct hc_plane *q0, int border)
{
    int w = p->w, h = p->h;
    double *e = hc_mem_array((size_t)w * (size_t)h, sizeof *e), sum = 0;
    size_t n = 0;
    for (int y = border; e && y < h - border; y++) {
        for (int x = border; x < w - border; x++) {
            double a = (double)hc_plane_get(p, x, y), b = (double)hc_plane_get(q, x, y);
            double c = (double)hc_plane_get(p0, x, y), d = (double)hc_plane_get(q0, x, y);
            double dot = (1 + a * c + b * d) / sqrt((1 + a * a + b * b) * (1 + c * c + d * d));
            e[n] = acos(fmin(1, dot)) * 180 / M_PI;
            sum += e[n++];
        }
    }
    *median = hc_stats_median(e, n);
    hc_mem_free(e);
    return sum / (double)n;
}

// ---- normals ----

#ifdef HC_BENCH_OPENCV
static void beside_squares(struct keep *k, const struct relief_surface *s,
                           const struct hc_plane *img, const struct hc_relief_light *l, int n)
{
    int px = s->p.w * s->p.h;
    float *v = hc_mem_array((size_t)n * (size_t)px, sizeof *v), row[3 * HC_RELIEF_MAX_LIGHTS];
    double mean, median;
    for (int i = 0; v && i < n; i++) {
        memcpy(v + (size_t)i * (size_t)px, img[i].px, (size_t)px * sizeof *v);
        for (int d = 0; d < 3; d++) {
            row[3 * i + d] = (float)l[i].dir[d];
        }
    }
    if (v && relief_opencv_squares(k->p.px, k->q.px, v, row, n, px)) {
        mean = angles(&median, &k->p, &k->q, &s->p, &s->q, 0);
        printf("  OpenCV squares %.2f (%.2f)", mean, median);
    }
    hc_mem_free(v);
}
#endif

static void bench_normals(void)
{
    enum { W = 400, H = 300, N = 24 };
    static const char *const name[] = {"trim", "squares", "L1", "LTS"};
    static const struct {
        const char *name;
        double slope;
        struct relief_look look;
    } set[] = {{"matte, no cast shadows", 0.2, {.noise_electrons = 30000}},
               {"matte, steep, cast, 3 % ambient",
                0.4,
                {.has_cast = true, .ambient = 0.03, .noise_electrons = 30000}},
               {"glossy (lobe .05), cast",
                0.2,
                {.has_cast = true,
                 .gloss = 0.5,
                 .lobe = 0.05,
                 .noise_electrons = 30000,
                 .is_clipped = true}},
               {"satin (lobe .15), cast",
                0.2,
                {.has_cast = true,
                 .gloss = 0.2,
                 .lobe = 0.15,
                 .noise_electrons = 30000,
                 .is_clipped = true}}};
    printf("angular error, degrees, mean (median); 24 lamps at 30 and 50 degrees elevation\n");
    for (size_t s = 0; s < sizeof set / sizeof *set; s++) {
        struct relief_waves w = relief_waves_make(0.3, 4, set[s].slope, 5);
        struct relief_surface surf = {0};
        struct hc_plane img[N], albedo;
        struct hc_relief_view views[N];
        struct hc_relief_light l[N];
        struct keep k;
        struct hc_relief_sink sink = {keep_rows, &k};
        struct hc_err err = {0};
        must(relief_surface_create(&surf, &w, W, H, 0.05, &err), &err);
        must(relief_albedo_create(&albedo, W, H, 3, &err), &err);
        for (int i = 0; i < N; i++) {
            must(hc_relief_light_angles(&l[i], 15 * i, i % 2 ? 30 : 50, &err), &err);
            must(relief_render(&img[i], &surf, &albedo, &l[i], &set[s].look, (uint64_t)i, &err),
                 &err);
            views[i] = hc_relief_view_plane(&img[i]);
        }
        new_keep(&k, W, H);
        printf("  %-32s", set[s].name);
        for (int m = 0; m < 4; m++) {
            struct hc_relief_normals_options o = {.method = (enum hc_relief_method)m};
            struct hc_relief_normals_report rep;
            double median, mean;
            must(hc_relief_normals(&rep, &sink, views, l, N, &o, NULL, NULL, &err), &err);
            mean = angles(&median, &k.p, &k.q, &surf.p, &surf.q, 0);
            printf("  %s %.2f (%.2f)", name[m], mean, median);
        }
#ifdef HC_BENCH_OPENCV
        beside_squares(&k, &surf, img, l, N);
#endif
        printf("\n");
        drop_keep(&k);
        for (int i = 0; i < N; i++) {
            hc_plane_release(&img[i]);
        }
        hc_plane_release(&albedo);
        relief_surface_release(&surf);
    }
}

// ---- height ----

static double rms_off(const struct hc_plane *a, const struct hc_plane *b)
{
    double s = 0, s2 = 0, n = (double)a->w * a->h;
    for (int i = 0; i < a->w * a->h; i++) {
        double d = (double)a->px[i] - (b ? (double)b->px[i] : 0);
        s += d;
        s2 += d * d;
    }
    return sqrt(fmax(0, s2 / n - s * s / (n * n)));
}

// The periodic Fourier integrator (Frankot and Chellappa 1988), to show why it is not used.
static void periodic(struct hc_plane *z, const struct hc_plane *p, const struct hc_plane *q)
{
    int w = p->w, h = p->h;
    size_t n = (size_t)w * (size_t)h;
    struct hc_fft2 *fft = NULL;
    struct hc_err err = {0};
    float *a = hc_mem_array(2 * n, sizeof *a), *b = hc_mem_array(2 * n, sizeof *b);
    must(hc_fft2_create(&fft, w, h, &err), &err);
    for (size_t i = 0; a && b && i < n; i++) {
        a[2 * i] = p->px[i];
        b[2 * i] = -q->px[i]; // rows go down
    }
    hc_fft2_forward(fft, a);
    hc_fft2_forward(fft, b);
    for (int y = 0; y < h; y++) {
        for (int x = 0; x < w; x++) {
            double u = 2 * M_PI * (x > w / 2 ? x - w : x) / w,
                   v = 2 * M_PI * (y > h / 2 ? y - h : y) / h;
            double d = u * u + v * v > 0 ? (double)n * (u * u + v * v) : 1;
            size_t i = 2 * ((size_t)y * (size_t)w + (size_t)x);
            double re = u * (double)a[i] + v * (double)b[i],
                   im = u * (double)a[i + 1] + v * (double)b[i + 1];
            a[i] = (float)(im / d); // -i times
            a[i + 1] = (float)(-re / d);
        }
    }
    hc_fft2_inverse(fft, a);
    for (size_t i = 0; i < n; i++) {
        z->px[i] = a[2 * i];
    }
    hc_mem_free(a);
    hc_mem_free(b);
    hc_fft2_destroy(fft);
}

static void bench_height(void)
{
    struct relief_waves w = relief_waves_make(40, 900, 0.15, 11);
    struct relief_surface s = {0};
    struct hc_plane z = {0};
    struct hc_relief_height_report rep;
    struct hc_err err = {0};
    must(relief_surface_create(&s, &w, 512, 512, 1, &err), &err);
    must(hc_plane_create(&z, 512, 512, &err), &err);
    for (int i = 0; i < 512 * 512; i++) { // a tilt, as a real field has
        s.p.px[i] += 0.05f;
        s.z.px[i] += 0.05f * (float)(i % 512);
    }
    must(hc_relief_height(&z, &rep, &s.p, &s.q, 1, NULL, NULL, NULL, &err), &err);
    printf("height, 512 x 512, rms %.2f px: cosine transform off by %.5f px", rms_off(&s.z, NULL),
           rms_off(&z, &s.z));
    periodic(&z, &s.p, &s.q);
    printf(", periodic Fourier by %.2f px\n", rms_off(&z, &s.z));
#ifdef HC_BENCH_OPENCV
    if (relief_opencv_height(z.px, s.p.px, s.q.px, 512, 512)) {
        printf("  OpenCV's cosine transform by %.5f px\n", rms_off(&z, &s.z));
    }
#endif
    hc_plane_release(&z);
    relief_surface_release(&s);
}

// ---- drift ----

struct drift {
    double mean, max, pv_mm;
};

// Peak to valley of the height after taking a plane off.
static double peak_valley(const struct keep *k, double mm)
{
    int w = k->p.w, h = k->p.h;
    double mp = 0, mq = 0, low = 1e30, high = -1e30;
    struct hc_plane z = {0};
    struct hc_relief_height_report rep;
    struct hc_err err = {0};
    for (int i = 0; i < w * h; i++) {
        mp += (double)k->p.px[i] / (w * h);
        mq += (double)k->q.px[i] / (w * h);
    }
    must(hc_plane_create(&z, w, h, &err), &err);
    must(hc_relief_height(&z, &rep, &k->p, &k->q, mm, NULL, NULL, NULL, &err), &err);
    for (int i = 0; i < w * h; i++) {
        double v = (double)z.px[i] - mm * (mp * (i % w) - mq * (i / w));
        low = fmin(low, v);
        high = fmax(high, v);
    }
    hc_plane_release(&z);
    return high - low;
}

// A flat panel of 400 x 300 mm under 24 lamps at distance r: rendered with true lamps, solved with
// the believed ones.
static struct drift drift_of(const struct hc_relief_light *truth,
                             const struct hc_relief_light *belief)
{
    enum { W = 80, H = 60, N = 24 };
    struct relief_waves none = {.n = 0};
    struct relief_surface flat = {0};
    struct relief_look look = {0};
    struct hc_plane img[N];
    struct hc_relief_view views[N];
    struct keep k;
    struct hc_relief_sink sink = {keep_rows, &k};
    struct hc_relief_normals_report rep;
    struct hc_relief_normals_options o = {.method = HC_RELIEF_LS, .mm_per_px = 5, .clip_level = -1};
    struct drift d = {0};
    struct hc_err err = {0};
    must(relief_surface_create(&flat, &none, W, H, 5, &err), &err);
    for (int i = 0; i < N; i++) {
        must(relief_render(&img[i], &flat, NULL, &truth[i], &look, 1, &err), &err);
        views[i] = hc_relief_view_plane(&img[i]);
    }
    new_keep(&k, W, H);
    must(hc_relief_normals(&rep, &sink, views, belief, N, &o, NULL, NULL, &err), &err);
    for (int i = 0; i < W * H; i++) {
        double t = atan(hypot((double)k.p.px[i], (double)k.q.px[i])) * 180 / M_PI;
        d.mean += t / (W * H);
        d.max = fmax(d.max, t);
    }
    d.pv_mm = peak_valley(&k, 5);
    for (int i = 0; i < N; i++) {
        hc_plane_release(&img[i]);
    }
    drop_keep(&k);
    relief_surface_release(&flat);
    return d;
}

static void bench_drift(void)
{
    static const double far[] = {500, 800, 1500, 4000};
    printf("flat panel 400 x 300 mm, 24 lamps at zenith 50/65: mean/max tilt (deg), height P-V "
           "(mm)\n");
    for (int i = 0; i < 4; i++) {
        struct hc_relief_light t[24], b[3][24];
        struct hc_rng r = hc_rng_make(17);
        struct hc_err err = {0};
        for (int k = 0; k < 24; k++) {
            double az = 2 * M_PI * k / 24, z = (k % 2 ? 65 : 50) * M_PI / 180, d = far[i];
            double p[3] = {d * sin(z) * cos(az), d * sin(z) * sin(az), d * cos(z)};
            double f = 1 + 0.02 * hc_rng_normal(&r);
            must(hc_relief_light_position(&t[k], p[0], p[1], p[2], &err), &err);
            b[0][k] = t[k];
            b[0][k].is_near = false;
            must(hc_relief_light_position(&b[1][k], f * p[0], f * p[1], f * p[2], &err), &err);
            must(hc_relief_light_position(&b[2][k], p[0] + 5 * hc_rng_normal(&r),
                                          p[1] + 5 * hc_rng_normal(&r),
                                          p[2] + 5 * hc_rng_normal(&r), &err),
                 &err);
        }
        struct drift u = drift_of(t, b[0]), d2 = drift_of(t, b[1]), d5 = drift_of(t, b[2]);
        printf("  %4.0f mm: far lamps assumed %.1f / %.1f, %.0f mm; near, distances 2 %% off %.2f, "
               "%.2f mm; positions 5 mm off %.2f, %.2f mm\n",
               far[i], u.mean, u.max, u.pv_mm, d2.mean, d2.pv_mm, d5.mean, d5.pv_mm);
    }
}

// ---- film ----

enum { SIDE = 144, MAXL = 48 };
enum rig { SPLIT48, SPLIT24, DOME48, RAKE24, FEW_NEAR };
struct film_case {
    const char *name;
    enum rig rig;
    double cut, solids;
    int coats;
    double lobe;
    double turn_deg, dim;              // errors of the lamps: direction, strength
    double index;                      // believed
    double scatter_px, white, film_mm; // scene; believed white and thickness
    bool is_bare, is_gauss;
};

static int make_rig(struct hc_relief_light *l, enum rig rig)
{
    struct hc_err err = {0};
    int n = rig == SPLIT48 || rig == DOME48 ? 48 : 24, m = rig == SPLIT48 ? 24 : 12;
    for (int k = 0; k < n; k++) {
        double z, az;
        if (rig == DOME48) { // even in solid angle up to zenith 70, golden angle
            z = acos(1 - (k + 0.5) / n * (1 - cos(70 * M_PI / 180))) * 180 / M_PI;
            az = k * 137.50776;
        } else if (rig == RAKE24) {
            z = k % 2 ? 60 : 74;
            az = 15 * k;
        } else if (rig == FEW_NEAR) {
            z = k < 5 ? 20 : k % 2 ? 55 : 70;
            az = k < 5 ? 72 * k : 360.0 / 19 * (k - 5);
        } else {
            int ring = k * 3 / m;
            z = k < m ? (ring == 0 ? 12 : ring == 1 ? 22 : 34) : k % 2 ? 55 : 70;
            az = k < m ? 1080.0 / m * k + 15 * ring : 360.0 / (n - m) * (k - m);
        }
        must(hc_relief_light_angles(&l[k], fmod(az, 360), 90 - z, &err), &err);
    }
    return n;
}

static double truth_of(const struct relief_film_scene *s, double *fill)
{
    struct hc_relief_band band = {0.2, 2.5};
    const struct hc_plane *from[4] = {&s->paint.p, &s->paint.q, &s->film.p, &s->film.q};
    struct hc_plane g[5] = {{0}};
    struct hc_err err = {0};
    double ab = 0, aa = 0, d2 = 0;
    for (int i = 0; i < 5; i++) {
        must(hc_plane_create(&g[i], SIDE, SIDE, &err), &err);
        for (int j = 0; i == 4 && j < SIDE * SIDE; j++) {
            g[4].px[j] = s->film.z.px[j] - s->paint.z.px[j];
        }
        must(hc_relief_band_filter(&g[i], i < 4 ? from[i] : &g[4], NULL, s->paint.mm, band, NULL,
                                   &err),
             &err);
    }
    for (int j = 0; j < SIDE * SIDE; j++) {
        ab += (double)(g[0].px[j] * g[2].px[j] + g[1].px[j] * g[3].px[j]);
        aa += (double)(g[0].px[j] * g[0].px[j] + g[1].px[j] * g[1].px[j]);
        d2 += (double)(g[4].px[j] * g[4].px[j]);
    }
    for (int i = 0; i < 5; i++) {
        hc_plane_release(&g[i]);
    }
    *fill = 1e3 * sqrt(d2 / (SIDE * SIDE));
    return ab / aa;
}

static void print_film(const struct hc_relief_film *f, const struct relief_film_scene *s)
{
    double m, a, b;
    if (f->refusal != HC_RELIEF_GIVEN) {
        printf("  | refused (%d)", f->refusal);
        return;
    }
    a = angles(&m, &f->paint_p, &f->paint_q, &s->paint.p, &s->paint.q, 6);
    b = angles(&m, &f->film_p, &f->film_q, &s->film.p, &s->film.q, 6);
    printf("  | %.2f / %.2f / %.3f / %.1f", a, b, f->retained.value,
           f->has_fill ? f->fill_um.value : -1);
}

// What a case does not name is the base case; -1 stands for 0.
static double or_base(double v, double base)
{
    return v > 0 ? v : v < 0 ? 0 : base;
}

static void run_case(const struct film_case *given)
{
    struct film_case full = *given, *c = &full;
    c->cut = or_base(c->cut, 2);
    c->solids = or_base(c->solids, 0.35);
    c->coats = (int)or_base(c->coats, 3);
    c->lobe = or_base(c->lobe, 0.1);
    c->index = or_base(c->index, 1.5);
    c->white = or_base(c->white, 1);
    c->film_mm = or_base(c->film_mm, 0.05);
    struct relief_waves w = relief_waves_make(0.25, 4, 0.165, 1);
    struct relief_waves f = relief_waves_kept(&w, c->cut, c->solids, c->coats);
    struct relief_film_scene s = {.index = 1.5,
                                  .film_mm = 0.05,
                                  .lobe = c->lobe,
                                  .scatter_px = c->scatter_px,
                                  .is_bare = c->is_bare,
                                  .is_gauss = c->is_gauss};
    struct hc_relief_light l[MAXL], belief[MAXL];
    struct hc_plane plain[MAXL], crossed[MAXL];
    struct hc_rng r = hc_rng_make(77);
    struct hc_err err = {0};
    double fill;
    int n = make_rig(l, c->rig);
    must(relief_surface_create(&s.paint, &w, SIDE, SIDE, 0.05, &err), &err);
    must(relief_surface_create(&s.film, &f, SIDE, SIDE, 0.05, &err), &err);
    must(relief_albedo_create(&s.albedo, SIDE, SIDE, 3, &err), &err);
    for (int k = 0; k < n; k++) {
        double az, el, dim = 1 + c->dim * hc_rng_normal(&r);
        must(relief_render_film(&plain[k], &crossed[k], &s, &l[k], dim, 30000, (uint64_t)k + 1,
                                &err),
             &err);
        hc_relief_light_to_angles(&l[k], &az, &el);
        az += c->turn_deg * hc_rng_normal(&r) /
              fmax(0.2, l[k].dir[0] * l[k].dir[0] + l[k].dir[1] * l[k].dir[1]);
        el = fmin(89.9, el + c->turn_deg * hc_rng_normal(&r));
        must(hc_relief_light_angles(&belief[k], az, el, &err), &err);
    }
    double truth = truth_of(&s, &fill);
    printf("  %-26s true %.3f, %4.1f um", c->name, truth, fill);
    for (int x = 0; x < 2; x++) {
        struct hc_relief_film_input in = {.n = (size_t)n,
                                          .lights = belief,
                                          .plain = plain,
                                          .crossed = x ? crossed : NULL,
                                          .mm_per_px = 0.05,
                                          .index = c->index,
                                          .white = c->white,
                                          .film_guess_mm = c->film_mm,
                                          .sphere_residual_deg = c->turn_deg};
        struct hc_relief_film out;
        must(hc_relief_film_solve(&out, &in, NULL, NULL, &err), &err);
        print_film(&out, &s);
        hc_relief_film_release(&out);
    }
    printf("\n");
    for (int k = 0; k < n; k++) {
        hc_plane_release(&plain[k]);
        hc_plane_release(&crossed[k]);
    }
    relief_surface_release(&s.paint);
    relief_surface_release(&s.film);
    hc_plane_release(&s.albedo);
}

static void bench_film(void)
{
    static const struct film_case cases[] = {
        {.name = "split48 base", .rig = SPLIT48},
        {.name = "uniform dome 48", .rig = DOME48},
        {.name = "split 24", .rig = SPLIT24},
        {.name = "raking only 24", .rig = RAKE24},
        {.name = "five near the axis", .rig = FEW_NEAR},
        {.name = "thin", .rig = SPLIT48, .coats = 1},
        {.name = "heavy", .rig = SPLIT48, .coats = 6},
        {.name = "conformal", .rig = SPLIT48, .coats = -1},
        {.name = "bare paint", .rig = SPLIT48, .is_bare = true},
        {.name = "lobe .05", .rig = SPLIT48, .lobe = 0.05},
        {.name = "lobe .20", .rig = SPLIT48, .lobe = 0.2},
        {.name = "lobe .10, Gaussian", .rig = SPLIT48, .is_gauss = true},
        {.name = "lamps off 1 deg, 1 %", .rig = SPLIT48, .turn_deg = 1, .dim = 0.01},
        {.name = "lamps off .3 deg, .3 %", .rig = SPLIT48, .turn_deg = 0.3, .dim = 0.003},
        {.name = "index taken 1.45", .rig = SPLIT48, .index = 1.45},
        {.name = "scatter in paint, 1 px", .rig = SPLIT48, .scatter_px = 1},
        {.name = "white 25 % high", .rig = SPLIT48, .white = 1.25},
        {.name = "no white", .rig = SPLIT48, .white = -1},
        {.name = "thickness guess 1.5x", .rig = SPLIT48, .film_mm = 0.075}};
    printf(
        "film: paint err / varnish err (deg) / retained / filling (um; -1 not given), unpolarised "
        "then crossed\n");
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        run_case(&cases[i]);
    }
}

// ---- window beside varnish

// Slopes by plain squares of a patch, bare or varnished, into the left (0) or right half of k.
static void half_of(struct keep *k, const struct relief_film_scene *s,
                    const struct hc_relief_light *l, int n, bool is_crossed, int right)
{
    struct hc_plane plain[MAXL], crossed[MAXL];
    struct hc_relief_view v[MAXL];
    struct keep one;
    struct hc_relief_sink sink = {keep_rows, &one};
    struct hc_relief_normals_report rep;
    struct hc_relief_normals_options o = {.method = HC_RELIEF_LS};
    struct hc_err err = {0};
    for (int i = 0; i < n; i++) {
        must(relief_render_film(&plain[i], &crossed[i], s, &l[i], 1, 30000,
                                (uint64_t)(i + 99 * right), &err),
             &err);
        v[i] = hc_relief_view_plane(is_crossed ? &crossed[i] : &plain[i]);
    }
    new_keep(&one, SIDE, SIDE);
    must(hc_relief_normals(&rep, &sink, v, l, (size_t)n, &o, NULL, NULL, &err), &err);
    struct hc_plane p = hc_plane_part(&k->p, right * SIDE, 0, SIDE, SIDE);
    struct hc_plane q = hc_plane_part(&k->q, right * SIDE, 0, SIDE, SIDE);
    hc_plane_copy(&p, &one.p);
    hc_plane_copy(&q, &one.q);
    drop_keep(&one);
    for (int i = 0; i < n; i++) {
        hc_plane_release(&plain[i]);
        hc_plane_release(&crossed[i]);
    }
}

static void pair_case(int coats, double elevation, bool is_crossed)
{
    enum { N = 12 };
    struct relief_waves w = relief_waves_make(0.25, 4, 0.165, 1);
    struct relief_waves f = relief_waves_kept(&w, 2, 0.35, coats);
    struct relief_film_scene s = {.index = 1.5, .film_mm = 0.05, .lobe = 0.1};
    struct hc_relief_light l[N];
    struct hc_plane win = {0}, near = {0};
    struct hc_relief_pair out;
    struct keep k;
    struct hc_err err = {0};
    double fill;
    for (int i = 0; i < N; i++) {
        must(hc_relief_light_angles(&l[i], 30 * i, elevation, &err), &err);
    }
    must(relief_surface_create(&s.paint, &w, SIDE, SIDE, 0.05, &err), &err);
    must(relief_surface_create(&s.film, &f, SIDE, SIDE, 0.05, &err), &err);
    must(relief_albedo_create(&s.albedo, SIDE, SIDE, 3, &err), &err);
    must(hc_plane_create(&win, 2 * SIDE, SIDE, &err), &err);
    must(hc_plane_create(&near, 2 * SIDE, SIDE, &err), &err);
    new_keep(&k, 2 * SIDE, SIDE);
    double truth = truth_of(&s, &fill);
    half_of(&k, &s, l, N, is_crossed, 1);
    s.is_bare = true; // the same brushwork, so that what is off is the method
    half_of(&k, &s, l, N, is_crossed, 0);
    for (int i = 0; i < 2 * SIDE * SIDE; i++) {
        win.px[i] = i % (2 * SIDE) < SIDE;
        near.px[i] = 1 - win.px[i];
    }
    struct hc_relief_pair_input in = {.p = &k.p,
                                      .q = &k.q,
                                      .window = &win,
                                      .neighbour = &near,
                                      .mm_per_px = 0.05,
                                      .band = {0.2, 1.5},
                                      .reading = hc_relief_reading(l, N, 1.5),
                                      .is_crossed = is_crossed,
                                      .seed = 1};
    must(hc_relief_window_pair(&out, &in, NULL, &err), &err);
    if (out.refusal == HC_RELIEF_GIVEN) {
        printf("  | true %.3f: %.3f (%.2f to %.2f)", truth, out.retained.value, out.retained.low,
               out.retained.high);
    } else {
        printf("  | true %.3f: refused (%d)", truth, out.refusal);
    }
    drop_keep(&k);
    hc_plane_release(&win);
    hc_plane_release(&near);
    relief_surface_release(&s.paint);
    relief_surface_release(&s.film);
    hc_plane_release(&s.albedo);
}

static void bench_pair(void)
{
    static const int coats[] = {6, 3, 1, 0};
    printf("cleaned window beside varnish, 12 lamps, retained relief, dilution .8 (.65 to .95)\n");
    for (int e = 0; e < 3; e++) {
        printf("  zenith %d, %-11s", e == 2 ? 45 : 60, e == 0 ? "crossed" : "unpolarised");
        for (int i = 0; i < 4; i++) {
            pair_case(coats[i], e == 2 ? 45 : 30, e == 0);
        }
        printf("\n");
    }
}

// ---- speed ----

static hc_status nowhere(void *ctx, int y0, const struct hc_relief_rows *r, struct hc_err *err)
{
    (void)ctx, (void)y0, (void)r, (void)err;
    return HC_OK;
}

static double read_probe(const uint64_t *p, size_t n)
{
    double best = 1e9;
    for (int k = 0; k < 5; k++) {
        double t = seconds();
        uint64_t s = 0;
        for (size_t i = 0; i + 4 <= n; i += 4) {
            s += p[i] ^ p[i + 1] ^ p[i + 2] ^ p[i + 3];
        }
        t = seconds() - t;
        best = s == 42 ? t : fmin(best, t); // the sum must not be optimised away
    }
    return best;
}

#ifdef HC_BENCH_OPENCV
// It wants floats; turning 16 bits into them is not counted.
static void time_opencv(const uint16_t *data, const struct hc_relief_light *l, int n, int px)
{
    float *v = hc_mem_alloc((size_t)(n + 2) * (size_t)px * sizeof *v),
          row[3 * HC_RELIEF_MAX_LIGHTS];
    double best = 1e9;
    for (size_t i = 0; v && i < (size_t)n * (size_t)px; i++) {
        v[i] = (float)data[i] * (1.0f / 65535.0f);
    }
    for (int i = 0; i < 3 * n; i++) {
        row[i] = (float)l[i / 3].dir[i % 3];
    }
    for (int k = 0; v && k < 3; k++) {
        float *out = v + (size_t)n * (size_t)px;
        double t = seconds();
        relief_opencv_squares(out, out + px, v, row, n, px);
        best = fmin(best, seconds() - t);
    }
    printf("  OpenCV: squares from floats in memory, no masks %.1f ms\n", 1e3 * best);
    hc_mem_free(v);
}
#endif

static void bench_speed(void)
{
    enum { N = 24, W = 2048, H = 2048 };
    static const char *const name[] = {"trim", "squares", "L1", "LTS"};
    size_t px = (size_t)W * H;
    uint16_t *data = hc_mem_alloc(N * px * sizeof *data);
    struct hc_relief_view v[N];
    struct hc_relief_light l[N];
    struct hc_relief_sink sink = {nowhere, NULL};
    struct hc_relief_normals_report rep;
    struct hc_plane p = {0}, q = {0}, z = {0};
    struct hc_relief_height_report hr;
    struct hc_err err = {0};
    if (!data) {
        printf("speed: out of memory\n");
        return;
    }
    for (size_t i = 0; i < N * px; i++) {
        data[i] = (uint16_t)(10000 + (i * 2654435761u >> 18) % 20000);
    }
    for (int k = 0; k < N; k++) {
        v[k] =
            (struct hc_relief_view){.w = W, .h = H, .px16 = data + (size_t)k * px, .stride16 = W};
        must(hc_relief_light_angles(&l[k], 15 * k, k % 2 ? 30 : 50, &err), &err);
    }
    double read = read_probe((const void *)data, N * px / 4), bound = read * (1 + 12.0 / (2 * N));
    printf("speed, processor time of one thread, 24 x 4.19 Mpx 16 bit: reading them %.1f ms, bound "
           "with writing three floats at the same speed %.1f ms\n",
           1e3 * read, 1e3 * bound);
    for (int m = -1; m < 4; m++) {
        struct hc_relief_normals_options o = {
            .method = m < 0 ? HC_RELIEF_LS : (enum hc_relief_method)m, .has_no_sigma = m < 0};
        double best = 1e9;
        for (int k = 0; k < (m == -1 || m == 1 ? 5 : 1); k++) {
            double t = seconds();
            must(hc_relief_normals(&rep, &sink, v, l, N, &o, NULL, NULL, &err), &err);
            best = fmin(best, seconds() - t);
        }
        printf("  %s%s %.1f ms (%.2f of the bound)\n", name[m < 0 ? 1 : m],
               m < 0 ? " without standard errors" : "", 1e3 * best, best / bound);
    }
#ifdef HC_BENCH_OPENCV
    time_opencv(data, l, N, (int)px);
#endif
    hc_mem_free(data);
    must(hc_plane_create(&p, W, H, &err), &err);
    must(hc_plane_create(&q, W, H, &err), &err);
    must(hc_plane_create(&z, W, H, &err), &err);
    struct hc_rng r = hc_rng_make(1);
    for (size_t i = 0; i < px; i++) {
        p.px[i] = (float)hc_rng_normal(&r);
        q.px[i] = (float)hc_rng_normal(&r);
    }
    double best = 1e9;
    for (int k = 0; k < 3; k++) {
        double t = seconds();
        must(hc_relief_height(&z, &hr, &p, &q, 0.1, NULL, NULL, NULL, &err), &err);
        best = fmin(best, seconds() - t);
    }
    printf("  height 4.19 Mpx %.0f ms\n", 1e3 * best);
#ifdef HC_BENCH_OPENCV
    best = 1e9;
    for (int k = 0; k < 3; k++) {
        double t = seconds();
        relief_opencv_height(z.px, p.px, q.px, W, H);
        best = fmin(best, seconds() - t);
    }
    printf("  OpenCV: height %.0f ms\n", 1e3 * best);
#endif
    hc_plane_release(&p);
    hc_plane_release(&q);
    hc_plane_release(&z);
}

// ---- memory ----

static hc_status draw_rows(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    const struct hc_relief_light *l = ctx;
    (void)err;
    for (int y = 0; y < out->h; y++) {
        float *row = hc_plane_row(out, y);
        for (int x = 0; x < out->w; x++) { // facets
            float p = 0.002f * (float)((x0 + x) % 97 - 48),
                  q = 0.002f * (float)((y0 + y) % 89 - 44);
            row[x] = 0.5f * ((float)l->dir[2] - p * (float)l->dir[0] - q * (float)l->dir[1]);
        }
    }
    return HC_OK;
}

// 24 views of 50 Mpx that are read strip by strip, slopes kept, height made of them.
static void bench_memory(void)
{
    enum { N = 24, W = 8660, H = 5774 };
    struct hc_relief_light l[N];
    struct hc_relief_view v[N];
    struct keep k;
    struct hc_relief_sink sink = {keep_rows, &k};
    struct hc_relief_normals_report rep;
    struct hc_relief_height_report hr;
    struct hc_plane z = {0};
    struct rusage use;
    struct hc_err err = {0};
    double t = seconds(), slopes;
    for (int i = 0; i < N; i++) {
        must(hc_relief_light_angles(&l[i], 15 * i, i % 2 ? 30 : 50, &err), &err);
        v[i] = (struct hc_relief_view){.w = W, .h = H, .read = draw_rows, .ctx = &l[i]};
    }
    new_keep(&k, W, H);
    must(hc_relief_normals(&rep, &sink, v, l, N, NULL, NULL, NULL, &err), &err);
    slopes = seconds() - t;
    must(hc_plane_create(&z, W, H, &err), &err);
    must(hc_relief_height(&z, &hr, &k.p, &k.q, 0.1, NULL, NULL, NULL, &err), &err);
    getrusage(RUSAGE_SELF, &use);
    printf("50 Mpx x 24: slopes (trim, with drawing the views) %.1f s, height %.1f s, peak memory "
           "%.2f "
           "GiB\n",
           slopes, seconds() - t - slopes, (double)use.ru_maxrss / 1048576);
    hc_plane_release(&z);
    drop_keep(&k);
}

int main(int argc, char **argv)
{
    static const struct {
        const char *name;
        void (*run)(void);
    } part[] = {{"normals", bench_normals}, {"height", bench_height}, {"drift", bench_drift},
                {"film", bench_film},       {"pair", bench_pair},     {"speed", bench_speed},
                {"memory", bench_memory}};
    for (size_t i = 0; i < sizeof part / sizeof *part; i++) {
        bool is_asked = argc < 2;
        for (int k = 1; k < argc; k++) {
            is_asked = is_asked || strcmp(argv[k], part[i].name) == 0;
        }
        if (is_asked) {
            part[i].run();
        }
    }
    return 0;
}
