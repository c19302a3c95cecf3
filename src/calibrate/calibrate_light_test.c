// Spectra to colour against tables computed outside this program.
#include "hc_test.h"

#include "calibrate/calibrate.h"
#include "colour/colour.h"

static struct hc_readings read_file(const char *path)
{
    struct hc_readings r;
    struct hc_err err;
    char full[1024];
    const char *root = getenv("HC_SOURCE_ROOT");
    static char text[1 << 17];
    snprintf(full, sizeof full, "%s/%s", root ? root : ".", path);
    FILE *f = fopen(full, "rb");
    assert_non_null(f);
    size_t n = fread(text, 1, sizeof text, f);
    fclose(f);
    assert_ok(hc_readings_read(&r, text, n, &err), &err);
    return r;
}

static void colour_of(double xyz[3], const struct hc_readings *r, size_t i, const char *light,
                      int observer)
{
    double w[3 * HC_READINGS_BANDS_MAX];
    struct hc_err err;
    assert_ok(
        hc_light_weights(w, NULL, NULL, light, observer, r->nm0, r->step_nm, r->bands, false, &err),
        &err);
    for (size_t k = 0; k < 3; k++) {
        xyz[k] = 0.0;
        for (size_t b = 0; b < r->bands; b++) {
            xyz[k] += w[3 * b + k] * r->reading[i].r[b];
        }
    }
}

// "D65/10" -> "D65", 10
static int split(char *light, const char *both)
{
    size_t n = strcspn(both, "/_");
    memcpy(light, both, n);
    light[n] = 0;
    return atoi(both + n + 1);
}

static void e308_table_5(void **state)
{
    struct hc_readings r = read_file("tests/data/e308_patch_reflectance.csv");
    struct hc_test_csv t = hc_test_csv_read("tests/data/e308_patch_colours.csv");
    struct hc_err err;
    double lab[3 * 8];
    (void)state;
    assert_int_equal(t.rows - 1, 5 * 8);
    for (size_t row = 1; row < t.rows; row++) {
        char light[16];
        double xyz[3];
        int observer = split(light, t.cell[row][0]);
        size_t i = (size_t)atoi(t.cell[row][1]) - 1;
        colour_of(xyz, &r, i, light, observer);
        assert_ok(hc_readings_lab(lab, &r, light, observer, false, &err), &err);
        for (size_t k = 0; k < 3; k++) {
            near_abs(100.0 * xyz[k], atof(t.cell[row][3 + k]), 1e-4);
            near_abs(lab[3 * i + k], atof(t.cell[row][6 + k]), 1e-3);
        }
    }
    hc_test_csv_free(&t);
    hc_readings_release(&r);
}

// A second implementation that sums its own way (1 nm, its own interpolation).
static void independent_program(void **state)
{
    struct hc_readings r = read_file("tests/data/chart24_average_reflectance.csv");
    struct hc_test_csv t = hc_test_csv_read("tests/data/chart24_argyll.csv");
    double worst = 0.0;
    (void)state;
    assert_int_equal(t.rows - 1, 96);
    for (size_t row = 1; row < t.rows; row++) {
        double xyz[3], want[3], white[3], lab1[3], lab2[3], w[3 * 64];
        int observer = strstr(t.cell[row][1], "1931") ? 2 : 10;
        struct hc_err err;
        colour_of(xyz, &r, (size_t)atoi(t.cell[row][2]) - 1, t.cell[row][0], observer);
        for (size_t k = 0; k < 3; k++) {
            want[k] = atof(t.cell[row][4 + k]) / 100.0;
            near_abs(xyz[k], want[k], 0.0005);
        }
        assert_ok(
            hc_light_weights(w, white, NULL, t.cell[row][0], observer, 400, 10, 31, false, &err),
            &err);
        hc_colour_xyz_to_lab(lab1, xyz, white);
        hc_colour_xyz_to_lab(lab2, want, white);
        worst = fmax(worst, hc_colour_ciede2000(lab1, lab2));
    }
    print_message("worst CIEDE2000 against the independent program: %.3f\n", worst);
    assert_true(worst < 0.02);
    hc_test_csv_free(&t);
    hc_readings_release(&r);
}

