// Even light: known fall-offs with dust and noise come out; what is no board is refused.
#include "hc_test.h"

#include "base/mem.h"
#include "base/rng.h"
#include "calibrate/calibrate.h"

#define W 320
#define H 240

// Two lamps from the left, a lens that darkens the corners; a colour cast between the sides.
static double light_at(int k, double x, double y)
{
    double lamp = 1.0 / (1.0 + 0.5 * ((x + 1.4) * (x + 1.4) / 6.0 + y * y / 8.0));
    double lens = 1.0 - 0.12 * (x * x + y * y);
    return 0.6 * lamp * lens * (1.0 + 0.02 * k * x);
}

static void draw(struct hc_lin3 *out, int w, int h, double noise, int dust)
{
    struct hc_rng rng = hc_rng_make(11);
    struct hc_err err;
    assert_ok(hc_lin3_create(out, w, h, &err), &err);
    for (int k = 0; k < 3; k++) {
        for (int y = 0; y < h; y++) {
            for (int x = 0; x < w; x++) {
                double v = light_at(k, 2.0 * (x + 0.5) / w - 1.0, 2.0 * (y + 0.5) / h - 1.0);
                hc_plane_row(&out->ch[k], y)[x] = (float)(v * (1.0 + noise * hc_rng_normal(&rng)));
            }
        }
    }
    for (int d = 0; d < dust; d++) {
        int cx = hc_rng_below(&rng, w), cy = hc_rng_below(&rng, h), r = 3 + hc_rng_below(&rng, 9);
        for (int y = cy - r; y <= cy + r; y++) {
            for (int x = cx - r; x <= cx + r; x++) {
                for (int k = 0; k < 3 && x >= 0 && y >= 0 && x < w && y < h; k++) {
                    hc_plane_row(&out->ch[k], y)[x] *= 0.4F;
                }
            }
        }
    }
}

static void known_falloff(void **state)
{
    struct hc_lin3 board, even;
    struct hc_flat flat;
    struct hc_err err;
    (void)state;
    draw(&board, W, H, 0.01, 14);
    assert_ok(hc_flat_measure(&flat, &board, 0.0, &err), &err);
    print_message(
        "degree %d: %.1f %% before, %.2f %% after, L* %.1f to %.2f, dust %.3f, scatter %.2f\n",
        flat.degree, flat.before_percent[1], flat.after_percent[1], flat.before_delta_l,
        flat.after_delta_l, flat.dust_share, flat.residual_percent);
    assert_true(flat.before_percent[1] > 30.0 && flat.after_percent[1] < 3.0);
    assert_true(flat.after_delta_l < 1.0 && flat.before_delta_l > 10.0);
    assert_true(flat.dust_share > 0.005 && flat.dust_share < 0.1);
    // on a clean view of another size the light is even to 0.3 %, in strips as in one piece
    draw(&even, 2 * W, 2 * H, 0.0, 0);
    for (int y0 = 0; y0 < 2 * H; y0 += 50) {
        int rows = y0 + 50 < 2 * H ? 50 : 2 * H - y0;
        struct hc_lin3 strip;
        for (int k = 0; k < 3; k++) {
            strip.ch[k] = hc_plane_part(&even.ch[k], 0, y0, 2 * W, rows);
        }
        hc_flat_apply_rows(&strip, &flat, y0, 2 * W, 2 * H);
    }
    for (int k = 0; k < 3; k++) {
        double low = 1e9, high = 0.0;
        for (int y = 0; y < 2 * H; y++) {
            for (int x = 0; x < 2 * W; x++) {
                low = fmin(low, (double)hc_plane_get(&even.ch[k], x, y));
                high = fmax(high, (double)hc_plane_get(&even.ch[k], x, y));
            }
        }
        print_message("channel %d: %.3f %% left\n", k, 100.0 * (high - low) / high);
        assert_true((high - low) / high < 0.01);
    }
    hc_lin3_release(&board);
    hc_lin3_release(&even);
}

