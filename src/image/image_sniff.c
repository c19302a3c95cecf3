// What a file is, from its own bytes, before any library sees it: TIFF, BigTIFF, PNG, JPEG or
// camera raw, and nothing else. Everything read here is untrusted; every offset is checked against
// the file's size. TIFF 6.0 (Adobe, 1992); BigTIFF as in libtiff's note; PNG: ISO/IEC 15948; JPEG:
// ITU-T T.81.
#include <string.h>

#include "image/image_priv.h"

#define MAX_PAGES 1000
#define MAX_STRIPS 4000000
#define MAX_SUBIFDS 16

static hc_status damaged(struct hc_err *err, const char *why)
{
    return hc_err_set(err, HC_EDATA, "image", "it is damaged or cut short: %s; copy it again", why);
}

static uint32_t be32(const uint8_t *p)
{
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

// ---- TIFF --------------------------------------------------------------------------------------
// What one directory says.
struct ifd {
    uint64_t w, h, bits, format, photometric, compression, samples, extra, next;
    uint64_t subifd[MAX_SUBIFDS];
    int n_subifd;
    bool is_dng, bits_differ, has_make;
    char make[5];                        // its first letters
    struct hc_ifd_entry offsets, counts; // of strips or tiles
};

static void take(void *ctx, const struct hc_ifd_file *f, const struct hc_ifd_entry *e)
{
    struct ifd *d = ctx;
    uint64_t v = 0;
    bool ok = hc_ifd_value(f, e, 0, &v);
    switch (e->tag) {
    case 256:
        d->w = v;
        break;
    case 257:
        d->h = v;
        break;
    case 258:
        d->bits = v;
        for (uint64_t i = 1, o; i < 8 && hc_ifd_value(f, e, i, &o); i++) {
            d->bits_differ |= o != v;
        }
        break;
    case 259:
        d->compression = v;
        break;
    case 262:
        d->photometric = ok ? v : 0xffff;
        break;
    case 271: // Make
        if (e->type == 2 && e->count > 4) {
            d->has_make = hc_ifd_get(f, e->at, d->make, sizeof d->make - 1);
        }
        break;
    case 277:
        d->samples = v;
        break;
    case 338:
        d->extra = e->count;
        break;
    case 339:
        d->format = v;
        break;
    case 273:
    case 324:
        d->offsets = *e;
        break;
    case 279:
    case 325:
        d->counts = *e;
        break;
    case 330:
        for (uint64_t i = 0; i < MAX_SUBIFDS && hc_ifd_value(f, e, i, &v); i++) {
            d->subifd[d->n_subifd++] = v;
        }
        break;
    case 50706:
        d->is_dng = true;
        break; // DNGVersion (DNG specification 1.6)
    default:
        break;
    }
}

static bool read_ifd(const struct hc_ifd_file *f, uint64_t at, struct ifd *d)
{
    *d =
        (struct ifd){.bits = 1, .format = 1, .compression = 1, .samples = 1, .photometric = 0xffff};
    return hc_ifd_walk(f, at, take, d, &d->next);
}

// 32803 colour filter array, 34892 linear raw (TIFF/EP, DNG).
static bool is_raw(const struct ifd *d)
{
    return d->is_dng || d->photometric == 32803 || d->photometric == 34892;
}

// The kind of a TIFF-based raw file, which is also the extension of the stored original: by the
// maker of the camera; "raw" for others. (Makers' names and extensions from memory.)
static const char *raw_kind(const struct ifd *d)
{
    static const struct {
        const char *make, *kind;
    } known[] = {{"NIKO", "nef"}, {"Cano", "cr2"}, {"SONY", "arw"},
                 {"PENT", "pef"}, {"RICO", "pef"}, {"SAMS", "srw"},
                 {"Hass", "3fr"}, {"Phas", "iiq"}, {"Leaf", "iiq"}};
    for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
        if (d->has_make && memcmp(d->make, known[i].make, 4) == 0) {
            return known[i].kind;
        }
    }
    return "raw";
}

// Size, bands and bits are the raw converter's to say.
static hc_status is_camera_raw(struct hc_sniff *out, const char *kind)
{
    out->kind = HC_SNIFF_RAW;
    out->bands = 3;
    out->bits = 16;
    snprintf(out->raw_kind, sizeof out->raw_kind, "%s", kind);
    return HC_OK;
}

