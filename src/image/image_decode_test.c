// Reading good files: every kind taken, the right colours, the right way up, and a decoder that may
// be killed, starved or cancelled at any moment.
#include "hc_test.h"

#include <dirent.h>
#include <lcms2.h>
#include <signal.h>
#include <unistd.h>

#include "base/mem.h"
#include "base/rng.h"
#include "colour/colour.h"
#include "image/image_priv.h"
#include "picture_files.h"

static char dir[] = "/tmp/hc_image_decode_XXXXXX";
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
    unlink(raster);
    return rmdir(dir);
}

#define W 150
#define H 130

// A smooth ramp with all channels different: 16-bit codes.
static uint16_t code(int x, int y, int b)
{
    int v = b == 0 ? x * 65535 / (W - 1) : b == 1 ? y * 65535 / (H - 1) : (x * 7 + y * 11) * 25;
    return (uint16_t)(v < 65536 ? v : 65535);
}

static void fill16(uint16_t *px, int bands)
{
    for (int i = 0; i < W * H * bands; i++) {
        px[i] = code(i / bands % W, i / bands / W, i % bands);
    }
}

// The raster just decoded, at one pixel.
static void pixel(const char *path, int x, int y, double out[3])
{
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    float v;
    struct hc_plane p = {&v, 1, 1, 1};
    assert_ok(hc_raster_open(&r, path, &err), &err);
    for (int b = 0; b < hc_raster_bands(r); b++) {
        assert_ok(hc_raster_read(r, b, x, y, &p, &err), &err);
        out[b] = (double)v;
    }
    hc_raster_close(r);
}

// Linear ROMM of sRGB numbers by the standard's own formula and the colour room's double matrices.
static void expect_srgb(const double srgb[3], int x, int y, double tol)
{
    double want[3], got[3];
    hc_colour_srgb_to_lin(want, srgb);
    pixel(raster, x, y, got);
    for (int b = 0; b < 3; b++) {
        near_abs(got[b], want[b], tol);
    }
}

static void check_ramp16(double tol)
{
    static const int at[][2] = {{0, 0},   {149, 129}, {75, 3},  {3, 65},
                                {64, 64}, {63, 127},  {148, 15}};
    for (size_t i = 0; i < sizeof at / sizeof *at; i++) {
        double s[3];
        for (int b = 0; b < 3; b++) {
            s[b] = code(at[i][0], at[i][1], b) / 65535.0;
        }
        expect_srgb(s, at[i][0], at[i][1], tol);
    }
}

static void every_tiff_layout(void **state)
{
    static const struct picture_tiff kinds[] = {
        {.compression = 1},
        {.compression = 5},
        {.compression = 8},
        {.compression = 32773},
        {.compression = 50000},
        {.compression = 8, .is_tiled = true},
        {.is_tiled = true, .is_big = true},
        {.is_separate = true},
        {.pages = 3, .dpi = 300},
    };
    static uint16_t px[W * H * 3], planar[W * H * 3];
    (void)state;
    fill16(px, 3);
    for (int i = 0; i < W * H; i++) {
        for (int b = 0; b < 3; b++) {
            planar[b * W * H + i] = px[3 * i + b];
        }
    }
    for (size_t k = 0; k < sizeof kinds / sizeof *kinds; k++) {
        struct picture_tiff t = kinds[k];
        struct hc_image_info info = {0};
        struct hc_err err = {0};
        double clipped = -1;
        t.w = W;
        t.h = H;
        t.samples = 3;
        t.bits = 16;
        t.photometric = 2;
        picture_write_tiff(file, &t, t.is_separate ? planar : px);
        assert_ok(hc_image_to_raster(file, raster, &info, &clipped, NULL, &err), &err);
        assert_int_equal(info.w, W);
        assert_int_equal(info.h, H);
        assert_int_equal(info.bands, 3);
        assert_int_equal(info.bits, 16);
        assert_string_equal(info.format, "tiff");
        assert_true(info.is_assumed);
        assert_non_null(strstr(info.note, "ASSUMED COLOUR"));
        near_abs(info.dpi, t.dpi, 0.01);
        assert_int_equal(strstr(info.note, "3 pages") != NULL, t.pages == 3);
        check_ramp16(2e-5);
        // Column 149 and row 129 are full in red or green; blue nowhere else.
        near_abs(clipped, (W + H - 1.0) / (W * H), 1e-9);
    }
}

