// The decoder process: reads one picture from a file it was given open, and sends rows of linear
// light up a pipe. It can do nothing else (image_sandbox.c). Nothing it says is trusted above.
#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <vips/vips.h>

#include "base/mem.h"
#include "image/image_priv.h"

// ---- frames up the pipe ------------------------------------------------------------------------
static void put(const void *p, size_t n)
{
    const char *at = p;
    while (n > 0) {
        ssize_t k = write(HC_CHILD_FD_OUT, at, n);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k <= 0) {
            _exit(1); // the parent is gone
        }
        at += k;
        n -= (size_t)k;
    }
}

static void send_frame(enum hc_frame_kind kind, const void *p, size_t n)
{
    struct hc_frame f = {kind, (uint32_t)n};
    put(&f, sizeof f);
    put(p, n);
}

static void send_error(hc_status st, const char *what)
{
    struct hc_frame_error e = {.status = st};
    snprintf(e.what, sizeof e.what, "%s", what);
    send_frame(HC_FRAME_ERROR, &e, sizeof e);
}

// GLib ends the process when it gets no memory; say so first.
static void on_log(const char *domain, GLogLevelFlags level, const char *text, void *ctx)
{
    (void)domain;
    (void)ctx;
    if ((level & G_LOG_LEVEL_ERROR) && text && strstr(text, "allocate")) {
        send_error(HC_ELIMIT,
                   "reading it needs more memory than the decoder may use; save it without "
                   "interlacing or progressive coding, or smaller");
        _exit(1);
    }
}

// ---- opening -----------------------------------------------------------------------------------
static hc_status vips_failed(struct hc_err *err)
{
    char text[200];
    const char *v = vips_error_buffer();
    snprintf(text, sizeof text, "%.199s", v);
    text[strcspn(text, "\n")] = 0;
    if (strstr(v, "out of memory") || strstr(v, "Insufficient memory")) {
        return hc_err_set(err, HC_ELIMIT, "image",
                          "reading it needs more memory than the decoder may use; save it without "
                          "interlacing or progressive coding, or smaller");
    }
    return hc_err_set(err, HC_EDATA, "image", "it is damaged or cut short (%s); copy it again",
                      text);
}

static VipsImage *open_image(VipsSource *src, const struct hc_sniff *s)
{
    VipsImage *im = NULL;
    int rc;
    switch (s->kind) {
    case HC_SNIFF_TIFF:
        rc = vips_tiffload_source(src, &im, "access", VIPS_ACCESS_SEQUENTIAL, "fail_on",
                                  VIPS_FAIL_ON_ERROR, NULL);
        break;
    case HC_SNIFF_PNG:
        rc = vips_pngload_source(src, &im, "access", VIPS_ACCESS_SEQUENTIAL, "fail_on",
                                 VIPS_FAIL_ON_ERROR, NULL);
        break;
    default:
        // A damaged JPEG only warns; grey bands of nonsense must not pass for paint.
        rc = vips_jpegload_source(src, &im, "access", VIPS_ACCESS_SEQUENTIAL, "fail_on",
                                  VIPS_FAIL_ON_WARNING, NULL);
        break;
    }
    return rc == 0 ? im : NULL;
}

// The library must see the same picture as we did.
static hc_status check_same(VipsImage *im, const struct hc_sniff *s, struct hc_err *err)
{
    VipsBandFormat want = s->is_float    ? VIPS_FORMAT_FLOAT
                          : s->bits == 8 ? VIPS_FORMAT_UCHAR
                                         : VIPS_FORMAT_USHORT;
    if (im->Xsize != s->w || im->Ysize != s->h || im->Bands != s->bands || im->BandFmt != want ||
        im->Coding != VIPS_CODING_NONE) {
        return hc_err_set(
            err, HC_EDATA, "image",
            "its header contradicts itself (%d x %d px, %d channels; read as %d x %d px, %d "
            "channels); save it again",
            s->w, s->h, s->bands, im->Xsize, im->Ysize, im->Bands);
    }
    return HC_OK;
}

static void note(struct hc_image_info *info, const char *text)
{
    size_t n = strlen(info->note);
    snprintf(info->note + n, sizeof info->note - n, "%s%s", n ? " " : "", text);
}

static const char *exif_text(VipsImage *im, const char *key)
{
    const char *text = NULL;
    return vips_image_get_typeof(im, key) && vips_image_get_string(im, key, &text) == 0 && text
               ? text
               : "";
}

