// Barrel and pincushion distortion is found and followed; noise and bends are not taken for it.
#include <string.h>

#include "hc_test.h"

#include "align/align.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "num/stats.h"

#define W 700
#define H 620

static double error_of(const struct hc_align_fit *fit, const struct align_view *at, double share)
{
    double e[21 * 21];
    for (int i = 0; i < 21 * 21; i++) {
        struct hc_pt p = {i % 21 * W / 20.0, i / 21 * H / 20.0};
        struct hc_pt q = hc_align_map(fit, p), m = align_scene_map(at, p);
        e[i] = hypot(q.x - m.x, q.y - m.y);
    }
    return hc_stats_quantile(e, 21 * 21, share);
}

static void place(struct hc_align_fit *fit, const struct align_view *at, uint64_t seed)
{
    struct align_view upright = {
        .technique = ALIGN_VIS, .frame_to_view = hc_homog_identity(), .w = W, .h = H};
    struct hc_plane ref = {0}, view = {0};
    struct hc_err err = {0};
    struct hc_align_source a, b;
    assert_ok(align_scene_render(&ref, W, H, seed, &upright, &err), &err);
    assert_ok(align_scene_render(&view, W, H, seed, at, &err), &err);
    a = hc_align_source_plane(&ref);
    b = hc_align_source_plane(&view);
    assert_ok(hc_align_place(fit, &a, &b, NULL, NULL, NULL, &err), &err);
    hc_plane_release(&ref);
    hc_plane_release(&view);
}

static struct align_view distorted(enum align_technique t, double k1, double k2)
{
    return (struct align_view){.technique = t,
                               .frame_to_view =
                                   align_scene_homog(W, H, 0.6, 1.004, 4.3, -3.1, 0.001),
                               .lens = {k1, k2},
                               .w = W,
                               .h = H};
}

static void test_found(void **state)
{
    static const struct {
        enum align_technique technique;
        double k1, k2, bend;
    } kind[] = {{ALIGN_VIS, -0.01, 0, 0},
                {ALIGN_IR, 0.02, 0, 0},
                {ALIGN_XRAY, -0.03, 0, 0},
                {ALIGN_INV, 0.03, -0.01, 0},
                {ALIGN_GAMMA, -0.02, 0, 0.7}};
    (void)state;
    for (size_t i = 0; i < sizeof kind / sizeof *kind; i++) {
        struct align_view at = distorted(kind[i].technique, kind[i].k1, kind[i].k2);
        struct hc_align_fit fit = {0};
        double e, corner;
        at.bend = (struct align_bend){kind[i].bend, 450};
        place(&fit, &at, 90 + i);
        e = error_of(&fit, &at, 0.5);
        corner = fit.lens_k1 + fit.lens_k2;
        print_message("lens %d: k %.4f %.4f, error %.3f (95 %% %.3f); %s; %s\n", (int)i,
                      fit.lens_k1, fit.lens_k2, e, error_of(&fit, &at, 0.95), fit.kind, fit.why);
        assert_int_not_equal(fit.verdict, HC_ALIGN_REFUSED);
        assert_true(e < 0.3 && error_of(&fit, &at, 0.95) < 1.5);
        if (kind[i].bend > 0) { // the field may follow both
            assert_true(fit.field != NULL);
        } else {
            assert_non_null(strstr(fit.kind, "lens"));
            near_abs(corner, kind[i].k1 + kind[i].k2, 0.006);
        }
        hc_align_fit_release(&fit);
    }
}

static void test_not_found(void **state)
{
    (void)state;
    for (int t = 0; t < 6; t++) {
        struct align_view at = distorted((enum align_technique)(t < 4 ? t + 3 : t - 4), 0, 0);
        struct hc_align_fit fit = {0};
        at.bend = (struct align_bend){t < 4 ? 0 : 1.2, 450};
        place(&fit, &at, 110 + (uint64_t)t);
        assert_true(fit.lens_k1 == 0 && fit.lens_k2 == 0);
        assert_null(strstr(fit.kind, "lens"));
        hc_align_fit_release(&fit);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_found),
                                       cmocka_unit_test(test_not_found)};
    return cmocka_run_group_tests_name("align_lens", tests, NULL, NULL);
}
