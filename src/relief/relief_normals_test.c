#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "relief/relief_scene.h"
#include "relief/relief_solve.h"

struct catch
{ // a sink that keeps everything
    struct hc_plane p, q, albedo, sd, used;
    int calls;
};

static hc_status keep(void *ctx, int y0, const struct hc_relief_rows *rows, struct hc_err *err)
{
    struct catch *c = ctx;
    const struct hc_plane *from[5] = {&rows->p, &rows->q, &rows->albedo, &rows->slope_sd,
                                      &rows->used};
    struct hc_plane *to[5] = {&c->p, &c->q, &c->albedo, &c->sd, &c->used};
    (void)err;
    for (int j = 0; j < 5; j++) {
        struct hc_plane part = hc_plane_part(to[j], 0, y0, from[j]->w, from[j]->h);
        hc_plane_copy(&part, from[j]);
    }
    c->calls++;
    return HC_OK;
}

static void make_catch(struct catch *c, int w, int h)
{
    struct hc_plane *to[5] = {&c->p, &c->q, &c->albedo, &c->sd, &c->used};
    struct hc_err err = {0};
    *c = (struct catch){0};
    for (int j = 0; j < 5; j++) {
        assert_ok(hc_plane_create(to[j], w, h, &err), &err);
    }
}

static void drop_catch(struct catch *c)
{
    struct hc_plane *to[5] = {&c->p, &c->q, &c->albedo, &c->sd, &c->used};
    for (int j = 0; j < 5; j++) {
        hc_plane_release(to[j]);
    }
}

enum { RING = 16 };
struct set {
    struct hc_relief_light lights[RING];
    struct hc_plane img[RING], albedo;
    struct hc_relief_view views[RING];
    struct relief_surface s;
};

static void make_set(struct set *t, int w, int h, double slope, const struct relief_look *look)
{
    struct relief_waves waves = relief_waves_make(0.3, 4, slope, 7);
    struct hc_err err = {0};
    *t = (struct set){0};
    assert_ok(relief_surface_create(&t->s, &waves, w, h, 0.05, &err), &err);
    assert_ok(relief_albedo_create(&t->albedo, w, h, 3, &err), &err);
    for (int k = 0; k < RING; k++) {
        assert_ok(
            hc_relief_light_angles(&t->lights[k], 360.0 / RING * k + 3, k % 2 ? 30 : 50, &err),
            &err);
        assert_ok(relief_render(&t->img[k], &t->s, &t->albedo, &t->lights[k], look, (uint64_t)k + 1,
                                &err),
                  &err);
        t->views[k] = hc_relief_view_plane(&t->img[k]);
    }
}

static void drop_set(struct set *t)
{
    for (int k = 0; k < RING; k++) {
        hc_plane_release(&t->img[k]);
    }
    hc_plane_release(&t->albedo);
    relief_surface_release(&t->s);
}

static double mean_error_deg(const struct catch *c, const struct relief_surface *s)
{
    double sum = 0;
    for (int y = 0; y < s->p.h; y++) {
        for (int x = 0; x < s->p.w; x++) {
            double a = (double)hc_plane_get(&c->p, x, y), b = (double)hc_plane_get(&c->q, x, y);
            double p = (double)hc_plane_get(&s->p, x, y), q = (double)hc_plane_get(&s->q, x, y);
            double dot = (1 + a * p + b * q) / sqrt((1 + a * a + b * b) * (1 + p * p + q * q));
            sum += acos(fmin(1, dot)) * 180 / M_PI;
        }
    }
    return sum / ((double)s->p.w * s->p.h);
}

static struct hc_relief_normals_report
solve(struct catch *c, struct set *t, const struct hc_relief_normals_options *o, struct hc_par *par)
{
    struct hc_relief_normals_report rep;
    struct hc_relief_sink sink = {keep, c};
    struct hc_err err = {0};
    assert_ok(hc_relief_normals(&rep, &sink, t->views, t->lights, RING, o, par, NULL, &err), &err);
    return rep;
}

