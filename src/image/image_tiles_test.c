// Display tiles: any tile of any level is the picture it claims to be; overlays read over light and
// dark and run on across borders; same bytes for any number of threads.
#include "hc_test.h"

#include <unistd.h>

#include "base/mem.h"
#include "base/rng.h"
#include "colour/colour.h"
#include "image/image_priv.h"
#include "num/filter.h"
#include "picture_files.h"

static char dir[] = "/tmp/hc_image_tiles_XXXXXX";
static char a[64], t1[64], t2[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    snprintf(a, sizeof a, "%s/a.raster", dir);
    snprintf(t1, sizeof t1, "%s/a.tiles", dir);
    snprintf(t2, sizeof t2, "%s/b.tiles", dir);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    unlink(a);
    unlink(t1);
    unlink(t2);
    return rmdir(dir);
}

#define W 701
#define H 533

static double colour(int x, int y, int b)
{
    return 0.02 + 0.9 * (b == 0   ? x / (double)W
                         : b == 1 ? y / (double)H
                                  : 0.5 + 0.4 * sin(x * 0.02));
}

static double codes(int x, int y, int b)
{
    (void)b;
    return x >= 200 && x < 420 && y >= 240 && y < 280 ? 3 : 0;
}

static double hill(int x, int y, int b)
{
    (void)b;
    return 8 * exp(-((x - 350) * (x - 350) + (y - 260) * (y - 260)) / 2e4);
}

static struct hc_raster *make(int bands, double (*fn)(int, int, int))
{
    struct hc_raster_writer *out = NULL;
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    struct hc_plane row[3] = {{0}};
    assert_ok(hc_raster_create(&out, a, W, H, bands, &err), &err);
    for (int b = 0; b < bands; b++) {
        assert_ok(hc_plane_create(&row[b], W, 1, &err), &err);
    }
    for (int y = 0; y < H; y++) {
        for (int b = 0; b < bands; b++) {
            for (int x = 0; x < W; x++) {
                row[b].px[x] = (float)fn(x, y, b);
            }
        }
        assert_ok(hc_raster_append(out, row, &err), &err);
    }
    for (int b = 0; b < bands; b++) {
        hc_plane_release(&row[b]);
    }
    assert_ok(hc_raster_finish(out, &err), &err);
    assert_ok(hc_raster_open(&r, a, &err), &err);
    return r;
}

static uint8_t *tile(const struct hc_tiles *t, int level, int x, int y, int *w, int *h,
                     int *channels)
{
    struct hc_buf b = {0};
    struct hc_err err = {0};
    uint8_t *px;
    assert_ok(hc_tiles_get(t, level, x, y, &b, &err), &err);
    px = picture_unpack(b.data, b.len, w, h, channels);
    hc_buf_release(&b);
    return px;
}

static struct hc_tiles *tiles_of(const struct hc_raster *r, enum hc_tiles_kind kind, float lo,
                                 float hi)
{
    struct hc_tiles *t = NULL;
    struct hc_raster *full = NULL;
    struct hc_err err = {0};
    assert_ok(hc_tiles_make(r, kind, lo, hi, "", t1, NULL, NULL, &err), &err);
    assert_ok(hc_tiles_open(&t, t1, &err), &err);
    assert_ok(hc_raster_open(&full, a, &err), &err);
    assert_ok(hc_tiles_lend(t, full, &err), &err);
    return t;
}

static void levels_and_tiles_are_the_picture(void **state)
{
    struct hc_raster *r = make(3, colour);
    struct hc_tiles *t = tiles_of(r, HC_TILES_COLOUR, 0, 1);
    struct hc_tiles_info info = hc_tiles_get_info(t);
    (void)state;
    assert_int_equal(info.w, W);
    assert_int_equal(info.h, H);
    assert_int_equal(info.levels, 3); // 701 -> 351 -> 176
    assert_int_equal(info.tile, 256);
    assert_string_equal(info.type, "image/jpeg");
    for (int l = 0; l < 3; l++) {
        int k = 1 << (2 - l), lw = (W + k - 1) / k, lh = (H + k - 1) / k;
        for (int ty = 0; ty < (lh + 255) / 256; ty++) {
            for (int tx = 0; tx < (lw + 255) / 256; tx++) {
                int w, h, channels;
                uint8_t *px = tile(t, l, tx, ty, &w, &h, &channels);
                assert_int_equal(w, lw - 256 * tx < 256 ? lw - 256 * tx : 256);
                assert_int_equal(h, lh - 256 * ty < 256 ? lh - 256 * ty : 256);
                assert_int_equal(channels, 3);
                for (int i = 0; i < w * h; i += 37) {
                    // The mean of a smooth picture is its middle.
                    double x = (256 * tx + i % w + 0.5) * k - 0.5,
                           y = (256 * ty + i / w + 0.5) * k - 0.5;
                    double lin[3], s[3];
                    for (int b = 0; b < 3; b++) {
                        lin[b] = 0.25 * (colour((int)floor(x), (int)floor(y), b) +
                                         colour((int)ceil(x), (int)floor(y), b) +
                                         colour((int)floor(x), (int)ceil(y), b) +
                                         colour((int)ceil(x), (int)ceil(y), b));
                    }
                    hc_colour_lin_to_srgb(s, lin);
                    for (int b = 0; b < 3; b++) {
                        near_abs(px[3 * i + b], 255 * s[b], 9); // JPEG at quality 92
                    }
                }
                free(px);
            }
        }
    }
    {
        struct hc_buf b = {0};
        struct hc_err err = {0};
        static const int bad[][3] = {{3, 0, 0}, {-1, 0, 0}, {2, 3, 0},
                                     {2, 0, 3}, {0, 1, 0},  {2, -1, 0}};
        for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
            assert_int_equal(hc_tiles_get(t, bad[i][0], bad[i][1], bad[i][2], &b, &err),
                             HC_ENOTFOUND);
        }
        hc_buf_release(&b);
    }
    hc_tiles_close(t);
    hc_raster_close(r);
}

