// verify: every kind of damage is found and named, and nothing harmless is called a problem.
#include "hc_test.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/buf.h"
#include "base/mem.h"
#include "store/store_priv.h"
#include "store/store_test_support.h"

struct dossier {
    char *folder;
    char hash[HC_SHA256_HEX]; // of the frame
    int64_t frame, test, window;
};

static int setup(void **state)
{
    struct hc_err err = {0};
    struct dossier *d = calloc(1, sizeof *d);
    char polygon[] = "[[1,2],[30,2],[30,40]]", surface[] = "bare", path[4200];
    struct hc_window w = {.polygon = polygon, .surface = surface, .area_px = 500};
    struct hc_view v;
    struct hc_store *s;
    d->folder = store_test_folder();
    s = store_test_create_open(d->folder);
    d->frame = store_test_add_view(s, d->folder, "before", "normal", "before");
    d->test = store_test_add_view(s, d->folder, "open", "normal", "test");
    assert_ok(hc_store_view_by_id(s, d->frame, &v, &err), &err);
    memcpy(d->hash, v.sha256, sizeof d->hash);
    hc_view_release(&v);
    w.before_view = d->frame;
    w.test_view = d->test;
    assert_ok(hc_store_add_window(s, &w, &d->window, &err), &err);
    assert_ok(hc_store_derived_path(s, "a.tif", path, sizeof path, &err), &err);
    store_test_write(path, "pixels");
    assert_ok(hc_store_put_derived(s, "a.tif", "raster", "{}", &err), &err);
    hc_store_close(s);
    *state = d;
    return 0;
}

static int teardown(void **state)
{
    struct dossier *d = *state;
    store_test_remove(d->folder);
    free(d->folder);
    free(d);
    assert_int_equal(hc_mem_live(), 0);
    return 0;
}

static void collect(void *ctx, bool is_problem, const char *sentence)
{
    hc_buf_printf(ctx, "%s %s\n", is_problem ? "PROBLEM" : "note", sentence);
}

static void assert_found(const struct dossier *d, int problems, int notes, const char *words)
{
    struct hc_buf said = {0};
    struct hc_verify found = store_test_verify(d->folder, collect, &said);
    if (found.problems != problems || found.notes != notes || !strstr(hc_buf_text(&said), words)) {
        fail_msg("%d problems, %d notes (wanted %d, %d, \"%s\"):\n%s", found.problems, found.notes,
                 problems, notes, words, hc_buf_text(&said));
    }
    hc_buf_release(&said);
}

static void original(const struct dossier *d, char path[4200])
{
    snprintf(path, 4200, "%s/originals/%s.tif", d->folder, d->hash);
}

static void run_sql(const struct dossier *d, const char *sql)
{
    char path[4200];
    sqlite3 *db;
    snprintf(path, sizeof path, "%s/" HC_STORE_DB, d->folder);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    // What these tests put in is what the schema keeps out.
    sqlite3_exec(db, "PRAGMA ignore_check_constraints = ON; PRAGMA foreign_keys = OFF", NULL, NULL,
                 NULL);
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK) {
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    }
    sqlite3_close(db);
}

static void test_clean_counts(void **state)
{
    struct dossier *d = *state;
    struct hc_verify found = store_test_verify(d->folder, store_test_print, NULL);
    assert_int_equal(found.originals, 2);
    assert_int_equal(found.derived, 1);
    assert_int_equal(found.views, 2);
    assert_int_equal(found.problems, 0);
    assert_int_equal(found.notes, 0);
}

static void test_original_changed(void **state)
{
    struct dossier *d = *state;
    char path[4200];
    original(d, path);
    assert_int_equal(chmod(path, 0644), 0);
    store_test_write(path, "befor3"); // same length, one letter
    assert_found(d, 1, 0, "has changed");
    assert_found(d, 1, 0, d->hash);
}

