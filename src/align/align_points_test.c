#include "hc_test.h"

#include "align/align.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "base/rng.h"

#define W 2000
#define H 1600
#define MOST 20

// n places: the four corners (a tenth in), then others, and where they lie in the view, marked with
// an error of sd px.
static void mark(struct hc_pt *frame, struct hc_pt *view, size_t n, const struct hc_homog *map,
                 double sd, uint64_t seed)
{
    struct hc_rng r = hc_rng_make(seed);
    for (size_t i = 0; i < n; i++) {
        bool is_near = true;
        while (is_near) {
            double x = i < 4 ? (i & 1 ? .9 : .1) : hc_rng_range(&r, .05, .95);
            double y = i < 4 ? (i & 2 ? .9 : .1) : hc_rng_range(&r, .05, .95);
            frame[i] = (struct hc_pt){x * W, y * H};
            is_near = false;
            for (size_t j = 0; j < i; j++) {
                is_near |= hypot(frame[i].x - frame[j].x, frame[i].y - frame[j].y) < 150;
            }
        }
        view[i] = hc_homog_apply(map, frame[i]);
        view[i].x += sd * hc_rng_normal(&r);
        view[i].y += sd * hc_rng_normal(&r);
    }
}

static double worst_corner(const struct hc_homog *got, const struct hc_homog *want)
{
    double worst = 0;
    for (int c = 0; c < 4; c++) {
        struct hc_pt p = {c & 1 ? W : 0, c & 2 ? H : 0};
        struct hc_pt a = hc_homog_apply(got, p), b = hc_homog_apply(want, p);
        worst = fmax(worst, hypot(a.x - b.x, a.y - b.y));
    }
    return worst;
}

static struct hc_homog map_of(int kind)
{
    struct hc_homog small = align_scene_homog(W, H, 7, 1.1, 230, 170, 0.02);
    struct hc_homog flip = {{-0.4, 0, 0.8 * W, 0, 0.4, 0, 0, 0, 1}}; // mirrored, coarser
    return kind ? hc_homog_compose(&flip, &small) : small;
}

// Exact pairs give the exact map, mirrored or not, for 4 pairs and for more.
static void test_exact(void **state)
{
    static const size_t count[] = {4, 5, 6, 8, 12, 20};
    struct hc_pt frame[MOST], view[MOST];
    (void)state;
    for (int kind = 0; kind < 2; kind++) {
        for (size_t k = 0; k < sizeof count / sizeof *count; k++) {
            struct hc_homog map = map_of(kind);
            struct hc_align_fit fit = {0};
            struct hc_err err = {0};
            mark(frame, view, count[k], &map, 0, k + 1);
            assert_ok(hc_align_points(&fit, frame, view, count[k], W, H, 2 * W, 2 * H, &err), &err);
            near_abs(worst_corner(&fit.frame_to_view, &map), 0, 1e-6);
            assert_int_equal(fit.is_mirrored, kind);
            assert_int_equal(fit.tiles_used, count[k]);
            if (count[k] == 4) {
                assert_int_equal(fit.verdict, HC_ALIGN_USABLE);
                assert_true(isnan(fit.held_out_median_px) && isnan(fit.held_out_p95_px));
                assert_non_null(strstr(fit.why, "none is left to check it"));
                near_abs(fit.area_supported, 0.64, 0.02);
            } else {
                near_abs(fit.held_out_p95_px, 0, 1e-6);
                assert_true(fit.area_supported > 0.62 && fit.area_supported < 1);
                assert_int_equal(fit.verdict, count[k] < 8 ? HC_ALIGN_USABLE : HC_ALIGN_GOOD);
            }
            hc_align_fit_release(&fit);
        }
    }
}

// With marking errors the held-out figures do not flatter: over many draws the true error inside
// the frame stays below their 95 % figure nearly always, and grows with the errors.
static void test_noise(void **state)
{
    enum { DRAWS = 200 };
    struct hc_pt frame[MOST], view[MOST];
    struct hc_homog map = map_of(0);
    int covered = 0;
    double sum = 0;
    (void)state;
    for (uint64_t seed = 0; seed < DRAWS; seed++) {
        struct hc_align_fit fit = {0};
        struct hc_err err = {0};
        double mean = 0;
        mark(frame, view, 10, &map, 0.7, 100 + seed);
        assert_ok(hc_align_points(&fit, frame, view, 10, W, H, W, H, &err), &err);
        assert_true(strstr(fit.why, "pair ") == NULL); // nobody is accused
        for (int i = 0; i < 25; i++) {
            struct hc_pt p = {(i % 5) * W / 4.0, (i / 5 % 5) * H / 4.0};
            struct hc_pt a = hc_homog_apply(&fit.frame_to_view, p), b = hc_homog_apply(&map, p);
            mean += hypot(a.x - b.x, a.y - b.y) / 25;
        }
        covered += mean < fit.held_out_p95_px;
        sum += mean;
        hc_align_fit_release(&fit);
    }
    assert_true(covered >= DRAWS * 95 / 100);
    assert_true(sum / DRAWS > 0.3 && sum / DRAWS < 1.2);
}