static void png_and_jpeg(void **state)
{
    static uint16_t px16[W * H * 3];
    static uint8_t px8[W * H * 3];
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    struct picture_png p = {.w = W, .h = H, .type = 2, .bits = 16, .is_srgb = true};
    struct picture_jpeg j = {.w = W, .h = H, .samples = 3};
    (void)state;
    fill16(px16, 3);
    for (int i = 0; i < W * H * 3; i++) {
        px16[i] = (uint16_t)(px16[i] >> 8 | px16[i] << 8); // PNG is big endian
    }
    for (int k = 0; k < 2; k++) {
        p.is_interlaced = k;
        picture_write_png(file, &p, px16);
        assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
        assert_string_equal(info.format, "png");
        assert_false(info.is_assumed); // the sRGB chunk says so
        check_ramp16(2e-5);
    }
    memset(px8, 128, sizeof px8);
    for (int k = 0; k < 4; k++) {
        double grey[3] = {128 / 255.0, 128 / 255.0, 128 / 255.0};
        j.is_progressive = k & 1;
        j.is_exif_srgb = k & 2;
        picture_write_jpeg(file, &j, px8);
        assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
        assert_string_equal(info.format, "jpeg");
        assert_int_equal(info.bits, 8);
        assert_int_equal(info.is_assumed, !j.is_exif_srgb);
        expect_srgb(grey, 70, 60, 1e-5);
    }
}

// Cameras mark Adobe RGB without embedding a profile; the numbers are sRGB's only by assumption
// then.
static void camera_mark_of_adobe_rgb(void **state)
{
    static uint8_t px[40 * 30 * 3];
    struct picture_jpeg j = {.w = 40, .h = 30, .samples = 3, .is_exif_adobe = true};
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    (void)state;
    picture_write_jpeg(file, &j, px);
    assert_ok(hc_image_probe(&info, file, &err), &err);
    assert_true(info.is_assumed);
    assert_non_null(strstr(info.note, "Adobe RGB"));
}

// Grey PNG and JPEG, colour TIFF of 8 bit and of JPEG strips: middle grey comes out the same.
static void other_kinds(void **state)
{
    static uint8_t px[W * H * 3];
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    (void)state;
    memset(px, 128, sizeof px);
    for (int k = 0; k < 6; k++) {
        struct picture_png p = {.w = W, .h = H, .type = 0, .bits = k == 0 ? 8 : 16};
        struct picture_jpeg j = {.w = W, .h = H, .samples = 1};
        struct picture_tiff t = {.w = W,
                                 .h = H,
                                 .samples = k == 3 ? 1 : 3,
                                 .bits = 8,
                                 .photometric = k == 3 ? 1 : 2,
                                 .compression = k == 5 ? 7 : 1};
        // 16-bit code 128 * 257 of a PNG is the 8-bit code 128.
        double v[3], want = pow((128 / 255.0 + 0.055) / 1.055, 2.4);
        if (k < 2) {
            picture_write_png(file, &p, px);
        } else if (k == 2) {
            picture_write_jpeg(file, &j, px);
        } else {
            picture_write_tiff(file, &t, px);
        }
        assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
        assert_int_equal(info.bands, k < 4 ? 1 : 3);
        assert_int_equal(info.bits, k == 1 ? 16 : 8);
        pixel(raster, 33, 44, v);
        for (int b = 0; b < info.bands; b++) {
            near_abs(v[b], want, 2e-5);
        }
    }
}

static void grey_and_float(void **state)
{
    static uint16_t g16[W * H];
    static float f[W * H * 3];
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    struct picture_tiff t = {.w = W, .h = H, .samples = 1, .bits = 16, .photometric = 1};
    double v[3], clipped = -1;
    (void)state;
    fill16(g16, 1);
    picture_write_tiff(file, &t, g16);
    assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
    assert_int_equal(info.bands, 1);
    assert_non_null(strstr(info.note, "grey with the sRGB curve"));
    pixel(raster, 60, 9, v);
    // IEC 61966-2-1 decoding of 60/149 of full scale.
    near_abs(v[0], pow((code(60, 9, 0) / 65535.0 + 0.055) / 1.055, 2.4), 1e-5);
    t.photometric = 0; // white is zero
    picture_write_tiff(file, &t, g16);
    assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
    pixel(raster, 60, 9, v);
    near_abs(v[0], pow(((65535 - code(60, 9, 0)) / 65535.0 + 0.055) / 1.055, 2.4), 1e-5);
    // Float: linear sRGB; values above white and not-a-number.
    for (int i = 0; i < W * H * 3; i++) {
        f[i] = 0.5f;
    }
    f[0] = f[1] = f[2] = 3.0f;
    f[3] = NAN;
    f[7] = INFINITY;
    t = (struct picture_tiff){
        .w = W, .h = H, .samples = 3, .bits = 32, .format = 3, .photometric = 2};
    picture_write_tiff(file, &t, f);
    assert_ok(hc_image_to_raster(file, raster, &info, &clipped, NULL, &err), &err);
    assert_true(info.is_float && info.is_assumed);
    assert_non_null(strstr(info.note, "linear light"));
    assert_non_null(strstr(info.note, "2 pixels were not numbers"));
    near_abs(clipped, 0, 0);
    for (int x = 0; x < 4; x++) {
        static const double want[] = {3, 0, 0, 0.5};
        pixel(raster, x, 0, v);
        for (int b = 0; b < 3; b++) {
            near_abs(v[b], want[x], 2e-4); // white of sRGB is white of ROMM
        }
    }
}