// 0-1 principle: a network that sorts all 0-1 patterns sorts everything. Small n in full, larger n
// by random values.
static void test_network(void **state)
{
    (void)state;
    for (int n = 1; n <= 64; n++) {
        struct hc_relief_plan plan = {.n = n};
        struct hc_rng r = hc_rng_make((uint64_t)n);
        hc_relief_network(&plan);
        assert_true(plan.swaps <= 543);
        for (long t = 0; t < (n <= 12 ? 1L << n : 2000); t++) {
            double v[64];
            for (int i = 0; i < n; i++) {
                v[i] = n <= 12 ? (double)(t >> i & 1) : floor(hc_rng_range(&r, 0, 40));
            }
            for (int j = 0; j < plan.swaps; j++) {
                double *a = &v[plan.swap[j][0]], *b = &v[plan.swap[j][1]], s;
                if (*a > *b) {
                    s = *a;
                    *a = *b;
                    *b = s;
                }
            }
            for (int i = 1; i < n; i++) {
                assert_true(v[i - 1] <= v[i]);
            }
        }
    }
}

// Without shadows and highlights all methods give the truth; 16-bit input, odd widths and threads
// change nothing that matters.
static void test_matte(void **state)
{
    static struct set t;
    struct relief_look look = {0};
    struct catch c, d;
    struct hc_err err = {0};
    struct hc_par *par = NULL;
    (void)state;
    make_set(&t, 1043, 67, 0.1, &look);
    assert_ok(hc_par_create(&par, 2, &err), &err);
    make_catch(&c, 1043, 67);
    make_catch(&d, 1043, 67);
    for (int m = 0; m < 4; m++) {
        struct hc_relief_normals_options o = {.method = (enum hc_relief_method)m};
        struct hc_relief_normals_report rep = solve(&c, &t, &o, NULL);
        near_abs(rep.answered, 1, 1e-12);
        assert_true(mean_error_deg(&c, &t.s) < 0.002);
        near_abs((double)hc_plane_get(&c.albedo, 500, 33), (double)hc_plane_get(&t.albedo, 500, 33),
                 1e-4);
        assert_true(rep.residual < 1e-4);
        solve(&d, &t, &o, par);
        for (int y = 0; y < 67; y++) {
            assert_memory_equal(hc_plane_row(&c.p, y), hc_plane_row(&d.p, y), 1043 * sizeof(float));
            assert_memory_equal(hc_plane_row(&c.sd, y), hc_plane_row(&d.sd, y),
                                1043 * sizeof(float));
        }
    }
    assert_int_equal(d.calls, 8);
    // 16 bit, plain: as good as 16 bits are.
    uint16_t *px = hc_mem_array((size_t)RING * 1043 * 67, sizeof *px);
    assert_non_null(px);
    for (int k = 0; k < RING; k++) {
        for (int i = 0; i < 1043 * 67; i++) {
            px[(size_t)k * 1043 * 67 + (size_t)i] =
                (uint16_t)(65535.0f * hc_plane_get(&t.img[k], i % 1043, i / 1043) + 0.5f);
        }
        t.views[k] = (struct hc_relief_view){
            .w = 1043, .h = 67, .px16 = px + (size_t)k * 1043 * 67, .stride16 = 1043};
    }
    struct hc_relief_normals_options o = {.method = HC_RELIEF_LS, .has_no_sigma = true};
    solve(&d, &t, &o, par);
    assert_true(mean_error_deg(&d, &t.s) < 0.004);
    o.method = HC_RELIEF_TRIM;
    solve(&d, &t, &o, par);
    assert_true(mean_error_deg(&d, &t.s) < 0.006);
    hc_mem_free(px);
    hc_par_destroy(par);
    drop_catch(&c);
    drop_catch(&d);
    drop_set(&t);
}

// Highlights and cast shadows: every robust method beats plain least squares.
static void test_glossy(void **state)
{
    static struct set t;
    struct relief_look look = {
        .has_cast = true, .gloss = 0.5, .lobe = 0.05, .is_clipped = true, .noise_electrons = 30000};
    struct catch c;
    double e[4];
    (void)state;
    make_set(&t, 160, 120, 0.25, &look);
    make_catch(&c, 160, 120);
    for (int m = 0; m < 4; m++) {
        struct hc_relief_normals_options o = {.method = (enum hc_relief_method)m};
        solve(&c, &t, &o, NULL);
        e[m] = mean_error_deg(&c, &t.s);
    }
    print_message("glossy: trim %.2f LS %.2f L1 %.2f LTS %.2f deg\n", e[0], e[1], e[2], e[3]);
    assert_true(e[HC_RELIEF_TRIM] < 0.65 * e[HC_RELIEF_LS]);
    assert_true(e[HC_RELIEF_L1] < 0.8 * e[HC_RELIEF_LS]);
    assert_true(e[HC_RELIEF_LTS] < 0.7 * e[HC_RELIEF_LS]);
    drop_catch(&c);
    drop_set(&t);
}

