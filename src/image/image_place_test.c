// The working raster: storing, looking back, overviews, and placing a view in the frame.
#include "hc_test.h"

#include <unistd.h>

#include "base/mem.h"
#include "base/rng.h"
#include "image/image_priv.h"
#include "num/filter.h"
#include "picture_files.h"

static char dir[] = "/tmp/hc_image_place_XXXXXX";
static char a[64], b[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    snprintf(a, sizeof a, "%s/a.raster", dir);
    snprintf(b, sizeof b, "%s/b.raster", dir);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    unlink(a);
    unlink(b);
    return rmdir(dir);
}

typedef double (*value_fn)(double x, double y, int band);

// Smooth: its Fourier content lies well below the pixel grid's.
static double smooth(double x, double y, int band)
{
    return 0.5 + 0.3 * sin(0.11 * x + 0.07 * y + band) + 0.15 * cos(0.05 * x - 0.13 * y);
}

static double busy(double x, double y, int band)
{
    return hc_rng_hash(5 + (uint64_t)band, (int64_t)floor(x), (int64_t)floor(y));
}

static double checks(double x, double y, int band)
{
    (void)band;
    return (double)(((int64_t)floor(x) + (int64_t)floor(y)) & 1);
}

static struct hc_raster *make(const char *path, int w, int h, int bands, value_fn fn)
{
    struct hc_raster_writer *out = NULL;
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    struct hc_plane rows[3] = {{0}};
    assert_ok(hc_raster_create(&out, path, w, h, bands, &err), &err);
    for (int c = 0; c < bands; c++) {
        assert_ok(hc_plane_create(&rows[c], w, 7, &err), &err);
    }
    for (int y = 0; y < h; y += 7) {
        struct hc_plane part[3];
        for (int c = 0; c < bands; c++) {
            part[c] = hc_plane_part(&rows[c], 0, 0, w, h - y < 7 ? h - y : 7);
            for (int j = 0; j < part[c].h; j++) {
                for (int i = 0; i < w; i++) {
                    hc_plane_row(&part[c], j)[i] = (float)fn(i + 0.5, y + j + 0.5, c);
                }
            }
        }
        assert_ok(hc_raster_append(out, part, &err), &err);
    }
    assert_ok(hc_raster_finish(out, &err), &err);
    for (int c = 0; c < bands; c++) {
        hc_plane_release(&rows[c]);
    }
    assert_ok(hc_raster_open(&r, path, &err), &err);
    return r;
}

static struct hc_plane all(const struct hc_raster *r, int band)
{
    struct hc_plane p = {0};
    struct hc_err err = {0};
    assert_ok(hc_plane_create(&p, hc_raster_w(r), hc_raster_h(r), &err), &err);
    assert_ok(hc_raster_read(r, band, 0, 0, &p, &err), &err);
    return p;
}

static void stores_and_finds(void **state)
{
    (void)state;
    for (int bands = 1; bands <= 3; bands += 2) {
        struct hc_raster *r = make(a, 67, 45, bands, busy);
        struct hc_err err = {0};
        float px[5 * 4];
        struct hc_plane p = {px, 4, 5, 4};
        assert_int_equal(hc_raster_w(r), 67);
        assert_int_equal(hc_raster_h(r), 45);
        assert_int_equal(hc_raster_bands(r), bands);
        for (int c = 0; c < bands; c++) {
            struct hc_plane whole = all(r, c);
            assert_ok(hc_raster_read(r, c, 63, 40, &p, &err), &err);
            for (int i = 0; i < 20; i++) {
                near_abs((double)px[i], (double)(float)busy(63 + i % 4, 40 + i / 4, c), 0);
            }
            near_abs((double)hc_plane_get(&whole, 66, 44), (double)(float)busy(66, 44, c), 0);
            hc_plane_release(&whole);
        }
        assert_int_equal(hc_raster_read(r, bands, 0, 0, &p, &err), HC_ERANGE);
        assert_int_equal(hc_raster_read(r, 0, 64, 0, &p, &err), HC_ERANGE);
        assert_int_equal(hc_raster_read(r, 0, 0, 41, &p, &err), HC_ERANGE);
        assert_int_equal(hc_raster_read(r, 0, -1, 0, &p, &err), HC_ERANGE);
        hc_raster_close(r);
    }
}