// A picture being read.
struct reading {
    struct hc_sniff sniff;
    VipsImage *im;      // NULL for a raw file
    struct hc_raw *raw; // NULL for all others
    const uint16_t *raw_px;
    int orientation; // EXIF 1..8
    struct hc_icc *icc;
    struct hc_image_info info;
};

static hc_status fill_info(struct reading *r, struct hc_err *err)
{
    static const char *const format[] = {"tiff", "png", "jpeg"};
    struct hc_icc_source src = {.bands = r->sniff.bands,
                                .bits = r->sniff.bits,
                                .is_float = r->sniff.is_float,
                                .is_srgb_declared = r->sniff.is_srgb_declared};
    struct hc_image_info *info = &r->info;
    char text[120];
    hc_status st;
    snprintf(info->format, sizeof info->format, "%s", format[r->sniff.kind]);
    hc_exif_read(info, HC_CHILD_FD_IN, r->sniff.exif_at, r->sniff.exif_bytes);
    r->orientation = 1;
    if (vips_image_get_typeof(r->im, VIPS_META_ORIENTATION)) {
        hc_ignore(vips_image_get_int(r->im, VIPS_META_ORIENTATION, &r->orientation) == 0
                      ? HC_OK
                      : HC_EDATA);
    }
    if (r->orientation < 1 || r->orientation > 8) {
        r->orientation = 1;
    }
    // libvips gives pixels per mm and 1.0 when the file is silent.
    info->dpi = r->im->Xres > 0 && r->im->Xres < 1e4 && r->im->Xres != 1.0 ? r->im->Xres * 25.4 : 0;
    if (vips_image_get_typeof(r->im, VIPS_META_ICC_NAME)) {
        size_t n = 0;
        if (vips_image_get_blob(r->im, VIPS_META_ICC_NAME, &src.profile, &n) == 0) {
            src.profile_bytes = n;
        }
    }
    // EXIF 2.3: ColorSpace 1 = sRGB.
    src.is_srgb_declared |= exif_text(r->im, "exif-ifd2-ColorSpace")[0] == '1';
    st = hc_icc_create(&r->icc, &src, info, err);
    if (st != HC_OK) {
        return st;
    }
    if (!src.profile &&
        strncmp(exif_text(r->im, "exif-ifd4-InteroperabilityIndex"), "R03", 3) == 0) {
        note(info,
             "The camera marked it Adobe RGB but embedded no profile: save it with its profile.");
    }
    if (r->sniff.pages > 1) {
        snprintf(text, sizeof text, "It holds %d pages; the first is used.", r->sniff.pages);
        note(info, text);
    }
    return HC_OK;
}

static hc_status fill_raw_info(struct reading *r, struct hc_err *err)
{
    snprintf(r->info.format, sizeof r->info.format, "%s", r->sniff.raw_kind);
    hc_raw_info(r->raw, &r->info, &r->sniff.w, &r->sniff.h, &r->orientation);
    return hc_icc_create_linear16(&r->icc, hc_raw_matrix(r->raw), err);
}

static void fill_shape(struct reading *r)
{
    struct hc_image_info *info = &r->info;
    info->bands = r->sniff.bands;
    info->bits = r->sniff.bits;
    info->is_float = r->sniff.is_float;
    info->w = r->orientation >= 5 ? r->sniff.h : r->sniff.w;
    info->h = r->orientation >= 5 ? r->sniff.w : r->sniff.h;
    if (r->orientation != 1) {
        note(info, "Turned upright as its orientation mark says.");
    }
}

static size_t pixel_bytes(const struct hc_sniff *s)
{
    return (size_t)s->bands * (size_t)s->bits / 8;
}

static hc_status check_turn(const struct reading *r, struct hc_err *err)
{
    size_t bytes = pixel_bytes(&r->sniff) * (size_t)r->sniff.w * (size_t)r->sniff.h;
    if (r->im && r->orientation != 1 && bytes > HC_TURN_MAX_BYTES) {
        return hc_err_set(
            err, HC_ELIMIT, "image",
            "its orientation mark asks for a turn, and at %zu MiB it is too large to turn "
            "(ceiling %u MiB); turn it in an image editor and save it upright",
            bytes >> 20, HC_TURN_MAX_BYTES >> 20);
    }
    return HC_OK;
}

// ---- rows --------------------------------------------------------------------------------------