static double stripes(int x, int y, int b)
{
    (void)b;
    (void)y;
    return x & 1;
}

// Fine stripes of black and white are middle grey of light, not of code: 0.5 is code 188.
static void halves_in_linear_light(void **state)
{
    struct hc_raster *r = make(1, stripes);
    struct hc_tiles *t = tiles_of(r, HC_TILES_GREY, 0, 1);
    int w, h, channels;
    uint8_t *px = tile(t, 0, 0, 0, &w, &h, &channels);
    (void)state;
    assert_int_equal(channels, 1);
    near_abs(px[50 * w + 60], 188, 1);
    free(px);
    hc_tiles_close(t);
    t = tiles_of(r, HC_TILES_GREY, -1, 2); // a stretch: 0 -> 1/3, 1 -> 2/3
    px = tile(t, 0, 0, 0, &w, &h, &channels);
    near_abs(px[50 * w + 60], 188, 1);
    free(px);
    hc_tiles_close(t);
    hc_raster_close(r);
}

static void hatch_covers_and_runs_on(void **state)
{
    struct hc_raster *r = make(1, codes);
    struct hc_tiles *t = tiles_of(r, HC_TILES_HATCH, 0, 0);
    static uint8_t seen[12][2];
    int dark = 0, light = 0;
    (void)state;
    assert_string_equal(hc_tiles_get_info(t).type, "image/png");
    memset(seen, 0, sizeof seen);
    for (int ty = 0; ty < 3; ty++) {
        for (int tx = 0; tx < 3; tx++) {
            int w, h, channels;
            uint8_t *px = tile(t, 2, tx, ty, &w, &h, &channels);
            assert_int_equal(channels, 2);
            for (int i = 0; i < w * h; i++) {
                int x = 256 * tx + i % w, y = 256 * ty + i / w, k = (x + y) % 12;
                if (codes(x, y, 0) == 0) {
                    assert_int_equal(px[2 * i + 1], 0);
                    continue;
                }
                assert_true(px[2 * i + 1] > 0);
                // One pattern over all tiles: it depends on x + y alone.
                assert_true(!seen[k][1] ||
                            (seen[k][0] == px[2 * i] && seen[k][1] == px[2 * i + 1]));
                seen[k][0] = px[2 * i];
                seen[k][1] = px[2 * i + 1];
                dark += px[2 * i] < 60 && px[2 * i + 1] > 150;
                light += px[2 * i] > 200 && px[2 * i + 1] > 150;
            }
            free(px);
        }
    }
    assert_true(dark > 1000 && light > 1000);
    { // the smallest level keeps it in sight, with the same spacing on the screen
        int w, h, channels, on = 0;
        uint8_t *px = tile(t, 0, 0, 0, &w, &h, &channels);
        for (int i = 0; i < w * h; i++) {
            on += px[2 * i + 1] > 150;
        }
        near_abs(on, 55 * 10 / 3.0, 60);
        free(px);
    }
    hc_tiles_close(t);
    hc_raster_close(r);
}

static void heat_grows_in_steps(void **state)
{
    struct hc_raster *r = make(1, hill);
    struct hc_tiles *t = tiles_of(r, HC_TILES_HEAT, 0, 8);
    int w, h, channels, last = -1, lines = 0;
    uint8_t *px;
    (void)state;
    px = tile(t, 2, 0, 1, &w, &h, &channels);
    for (int x = 1; x < 256; x++) { // row 260: from the flank towards the top at x = 350
        int alpha = px[2 * (4 * w + x) + 1], grey = px[2 * (4 * w + x)];
        if (grey == 128 || alpha == 0) {
            assert_true(alpha >= last);
            last = alpha;
        } else {
            lines++;
        }
    }
    assert_true(last > 60 && lines >= 3);
    free(px);
    hc_tiles_close(t);
    hc_raster_close(r);
}

