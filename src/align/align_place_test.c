#include "hc_test.h"

#include "align/align.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "num/stats.h"

#define W 640
#define H 560
#define GRID 21

// Median and greatest distance between the map found and the true one, over the frame.
static void error_of(double *median, double *greatest, const struct hc_align_fit *fit,
                     const struct align_view *view, int w, int h)
{
    double e[GRID * GRID];
    for (int i = 0; i < GRID * GRID; i++) {
        struct hc_pt p = {(i % GRID) * w / (GRID - 1.0), (i / GRID) * h / (GRID - 1.0)};
        struct hc_pt q = hc_homog_apply(&fit->frame_to_view, p), m = align_scene_map(view, p);
        e[i] = hypot(q.x - m.x, q.y - m.y);
    }
    *greatest = hc_stats_quantile(e, GRID * GRID, 1);
    *median = hc_stats_median(e, GRID * GRID);
}

static struct hc_plane render(uint64_t seed, const struct align_view *view)
{
    struct hc_err err = {0};
    struct hc_plane p = {0};
    assert_ok(align_scene_render(&p, W, H, seed, view, &err), &err);
    return p;
}

static struct align_view upright(enum align_technique t)
{
    return (struct align_view){
        .technique = t, .frame_to_view = hc_homog_identity(), .w = W, .h = H};
}

static hc_status place(struct hc_align_fit *fit, const struct hc_plane *ref,
                       const struct hc_plane *view, struct hc_par *par, struct hc_err *err)
{
    struct hc_align_source a = hc_align_source_plane(ref), b = hc_align_source_plane(view);
    return hc_align_place(fit, &a, &b, NULL, par, NULL, err);
}

// The outline is where the view's corners truly lie, and the support has the share that the report
// gives of the frame shown.
static void check_support(const struct hc_align_fit *fit, const struct align_view *at)
{
    const struct hc_align_support *s = &fit->support;
    struct hc_pt corner[4] = {{0, 0}, {at->w, 0}, {at->w, at->h}, {0, at->h}};
    int shown = 0, supported = 0;
    for (int k = 0; k < 4; k++) {
        struct hc_pt q = align_scene_map(at, fit->outline[k]);
        near_abs(q.x, corner[k].x, 2);
        near_abs(q.y, corner[k].y, 2);
    }
    assert_true(s->cols * s->cell_px >= W && (s->cols - 1) * s->cell_px < W);
    assert_true(s->rows * s->cell_px >= H && (s->rows - 1) * s->cell_px < H);
    for (int k = 0; k < s->cols * s->rows; k++) {
        struct hc_pt p = {(k % s->cols + 0.5) * s->cell_px, (k / s->cols + 0.5) * s->cell_px};
        struct hc_pt q = align_scene_map(at, p);
        bool is_in = q.x >= 0 && q.y >= 0 && q.x <= at->w && q.y <= at->h;
        shown += is_in;
        supported += s->is_supported[k];
        assert_true(s->is_supported[k] <= 1);
    }
    near_abs((double)supported / shown, fit->area_supported, 0.1);
}

// Shift, turn, scale and a little perspective come back for every technique, and the report says
// so.
static void test_techniques(void **state)
{
    static const double median[ALIGN_WEAVE] = {.06, .06, .06, .06, .25, .2, .15, .3};
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = render(4, &at);
    (void)state;
    at.w = W + 12; // sizes may differ
    at.h = H - 8;
    at.frame_to_view = align_scene_homog(W, H, 0.8, 1.008, 9.3, -7.6, 0.001);
    for (int t = 0; t < ALIGN_WEAVE; t++) {
        struct hc_align_fit fit = {0};
        struct hc_err err = {0};
        struct hc_plane view;
        double med, greatest;
        at.technique = (enum align_technique)t;
        view = render(4, &at);
        assert_ok(place(&fit, &ref, &view, NULL, &err), &err);
        error_of(&med, &greatest, &fit, &at, W, H);
        if (fit.verdict == HC_ALIGN_REFUSED || med > median[t] || greatest > 8 * median[t]) {
            print_error("%s: error %.3f, %.3f px; %s\n", align_technique_name[t], med, greatest,
                        fit.why);
            fail();
        }
        near_abs(fit.rotation_deg, 0.8, 0.05);
        near_abs(fit.scale, 1.008, 0.002);
        near_abs(fit.shift_x_px, 9.3, 0.5);
        near_abs(fit.shift_y_px, -7.6, 0.5);
        assert_true(fit.tiles_used <= fit.tiles_clear && fit.tiles_clear <= fit.tiles_textured &&
                    fit.tiles_textured <= fit.tiles);
        assert_true(fit.area_supported > 0.7 && fit.area_supported <= 1);
        near_abs(fit.view_per_frame, 1.008, 0.002);
        assert_false(fit.is_detail);
        assert_non_null(strstr(fit.kind, t == ALIGN_VIS ? "homography" : ""));
        assert_true(fit.tile_pitch_px >= 32 && fit.tile_pitch_px <= 64);
        check_support(&fit, &at);
        // The held-out figure is not far below the true error: it may not flatter.
        assert_true(fit.held_out_p95_px > 0.5 * med);
        hc_align_fit_release(&fit);
        hc_plane_release(&view);
    }
    hc_plane_release(&ref);
}

