// Pictures out: what is written reads back as the same numbers, by another library and by
// ourselves; a full disk, a missing folder or a cancel leave nothing behind.
#include "hc_test.h"

#include <dirent.h>
#include <errno.h>
#include <signal.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <tiffio.h>
#include <unistd.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "image/image_priv.h"
#include "picture_files.h"

static char dir[] = "/tmp/hc_image_export_XXXXXX";
static char a[64], b[64], out[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    snprintf(a, sizeof a, "%s/a.raster", dir);
    snprintf(b, sizeof b, "%s/b.raster", dir);
    snprintf(out, sizeof out, "%s/out.tif", dir);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    unlink(a);
    unlink(b);
    unlink(out);
    return rmdir(dir);
}

#define W 83
#define H 61

static float colour(int x, int y, int c)
{
    return (float)(c == 0 ? x / (W - 1.0) : c == 1 ? y / (H - 1.0) : 0.3 + 0.2 * sin(x * 0.1));
}

static float number(int x, int y, int c)
{
    (void)c;
    return (float)(x - 7.25 * y);
}

static float reason(int x, int y, int c)
{
    (void)c;
    return (float)((x / 8 + y / 8) % 9);
}

static struct hc_raster *make(const char *path, int w, int h, int bands, float (*fn)(int, int, int))
{
    struct hc_raster_writer *wr = NULL;
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    struct hc_plane row[3] = {{0}};
    assert_ok(hc_raster_create(&wr, path, w, h, bands, &err), &err);
    for (int c = 0; c < bands; c++) {
        assert_ok(hc_plane_create(&row[c], w, 1, &err), &err);
    }
    for (int y = 0; y < h; y++) {
        for (int c = 0; c < bands; c++) {
            for (int x = 0; x < w; x++) {
                row[c].px[x] = fn(x, y, c);
            }
        }
        assert_ok(hc_raster_append(wr, row, &err), &err);
    }
    for (int c = 0; c < bands; c++) {
        hc_plane_release(&row[c]);
    }
    assert_ok(hc_raster_finish(wr, &err), &err);
    assert_ok(hc_raster_open(&r, path, &err), &err);
    return r;
}

// All pixels of a TIFF by libtiff, with its main tags checked.
static void *read_back(int channels, int bits, int format, int photometric, const char *description)
{
    TIFF *t = TIFFOpen(out, "r");
    uint32_t w, h;
    uint16_t s, n, f, p;
    char *text = NULL, *px;
    assert_non_null(t);
    TIFFGetField(t, TIFFTAG_IMAGEWIDTH, &w);
    TIFFGetField(t, TIFFTAG_IMAGELENGTH, &h);
    TIFFGetFieldDefaulted(t, TIFFTAG_SAMPLESPERPIXEL, &s);
    TIFFGetFieldDefaulted(t, TIFFTAG_BITSPERSAMPLE, &n);
    TIFFGetFieldDefaulted(t, TIFFTAG_SAMPLEFORMAT, &f);
    TIFFGetField(t, TIFFTAG_PHOTOMETRIC, &p);
    assert_int_equal(w, W);
    assert_int_equal(h, H);
    assert_int_equal(s, channels);
    assert_int_equal(n, bits);
    assert_int_equal(f, format);
    assert_int_equal(p, photometric);
    if (description) {
        assert_int_equal(TIFFGetField(t, TIFFTAG_IMAGEDESCRIPTION, &text), 1);
        assert_string_equal(text, description);
    }
    px = malloc((size_t)TIFFScanlineSize(t) * H);
    assert_non_null(px);
    for (uint32_t y = 0; y < H; y++) {
        assert_int_equal(TIFFReadScanline(t, px + (size_t)TIFFScanlineSize(t) * y, y, 0), 1);
    }
    TIFFClose(t);
    return px;
}

