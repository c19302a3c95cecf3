// The slanted edge against edges whose response is known: a Gaussian of sd s px has the response
// exp(-2 (pi s f)^2), so MTF50 = 0.18739 / s and MTF10 = 0.34154 / s.
#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "calibrate/calibrate.h"
#include "calibrate/calibrate_scene.h"

static void draw(struct hc_lin3 *out, int w, int h, double angle_deg, double sd_px, double dark,
                 double light, double noise, int quarter)
{
    struct hc_rng rng = hc_rng_make(2);
    struct hc_err err;
    double a = angle_deg * 0.017453292519943295, c = cos(a), s = sin(a);
    assert_ok(hc_lin3_create(out, w, h, &err), &err);
    for (int y = 0; y < h; y++) {
        for (int x = 0; x < w; x++) {
            double dx = x + 0.5 - 0.5 * w - 0.3, dy = y + 0.5 - 0.5 * h;
            double d = quarter ? dy * c + dx * s : dx * c + dy * s; // distance from the edge
            double v = dark + (light - dark) * 0.5 * erfc(-d / (sd_px * sqrt(2.0)));
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&out->ch[k], y)[x] = (float)(v + noise * hc_rng_normal(&rng));
            }
        }
    }
}

static void gaussian_edges(void **state)
{
    static const double angle[] = {2.5, 5.0, 7.3, -5.0, 12.0};
    (void)state;
    for (int quarter = 0; quarter < 2; quarter++) {
        for (size_t a = 0; a < sizeof angle / sizeof *angle; a++) {
            for (double sd = 0.5; sd < 2.6; sd += 0.5) {
                struct hc_lin3 lin;
                struct hc_edge e;
                struct hc_err err;
                draw(&lin, 80, 100, angle[a], sd, quarter ? 0.7 : 0.1, quarter ? 0.1 : 0.7, 0.0,
                     quarter);
                assert_ok(hc_edge_measure(&e, &lin, (struct hc_box){0, 0, 80, 100}, &err), &err);
                near_abs(e.angle_deg, fabs(angle[a]), 0.05);
                assert_int_equal(e.is_upright, !quarter);
                near_abs(e.mtf50 * sd / 0.187390, 1.0, 0.025);
                near_abs(e.mtf10 * sd / 0.341545, 1.0, 0.025);
                near_abs(e.efficiency, fmin(1.0, 0.341545 / sd / 0.5), 0.03);
                near_abs(e.contrast, 0.75, 0.01);
                near_abs(e.sfr[0], 1.0, 1e-12);
                assert_true(e.overshoot < 0.01);
                hc_lin3_release(&lin);
            }
        }
    }
}

static void with_noise(void **state)
{
    struct hc_lin3 lin;
    struct hc_edge e;
    struct hc_err err;
    (void)state;
    draw(&lin, 100, 160, 5.0, 1.0, 0.1, 0.7, 0.005, 0);
    assert_ok(hc_edge_measure(&e, &lin, (struct hc_box){10, 5, 90, 155}, &err), &err);
    print_message("MTF50 %.4f (0.1874), MTF10 %.4f (0.3415), angle %.3f, rows %d\n", e.mtf50,
                  e.mtf10, e.angle_deg, e.rows);
    assert_true(e.noise_floor > 0.003 && e.noise_floor < 0.02);
    near_abs(e.mtf50, 0.18739, 0.01);
    near_abs(e.mtf10, 0.34154, 0.02);
    hc_lin3_release(&lin);
}

