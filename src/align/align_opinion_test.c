#include "hc_test.h"

#include "align/align_priv.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "base/rng.h"

#define W 600
#define H 520
#define CELL 2 // frame px per px of the overview at this size

// A placement as it stands after its last pass: the pyramids of two views.
static struct hc_align_placing placing(const struct hc_plane *ref, const struct hc_plane *view)
{
    struct hc_align_placing pl = {.w = ref->w,
                                  .h = ref->h,
                                  .view_w = view->w,
                                  .view_h = view->h,
                                  .roi = {0, 0, ref->w, ref->h}};
    struct hc_align_source a = hc_align_source_plane(ref), b = hc_align_source_plane(view);
    struct hc_err err = {0};
    assert_ok(hc_align_pyramid_create(&pl.ref, &a, 1, 1, 3, "the reference", NULL, &err), &err);
    assert_ok(hc_align_pyramid_create(&pl.view, &b, 1, 1, 3, "the view", NULL, &err), &err);
    return pl;
}

static void release(struct hc_align_placing *pl)
{
    hc_align_pyramid_release(&pl->ref);
    hc_align_pyramid_release(&pl->view);
}

static double opine(const struct hc_plane *ref, const struct hc_plane *view, struct hc_homog map,
                    struct hc_par *par)
{
    struct hc_align_placing pl = placing(ref, view);
    struct hc_align_fit fit = {.frame_to_view = map};
    struct hc_err err = {0};
    double away = -1, limit = 0;
    assert_ok(hc_align_opine(&away, &limit, &pl, &fit, par, &err), &err);
    near_abs(limit, CELL, 1e-12);
    release(&pl);
    return away;
}

static void render(struct hc_plane *p, uint64_t seed, enum align_technique t, struct hc_homog map)
{
    struct align_view at = {.technique = t, .frame_to_view = map, .w = W, .h = H};
    struct hc_err err = {0};
    assert_ok(align_scene_render(p, W, H, seed, &at, &err), &err);
}

// The true map is agreed to; one that is off by 4 frame px, or turned, is told apart and by how
// much.
static void test_true_and_wrong(void **state)
{
    static const enum align_technique kind[] = {ALIGN_VIS, ALIGN_INV, ALIGN_UV, ALIGN_IR,
                                                ALIGN_XRAY};
    struct hc_homog map = align_scene_homog(W, H, 0.8, 1.008, 9.3, -7.6, 0.001);
    struct hc_homog shift = {{1, 0, 3.2, 0, 1, -2.4, 0, 0, 1}};
    struct hc_homog turn = align_scene_homog(W, H, 0.7, 1, 0, 0, 0); // 2.8 px on average
    struct hc_plane ref = {0};
    (void)state;
    for (uint64_t seed = 21; seed < 24; seed++) {
        render(&ref, seed, ALIGN_VIS, hc_homog_identity());
        for (size_t i = 0; i < sizeof kind / sizeof *kind; i++) {
            struct hc_plane view = {0};
            double right, shifted, turned;
            render(&view, seed, kind[i], map);
            right = opine(&ref, &view, map, NULL);
            shifted = opine(&ref, &view, hc_homog_compose(&map, &shift), NULL);
            turned = opine(&ref, &view, hc_homog_compose(&map, &turn), NULL);
            if (!(right < 0.8 * CELL) || !(fabs(shifted - 4) < 0.6 * CELL) ||
                !(fabs(turned - 2.8) < 0.6 * CELL)) {
                print_error("%s, seed %d: %.3f, %.3f, %.3f px\n", align_technique_name[kind[i]],
                            (int)seed, right, shifted, turned);
                fail();
            }
            hc_plane_release(&view);
        }
        hc_plane_release(&ref);
    }
}

// Pictures whose tones have nothing to do with one another give no opinion.
static void test_no_opinion(void **state)
{
    struct hc_plane ref = {0}, other = {0};
    struct hc_rng r = hc_rng_make(5);
    (void)state;
    render(&ref, 31, ALIGN_VIS, hc_homog_identity());
    for (uint64_t seed = 32; seed < 36; seed++) {
        render(&other, seed, seed % 2 ? ALIGN_VIS : ALIGN_XRAY, hc_homog_identity());
        assert_true(isnan(opine(&ref, &other, hc_homog_identity(), NULL)));
        hc_plane_release(&other);
    }
    render(&other, 31, ALIGN_VIS, hc_homog_identity());
    for (int y = 0; y < H; y++) {
        for (int x = 0; x < W; x++) {
            hc_plane_row(&other, y)[x] = (float)hc_rng_unit(&r);
        }
    }
    assert_true(isnan(opine(&ref, &other, hc_homog_identity(), NULL)));
    // A view that shows a corner only leaves too few pixels to ask.
    assert_true(isnan(opine(&ref, &ref, (struct hc_homog){{1, 0, 570, 0, 1, 0, 0, 0, 1}}, NULL)));
    hc_plane_release(&ref);
    hc_plane_release(&other);
}

// The same bits with threads; a heap that runs out leaves nothing behind.
static void test_threads_and_faults(void **state)
{
    struct hc_plane ref = {0};
    struct hc_homog off = {{1, 0, 1.3, 0, 1, 0.7, 0, 0, 1}};
    struct hc_align_fit fit = {.frame_to_view = off};
    struct hc_align_placing pl;
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    hc_status st = HC_ENOMEM;
    double one, two, limit;
    size_t live;
    (void)state;
    render(&ref, 41, ALIGN_VIS, hc_homog_identity());
    assert_ok(hc_par_create(&par, 3, &err), &err);
    one = opine(&ref, &ref, off, NULL);
    two = opine(&ref, &ref, off, par);
    assert_true(one == two && one > 1);
    hc_par_destroy(par);
    pl = placing(&ref, &ref);
    live = hc_mem_live();
    for (long n = 0; st == HC_ENOMEM && n < 40; n++) {
        hc_mem_fail_at(n);
        st = hc_align_opine(&two, &limit, &pl, &fit, NULL, &err);
        hc_mem_fail_at(-1);
        assert_int_equal(hc_mem_live(), live);
    }
    assert_int_equal(st, HC_OK);
    release(&pl);
    hc_plane_release(&ref);
}

// A disagreement is said and costs the best verdict; none, or no opinion, changes nothing.
static void test_report(void **state)
{
    struct hc_align_fit fit = {.verdict = HC_ALIGN_GOOD, .why = "fine"};
    (void)state;
    hc_align_report_opinion(&fit, 0.9, 1);
    assert_true(fit.verdict == HC_ALIGN_GOOD && fit.second_opinion_px < 1);
    assert_string_equal(fit.why, "fine");
    hc_align_report_opinion(&fit, (double)NAN, 1);
    assert_true(fit.verdict == HC_ALIGN_GOOD && isnan(fit.second_opinion_px));
    hc_align_report_opinion(&fit, 2.5, 1);
    assert_int_equal(fit.verdict, HC_ALIGN_USABLE);
    assert_non_null(strstr(fit.why, "fit better 2.5 px away"));
    near_abs(fit.second_opinion_px, 2.5, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_true_and_wrong),
        cmocka_unit_test(test_no_opinion),
        cmocka_unit_test(test_threads_and_faults),
        cmocka_unit_test(test_report),
    };
    return cmocka_run_group_tests_name("align_opinion", tests, NULL, NULL);
}