static void refuses_damaged_rasters(void **state)
{
    struct hc_raster *r = make(a, 30, 20, 1, busy);
    struct hc_err err = {0};
    size_t n;
    uint8_t *p = picture_read_bytes(a, &n);
    (void)state;
    hc_raster_close(r);
    picture_write_bytes(b, p, n - 1);
    assert_int_equal(hc_raster_open(&r, b, &err), HC_EDATA);
    picture_write_bytes(b, p, 100);
    assert_int_equal(hc_raster_open(&r, b, &err), HC_EDATA);
    p[8] = 31; // width
    picture_write_bytes(b, p, n);
    assert_int_equal(hc_raster_open(&r, b, &err), HC_EDATA);
    p[8] = 30;
    p[0] = 'x';
    picture_write_bytes(b, p, n);
    assert_int_equal(hc_raster_open(&r, b, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "made again"));
    assert_int_equal(hc_raster_open(&r, "/tmp/no/such", &err), HC_ENOTFOUND);
    free(p);
}

static void unfinished_is_removed(void **state)
{
    struct hc_raster_writer *w = NULL;
    struct hc_err err = {0};
    char part[80];
    float px[30] = {0};
    struct hc_plane row = {px, 30, 1, 30}, narrow = {px, 29, 1, 29};
    (void)state;
    snprintf(part, sizeof part, "%s.part", b);
    unlink(b);
    assert_int_equal(hc_raster_create(&w, b, 0, 5, 1, &err), HC_ERANGE);
    assert_int_equal(hc_raster_create(&w, b, 5, 5, 2, &err), HC_ERANGE);
    assert_ok(hc_raster_create(&w, b, 30, 2, 1, &err), &err);
    assert_int_equal(access(part, F_OK), 0);
    assert_int_equal(hc_raster_append(w, &narrow, &err), HC_ERANGE);
    assert_ok(hc_raster_append(w, &row, &err), &err);
    assert_int_equal(hc_raster_finish(w, &err), HC_ERANGE); // one row short
    assert_true(access(part, F_OK) != 0 && access(b, F_OK) != 0);
}

static void overview_is_the_mean(void **state)
{
    struct hc_raster *r = make(a, 101, 58, 3, busy);
    struct hc_plane o[3] = {{0}};
    struct hc_err err = {0};
    int k = 0;
    (void)state;
    assert_ok(hc_raster_overview(r, 30, o, &k, NULL, &err), &err);
    assert_int_equal(k, 4);
    for (int c = 0; c < 3; c++) {
        struct hc_plane whole = all(r, c), want = {0};
        assert_ok(hc_plane_create(&want, 26, 15, &err), &err);
        hc_filter_box_down(&want, &whole, 4);
        for (int y = 0; y < 15; y++) {
            for (int x = 0; x < 26; x++) {
                near_abs((double)hc_plane_get(&o[c], x, y), (double)hc_plane_get(&want, x, y),
                         1e-6);
            }
        }
        hc_plane_release(&whole);
        hc_plane_release(&want);
        hc_plane_release(&o[c]);
    }
    assert_ok(hc_raster_overview(r, 500, o, &k, NULL, &err), &err);
    assert_int_equal(k, 1);
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&o[c]);
    }
    hc_raster_close(r);
}

static struct hc_homog shift(double dx, double dy)
{
    return (struct hc_homog){{1, 0, dx, 0, 1, dy, 0, 0, 1}};
}

static struct hc_raster *place(const struct hc_raster *r, struct hc_homog m, int w, int h,
                               double *share, struct hc_par *par)
{
    struct hc_raster *out = NULL;
    struct hc_err err = {0};
    assert_ok(hc_raster_place(r, b, &m, NULL, w, h, share, par, NULL, &err), &err);
    assert_ok(hc_raster_open(&out, b, &err), &err);
    return out;
}

