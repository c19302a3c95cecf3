// The report's figures and the table of tolerances.
#include "hc_test.h"

#include "calibrate/calibrate_priv.h"
#include "calibrate/calibrate_scene.h"
#include "colour/colour.h"

static struct hc_tolerance table[HC_TOLERANCES_MAX];

static void shipped_table(void **state)
{
    size_t n = 0, memory = 0;
    struct hc_err err;
    (void)state;
    assert_ok(hc_tolerances_read(table, &n, hc_tolerances_text, strlen(hc_tolerances_text), &err),
              &err);
    assert_true(n > 70);
    for (size_t i = 0; i < n; i++) {
        assert_true(table[i].year >= 2021 && table[i].source[0] && table[i].level[0]);
        memory += strcmp(table[i].status, "memory") == 0;
        assert_string_not_equal(table[i].status, "primary"); // none was read in the standard itself
        if (strcmp(table[i].guideline, "ISO 19264-1") == 0 && strcmp(table[i].level, "B") == 0 &&
            table[i].quality == HC_QUALITY_COLOUR_MAX) {
            near_abs(table[i].upper, 15.0, 0.0);
            assert_true(table[i].lower == -HUGE_VAL);
        }
    }
    assert_int_equal(memory, 5);
}

static void verdicts(void **state)
{
    struct hc_tolerance t = {.quality = HC_QUALITY_GAIN_HIGHLIGHT, .lower = 0.8, .upper = 1.1};
    struct hc_quality_report r = {0};
    (void)state;
    assert_int_equal(hc_tolerance_judge(&t, &r), HC_VERDICT_UNKNOWN);
    r.is_known[HC_QUALITY_GAIN_HIGHLIGHT] = true;
    assert_int_equal(hc_tolerance_judge(&t, &r), HC_VERDICT_OUTSIDE);
    r.value[HC_QUALITY_GAIN_HIGHLIGHT] = 1.1;
    assert_int_equal(hc_tolerance_judge(&t, &r), HC_VERDICT_WITHIN);
    r.value[HC_QUALITY_GAIN_HIGHLIGHT] = (double)NAN;
    assert_int_equal(hc_tolerance_judge(&t, &r), HC_VERDICT_OUTSIDE);
}

static void refuses(const char *rows, const char *part)
{
    char text[512];
    size_t n;
    struct hc_err err = {0};
    int bytes = snprintf(text, sizeof text,
                         "guideline,year,level,quantity,lower,upper,status,source\n%s", rows);
    assert_int_equal(hc_tolerances_read(table, &n, text, (size_t)bytes, &err), HC_EDATA);
    if (!strstr(err.what, part)) {
        print_error("%s\n", err.what);
        fail();
    }
}

static void refuses_bad_tables(void **state)
{
    size_t n;
    struct hc_err err = {0};
    (void)state;
    refuses("a,2020,A,tone,,2,memory\n", "line 2");
    refuses("a,2020,A,tone,,2,memory,s,t\n", "8 fields");
    refuses("a,2020,A,tone,,,memory,s\n", "bounds");
    refuses("a,2020,A,tone,3,2,memory,s\n", "bounds");
    refuses("a,20x0,A,tone,,2,memory,s\n", "year");
    refuses("a,2020,A,tune,,2,memory,s\n", "tune");
    refuses("a,2020,A,tone,,2,sure,s\n", "status");
    refuses("# note\na,2020,A,tone,,2,memory,\n", "line 3");
    assert_int_equal(hc_tolerances_read(table, &n, "x", 1, &err), HC_EDATA);
    assert_int_equal(hc_tolerances_read(table, &n, "", 0, &err), HC_EDATA);
}

