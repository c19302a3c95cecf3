// Texts of measured colours: the dialects that are read, and every kind of bad text.
#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "calibrate/calibrate.h"

static const char small[] =
    "CGATS.17\r\n"
    "NUMBER_OF_SETS 2 # a comment\r\n"
    "KEYWORD \"PRIVATE_THING\"\r\nPRIVATE_THING \"x BEGIN_DATA y\"\r\n"
    "WEIGHTING_FUNCTION \"ILLUMINANT, D65\"\r\nWEIGHTING_FUNCTION \"OBSERVER, 10 degree\"\r\n"
    "FILE_DESCRIPTOR \"two paints\"\r\nINSTRUMENTATION \"invented\"\r\n"
    "NUMBER_OF_FIELDS 6\r\n"
    "BEGIN_DATA_FORMAT\r\nSAMPLE_ID LAB_B LAB_L SAMPLE_NAME LAB_A CMYK_C\r\nEND_DATA_FORMAT\r\n"
    "BEGIN_DATA\r\n1 30.5 50 \"lead tin yellow\" -3 0\r\n2 -20 25 smalt 4e0 0\r\nEND_DATA\r\n";

static void reads_columns_in_any_order(void **state)
{
    (void)state;
    struct hc_readings r;
    struct hc_err err;
    assert_ok(hc_readings_read(&r, small, sizeof small - 1, &err), &err);
    assert_int_equal(r.n, 2);
    assert_true(r.has_lab && !r.has_xyz && r.bands == 0);
    assert_string_equal(r.reading[0].name, "lead tin yellow");
    assert_string_equal(r.reading[1].id, "2");
    near_abs(r.reading[0].lab[0], 50.0, 0.0);
    near_abs(r.reading[0].lab[1], -3.0, 0.0);
    near_abs(r.reading[0].lab[2], 30.5, 0.0);
    near_abs(r.reading[1].lab[1], 4.0, 0.0);
    assert_string_equal(r.illuminant, "D65");
    assert_int_equal(r.observer_deg, 10);
    assert_true(r.is_white_stated);
    assert_string_equal(r.about, "two paints; invented");
    hc_readings_release(&r);
}

static void reads_spectral_dialects(void **state)
{
    static const char *const names[] = {"SPECTRAL_NM_", "SPECTRAL_NM", "SPECTRAL_",
                                        "SPEC_",        "NM_",         "nm"};
    (void)state;
    for (size_t d = 0; d < sizeof names / sizeof *names; d++) {
        char text[4096];
        struct hc_readings r;
        struct hc_err err;
        int n = snprintf(text, sizeof text, "CGATS.17\nBEGIN_DATA_FORMAT\nSAMPLE_ID");
        for (int nm = 400; nm <= 700; nm += 20) {
            n += snprintf(text + n, sizeof text - (size_t)n, " %s%d", names[d], nm);
        }
        n += snprintf(text + n, sizeof text - (size_t)n, "\nEND_DATA_FORMAT\nBEGIN_DATA\nA1");
        for (int nm = 400; nm <= 700; nm += 20) {
            n += snprintf(text + n, sizeof text - (size_t)n, " %d", nm / 10);
        }
        n += snprintf(text + n, sizeof text - (size_t)n, "\nEND_DATA\n");
        assert_ok(hc_readings_read(&r, text, (size_t)n, &err), &err);
        assert_int_equal(r.bands, 16);
        assert_true(r.was_percent);
        near_abs(r.nm0, 400.0, 1e-9);
        near_abs(r.step_nm, 20.0, 1e-9);
        near_abs(r.reading[0].r[15], 0.70, 1e-12);
        hc_readings_release(&r);
    }
}