static void same_bytes_for_any_threads(void **state)
{
    static const struct {
        enum hc_tiles_kind kind;
        int bands;
        double (*fn)(int, int, int);
    } k[] = {{HC_TILES_COLOUR, 3, colour},
             {HC_TILES_GREY, 1, hill},
             {HC_TILES_HATCH, 1, codes},
             {HC_TILES_HEAT, 1, hill}};
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_par_create(&par, 2, &err), &err);
    for (size_t i = 0; i < sizeof k / sizeof *k; i++) {
        struct hc_raster *r = make(k[i].bands, k[i].fn);
        size_t n1, n2;
        uint8_t *p1, *p2;
        assert_ok(hc_tiles_make(r, k[i].kind, 0, 8, "", t1, NULL, NULL, &err), &err);
        assert_ok(hc_tiles_make(r, k[i].kind, 0, 8, "", t2, par, NULL, &err), &err);
        p1 = picture_read_bytes(t1, &n1);
        p2 = picture_read_bytes(t2, &n2);
        assert_int_equal(n1, n2);
        assert_memory_equal(p1, p2, n1);
        free(p1);
        free(p2);
        hc_raster_close(r);
    }
    hc_par_destroy(par);
}

// Rows handed over as they come give the file that the raster gives; what does not fit is refused
// and leaves nothing behind.
static void rows_as_they_come(void **state)
{
    struct hc_raster *r = make(3, colour);
    struct hc_tiles_maker *m = NULL;
    struct hc_plane all[3] = {{0}}, part[3];
    struct hc_err err = {0};
    size_t n1, n2;
    uint8_t *p1, *p2;
    (void)state;
    assert_ok(hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "a name", t1, NULL, NULL, &err), &err);
    for (int b = 0; b < 3; b++) {
        assert_ok(hc_plane_create(&all[b], W, H, &err), &err);
        assert_ok(hc_raster_read(r, b, 0, 0, &all[b], &err), &err);
    }
    assert_ok(hc_tiles_begin(&m, t2, W, H, HC_TILES_COLOUR, 0, 1, &err), &err);
    for (int y = 0; y < H; y += HC_TILES_ROWS) {
        int n = H - y < HC_TILES_ROWS ? H - y : HC_TILES_ROWS;
        for (int b = 0; b < 3; b++) {
            part[b] = hc_plane_part(&all[b], 0, y, W, n - 1);
        }
        assert_int_equal(hc_tiles_add(m, part, NULL, &err), HC_ERANGE); // neither full nor the last
        for (int b = 0; b < 3; b++) {
            part[b] = hc_plane_part(&all[b], 0, y, W, n);
        }
        assert_ok(hc_tiles_add(m, part, NULL, &err), &err);
    }
    assert_ok(hc_tiles_end(m, "a name", &err), &err);
    p1 = picture_read_bytes(t1, &n1);
    p2 = picture_read_bytes(t2, &n2);
    assert_int_equal(n1, n2);
    assert_memory_equal(p1, p2, n1);
    free(p1);
    free(p2);
    unlink(t2);
    assert_ok(hc_tiles_begin(&m, t2, W, H, HC_TILES_COLOUR, 0, 1, &err), &err);
    assert_int_equal(hc_tiles_end(m, "", &err), HC_ERANGE); // no row came
    assert_int_equal(access(t2, F_OK), -1);
    for (int b = 0; b < 3; b++) {
        hc_plane_release(&all[b]);
    }
    hc_raster_close(r);
}

// The full size needs the raster, and one that fits; the smaller levels do not.
static void full_size_comes_from_the_raster(void **state)
{
    struct hc_raster *r = make(3, colour), *other = NULL;
    struct hc_raster_writer *out = NULL;
    struct hc_tiles *t = NULL;
    struct hc_plane px = {0};
    struct hc_buf b = {0};
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "the source", t1, NULL, NULL, &err), &err);
    assert_ok(hc_tiles_open(&t, t1, &err), &err);
    assert_string_equal(hc_tiles_get_info(t).source, "the source");
    assert_false(hc_tiles_get_info(t).has_raster);
    assert_ok(hc_tiles_get(t, 1, 0, 0, &b, &err), &err);
    assert_int_equal(hc_tiles_get(t, 2, 0, 0, &b, &err), HC_ENOTFOUND);
    assert_ok(hc_raster_create(&out, t2, W, 1, 1, &err), &err);
    assert_ok(hc_plane_create(&px, W, 1, &err), &err);
    assert_ok(hc_raster_append(out, &px, &err), &err);
    assert_ok(hc_raster_finish(out, &err), &err);
    assert_ok(hc_raster_open(&other, t2, &err), &err);
    assert_int_equal(hc_tiles_lend(t, other, &err), HC_EDATA);
    hc_raster_close(other);
    assert_ok(hc_tiles_lend(t, r, &err), &err); // closes r with the tiles
    assert_true(hc_tiles_get_info(t).has_raster);
    assert_ok(hc_tiles_get(t, 2, 2, 2, &b, &err), &err);
    hc_plane_release(&px);
    hc_buf_release(&b);
    hc_tiles_close(t);
}

