// The finder: where a drawn target lies, at any turn and in perspective; and no target where there
// is none.
#include "hc_test.h"

#include "base/mem.h"
#include "calibrate/calibrate_scene.h"
#include "colour/colour.h"

static struct hc_scene_data data;
static double rgb[24][3];

static int setup(void **state)
{
    const char *root = getenv("HC_SOURCE_ROOT");
    (void)state;
    if (!hc_scene_load(&data, root ? root : ".")) {
        return 1;
    }
    hc_scene_camera(rgb, &data, &data.chart, 0, "D50");
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    hc_scene_release(&data);
    return 0;
}

static void finds(const struct hc_scene_picture *p, double tolerance_px)
{
    struct hc_lin3 lin;
    struct hc_target_place place;
    struct hc_err err = {0};
    assert_ok(hc_scene_draw(&lin, p, (const double(*)[3])rgb, 4, 6, &err), &err);
    assert_ok(hc_target_find(&place, &lin, &data.target, &err), &err);
    print_message("seen %d, misfit %.2f, rival %.2f, confidence %.2f\n", place.seen,
                  place.misfit_de, place.rival_de, place.confidence);
    assert_true(place.confidence >= 0.5 && place.confidence <= 1.0);
    for (int k = 0; k < 4; k++) {
        near_abs(place.corner[k].x, p->corner[k].x, tolerance_px);
        near_abs(place.corner[k].y, p->corner[k].y, tolerance_px);
    }
    hc_lin3_release(&lin);
}

static void at_any_turn(void **state)
{
    (void)state;
    for (int turn = 0; turn < 360; turn += 33) {
        struct hc_scene_picture p = hc_scene_plain(360, 340, 34.0, turn, 4, 6);
        p.seed = (uint64_t)turn + 1;
        finds(&p, 1.0);
    }
}

static void in_perspective_small_and_large(void **state)
{
    (void)state;
    struct hc_scene_picture p = hc_scene_plain(500, 400, 50.0, 4.0, 4, 6);
    p.corner[0].x += 22.0; // a lens close to the target: one side 15 % shorter
    p.corner[0].y += 14.0;
    p.corner[1].x -= 5.0;
    p.corner[2].y += 12.0;
    finds(&p, 1.0);
    p = hc_scene_plain(900, 700, 13.0, 8.0, 4, 6); // a small target in a large picture
    finds(&p, 0.7);
    p = hc_scene_plain(700, 520, 95.0, -6.0, 4, 6);
    p.gap = 0.3;
    finds(&p, 1.0);
}

static void with_noise_and_dim(void **state)
{
    (void)state;
    struct hc_scene_picture p = hc_scene_plain(420, 320, 44.0, 181.0, 4, 6);
    p.noise = 0.03;
    finds(&p, 1.0);
    p.noise = 0.004;
    p.surround[0] = p.surround[1] = p.surround[2] = 0.9; // white between the patches
    finds(&p, 1.0);
}

static void with_hidden_patches(void **state)
{
    struct hc_scene_picture p = hc_scene_plain(420, 320, 44.0, 10.0, 4, 6);
    struct hc_lin3 lin;
    struct hc_target_place place;
    struct hc_patch patch[24];
    struct hc_calibration c;
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_scene_draw(&lin, &p, (const double(*)[3])rgb, 4, 6, &err), &err);
    for (int y = 0; y < 320; y++) { // something lies over the first two patches
        for (int x = 0; x < 420; x++) {
            double dx = x - p.corner[0].x, dy = y - p.corner[0].y;
            if (fabs(dx + 0.17 * dy - 22.0) < 45.0 && fabs(dy - 0.17 * dx) < 25.0) {
                hc_plane_row(&lin.ch[0], y)[x] = 0.35F + 0.002F * (float)(x % 9);
                hc_plane_row(&lin.ch[1], y)[x] = 0.30F + 0.002F * (float)(x % 7);
                hc_plane_row(&lin.ch[2], y)[x] = 0.28F;
            }
        }
    }
    assert_ok(hc_target_find(&place, &lin, &data.target, &err), &err);
    for (int k = 0; k < 4; k++) {
        near_abs(place.corner[k].x, p.corner[k].x, 1.5);
        near_abs(place.corner[k].y, p.corner[k].y, 1.5);
    }
    assert_ok(hc_target_measure(patch, &lin, &data.target, place.corner, 0.0, &err), &err);
    assert_ok(hc_calibrate_fit(&c, patch, &data.target, HC_CALIBRATE_BEST, &err), &err);
    assert_true(patch[0].faults && patch[1].faults);
    assert_int_equal(c.left_out, 2);
    assert_true(c.out.mean < 1.2);
    hc_lin3_release(&lin);
}

