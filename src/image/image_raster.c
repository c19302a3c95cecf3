// The working raster: a header block, then rows of numbers, planar within a row.
//
// Layout (little endian): 8 bytes magic, int32 width, height, bands, cells (enum hc_raster_cells),
// zeros up to byte 4096, then height x bands x width numbers. The file is private and recomputable;
// its size is checked on open.
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "image/image_priv.h"

#define MAGIC "hcrast\x01\n"
#define DATA_AT 4096
#define WRITE_BUF ((size_t)4 << 20)
#define PIECE 4096 // numbers turned into floats at a time

#if __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "rasters and tile packs are little endian"
#endif

struct head {
    char magic[8];
    int32_t w, h, bands, cells;
};

struct hc_raster {
    int fd, w, h, bands;
    enum hc_raster_cells cells;
    char path[HC_IMAGE_PATH];
};

struct hc_raster_writer {
    struct hc_outfile file;
    int w, h, bands, next; // next row
    enum hc_raster_cells cells;
    struct hc_tap tap;
    char *block, *buf; // buf: block from a page's beginning on
    size_t used, room;
};

static size_t cell_bytes(enum hc_raster_cells cells)
{
    return cells == HC_CELLS_FLOAT ? sizeof(float) : cells == HC_CELLS_HALF ? sizeof(uint16_t) : 1;
}