static void colour_exports(void **state)
{
    struct hc_raster *r = make(a, W, H, 3, colour);
    struct hc_err err = {0};
    uint16_t *s, *l;
    float *lab;
    (void)state;
    assert_ok(hc_image_export(r, HC_EXPORT_SRGB16, out, "from the test", NULL, &err), &err);
    s = read_back(3, 16, SAMPLEFORMAT_UINT, PHOTOMETRIC_RGB, "from the test");
    assert_ok(hc_image_export(r, HC_EXPORT_LINEAR16, out, NULL, NULL, &err), &err);
    l = read_back(3, 16, SAMPLEFORMAT_UINT, PHOTOMETRIC_RGB, NULL);
    assert_ok(hc_image_export(r, HC_EXPORT_LAB, out, "L*a*b*", NULL, &err), &err);
    lab = read_back(3, 32, SAMPLEFORMAT_IEEEFP, PHOTOMETRIC_CIELAB, "L*a*b*");
    for (int i = 0; i < W * H; i += 7) {
        double lin[3], want[3], wlab[3];
        for (int c = 0; c < 3; c++) {
            lin[c] = (double)colour(i % W, i / W, c);
        }
        hc_colour_lin_to_srgb(want, lin);
        hc_colour_lin_to_lab_d50(wlab, lin);
        for (int c = 0; c < 3; c++) {
            near_abs(s[3 * i + c], want[c] * 65535, 6);
            near_abs(l[3 * i + c], lin[c] * 65535, 0.51);
            near_abs((double)lab[3 * i + c], wlab[c], 2e-3);
        }
    }
    free(s);
    free(l);
    free(lab);
    hc_raster_close(r);
}

// Out with its profile and in again through the decoder: the working numbers come back.
static void linear_comes_back(void **state)
{
    struct hc_raster *r = make(a, W, H, 3, colour), *again = NULL;
    struct hc_image_info info;
    struct hc_err err = {0};
    float v;
    struct hc_plane one = {&v, 1, 1, 1};
    (void)state;
    assert_ok(hc_image_export(r, HC_EXPORT_LINEAR16, out, NULL, NULL, &err), &err);
    assert_ok(hc_image_to_raster(out, b, &info, NULL, NULL, &err), &err);
    assert_false(info.is_assumed);
    assert_non_null(strstr(info.profile, "ROMM"));
    assert_ok(hc_raster_open(&again, b, &err), &err);
    for (int y = 0; y < H; y += 9) {
        for (int x = 0; x < W; x += 5) {
            for (int c = 0; c < 3; c++) {
                assert_ok(hc_raster_read(again, c, x, y, &one, &err), &err);
                near_abs((double)v, (double)colour(x, y, c), 5e-5);
            }
        }
    }
    hc_raster_close(again);
    hc_raster_close(r);
}

static hc_status encoded_rows(void *ctx, int y0, struct hc_plane *bands, struct hc_err *err)
{
    (void)err;
    for (int c = 0; c < *(int *)ctx; c++) {
        for (int y = 0; y < bands[c].h; y++) {
            for (int x = 0; x < bands[c].w; x++) {
                hc_plane_row(&bands[c], y)[x] = colour(x, y0 + y, c);
            }
        }
    }
    return HC_OK;
}

// The whole way: a 16-bit sRGB photograph is read, placed without moving it, and exported as sRGB:
// the same numbers to a few parts in 65536, and display tiles of it open.
static void there_and_back(void **state)
{
    static const struct hc_homog same = {{1, 0, 0, 0, 1, 0, 0, 0, 1}};
    struct hc_raster *r = NULL;
    struct hc_tiles *t = NULL;
    struct hc_buf buf = {0};
    struct hc_err err = {0};
    int bands = 3;
    double clipped = 0, covered = 0;
    uint16_t *px;
    (void)state;
    assert_ok(hc_image_write_tiff16(out, W, H, 3, encoded_rows, &bands, 300, NULL, &err), &err);
    assert_ok(hc_image_to_raster(out, a, NULL, &clipped, NULL, &err), &err);
    near_abs(clipped, (W + H - 1.0) / (W * H), 1e-9);
    assert_ok(hc_raster_open(&r, a, &err), &err);
    assert_ok(hc_raster_place(r, b, &same, NULL, W, H, &covered, NULL, NULL, &err), &err);
    near_abs(covered, 1, 0);
    hc_raster_close(r);
    assert_ok(hc_raster_open(&r, b, &err), &err);
    assert_ok(hc_image_export(r, HC_EXPORT_SRGB16, out, "placed", NULL, &err), &err);
    px = read_back(3, 16, SAMPLEFORMAT_UINT, PHOTOMETRIC_RGB, "placed");
    for (int i = 0; i < W * H * 3; i++) {
        // Two roundings of the sRGB matrix (the profile's and ours) differ by some 2e-5 of white;
        // in the darks the curve's slope of 12.92 makes that up to 17 codes of 65536.
        near_abs(px[i], (double)colour(i / 3 % W, i / 3 / W, i % 3) * 65535, 20);
    }
    free(px);
    assert_ok(hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "", out, NULL, NULL, &err), &err);
    assert_ok(hc_tiles_open(&t, out, &err), &err);
    assert_int_equal(hc_tiles_get(t, 0, 0, 0, &buf, &err),
                     HC_ENOTFOUND);             // the full size: no raster
    assert_ok(hc_tiles_lend(t, r, &err), &err); // closes r with the tiles
    assert_ok(hc_tiles_get(t, 0, 0, 0, &buf, &err), &err);
    assert_true(buf.len > 500);
    hc_buf_release(&buf);
    hc_tiles_close(t);
}