static void reads_pairs_of_wavelength_and_value(void **state)
{
    static const char text[] =
        "CGATS.17\nBEGIN_DATA_FORMAT\nSPECTRAL_NM SPECTRAL_PCT SPECTRAL_NM "
        "SPECTRAL_PCT\nEND_DATA_FORMAT\nBEGIN_DATA\n400 1 410 2\n400 0.5 410 "
        "1.5\nEND_DATA\n";
    (void)state;
    struct hc_readings r;
    struct hc_err err;
    assert_ok(hc_readings_read(&r, text, sizeof text - 1, &err), &err);
    near_abs(r.step_nm, 10.0, 1e-9);
    near_abs(r.reading[1].r[1], 0.015, 1e-12);
    hc_readings_release(&r);
}

static void takes_the_table_with_colours(void **state)
{
    static const char text[] =
        "ISO28178\nBEGIN_DATA_FORMAT\nINDEX RGB_R\nEND_DATA_FORMAT\nNUMBER_OF_SETS 1\nBEGIN_DATA\n"
        "1 3\nEND_DATA\nBEGIN_DATA_FORMAT\nSAMPLE_ID XYZ_X XYZ_Y XYZ_Z\nEND_DATA_FORMAT\n"
        "NUMBER_OF_SETS 1\nBEGIN_DATA\n7 20 18 15\nEND_DATA\n";
    (void)state;
    struct hc_readings r;
    struct hc_err err;
    assert_ok(hc_readings_read(&r, text, sizeof text - 1, &err), &err);
    assert_true(r.has_xyz);
    near_abs(r.reading[0].xyz[1], 0.18, 1e-12);
    assert_false(r.is_white_stated);
    assert_string_equal(r.illuminant, "D50");
    hc_readings_release(&r);
}

// A name that speaks of D65 is no statement, but such values are not taken for D50 either.
static void white_named_in_passing(void **state)
{
    static const char text[] = "X\nDESCRIPTOR \"four greys (D65)\"\nNUMBER_OF_FIELDS 9\n"
                               "NUMBER_OF_SETS 4\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\n"
                               "END_DATA_FORMAT\nBEGIN_DATA\n9 0 0 8 0 0 7 0 0 6 0 0\nEND_DATA\n";
    (void)state;
    struct hc_readings r;
    struct hc_target t;
    struct hc_err err;
    assert_ok(hc_readings_read(&r, text, sizeof text - 1, &err), &err);
    assert_string_equal(r.illuminant, "D65");
    assert_false(r.is_white_stated);
    assert_int_equal(hc_target_make(&t, &r, 2, 2, &err), HC_EREFUSED);
    hc_readings_release(&r);
}

static void reads_csv_both_ways_round(void **state)
{
    static const char rows[] =
        "\xef\xbb\xbf# illuminant: D65, observer: 10\n"
        "id;name;x;y;400;420 nm;440nm\n"
        "1;\"blue; over white\";12.5;80;0.2;0.3;0.4\n\n2;red;1;2;0.1;0.1;0.1";
    static const char columns[] = "nm\tfirst\tsecond\n400\t.2\t.1\n420\t.3\t.1\n440\t.4\t.1\n";
    (void)state;
    struct hc_readings a, b;
    struct hc_err err;
    assert_ok(hc_readings_read(&a, rows, sizeof rows - 1, &err), &err);
    assert_ok(hc_readings_read(&b, columns, sizeof columns - 1, &err), &err);
    assert_true(a.has_place && !b.has_place);
    assert_string_equal(a.reading[0].name, "blue; over white");
    assert_string_equal(b.reading[1].name, "second");
    near_abs(a.reading[0].y, 80.0, 0.0);
    assert_string_equal(a.illuminant, "D65");
    assert_int_equal(a.observer_deg, 10);
    for (size_t i = 0; i < 2; i++) {
        for (size_t k = 0; k < 3; k++) {
            near_abs(a.reading[i].r[k], b.reading[i].r[k], 0.0);
        }
    }
    hc_readings_release(&a);
    hc_readings_release(&b);
}

