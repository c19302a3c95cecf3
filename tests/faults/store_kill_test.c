// A process that works on a dossier is killed at random instants. Whatever it had been told was
// saved must be there afterwards, the dossier must open, and verify must be clean.
//
// HC_FAULT_LOOPS sets the number of kills (40 when not set; the bar of the project is 1000), and
// HC_FAULT_SEED the random sequence.
#include "hc_test.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/wait.h>
#include <time.h>

#include "base/mem.h"
#include "base/rng.h"
#include "store/store_priv.h"
#include "store/store_test_support.h"

#define LOOPS_PER_DOSSIER 20
#define PIPE_BYTES (1 << 20)

static long loops = 40;
static uint64_t seed = 20250101;

// ---- the process that is killed: says "<letter> <id> <content>\n" after each call that returned

static void say(int fd, char what, int64_t id, uint64_t content)
{
    char line[80];
    int n = snprintf(line, sizeof line, "%c %lld %016llx\n", what, (long long)id,
                     (unsigned long long)content);
    if (write(fd, line, (size_t)n) != n) {
        _exit(3);
    }
}

static void must(hc_status st, const struct hc_err *err)
{
    if (st != HC_OK) {
        fprintf(stderr, "worker: %s\n", err->what);
        _exit(2);
    }
}

// A file of a few hundred kilobytes that depends on `content` alone.
static void write_content(const char *path, uint64_t content)
{
    struct hc_rng r = hc_rng_make(content);
    size_t n = 1000 + hc_rng_u64(&r) % 30000;
    FILE *f = fopen(path, "wb");
    for (size_t i = 0; f && i < n; i++) {
        uint64_t v = hc_rng_u64(&r);
        fwrite(&v, sizeof v, 1, f);
    }
    if (!f || fclose(f) != 0) {
        _exit(4);
    }
}

static int64_t work_view(struct hc_store *s, const char *folder, uint64_t content, int fd)
{
    struct hc_err err = {0};
    struct hc_view v;
    char path[4200], label[32], hash[HC_SHA256_HEX], good[] = "good";
    int64_t id = 0;
    snprintf(path, sizeof path, "%s.source", folder);
    snprintf(label, sizeof label, "v%016llx", (unsigned long long)content);
    write_content(path, content);
    must(hc_store_keep_original(s, path, "tif", hash, NULL, &err), &err);
    store_test_fill_view(&v, hash, label, content % 2 ? "normal" : "uv", "before");
    must(hc_store_add_view(s, &v, &id, &err), &err);
    say(fd, 'v', id, content);
    if (content % 2 == 0) {
        v.id = id;
        v.is_placed = true;
        v.verdict = good;
        v.frame_to_view[0] = v.frame_to_view[4] = v.frame_to_view[8] = 1;
        v.held_out_median_px = (double)(content % 1000);
        must(hc_store_place_view(s, &v, &err), &err);
        say(fd, 'p', id, content);
    }
    return id;
}

static void work_derived(struct hc_store *s, uint64_t content, int fd)
{
    struct hc_err err = {0};
    char name[32], path[4200], part[4210];
    snprintf(name, sizeof name, "d%llu.bin", (unsigned long long)(content % 7)); // replaces some
    must(hc_store_derived_path(s, name, path, sizeof path, &err), &err);
    snprintf(part, sizeof part, "%s.part", path);
    write_content(part, content);
    if (rename(part, path) != 0) {
        _exit(5);
    }
    must(hc_store_put_derived(s, name, "test", "{}", &err), &err);
    say(fd, 'd', 0, content);
}

static void work_window(struct hc_store *s, const int64_t view[2], uint64_t content, int fd)
{
    struct hc_err err = {0};
    char polygon[80], surface[] = "bare", kind[] = "loss", label[32];
    struct hc_window w = {.polygon = polygon,
                          .before_view = view[0],
                          .test_view = view[1],
                          .surface = surface,
                          .label = label};
    struct hc_zone z = {.kind = kind, .label = label, .polygon = polygon};
    int64_t id = 0;
    snprintf(polygon, sizeof polygon, "[[0,0],[%llu,0],[0,9]]",
             (unsigned long long)(content % 100000));
    snprintf(label, sizeof label, "w%016llx", (unsigned long long)content);
    must(hc_store_add_window(s, &w, &id, &err), &err);
    say(fd, 'w', id, content);
    if (content % 3 == 0) {
        must(hc_store_remove_window(s, id, &err), &err);
        say(fd, 'r', id, content);
    }
    must(hc_store_add_zone(s, &z, &id, &err), &err);
    say(fd, 'z', id, content);
}

