// A disk that fills up: a small memory disk of the test's own. Needs the right to mount one (the
// superuser); otherwise the whole file is skipped with code 77.
#include "hc_test.h"

#include <fcntl.h>
#include <sched.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "base/mem.h"
#include "store/store_priv.h"
#include "store/store_test_support.h"

#define DISK_BYTES "1m"
#define LAST_BLOCKS 4096

static char disk[] = "/tmp/hc-full-XXXXXX";

static int setup(void **state)
{
    char *folder = calloc(1, 4096);
    snprintf(folder, 4096, "%s/dossier", disk);
    *state = folder;
    return mount("none", disk, "tmpfs", 0, "size=" DISK_BYTES);
}

static int teardown(void **state)
{
    free(*state);
    assert_int_equal(hc_mem_live(), 0);
    return umount(disk);
}

static void filler(char path[64])
{
    snprintf(path, 64, "%s/filler", disk);
}

// Take all the room there is but `leave` bytes.
static void fill_disk(long leave)
{
    static const char block[LAST_BLOCKS];
    char path[64];
    struct statvfs v;
    int fd;
    filler(path);
    fd = open(path, O_WRONLY | O_CREAT | O_APPEND, 0644);
    assert_true(fd >= 0);
    for (;;) {
        assert_int_equal(statvfs(disk, &v), 0);
        if ((long)(v.f_bavail * v.f_bsize) <= leave || write(fd, block, sizeof block) <= 0) {
            break;
        }
    }
    close(fd);
}

static void empty_disk(void)
{
    char path[64];
    filler(path);
    unlink(path);
}

static void assert_full(hc_status st, const struct hc_err *err)
{
    if (st != HC_EIO || !strstr(err->what, "full")) {
        fail_msg("%s: %s", hc_status_name(st), err->what);
    }
}

static void test_work_until_full(void **state)
{
    const char *folder = *state;
    struct hc_err err = {0};
    struct hc_store *s = store_test_create_open(folder);
    struct hc_view_list l;
    char source[64], hash[HC_SHA256_HEX], text[20000];
    hc_status st = HC_OK;
    int kept = 0;
    snprintf(source, sizeof source, "/dev/shm/hc-full-source-%ld", (long)getpid());
    while (st == HC_OK) {
        struct hc_view v;
        char label[32];
        int64_t id;
        memset(text, 'a' + kept % 26, sizeof text);
        snprintf(label, sizeof label, "view no %d", kept);
        memcpy(text, label, strlen(label));
        text[sizeof text - 1] = 0;
        store_test_write(source, text);
        st = hc_store_keep_original(s, source, "tif", hash, NULL, &err);
        if (st == HC_OK) {
            store_test_fill_view(&v, hash, label, "micro", "before");
            st = hc_store_add_view(s, &v, &id, &err);
        }
        kept += st == HC_OK;
        assert_true(kept < 100);
    }
    unlink(source);
    assert_full(st, &err);
    assert_true(kept > 5);
    hc_store_close(s);
    store_test_verify_clean(folder); // reading a full disk works, and all that was kept is there
    assert_true(store_test_count(folder, "originals") <= kept + 1);
    assert_ok(hc_store_open(&s, folder, HC_STORE_READ, &err), &err);
    assert_ok(hc_store_views(s, &l, &err), &err);
    assert_int_equal(l.n, kept);
    hc_view_list_release(&l);
    hc_store_close(s);
}

static void test_every_amount_of_room(void **state)
{
    const char *folder = *state;
    struct hc_err err = {0};
    struct hc_store *s = NULL;
    char json[30000];
    int64_t id = 0, last = 0, full = 0, done = 0;
    store_test_create(folder);
    memset(json, ' ', sizeof json);
    json[0] = '[';
    json[sizeof json - 2] = ']';
    json[sizeof json - 1] = 0;
    for (long leave = 0; leave < 200000; leave += 4096) {
        char *got = NULL;
        hc_status st;
        fill_disk(leave);
        st = hc_store_open(&s, folder, HC_STORE_WRITE, &err);
        if (st == HC_OK) {
            st = hc_store_put_result(s, "forecast", json, &id, &err);
            hc_store_close(s);
        }
        if (st == HC_OK) {
            last = id;
            done++;
        } else {
            assert_full(st, &err);
            full++;
        }
        // With the disk as full as it is, what was acknowledged can be read.
        st = hc_store_open(&s, folder, HC_STORE_READ, &err);
        assert_ok(st, &err);
        st = hc_store_get_result(s, "forecast", &id, &got, &err);
        assert_true(last ? st == HC_OK : st == HC_ENOTFOUND);
        assert_int_equal(id, last);
        hc_mem_free(got);
        hc_store_close(s);
        empty_disk();
        store_test_verify_clean(folder);
    }
    print_message("%d times full, %d times not\n", (int)full, (int)done);
    assert_true(full > 0 && done > 0);
}

static void test_create_on_a_full_disk(void **state)
{
    const char *folder = *state;
    struct hc_err err = {0};
    struct hc_painting p = store_test_painting();
    bool is_made = false;
    for (long leave = 0; !is_made; leave += 4096) {
        hc_status st;
        fill_disk(leave);
        st = hc_store_create(folder, &p, &err);
        is_made = st == HC_OK;
        if (!is_made) {
            assert_full(st, &err);
            assert_int_not_equal(access(folder, F_OK), 0); // nothing left behind
        }
        empty_disk();
        assert_true(leave < 1000000);
    }
    store_test_verify_clean(folder);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_work_until_full, setup, teardown),
        cmocka_unit_test_setup_teardown(test_every_amount_of_room, setup, teardown),
        cmocka_unit_test_setup_teardown(test_create_on_a_full_disk, setup, teardown),
    };
    int failed;
    // A mount namespace of our own: nothing stays mounted, whatever happens to this process.
    if (unshare(CLONE_NEWNS) != 0 || mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL) != 0 ||
        !mkdtemp(disk)) {
        fprintf(stderr, "no right to mount a memory disk: skipped\n");
        return 77;
    }
    if (mount("none", disk, "tmpfs", 0, "size=" DISK_BYTES) != 0) {
        rmdir(disk);
        fprintf(stderr, "no right to mount a memory disk: skipped\n");
        return 77;
    }
    umount(disk);
    failed = cmocka_run_group_tests(tests, NULL, NULL);
    rmdir(disk);
    return failed;
}
