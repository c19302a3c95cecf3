// From a file's own numbers to the working space (linear ROMM RGB, D50), by lcms2.
//
// Relative colorimetric, no black-point compensation, floating point, nothing clipped. Profiles
// made of three curves and a matrix take a short way for 8 and 16 bit: one table per channel and a
// 3x3 product. The short way is used only after it agreed with lcms2 on a grid of colours.
#include <lcms2.h>
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "image/image_priv.h"
#include "num/linear.h"

#define BLOCK 256
#define PROOF_TOL 5e-5
#define MAX_LIGHT 1e6f // no light is a million times the white; beyond it a float file is damaged

struct hc_icc {
    int bands, bits;
    bool is_float, is_fast;
    float *table[3];  // value of each code; grey uses the first
    float m[9];       // tables -> working space
    float top;        // 255, 65535, or 1 for float
    cmsHTRANSFORM xf; // interleaved float -> interleaved float working space
};

bool hc_icc_is_fast(const struct hc_icc *c)
{
    return c->is_fast;
}

void hc_icc_destroy(struct hc_icc *c)
{
    if (c) {
        if (c->xf) {
            cmsDeleteTransform(c->xf);
        }
        for (int k = 0; k < 3; k++) {
            hc_mem_free(c->table[k]);
        }
        hc_mem_free(c);
    }
}

// ---- profiles ----------------------------------------------------------------------------------
static cmsCIExyY chromaticity(const double m[9], int column)
{
    double x = m[column], y = m[3 + column], z = m[6 + column], s = x + y + z;
    return (cmsCIExyY){x / s, y / s, 1};
}

static cmsHPROFILE rgb_profile(const cmsCIExyY *white, const cmsCIExyYTRIPLE *prim, double gamma)
{
    cmsToneCurve *g = cmsBuildGamma(NULL, gamma), *three[3] = {g, g, g};
    cmsHPROFILE p = g ? cmsCreateRGBProfile(white, prim, three) : NULL;
    cmsFreeToneCurve(g);
    return p;
}

// Linear, ROMM primaries; the colour room's matrix is the one source of the numbers.
static cmsHPROFILE working_profile(void)
{
    const double *m = hc_colour_romm_to_xyz;
    cmsCIExyYTRIPLE prim = {chromaticity(m, 0), chromaticity(m, 1), chromaticity(m, 2)};
    cmsCIExyY white;
    cmsCIEXYZ w = {hc_colour_white_d50[0], hc_colour_white_d50[1], hc_colour_white_d50[2]};
    cmsXYZ2xyY(&white, &w);
    return rgb_profile(&white, &prim, 1.0);
}

// Linear light in sRGB primaries and D65 white (IEC 61966-2-1:1999, table of chromaticities).
static cmsHPROFILE linear_srgb_profile(void)
{
    cmsCIExyY d65 = {0.3127, 0.3290, 1};
    cmsCIExyYTRIPLE prim = {{0.64, 0.33, 1}, {0.30, 0.60, 1}, {0.15, 0.06, 1}};
    return rgb_profile(&d65, &prim, 1.0);
}

// The sRGB curve, IEC 61966-2-1:1999: lcms2 type 4, Y = (aX + b)^g above d, cX below.
static cmsToneCurve *srgb_curve(void)
{
    cmsFloat64Number p[5] = {2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045};
    return cmsBuildParametricToneCurve(NULL, 4, p);
}

static cmsHPROFILE grey_profile(bool is_linear)
{
    cmsToneCurve *curve = is_linear ? cmsBuildGamma(NULL, 1.0) : srgb_curve();
    cmsHPROFILE p = curve ? cmsCreateGrayProfile(cmsD50_xyY(), curve) : NULL;
    cmsFreeToneCurve(curve);
    return p;
}

static cmsHPROFILE assumed_profile(const struct hc_icc_source *src)
{
    if (src->bands == 1) {
        return grey_profile(src->is_float);
    }
    return src->is_float ? linear_srgb_profile() : cmsCreate_sRGBProfile();
}