static size_t row_bytes(int w, int bands, enum hc_raster_cells cells)
{
    return (size_t)w * (size_t)bands * cell_bytes(cells);
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
        (head.bands != 1 && head.bands != 3) || head.cells < HC_CELLS_FLOAT ||
        head.cells > HC_CELLS_CODE8 ||
        size != DATA_AT + (off_t)row_bytes(head.w, head.bands, (enum hc_raster_cells)head.cells) *
                              head.h) {
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
    r->cells = (enum hc_raster_cells)head.cells;
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

// n numbers that lie at `at` in the file.
static bool read_cells(const struct hc_raster *r, float *out, int n, off_t at)
{
    union {
        uint16_t half[PIECE];
        uint8_t code[PIECE];
    } in;
    size_t cell = cell_bytes(r->cells);
    if (r->cells == HC_CELLS_FLOAT) {
        return hc_infile_read_at(r->fd, out, (size_t)n * cell, at);
    }
    for (int x = 0; x < n; x += PIECE) {
        size_t k = n - x < PIECE ? (size_t)(n - x) : PIECE;
        if (!hc_infile_read_at(r->fd, &in, k * cell, at + (off_t)x * (off_t)cell)) {
            return false;
        }
        if (r->cells == HC_CELLS_HALF) {
            hc_half_to(out + x, in.half, k);
            continue;
        }
        for (size_t i = 0; i < k; i++) {
            out[(size_t)x + i] = (float)in.code[i];
        }
    }
    return true;
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
    if (r->bands == 1 && r->cells == HC_CELLS_FLOAT && out->w == r->w && out->stride == out->w) {
        size_t row = row_bytes(r->w, 1, r->cells);
        if (hc_infile_read_at(r->fd, out->px, row * (size_t)out->h, DATA_AT + (off_t)row * y0)) {
            return HC_OK;
        }
        return hc_err_set(err, HC_EIO, "image", "%s could not be read at row %d.", r->path, y0);
    }
    for (int y = 0; y < out->h; y++) {
        off_t at = DATA_AT + (off_t)row_bytes(r->w, r->bands, r->cells) * (y0 + y) +
                   ((off_t)band * r->w + x0) * (off_t)cell_bytes(r->cells);
        if (!read_cells(r, hc_plane_row(out, y), out->w, at)) {
            return hc_err_set(err, HC_EIO, "image", "%s could not be read at row %d.", r->path,
                              y0 + y);
        }
    }
    return HC_OK;
}

// ---- writing -----------------------------------------------------------------------------------
static hc_status writer_open(struct hc_raster_writer *wr, const char *path, bool is_direct,
                             struct hc_err *err)
{
    struct head head = {.w = wr->w, .h = wr->h, .bands = wr->bands, .cells = (int)wr->cells};
    hc_status st;
    wr->room = row_bytes(wr->w, wr->bands, wr->cells) + WRITE_BUF;
    wr->room -= wr->room % HC_OUTFILE_PAGE;
    wr->block = hc_mem_alloc(wr->room + HC_OUTFILE_PAGE);
    if (!wr->block) {
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while creating %s.", path);
    }
    wr->buf = wr->block + (HC_OUTFILE_PAGE - (uintptr_t)wr->block % HC_OUTFILE_PAGE);
    st = hc_outfile_open(&wr->file, path, err);
    if (st == HC_OK && is_direct) {
        hc_outfile_direct(&wr->file);
    }
    memcpy(head.magic, MAGIC, sizeof head.magic);
    memset(wr->buf, 0, DATA_AT);
    memcpy(wr->buf, &head, sizeof head);
    wr->used = DATA_AT;
    return st;
}

hc_status hc_raster_create_as(struct hc_raster_writer **out, const char *path, int w, int h,
                              int bands, enum hc_raster_cells cells, bool is_direct,
                              struct hc_tap tap, struct hc_err *err)
{
    struct hc_raster_writer *wr;
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
    *wr = (struct hc_raster_writer){
        .file = {.fd = -1}, .w = w, .h = h, .bands = bands, .cells = cells, .tap = tap};
    st = writer_open(wr, path, is_direct, err);
    if (st != HC_OK) {
        hc_raster_abandon(wr);
        return st;
    }
    *out = wr;
    return HC_OK;
}

hc_status hc_raster_create(struct hc_raster_writer **out, const char *path, int w, int h, int bands,
                           struct hc_err *err)
{
    return hc_raster_create_as(out, path, w, h, bands, HC_CELLS_FLOAT, false, (struct hc_tap){0},
                               err);
}

// The first n bytes of the buffer leave it.
static hc_status drain(struct hc_raster_writer *w, size_t n, struct hc_err *err)
{
    hc_status st = n ? hc_outfile_write(&w->file, w->buf, n, err) : HC_OK;
    if (n && w->tap.see) {
        w->tap.see(w->tap.ctx, w->buf, n);
    }
    w->used -= n;
    memmove(w->buf, w->buf + n, w->used);
    return st;
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

static void put_cells(const struct hc_raster_writer *w, char *to, const float *row)
{
    size_t n = (size_t)w->w;
    if (w->cells == HC_CELLS_FLOAT) {
        memcpy(to, row, n * sizeof *row);
    } else if (w->cells == HC_CELLS_HALF) {
        hc_half_from((uint16_t *)(void *)to, row, n);
    } else {
        for (size_t i = 0; i < n; i++) {
            float v = row[i] > 0 ? row[i] < 255 ? row[i] : 255 : 0;
            ((uint8_t *)to)[i] = (uint8_t)(v + 0.5f);
        }
    }
}

hc_status hc_raster_append(struct hc_raster_writer *w, const struct hc_plane *rows,
                           struct hc_err *err)
{
    size_t line = row_bytes(w->w, 1, w->cells);
    hc_status st = check_room(w, rows[0].h, err);
    for (int c = 0; c < w->bands && st == HC_OK; c++) {
        if (rows[c].w != w->w || rows[c].h != rows[0].h) {
            st = hc_err_set(err, HC_ERANGE, "image", "Band %d is %d x %d px; %d x %d expected.", c,
                            rows[c].w, rows[c].h, w->w, rows[0].h);
        }
    }
    for (int y = 0; st == HC_OK && y < rows[0].h; y++) {
        if (w->used + line * (size_t)w->bands > w->room) {
            st = drain(w, w->used - w->used % HC_OUTFILE_PAGE, err);
        }
        for (int c = 0; c < w->bands && st == HC_OK; c++) {
            put_cells(w, w->buf + w->used, hc_plane_row(&rows[c], y));
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
    size_t bytes = row_bytes(w->w, w->bands, HC_CELLS_FLOAT) * (size_t)n;
    hc_status st = check_room(w, n, err);
    st = st == HC_OK ? drain(w, w->used, err) : st;
    st = st == HC_OK ? hc_outfile_write(&w->file, rows, bytes, err) : st;
    if (st == HC_OK) {
        w->next += n;
    }
    return st;
}

hc_status hc_raster_finish(struct hc_raster_writer *w, struct hc_err *err)
{
    hc_status st = HC_OK;
    if (w->next != w->h) {
        st =
            hc_err_set(err, HC_ERANGE, "image", "The raster got %d of its %d rows.", w->next, w->h);
    }
    st = st == HC_OK ? drain(w, w->used - w->used % HC_OUTFILE_PAGE, err) : st;
    hc_outfile_indirect(&w->file);
    st = st == HC_OK ? drain(w, w->used, err) : st;
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
        hc_mem_free(w->block);
        hc_mem_free(w);
    }
}

// ---- overview ----------------------------------------------------------------------------------

// One row of
// cells: the mean over k x k source pixels (fewer at the right and lower edge).
static hc_status cell_row(const struct hc_raster *r, int k, int cy, struct hc_plane *band,
                          struct hc_plane *out, double *restrict sum, struct hc_err *err)
{
    int rows = (cy + 1) * k < r->h ? k : r->h - cy * k;
    for (int c = 0; c < r->bands; c++) {
        memset(sum, 0, (size_t)r->w * sizeof *sum);
        for (int y = 0; y < rows; y++) { // down the columns first: a loop without branches
            const float *restrict px = band->px;
            hc_status st = hc_raster_read(r, c, 0, cy * k + y, band, err);
            if (st != HC_OK) {
                return st;
            }
            for (int x = 0; x < r->w; x++) {
                sum[x] += (double)px[x];
            }
        }
        for (int x = 0; x < out[c].w; x++) {
            int x1 = (x + 1) * k < r->w ? (x + 1) * k : r->w;
            double all = 0;
            for (int i = x * k; i < x1; i++) {
                all += sum[i];
            }
            hc_plane_row(&out[c], cy)[x] = (float)(all / ((double)(x1 - x * k) * rows));
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
        sum = hc_mem_array((size_t)r->w, sizeof *sum);
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
