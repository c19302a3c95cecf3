// Pictures out: streamed TIFF and BigTIFF by libtiff, uncompressed (codes: deflate), written beside
// the target and renamed when complete.
#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <tiffio.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "image/image_priv.h"

#define STRIP_BYTES (512u << 10)
// Uncompressed pixels beyond this go to BigTIFF: TIFF's offsets end at 4 GiB (TIFF 6.0).
#define CLASSIC_MAX 4200000000ULL

// What is written: how many channels of how many bits, and what they mean.
struct shape {
    int w, h, channels, bits;
    bool is_float;
    uint16_t photometric, compression;
    int profile; // enum hc_icc_kind, -1 = none
    double dpi;
    const char *description;
};

struct sink {
    struct hc_outfile file;
    off_t at, end;
    int failed; // errno of the first failed write
};

// ---- libtiff's idea of a file ------------------------------------------------------------------
static tmsize_t sink_read(thandle_t h, void *p, tmsize_t n)
{
    struct sink *s = (struct sink *)h;
    ssize_t k = pread(s->file.fd, p, (size_t)n, s->at);
    s->at += k > 0 ? k : 0;
    return k;
}

static tmsize_t sink_write(thandle_t h, void *p, tmsize_t n)
{
    struct sink *s = (struct sink *)h;
    const char *from = p;
    tmsize_t left = n;
    while (left > 0) {
        ssize_t k = pwrite(s->file.fd, from, (size_t)left, s->at);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k <= 0) {
            s->failed = s->failed ? s->failed : k < 0 ? errno : ENOSPC;
            return -1;
        }
        from += k;
        left -= k;
        s->at += k;
    }
    s->end = s->at > s->end ? s->at : s->end;
    return n;
}

static toff_t sink_seek(thandle_t h, toff_t off, int whence)
{
    struct sink *s = (struct sink *)h;
    s->at = (off_t)off + (whence == SEEK_CUR ? s->at : whence == SEEK_END ? s->end : 0);
    return (toff_t)s->at;
}

static int sink_close(thandle_t h)
{
    (void)h;
    return 0;
}

static toff_t sink_size(thandle_t h)
{
    return (toff_t)((struct sink *)h)->end;
}

static int on_message(TIFF *t, void *ctx, const char *module, const char *fmt, va_list args)
{
    (void)t;
    (void)ctx;
    (void)module;
    (void)fmt;
    (void)args;
    return 1; // handled: our own sentence is written instead
}

static TIFF *open_tiff(struct sink *s, bool is_big)
{
    TIFFOpenOptions *o = TIFFOpenOptionsAlloc();
    TIFF *t = NULL;
    if (o) {
        TIFFOpenOptionsSetErrorHandlerExtR(o, on_message, NULL);
        TIFFOpenOptionsSetWarningHandlerExtR(o, on_message, NULL);
        t = TIFFClientOpenExt(s->file.path, is_big ? "w8l" : "wl", (thandle_t)s, sink_read,
                              sink_write, sink_seek, sink_close, sink_size, NULL, NULL, o);
        TIFFOpenOptionsFree(o);
    }
    return t;
}

// ---- one picture -------------------------------------------------------------------------------

// Rows y0 ..
// y0+n-1 as interleaved numbers of the shape.
typedef hc_status (*fill_fn)(void *ctx, int y0, int n, void *px, struct hc_err *err);

static size_t row_bytes(const struct shape *s)
{
    return (size_t)s->w * (size_t)s->channels * (size_t)s->bits / 8;
}

static int strip_rows(const struct shape *s)
{
    size_t n = STRIP_BYTES / row_bytes(s);
    return n < 1 ? 1 : n > (size_t)s->h ? s->h : (int)n;
}

