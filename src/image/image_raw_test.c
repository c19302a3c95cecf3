// Camera raw: a mosaic whose scene is known comes back as linear ROMM, and what cannot be trusted
// is refused.
#include "hc_test.h"

#include <sys/wait.h>
#include <unistd.h>

#include "base/rng.h"
#include "colour/colour.h"
#include "image/image_priv.h"
#include "num/linear.h"
#include "picture_files.h"
#include "raw_files.h"

#define W 640
#define H 480
#define COLS 8
#define ROWS 4

static char dir[] = "/tmp/hc_image_raw_XXXXXX";
static char file[64], raster[64], part[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(dir));
    snprintf(file, sizeof file, "%s/a.dng", dir);
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

// XYZ (D65) -> linear sRGB: IEC 61966-2-1:1999.
#define TO_SRGB                                                                                    \
    {                                                                                              \
        3.2406, -1.5372, -0.4986, -0.9689, 1.8758, 0.0415, 0.0557, -0.2040, 1.0570                 \
    }
static const double neutral[3] = {0.5, 1, 1 / 1.5};

// A camera whose channels are sRGB light behind filters of the strengths of `neutral`.
static struct raw_file camera(void)
{
    struct raw_file s = {.w = W,
                         .h = H,
                         .black = 512,
                         .white = 16383,
                         .matrices = 1,
                         .xyz_to_cam = {TO_SRGB},
                         .illuminant = {21},
                         .neutral = {0.5, 1, 1 / 1.5},
                         .is_dng = true};
    for (int i = 0; i < 9; i++) {
        s.xyz_to_cam[0][i] *= neutral[i / 3];
    }
    return s;
}

// Encoded sRGB of a patch: greys in the top row, then colours.
static double patch(int k, int b)
{
    if (k < COLS) {
        return 0.1 + 0.85 * k / (COLS - 1);
    }
    return 0.15 + 0.7 * ((k * (3 + 2 * b) + 5 * b) % 11) / 10;
}

static double scene(int x, int y, int b)
{
    double v = patch(x * COLS / W + y * ROWS / H * COLS, b);
    v = v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4); // IEC 61966-2-1
    return v * neutral[b];
}

// Largest difference from the patch's true linear ROMM over the inner part of a patch.
static double patch_error(const struct hc_raster *r, int k)
{
    const int pw = W / COLS, ph = H / ROWS, in = 16;
    double s[3], want[3], worst = 0;
    struct hc_err err = {0};
    struct hc_plane p = {0};
    assert_ok(hc_plane_create(&p, pw - 2 * in, ph - 2 * in, &err), &err);
    for (int b = 0; b < 3; b++) {
        s[b] = patch(k, b);
    }
    hc_colour_srgb_to_lin(want, s);
    for (int b = 0; b < 3; b++) {
        assert_ok(hc_raster_read(r, b, k % COLS * pw + in, k / COLS * ph + in, &p, &err), &err);
        for (int y = 0; y < p.h; y++) {
            for (int x = 0; x < p.w; x++) {
                double d = fabs((double)hc_plane_row(&p, y)[x] - want[b]);
                worst = d > worst ? d : worst;
            }
        }
    }
    hc_plane_release(&p);
    return worst;
}

static void check_patches(double tol)
{
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    assert_ok(hc_raster_open(&r, raster, &err), &err);
    for (int k = 0; k < COLS * ROWS; k++) {
        double worst = patch_error(r, k);
        if (!(worst <= tol)) {
            fail_msg("patch %d is off by %g", k, worst);
        }
    }
    hc_raster_close(r);
}

static void develop(const struct raw_file *s, raw_scene what, struct hc_image_info *info,
                    double *clipped)
{
    struct hc_err err = {0};
    struct hc_image_info header = {0};
    raw_write(file, s, what);
    assert_ok(hc_image_to_raster(file, raster, info, clipped, NULL, &err), &err);
    assert_ok(hc_image_probe(&header, file, &err), &err);
    assert_memory_equal(&header, info, sizeof header);
}

// One step of the mosaic is 1 / (16383 - 512) / neutral = 1.3e-4 in red; half of it, through the
// matrix, and the four-digit sRGB matrix leave less than this.
#define TOL 3e-4

