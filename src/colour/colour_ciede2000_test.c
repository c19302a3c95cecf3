#include "hc_test.h"

#include "base/rng.h"
#include "colour/colour.h"

static void test_published_pairs(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/ciede2000_pairs.csv");
    (void)state;
    assert_int_equal(t.rows, 35);
    for (size_t i = 1; i < t.rows; i++) {
        double v[7];
        for (size_t k = 0; k < 7; k++) {
            v[k] = strtod(t.cell[i][k + 1], NULL);
        }
        near_abs(hc_colour_ciede2000(v, v + 3), v[6], 1e-4);
        near_abs(hc_colour_ciede2000(v + 3, v), v[6], 1e-4);

        float f[6], de;
        for (size_t k = 0; k < 6; k++) {
            f[k] = (float)v[k];
        }
        const float *one[3] = {f, f + 1, f + 2}, *two[3] = {f + 3, f + 4, f + 5};
        hc_colour_ciede2000_row(&de, one, two, 1);
        near_abs((double)de, v[6], 2e-3);
    }
    hc_test_csv_free(&t);
}

static void test_laws(void **state)
{
    struct hc_rng rng = hc_rng_make(3);
    (void)state;
    for (int i = 0; i < 2000; i++) {
        double a[3] = {hc_rng_range(&rng, 0, 100), hc_rng_range(&rng, -90, 90),
                       hc_rng_range(&rng, -90, 90)};
        double b[3] = {hc_rng_range(&rng, 0, 100), hc_rng_range(&rng, -90, 90),
                       hc_rng_range(&rng, -90, 90)};
        assert_true(hc_colour_ciede2000(a, a) == 0.0);
        near_abs(hc_colour_ciede2000(a, b), hc_colour_ciede2000(b, a), 1e-11);
        assert_true(hc_colour_ciede2000(a, b) > 0.0);
    }
    // Two greys differ by lightness alone: |dL| / SL.
    double dark[3] = {40, 0, 0}, light[3] = {60, 0, 0};
    near_abs(hc_colour_ciede2000(dark, light), 20.0, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_published_pairs),
        cmocka_unit_test(test_laws),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
