#include "hc_test.h"

#include "align/align_priv.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "base/rng.h"
#include "num/stats.h"

#define W 640
#define H 560
#define GRID 21

static struct align_view upright(enum align_technique t)
{
    return (struct align_view){
        .technique = t, .frame_to_view = hc_homog_identity(), .w = W, .h = H};
}

// Tiles 50 px apart on a frame of 1000 x 800, displaced by a bend (or not) and by noise.
struct tiles {
    struct hc_align_sample s[320];
    size_t n;
};

static struct hc_pt bent(double x, double y, double amplitude)
{
    double k = 2 * M_PI / 400;
    return (struct hc_pt){amplitude * sin(k * y), amplitude * cos(k * x)};
}

static void make(struct tiles *t, double amplitude, double noise, uint64_t seed)
{
    struct hc_rng r = hc_rng_make(seed);
    t->n = 0;
    for (int j = 0; j < 16; j++) {
        for (int i = 0; i < 20; i++) {
            double x = 25 + 50 * i, y = 25 + 50 * j;
            struct hc_pt d = bent(x, y, amplitude);
            t->s[t->n++] = (struct hc_align_sample){
                .x = x,
                .y = y,
                .d = {d.x + noise * hc_rng_normal(&r), d.y + noise * hc_rng_normal(&r)},
                .is_held_out = (i + 2 * j) % 5 == 0};
        }
    }
}

// The median distance between the field and the bend.
static double error_of(const struct hc_align_field *f, double amplitude)
{
    double e[GRID * GRID];
    for (int i = 0; i < GRID * GRID; i++) {
        struct hc_pt p = {(i % GRID) * 50.0, (i / GRID) * 40.0}, d = hc_align_field_at(f, p);
        struct hc_pt b = bent(p.x, p.y, amplitude);
        e[i] = hypot(d.x - b.x, d.y - b.y);
    }
    return hc_stats_median(e, GRID * GRID);
}

static void test_follows(void **state)
{
    struct tiles t;
    struct hc_align_field *f = NULL;
    struct hc_err err = {0};
    double strain, longest;
    (void)state;
    make(&t, 1.5, 0.1, 1);
    t.s[100].d[0] = 5; // a wrong tile
    t.s[203].d[1] = -5;
    assert_ok(hc_align_bend(&f, t.s, t.n, (struct hc_box){0, 0, 1000, 800}, 1000, 800, 50, 1, &err),
              &err);
    assert_non_null(f);
    assert_true(t.s[100].weight == 0 && t.s[203].weight == 0);
    assert_true(f->cols == 21 && f->rows == 17 && f->cell_px == 50);
    near_abs(error_of(f, 1.5), 0, 0.13); // a tile alone: 0.125, half of them above
    hc_align_bend_extent(f, 1000, 800, &strain, &longest);
    near_abs(strain, 1.5 * 2 * M_PI / 400, 0.009); // the greatest anywhere: noise adds to it
    near_abs(longest, 1.5 * M_SQRT2, 0.2);
    hc_align_bend_release(f);
}

// Noise alone is not followed, whatever its draw; nor too few tiles.
static void test_refuses_itself(void **state)
{
    struct tiles t;
    struct hc_align_field *f = NULL;
    struct hc_err err = {0};
    (void)state;
    for (uint64_t seed = 0; seed < 40; seed++) {
        make(&t, 0, 0.02 + 0.02 * (double)(seed % 10), seed + 10);
        assert_ok(
            hc_align_bend(&f, t.s, t.n, (struct hc_box){0, 0, 1000, 800}, 1000, 800, 50, 1, &err),
            &err);
        assert_null(f);
    }
    make(&t, 1.5, 0.05, 2);
    assert_ok(hc_align_bend(&f, t.s, 20, (struct hc_box){0, 0, 1000, 800}, 1000, 800, 50, 1, &err),
              &err);
    assert_null(f);
    assert_ok(hc_align_bend(&f, t.s, 0, (struct hc_box){0, 0, 1000, 800}, 1000, 800, 50, 1, &err),
              &err);
    assert_null(f);
}