// The mean gain is 1 and interpolation of wide rows does not show.
static void gain_is_one_on_average(void **state)
{
    struct hc_lin3 board, ones, wide;
    struct hc_flat flat;
    struct hc_err err;
    (void)state;
    draw(&board, W, H, 0.002, 0);
    assert_ok(hc_flat_measure(&flat, &board, 0.0, &err), &err);
    assert_ok(hc_lin3_create(&ones, W, H, &err), &err);
    assert_ok(hc_lin3_create(&wide, 4000, 1, &err), &err);
    for (int k = 0; k < 3; k++) {
        double sum = 0.0;
        hc_plane_fill(&ones.ch[k], 1.0F);
        hc_plane_fill(&wide.ch[k], 1.0F);
        hc_flat_apply_rows(&ones, &flat, 0, W, H);
        for (int y = 0; y < H; y++) {
            for (int x = 0; x < W; x++) {
                sum += (double)hc_plane_get(&ones.ch[k], x, y) / (W * H);
            }
        }
        near_abs(sum, 1.0, 0.002);
        hc_plane_fill(&ones.ch[(k + 1) % 3], 1.0F);
        hc_plane_fill(&ones.ch[(k + 2) % 3], 1.0F);
    }
    hc_flat_apply_rows(&wide, &flat, 1000, 4000, 3000);
    for (int x = 1; x + 1 < 4000; x++) { // no kinks
        double bend = (double)hc_plane_get(&wide.ch[1], x + 1, 0) -
                      2.0 * (double)hc_plane_get(&wide.ch[1], x, 0) +
                      (double)hc_plane_get(&wide.ch[1], x - 1, 0);
        assert_true(fabs(bend) < 5e-5);
    }
    hc_lin3_release(&board);
    hc_lin3_release(&ones);
    hc_lin3_release(&wide);
}

static void refuses(struct hc_lin3 *board, const char *part)
{
    struct hc_flat flat;
    struct hc_err err = {0};
    assert_int_equal(hc_flat_measure(&flat, board, 0.0, &err), HC_EREFUSED);
    if (!strstr(err.what, part)) {
        print_error("%s\n", err.what);
        fail();
    }
}

static void scale(struct hc_lin3 *p, double a)
{
    for (int k = 0; k < 3; k++) {
        for (int y = 0; y < p->ch[k].h; y++) {
            for (int x = 0; x < p->ch[k].w; x++) {
                hc_plane_row(&p->ch[k], y)[x] *= (float)a;
            }
        }
    }
}

static void refuses_bad_boards(void **state)
{
    struct hc_lin3 board;
    struct hc_flat flat;
    struct hc_err err = {0};
    (void)state;
    draw(&board, W, H, 0.005, 0);
    scale(&board, 4.0);
    refuses(&board, "clipped");
    scale(&board, 0.005);
    refuses(&board, "too dark");
    scale(&board, 50.0);
    for (int y = 0; y < H; y++) { // a picture hangs there
        for (int x = 0; x < W; x++) {
            if ((x / 20 + y / 20) % 2) {
                hc_plane_row(&board.ch[1], y)[x] *= 0.7F;
            }
        }
    }
    refuses(&board, "no view of an even board");
    for (int k = 0; k < 3; k++) {
        for (int y = 0; y < H; y++) {
            for (int x = 0; x < W; x++) {
                hc_plane_row(&board.ch[k], y)[x] = (float)(0.1 + 0.8 * x / W);
            }
        }
    }
    refuses(&board, "falls off");
    hc_lin3_release(&board);
    assert_ok(hc_lin3_create(&board, 30, 30, &err), &err);
    assert_int_equal(hc_flat_measure(&flat, &board, 0.0, &err), HC_ERANGE);
    hc_lin3_release(&board);
    draw(&board, 64, 64, 0.005, 0);
    size_t before = hc_mem_live();
    for (long n = 0; n < 10; n++) {
        hc_mem_fail_at(n);
        assert_int_equal(hc_flat_measure(&flat, &board, 0.0, &err), HC_ENOMEM);
        hc_mem_fail_at(-1);
        assert_int_equal(hc_mem_live(), before);
    }
    hc_lin3_release(&board);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(known_falloff),
        cmocka_unit_test(gain_is_one_on_average),
        cmocka_unit_test(refuses_bad_boards),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
