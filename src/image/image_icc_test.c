// Colours: against lcms2 in double precision, and against published numbers of sRGB.
#include "hc_test.h"

#include <lcms2.h>
#include <unistd.h>

#include "base/mem.h"
#include "base/rng.h"
#include "colour/colour.h"
#include "image/image_priv.h"
#include "picture_files.h"

// ROMM RGB as ISO 22028-2:2013 gives it (chromaticities), linear.
static cmsHPROFILE romm_profile(void)
{
    cmsToneCurve *g = cmsBuildGamma(NULL, 1), *three[3] = {g, g, g};
    cmsCIExyYTRIPLE prim = {{0.7347, 0.2653, 1}, {0.1596, 0.8404, 1}, {0.0366, 0.0001, 1}};
    cmsHPROFILE p = cmsCreateRGBProfile(cmsD50_xyY(), &prim, three);
    cmsFreeToneCurve(g);
    return p;
}

static cmsHPROFILE gamma_profile(double gamma, bool is_wide)
{
    // Wide: the primaries of Adobe RGB (1998); else those of IEC 61966-2-1. White D65 in both.
    cmsCIExyY d65 = {0.3127, 0.3290, 1};
    cmsCIExyYTRIPLE wide = {{0.64, 0.33, 1}, {0.21, 0.71, 1}, {0.15, 0.06, 1}};
    cmsCIExyYTRIPLE srgb = {{0.64, 0.33, 1}, {0.30, 0.60, 1}, {0.15, 0.06, 1}};
    cmsToneCurve *g = cmsBuildGamma(NULL, gamma), *three[3] = {g, g, g};
    cmsHPROFILE p = cmsCreateRGBProfile(&d65, is_wide ? &wide : &srgb, three);
    cmsFreeToneCurve(g);
    return p;
}

// Three different sampled curves, as scanners have.
static cmsHPROFILE sampled_profile(void)
{
    cmsCIExyY d65 = {0.3127, 0.3290, 1};
    cmsCIExyYTRIPLE prim = {{0.63, 0.34, 1}, {0.29, 0.61, 1}, {0.155, 0.07, 1}};
    cmsToneCurve *c[3];
    cmsHPROFILE p;
    for (int k = 0; k < 3; k++) {
        cmsUInt16Number t[37];
        for (int i = 0; i < 37; i++) {
            t[i] = (cmsUInt16Number)(65535 * pow(i / 36.0, 1.7 + 0.2 * k) + 0.5);
        }
        c[k] = cmsBuildTabulatedToneCurve16(NULL, 37, t);
    }
    p = cmsCreateRGBProfile(&d65, &prim, c);
    cmsFreeToneCurveTriple(c);
    return p;
}

static cmsInt32Number sample_lut(const cmsUInt16Number in[], cmsUInt16Number out[], void *ctx)
{
    cmsCIELab lab;
    double r = in[0] / 65535.0, g = in[1] / 65535.0, b = in[2] / 65535.0;
    (void)ctx;
    lab.L = 100 * pow(0.3 * r + 0.6 * g + 0.1 * b, 0.8); // any smooth invented device
    lab.a = 60 * (r - g);
    lab.b = 70 * (0.5 * r + 0.5 * g - b);
    cmsFloat2LabEncoded(out, &lab);
    return TRUE;
}