static void a_known_scene_comes_back(void **state)
{
    struct raw_file s = camera();
    struct hc_image_info info;
    double clipped = -1;
    (void)state;
    develop(&s, scene, &info, &clipped);
    assert_int_equal(info.w, W);
    assert_int_equal(info.h, H);
    assert_int_equal(info.bands, 3);
    assert_int_equal(info.bits, 16);
    assert_false(info.is_assumed);
    assert_string_equal(info.format, "dng");
    assert_string_equal(info.profile, "camera matrix (in the file)");
    assert_non_null(strstr(info.note, "not measured; calibrate with a target"));
    assert_non_null(strstr(info.note, "as shot"));
    near_abs(clipped, 0, 0);
    check_patches(TOL);
}

static void the_way_it_was_taken(void **state)
{
    struct raw_file s = camera();
    struct hc_image_info info;
    (void)state;
    develop(&s, scene, &info, NULL);
    assert_string_equal(info.camera, "Testworks One");
    assert_string_equal(info.lens, "Test lens 80 mm");
    assert_string_equal(info.taken_at, "2024-05-17 10:32:00");
    near_abs(info.exposure_s, 1 / 60.0, 1e-6);
    near_abs(info.f_number, 8, 1e-6);
    near_abs(info.iso, 100, 1e-6);
    near_abs(info.focal_mm, 80, 1e-6);
}

static double shading(int x, int y, int b)
{
    return (0.4 + 0.25 * sin(x / 30.0 + b) * cos(y / 25.0 - 2 * b)) * neutral[b];
}

// Smooth shading of all three channels against each other, at every pixel: a shift by half a pixel
// or a wrong corner of the mosaic is seen at once.
static void every_pixel_is_in_its_place(void **state)
{
    static const double xyz_to_srgb[9] = TO_SRGB;
    struct hc_raw_colour c = {
        .n = 1, .illuminant = {21}, .has_neutral = true, .neutral = {1, 1, 1}};
    struct raw_file s = camera();
    struct hc_image_info info;
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    struct hc_plane got[3] = {{0}};
    double m[9], worst = 0;
    (void)state;
    memcpy(c.m[0], xyz_to_srgb, sizeof xyz_to_srgb);
    assert_ok(hc_raw_colour_matrix(m, &c, &err), &err);
    develop(&s, shading, &info, NULL);
    assert_ok(hc_raster_open(&r, raster, &err), &err);
    for (int b = 0; b < 3; b++) {
        assert_ok(hc_plane_create(&got[b], W, H, &err), &err);
        assert_ok(hc_raster_read(r, b, 0, 0, &got[b], &err), &err);
    }
    hc_raster_close(r);
    for (int y = 8; y < H - 8; y++) {
        for (int x = 8; x < W - 8; x++) {
            double cam[3], want[3];
            for (int b = 0; b < 3; b++) {
                cam[b] = shading(x, y, b) / neutral[b];
            }
            hc_linear_apply3(want, m, cam);
            for (int b = 0; b < 3; b++) {
                worst = fmax(worst, fabs((double)hc_plane_row(&got[b], y)[x] - want[b]));
            }
        }
    }
    for (int b = 0; b < 3; b++) {
        hc_plane_release(&got[b]);
    }
    if (!(worst <= 1.5e-3)) { // half a pixel would be 4e-3
        fail_msg("off by %g", worst);
    }
}

// Without a white balance the light is taken as D65, which is the light of this scene.
static void daylight_is_assumed_and_said(void **state)
{
    struct raw_file s = camera();
    struct hc_image_info info;
    (void)state;
    s.neutral[0] = 0;
    develop(&s, scene, &info, NULL);
    assert_non_null(strstr(info.note, "daylight (D65), as the file does not say it"));
    check_patches(1e-3); // the matrix has four digits: its white is off by as much
}

// AnalogBalance x CameraCalibration x ColorMatrix stays the same camera, so the same picture; and
// so do two equal matrices for two lights.
static void the_cameras_own_calibration(void **state)
{
    static const double balance[3] = {1.25, 1, 0.8}, calibration[3] = {0.9, 1.05, 1.1};
    struct raw_file s = camera();
    struct hc_image_info info;
    (void)state;
    s.matrices = 2;
    s.illuminant[0] = 17;
    s.illuminant[1] = 21;
    memcpy(s.balance, balance, sizeof balance);
    memcpy(s.calibration, calibration, sizeof calibration);
    for (int i = 0; i < 9; i++) {
        s.xyz_to_cam[0][i] /= balance[i / 3] * calibration[i / 3];
        s.xyz_to_cam[1][i] = s.xyz_to_cam[0][i];
    }
    develop(&s, scene, &info, NULL);
    check_patches(TOL);
}

