// Files nobody should hand in: each is refused with its own sentence, and nothing is left behind.
#include "hc_test.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"
#include "base/rng.h"
#include "image/image_priv.h"
#include "picture_files.h"

static char dir[] = "/tmp/hc_image_bad_XXXXXX";
static char file[64], raster[64], part[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    snprintf(file, sizeof file, "%s/a.tif", dir);
    snprintf(raster, sizeof raster, "%s/a.raster", dir);
    snprintf(part, sizeof part, "%s/a.raster.part", dir);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    unlink(file);
    return rmdir(dir); // fails when anything was left behind
}

static void assert_one_line(const char *s)
{
    assert_true(strlen(s) > 20);
    assert_null(strchr(s, '\n'));
}

static void every_bad_file_is_refused(void **state)
{
    struct picture_bad bad;
    (void)state;
    for (int i = 0; picture_bad(i, file, &bad); i++) {
        struct hc_image_info info;
        struct hc_err err = {0};
        hc_status st = hc_image_probe(&info, file, &err);
        if (!bad.status) {
            assert_ok(st, &err);
            assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
            unlink(raster);
            continue;
        }
        if (st == HC_OK && bad.is_late) {
            st = hc_image_to_raster(file, raster, &info, NULL, NULL, &err);
        }
        if (strcmp(hc_status_name(st), bad.status) != 0 || !strstr(err.what, bad.says)) {
            fail_msg("%s: got %s: %s", bad.name, hc_status_name(st), err.what);
        }
        assert_one_line(err.what);
        assert_true(strstr(err.what, file) != NULL);
        assert_true(access(raster, F_OK) != 0 && access(part, F_OK) != 0);
        assert_int_not_equal(hc_image_to_raster(file, raster, &info, NULL, NULL, NULL), HC_OK);
        assert_true(access(raster, F_OK) != 0 && access(part, F_OK) != 0);
    }
}

static void things_that_are_no_plain_file(void **state)
{
    struct hc_image_info info;
    struct hc_err err = {0};
    (void)state;
    assert_int_equal(hc_image_probe(&info, "/tmp/no/such/picture.tif", &err), HC_ENOTFOUND);
    assert_int_equal(hc_image_probe(&info, dir, &err), HC_EUNSUPPORTED);
    assert_non_null(strstr(err.what, "plain file"));
    assert_int_equal(hc_image_probe(&info, "/dev/zero", &err), HC_EUNSUPPORTED);
    unlink(file);
    assert_int_equal(mkfifo(file, 0600), 0);
    assert_int_equal(hc_image_probe(&info, file, &err), HC_EUNSUPPORTED);
    unlink(file);
}

// The header reader on damaged copies of good headers: any answer is right, as long as it comes.
static void mutate_headers(struct hc_rng *rng, const char *from, int rounds)
{
    size_t n;
    uint8_t *good = picture_read_bytes(from, &n), *p = malloc(n);
    int fd = open(file, O_RDWR | O_CREAT | O_TRUNC, 0600);
    assert_true(fd >= 0);
    assert_non_null(p);
    for (int k = 0; k < rounds; k++) {
        struct hc_sniff s;
        size_t cut = hc_rng_below(rng, 4) == 0 ? (size_t)hc_rng_below(rng, (int)n) : n;
        memcpy(p, good, n);
        for (int m = hc_rng_below(rng, 12) + 1; m > 0; m--) {
            // Headers sit at the start, TIFF directories at the end.
            size_t near = (size_t)hc_rng_below(rng, n < 260 ? (int)n : 260);
            p[hc_rng_below(rng, 2) ? near : n - 1 - near] = (uint8_t)hc_rng_below(rng, 256);
        }
        assert_int_equal(pwrite(fd, p, cut, 0), cut);
        if (hc_sniff_fd(&s, fd, (off_t)cut, NULL) == HC_OK) {
            // The converter says the size of a raw file.
            assert_true((s.kind == HC_SNIFF_RAW && s.raw_kind[0]) || (s.w >= 1 && s.h >= 1));
            assert_true(s.bands == 1 || s.bands == 3);
        }
    }
    close(fd);
    free(good);
    free(p);
}

static void damaged_headers_end(void **state)
{
    struct hc_rng rng = hc_rng_make(20260101);
    char good[64];
    uint8_t px[40 * 30 * 6] = {0};
    struct picture_tiff t = {
        .w = 40, .h = 30, .samples = 3, .bits = 16, .photometric = 2, .pages = 2};
    struct picture_png p = {.w = 40, .h = 30, .type = 2, .bits = 8, .is_srgb = true};
    struct picture_jpeg j = {.w = 40, .h = 30, .samples = 3, .exif_orientation = 6};
    (void)state;
    snprintf(good, sizeof good, "%s/good", dir);
    picture_write_tiff(good, &t, px);
    mutate_headers(&rng, good, 3000);
    t.is_big = true;
    picture_write_tiff(good, &t, px);
    mutate_headers(&rng, good, 3000);
    picture_write_png(good, &p, px);
    mutate_headers(&rng, good, 1500);
    picture_write_jpeg(good, &j, px);
    mutate_headers(&rng, good, 1500);
    unlink(good);
}

// The whole way with damaged files: an answer or a refusal, never a crash, nothing left behind.
static void damaged_files_are_survived(void **state)
{
    struct hc_rng rng = hc_rng_make(77);
    struct hc_image_info info;
    uint8_t px[60 * 50 * 3];
    (void)state;
    for (size_t i = 0; i < sizeof px; i++) {
        px[i] = (uint8_t)hc_rng_below(&rng, 256);
    }
    for (int k = 0; k < 60; k++) {
        struct hc_err err = {0};
        struct picture_tiff t = {.w = 60,
                                 .h = 50,
                                 .samples = 3,
                                 .bits = 8,
                                 .photometric = 2,
                                 .compression = k % 2 ? 8 : 5,
                                 .is_tiled = k % 4 > 1};
        struct picture_png p = {.w = 60, .h = 50, .type = 2, .bits = 8, .is_interlaced = k % 2};
        struct picture_jpeg j = {.w = 60, .h = 50, .samples = 3, .is_progressive = k % 2};
        size_t n;
        uint8_t *b;
        hc_status st;
        if (k % 3 == 0) {
            picture_write_tiff(file, &t, px);
        } else if (k % 3 == 1) {
            picture_write_png(file, &p, px);
        } else {
            picture_write_jpeg(file, &j, px);
        }
        b = picture_read_bytes(file, &n);
        for (int m = hc_rng_below(&rng, 20) + 1; m > 0; m--) {
            b[hc_rng_below(&rng, (int)n)] = (uint8_t)hc_rng_below(&rng, 256);
        }
        picture_write_bytes(file, b, n);
        free(b);
        st = hc_image_to_raster(file, raster, &info, NULL, NULL, &err);
        if (st != HC_OK) {
            assert_one_line(err.what);
            assert_null(strstr(err.what, "crashed"));
            assert_true(access(raster, F_OK) != 0);
        }
        unlink(raster);
        assert_true(access(part, F_OK) != 0);
    }
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_bad_file_is_refused),
        cmocka_unit_test(things_that_are_no_plain_file),
        cmocka_unit_test(damaged_headers_end),
        cmocka_unit_test(damaged_files_are_survived),
    };
    int rc = hc_image_child_main(argc, argv);
    return rc >= 0 ? rc : cmocka_run_group_tests(tests, set_up, tear_down);
}