static void one_band_exports(void **state)
{
    struct hc_raster *r = make(a, W, H, 1, number);
    struct hc_err err = {0};
    float *f;
    uint8_t *c;
    (void)state;
    assert_ok(hc_image_export(r, HC_EXPORT_FLOAT, out, "height, mm", NULL, &err), &err);
    f = read_back(1, 32, SAMPLEFORMAT_IEEEFP, PHOTOMETRIC_MINISBLACK, "height, mm");
    for (int i = 0; i < W * H; i++) {
        near_abs((double)f[i], (double)number(i % W, i / W, 0), 0);
    }
    free(f);
    assert_int_equal(hc_image_export(r, HC_EXPORT_LAB, out, NULL, NULL, &err), HC_EARG);
    hc_raster_close(r);
    r = make(a, W, H, 1, reason);
    assert_ok(hc_image_export(r, HC_EXPORT_CODE8, out, NULL, NULL, &err), &err);
    c = read_back(1, 8, SAMPLEFORMAT_UINT, PHOTOMETRIC_MINISBLACK, NULL);
    for (int i = 0; i < W * H; i++) {
        assert_int_equal(c[i], (int)reason(i % W, i / W, 0));
    }
    free(c);
    hc_raster_close(r);
}

static hc_status failing_rows(void *ctx, int y0, struct hc_plane *bands, struct hc_err *err)
{
    (void)ctx;
    (void)y0;
    (void)bands;
    return hc_err_set(err, HC_ENUMERIC, "test", "no rows today");
}

static void generated_pictures(void **state)
{
    struct hc_err err = {0};
    (void)state;
    for (int bands = 1; bands <= 3; bands += 2) {
        struct hc_image_info info;
        uint16_t *px;
        assert_ok(hc_image_write_tiff16(out, W, H, bands, encoded_rows, &bands, 254, NULL, &err),
                  &err);
        px = read_back(bands, 16, SAMPLEFORMAT_UINT,
                       bands == 3 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK, NULL);
        for (int i = 0; i < W * H * bands; i++) {
            near_abs(px[i], (double)colour(i / bands % W, i / bands / W, i % bands) * 65535, 0.51);
        }
        free(px);
        assert_ok(hc_image_probe(&info, out, &err), &err);
        assert_false(info.is_assumed);
        assert_int_equal(info.bands, bands);
        near_abs(info.dpi, 254, 0.01);
        assert_non_null(strstr(info.profile, "sRGB"));
    }
    unlink(out);
    assert_int_equal(hc_image_write_tiff16(out, W, H, 3, failing_rows, NULL, 0, NULL, &err),
                     HC_ENUMERIC);
    assert_true(access(out, F_OK) != 0);
    assert_int_equal(hc_image_write_tiff16(out, 0, H, 3, failing_rows, NULL, 0, NULL, &err),
                     HC_ERANGE);
}