static void refuses_what_is_no_pack(void **state)
{
    struct hc_raster *r = make(1, hill);
    struct hc_tiles *t = tiles_of(r, HC_TILES_GREY, 0, 8);
    struct hc_err err = {0};
    struct hc_buf b = {0};
    size_t n;
    uint8_t *p = picture_read_bytes(t1, &n);
    struct hc_rng rng = hc_rng_make(5);
    (void)state;
    hc_tiles_close(t);
    assert_int_equal(hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "", t2, NULL, NULL, &err), HC_EARG);
    assert_int_equal(hc_tiles_make(r, HC_TILES_GREY, 1, 1, "", t2, NULL, NULL, &err), HC_ERANGE);
    picture_write_bytes(t2, p, 40);
    assert_int_equal(hc_tiles_open(&t, t2, &err), HC_EDATA);
    picture_write_bytes(t2, "something else altogether, but long enough", 42);
    assert_int_equal(hc_tiles_open(&t, t2, &err), HC_EDATA);
    picture_write_bytes(t2, p, n - 100); // opens, but the last tile is cut
    assert_ok(hc_tiles_open(&t, t2, &err), &err);
    assert_int_equal(hc_tiles_get(t, 0, 0, 0, &b, &err), HC_EDATA);
    hc_tiles_close(t);
    for (int k = 0; k < 300; k++) { // a spoiled index never leads outside
        size_t at = (size_t)hc_rng_below(&rng, 400);
        uint8_t old = p[at];
        p[at] = (uint8_t)hc_rng_below(&rng, 256);
        picture_write_bytes(t2, p, n);
        if (hc_tiles_open(&t, t2, &err) == HC_OK) {
            struct hc_tiles_info info = hc_tiles_get_info(t);
            for (int l = 0; l < info.levels; l++) {
                hc_buf_reset(&b);
                hc_ignore(hc_tiles_get(t, l, 0, 0, &b, &err));
            }
            hc_tiles_close(t);
        }
        p[at] = old;
    }
    hc_buf_release(&b);
    free(p);
    hc_raster_close(r);
}

static void small_pictures_in_memory(void **state)
{
    float v[3][6] = {
        {0, 0.25f, 0.5f, 1, 2, -1}, {0, 0.25f, 0.5f, 1, 2, -1}, {0, 0.25f, 0.5f, 1, 2, -1}};
    struct hc_plane p[3] = {{v[0], 3, 2, 3}, {v[1], 3, 2, 3}, {v[2], 3, 2, 3}};
    static const int want[6] = {0, 137, 188, 255, 255, 0}; // IEC 61966-2-1 of the values, clipped
    (void)state;
    for (int n = 1; n <= 3; n += 2) {
        struct hc_buf b = {0};
        struct hc_err err = {0};
        int w, h, channels;
        uint8_t *px;
        assert_ok(hc_image_encode_png(&b, p, n, &err), &err);
        px = picture_unpack(b.data, b.len, &w, &h, &channels);
        assert_int_equal(w, 3);
        assert_int_equal(h, 2);
        assert_int_equal(channels, n);
        for (int i = 0; i < 6 * n; i++) {
            near_abs(px[i], want[i / n], 0);
        }
        free(px);
        hc_buf_release(&b);
        assert_ok(hc_image_encode_jpeg(&b, p, n, 95, &err), &err);
        px = picture_unpack(b.data, b.len, &w, &h, &channels);
        assert_int_equal(channels, n);
        free(px);
        assert_int_equal(hc_image_encode_jpeg(&b, p, 2, 95, &err), HC_ERANGE);
        assert_int_equal(hc_image_encode_jpeg(&b, p, n, 0, &err), HC_ERANGE);
        hc_buf_release(&b);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(levels_and_tiles_are_the_picture),
        cmocka_unit_test(halves_in_linear_light),
        cmocka_unit_test(hatch_covers_and_runs_on),
        cmocka_unit_test(heat_grows_in_steps),
        cmocka_unit_test(same_bytes_for_any_threads),
        cmocka_unit_test(rows_as_they_come),
        cmocka_unit_test(full_size_comes_from_the_raster),
        cmocka_unit_test(refuses_what_is_no_pack),
        cmocka_unit_test(small_pictures_in_memory),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
