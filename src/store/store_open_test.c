// Opening: every way in which a folder is not a dossier one can work with, and older and newer
// schemas.
#include "hc_test.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"
#include "store/store_priv.h"
#include "store/store_test_support.h"

#define NOBODY                                                                                     \
    65534 // Debian's user without rights; the superuser would be stopped by no permission

static int setup(void **state)
{
    *state = store_test_folder();
    return 0;
}

static int teardown(void **state)
{
    store_test_remove(*state);
    free(*state);
    assert_int_equal(hc_mem_live(), 0);
    return 0;
}

static void path_in(char out[4200], const char *folder, const char *name)
{
    snprintf(out, 4200, "%s/%s", folder, name);
}

// Both modes fail with this status, and the sentence holds `words`.
static void assert_refused(const char *folder, hc_status want, const char *words)
{
    struct hc_store *s = NULL;
    for (int mode = 0; mode < 2; mode++) {
        struct hc_err err = {0};
        hc_status st = hc_store_open(&s, folder, mode ? HC_STORE_WRITE : HC_STORE_READ, &err);
        if (st != want || !strstr(err.what, words)) {
            fail_msg("%s for %s: %s: %s (wanted \"%s\")", hc_status_name(st),
                     mode ? "writing" : "reading", folder, err.what, words);
        }
        assert_null(s);
    }
}

static void run_sql(const char *folder, const char *sql)
{
    char path[4200];
    sqlite3 *db;
    path_in(path, folder, HC_STORE_DB);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK) {
        fail_msg("%s: %s", sql, sqlite3_errmsg(db));
    }
    sqlite3_close(db);
}

static void test_not_a_dossier(void **state)
{
    const char *folder = *state;
    char path[4200];
    assert_refused(folder, HC_ENOTFOUND, "there is no folder");
    assert_refused("", HC_EARG, "empty");
    assert_int_equal(mkdir(folder, 0755), 0);
    assert_refused(folder, HC_ENOTFOUND, "is not a dossier");
    path_in(path, folder, "x");
    store_test_write(path, "x");
    assert_refused(path, HC_ENOTFOUND, "is a file");
}

static void test_foreign_databases(void **state)
{
    const char *folder = *state;
    char path[4200], text[3000];
    assert_int_equal(mkdir(folder, 0755), 0);
    path_in(path, folder, HC_STORE_DB);
    memset(text, 'a', sizeof text);
    text[sizeof text - 1] = 0;
    store_test_write(path, text);
    assert_refused(folder, HC_EDATA, "damaged");
    store_test_write(path, "");
    assert_refused(folder, HC_EDATA, "not one of this program");
    run_sql(folder, "CREATE TABLE orders (id INTEGER)");
    assert_refused(folder, HC_EDATA, "not one of this program");
    assert_int_equal(unlink(path), 0);
    assert_int_equal(symlink("/etc/passwd", path), 0);
    assert_refused(folder, HC_EDATA, "not a plain file");
}

static void test_database_missing(void **state)
{
    struct hc_store *s = store_test_create_open(*state);
    char path[4200], hash[HC_SHA256_HEX];
    store_test_keep(s, *state, "x", "tif", hash);
    hc_store_close(s);
    path_in(path, *state, HC_STORE_DB);
    assert_int_equal(unlink(path), 0);
    assert_refused(*state, HC_EDATA, "1 original is there");
}

static void overwrite(const char *folder, long from, long bytes)
{
    char path[4200];
    FILE *f;
    path_in(path, folder, HC_STORE_DB);
    f = fopen(path, "r+b");
    assert_non_null(f);
    fseek(f, from, SEEK_SET);
    for (long i = 0; i < bytes; i++) {
        fputc(0x5a, f);
    }
    fclose(f);
}

