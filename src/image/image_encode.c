// Pixels to JPEG and PNG bytes in memory, by libjpeg and libpng directly: a tile costs a fraction
// of a millisecond this way.
#include <setjmp.h>
#include <string.h>

#include <stdio.h>

#include <jpeglib.h>
#include <png.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "image/image_priv.h"

// ---- JPEG --------------------------------------------------------------------------------------
struct jpeg_error {
    struct jpeg_error_mgr base; // first, so that the library's pointer is ours
    jmp_buf back;
};

struct jpeg_sink {
    struct jpeg_destination_mgr base;
    struct hc_buf *out;
    JOCTET block[16384];
};

static void on_jpeg_error(j_common_ptr cinfo)
{
    struct jpeg_error *e = (struct jpeg_error *)cinfo->err;
    longjmp(e->back, 1);
}

static void on_jpeg_message(j_common_ptr cinfo)
{
    (void)cinfo;
}

static void sink_init(j_compress_ptr cinfo)
{
    struct jpeg_sink *s = (struct jpeg_sink *)cinfo->dest;
    s->base.next_output_byte = s->block;
    s->base.free_in_buffer = sizeof s->block;
}

static boolean sink_full(j_compress_ptr cinfo)
{
    struct jpeg_sink *s = (struct jpeg_sink *)cinfo->dest;
    hc_buf_bytes(s->out, s->block, sizeof s->block);
    sink_init(cinfo);
    return TRUE;
}

static void sink_end(j_compress_ptr cinfo)
{
    struct jpeg_sink *s = (struct jpeg_sink *)cinfo->dest;
    hc_buf_bytes(s->out, s->block, sizeof s->block - s->base.free_in_buffer);
}

static bool compress_jpeg(struct jpeg_compress_struct *c, const uint8_t *px, int w, int h,
                          int channels, int quality, struct jpeg_sink *sink, struct jpeg_error *e)
{
    if (setjmp(e->back)) {
        return false;
    }
    jpeg_create_compress(c);
    c->dest = &sink->base;
    c->image_width = (JDIMENSION)w;
    c->image_height = (JDIMENSION)h;
    c->input_components = channels;
    c->in_color_space = channels == 3 ? JCS_RGB : JCS_GRAYSCALE;
    jpeg_set_defaults(c);
    jpeg_set_quality(c, quality, TRUE);
    c->comp_info[0].h_samp_factor = c->comp_info[0].v_samp_factor = 1; // 4:4:4
    jpeg_start_compress(c, TRUE);
    while (c->next_scanline < c->image_height) {
        uint8_t line[3 * 1024];
        const uint8_t *from = px + (size_t)c->next_scanline * (size_t)w * (size_t)channels;
        size_t n = (size_t)w * (size_t)channels;
        JSAMPROW row = line;
        if (n > sizeof line) { // the library does not write to its input, it only does not say so
            row = (JSAMPROW)(uintptr_t)from;
        } else {
            memcpy(line, from, n);
        }
        jpeg_write_scanlines(c, &row, 1);
    }
    jpeg_finish_compress(c);
    return true;
}

hc_status hc_encode_jpeg8(struct hc_buf *out, const uint8_t *px, int w, int h, int channels,
                          int quality, struct hc_err *err)
{
    struct jpeg_compress_struct c = {0};
    struct jpeg_error e;
    struct jpeg_sink sink = {.base = {.init_destination = sink_init,
                                      .empty_output_buffer = sink_full,
                                      .term_destination = sink_end},
                             .out = out};
    bool ok;
    if (w < 1 || h < 1 || w > 65500 || h > 65500 || (channels != 1 && channels != 3) ||
        quality < 1 || quality > 100) {
        return hc_err_set(err, HC_ERANGE, "image", "A JPEG of %d x %d px, %d channels, quality %d.",
                          w, h, channels, quality);
    }
    c.err = jpeg_std_error(&e.base);
    e.base.error_exit = on_jpeg_error;
    e.base.output_message = on_jpeg_message;
    ok = compress_jpeg(&c, px, w, h, channels, quality, &sink, &e);
    jpeg_destroy_compress(&c);
    return ok ? hc_buf_check(out, err)
              : hc_err_set(err, HC_ENOMEM, "image", "Out of memory while encoding a JPEG.");
}

// ---- PNG ---------------------------------------------------------------------------------------
static void png_sink(png_structp png, png_bytep data, png_size_t n)
{
    struct hc_buf *out = png_get_io_ptr(png);
    hc_buf_bytes(out, data, n);
    if (out->failed != HC_OK) {
        png_error(png, "full");
    }
}

static void png_no_flush(png_structp png)
{
    (void)png;
}

static void on_png_error(png_structp png, png_const_charp text)
{
    (void)text;
    longjmp(*(jmp_buf *)png_get_error_ptr(png), 1);
}

static void on_png_warning(png_structp png, png_const_charp text)
{
    (void)png;
    (void)text;
}

struct png_job {
    png_structp png;
    png_infop info;
    const uint8_t *px;
    int w, h, channels, level;
};

