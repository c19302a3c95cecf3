// Display tiles: one file holds every level, each tile already encoded; serving one is a read.
//
// Layout (little endian): head, one entry {offset, bytes} per tile (level 0 first, rows, columns),
// then the tiles in the order they were made. All levels are made in one pass over the raster: a
// strip of 256 rows is encoded, halved in linear light, and feeds the strip of the next level.
#include <math.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "image/image_priv.h"

#define MAGIC "hctile\x01\n"
#define TILE 256
#define MAX_LEVELS 16
#define QUALITY 92

struct head {
    char magic[8];
    int32_t w, h, levels, tile, kind, reserved;
};
struct entry {
    uint64_t at;
    uint32_t bytes, reserved;
};

static int tiles_along(int px)
{
    return (px + TILE - 1) / TILE;
}

// Sizes of all levels, smallest first; returns their number.
static int level_sizes(int w, int h, int lw[MAX_LEVELS], int lh[MAX_LEVELS])
{
    int n = 1;
    for (int a = w, b = h; a > TILE || b > TILE; n++) {
        a = (a + 1) / 2;
        b = (b + 1) / 2;
    }
    for (int l = n - 1; l >= 0; l--) {
        lw[l] = w;
        lh[l] = h;
        w = (w + 1) / 2;
        h = (h + 1) / 2;
    }
    return n;
}

// ---- making ------------------------------------------------------------------------------------
struct level {
    int w, h, y0, filled;    // y0: first row of the strip; filled: rows in it
    struct hc_plane band[3]; // w x TILE
    float *above;            // the row over the strip (HEAT)
    size_t first_entry;
};

struct made {
    struct hc_buf bytes;
    hc_status st;
    struct hc_err err;
};

struct maker {
    const struct hc_raster *r;
    enum hc_tiles_kind kind;
    float lo, hi;
    int bands, levels;
    struct level level[MAX_LEVELS];
    struct hc_outfile file;
    uint64_t end; // bytes written so far
    struct entry *entry;
    size_t entries;
    struct made *made; // one per tile of a row
    struct hc_par *par;
    // the strip now in work
    struct level *at;
    hc_status read_st[TILE / HC_BLOCK];
    struct hc_err read_err[TILE / HC_BLOCK];
};

static hc_status maker_init(struct maker *m, struct hc_err *err)
{
    int lw[MAX_LEVELS], lh[MAX_LEVELS];
    int across = tiles_along(hc_raster_w(m->r));
    hc_status st = HC_OK;
    m->bands = hc_raster_bands(m->r);
    m->levels = level_sizes(hc_raster_w(m->r), hc_raster_h(m->r), lw, lh);
    for (int l = 0; l < m->levels && st == HC_OK; l++) {
        struct level *v = &m->level[l];
        v->w = lw[l];
        v->h = lh[l];
        v->first_entry = m->entries;
        m->entries += (size_t)tiles_along(v->w) * (size_t)tiles_along(v->h);
        for (int b = 0; b < m->bands && st == HC_OK; b++) {
            st = hc_plane_create(&v->band[b], v->w, TILE, err);
        }
        if (st == HC_OK && !(v->above = hc_mem_array((size_t)v->w, sizeof(float)))) {
            st = hc_err_set(err, HC_ENOMEM, "image", "Out of memory while making display tiles.");
        }
    }
    m->entry = hc_mem_array(m->entries, sizeof *m->entry);
    m->made = hc_mem_array((size_t)across, sizeof *m->made);
    if (st == HC_OK && (!m->entry || !m->made)) {
        st = hc_err_set(err, HC_ENOMEM, "image", "Out of memory while making display tiles.");
    }
    return st;
}

static void maker_release(struct maker *m)
{
    for (int l = 0; l < m->levels; l++) {
        for (int b = 0; b < m->bands; b++) {
            hc_plane_release(&m->level[l].band[b]);
        }
        hc_mem_free(m->level[l].above);
    }
    for (int i = 0; m->made && i < tiles_along(hc_raster_w(m->r)); i++) {
        hc_buf_release(&m->made[i].bytes);
    }
    hc_mem_free(m->entry);
    hc_mem_free(m->made);
}