static bool set_tags(TIFF *t, const struct shape *s)
{
    struct hc_buf profile = {0};
    bool ok = TIFFSetField(t, TIFFTAG_IMAGEWIDTH, (uint32_t)s->w) &&
              TIFFSetField(t, TIFFTAG_IMAGELENGTH, (uint32_t)s->h) &&
              TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, s->bits) &&
              TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, s->channels) &&
              TIFFSetField(t, TIFFTAG_SAMPLEFORMAT,
                           s->is_float ? SAMPLEFORMAT_IEEEFP : SAMPLEFORMAT_UINT) &&
              TIFFSetField(t, TIFFTAG_PHOTOMETRIC, s->photometric) &&
              TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG) &&
              TIFFSetField(t, TIFFTAG_COMPRESSION, s->compression) &&
              TIFFSetField(t, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT) &&
              TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, (uint32_t)strip_rows(s)) &&
              TIFFSetField(t, TIFFTAG_SOFTWARE, "halfclean " HC_VERSION);
    if (ok && s->dpi > 0) {
        ok = TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, RESUNIT_INCH) &&
             TIFFSetField(t, TIFFTAG_XRESOLUTION, s->dpi) &&
             TIFFSetField(t, TIFFTAG_YRESOLUTION, s->dpi);
    }
    if (ok && s->description && s->description[0]) {
        ok = TIFFSetField(t, TIFFTAG_IMAGEDESCRIPTION, s->description);
    }
    if (ok && s->profile >= 0) {
        ok = hc_icc_write_profile(&profile, (enum hc_icc_kind)s->profile, NULL) == HC_OK &&
             TIFFSetField(t, TIFFTAG_ICCPROFILE, (uint32_t)profile.len, profile.data);
        hc_buf_release(&profile);
    }
    return ok;
}

static hc_status write_strips(TIFF *t, struct sink *out, const struct shape *s, fill_fn fn,
                              void *ctx, struct hc_job *job, struct hc_err *err)
{
    int step = strip_rows(s);
    hc_status st = HC_OK;
    void *px = hc_mem_alloc(row_bytes(s) * (size_t)step);
    if (!px) {
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while writing %s.",
                          out->file.path);
    }
    for (int y = 0; y < s->h && st == HC_OK; y += step) {
        int n = s->h - y < step ? s->h - y : step;
        st = hc_job_step(job, (double)y / s->h, "writing the picture", err);
        st = st == HC_OK ? fn(ctx, y, n, px, err) : st;
        if (st == HC_OK && TIFFWriteEncodedStrip(t, (uint32_t)(y / step), px,
                                                 (tmsize_t)(row_bytes(s) * (size_t)n)) < 0) {
            st = hc_outfile_fail(out->file.path, out->failed ? out->failed : EIO, err);
        }
    }
    hc_mem_free(px);
    return st;
}

static hc_status write_picture(const char *path, const struct shape *s, fill_fn fn, void *ctx,
                               struct hc_job *job, struct hc_err *err)
{
    struct sink out = {.file = {.fd = -1}};
    TIFF *t;
    hc_status st = hc_outfile_open(&out.file, path, err);
    if (st != HC_OK) {
        return st;
    }
    t = open_tiff(&out, (unsigned long long)row_bytes(s) * (unsigned long long)s->h > CLASSIC_MAX);
    if (!t || !set_tags(t, s)) {
        st = out.failed
                 ? hc_outfile_fail(path, out.failed, err)
                 : hc_err_set(err, HC_ENOMEM, "image", "Out of memory while writing %s.", path);
    }
    st = st == HC_OK ? write_strips(t, &out, s, fn, ctx, job, err) : st;
    if (st == HC_OK && !TIFFFlush(t)) {
        st = hc_outfile_fail(path, out.failed ? out.failed : EIO, err);
    }
    if (t) {
        TIFFClose(t);
    }
    if (st == HC_OK && out.failed) {
        st = hc_outfile_fail(path, out.failed, err);
    }
    if (st == HC_OK) {
        return hc_outfile_commit(&out.file, err);
    }
    hc_outfile_abandon(&out.file);
    return st;
}

// ---- rasters -----------------------------------------------------------------------------------
struct export
{
    const struct hc_raster *r;
    enum hc_export_as as;
    struct hc_plane in[3], lab[3]; // one strip; lab only for LAB
};

static void interleave(float *out, const float *const in[3], int n)
{
    for (int i = 0; i < n; i++) {
        out[3 * i] = in[0][i];
        out[3 * i + 1] = in[1][i];
        out[3 * i + 2] = in[2][i];
    }
}

static float clip(float v, float top)
{
    return v > 0 ? (v < top ? v : top) : 0;
}

static void export_row(const struct export *e, int y, void *px)
{
    const float *in[3] = {hc_plane_row(&e->in[0], y)};
    int w = e->in[0].w;
    for (int b = 1; b < hc_raster_bands(e->r); b++) {
        in[b] = hc_plane_row(&e->in[b], y);
    }
    switch (e->as) {
    case HC_EXPORT_SRGB16:
        hc_colour_srgb16_row(px, in, (size_t)w);
        break;
    case HC_EXPORT_LAB: {
        float *lab[3] = {e->lab[0].px, e->lab[1].px, e->lab[2].px};
        const float *from[3] = {lab[0], lab[1], lab[2]};
        hc_colour_lab_row(lab, in, (size_t)w);
        interleave(px, from, w);
        break;
    }
    case HC_EXPORT_LINEAR16:
        for (int i = 0; i < w; i++) {
            for (int b = 0; b < 3; b++) {
                ((uint16_t *)px)[3 * i + b] = (uint16_t)(clip(in[b][i], 1) * 65535.0f + 0.5f);
            }
        }
        break;
    case HC_EXPORT_VECTOR:
        interleave(px, in, w);
        break;
    case HC_EXPORT_FLOAT:
        memcpy(px, in[0], (size_t)w * sizeof(float));
        break;
    case HC_EXPORT_CODE8:
        for (int i = 0; i < w; i++) {
            ((uint8_t *)px)[i] = (uint8_t)(clip(in[0][i], 255) + 0.5f);
        }
        break;
    }
}