// Far from all tiles the field is zero, so that the homography alone holds there.
static void test_fades(void **state)
{
    struct tiles t;
    struct hc_align_field *f = NULL;
    struct hc_err err = {0};
    struct hc_pt d;
    size_t n = 0;
    (void)state;
    make(&t, 1.5, 0.05, 3);
    for (size_t i = 0; i < t.n; i++) { // the left part only
        if (t.s[i].x < 600) {
            t.s[n++] = t.s[i];
        }
    }
    assert_ok(hc_align_bend(&f, t.s, n, (struct hc_box){0, 0, 1000, 800}, 1000, 800, 50, 1, &err),
              &err);
    assert_non_null(f);
    d = hc_align_field_at(f, (struct hc_pt){950, 400});
    assert_true(d.x == 0 && d.y == 0);
    d = hc_align_field_at(f, (struct hc_pt){300, 100});
    near_abs(hypot(d.x - bent(300, 100, 1.5).x, d.y - bent(300, 100, 1.5).y), 0, 0.15);
    hc_align_bend_release(f);
}

// Cubic convolution gives a quadratic back inside and a straight line up to the border; the map
// adds the field before the homography.
static void test_evaluation(void **state)
{
    enum { COLS = 6, ROWS = 5 };
    float dx[COLS * ROWS], dy[COLS * ROWS];
    struct hc_align_field f = {COLS, ROWS, 10, dx, dy};
    struct hc_align_fit fit = {.frame_to_view = {{2, 0, 5, 0, 3, -1, 0, 0, 1}}, .field = &f};
    struct hc_pt p, q;
    (void)state;
    for (int k = 0; k < COLS * ROWS; k++) {
        double x = k % COLS * 10.0, y = k / COLS * 10.0;
        dx[k] = (float)(0.5 + 0.02 * x - 0.01 * y);
        dy[k] = (float)(x * x / 64);
    }
    for (double x = 0; x <= 50; x += 3.7) {
        for (double y = 0; y <= 40; y += 2.3) {
            p = hc_align_field_at(&f, (struct hc_pt){x, y});
            near_abs(p.x, 0.5 + 0.02 * x - 0.01 * y, 1e-6);
            if (x >= 10 && x <= 40) {
                near_abs(p.y, x * x / 64, 1e-5);
            }
        }
    }
    p = (struct hc_pt){20, 30};
    q = hc_align_map(&fit, p);
    near_abs(q.x, 2 * (20 + 0.6) + 5, 1e-5);
    near_abs(q.y, 3 * (30 + 6.25) - 1, 1e-5);
    fit.field = NULL;
    q = hc_align_map(&fit, p);
    near_abs(q.x, 45, 1e-12);
    p = hc_align_field_at(&f, (struct hc_pt){-100, 1e9}); // nearest border value
    near_abs(p.x, 0.5 - 0.4, 1e-6);
}

