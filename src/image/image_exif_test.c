// How a picture was taken, as the file says: the same facts from JPEG, PNG and TIFF, and nothing
// absurd from damaged ones.
#include "hc_test.h"

#include <fcntl.h>
#include <unistd.h>

#include "base/rng.h"
#include "image/image_priv.h"
#include "picture_files.h"
#include "raw_files.h"

static char dir[] = "/tmp/hc_image_exif_XXXXXX";
static char file[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    snprintf(file, sizeof file, "%s/a", dir);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    unlink(file);
    return rmdir(dir);
}

static void check(const struct hc_image_info *info)
{
    assert_string_equal(info->camera, "Testworks One");
    assert_string_equal(info->lens, "Test lens 80 mm");
    assert_string_equal(info->taken_at, "2024-05-17 10:32:00");
    near_abs(info->exposure_s, 1 / 60.0, 1e-6);
    near_abs(info->f_number, 8, 1e-9);
    near_abs(info->iso, 100, 0);
    near_abs(info->focal_mm, 80, 1e-9);
}

// Puts bytes into a file.
static void insert(size_t at, const uint8_t *p, size_t n)
{
    size_t size;
    uint8_t *old = picture_read_bytes(file, &size), *all = malloc(size + n);
    assert_non_null(all);
    memcpy(all, old, at);
    memcpy(all + at, p, n);
    memcpy(all + at + n, old + at, size - at);
    picture_write_bytes(file, all, size + n);
    free(old);
    free(all);
}

static void big_endian32(uint8_t *p, uint32_t v)
{
    for (int i = 0; i < 4; i++) {
        p[i] = (uint8_t)(v >> (24 - 8 * i));
    }
}

// ISO/IEC 15948, annex D.
static uint32_t png_crc(const uint8_t *p, size_t n)
{
    uint32_t c = 0xffffffff;
    for (size_t i = 0; i < n; i++) {
        c ^= p[i];
        for (int k = 0; k < 8; k++) {
            c = c & 1 ? 0xedb88320 ^ c >> 1 : c >> 1;
        }
    }
    return ~c;
}

static const uint8_t px[40 * 30 * 3];

static void from_jpeg(void **state)
{
    struct picture_jpeg j = {.w = 40, .h = 30, .samples = 3};
    uint8_t block[10 + 600] = {0xff, 0xe1, 0, 0, 'E', 'x', 'i', 'f', 0, 0};
    size_t n = raw_exif_block(block + 10);
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    (void)state;
    picture_write_jpeg(file, &j, px);
    assert_ok(hc_image_probe(&info, file, &err), &err);
    assert_string_equal(info.camera, "");
    near_abs(info.exposure_s, 0, 0);
    block[2] = (uint8_t)((n + 8) >> 8);
    block[3] = (uint8_t)(n + 8);
    insert(2, block, n + 10);
    assert_ok(hc_image_probe(&info, file, &err), &err);
    check(&info);
}

static void from_png(void **state)
{
    struct picture_png p = {.w = 40, .h = 30, .type = 2, .bits = 8};
    uint8_t chunk[12 + 600] = {0, 0, 0, 0, 'e', 'X', 'I', 'f'};
    size_t n = raw_exif_block(chunk + 8);
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    (void)state;
    big_endian32(chunk, (uint32_t)n);
    big_endian32(chunk + 8 + n, png_crc(chunk + 4, n + 4));
    picture_write_png(file, &p, px);
    insert(33, chunk, n + 12); // after IHDR
    assert_ok(hc_image_probe(&info, file, &err), &err);
    check(&info);
}

// The facts of the block at `at` of the file, read by our own reader.
static void read_block(struct hc_image_info *info, size_t at, size_t n)
{
    int fd = open(file, O_RDONLY);
    *info = (struct hc_image_info){0};
    assert_true(fd >= 0);
    hc_exif_read(info, fd, at, n);
    close(fd);
}

static void from_tiff(void **state)
{
    uint8_t block[600];
    size_t n = raw_exif_block(block);
    struct hc_image_info info;
    (void)state;
    picture_write_bytes(file, block, n);
    read_block(&info, 0, n);
    check(&info);
}

// By hand: ExposureTime 1/8 in the first directory of a Motorola-ordered block.
static void the_other_byte_order(void **state)
{
    static const uint8_t block[] = {'M', 'M', 0, 42, 0,  0, 0, 8, 0, 1, 0x82, 0x9a, 0, 5, 0, 0, 0,
                                    1,   0,   0, 0,  26, 0, 0, 0, 0, 0, 0,    0,    1, 0, 0, 0, 8};
    struct hc_image_info info;
    (void)state;
    picture_write_bytes(file, block, sizeof block);
    read_block(&info, 0, sizeof block);
    near_abs(info.exposure_s, 0.125, 1e-12);
}

static void assert_sane(const struct hc_image_info *i)
{
    const double v[4] = {i->exposure_s, i->f_number, i->iso, i->focal_mm};
    const char *s[3] = {i->camera, i->lens, i->taken_at};
    for (int k = 0; k < 4; k++) {
        assert_true(v[k] >= 0 && v[k] <= 1e7);
    }
    for (int k = 0; k < 3; k++) {
        assert_true(strlen(s[k]) < 64);
        for (const char *c = s[k]; *c; c++) {
            assert_true(*c >= 32 && *c < 127);
        }
    }
}

static void damaged_blocks_give_nothing_absurd(void **state)
{
    struct hc_rng rng = hc_rng_make(5);
    uint8_t block[600], bad[600];
    size_t n = raw_exif_block(block);
    int fd = open(file, O_RDWR | O_CREAT | O_TRUNC, 0600);
    (void)state;
    assert_true(fd >= 0);
    for (int k = 0; k < 4000; k++) {
        struct hc_image_info info = {0};
        memcpy(bad, block, n);
        for (int m = hc_rng_below(&rng, 8) + 1; m > 0; m--) {
            bad[hc_rng_below(&rng, (int)n)] = (uint8_t)hc_rng_below(&rng, 256);
        }
        assert_int_equal(pwrite(fd, bad, n, 0), n);
        hc_exif_read(&info, fd, 0, hc_rng_below(&rng, 3) ? n : (size_t)hc_rng_below(&rng, (int)n));
        assert_sane(&info);
    }
    close(fd);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(from_jpeg),
        cmocka_unit_test(from_png),
        cmocka_unit_test(from_tiff),
        cmocka_unit_test(the_other_byte_order),
        cmocka_unit_test(damaged_blocks_give_nothing_absurd),
    };
    int rc = hc_image_child_main(argc, argv);
    return rc >= 0 ? rc : cmocka_run_group_tests(tests, set_up, tear_down);
}