// Every strip or tile must lie inside the file: a cut file is known before anything is decoded.
static hc_status check_strips(const struct hc_ifd_file *f, const struct ifd *d, struct hc_err *err)
{
    uint64_t n = d->offsets.count, at, bytes;
    if (n == 0 || n > MAX_STRIPS || d->counts.count < n) {
        return damaged(err, "its directory does not say where the pixels are");
    }
    for (uint64_t i = 0; i < n; i++) {
        if (!hc_ifd_value(f, &d->offsets, i, &at) || !hc_ifd_value(f, &d->counts, i, &bytes) ||
            at > f->size || bytes > f->size - at) {
            return damaged(err, "some pixels would lie beyond its end");
        }
    }
    return HC_OK;
}

static hc_status check_colour(const struct ifd *d, struct hc_err *err)
{
    unsigned long long p = d->photometric;
    if (p == 5) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "it is a CMYK picture; convert it to RGB from the camera original");
    }
    if (p == 3 || p == 4) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "it is a palette or mask picture; save it as 8- or 16-bit RGB or grey");
    }
    if (p == 8 || p == 9 || p == 10) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "its pixels are CIELAB; save it as 16-bit RGB with a profile");
    }
    if (p > 2 && !(p == 6 && d->compression == 7)) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "its colour model (TIFF code %llu) is not taken; save it as RGB or grey",
                          p);
    }
    if (d->extra > 0 || d->samples == 2 || d->samples == 4) {
        return hc_err_set(
            err, HC_EUNSUPPORTED, "image",
            "it carries an alpha (transparency) or extra channel; flatten it and save it "
            "without");
    }
    if (d->samples != (p <= 1 ? 1u : 3u)) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "it has %llu channels; 1 (grey) or 3 (RGB) are taken",
                          (unsigned long long)d->samples);
    }
    return HC_OK;
}

static hc_status check_coding(const struct ifd *d, struct hc_err *err)
{
    // none, LZW, JPEG, deflate (old and new code), PackBits, Zstandard
    static const unsigned ok[] = {1, 5, 7, 8, 32946, 32773, 50000};
    bool found = false;
    for (size_t i = 0; i < sizeof ok / sizeof *ok; i++) {
        found |= d->compression == ok[i];
    }
    if (!found) {
        return hc_err_set(
            err, HC_EUNSUPPORTED, "image",
            "its compression (TIFF code %llu) is not taken; save it uncompressed, LZW or "
            "deflate",
            (unsigned long long)d->compression);
    }
    if (d->bits_differ || !((d->format == 1 && (d->bits == 8 || d->bits == 16)) ||
                            (d->format == 3 && d->bits == 32))) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "its numbers are %llu-bit%s; 8-bit, 16-bit and 32-bit float are taken",
                          (unsigned long long)d->bits,
                          d->format == 3   ? " float"
                          : d->format == 2 ? " signed"
                          : d->format > 3  ? " of an unknown kind"
                                           : "");
    }
    return HC_OK;
}

static hc_status check_size(struct hc_sniff *out, uint64_t w, uint64_t h, struct hc_err *err)
{
    if (w == 0 || h == 0) {
        return damaged(err, "it says it is 0 pixels wide or high");
    }
    if (w > HC_IMAGE_MAX_SIDE || h > HC_IMAGE_MAX_SIDE || w * h > HC_IMAGE_MAX_PX) {
        return hc_err_set(
            err, HC_ELIMIT, "image",
            "it says it is %llu x %llu px; the ceiling is %d px a side and %lld million px",
            (unsigned long long)w, (unsigned long long)h, HC_IMAGE_MAX_SIDE,
            HC_IMAGE_MAX_PX / 1000000);
    }
    out->w = (int)w;
    out->h = (int)h;
    return HC_OK;
}

static hc_status sniff_tiff(struct hc_sniff *out, struct hc_ifd_file *f, const uint8_t *b,
                            struct hc_err *err)
{
    struct ifd d, other;
    uint64_t at;
    bool is_mosaic;
    hc_status st;
    if (!hc_ifd_open(f, &at)) {
        return damaged(err, "its TIFF header is broken");
    }
    if (!f->is_big && b[8] == 'C' && b[9] == 'R' && b[10] == 2) {
        return is_camera_raw(out, "cr2");
    }
    if (!f->is_big && (memcmp(b + 8, "IIII", 4) == 0 || memcmp(b + 8, "MMMM", 4) == 0)) {
        return is_camera_raw(out, "iiq");
    }
    if (!read_ifd(f, at, &d)) {
        return damaged(err, "its TIFF directory is missing or broken");
    }
    // A raw mosaic may sit in a later page or a sub-directory behind a harmless preview.
    is_mosaic = is_raw(&d);
    for (int i = 0; i < d.n_subifd && !is_mosaic; i++) {
        is_mosaic = read_ifd(f, d.subifd[i], &other) && is_raw(&other);
    }
    other = d;
    for (out->pages = 1; other.next && out->pages < MAX_PAGES && !is_mosaic; out->pages++) {
        if (!read_ifd(f, other.next, &other)) {
            break;
        }
        is_mosaic = is_raw(&other);
    }
    if (is_mosaic) {
        out->pages = 1;
        return is_camera_raw(out, d.is_dng ? "dng" : raw_kind(&d));
    }
    st = check_size(out, d.w, d.h, err);
    st = st == HC_OK ? check_colour(&d, err) : st;
    st = st == HC_OK ? check_coding(&d, err) : st;
    st = st == HC_OK ? check_strips(f, &d, err) : st;
    out->bands = (int)d.samples;
    out->bits = (int)d.bits;
    out->is_float = d.format == 3;
    return st;
}