static void test_damaged_database(void **state)
{
    struct hc_store *s = store_test_create_open(*state);
    struct hc_err err = {0};
    struct stat sb;
    char path[4200];
    store_test_add_view(s, *state, "one", "normal", "before");
    hc_store_close(s);
    path_in(path, *state, HC_STORE_DB);
    assert_int_equal(stat(path, &sb), 0);
    overwrite(*state, 4096, (long)sb.st_size - 4096); // all pages but the first
    assert_int_equal(hc_store_open(&s, *state, HC_STORE_WRITE, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "originals/ are not touched"));
    assert_int_equal(truncate(path, 4096 * 3), 0);
    assert_int_equal(hc_store_open(&s, *state, HC_STORE_WRITE, &err), HC_EDATA);
    overwrite(*state, 0, 100);
    assert_refused(*state, HC_EDATA, "damaged");
}

static void test_changed_tables(void **state)
{
    store_test_create(*state);
    run_sql(*state, "CREATE TRIGGER t AFTER INSERT ON view BEGIN DELETE FROM zone; END");
    assert_refused(*state, HC_EDATA, "not those of schema");
    run_sql(*state, "DROP TRIGGER t");
    store_test_verify_clean(*state);
    run_sql(*state, "DROP TABLE zone");
    assert_refused(*state, HC_EDATA, "not those of schema");
}

static void test_linked_subfolders(void **state)
{
    char path[4200];
    store_test_create(*state);
    path_in(path, *state, "derived");
    assert_int_equal(rmdir(path), 0);
    assert_int_equal(symlink("/tmp", path), 0);
    assert_refused(*state, HC_EDATA, "not a plain folder");
}

static void test_second_handle(void **state)
{
    struct hc_err err = {0};
    struct hc_store *first = store_test_create_open(*state), *second = NULL;
    assert_int_equal(hc_store_open(&second, *state, HC_STORE_WRITE, &err), HC_ECONFLICT);
    assert_null(second);
    assert_non_null(strstr(err.what, "open for changes already (by process"));
    hc_store_close(first);
    assert_ok(hc_store_open(&second, *state, HC_STORE_WRITE, &err), &err);
    hc_store_close(second);
}

static void test_create_conflicts(void **state)
{
    struct hc_err err = {0};
    struct hc_painting p = store_test_painting();
    char path[4200];
    store_test_create(*state);
    assert_int_equal(hc_store_create(*state, &p, &err), HC_ECONFLICT);
    store_test_verify_clean(*state);
    path_in(path, *state, "sub/dossier");
    assert_int_equal(hc_store_create(path, &p, &err), HC_EIO); // no parent
    path_in(path, *state, HC_STORE_README);
    assert_int_equal(hc_store_create(path, &p, &err), HC_ECONFLICT); // a file
    assert_int_equal(hc_store_create("", &p, &err), HC_EARG);
    path_in(path, *state, "derived");
    p.height_mm = (double)NAN;
    assert_int_equal(hc_store_create(path, &p, &err), HC_ERANGE);
    p.height_mm = -3;
    assert_int_equal(hc_store_create(path, &p, &err), HC_ERANGE);
    p.height_mm = 1;
    p.title = NULL;
    assert_int_equal(hc_store_create(path, &p, &err), HC_EARG);
    assert_int_equal(store_test_count(*state, "derived"), 0); // nothing was begun
}

static void test_create_leaves_other_things_alone(void **state)
{
    struct hc_err err = {0};
    struct hc_painting p = store_test_painting();
    char path[4200];
    assert_int_equal(mkdir(*state, 0755), 0);
    path_in(path, *state, "holiday.jpg");
    store_test_write(path, "x");
    assert_int_equal(hc_store_create(*state, &p, &err), HC_ECONFLICT);
    assert_non_null(strstr(err.what, "holiday.jpg"));
    assert_int_equal(store_test_count(*state, "."), 1);
    assert_int_equal(unlink(path), 0);
    assert_ok(hc_store_create(*state, &p, &err), &err); // an empty folder is fine
    store_test_verify_clean(*state);
}