// A profile whose only colours are a table to CIELAB.
static cmsHPROFILE lut_profile(void)
{
    cmsHPROFILE p = cmsCreateProfilePlaceholder(NULL);
    cmsPipeline *l = cmsPipelineAlloc(NULL, 3, 3);
    cmsStage *s = cmsStageAllocCLut16bit(NULL, 17, 3, 3, NULL);
    cmsCIEXYZ white = {0.9642, 1, 0.8249};
    cmsSetProfileVersion(p, 4.3);
    cmsSetDeviceClass(p, cmsSigInputClass);
    cmsSetColorSpace(p, cmsSigRgbData);
    cmsSetPCS(p, cmsSigLabData);
    cmsStageSampleCLut16bit(s, sample_lut, NULL, 0);
    cmsPipelineInsertStage(l, cmsAT_BEGIN, cmsStageAllocToneCurves(NULL, 3, NULL));
    cmsPipelineInsertStage(l, cmsAT_END, s);
    cmsPipelineInsertStage(l, cmsAT_END, cmsStageAllocToneCurves(NULL, 3, NULL));
    cmsWriteTag(p, cmsSigAToB0Tag, l);
    cmsWriteTag(p, cmsSigMediaWhitePointTag, &white);
    cmsPipelineFree(l);
    return p;
}

static void *save(cmsHPROFILE p, size_t *n)
{
    cmsUInt32Number bytes = 0;
    void *b;
    assert_true(cmsSaveProfileToMem(p, NULL, &bytes));
    b = malloc(bytes);
    assert_non_null(b);
    assert_true(cmsSaveProfileToMem(p, b, &bytes));
    *n = bytes;
    return b;
}

// Our rows of random and extreme pixels against lcms2's double transform of the same profile.
static double worst(cmsHPROFILE (*make)(void), int bits, bool want_fast)
{
    enum { N = 1000 };
    static uint16_t px16[3 * N];
    static uint8_t px8[3 * N];
    static float out[3][N];
    float *rows[3] = {out[0], out[1], out[2]};
    struct hc_icc_count count = {0};
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    struct hc_rng rng = hc_rng_make(11);
    struct hc_icc *c = NULL;
    size_t bytes;
    cmsHPROFILE made = make(), romm = romm_profile(), again;
    void *mem = save(made, &bytes);
    struct hc_icc_source src = {.bands = 3, .bits = bits, .profile = mem, .profile_bytes = bytes};
    cmsHTRANSFORM xf;
    double bad = 0;
    again = cmsOpenProfileFromMem(mem, (cmsUInt32Number)bytes);
    xf = cmsCreateTransform(again, TYPE_RGB_DBL, romm, TYPE_RGB_DBL, INTENT_RELATIVE_COLORIMETRIC,
                            cmsFLAGS_NOOPTIMIZE | cmsFLAGS_NOCACHE);
    assert_non_null(xf);
    assert_ok(hc_icc_create(&c, &src, &info, &err), &err);
    assert_false(info.is_assumed);
    assert_int_equal(hc_icc_is_fast(c), want_fast);
    for (int i = 0; i < 3 * N; i++) {
        px16[i] = (uint16_t)(i < 24 ? (i / 3 >> i % 3 & 1) * 65535 : hc_rng_below(&rng, 65536));
        px8[i] = (uint8_t)(px16[i] >> 8);
    }
    hc_icc_row(c, rows, bits == 8 ? (void *)px8 : (void *)px16, N, &count);
    for (int i = 0; i < N; i++) {
        double in[3], want[3];
        for (int b = 0; b < 3; b++) {
            in[b] = bits == 8 ? px8[3 * i + b] / 255.0 : px16[3 * i + b] / 65535.0;
        }
        cmsDoTransform(xf, in, want, 1);
        for (int b = 0; b < 3; b++) {
            bad = fmax(bad, fabs(want[b] - (double)out[b][i]));
        }
    }
    assert_true(count.clipped >= 7 && count.not_a_number == 0);
    hc_icc_destroy(c);
    cmsDeleteTransform(xf);
    cmsCloseProfile(again);
    cmsCloseProfile(made);
    cmsCloseProfile(romm);
    free(mem);
    return bad;
}

static cmsHPROFILE srgb(void)
{
    return cmsCreate_sRGBProfile();
}

static cmsHPROFILE wide(void)
{
    return gamma_profile(563.0 / 256, true); // gamma of Adobe RGB (1998)
}

