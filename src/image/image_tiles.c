// Display tiles. One file holds every level but the full size, each tile already encoded; serving
// one is a read. A full-size tile is three quarters of the work and seldom looked at: it is encoded
// when asked for.
//
// Layout (little endian): head, one entry {offset, bytes} per tile (level 0 first, rows, columns),
// then the tiles in the order they were made. All levels are made in one pass: the rows of the
// picture are halved in linear light into a strip of 256 rows of the next level, which is encoded
// when it is full and feeds the level after it.
#include <math.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "colour/colour.h"
#include "image/image_priv.h"

#define MAGIC "hctile\x02\n"
#define TILE HC_TILES_ROWS
#define MAX_LEVELS 16
#define QUALITY 92

struct head {
    char magic[8];
    int32_t w, h, levels, tile, kind;
    float lo, hi;
    int32_t reserved;
    char source[HC_TILES_SOURCE];
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

// ---- drawing -----------------------------------------------------------------------------------

// What one tile is drawn from: n x h px of every band; what lies over and left of it for HEAT.
struct patch {
    const float *row[3]; // first row of each band
    ptrdiff_t stride;
    int x0, y0, w, h;   // level px
    const float *above; // the row over the first, NULL when there is none
    bool has_left;      // row[0][-1] lies in the picture
};

struct style {
    enum hc_tiles_kind kind;
    float lo, hi;
};

static int bands_of(enum hc_tiles_kind kind)
{
    return kind == HC_TILES_COLOUR || kind == HC_TILES_SLOPES ? 3 : 1;
}

// Twelve bits for each of n_x and n_y of the unit normal; black where the standard error says that
// there is no answer (black is otherwise no normal: its z would be imaginary).
static void pack_slopes(uint8_t *px, const float *const row[3], int w)
{
    for (int x = 0; x < w; x++) {
        float p = row[0][x], q = row[1][x], z = 1.0f / sqrtf(1.0f + p * p + q * q);
        unsigned nx = (unsigned)(2047.5f * (1.0f - p * z) + 0.5f),
                 ny = (unsigned)(2047.5f * (1.0f - q * z) + 0.5f);
        bool has = row[2][x] >= 0.0f;
        px[3 * x] = has ? (uint8_t)(nx >> 4) : 0;
        px[3 * x + 1] = has ? (uint8_t)((nx & 15) << 4 | ny >> 8) : 0;
        px[3 * x + 2] = has ? (uint8_t)(ny & 255) : 0;
    }
}

// Sixteen bits of lo..hi in the first two channels.
static void pack_numbers(uint8_t *px, const float *row, int w, float lo, float hi)
{
    for (int x = 0; x < w; x++) {
        float t = (row[x] - lo) / (hi - lo);
        unsigned v = t > 0.0f ? t < 1.0f ? (unsigned)(65535.0f * t + 0.5f) : 65535 : 0;
        px[3 * x] = (uint8_t)(v >> 8);
        px[3 * x + 1] = (uint8_t)(v & 255);
        px[3 * x + 2] = 0;
    }
}

static int channels_of(enum hc_tiles_kind kind)
{
    switch (kind) {
    case HC_TILES_COLOUR:
    case HC_TILES_SLOPES:
    case HC_TILES_NUMBERS:
        return 3;
    case HC_TILES_GREY:
        return 1;
    case HC_TILES_HATCH:
    case HC_TILES_HEAT:
        break;
    }
    return 2;
}

static void draw_row(const struct style *s, const struct patch *p, uint8_t *px, int y)
{
    const float *row[3] = {NULL, NULL, NULL},
                *above = y > 0 ? p->row[0] + (y - 1) * p->stride : p->above;
    for (int b = 0; b < bands_of(s->kind); b++) {
        row[b] = p->row[b] + y * p->stride;
    }
    switch (s->kind) {
    case HC_TILES_COLOUR:
        hc_colour_srgb8_row(px, row, (size_t)p->w);
        break;
    case HC_TILES_GREY:
        hc_encode_grey_row(px, row[0], (size_t)p->w, s->lo, s->hi);
        break;
    case HC_TILES_HATCH:
        hc_overlay_hatch_row(px, row[0], p->w, p->x0, p->y0 + y);
        break;
    case HC_TILES_HEAT:
        hc_overlay_heat_row(px, row[0], above, p->has_left ? row[0][-1] : NAN, p->w, p->x0,
                            p->y0 + y, s->lo, s->hi);
        break;
    case HC_TILES_SLOPES:
        pack_slopes(px, row, p->w);
        break;
    case HC_TILES_NUMBERS:
        pack_numbers(px, row[0], p->w, s->lo, s->hi);
        break;
    }
}

static hc_status encode(const struct style *s, const struct patch *p, struct hc_buf *out,
                        struct hc_err *err)
{
    int channels = channels_of(s->kind);
    bool is_photo = s->kind == HC_TILES_COLOUR || s->kind == HC_TILES_GREY;
    uint8_t *px = hc_mem_alloc((size_t)TILE * TILE * (size_t)channels);
    hc_status st;
    if (!px) {
        return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while making display tiles.");
    }
    for (int y = 0; y < p->h; y++) {
        draw_row(s, p, px + (size_t)y * (size_t)p->w * (size_t)channels, y);
    }
    st = !is_photo ? hc_encode_png8(out, px, p->w, p->h, channels, 3, err)
                   : hc_encode_jpeg8(out, px, p->w, p->h, channels, QUALITY, err);
    hc_mem_free(px);
    return st;
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

struct hc_tiles_maker {
    struct style style;
    int w, h, next;    // next: rows taken so far
    int bands, stored; // stored: levels in the file, all but the full size
    struct level level[MAX_LEVELS];
    struct hc_outfile file;
    uint64_t end; // bytes written so far
    struct entry *entry;
    size_t entries;
    struct made *made; // one per tile of a row
    struct hc_par *par;
    // the strip now in work, and the rows to be halved
    struct level *at;
    const struct hc_plane *from;
    int from_rows;
    bool is_code; // codes: what is not 0 counts as 1
};

static hc_status no_memory(struct hc_err *err)
{
    return hc_err_set(err, HC_ENOMEM, "image", "Out of memory while making display tiles.");
}

static hc_status maker_init(struct hc_tiles_maker *m, struct hc_err *err)
{
    int lw[MAX_LEVELS], lh[MAX_LEVELS];
    hc_status st = HC_OK;
    m->bands = bands_of(m->style.kind);
    m->stored = level_sizes(m->w, m->h, lw, lh) - 1;
    for (int l = 0; l < m->stored && st == HC_OK; l++) {
        struct level *v = &m->level[l];
        v->w = lw[l];
        v->h = lh[l];
        v->first_entry = m->entries;
        m->entries += (size_t)tiles_along(v->w) * (size_t)tiles_along(v->h);
        for (int b = 0; b < m->bands && st == HC_OK; b++) {
            st = hc_plane_create(&v->band[b], v->w, TILE, err);
        }
        v->above = hc_mem_array((size_t)v->w, sizeof(float));
        st = st == HC_OK && !v->above ? no_memory(err) : st;
    }
    if (st == HC_OK && m->stored > 0) {
        m->entry = hc_mem_array(m->entries, sizeof *m->entry);
        m->made = hc_mem_array((size_t)tiles_along(m->w), sizeof *m->made);
        st = m->entry && m->made ? HC_OK : no_memory(err);
    }
    return st;
}

static void encode_tile(void *ctx, int block, int r0, int r1)
{
    struct hc_tiles_maker *m = ctx;
    struct level *v = m->at;
    struct made *t = &m->made[block];
    struct patch p = {.stride = v->band[0].stride, .x0 = block * TILE, .y0 = v->y0, .h = v->filled};
    (void)r0; // hc_par_rows counts "rows"; one block stands for one tile
    (void)r1;
    p.w = v->w - p.x0 < TILE ? v->w - p.x0 : TILE;
    for (int b = 0; b < m->bands; b++) {
        p.row[b] = hc_plane_row(&v->band[b], 0) + p.x0;
    }
    p.above = v->y0 > 0 ? v->above + p.x0 : NULL;
    p.has_left = p.x0 > 0;
    hc_buf_reset(&t->bytes);
    t->st = encode(&m->style, &p, &t->bytes, &t->err);
}

// Mean of 2 x 2 (fewer at an odd edge) of the rows in work into the next smaller level.
static void halve(void *ctx, int block, int r0, int r1)
{
    struct hc_tiles_maker *m = ctx;
    struct level *to = m->at;
    int w = m->from[0].w, even = w / 2;
    (void)block;
    for (int b = 0; b < m->bands; b++) {
        for (int y = r0; y < r1; y++) {
            const float *a = hc_plane_row(&m->from[b], 2 * y);
            const float *c = 2 * y + 1 < m->from_rows ? hc_plane_row(&m->from[b], 2 * y + 1) : a;
            float *restrict out = hc_plane_row(&to->band[b], to->filled + y);
            if (m->is_code) {
                for (int x = 0; x < even; x++) {
                    int n = (a[2 * x] != 0) + (a[2 * x + 1] != 0) + (c[2 * x] != 0) +
                            (c[2 * x + 1] != 0);
                    out[x] = 0.25f * (float)n;
                }
            } else {
                for (int x = 0; x < even; x++) {
                    out[x] = 0.25f * ((a[2 * x] + a[2 * x + 1]) + (c[2 * x] + c[2 * x + 1]));
                }
            }
            if (w % 2) {
                out[even] = m->is_code ? 0.5f * (float)((a[2 * even] != 0) + (c[2 * even] != 0))
                                       : 0.5f * (a[2 * even] + c[2 * even]);
            }
        }
    }
}

// Rows of one level go, halved, into the strip of the next smaller one.
static void feed(struct hc_tiles_maker *m, const struct hc_plane *from, int rows, int to)
{
    m->from = from;
    m->from_rows = rows;
    m->is_code = m->style.kind == HC_TILES_HATCH && to == m->stored - 1;
    m->at = &m->level[to];
    hc_par_rows(m->par, (rows + 1) / 2, halve, m);
    m->level[to].filled += (rows + 1) / 2;
}

static hc_status write_tiles(struct hc_tiles_maker *m, struct level *v, struct hc_err *err)
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
static hc_status finish_strip(struct hc_tiles_maker *m, int l, struct hc_err *err)
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
            feed(m, v->band, v->filled, l - 1);
        }
        memcpy(v->above, hc_plane_row(&v->band[0], v->filled - 1), (size_t)v->w * sizeof(float));
        v->y0 += v->filled;
        v->filled = 0;
    }
    return HC_OK;
}

