// Directories of a TIFF structure, read with every offset checked against the end: a TIFF file, or
// the EXIF block of another file. TIFF 6.0 (Adobe, 1992); BigTIFF as in libtiff's note.
#include "image/image_priv.h"

#define MAX_ENTRIES 4096

bool hc_ifd_get(const struct hc_ifd_file *f, uint64_t at, void *p, size_t n)
{
    return at <= f->size && n <= f->size - at &&
           hc_infile_read_at(f->fd, p, n, (off_t)(f->base + at));
}

uint64_t hc_ifd_number(const struct hc_ifd_file *f, const uint8_t *p, int n)
{
    uint64_t v = 0;
    for (int i = 0; i < n; i++) {
        v |= (uint64_t)p[f->is_swapped ? n - 1 - i : i] << (8 * i);
    }
    return v;
}

static int type_bytes(unsigned type)
{
    static const int bytes[19] = {0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8, 4, 8, 4, 0, 0, 8, 8, 8};
    return type < 19 ? bytes[type] : 0;
}

bool hc_ifd_value(const struct hc_ifd_file *f, const struct hc_ifd_entry *e, uint64_t i,
                  uint64_t *out)
{
    uint8_t b[8];
    int n = type_bytes(e->type);
    if ((e->type != 1 && e->type != 3 && e->type != 4 && e->type != 13 && e->type != 16 &&
         e->type != 18) ||
        i >= e->count || !hc_ifd_get(f, e->at + i * (uint64_t)n, b, (size_t)n)) {
        return false;
    }
    *out = hc_ifd_number(f, b, n);
    return true;
}

bool hc_ifd_open(struct hc_ifd_file *f, uint64_t *first)
{
    uint8_t b[16];
    unsigned version;
    if (!hc_ifd_get(f, 0, b, 8) ||
        !((b[0] == 'I' && b[1] == 'I') || (b[0] == 'M' && b[1] == 'M'))) {
        return false;
    }
    f->is_swapped = b[0] == 'M';
    version = (unsigned)hc_ifd_number(f, b + 2, 2);
    f->is_big = version == 43;
    if ((version != 42 && version != 43) || (f->is_big && !hc_ifd_get(f, 0, b, 16))) {
        return false;
    }
    *first = f->is_big ? hc_ifd_number(f, b + 8, 8) : hc_ifd_number(f, b + 4, 4);
    return true;
}

bool hc_ifd_walk(const struct hc_ifd_file *f, uint64_t at, hc_ifd_fn fn, void *ctx, uint64_t *next)
{
    uint8_t b[20];
    int head = f->is_big ? 8 : 2, step = f->is_big ? 20 : 12, room = f->is_big ? 8 : 4;
    uint64_t n;
    if (at == 0 || !hc_ifd_get(f, at, b, (size_t)head)) {
        return false;
    }
    n = hc_ifd_number(f, b, head);
    if (n == 0 || n > MAX_ENTRIES) {
        return false;
    }
    at += (uint64_t)head;
    for (uint64_t i = 0; i < n; i++, at += (uint64_t)step) {
        struct hc_ifd_entry e;
        if (!hc_ifd_get(f, at, b, (size_t)step)) {
            return false;
        }
        e.tag = (unsigned)hc_ifd_number(f, b, 2);
        e.type = (unsigned)hc_ifd_number(f, b + 2, 2);
        e.count = hc_ifd_number(f, b + 4, room);
        if (e.count > f->size) {
            continue; // cannot be true; a needed tag is then missed and refused
        }
        e.at = e.count * (uint64_t)type_bytes(e.type) <= (uint64_t)room
                   ? at + 4 + (uint64_t)room
                   : hc_ifd_number(f, b + 4 + room, room);
        fn(ctx, f, &e);
    }
    // The last directory of some writers ends at the end of the file without its "next" field.
    *next = hc_ifd_get(f, at, b, (size_t)room) ? hc_ifd_number(f, b, room) : 0;
    return true;
}
