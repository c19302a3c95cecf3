#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "num/dct.h"

// Against the definition, on odd sides and a plane with a wide stride.
static void test_definition(void **state)
{
    enum { W = 19, H = 7 };
    struct hc_err err = {0};
    struct hc_dct2 *dct = NULL;
    struct hc_plane big = {0}, z;
    struct hc_rng r = hc_rng_make(4);
    float in[H][W];
    (void)state;
    assert_ok(hc_dct2_create(&dct, W, H, &err), &err);
    assert_ok(hc_plane_create(&big, W + 5, H + 2, &err), &err);
    z = hc_plane_part(&big, 3, 1, W, H);
    for (int i = 0; i < W * H; i++) {
        hc_plane_row(&z, i / W)[i % W] = in[i / W][i % W] = (float)hc_rng_normal(&r);
    }
    hc_dct2_forward(dct, &z, NULL);
    for (int j = 0; j < H; j++) {
        for (int i = 0; i < W; i++) {
            double s = 0;
            for (int y = 0; y < H; y++) {
                for (int x = 0; x < W; x++) {
                    s += 4 * (double)in[y][x] * cos(M_PI * i * (x + 0.5) / W) *
                         cos(M_PI * j * (y + 0.5) / H);
                }
            }
            near_abs((double)hc_plane_get(&z, i, j), s, 1e-4);
        }
    }
    hc_dct2_inverse(dct, &z, NULL);
    for (int i = 0; i < W * H; i++) {
        near_abs((double)hc_plane_get(&z, i % W, i / W) / (4.0 * W * H), (double)in[i / W][i % W],
                 1e-6);
    }
    near_abs((double)hc_plane_get(&big, 2, 1), 0, 0); // nothing beside it was touched
    hc_plane_release(&big);
    hc_dct2_destroy(dct);
}

static void test_threads(void **state)
{
    enum { W = 2100, H = 150 };
    struct hc_err err = {0};
    struct hc_dct2 *dct = NULL;
    struct hc_par *par = NULL;
    struct hc_plane a = {0}, b = {0};
    struct hc_rng r = hc_rng_make(5);
    (void)state;
    assert_ok(hc_dct2_create(&dct, W, H, &err), &err);
    assert_ok(hc_par_create(&par, 3, &err), &err);
    assert_ok(hc_plane_create(&a, W, H, &err), &err);
    assert_ok(hc_plane_create(&b, W, H, &err), &err);
    for (int i = 0; i < W * H; i++) {
        a.px[i] = b.px[i] = (float)hc_rng_normal(&r);
    }
    hc_dct2_forward(dct, &a, NULL);
    hc_dct2_forward(dct, &b, par);
    assert_memory_equal(a.px, b.px, W * H * sizeof(float));
    hc_plane_release(&a);
    hc_plane_release(&b);
    hc_par_destroy(par);
    hc_dct2_destroy(dct);
}

static void test_refusals(void **state)
{
    struct hc_err err = {0};
    struct hc_dct2 *dct = NULL;
    size_t live = hc_mem_live();
    (void)state;
    assert_int_equal(hc_dct2_create(&dct, 1, 8, &err), HC_ERANGE);
    for (int i = 0; i < 6; i++) {
        hc_mem_fail_at(i);
        assert_int_equal(hc_dct2_create(&dct, 8, 8, &err), HC_ENOMEM);
    }
    hc_mem_fail_at(-1);
    assert_int_equal(hc_mem_live(), live);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_definition),
                                       cmocka_unit_test(test_threads),
                                       cmocka_unit_test(test_refusals)};
    return cmocka_run_group_tests_name("dct", tests, NULL, NULL);
}
