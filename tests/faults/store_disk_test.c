// A disk that fails: the power goes at any instant, and writes are refused.
//
// Killing a process does not lose what the operating system holds in memory; a power cut does. So
// what SQLite writes and syncs is filmed, and the disk is rebuilt as it would be after a cut at
// every step, with unsynced sectors there or not as chance has it. Then: the dossier opens, verify
// is clean, and all that was acknowledged before the cut is there.
#include "hc_test.h"

#include "base/mem.h"
#include "fault_vfs.h"
#include "store/store_priv.h"
#include "store/store_test_support.h"

#define CHANGES 40

static void copy_folder(const char *from, const char *to)
{
    char command[16000];
    snprintf(command, sizeof command, "rm -rf '%s' && cp -r '%s' '%s'", to, from, to);
    assert_int_equal(system(command), 0);
}

static hc_status change(struct hc_store *s, int i, struct hc_err *err)
{
    char polygon[] = "[[1,2],[30,2],[30,40]]", kind[] = "loss", label[32], json[12000];
    struct hc_zone z = {.kind = kind, .label = label, .polygon = polygon};
    int64_t id;
    snprintf(label, sizeof label, "change %d", i);
    if (i % 3) {
        return hc_store_add_zone(s, &z, &id, err);
    }
    memset(json, ' ', sizeof json); // over several pages
    snprintf(json + sizeof json - 64, 64, "{\"label\":\"%s\"}", label);
    return hc_store_put_result(s, label, json, &id, err);
}

static bool is_changed(struct hc_store *s, int i)
{
    struct hc_err err = {0};
    char sql[200];
    int64_t n = 0;
    snprintf(sql, sizeof sql,
             "SELECT (SELECT count(*) FROM zone WHERE label = 'change %d') + "
             "(SELECT count(*) FROM result WHERE kind = 'change %d')",
             i, i);
    assert_ok(hc_store_db_get_int(s->db, sql, &n, "testing", &err), &err);
    assert_true(n == 0 || n == 1);
    return n == 1;
}

// Every change before `certain` is there, and no later one without those before it.
static void judge(const char *folder, int certain, size_t step)
{
    struct hc_err err = {0};
    struct hc_verify found;
    struct hc_store *s = NULL;
    hc_status st = hc_store_open(&s, folder, HC_STORE_WRITE, &err);
    bool is_over = false;
    if (st != HC_OK) {
        fail_msg("cut at step %zu: %s: %s", step, hc_status_name(st), err.what);
    }
    for (int i = 0; i < CHANGES; i++) {
        bool is_there = is_changed(s, i);
        if ((i < certain && !is_there) || (is_over && is_there)) {
            fail_msg("cut at step %zu: change %d of %d acknowledged is %s", step, i, certain,
                     is_there ? "there without those before" : "lost");
        }
        is_over = is_over || !is_there;
    }
    assert_ok(hc_store_verify(s, &found, store_test_print, NULL, NULL, &err), &err);
    assert_int_equal(found.problems, 0);
    hc_store_close(s);
}

static void test_power_cut_at_every_step(void **state)
{
    const char *text = getenv("HC_FAULT_LOOPS");
    int rounds = text ? 1 + (int)atol(text) / 200 : 1;
    struct hc_err err = {0};
    struct hc_rng r = hc_rng_make(77);
    struct hc_store *s = NULL;
    char *folder = store_test_folder(), before[4200], after[4200];
    size_t acknowledged[CHANGES], steps; // film length when change i returned
    int certain = 0;
    (void)state;
    snprintf(before, sizeof before, "%s-before", folder);
    snprintf(after, sizeof after, "%s-after", folder);
    s = store_test_create_open(folder);
    store_test_add_view(s, folder, "one", "normal", "before");
    hc_store_close(s);
    s = NULL;
    copy_folder(folder, before);
    fault_vfs_film_start();
    for (int i = 0; i < CHANGES; i++) {
        if (i % 8 == 0) { // closing writes the log back into the database: cut there too
            hc_store_close(s);
            assert_ok(hc_store_open(&s, folder, HC_STORE_WRITE, &err), &err);
        }
        assert_ok(change(s, i, &err), &err);
        acknowledged[i] = fault_vfs_film_length();
    }
    hc_store_close(s);
    fault_vfs_film_stop();
    steps = fault_vfs_film_length();
    for (size_t k = 0; k <= steps; k++) {
        while (certain < CHANGES && acknowledged[certain] <= k) {
            certain++;
        }
        for (int round = 0; round < rounds; round++) {
            copy_folder(before, after);
            fault_vfs_film_play(after, k, &r);
            judge(after, certain, k);
        }
    }
    assert_int_equal(certain, CHANGES);
    print_message("%zu steps on the disk, %d cuts at each\n", steps, rounds);
    assert_true(steps > 3 * CHANGES);
    fault_vfs_film_clear();
    store_test_remove(folder);
    free(folder);
    assert_int_equal(hc_mem_live(), 0);
}

// The n-th write, sync ... is refused. The call says so, or gets by; what was acknowledged stays.
static long run_refusals(int code, bool is_lasting)
{
    char *folder = store_test_folder();
    long n = 0, refused = 0;
    bool is_through = false;
    store_test_create(folder);
    for (; !is_through; n++) {
        struct hc_err err = {0};
        struct hc_store *s = NULL;
        bool is_saved[3] = {false};
        hc_status st;
        size_t live = hc_mem_live();
        fault_vfs_fail_at(n, code, is_lasting);
        st = hc_store_open(&s, folder, HC_STORE_WRITE, &err);
        for (int i = 0; i < 3 && s; i++) {
            st = change(s, i, &err);
            is_saved[i] = st == HC_OK;
            if (st != HC_OK && st != HC_EIO) {
                fail_msg("refusal %ld of %d: %s: %s", n, code, hc_status_name(st), err.what);
            }
        }
        if (!s && st != HC_EIO) {
            fail_msg("opening, refusal %ld of %d: %s: %s", n, code, hc_status_name(st), err.what);
        }
        hc_store_close(s);
        is_through = !fault_vfs_has_failed();
        refused += st != HC_OK;
        fault_vfs_fail_at(-1, 0, false);
        assert_int_equal(hc_mem_live(), live);
        assert_ok(hc_store_open(&s, folder, HC_STORE_WRITE, &err), &err);
        for (int i = 0; i < 3; i++) {
            if (is_saved[i] && !is_changed(s, i)) {
                fail_msg("change %d was acknowledged and is lost (refusal %ld)", i, n);
            }
        }
        hc_store_close(s);
        store_test_verify_clean(folder);
        store_test_remove_tree(folder);
        store_test_create(folder);
        assert_true(n < 10000);
    }
    store_test_remove(folder);
    free(folder);
    return refused;
}

static void test_refused_writes(void **state)
{
    static const int code[] = {SQLITE_IOERR_WRITE, SQLITE_FULL, SQLITE_IOERR_FSYNC};
    long refused = 0;
    (void)state;
    for (size_t i = 0; i < sizeof code / sizeof code[0]; i++) {
        refused += run_refusals(code[i], false);
        refused += run_refusals(code[i], true);
    }
    print_message("%ld refusals reported\n", refused);
    assert_true(refused > 20);
    assert_int_equal(hc_mem_live(), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_power_cut_at_every_step),
        cmocka_unit_test(test_refused_writes),
    };
    if (access("/dev/shm", W_OK) == 0) {
        setenv("TMPDIR", "/dev/shm", 0); // thousands of syncs that prove nothing here
    }
    fault_vfs_install();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
