#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "num/banded.h"
#include "num/linear.h"

// The banded solution is the dense one, for narrow and for full bands.
static void test_against_dense(void **state)
{
    enum { N = 17, M = 2 };
    (void)state;
    for (size_t band = 0; band < N; band++) {
        double full[N * N] = {0}, band_a[N * N] = {0}, x[N * M], y[N * M];
        struct hc_rng r = hc_rng_make(band + 1);
        for (size_t i = 0; i < N; i++) {
            for (size_t k = 0; k <= band; k++) {
                double v = k ? hc_rng_range(&r, -1, 1) : 2.0 * (double)band + 1;
                band_a[i * (band + 1) + band - k] = v; // left of column 0 too: must not be read
                if (k <= i) {
                    full[i * N + i - k] = full[(i - k) * N + i] = v;
                }
            }
        }
        for (size_t i = 0; i < N * M; i++) {
            x[i] = y[i] = hc_rng_range(&r, -1, 1);
        }
        assert_int_equal(hc_banded_solve_spd(band_a, N, band, x, M, NULL), HC_OK);
        assert_int_equal(hc_linear_solve_spd(full, N, y, M, NULL), HC_OK);
        for (size_t i = 0; i < N * M; i++) {
            near_abs(x[i], y[i], 1e-12);
        }
    }
}

static void test_not_definite(void **state)
{
    double a[] = {0, 1, 2, 1}, b[2] = {1, 1}; // 1 2 / 2 1
    struct hc_err err = {0};
    (void)state;
    assert_int_equal(hc_banded_solve_spd(a, 2, 1, b, 1, &err), HC_ENUMERIC);
    assert_non_null(strstr(err.what, "row 1"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_against_dense),
        cmocka_unit_test(test_not_definite),
    };
    return cmocka_run_group_tests_name("banded", tests, NULL, NULL);
}