static hc_status fill_export(void *ctx, int y0, int n, void *px, struct hc_err *err)
{
    struct export *e = ctx;
    static const size_t bytes[] = {6, 12, 6, 4, 12, 1}; // per pixel, by enum hc_export_as
    for (int b = 0; b < hc_raster_bands(e->r); b++) {
        struct hc_plane part = hc_plane_part(&e->in[b], 0, 0, e->in[b].w, n);
        hc_status st = hc_raster_read(e->r, b, 0, y0, &part, err);
        if (st != HC_OK) {
            return st;
        }
    }
    for (int y = 0; y < n; y++) {
        export_row(e, y, (char *)px + bytes[e->as] * (size_t)e->in[0].w * (size_t)y);
    }
    return HC_OK;
}

static struct shape export_shape(enum hc_export_as as)
{
    switch (as) {
    case HC_EXPORT_SRGB16:
        return (struct shape){.channels = 3,
                              .bits = 16,
                              .photometric = PHOTOMETRIC_RGB,
                              .compression = COMPRESSION_NONE,
                              .profile = HC_ICC_SRGB};
    case HC_EXPORT_LAB: // float L* a* b* as they are; the D50 white is TIFF's default for CIELAB
        return (struct shape){.channels = 3,
                              .bits = 32,
                              .is_float = true,
                              .photometric = PHOTOMETRIC_CIELAB,
                              .compression = COMPRESSION_NONE,
                              .profile = -1};
    case HC_EXPORT_LINEAR16:
        return (struct shape){.channels = 3,
                              .bits = 16,
                              .photometric = PHOTOMETRIC_RGB,
                              .compression = COMPRESSION_NONE,
                              .profile = HC_ICC_ROMM_LINEAR};
    case HC_EXPORT_VECTOR:
        return (struct shape){.channels = 3,
                              .bits = 32,
                              .is_float = true,
                              .photometric = PHOTOMETRIC_RGB,
                              .compression = COMPRESSION_NONE,
                              .profile = -1};
    case HC_EXPORT_FLOAT:
        return (struct shape){.channels = 1,
                              .bits = 32,
                              .is_float = true,
                              .photometric = PHOTOMETRIC_MINISBLACK,
                              .compression = COMPRESSION_NONE,
                              .profile = -1};
    case HC_EXPORT_CODE8:
    default:
        return (struct shape){.channels = 1,
                              .bits = 8,
                              .photometric = PHOTOMETRIC_MINISBLACK,
                              .compression = COMPRESSION_ADOBE_DEFLATE,
                              .profile = -1};
    }
}

hc_status hc_image_export(const struct hc_raster *r, enum hc_export_as as, const char *path,
                          const char *description, struct hc_job *job, struct hc_err *err)
{
    struct export e = {.r = r, .as = as};
    struct shape s = export_shape(as);
    hc_status st = HC_OK;
    if (s.channels != hc_raster_bands(r)) {
        return hc_err_set(err, HC_EARG, "image",
                          "This kind of export needs %d bands; the raster has %d.", s.channels,
                          hc_raster_bands(r));
    }
    s.w = hc_raster_w(r);
    s.h = hc_raster_h(r);
    s.description = description;
    for (int b = 0; b < s.channels && st == HC_OK; b++) {
        st = hc_plane_create(&e.in[b], s.w, strip_rows(&s), err);
        if (st == HC_OK && as == HC_EXPORT_LAB) {
            st = hc_plane_create(&e.lab[b], s.w, 1, err);
        }
    }
    st = st == HC_OK ? write_picture(path, &s, fill_export, &e, job, err) : st;
    for (int b = 0; b < s.channels; b++) {
        hc_plane_release(&e.in[b]);
        hc_plane_release(&e.lab[b]);
    }
    return st;
}

