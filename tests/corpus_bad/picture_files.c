#include "picture_files.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>
#include <png.h>
#include <tiffio.h>

#include "hc_test.h"

void picture_write_bytes(const char *path, const void *p, size_t n)
{
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    assert_int_equal(fwrite(p, 1, n, f), n);
    assert_int_equal(fclose(f), 0);
}

uint8_t *picture_read_bytes(const char *path, size_t *n)
{
    FILE *f = fopen(path, "rb");
    uint8_t *p;
    long size;
    assert_non_null(f);
    fseek(f, 0, SEEK_END);
    size = ftell(f);
    rewind(f);
    p = calloc((size_t)size + 1, 1);
    assert_non_null(p);
    *n = fread(p, 1, (size_t)size, f);
    fclose(f);
    return p;
}

// ---- TIFF --------------------------------------------------------------------------------------
static void tiff_tags(TIFF *t, const struct picture_tiff *s)
{
    static const uint8_t dng[4] = {1, 4, 0, 0};
    TIFFSetField(t, TIFFTAG_IMAGEWIDTH, (uint32_t)s->w);
    TIFFSetField(t, TIFFTAG_IMAGELENGTH, (uint32_t)s->h);
    TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, s->samples);
    TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, s->bits);
    TIFFSetField(t, TIFFTAG_SAMPLEFORMAT, s->format ? s->format : SAMPLEFORMAT_UINT);
    TIFFSetField(t, TIFFTAG_PHOTOMETRIC, s->photometric);
    TIFFSetField(t, TIFFTAG_COMPRESSION, s->compression ? s->compression : COMPRESSION_NONE);
    TIFFSetField(t, TIFFTAG_PLANARCONFIG,
                 s->is_separate ? PLANARCONFIG_SEPARATE : PLANARCONFIG_CONTIG);
    if (s->orientation) {
        TIFFSetField(t, TIFFTAG_ORIENTATION, s->orientation);
    }
    if (s->extra) {
        uint16_t kind = EXTRASAMPLE_UNASSALPHA;
        TIFFSetField(t, TIFFTAG_EXTRASAMPLES, 1, &kind);
    }
    if (s->icc) {
        TIFFSetField(t, TIFFTAG_ICCPROFILE, (uint32_t)s->icc_bytes, s->icc);
    }
    if (s->dpi > 0) {
        TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, RESUNIT_INCH);
        TIFFSetField(t, TIFFTAG_XRESOLUTION, s->dpi);
        TIFFSetField(t, TIFFTAG_YRESOLUTION, s->dpi);
    }
    if (s->is_dng) {
        TIFFSetField(t, TIFFTAG_DNGVERSION, dng);
    }
    if (s->is_tiled) {
        TIFFSetField(t, TIFFTAG_TILEWIDTH, 64u);
        TIFFSetField(t, TIFFTAG_TILELENGTH, 64u);
    } else {
        TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 16u);
    }
}

static void tiff_tiles(TIFF *t, const struct picture_tiff *s, const char *px)
{
    size_t bytes = (size_t)s->samples * (size_t)s->bits / 8;
    char *tile = calloc(64 * 64, bytes);
    assert_non_null(tile);
    for (int y0 = 0; y0 < s->h; y0 += 64) {
        for (int x0 = 0; x0 < s->w; x0 += 64) {
            size_t n = (size_t)(s->w - x0 < 64 ? s->w - x0 : 64);
            for (int y = y0; y < s->h && y < y0 + 64; y++) {
                memcpy(tile + (size_t)(y - y0) * 64 * bytes,
                       px + ((size_t)y * (size_t)s->w + (size_t)x0) * bytes, n * bytes);
            }
            assert_true(TIFFWriteTile(t, tile, (uint32_t)x0, (uint32_t)y0, 0, 0) >= 0);
        }
    }
    free(tile);
}