static cmsHPROFILE linear(void)
{
    return gamma_profile(1, false);
}

static void equal_to_lcms2(void **state)
{
    (void)state;
    for (int bits = 8; bits <= 16; bits += 8) {
        near_abs(worst(srgb, bits, true), 0, 1e-4);
        near_abs(worst(wide, bits, true), 0, 1e-4);
        near_abs(worst(linear, bits, true), 0, 1e-4);
        near_abs(worst(sampled_profile, bits, true), 0, 1e-4);
        near_abs(worst(lut_profile, bits, false), 0, 1e-4);
    }
}

// XYZ (D50, Bradford) of the sRGB primaries as listed by B. Lindbloom, "RGB/XYZ matrices" (from
// memory); 8-bit 128 by the formula of IEC 61966-2-1:1999: ((128/255 + 0.055) / 1.055)^2.4 =
// 0.21586.
static void known_srgb_numbers(void **state)
{
    static const double xyz[3][3] = {{0.4360747, 0.2225045, 0.0139322},
                                     {0.3850649, 0.7168786, 0.0971045},
                                     {0.1430804, 0.0606169, 0.7141733}};
    static const uint8_t px[5][3] = {
        {255, 0, 0}, {0, 255, 0}, {0, 0, 255}, {128, 128, 128}, {255, 255, 255}};
    float out[3][5];
    float *rows[3] = {out[0], out[1], out[2]};
    struct hc_icc_source src = {.bands = 3, .bits = 8};
    struct hc_icc_count count = {0};
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    struct hc_icc *c = NULL;
    (void)state;
    assert_ok(hc_icc_create(&c, &src, &info, &err), &err);
    assert_true(info.is_assumed && hc_icc_is_fast(c));
    hc_icc_row(c, rows, px, 5, &count);
    assert_int_equal(count.clipped, 4);
    for (int i = 0; i < 3; i++) {
        for (int k = 0; k < 3; k++) {
            double got = 0;
            for (int b = 0; b < 3; b++) {
                got += hc_colour_romm_to_xyz[3 * k + b] * (double)out[b][i];
            }
            near_abs(got, xyz[i][k], 3e-4);
        }
    }
    for (int b = 0; b < 3; b++) {
        near_abs((double)out[b][3], 0.21586, 2e-5);
        near_abs((double)out[b][4], 1, 2e-5);
    }
    hc_icc_destroy(c);
}

static void profiles_that_do_not_fit(void **state)
{
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    struct hc_icc *c = NULL;
    struct hc_icc_source src = {.bands = 3, .bits = 8};
    size_t n;
    cmsToneCurve *g = cmsBuildGamma(NULL, 2.2);
    cmsHPROFILE p = cmsCreateGrayProfile(cmsD50_xyY(), g);
    void *mem = save(p, &n);
    (void)state;
    src.profile = mem;
    src.profile_bytes = n;
    assert_ok(hc_icc_create(&c, &src, &info, &err), &err);
    assert_true(info.is_assumed);
    assert_non_null(strstr(info.note, "another kind of picture"));
    hc_icc_destroy(c);
    // The same profile on a grey picture is right: Y = v^2.2.
    {
        uint16_t v[3] = {0, 30000, 65535};
        float out[3], *rows[1] = {out};
        struct hc_icc_count count = {0};
        info = (struct hc_image_info){0};
        src.bands = 1;
        src.bits = 16;
        assert_ok(hc_icc_create(&c, &src, &info, &err), &err);
        assert_false(info.is_assumed);
        hc_icc_row(c, rows, v, 3, &count);
        near_abs((double)out[0], 0, 1e-6);
        near_abs((double)out[1], pow(30000 / 65535.0, 2.2), 5e-5);
        near_abs((double)out[2], 1, 2e-5);
        assert_int_equal(count.clipped, 1);
        hc_icc_destroy(c);
    }
    // Cut short.
    info = (struct hc_image_info){0};
    src.profile_bytes = 100;
    assert_ok(hc_icc_create(&c, &src, &info, &err), &err);
    assert_true(info.is_assumed);
    assert_non_null(strstr(info.note, "damaged"));
    hc_icc_destroy(c);
    free(mem);
    cmsCloseProfile(p);
    cmsFreeToneCurve(g);
}

