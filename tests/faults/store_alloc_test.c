// Memory that ends, at every single allocation of every call: ours through base/mem, and SQLite's
// own. A call then says so (or gets by without), leaks nothing, changes nothing, and the handle
// still works.
#include "hc_test.h"

#include "base/mem.h"
#include "store/store_priv.h"
#include "store/store_test_support.h"

// ---- SQLite's allocations, failing on demand

static sqlite3_mem_methods real_mem;
static long sqlite_left = -1; // allocations until failure; < 0 never
static bool is_lasting;       // every later one fails too
static bool is_thorough;      // HC_FAULT_LOOPS is set

static bool sqlite_refuses(void)
{
    if (sqlite_left < 0 || sqlite_left-- > 0) {
        return false;
    }
    sqlite_left = is_lasting ? 0 : -1;
    return true;
}

static void *failing_malloc(int n)
{
    return sqlite_refuses() ? NULL : real_mem.xMalloc(n);
}

static void *failing_realloc(void *p, int n)
{
    return sqlite_refuses() ? NULL : real_mem.xRealloc(p, n);
}

static void install_sqlite_faults(void)
{
    sqlite3_mem_methods mine;
    assert_int_equal(sqlite3_config(SQLITE_CONFIG_GETMALLOC, &real_mem), SQLITE_OK);
    mine = real_mem;
    mine.xMalloc = failing_malloc;
    mine.xRealloc = failing_realloc;
    assert_int_equal(sqlite3_config(SQLITE_CONFIG_MALLOC, &mine), SQLITE_OK);
    // Without the per-connection pool every small allocation can fail, not only the first.
    assert_int_equal(sqlite3_config(SQLITE_CONFIG_LOOKASIDE, 0, 0), SQLITE_OK);
}

enum source { OURS, SQLITE_ONCE, SQLITE_LASTING, SOURCES };

static void arm(enum source source, long n)
{
    is_lasting = source == SQLITE_LASTING;
    if (source == OURS) {
        hc_mem_fail_at(n);
    } else {
        sqlite_left = n;
    }
}

static void disarm(void)
{
    hc_mem_fail_at(-1);
    sqlite_left = -1;
}

// ---- the calls

struct scene {
    char *folder, source[4200];
    struct hc_store *s; // NULL for calls that open by themselves
    int64_t before, test, zone;
    int count; // makes names unique
};

typedef hc_status (*call_fn)(struct scene *c, struct hc_err *err);

static hc_status call_create(struct scene *c, struct hc_err *err)
{
    char folder[4200];
    struct hc_painting p = store_test_painting();
    hc_status st;
    snprintf(folder, sizeof folder, "%s-new", c->folder);
    st = hc_store_create(folder, &p, err);
    if (st != HC_OK) {
        assert_int_not_equal(access(folder, F_OK), 0); // not half made
    }
    disarm();
    store_test_remove_tree(folder);
    return st;
}

static hc_status open_and_close(struct scene *c, enum hc_store_mode mode, struct hc_err *err)
{
    struct hc_store *s = NULL;
    hc_status st = hc_store_open(&s, c->folder, mode, err);
    assert_int_equal(st == HC_OK, s != NULL);
    hc_store_close(s);
    return st;
}

static hc_status call_open_write(struct scene *c, struct hc_err *err)
{
    return open_and_close(c, HC_STORE_WRITE, err);
}

static hc_status call_open_read(struct scene *c, struct hc_err *err)
{
    return open_and_close(c, HC_STORE_READ, err);
}

static hc_status call_migrate(struct scene *c, struct hc_err *err)
{
    struct hc_migration step[2] = {hc_store_migrations().step[0],
                                   {2, "ALTER TABLE zone ADD COLUMN note TEXT"}};
    struct hc_store *s = NULL;
    hc_status st =
        hc_store_open_with(&s, c->folder, HC_STORE_READ, (struct hc_migrations){step, 2}, err);
    hc_store_close(s);
    return st;
}

static hc_status call_keep(struct scene *c, struct hc_err *err)
{
    char hash[HC_SHA256_HEX];
    return hc_store_keep_original(c->s, c->source, "tif", hash, NULL, err);
}

static hc_status call_add_view(struct scene *c, struct hc_err *err)
{
    struct hc_view v;
    char label[32], hash[HC_SHA256_HEX], state[32];
    int64_t id;
    hc_status st = hc_store_keep_original(c->s, c->source, "tif", hash, NULL, err);
    if (st != HC_OK) {
        return st;
    }
    snprintf(label, sizeof label, "view no %d", c->count);
    snprintf(state, sizeof state, "during-%d", c->count++);
    store_test_fill_view(&v, hash, label, "normal", state);
    return hc_store_add_view(c->s, &v, &id, err);
}

