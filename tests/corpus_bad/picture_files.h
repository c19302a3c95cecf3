// Small pictures made at test time, good and bad, by the format libraries themselves or byte by
// byte.
#ifndef HC_TESTS_PICTURE_FILES_H
#define HC_TESTS_PICTURE_FILES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

// Everything 0 or NULL means: not set, the library's default.
struct picture_tiff {
    int w, h, samples, bits, format, photometric, compression, orientation, extra, pages;
    bool is_tiled, is_separate, is_big, is_dng;
    const void *icc;
    size_t icc_bytes;
    double dpi;
};
// px: interleaved rows of the file's own type (planar when is_separate). Fails the test on error.
void picture_write_tiff(const char *path, const struct picture_tiff *spec, const void *px);

struct picture_png {
    int w, h, type, bits; // PNG colour type
    bool is_interlaced, is_srgb, has_trns;
    const void *icc;
    size_t icc_bytes;
};
void picture_write_png(const char *path, const struct picture_png *spec,
                       const void *px); // 16: big endian

struct picture_jpeg {
    int w, h, samples, quality, exif_orientation;
    bool is_progressive, is_exif_srgb, is_exif_adobe;
};
void picture_write_jpeg(const char *path, const struct picture_jpeg *spec, const uint8_t *px);

void picture_write_bytes(const char *path, const void *p, size_t n);
uint8_t *picture_read_bytes(const char *path, size_t *n); // free()

// Interleaved 8-bit pixels of encoded JPEG or PNG bytes; channels 1, 2 (grey + alpha) or 3. free()
uint8_t *picture_unpack(const void *p, size_t n, int *w, int *h, int *channels);

// The bad files, one after another. `what` the file is; the status name and a part of the sentence
// that must come out of probe (is_late: probe may pass, the reading must refuse).
struct picture_bad {
    const char *name, *status, *says;
    bool is_late;
};
// Writes the i-th bad file to path and describes it; false when there are no more.
bool picture_bad(int i, const char *path, struct picture_bad *out);

#endif
