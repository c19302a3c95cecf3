#include "hc_test.h"

#include "colour/colour.h"

static void test_tables(void **state)
{
    (void)state;
    for (int i = 0; i < HC_SPECTRUM_N; i++) {
        near_abs(hc_spectrum_nm[i], 400.0 + 10.0 * i, 0.0);
    }
    near_abs(hc_spectrum_d50[16], 100.0, 0.0); // CIE illuminants are 100 at 560 nm
    near_abs(hc_spectrum_d65[16], 100.0, 0.0);
    near_abs(hc_spectrum_cmf[16][1], 0.995, 0.0); // CIE 015: y of 560 nm
}

static void test_white(void **state)
{
    double one[HC_SPECTRUM_N], lin[3], xyz[3];
    (void)state;
    for (int i = 0; i < HC_SPECTRUM_N; i++) {
        one[i] = 1.0;
    }
    hc_spectrum_to_lin(lin, one);
    for (int k = 0; k < 3; k++) {
        near_abs(lin[k], 1.0, 1e-12);
    }
    // ASTM E308 whites of the full range; the cut at 400 and 700 nm costs a few parts in a
    // thousand.
    hc_spectrum_to_xyz(xyz, one, hc_spectrum_d50);
    near_abs(xyz[0], 0.96422, 0.005);
    near_abs(xyz[1], 1.0, 1e-12);
    near_abs(xyz[2], 0.82521, 0.005);
    hc_spectrum_to_xyz(xyz, one, hc_spectrum_d65);
    near_abs(xyz[0], 0.95047, 0.005);
    near_abs(xyz[2], 1.08883, 0.005);
}

// The 24 patches of a chart, against an independent implementation over a wider range.
static void test_chart(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/chart24_spectra.csv");
    (void)state;
    assert_int_equal(t.rows, 25);
    for (size_t i = 1; i < t.rows; i++) {
        double r[HC_SPECTRUM_N], xyz[3], lin[3], lab[3], want[3];
        for (size_t k = 0; k < HC_SPECTRUM_N; k++) {
            r[k] = strtod(t.cell[i][7 + k], NULL);
        }
        hc_spectrum_to_xyz(xyz, r, hc_spectrum_d50);
        hc_spectrum_to_lin(lin, r);
        hc_colour_lin_to_lab_d50(lab, lin);
        for (size_t k = 0; k < 3; k++) {
            want[k] = strtod(t.cell[i][4 + k], NULL);
            near_abs(xyz[k], 0.01 * strtod(t.cell[i][1 + k], NULL), 0.004);
        }
        near_abs(hc_colour_ciede2000(lab, want), 0.0, 0.3);
    }
    hc_test_csv_free(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_tables),
        cmocka_unit_test(test_white),
        cmocka_unit_test(test_chart),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
