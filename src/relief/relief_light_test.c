#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "relief/relief.h"

static struct hc_relief_light lamp(double az, double el)
{
    struct hc_relief_light l = {0};
    struct hc_err err = {0};
    assert_ok(hc_relief_light_angles(&l, az, el, &err), &err);
    return l;
}

static double off_deg(const struct hc_relief_light *a, const struct hc_relief_light *b)
{
    double dot = a->dir[0] * b->dir[0] + a->dir[1] * b->dir[1] + a->dir[2] * b->dir[2];
    return acos(fmin(1, dot)) * 180 / M_PI;
}

// 0 = from the right, 90 = from above.
static void test_angles(void **state)
{
    struct hc_err err = {0};
    struct hc_relief_light l = lamp(0, 30), out;
    double az, el;
    (void)state;
    near_abs(l.dir[0], cos(M_PI / 6), 1e-12);
    l = lamp(90, 30);
    near_abs(l.dir[1], cos(M_PI / 6), 1e-12);
    near_abs(l.dir[2], 0.5, 1e-12);
    l = lamp(250, 12);
    hc_relief_light_to_angles(&l, &az, &el);
    near_abs(az, 250, 1e-9);
    near_abs(el, 12, 1e-9);
    assert_int_equal(hc_relief_light_angles(&out, 10, 0, &err), HC_ERANGE);
    assert_int_equal(hc_relief_light_angles(&out, 10, -5, &err), HC_ERANGE);
    assert_int_equal(hc_relief_light_angles(&out, 10, 91, &err), HC_ERANGE);
    assert_int_equal(hc_relief_light_angles(&out, (double)NAN, 20, &err), HC_ERANGE);
    assert_int_equal(hc_relief_light_position(&out, 0, 0, -10, &err), HC_ERANGE);
    assert_int_equal(hc_relief_light_position(&out, 0, (double)NAN, 10, &err), HC_ERANGE);
}

static void test_near(void **state)
{
    struct hc_err err = {0};
    struct hc_relief_light l;
    double d[3], gain;
    (void)state;
    assert_ok(hc_relief_light_position(&l, 300, 0, 400, &err), &err);
    hc_relief_light_at(&l, 0, 0, d, &gain);
    near_abs(d[0], 0.6, 1e-12);
    near_abs(gain, 1, 1e-12);
    hc_relief_light_at(&l, 300, 0, d, &gain);
    near_abs(d[2], 1, 1e-12);
    near_abs(gain, 25.0 / 16, 1e-12); // 500^2 / 400^2
}

static void test_rig(void **state)
{
    struct hc_relief_light ring[12], line[3];
    struct hc_relief_rig r;
    (void)state;
    for (int i = 0; i < 12; i++) {
        ring[i] = lamp(30 * i, 30);
    }
    hc_relief_rig_check(&r, ring, 12);
    assert_true(r.is_usable);
    near_abs(r.azimuth_gap_deg, 30, 1e-9);
    // var(g_x) = 2 s^2 / (K sin^2 t), mean signal cos t
    near_abs(r.slope_noise, sqrt(2.0 / 12) / sin(M_PI / 3) * 0.5, 1e-12);
    near_abs(r.condition,
             sin(M_PI / 3) / cos(M_PI / 3) < sqrt(2.0) ? sqrt(2.0) / tan(M_PI / 3)
                                                       : tan(M_PI / 3) / sqrt(2.0),
             1e-9);
    hc_relief_rig_check(&r, ring, 2);
    assert_false(r.is_usable);
    // Three lamps in a plane through the camera axis, and three with one azimuth.
    line[0] = lamp(0, 20);
    line[1] = lamp(180, 20);
    line[2] = lamp(0, 60);
    hc_relief_rig_check(&r, line, 3);
    assert_false(r.is_usable);
    assert_non_null(strstr(r.why, "one line"));
    line[1] = lamp(120, 90);
    hc_relief_rig_check(&r, line, 3);
    assert_false(r.is_usable);
    ring[3].dir[2] = -0.2;
    hc_relief_rig_check(&r, ring, 12);
    assert_false(r.is_usable);
    assert_non_null(strstr(r.why, "below"));
    hc_relief_rig_check(&r, ring, 0);
    assert_false(r.is_usable);
}