// The embedded profile, when it can serve; otherwise NULL and `why`.
static cmsHPROFILE embedded_profile(const struct hc_icc_source *src, const char **why)
{
    cmsHPROFILE p = NULL;
    cmsProfileClassSignature cl;
    cmsColorSpaceSignature space;
    *why = "";
    if (src->profile && src->profile_bytes < (16u << 20)) {
        p = cmsOpenProfileFromMem(src->profile, (cmsUInt32Number)src->profile_bytes);
    }
    if (!p) {
        *why = src->profile ? "its colour profile is damaged" : "it has no colour profile";
        return NULL;
    }
    cl = cmsGetDeviceClass(p);
    space = cmsGetColorSpace(p);
    // A grey picture may carry the RGB profile of its room: equal channels are meant.
    if ((space != cmsSigRgbData && !(src->bands == 1 && space == cmsSigGrayData)) ||
        (cl != cmsSigInputClass && cl != cmsSigDisplayClass && cl != cmsSigOutputClass &&
         cl != cmsSigColorSpaceClass)) {
        *why = "its colour profile is for another kind of picture";
        cmsCloseProfile(p);
        return NULL;
    }
    return p;
}

static cmsHTRANSFORM to_working(cmsHPROFILE p)
{
    cmsHPROFILE w = working_profile();
    cmsUInt32Number in = cmsGetColorSpace(p) == cmsSigGrayData ? TYPE_GRAY_FLT : TYPE_RGB_FLT;
    cmsHTRANSFORM xf = w ? cmsCreateTransform(p, in, w, TYPE_RGB_FLT, INTENT_RELATIVE_COLORIMETRIC,
                                              cmsFLAGS_NOOPTIMIZE | cmsFLAGS_NOCACHE)
                         : NULL;
    if (w) {
        cmsCloseProfile(w);
    }
    return xf;
}

// ---- tables ------------------------------------------------------------------------------------
static size_t codes(const struct hc_icc *c)
{
    return c->bits == 8 ? 256 : 65536;
}

static bool is_curves_and_matrix(cmsHPROFILE p)
{
    static const cmsTagSignature lut[] = {cmsSigAToB0Tag, cmsSigAToB1Tag, cmsSigAToB2Tag,
                                          cmsSigDToB0Tag, cmsSigDToB1Tag, cmsSigDToB2Tag,
                                          cmsSigDToB3Tag};
    for (size_t i = 0; i < sizeof lut / sizeof *lut; i++) {
        if (cmsIsTag(p, lut[i])) {
            return false;
        }
    }
    return cmsGetColorSpace(p) == cmsSigRgbData && cmsIsMatrixShaper(p);
}

// Curves and matrix of a profile. A float file has no table: its curves must be straight lines.
static bool fill_rgb_tables(struct hc_icc *c, cmsHPROFILE p)
{
    static const cmsTagSignature col[3] = {cmsSigRedColorantTag, cmsSigGreenColorantTag,
                                           cmsSigBlueColorantTag};
    static const cmsTagSignature trc[3] = {cmsSigRedTRCTag, cmsSigGreenTRCTag, cmsSigBlueTRCTag};
    double to_xyz[9], m[9];
    for (int k = 0; k < 3; k++) {
        const cmsCIEXYZ *v = cmsReadTag(p, col[k]);
        const cmsToneCurve *t = cmsReadTag(p, trc[k]);
        if (!v || !t || (c->is_float && !cmsIsToneCurveLinear(t))) {
            return false;
        }
        to_xyz[k] = v->X;
        to_xyz[3 + k] = v->Y;
        to_xyz[6 + k] = v->Z;
        for (size_t i = 0; !c->is_float && i < codes(c); i++) {
            c->table[k][i] = cmsEvalToneCurveFloat(t, (float)i / c->top);
        }
    }
    hc_linear_mul3(m, hc_colour_xyz_to_romm, to_xyz);
    for (int i = 0; i < 9; i++) {
        c->m[i] = (float)m[i];
    }
    return true;
}

// Does the short way agree with lcms2? A 13-step grid, which holds the corners and the greys; for
// float files it reaches from -0.5 to 2.5.
static bool is_proved(const struct hc_icc *c)
{
    const size_t n = c->is_float ? 12 : codes(c) - 1;
    for (int i = 0; i < 13 * 13 * 13; i++) {
        size_t k[3] = {n * (size_t)(i / 169) / 12, n * (size_t)(i / 13 % 13) / 12,
                       n * (size_t)(i % 13) / 12};
        float in[3], v[3], want[3];
        for (int b = 0; b < 3; b++) {
            in[b] = c->is_float ? 0.25f * (float)k[b] - 0.5f : (float)k[b] / c->top;
            v[b] = c->is_float ? in[b] : c->table[b][k[b]];
        }
        cmsDoTransform(c->xf, in, want, 1);
        for (int b = 0; b < 3; b++) {
            double got =
                (double)(c->m[3 * b] * v[0] + c->m[3 * b + 1] * v[1] + c->m[3 * b + 2] * v[2]);
            if (!(fabs(got - (double)want[b]) <= PROOF_TOL)) {
                return false;
            }
        }
    }
    return true;
}