static void work_result(struct hc_store *s, uint64_t content, int fd)
{
    struct hc_err err = {0};
    char kind[32], json[64];
    int64_t id = 0;
    snprintf(kind, sizeof kind, "k%016llx", (unsigned long long)content);
    snprintf(json, sizeof json, "{\"n\":%llu}", (unsigned long long)content);
    must(hc_store_put_result(s, kind, json, &id, &err), &err);
    say(fd, 'j', id, content);
}

static void work(const char *folder, uint64_t start, int fd)
{
    struct hc_err err = {0};
    struct hc_rng r = hc_rng_make(start);
    struct hc_store *s = NULL;
    must(hc_store_open(&s, folder, HC_STORE_WRITE, &err), &err);
    for (;;) {
        int64_t view[2];
        for (int i = 0; i < 2; i++) {
            view[i] = work_view(s, folder, hc_rng_u64(&r), fd);
            work_result(s, hc_rng_u64(&r), fd);
        }
        work_derived(s, hc_rng_u64(&r), fd);
        work_window(s, view, hc_rng_u64(&r), fd);
        if (hc_rng_below(&r, 4) == 0) { // closing folds the log into the database: kill that too
            hc_store_close(s);
            must(hc_store_open(&s, folder, HC_STORE_WRITE, &err), &err);
        }
    }
}

// ---- the judge

static void check_line(struct hc_store *s, const char *line)
{
    struct hc_err err = {0};
    struct hc_view v = {0};
    char what, kind[32], *json = NULL, want[80];
    long long id;
    unsigned long long content;
    int64_t got;
    assert_int_equal(sscanf(line, "%c %lld %llx", &what, &id, &content), 3);
    if (what == 'v' || what == 'p') {
        assert_ok(hc_store_view_by_id(s, id, &v, &err), &err);
        snprintf(want, sizeof want, "v%016llx", content);
        assert_string_equal(v.label, want);
        if (what == 'p') {
            assert_string_equal(v.verdict, "good");
            near_abs(v.held_out_median_px, (double)(content % 1000), 0);
        }
        hc_view_release(&v);
    } else if (what == 'j') {
        snprintf(kind, sizeof kind, "k%016llx", content);
        snprintf(want, sizeof want, "{\"n\":%llu}", content);
        assert_ok(hc_store_get_result(s, kind, &got, &json, &err), &err);
        assert_int_equal(got, id);
        assert_string_equal(json, want);
        hc_mem_free(json);
    } else if (what == 'd') {
        // A later file of the same name may have taken its place; verify judges what is there.
        return;
    } else {
        snprintf(want, sizeof want,
                 "SELECT count(*) FROM %s WHERE id = %lld AND label = 'w%016llx'",
                 what == 'z' ? "zone" : "window", id, content);
        assert_ok(hc_store_db_get_int(s->db, want, &got, "testing", &err), &err);
        if (what == 'r') {
            assert_int_equal(got, 0);
        } else if (what == 'z' || content % 3 != 0) { // a removal may not have been acknowledged
            assert_int_equal(got, 1);
        }
    }
}

static size_t judge(const char *folder, char *acknowledged)
{
    struct hc_err err = {0};
    struct hc_verify found;
    struct hc_store *s = NULL;
    size_t n = 0;
    assert_ok(hc_store_open(&s, folder, HC_STORE_WRITE, &err), &err);
    for (char *line = acknowledged, *end; (end = strchr(line, '\n')); line = end + 1) {
        *end = 0;
        check_line(s, line);
        n++;
    }
    assert_ok(hc_store_verify(s, &found, store_test_print, NULL, NULL, &err), &err);
    assert_int_equal(found.problems, 0);
    hc_store_close(s);
    return n;
}

// ---- the killer

static void nap(double seconds)
{
    struct timespec t = {(time_t)seconds, (long)((seconds - floor(seconds)) * 1e9)};
    while (nanosleep(&t, &t) != 0 && errno == EINTR) {
    }
}

// Runs `body` in a child, kills it after a random time, and returns what it said (caller frees).
static char *run_and_kill(void (*body)(const char *, uint64_t, int), const char *folder,
                          struct hc_rng *r, double longest_seconds)
{
    char *said = calloc(1, PIPE_BYTES + 1);
    size_t n = 0;
    ssize_t k;
    int fd[2], status;
    uint64_t start = hc_rng_u64(r);
    pid_t pid;
    assert_int_equal(pipe(fd), 0);
    fcntl(fd[1], F_SETPIPE_SZ, PIPE_BYTES); // so that the worker never waits for us
    pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        close(fd[0]);
        body(folder, start, fd[1]);
        _exit(0);
    }
    close(fd[1]);
    nap(hc_rng_range(r, 0, longest_seconds));
    kill(pid, SIGKILL);
    assert_int_equal(waitpid(pid, &status, 0), pid);
    if (WIFEXITED(status) && WEXITSTATUS(status) != 0) {
        fail_msg("the worker stopped by itself with code %d", WEXITSTATUS(status));
    }
    while ((k = read(fd[0], said + n, PIPE_BYTES - n)) > 0) {
        n += (size_t)k;
    }
    close(fd[0]);
    return said;
}