static void whole_shift_is_exact(void **state)
{
    struct hc_raster *r = make(a, 600, 150, 3, busy), *p;
    double share = 0;
    (void)state;
    p = place(r, shift(13, -9), 640, 140, &share, NULL);
    for (int c = 0; c < 3; c++) {
        struct hc_plane got = all(p, c);
        for (int y = 0; y < 140; y++) {
            for (int x = 0; x < 640; x++) {
                int sx = x + 13 > 599 ? 599 : x + 13, sy = y - 9 < 0 ? 0 : y - 9;
                assert_true(hc_plane_get(&got, x, y) == (float)busy(sx, sy, c));
            }
        }
        hc_plane_release(&got);
    }
    near_abs(share, 587.0 * 131 / (640.0 * 140), 1e-12);
    hc_raster_close(p);
    hc_raster_close(r);
}

static void small_shift_of_a_smooth_picture(void **state)
{
    struct hc_raster *r = make(a, 300, 200, 1, smooth), *p;
    struct hc_plane got;
    (void)state;
    p = place(r, shift(0.37, 0.81), 280, 190, NULL, NULL);
    got = all(p, 0);
    for (int y = 4; y < 186; y++) {
        for (int x = 4; x < 276; x++) {
            // Keys' kernel is third order: at 0.17 rad per px the error is some 1e-5.
            near_abs((double)hc_plane_get(&got, x, y), smooth(x + 0.5 + 0.37, y + 0.5 + 0.81, 0),
                     1e-4);
        }
    }
    hc_plane_release(&got);
    hc_raster_close(p);
    hc_raster_close(r);
}

// Turned, sheared and in perspective: equal to the sampler of the num room, pixel by pixel.
static void agrees_with_the_plain_sampler(void **state)
{
    struct hc_homog m = {{0.985, 0.06, -20, -0.05, 0.99, 12, 2e-5, -1e-5, 1}};
    struct hc_raster *r = make(a, 700, 260, 3, busy), *p;
    (void)state;
    p = place(r, m, 650, 270, NULL, NULL);
    for (int c = 0; c < 3; c++) {
        struct hc_plane src = all(r, c), got = all(p, c);
        for (int y = 0; y < 270; y++) {
            for (int x = 0; x < 650; x++) {
                struct hc_pt q = hc_homog_apply(&m, (struct hc_pt){x + 0.5, y + 0.5});
                near_abs((double)hc_plane_get(&got, x, y),
                         (double)hc_filter_bicubic(&src, q.x, q.y), 5e-6);
            }
        }
        hc_plane_release(&src);
        hc_plane_release(&got);
    }
    hc_raster_close(p);
    hc_raster_close(r);
}

static struct hc_pt wave(const void *ctx, struct hc_pt p)
{
    double size = *(const double *)ctx;
    return (struct hc_pt){size * sin(p.y / 60), size * cos(p.x / 80)};
}

// A bend on top of a turn: equal to the plain sampler at the bent points.
static void bends_are_followed(void **state)
{
    struct hc_homog m = {{0.985, 0.06, -20, -0.05, 0.99, 12, 0, 0, 1}};
    struct hc_raster *r = make(a, 700, 260, 1, busy), *p = NULL;
    double size = 5.5;
    struct hc_raster_bend bend = {wave, &size, 6}, wild = {wave, &size, 1e6};
    struct hc_plane src = all(r, 0), got;
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_raster_place(r, b, &m, &bend, 650, 270, NULL, NULL, NULL, &err), &err);
    assert_ok(hc_raster_open(&p, b, &err), &err);
    got = all(p, 0);
    for (int y = 0; y < 270; y++) {
        for (int x = 0; x < 650; x++) {
            struct hc_pt f = {x + 0.5, y + 0.5}, by = wave(&size, f);
            struct hc_pt q = hc_homog_apply(&m, (struct hc_pt){f.x + by.x, f.y + by.y});
            near_abs((double)hc_plane_get(&got, x, y), (double)hc_filter_bicubic(&src, q.x, q.y),
                     5e-6);
        }
    }
    hc_raster_close(p);
    assert_int_equal(hc_raster_place(r, b, &m, &wild, 650, 270, NULL, NULL, NULL, &err), HC_ERANGE);
    hc_plane_release(&got);
    hc_plane_release(&src);
    hc_raster_close(r);
}

