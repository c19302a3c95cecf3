#include "hc_test.h"

#include "base/rng.h"
#include "colour/colour.h"

static double cell(const struct hc_test_csv *t, size_t row, size_t column)
{
    return strtod(t->cell[row][column], NULL);
}

static void test_indices(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/surface_indices.csv");
    (void)state;
    assert_int_equal(t.rows, 8);
    for (size_t i = 1; i < t.rows; i++) {
        double n = cell(&t, i, 0);
        near_abs(hc_surface_fresnel(n, 0.0), cell(&t, i, 1), 1e-4);
        near_abs(hc_surface_fresnel(n, 45.0), cell(&t, i, 2), 1e-4);
        near_abs(hc_surface_fresnel(n, 60.0), cell(&t, i, 3), 1e-4);
        near_abs(hc_surface_diffuse_external(n), cell(&t, i, 4), 1e-4);
        near_abs(hc_surface_diffuse_internal(n), cell(&t, i, 5), 1e-4);
        near_abs(hc_surface_gloss(n, 60.0), cell(&t, i, 6), 0.1);
    }
    hc_test_csv_free(&t);
    // Reflectances of the gloss standard at 20, 60, 85 degrees (same calculation).
    near_abs(hc_surface_fresnel(1.567, 20.0), 0.0491, 1e-4);
    near_abs(hc_surface_fresnel(1.567, 60.0), 0.1001, 1e-4);
    near_abs(hc_surface_fresnel(1.567, 85.0), 0.6191, 1e-4);
    near_abs(hc_surface_gloss(1.567, 20.0), 100.0, 1e-9);
}

// The closed form of the hemispherical average (Walsh 1926; Duntley 1942; here from memory) and a
// direct integration from the inside, past the critical angle: neither shares code with the
// library.
static void test_diffuse(void **state)
{
    (void)state;
    for (double n = 1.2; n < 2.0; n += 0.05) {
        double n2 = n * n, n4 = n2 * n2;
        double walsh = 0.5 + (n - 1) * (3 * n + 1) / (6 * (n + 1) * (n + 1)) +
                       n2 * (n2 - 1) * (n2 - 1) / pow(n2 + 1, 3) * log((n - 1) / (n + 1)) -
                       2 * n * n2 * (n2 + 2 * n - 1) / ((n2 + 1) * (n4 - 1)) +
                       8 * n4 * (n4 + 1) / ((n2 + 1) * (n4 - 1) * (n4 - 1)) * log(n);
        near_abs(hc_surface_diffuse_external(n), walsh, 1e-8);
        near_abs(1.0 - hc_surface_diffuse_internal(n), (1.0 - walsh) / n2, 1e-8);

        const int steps = 200000;
        double sum = 0.0;
        for (int i = 0; i < steps; i++) { // midpoints in sin^2 of the inner angle
            double s2 = (i + 0.5) / steps, outer = n * sqrt(s2);
            double deg = outer < 1.0 ? asin(outer) * 57.29577951308232 : 90.0;
            sum += outer < 1.0 ? hc_surface_fresnel(n, deg) : 1.0;
        }
        near_abs(hc_surface_diffuse_internal(n), sum / steps, 2e-5);
    }
    near_abs(hc_surface_diffuse_external(1.0), 0.0, 1e-12);
}

static void test_roughness(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/surface_roughness.csv");
    (void)state;
    assert_int_equal(t.rows, 16);
    for (size_t i = 1; i < t.rows; i++) {
        near_abs(hc_surface_coherent(cell(&t, i, 0), cell(&t, i, 1), 555.0), cell(&t, i, 2),
                 cell(&t, i, 3));
    }
    hc_test_csv_free(&t);
}

// L* of a reflectance factor (grey).
static double lightness(double r)
{
    double lin[3] = {r, r, r}, lab[3];
    hc_colour_lin_to_lab_d50(lab, lin);
    return lab[0];
}

static double seen(double rho, double f)
{
    return hc_surface_saunderson(rho, 0.04, hc_surface_diffuse_internal(1.5), 0.04 * f);
}

static void test_blacks(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/surface_black.csv");
    (void)state;
    assert_int_equal(t.rows, 25);
    for (size_t i = 1; i < t.rows; i++) {
        near_abs(lightness(seen(cell(&t, i, 0), cell(&t, i, 1))), cell(&t, i, 2), 0.1);
    }
    hc_test_csv_free(&t);
    t = hc_test_csv_read("tests/data/surface_saturation.csv");
    assert_int_equal(t.rows, 6);
    for (size_t i = 1; i < t.rows; i++) {
        double rho = cell(&t, i, 0);
        near_abs(lightness(seen(rho, 0.02)) - lightness(seen(rho, 0.5)), cell(&t, i, 1),
                 cell(&t, i, 2));
    }
    hc_test_csv_free(&t);
}

