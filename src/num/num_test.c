#include "hc_test.h"

#include "base/mem.h"
#include "num/filter.h"
#include "num/geom.h"
#include "num/linear.h"
#include "num/stats.h"

static void quantiles(void **state)
{
    (void)state;
    // R documentation, quantile(type = 7): quantile(1:10, .25) = 3.25
    double v[10] = {10, 2, 3, 4, 5, 6, 7, 8, 9, 1}, w[3] = {1, 1, 8}, u[3] = {3, 1, 2};
    float f[5] = {5, 1, 4, 2, 3};
    near_abs(hc_stats_quantile(v, 10, 0.25), 3.25, 1e-12);
    near_abs((double)hc_stats_quantile_f(f, 5, 0.5), 3, 1e-7);
    near_abs((double)hc_stats_quantile_f(f, 5, 0.875), 4.5, 1e-6);
    near_abs(hc_stats_weighted_quantile(u, w, 3, 0.5), 2, 1e-12);
}

static void ridge_recovers_line(void **state)
{
    (void)state;
    double x[12], y[6], c[2], ridge[2] = {0, 0};
    for (int i = 0; i < 6; i++) {
        x[2 * i] = 1;
        x[2 * i + 1] = i;
        y[i] = 3 - 2.0 * i;
    }
    assert_ok(hc_linear_ridge(c, x, y, NULL, ridge, 6, 2, 1, NULL), NULL);
    near_abs(c[0], 3, 1e-10);
    near_abs(c[1], -2, 1e-10);
    memset(x, 0, sizeof x);
    assert_int_equal(hc_linear_ridge(c, x, y, NULL, ridge, 6, 2, 1, NULL), HC_ENUMERIC);
}

static void polygons(void **state)
{
    (void)state;
    struct hc_pt sq[4] = {{1, 1}, {4, 1}, {4, 4}, {1, 4}},
                 bow[4] = {{0, 0}, {2, 2}, {2, 0}, {0, 2}};
    struct hc_pt in[3] = {{2, 2}, {3, 2}, {2, 3}}, out[3] = {{5, 5}, {6, 5}, {5, 6}};
    struct hc_pt dup[3] = {{0, 0}, {0, 0}, {1, 1}};
    struct hc_plane m = {0};
    near_abs(hc_poly_area(sq, 4), 9, 0);
    assert_false(hc_poly_is_crossing(sq, 4));
    assert_true(hc_poly_is_crossing(bow, 4));
    assert_true(hc_poly_is_crossing(dup, 3));
    assert_true(hc_poly_is_overlapping(sq, 4, in, 3));
    assert_false(hc_poly_is_overlapping(sq, 4, out, 3));
    assert_ok(hc_plane_create(&m, 6, 6, NULL), NULL);
    assert_int_equal(hc_poly_mask(&m, 0, 0, sq, 4), 9);
    hc_plane_release(&m);
}

static void transforms(void **state)
{
    (void)state;
    struct hc_homog h = {{1.01, 0.02, 3, -0.02, 1.01, -4, 1e-5, 2e-5, 1}}, inv, id;
    assert_ok(hc_homog_invert(&inv, &h, NULL), NULL);
    id = hc_homog_compose(&inv, &h);
    struct hc_pt q = hc_homog_apply(&id, (struct hc_pt){100, 50});
    near_abs(q.x, 100, 1e-9);
    near_abs(q.y, 50, 1e-9);
}

static void sampling(void **state)
{
    (void)state;
    struct hc_plane p = {0}, d = {0};
    assert_ok(hc_plane_create(&p, 16, 12, NULL), NULL);
    for (int y = 0; y < 12; y++) {
        for (int x = 0; x < 16; x++) {
            hc_plane_row(&p, y)[x] = (float)(2 * x - y);
        }
    }
    near_abs((double)hc_filter_bilinear(&p, 5.75, 6.25), 2 * 5.25 - 5.75, 1e-5);
    near_abs((double)hc_filter_bicubic(&p, 5.75, 6.25), 2 * 5.25 - 5.75, 1e-5);
    assert_ok(hc_plane_create(&d, 4, 3, NULL), NULL);
    hc_filter_box_down(&d, &p, 4);
    near_abs((double)hc_plane_get(&d, 1, 1), 2 * 5.5 - 5.5, 1e-6);
    hc_plane_fill(&p, 0.7f);
    assert_ok(hc_filter_gauss(&p, &p, 2, NULL), NULL);
    near_abs((double)hc_plane_get(&p, 0, 0), 0.7, 1e-6);
    hc_plane_release(&p);
    hc_plane_release(&d);
    assert_int_equal(hc_mem_live(), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(quantiles), cmocka_unit_test(ridge_recovers_line),
        cmocka_unit_test(polygons), cmocka_unit_test(transforms), cmocka_unit_test(sampling)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