// A camera in the raw converter's table needs no matrix of its own; the white stays white.
static double grey(int x, int y, int b)
{
    (void)x;
    (void)y;
    return 0.5 * neutral[b];
}

static void a_known_camera_without_matrix(void **state)
{
    struct raw_file s = camera();
    struct hc_image_info info;
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    float v;
    struct hc_plane p = {&v, 1, 1, 1};
    (void)state;
    s.matrices = 0;
    s.make = "NIKON CORPORATION";
    s.model = "NIKON D850";
    develop(&s, grey, &info, NULL);
    assert_string_equal(info.profile, "camera matrix (raw converter's table)");
    assert_string_equal(info.camera, "Nikon D850"); // as the raw converter writes it
    assert_ok(hc_raster_open(&r, raster, &err), &err);
    for (int b = 0; b < 3; b++) {
        assert_ok(hc_raster_read(r, b, 100, 100, &p, &err), &err);
        near_abs((double)v, 0.5, TOL);
    }
    hc_raster_close(r);
}

static double dim(int x, int y, int b)
{
    return 0.25 * scene(x, y, b);
}

// Nothing may follow the picture's content or the maker's wish: a quarter of the light is a quarter
// of the numbers, with or without a suggested brightening.
static void no_hidden_scale(void **state)
{
    struct raw_file s = camera();
    struct hc_raster *r = NULL;
    struct hc_err err = {0};
    struct hc_plane full = {0}, quarter = {0};
    struct hc_image_info info;
    (void)state;
    assert_ok(hc_plane_create(&full, W, H, &err), &err);
    assert_ok(hc_plane_create(&quarter, W, H, &err), &err);
    for (int i = 0; i < 2; i++) {
        s.baseline_ev = i;
        develop(&s, i ? dim : scene, &info, NULL);
        assert_ok(hc_raster_open(&r, raster, &err), &err);
        assert_ok(hc_raster_read(r, 1, 0, 0, i ? &quarter : &full, &err), &err);
        hc_raster_close(r);
    }
    for (int k = 0; k < COLS * ROWS; k++) {
        int x = k % COLS * (W / COLS) + 40, y = k / COLS * (H / ROWS) + 60;
        near_abs((double)hc_plane_row(&quarter, y)[x], 0.25 * (double)hc_plane_row(&full, y)[x],
                 TOL);
    }
    hc_plane_release(&full);
    hc_plane_release(&quarter);
}

static double half_white(int x, int y, int b)
{
    (void)y;
    return x < W / 4 ? 1 : 0.4 * neutral[b];
}

static void clipping_is_counted(void **state)
{
    struct raw_file s = camera();
    struct hc_image_info info;
    double clipped = -1;
    (void)state;
    develop(&s, half_white, &info, &clipped);
    near_abs(clipped, 0.25, 0.005); // the edge is interpolated
}

static double corner(int x, int y, int b)
{
    return (x < 64 && y < 48 ? 0.8 : 0.1) * neutral[b];
}

// The bright corner lies at the file's top left; where it must come out upright (EXIF 2.3).
static void the_right_way_up(void **state)
{
    static const struct {
        int orientation, w, h, x, y;
    } want[] = {{1, W, H, 0, 0}, {3, W, H, 1, 1}, {6, H, W, 1, 0}, {8, H, W, 0, 1}};
    (void)state;
    for (size_t k = 0; k < sizeof want / sizeof *want; k++) {
        struct raw_file s = camera();
        struct hc_image_info info;
        struct hc_raster *r = NULL;
        struct hc_err err = {0};
        float v;
        struct hc_plane p = {&v, 1, 1, 1};
        s.orientation = want[k].orientation;
        develop(&s, corner, &info, NULL);
        assert_int_equal(info.w, want[k].w);
        assert_int_equal(info.h, want[k].h);
        assert_ok(hc_raster_open(&r, raster, &err), &err);
        for (int i = 0; i < 4; i++) {
            int x = i & 1, y = i >> 1;
            bool is_bright = x == want[k].x && y == want[k].y;
            assert_ok(hc_raster_read(r, 0, x ? info.w - 20 : 20, y ? info.h - 20 : 20, &p, &err),
                      &err);
            near_abs((double)v, is_bright ? 0.8 : 0.1, 1e-3);
        }
        hc_raster_close(r);
    }
}