static void test_create_takes_over_interrupted_creation(void **state)
{
    char path[4200];
    assert_int_equal(mkdir(*state, 0755), 0);
    path_in(path, *state, "originals");
    assert_int_equal(mkdir(path, 0755), 0);
    path_in(path, *state, HC_STORE_DB HC_STORE_PART);
    store_test_write(path, "half a database");
    path_in(path, *state, HC_STORE_DB HC_STORE_PART "-journal");
    store_test_write(path, "half a journal");
    path_in(path, *state, HC_STORE_LOCK);
    store_test_write(path, "");
    assert_refused(*state, HC_ENOTFOUND, "is not a dossier");
    store_test_create(*state);
    store_test_verify_clean(*state);
}

static void test_writer_tidies(void **state)
{
    struct hc_store *s = NULL;
    struct hc_err err = {0};
    struct hc_verify found;
    char path[4200];
    static const char *const left[] = {"originals/new-abcdef.part", "derived/x.tif.part",
                                       "new-123456.part"};
    store_test_create(*state);
    for (int i = 0; i < 3; i++) {
        path_in(path, *state, left[i]);
        store_test_write(path, "half");
    }
    path_in(path, *state, HC_STORE_README);
    assert_int_equal(unlink(path), 0);
    found = store_test_verify(*state, store_test_print, NULL);
    assert_int_equal(found.problems, 0);
    assert_int_equal(found.notes, 4);
    assert_ok(hc_store_open(&s, *state, HC_STORE_WRITE, &err), &err);
    hc_store_close(s);
    found = store_test_verify(*state, store_test_print, NULL);
    assert_int_equal(found.notes, 0);
    assert_true(store_test_file_has(*state, HC_STORE_README, "WHAT THIS FOLDER IS"));
    path_in(path, *state, "derived"); // safe to delete, so it comes back
    assert_int_equal(rmdir(path), 0);
    store_test_verify_clean(*state);
    assert_ok(hc_store_open(&s, *state, HC_STORE_WRITE, &err), &err);
    hc_store_close(s);
    assert_int_equal(store_test_count(*state, "derived"), 0);
}

// ---- read-only folders

static void protect(const char *folder, mode_t folder_mode, mode_t file_mode)
{
    static const char *const name[] = {HC_STORE_DB, HC_STORE_DB "-wal", HC_STORE_DB "-shm",
                                       HC_STORE_LOCK, HC_STORE_README};
    char path[4200];
    for (size_t i = 0; i < sizeof name / sizeof name[0]; i++) {
        path_in(path, folder, name[i]);
        chmod(path, file_mode);
    }
    path_in(path, folder, "originals");
    chmod(path, folder_mode);
    path_in(path, folder, "derived");
    chmod(path, folder_mode);
    assert_int_equal(chmod(folder, folder_mode), 0);
}

static void become(uid_t user)
{
    if (getuid() == 0) {
        assert_int_equal(seteuid(user), 0);
    }
}

static void test_read_only_folder(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_view v;
    struct hc_verify found;
    store_test_add_view(s, *state, "one", "normal", "before");
    hc_store_close(s);
    protect(*state, 0555, 0444);
    become(NOBODY);
    assert_int_equal(hc_store_open(&s, *state, HC_STORE_WRITE, &err), HC_EIO);
    assert_non_null(strstr(err.what, "read-only"));
    assert_ok(hc_store_open(&s, *state, HC_STORE_READ, &err), &err);
    assert_ok(hc_store_view_by_name(s, "one", &v, &err), &err);
    hc_view_release(&v);
    assert_ok(hc_store_verify(s, &found, NULL, NULL, NULL, &err), &err);
    assert_int_equal(found.problems, 0);
    assert_int_equal(found.originals, 1);
    hc_store_close(s);
    become(0);
    protect(*state, 0755, 0644);
}