// Known pixels after a turn: the file's corner marks, by EXIF 2.3 table of tag 274.
static void all_orientations(void **state)
{
    // Where the file's first pixel (marked) comes to lie in the upright picture: x end?, y end?
    static const int end[9][2] = {{0, 0}, {0, 0}, {1, 0}, {1, 1}, {0, 1},
                                  {0, 0}, {1, 0}, {1, 1}, {0, 1}};
    static uint16_t px[40 * 30 * 3];
    struct hc_err err = {0};
    (void)state;
    memset(px, 0, sizeof px);
    px[0] = px[1] = px[2] = 65535;
    px[3] = 65535; // its right neighbour is red: tells mirrored from turned
    for (int o = 1; o <= 8; o++) {
        struct hc_image_info info = {0};
        struct picture_tiff t = {
            .w = 40, .h = 30, .samples = 3, .bits = 16, .photometric = 2, .orientation = o};
        double v[3], n[3];
        int x, y;
        picture_write_tiff(file, &t, px);
        assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
        assert_int_equal(info.w, o >= 5 ? 30 : 40);
        assert_int_equal(info.h, o >= 5 ? 40 : 30);
        assert_int_equal(strstr(info.note, "orientation") != NULL, o != 1);
        x = end[o][0] ? info.w - 1 : 0;
        y = end[o][1] ? info.h - 1 : 0;
        pixel(raster, x, y, v);
        near_abs(v[1], 1, 1e-4);
        // The file's row runs along the upright row (1-4) or column (5-8), inwards.
        pixel(raster, o < 5 ? x + (end[o][0] ? -1 : 1) : x, o < 5 ? y : y + (end[o][1] ? -1 : 1),
              n);
        assert_true(n[0] > 0.3 && n[2] < 0.1);
    }
    {
        struct hc_image_info info = {0};
        struct picture_jpeg j = {.w = 40, .h = 30, .samples = 3, .exif_orientation = 6};
        static uint8_t px8[40 * 30 * 3];
        picture_write_jpeg(file, &j, px8);
        assert_ok(hc_image_probe(&info, file, &err), &err);
        assert_int_equal(info.w, 30);
        assert_int_equal(info.h, 40);
    }
}

// ---- a decoder in trouble ----------------------------------------------------------------------
// A picture that takes several frames to send.
static void write_large(int side)
{
    struct picture_tiff t = {
        .w = side, .h = side, .samples = 3, .bits = 8, .photometric = 2, .compression = 8};
    uint8_t *px = malloc((size_t)side * (size_t)side * 3);
    struct hc_rng rng = hc_rng_make(3);
    assert_non_null(px);
    for (size_t i = 0; i < (size_t)side * (size_t)side * 3; i++) {
        px[i] = (uint8_t)hc_rng_below(&rng, 256);
    }
    picture_write_tiff(file, &t, px);
    free(px);
}

static void nothing_left(void)
{
    assert_true(access(raster, F_OK) != 0);
    assert_true(access(part, F_OK) != 0);
}

// The only child of this test is the decoder.
static void kill_child(void *ctx, double fraction, const char *what)
{
    const int *sig = ctx;
    DIR *proc = opendir("/proc");
    (void)fraction;
    (void)what;
    assert_non_null(proc);
    for (struct dirent *d; (d = readdir(proc)) != NULL;) {
        char path[300], line[512];
        int pid = atoi(d->d_name), parent = 0;
        FILE *f;
        snprintf(path, sizeof path, "/proc/%d/stat", pid);
        f = pid > 0 ? fopen(path, "r") : NULL;
        if (f && fgets(line, sizeof line, f) && strrchr(line, ')')) {
            assert_int_equal(sscanf(strrchr(line, ')') + 1, " %*c %d", &parent), 1);
            if (parent == getpid()) {
                kill(pid, *sig);
            }
        }
        if (f) {
            fclose(f);
        }
    }
    closedir(proc);
}

