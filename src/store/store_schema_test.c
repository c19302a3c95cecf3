// docs/schema.md says what the tables are: it must not say more or less than there is.
#include "hc_test.h"

#include "store/store_priv.h"

extern const char hc_store_readme_text[];

static char *page(void)
{
    const char *root = getenv("HC_SOURCE_ROOT");
    char path[1024], *text = calloc(1, 100000);
    FILE *f;
    snprintf(path, sizeof path, "%s/docs/schema.md", root ? root : ".");
    f = fopen(path, "rb");
    assert_non_null(f);
    assert_true(fread(text, 1, 99999, f) > 1000);
    fclose(f);
    return text;
}

// The part of the page under "### <table>", up to the next heading; in `out`.
static void section(const char *text, const char *table, char *out, size_t room)
{
    char heading[80];
    const char *from, *to;
    snprintf(heading, sizeof heading, "\n### %s\n", table);
    from = strstr(text, heading);
    if (!from) {
        fail_msg("docs/schema.md has no section on table %s", table);
        return;
    }
    from += strlen(heading);
    to = strstr(from, "\n##");
    snprintf(out, room, "%.*s", (int)(to ? (size_t)(to - from) : strlen(from)), from);
}

static int count(const char *text, const char *words)
{
    int n = 0;
    for (const char *p = text; (p = strstr(p, words)); p += strlen(words)) {
        n++;
    }
    return n;
}

static void test_page_has_every_column_and_no_other(void **state)
{
    struct hc_err err = {0};
    struct hc_query tables, columns;
    sqlite3 *db;
    char *text = page();
    int n_tables = 0;
    (void)state;
    assert_int_equal(sqlite3_open(":memory:", &db), SQLITE_OK);
    assert_ok(hc_store_migrate(db, hc_store_migrations(), &err), &err);
    hc_query_init(&tables, db,
                  "SELECT name FROM sqlite_schema WHERE type = 'table' "
                  "AND name NOT LIKE 'sqlite_%'");
    while (hc_query_row(&tables)) {
        char table[64], name[64], cell[80], part[20000] = "";
        int n = 0;
        hc_query_take_chars(&tables, table, sizeof table);
        section(text, table, part, sizeof part);
        hc_query_init(&columns, db, "SELECT name FROM pragma_table_info(?)");
        hc_query_text(&columns, table);
        while (hc_query_row(&columns)) {
            hc_query_take_chars(&columns, name, sizeof name);
            snprintf(cell, sizeof cell, "\n| `%s` |", name);
            if (!strstr(part, cell)) {
                fail_msg("docs/schema.md does not explain %s.%s", table, name);
            }
            n++;
        }
        assert_ok(hc_query_end(&columns, "testing", &err), &err);
        if (count(part, "\n| `") != n) {
            fail_msg("docs/schema.md explains a column of %s that is not there", table);
        }
        // And the text for the reader in fifty years names every table.
        snprintf(cell, sizeof cell, "\n  %-10s ", table);
        if (!strstr(hc_store_readme_text, cell)) {
            fail_msg("README.txt does not name table %s", table);
        }
        n_tables++;
    }
    assert_ok(hc_query_end(&tables, "testing", &err), &err);
    assert_int_equal(count(text, "\n### "), n_tables);
    assert_non_null(strstr(text, "disk, schema 1\n"));
    assert_int_equal(HC_STORE_SCHEMA, 1);
    sqlite3_close(db);
    free(text);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_page_has_every_column_and_no_other),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