// A mirror sphere that shows a lamp at pos (mm from the centre of the picture): the highlight is
// found by search, independently of the formula under test.
static void draw_mirror(struct hc_plane *g, struct hc_relief_sphere s, const double pos[3],
                        double mm, double cx, double cy)
{
    for (int y = 0; y < g->h; y++) {
        for (int x = 0; x < g->w; x++) {
            double n[3] = {(x + 0.5 - s.x) / s.r, -(y + 0.5 - s.y) / s.r, 0}, l[3], len = 0, hz,
                   dot;
            double out = n[0] * n[0] + n[1] * n[1];
            if (out >= 1) {
                continue;
            }
            n[2] = sqrt(1 - out);
            l[0] = pos[0] - (s.x - cx + s.r * n[0]) * mm;
            l[1] = pos[1] - (cy - s.y + s.r * n[1]) * mm;
            l[2] = pos[2] - s.r * (1 + n[2]) * mm;
            for (int k = 0; k < 3; k++) {
                len += l[k] * l[k];
            }
            len = sqrt(len);
            hz = l[2] / len + 1; // half vector, not normalised
            double h2 = (l[0] * l[0] + l[1] * l[1]) / (len * len) + hz * hz;
            dot = (n[0] * l[0] / len + n[1] * l[1] / len + n[2] * hz) / sqrt(h2);
            hc_plane_row(g, y)[x] = (float)(0.1 + 0.9 * exp((dot - 1) * 4000));
        }
    }
}

static void test_mirror(void **state)
{
    struct hc_err err = {0};
    struct hc_plane g = {0};
    struct hc_relief_sphere s[3] = {{150, 160, 100}, {900, 150, 100}, {520, 640, 90}};
    struct hc_relief_highlight h[3];
    struct hc_relief_light out, want;
    double mm = 0.2, pos[3] = {-420, 260, 500};
    (void)state;
    assert_ok(hc_plane_create(&g, 1024, 768, &err), &err);
    for (int i = 0; i < 3; i++) {
        draw_mirror(&g, s[i], pos, mm, 512, 384);
    }
    for (int i = 0; i < 3; i++) {
        assert_ok(hc_relief_highlight_find(&h[i], &g, s[i], &err), &err);
    }
    assert_ok(hc_relief_light_mirror(&out, h, s, 3, mm, 512, 384, &err), &err);
    assert_true(out.is_near);
    for (int k = 0; k < 3; k++) {
        near_abs(out.pos_mm[k], pos[k], 12);
    }
    assert_true(out.residual_deg >= 0 && out.residual_deg < 0.3);
    assert_ok(hc_relief_light_position(&want, pos[0], pos[1], pos[2], &err), &err);
    assert_true(off_deg(&out, &want) < 0.4);
    // One sphere: a far lamp, no residual. R = 100 px, 0.5 px, normal at 30 degrees: 0.66 degrees.
    assert_ok(hc_relief_light_mirror(&out, h, s, 1, mm, 512, 384, &err), &err);
    assert_false(out.is_near);
    assert_true(out.residual_deg < 0);
    h[0].x = s[0].x + 50;
    h[0].y = s[0].y;
    assert_ok(hc_relief_light_mirror(&out, h, s, 1, mm, 512, 384, &err), &err);
    near_abs(out.sigma_deg, 0.66, 0.005);
    near_abs(out.dir[0], sin(M_PI / 3), 1e-9);
    h[0].x = s[0].x + 95; // the lamp would stand below the picture
    assert_int_equal(hc_relief_light_mirror(&out, h, s, 1, mm, 512, 384, &err), HC_EREFUSED);
    h[0].x = s[0].x + 105;
    assert_int_equal(hc_relief_light_mirror(&out, h, s, 1, mm, 512, 384, &err), HC_EREFUSED);
    hc_plane_release(&g);
}

