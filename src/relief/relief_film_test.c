#include "hc_test.h"

#include "base/mem.h"
#include "relief/relief_scene.h"

enum { SIDE = 112, N = 48 };
static const double mm = 0.05;
static struct hc_relief_light lights[N];
static struct hc_plane plain[N], crossed[N];
static struct relief_film_scene scene;
static double truth, fill_um; // retained and rms filling in the band

static double in_band(const struct hc_plane *a, const struct hc_plane *b, int n)
{
    struct hc_relief_band band = {0.2, 2.5};
    struct hc_plane f = {0}, g = {0};
    struct hc_err err = {0};
    double s = 0;
    assert_ok(hc_plane_create(&f, SIDE, SIDE, &err), &err);
    assert_ok(hc_plane_create(&g, SIDE, SIDE, &err), &err);
    for (int i = 0; i < n; i++) {
        assert_ok(hc_relief_band_filter(&f, &a[i], NULL, mm, band, NULL, &err), &err);
        assert_ok(hc_relief_band_filter(&g, &b[i], NULL, mm, band, NULL, &err), &err);
        for (int j = 0; j < SIDE * SIDE; j++) {
            s += (double)f.px[j] * (double)g.px[j];
        }
    }
    hc_plane_release(&f);
    hc_plane_release(&g);
    return s;
}

static void render(void)
{
    struct hc_err err = {0};
    for (int k = 0; k < N; k++) {
        hc_plane_release(&plain[k]);
        hc_plane_release(&crossed[k]);
        assert_ok(relief_render_film(&plain[k], &crossed[k], &scene, &lights[k], 1, 30000,
                                     (uint64_t)k + 1, &err),
                  &err);
    }
}

// 24 lamps within 34 degrees of the axis, 24 raking at 55 and 70.
static int setup(void **state)
{
    struct relief_waves w = relief_waves_make(0.25, 4, 0.165, 1),
                        f = relief_waves_kept(&w, 2, 0.35, 2);
    struct hc_err err = {0};
    (void)state;
    assert_ok(relief_surface_create(&scene.paint, &w, SIDE, SIDE, mm, &err), &err);
    assert_ok(relief_surface_create(&scene.film, &f, SIDE, SIDE, mm, &err), &err);
    assert_ok(relief_albedo_create(&scene.albedo, SIDE, SIDE, 3, &err), &err);
    scene.index = 1.5;
    scene.film_mm = 0.05;
    scene.lobe = 0.1;
    for (int k = 0; k < N; k++) {
        double z = k >= 24 ? (k % 2 ? 55 : 70) : k < 8 ? 12 : k < 16 ? 22 : 34;
        double az = k < 24 ? k * 45 + k / 8 * 15 : (k - 24) * 15;
        assert_ok(hc_relief_light_angles(&lights[k], az, 90 - z, &err), &err);
    }
    render();
    struct hc_plane a[2] = {scene.paint.p, scene.paint.q}, b[2] = {scene.film.p, scene.film.q};
    struct hc_plane d = {0};
    truth = in_band(a, b, 2) / in_band(a, a, 2);
    assert_ok(hc_plane_create(&d, SIDE, SIDE, &err), &err);
    for (int i = 0; i < SIDE * SIDE; i++) {
        d.px[i] = scene.film.z.px[i] - scene.paint.z.px[i];
    }
    fill_um = 1e3 * sqrt(in_band(&d, &d, 1) / (SIDE * SIDE));
    hc_plane_release(&d);
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    for (int k = 0; k < N; k++) {
        hc_plane_release(&plain[k]);
        hc_plane_release(&crossed[k]);
    }
    relief_surface_release(&scene.paint);
    relief_surface_release(&scene.film);
    hc_plane_release(&scene.albedo);
    return 0;
}

static struct hc_relief_film solve(struct hc_relief_film_input in)
{
    struct hc_relief_film f;
    struct hc_err err = {0};
    in.mm_per_px = mm;
    assert_ok(hc_relief_film_solve(&f, &in, NULL, NULL, &err), &err);
    return f;
}