hc_status hc_tiles_begin(struct hc_tiles_maker **out, const char *path, int w, int h,
                         enum hc_tiles_kind kind, float lo, float hi, struct hc_err *err)
{
    struct hc_tiles_maker *m;
    struct head head = {.w = w};
    hc_status st;
    if ((kind == HC_TILES_GREY || kind == HC_TILES_HEAT || kind == HC_TILES_NUMBERS) &&
        !(lo < hi && isfinite(lo) && isfinite(hi))) {
        return hc_err_set(err, HC_ERANGE, "image",
                          "Tiles from %g to %g; the first must be the smaller.", (double)lo,
                          (double)hi);
    }
    if (w < 1 || h < 1 || w > HC_IMAGE_MAX_SIDE || h > HC_IMAGE_MAX_SIDE) {
        return hc_err_set(err, HC_ERANGE, "image", "Tiles of %d x %d px; sides must be 1 to %d.", w,
                          h, HC_IMAGE_MAX_SIDE);
    }
    m = hc_mem_array(1, sizeof *m);
    if (!m) {
        return no_memory(err);
    }
    m->style = (struct style){kind, lo, hi};
    m->w = w;
    m->h = h;
    m->file.fd = -1;
    st = maker_init(m, err);
    st = st == HC_OK ? hc_outfile_open(&m->file, path, err) : st;
    // The head without its magic and an index of zeros, filled in at the end.
    st = st == HC_OK ? hc_outfile_write(&m->file, &head, sizeof head, err) : st;
    if (st == HC_OK && m->entries) {
        st = hc_outfile_write(&m->file, m->entry, m->entries * sizeof *m->entry, err);
    }
    m->end = sizeof head + m->entries * sizeof *m->entry;
    if (st != HC_OK) {
        hc_tiles_abandon(m);
        return st;
    }
    *out = m;
    return HC_OK;
}