// ---- PNG ---------------------------------------------------------------------------------------
static hc_status sniff_png(struct hc_sniff *out, struct hc_ifd_file *f, struct hc_err *err)
{
    uint8_t b[33];
    uint64_t at = 8;
    hc_status st;
    if (!hc_ifd_get(f, 0, b, sizeof b) || memcmp(b + 12, "IHDR", 4) != 0) {
        return damaged(err, "its PNG header is missing");
    }
    st = check_size(out, be32(b + 16), be32(b + 20), err);
    if (st != HC_OK) {
        return st;
    }
    out->bits = b[24];
    out->bands = b[25] == 2 ? 3 : 1;
    for (;;) { // chunks before the pixels
        uint8_t c[12];
        uint32_t n;
        if (!hc_ifd_get(f, at, c, sizeof c)) {
            return damaged(err, "it ends before the pixels");
        }
        n = be32(c);
        if (memcmp(c + 4, "IDAT", 4) == 0) {
            break;
        }
        if (memcmp(c + 4, "tRNS", 4) == 0) {
            b[25] |= 4;
        }
        out->is_srgb_declared |= memcmp(c + 4, "sRGB", 4) == 0;
        if (memcmp(c + 4, "gAMA", 4) == 0) {
            out->png_gamma = (int)(be32(c + 8) & 0x7fffffff);
        }
        if (memcmp(c + 4, "eXIf", 4) == 0) {
            out->exif_at = at + 8;
            out->exif_bytes = n;
        }
        at += 12 + (uint64_t)n;
    }
    if (b[25] == 4 || b[25] == 6 || b[25] == 7) {
        return hc_err_set(
            err, HC_EUNSUPPORTED, "image",
            "it carries an alpha (transparency) channel; flatten it and save it without");
    }
    if ((b[25] != 0 && b[25] != 2) || (out->bits != 8 && out->bits != 16)) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "it is a palette or %d-bit PNG; save it as 8- or 16-bit RGB or grey",
                          out->bits);
    }
    return HC_OK;
}

// ---- JPEG --------------------------------------------------------------------------------------
static hc_status sniff_jpeg(struct hc_sniff *out, struct hc_ifd_file *f, struct hc_err *err)
{
    uint64_t at = 2;
    uint8_t b[10];
    for (int i = 0; i < 2000 && hc_ifd_get(f, at, b, 4); i++) {
        if (b[0] != 0xff || b[1] == 0xd9 || b[1] == 0xda) {
            break;
        }
        if (b[1] == 0xff) { // fill byte
            at++;
            continue;
        }
        if (b[1] >= 0xc0 && b[1] <= 0xcf && b[1] != 0xc4 && b[1] != 0xc8 && b[1] != 0xcc) {
            hc_status st;
            if (!hc_ifd_get(f, at, b, 10)) {
                break;
            }
            if (b[1] > 0xc2 || b[4] != 8) {
                return hc_err_set(
                    err, HC_EUNSUPPORTED, "image",
                    "it is a lossless, arithmetic or %d-bit JPEG; save it as an ordinary "
                    "8-bit JPEG or a TIFF",
                    b[4]);
            }
            if (b[9] == 4) {
                return hc_err_set(
                    err, HC_EUNSUPPORTED, "image",
                    "it is a CMYK picture; convert it to RGB from the camera original");
            }
            if (b[9] != 1 && b[9] != 3) {
                return hc_err_set(err, HC_EUNSUPPORTED, "image",
                                  "it has %d channels; 1 (grey) or 3 (RGB) are taken", b[9]);
            }
            st = check_size(out, (uint64_t)b[7] << 8 | b[8], (uint64_t)b[5] << 8 | b[6], err);
            out->bands = b[9];
            out->bits = 8;
            return st;
        }
        if (b[1] == 0xe1 && hc_ifd_get(f, at, b, 10) && memcmp(b + 4, "Exif\0", 6) == 0) {
            out->exif_at = at + 10;
            out->exif_bytes = ((uint64_t)b[2] << 8 | b[3]) - 8;
        }
        at += 2 + ((uint64_t)b[2] << 8 | b[3]);
    }
    return damaged(err, "its JPEG header does not reach the pixels");
}

