// The working raster: a header block, then rows of floats, planar within a row.
//
// Layout (little endian): 8 bytes magic, int32 width, height, bands, zeros up to byte 4096, then
// height x bands x width floats. The file is private and recomputable; its size is checked on open.
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "image/image_priv.h"

#define MAGIC "hcrast\x01\n"
#define DATA_AT 4096
#define WRITE_BUF (4u << 20)

#if __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "rasters and tile packs are little endian"
#endif

struct head {
    char magic[8];
    int32_t w, h, bands;
};

struct hc_raster {
    int fd, w, h, bands;
    char path[HC_IMAGE_PATH];
};

struct hc_raster_writer {
    struct hc_outfile file;
    int w, h, bands, next; // next row
    char *buf;
    size_t used, room;
};

static size_t row_bytes(int w, int bands)
{
    return (size_t)w * (size_t)bands * sizeof(float);
}

hc_status hc_raster_open(struct hc_raster **out, const char *path, struct hc_err *err)
{
    struct head head;
    struct hc_raster *r;
    off_t size;
    int fd;
    hc_status st = hc_infile_open(&fd, &size, path, err);
    if (st != HC_OK) {
        return st;
    }
    if (size < DATA_AT || !hc_infile_read_at(fd, &head, sizeof head, 0) ||
        memcmp(head.magic, MAGIC, sizeof head.magic) != 0 || head.w < 1 || head.h < 1 ||
        head.w > HC_IMAGE_MAX_SIDE || head.h > HC_IMAGE_MAX_SIDE ||
        (head.bands != 1 && head.bands != 3) ||
        size != DATA_AT + (off_t)row_bytes(head.w, head.bands) * head.h) {
        close(fd);
        return hc_err_set(err, HC_EDATA, "image",
                          "%s is not a complete working raster; delete it, it will be made again.",
                          path);
    }
    r = hc_mem_array(1, sizeof *r);
    if (!r) {
        close(fd);
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while opening %s.", path);
    }
    r->fd = fd;
    r->w = head.w;
    r->h = head.h;
    r->bands = head.bands;
    snprintf(r->path, sizeof r->path, "%s", path);
    *out = r;
    return HC_OK;
}

void hc_raster_close(struct hc_raster *r)
{
    if (r) {
        close(r->fd);
        hc_mem_free(r);
    }
}

int hc_raster_w(const struct hc_raster *r)
{
    return r->w;
}

int hc_raster_h(const struct hc_raster *r)
{
    return r->h;
}

int hc_raster_bands(const struct hc_raster *r)
{
    return r->bands;
}

hc_status hc_raster_read(const struct hc_raster *r, int band, int x0, int y0, struct hc_plane *out,
                         struct hc_err *err)
{
    if (band < 0 || band >= r->bands || x0 < 0 || y0 < 0 || out->w < 1 || out->h < 1 ||
        out->w > r->w - x0 || out->h > r->h - y0) {
        return hc_err_set(
            err, HC_ERANGE, "image",
            "Band %d, %d x %d px at %d, %d asked for; the raster has %d bands of %d x %d "
            "px.",
            band, out->w, out->h, x0, y0, r->bands, r->w, r->h);
    }
    // Whole rows of a one-band raster lie in one piece.
    if (r->bands == 1 && out->w == r->w && out->stride == out->w) {
        if (hc_infile_read_at(r->fd, out->px, row_bytes(r->w, 1) * (size_t)out->h,
                              DATA_AT + (off_t)row_bytes(r->w, 1) * y0)) {
            return HC_OK;
        }
        return hc_err_set(err, HC_EIO, "image", "%s could not be read at row %d.", r->path, y0);
    }
    for (int y = 0; y < out->h; y++) {
        off_t at = DATA_AT + (off_t)row_bytes(r->w, r->bands) * (y0 + y) +
                   ((off_t)band * r->w + x0) * (off_t)sizeof(float);
        if (!hc_infile_read_at(r->fd, hc_plane_row(out, y), row_bytes(out->w, 1), at)) {
            return hc_err_set(err, HC_EIO, "image", "%s could not be read at row %d.", r->path,
                              y0 + y);
        }
    }
    return HC_OK;
}

// ---- writing -----------------------------------------------------------------------------------
hc_status hc_raster_create(struct hc_raster_writer **out, const char *path, int w, int h, int bands,
                           struct hc_err *err)
{
    struct hc_raster_writer *wr;
    char block[DATA_AT] = {0};
    struct head head = {.w = w, .h = h, .bands = bands};
    hc_status st;
    if (w < 1 || h < 1 || w > HC_IMAGE_MAX_SIDE || h > HC_IMAGE_MAX_SIDE ||
        (bands != 1 && bands != 3)) {
        return hc_err_set(
            err, HC_ERANGE, "image",
            "A raster of %d x %d px with %d bands; sides must be 1 to %d, bands 1 or 3.", w, h,
            bands, HC_IMAGE_MAX_SIDE);
    }
    wr = hc_mem_array(1, sizeof *wr);
    if (!wr) {
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while creating %s.", path);
    }
    wr->file.fd = -1;
    wr->w = w;
    wr->h = h;
    wr->bands = bands;
    wr->room = row_bytes(w, bands) > WRITE_BUF ? row_bytes(w, bands) : WRITE_BUF;
    wr->buf = hc_mem_alloc(wr->room);
    st = wr->buf ? hc_outfile_open(&wr->file, path, err)
                 : hc_err_set(err, HC_ENOMEM, "image", "Out of memory while creating %s.", path);
    if (st == HC_OK) {
        memcpy(head.magic, MAGIC, sizeof head.magic);
        memcpy(block, &head, sizeof head);
        st = hc_outfile_write(&wr->file, block, sizeof block, err);
    }
    if (st != HC_OK) {
        hc_raster_abandon(wr);
        return st;
    }
    *out = wr;
    return HC_OK;
}

