// What is ignored does not mislead, and everything ignored is refused.
#include <string.h>

#include "hc_test.h"

#include "align/align.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "base/rng.h"
#include "num/stats.h"

#define W 640
#define H 560
#define BARS 4
#define BAR_PX 42.0

// Where the bars of a cradle lie in the view: two upright, two lying, slightly askew.
static void bar(struct hc_pt corner[4], int i)
{
    double at = i % 2 ? 0.7 : 0.25, w = i < 2 ? W : H, length = i < 2 ? H : W;
    for (int c = 0; c < 4; c++) {
        double across = at * w + (c == 1 || c == 2 ? BAR_PX : 0), along = c > 1 ? length : 0;
        across += 0.03 * along;
        corner[c] = i < 2 ? (struct hc_pt){across, along} : (struct hc_pt){along, across};
    }
}

// Bars as an X-ray shows them: bright, grained along their length, the painting weak in them.
static void draw_bars(struct hc_plane *view)
{
    for (int i = 0; i < BARS; i++) {
        struct hc_pt corner[4];
        bar(corner, i);
        for (int y = 0; y < view->h; y++) {
            for (int x = 0; x < view->w; x++) {
                float *v = &hc_plane_row(view, y)[x];
                if (hc_poly_has(corner, 4, (struct hc_pt){x + 0.5, y + 0.5})) {
                    double grain = i < 2 ? sin(0.9 * x - 0.027 * y) : sin(0.9 * y - 0.027 * x);
                    *v = (float)(0.15 * (double)*v + 0.8 + 0.1 * grain);
                }
            }
        }
    }
}

static double worst_error(const struct hc_align_fit *fit, const struct align_view *at)
{
    double e[21 * 21];
    for (int i = 0; i < 21 * 21; i++) {
        struct hc_pt p = {i % 21 * W / 20.0, i / 21 * H / 20.0};
        struct hc_pt q = hc_align_map(fit, p), m = align_scene_map(at, p);
        e[i] = hypot(q.x - m.x, q.y - m.y);
    }
    return hc_stats_quantile(e, 21 * 21, 0.95);
}

static void test_cradle(void **state)
{
    struct hc_pt corner[BARS][4];
    const struct hc_pt *poly[BARS];
    size_t corners[BARS];
    struct hc_align_options options = {.view = {poly, corners, BARS}};
    int used[2] = {0}, clear[2] = {0};
    (void)state;
    for (int i = 0; i < BARS; i++) {
        bar(corner[i], i);
        poly[i] = corner[i];
        corners[i] = 4;
    }
    for (uint64_t seed = 30; seed < 33; seed++) {
        struct align_view at = {.frame_to_view = hc_homog_identity(), .w = W, .h = H};
        struct hc_plane ref = {0}, view = {0};
        struct hc_err err = {0};
        double e[2];
        assert_ok(align_scene_render(&ref, W, H, seed, &at, &err), &err);
        at.technique = ALIGN_XRAY;
        at.frame_to_view = align_scene_homog(W, H, 0.7, 1.004, 6.3, -4.1, 0);
        assert_ok(align_scene_render(&view, W, H, seed, &at, &err), &err);
        draw_bars(&view);
        for (int k = 0; k < 2; k++) {
            struct hc_align_source a = hc_align_source_plane(&ref),
                                   b = hc_align_source_plane(&view);
            struct hc_align_fit fit = {0};
            assert_ok(hc_align_place(&fit, &a, &b, k ? &options : NULL, NULL, NULL, &err), &err);
            e[k] = worst_error(&fit, &at);
            used[k] += fit.tiles_used;
            clear[k] += fit.tiles_clear;
            print_message("seed %d%s: 95 %% of errors below %.3f px; %s\n", (int)seed,
                          k ? ", bars ignored" : "", e[k], fit.why);
            if (k) {
                assert_int_not_equal(fit.verdict, HC_ALIGN_REFUSED);
                assert_true(e[k] < 0.3);
            }
            hc_align_fit_release(&fit);
        }
        hc_plane_release(&ref);
        hc_plane_release(&view);
    }
    // of the tiles with a say, more agree
    assert_true((double)used[1] / clear[1] > (double)used[0] / clear[0]);
}

