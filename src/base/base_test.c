#include "hc_test.h"

#include "base/buf.h"
#include "base/job.h"
#include "base/mem.h"
#include "base/par.h"
#include "base/rng.h"

static void json_text(void **state)
{
    (void)state;
    struct hc_buf b = {0};
    hc_json_obj(&b);
    hc_json_kstr(&b, "a", "q\"\\\n\xc3\xa9\xff");
    hc_json_key(&b, "l");
    hc_json_arr(&b);
    hc_json_num(&b, 0.5);
    hc_json_num(&b, (double)NAN);
    hc_json_int(&b, -3);
    hc_json_end_arr(&b);
    hc_json_kbool(&b, "t", true);
    hc_json_end_obj(&b);
    assert_string_equal(
        hc_buf_text(&b),
        "{\"a\":\"q\\\"\\\\\\u000a\xc3\xa9\xef\xbf\xbd\",\"l\":[0.5,null,-3],\"t\":true}");
    hc_buf_release(&b);
    b.max = 10;
    hc_buf_str(&b, "0123456789");
    assert_ok(hc_buf_check(&b, NULL), NULL);
    hc_buf_str(&b, "x");
    assert_int_equal(hc_buf_check(&b, NULL), HC_ELIMIT);
    hc_buf_release(&b);
    assert_int_equal(hc_mem_live(), 0);
}

static void memory_faults(void **state)
{
    (void)state;
    void *p;
    hc_mem_fail_at(0);
    assert_null(hc_mem_alloc(8));
    p = hc_mem_alloc(8);
    assert_non_null(p);
    assert_int_equal((uintptr_t)p % 64, 0);
    assert_int_equal(hc_mem_live(), 8);
    assert_null(hc_mem_array(SIZE_MAX / 2, 16));
    hc_mem_set_cap(16);
    assert_null(hc_mem_alloc(64));
    hc_mem_set_cap(0);
    hc_mem_free(p);
}

struct sums {
    double part[32];
};

static void add_rows(void *ctx, int block, int y0, int y1)
{
    struct sums *s = ctx;
    double v = 0;
    for (int y = y0; y < y1; y++) {
        v += sqrt((double)y) * 1e-3;
    }
    s->part[block] = v;
}

static void same_bits_any_threads(void **state)
{
    (void)state;
    struct sums a = {{0}}, b;
    hc_par_rows(NULL, 1000, add_rows, &a);
    for (int n = 1; n <= 4; n++) {
        struct hc_par *par = NULL;
        memset(&b, 0, sizeof b);
        assert_ok(hc_par_create(&par, n, NULL), NULL);
        for (int round = 0; round < 50; round++) {
            hc_par_rows(par, 1000, add_rows, &b);
        }
        hc_par_destroy(par);
        assert_memory_equal(&a, &b, sizeof a);
    }
}

static void cancel_and_prefix(void **state)
{
    (void)state;
    struct hc_job job = {0};
    struct hc_err err = {0};
    assert_ok(hc_job_step(&job, 0.5, "reading", &err), &err);
    atomic_store(&job.cancel, true);
    assert_int_equal(hc_job_step(&job, 0.5, "reading", &err), HC_ECANCEL);
    hc_ignore(hc_err_prefix(&err, HC_ECANCEL, "view %d: ", 3));
    assert_string_equal(err.what, "view 3: cancelled while reading; nothing was changed");
}

static void random_moments(void **state)
{
    (void)state;
    struct hc_rng r = hc_rng_make(7), q = hc_rng_make(7);
    double m = 0, v = 0;
    for (int i = 0; i < 100000; i++) {
        double x = hc_rng_normal(&r);
        m += x;
        v += x * x;
    }
    near_abs(m / 1e5, 0, 0.02);
    near_abs(v / 1e5, 1, 0.02);
    near_abs(hc_rng_normal(&q), (r = hc_rng_make(7), hc_rng_normal(&r)), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(json_text), cmocka_unit_test(memory_faults),
                                       cmocka_unit_test(same_bits_any_threads),
                                       cmocka_unit_test(cancel_and_prefix),
                                       cmocka_unit_test(random_moments)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