// ---- trouble -----------------------------------------------------------------------------------
static int count_files(const char *in)
{
    DIR *d = opendir(in);
    int n = 0;
    assert_non_null(d);
    for (struct dirent *e; (e = readdir(d)) != NULL;) {
        n += e->d_name[0] != '.';
    }
    closedir(d);
    return n;
}

// Every kind of writer into `to`, where there is no room; the raster r and the picture are large.
static void all_writers_fail(const struct hc_raster *r, const char *picture, const char *in)
{
    static const struct hc_homog same = {{1, 0, 0, 0, 1, 0, 0, 0, 1}};
    char to[128];
    int bands = 3, before = count_files(in);
    snprintf(to, sizeof to, "%s/full", in);
    for (int k = 0; k < 7; k++) {
        struct hc_err err = {0};
        hc_status st = HC_OK;
        switch (k) {
        case 0:
            st = hc_raster_place(r, to, &same, NULL, 400, 300, NULL, NULL, NULL, &err);
            break;
        case 1:
            st = hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "", to, NULL, NULL, &err);
            break;
        case 2:
            st = hc_image_export(r, HC_EXPORT_LAB, to, NULL, NULL, &err);
            break;
        case 3:
            st = hc_image_export(r, HC_EXPORT_SRGB16, to, NULL, NULL, &err);
            break;
        case 4:
            st = hc_image_export(r, HC_EXPORT_LINEAR16, to, NULL, NULL, &err);
            break;
        case 5:
            st = hc_image_write_tiff16(to, 400, 300, 3, encoded_rows, &bands, 0, NULL, &err);
            break;
        default:
            st = hc_image_to_raster(picture, to, NULL, NULL, NULL, &err);
            break;
        }
        if (st != HC_EIO || !strstr(err.what, "disk is full")) {
            fail_msg("writer %d: %s: %s", k, hc_status_name(st), err.what);
        }
        assert_null(strchr(err.what, '\n'));
        assert_int_equal(count_files(in), before);
    }
}

static float noise(int x, int y, int c)
{
    unsigned v = (unsigned)(x * 7919 + y * 104729 + c * 1299709);
    v = (v ^ v >> 13) * 1274126177u;
    return (float)((v ^ v >> 16) & 1023) / 1023.0f;
}

static void full_disk(void **state)
{
    struct hc_raster *r = make(a, 700, 600, 3, noise); // half of it still fills the disk
    struct rlimit old, small = {20000, 20000};
    struct hc_err err = {0};
    char disk[80];
    (void)state;
    assert_ok(hc_image_export(r, HC_EXPORT_SRGB16, out, NULL, NULL, &err), &err);
    assert_ok(hc_image_init("test", &err), &err); // a passed size limit is no signal
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
    small.rlim_max = old.rlim_max;
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    all_writers_fail(r, out, dir);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &old), 0);
    // And a disk that really is full, where the system lets us make one.
    snprintf(disk, sizeof disk, "%s/disk", dir);
    assert_int_equal(mkdir(disk, 0700), 0);
    if (mount("none", disk, "tmpfs", 0, "size=64k") == 0) {
        all_writers_fail(r, out, disk);
        umount2(disk, MNT_DETACH);
    }
    rmdir(disk);
    hc_raster_close(r);
}

static void bad_places_to_write(void **state)
{
    struct hc_raster *r = make(a, W, H, 3, colour);
    struct hc_err err = {0};
    static const struct {
        int e;
        const char *says;
    } k[] = {{ENOSPC, "disk is full"}, {EDQUOT, "disk is full"},   {EACCES, "No permission"},
             {EROFS, "read-only"},     {ENOENT, "does not exist"}, {EIO, "failed"}};
    (void)state;
    assert_int_equal(
        hc_image_export(r, HC_EXPORT_LAB, "/tmp/no/such/folder/x.tif", NULL, NULL, &err), HC_EIO);
    assert_non_null(strstr(err.what, "does not exist"));
    assert_int_equal(
        hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "", "/tmp/no/such/x", NULL, NULL, &err), HC_EIO);
    for (size_t i = 0; i < sizeof k / sizeof *k; i++) {
        assert_int_equal(hc_outfile_fail("x.tif", k[i].e, &err), HC_EIO);
        assert_non_null(strstr(err.what, k[i].says));
        assert_non_null(strstr(err.what, "x.tif"));
    }
    // The real thing needs a user without rights; root ignores them.
    if (geteuid() == 0) {
        int status;
        pid_t pid = fork();
        if (pid == 0) {
            struct hc_err e = {0};
            bool ok = setuid(65534) == 0 &&
                      hc_image_export(r, HC_EXPORT_LAB, out, NULL, NULL, &e) == HC_EIO &&
                      strstr(e.what, "No permission");
            _exit(ok ? 0 : 1);
        }
        assert_int_equal(waitpid(pid, &status, 0), pid);
        assert_int_equal(status, 0);
    }
    hc_raster_close(r);
}