hc_status hc_tiles_add(struct hc_tiles_maker *m, const struct hc_plane *rows, struct hc_par *par,
                       struct hc_err *err)
{
    int n = rows[0].h;
    for (int b = 0; b < m->bands; b++) {
        if (rows[b].w != m->w || rows[b].h != n || n > m->h - m->next ||
            (n != TILE && n != m->h - m->next)) {
            return hc_err_set(err, HC_ERANGE, "image",
                              "%d x %d px of band %d for tiles at row %d of %d x %d px.", rows[b].w,
                              rows[b].h, b, m->next, m->w, m->h);
        }
    }
    m->next += n;
    m->par = par;
    if (m->stored == 0) {
        return HC_OK;
    }
    feed(m, rows, n, m->stored - 1);
    return finish_strip(m, m->stored - 1, err);
}

hc_status hc_tiles_end(struct hc_tiles_maker *m, const char *source, struct hc_err *err)
{
    struct head head = {.w = m->w,
                        .h = m->h,
                        .levels = m->stored + 1,
                        .tile = TILE,
                        .kind = (int)m->style.kind,
                        .lo = m->style.lo,
                        .hi = m->style.hi};
    hc_status st = HC_OK;
    if (m->next != m->h || strlen(source) >= sizeof head.source) {
        st = hc_err_set(err, HC_ERANGE, "image", "Tiles got %d of %d rows, from %.80s.", m->next,
                        m->h, source);
    }
    memcpy(head.magic, MAGIC, sizeof head.magic);
    snprintf(head.source, sizeof head.source, "%s", source);
    if (st == HC_OK && m->entries) {
        st = hc_outfile_write_at(&m->file, m->entry, m->entries * sizeof *m->entry, sizeof head,
                                 err);
    }
    st = st == HC_OK ? hc_outfile_write_at(&m->file, &head, sizeof head, 0, err) : st;
    st = st == HC_OK ? hc_outfile_commit(&m->file, err) : st;
    hc_tiles_abandon(m);
    return st;
}

