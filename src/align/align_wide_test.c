// Any turn, mirrored or not, details of the frame and views that show more than it.
#include <string.h>

#include "hc_test.h"

#include "align/align.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "num/stats.h"

#define SIDE 640

struct pair {
    struct align_view ref, view;
    int side; // of the painting, px
};

// The frame and the view of one painting: the view shows `content` of the frame's length.
static struct pair make_pair(enum align_technique t, double content, double turn, bool is_mirrored,
                             int view_px, struct hc_pt at)
{
    struct pair p = {.side = content > 1 ? (int)(SIDE * content) : SIDE};
    struct hc_pt middle = {p.side / 2.0, p.side / 2.0};
    double shown = content * SIDE;
    at = (struct hc_pt){at.x * p.side, at.y * p.side};
    p.ref = align_scene_part(ALIGN_VIS, content > 1 ? at : middle, 1, 0, false, SIDE, SIDE);
    p.view = align_scene_part(t, content > 1 ? middle : at, view_px / shown, turn, is_mirrored,
                              view_px, view_px);
    return p;
}

// Median distance, frame px, from the true place over what the view shows.
static double error_of(const struct hc_align_fit *fit, const struct pair *p)
{
    double e[21 * 21];
    size_t n = 0;
    for (int i = 0; i < 21 * 21; i++) {
        struct hc_pt f = {i % 21 * SIDE / 20.0, i / 21 * SIDE / 20.0};
        struct hc_pt m = align_scene_between(&p->ref, &p->view, f), q = hc_align_map(fit, f);
        if (m.x >= 0 && m.y >= 0 && m.x <= p->view.w && m.y <= p->view.h) {
            e[n++] = hypot(q.x - m.x, q.y - m.y) / fit->view_per_frame;
        }
    }
    return hc_stats_median(e, n);
}

static void place(struct hc_align_fit *fit, const struct pair *p, uint64_t seed, struct hc_par *par)
{
    struct hc_plane ref = {0}, view = {0};
    struct hc_err err = {0};
    struct hc_align_source a, b;
    assert_ok(align_scene_render(&ref, p->side, p->side, seed, &p->ref, &err), &err);
    assert_ok(align_scene_render(&view, p->side, p->side, seed, &p->view, &err), &err);
    a = hc_align_source_plane(&ref);
    b = hc_align_source_plane(&view);
    assert_ok(hc_align_place(fit, &a, &b, NULL, par, NULL, &err), &err);
    hc_plane_release(&ref);
    hc_plane_release(&view);
}

static void test_any_lie(void **state)
{
    static const struct {
        enum align_technique technique;
        double content, turn;
        bool is_mirrored;
        int px;
        struct hc_pt at;
        const char *say;
    } kind[] = {
        {ALIGN_XRAY, 0.4, 33, false, 400, {0.42, 0.55}, "a detail"},
        {ALIGN_VIS, 0.33, 20, false, 810, {0.42, 0.55}, "turned by 20 degrees: a detail, 3.8 px"},
        {ALIGN_UV, 0.5, 123, true, 500, {0.6, 0.45}, "mirrored and turned by 123"},
        {ALIGN_IR, 1, 45, false, 640, {0.5, 0.5}, "turned by 45"},
        {ALIGN_INV, 2.5, 260, false, 800, {0.45, 0.6}, "turned by 260"},
        {ALIGN_XRAY, 1, 0, true, 640, {0.5, 0.5}, "mirrored left to right"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof kind / sizeof *kind; i++) {
        struct pair p = make_pair(kind[i].technique, kind[i].content, kind[i].turn,
                                  kind[i].is_mirrored, kind[i].px, kind[i].at);
        struct hc_align_fit fit = {0};
        double e, ratio = kind[i].px / (kind[i].content * SIDE), unit = fmax(1, 1 / ratio);
        place(&fit, &p, 60 + i, NULL);
        e = error_of(&fit, &p);
        if (fit.verdict == HC_ALIGN_REFUSED ||
            e > (kind[i].technique == ALIGN_VIS ? 0.1 : 0.3) * unit ||
            !strstr(fit.why, kind[i].say) || fit.is_mirrored != kind[i].is_mirrored ||
            fit.is_detail != (kind[i].content < 0.7) ||
            fabs(fit.view_per_frame / ratio - 1) > 0.01) {
            print_error("kind %d: error %.3f px, scale %.4f of %.4f; %s\n", (int)i, e,
                        fit.view_per_frame, ratio, fit.why);
            fail();
        }
        for (int c = 0; c < 4; c++) { // the outline: the view's corners, in order round its border
            struct hc_pt q = align_scene_between(&p.ref, &p.view, fit.outline[c]);
            near_abs(q.x, c == 1 || c == 2 ? kind[i].px : 0, 4 * unit * ratio);
            near_abs(q.y, c > 1 ? kind[i].px : 0, 4 * unit * ratio);
        }
        hc_align_fit_release(&fit);
    }
}

// A view whose painting fills half of it, blank round it; and two pictures that share a strip:
// placed or refused, never wrong.
static void test_never_wrong(void **state)
{
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct pair p = make_pair(i % 2 ? ALIGN_IR : ALIGN_VIS, 1, i < 2 ? 12 : 0, false, 640,
                                  (struct hc_pt){i < 2 ? 0.5 : 1.15, 0.5});
        struct hc_align_fit fit = {0};
        if (i < 2) { // what lies beyond the painting is blank
            p.view = align_scene_part(p.view.technique, (struct hc_pt){320, 320}, 0.5, 12, false,
                                      640, 640);
            p.ref.border = p.view.border = 2;
        }
        place(&fit, &p, 70 + (uint64_t)i, NULL);
        print_message("case %d: %s\n", i, fit.why);
        assert_true(fit.verdict == HC_ALIGN_REFUSED || error_of(&fit, &p) < 1);
        hc_align_fit_release(&fit);
    }
}

static void test_threads(void **state)
{
    struct pair p = make_pair(ALIGN_INV, 0.45, 77, true, 420, (struct hc_pt){0.5, 0.44});
    struct hc_align_fit fit[2];
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    size_t live = hc_mem_live();
    (void)state;
    assert_ok(hc_par_create(&par, 2, &err), &err);
    place(&fit[0], &p, 80, NULL);
    place(&fit[1], &p, 80, par);
    assert_int_not_equal(fit[0].verdict, HC_ALIGN_REFUSED);
    assert_memory_equal(&fit[0].frame_to_view, &fit[1].frame_to_view, sizeof fit[0].frame_to_view);
    assert_string_equal(fit[0].why, fit[1].why);
    hc_align_fit_release(&fit[0]);
    hc_align_fit_release(&fit[1]);
    hc_par_destroy(par);
    assert_int_equal(hc_mem_live(), live);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_any_lie),
                                       cmocka_unit_test(test_never_wrong),
                                       cmocka_unit_test(test_threads)};
    return cmocka_run_group_tests_name("align_wide", tests, NULL, NULL);
}