// The propagated standard error is the error that noise really makes.
static void test_sigma(void **state)
{
    static struct set t;
    struct relief_look look = {.noise_electrons = 2000};
    struct catch c;
    (void)state;
    make_set(&t, 200, 150, 0.05, &look);
    make_catch(&c, 200, 150);
    for (int m = 0; m < 4; m++) {
        struct hc_relief_normals_options o = {.method = (enum hc_relief_method)m};
        struct hc_relief_normals_report rep = solve(&c, &t, &o, NULL);
        double sum = 0, want = 0;
        for (int i = 0; i < 200 * 150; i++) {
            int x = i % 200, y = i / 200;
            double p = (double)(hc_plane_get(&c.p, x, y) - hc_plane_get(&t.s.p, x, y));
            double q = (double)(hc_plane_get(&c.q, x, y) - hc_plane_get(&t.s.q, x, y));
            sum += 0.5 * (p * p + q * q);
            want += pow((double)hc_plane_get(&c.sd, x, y), 2);
        }
        print_message("method %d: error %.4f, said %.4f\n", m, sqrt(sum / 30000),
                      sqrt(want / 30000));
        // Trimming by residual (LTS) is only roughly normal with 16 lamps; by rank, it leans on the
        // signal's order.
        near_abs(sqrt(want / sum), 1, m == HC_RELIEF_LS ? 0.05 : 0.35);
        assert_true(rep.slope_sd_mean > 0);
        assert_false(rep.is_sd_assumed);
    }
    drop_catch(&c);
    drop_set(&t);
}

// Clipped and unlit samples have no say; a pixel with under three good ones gets no answer.
static void test_masks(void **state)
{
    static struct set t;
    struct relief_look look = {0};
    struct catch c;
    struct hc_relief_normals_options o = {.method = HC_RELIEF_LS};
    (void)state;
    make_set(&t, 70, 65, 0.05, &look);
    make_catch(&c, 70, 65);
    hc_plane_row(&t.img[2], 64)[69] = 1; // clipped
    hc_plane_row(&t.img[5], 64)[69] = 0; // unlit
    hc_plane_row(&t.img[1], 3)[4] = NAN; // damaged
    for (int k = 2; k < RING; k++) {
        hc_plane_row(&t.img[k], 10)[10] = 0;
    }
    solve(&c, &t, &o, NULL);
    near_abs((double)hc_plane_get(&c.used, 69, 64), RING - 2, 0);
    near_abs((double)hc_plane_get(&c.used, 4, 3), RING - 1, 0);
    near_abs((double)hc_plane_get(&c.used, 10, 10), 0, 0);
    near_abs((double)hc_plane_get(&c.p, 10, 10), 0, 0);
    assert_true(mean_error_deg(&c, &t.s) < 0.01);
    o.method = HC_RELIEF_TRIM;
    solve(&c, &t, &o, NULL);
    near_abs((double)hc_plane_get(&c.used, 10, 10), 0, 0);
    near_abs((double)hc_plane_get(&c.p, 4, 3), (double)hc_plane_get(&t.s.p, 4, 3), 1e-4);
    drop_catch(&c);
    drop_set(&t);
}