static hc_status call_place_view(struct scene *c, struct hc_err *err)
{
    char good[] = "good";
    struct hc_view v = {.id = c->test, .is_placed = true, .verdict = good};
    v.frame_to_view[0] = v.frame_to_view[4] = v.frame_to_view[8] = 1;
    return hc_store_place_view(c->s, &v, err);
}

static hc_status call_views(struct scene *c, struct hc_err *err)
{
    struct hc_view_list l;
    hc_status st = hc_store_views(c->s, &l, err);
    assert_true(st == HC_OK ? l.n >= 2 : l.n == 0 && !l.v);
    hc_view_list_release(&l);
    return st;
}

static hc_status call_view_by_name(struct scene *c, struct hc_err *err)
{
    struct hc_view v = {0};
    hc_status st = hc_store_view_by_name(c->s, "open", &v, err);
    hc_view_release(&v);
    return st;
}

static hc_status call_view_unknown(struct scene *c, struct hc_err *err)
{
    struct hc_view v = {0};
    hc_status st = hc_store_view_by_name(c->s, "no such view", &v, err);
    return st == HC_ENOTFOUND ? HC_OK : st;
}

static hc_status call_add_window(struct scene *c, struct hc_err *err)
{
    char polygon[] = "[[1,2],[30,2],[30,40]]", surface[] = "bare";
    struct hc_window w = {.polygon = polygon,
                          .surface = surface,
                          .area_px = 500,
                          .before_view = c->before,
                          .test_view = c->test};
    int64_t id;
    return hc_store_add_window(c->s, &w, &id, err);
}

static hc_status call_windows_and_zones(struct scene *c, struct hc_err *err)
{
    struct hc_window_list w = {0};
    struct hc_zone_list z = {0};
    hc_status st = hc_store_windows(c->s, &w, err);
    if (st == HC_OK) {
        st = hc_store_zones(c->s, &z, err);
    }
    hc_window_list_release(&w);
    hc_zone_list_release(&z);
    return st;
}

static hc_status call_add_zone(struct scene *c, struct hc_err *err)
{
    char polygon[] = "[[1,2],[30,2],[30,40]]", kind[] = "loss";
    struct hc_zone z = {.kind = kind, .polygon = polygon};
    return hc_store_add_zone(c->s, &z, &c->zone, err);
}

static hc_status call_remove_zone(struct scene *c, struct hc_err *err)
{
    return hc_store_remove_zone(c->s, c->zone, err); // run_call has made it
}

static hc_status call_results(struct scene *c, struct hc_err *err)
{
    int64_t id;
    char *json = NULL;
    hc_status st = hc_store_put_result(c->s, "forecast", "{\"a\":[1,2,3]}", &id, err);
    if (st == HC_OK) {
        disarm();
        st = hc_store_get_result(c->s, "forecast", &id, &json, err);
        hc_mem_free(json);
    }
    return st;
}

static hc_status call_get_result(struct scene *c, struct hc_err *err)
{
    int64_t id;
    char *json = NULL;
    hc_status st = hc_store_get_result(c->s, "seen", &id, &json, err);
    assert_int_equal(st == HC_OK, json != NULL);
    hc_mem_free(json);
    return st;
}

static hc_status call_derived(struct scene *c, struct hc_err *err)
{
    return hc_store_put_derived(c->s, "a.bin", "raster", "{}", err);
}

static hc_status call_get_derived(struct scene *c, struct hc_err *err)
{
    struct hc_derived d = {0};
    hc_status st = hc_store_get_derived(c->s, "b.bin", &d, err);
    hc_derived_release(&d);
    return st;
}

static hc_status call_painting_and_log(struct scene *c, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_log l = {0};
    hc_status st = hc_store_painting(c->s, &p, err);
    if (st == HC_OK) {
        st = hc_store_log(c->s, &l, err);
    }
    hc_painting_release(&p);
    hc_log_release(&l);
    return st;
}

static hc_status call_verify(struct scene *c, struct hc_err *err)
{
    struct hc_verify found;
    hc_status st = hc_store_verify(c->s, &found, store_test_print, NULL, NULL, err);
    assert_int_equal(found.problems, 0); // memory that ends is no damage
    return st;
}

static const struct {
    const char *name;
    call_fn run;
    bool opens; // by itself
} calls[] = {
    {"create", call_create, true},
    {"open for writing", call_open_write, true},
    {"open for reading", call_open_read, true},
    {"open an older schema", call_migrate, true},
    {"keep original", call_keep, false},
    {"add view", call_add_view, false},
    {"place view", call_place_view, false},
    {"views", call_views, false},
    {"view by name", call_view_by_name, false},
    {"view not there", call_view_unknown, false},
    {"add window", call_add_window, false},
    {"windows and zones", call_windows_and_zones, false},
    {"add zone", call_add_zone, false},
    {"remove zone", call_remove_zone, false},
    {"results", call_results, false},
    {"get result", call_get_result, false},
    {"derived", call_derived, false},
    {"get derived", call_get_derived, false},
    {"painting and log", call_painting_and_log, false},
    {"verify", call_verify, false},
};