static void refuses(const char *text, hc_status want, const char *part)
{
    struct hc_readings r;
    struct hc_err err = {0};
    hc_status st = hc_readings_read(&r, text, strlen(text), &err);
    if (st != want || !strstr(err.what, part)) {
        print_error("for <%s>: %s: %s\n", text, hc_status_name(st), err.what);
        fail();
    }
    assert_null(r.reading);
    assert_null(r.block);
}

static void refuses_bad_texts(void **state)
{
    (void)state;
    refuses("", HC_EDATA, "no header row");
    refuses("CGATS.17\nBEGIN_DATA\n1 2\nEND_DATA", HC_EDATA, "before any DATA_FORMAT");
    refuses("x\nBEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L", HC_EDATA, "without END_DATA_FORMAT");
    refuses("x\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n1 2 3\n4 5",
            HC_EDATA, "line 5: BEGIN_DATA without END_DATA");
    refuses("x\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n1 2 3\n4 5\n"
            "END_DATA",
            HC_EDATA, "5 values do not fill rows of 3");
    refuses(
        "x\nNUMBER_OF_SETS 3\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n"
        "1 2 3\nEND_DATA",
        HC_EDATA, "NUMBER_OF_SETS is 3 but there are 1");
    refuses("x\nNUMBER_OF_FIELDS 4\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
            "BEGIN_DATA\n1 2 3\nEND_DATA",
            HC_EDATA, "names 3 columns");
    refuses("x\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n1 2,5 3\n"
            "END_DATA",
            HC_EDATA, "line 6: \"2,5\"");
    refuses("x\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n1 nan 3\n"
            "END_DATA",
            HC_EDATA, "not a number");
    refuses("x\nBEGIN_DATA_FORMAT\nLAB_L LAB_A LAB_B\nEND_DATA_FORMAT\nBEGIN_DATA\n1 900 3\n"
            "END_DATA",
            HC_EDATA, "no colour of a surface");
    refuses("x\nBEGIN_DATA_FORMAT\nLAB_L LAB_A\nEND_DATA_FORMAT\nBEGIN_DATA\n1 9\nEND_DATA",
            HC_EDATA, "holds no colours");
    refuses("x\nBEGIN_DATA_FORMAT\nRGB_R\nEND_DATA_FORMAT\nBEGIN_DATA\n1\nEND_DATA", HC_EDATA,
            "no table of colours");
    refuses("name,400,410,430\na,.1,.1,.1\n", HC_EUNSUPPORTED, "even steps");
    refuses("name,400,450\na,.1,.1\n", HC_EUNSUPPORTED, "up to 20 nm");
    refuses("name,420,410\na,.1,.1\n", HC_EUNSUPPORTED, "steps");
    refuses("name,400,410\na,.1\n", HC_EDATA, "line 2 has 2 fields");
    refuses("name,400,410\na,.1,-5\n", HC_EDATA, "sample 1 (a)");
    refuses("name,X,Y,Z\na,1,2,3\n", HC_EDATA, "XYZ_X");
    refuses("nm,a\n400,.1\n410,x\n", HC_EDATA, "line 3");
    refuses("name,400,410\n", HC_EDATA, "0 measured colours");
}

static void respects_the_ceilings(void **state)
{
    struct hc_readings r;
    struct hc_err err = {0};
    size_t n = 16 * (HC_READINGS_MAX + 1) + 64;
    char *text = malloc(n);
    size_t at = (size_t)snprintf(text, n, "L,a,b\n");
    (void)state;
    for (int i = 0; i <= HC_READINGS_MAX; i++) {
        at += (size_t)snprintf(text + at, n - at, "50,1,2\n");
    }
    assert_int_equal(hc_readings_read(&r, text, at, &err), HC_ELIMIT);
    free(text);
    assert_int_equal(hc_readings_read_cgats(&r, "", HC_READINGS_TEXT_MAX + 1, &err), HC_ELIMIT);
    assert_int_equal(hc_readings_read_csv(&r, "", HC_READINGS_TEXT_MAX + 1, &err), HC_ELIMIT);
}