// A flat board 200 mm wide under lamps 500 mm away: wrong without care, right with the near-light
// model, and with a board view per lamp.
static void test_near(void **state)
{
    enum { W = 100, H = 80 };
    struct hc_relief_light near[RING], far[RING];
    struct hc_plane img[RING], board[RING];
    struct hc_relief_view views[RING], flats[RING];
    struct relief_waves waves = relief_waves_make(20, 80, 0.1, 3), none = waves;
    struct relief_surface s = {0}, flat = {0};
    struct relief_look look = {0};
    struct catch c;
    struct hc_relief_sink sink = {keep, &c};
    struct hc_relief_normals_report rep;
    struct hc_err err = {0};
    (void)state;
    none.n = 0;
    assert_ok(relief_surface_create(&s, &waves, W, H, 2, &err), &err);
    assert_ok(relief_surface_create(&flat, &none, W, H, 2, &err), &err);
    for (int k = 0; k < RING; k++) {
        double az = 2 * M_PI * k / RING, el = k % 2 ? 0.5 : 0.8;
        assert_ok(hc_relief_light_position(&near[k], 500 * cos(az) * cos(el),
                                           500 * sin(az) * cos(el), 500 * sin(el), &err),
                  &err);
        far[k] = near[k];
        far[k].is_near = false;
        assert_ok(relief_render(&img[k], &s, NULL, &near[k], &look, 1, &err), &err);
        assert_ok(relief_render(&board[k], &flat, NULL, &near[k], &look, 1, &err), &err);
        views[k] = hc_relief_view_plane(&img[k]);
        flats[k] = hc_relief_view_plane(&board[k]);
    }
    make_catch(&c, W, H);
    struct hc_relief_normals_options o = {.method = HC_RELIEF_LS, .mm_per_px = 2};
    assert_ok(hc_relief_normals(&rep, &sink, views, far, RING, &o, NULL, NULL, &err), &err);
    assert_true(mean_error_deg(&c, &s) > 2);
    assert_ok(hc_relief_normals(&rep, &sink, views, near, RING, &o, NULL, NULL, &err), &err);
    assert_true(mean_error_deg(&c, &s) < 0.01);
    o.flat = flats;
    assert_ok(hc_relief_normals(&rep, &sink, views, near, RING, &o, NULL, NULL, &err), &err);
    assert_true(mean_error_deg(&c, &s) < 0.01);
    assert_ok(hc_relief_normals(&rep, &sink, views, far, RING, &o, NULL, NULL, &err), &err);
    double e = mean_error_deg(&c, &s);
    print_message("flat field with nominal directions: %.2f deg\n", e);
    assert_true(e < 1); // a gain error of the slopes is left
    o.mm_per_px = 0;
    assert_int_equal(hc_relief_normals(&rep, &sink, views, near, RING, &o, NULL, NULL, &err),
                     HC_EARG);
    for (int k = 0; k < RING; k++) {
        hc_plane_release(&img[k]);
        hc_plane_release(&board[k]);
    }
    relief_surface_release(&s);
    relief_surface_release(&flat);
    drop_catch(&c);
}

// As many lamps as are taken, and one more.
static void test_many(void **state)
{
    enum { W = 45, H = 9, MANY = HC_RELIEF_MAX_LIGHTS + 1 };
    static struct hc_relief_light l[MANY];
    static struct hc_relief_view v[MANY];
    static struct hc_plane img[MANY];
    struct relief_waves waves = relief_waves_make(0.3, 4, 0.1, 7);
    struct relief_surface s = {0};
    struct relief_look look = {0};
    struct hc_relief_normals_report rep;
    struct catch c;
    struct hc_relief_sink sink = {keep, &c};
    struct hc_err err = {0};
    (void)state;
    assert_ok(relief_surface_create(&s, &waves, W, H, 0.05, &err), &err);
    for (int k = 0; k < MANY; k++) {
        assert_ok(hc_relief_light_angles(&l[k], 7.3 * k, 30 + k % 40, &err), &err);
        assert_ok(relief_render(&img[k], &s, NULL, &l[k], &look, 1, &err), &err);
        v[k] = hc_relief_view_plane(&img[k]);
    }
    make_catch(&c, W, H);
    for (int m = 0; m < 4; m++) {
        struct hc_relief_normals_options o = {.method = (enum hc_relief_method)m};
        assert_ok(hc_relief_normals(&rep, &sink, v, l, MANY - 1, &o, NULL, NULL, &err), &err);
        assert_true(mean_error_deg(&c, &s) < 0.002);
        assert_int_equal(hc_relief_normals(&rep, &sink, v, l, MANY, &o, NULL, NULL, &err),
                         HC_EREFUSED);
    }
    for (int k = 0; k < MANY; k++) {
        hc_plane_release(&img[k]);
    }
    relief_surface_release(&s);
    drop_catch(&c);
}

