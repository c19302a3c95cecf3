#include "hc_test.h"

#include "base/mem.h"
#include "relief/relief_scene.h"

static double shape(const char *name, double x, double y)
{
    double k = 2 * M_PI / 0.5, t = x / 0.5 - floor(x / 0.5);
    if (name[0] == 's') {
        return 0.01 * sin(k * x);
    }
    if (name[0] == 'c') {
        return 0.01 * cos(k * x) * cos(k * y);
    }
    return 0.01 * (t < 0.5 ? 4 * t - 1 : 3 - 4 * t);
}

// 1000 x 1000 px over four periods.
static void test_analytic(void **state)
{
    struct hc_test_csv t = hc_test_csv_read("tests/data/relief_texture.csv");
    struct hc_relief_band band = {0};
    struct hc_relief_texture x;
    struct hc_plane z = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_plane_create(&z, 1000, 1000, &err), &err);
    for (size_t i = 1; i < t.rows; i++) {
        for (int j = 0; j < 1000 * 1000; j++) {
            z.px[j] = 3 + (float)shape(t.cell[i][0], (j % 1000 + 0.5) * 0.002,
                                       (j / 1000 + 0.5) * 0.002); // an offset must not matter
        }
        assert_ok(hc_relief_texture(&x, &z, NULL, 0.002, band, &err), &err);
        near_abs(x.sa_um, atof(t.cell[i][1]), 1e-3);
        near_abs(x.sq_um, atof(t.cell[i][2]), 1e-3);
        near_abs(x.ssk, atof(t.cell[i][3]), 1e-3);
        near_abs(x.sku, atof(t.cell[i][4]), 1e-3);
        near_abs(x.sz_um, atof(t.cell[i][5]), 0.2); // a triangle's tip lies between pixels
        near_abs(x.sdq, atof(t.cell[i][6]), 2e-3 * 0.09 + (t.cell[i][0][0] == 't' ? 3e-4 : 0));
        // Central differences are flat on the tips of a triangle.
        near_abs(x.sdr, atof(t.cell[i][7]), 1e-5 + (t.cell[i][0][0] == 't' ? 3e-5 : 0));
    }
    hc_test_csv_free(&t);
    // 25 % duty rectangle of height 1, and a plane of 45 degrees: Sdq 1, Sdr 0.414.
    for (int j = 0; j < 1000 * 1000; j++) {
        z.px[j] = j % 1000 % 40 < 10 ? 1 : 0;
    }
    assert_ok(hc_relief_texture(&x, &z, NULL, 1, band, &err), &err);
    near_abs(x.sa_um, 375, 1e-6);
    near_abs(x.sq_um, 433.0127, 1e-3);
    near_abs(x.ssk, 1.1547, 5e-5);
    near_abs(x.sku, 2.3333, 5e-5);
    for (int j = 0; j < 1000 * 1000; j++) {
        z.px[j] = (float)(j % 1000) * 0.25f;
    }
    assert_ok(hc_relief_texture(&x, &z, NULL, 0.25, band, &err), &err);
    near_abs(x.sdq, 1, 1e-6);
    near_abs(x.sdr, 0.41421, 1e-5);
    hc_plane_release(&z);
}

