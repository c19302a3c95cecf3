#include "hc_test.h"

#include "base/rng.h"
#include "colour/colour.h"
#include "num/linear.h"

static double cell(const struct hc_test_csv *t, size_t row, size_t column)
{
    return strtod(t->cell[row][column], NULL);
}

// ISO 22028-2:2013 prints this matrix to four digits (here from memory); the primaries are exact.
static void test_romm_matrix(void **state)
{
    static const double printed[9] = {0.7977, 0.1352, 0.0313, 0.2880, 0.7119, 0.0001, 0, 0, 0.8249};
    static const double xy[3][2] = {{0.7347, 0.2653}, {0.1596, 0.8404}, {0.0366, 0.0001}};
    double product[9];
    (void)state;
    hc_linear_mul3(product, hc_colour_romm_to_xyz, hc_colour_xyz_to_romm);
    for (int i = 0; i < 3; i++) {
        const double *m = hc_colour_romm_to_xyz;
        double sum = m[i] + m[3 + i] + m[6 + i];
        near_abs(m[i] / sum, xy[i][0], 1e-12);
        near_abs(m[3 + i] / sum, xy[i][1], 1e-12);
        near_abs(m[3 * i] + m[3 * i + 1] + m[3 * i + 2], hc_colour_white_d50[i], 1e-12);
        for (int j = 0; j < 3; j++) {
            near_abs(m[3 * i + j], printed[3 * i + j], 5.1e-5);
            near_abs(product[3 * i + j], i == j ? 1.0 : 0.0, 1e-12);
        }
    }
}

static void test_xyz_to_lab(void **state)
{
    static const double d65[3] = {0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290};
    struct hc_test_csv t = hc_test_csv_read("tests/data/xyz_lab.csv");
    (void)state;
    assert_int_equal(t.rows, 4);
    for (size_t i = 1; i < t.rows; i++) {
        double xyz[3] = {cell(&t, i, 0), cell(&t, i, 1), cell(&t, i, 2)}, lab[3];
        hc_colour_xyz_to_lab(lab, xyz, d65);
        for (size_t k = 0; k < 3; k++) {
            near_abs(lab[k], cell(&t, i, 3 + k), 1e-2); // the inputs have six decimals
        }
    }
    hc_test_csv_free(&t);
}

static void test_srgb(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/srgb_lab_d50.csv");
    (void)state;
    assert_int_equal(t.rows, 13);
    for (size_t i = 1; i < t.rows; i++) {
        double rgb[3] = {cell(&t, i, 0), cell(&t, i, 1), cell(&t, i, 2)}, lin[3], lab[3], back[3];
        hc_colour_srgb_to_lin(lin, rgb);
        hc_colour_lin_to_lab_d50(lab, lin);
        hc_colour_lin_to_srgb(back, lin);
        for (size_t k = 0; k < 3; k++) {
            // ICC profiles store their matrices in 1/65536, hence not closer.
            near_abs(lab[k], cell(&t, i, 3 + k), 0.02);
            near_abs(back[k], rgb[k], 1e-7);
        }
    }
    hc_test_csv_free(&t);
}

// IEC 61966-2-1: 0.5 encoded is 0.214041 linear; the two pieces of the curve meet at 0.04045.
static void test_srgb_curve(void **state)
{
    (void)state;
    for (int i = 0; i < 2; i++) {
        double v = i ? 0.04045 : 0.5, grey[3] = {v, v, v}, lin[3];
        hc_colour_srgb_to_lin(lin, grey);
        near_abs(lin[0], i ? 0.0031308 : 0.2140411, 1e-7);
        near_abs(lin[1], lin[0], 1e-12);
        near_abs(lin[2], lin[0], 1e-12);
    }
    double out[3] = {2.0, -1.0, (double)NAN}, srgb[3];
    hc_colour_lin_to_srgb(srgb, out);
    for (int k = 0; k < 3; k++) {
        assert_true(srgb[k] >= 0.0 && srgb[k] <= 1.0);
    }
}

static void test_round_trips(void **state)
{
    struct hc_rng rng = hc_rng_make(11);
    (void)state;
    for (int i = 0; i < 2000; i++) {
        double lab[3] = {hc_rng_range(&rng, 0, 100), hc_rng_range(&rng, -100, 100),
                         hc_rng_range(&rng, -100, 100)};
        double lin[3], xyz[3], back[3];
        hc_colour_lab_d50_to_lin(lin, lab);
        hc_colour_lin_to_lab_d50(back, lin);
        for (int k = 0; k < 3; k++) {
            near_abs(back[k], lab[k], 1e-9);
        }
        hc_colour_lab_d50_to_xyz(xyz, lab);
        hc_colour_xyz_to_lab_d50(back, xyz);
        for (int k = 0; k < 3; k++) {
            near_abs(back[k], lab[k], 1e-9);
        }
    }
    double white[3] = {1, 1, 1}, lab[3];
    hc_colour_lin_to_lab_d50(lab, white);
    near_abs(lab[0], 100.0, 1e-9);
    near_abs(lab[1], 0.0, 1e-9);
    near_abs(lab[2], 0.0, 1e-9);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_romm_matrix), cmocka_unit_test(test_xyz_to_lab),
        cmocka_unit_test(test_srgb),        cmocka_unit_test(test_srgb_curve),
        cmocka_unit_test(test_round_trips),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
