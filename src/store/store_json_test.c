// JSON texts: the lists below follow the grammar of RFC 8259 line by line; SQLite's own reader is
// the second opinion on random texts.
#include "hc_test.h"

#include "base/rng.h"
#include "store/store_priv.h"

static void test_well_formed(void **state)
{
    static const char *const good[] = {"{}",
                                       "[]",
                                       " [ ] ",
                                       "\t{\n}\r",
                                       "0",
                                       "-0",
                                       "-0.5e-3",
                                       "1E+9",
                                       "12.25",
                                       "\"\"",
                                       "null",
                                       "true",
                                       "false",
                                       "[1,2,3]",
                                       "[[],{},[{}]]",
                                       "{\"a\":1}",
                                       "{ \"a\" : [ 1 , \"x\" ] , \"b\":null}",
                                       "\"\\\" \\\\ \\/ \\b\\f\\n\\r\\t \\u00e9\"",
                                       "\"caf\xc3\xa9\"",
                                       "{\"\":{\"\":{\"\":0}}}"};
    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        if (!hc_store_is_json(good[i])) {
            fail_msg("refused: %s", good[i]);
        }
    }
}

static void test_not_well_formed(void **state)
{
    static const char *const bad[] = {
        "",          " ",         "{",        "}",        "[",          "]",        "[1,]",
        "[,1]",      "[1 2]",     "{\"a\"}",  "{\"a\":}", "{\"a\":1,}", "{a:1}",    "{1:1}",
        "{\"a\" 1}", "{\"a\":1]", "[1}",      "01",       "-",          "+1",       ".5",
        "1.",        "1e",        "1e+",      "0x1",      "NaN",        "Infinity", "nul",
        "nulll",     "True",      "'a'",      "\"",       "\"a",        "\"\\x\"",  "\"\\u12g4\"",
        "\"\\u12\"", "\"a\nb\"",  "\"a\tb\"", "[1] 2",    "{} {}",      "[1],",     "\"a\" \"b\"",
        "[\"\\\"]",  "[[1]"};
    (void)state;
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        if (hc_store_is_json(bad[i])) {
            fail_msg("accepted: %s", bad[i]);
        }
    }
    assert_false(hc_store_is_json(NULL));
}

static void test_nesting(void **state)
{
    char text[300];
    (void)state;
    for (int depth = 99; depth <= 102; depth++) {
        memset(text, '[', (size_t)depth);
        memset(text + depth, ']', (size_t)depth);
        text[2 * depth] = 0;
        assert_int_equal(hc_store_is_json(text), depth <= 100);
    }
}

// Texts made of JSON's own characters, so that many are nearly right and some are.
static void test_same_answer_as_sqlite(void **state)
{
    static const char *const piece[] = {"[",     "]", "{",      "}",         ",",    ":",
                                        "\"a\"", "1", "-2.5e3", " ",         "null", "\"",
                                        "\\",    "0", "[]",     "{\"k\":1}", "true", "."};
    struct hc_rng r = hc_rng_make(8259);
    sqlite3 *db;
    sqlite3_stmt *st;
    int valid = 0;
    (void)state;
    assert_int_equal(sqlite3_open(":memory:", &db), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db, "SELECT json_valid(?)", -1, &st, NULL), SQLITE_OK);
    for (int i = 0; i < 60000; i++) {
        char text[128] = "";
        int n = 1 + hc_rng_below(&r, 7), want;
        for (int k = 0; k < n; k++) {
            strcat(text, piece[hc_rng_below(&r, sizeof piece / sizeof piece[0])]);
        }
        sqlite3_bind_text(st, 1, text, -1, SQLITE_STATIC);
        assert_int_equal(sqlite3_step(st), SQLITE_ROW);
        want = sqlite3_column_int(st, 0);
        sqlite3_reset(st);
        valid += want;
        if (hc_store_is_json(text) != (want != 0)) {
            fail_msg("SQLite says %d of: %s", want, text);
        }
    }
    assert_true(valid > 500);
    sqlite3_finalize(st);
    sqlite3_close(db);
}

static void test_polygons(void **state)
{
    static const char *const good[] = {
        "[[0,0],[1,0],[0,1]]", " [ [ -1.5 , 2e3 ] , [0,0],[1,0.0e999] ] ",
        "[[0,0],[1,0],[1,1],[0,1],[0,0]]", "[[1e9,0],[-1e9,0],[0,1e-999]]"};
    static const char *const bad[] = {"[[0,0],[1,0]]",
                                      "[[0,0],[1,0],[0,1]",
                                      "[[0,0],[1,0],[0]]",
                                      "[[0,0],[1,0],[0,1],]",
                                      "[[0,0],[1,0],[0,1e10]]",
                                      "[0,0,0]",
                                      "[[0,0],[1,0],[0,1e999999999999]]",
                                      "[[0,0],[1,0],[0,1]]]",
                                      ""};
    (void)state;
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++) {
        if (!hc_store_is_polygon(good[i])) {
            fail_msg("refused: %s", good[i]);
        }
    }
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        if (hc_store_is_polygon(bad[i])) {
            fail_msg("accepted: %s", bad[i]);
        }
    }
    assert_false(hc_store_is_polygon(NULL));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_well_formed), cmocka_unit_test(test_not_well_formed),
        cmocka_unit_test(test_nesting),     cmocka_unit_test(test_same_answer_as_sqlite),
        cmocka_unit_test(test_polygons),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