static void cancel(void *ctx, double fraction, const char *what)
{
    (void)fraction;
    (void)what;
    atomic_store(&((struct hc_job *)ctx)->cancel, true);
}

static void cancelled_writers_clean_up(void **state)
{
    static const struct hc_homog same = {{1, 0, 0, 0, 1, 0, 0, 0, 1}};
    struct hc_raster *r = make(a, 400, 600, 3, noise);
    int before = count_files(dir);
    char to[128];
    (void)state;
    snprintf(to, sizeof to, "%s/cancelled", dir);
    for (int k = 0; k < 4; k++) {
        struct hc_job job = {.progress = cancel};
        struct hc_plane o[3] = {{0}};
        struct hc_err err = {0};
        int f;
        hc_status st;
        job.ctx = &job;
        st = k == 0   ? hc_raster_place(r, to, &same, NULL, 400, 600, NULL, NULL, &job, &err)
             : k == 1 ? hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "", to, NULL, &job, &err)
             : k == 2 ? hc_image_export(r, HC_EXPORT_LAB, to, NULL, &job, &err)
                      : hc_raster_overview(r, 40, o, &f, &job, &err);
        assert_int_equal(st, HC_ECANCEL);
        assert_int_equal(count_files(dir), before);
    }
    hc_raster_close(r);
}

// Each allocation in turn fails: a status, no leak, no file.
static void memory_faults(void **state)
{
    static const struct hc_homog same = {{1, 0, 0, 0, 1, 0, 0, 0, 1}};
    struct hc_raster *r = make(a, 300, 70, 3, noise);
    size_t live = hc_mem_live();
    int before = count_files(dir);
    char to[128];
    (void)state;
    snprintf(to, sizeof to, "%s/fault", dir);
    for (int k = 0; k < 4; k++) {
        hc_status st = HC_ENOMEM;
        for (long n = 0; n < 200 && st != HC_OK; n++) {
            struct hc_plane o[3] = {{0}};
            struct hc_err err = {0};
            int f;
            hc_mem_fail_at(n);
            st = k == 0   ? hc_raster_place(r, to, &same, NULL, 300, 70, NULL, NULL, NULL, &err)
                 : k == 1 ? hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "", to, NULL, NULL, &err)
                 : k == 2 ? hc_image_export(r, HC_EXPORT_LAB, to, NULL, NULL, &err)
                          : hc_raster_overview(r, 40, o, &f, NULL, &err);
            hc_mem_fail_at(-1);
            for (int c = 0; c < 3; c++) {
                hc_plane_release(&o[c]);
            }
            if (st != HC_OK) {
                assert_int_equal(st, HC_ENOMEM);
                assert_int_equal(count_files(dir), before);
            }
            assert_int_equal(hc_mem_live(), live);
        }
        assert_int_equal(st, HC_OK);
        unlink(to);
    }
    hc_raster_close(r);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(colour_exports),      cmocka_unit_test(linear_comes_back),
        cmocka_unit_test(there_and_back),      cmocka_unit_test(one_band_exports),
        cmocka_unit_test(generated_pictures),  cmocka_unit_test(full_disk),
        cmocka_unit_test(bad_places_to_write), cmocka_unit_test(cancelled_writers_clean_up),
        cmocka_unit_test(memory_faults),
    };
    int rc = hc_image_child_main(argc, argv);
    return rc >= 0 ? rc : cmocka_run_group_tests(tests, set_up, tear_down);
}