// The outside whites are sums by 1 nm over 360-830 nm: what lies beyond 380-780 nm is worth 0.05 at
// most. Sums by 5 nm miss the lines of lamps by up to 0.2.
static void white_points(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/illuminant_whites.csv");
    static const struct {
        double step, tolerance;
        size_t bands;
        enum hc_light_method how;
    } way[] = {{1.0, 0.05, 401, HC_LIGHT_SUM_1NM}, {5.0, 0.2, 81, HC_LIGHT_SUM_5NM}};
    (void)state;
    assert_true(t.rows > 50);
    for (size_t row = 1; row < 2 * t.rows; row++) {
        size_t at = row / 2 ? row / 2 : 1, by = row % 2;
        for (int observer = 2; observer <= 10; observer += 8) {
            double w[3 * 401], white[3];
            enum hc_light_method how;
            struct hc_err err;
            assert_ok(hc_light_weights(w, white, &how, t.cell[at][0], observer, 380, way[by].step,
                                       way[by].bands, false, &err),
                      &err);
            assert_int_equal(how, way[by].how);
            for (size_t k = 0; k < 3; k++) {
                double sum = 0.0;
                for (size_t b = 0; b < way[by].bands; b++) {
                    sum += w[3 * b + k];
                }
                near_abs(sum, white[k], 1e-12);
                near_abs(100.0 * white[k], atof(t.cell[at][(observer == 2 ? 1 : 4) + k]),
                         way[by].tolerance);
            }
        }
    }
    hc_test_csv_free(&t);
}

// Every way to weigh agrees on smooth spectra, and gives the perfect white its white point.
static void ways_agree(void **state)
{
    static const struct {
        double step;
        size_t bands;
        bool is_raw;
        enum hc_light_method how;
    } way[] = {{1, 401, false, HC_LIGHT_SUM_1NM}, {5, 81, false, HC_LIGHT_SUM_5NM},
               {10, 41, false, HC_LIGHT_TABLE5},  {10, 41, true, HC_LIGHT_TABLE6},
               {20, 21, true, HC_LIGHT_TABLE6},   {20, 21, false, HC_LIGHT_BY_5NM},
               {4, 101, false, HC_LIGHT_BY_5NM},  {8, 51, false, HC_LIGHT_BY_5NM}};
    (void)state;
    double first[3] = {0.0};
    for (size_t i = 0; i < sizeof way / sizeof *way; i++) {
        double w[3 * 401], white[3], xyz[3] = {0.0}, sum[3] = {0.0}, lab[3];
        enum hc_light_method how;
        struct hc_err err;
        assert_ok(hc_light_weights(w, white, &how, "D65", 10, 380.0, way[i].step, way[i].bands,
                                   way[i].is_raw, &err),
                  &err);
        assert_int_equal(how, way[i].how);
        for (size_t b = 0; b < way[i].bands; b++) {
            double nm = 380.0 + way[i].step * (double)b;
            double r = 0.1 + 0.6 / (1.0 + exp(-(nm - 560.0) / 40.0));
            for (size_t k = 0; k < 3; k++) {
                xyz[k] += r * w[3 * b + k];
                sum[k] += w[3 * b + k];
            }
        }
        for (size_t k = 0; k < 3; k++) {
            near_abs(sum[k], white[k], 3e-4);
        }
        hc_colour_xyz_to_lab(lab, xyz, white);
        if (i == 0) {
            memcpy(first, lab, sizeof first);
        }
        assert_true(hc_colour_ciede2000(first, lab) < 0.15);
    }
}

static void missing_ends_are_folded(void **state)
{
    double w[3 * 31], full[3 * 43], white[3], sum = 0.0;
    struct hc_err err;
    (void)state;
    assert_ok(hc_light_weights(full, white, NULL, "A", 2, 360, 10, 43, false, &err), &err);
    assert_ok(hc_light_weights(w, NULL, NULL, "A", 2, 400, 10, 31, false, &err), &err);
    for (size_t b = 0; b <= 4; b++) {
        sum += full[3 * b];
    }
    near_abs(w[0], sum, 1e-12);
    near_abs(w[3 * 15 + 1], full[3 * 19 + 1], 1e-12);
}

static void names(void **state)
{
    double w[3 * 41], a[3], b[3];
    struct hc_err err = {0};
    (void)state;
    size_t n = 0;
    while (hc_light_name(n)) {
        n++;
    }
    assert_int_equal(n, 52);
    assert_ok(hc_light_weights(w, a, NULL, "F11", 2, 380, 10, 41, false, &err), &err);
    assert_ok(hc_light_weights(w, b, NULL, "fl11", 2, 380, 10, 41, false, &err), &err);
    assert_memory_equal(a, b, sizeof a);
    assert_int_equal(hc_light_weights(w, a, NULL, "D49", 2, 380, 10, 41, false, &err),
                     HC_ENOTFOUND);
    assert_int_equal(hc_light_weights(w, a, NULL, "D50", 5, 380, 10, 41, false, &err), HC_EARG);
    assert_int_equal(hc_light_weights(w, a, NULL, "D50", 2, 450, 10, 30, false, &err), HC_ERANGE);
    assert_int_equal(hc_light_weights(w, a, NULL, "D50", 2, 380, 10, 20, false, &err), HC_ERANGE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(e308_table_5),
        cmocka_unit_test(independent_program),
        cmocka_unit_test(white_points),
        cmocka_unit_test(ways_agree),
        cmocka_unit_test(missing_ends_are_folded),
        cmocka_unit_test(names),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
