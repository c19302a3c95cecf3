#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "relief/relief_scene.h"

// rms of a - b after taking off the mean difference, where mask (or everywhere) is > 0.5.
static double rms_off(const struct hc_plane *a, const struct hc_plane *b,
                      const struct hc_plane *mask)
{
    double s = 0, s2 = 0, n = 0;
    for (int y = 0; y < a->h; y++) {
        for (int x = 0; x < a->w; x++) {
            if (!mask || hc_plane_get(mask, x, y) > 0.5f) {
                double d = (double)hc_plane_get(a, x, y) - (double)hc_plane_get(b, x, y);
                s += d;
                s2 += d * d;
                n++;
            }
        }
    }
    return sqrt(fmax(0, s2 / n - s * s / (n * n)));
}

static double rms(const struct hc_plane *a)
{
    struct hc_plane none = *a;
    double s = 0, s2 = 0, n = (double)none.w * none.h;
    for (int y = 0; y < a->h; y++) {
        for (int x = 0; x < a->w; x++) {
            double d = (double)hc_plane_get(a, x, y);
            s += d;
            s2 += d * d;
        }
    }
    return sqrt(s2 / n - s * s / (n * n));
}

// Smooth surface with a tilt (not periodic): pixel-centred slopes, averaged to the half grid.
static void test_direct(void **state)
{
    struct relief_waves w = relief_waves_make(30, 900, 0.2, 11);
    struct relief_surface s = {0};
    struct hc_relief_height_report rep;
    struct hc_plane z = {0}, z2 = {0};
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    (void)state;
    assert_ok(relief_surface_create(&s, &w, 512, 400, 1, &err), &err);
    for (int i = 0; i < 512 * 400; i++) {
        s.p.px[i] += 0.05f;
        s.q.px[i] -= 0.08f;
        s.z.px[i] += 0.05f * (float)(i % 512) + 0.08f * (float)(i / 512);
    }
    assert_ok(hc_plane_create(&z, 512, 400, &err), &err);
    assert_ok(hc_plane_create(&z2, 512, 400, &err), &err);
    assert_ok(hc_par_create(&par, 2, &err), &err);
    size_t live = hc_mem_live();
    assert_ok(hc_relief_height(&z, &rep, &s.p, &s.q, 1, NULL, NULL, NULL, &err), &err);
    assert_int_equal(hc_mem_live(), live);
    assert_true(rms_off(&z, &s.z, NULL) < 1e-3 * rms(&s.z));
    assert_true(rep.residual < 0.01);
    near_abs(rep.reliable_mm, 100, 1e-12);
    assert_int_equal(rep.rounds, 0);
    assert_ok(hc_relief_height(&z2, &rep, &s.p, &s.q, 1, NULL, par, NULL, &err), &err);
    assert_memory_equal(z.px, z2.px, 512 * 400 * sizeof(float));
    // The unit: half the pixel size, half the height.
    assert_ok(hc_relief_height(&z2, &rep, &s.p, &s.q, 0.5, NULL, par, NULL, &err), &err);
    near_abs(rms(&z2) / rms(&z), 0.5, 1e-5);
    // A slope up is a hill towards the top of the picture.
    hc_plane_fill(&s.p, 0);
    hc_plane_fill(&s.q, 0.1f);
    assert_ok(hc_relief_height(&z, &rep, &s.p, &s.q, 1, NULL, par, NULL, &err), &err);
    near_abs((double)(hc_plane_get(&z, 5, 0) - hc_plane_get(&z, 5, 399)), 39.9, 1e-2);
    hc_par_destroy(par);
    hc_plane_release(&z);
    hc_plane_release(&z2);
    relief_surface_release(&s);
}

// White slope noise of sd s on 512 x 512: height noise 1.1 s px (measured apart from this program).
static void test_noise(void **state)
{
    struct hc_plane p = {0}, q = {0}, z = {0};
    struct hc_relief_height_report rep;
    struct hc_rng r = hc_rng_make(9);
    struct hc_err err = {0};
    double sum = 0;
    (void)state;
    assert_ok(hc_plane_create(&p, 512, 512, &err), &err);
    assert_ok(hc_plane_create(&q, 512, 512, &err), &err);
    assert_ok(hc_plane_create(&z, 512, 512, &err), &err);
    for (int k = 0; k < 4; k++) {
        for (int i = 0; i < 512 * 512; i++) {
            p.px[i] = (float)(0.01 * hc_rng_normal(&r));
            q.px[i] = (float)(0.01 * hc_rng_normal(&r));
        }
        assert_ok(hc_relief_height(&z, &rep, &p, &q, 1, NULL, NULL, NULL, &err), &err);
        sum += rms(&z) / 4;
    }
    print_message("white slope noise of sd 1: height noise %.2f px\n", sum / 0.01);
    near_abs(sum / 0.01, 1.1, 0.25);
    assert_true(rep.residual > 0.3); // noise is no surface, and that is said
    hc_plane_release(&p);
    hc_plane_release(&q);
    hc_plane_release(&z);
}