// A box of the frame, three times finer, under a turn and a bend: equal to the plain sampler at the
// points the grid's pixels stand for.
static void details_on_a_grid_of_their_own(void **state)
{
    struct hc_homog m = {{3.1, 0.2, -1500, -0.15, 2.9, -820, 1e-5, 0, 1}};
    struct hc_raster_grid grid = {510, 300, 190, 70, 3}, none = {0, 0, 10, 0, 1},
                          wide = {0, 0, 30000, 10, 3};
    struct hc_raster *r = make(a, 700, 260, 3, busy), *p = NULL;
    double size = 1.5, share = 0, inside = 0;
    struct hc_raster_bend bend = {wave, &size, 2};
    struct hc_err err = {0};
    (void)state;
    for (int bent = 0; bent < 2; bent++) {
        assert_ok(
            hc_raster_place_grid(r, b, &m, bent ? &bend : NULL, &grid, &share, NULL, NULL, &err),
            &err);
        assert_ok(hc_raster_open(&p, b, &err), &err);
        assert_int_equal(hc_raster_w(p), 570);
        assert_int_equal(hc_raster_h(p), 210);
        inside = 0;
        for (int c = 0; c < 3; c++) {
            struct hc_plane src = all(r, c), got = all(p, c);
            for (int y = 0; y < 210; y++) {
                for (int x = 0; x < 570; x++) {
                    struct hc_pt f = {510 + (x + 0.5) / 3, 300 + (y + 0.5) / 3}, q;
                    struct hc_pt by = bent ? wave(&size, f) : (struct hc_pt){0, 0};
                    q = hc_homog_apply(&m, (struct hc_pt){f.x + by.x, f.y + by.y});
                    inside += q.x >= 0 && q.y >= 0 && q.x <= 700 && q.y <= 260;
                    near_abs((double)hc_plane_get(&got, x, y),
                             (double)hc_filter_bicubic(&src, q.x, q.y), 2e-5);
                }
            }
            hc_plane_release(&src);
            hc_plane_release(&got);
        }
        near_abs(share, inside / 3 / (570.0 * 210), 1e-12);
        hc_raster_close(p);
    }
    assert_int_equal(hc_raster_place_grid(r, b, &m, NULL, &none, NULL, NULL, NULL, &err), HC_EARG);
    assert_int_equal(hc_raster_place_grid(r, b, &m, NULL, &wide, NULL, NULL, NULL, &err), HC_EARG);
    hc_raster_close(r);
}

// Folds outside the box do not matter: a detail may be placed by a map that ends beside it.
static void maps_that_fold_outside_the_grid(void **state)
{
    struct hc_homog fold = {{1, 0, 0, 0, 1, 0, -0.02, 0, 1}}; // folds at x = 50
    struct hc_raster_grid before = {0, 0, 30, 40, 2}, over = {30, 0, 30, 40, 2};
    struct hc_raster *r = make(a, 100, 80, 1, smooth);
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_raster_place_grid(r, b, &fold, NULL, &before, NULL, NULL, NULL, &err), &err);
    assert_int_equal(hc_raster_place_grid(r, b, &fold, NULL, &over, NULL, NULL, NULL, &err),
                     HC_ENUMERIC);
    hc_raster_close(r);
}