static void draw_row(const struct maker *m, const struct level *v, uint8_t *px, int x0, int y,
                     int n)
{
    const float *row[3];
    for (int b = 0; b < m->bands; b++) {
        row[b] = hc_plane_row(&v->band[b], y) + x0;
    }
    switch (m->kind) {
    case HC_TILES_COLOUR:
        hc_colour_srgb8_row(px, row, (size_t)n);
        break;
    case HC_TILES_GREY:
        hc_encode_grey_row(px, row[0], (size_t)n, m->lo, m->hi);
        break;
    case HC_TILES_HATCH:
        hc_overlay_hatch_row(px, row[0], n, x0, v->y0 + y);
        break;
    case HC_TILES_HEAT:
        hc_overlay_heat_row(px, row[0],
                            y > 0       ? hc_plane_row(&v->band[0], y - 1) + x0
                            : v->y0 > 0 ? v->above + x0
                                        : NULL,
                            x0 > 0 ? row[0][-1] : NAN, n, x0, v->y0 + y, m->lo, m->hi);
        break;
    }
}

static void encode_tile(void *ctx, int block, int r0, int r1)
{
    struct maker *m = ctx;
    struct level *v = m->at;
    struct made *t = &m->made[block];
    int x0 = block * TILE, w = v->w - x0 < TILE ? v->w - x0 : TILE, h = v->filled;
    int channels = m->kind == HC_TILES_COLOUR ? 3 : m->kind == HC_TILES_GREY ? 1 : 2;
    uint8_t *px = hc_mem_alloc((size_t)TILE * TILE * (size_t)channels);
    (void)r0; // hc_par_rows counts "rows"; one block stands for one tile
    (void)r1;
    hc_buf_reset(&t->bytes);
    if (!px) {
        t->st =
            hc_err_set(&t->err, HC_ENOMEM, "image", "Out of memory while making display tiles.");
        return;
    }
    for (int y = 0; y < h; y++) {
        draw_row(m, v, px + (size_t)y * (size_t)w * (size_t)channels, x0, y, w);
    }
    t->st = channels == 2 ? hc_encode_png8(&t->bytes, px, w, h, 2, 3, &t->err)
                          : hc_encode_jpeg8(&t->bytes, px, w, h, channels, QUALITY, &t->err);
    hc_mem_free(px);
}

// Mean of 2 x 2 (fewer at an odd edge) of the strip in work into the next smaller level.
static void halve(void *ctx, int block, int r0, int r1)
{
    struct maker *m = ctx;
    const struct level *v = m->at;
    struct level *next = m->at - 1;
    (void)block;
    for (int b = 0; b < m->bands; b++) {
        for (int y = r0; y < r1; y++) {
            const float *a = hc_plane_row(&v->band[b], 2 * y);
            const float *c = 2 * y + 1 < v->filled ? hc_plane_row(&v->band[b], 2 * y + 1) : a;
            float *out = hc_plane_row(&next->band[b], next->filled + y);
            int even = v->w / 2;
            for (int x = 0; x < even; x++) {
                out[x] = 0.25f * ((a[2 * x] + a[2 * x + 1]) + (c[2 * x] + c[2 * x + 1]));
            }
            if (v->w % 2) {
                out[even] = 0.5f * (a[2 * even] + c[2 * even]);
            }
        }
    }
}

static hc_status write_tiles(struct maker *m, struct level *v, struct hc_err *err)
{
    int across = tiles_along(v->w);
    size_t e = v->first_entry + (size_t)(v->y0 / TILE) * (size_t)across;
    for (int i = 0; i < across; i++) {
        struct made *t = &m->made[i];
        hc_status st = t->st == HC_OK ? hc_outfile_write(&m->file, t->bytes.data, t->bytes.len, err)
                                      : hc_err_set(err, t->st, "image", "%s", t->err.what);
        if (st != HC_OK) {
            return st;
        }
        m->entry[e + (size_t)i] = (struct entry){.at = m->end, .bytes = (uint32_t)t->bytes.len};
        m->end += t->bytes.len;
    }
    return HC_OK;
}

// A strip is full (or the level ends): encode it, feed the next level, and that one's strip in
// turn.
static hc_status finish_strip(struct maker *m, int l, struct hc_err *err)
{
    for (; l >= 0; l--) {
        struct level *v = &m->level[l];
        hc_status st;
        if (v->filled < TILE && v->y0 + v->filled < v->h) {
            return HC_OK; // not yet
        }
        m->at = v;
        hc_par_rows(m->par, tiles_along(v->w) * HC_BLOCK, encode_tile, m);
        st = write_tiles(m, v, err);
        if (st != HC_OK) {
            return st;
        }
        if (l > 0) {
            int rows = (v->filled + 1) / 2;
            hc_par_rows(m->par, rows, halve, m);
            m->level[l - 1].filled += rows;
        }
        memcpy(v->above, hc_plane_row(&v->band[0], v->filled - 1), (size_t)v->w * sizeof(float));
        v->y0 += v->filled;
        v->filled = 0;
    }
    return HC_OK;
}