// A wrong pair is named, wherever it is; two wrong ones among nine are.
static void test_named(void **state)
{
    struct hc_pt frame[MOST], view[MOST];
    struct hc_homog map = map_of(0);
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    char want[80];
    int named = 0;
    (void)state;
    for (size_t n = 6; n <= 12; n++) {
        for (size_t wrong = 0; wrong < n; wrong++) {
            mark(frame, view, n, &map, 0.3, n);
            view[wrong].x += 41 * 1.1;
            assert_ok(hc_align_points(&fit, frame, view, n, W, H, W, H, &err), &err);
            assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
            snprintf(want, sizeof want, "pair %d misses the others by", (int)wrong + 1);
            if (strstr(fit.why, want)) {
                named++;
                near_abs(hypot(fit.tile[wrong].dx, fit.tile[wrong].dy), 41, 4);
                assert_false(fit.tile[wrong].is_used);
                assert_true(worst_corner(&fit.frame_to_view, &map) < 12);
            } else { // the wrong one is never somebody else
                assert_null(strstr(fit.why, "misses the others by 4"));
                assert_non_null(strstr(fit.why, "do not agree"));
            }
            hc_align_fit_release(&fit);
        }
    }
    assert_true(named >= 58); // of 63
    mark(frame, view, 10, &map, 0.3, 77);
    view[2].y -= 60;
    view[7].x += 25;
    assert_ok(hc_align_points(&fit, frame, view, 10, W, H, W, H, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
    assert_non_null(strstr(fit.why, "pairs 3 and 8 miss the others by"));
    hc_align_fit_release(&fit);
}

// Five pairs of which one is wrong: refused, nobody is accused, more are asked for.
static void test_five(void **state)
{
    struct hc_pt frame[MOST], view[MOST];
    struct hc_homog map = map_of(0);
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    (void)state;
    mark(frame, view, 5, &map, 0.3, 5);
    view[1].x += 40;
    assert_ok(hc_align_points(&fit, frame, view, 5, W, H, W, H, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
    assert_non_null(strstr(fit.why, "with 5 pairs it cannot be told which is wrong"));
    hc_align_fit_release(&fit);
}

// Pairs that cannot give a map say why.
static void test_no_map(void **state)
{
    struct hc_pt frame[41], view[41];
    struct hc_homog map = map_of(0);
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    size_t live = hc_mem_live();
    (void)state;
    mark(frame, view, 8, &map, 0.2, 9);
    assert_int_equal(hc_align_points(&fit, frame, view, 3, W, H, W, H, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "3 pairs of points were given"));
    assert_int_equal(hc_align_points(&fit, frame, view, 0, W, H, W, H, &err), HC_EREFUSED);
    assert_int_equal(hc_align_points(&fit, frame, view, 41, W, H, W, H, &err), HC_ELIMIT);
    frame[6] = frame[2];
    frame[6].x += 10;
    view[6] = hc_homog_apply(&map, frame[6]);
    assert_int_equal(hc_align_points(&fit, frame, view, 8, W, H, W, H, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "pairs 3 and 7 mark almost the same place in the frame"));
    mark(frame, view, 8, &map, 0.2, 9);
    view[5] = view[0];
    assert_int_equal(hc_align_points(&fit, frame, view, 8, W, H, W, H, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "pairs 1 and 6 mark almost the same place in the view"));
    frame[4].x = W + 1;
    assert_int_equal(hc_align_points(&fit, frame, view, 8, W, H, W, H, &err), HC_EARG);
    assert_non_null(strstr(err.what, "pair 5 lies at 2001"));
    frame[4].x = (double)NAN;
    assert_int_equal(hc_align_points(&fit, frame, view, 8, W, H, W, H, &err), HC_EARG);
    for (int i = 0; i < 8; i++) { // all but one on a line
        frame[i] = (struct hc_pt){100 + 200 * i, 100 + 150 * i + (i == 4 ? 300 : 2 * (i % 2))};
        view[i] = hc_homog_apply(&map, frame[i]);
    }
    assert_int_equal(hc_align_points(&fit, frame, view, 8, W, H, W, H, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "nearly on one line"));
    assert_int_equal(hc_align_points(&fit, frame, view, 4, W, H, W, H, &err), HC_EREFUSED);
    assert_int_equal(hc_mem_live(), live);
}

// Exchanged points fold the picture; a small cluster would have to be extrapolated.
static void test_refused(void **state)
{
    struct hc_pt frame[MOST], view[MOST], keep;
    struct hc_homog map = map_of(0);
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    (void)state;
    mark(frame, view, 9, &map, 0, 3);
    keep = view[0];
    view[0] = view[1];
    view[1] = keep;
    assert_ok(hc_align_points(&fit, frame, view, 4, W, H, W, H, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
    assert_non_null(strstr(fit.why, "may be exchanged"));
    hc_align_fit_release(&fit);
    assert_ok(hc_align_points(&fit, frame, view, 9, W, H, W, H, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
    assert_non_null(strstr(fit.why, "pairs 1 and 2 miss"));
    hc_align_fit_release(&fit);
    for (int i = 0; i < 4; i++) {
        frame[i] = (struct hc_pt){900 + (i & 1 ? 300 : 0), 700 + (i & 2 ? 300 : 0)};
        view[i] = hc_homog_apply(&map, frame[i]);
    }
    assert_ok(hc_align_points(&fit, frame, view, 4, W, H, 2 * W, 2 * H, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
    assert_non_null(strstr(fit.why, "enclose only 3 % of what"));
    assert_false(fit.is_detail);
    hc_align_fit_release(&fit);
    // the same pairs in a view that shows little more than they enclose
    keep = hc_homog_apply(&map, (struct hc_pt){860, 660});
    for (int i = 0; i < 4; i++) {
        view[i].x -= keep.x;
        view[i].y -= keep.y;
    }
    assert_ok(hc_align_points(&fit, frame, view, 4, W, H, 420, 420, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_USABLE);
    assert_true(fit.is_detail && fit.area_supported > 0.5);
    assert_string_equal(fit.kind, "pairs of points");
    hc_align_fit_release(&fit);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_exact), cmocka_unit_test(test_noise),  cmocka_unit_test(test_named),
        cmocka_unit_test(test_five),  cmocka_unit_test(test_no_map), cmocka_unit_test(test_refused),
    };
    return cmocka_run_group_tests_name("align_points", tests, NULL, NULL);
}