// A lamp mirrored in the target: found all the same, and refused with the names of what it hides.
static void with_glare(void **state)
{
    struct hc_scene_picture p = hc_scene_plain(420, 320, 44.0, 17.0, 4, 6);
    struct hc_lin3 lin;
    struct hc_target_place place;
    struct hc_patch patch[24];
    struct hc_calibration c;
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_scene_draw(&lin, &p, (const double(*)[3])rgb, 4, 6, &err), &err);
    for (int y = 0; y < 320; y++) {
        for (int x = 0; x < 420; x++) {
            double d = hypot(x - p.corner[2].x + 22.0, y - p.corner[2].y + 29.0);
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&lin.ch[k], y)[x] += (float)(0.7 * exp(-d * d / 500.0));
            }
        }
    }
    assert_ok(hc_target_find(&place, &lin, &data.target, &err), &err);
    near_abs(place.corner[2].x, p.corner[2].x, 3.0); // the glare pulls at what is seen of it
    assert_ok(hc_target_measure(patch, &lin, &data.target, place.corner, 0.0, &err), &err);
    assert_true(patch[22].faults & HC_PATCH_UNEVEN);
    assert_int_equal(hc_calibrate_fit(&c, patch, &data.target, HC_CALIBRATE_BEST, &err),
                     HC_EREFUSED);
    assert_non_null(strstr(err.what, "neutral 3.5"));
    assert_non_null(strstr(err.what, "magenta"));
    hc_lin3_release(&lin);
}

// Pictures without this target: refused, never placed.
static void refuses_what_is_none(void **state)
{
    struct hc_lin3 lin;
    struct hc_target_place place;
    struct hc_err err = {0};
    struct hc_rng rng = hc_rng_make(5);
    (void)state;
    for (int kind = 0; kind < 12; kind++) {
        double other[24][3];
        struct hc_scene_picture p = hc_scene_plain(400, 300, 40.0, 5.0 * kind, 4, 6);
        p.seed = (uint64_t)kind;
        for (int i = 0; i < 24; i++) {
            double grey = hc_rng_unit(&rng);
            for (int k = 0; k < 3; k++) {
                other[i][k] = kind < 4    ? 0.02 + 0.9 * hc_rng_unit(&rng)       // other colours
                              : kind < 8  ? (kind % 2 ? 0.05 + 0.8 * grey : 0.5) // greys, tiles
                              : kind < 10 ? rgb[(i + 7) % 24][k] // the same, in another order
                                          : 0.03;                // nothing
            }
        }
        assert_ok(hc_scene_draw(&lin, &p, (const double(*)[3])other, 4, 6, &err), &err);
        if (kind == 11) { // noise alone
            for (int y = 0; y < 300; y++) {
                for (int x = 0; x < 400; x++) {
                    for (int k = 0; k < 3; k++) {
                        hc_plane_row(&lin.ch[k], y)[x] = (float)hc_rng_unit(&rng);
                    }
                }
            }
        }
        hc_status st = hc_target_find(&place, &lin, &data.target, &err);
        if (st != HC_EREFUSED) {
            print_error("kind %d: %s, confidence %.2f, misfit %.2f, rival %.2f\n", kind,
                        hc_status_name(st), place.confidence, place.misfit_de, place.rival_de);
        }
        assert_int_equal(st, HC_EREFUSED);
        hc_lin3_release(&lin);
    }
    // a mirrored target is none
    struct hc_scene_picture p = hc_scene_plain(400, 300, 40.0, 5.0, 4, 6);
    assert_ok(hc_scene_draw(&lin, &p, (const double(*)[3])rgb, 4, 6, &err), &err);
    for (int k = 0; k < 3; k++) {
        for (int y = 0; y < 300; y++) {
            float *row = hc_plane_row(&lin.ch[k], y);
            for (int x = 0; x < 200; x++) {
                float v = row[x];
                row[x] = row[399 - x];
                row[399 - x] = v;
            }
        }
    }
    assert_int_equal(hc_target_find(&place, &lin, &data.target, &err), HC_EREFUSED);
    hc_lin3_release(&lin);
}

static void refuses_sizes(void **state)
{
    struct hc_lin3 lin;
    struct hc_target_place place;
    struct hc_err err = {0};
    struct hc_target few = data.target;
    (void)state;
    assert_ok(hc_lin3_create(&lin, 180, 100, &err), &err);
    assert_int_equal(hc_target_find(&place, &lin, &data.target, &err), HC_ERANGE);
    hc_lin3_release(&lin);
    assert_ok(hc_lin3_create(&lin, 240, 240, &err), &err);
    few.rows = 2;
    few.cols = 3;
    few.n = 6;
    assert_int_equal(hc_target_find(&place, &lin, &few, &err), HC_EUNSUPPORTED);
    size_t before = hc_mem_live();
    for (long k = 0; k < 8; k++) {
        hc_mem_fail_at(k);
        assert_int_equal(hc_target_find(&place, &lin, &data.target, &err), HC_ENOMEM);
        hc_mem_fail_at(-1);
        assert_int_equal(hc_mem_live(), before);
    }
    hc_lin3_release(&lin);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(at_any_turn),        cmocka_unit_test(in_perspective_small_and_large),
        cmocka_unit_test(with_noise_and_dim), cmocka_unit_test(with_hidden_patches),
        cmocka_unit_test(with_glare),         cmocka_unit_test(refuses_what_is_none),
        cmocka_unit_test(refuses_sizes),
    };
    return cmocka_run_group_tests(tests, setup, teardown);
}