static void read_rows(void *ctx, int block, int r0, int r1)
{
    struct maker *m = ctx;
    struct level *v = m->at;
    hc_status st = HC_OK;
    for (int b = 0; b < m->bands && st == HC_OK; b++) {
        struct hc_plane part = hc_plane_part(&v->band[b], 0, r0, v->w, r1 - r0);
        st = hc_raster_read(m->r, b, 0, v->y0 + r0, &part, &m->read_err[block]);
        for (int y = 0; y < part.h && st == HC_OK && m->kind == HC_TILES_HATCH; y++) {
            float *row = hc_plane_row(&part, y);
            for (int x = 0; x < part.w; x++) {
                row[x] = row[x] != 0; // a share from here on, not a code
            }
        }
    }
    m->read_st[block] = st;
}

static hc_status make_all(struct maker *m, struct hc_job *job, struct hc_err *err)
{
    struct level *full = &m->level[m->levels - 1];
    hc_status st = HC_OK;
    while (full->y0 < full->h && st == HC_OK) {
        int rows = full->h - full->y0 < TILE ? full->h - full->y0 : TILE;
        st = hc_job_step(job, (double)full->y0 / full->h, "making display tiles", err);
        if (st != HC_OK) {
            break;
        }
        m->at = full;
        hc_par_rows(m->par, rows, read_rows, m);
        for (int b = 0; b < hc_par_blocks(rows) && st == HC_OK; b++) {
            if (m->read_st[b] != HC_OK) {
                st = hc_err_set(err, m->read_st[b], "image", "%s", m->read_err[b].what);
            }
        }
        full->filled = rows;
        st = st == HC_OK ? finish_strip(m, m->levels - 1, err) : st;
    }
    return st;
}

static hc_status check_request(const struct hc_raster *r, enum hc_tiles_kind kind, float lo,
                               float hi, struct hc_err *err)
{
    int want = kind == HC_TILES_COLOUR ? 3 : 1;
    if (hc_raster_bands(r) != want) {
        return hc_err_set(err, HC_EARG, "image",
                          "These tiles need a raster of %d bands; it has %d.", want,
                          hc_raster_bands(r));
    }
    if ((kind == HC_TILES_GREY || kind == HC_TILES_HEAT) &&
        !(lo < hi && isfinite(lo) && isfinite(hi))) {
        return hc_err_set(err, HC_ERANGE, "image",
                          "Tiles from %g to %g; the first must be the smaller.", (double)lo,
                          (double)hi);
    }
    return HC_OK;
}

hc_status hc_tiles_make(const struct hc_raster *r, enum hc_tiles_kind kind, float lo, float hi,
                        const char *path, struct hc_par *par, struct hc_job *job,
                        struct hc_err *err)
{
    struct maker m = {.r = r, .kind = kind, .lo = lo, .hi = hi, .par = par, .file = {.fd = -1}};
    struct head head = {.w = hc_raster_w(r), .h = hc_raster_h(r), .tile = TILE, .kind = (int)kind};
    hc_status st = check_request(r, kind, lo, hi, err);
    if (st != HC_OK) {
        return st;
    }
    st = maker_init(&m, err);
    st = st == HC_OK ? hc_outfile_open(&m.file, path, err) : st;
    if (st == HC_OK) { // the head and an index of zeros, filled in at the end
        st = hc_outfile_write(&m.file, &head, sizeof head, err);
        st =
            st == HC_OK ? hc_outfile_write(&m.file, m.entry, m.entries * sizeof *m.entry, err) : st;
        m.end = sizeof head + m.entries * sizeof *m.entry;
    }
    st = st == HC_OK ? make_all(&m, job, err) : st;
    if (st == HC_OK) {
        memcpy(head.magic, MAGIC, sizeof head.magic);
        head.levels = m.levels;
        st = hc_outfile_write_at(&m.file, m.entry, m.entries * sizeof *m.entry, sizeof head, err);
        st = st == HC_OK ? hc_outfile_write_at(&m.file, &head, sizeof head, 0, err) : st;
    }
    if (st == HC_OK) {
        st = hc_outfile_commit(&m.file, err);
    } else {
        hc_outfile_abandon(&m.file);
    }
    maker_release(&m);
    return st;
}