static const struct hc_relief_film_input base = {.n = N,
                                                 .lights = lights,
                                                 .plain = plain,
                                                 .crossed = crossed,
                                                 .white = 1,
                                                 .sphere_residual_deg = 0.2};

static double off_deg(const struct hc_plane *p, const struct hc_plane *q,
                      const struct relief_surface *s)
{
    double sum = 0;
    for (int i = 0; i < SIDE * SIDE; i++) {
        sum += hypot((double)(p->px[i] - s->p.px[i]), (double)(q->px[i] - s->q.px[i]));
    }
    return sum / (SIDE * SIDE) * 180 / M_PI;
}

static void test_crossed(void **state)
{
    struct hc_relief_film f = solve(base);
    struct hc_plane clog = {0};
    struct hc_relief_band band = {0.2, 2.5};
    struct hc_err err = {0};
    double mean = 0;
    (void)state;
    assert_int_equal(f.refusal, HC_RELIEF_GIVEN);
    print_message(
        "crossed: retained %.3f (true %.3f), filling %.1f (true %.1f) um, paint %.2f, film "
        "%.2f deg\n",
        f.retained.value, truth, f.fill_um.value, fill_um,
        off_deg(&f.paint_p, &f.paint_q, &scene.paint), off_deg(&f.film_p, &f.film_q, &scene.film));
    near_abs(f.retained.value, truth, 0.05);
    assert_true(f.retained.low <= f.retained.value - 0.15 + 1e-9);
    assert_true(off_deg(&f.paint_p, &f.paint_q, &scene.paint) < 1.6);
    assert_true(off_deg(&f.film_p, &f.film_q, &scene.film) < 0.5);
    assert_true(f.has_fill);
    near_abs(f.fill_um.value, fill_um, 0.25 * fill_um);
    assert_true(f.fill_um.low <= fill_um && f.fill_um.high >= fill_um);
    assert_non_null(strstr(f.why, "mean thickness cannot be seen"));
    assert_ok(hc_plane_create(&clog, 7, 7, &err), &err);
    assert_ok(hc_relief_clog_map(&clog, &f, NULL, mm, band, 16, NULL, &err), &err);
    for (int i = 0; i < 49; i++) {
        mean += (double)clog.px[i] / 49;
    }
    near_abs(mean, 1 - truth, 0.15);
    hc_plane_release(&clog);
    hc_relief_film_release(&f);
}

static void test_plain(void **state)
{
    struct hc_relief_film_input in = base;
    (void)state;
    in.crossed = NULL;
    struct hc_relief_film f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_GIVEN);
    print_message("unpolarised: retained %.3f (true %.3f), paint %.2f deg\n", f.retained.value,
                  truth, off_deg(&f.paint_p, &f.paint_q, &scene.paint));
    near_abs(f.retained.value, truth, 0.1);
    assert_non_null(strstr(f.why, "without polarisers"));
    hc_relief_film_release(&f);
}

// Lamp directions not known well enough: no micrometres. No white: said.
static void test_weak(void **state)
{
    struct hc_relief_film_input in = base;
    (void)state;
    in.sphere_residual_deg = 0.8;
    in.white = 0;
    struct hc_relief_film f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_GIVEN);
    assert_false(f.has_fill);
    assert_non_null(strstr(f.why, "No micrometres"));
    assert_non_null(strstr(f.why, "reads high"));
    assert_true(f.retained.value > truth + 0.02); // the bias that is spoken of
    hc_relief_film_release(&f);
    in = base;
    in.sphere_residual_deg = -1;
    f = solve(in);
    assert_false(f.has_fill);
    hc_relief_film_release(&f);
}

// Two threads give the same bits.
static void test_threads(void **state)
{
    struct hc_relief_film a = solve(base), b;
    struct hc_relief_film_input in = base;
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_par_create(&par, 2, &err), &err);
    in.mm_per_px = mm;
    assert_ok(hc_relief_film_solve(&b, &in, par, NULL, &err), &err);
    assert_memory_equal(a.paint_p.px, b.paint_p.px, SIDE * SIDE * sizeof(float));
    assert_memory_equal(a.film_q.px, b.film_q.px, SIDE * SIDE * sizeof(float));
    assert_true(a.retained.value == b.retained.value);
    hc_par_destroy(par);
    hc_relief_film_release(&a);
    hc_relief_film_release(&b);
    size_t live = hc_mem_live(); // memory may end anywhere
    for (int i = 0; i < 200; i += 7) {
        hc_mem_fail_at(i);
        hc_status st = hc_relief_film_solve(&b, &in, NULL, NULL, &err);
        hc_mem_fail_at(-1);
        if (st == HC_OK) {
            hc_relief_film_release(&b);
            assert_true(i > 60);
            break;
        }
        assert_int_equal(st, HC_ENOMEM);
        assert_int_equal(hc_mem_live(), live);
    }
}