static void test_original_missing_or_replaced_by_link(void **state)
{
    struct dossier *d = *state;
    char path[4200];
    original(d, path);
    assert_int_equal(unlink(path), 0);
    assert_found(d, 1, 0, "is missing");
    assert_int_equal(symlink("/etc/hostname", path), 0);
    assert_found(d, 1, 0, "not a plain file");
}

static void test_adding_again_heals(void **state)
{
    struct dossier *d = *state;
    struct hc_err err = {0};
    struct hc_store *s;
    char path[4200], hash[HC_SHA256_HEX];
    original(d, path);
    chmod(path, 0644);
    store_test_write(path, "broken");
    assert_found(d, 1, 0, "has changed");
    assert_ok(hc_store_open(&s, d->folder, HC_STORE_WRITE, &err), &err);
    store_test_keep(s, d->folder, "before", "tif", hash);
    hc_store_close(s);
    assert_found(d, 0, 0, "");
}

static void test_strays(void **state)
{
    struct dossier *d = *state;
    struct hc_err err = {0};
    struct hc_store *s;
    char path[4200], hash[HC_SHA256_HEX];
    assert_ok(hc_store_open(&s, d->folder, HC_STORE_WRITE, &err), &err);
    store_test_keep(s, d->folder, "kept, but no view was made of it", "tif", hash);
    hc_store_close(s);
    assert_found(d, 0, 1, "belongs to no view");
    snprintf(path, sizeof path, "%s/originals/holiday.jpg", d->folder);
    store_test_write(path, "x");
    assert_found(d, 1, 1, "holiday.jpg does not belong");
    unlink(path);
    snprintf(path, sizeof path, "%s/originals/%s.png", d->folder, d->hash); // not its content
    store_test_write(path, "x");
    assert_found(d, 1, 1, "does not belong");
}

static void test_derived(void **state)
{
    struct dossier *d = *state;
    char path[4200];
    struct timespec times[2];
    struct stat sb;
    snprintf(path, sizeof path, "%s/derived/a.tif", d->folder);
    assert_int_equal(stat(path, &sb), 0);
    store_test_write(path, "pixelz");
    assert_found(d, 0, 1, "derived/a.tif is not the file that was recorded");
    times[0] = times[1] = sb.st_mtim; // as when the disk loses a bit
    assert_int_equal(utimensat(AT_FDCWD, path, times, 0), 0);
    assert_found(d, 1, 0, "derived/a.tif has changed");
    unlink(path);
    assert_found(d, 0, 0, "");
    snprintf(path, sizeof path, "%s/derived/unknown.bin", d->folder);
    store_test_write(path, "x");
    assert_found(d, 0, 0, "");
    snprintf(path, sizeof path, "%s/derived/b.tif.part", d->folder);
    store_test_write(path, "x");
    assert_found(d, 0, 1, "b.tif.part is the leftover");
}

