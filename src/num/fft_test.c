#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "num/fft.h"

// Against the definition, on a size with different and odd sides.
static void test_definition(void **state)
{
    enum { W = 6, H = 5 };
    struct hc_err err = {0};
    struct hc_fft2 *fft = NULL;
    struct hc_rng r = hc_rng_make(3);
    float *z, in[2 * W * H];
    (void)state;
    assert_ok(hc_fft2_create(&fft, W, H, &err), &err);
    z = hc_mem_array(2 * W * H, sizeof *z);
    assert_non_null(z);
    for (int i = 0; i < 2 * W * H; i++) {
        z[i] = in[i] = (float)hc_rng_normal(&r);
    }
    hc_fft2_forward(fft, z);
    for (int v = 0; v < H; v++) {
        for (int u = 0; u < W; u++) {
            double re = 0, im = 0;
            for (int y = 0; y < H; y++) {
                for (int x = 0; x < W; x++) {
                    double a = -2 * M_PI * ((double)(u * x) / W + (double)(v * y) / H);
                    double p = (double)in[2 * (y * W + x)], q = (double)in[2 * (y * W + x) + 1];
                    re += p * cos(a) - q * sin(a);
                    im += p * sin(a) + q * cos(a);
                }
            }
            near_abs((double)z[2 * (v * W + u)], re, 1e-5);
            near_abs((double)z[2 * (v * W + u) + 1], im, 1e-5);
        }
    }
    hc_fft2_inverse(fft, z);
    for (int i = 0; i < 2 * W * H; i++) {
        near_abs((double)z[i] / (W * H), (double)in[i], 1e-6);
    }
    hc_mem_free(z);
    hc_fft2_destroy(fft);
}

static void test_refusals(void **state)
{
    struct hc_err err = {0};
    struct hc_fft2 *fft = NULL;
    size_t live = hc_mem_live();
    (void)state;
    assert_int_equal(hc_fft2_create(&fft, 1, 8, &err), HC_ERANGE);
    assert_int_equal(hc_fft2_create(&fft, 8, 32769, &err), HC_ERANGE);
    for (long n = 0; n < 2; n++) {
        hc_mem_fail_at(n);
        assert_int_equal(hc_fft2_create(&fft, 8, 8, &err), HC_ENOMEM);
        hc_mem_fail_at(-1);
        assert_null(fft);
    }
    assert_int_equal(hc_mem_live(), live);
    hc_fft2_destroy(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_definition),
        cmocka_unit_test(test_refusals),
    };
    return cmocka_run_group_tests_name("fft", tests, NULL, NULL);
}