static float luminance(const float rgb[3])
{
    const double *y = hc_colour_romm_to_xyz + 3;
    return (float)(y[0] * (double)rgb[0] + y[1] * (double)rgb[1] + y[2] * (double)rgb[2]);
}

// Grey needs no proof: the table is lcms2's own answer for every code.
static void fill_grey_table(struct hc_icc *c)
{
    for (size_t i = 0; i < codes(c); i++) {
        float v = (float)i / c->top, in[3] = {v, v, v}, rgb[3];
        cmsDoTransform(c->xf, in, rgb, 1);
        c->table[0][i] = luminance(rgb);
    }
}

// Grey float files in linear light: nothing to do.
static bool is_grey_identity(const struct hc_icc *c)
{
    for (int i = -2; i < 12; i++) {
        float v = 0.25f * (float)i, in[3] = {v, v, v}, rgb[3];
        cmsDoTransform(c->xf, in, rgb, 1);
        if (!(fabsf(luminance(rgb) - v) <= (float)PROOF_TOL)) {
            return false;
        }
    }
    return true;
}

static hc_status make_tables(struct hc_icc *c, cmsHPROFILE p, struct hc_err *err)
{
    if (c->bands == 3 && !is_curves_and_matrix(p)) {
        return HC_OK;
    }
    for (int k = 0; k < c->bands && !c->is_float; k++) {
        c->table[k] = hc_mem_array(codes(c), sizeof(float));
        if (!c->table[k]) {
            return hc_err_set(err, HC_ENOMEM, "image", "out of memory for colour tables");
        }
    }
    if (c->bands == 3) {
        c->is_fast = fill_rgb_tables(c, p) && is_proved(c);
    } else if (c->is_float) {
        c->is_fast = is_grey_identity(c);
    } else {
        fill_grey_table(c);
        c->is_fast = true;
    }
    return HC_OK;
}

// ---- making one --------------------------------------------------------------------------------
static void add_note(struct hc_image_info *info, const char *text)
{
    size_t n = strlen(info->note);
    snprintf(info->note + n, sizeof info->note - n, "%s%s", n ? " " : "", text);
}

static void say_assumption(const struct hc_icc_source *src, struct hc_image_info *info,
                           const char *why)
{
    char text[200];
    if (src->is_srgb_declared && !src->profile) {
        snprintf(info->profile, sizeof info->profile, "sRGB (declared by the file)");
        return;
    }
    info->is_assumed = true;
    snprintf(text, sizeof text, "ASSUMED COLOUR: %s; its numbers are taken as %s.", why,
             src->is_float     ? (src->bands == 3 ? "linear light, sRGB primaries" : "linear light")
             : src->bands == 3 ? "sRGB"
                               : "grey with the sRGB curve");
    add_note(info, text);
}

static hc_status open_transform(struct hc_icc *c, const struct hc_icc_source *src,
                                struct hc_image_info *info, cmsHPROFILE *used, struct hc_err *err)
{
    const char *why;
    *used = embedded_profile(src, &why);
    if (*used) {
        c->xf = to_working(*used);
        if (c->xf) {
            cmsGetProfileInfoASCII(*used, cmsInfoDescription, "en", "GB", info->profile,
                                   sizeof info->profile);
            if (!info->profile[0]) {
                snprintf(info->profile, sizeof info->profile, "(unnamed profile)");
            }
            return HC_OK;
        }
        cmsCloseProfile(*used);
        why = "its colour profile cannot be used";
    }
    say_assumption(src, info, why);
    *used = assumed_profile(src);
    c->xf = *used ? to_working(*used) : NULL;
    return c->xf ? HC_OK
                 : hc_err_set(err, HC_ENOMEM, "image", "out of memory for the colour conversion");
}

hc_status hc_icc_create(struct hc_icc **out, const struct hc_icc_source *src,
                        struct hc_image_info *info, struct hc_err *err)
{
    struct hc_icc *c = hc_mem_array(1, sizeof *c);
    cmsHPROFILE used = NULL;
    hc_status st;
    if (!c) {
        return hc_err_set(err, HC_ENOMEM, "image", "out of memory for the colour conversion");
    }
    c->bands = src->bands;
    c->bits = src->bits;
    c->is_float = src->is_float;
    c->top = src->is_float ? 1.0f : src->bits == 8 ? 255.0f : 65535.0f;
    st = open_transform(c, src, info, &used, err);
    st = st == HC_OK ? make_tables(c, used, err) : st;
    if (used) {
        cmsCloseProfile(used);
    }
    if (st != HC_OK) {
        hc_icc_destroy(c);
        return st;
    }
    *out = c;
    return HC_OK;
}

