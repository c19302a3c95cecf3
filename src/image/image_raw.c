// Camera raw by LibRaw, in the decoder process only: linear, no tone curve, no brightening, black
// and white levels as the file says, white balance as shot, AHD interpolation. LibRaw opens no
// file: it is given the bytes.
#include <libraw/libraw.h>
#include <math.h>
#include <string.h>
#include <time.h>

#include "base/mem.h"
#include "image/image_priv.h"

#define DEVELOP                                                                                    \
    "develop it to a 16-bit TIFF (linear or sRGB, profile embedded) in the camera's own software " \
    "and add that"

struct hc_raw {
    libraw_data_t *lib;
    void *bytes;
    int damage; // places where the library could not read on
    struct hc_raw_colour colour;
    double to_romm[9];
};

static void on_damage(void *ctx, const char *file, const int offset)
{
    struct hc_raw *r = ctx;
    (void)file;
    (void)offset;
    r->damage++;
}

static hc_status too_large(struct hc_err *err)
{
    return hc_err_set(
        err, HC_ELIMIT, "image",
        "developing this raw file needs more memory than the decoder may use; " DEVELOP);
}

static hc_status failed(int rc, struct hc_err *err)
{
    if (rc == LIBRAW_UNSUFFICIENT_MEMORY || rc == LIBRAW_TOO_BIG || rc == LIBRAW_MEMPOOL_OVERFLOW) {
        return too_large(err);
    }
    if (rc == LIBRAW_FILE_UNSUPPORTED || rc == LIBRAW_NOT_IMPLEMENTED) {
        return hc_err_set(
            err, HC_EUNSUPPORTED, "image",
            "it is a camera raw file of a kind the raw converter does not know; " DEVELOP);
    }
    return hc_err_set(err, HC_EDATA, "image",
                      "the raw file is damaged or cut short (%s); copy it again from the card",
                      libraw_strerror(rc));
}

// ---- what the file says about colour -----------------------------------------------------------

static bool is_zero(const float *v, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (v[i] != 0.0f) {
            return false;
        }
    }
    return true;
}

// A DNG's matrix with the camera's own calibration: AnalogBalance x CameraCalibration x ColorMatrix
// (DNG specification 1.6, chapter 6). The library leaves zeros where the file is silent, and its
// flags for what it found are not kept.
static void dng_matrix(double out[9], const libraw_dng_color_t *d, const float balance[4])
{
    bool has_cal = !is_zero(d->calibration[0], 16), has_balance = !is_zero(balance, 3);
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++) {
            double v = has_cal ? 0 : (double)d->colormatrix[i][j];
            for (int k = 0; k < 3 && has_cal; k++) {
                v += (double)d->calibration[i][k] * (double)d->colormatrix[k][j];
            }
            out[3 * i + j] = has_balance ? v * (double)balance[i] : v;
        }
    }
}

static bool has_own_matrix(const libraw_colordata_t *d)
{
    return !is_zero(d->dng_color[0].colormatrix[0], 9) ||
           !is_zero(d->dng_color[1].colormatrix[0], 9);
}

static void read_colour(struct hc_raw_colour *c, const libraw_colordata_t *d)
{
    double sum = 0;
    *c = (struct hc_raw_colour){0};
    for (int i = 0; i < 2; i++) {
        if (!is_zero(d->dng_color[i].colormatrix[0], 9)) {
            c->illuminant[c->n] = d->dng_color[i].illuminant;
            dng_matrix(c->m[c->n++], &d->dng_color[i], d->dng_levels.analogbalance);
        }
    }
    for (int i = 0; i < 9 && c->n == 0; i++) { // the library's table: XYZ under D65 -> camera
        c->m[0][i] = (double)d->cam_xyz[i / 3][i % 3];
        sum += fabs(c->m[0][i]);
    }
    if (c->n == 0 && sum > 0) {
        c->n = 1;
        c->illuminant[0] = 21;
    }
    c->has_neutral = true;
    for (int i = 0; i < 3; i++) {
        c->neutral[i] = 1 / (double)d->cam_mul[i];
        c->has_neutral &= c->neutral[i] > 1e-3 && c->neutral[i] < 1e3;
    }
}

// The multipliers of the white balance: what makes `neutral` white. A sensor whose two greens
// differ says so in the fourth.
static void set_balance(struct hc_raw *r)
{
    float *mul = r->lib->params.user_mul, second_green = r->lib->color.cam_mul[3];
    for (int i = 0; i < 3; i++) {
        mul[i] = (float)(1 / r->colour.neutral[i]);
    }
    mul[3] = r->colour.has_neutral && second_green > 0.0f ? second_green : mul[1];
}