static void test_bad_spheres(void **state)
{
    struct hc_err err = {0};
    struct hc_plane g = {0};
    struct hc_relief_sphere s = {100, 100, 80}, cut = {-5, 100, 80}, off = {-200, 100, 80};
    struct hc_relief_highlight h;
    struct hc_relief_light l;
    double pos[3] = {300, 0, 400};
    (void)state;
    assert_ok(hc_plane_create(&g, 200, 200, &err), &err);
    assert_int_equal(hc_relief_highlight_find(&h, &g, s, &err), HC_EREFUSED); // all black
    draw_mirror(&g, s, pos, 0.2, 100, 100);
    assert_ok(hc_relief_highlight_find(&h, &g, s, &err), &err);
    assert_int_equal(hc_relief_highlight_find(&h, &g, cut, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "outside the view"));
    assert_int_equal(hc_relief_highlight_find(&h, &g, off, &err), HC_EREFUSED);
    pos[0] = -300; // a second lamp
    double keep[3] = {300, 0, 400};
    draw_mirror(&g, s, pos, 0.2, 100, 100);
    struct hc_plane two = {0};
    assert_ok(hc_plane_create(&two, 200, 200, &err), &err);
    draw_mirror(&two, s, keep, 0.2, 100, 100);
    for (int i = 0; i < 200 * 200; i++) {
        g.px[i] = fmaxf(g.px[i], two.px[i]);
    }
    assert_int_equal(hc_relief_highlight_find(&h, &g, s, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "two highlights"));
    // A mirror is no matte sphere, nor is black.
    assert_int_equal(hc_relief_light_matte(&l, NULL, &two, s, &err), HC_EREFUSED);
    hc_plane_fill(&g, 0);
    assert_int_equal(hc_relief_light_matte(&l, NULL, &g, s, &err), HC_EREFUSED);
    hc_plane_fill(&g, 1);
    assert_int_equal(hc_relief_light_matte(&l, NULL, &g, s, &err), HC_EREFUSED);
    assert_int_equal(
        hc_relief_highlight_find(&h, &g, (struct hc_relief_sphere){(double)NAN, 1, 50}, &err),
        HC_ERANGE);
    hc_plane_release(&two);
    hc_plane_release(&g);
}

static void test_matte(void **state)
{
    struct hc_err err = {0};
    struct hc_plane g = {0};
    struct hc_relief_sphere s = {128, 120, 90};
    struct hc_rng rng = hc_rng_make(5);
    (void)state;
    assert_ok(hc_plane_create(&g, 256, 240, &err), &err);
    for (int el = 15; el <= 75; el += 30) {
        struct hc_relief_light want = lamp(40 + el, el), got;
        double strength;
        for (int y = 0; y < g.h; y++) {
            for (int x = 0; x < g.w; x++) {
                double n[2] = {(x + 0.5 - s.x) / s.r, -(y + 0.5 - s.y) / s.r};
                double z2 = 1 - n[0] * n[0] - n[1] * n[1], v = 0.3;
                if (z2 > 0) {
                    v = 0.7 *
                        fmax(0, n[0] * want.dir[0] + n[1] * want.dir[1] + sqrt(z2) * want.dir[2]);
                }
                hc_plane_row(&g, y)[x] = (float)(v + 0.005 * hc_rng_normal(&rng));
            }
        }
        assert_ok(hc_relief_light_matte(&got, &strength, &g, s, &err), &err);
        assert_true(off_deg(&got, &want) < 0.2);
        near_abs(strength, 0.7, 0.005);
        assert_true(got.residual_deg >= 0 && got.residual_deg < 0.5);
        assert_true(got.sigma_deg > 0 && got.sigma_deg < 0.1);
    }
    hc_plane_release(&g);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_angles),      cmocka_unit_test(test_near),
        cmocka_unit_test(test_rig),         cmocka_unit_test(test_mirror),
        cmocka_unit_test(test_bad_spheres), cmocka_unit_test(test_matte)};
    return cmocka_run_group_tests_name("relief_light", tests, NULL, NULL);
}