// A reader that is the last to close leaves an empty write-ahead log and its index: no obstacle.
static void test_read_only_after_reading(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state);
    struct hc_view v;
    store_test_add_view(s, *state, "one", "normal", "before");
    hc_store_close(s);
    assert_ok(hc_store_open(&s, *state, HC_STORE_READ, &err), &err);
    hc_store_close(s);
    protect(*state, 0555, 0444);
    become(NOBODY);
    assert_ok(hc_store_open(&s, *state, HC_STORE_READ, &err), &err);
    assert_ok(hc_store_view_by_name(s, "one", &v, &err), &err);
    hc_view_release(&v);
    hc_store_close(s);
    become(0);
    protect(*state, 0755, 0644);
}

// A folder that was copied while in use, onto a medium that cannot be written: the newest entries
// are in the write-ahead log, and showing the record without them would be showing a wrong record.
static void test_read_only_copy_of_open_dossier(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(*state), *r = NULL;
    char copy[4200], command[16000];
    store_test_add_view(s, *state, "one", "normal", "before");
    snprintf(copy, sizeof copy, "%s-copy", (char *)*state);
    snprintf(command, sizeof command, "cp -r '%s' '%s' && rm '%s/halfclean.db-shm'", (char *)*state,
             copy, copy);
    assert_int_equal(system(command), 0);
    protect(copy, 0555, 0444);
    become(NOBODY);
    assert_int_equal(hc_store_open(&r, copy, HC_STORE_READ, &err), HC_EIO);
    assert_non_null(strstr(err.what, "not closed properly"));
    become(0);
    protect(copy, 0755, 0644);
    store_test_verify_clean(copy); // with room to write, nothing is lost
    hc_store_close(s);
}

// ---- schemas

static void test_newer_schema(void **state)
{
    store_test_create(*state);
    run_sql(*state,
            "PRAGMA user_version = 7; UPDATE about SET value = '9.1' WHERE key = 'program'");
    assert_refused(*state, HC_EUNSUPPORTED, "newer Halfclean (version 9.1, schema 7)");
    run_sql(*state, "DROP TABLE about");
    assert_refused(*state, HC_EUNSUPPORTED, "version not known");
}

static struct hc_migrations with_next(struct hc_migration step[3], const char *second,
                                      const char *third)
{
    step[0] = hc_store_migrations().step[0];
    step[1] = (struct hc_migration){2, second};
    step[2] = (struct hc_migration){3, third};
    return (struct hc_migrations){step, third ? 3 : 2};
}

static const char add_column[] = "ALTER TABLE painting ADD COLUMN glazing TEXT;"
                                 "UPDATE painting SET glazing = 'none';";

static int64_t get_int(sqlite3 *db, const char *sql)
{
    struct hc_err err = {0};
    int64_t v = -1;
    assert_ok(hc_store_db_get_int(db, sql, &v, "testing", &err), &err);
    return v;
}

static void test_migration(void **state)
{
    struct hc_err err = {0};
    struct hc_migration step[3];
    struct hc_migrations two = with_next(step, add_column, NULL);
    struct hc_store *s = store_test_create_open(*state);
    struct hc_painting p;
    char path[4200];
    sqlite3 *old;
    store_test_add_view(s, *state, "one", "normal", "before");
    hc_store_close(s);

    // A reader may not change the file, so it looks at a migrated copy.
    assert_ok(hc_store_open_with(&s, *state, HC_STORE_READ, two, &err), &err);
    assert_int_equal(get_int(s->db, "SELECT glazing = 'none' FROM painting"), 1);
    hc_store_close(s);
    path_in(path, *state, "halfclean-schema1.db");
    assert_int_not_equal(access(path, F_OK), 0);
    store_test_verify_clean(*state); // still schema 1

    assert_ok(hc_store_open_with(&s, *state, HC_STORE_WRITE, two, &err), &err);
    assert_ok(hc_store_painting(s, &p, &err), &err);
    assert_int_equal(p.frame_w, 300);
    hc_painting_release(&p);
    assert_int_equal(get_int(s->db, "PRAGMA user_version"), 2);
    assert_int_equal(get_int(s->db, "SELECT count(*) FROM view"), 1);
    assert_int_equal(get_int(s->db, "PRAGMA foreign_keys"), 1);
    hc_store_close(s);
    assert_refused(*state, HC_EUNSUPPORTED, "schema 2"); // by the program that knows only 1

    // The copy kept is the whole older database.
    assert_int_equal(sqlite3_open(path, &old), SQLITE_OK);
    assert_int_equal(get_int(old, "PRAGMA user_version"), 1);
    assert_int_equal(get_int(old, "SELECT count(*) FROM view"), 1);
    sqlite3_close(old);
    assert_ok(hc_store_open_with(&s, *state, HC_STORE_WRITE, two, &err), &err); // not again
    hc_store_close(s);
}