// Converts rows and sends them in frames of about HC_CHILD_CHUNK bytes.
struct sender {
    const struct reading *r;
    char *buf; // frame head, then rows
    int rows, room;
    struct hc_icc_count count;
};

static hc_status sender_init(struct sender *s, const struct reading *r, struct hc_err *err)
{
    size_t line = (size_t)r->info.w * (size_t)r->info.bands * sizeof(float);
    *s = (struct sender){.r = r};
    s->room = line > HC_CHILD_CHUNK ? 1 : (int)(HC_CHILD_CHUNK / line);
    s->buf = hc_mem_alloc(sizeof(struct hc_frame) + line * (size_t)s->room);
    return s->buf ? HC_OK : hc_err_set(err, HC_ENOMEM, "image", "out of memory for rows");
}

static void sender_flush(struct sender *s)
{
    size_t n = (size_t)s->r->info.w * (size_t)s->r->info.bands * sizeof(float) * (size_t)s->rows;
    struct hc_frame f = {HC_FRAME_ROWS, (uint32_t)n};
    if (s->rows > 0) {
        memcpy(s->buf, &f, sizeof f);
        put(s->buf, sizeof f + n);
        s->rows = 0;
    }
}

static void sender_row(struct sender *s, const void *px)
{
    size_t w = (size_t)s->r->info.w, bands = (size_t)s->r->info.bands;
    float *at = (float *)(void *)(s->buf + sizeof(struct hc_frame)) + (size_t)s->rows * w * bands;
    float *out[3] = {at, at + (bands > 1 ? w : 0), at + (bands > 1 ? 2 * w : 0)};
    hc_icc_row(s->r->icc, out, px, w, &s->count);
    if (++s->rows == s->room) {
        sender_flush(s);
    }
}

typedef void (*row_fn)(void *ctx, int y, const void *px);

// Every row of the file in order.
static hc_status each_row(const struct reading *r, row_fn fn, void *ctx, struct hc_err *err)
{
    VipsRegion *reg;
    hc_status st = HC_OK;
    int h = r->sniff.h, step = 32;
    for (int y = 0; y < h && r->raw; y++) {
        fn(ctx, y, r->raw_px + 3 * (size_t)r->sniff.w * (size_t)y);
    }
    if (r->raw) {
        return HC_OK;
    }
    reg = vips_region_new(r->im);
    for (int y = 0; y < h && st == HC_OK; y += step) {
        VipsRect at = {0, y, r->sniff.w, h - y < step ? h - y : step};
        if (vips_region_prepare(reg, &at) != 0) {
            st = vips_failed(err);
        }
        for (int i = 0; i < at.height && st == HC_OK; i++) {
            // VIPS_REGION_ADDR mixes signs; this is what it does.
            fn(ctx, y + i,
               reg->data + (ptrdiff_t)(y + i - reg->valid.top) * reg->bpl -
                   (ptrdiff_t)reg->valid.left * (ptrdiff_t)pixel_bytes(&r->sniff));
        }
    }
    g_object_unref(reg);
    return st;
}

static void row_to_sender(void *ctx, int y, const void *px)
{
    (void)y;
    sender_row(ctx, px);
}

struct store {
    char *px;
    size_t line;
};

static void row_to_store(void *ctx, int y, const void *px)
{
    const struct store *s = ctx;
    memcpy(s->px + s->line * (size_t)y, px, s->line);
}

// The file pixel shown at x, y of the upright picture, for the eight EXIF orientations
// (EXIF 2.3, tag 274: where the 0th row and 0th column of the file lie).
static void upright(int orientation, int w, int h, int x, int y, int *fx, int *fy)
{
    int u = orientation >= 5 ? y : x, v = orientation >= 5 ? x : y;
    bool flip_u = orientation == 2 || orientation == 3 || orientation == 7 || orientation == 8;
    bool flip_v = orientation == 3 || orientation == 4 || orientation == 6 || orientation == 7;
    *fx = flip_u ? w - 1 - u : u;
    *fy = flip_v ? h - 1 - v : v;
}