static void test_saunderson(void **state)
{
    struct hc_rng rng = hc_rng_make(5);
    (void)state;
    for (int i = 0; i < 1000; i++) {
        double rho = hc_rng_unit(&rng), k1 = hc_rng_range(&rng, 0, 0.1);
        double k2 = hc_rng_range(&rng, 0.3, 0.7), s = hc_rng_range(&rng, 0, 0.05);
        double r = hc_surface_saunderson(rho, k1, k2, s);
        near_abs(hc_surface_saunderson_inverse(r, k1, k2, s), rho, 1e-12);
        assert_true(hc_surface_saunderson(rho + 0.01, k1, k2, s) > r);
    }
    near_abs(hc_surface_saunderson(0.0, 0.04, 0.596, 0.01), 0.01, 1e-15);
    near_abs(hc_surface_saunderson(1.0, 0.04, 0.596, 0.0), 0.96, 1e-12);
}

static void test_coat_table(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/coat_over_paint.csv");
    double one[HC_SPECTRUM_N], white[3];
    (void)state;
    assert_int_equal(t.rows, 19);
    for (int i = 0; i < HC_SPECTRUM_N; i++) {
        one[i] = 1.0;
    }
    hc_spectrum_to_xyz(white, one, hc_spectrum_d65);
    for (size_t i = 1; i < t.rows; i++) {
        double rho[HC_SPECTRUM_N], r[HC_SPECTRUM_N], xyz[3], lab[3];
        struct hc_coat coat = {.a0 = 0.62,
                               .slope_nm = 60.0,
                               .grey = cell(&t, i, 2),
                               .haze = cell(&t, i, 3),
                               .surface = cell(&t, i, 4)};
        for (int k = 0; k < HC_SPECTRUM_N; k++) {
            rho[k] = cell(&t, i, 0);
        }
        hc_coat_over(r, rho, hc_spectrum_nm, HC_SPECTRUM_N, cell(&t, i, 1), &coat);
        hc_spectrum_to_xyz(xyz, r, hc_spectrum_d65);
        hc_colour_xyz_to_lab(lab, xyz, white);
        for (size_t k = 0; k < 3; k++) {
            near_abs(lab[k], cell(&t, i, 5 + k), 0.1);
        }
    }
    hc_test_csv_free(&t);
}

// Light from a nearly black paint crosses the coat once in (45 degrees outside) and once out, so
// its loss is the single-pass transmittance to the power 2.134.
static void test_single_pass(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/coat_single_pass.csv");
    struct hc_coat coat = {.a0 = 0.62, .slope_nm = 60.0};
    (void)state;
    assert_int_equal(t.rows, 7);
    for (size_t i = 1; i < t.rows; i++) {
        double nm = cell(&t, i, 0), rho = 1e-9, bare, coated;
        hc_coat_over(&bare, &rho, &nm, 1, 0.0, &coat);
        hc_coat_over(&coated, &rho, &nm, 1, 1.0, &coat);
        near_abs(pow(coated / bare, 1.0 / 2.134), cell(&t, i, 1), 1e-3);
    }
    hc_test_csv_free(&t);
}

static void test_coat_laws(void **state)
{
    struct hc_rng rng = hc_rng_make(6);
    double k2 = hc_surface_diffuse_internal(1.5);
    (void)state;
    for (int i = 0; i < 500; i++) {
        double rho = hc_rng_unit(&rng), nm = hc_rng_range(&rng, 400, 700), r[4];
        struct hc_coat coat = {.a0 = hc_rng_range(&rng, 0.1, 1.5),
                               .slope_nm = hc_rng_range(&rng, 40, 80),
                               .surface = hc_rng_range(&rng, 0, 0.02)};
        hc_coat_over(&r[0], &rho, &nm, 1, 0.0, &coat);
        near_abs(r[0], hc_surface_saunderson(rho, 0.04, k2, coat.surface), 1e-8);
        hc_coat_over(&r[1], &rho, &nm, 1, 0.5, &coat);
        hc_coat_over(&r[2], &rho, &nm, 1, 1.0, &coat);
        assert_true(r[0] >= r[1] && r[1] >= r[2] && r[2] >= coat.surface);
        coat.haze = 0.05;
        rho *= 0.1; // haze lifts darks
        hc_coat_over(&r[3], &rho, &nm, 1, 1.0, &coat);
        coat.haze = 0.0;
        hc_coat_over(&r[2], &rho, &nm, 1, 1.0, &coat);
        assert_true(r[3] > r[2]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_indices),     cmocka_unit_test(test_diffuse),
        cmocka_unit_test(test_roughness),   cmocka_unit_test(test_blacks),
        cmocka_unit_test(test_saunderson),  cmocka_unit_test(test_coat_table),
        cmocka_unit_test(test_single_pass), cmocka_unit_test(test_coat_laws),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
