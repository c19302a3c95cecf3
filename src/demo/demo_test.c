#include "hc_test.h"

#include <string.h>

#include "base/mem.h"
#include "demo_priv.h"

#define W 240
#define H 288

// Made once for all cases: the same picture by one thread and by two.
static struct hc_demo *one, *two;
static struct hc_par *pool;

static int set_up(void **state)
{
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_par_create(&pool, 2, &err), &err);
    assert_ok(hc_demo_create(&one, W, H, 5, NULL, NULL, &err), &err);
    assert_ok(hc_demo_create(&two, W, H, 5, pool, NULL, &err), &err);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    hc_demo_destroy(one);
    hc_demo_destroy(two);
    hc_par_destroy(pool);
    return hc_mem_live() == 0 ? 0 : 1;
}

struct shot3 {
    struct hc_plane band[3];
    int bands;
};

static struct shot3 take(struct hc_demo *d, enum hc_demo_view v, int y0, int h)
{
    struct shot3 s = {.bands = hc_demo_view_info(v).bands};
    struct hc_err err = {0};
    for (int k = 0; k < s.bands; k++) {
        assert_ok(hc_plane_create(&s.band[k], W, h, &err), &err);
    }
    assert_ok(hc_demo_rows(d, v, y0, s.band, &err), &err);
    return s;
}

static void drop(struct shot3 *s)
{
    for (int k = 0; k < s->bands; k++) {
        hc_plane_release(&s->band[k]);
    }
}

static void lab_at(double lab[3], const struct shot3 *s, int x, int y)
{
    double srgb[3], lin[3];
    for (int k = 0; k < 3; k++) {
        srgb[k] = (double)hc_plane_get(&s->band[k], x, y);
    }
    hc_colour_srgb_to_lin(lin, srgb);
    hc_colour_lin_to_lab_d50(lab, lin);
}

static void threads_change_nothing(void **state)
{
    (void)state;
    for (int v = 0; v < HC_DEMO_VIEW_COUNT; v++) {
        struct shot3 a = take(one, (enum hc_demo_view)v, 0, H);
        struct shot3 b = take(two, (enum hc_demo_view)v, 0, H);
        for (int k = 0; k < a.bands; k++) {
            assert_memory_equal(a.band[k].px, b.band[k].px, sizeof(float) * W * H);
        }
        drop(&a);
        drop(&b);
    }
}

static void pieces_are_the_whole(void **state)
{
    (void)state;
    for (int v = 0; v < HC_DEMO_VIEW_COUNT; v++) {
        struct shot3 whole = take(two, (enum hc_demo_view)v, 0, H);
        struct shot3 part = take(two, (enum hc_demo_view)v, 101, 37);
        for (int k = 0; k < whole.bands; k++) {
            assert_memory_equal(hc_plane_row(&whole.band[k], 101), part.band[k].px,
                                sizeof(float) * W * 37);
        }
        drop(&whole);
        drop(&part);
    }
}

static void values_lie_in_range(void **state)
{
    (void)state;
    for (int v = 0; v < HC_DEMO_VIEW_COUNT; v++) {
        struct shot3 s = take(two, (enum hc_demo_view)v, 0, H);
        double top = v == HC_DEMO_TRUTH_COAT ? 6.0 : 1.0, least = 2.0, most = -1.0;
        for (int k = 0; k < s.bands; k++) {
            for (int i = 0; i < W * H; i++) {
                double p = (double)s.band[k].px[i];
                assert_true(isfinite(p) && p >= 0.0 && p <= top);
                least = fmin(least, p);
                most = fmax(most, p);
            }
        }
        // A picture, not a flat field: at least a third of the range is used by photographs.
        assert_true(most - least > (v >= HC_DEMO_TRUTH_COAT ? 0.1 : 0.33));
        drop(&s);
    }
}