static hc_status send_turned(const struct reading *r, struct sender *out, struct hc_err *err)
{
    size_t px = pixel_bytes(&r->sniff);
    struct store s = {.line = px * (size_t)r->sniff.w};
    char *row = hc_mem_alloc(px * (size_t)r->info.w);
    const char *from = (const char *)r->raw_px; // a raw file lies in memory already
    hc_status st = row ? HC_OK : HC_ENOMEM;
    if (st == HC_OK && !from) {
        from = s.px = hc_mem_alloc(s.line * (size_t)r->sniff.h);
        st = from ? each_row(r, row_to_store, &s, err) : HC_ENOMEM;
    }
    if (st == HC_ENOMEM) {
        hc_ignore(hc_err_set(err, st, "image", "out of memory to turn it upright"));
    }
    for (int y = 0; y < r->info.h && st == HC_OK; y++) {
        for (int x = 0; x < r->info.w; x++) {
            int fx, fy;
            upright(r->orientation, r->sniff.w, r->sniff.h, x, y, &fx, &fy);
            memcpy(row + px * (size_t)x, from + s.line * (size_t)fy + px * (size_t)fx, px);
        }
        sender_row(out, row);
    }
    hc_mem_free(s.px);
    hc_mem_free(row);
    return st;
}

static hc_status send_rows(const struct reading *r, struct hc_err *err)
{
    struct sender s;
    hc_status st = sender_init(&s, r, err);
    if (st == HC_OK) {
        st = r->orientation == 1 ? each_row(r, row_to_sender, &s, err) : send_turned(r, &s, err);
    }
    if (st == HC_OK) {
        struct hc_frame_done done = {s.count};
        sender_flush(&s);
        send_frame(HC_FRAME_DONE, &done, sizeof done);
    }
    hc_mem_free(s.buf);
    return st;
}

// ---- the process -------------------------------------------------------------------------------
static hc_status open_reading(struct reading *r, VipsSource *src, off_t size, struct hc_err *err)
{
    hc_status st = hc_sniff_fd(&r->sniff, HC_CHILD_FD_IN, size, err);
    if (st == HC_OK && r->sniff.kind == HC_SNIFF_RAW) {
        st = hc_raw_open(&r->raw, HC_CHILD_FD_IN, size, err);
        return st == HC_OK ? fill_raw_info(r, err) : st;
    }
    if (st == HC_OK) {
        r->im = open_image(src, &r->sniff);
        st = r->im ? check_same(r->im, &r->sniff, err) : vips_failed(err);
    }
    return st == HC_OK ? fill_info(r, err) : st;
}

static hc_status read_picture(VipsSource *src, bool is_header_only, struct hc_err *err)
{
    struct reading r = {0};
    struct stat file;
    hc_status st = fstat(HC_CHILD_FD_IN, &file) == 0
                       ? open_reading(&r, src, file.st_size, err)
                       : hc_err_set(err, HC_EIO, "image", "the open file was lost");
    if (st == HC_OK) {
        fill_shape(&r);
        st = check_turn(&r, err);
    }
    if (st == HC_OK && r.raw && !is_header_only) {
        st = hc_raw_develop(r.raw, &r.raw_px, err);
    }
    if (st == HC_OK) {
        send_frame(HC_FRAME_INFO, &r.info, sizeof r.info);
        if (!is_header_only) {
            st = send_rows(&r, err);
        } else {
            struct hc_frame_done done = {{0}};
            send_frame(HC_FRAME_DONE, &done, sizeof done);
        }
    }
    return st; // the process ends next; the system takes everything back
}

int hc_image_child_main(int argc, char **argv)
{
    struct hc_err err = {0};
    struct hc_child_limits lim = {0};
    VipsSource *src;
    hc_status st;
    if (argc < 2 || strcmp(argv[1], HC_CHILD_FLAG) != 0) {
        return -1;
    }
    if (argc != 5) {
        _exit(2);
    }
    lim.cpu_s = atoi(argv[3]);
    lim.mem_mib = atoi(argv[4]);
    g_log_set_default_handler(on_log, NULL);
    st = hc_sandbox_limits(&lim, &err);
    if (st == HC_OK && vips_init(argv[0]) != 0) {
        st = hc_err_set(&err, HC_EIO, "image", "the image library did not start");
    }
    if (st == HC_OK) {
        vips_block_untrusted_set(TRUE);
        vips_cache_set_max(0);
        vips_concurrency_set(1);
        src = vips_source_new_from_descriptor(HC_CHILD_FD_IN);
        st = src ? hc_sandbox_lock(&err)
                 : hc_err_set(&err, HC_EIO, "image", "the open file was lost");
        st = st == HC_OK ? read_picture(src, strcmp(argv[2], "header") == 0, &err) : st;
    }
    if (st != HC_OK) {
        send_error(st, err.what);
    }
    _exit(st == HC_OK ? 0 : 1);
}
