// Rasters: what is written comes back within the error its form allows; the tap sees the file.
#include "hc_test.h"

#include <fcntl.h>
#include <unistd.h>

#include "base/mem.h"
#include "base/rng.h"
#include "colour/colour.h"
#include "image/image_priv.h"
#include "picture_files.h"

static char dir[] = "/tmp/hc_image_raster_XXXXXX";
static char path[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    snprintf(path, sizeof path, "%s/a.raster", dir);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    unlink(path);
    return rmdir(dir);
}

// The definition: sign, 5 bits of exponent (bias 15), 10 bits of fraction (IEEE 754-2008, 3.4).
static double half_by_definition(uint16_t h)
{
    int e = h >> 10 & 31, m = h & 1023;
    double v = e == 0 ? ldexp(m, -24) : ldexp(1024 + m, e - 25);
    return h & 0x8000 ? -v : v;
}

static void every_half_comes_back(void **state)
{
    (void)state;
    for (unsigned h = 0; h < 65536; h++) {
        uint16_t in = (uint16_t)h, back;
        float v, plain;
        if ((h >> 10 & 31) == 31) {
            continue; // infinities and NaN are never written
        }
        hc_half_to(&v, &in, 1);
        near_abs((double)v, half_by_definition(in), 0);
        hc_half_from(&back, &v, 1);
        assert_int_equal(back, in);
        hc_half_plain_to(&plain, &in, 1);
        assert_memory_equal(&plain, &v, sizeof v);
    }
}

// Eight at a time (the processor's own conversion, where it has one) and one by one: the same bits,
// rounded to the nearest half, ties to the even one.
static void halves_are_rounded_to_nearest(void **state)
{
    struct hc_rng rng = hc_rng_make(11);
    float v[8], got;
    uint16_t fast[8], plain[8];
    (void)state;
    for (int k = 0; k < 200000; k++) {
        for (int i = 0; i < 8; i++) {
            double s = ldexp(hc_rng_unit(&rng) * 2 - 1, (int)hc_rng_below(&rng, 44) - 26);
            v[i] = (float)s;
        }
        v[0] = (float)(half_by_definition((uint16_t)hc_rng_below(&rng, 0x7bff)) +
                       half_by_definition((uint16_t)hc_rng_below(&rng, 0x3c00)) / 2048);
        hc_half_from(fast, v, 8);
        hc_half_plain_from(plain, v, 8);
        assert_memory_equal(fast, plain, sizeof fast);
        for (int i = 0; i < 8; i++) {
            hc_half_to(&got, &fast[i], 1);
            near_abs((double)got, fmax(fmin((double)v[i], 65504), -65504),
                     fmax(fabs((double)v[i]) / 2048, ldexp(1, -25)));
        }
    }
    {
        float odd[8] = {1 + 0x1p-11f, 1 + 0x3p-11f, NAN,   INFINITY,
                        -INFINITY,    1e9f,         -0.0f, 0x1p-26f};
        static const uint16_t want[8] = {0x3c00, 0x3c02, 0, 0x7bff, 0xfbff, 0x7bff, 0x8000, 0};
        hc_half_from(fast, odd, 8);
        hc_half_plain_from(plain, odd, 8);
        for (int i = 0; i < 8; i++) {
            assert_int_equal(fast[i], want[i]);
            assert_int_equal(plain[i], want[i]);
        }
    }
}

// The bound stated for forecasts: rounding a colour to halves moves it by under 0.1 CIEDE2000.
static void halves_keep_colour(void **state)
{
    struct hc_rng rng = hc_rng_make(3);
    double worst = 0;
    (void)state;
    for (int k = 0; k < 100000; k++) {
        double lab[3], lab_h[3], lin[3], lin_h[3];
        for (int c = 0; c < 3; c++) {
            uint16_t h;
            float v = (float)pow(10, -4 + 4.2 * hc_rng_unit(&rng)), back;
            hc_half_from(&h, &v, 1);
            hc_half_to(&back, &h, 1);
            lin[c] = (double)v;
            lin_h[c] = (double)back;
        }
        hc_colour_lin_to_lab_d50(lab, lin);
        hc_colour_lin_to_lab_d50(lab_h, lin_h);
        worst = fmax(worst, hc_colour_ciede2000(lab, lab_h));
    }
    assert_true(worst < 0.1);
    assert_true(worst > 0.001); // something was rounded
}

struct seen {
    uint8_t *bytes;
    size_t n, room;
};

static void see(void *ctx, const void *bytes, size_t n)
{
    struct seen *s = ctx;
    assert_true(s->n + n <= s->room);
    memcpy(s->bytes + s->n, bytes, n);
    s->n += n;
}

static float number(int x, int y, int c)
{
    return (float)(0.001 * x + 0.1 * y + 0.3 * c);
}