void picture_write_tiff(const char *path, const struct picture_tiff *s, const void *px)
{
    size_t line = (size_t)s->w * (size_t)s->bits * (size_t)(s->is_separate ? 1 : s->samples) / 8;
    int planes = s->is_separate ? s->samples : 1;
    char *copy = malloc(line); // libtiff may swap bytes in place
    TIFF *t = TIFFOpen(path, s->is_big ? "w8" : "w");
    assert_non_null(t);
    assert_non_null(copy);
    for (int page = 0; page < (s->pages ? s->pages : 1); page++) {
        tiff_tags(t, s);
        if (s->is_tiled) {
            tiff_tiles(t, s, px);
        }
        for (int p = 0; p < planes && !s->is_tiled; p++) {
            for (int y = 0; y < s->h; y++) {
                memcpy(copy, (const char *)px + ((size_t)p * (size_t)s->h + (size_t)y) * line,
                       line);
                assert_int_equal(TIFFWriteScanline(t, copy, (uint32_t)y, (uint16_t)p), 1);
            }
        }
        assert_int_equal(TIFFWriteDirectory(t), 1);
    }
    TIFFClose(t);
    free(copy);
}

// ---- PNG ---------------------------------------------------------------------------------------
void picture_write_png(const char *path, const struct picture_png *s, const void *px)
{
    static const int channels[7] = {1, 0, 3, 1, 2, 0, 4};
    size_t line = ((size_t)s->w * (size_t)channels[s->type] * (size_t)s->bits + 7) / 8;
    png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
    png_infop info = png_create_info_struct(png);
    png_color palette[2] = {{0, 0, 0}, {255, 255, 255}};
    FILE *f = fopen(path, "wb");
    png_bytepp rows = calloc((size_t)s->h, sizeof *rows);
    assert_non_null(f);
    assert_non_null(rows);
    if (setjmp(png_jmpbuf(png))) {
        fail_msg("libpng could not write %s", path);
    }
    png_init_io(png, f);
    png_set_IHDR(png, info, (png_uint_32)s->w, (png_uint_32)s->h, s->bits, s->type,
                 s->is_interlaced ? PNG_INTERLACE_ADAM7 : PNG_INTERLACE_NONE,
                 PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
    if (s->type == PNG_COLOR_TYPE_PALETTE) {
        png_set_PLTE(png, info, palette, 2);
    }
    if (s->has_trns) {
        png_color_16 c = {0};
        png_set_tRNS(png, info, NULL, 0, &c);
    }
    if (s->is_srgb) {
        png_set_sRGB(png, info, PNG_sRGB_INTENT_RELATIVE);
    }
    if (s->icc) {
        png_set_iCCP(png, info, "test", 0, s->icc, (png_uint_32)s->icc_bytes);
    }
    png_write_info(png, info);
    for (int y = 0; y < s->h; y++) {
        rows[y] = (png_bytep)(uintptr_t)px + (size_t)y * line;
    }
    png_write_image(png, rows);
    png_write_end(png, NULL);
    png_destroy_write_struct(&png, &info);
    fclose(f);
    free(rows);
}

// ---- JPEG --------------------------------------------------------------------------------------
// A minimal EXIF block: orientation (tag 274) and, when asked, a sub-directory with ColorSpace = 1
// or, the way cameras mark Adobe RGB, an interoperability directory that says "R03" (DCF 2.0).
static void jpeg_exif(struct jpeg_compress_struct *c, const struct picture_jpeg *s)
{
    uint8_t b[96] = "Exif\0\0II*\0\x08\0\0\0";
    uint8_t *d = b + 14;
    bool has_more = s->is_exif_srgb || s->is_exif_adobe;
    size_t n;
    d[0] = has_more ? 2 : 1;
    memcpy(d + 2, "\x12\x01\x03\0\x01\0\0\0", 8);
    d[10] = (uint8_t)(s->exif_orientation ? s->exif_orientation : 1);
    n = 14 + 2 + 12 + 4;
    if (has_more) {
        memcpy(d + 14, "\x69\x87\x04\0\x01\0\0\0\x26\0\0\0", 12); // at 38, counted from "II"
        n = 6 + 38 + 18;
    }
    if (s->is_exif_srgb) {
        memcpy(b + 6 + 38, "\x01\0\x01\xa0\x03\0\x01\0\0\0\x01\0\0\0\0\0\0\0", 18);
    } else if (s->is_exif_adobe) {
        memcpy(b + 6 + 38, "\x01\0\x05\xa0\x04\0\x01\0\0\0\x38\0\0\0\0\0\0\0", 18);
        memcpy(b + 6 + 56, "\x01\0\x01\0\x02\0\x04\0\0\0R03\0\0\0\0\0", 18);
        n += 18;
    }
    jpeg_write_marker(c, JPEG_APP0 + 1, b, (unsigned)n);
}

void picture_write_jpeg(const char *path, const struct picture_jpeg *s, const uint8_t *px)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr e;
    FILE *f = fopen(path, "wb");
    uint8_t *line = malloc((size_t)s->w * (size_t)s->samples);
    assert_non_null(f);
    assert_non_null(line);
    c.err = jpeg_std_error(&e);
    jpeg_create_compress(&c);
    jpeg_stdio_dest(&c, f);
    c.image_width = (JDIMENSION)s->w;
    c.image_height = (JDIMENSION)s->h;
    c.input_components = s->samples;
    c.in_color_space = s->samples == 3 ? JCS_RGB : s->samples == 4 ? JCS_CMYK : JCS_GRAYSCALE;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, s->quality ? s->quality : 100, TRUE);
    c.comp_info[0].h_samp_factor = c.comp_info[0].v_samp_factor = 1;
    if (s->is_progressive) {
        jpeg_simple_progression(&c);
    }
    jpeg_start_compress(&c, TRUE);
    if (s->exif_orientation || s->is_exif_srgb || s->is_exif_adobe) {
        jpeg_exif(&c, s);
    }
    while (c.next_scanline < c.image_height) {
        JSAMPROW row = line;
        memcpy(line, px + (size_t)c.next_scanline * (size_t)s->w * (size_t)s->samples,
               (size_t)s->w * (size_t)s->samples);
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    fclose(f);
    free(line);
}