// ---- serving -----------------------------------------------------------------------------------
struct hc_tiles {
    int fd, levels, lw[MAX_LEVELS], lh[MAX_LEVELS];
    size_t first_entry[MAX_LEVELS];
    uint64_t size;
    struct hc_tiles_info info;
};

static hc_status not_a_pack(const char *path, struct hc_err *err)
{
    return hc_err_set(err, HC_EDATA, "image",
                      "%s is not a complete tile file; delete it, it will be made again.", path);
}

hc_status hc_tiles_open(struct hc_tiles **out, const char *path, struct hc_err *err)
{
    struct head head;
    struct hc_tiles *t;
    size_t entries = 0;
    off_t size;
    int fd;
    hc_status st = hc_infile_open(&fd, &size, path, err);
    if (st != HC_OK) {
        return st;
    }
    if (!hc_infile_read_at(fd, &head, sizeof head, 0) ||
        memcmp(head.magic, MAGIC, sizeof head.magic) != 0 || head.tile != TILE || head.w < 1 ||
        head.h < 1 || head.w > HC_IMAGE_MAX_SIDE || head.h > HC_IMAGE_MAX_SIDE || head.kind < 0 ||
        head.kind > HC_TILES_HEAT) {
        close(fd);
        return not_a_pack(path, err);
    }
    t = hc_mem_array(1, sizeof *t);
    if (!t) {
        close(fd);
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while opening %s.", path);
    }
    t->fd = fd;
    t->size = (uint64_t)size;
    t->levels = level_sizes(head.w, head.h, t->lw, t->lh);
    for (int l = 0; l < t->levels; l++) {
        t->first_entry[l] = entries;
        entries += (size_t)tiles_along(t->lw[l]) * (size_t)tiles_along(t->lh[l]);
    }
    t->info = (struct hc_tiles_info){head.w, head.h, t->levels, TILE,
                                     head.kind <= HC_TILES_GREY ? "image/jpeg" : "image/png"};
    if (head.levels != t->levels || t->size < sizeof head + entries * sizeof(struct entry)) {
        hc_tiles_close(t);
        return not_a_pack(path, err);
    }
    *out = t;
    return HC_OK;
}

void hc_tiles_close(struct hc_tiles *t)
{
    if (t) {
        close(t->fd);
        hc_mem_free(t);
    }
}

struct hc_tiles_info hc_tiles_get_info(const struct hc_tiles *t)
{
    return t->info;
}

hc_status hc_tiles_get(const struct hc_tiles *t, int level, int x, int y, struct hc_buf *out,
                       struct hc_err *err)
{
    struct entry e;
    char *bytes;
    size_t i;
    bool ok;
    if (level < 0 || level >= t->levels || x < 0 || y < 0 || x >= tiles_along(t->lw[level]) ||
        y >= tiles_along(t->lh[level])) {
        return hc_err_set(err, HC_ENOTFOUND, "image", "There is no tile %d, %d in level %d of %d.",
                          x, y, level, t->levels);
    }
    i = t->first_entry[level] + (size_t)y * (size_t)tiles_along(t->lw[level]) + (size_t)x;
    if (!hc_infile_read_at(t->fd, &e, sizeof e, (off_t)(sizeof(struct head) + i * sizeof e)) ||
        e.bytes == 0 || e.bytes > (4u << 20) || e.at > t->size || e.bytes > t->size - e.at) {
        return hc_err_set(
            err, HC_EDATA, "image",
            "The tile file is damaged at tile %d, %d of level %d; delete it, it will be "
            "made again.",
            x, y, level);
    }
    bytes = hc_mem_alloc(e.bytes);
    if (!bytes) {
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory for a tile.");
    }
    ok = hc_infile_read_at(t->fd, bytes, e.bytes, (off_t)e.at);
    if (ok) {
        hc_buf_bytes(out, bytes, e.bytes);
    }
    hc_mem_free(bytes);
    return ok ? hc_buf_check(out, err)
              : hc_err_set(err, HC_EIO, "image", "Tile %d, %d of level %d could not be read.", x, y,
                           level);
}