void hc_tiles_abandon(struct hc_tiles_maker *m)
{
    if (!m) {
        return;
    }
    hc_outfile_abandon(&m->file);
    for (int l = 0; l < m->stored; l++) {
        for (int b = 0; b < m->bands; b++) {
            hc_plane_release(&m->level[l].band[b]);
        }
        hc_mem_free(m->level[l].above);
    }
    for (int i = 0; m->made && i < tiles_along(m->w); i++) {
        hc_buf_release(&m->made[i].bytes);
    }
    hc_mem_free(m->entry);
    hc_mem_free(m->made);
    hc_mem_free(m);
}

// ---- making from a raster ----
struct reader {
    const struct hc_raster *r;
    struct hc_plane band[3]; // TILE rows
    int bands, y0;
    hc_status st[TILE / HC_BLOCK];
    struct hc_err err[TILE / HC_BLOCK];
};

static void read_rows(void *ctx, int block, int r0, int r1)
{
    struct reader *m = ctx;
    hc_status st = HC_OK;
    for (int b = 0; b < m->bands && st == HC_OK; b++) {
        struct hc_plane part = hc_plane_part(&m->band[b], 0, r0, m->band[b].w, r1 - r0);
        st = hc_raster_read(m->r, b, 0, m->y0 + r0, &part, &m->err[block]);
    }
    m->st[block] = st;
}

static hc_status read_strip(struct reader *rd, int rows, struct hc_par *par, struct hc_err *err)
{
    hc_par_rows(par, rows, read_rows, rd);
    for (int b = 0; b < hc_par_blocks(rows); b++) {
        if (rd->st[b] != HC_OK) {
            return hc_err_set(err, rd->st[b], "image", "%s", rd->err[b].what);
        }
    }
    return HC_OK;
}

hc_status hc_tiles_make(const struct hc_raster *r, enum hc_tiles_kind kind, float lo, float hi,
                        const char *source, const char *path, struct hc_par *par,
                        struct hc_job *job, struct hc_err *err)
{
    int w = hc_raster_w(r), h = hc_raster_h(r);
    struct reader rd = {.r = r, .bands = hc_raster_bands(r)};
    struct hc_tiles_maker *m = NULL;
    hc_status st;
    if (rd.bands != bands_of(kind)) {
        return hc_err_set(err, HC_EARG, "image",
                          "These tiles need a raster of %d bands; it has %d.", bands_of(kind),
                          rd.bands);
    }
    st = hc_tiles_begin(&m, path, w, h, kind, lo, hi, err);
    for (int b = 0; b < rd.bands && st == HC_OK; b++) {
        st = hc_plane_create(&rd.band[b], w, TILE, err);
    }
    for (; rd.y0 < h && st == HC_OK; rd.y0 += TILE) {
        struct hc_plane part[3];
        int rows = h - rd.y0 < TILE ? h - rd.y0 : TILE;
        st = hc_job_step(job, (double)rd.y0 / h, "making display tiles", err);
        st = st == HC_OK ? read_strip(&rd, rows, par, err) : st;
        for (int b = 0; b < rd.bands; b++) {
            part[b] = hc_plane_part(&rd.band[b], 0, 0, w, rows);
        }
        st = st == HC_OK ? hc_tiles_add(m, part, par, err) : st;
    }
    if (st == HC_OK) {
        st = hc_tiles_end(m, source, err);
    } else {
        hc_tiles_abandon(m);
    }
    for (int b = 0; b < rd.bands; b++) {
        hc_plane_release(&rd.band[b]);
    }
    return st;
}