hc_status hc_icc_create_linear16(struct hc_icc **out, const double to_romm[9], struct hc_err *err)
{
    struct hc_icc *c = hc_mem_array(1, sizeof *c);
    bool ok = c != NULL;
    if (ok) {
        c->bands = 3;
        c->bits = 16;
        c->top = 65535.0f;
        c->is_fast = true;
    }
    for (int k = 0; k < 3 && ok; k++) {
        c->table[k] = hc_mem_array(codes(c), sizeof(float));
        ok = c->table[k] != NULL;
        for (size_t i = 0; ok && i < codes(c); i++) {
            c->table[k][i] = (float)i / c->top;
        }
    }
    for (int i = 0; i < 9 && ok; i++) {
        c->m[i] = (float)to_romm[i];
    }
    if (!ok) {
        hc_icc_destroy(c);
        return hc_err_set(err, HC_ENOMEM, "image", "out of memory for the colour conversion");
    }
    *out = c;
    return HC_OK;
}

// ---- rows --------------------------------------------------------------------------------------
#define LOOK_UP(NAME, TYPE, TOP)                                                                   \
    static uint64_t NAME(const struct hc_icc *c, float *const out[], const TYPE *in, size_t at,    \
                         size_t n)                                                                 \
    {                                                                                              \
        float r[BLOCK], g[BLOCK], b[BLOCK];                                                        \
        uint32_t clipped = 0;                                                                      \
        for (size_t i = 0; i < n; i++) {                                                           \
            const TYPE *p = in + 3 * (at + i);                                                     \
            r[i] = c->table[0][p[0]];                                                              \
            g[i] = c->table[1][p[1]];                                                              \
            b[i] = c->table[2][p[2]];                                                              \
            clipped += (uint32_t)((p[0] == (TOP)) | (p[1] == (TOP)) | (p[2] == (TOP)));            \
        }                                                                                          \
        for (int k = 0; k < 3; k++) {                                                              \
            float *restrict o = out[k] + at;                                                       \
            const float m0 = c->m[3 * k], m1 = c->m[3 * k + 1], m2 = c->m[3 * k + 2];              \
            for (size_t i = 0; i < n; i++) {                                                       \
                o[i] = m0 * r[i] + m1 * g[i] + m2 * b[i];                                          \
            }                                                                                      \
        }                                                                                          \
        return clipped;                                                                            \
    }
LOOK_UP(look_up8, uint8_t, 255)
LOOK_UP(look_up16, uint16_t, 65535)

static void grey_row(const struct hc_icc *c, float *out, const void *in, size_t n,
                     struct hc_icc_count *count)
{
    for (size_t i = 0; i < n; i++) {
        unsigned v = c->bits == 8 ? ((const uint8_t *)in)[i] : ((const uint16_t *)in)[i];
        out[i] = c->table[0][v];
        count->clipped += v == codes(c) - 1;
    }
}

// Numbers of an integer file as 0..1, of a float file as they are; a pixel that holds a NaN, an
// infinity or an absurd number becomes 0 and is counted. Grey is written three times for an RGB
// profile's sake.
static void fetch(const struct hc_icc *c, float *to, const void *in, size_t at, size_t n,
                  struct hc_icc_count *count)
{
    size_t k = (size_t)c->bands;
    for (size_t i = 0; i < n; i++) {
        bool is_bad = false, is_top = false;
        for (size_t b = 0; b < k; b++) {
            size_t j = (at + i) * k + b;
            float v = c->is_float    ? ((const float *)in)[j]
                      : c->bits == 8 ? (float)((const uint8_t *)in)[j]
                                     : (float)((const uint16_t *)in)[j];
            is_top |= !c->is_float && v == c->top;
            is_bad |= !(fabsf(v) <= MAX_LIGHT);
            to[i * k + b] = v / c->top;
        }
        for (size_t b = 0; b < k && is_bad; b++) {
            to[i * k + b] = 0;
        }
        count->not_a_number += is_bad;
        count->clipped += is_top;
    }
}