// A bent view is followed, in every technique of the bar, and its report says so; an unbent one is
// not, and is placed as well as before.
static void test_views(void **state)
{
    static const enum align_technique kind[] = {ALIGN_VIS, ALIGN_UV, ALIGN_IR, ALIGN_XRAY};
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(align_scene_render(&ref, W, H, 4, &at, &err), &err);
    at.frame_to_view = align_scene_homog(W, H, 0.8, 1.008, 9.3, -7.6, 0.001);
    for (size_t i = 0; i < 8; i++) {
        struct hc_plane view = {0};
        struct hc_align_fit fit = {0};
        struct hc_align_source a, b;
        double e[GRID * GRID], median;
        at.technique = kind[i % 4];
        at.bend = (struct align_bend){i < 4 ? 1.5 : 0, 450};
        assert_ok(align_scene_render(&view, W, H, 4, &at, &err), &err);
        a = hc_align_source_plane(&ref);
        b = hc_align_source_plane(&view);
        assert_ok(hc_align_place(&fit, &a, &b, NULL, NULL, NULL, &err), &err);
        for (int g = 0; g < GRID * GRID; g++) {
            struct hc_pt p = {g % GRID * (W / 20.0), g / GRID * (H / 20.0)};
            struct hc_pt q = hc_align_map(&fit, p), m = align_scene_map(&at, p);
            e[g] = hypot(q.x - m.x, q.y - m.y);
        }
        median = hc_stats_median(e, GRID * GRID);
        if (fit.verdict == HC_ALIGN_REFUSED || (i < 4) != (fit.field != NULL) ||
            median > (i < 4 ? 0.35 : 0.25) || (i < 4) != (strstr(fit.why, "a bend of") != NULL)) {
            print_error("%s, bend %g: error %.3f px; %s\n", align_technique_name[at.technique],
                        at.bend.amplitude, median, fit.why);
            fail();
        }
        if (i < 4) {
            assert_true(fit.field_strain_max > 0.015 && fit.field_strain_max < 0.08);
            assert_true(fit.field_max_px > 1.4 && fit.field_max_px < 4);
        }
        hc_align_fit_release(&fit);
        hc_plane_release(&view);
    }
    hc_plane_release(&ref);
}

// The same bits for any number of threads; a heap that runs out leaves nothing behind.
static void test_threads_and_faults(void **state)
{
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = {0}, view = {0};
    struct hc_align_fit fit[2] = {{.scale = 0}, {.scale = 0}};
    struct hc_align_source a, b;
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    struct tiles t;
    struct hc_align_field *f = NULL;
    hc_status st = HC_ENOMEM;
    size_t live, nodes;
    (void)state;
    assert_ok(align_scene_render(&ref, W, H, 6, &at, &err), &err);
    at.bend = (struct align_bend){1.5, 450};
    assert_ok(align_scene_render(&view, W, H, 6, &at, &err), &err);
    a = hc_align_source_plane(&ref);
    b = hc_align_source_plane(&view);
    assert_ok(hc_par_create(&par, 2, &err), &err);
    assert_ok(hc_align_place(&fit[0], &a, &b, NULL, NULL, NULL, &err), &err);
    assert_ok(hc_align_place(&fit[1], &a, &b, NULL, par, NULL, &err), &err);
    assert_true(fit[0].field && fit[1].field && fit[0].field->cols == fit[1].field->cols);
    nodes = (size_t)fit[0].field->cols * (size_t)fit[0].field->rows;
    assert_memory_equal(fit[0].field->dx, fit[1].field->dx, nodes * sizeof(float));
    assert_memory_equal(fit[0].field->dy, fit[1].field->dy, nodes * sizeof(float));
    hc_align_fit_release(&fit[0]);
    hc_align_fit_release(&fit[1]);
    hc_par_destroy(par);
    hc_plane_release(&ref);
    hc_plane_release(&view);
    live = hc_mem_live();
    for (long n = 0; st == HC_ENOMEM && n < 20; n++) {
        make(&t, 1.5, 0.1, 1);
        hc_mem_fail_at(n);
        st = hc_align_bend(&f, t.s, t.n, (struct hc_box){0, 0, 1000, 800}, 1000, 800, 50, 1, &err);
        hc_mem_fail_at(-1);
        hc_align_bend_release(f);
        assert_int_equal(hc_mem_live(), live);
    }
    assert_int_equal(st, HC_OK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_follows), cmocka_unit_test(test_refuses_itself),
        cmocka_unit_test(test_fades),   cmocka_unit_test(test_evaluation),
        cmocka_unit_test(test_views),   cmocka_unit_test(test_threads_and_faults),
    };
    return cmocka_run_group_tests_name("align_bend", tests, NULL, NULL);
}