// ---- opening -----------------------------------------------------------------------------------
static hc_status check_kind(const libraw_data_t *d, struct hc_err *err)
{
    const libraw_image_sizes_t *s = &d->sizes;
    if (d->idata.colors != 3 || d->idata.is_foveon) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "its sensor does not record red, green and blue in the usual way (%d "
                          "colours); " DEVELOP,
                          d->idata.colors);
    }
    if (s->width < 1 || s->height < 1 || s->raw_width < s->width || s->raw_height < s->height) {
        return hc_err_set(err, HC_EDATA, "image",
                          "the raw file is damaged: it says it is %d x %d px; copy it again from "
                          "the card",
                          s->width, s->height);
    }
    if (s->raw_width > HC_IMAGE_MAX_SIDE || s->raw_height > HC_IMAGE_MAX_SIDE ||
        (long long)s->raw_width * s->raw_height > HC_RAW_MAX_PX) {
        return hc_err_set(
            err, HC_ELIMIT, "image",
            "it says it is %d x %d px; the ceiling for raw files is %lld million px; " DEVELOP,
            s->raw_width, s->raw_height, HC_RAW_MAX_PX / 1000000);
    }
    // Oblong or slanted pixels would be stretched by a filter of the library's own.
    if (!(fabs(s->pixel_aspect - 1) < 0.005) || d->rawdata.ioparams.fuji_width != 0) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "its sensor has oblong or slanted pixels, which are not taken; " DEVELOP);
    }
    return HC_OK;
}

static hc_status read_bytes(struct hc_raw *r, int fd, off_t size, struct hc_err *err)
{
    if (size > (off_t)HC_RAW_MAX_MIB << 20) {
        return hc_err_set(err, HC_ELIMIT, "image",
                          "the raw file is %lld MiB; the ceiling is %d MiB; " DEVELOP,
                          (long long)size >> 20, HC_RAW_MAX_MIB);
    }
    r->bytes = hc_mem_alloc((size_t)size);
    if (!r->bytes) {
        return too_large(err);
    }
    return hc_infile_read_at(fd, r->bytes, (size_t)size, 0)
               ? HC_OK
               : hc_err_set(err, HC_EIO, "image", "the file could not be read to its end");
}

hc_status hc_raw_open(struct hc_raw **out, int fd, off_t size, struct hc_err *err)
{
    struct hc_raw *r = hc_mem_array(1, sizeof *r);
    hc_status st;
    int rc;
    if (!r) {
        return too_large(err);
    }
    r->lib = libraw_init(LIBRAW_OPIONS_NO_MEMERR_CALLBACK | LIBRAW_OPIONS_NO_DATAERR_CALLBACK);
    st = r->lib ? read_bytes(r, fd, size, err) : too_large(err);
    if (st != HC_OK) {
        goto done;
    }
    libraw_set_dataerror_handler(r->lib, on_damage, r);
    rc = libraw_open_buffer(r->lib, r->bytes, (size_t)size);
    if (rc != LIBRAW_SUCCESS) {
        st = failed(rc, err);
        goto done;
    }
    st = check_kind(r->lib, err);
    read_colour(&r->colour, &r->lib->color);
    if (st == HC_OK && r->colour.n == 0) {
        st = hc_err_set(err, HC_EUNSUPPORTED, "image",
                        "the raw converter does not know this camera (%.40s %.40s), and the file "
                        "carries no colour matrix, so its colours cannot be worked out; " DEVELOP,
                        r->lib->idata.make, r->lib->idata.model);
    }
    st = st == HC_OK ? hc_raw_colour_matrix(r->to_romm, &r->colour, err) : st;
done:
    if (st != HC_OK) {
        hc_raw_close(r);
        r = NULL;
    }
    *out = r;
    return st;
}

void hc_raw_close(struct hc_raw *r)
{
    if (r) {
        if (r->lib) {
            libraw_close(r->lib);
        }
        hc_mem_free(r->bytes);
        hc_mem_free(r);
    }
}

const double *hc_raw_matrix(const struct hc_raw *r)
{
    return r->to_romm;
}

// ---- facts -------------------------------------------------------------------------------------
static double plausible(float v, double max)
{
    return (double)v > 0 && (double)v < max ? (double)v : 0;
}