static void refusals(void **state)
{
    struct hc_lin3 lin;
    struct hc_edge e;
    struct hc_err err = {0};
    const struct hc_box all = {0, 0, 80, 100};
    (void)state;
    draw(&lin, 80, 100, 0.4, 1.0, 0.1, 0.7, 0.0, 0);
    assert_int_equal(hc_edge_measure(&e, &lin, all, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "degrees off"));
    hc_lin3_release(&lin);
    draw(&lin, 80, 100, 30.0, 1.0, 0.1, 0.7, 0.0, 0);
    assert_int_equal(hc_edge_measure(&e, &lin, all, &err), HC_EREFUSED);
    hc_lin3_release(&lin);
    draw(&lin, 80, 100, 5.0, 1.0, 0.4, 0.5, 0.0, 0);
    assert_int_equal(hc_edge_measure(&e, &lin, all, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "contrast"));
    assert_int_equal(hc_edge_measure(&e, &lin, (struct hc_box){0, 0, 20, 100}, &err), HC_ERANGE);
    assert_int_equal(hc_edge_measure(&e, &lin, (struct hc_box){0, 0, 90, 100}, &err), HC_EARG);
    hc_lin3_release(&lin);
    draw(&lin, 80, 100, 5.0, 1.0, 0.4, 0.4, 0.02, 0); // nothing but noise
    assert_int_equal(hc_edge_measure(&e, &lin, all, &err), HC_EREFUSED);
    hc_lin3_release(&lin);
    draw(&lin, 80, 30, 5.0, 0.4, 0.1, 0.5, 0.03, 0); // noise covers the fine end
    hc_status noisy = hc_edge_measure(&e, &lin, (struct hc_box){0, 0, 80, 30}, &err);
    assert_int_equal(noisy, HC_EREFUSED);
    assert_non_null(strstr(err.what, "noisy"));
    hc_lin3_release(&lin);
    draw(&lin, 80, 30, 2.2, 1.0, 0.1, 0.7, 0.0, 0);
    hc_status st = hc_edge_measure(&e, &lin, (struct hc_box){0, 0, 80, 25}, &err);
    assert_int_equal(st, HC_EREFUSED);
    assert_non_null(strstr(err.what, "too short"));
    size_t before = hc_mem_live();
    for (long n = 0; n < 3; n++) {
        hc_mem_fail_at(n);
        assert_int_equal(hc_edge_measure(&e, &lin, (struct hc_box){0, 0, 80, 30}, &err), HC_ENOMEM);
        hc_mem_fail_at(-1);
        assert_int_equal(hc_mem_live(), before);
    }
    hc_lin3_release(&lin);
}

// An edge of the target itself: the response of the blur the picture was drawn with.
static void in_the_target(void **state)
{
    struct hc_scene_data data;
    struct hc_lin3 lin;
    struct hc_edge e;
    struct hc_box box;
    struct hc_err err;
    double rgb[24][3];
    const char *root = getenv("HC_SOURCE_ROOT");
    (void)state;
    assert_true(hc_scene_load(&data, root ? root : "."));
    hc_scene_camera(rgb, &data, &data.chart, 0, "D50");
    for (int turn = 5; turn < 360; turn += 90) {
        struct hc_scene_picture p = hc_scene_plain(960, 960, 120.0, turn, 4, 6);
        p.noise = 0.001;
        p.blur_px = 1.5;
        assert_ok(hc_scene_draw(&lin, &p, (const double(*)[3])rgb, 4, 6, &err), &err);
        assert_ok(hc_edge_in_target(&box, &lin, &data.target, p.corner, &err), &err);
        assert_ok(hc_edge_measure(&e, &lin, box, &err), &err);
        print_message("turn %d: box %g,%g-%g,%g MTF50 %.4f\n", turn, box.x0, box.y0, box.x1, box.y1,
                      e.mtf50);
        near_abs(e.angle_deg, 5.0, 0.2);
        near_abs(e.mtf50, 0.18739 / 1.5, 0.01); // the pixel's own share is worth 0.002
        hc_lin3_release(&lin);
    }
    struct hc_scene_picture p = hc_scene_plain(960, 960, 120.0, 0.0, 4, 6);
    assert_ok(hc_scene_draw(&lin, &p, (const double(*)[3])rgb, 4, 6, &err), &err);
    assert_int_equal(hc_edge_in_target(&box, &lin, &data.target, p.corner, &err), HC_ENOTFOUND);
    hc_lin3_release(&lin);
    hc_scene_release(&data);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(gaussian_edges),
        cmocka_unit_test(with_noise),
        cmocka_unit_test(refusals),
        cmocka_unit_test(in_the_target),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
