// Two processes and one dossier: one may change it, both may read it, and a crash locks nobody out.
#include "hc_test.h"

#include <signal.h>
#include <sys/wait.h>

#include "base/mem.h"
#include "store/store.h"
#include "store/store_test_support.h"

static void test_second_writer_process(void **state)
{
    struct hc_err err = {0};
    struct hc_store *s = NULL;
    char *folder = store_test_folder(), byte, words[64];
    int ready[2];
    pid_t pid;
    (void)state;
    store_test_create(folder);
    assert_int_equal(pipe(ready), 0);
    pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        if (hc_store_open(&s, folder, HC_STORE_WRITE, &err) != HC_OK ||
            write(ready[1], "x", 1) != 1) {
            _exit(1);
        }
        pause();
        _exit(0);
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    assert_int_equal(hc_store_open(&s, folder, HC_STORE_WRITE, &err), HC_ECONFLICT);
    snprintf(words, sizeof words, "by process %ld of this computer", (long)pid);
    if (!strstr(err.what, words)) {
        fail_msg("the sentence does not say who has it: %s", err.what);
    }
    store_test_verify_clean(folder); // reading is free

    kill(pid, SIGKILL);
    assert_int_equal(waitpid(pid, NULL, 0), pid);
    assert_ok(hc_store_open(&s, folder, HC_STORE_WRITE, &err), &err);
    hc_store_close(s);
    close(ready[0]);
    close(ready[1]);
    store_test_remove(folder);
    free(folder);
    assert_int_equal(hc_mem_live(), 0);
}

// A reader in another process while a writer works: it only ever sees whole changes.
static void test_reader_sees_whole_changes(void **state)
{
    struct hc_err err = {0};
    struct hc_store *w, *r = NULL;
    char *folder = store_test_folder();
    int status;
    pid_t pid;
    (void)state;
    store_test_create(folder);
    pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        int64_t id;
        if (hc_store_open(&w, folder, HC_STORE_WRITE, &err) != HC_OK) {
            _exit(1);
        }
        for (int i = 0; i < 300; i++) { // one result and one log line each
            if (hc_store_put_result(w, "k", "{}", &id, &err) != HC_OK) {
                _exit(2);
            }
        }
        hc_store_close(w);
        _exit(0);
    }
    for (int i = 0; i < 30; i++) {
        struct hc_log log;
        int64_t id = 0;
        char *json = NULL;
        hc_status st;
        assert_ok(hc_store_open(&r, folder, HC_STORE_READ, &err), &err);
        st = hc_store_get_result(r, "k", &id, &json, &err);
        assert_true(st == HC_OK || st == HC_ENOTFOUND);
        assert_ok(hc_store_log(r, &log, &err), &err);
        assert_true((int64_t)log.n >= id + 1); // the first line is the making of the dossier
        hc_log_release(&log);
        hc_mem_free(json);
        hc_store_close(r);
    }
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_int_equal(status, 0);
    store_test_verify_clean(folder);
    store_test_remove(folder);
    free(folder);
    assert_int_equal(hc_mem_live(), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_second_writer_process),
        cmocka_unit_test(test_reader_sees_whole_changes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