static void test_kill_while_working(void **state)
{
    struct hc_rng r = hc_rng_make(seed);
    size_t acknowledged = 0;
    (void)state;
    for (long i = 0; i < loops;) {
        char *folder = store_test_folder();
        store_test_create(folder);
        for (int k = 0; k < LOOPS_PER_DOSSIER && i < loops; k++, i++) {
            char *said = run_and_kill(work, folder, &r, 0.2);
            acknowledged += judge(folder, said);
            free(said);
        }
        store_test_remove(folder);
        free(folder);
    }
    print_message("%ld kills, %zu acknowledged changes, none lost\n", loops, acknowledged);
    assert_true(acknowledged > 0); // or the kills all came before any work
}

static void make(const char *folder, uint64_t start, int fd)
{
    struct hc_err err = {0};
    struct hc_painting p = store_test_painting();
    must(hc_store_create(folder, &p, &err), &err);
    say(fd, 'c', 0, start);
    pause();
}

static void test_kill_while_creating(void **state)
{
    struct hc_rng r = hc_rng_make(seed + 1);
    long made = 0;
    (void)state;
    for (long i = 0; i < loops / 4 + 1; i++) {
        char *folder = store_test_folder(), *said = run_and_kill(make, folder, &r, 0.03);
        struct hc_err err = {0};
        struct hc_store *s = NULL;
        hc_status st = hc_store_open(&s, folder, HC_STORE_WRITE, &err);
        if (*said || st == HC_OK) { // acknowledged, or as good as
            assert_ok(st, &err);
            hc_store_close(s);
            made++;
        } else {
            assert_int_equal(st, HC_ENOTFOUND);
            store_test_create(folder); // the next attempt takes over
        }
        store_test_verify_clean(folder);
        free(said);
        store_test_remove(folder);
        free(folder);
    }
    print_message("%ld creations killed, %ld had come through\n", loops / 4 + 1, made);
}

static const char next_schema[] =
    "CREATE TABLE gloss (view INTEGER PRIMARY KEY REFERENCES view (id), units REAL) STRICT;"
    "INSERT INTO gloss SELECT id, 10 FROM view;";

static struct hc_migrations next_migrations(struct hc_migration step[2])
{
    step[0] = hc_store_migrations().step[0];
    step[1] = (struct hc_migration){2, next_schema};
    return (struct hc_migrations){step, 2};
}

static void migrate(const char *folder, uint64_t start, int fd)
{
    struct hc_err err = {0};
    struct hc_migration step[2];
    struct hc_store *s = NULL;
    must(hc_store_open_with(&s, folder, HC_STORE_WRITE, next_migrations(step), &err), &err);
    say(fd, 'm', 0, start);
    pause();
}

static void test_kill_while_migrating(void **state)
{
    struct hc_rng r = hc_rng_make(seed + 2);
    (void)state;
    for (long i = 0; i < loops / 4 + 1; i++) {
        struct hc_err err = {0};
        struct hc_migration step[2];
        struct hc_store *s;
        struct hc_verify found;
        char *folder = store_test_folder(), *said;
        int64_t rows = 0;
        s = store_test_create_open(folder);
        for (int k = 0; k < 3; k++) {
            char label[16];
            snprintf(label, sizeof label, "v%d", k);
            store_test_add_view(s, folder, label, "uv", "before");
        }
        hc_store_close(s);
        said = run_and_kill(migrate, folder, &r, 0.03);
        if (!*said && hc_store_open(&s, folder, HC_STORE_READ, &err) == HC_OK) {
            hc_store_close(s); // still the older schema, or already the newer: both are whole
        }
        assert_ok(hc_store_open_with(&s, folder, HC_STORE_WRITE, next_migrations(step), &err),
                  &err);
        assert_ok(hc_store_db_get_int(s->db, "SELECT count(*) FROM gloss", &rows, "testing", &err),
                  &err);
        assert_int_equal(rows, 3);
        assert_ok(hc_store_verify(s, &found, store_test_print, NULL, NULL, &err), &err);
        assert_int_equal(found.problems, 0);
        hc_store_close(s);
        free(said);
        store_test_remove(folder);
        free(folder);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_kill_while_working),
        cmocka_unit_test(test_kill_while_creating),
        cmocka_unit_test(test_kill_while_migrating),
    };
    const char *text = getenv("HC_FAULT_LOOPS");
    loops = text && atol(text) > 0 ? atol(text) : loops;
    text = getenv("HC_FAULT_SEED");
    seed = text ? strtoull(text, NULL, 10) : seed;
    return cmocka_run_group_tests(tests, NULL, NULL);
}