static uint8_t *unpack_png(const void *p, size_t n, int *w, int *h, int *channels)
{
    png_image im = {.version = PNG_IMAGE_VERSION};
    uint8_t *px;
    assert_int_equal(png_image_begin_read_from_memory(&im, p, n), 1);
    *channels = im.format & PNG_FORMAT_FLAG_ALPHA ? 2 : im.format & PNG_FORMAT_FLAG_COLOR ? 3 : 1;
    im.format = *channels == 2 ? PNG_FORMAT_GA : *channels == 3 ? PNG_FORMAT_RGB : PNG_FORMAT_GRAY;
    *w = (int)im.width;
    *h = (int)im.height;
    px = malloc(PNG_IMAGE_SIZE(im));
    assert_non_null(px);
    assert_int_equal(png_image_finish_read(&im, NULL, px, 0, NULL), 1);
    return px;
}

uint8_t *picture_unpack(const void *p, size_t n, int *w, int *h, int *channels)
{
    struct jpeg_decompress_struct d;
    struct jpeg_error_mgr e;
    uint8_t *px;
    if (n > 4 && memcmp(p, "\x89PNG", 4) == 0) {
        return unpack_png(p, n, w, h, channels);
    }
    d.err = jpeg_std_error(&e);
    jpeg_create_decompress(&d);
    jpeg_mem_src(&d, p, n);
    assert_int_equal(jpeg_read_header(&d, TRUE), JPEG_HEADER_OK);
    jpeg_start_decompress(&d);
    *w = (int)d.output_width;
    *h = (int)d.output_height;
    *channels = d.output_components;
    px = malloc((size_t)*w * (size_t)*h * (size_t)*channels);
    assert_non_null(px);
    while (d.output_scanline < d.output_height) {
        JSAMPROW row = px + (size_t)d.output_scanline * (size_t)*w * (size_t)*channels;
        jpeg_read_scanlines(&d, &row, 1);
    }
    jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    return px;
}