static void finer_views_are_averaged(void **state)
{
    struct hc_homog third = {{3, 0, 0.4, 0, 3, 0.7, 0, 0, 1}};
    struct hc_raster *r = make(a, 360, 240, 1, checks), *p = place(r, third, 120, 80, NULL, NULL);
    struct hc_plane got = all(p, 0);
    (void)state;
    for (int y = 5; y < 75; y++) {
        for (int x = 5; x < 115; x++) {
            near_abs((double)hc_plane_get(&got, x, y), 0.5, 0.02); // without averaging: 0 or 1
        }
    }
    hc_plane_release(&got);
    hc_raster_close(p);
    hc_raster_close(r);
    r = make(a, 360, 240, 1, smooth); // and a smooth picture stays itself
    p = place(r, third, 110, 75, NULL, NULL);
    got = all(p, 0);
    for (int y = 5; y < 70; y++) {
        for (int x = 5; x < 105; x++) {
            near_abs((double)hc_plane_get(&got, x, y),
                     smooth(3 * (x + 0.5) + 0.4, 3 * (y + 0.5) + 0.7, 0), 0.01);
        }
    }
    hc_plane_release(&got);
    hc_raster_close(p);
    hc_raster_close(r);
}

static void same_bytes_for_any_threads(void **state)
{
    struct hc_homog m = {{0.9, 0.06, -20, -0.05, 1.3, 12, 2e-5, -1e-5, 1}};
    struct hc_raster *r = make(a, 1100, 300, 3, busy);
    struct hc_err err = {0};
    uint8_t *first = NULL;
    size_t n_first = 0;
    (void)state;
    for (int threads = 1; threads <= 3; threads++) {
        struct hc_par *par = NULL;
        size_t n;
        uint8_t *p;
        assert_ok(hc_par_create(&par, threads, &err), &err);
        hc_raster_close(place(r, m, 1150, 290, NULL, par));
        hc_par_destroy(par);
        p = picture_read_bytes(b, &n);
        if (!first) {
            first = p;
            n_first = n;
        } else {
            assert_int_equal(n, n_first);
            assert_memory_equal(p, first, n);
            free(p);
        }
    }
    free(first);
    hc_raster_close(r);
}

static void impossible_maps(void **state)
{
    struct hc_raster *r = make(a, 100, 80, 1, smooth), *p;
    struct hc_homog fold = {{1, 0, 0, 0, 1, 0, -0.02, 0, 1}},
                    tiny = {{40, 0, 0, 0, 40, 0, 0, 0, 1}};
    struct hc_homog nan = {{(double)NAN, 0, 0, 0, 1, 0, 0, 0, 1}};
    struct hc_err err = {0};
    double share = -1;
    (void)state;
    unlink(b);
    assert_int_equal(hc_raster_place(r, b, &fold, NULL, 100, 80, NULL, NULL, NULL, &err),
                     HC_ENUMERIC);
    assert_int_equal(hc_raster_place(r, b, &nan, NULL, 100, 80, NULL, NULL, NULL, &err),
                     HC_ENUMERIC);
    assert_int_equal(hc_raster_place(r, b, &tiny, NULL, 100, 80, NULL, NULL, NULL, &err),
                     HC_ERANGE);
    assert_true(access(b, F_OK) != 0);
    // Beside the frame altogether: the edge's colour, and nothing covered.
    p = place(r, shift(1e7, -1e7), 50, 40, &share, NULL);
    near_abs(share, 0, 0);
    hc_raster_close(p);
    hc_raster_close(r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stores_and_finds),
        cmocka_unit_test(refuses_damaged_rasters),
        cmocka_unit_test(unfinished_is_removed),
        cmocka_unit_test(overview_is_the_mean),
        cmocka_unit_test(whole_shift_is_exact),
        cmocka_unit_test(small_shift_of_a_smooth_picture),
        cmocka_unit_test(agrees_with_the_plain_sampler),
        cmocka_unit_test(bends_are_followed),
        cmocka_unit_test(details_on_a_grid_of_their_own),
        cmocka_unit_test(maps_that_fold_outside_the_grid),
        cmocka_unit_test(finer_views_are_averaged),
        cmocka_unit_test(same_bytes_for_any_threads),
        cmocka_unit_test(impossible_maps),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