void hc_raw_info(const struct hc_raw *r, struct hc_image_info *info, int *w, int *h,
                 int *orientation)
{
    // The library's turn (bit 2 swaps, bit 1 turns top to bottom, bit 0 left to right) as
    // EXIF 1..8.
    static const int exif[8] = {1, 2, 4, 3, 5, 8, 6, 7};
    const libraw_data_t *d = r->lib;
    const libraw_imgother_t *o = &d->other;
    struct tm tm;
    *w = d->sizes.width;
    *h = d->sizes.height;
    *orientation = exif[d->sizes.flip & 7];
    hc_image_name_camera(info->camera, d->idata.make, d->idata.model);
    snprintf(info->lens, sizeof info->lens, "%.63s",
             d->lens.Lens[0] ? d->lens.Lens : d->lens.makernotes.Lens);
    info->exposure_s = plausible(o->shutter, 1e5);
    info->f_number = plausible(o->aperture, 1e3);
    info->iso = plausible(o->iso_speed, 1e7);
    info->focal_mm = plausible(o->focal_len, 1e5);
    // The decoder's time zone is UTC, so that the camera's clock comes back as it was.
    if (o->timestamp > 0 && localtime_r(&o->timestamp, &tm) && tm.tm_year < 1100) {
        strftime(info->taken_at, sizeof info->taken_at, "%Y-%m-%d %H:%M:%S", &tm);
    }
    snprintf(info->profile, sizeof info->profile, "camera matrix (%s)",
             has_own_matrix(&d->color) ? "in the file" : "raw converter's table");
    snprintf(info->note, sizeof info->note,
             "Camera raw: colour by the camera maker's matrix, not measured; calibrate with a "
             "target for colour you can rely on. Linear, no tone curve; white balance %s.",
             r->colour.has_neutral ? "as shot" : "for daylight (D65), as the file does not say it");
}

// ---- developing --------------------------------------------------------------------------------

// Rows are taken before the library's curve and brightening; both are switched off all the same.
static void set_params(libraw_output_params_t *p)
{
    p->output_color = 0; // the camera's own channels
    p->output_bps = 16;
    p->gamm[0] = p->gamm[1] = 1;
    p->no_auto_bright = 1;
    p->adjust_maximum_thr = 0; // else the white level would follow the brightest pixel
    p->highlight = 0;          // what saturates is cut at white, not made up
    p->use_auto_wb = p->use_camera_wb = 0;
    p->user_qual = 3; // AHD (Hirakawa, Parks, IEEE Trans. Image Process. 14(3), 2005)
    p->use_rawspeed = 0;
    p->use_dngsdk = 0;
    // Its scale would follow the brightest pixel.
    p->raw_processing_options &= ~(unsigned)LIBRAW_PROCESSING_CONVERTFLOAT_TO_INT;
}

// Four numbers per pixel become three, in place.
static const uint16_t *pack(libraw_data_t *d)
{
    uint16_t *to = (uint16_t *)d->image;
    size_t n = (size_t)d->sizes.iwidth * d->sizes.iheight;
    for (size_t i = 0; i < n; i++) {
        memmove(to + 3 * i, to + 4 * i, 3 * sizeof *to);
    }
    return to;
}

hc_status hc_raw_develop(struct hc_raw *r, const uint16_t **px, struct hc_err *err)
{
    libraw_data_t *d = r->lib;
    int w = d->sizes.width, h = d->sizes.height, rc;
    set_params(&d->params);
    set_balance(r);
    rc = libraw_unpack(d);
    if (rc == LIBRAW_SUCCESS && r->damage > 0) {
        rc = LIBRAW_DATA_ERROR;
    }
    if (rc != LIBRAW_SUCCESS) {
        return failed(rc, err);
    }
    if (!d->rawdata.raw_image && !d->rawdata.color3_image && !d->rawdata.color4_image) {
        return hc_err_set(
            err, HC_EUNSUPPORTED, "image",
            "its numbers are floating point, which is not taken in raw files; " DEVELOP);
    }
    libraw_recycle_datastream(d); // the bytes are not needed any more
    hc_mem_free(r->bytes);
    r->bytes = NULL;
    rc = libraw_dcraw_process(d);
    if (rc != LIBRAW_SUCCESS) {
        return failed(rc, err);
    }
    if (!d->image || d->sizes.iwidth != w || d->sizes.iheight != h) {
        return hc_err_set(err, HC_EDATA, "image",
                          "the raw file contradicts itself about its size (%d x %d px, developed "
                          "as %d x %d px); " DEVELOP,
                          w, h, d->sizes.iwidth, d->sizes.iheight);
    }
    *px = pack(d);
    return HC_OK;
}