static hc_status broken(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    (void)ctx, (void)x0, (void)out;
    return hc_err_set(err, HC_EIO, "test", "row %d cannot be read", y0);
}

static void test_bad(void **state)
{
    static struct set t;
    struct relief_look look = {0};
    struct catch c;
    struct hc_relief_sink sink = {keep, &c};
    struct hc_relief_normals_report rep;
    struct hc_relief_normals_options o = {.trim_low = 0.5, .trim_high = 0.5};
    struct hc_err err = {0};
    size_t live;
    (void)state;
    make_set(&t, 64, 70, 0.05, &look);
    make_catch(&c, 64, 70);
    live = hc_mem_live();
    assert_int_equal(hc_relief_normals(&rep, &sink, t.views, t.lights, 2, NULL, NULL, NULL, &err),
                     HC_EREFUSED);
    assert_int_equal(hc_relief_normals(&rep, &sink, t.views, t.lights, 0, NULL, NULL, NULL, &err),
                     HC_EREFUSED);
    assert_int_equal(hc_relief_normals(&rep, &sink, t.views, t.lights, RING, &o, NULL, NULL, &err),
                     HC_ERANGE);
    t.views[3].w = 60;
    assert_int_equal(
        hc_relief_normals(&rep, &sink, t.views, t.lights, RING, NULL, NULL, NULL, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "view 4 measures 60 x 70"));
    t.views[3].w = 64;
    t.views[3].read = broken;
    assert_int_equal(
        hc_relief_normals(&rep, &sink, t.views, t.lights, RING, NULL, NULL, NULL, &err), HC_EIO);
    t.views[3] = hc_relief_view_plane(&t.img[3]);
    struct hc_job job = {.cancel = true};
    assert_int_equal(
        hc_relief_normals(&rep, &sink, t.views, t.lights, RING, NULL, NULL, &job, &err),
        HC_ECANCEL);
    for (int i = 0; i < 20; i++) { // memory may end anywhere
        hc_mem_fail_at(i);
        assert_int_equal(
            hc_relief_normals(&rep, &sink, t.views, t.lights, RING, NULL, NULL, NULL, &err),
            HC_ENOMEM);
    }
    hc_mem_fail_at(-1);
    assert_int_equal(hc_mem_live(), live);
    drop_catch(&c);
    drop_set(&t);
}

// Rings at one zenith read kappa and beta themselves; .535/.535 at 45 and .408/.769 at 60 degrees.
static void test_reading(void **state)
{
    struct hc_relief_light ring[12];
    struct hc_relief_reading r;
    struct hc_err err = {0};
    (void)state;
    for (int el = 30; el <= 45; el += 15) {
        for (int k = 0; k < 12; k++) {
            assert_ok(hc_relief_light_angles(&ring[k], 30 * k, el, &err), &err);
        }
        r = hc_relief_reading(ring, 12, 1.5);
        near_abs(r.paint, el == 30 ? 0.408 : 0.535, 0.0006);
        near_abs(r.film, el == 30 ? 0.769 : 0.535, 0.0006);
    }
}

static void test_film_terms(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/relief_film_terms.csv");
    (void)state;
    assert_int_equal(t.rows, 10);
    for (size_t i = 1; i < t.rows; i++) {
        struct hc_relief_film_terms f = hc_relief_film_terms(atof(t.cell[i][0]), 1.5);
        near_abs(f.kappa, atof(t.cell[i][1]), 5.1e-5);
        near_abs(f.beta, atof(t.cell[i][2]), 5.1e-5);
        near_abs(f.transmit, atof(t.cell[i][3]), 5.1e-5);
    }
    hc_test_csv_free(&t);
    struct hc_relief_film_terms f = hc_relief_film_terms(60, 1.5); // finite differences of Snell
    near_abs(f.kappa, 0.40825, 5e-6);
    near_abs(f.beta, 0.76942, 5e-6);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_network), cmocka_unit_test(test_matte),
        cmocka_unit_test(test_glossy),  cmocka_unit_test(test_sigma),
        cmocka_unit_test(test_masks),   cmocka_unit_test(test_near),
        cmocka_unit_test(test_many),    cmocka_unit_test(test_bad),
        cmocka_unit_test(test_reading), cmocka_unit_test(test_film_terms)};
    return cmocka_run_group_tests_name("relief_normals", tests, NULL, NULL);
}