static void set_up_scene(struct scene *c)
{
    struct hc_err err = {0};
    char path[4200];
    int64_t id;
    c->folder = store_test_folder();
    snprintf(c->source, sizeof c->source, "%s.photograph", c->folder);
    store_test_write(c->source, "a photograph");
    c->s = store_test_create_open(c->folder);
    c->before = store_test_add_view(c->s, c->folder, "before", "normal", "before");
    c->test = store_test_add_view(c->s, c->folder, "open", "normal", "test");
    assert_ok(hc_store_put_result(c->s, "seen", "{}", &id, &err), &err);
    assert_ok(hc_store_derived_path(c->s, "a.bin", path, sizeof path, &err), &err);
    store_test_write(path, "pixels");
    assert_ok(hc_store_derived_path(c->s, "b.bin", path, sizeof path, &err), &err);
    store_test_write(path, "pixels");
    assert_ok(hc_store_put_derived(c->s, "b.bin", "raster", "{}", &err), &err);
}

// One number for the state of the record.
static int64_t fingerprint(struct scene *c)
{
    struct hc_err err = {0};
    struct hc_store *s = c->s;
    int64_t n = 0;
    if (!s) {
        assert_ok(hc_store_open(&s, c->folder, HC_STORE_READ, &err), &err);
    }
    assert_ok(hc_store_db_get_int(s->db,
                                  "SELECT (SELECT count(*) FROM log) * 1000000 + "
                                  "(SELECT count(*) FROM view) * 100000 + "
                                  "(SELECT count(*) FROM zone) * 100 + "
                                  "(SELECT count(*) FROM result) + (SELECT count(*) FROM window)",
                                  &n, "testing", &err),
              &err);
    if (s != c->s) {
        hc_store_close(s);
    }
    return n;
}

// Fail at the first, second, third ... allocation (of SQLite's thousands, when not thorough, at
// ever wider steps) until the call gets through several times.
static long run_call(struct scene *c, size_t k, enum source source)
{
    int through = 0;
    long n = 0, failures = 0;
    for (; through < 8; n += is_thorough || source == OURS ? 1 : 1 + n / 8) {
        struct hc_err err = {0};
        size_t live = hc_mem_live();
        int64_t state;
        hc_status st;
        if (calls[k].run == call_remove_zone) {
            assert_ok(call_add_zone(c, &err), &err);
        }
        state = fingerprint(c);
        arm(source, n);
        st = calls[k].run(c, &err);
        disarm();
        if (hc_mem_live() != live) {
            fail_msg("%s leaks when allocation %ld of source %d fails", calls[k].name, n, source);
        }
        if (st == HC_OK) {
            through++;
            continue;
        }
        through = 0;
        failures++;
        if (st != HC_ENOMEM || err.what[0] == 0) {
            fail_msg("%s, allocation %ld of source %d: %s: %s", calls[k].name, n, source,
                     hc_status_name(st), err.what);
        }
        if (fingerprint(c) != state) {
            fail_msg("%s changed the record though allocation %ld failed", calls[k].name, n);
        }
    }
    return failures;
}

static void test_every_allocation(void **state)
{
    (void)state;
    for (enum source source = OURS; source < SOURCES; source++) {
        struct hc_err err = {0};
        struct scene c = {0};
        long failures = 0;
        set_up_scene(&c);
        for (size_t k = 0; k < sizeof calls / sizeof calls[0]; k++) {
            if (calls[k].opens && c.s) {
                hc_store_close(c.s);
                c.s = NULL;
            } else if (!calls[k].opens && !c.s) {
                assert_ok(hc_store_open(&c.s, c.folder, HC_STORE_WRITE, &err), &err);
            }
            c.count = 0;
            failures += run_call(&c, k, source);
        }
        hc_store_close(c.s);
        store_test_verify_clean(c.folder);
        store_test_remove(c.folder);
        free(c.folder);
        assert_int_equal(hc_mem_live(), 0);
        print_message("source %d: %ld failures survived\n", source, failures);
        assert_true(failures > 20);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_allocation),
    };
    if (access("/dev/shm", W_OK) == 0) {
        setenv("TMPDIR", "/dev/shm", 0); // thousands of syncs that prove nothing here
    }
    install_sqlite_faults();
    is_thorough = getenv("HC_FAULT_LOOPS") != NULL;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