// A table cloth, a target: textured, in both pictures, but not in the same place.
static void draw_cloth(struct hc_plane *p, double x0, double y0)
{
    for (int y = 0; y < p->h; y++) {
        for (int x = 0; x < p->w; x++) {
            int64_t i = (int64_t)floor((x - x0) / 7), j = (int64_t)floor((y - y0) / 7);
            if (y < y0 + 200) {
                hc_plane_row(p, y)[x] = (float)(0.3 + 0.4 * hc_rng_hash(77, i, j));
            }
        }
    }
}

// Something that moved between the two pictures pulls at the fit until it is ignored.
static void test_moved(void **state)
{
    struct hc_pt corner[4] = {{0, 0}, {W, 0}, {W, 212}, {0, 212}};
    const struct hc_pt *poly[1] = {corner};
    size_t corners[1] = {4};
    struct hc_align_options options = {.frame = {poly, corners, 1}, .view = {poly, corners, 1}};
    struct align_view at = {.frame_to_view = hc_homog_identity(), .w = W, .h = H};
    struct hc_plane ref = {0}, view = {0};
    struct hc_align_fit fit[2];
    struct hc_err err = {0};
    struct hc_align_source a, b;
    (void)state;
    assert_ok(align_scene_render(&ref, W, H, 41, &at, &err), &err);
    at.technique = ALIGN_IR;
    at.frame_to_view = align_scene_homog(W, H, -0.4, 1, 2.3, 1.1, 0);
    assert_ok(align_scene_render(&view, W, H, 41, &at, &err), &err);
    draw_cloth(&ref, 0, 0);
    draw_cloth(&view, 8.5, 4.2);
    a = hc_align_source_plane(&ref);
    b = hc_align_source_plane(&view);
    for (int k = 0; k < 2; k++) {
        assert_ok(hc_align_place(&fit[k], &a, &b, k ? &options : NULL, NULL, NULL, &err), &err);
        print_message("%s: 95 %% of errors below %.3f px; %s\n", k ? "ignored" : "as it is",
                      worst_error(&fit[k], &at), fit[k].why);
    }
    assert_int_not_equal(fit[1].verdict, HC_ALIGN_REFUSED);
    assert_true(worst_error(&fit[1], &at) < 0.5);
    assert_true(fit[0].verdict == HC_ALIGN_REFUSED ||
                worst_error(&fit[0], &at) > 2 * worst_error(&fit[1], &at));
    for (int i = 0; i < fit[1].tiles_textured; i++) {
        assert_true(fit[1].tile[i].y > 212 - 32); // nothing is laid on what is ignored
    }
    hc_align_fit_release(&fit[0]);
    hc_align_fit_release(&fit[1]);
    hc_plane_release(&ref);
    hc_plane_release(&view);
}

static void test_all_ignored(void **state)
{
    struct hc_pt corner[4] = {{-5, -5}, {W + 5, -5}, {W + 5, H + 5}, {-5, H + 5}};
    const struct hc_pt *poly[1] = {corner};
    size_t corners[1] = {4}, live = hc_mem_live();
    struct hc_align_options options[2] = {{.view = {poly, corners, 1}},
                                          {.frame = {poly, corners, 1}}};
    struct align_view at = {.frame_to_view = hc_homog_identity(), .w = W, .h = H};
    struct hc_plane ref = {0};
    struct hc_err err = {0};
    struct hc_align_source a;
    struct hc_align_fit fit = {0};
    (void)state;
    assert_ok(align_scene_render(&ref, W, H, 40, &at, &err), &err);
    a = hc_align_source_plane(&ref);
    for (int k = 0; k < 2; k++) {
        assert_ok(hc_align_place(&fit, &a, &a, &options[k], NULL, NULL, &err), &err);
        assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
        assert_non_null(strstr(fit.why, "are to be ignored"));
        hc_align_fit_release(&fit);
    }
    corner[2].y = (double)NAN;
    assert_int_equal(hc_align_place(&fit, &a, &a, &options[0], NULL, NULL, &err), HC_EARG);
    assert_non_null(strstr(err.what, "corner 3 of ignored polygon 1"));
    corners[0] = 2;
    assert_int_equal(hc_align_place(&fit, &a, &a, &options[1], NULL, NULL, &err), HC_EARG);
    assert_non_null(strstr(err.what, "has 2 corners"));
    hc_plane_release(&ref);
    assert_int_equal(hc_mem_live(), live);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_cradle), cmocka_unit_test(test_moved),
                                       cmocka_unit_test(test_all_ignored)};
    return cmocka_run_group_tests_name("align_ignore", tests, NULL, NULL);
}