// A grey picture with an RGB profile means equal channels.
static void grey_with_rgb_profile(void **state)
{
    struct hc_image_info info = {0};
    struct hc_err err = {0};
    struct hc_icc *c = NULL;
    size_t n;
    cmsHPROFILE p = gamma_profile(1.8, true);
    void *mem = save(p, &n);
    struct hc_icc_source src = {.bands = 1, .bits = 8, .profile = mem, .profile_bytes = n};
    uint8_t v[2] = {100, 200};
    float out[2], *rows[1] = {out};
    struct hc_icc_count count = {0};
    (void)state;
    for (int k = 0; k < 2; k++) {
        float f[2] = {100 / 255.0f, 200 / 255.0f};
        src.is_float = k;
        src.bits = k ? 32 : 8;
        assert_ok(hc_icc_create(&c, &src, &info, &err), &err);
        assert_false(info.is_assumed);
        hc_icc_row(c, rows, k ? (void *)f : (void *)v, 2, &count);
        near_abs((double)out[0], pow(100 / 255.0, 1.8), 1e-4);
        near_abs((double)out[1], pow(200 / 255.0, 1.8), 1e-4);
        hc_icc_destroy(c);
    }
    free(mem);
    cmsCloseProfile(p);
}

// Through a file and the decoder process: the embedded profile is found, named and used.
static void profile_inside_a_file(void **state)
{
    cmsHPROFILE (*const make[])(void) = {wide, lut_profile, srgb};
    const char *file = "/tmp/hc_image_icc_test.tif", *raster = "/tmp/hc_image_icc_test.raster";
    (void)state;
    for (size_t k = 0; k < 3; k++) {
        uint16_t px[3 * 12] = {20000, 50000, 9000, 65535, 0, 65535};
        struct picture_tiff t = {.w = 4, .h = 3, .samples = 3, .bits = 16, .photometric = 2};
        struct picture_png png = {.w = 4, .h = 3, .type = 2, .bits = 16};
        struct hc_image_info info = {0};
        struct hc_raster *r = NULL;
        struct hc_err err = {0};
        cmsHPROFILE p = make[k](), romm = romm_profile();
        cmsHTRANSFORM xf = cmsCreateTransform(p, TYPE_RGB_DBL, romm, TYPE_RGB_DBL,
                                              INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
        void *mem = save(p, &t.icc_bytes);
        t.icc = mem;
        png.icc = mem;
        png.icc_bytes = t.icc_bytes;
        if (k < 2) {
            picture_write_tiff(file, &t, px);
        } else {
            uint16_t swapped[3 * 12] = {0};
            for (int i = 0; i < 6; i++) {
                swapped[i] = (uint16_t)(px[i] >> 8 | px[i] << 8);
            }
            picture_write_png(file, &png, swapped);
        }
        assert_ok(hc_image_to_raster(file, raster, &info, NULL, NULL, &err), &err);
        assert_false(info.is_assumed);
        assert_true(info.profile[0] != 0);
        assert_ok(hc_raster_open(&r, raster, &err), &err);
        for (int x = 0; x < 2; x++) {
            double in[3], want[3];
            for (int b = 0; b < 3; b++) {
                in[b] = px[3 * x + b] / 65535.0;
            }
            cmsDoTransform(xf, in, want, 1);
            for (int b = 0; b < 3; b++) {
                float v;
                struct hc_plane one = {&v, 1, 1, 1};
                assert_ok(hc_raster_read(r, b, x, 0, &one, &err), &err);
                near_abs((double)v, want[b], 1e-4);
            }
        }
        hc_raster_close(r);
        cmsDeleteTransform(xf);
        cmsCloseProfile(p);
        cmsCloseProfile(romm);
        free(mem);
    }
    unlink(file);
    unlink(raster);
}

// Float files: the short way for linear profiles, lcms2 for curved ones, beyond white and below
// black.
static void float_pixels(void **state)
{
    cmsHPROFILE (*const make[])(void) = {linear, wide};
    (void)state;
    for (int k = 0; k < 2; k++) {
        float px[3 * 300], out[3][300], *rows[3] = {out[0], out[1], out[2]};
        struct hc_rng rng = hc_rng_make(4);
        struct hc_icc_count count = {0};
        struct hc_image_info info = {0};
        struct hc_err err = {0};
        struct hc_icc *c = NULL;
        cmsHPROFILE p = make[k](), romm = romm_profile(), again;
        size_t n;
        void *mem = save(p, &n);
        struct hc_icc_source src = {
            .bands = 3, .bits = 32, .is_float = true, .profile = mem, .profile_bytes = n};
        cmsHTRANSFORM xf;
        again = cmsOpenProfileFromMem(mem, (cmsUInt32Number)n);
        xf = cmsCreateTransform(again, TYPE_RGB_DBL, romm, TYPE_RGB_DBL,
                                INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
        for (int i = 0; i < 900; i++) {
            px[i] = (float)hc_rng_range(&rng, k ? 0 : -0.2, 2);
        }
        assert_ok(hc_icc_create(&c, &src, &info, &err), &err);
        assert_int_equal(hc_icc_is_fast(c), k == 0);
        hc_icc_row(c, rows, px, 300, &count);
        for (int i = 0; i < 300; i++) {
            double in[3] = {(double)px[3 * i], (double)px[3 * i + 1], (double)px[3 * i + 2]},
                   want[3];
            cmsDoTransform(xf, in, want, 1);
            for (int b = 0; b < 3; b++) {
                near_abs((double)out[b][i], want[b], 4e-4);
            }
        }
        assert_int_equal(count.clipped, 0);
        hc_icc_destroy(c);
        cmsDeleteTransform(xf);
        cmsCloseProfile(p);
        cmsCloseProfile(again);
        cmsCloseProfile(romm);
        free(mem);
    }
}

static void written_profiles_repeat(void **state)
{
    (void)state;
    for (int k = HC_ICC_SRGB; k <= HC_ICC_GREY_SRGB; k++) {
        struct hc_buf a = {0}, b = {0};
        struct hc_err err = {0};
        cmsHPROFILE p;
        assert_ok(hc_icc_write_profile(&a, (enum hc_icc_kind)k, &err), &err);
        assert_ok(hc_icc_write_profile(&b, (enum hc_icc_kind)k, &err), &err);
        assert_int_equal(a.len, b.len);
        assert_memory_equal(a.data, b.data, a.len);
        p = cmsOpenProfileFromMem(a.data, (cmsUInt32Number)a.len);
        assert_non_null(p);
        assert_int_equal(cmsGetColorSpace(p),
                         k == HC_ICC_GREY_SRGB ? cmsSigGrayData : cmsSigRgbData);
        cmsCloseProfile(p);
        hc_buf_release(&a);
        hc_buf_release(&b);
    }
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(equal_to_lcms2),
        cmocka_unit_test(known_srgb_numbers),
        cmocka_unit_test(profiles_that_do_not_fit),
        cmocka_unit_test(grey_with_rgb_profile),
        cmocka_unit_test(float_pixels),
        cmocka_unit_test(profile_inside_a_file),
        cmocka_unit_test(written_profiles_repeat),
    };
    int rc = hc_image_child_main(argc, argv);
    return rc >= 0 ? rc : cmocka_run_group_tests(tests, NULL, NULL);
}