static void another_seed_is_another_picture(void **state)
{
    struct hc_demo *other;
    struct hc_err err = {0};
    int same = 0;
    (void)state;
    assert_ok(hc_demo_create(&other, W, H, 6, pool, NULL, &err), &err);
    struct shot3 a = take(two, HC_DEMO_BEFORE, 0, H), b = take(other, HC_DEMO_BEFORE, 0, H);
    for (int i = 0; i < W * H; i++) {
        same += fabs((double)(a.band[1].px[i] - b.band[1].px[i])) < 1e-6;
    }
    assert_true(same < W * H / 20);
    drop(&a);
    drop(&b);
    hc_demo_destroy(other);
}

static void windows_fit(void **state)
{
    const struct hc_demo_window *w = hc_demo_windows(two);
    struct shot3 after = take(two, HC_DEMO_TRUTH_AFTER, 0, H);
    struct shot3 cover = take(two, HC_DEMO_TRUTH_COVER, 0, H);
    int darks = 0, lights = 0;
    (void)state;
    for (int k = 0; k < HC_DEMO_WINDOWS; k++) {
        struct hc_box box = hc_poly_box(w[k].corner, 4);
        double to_small = 750.0 / W;
        assert_true(box.x0 > 0.0 && box.y0 > 0.0 && box.x1 < W && box.y1 < H);
        assert_true((box.x1 - box.x0) * to_small >= 25.0 && (box.y1 - box.y0) * to_small >= 25.0);
        assert_false(hc_poly_is_crossing(w[k].corner, 4));
        for (int j = 0; j < k; j++) {
            assert_false(hc_poly_is_overlapping(w[k].corner, 4, w[j].corner, 4));
        }
        double sum = 0.0, n = 0.0;
        for (int y = (int)box.y0; y < (int)box.y1; y++) {
            for (int x = (int)box.x0; x < (int)box.x1; x++) {
                double lab[3];
                lab_at(lab, &after, x, y);
                sum += lab[0];
                n += 1.0;
                near_abs((double)hc_plane_get(&cover.band[0], x, y), 0.0, 0.02);
            }
        }
        darks += sum / n < 35.0;
        lights += sum / n > 60.0;
    }
    assert_true(darks >= 2 && lights >= 2);
    drop(&after);
    drop(&cover);
}

// The coat yellows and darkens the lights and does not show where the window is open.
static void the_coat_yellows(void **state)
{
    struct shot3 before = take(two, HC_DEMO_BEFORE, 0, H),
                 cover = take(two, HC_DEMO_TRUTH_COVER, 0, H);
    struct shot3 after = take(two, HC_DEMO_TRUTH_AFTER, 0, H);
    double db = 0.0, dl = 0.0, n = 0.0;
    (void)state;
    for (int y = 0; y < H; y += 2) {
        for (int x = 0; x < W; x += 2) {
            double a[3], b[3];
            if (hc_plane_get(&cover.band[0], x, y) > 0.01f) {
                continue;
            }
            lab_at(a, &after, x, y);
            lab_at(b, &before, x, y);
            if (a[0] > 55.0) {
                db += b[2] - a[2];
                dl += b[0] - a[0];
                n += 1.0;
            }
        }
    }
    assert_true(n > 500.0);
    assert_true(db / n > 4.0);
    assert_true(dl / n < -4.0);
    drop(&before);
    drop(&after);
    drop(&cover);
}

static void test_view_is_clean_in_windows(void **state)
{
    struct shot3 test = take(two, HC_DEMO_TEST, 0, H), after = take(two, HC_DEMO_TRUTH_AFTER, 0, H);
    struct shot3 before = take(two, HC_DEMO_BEFORE, 0, H);
    const struct hc_demo_window *w = hc_demo_windows(two);
    (void)state;
    for (int k = 0; k < HC_DEMO_WINDOWS; k++) {
        double got[3] = {0}, want[3] = {0}, coated[3] = {0};
        double cx = 0.0, cy = 0.0;
        for (int i = 0; i < 4; i++) {
            cx += w[k].corner[i].x / 4.0;
            cy += w[k].corner[i].y / 4.0;
        }
        for (int y = (int)cy - 2; y <= (int)cy + 2; y++) {
            for (int x = (int)cx - 2; x <= (int)cx + 2; x++) {
                double g[3], a[3], b[3];
                lab_at(g, &test, x + 1, y - 1); // moved by (1.3, -0.8)
                lab_at(a, &after, x, y);
                lab_at(b, &before, x, y);
                for (int j = 0; j < 3; j++) {
                    got[j] += g[j] / 25.0;
                    want[j] += a[j] / 25.0;
                    coated[j] += b[j] / 25.0;
                }
            }
        }
        // Exposure +3 % is about one unit of L*.
        double clean = hc_colour_ciede2000(got, want), dirty = hc_colour_ciede2000(coated, want);
        assert_true(clean < 2.5);
        assert_true(dirty > clean);
    }
    drop(&test);
    drop(&after);
    drop(&before);
}