// ---- which? ------------------------------------------------------------------------------------

// Files people do hand in, told by name. Magic numbers from the formats' own specifications (the
// camera raw ones from memory: their makers publish none).
static hc_status foreign(struct hc_sniff *out, const uint8_t *b, struct hc_err *err)
{
    static const struct {
        int at;
        const char *magic, *name;
    } known[] = {{0, "GIF8", "a GIF picture"},
                 {0, "BM", "a BMP picture"},
                 {0, "%PDF", "a PDF document"},
                 {0, "8BPS", "a layered Photoshop document"},
                 {8, "WEBP", "a WebP picture"},
                 {4, "jP  ", "a JPEG 2000 picture"},
                 {4, "ftyphei", "a HEIC picture"},
                 {4, "ftypmif1", "a HEIC picture"},
                 {4, "ftypavif", "an AVIF picture"},
                 {4, "JXL ", "a JPEG XL picture"},
                 {0, "PK\x03\x04", "a zip archive or office document"},
                 {0, "v/1\x01", "an OpenEXR picture"},
                 {0, "<svg", "an SVG drawing"}};
    static const struct {
        int at;
        const char *magic, *kind;
    } raw[] = {{0, "FUJIFILMCCD-RAW", "raf"},
               {4, "ftypcrx ", "cr3"},
               {0, "IIRO", "orf"},
               {0, "IIRS", "orf"},
               {0, "MMOR", "orf"},
               {1, "MRM", "mrw"}};
    for (size_t i = 0; i < sizeof raw / sizeof *raw; i++) {
        if (memcmp(b + raw[i].at, raw[i].magic, strlen(raw[i].magic)) == 0) {
            return is_camera_raw(out, raw[i].kind);
        }
    }
    if (memcmp(b, "IIU\0", 4) == 0) {
        return is_camera_raw(out, "rw2");
    }
    if (memcmp(b, "FOVb", 4) == 0) {
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "it is a raw file of a camera with layered sensors, which is not taken; "
                          "develop it to a 16-bit TIFF (linear or sRGB, profile embedded) and add "
                          "that");
    }
    for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
        if (memcmp(b + known[i].at, known[i].magic, strlen(known[i].magic)) == 0) {
            return hc_err_set(err, HC_EUNSUPPORTED, "image",
                              "it is %s; TIFF, PNG, JPEG and camera raw are taken", known[i].name);
        }
    }
    return hc_err_set(err, HC_EUNSUPPORTED, "image",
                      "it is neither a TIFF, a PNG, a JPEG nor a camera raw file (told by its "
                      "first bytes, not its "
                      "name)");
}

hc_status hc_sniff_fd(struct hc_sniff *out, int fd, off_t size, struct hc_err *err)
{
    struct hc_ifd_file f = {.fd = fd, .size = size > 0 ? (uint64_t)size : 0};
    uint8_t b[32] = {0};
    *out = (struct hc_sniff){.pages = 1};
    if (f.size == 0) {
        return hc_err_set(err, HC_EDATA, "image", "it is empty (0 bytes); copy it again");
    }
    if (!hc_ifd_get(&f, 0, b, f.size < sizeof b ? (size_t)f.size : sizeof b)) {
        return hc_err_set(err, HC_EIO, "image", "its first bytes could not be read");
    }
    if (memcmp(b, "II*\0", 4) == 0 || memcmp(b, "MM\0*", 4) == 0 ||
        memcmp(b, "II+\0\x08\0\0\0", 8) == 0 || memcmp(b, "MM\0+\0\x08\0\0", 8) == 0) {
        out->kind = HC_SNIFF_TIFF;
        out->exif_bytes = f.size;
        return sniff_tiff(out, &f, b, err);
    }
    if (memcmp(b, "\x89PNG\r\n\x1a\n", 8) == 0) {
        out->kind = HC_SNIFF_PNG;
        return sniff_png(out, &f, err);
    }
    if (b[0] == 0xff && b[1] == 0xd8 && b[2] == 0xff) {
        out->kind = HC_SNIFF_JPEG;
        return sniff_jpeg(out, &f, err);
    }
    return foreign(out, b, err);
}