static void report_of_a_photograph(void **state)
{
    struct hc_scene_data data;
    struct hc_scene_picture p = hc_scene_plain(420, 320, 44.0, 5.0, 4, 6);
    struct hc_lin3 lin;
    struct hc_patch patch[24];
    struct hc_calibration c;
    struct hc_quality_report r;
    struct hc_err err;
    struct hc_flat flat = {.before_percent = {3.0, 5.0, 4.0}, .before_delta_l = 2.0};
    struct hc_edge edge = {.efficiency = 0.8};
    const char *root = getenv("HC_SOURCE_ROOT");
    double rgb[24][3];
    (void)state;
    assert_true(hc_scene_load(&data, root ? root : "."));
    hc_scene_camera(rgb, &data, &data.chart, 0, "D65");
    p.noise = 0.008;
    assert_ok(hc_scene_draw(&lin, &p, (const double(*)[3])rgb, 4, 6, &err), &err);
    assert_ok(hc_target_measure(patch, &lin, &data.target, p.corner, 0.0, &err), &err);
    assert_ok(hc_calibrate_fit(&c, patch, &data.target, HC_CALIBRATE_BEST, &err), &err);
    hc_quality_make(&r, &c, patch, &data.target, NULL, NULL);
    for (int i = 0; i < HC_QUALITY_COUNT; i++) {
        enum hc_quality q = (enum hc_quality)i;
        bool is_extra =
            q == HC_QUALITY_EVENNESS || q == HC_QUALITY_EVENNESS_L || q == HC_QUALITY_EFFICIENCY;
        assert_int_equal(r.is_known[q], !is_extra);
        assert_true(isfinite(r.value[q]));
        assert_true(hc_quality_name(q)[0] != 0);
        print_message("%s: %.3f %s\n", hc_quality_name(q), r.value[q], hc_quality_unit(q));
    }
    assert_int_equal(r.neutrals, 6);
    assert_true(r.exposure_change < 1e-6);
    assert_true(r.value[HC_QUALITY_TONE] < 1.0 && r.value[HC_QUALITY_WHITE] < 1.5);
    near_abs(r.value[HC_QUALITY_GAIN_HIGHLIGHT], 1.0, 0.05);
    assert_true(r.value[HC_QUALITY_COLOUR_MEAN] <= r.value[HC_QUALITY_COLOUR_P90]);
    assert_true(r.value[HC_QUALITY_COLOUR_P90] <= r.value[HC_QUALITY_COLOUR_MAX]);
    // the noise that was drawn, as L*: largest on the darkest neutral
    double y = 0.031, dl = 116.0 / 3.0 * pow(y, -2.0 / 3.0) * p.noise * sqrt(y + 0.01);
    dl *= sqrt(0.288 * 0.288 + 0.712 * 0.712); // two channels averaged
    near_abs(r.value[HC_QUALITY_NOISE] / dl, 1.0, 0.2);
    hc_quality_make(&r, &c, patch, &data.target, &flat, &edge);
    near_abs(r.value[HC_QUALITY_EVENNESS], 5.0, 0.0);
    near_abs(r.value[HC_QUALITY_EFFICIENCY], 0.8, 0.0);
    hc_lin3_release(&lin);
    hc_scene_release(&data);
}

// CIEDE2000 taken apart: without lightness, and with S_L = 1.
static void parts_of_ciede2000(void **state)
{
    const double a[3] = {90.0, 10.0, -5.0}, same_l[3] = {90.0, 12.0, -4.0}, grey1[3] = {90, 0, 0},
                 grey2[3] = {86, 0, 0};
    double rest, sl1, de = hc_calibrate_de_parts(&rest, &sl1, a, same_l);
    (void)state;
    near_abs(rest, de, 1e-12);
    near_abs(sl1, de, 1e-12);
    de = hc_calibrate_de_parts(&rest, &sl1, grey1, grey2);
    near_abs(rest, 0.0, 1e-6);
    near_abs(sl1, 4.0, 1e-12);
    assert_true(de < sl1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(shipped_table),      cmocka_unit_test(verdicts),
        cmocka_unit_test(refuses_bad_tables), cmocka_unit_test(report_of_a_photograph),
        cmocka_unit_test(parts_of_ciede2000),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