static void test_rows(void **state)
{
    static const struct {
        const char *damage, *words;
        int problems;
    } cases[] = {
        {"UPDATE painting SET frame_w = 299", "recorded as 299 x 400 px", 1},
        {"UPDATE painting SET frame_view = 99", "names view 99", 3}, // frame, row, reference
        {"UPDATE view SET verdict = 'good' WHERE id = 1", "do not agree", 1},
        {"UPDATE view SET m0 = 0 WHERE id = 1", "cannot be inverted", 1},
        {"UPDATE view SET technique = 'sonar' WHERE id = 2", "technique \"sonar\"", 1},
        {"UPDATE view SET verdict = 'maybe' WHERE id = 2", "maybe", 2}, // and the schema's own rule
        {"UPDATE window SET polygon = '[[1,2]]'", "The outline of window 1", 1},
        {"UPDATE window SET test_view = 44", "Row 1 of table window refers", 1},
        {"INSERT INTO zone (kind, label, polygon, added_at) VALUES ('loss', 'x', '[]', 'now')",
         "The outline of zone 1", 1},
        {"UPDATE derived SET inputs = '{'", "The inputs of derived file 1", 1},
        {"UPDATE view SET fit_json = '[1,' WHERE id = 2", "not a JSON text", 1},
        {"INSERT INTO result (kind, json, program, added_at) VALUES ('k', '{]', '1', 'now')",
         "Result 1", 1},
        {"DROP TRIGGER log_stays_on_delete; DELETE FROM log WHERE id = 2; "
         "CREATE TRIGGER log_stays_on_delete BEFORE DELETE ON log\nBEGIN\n    SELECT RAISE(ABORT, "
         "'the log is never altered');\nEND",
         "1 line is missing from the log", 1},
        {"INSERT INTO original VALUES ('../../../etc/passwd', 'tif', 1, 'now')",
         "cannot be a file name", 2}, // and the schema's own rule
        {"INSERT INTO derived VALUES ('../a', 'k', '{}', 'x', 1, 0, 0, 'now')",
         "cannot be a file name", 2},
    };
    struct dossier *d = *state;
    char command[16000], keep[4200];
    snprintf(keep, sizeof keep, "%s-keep", d->folder);
    snprintf(command, sizeof command, "cp -a '%s' '%s'", d->folder, keep);
    assert_int_equal(system(command), 0);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        run_sql(d, cases[i].damage);
        assert_found(d, cases[i].problems, 0, cases[i].words);
        snprintf(command, sizeof command, "rm -rf '%s' && cp -a '%s' '%s'", d->folder, keep,
                 d->folder);
        assert_int_equal(system(command), 0);
    }
    assert_found(d, 0, 0, "");
}

static void test_log_cannot_be_altered(void **state)
{
    struct dossier *d = *state;
    struct hc_err err = {0};
    struct hc_store *s;
    assert_ok(hc_store_open(&s, d->folder, HC_STORE_WRITE, &err), &err);
    assert_int_equal(hc_store_db_exec(s->db, "DELETE FROM log", "testing", &err), HC_ECONFLICT);
    assert_non_null(strstr(err.what, "never altered"));
    assert_int_equal(hc_store_db_exec(s->db, "UPDATE log SET what = 'x'", "testing", &err),
                     HC_ECONFLICT);
    hc_store_close(s);
    assert_found(d, 0, 0, "");
}

struct watch {
    double last;
    int calls;
};

static void watch_progress(void *ctx, double fraction, const char *what)
{
    struct watch *w = ctx;
    assert_non_null(what);
    assert_true(fraction >= w->last - 1e-12 && fraction <= 1);
    w->last = fraction;
    w->calls++;
}

static void test_progress_and_cancel(void **state)
{
    struct dossier *d = *state;
    struct hc_err err = {0};
    struct hc_verify found;
    struct hc_store *s;
    struct watch w = {0};
    struct hc_job job = {.progress = watch_progress, .ctx = &w};
    assert_ok(hc_store_open(&s, d->folder, HC_STORE_READ, &err), &err);
    assert_ok(hc_store_verify(s, &found, NULL, NULL, &job, &err), &err);
    assert_true(w.calls >= 6);
    assert_true(w.last > 0.5);
    job.cancel = true;
    assert_int_equal(hc_store_verify(s, &found, NULL, NULL, &job, &err), HC_ECANCEL);
    hc_store_close(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_clean_counts, setup, teardown),
        cmocka_unit_test_setup_teardown(test_original_changed, setup, teardown),
        cmocka_unit_test_setup_teardown(test_original_missing_or_replaced_by_link, setup, teardown),
        cmocka_unit_test_setup_teardown(test_adding_again_heals, setup, teardown),
        cmocka_unit_test_setup_teardown(test_strays, setup, teardown),
        cmocka_unit_test_setup_teardown(test_derived, setup, teardown),
        cmocka_unit_test_setup_teardown(test_rows, setup, teardown),
        cmocka_unit_test_setup_teardown(test_log_cannot_be_altered, setup, teardown),
        cmocka_unit_test_setup_teardown(test_progress_and_cancel, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