static void killed_child_is_told(void **state)
{
    static const struct {
        int sig;
        hc_status want;
        const char *says;
    } k[] = {{SIGKILL, HC_ENOMEM, "memory ran out"}, {SIGTERM, HC_EDATA, "signal 15"}};
    (void)state;
    write_large(1500);
    unlink(raster);
    for (size_t i = 0; i < sizeof k / sizeof *k; i++) {
        int sig = k[i].sig;
        struct hc_job job = {.progress = kill_child, .ctx = &sig};
        struct hc_err err = {0};
        assert_int_equal(hc_image_to_raster(file, raster, NULL, NULL, &job, &err), k[i].want);
        assert_non_null(strstr(err.what, k[i].says));
        nothing_left();
    }
}

static void cancel(void *ctx, double fraction, const char *what)
{
    (void)fraction;
    (void)what;
    atomic_store(&((struct hc_job *)ctx)->cancel, true);
}

static void cancelled_half_way(void **state)
{
    struct hc_job job = {.progress = cancel};
    struct hc_err err = {0};
    (void)state;
    job.ctx = &job;
    write_large(1500);
    assert_int_equal(hc_image_to_raster(file, raster, NULL, NULL, &job, &err), HC_ECANCEL);
    nothing_left();
}

static void ceilings_of_time_and_memory(void **state)
{
    struct hc_child_limits lim = {
        .cpu_s = 1, .mem_mib = HC_CHILD_MEM_MIB, .stall_s = HC_CHILD_STALL_S};
    struct hc_err err = {0};
    hc_status st;
    (void)state;
    // One second of processor time is too little for this one, whatever the machine.
    write_large(9000);
    st = hc_decode_run(file, raster, NULL, NULL, &lim, NULL, &err);
    if (st != HC_OK) { // a machine of the future may manage it
        assert_int_equal(st, HC_ELIMIT);
        assert_non_null(strstr(err.what, "processor time"));
        nothing_left();
    }
    unlink(raster);
    // A progressive JPEG keeps all coefficients: 3000 x 3000 x 3 x 2 bytes are more than 300 MiB of
    // addresses leave free beside the libraries.
    if (!HC_SANITIZED) {
        struct picture_jpeg j = {.w = 6000, .h = 6000, .samples = 3, .is_progressive = true};
        uint8_t *px = calloc(6000 * 6000, 3);
        assert_non_null(px);
        picture_write_jpeg(file, &j, px);
        free(px);
        lim.cpu_s = 60;
        lim.mem_mib = 300;
        st = hc_decode_run(file, raster, NULL, NULL, &lim, NULL, &err);
        assert_int_equal(st, HC_ELIMIT);
        assert_non_null(strstr(err.what, "memory"));
        nothing_left();
    }
}

static void memory_faults(void **state)
{
    struct hc_err err = {0};
    struct picture_tiff t = {.w = 20, .h = 20, .samples = 3, .bits = 8, .photometric = 2};
    uint8_t px[1200] = {0};
    size_t live = hc_mem_live();
    (void)state;
    picture_write_tiff(file, &t, px);
    for (long n = 0; n < 12; n++) {
        hc_status st;
        hc_mem_fail_at(n);
        st = hc_image_to_raster(file, raster, NULL, NULL, NULL, &err);
        hc_mem_fail_at(-1);
        if (st == HC_OK) {
            assert_true(n > 1);
            break;
        }
        assert_int_equal(st, HC_ENOMEM);
        nothing_left();
        assert_int_equal(hc_mem_live(), live);
    }
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_tiff_layout),
        cmocka_unit_test(png_and_jpeg),
        cmocka_unit_test(grey_and_float),
        cmocka_unit_test(camera_mark_of_adobe_rgb),
        cmocka_unit_test(other_kinds),
        cmocka_unit_test(all_orientations),
        cmocka_unit_test(killed_child_is_told),
        cmocka_unit_test(cancelled_half_way),
        cmocka_unit_test(ceilings_of_time_and_memory),
        cmocka_unit_test(memory_faults),
    };
    int rc = hc_image_child_main(argc, argv);
    return rc >= 0 ? rc : cmocka_run_group_tests(tests, set_up, tear_down);
}