static void later_paint_is_dark_in_uv(void **state)
{
    struct shot3 uv = take(two, HC_DEMO_UV, 0, H), cover = take(two, HC_DEMO_TRUTH_COVER, 0, H);
    double in = 0.0, n_in = 0.0, out = 0.0, n_out = 0.0;
    (void)state;
    for (int i = 0; i < W * H; i++) {
        double c = (double)cover.band[0].px[i], g = (double)uv.band[1].px[i];
        if (c > 0.85) {
            in += g;
            n_in += 1.0;
        } else if (c <= 0.0) {
            out += g;
            n_out += 1.0;
        }
    }
    assert_true(n_in > 200.0);
    assert_true(in / n_in < 0.6 * out / n_out);
    // Each zone the conservator marked holds later paint.
    size_t n;
    const struct hc_demo_zone *z = hc_demo_zones(two, &n);
    assert_true(n >= 1);
    for (size_t k = 0; k < n; k++) {
        double found = 0.0;
        for (int y = 0; y < H; y++) {
            for (int x = 0; x < W; x++) {
                struct hc_pt p = {x + 0.5, y + 0.5};
                if (hc_poly_has(z[k].corner, z[k].n, p)) {
                    found += (double)hc_plane_get(&cover.band[0], x, y);
                }
            }
        }
        assert_true(found > 20.0);
    }
    drop(&uv);
    drop(&cover);
}

// The fast coat of this room is the coat of the colour room.
static void coat_is_that_of_colour(void **state)
{
    (void)state;
    for (int i = 0; i < 60; i++) {
        struct film film = {.d = 0.03f * (float)i,
                            .grey = 0.01f * (float)(i % 5),
                            .haze = 0.012f * (float)(i % 4),
                            .surface = 0.004f};
        struct hc_coat coat = hc_demo_resin;
        float rho[HC_DEMO_BANDS], got[HC_DEMO_BANDS];
        double want[HC_SPECTRUM_N], in[HC_SPECTRUM_N];
        uint8_t mix[P_COUNT] = {0};
        mix[i % P_COUNT] = 150;
        mix[(i * 7 + 3) % P_COUNT] = 105;
        hc_demo_paint_rho(rho, &two->paints, mix);
        for (int b = 0; b < HC_SPECTRUM_N; b++) {
            in[b] = (double)rho[b];
        }
        coat.grey = (double)film.grey;
        coat.haze = (double)film.haze;
        coat.surface = (double)film.surface;
        hc_coat_over(want, in, hc_spectrum_nm, HC_SPECTRUM_N, (double)film.d, &coat);
        hc_demo_seen(got, rho, two->coats, film);
        for (int b = 0; b < HC_SPECTRUM_N; b++) {
            near_abs((double)got[b], want[b], 6e-4);
        }
    }
}

// Recipes reach the colours they are asked for inside the palette's range.
static void recipes_match(void **state)
{
    static const double want[3][3] = {{0.55, 0.53, 0.50}, {0.20, 0.19, 0.17}, {0.06, 0.06, 0.055}};
    (void)state;
    for (int i = 0; i < 3; i++) {
        float rho[HC_DEMO_BANDS];
        double got[3];
        struct mix m = hc_demo_recipe(&two->recipes, T_CLOTH, want[i]);
        hc_demo_paint_rho(rho, &two->paints, m.c);
        hc_demo_paint_srgb(got, &two->paints, rho);
        for (int k = 0; k < 3; k++) {
            near_abs(cbrt(got[k]), cbrt(want[i][k]), 0.02);
        }
    }
}