// Nonsense in a hole changes nothing outside it; all weights 1 equal the direct answer.
static void test_weighted(void **state)
{
    struct relief_waves w = relief_waves_make(20, 300, 0.2, 12);
    struct relief_surface s = {0};
    struct hc_relief_height_report rep;
    struct hc_relief_height_options o = {0};
    struct hc_plane z = {0}, z2 = {0}, weight = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(relief_surface_create(&s, &w, 200, 160, 1, &err), &err);
    assert_ok(hc_plane_create(&z, 200, 160, &err), &err);
    assert_ok(hc_plane_create(&z2, 200, 160, &err), &err);
    assert_ok(hc_plane_create(&weight, 200, 160, &err), &err);
    hc_plane_fill(&weight, 1);
    o.weight = &weight;
    assert_ok(hc_relief_height(&z, &rep, &s.p, &s.q, 1, NULL, NULL, NULL, &err), &err);
    assert_ok(hc_relief_height(&z2, &rep, &s.p, &s.q, 1, &o, NULL, NULL, &err), &err);
    assert_true(rep.rounds <= 2);
    assert_true(rms_off(&z, &z2, NULL) < 1e-4 * rms(&z));
    for (int y = 40; y < 90; y++) {
        for (int x = 60; x < 130; x++) {
            hc_plane_row(&s.p, y)[x] = 3;
            hc_plane_row(&s.q, y)[x] = -5;
            hc_plane_row(&weight, y)[x] = 0;
        }
    }
    assert_ok(hc_relief_height(&z2, &rep, &s.p, &s.q, 1, &o, NULL, NULL, &err), &err);
    print_message("a hole of 11 %%: %d rounds, error outside %.4f of %.2f px\n", rep.rounds,
                  rms_off(&z2, &s.z, &weight), rms(&s.z));
    assert_true(rms_off(&z2, &s.z, &weight) < 5e-3 * rms(&s.z));
    assert_true(rep.residual < 0.05);
    hc_plane_release(&z);
    hc_plane_release(&z2);
    hc_plane_release(&weight);
    relief_surface_release(&s);
}

// Drift goes only when the picture is said to be flat.
static void test_drift(void **state)
{
    struct relief_waves w = relief_waves_make(2, 20, 0.1, 13);
    struct relief_surface s = {0};
    struct hc_relief_height_report rep;
    struct hc_relief_height_options o = {.is_flat = true};
    struct hc_plane z = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(relief_surface_create(&s, &w, 300, 200, 1, &err), &err);
    assert_ok(hc_plane_create(&z, 300, 200, &err), &err);
    for (int i = 0; i < 300 * 200; i++) {
        double u = i % 300 / 150.0 - 1, v = i / 300 / 100.0 - 1;
        s.p.px[i] += (float)(0.1 * u + 0.05 * u * u);
        s.q.px[i] += (float)(-0.1 * v);
    }
    assert_ok(hc_relief_height(&z, &rep, &s.p, &s.q, 1, NULL, NULL, NULL, &err), &err);
    near_abs(rep.drift_deg, 0, 0);
    assert_true(rms_off(&z, &s.z, NULL) > 5 * rms(&s.z));
    assert_ok(hc_relief_height(&z, &rep, &s.p, &s.q, 1, &o, NULL, NULL, &err), &err);
    near_abs(rep.drift_deg, atan(hypot(0.15, 0.1)) * 180 / M_PI, 0.3);
    print_message("drift removed: rms %.4f, error %.4f mm\n", rms(&s.z), rms_off(&z, &s.z, NULL));
    assert_true(rms_off(&z, &s.z, NULL) < 0.35 * rms(&s.z));
    hc_plane_release(&z);
    relief_surface_release(&s);
}

static void test_bad(void **state)
{
    struct hc_plane p = {0}, q = {0}, z = {0};
    struct hc_relief_height_report rep;
    struct hc_relief_height_options o = {.is_flat = true};
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_plane_create(&p, 40, 30, &err), &err);
    assert_ok(hc_plane_create(&q, 40, 30, &err), &err);
    assert_ok(hc_plane_create(&z, 40, 29, &err), &err);
    assert_int_equal(hc_relief_height(&z, &rep, &p, &q, 1, NULL, NULL, NULL, &err), HC_EARG);
    hc_plane_release(&z);
    assert_ok(hc_plane_create(&z, 40, 30, &err), &err);
    assert_int_equal(hc_relief_height(&z, &rep, &p, &q, 0, NULL, NULL, NULL, &err), HC_EARG);
    assert_int_equal(hc_relief_height(&z, &rep, &p, &q, (double)NAN, NULL, NULL, NULL, &err),
                     HC_EARG);
    o.weight = &p; // all zero
    assert_int_equal(hc_relief_height(&z, &rep, &p, &q, 1, &o, NULL, NULL, &err), HC_ENUMERIC);
    o.is_flat = false;
    assert_ok(hc_relief_height(&z, &rep, &p, &q, 1, &o, NULL, NULL, &err), &err);
    near_abs(rms(&z), 0, 1e-12);
    size_t live = hc_mem_live();
    for (int i = 0; i < 12; i++) {
        hc_mem_fail_at(i);
        assert_int_equal(hc_relief_height(&z, &rep, &p, &q, 1, &o, NULL, NULL, &err), HC_ENOMEM);
    }
    hc_mem_fail_at(-1);
    assert_int_equal(hc_mem_live(), live);
    hc_plane_release(&p);
    hc_plane_release(&q);
    hc_plane_release(&z);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_direct), cmocka_unit_test(test_noise),
                                       cmocka_unit_test(test_weighted),
                                       cmocka_unit_test(test_drift), cmocka_unit_test(test_bad)};
    return cmocka_run_group_tests_name("relief_height", tests, NULL, NULL);
}
