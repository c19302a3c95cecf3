// The promise that matters most: of 50 pairs of different paintings, none is placed.
#include "hc_test.h"

#include "align/align.h"
#include "align/align_scene.h"

#define PAIRS 50

static void test_unrelated(void **state)
{
    static const int size[][2] = {{512, 448}, {300, 400}, {900, 700}, {160, 200}};
    int refused = 0;
    (void)state;
    for (uint64_t i = 0; i < PAIRS; i++) {
        int w = size[i % 4][0], h = size[i % 4][1];
        struct align_view at = {.technique = ALIGN_VIS,
                                .frame_to_view = hc_homog_identity(),
                                .w = w,
                                .h = h,
                                .border = i % 3 == 0 ? 30 : 0}; // the same blank border in both
        struct hc_plane ref = {0}, view = {0};
        struct hc_align_fit fit = {0};
        struct hc_err err = {0};
        struct hc_align_source a, b;
        assert_ok(align_scene_render(&ref, w, h, 100 + i, &at, &err), &err);
        at.technique = (enum align_technique)(i % ALIGN_WEAVE);
        assert_ok(align_scene_render(&view, w, h, 500 + i, &at, &err), &err);
        a = hc_align_source_plane(&ref);
        b = hc_align_source_plane(&view);
        assert_ok(hc_align_place(&fit, &a, &b, NULL, NULL, NULL, &err), &err);
        refused += fit.verdict == HC_ALIGN_REFUSED;
        if (fit.verdict != HC_ALIGN_REFUSED) {
            print_error("pair %d (%s) accepted: %s\n", (int)i, align_technique_name[at.technique],
                        fit.why);
        }
        hc_align_fit_release(&fit);
        hc_plane_release(&ref);
        hc_plane_release(&view);
    }
    assert_int_equal(refused, PAIRS);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_unrelated)};
    return cmocka_run_group_tests_name("align_unrelated", tests, NULL, NULL);
}