// Transmission 2^-(lc/lambda)^2 of the long-wave part.
static void test_transmission(void **state)
{
    static const double want[][2] = {{0.5, 0.0625}, {1, 0.5}, {2, 0.840896}, {4, 0.957603}};
    struct hc_relief_texture a, b;
    struct hc_plane z = {0}, out = {0}, mask = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_plane_create(&z, 640, 480, &err), &err);
    assert_ok(hc_plane_create(&out, 640, 480, &err), &err);
    assert_ok(hc_plane_create(&mask, 640, 480, &err), &err);
    for (int j = 0; j < 640 * 480; j++) { // away from the borders
        mask.px[j] = j % 640 >= 80 && j % 640 < 560 && j / 640 >= 60 && j / 640 < 420;
    }
    for (int i = 0; i < 4; i++) {
        struct hc_relief_band s = {40 * 0.1, 0}, l = {0, 40 * 0.1};
        for (int j = 0; j < 640 * 480; j++) {
            z.px[j] = (float)cos(2 * M_PI * (j % 640) / (40 * want[i][0]));
        }
        assert_ok(hc_relief_texture(&a, &z, &mask, 0.1, s, &err), &err);
        assert_ok(hc_relief_band_filter(&out, &z, NULL, 0.1, s, NULL, &err), &err);
        assert_ok(hc_relief_texture(&b, &out, &mask, 0.1, s, &err), &err);
        near_abs(b.sq_um / a.sq_um, want[i][1], 2e-4);
        assert_ok(hc_relief_band_filter(&out, &z, NULL, 0.1, l, NULL, &err), &err);
        assert_ok(hc_relief_texture(&b, &out, &mask, 0.1, l, &err), &err);
        near_abs(b.sq_um / a.sq_um, 1 - want[i][1], 2e-4);
    }
    hc_plane_release(&z);
    hc_plane_release(&out);
    hc_plane_release(&mask);
}

// A constant stays a constant up to borders and masks; what lies outside the mask has no say; out
// may be z; threads change nothing.
static void test_borders(void **state)
{
    struct hc_relief_band s = {2, 0}, both = {0.5, 4};
    struct hc_plane z = {0}, out = {0}, mask = {0}, twin = {0};
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_plane_create(&z, 150, 131, &err), &err);
    assert_ok(hc_plane_create(&out, 150, 131, &err), &err);
    assert_ok(hc_plane_create(&twin, 150, 131, &err), &err);
    assert_ok(hc_plane_create(&mask, 150, 131, &err), &err);
    assert_ok(hc_par_create(&par, 2, &err), &err);
    for (int j = 0; j < 150 * 131; j++) {
        mask.px[j] = j % 150 > 20 && (j % 150 < 60 || j / 150 > 40);
        z.px[j] = mask.px[j] > 0.5f ? 0.25f : NAN;
    }
    assert_ok(hc_relief_band_filter(&out, &z, &mask, 0.1, s, par, &err), &err);
    for (int j = 0; j < 150 * 131; j++) {
        near_abs((double)out.px[j], mask.px[j] > 0.5f ? 0.25 : 0, 1e-6);
    }
    assert_ok(hc_relief_band_filter(&out, &z, &mask, 0.1, both, par, &err), &err);
    assert_ok(hc_relief_band_filter(&twin, &z, &mask, 0.1, both, NULL, &err), &err);
    assert_memory_equal(out.px, twin.px, 150 * 131 * sizeof(float));
    assert_ok(hc_relief_band_filter(&z, &z, &mask, 0.1, both, NULL, &err), &err);
    assert_memory_equal(out.px, z.px, 150 * 131 * sizeof(float));
    static const struct hc_relief_band bad[] = {{0.1, 1}, {2, 1},           {0, 14},
                                                {-1, 0},  {(double)NAN, 1}, {0, 0.1}};
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        assert_int_equal(hc_relief_band_filter(&out, &z, NULL, 0.1, bad[i], NULL, &err), HC_ERANGE);
    }
    size_t live = hc_mem_live();
    for (int i = 0; i < 5; i++) {
        hc_mem_fail_at(i);
        assert_int_equal(hc_relief_band_filter(&out, &z, NULL, 0.1, both, NULL, &err), HC_ENOMEM);
    }
    hc_mem_fail_at(-1);
    assert_int_equal(hc_mem_live(), live);
    hc_par_destroy(par);
    hc_plane_release(&z);
    hc_plane_release(&out);
    hc_plane_release(&mask);
    hc_plane_release(&twin);
}