// A picture on itself lies exactly on itself.
static void test_identity(void **state)
{
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = render(5, &at);
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(place(&fit, &ref, &ref, NULL, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_GOOD);
    near_abs(fit.shift_x_px, 0, 1e-3);
    near_abs(fit.shift_y_px, 0, 1e-3);
    near_abs(fit.rotation_deg, 0, 1e-4);
    near_abs(fit.scale, 1, 1e-6);
    hc_align_fit_release(&fit);
    hc_plane_release(&ref);
}

// The same bits with one thread and with two, and through a source that counts as well.
static void test_threads(void **state)
{
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = render(6, &at), view;
    struct hc_align_fit fit[2];
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    (void)state;
    at.frame_to_view = align_scene_homog(W, H, -0.6, 0.995, 3.3, 5.1, 0);
    at.technique = ALIGN_IR;
    view = render(6, &at);
    assert_ok(hc_par_create(&par, 2, &err), &err);
    assert_ok(place(&fit[0], &ref, &view, NULL, &err), &err);
    assert_ok(place(&fit[1], &ref, &view, par, &err), &err);
    assert_memory_equal(&fit[0].frame_to_view, &fit[1].frame_to_view, sizeof fit[0].frame_to_view);
    assert_int_equal(fit[0].tiles_textured, fit[1].tiles_textured);
    for (int i = 0; i < fit[0].tiles_textured; i++) {
        assert_true(fit[0].tile[i].dx == fit[1].tile[i].dx &&
                    fit[0].tile[i].peak == fit[1].tile[i].peak);
    }
    hc_align_fit_release(&fit[0]);
    hc_align_fit_release(&fit[1]);
    hc_par_destroy(par);
    hc_plane_release(&ref);
    hc_plane_release(&view);
}

// A wide blank border round the painting in both views neither misleads nor counts as support.
static void test_blank_borders(void **state)
{
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref, view;
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    double med, greatest;
    (void)state;
    at.border = 90;
    ref = render(7, &at);
    at.frame_to_view = align_scene_homog(W, H, 0.5, 1.0, -6.2, 4.4, 0);
    at.technique = ALIGN_UV;
    view = render(7, &at);
    assert_ok(place(&fit, &ref, &view, NULL, &err), &err);
    assert_int_not_equal(fit.verdict, HC_ALIGN_REFUSED);
    error_of(&med, &greatest, &fit, &at, W, H);
    assert_true(med < 0.35);
    hc_align_fit_release(&fit);
    hc_plane_release(&ref);
    hc_plane_release(&view);
}

static void test_no_texture(void **state)
{
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = render(8, &at), blank = {0}, thin = {0}, hole;
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    size_t live;
    (void)state;
    assert_ok(hc_plane_create(&blank, W, H, &err), &err);
    assert_ok(hc_plane_create(&thin, 1, H, &err), &err);
    live = hc_mem_live();
    hc_plane_fill(&blank, 0.4f);
    assert_int_equal(place(&fit, &ref, &blank, NULL, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "the view is blank"));
    assert_int_equal(place(&fit, &blank, &ref, NULL, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "the reference is blank"));
    assert_int_equal(place(&fit, &ref, &thin, NULL, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "1 x 560"));
    hole = ref;
    hc_plane_row(&hole, 3)[4] = (float)NAN;
    assert_int_equal(place(&fit, &ref, &ref, NULL, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "column 4, row 3"));
    assert_int_equal(hc_mem_live(), live);
    hc_plane_release(&ref);
    hc_plane_release(&blank);
    hc_plane_release(&thin);
}

// A regular weave repeats itself: any step of a thread would do, so none is taken.
static void test_repeated_weave(void **state)
{
    struct align_view at = upright(ALIGN_WEAVE);
    struct hc_plane ref = render(9, &at), view;
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    (void)state;
    at.frame_to_view = align_scene_homog(W, H, 0.2, 1, 14, -11, 0);
    view = render(9, &at);
    assert_ok(place(&fit, &ref, &view, NULL, &err), &err);
    assert_int_equal(fit.verdict, HC_ALIGN_REFUSED);
    hc_align_fit_release(&fit);
    hc_plane_release(&ref);
    hc_plane_release(&view);
}

// Turned, mirrored and rescaled views are placed, and the report says how they lie.
static void test_wide(void **state)
{
    static const struct {
        struct hc_homog map; // after a small turn and shift of the frame
        int w, h;
        double turn, scale;
        bool is_mirrored;
        const char *say;
    } kind[] = {
        {{{-1, 0, W, 0, 1, 0, 0, 0, 1}}, W, H, 0, 1, true, "mirrored left to right"},
        {{{1, 0, 0, 0, -1, H, 0, 0, 1}}, W, H, 180, 1, true, "mirrored top to bottom"},
        {{{-1, 0, W, 0, -1, H, 0, 0, 1}}, W, H, 180, 1, false, "turned by 180 degrees"},
        {{{0, -1, H, 1, 0, 0, 0, 0, 1}}, H, W, 90, 1, false, "turned by 90 degrees"},
        {{{1.6, 0, 0, 0, 1.6, 0, 0, 0, 1}}, W * 8 / 5, H * 8 / 5, 0, 1.6, false, ""},
        {{{0.5, 0, 0, 0, 0.5, 0, 0, 0, 1}}, W / 2, H / 2, 0, 0.5, false, ""},
        {{{0, 0.5, 0, -0.5, 0, 0.5 * W, 0, 0, 1}},
         H / 2,
         W / 2,
         270,
         0.5,
         false,
         "turned by 270 degrees"},
    };
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = render(10, &at);
    struct hc_homog small = align_scene_homog(W, H, 1.2, 1, 5.3, -4.2, 0);
    (void)state;
    for (size_t i = 0; i < sizeof kind / sizeof *kind; i++) {
        struct hc_align_fit fit = {0};
        struct hc_err err = {0};
        struct hc_plane view;
        double med, greatest, turn, unit = fmax(kind[i].scale, 1);
        at.technique = i % 2 ? ALIGN_INV : ALIGN_XRAY;
        at.frame_to_view = hc_homog_compose(&kind[i].map, &small);
        at.w = kind[i].w;
        at.h = kind[i].h;
        view = render(10, &at);
        assert_ok(place(&fit, &ref, &view, NULL, &err), &err);
        error_of(&med, &greatest, &fit, &at, W, H);
        // after a mirror the small turn runs the other way
        turn = fit.rotation_deg - kind[i].turn + (kind[i].is_mirrored ? 1.2 : -1.2);
        turn -= 360 * floor(turn / 360 + 0.5);
        if (fit.verdict == HC_ALIGN_REFUSED || !strstr(fit.why, kind[i].say) || med > 0.25 * unit ||
            greatest > 1.5 * unit || fit.is_mirrored != kind[i].is_mirrored || fabs(turn) > 0.1 ||
            fabs(fit.scale / kind[i].scale - 1) > 0.003) {
            print_error("kind %d: error %.3f, %.3f px, turn %.2f, scale %.4f; %s\n", (int)i, med,
                        greatest, fit.rotation_deg, fit.scale, fit.why);
            fail();
        }
        hc_align_fit_release(&fit);
        hc_plane_release(&view);
    }
    hc_plane_release(&ref);
}

static void stop_late(void *ctx, double fraction, const char *what)
{
    struct hc_job *job = ctx;
    (void)what;
    if (fraction > 0.32) {
        atomic_store(&job->cancel, true);
    }
}

static hc_status fail_low(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    const struct hc_plane *p = ctx;
    struct hc_plane part = hc_plane_part(p, x0, y0, out->w, out->h);
    if (y0 > H / 2) {
        return hc_err_set(err, HC_EIO, "test", "the disk went away");
    }
    hc_plane_copy(out, &part);
    return HC_OK;
}

// Cancelling, a reader that fails and a heap that runs out leave nothing behind.
static void test_interruptions(void **state)
{
    struct align_view at = upright(ALIGN_VIS);
    struct hc_plane ref = render(11, &at);
    struct hc_align_source a = hc_align_source_plane(&ref), b = a;
    struct hc_align_fit fit = {0};
    struct hc_err err = {0};
    struct hc_job job = {0};
    size_t live = hc_mem_live();
    hc_status st = HC_ENOMEM;
    (void)state;
    job.progress = stop_late;
    job.ctx = &job;
    assert_int_equal(hc_align_place(&fit, &a, &a, NULL, NULL, &job, &err), HC_ECANCEL);
    assert_int_equal(hc_mem_live(), live);
    b.read = fail_low;
    assert_int_equal(hc_align_place(&fit, &a, &b, NULL, NULL, NULL, &err), HC_EIO);
    assert_non_null(strstr(err.what, "the disk went away"));
    assert_int_equal(hc_mem_live(), live);
    for (long n = 0; st == HC_ENOMEM && n < 100000; n = n < 40 ? n + 1 : n * 2) {
        hc_mem_fail_at(n);
        st = hc_align_place(&fit, &a, &a, NULL, NULL, NULL, &err);
        hc_mem_fail_at(-1);
        if (st == HC_OK) {
            hc_align_fit_release(&fit);
        }
        assert_int_equal(hc_mem_live(), live);
    }
    assert_int_equal(st, HC_OK); // the last round ran past every allocation
    hc_plane_release(&ref);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_techniques), cmocka_unit_test(test_identity),
        cmocka_unit_test(test_threads),    cmocka_unit_test(test_blank_borders),
        cmocka_unit_test(test_no_texture), cmocka_unit_test(test_repeated_weave),
        cmocka_unit_test(test_wide),       cmocka_unit_test(test_interruptions),
    };
    return cmocka_run_group_tests_name("align_place", tests, NULL, NULL);
}