// ---- the bad ones ------------------------------------------------------------------------------
#define W 90
#define H 70

// Enough bytes for any of the small pictures, busy so that compressors leave long streams.
static const uint8_t *busy(void)
{
    static uint8_t px[W * H * 4 * 8];
    uint32_t x = 12345;
    for (size_t i = 0; i < sizeof px; i++) {
        x = x * 1664525u + 1013904223u;
        px[i] = (uint8_t)(x >> 24);
    }
    return px;
}

static void cut(const char *path, double share)
{
    size_t n;
    uint8_t *p = picture_read_bytes(path, &n);
    picture_write_bytes(path, p, (size_t)((double)n * share));
    free(p);
}

// Overwrites bytes found by a pattern that must occur.
static void patch(const char *path, const char *find, size_t find_n, size_t skip, const char *put,
                  size_t n)
{
    size_t size;
    uint8_t *p = picture_read_bytes(path, &size), *at = memmem(p, size, find, find_n);
    assert_non_null(at);
    memcpy(at + skip, put, n);
    picture_write_bytes(path, p, size);
    free(p);
}

static const struct picture_bad bad_list[] = {
    {"empty file", "data", "empty", false},
    {"a text file", "unsupported", "neither a TIFF", false},
    {"a GIF called .tif", "unsupported", "GIF", false},
    {"a PDF", "unsupported", "PDF", false},
    {"8 bytes of a TIFF", "data", "damaged or cut short", false},
    {"TIFF cut in half", "data", "damaged or cut short", false},
    {"deflate TIFF with noise in its strips", "data", "damaged or cut short", true},
    {"PNG cut in half", "data", "damaged or cut short", true},
    {"PNG header only", "data", "damaged or cut short", false},
    {"PNG with a flipped byte", "data", "damaged or cut short", true},
    {"JPEG cut in half", "data", "damaged or cut short", true},
    {"JPEG cut in its header", "data", "damaged or cut short", false},
    {"TIFF 0 wide", "data", "0 pixels", false},
    {"PNG of 0 height", "data", "0 pixels", false},
    {"PNG that says 100000 x 100000", "limit", "ceiling", false},
    {"JPEG that says 65000 x 65000", "limit", "ceiling", false},
    {"TIFF that says 59000 x 59000", "limit", "million px", false},
    {"RGBA TIFF", "unsupported", "alpha", false},
    {"grey + alpha PNG", "unsupported", "alpha", false},
    {"RGBA PNG", "unsupported", "alpha", false},
    {"RGB PNG with a transparent colour", "unsupported", "alpha", false},
    {"CMYK TIFF", "unsupported", "CMYK", false},
    {"CMYK JPEG", "unsupported", "CMYK", false},
    {"64-bit float TIFF", "unsupported", "64-bit float", false},
    {"32-bit integer TIFF", "unsupported", "32-bit", false},
    {"16-bit float TIFF", "unsupported", "16-bit float", false},
    {"signed 16-bit TIFF", "unsupported", "signed", false},
    {"1-bit TIFF", "unsupported", "1-bit", false},
    {"palette PNG", "unsupported", "palette", false},
    {"two-band TIFF", "unsupported", "extra channel", false},
    {"5-band TIFF", "unsupported", "5 channels", false},
    {"CIELAB TIFF", "unsupported", "CIELAB", false},
    {"camera raw: DNGVersion, and nothing behind it", "unsupported", "16-bit TIFF", false},
    {"camera raw: a colour filter array of no maker", "unsupported", "16-bit TIFF", false},
    {"camera raw: CR2 mark only", "data", "damaged or cut short", false},
    {"camera raw: another maker's mark only", "data", "damaged or cut short", false},
    {"TIFF whose directory lies outside", "data", "directory", false},
    {"TIFF whose pixels lie outside", "data", "beyond its end", false},
    {"TIFF whose pages run in a circle", NULL, NULL, false}, // taken, and ends
};

