#include "raw_files.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "hc_test.h"
#include "picture_files.h"

// A little-endian TIFF growing in memory: directories are filled in order of their tags.
struct tiff {
    uint8_t *b;
    size_t n, room;
    size_t entry; // where the next entry goes
};

static void put(struct tiff *t, size_t at, uint64_t v, int n)
{
    assert_true(at + (size_t)n <= t->room);
    for (int i = 0; i < n; i++) {
        t->b[at + (size_t)i] = (uint8_t)(v >> (8 * i));
    }
}

static size_t extra(struct tiff *t, size_t n)
{
    size_t at = t->n;
    t->n += n + n % 2;
    assert_true(t->n <= t->room);
    return at;
}

static void begin(struct tiff *t, int entries)
{
    size_t at = extra(t, 2 + 12 * (size_t)entries + 4);
    put(t, at, (uint64_t)entries, 2);
    t->entry = at + 2;
}

// Where the values of a new entry go.
static size_t entry(struct tiff *t, unsigned tag, unsigned type, size_t count, size_t bytes)
{
    size_t at = t->entry;
    put(t, at, tag, 2);
    put(t, at + 2, type, 2);
    put(t, at + 4, count, 4);
    t->entry += 12;
    if (bytes <= 4) {
        return at + 8;
    }
    put(t, at + 8, t->n, 4);
    return extra(t, bytes);
}

static void number(struct tiff *t, unsigned tag, unsigned type, uint64_t v)
{
    int n = type == 3 ? 2 : 4;
    put(t, entry(t, tag, type, 1, (size_t)n), v, n);
}

static void text(struct tiff *t, unsigned tag, const char *s)
{
    size_t n = strlen(s) + 1;
    memcpy(t->b + entry(t, tag, 2, n, n), s, n);
}

// Rationals with six places; type 5 or 10 (signed).
static void fractions(struct tiff *t, unsigned tag, unsigned type, const double *v, size_t n)
{
    size_t at = entry(t, tag, type, n, 8 * n);
    for (size_t i = 0; i < n; i++) {
        put(t, at + 8 * i, (uint64_t)(int64_t)lround(v[i] * 1e6), 4);
        put(t, at + 8 * i + 4, 1000000, 4);
    }
}

static void mosaic(struct tiff *t, size_t at, const struct raw_file *s, raw_scene scene)
{
    for (int y = 0; y < s->h; y++) {
        for (int x = 0; x < s->w; x++) {
            int b = (x & 1) + (y & 1); // RGGB
            double v = s->black + (s->white - s->black) * scene(x, y, b);
            v = v < 0 ? 0 : v > s->white ? s->white : v;
            put(t, at + 2 * ((size_t)y * (size_t)s->w + (size_t)x), (uint64_t)lround(v), 2);
        }
    }
}

static void exif(struct tiff *t)
{
    static const double shutter = 1 / 60.0, f_number = 8, focal = 80;
    begin(t, 6);
    fractions(t, 33434, 5, &shutter, 1);
    fractions(t, 33437, 5, &f_number, 1);
    number(t, 34855, 3, 100);
    text(t, 36867, "2024:05:17 10:32:00");
    fractions(t, 37386, 5, &focal, 1);
    text(t, 42036, "Test lens 80 mm");
}

size_t raw_exif_block(uint8_t out[600])
{
    struct tiff t = {.b = out, .room = 600};
    memset(out, 0, 600);
    memcpy(out, "II*\0\x08\0\0\0", 8);
    t.n = 8;
    begin(&t, 3);
    text(&t, 271, "Testworks");
    text(&t, 272, "Testworks One");
    number(&t, 34665, 4, t.n);
    exif(&t);
    return t.n;
}

void raw_write(const char *path, const struct raw_file *s, raw_scene scene)
{
    size_t bytes = 2 * (size_t)s->w * (size_t)s->h, exif_at;
    struct tiff t = {.room = bytes + 4096};
    int n = 18 + s->is_dng + 2 * s->matrices + (s->neutral[0] > 0) + (s->baseline_ev > 0) +
            (s->balance[0] > 0) + (s->calibration[0] > 0 ? s->matrices : 0);
    t.b = calloc(t.room, 1);
    assert_non_null(t.b);
    memcpy(t.b, "II*\0\x08\0\0\0", 8);
    t.n = 8;
    begin(&t, n);
    number(&t, 254, 4, 0);
    number(&t, 256, 4, (uint64_t)(s->says_w ? s->says_w : s->w));
    number(&t, 257, 4, (uint64_t)(s->says_h ? s->says_h : s->h));
    number(&t, 258, 3, 16);
    number(&t, 259, 3, 1);
    number(&t, 262, 3, 32803); // colour filter array
    text(&t, 271, s->make ? s->make : "Testworks");
    text(&t, 272, s->model ? s->model : "Testworks One");
    exif_at = t.entry; // 273 must come first
    number(&t, 273, 4, 0);
    number(&t, 274, 3, (uint64_t)(s->orientation ? s->orientation : 1));
    number(&t, 277, 3, 1);
    number(&t, 278, 4, (uint64_t)(s->says_h ? s->says_h : s->h));
    number(&t, 279, 4, bytes);
    put(&t, entry(&t, 33421, 3, 2, 4), 0x00020002, 4);
    put(&t, entry(&t, 33422, 1, 4, 4), 0x02010100, 4);
    number(&t, 34665, 4, 0);
    if (s->is_dng) {
        put(&t, entry(&t, 50706, 1, 4, 4), 0x00000401, 4);
    }
    number(&t, 50714, 3, (uint64_t)s->black);
    // WhiteLevel follows; the matrices keep the tags in order.
    number(&t, 50717, 3, (uint64_t)s->white);
    for (int i = 0; i < s->matrices; i++) {
        fractions(&t, 50721 + (unsigned)i, 10, s->xyz_to_cam[i], 9);
    }
    for (int i = 0; i < s->matrices && s->calibration[0] > 0; i++) {
        const double *c = s->calibration, m[9] = {c[0], 0, 0, 0, c[1], 0, 0, 0, c[2]};
        fractions(&t, 50723 + (unsigned)i, 10, m, 9);
    }
    if (s->balance[0] > 0) {
        fractions(&t, 50727, 5, s->balance, 3);
    }
    if (s->neutral[0] > 0) {
        fractions(&t, 50728, 5, s->neutral, 3);
    }
    if (s->baseline_ev > 0) {
        fractions(&t, 50730, 10, &s->baseline_ev, 1);
    }
    for (int i = 0; i < s->matrices; i++) {
        number(&t, 50778 + (unsigned)i, 3, (uint64_t)s->illuminant[i]);
    }
    put(&t, exif_at + 7 * 12 + 8, t.n, 4); // 34665 is the seventh entry after 273
    exif(&t);
    put(&t, exif_at + 8, t.n, 4);
    mosaic(&t, extra(&t, bytes), s, scene);
    picture_write_bytes(path, t.b, t.n);
    free(t.b);
}