static void write_raster(int w, int h, int bands, enum hc_raster_cells cells, bool is_direct,
                         struct hc_tap tap, float scale)
{
    struct hc_raster_writer *out = NULL;
    struct hc_plane rows[3] = {{0}};
    struct hc_err err = {0};
    assert_ok(hc_raster_create_as(&out, path, w, h, bands, cells, is_direct, tap, &err), &err);
    for (int y = 0; y < h; y += 7) {
        int n = h - y < 7 ? h - y : 7;
        for (int c = 0; c < bands; c++) {
            assert_ok(hc_plane_create(&rows[c], w, n, &err), &err);
            for (int i = 0; i < w * n; i++) {
                rows[c].px[i] = scale * number(i % w, y + i / w, c);
            }
        }
        assert_ok(hc_raster_append(out, rows, &err), &err);
        for (int c = 0; c < bands; c++) {
            hc_plane_release(&rows[c]);
        }
    }
    assert_ok(hc_raster_finish(out, &err), &err);
}

// Every form, past the page cache or not: numbers come back, any piece of them, and the tap saw
// exactly the file.
static void forms_come_back(void **state)
{
    static const int sides[][2] = {{1, 1}, {5003, 3}, {300, 130}, {4096, 64}, {1700, 700}};
    static const double of_value[3] = {0, 1 / 2048.0, 0}, flat[3] = {0, 0, 0.5};
    (void)state;
    for (int k = 0; k < 5 * 3 * 2 * 2; k++) {
        int w = sides[k % 5][0], h = sides[k % 5][1], cells = k / 5 % 3;
        int bands = k / 15 % 2 ? 3 : 1, x0 = w / 3, y0 = h / 3;
        struct seen seen = {.room = 4096 + (size_t)w * (size_t)h * (size_t)bands * 4};
        struct hc_raster *r = NULL;
        struct hc_plane p = {0};
        struct hc_err err = {0};
        size_t n;
        uint8_t *file;
        seen.bytes = test_malloc(seen.room);
        write_raster(w, h, bands, (enum hc_raster_cells)cells, k >= 30, (struct hc_tap){see, &seen},
                     1);
        file = picture_read_bytes(path, &n);
        assert_int_equal(n, seen.n);
        assert_int_equal(n, 4096 + (size_t)w * (size_t)h * (size_t)bands *
                                       (cells == HC_CELLS_FLOAT  ? 4
                                        : cells == HC_CELLS_HALF ? 2
                                                                 : 1));
        assert_memory_equal(file, seen.bytes, n);
        free(file);
        test_free(seen.bytes);
        assert_ok(hc_raster_open(&r, path, &err), &err);
        assert_ok(hc_plane_create(&p, w - x0, h - y0, &err), &err);
        for (int c = 0; c < bands; c++) {
            assert_ok(hc_raster_read(r, c, x0, y0, &p, &err), &err);
            for (int i = 0; i < p.w * p.h; i += 13) {
                double want = (double)number(x0 + i % p.w, y0 + i / p.w, c);
                near_abs((double)p.px[i], want, want * of_value[cells] + flat[cells] + 1e-9);
            }
        }
        hc_plane_release(&p);
        hc_raster_close(r);
    }
}

static void codes_are_held_inside(void **state)
{
    struct hc_raster *r = NULL;
    struct hc_plane p = {0};
    struct hc_err err = {0};
    (void)state;
    for (int s = -1; s <= 1; s += 2) {
        write_raster(200, 9, 1, HC_CELLS_CODE8, false, (struct hc_tap){0}, (float)s * 1e4f);
        assert_ok(hc_raster_open(&r, path, &err), &err);
        assert_ok(hc_plane_create(&p, 1, 1, &err), &err);
        assert_ok(hc_raster_read(r, 0, 199, 8, &p, &err), &err);
        near_abs((double)p.px[0], s > 0 ? 255 : 0, 0);
        hc_plane_release(&p);
        hc_raster_close(r);
    }
}

// A form that this program does not know, or one that does not fit the file's size, is no raster.
static void unknown_forms_are_refused(void **state)
{
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    size_t n;
    uint8_t *file;
    (void)state;
    write_raster(20, 10, 1, HC_CELLS_HALF, false, (struct hc_tap){0}, 1);
    file = picture_read_bytes(path, &n);
    for (int cells = 0; cells < 256; cells++) {
        file[20] = (uint8_t)cells;
        picture_write_bytes(path, file, n);
        if (cells == HC_CELLS_HALF) {
            assert_ok(hc_raster_open(&r, path, &err), &err);
            hc_raster_close(r);
        } else {
            assert_int_equal(hc_raster_open(&r, path, &err), HC_EDATA);
        }
    }
    free(file);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_half_comes_back), cmocka_unit_test(halves_are_rounded_to_nearest),
        cmocka_unit_test(halves_keep_colour),    cmocka_unit_test(forms_come_back),
        cmocka_unit_test(codes_are_held_inside), cmocka_unit_test(unknown_forms_are_refused),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