static hc_status flush(struct hc_raster_writer *w, struct hc_err *err)
{
    size_t n = w->used;
    w->used = 0;
    return n ? hc_outfile_write(&w->file, w->buf, n, err) : HC_OK;
}

static hc_status check_room(const struct hc_raster_writer *w, int rows, struct hc_err *err)
{
    if (rows < 1 || rows > w->h - w->next) {
        return hc_err_set(err, HC_ERANGE, "image",
                          "%d rows appended at row %d of a raster of %d rows.", rows, w->next,
                          w->h);
    }
    return HC_OK;
}

hc_status hc_raster_append(struct hc_raster_writer *w, const struct hc_plane *rows,
                           struct hc_err *err)
{
    size_t line = row_bytes(w->w, 1);
    hc_status st = check_room(w, rows[0].h, err);
    for (int c = 0; c < w->bands && st == HC_OK; c++) {
        if (rows[c].w != w->w || rows[c].h != rows[0].h) {
            st = hc_err_set(err, HC_ERANGE, "image", "Band %d is %d x %d px; %d x %d expected.", c,
                            rows[c].w, rows[c].h, w->w, rows[0].h);
        }
    }
    for (int y = 0; st == HC_OK && y < rows[0].h; y++) {
        if (w->used + line * (size_t)w->bands > w->room) {
            st = flush(w, err);
        }
        for (int c = 0; c < w->bands && st == HC_OK; c++) {
            memcpy(w->buf + w->used, hc_plane_row(&rows[c], y), line);
            w->used += line;
        }
    }
    if (st == HC_OK) {
        w->next += rows[0].h;
    }
    return st;
}

hc_status hc_raster_append_raw(struct hc_raster_writer *w, const float *rows, int n,
                               struct hc_err *err)
{
    hc_status st = check_room(w, n, err);
    st = st == HC_OK ? flush(w, err) : st;
    st = st == HC_OK ? hc_outfile_write(&w->file, rows, row_bytes(w->w, w->bands) * (size_t)n, err)
                     : st;
    if (st == HC_OK) {
        w->next += n;
    }
    return st;
}

hc_status hc_raster_finish(struct hc_raster_writer *w, struct hc_err *err)
{
    hc_status st = flush(w, err);
    if (st == HC_OK && w->next != w->h) {
        st =
            hc_err_set(err, HC_ERANGE, "image", "The raster got %d of its %d rows.", w->next, w->h);
    }
    if (st == HC_OK) {
        st = hc_outfile_commit(&w->file, err);
    }
    hc_raster_abandon(w);
    return st;
}

void hc_raster_abandon(struct hc_raster_writer *w)
{
    if (w) {
        hc_outfile_abandon(&w->file);
        hc_mem_free(w->buf);
        hc_mem_free(w);
    }
}

// ---- overview ----------------------------------------------------------------------------------

// One row of
// cells: the mean over k x k source pixels (fewer at the right and lower edge).
static hc_status cell_row(const struct hc_raster *r, int k, int cy, struct hc_plane *band,
                          struct hc_plane *out, double *sum, struct hc_err *err)
{
    int rows = (cy + 1) * k < r->h ? k : r->h - cy * k;
    for (int c = 0; c < r->bands; c++) {
        memset(sum, 0, (size_t)out[c].w * sizeof *sum);
        for (int y = 0; y < rows; y++) {
            hc_status st = hc_raster_read(r, c, 0, cy * k + y, band, err);
            if (st != HC_OK) {
                return st;
            }
            for (int x = 0; x < out[c].w; x++) {
                int x1 = (x + 1) * k < r->w ? (x + 1) * k : r->w;
                for (int i = x * k; i < x1; i++) {
                    sum[x] += (double)band->px[i];
                }
            }
        }
        for (int x = 0; x < out[c].w; x++) {
            int x1 = (x + 1) * k < r->w ? (x + 1) * k : r->w;
            hc_plane_row(&out[c], cy)[x] = (float)(sum[x] / ((double)(x1 - x * k) * rows));
        }
    }
    return HC_OK;
}

hc_status hc_raster_overview(const struct hc_raster *r, int max_side, struct hc_plane *out_bands,
                             int *factor, struct hc_job *job, struct hc_err *err)
{
    struct hc_plane out[3] = {{0}}, band = {0};
    int side = r->w > r->h ? r->w : r->h, k;
    double *sum = NULL;
    hc_status st;
    if (max_side < 1) {
        return hc_err_set(err, HC_ERANGE, "image", "An overview of %d px; at least 1.", max_side);
    }
    k = (side + max_side - 1) / max_side;
    st = hc_plane_create(&band, r->w, 1, err);
    for (int c = 0; c < r->bands && st == HC_OK; c++) {
        st = hc_plane_create(&out[c], (r->w + k - 1) / k, (r->h + k - 1) / k, err);
    }
    if (st == HC_OK) {
        sum = hc_mem_array((size_t)out[0].w, sizeof *sum);
        st = sum ? HC_OK : hc_err_set(err, HC_ENOMEM, "image", "Out of memory for an overview.");
    }
    for (int y = 0; st == HC_OK && y < out[0].h; y++) {
        st = hc_job_step(job, (double)y / out[0].h, "making the overview", err);
        st = st == HC_OK ? cell_row(r, k, y, &band, out, sum, err) : st;
    }
    for (int c = 0; c < r->bands; c++) {
        if (st == HC_OK) {
            out_bands[c] = out[c];
        } else {
            hc_plane_release(&out[c]);
        }
    }
    if (st == HC_OK) {
        *factor = k;
    }
    hc_mem_free(sum);
    hc_plane_release(&band);
    return st;
}