// ---- colour ------------------------------------------------------------------------------------

// A white-balanced white is white, whatever the light and the matrices.
static void white_stays_white(void **state)
{
    struct hc_raw_colour c = {.n = 2, .m = {TO_SRGB, TO_SRGB}, .illuminant = {17, 21}};
    static const double shot[][3] = {{1, 1, 1}, {1.6, 1, 0.5}, {0.8, 1, 1.3}, {0.5, 1, 0.7}};
    (void)state;
    c.has_neutral = true;
    c.m[0][0] = 2.9;
    for (size_t i = 0; i < sizeof shot / sizeof *shot; i++) {
        double m[9], out[3], ones[3] = {1, 1, 1};
        struct hc_err err = {0};
        memcpy(c.neutral, shot[i], sizeof c.neutral);
        assert_ok(hc_raw_colour_matrix(m, &c, &err), &err);
        hc_linear_apply3(out, m, ones);
        for (int b = 0; b < 3; b++) {
            near_abs(out[b], 1, 1e-4); // ROMM's own white has four digits
        }
    }
}

// Two matrices that agree count as one; blending lies between the two and meets each at its light.
static void two_matrices_are_blended(void **state)
{
    struct hc_raw_colour one = {.n = 1, .m = {TO_SRGB}, .illuminant = {21}, .has_neutral = true},
                         two = {.n = 2, .m = {TO_SRGB, TO_SRGB}, .illuminant = {17, 21}};
    static const double d65[3] = {1, 1, 1}; // sRGB's own white
    double a[9], b[9];
    struct hc_err err = {0};
    (void)state;
    memcpy(one.neutral, d65, sizeof d65);
    memcpy(two.neutral, d65, sizeof d65);
    two.has_neutral = true;
    assert_ok(hc_raw_colour_matrix(a, &one, &err), &err);
    assert_ok(hc_raw_colour_matrix(b, &two, &err), &err);
    for (int i = 0; i < 9; i++) {
        near_abs(b[i], a[i], 1e-12);
    }
    // At D65 (6504 K against McCamy's own figure) the matrix for tungsten light has almost no say.
    two.m[0][0] *= 1.1;
    two.m[0][4] *= 0.9;
    assert_ok(hc_raw_colour_matrix(b, &two, &err), &err);
    for (int i = 0; i < 9; i++) {
        near_abs(b[i], a[i], 2e-3);
    }
}

static void daylight_when_balance_is_missing(void **state)
{
    struct hc_raw_colour c = {.n = 1, .m = {TO_SRGB}, .illuminant = {21}}, d = c;
    double a[9], b[9];
    struct hc_err err = {0};
    (void)state;
    d.has_neutral = true;
    d.neutral[0] = d.neutral[1] = d.neutral[2] = 1;
    assert_ok(hc_raw_colour_matrix(a, &c, &err), &err);
    assert_ok(hc_raw_colour_matrix(b, &d, &err), &err);
    for (int i = 0; i < 9; i++) {
        near_abs(a[i], b[i], 1e-3);
    }
}

static void senseless_matrices_are_refused(void **state)
{
    struct hc_raw_colour zero = {.n = 1, .has_neutral = true, .neutral = {1, 1, 1}},
                         negative = {.n = 1,
                                     .m = {{1, 0, 0, 0, 1, 0, 0, 0, -1}},
                                     .has_neutral = true,
                                     .neutral = {1, 1, 1}},
                         wild = {.n = 1,
                                 .m = {{1, 1, 1, 1, 1.0001, 1, 1, 1, 1.0001}},
                                 .has_neutral = true,
                                 .neutral = {1, 1, 1.00001}},
                         nan = {.n = 1,
                                .m = {{(double)NAN}},
                                .has_neutral = true,
                                .neutral = {1, 1, 1}};
    double m[9];
    (void)state;
    assert_int_equal(hc_raw_colour_matrix(m, &zero, NULL), HC_EUNSUPPORTED);
    assert_int_equal(hc_raw_colour_matrix(m, &negative, NULL), HC_EUNSUPPORTED);
    assert_int_equal(hc_raw_colour_matrix(m, &wild, NULL), HC_EUNSUPPORTED);
    assert_int_equal(hc_raw_colour_matrix(m, &nan, NULL), HC_EUNSUPPORTED);
}