// The quince under the cloth: X-rays see it, the eye does not see its place by colour alone.
static void xray_shows_the_change(void **state)
{
    struct shot3 x = take(two, HC_DEMO_XRAY, 0, H);
    double mm = two->canvas.mm, in = 0.0, out = 0.0;
    (void)state;
    int cx = (int)((HC_DEMO_HIDDEN_X - 8.0) / mm), cy = (int)((HC_DEMO_HIDDEN_Y - 8.0) / mm);
    int far = (int)((HC_DEMO_HIDDEN_X - 48.0) / mm);
    for (int j = -6; j <= 6; j++) {
        for (int i = -6; i <= 6; i++) {
            in += (double)hc_plane_get(&x.band[0], cx + i, cy + j);
            out += (double)hc_plane_get(&x.band[0], far + i, cy + j);
        }
    }
    assert_true(in > 1.08 * out);
    drop(&x);
}

static void bad_requests(void **state)
{
    struct hc_demo *d = NULL;
    struct hc_err err = {0};
    struct hc_plane small = {0};
    (void)state;
    assert_int_equal(hc_demo_create(&d, 50, 60, 1, NULL, NULL, &err), HC_ERANGE);
    assert_int_equal(hc_demo_create(&d, 300, 300, 1, NULL, NULL, &err), HC_ERANGE);
    assert_null(d);
    assert_ok(hc_plane_create(&small, W, 8, &err), &err);
    assert_int_equal(hc_demo_rows(two, HC_DEMO_IR, H - 4, &small, &err), HC_ERANGE);
    assert_int_equal(hc_demo_rows(two, HC_DEMO_IR, -1, &small, &err), HC_ERANGE);
    assert_int_equal(hc_demo_rows(two, HC_DEMO_VIEW_COUNT, 0, &small, &err), HC_EARG);
    hc_plane_release(&small);
}

static void can_be_cancelled(void **state)
{
    struct hc_demo *d = NULL;
    struct hc_err err = {0};
    struct hc_job job = {0};
    size_t before = hc_mem_live();
    (void)state;
    atomic_store(&job.cancel, true);
    assert_int_equal(hc_demo_create(&d, 100, 120, 1, NULL, &job, &err), HC_ECANCEL);
    assert_null(d);
    assert_int_equal(hc_mem_live(), before);
}

// Every allocation that fails ends in an error and nothing is left behind.
static void memory_runs_out(void **state)
{
    size_t before = hc_mem_live();
    (void)state;
    for (long k = 0; k < 60; k += k < 12 ? 1 : 7) {
        struct hc_demo *d = NULL;
        struct hc_err err = {0};
        hc_mem_fail_at(k);
        hc_status st = hc_demo_create(&d, 100, 120, 1, NULL, NULL, &err);
        hc_mem_fail_at(-1);
        if (st == HC_OK) {
            hc_demo_destroy(d);
            break;
        }
        assert_int_equal(st, HC_ENOMEM);
        assert_int_equal(hc_mem_live(), before);
    }
    assert_int_equal(hc_mem_live(), before);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(threads_change_nothing),
        cmocka_unit_test(pieces_are_the_whole),
        cmocka_unit_test(values_lie_in_range),
        cmocka_unit_test(another_seed_is_another_picture),
        cmocka_unit_test(windows_fit),
        cmocka_unit_test(the_coat_yellows),
        cmocka_unit_test(test_view_is_clean_in_windows),
        cmocka_unit_test(later_paint_is_dark_in_uv),
        cmocka_unit_test(coat_is_that_of_colour),
        cmocka_unit_test(recipes_match),
        cmocka_unit_test(xray_shows_the_change),
        cmocka_unit_test(bad_requests),
        cmocka_unit_test(can_be_cancelled),
        cmocka_unit_test(memory_runs_out),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
