#include "hc_test.h"

#include "align/align.h"
#include "base/mem.h"
#include "base/rng.h"

#define W 200
#define H 160

// Tones between black and white in three channels, and the same times gain plus noise.
static void make_pair(struct hc_lin3 *ref, struct hc_lin3 *view, const double gain[3], double noise)
{
    struct hc_rng r = hc_rng_make(17);
    struct hc_err err = {0};
    assert_ok(hc_lin3_create(ref, W, H, &err), &err);
    assert_ok(hc_lin3_create(view, W, H, &err), &err);
    for (int y = 0; y < H; y++) {
        for (int x = 0; x < W; x++) {
            double tone = 0.45 + 0.35 * sin(x * 0.11) * cos(y * 0.07);
            for (int c = 0; c < 3; c++) {
                double v = tone * (1 - 0.2 * c);
                hc_plane_row(&ref->ch[c], y)[x] = (float)v;
                hc_plane_row(&view->ch[c], y)[x] = (float)(v * gain[c] + noise * hc_rng_normal(&r));
            }
        }
    }
}

static void test_factor(void **state)
{
    const double gain[3] = {1.05, 1.04, 1.03};
    struct hc_lin3 ref = {0}, view = {0};
    struct hc_align_exposure e;
    struct hc_err err = {0};
    (void)state;
    make_pair(&ref, &view, gain, 0.004);
    assert_ok(hc_align_exposure(&e, &ref, &view, NULL, &err), &err);
    for (int c = 0; c < 3; c++) {
        near_abs(e.factor[c], 1 / gain[c], 5e-4);
    }
    near_abs(e.common, 2.4 / (1.05 + 0.8 * 1.04 + 0.6 * 1.03), 5e-4);
    assert_true(e.spread > 0 && e.spread < 0.002);
    assert_true(e.n > W * H / 2);
    hc_lin3_release(&ref);
    hc_lin3_release(&view);
}

// Windows outside the mask, clipped light and black are left out, whatever they hold.
static void test_left_out(void **state)
{
    const double gain[3] = {0.96, 0.96, 0.96};
    struct hc_lin3 ref = {0}, view = {0};
    struct hc_plane mask = {0};
    struct hc_align_exposure e;
    struct hc_err err = {0};
    (void)state;
    make_pair(&ref, &view, gain, 0);
    assert_ok(hc_plane_create(&mask, W, H, &err), &err);
    hc_plane_fill(&mask, 1);
    for (int y = 0; y < H; y++) {
        for (int x = 0; x < W; x++) {
            float *m = hc_plane_row(&mask, y);
            for (int c = 0; c < 3; c++) {
                float *v = hc_plane_row(&view.ch[c], y), *r = hc_plane_row(&ref.ch[c], y);
                if (x < 110) {
                    m[x] = 0;
                    v[x] *= 1.7f;
                } else if (x < 140) {
                    v[x] = 0.99f;
                } else if (x < 150) {
                    r[x] = 0.004f;
                    v[x] = 0.019f;
                } else if (x == 150) {
                    v[x] = (float)NAN;
                }
            }
        }
    }
    assert_ok(hc_align_exposure(&e, &ref, &view, &mask, &err), &err);
    near_abs(e.common, 1 / 0.96, 1e-5);
    assert_int_equal(e.n, (W - 151) * H);
    near_abs(e.spread, 0, 1e-5);
    hc_plane_fill(&mask, 0);
    assert_int_equal(hc_align_exposure(&e, &ref, &view, &mask, &err), HC_EDATA);
    hc_plane_release(&mask);
    assert_ok(hc_plane_create(&mask, W, H - 1, &err), &err);
    assert_int_equal(hc_align_exposure(&e, &ref, &view, &mask, &err), HC_EARG);
    hc_mem_fail_at(0);
    assert_int_equal(hc_align_exposure(&e, &ref, &view, NULL, &err), HC_ENOMEM);
    hc_mem_fail_at(-1);
    hc_plane_release(&mask);
    hc_lin3_release(&ref);
    hc_lin3_release(&view);
}

// A blue channel below the black level under yellow varnish takes the common factor.
static void test_dark_channel(void **state)
{
    const double gain[3] = {0.95, 0.95, 0.95};
    struct hc_lin3 ref = {0}, view = {0};
    struct hc_align_exposure e;
    struct hc_err err = {0};
    (void)state;
    make_pair(&ref, &view, gain, 0);
    hc_plane_fill(&ref.ch[2], 0.01f);
    hc_plane_fill(&view.ch[2], 0.0095f);
    assert_ok(hc_align_exposure(&e, &ref, &view, NULL, &err), &err);
    near_abs(e.factor[2], e.common, 0);
    near_abs(e.common, 1 / 0.95, 1e-4);
    hc_lin3_release(&ref);
    hc_lin3_release(&view);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_factor),
        cmocka_unit_test(test_left_out),
        cmocka_unit_test(test_dark_channel),
    };
    return cmocka_run_group_tests_name("align_exposure", tests, NULL, NULL);
}