// ---- serving -----------------------------------------------------------------------------------
struct hc_tiles {
    int fd, levels, lw[MAX_LEVELS], lh[MAX_LEVELS];
    size_t first_entry[MAX_LEVELS];
    uint64_t size;
    struct style style;
    struct hc_raster *raster; // NULL until lent
    char source[HC_TILES_SOURCE];
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
        head.kind > HC_TILES_NUMBERS || memchr(head.source, 0, sizeof head.source) == NULL) {
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
    for (int l = 0; l < t->levels - 1; l++) {
        t->first_entry[l] = entries;
        entries += (size_t)tiles_along(t->lw[l]) * (size_t)tiles_along(t->lh[l]);
    }
    t->style = (struct style){(enum hc_tiles_kind)head.kind, head.lo, head.hi};
    memcpy(t->source, head.source, sizeof t->source);
    t->info = (struct hc_tiles_info){
        .w = head.w,
        .h = head.h,
        .levels = t->levels,
        .tile = TILE,
        .type = head.kind <= HC_TILES_GREY ? "image/jpeg" : "image/png",
        .source = t->source,
    };
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
        hc_raster_close(t->raster);
        hc_mem_free(t);
    }
}

struct hc_tiles_info hc_tiles_get_info(const struct hc_tiles *t)
{
    return t->info;
}

hc_status hc_tiles_lend(struct hc_tiles *t, struct hc_raster *r, struct hc_err *err)
{
    if (hc_raster_w(r) != t->info.w || hc_raster_h(r) != t->info.h ||
        hc_raster_bands(r) != bands_of(t->style.kind)) {
        return hc_err_set(err, HC_EDATA, "image",
                          "The tiles are of %d x %d px, the raster of %d x %d px.", t->info.w,
                          t->info.h, hc_raster_w(r), hc_raster_h(r));
    }
    hc_raster_close(t->raster);
    t->raster = r;
    t->info.has_raster = true;
    return HC_OK;
}

// One tile of the full size, drawn as those of the other levels are: with the row over it and the
// column left of it.
static hc_status draw_full(const struct hc_tiles *t, int x, int y, struct hc_buf *out,
                           struct hc_err *err)
{
    struct patch p = {.x0 = x * TILE, .y0 = y * TILE, .has_left = x > 0};
    int left = x > 0, over = y > 0, bands = bands_of(t->style.kind);
    struct hc_plane px[3] = {{0}};
    hc_status st = HC_OK;
    p.w = t->info.w - p.x0 < TILE ? t->info.w - p.x0 : TILE;
    p.h = t->info.h - p.y0 < TILE ? t->info.h - p.y0 : TILE;
    for (int b = 0; b < bands && st == HC_OK; b++) {
        st = hc_plane_create(&px[b], p.w + left, p.h + over, err);
        st = st == HC_OK ? hc_raster_read(t->raster, b, p.x0 - left, p.y0 - over, &px[b], err) : st;
        if (st == HC_OK) {
            p.row[b] = hc_plane_row(&px[b], over) + left;
            p.stride = px[b].stride;
        }
    }
    if (st == HC_OK) {
        p.above = over ? hc_plane_row(&px[0], 0) + left : NULL;
        for (int i = 0; t->style.kind == HC_TILES_HATCH && i < px[0].w * px[0].h; i++) {
            px[0].px[i] = px[0].px[i] != 0; // codes become shares of refused pixels
        }
        st = encode(&t->style, &p, out, err);
    }
    for (int b = 0; b < bands; b++) {
        hc_plane_release(&px[b]);
    }
    return st;
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
    if (level == t->levels - 1) {
        return t->raster ? draw_full(t, x, y, out, err)
                         : hc_err_set(err, HC_ENOTFOUND, "image",
                                      "The raster behind these tiles is not there; make it again.");
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