static void bad_tiff(const char *path, struct picture_tiff s)
{
    s.w = s.w ? s.w : W;
    s.h = s.h ? s.h : H;
    s.samples = s.samples ? s.samples : 3;
    s.bits = s.bits ? s.bits : 8;
    picture_write_tiff(path, &s, busy());
}

static void bad_png(const char *path, int type, int bits, bool has_trns)
{
    struct picture_png s = {.w = W, .h = H, .type = type, .bits = bits, .has_trns = has_trns};
    picture_write_png(path, &s, busy());
}

static void bad_jpeg(const char *path, int samples)
{
    struct picture_jpeg s = {.w = W, .h = H, .samples = samples};
    picture_write_jpeg(path, &s, busy());
}

static void spoil(const char *path, double at, size_t n)
{
    size_t size;
    uint8_t *p = picture_read_bytes(path, &size);
    for (size_t i = 0; i < n; i++) {
        p[(size_t)((double)size * at) + i] ^= 0x5a;
    }
    picture_write_bytes(path, p, size);
    free(p);
}

// The little-endian offset of the first directory is at byte 4.
static uint32_t first_directory(const uint8_t *p)
{
    return (uint32_t)p[4] | (uint32_t)p[5] << 8 | (uint32_t)p[6] << 16 | (uint32_t)p[7] << 24;
}

static void loop_pages(const char *path)
{
    size_t n;
    uint8_t *p = picture_read_bytes(path, &n);
    uint32_t at = first_directory(p), entries = (uint32_t)p[at] | (uint32_t)p[at + 1] << 8;
    memcpy(p + at + 2 + 12 * entries, p + 4, 4);
    picture_write_bytes(path, p, n);
    free(p);
}

static void write_damaged(int i, const char *path)
{
    switch (i) {
    case 0:
        picture_write_bytes(path, "", 0);
        break;
    case 1:
        picture_write_bytes(path, "a note about the varnish\n", 25);
        break;
    case 2:
        picture_write_bytes(path, "GIF89a\x01\0\x01\0\0\0\0;", 14);
        break;
    case 3:
        picture_write_bytes(path, "%PDF-1.5\n%%EOF\n", 15);
        break;
    case 4:
        picture_write_bytes(path, "II*\0\x08\0\0\0", 8);
        break;
    case 5:
        bad_tiff(path, (struct picture_tiff){.photometric = 2});
        cut(path, 0.5);
        break;
    case 6:
        bad_tiff(path, (struct picture_tiff){.photometric = 2, .compression = 8});
        spoil(path, 0.3, 40);
        break;
    case 7:
        bad_png(path, 2, 16, false);
        cut(path, 0.5);
        break;
    case 8:
        bad_png(path, 2, 8, false);
        cut(path, 33.5 / (W * H * 3));
        break;
    case 9:
        bad_png(path, 2, 8, false);
        spoil(path, 0.5, 1);
        break;
    case 10:
        bad_jpeg(path, 3);
        cut(path, 0.5);
        break;
    case 11:
        bad_jpeg(path, 3);
        cut(path, 0.004);
        break;
    default:
        break;
    }
}