// ---- refusals ----------------------------------------------------------------------------------
static void refused(hc_status want, const char *says)
{
    struct hc_image_info info;
    struct hc_err err = {0};
    hc_status st = hc_image_to_raster(file, raster, &info, NULL, NULL, &err);
    if (st != want || !strstr(err.what, says)) {
        fail_msg("got %s: %s", hc_status_name(st), err.what);
    }
    assert_true(access(raster, F_OK) != 0 && access(part, F_OK) != 0);
}

static void unknown_cameras_are_refused(void **state)
{
    struct raw_file s = camera();
    (void)state;
    unlink(raster);
    s.matrices = 0;
    raw_write(file, &s, scene);
    refused(HC_EUNSUPPORTED, "does not know this camera (Testworks");
    refused(HC_EUNSUPPORTED, "16-bit TIFF");
    s.is_dng = false; // a mosaic in a TIFF, of nobody's make
    raw_write(file, &s, scene);
    refused(HC_EUNSUPPORTED, "16-bit TIFF");
}

static void cut_files_are_refused(void **state)
{
    static const double share[] = {0.02, 0.3, 0.6, 0.95, 0.9999};
    struct raw_file s = camera();
    (void)state;
    unlink(raster);
    for (size_t i = 0; i < sizeof share / sizeof *share; i++) {
        size_t n;
        uint8_t *p;
        raw_write(file, &s, scene);
        p = picture_read_bytes(file, &n);
        picture_write_bytes(file, p, (size_t)((double)n * share[i]));
        free(p);
        refused(HC_EDATA, "damaged or cut short");
    }
}

static void absurd_sizes_are_refused(void **state)
{
    struct raw_file s = camera();
    (void)state;
    unlink(raster);
    s.says_w = 59000;
    s.says_h = 59000;
    raw_write(file, &s, scene);
    refused(HC_ELIMIT, "100 million px");
    s.says_w = 5000;
    s.says_h = 4000;
    raw_write(file, &s, scene);
    refused(HC_EDATA, "damaged or cut short");
}

// An answer or a refusal, nothing left behind. The library may fall; the program does not.
static void damaged_files_are_survived(void **state)
{
    struct hc_rng rng = hc_rng_make(31);
    struct raw_file s = camera();
    (void)state;
    s.w = 64;
    s.h = 48;
    for (int k = 0; k < 60; k++) {
        struct hc_image_info info;
        struct hc_err err = {0};
        size_t n;
        uint8_t *p;
        hc_status st;
        raw_write(file, &s, scene);
        p = picture_read_bytes(file, &n);
        for (int m = hc_rng_below(&rng, 6) + 1; m > 0; m--) {
            p[hc_rng_below(&rng, 700)] = (uint8_t)hc_rng_below(&rng, 256);
        }
        picture_write_bytes(file, p, n);
        free(p);
        unlink(raster);
        st = hc_image_to_raster(file, raster, &info, NULL, NULL, &err);
        if (st != HC_OK) {
            assert_true(strlen(err.what) > 20);
            assert_true(access(raster, F_OK) != 0);
        }
        assert_true(access(part, F_OK) != 0);
    }
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_known_scene_comes_back),
        cmocka_unit_test(the_way_it_was_taken),
        cmocka_unit_test(every_pixel_is_in_its_place),
        cmocka_unit_test(daylight_is_assumed_and_said),
        cmocka_unit_test(the_cameras_own_calibration),
        cmocka_unit_test(a_known_camera_without_matrix),
        cmocka_unit_test(no_hidden_scale),
        cmocka_unit_test(clipping_is_counted),
        cmocka_unit_test(the_right_way_up),
        cmocka_unit_test(white_stays_white),
        cmocka_unit_test(two_matrices_are_blended),
        cmocka_unit_test(daylight_when_balance_is_missing),
        cmocka_unit_test(senseless_matrices_are_refused),
        cmocka_unit_test(unknown_cameras_are_refused),
        cmocka_unit_test(cut_files_are_refused),
        cmocka_unit_test(absurd_sizes_are_refused),
        cmocka_unit_test(damaged_files_are_survived),
    };
    int rc = hc_image_child_main(argc, argv);
    return rc >= 0 ? rc : cmocka_run_group_tests(tests, set_up, tear_down);
}