// ---- generated pictures ------------------------------------------------------------------------
struct generated {
    struct hc_plane in[3];
    int bands;
    hc_image_rows_fn fn;
    void *ctx;
};

static hc_status fill_generated(void *ctx, int y0, int n, void *px, struct hc_err *err)
{
    struct generated *g = ctx;
    struct hc_plane part[3] = {{0}};
    uint16_t *out = px;
    hc_status st;
    for (int b = 0; b < g->bands; b++) {
        part[b] = hc_plane_part(&g->in[b], 0, 0, g->in[b].w, n);
    }
    st = g->fn(g->ctx, y0, part, err);
    for (int y = 0; y < n && st == HC_OK; y++) {
        for (int x = 0; x < part[0].w; x++) {
            for (int b = 0; b < g->bands; b++) {
                *out++ = (uint16_t)(clip(hc_plane_get(&part[b], x, y), 1) * 65535.0f + 0.5f);
            }
        }
    }
    return st;
}

hc_status hc_image_write_tiff16(const char *path, int w, int h, int bands, hc_image_rows_fn fn,
                                void *ctx, double dpi, struct hc_job *job, struct hc_err *err)
{
    struct generated g = {.bands = bands, .fn = fn, .ctx = ctx};
    struct shape s = {.w = w,
                      .h = h,
                      .channels = bands,
                      .bits = 16,
                      .photometric = bands == 3 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK,
                      .compression = COMPRESSION_NONE,
                      .profile = bands == 3 ? HC_ICC_SRGB : HC_ICC_GREY_SRGB,
                      .dpi = dpi};
    hc_status st = HC_OK;
    if (w < 1 || h < 1 || w > HC_IMAGE_MAX_SIDE || h > HC_IMAGE_MAX_SIDE ||
        (bands != 1 && bands != 3)) {
        return hc_err_set(err, HC_ERANGE, "image", "A picture of %d x %d px with %d bands.", w, h,
                          bands);
    }
    for (int b = 0; b < bands && st == HC_OK; b++) {
        st = hc_plane_create(&g.in[b], w, strip_rows(&s), err);
    }
    st = st == HC_OK ? write_picture(path, &s, fill_generated, &g, job, err) : st;
    for (int b = 0; b < bands; b++) {
        hc_plane_release(&g.in[b]);
    }
    return st;
}

// ---- linear light in rows from a callback ------------------------------------------------------
static hc_status fill_linear(void *ctx, int y0, int n, void *px, struct hc_err *err)
{
    struct generated *g = ctx;
    struct hc_plane part[3] = {{0}};
    uint16_t *out = px;
    int w = g->in[0].w;
    hc_status st;
    for (int b = 0; b < g->bands; b++) {
        part[b] = hc_plane_part(&g->in[b], 0, 0, w, n);
    }
    st = g->fn(g->ctx, y0, part, err);
    for (int y = 0; y < n && st == HC_OK; y++, out += (size_t)g->bands * (size_t)w) {
        const float *row = hc_plane_row(&part[0], y);
        for (int x = 0; x < w && g->bands == 1; x++) {
            const float *same[3] = {row + x, row + x, row + x}; // neutral: the sRGB curve of each
            uint16_t rgb[3];
            hc_colour_srgb16_row(rgb, same, 1);
            out[x] = rgb[1];
        }
        for (int x = 0; x < w && g->bands == 3; x++) {
            for (int b = 0; b < 3; b++) {
                out[3 * x + b] =
                    (uint16_t)(clip(hc_plane_get(&part[b], x, y), 1) * 65535.0f + 0.5f);
            }
        }
    }
    return st;
}

hc_status hc_image_write_linear16(const char *path, int w, int h, int bands, hc_image_rows_fn fn,
                                  void *ctx, const char *description, struct hc_job *job,
                                  struct hc_err *err)
{
    struct generated g = {.bands = bands, .fn = fn, .ctx = ctx};
    struct shape s = {.w = w,
                      .h = h,
                      .channels = bands,
                      .bits = 16,
                      .photometric = bands == 3 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK,
                      .compression = COMPRESSION_NONE,
                      .profile = bands == 3 ? HC_ICC_ROMM_LINEAR : HC_ICC_GREY_SRGB,
                      .description = description};
    hc_status st = HC_OK;
    for (int b = 0; b < bands && st == HC_OK; b++) {
        st = hc_plane_create(&g.in[b], w, strip_rows(&s), err);
    }
    st = st == HC_OK ? write_picture(path, &s, fill_linear, &g, job, err) : st;
    for (int b = 0; b < bands; b++) {
        hc_plane_release(&g.in[b]);
    }
    return st;
}