static bool compress_png(struct png_job *j, struct hc_buf *out, jmp_buf *back)
{
    static const int type[4] = {0, PNG_COLOR_TYPE_GRAY, PNG_COLOR_TYPE_GRAY_ALPHA,
                                PNG_COLOR_TYPE_RGB};
    if (setjmp(*back)) {
        return false;
    }
    j->info = png_create_info_struct(j->png);
    if (!j->info) {
        return false;
    }
    png_set_write_fn(j->png, out, png_sink, png_no_flush);
    png_set_compression_level(j->png, j->level);
    png_set_filter(j->png, 0, j->channels == 2 ? PNG_FILTER_NONE : PNG_FILTER_SUB);
    png_set_IHDR(j->png, j->info, (png_uint_32)j->w, (png_uint_32)j->h, 8, type[j->channels],
                 PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
    png_set_sRGB(j->png, j->info, PNG_sRGB_INTENT_RELATIVE);
    png_write_info(j->png, j->info);
    for (int y = 0; y < j->h; y++) {
        png_write_row(j->png, j->px + (size_t)y * (size_t)j->w * (size_t)j->channels);
    }
    png_write_end(j->png, NULL);
    return true;
}

hc_status hc_encode_png8(struct hc_buf *out, const uint8_t *px, int w, int h, int channels,
                         int level, struct hc_err *err)
{
    jmp_buf back;
    struct png_job j = {.px = px, .w = w, .h = h, .channels = channels, .level = level};
    bool ok = false;
    if (w < 1 || h < 1 || w > 65500 || h > 65500 || channels < 1 || channels > 3) {
        return hc_err_set(err, HC_ERANGE, "image", "A PNG of %d x %d px, %d channels.", w, h,
                          channels);
    }
    j.png = png_create_write_struct(PNG_LIBPNG_VER_STRING, &back, on_png_error, on_png_warning);
    if (j.png) {
        ok = compress_png(&j, out, &back);
        png_destroy_write_struct(&j.png, &j.info);
    }
    if (!ok && out->failed == HC_OK) {
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while encoding a PNG.");
    }
    return hc_buf_check(out, err);
}

// ---- small pictures ----------------------------------------------------------------------------
void hc_encode_grey_row(uint8_t *out, const float *lin, size_t n, float lo, float hi)
{
    float v[256], k = 1 / (hi - lo);
    uint8_t rgb[3 * 256];
    const float *same[3] = {v, v, v}; // equal channels: neutral, so each is the sRGB curve of v
    for (size_t at = 0; at < n; at += 256) {
        size_t m = n - at < 256 ? n - at : 256;
        for (size_t i = 0; i < m; i++) {
            v[i] = (lin[at + i] - lo) * k;
        }
        hc_colour_srgb8_row(rgb, same, m);
        for (size_t i = 0; i < m; i++) {
            out[at + i] = rgb[3 * i + 1];
        }
    }
}

// 8-bit interleaved sRGB of planes; the caller frees it.
static hc_status to_srgb8(uint8_t **out, const struct hc_plane *bands, int n, struct hc_err *err)
{
    int w = bands[0].w, h = bands[0].h;
    uint8_t *px;
    if ((n != 1 && n != 3) || w < 1 || h < 1) {
        return hc_err_set(err, HC_ERANGE, "image", "A picture of %d bands, %d x %d px.", n, w, h);
    }
    px = hc_mem_alloc((size_t)w * (size_t)h * (size_t)n);
    if (!px) {
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory for a picture of %d x %d px.", w,
                          h);
    }
    for (int y = 0; y < h; y++) {
        uint8_t *row = px + (size_t)y * (size_t)w * (size_t)n;
        if (n == 1) {
            hc_encode_grey_row(row, hc_plane_row(&bands[0], y), (size_t)w, 0, 1);
        } else {
            const float *lin[3] = {hc_plane_row(&bands[0], y), hc_plane_row(&bands[1], y),
                                   hc_plane_row(&bands[2], y)};
            hc_colour_srgb8_row(row, lin, (size_t)w);
        }
    }
    *out = px;
    return HC_OK;
}

hc_status hc_image_encode_jpeg(struct hc_buf *out, const struct hc_plane *bands, int n, int quality,
                               struct hc_err *err)
{
    uint8_t *px = NULL;
    hc_status st = to_srgb8(&px, bands, n, err);
    st = st == HC_OK ? hc_encode_jpeg8(out, px, bands[0].w, bands[0].h, n, quality, err) : st;
    hc_mem_free(px);
    return st;
}

hc_status hc_image_encode_png(struct hc_buf *out, const struct hc_plane *bands, int n,
                              struct hc_err *err)
{
    uint8_t *px = NULL;
    hc_status st = to_srgb8(&px, bands, n, err);
    st = st == HC_OK ? hc_encode_png8(out, px, bands[0].w, bands[0].h, n, 6, err) : st;
    hc_mem_free(px);
    return st;
}
