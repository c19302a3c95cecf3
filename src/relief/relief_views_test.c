#include "hc_test.h"

#include "base/mem.h"
#include "relief/relief_scene.h"

enum { N = 12, W = 300, H = 290 };
static struct hc_relief_light lights[N];
static struct hc_plane img[N];
static struct hc_relief_view views[N];
static struct relief_surface s;

static int setup(void **state)
{
    struct relief_waves w = relief_waves_make(0.4, 4, 0.12, 31);
    struct relief_look look = {.has_cast = true, .noise_electrons = 20000, .is_clipped = true};
    struct hc_plane albedo = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(relief_surface_create(&s, &w, W, H, 0.05, &err), &err);
    assert_ok(relief_albedo_create(&albedo, W, H, 8, &err), &err);
    for (int k = 0; k < N; k++) {
        assert_ok(hc_relief_light_angles(&lights[k], 30 * k, 35, &err), &err);
        assert_ok(relief_render(&img[k], &s, &albedo, &lights[k], &look, (uint64_t)k, &err), &err);
        views[k] = hc_relief_view_plane(&img[k]);
    }
    hc_plane_release(&albedo);
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    for (int k = 0; k < N; k++) {
        hc_plane_release(&img[k]);
    }
    relief_surface_release(&s);
    return 0;
}

static struct hc_relief_views_report check(const struct hc_relief_view *v)
{
    struct hc_relief_views_report r;
    struct hc_err err = {0};
    assert_ok(hc_relief_views_check(&r, v, lights, N, &err), &err);
    return r;
}

static void test_good(void **state)
{
    struct hc_relief_views_report r = check(views);
    (void)state;
    print_message("good set: misfit %.3f, curl %.3f\n", r.residual, r.curl);
    assert_true(r.is_usable);
    assert_false(r.is_order_doubtful);
    for (int k = 0; k < N; k++) {
        assert_false(r.view[k].is_bad);
        near_abs(r.view[k].gain, 1, 0.1);
        assert_int_equal(r.order[k], k);
    }
}

// Two files exchanged; the ring turned (no misfit shows that, the curl does); the ring reversed.
static void test_order(void **state)
{
    struct hc_relief_view v[N];
    struct hc_relief_views_report r;
    (void)state;
    memcpy(v, views, sizeof v);
    v[2] = views[7];
    v[7] = views[2];
    r = check(v);
    assert_true(r.is_order_doubtful);
    assert_false(r.is_usable);
    assert_int_equal(r.order[2], 7);
    assert_int_equal(r.order[7], 2);
    assert_int_equal(r.order[3], 3);
    assert_non_null(strstr(r.why, "view 8 fits lamp 3"));
    for (int k = 0; k < N; k++) {
        v[k] = views[(k + 3) % N];
    }
    r = check(v);
    assert_true(r.is_order_doubtful);
    // Right, or right but for half a turn, which nobody can tell.
    assert_true(r.order[0] == 9 || r.order[0] == 3);
    assert_int_equal(r.order[1], (r.order[0] + 1) % N);
    for (int k = 0; k < N; k++) {
        v[k] = views[(N - k) % N];
    }
    r = check(v);
    assert_true(r.is_order_doubtful);
    assert_true(r.order[0] == 0 || r.order[0] == 6);
    assert_int_equal(r.order[1], (r.order[0] + N - 1) % N);
}

static void test_bad_views(void **state)
{
    struct hc_plane keep = img[4], one = {0};
    struct hc_relief_views_report r;
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_plane_create(&one, W, H, &err), &err);
    img[4] = one;
    r = check(views);
    assert_false(r.is_usable);
    assert_non_null(strstr(r.why, "view 5: all but black"));
    hc_plane_fill(&img[4], 1);
    r = check(views);
    assert_false(r.is_usable);
    assert_non_null(strstr(r.view[4].why, "clipped"));
    for (int i = 0; i < W * H; i++) { // half the exposure
        img[4].px[i] = 0.5f * keep.px[i];
    }
    r = check(views);
    near_abs(r.view[4].gain, 0.5, 0.05);
    assert_true(r.view[4].is_bad);
    assert_false(r.view[3].is_bad);
    assert_false(r.is_order_doubtful);
    for (int i = 0; i < W * H; i++) { // shifted by 8 px
        img[4].px[i] = keep.px[i % W < W - 8 ? i + 8 : i];
    }
    r = check(views);
    print_message("shifted by 8 px: misfit %.1f of the others\n", r.view[4].residual);
    assert_true(r.view[4].is_bad);
    assert_non_null(strstr(r.view[4].why, "not aligned"));
    img[4] = keep;
    hc_plane_release(&one);
}

static void test_refusals(void **state)
{
    struct hc_relief_view v[N];
    struct hc_relief_views_report r;
    struct hc_err err = {0};
    size_t live = hc_mem_live();
    (void)state;
    memcpy(v, views, sizeof v);
    v[6].h = H - 1;
    assert_int_equal(hc_relief_views_check(&r, v, lights, N, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "view 7"));
    assert_ok(hc_relief_views_check(&r, views, lights, 2, &err), &err);
    assert_false(r.is_usable);
    assert_non_null(strstr(r.why, "at least three"));
    for (int i = 0; i < 4; i++) {
        hc_mem_fail_at(i);
        assert_int_equal(hc_relief_views_check(&r, views, lights, N, &err), HC_ENOMEM);
    }
    hc_mem_fail_at(-1);
    assert_int_equal(hc_mem_live(), live);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_good), cmocka_unit_test(test_order),
                                       cmocka_unit_test(test_bad_views),
                                       cmocka_unit_test(test_refusals)};
    return cmocka_run_group_tests_name("relief_views", tests, setup, teardown);
}