static void test_migration_that_fails(void **state)
{
    static const char broken[] = "CREATE TABLE half (x INTEGER) STRICT; UPDATE nothing SET x = 1;";
    static const char orphans[] = "DELETE FROM original;";
    struct hc_err err = {0};
    struct hc_migration step[3];
    struct hc_store *s = store_test_create_open(*state);
    store_test_add_view(s, *state, "one", "normal", "before");
    hc_store_close(s);
    assert_int_equal(
        hc_store_open_with(&s, *state, HC_STORE_WRITE, with_next(step, broken, NULL), &err),
        HC_EDATA);
    store_test_verify_clean(*state); // as if nothing had been tried
    assert_int_equal(
        hc_store_open_with(&s, *state, HC_STORE_WRITE, with_next(step, orphans, NULL), &err),
        HC_EDATA);
    assert_non_null(strstr(err.what, "break references"));
    store_test_verify_clean(*state);
    // The second step is kept when the third fails, and the next attempt goes on from there.
    assert_int_equal(
        hc_store_open_with(&s, *state, HC_STORE_WRITE, with_next(step, add_column, broken), &err),
        HC_EDATA);
    assert_ok(
        hc_store_open_with(&s, *state, HC_STORE_WRITE, with_next(step, add_column, NULL), &err),
        &err);
    assert_int_equal(get_int(s->db, "PRAGMA user_version"), 2);
    hc_store_close(s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_not_a_dossier, setup, teardown),
        cmocka_unit_test_setup_teardown(test_foreign_databases, setup, teardown),
        cmocka_unit_test_setup_teardown(test_database_missing, setup, teardown),
        cmocka_unit_test_setup_teardown(test_damaged_database, setup, teardown),
        cmocka_unit_test_setup_teardown(test_changed_tables, setup, teardown),
        cmocka_unit_test_setup_teardown(test_linked_subfolders, setup, teardown),
        cmocka_unit_test_setup_teardown(test_second_handle, setup, teardown),
        cmocka_unit_test_setup_teardown(test_create_conflicts, setup, teardown),
        cmocka_unit_test_setup_teardown(test_create_leaves_other_things_alone, setup, teardown),
        cmocka_unit_test_setup_teardown(test_create_takes_over_interrupted_creation, setup,
                                        teardown),
        cmocka_unit_test_setup_teardown(test_writer_tidies, setup, teardown),
        cmocka_unit_test_setup_teardown(test_read_only_folder, setup, teardown),
        cmocka_unit_test_setup_teardown(test_read_only_after_reading, setup, teardown),
        cmocka_unit_test_setup_teardown(test_read_only_copy_of_open_dossier, setup, teardown),
        cmocka_unit_test_setup_teardown(test_newer_schema, setup, teardown),
        cmocka_unit_test_setup_teardown(test_migration, setup, teardown),
        cmocka_unit_test_setup_teardown(test_migration_that_fails, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