// Damaged texts: any status is right, a crash or a leak is not.
static void survives_damage(void **state)
{
    struct hc_rng rng = hc_rng_make(7);
    size_t before = hc_mem_live();
    (void)state;
    for (int k = 0; k < 4000; k++) {
        char text[sizeof small];
        struct hc_readings r;
        size_t n = (size_t)hc_rng_below(&rng, (int)sizeof small);
        memcpy(text, small, n);
        for (int d = hc_rng_below(&rng, 6); d > 0 && n; d--) {
            text[hc_rng_below(&rng, (int)n)] = (char)hc_rng_below(&rng, 256);
        }
        if (hc_readings_read(&r, text, n, NULL) == HC_OK) {
            hc_readings_release(&r);
        }
        if (hc_readings_read_csv(&r, text, n, NULL) == HC_OK) {
            hc_readings_release(&r);
        }
    }
    assert_int_equal(hc_mem_live(), before);
}

static void survives_lost_memory(void **state)
{
    size_t before = hc_mem_live();
    (void)state;
    static const char text[] = "name,400,420\na,.1,.2\n";
    for (long k = 0; k < 2; k++) {
        struct hc_readings r;
        hc_mem_fail_at(k);
        assert_int_equal(hc_readings_read(&r, text, sizeof text - 1, NULL), HC_ENOMEM);
        hc_mem_fail_at(-1);
    }
    assert_int_equal(hc_mem_live(), before);
}

static void target_refuses_a_wrong_count(void **state)
{
    char text[4096];
    struct hc_readings r;
    struct hc_target t;
    struct hc_err err = {0};
    (void)state;
    for (int count = 23; count <= 24; count++) {
        int n = snprintf(text, sizeof text, "name,L,a,b\n");
        for (int i = 0; i < count; i++) {
            // letters along the columns, numbers down the rows
            n += snprintf(text + n, sizeof text - (size_t)n, "%c%d,%d,0,0\n", 'A' + i / 4,
                          i % 4 + 1, i + 1);
        }
        assert_ok(hc_readings_read(&r, text, (size_t)n, &err), &err);
        if (count == 23) {
            assert_int_equal(hc_target_make(&t, &r, 4, 6, &err), HC_EDATA);
            assert_non_null(strstr(err.what, "wrong patch count"));
            assert_int_equal(hc_target_make(&t, &r, 0, 0, &err), HC_EARG);
        } else {
            assert_ok(hc_target_make(&t, &r, 0, 0, &err), &err);
            assert_int_equal(t.rows * 100 + t.cols, 406);
            assert_string_equal(t.patch[1].name, "B1");
            near_abs(t.patch[1].lab[0], 5.0, 0.0);
            near_abs(t.patch[6].lab[0], 2.0, 0.0);
            assert_ok(hc_target_make(&t, &r, 6, 4, &err), &err);
            assert_string_equal(t.patch[1].name, "A2");
            assert_int_equal(hc_target_make(&t, &r, 1, 24, &err), HC_ERANGE);
            memcpy(r.illuminant, "D65", 4);
            assert_int_equal(hc_target_make(&t, &r, 4, 6, &err), HC_EREFUSED);
            assert_non_null(strstr(err.what, "without spectra"));
        }
        hc_readings_release(&r);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reads_columns_in_any_order),
        cmocka_unit_test(reads_spectral_dialects),
        cmocka_unit_test(reads_pairs_of_wavelength_and_value),
        cmocka_unit_test(takes_the_table_with_colours),
        cmocka_unit_test(white_named_in_passing),
        cmocka_unit_test(reads_csv_both_ways_round),
        cmocka_unit_test(refuses_bad_texts),
        cmocka_unit_test(respects_the_ceilings),
        cmocka_unit_test(survives_damage),
        cmocka_unit_test(survives_lost_memory),
        cmocka_unit_test(target_refuses_a_wrong_count),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