static void test_gates(void **state)
{
    struct hc_relief_film_input in = base;
    struct hc_relief_film f;
    struct hc_plane out = {0};
    struct hc_relief_band band = {0.2, 2.5};
    struct hc_err err = {0};
    (void)state;
    in.lights = lights + 24;
    in.plain = plain + 24;
    in.crossed = crossed + 24;
    in.n = 24;
    f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_RAKING_ONLY);
    assert_null(f.paint_p.px);
    assert_ok(hc_plane_create(&out, 7, 7, &err), &err);
    assert_int_equal(hc_relief_clog_map(&out, &f, NULL, mm, band, 16, NULL, &err), HC_EREFUSED);
    hc_plane_release(&out);
    in.lights = lights + 11; // five within 25 degrees
    in.plain = plain + 11;
    in.crossed = crossed + 11;
    in.n = 37;
    f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_FEW_NEAR);
    assert_int_equal(f.near_axis, 5);
    in = base;
    in.n = 24;
    f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_ONE_HEIGHT);
    in = base;
    in.band = (struct hc_relief_band){0.2, 4};
    f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_SMALL);
    in.n = 2;
    in.mm_per_px = mm;
    assert_int_equal(hc_relief_film_solve(&f, &in, NULL, NULL, &err), HC_EARG);
}

// Bare paint is told from a film, with polarisers and without. Highlights so narrow that few lamps
// hit a pixel do not cover the area.
static void test_no_film(void **state)
{
    struct hc_relief_film_input in = base;
    struct hc_relief_band band = {0.2, 2.5};
    struct hc_plane out = {0};
    struct hc_relief_film f;
    struct hc_err err = {0};
    (void)state;
    scene.is_bare = true;
    render();
    f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_NO_FILM);
    in.crossed = NULL;
    f = solve(in);
    print_message("bare, unpolarised: %s (ratio %.3f, coverage %.2f)\n", f.why, f.bare_ratio,
                  f.coverage);
    assert_true(f.refusal == HC_RELIEF_NO_FILM || f.refusal == HC_RELIEF_COVERAGE);
    scene.is_bare = false;
    scene.lobe = 0.03;
    render();
    f = solve(base); // covered in part: a figure from what was seen, no micrometres, no map
    print_message("narrow highlights: retained %.3f, coverage %.2f\n", f.retained.value,
                  f.coverage);
    assert_int_equal(f.refusal, HC_RELIEF_GIVEN);
    near_abs(f.retained.value, truth, 0.1);
    assert_false(f.has_fill);
    assert_non_null(strstr(f.why, "cover too little"));
    assert_ok(hc_plane_create(&out, 7, 7, &err), &err);
    assert_int_equal(hc_relief_clog_map(&out, &f, NULL, mm, band, 16, NULL, &err), HC_EREFUSED);
    hc_plane_release(&out);
    hc_relief_film_release(&f);
    scene.lobe = 0.04;
    render();
    in = base;
    in.crossed = NULL;
    f = solve(in);
    assert_int_equal(f.refusal, HC_RELIEF_NARROW);
    scene.lobe = 0.012;
    render();
    f = solve(base);
    assert_int_equal(f.refusal, HC_RELIEF_COVERAGE);
    scene.lobe = 0.1;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_crossed), cmocka_unit_test(test_plain),
        cmocka_unit_test(test_weak),    cmocka_unit_test(test_threads),
        cmocka_unit_test(test_gates),   cmocka_unit_test(test_no_film)};
    return cmocka_run_group_tests_name("relief_film", tests, setup, teardown);
}