static void exact_block(const struct hc_icc *c, float *const out[], const void *in, size_t at,
                        size_t n, struct hc_icc_count *count)
{
    float from[3 * BLOCK], to[3 * BLOCK];
    fetch(c, from, in, at, n, count);
    if (c->bands == 1 && T_COLORSPACE(cmsGetTransformInputFormat(c->xf)) == PT_RGB) {
        for (size_t i = n; i-- > 0;) {
            from[3 * i] = from[3 * i + 1] = from[3 * i + 2] = from[i];
        }
    }
    cmsDoTransform(c->xf, from, to, (cmsUInt32Number)n);
    for (size_t i = 0; i < n; i++) {
        for (int k = 0; k < 3; k++) {
            // Extreme numbers in a float file can overflow inside a profile's curves.
            if (!isfinite(to[3 * i + (size_t)k])) {
                to[3 * i + (size_t)k] = 0;
            }
        }
        if (c->bands == 1) {
            out[0][at + i] = luminance(to + 3 * i);
        } else {
            out[0][at + i] = to[3 * i];
            out[1][at + i] = to[3 * i + 1];
            out[2][at + i] = to[3 * i + 2];
        }
    }
}

static void float_block(const struct hc_icc *c, float *const out[], const void *in, size_t at,
                        size_t n, struct hc_icc_count *count)
{
    float from[3 * BLOCK];
    fetch(c, from, in, at, n, count);
    if (c->bands == 1) {
        memcpy(out[0] + at, from, n * sizeof *from);
        return;
    }
    for (int k = 0; k < 3; k++) {
        float *restrict o = out[k] + at;
        const float m0 = c->m[3 * k], m1 = c->m[3 * k + 1], m2 = c->m[3 * k + 2];
        for (size_t i = 0; i < n; i++) {
            o[i] = m0 * from[3 * i] + m1 * from[3 * i + 1] + m2 * from[3 * i + 2];
        }
    }
}

void hc_icc_row(const struct hc_icc *c, float *const out[], const void *in, size_t n,
                struct hc_icc_count *count)
{
    if (c->is_fast && c->bands == 1 && !c->is_float) {
        grey_row(c, out[0], in, n, count);
        return;
    }
    for (size_t at = 0; at < n; at += BLOCK) {
        size_t m = n - at < BLOCK ? n - at : BLOCK;
        if (!c->is_fast) {
            exact_block(c, out, in, at, m, count);
        } else if (c->is_float) {
            float_block(c, out, in, at, m, count);
        } else if (c->bits == 8) {
            count->clipped += look_up8(c, out, in, at, m);
        } else {
            count->clipped += look_up16(c, out, in, at, m);
        }
    }
}

// ---- profiles for files we write ---------------------------------------------------------------
static void set_text(cmsHPROFILE p, cmsTagSignature tag, const char *text)
{
    cmsMLU *m = cmsMLUalloc(NULL, 1);
    if (m) {
        cmsMLUsetASCII(m, "en", "US", text);
        cmsWriteTag(p, tag, m);
        cmsMLUfree(m);
    }
}

hc_status hc_icc_write_profile(struct hc_buf *out, enum hc_icc_kind kind, struct hc_err *err)
{
    static const char *const name[] = {"sRGB IEC 61966-2-1", "Linear ROMM RGB, D50",
                                       "Grey, sRGB curve, D50"};
    cmsHPROFILE p = kind == HC_ICC_SRGB          ? cmsCreate_sRGBProfile()
                    : kind == HC_ICC_ROMM_LINEAR ? working_profile()
                                                 : grey_profile(false);
    cmsUInt32Number n = 0;
    uint8_t *bytes = NULL;
    hc_status st = HC_ENOMEM;
    if (p) {
        set_text(p, cmsSigProfileDescriptionTag, name[kind]);
        set_text(p, cmsSigCopyrightTag, "No copyright; use freely");
        if (cmsSaveProfileToMem(p, NULL, &n) && n > 128) {
            bytes = hc_mem_alloc(n);
        }
        if (bytes && cmsSaveProfileToMem(p, bytes, &n)) {
            // The date of making (bytes 24-35, ICC.1:2010 7.2.8) is fixed: same picture, same
            // bytes.
            static const uint8_t date[12] = {0x07, 0xea, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0};
            memcpy(bytes + 24, date, sizeof date);
            hc_buf_bytes(out, bytes, n);
            st = hc_buf_check(out, NULL);
        }
        cmsCloseProfile(p);
    }
    hc_mem_free(bytes);
    return st == HC_OK ? HC_OK
                       : hc_err_set(err, HC_ENOMEM, "image", "Out of memory for a colour profile.");
}