// Maps and curve find the part that is rough and the size of its detail.
static void test_map_curve(void **state)
{
    struct hc_plane z = {0}, map = {0};
    struct hc_err err = {0};
    double detail[8], sq[8];
    size_t n, best = 0;
    (void)state;
    assert_ok(hc_plane_create(&z, 256, 200, &err), &err);
    assert_ok(hc_plane_create(&map, 8, 7, &err), &err);
    for (int j = 0; j < 256 * 200; j++) {
        z.px[j] = (float)((j % 256 < 128 ? 0.01 : 0.002) * sin(2 * M_PI * (j % 256) / 16));
    }
    assert_ok(hc_relief_texture_map(&map, HC_RELIEF_SQ, &z, NULL, 0.1, 32, NULL, &err), &err);
    near_abs((double)hc_plane_get(&map, 0, 0), 7.0711, 1e-3);
    near_abs((double)hc_plane_get(&map, 7, 6), 1.4142, 1e-3);
    assert_int_equal(hc_relief_texture_map(&z, HC_RELIEF_SQ, &z, NULL, 0.1, 32, NULL, &err),
                     HC_EARG);
    assert_ok(hc_relief_texture_curve(detail, sq, 8, &n, &z, NULL, 0.1, NULL, &err), &err);
    assert_int_equal(n, 4); // 4, 8, 16, 32 px
    for (size_t i = 0; i < n; i++) {
        best = sq[i] > sq[best] ? i : best;
    }
    near_abs(detail[best], 1.6, 1e-9);
    hc_plane_release(&z);
    hc_plane_release(&map);
}

// Half the relief reads as half, with an interval that holds it; too small an area is refused.
static void test_compare(void **state)
{
    struct relief_waves w = relief_waves_make(0.3, 3, 0.2, 21),
                        v = relief_waves_make(0.3, 3, 0.1, 21);
    struct relief_surface a = {0}, b = {0};
    struct hc_relief_change c;
    struct hc_relief_band band = {0.3, 1.5};
    struct hc_err err = {0};
    (void)state;
    for (int i = 0; i < v.n; i++) { // other strokes of the same kind
        v.phase[i] += 1.7 * i;
    }
    assert_ok(relief_surface_create(&a, &w, 400, 300, 0.05, &err), &err);
    assert_ok(relief_surface_create(&b, &v, 400, 300, 0.05, &err), &err);
    assert_ok(hc_relief_band_filter(&a.z, &a.z, NULL, 0.05, band, NULL, &err), &err);
    assert_ok(hc_relief_band_filter(&b.z, &b.z, NULL, 0.05, band, NULL, &err), &err);
    assert_ok(hc_relief_compare(&c, &a.z, &b.z, NULL, 0.05, band, 1, &err), &err);
    assert_int_equal(c.patches, 30);
    assert_true(c.sdq_ratio.low < 0.5 && c.sdq_ratio.high > 0.5);
    assert_true(c.sdq_ratio.high - c.sdq_ratio.low < 0.2);
    assert_non_null(strstr(c.what, "fell"));
    assert_ok(hc_relief_compare(&c, &a.z, &a.z, NULL, 0.05, band, 1, &err), &err);
    near_abs(c.sq_ratio.value, 1, 1e-12);
    assert_non_null(strstr(c.what, "did not change"));
    band.long_mm = 5;
    assert_int_equal(hc_relief_compare(&c, &a.z, &b.z, NULL, 0.05, band, 1, &err), HC_EREFUSED);
    struct hc_plane none = {0};
    struct hc_relief_texture t;
    assert_ok(hc_plane_create(&none, 400, 300, &err), &err);
    assert_int_equal(hc_relief_texture(&t, &a.z, &none, 0.05, band, &err), HC_EREFUSED);
    hc_plane_release(&none);
    relief_surface_release(&a);
    relief_surface_release(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_analytic), cmocka_unit_test(test_transmission),
        cmocka_unit_test(test_borders), cmocka_unit_test(test_map_curve),
        cmocka_unit_test(test_compare)};
    return cmocka_run_group_tests_name("relief_texture", tests, NULL, NULL);
}