static void write_wrong_size(int i, const char *path)
{
    switch (i) {
    case 12:
        bad_tiff(path, (struct picture_tiff){.photometric = 2});
        patch(path, "\x00\x01\x03\x00\x01\x00\x00\x00\x5a\x00", 10, 8, "\0\0", 2);
        break;
    case 13:
        bad_png(path, 2, 8, false);
        patch(path, "IHDR", 4, 8, "\0\0\0\0", 4);
        break;
    case 14:
        bad_png(path, 2, 8, false);
        patch(path, "IHDR", 4, 4, "\0\x01\x86\xa0\0\x01\x86\xa0", 8);
        break;
    case 15:
        bad_jpeg(path, 3);
        patch(path, "\xff\xc0", 2, 5, "\xfd\xe8\xfd\xe8", 4);
        break;
    case 16:
        bad_tiff(path, (struct picture_tiff){.photometric = 2});
        patch(path, "\x00\x01\x03\x00\x01\x00\x00\x00\x5a\x00", 10, 8, "\x78\xe6", 2);
        patch(path, "\x01\x01\x03\x00\x01\x00\x00\x00\x46\x00", 10, 8, "\x78\xe6", 2);
        break;
    default:
        break;
    }
}

static void write_foreign(int i, const char *path)
{
    switch (i) {
    case 17:
        bad_tiff(path, (struct picture_tiff){.photometric = 2, .samples = 4, .extra = 1});
        break;
    case 18:
        bad_png(path, 4, 8, false);
        break;
    case 19:
        bad_png(path, 6, 16, false);
        break;
    case 20:
        bad_png(path, 2, 8, true);
        break;
    case 21:
        bad_tiff(path, (struct picture_tiff){.photometric = 5, .samples = 4});
        break;
    case 22:
        bad_jpeg(path, 4);
        break;
    case 23:
        bad_tiff(path, (struct picture_tiff){.photometric = 2, .bits = 64, .format = 3});
        break;
    case 24:
        bad_tiff(path, (struct picture_tiff){.photometric = 2, .bits = 32});
        break;
    case 25:
        bad_tiff(path, (struct picture_tiff){.photometric = 2, .bits = 16, .format = 3});
        break;
    case 26:
        bad_tiff(path,
                 (struct picture_tiff){.photometric = 1, .samples = 1, .bits = 16, .format = 2});
        break;
    case 27:
        bad_tiff(path, (struct picture_tiff){.photometric = 1, .samples = 1, .bits = 1, .w = 96});
        break;
    case 28:
        bad_png(path, 3, 1, false);
        break;
    case 29:
        bad_tiff(path, (struct picture_tiff){.photometric = 1, .samples = 2, .extra = 1});
        break;
    case 30:
        bad_tiff(path, (struct picture_tiff){.photometric = 2, .samples = 5});
        break;
    case 31:
        bad_tiff(path, (struct picture_tiff){.photometric = 8});
        break;
    case 32:
        bad_tiff(path,
                 (struct picture_tiff){.photometric = 1, .samples = 1, .bits = 16, .is_dng = true});
        break;
    case 33:
        bad_tiff(path, (struct picture_tiff){.photometric = 32803, .samples = 1, .bits = 16});
        break;
    case 34:
        picture_write_bytes(path, "II*\0\x10\0\0\0CR\x02\0\0\0\0\0", 16);
        break;
    case 35:
        picture_write_bytes(path, "FUJIFILMCCD-RAW 0201", 20);
        break;
    default:
        break;
    }
}

static void write_broken_links(int i, const char *path)
{
    bad_tiff(path, (struct picture_tiff){.photometric = 2});
    if (i == 36) {
        patch(path, "II*\0", 4, 4, "\xff\xff\xff\x7f", 4);
    } else if (i == 37) { // StripOffsets: move its table's pointer over the end
        patch(path, "\x11\x01\x04\x00\x05\x00\x00\x00", 8, 8, "\xf0\xff\xff\x7f", 4);
    } else {
        loop_pages(path);
    }
}

bool picture_bad(int i, const char *path, struct picture_bad *out)
{
    if (i < 0 || i >= (int)(sizeof bad_list / sizeof *bad_list)) {
        return false;
    }
    *out = bad_list[i];
    if (i < 12) {
        write_damaged(i, path);
    } else if (i < 17) {
        write_wrong_size(i, path);
    } else if (i < 36) {
        write_foreign(i, path);
    } else {
        write_broken_links(i, path);
    }
    return true;
}
