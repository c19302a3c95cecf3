// Pictures on disk: reading untrusted files, the working raster, display tiles, exports.
//
// The only room that knows libvips, lcms2, TIFF, PNG and JPEG. Files from outside are decoded in a
// child process without network, file access or privileges, under memory and pixel ceilings.
// Working space: linear ROMM RGB, D50 (see colour.h).
#ifndef HC_IMAGE_IMAGE_H
#define HC_IMAGE_IMAGE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/buf.h"
#include "base/err.h"
#include "base/job.h"
#include "base/par.h"
#include "num/geom.h"
#include "num/plane.h"

// The first statement of every main() that may read pictures: the decoder is this same program
// started again with a hidden first argument. Returns -1 in an ordinary start; in a decoder process
// it does the work and ends the process (a value >= 0 is then the exit code to leave with).
int hc_image_child_main(int argc, char **argv);
hc_status hc_image_init(const char *argv0, struct hc_err *err) HC_MUST_CHECK; // once, from main
void hc_image_shutdown(void);

// ---- what is this file? ------------------------------------------------------------------------

// Ceilings on the declared size: invented limits, see docs/limits.md.
#define HC_IMAGE_MAX_PX 400000000LL
#define HC_IMAGE_MAX_SIDE 60000

struct hc_image_info {
    int w, h, bands, bits; // upright size; bands as in the file (1, 3); bits 8, 16 or 32 (float)
    bool is_float;
    char format[8];    // "tiff" "png" "jpeg" or the kind of a raw file ("dng", "nef" ...): also the
                       // extension of the stored original
    char profile[120]; // description of the embedded ICC profile, "" when none
    bool is_assumed;   // no usable profile: taken as sRGB (colour) or sRGB-grey, float files
                       // as linear sRGB; said loudly in note
    double dpi;        // 0 = not given
    char note[400];    // what the user must know, "" when nothing
    // How it was taken, as the file says (EXIF 2.3); "" and 0 when it does not.
    char camera[64], lens[64];
    char taken_at[24]; // "2024-05-17 10:32:00", the camera's own clock
    double exposure_s, f_number, iso, focal_mm;
};

// Reads the header only (in the locked-down child). HC_EUNSUPPORTED (wrong type, CMYK, alpha,
// 64-bit, 2 bands, a raw file of an unknown camera ...), HC_EDATA (truncated, zero size, damaged),
// HC_ELIMIT (too large), HC_ENOTFOUND, HC_EIO.
hc_status hc_image_probe(struct hc_image_info *out, const char *path,
                         struct hc_err *err) HC_MUST_CHECK;

// ---- the working raster ------------------------------------------------------------------------

// A private, recomputable file of rows (planar within a row: all of channel 0, then 1, then 2).
// bands is 1 (uv luminance, ir, xray, maps) or 3 (linear ROMM). Always read as floats.
struct hc_raster; // an open raster, read by rows with pread: safe from several threads

hc_status hc_raster_open(struct hc_raster **out, const char *path,
                         struct hc_err *err) HC_MUST_CHECK;
void hc_raster_close(struct hc_raster *r);
int hc_raster_w(const struct hc_raster *r);
int hc_raster_h(const struct hc_raster *r);
int hc_raster_bands(const struct hc_raster *r);
// Rows y0..y0+out->h-1, columns x0..x0+out->w-1 of one band. The rectangle must lie inside.
hc_status hc_raster_read(const struct hc_raster *r, int band, int x0, int y0, struct hc_plane *out,
                         struct hc_err *err) HC_MUST_CHECK;

// Rows in order, top to bottom; written to path + ".part", renamed at the end.
struct hc_raster_writer;
hc_status hc_raster_create(struct hc_raster_writer **out, const char *path, int w, int h, int bands,
                           struct hc_err *err) HC_MUST_CHECK;
// How the numbers are kept. HALF: IEEE binary16, rounded to nearest: an error of at most 1/2048 of
// the value (3e-8 below 6e-5), beyond +-65504 that number, NaN becomes 0. CODE8: whole numbers
// 0..255, rounded and held inside.
enum hc_raster_cells { HC_CELLS_FLOAT, HC_CELLS_HALF, HC_CELLS_CODE8 };
// Shown every byte of the file in order while it is written (to hash it without reading it again).
struct hc_tap {
    void (*see)(void *ctx, const void *bytes, size_t n); // NULL: nobody looks
    void *ctx;
};
// is_direct: past the page cache where the file system can, for large files that are not read back
// at once. Otherwise as hc_raster_create, which keeps floats.
hc_status hc_raster_create_as(struct hc_raster_writer **out, const char *path, int w, int h,
                              int bands, enum hc_raster_cells cells, bool is_direct,
                              struct hc_tap tap, struct hc_err *err) HC_MUST_CHECK;
// `rows` holds one plane per band, all of the same height.
hc_status hc_raster_append(struct hc_raster_writer *w, const struct hc_plane *rows,
                           struct hc_err *err) HC_MUST_CHECK;
hc_status hc_raster_finish(struct hc_raster_writer *w, struct hc_err *err) HC_MUST_CHECK; // frees w
void hc_raster_abandon(struct hc_raster_writer *w); // deletes the part file, frees w

// Decode an original into a working raster (in the locked-down child). Colour files give 3 bands;
// grey files give 1 (linear luminance, white = 1). Camera raw: linear, white balance as shot,
// colour by the camera's matrix (docs/limits.md). ICC honoured, relative colorimetric, no
// black-point compensation, nothing clipped. Also reports the share of pixels with a channel at the
// coding maximum (clipped; 0 for float files, which have none). Either pointer may be NULL. The
// statuses of hc_image_probe, and HC_ENOMEM, HC_ECANCEL; on failure no raster is left behind.
hc_status hc_image_to_raster(const char *original, const char *raster_path,
                             struct hc_image_info *info, double *clipped_share, struct hc_job *job,
                             struct hc_err *err) HC_MUST_CHECK;

// A smooth bend on top of a homography: the view position of frame point p is
// frame_to_view(p + at(ctx, p)). `at` is called from several threads at once; what it gives is held
// within +-max_px (frame px, up to 200).
struct hc_raster_bend {
    struct hc_pt (*at)(const void *ctx, struct hc_pt frame);
    const void *ctx;
    double max_px;
};

// Resample `src` into the frame: out(x, y) = src(frame_to_view(x, y)), pixel centres at +0.5,
// NaN-free (outside = nearest edge; covered_share says how much of the frame lay inside; may be
// NULL). Catmull-Rom bicubic; where the view is finer than the frame the kernel is widened by that
// scale, so that detail is averaged and not aliased. Writes a raster of frame_w x frame_h, the same
// bytes for any number of threads. HC_ENUMERIC when the map folds over inside the frame, HC_ERANGE
// when the view is more than 32 times finer than the frame or the bend too large. bend may be NULL.
hc_status hc_raster_place(const struct hc_raster *src, const char *out_path,
                          const struct hc_homog *frame_to_view, const struct hc_raster_bend *bend,
                          int frame_w, int frame_h, double *covered_share, struct hc_par *par,
                          struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// A box of the frame at a finer scale: pixel (i, j) of the raster is centred on frame point
// (x0 + (i + 0.5) / magnification, y0 + (j + 0.5) / magnification); the raster has
// w * magnification x h * magnification pixels. {0, 0, frame_w, frame_h, 1} is the frame itself.
struct hc_raster_grid {
    int x0, y0, w, h; // frame px
    int magnification;
};
// As hc_raster_place, onto any grid: what a view that shows a detail is worth is kept. The view may
// be 32 times finer than the grid. HC_EARG for a grid without pixels.
hc_status hc_raster_place_grid(const struct hc_raster *src, const char *out_path,
                               const struct hc_homog *frame_to_view,
                               const struct hc_raster_bend *bend, const struct hc_raster_grid *grid,
                               double *covered_share, struct hc_par *par, struct hc_job *job,
                               struct hc_err *err) HC_MUST_CHECK;

// Box-mean overview with longest side <= max_side. Creates one plane per band in out_bands (room
// for hc_raster_bands planes, {0} on entry; the caller releases them); *factor = side of the cell
// in px.
hc_status hc_raster_overview(const struct hc_raster *r, int max_side, struct hc_plane *out_bands,
                             int *factor, struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// ---- joining plates ----------------------------------------------------------------------------

struct hc_join_plate {
    const struct hc_raster *raster;
    struct hc_homog to_mosaic; // plate px -> mosaic px, scale near 1
    double gain, offset;       // tone in the mosaic = gain * tone of the plate + offset
};
// The least and greatest tone of all plates after gain and offset.
hc_status hc_image_join_range(double range[2], const struct hc_join_plate *plate, size_t n,
                              struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

struct hc_join_picture {
    const char *path;
    int w, h;
    double base, range;      // tone written = (tone - base) / range
    const char *description; // goes into ImageDescription; may be NULL
};
// Blends plates of one kind (all of 1 or of 3 bands) into a picture and writes it as a 16-bit TIFF:
// grey with the sRGB curve, or linear ROMM. Slow tone is mixed over the whole overlap, fine detail
// within a few px of the line that is equally deep in both plates, so that neither an edge nor a
// double contour shows; where one plate is alone its pixels stand as they are (cubic convolution
// where it is turned). *covered_share: of the picture that any plate shows; the rest is 0. HC_EARG
// for mixed bands, HC_ELIMIT for a picture above the ceilings, HC_EIO, HC_ENOMEM, HC_ECANCEL.
// Memory: some strips of 256 rows and 1/64 of the plates. The same bytes for any number of threads.
hc_status hc_image_join(double *covered_share, const struct hc_join_picture *picture,
                        const struct hc_join_plate *plate, size_t n, struct hc_par *par,
                        struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// ---- display tiles -----------------------------------------------------------------------------

// 256 px tiles of every level. Level 0 is the smallest (fits one tile); the last level is full
// size, each level half of the next (rounded up). One file per picture holds the levels below full
// size, encoded, with an index; a tile of the full size is encoded when it is asked for, from the
// raster the file was made from.
enum hc_tiles_kind {
    HC_TILES_COLOUR, // 3-band raster -> JPEG, sRGB
    HC_TILES_GREY,   // 1-band raster, linear light, stretched lo..hi -> JPEG, grey, sRGB curve
    HC_TILES_HATCH,  // 1-band reason codes -> PNG with alpha: hatch where the code is not 0
    HC_TILES_HEAT,   // 1-band values lo..hi -> PNG with alpha: a neutral veil in five steps with
                     // lines between the steps; below lo + (hi-lo)/6 nothing is drawn
    // For the page to compute with, as PNG of three 8-bit channels:
    HC_TILES_SLOPES, // 3 bands p, q, standard error (< 0: no answer). n_x = a / 2047.5 - 1 with
                     // a = R << 4 | G >> 4, n_y the same of (G & 15) << 8 | B, of the unit
                     // normal (x right, y up); 0, 0, 0 = no answer
    HC_TILES_NUMBERS // 1 band: lo + (hi - lo) * (R << 8 | G) / 65535
};
// Levels are averaged in linear light. lo < hi is needed for GREY, HEAT and NUMBERS and ignored
// otherwise. The same bytes for any number of threads. source: a text kept in the file that names
// the raster (up to HC_TILES_SOURCE bytes with the zero).
#define HC_TILES_SOURCE 192
hc_status hc_tiles_make(const struct hc_raster *r, enum hc_tiles_kind kind, float lo, float hi,
                        const char *source, const char *path, struct hc_par *par,
                        struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// The same from rows as they come, HC_TILES_ROWS at a time (fewer only at the end); `rows` has one
// plane per band. Written to path + ".part", renamed by hc_tiles_end, which frees m in any case.
#define HC_TILES_ROWS 256
struct hc_tiles_maker;
hc_status hc_tiles_begin(struct hc_tiles_maker **out, const char *path, int w, int h,
                         enum hc_tiles_kind kind, float lo, float hi,
                         struct hc_err *err) HC_MUST_CHECK;
hc_status hc_tiles_add(struct hc_tiles_maker *m, const struct hc_plane *rows, struct hc_par *par,
                       struct hc_err *err) HC_MUST_CHECK;
hc_status hc_tiles_end(struct hc_tiles_maker *m, const char *source,
                       struct hc_err *err) HC_MUST_CHECK;
void hc_tiles_abandon(struct hc_tiles_maker *m); // deletes the part file, frees m; NULL is fine

struct hc_tiles;
struct hc_tiles_info {
    int w, h, levels, tile; // full size in px, number of levels, tile side
    const char *type;       // "image/jpeg" or "image/png"
    const char *source;     // as given when made; owned by the tiles
    bool has_raster;        // hc_tiles_lend was called
};
hc_status hc_tiles_open(struct hc_tiles **out, const char *path, struct hc_err *err) HC_MUST_CHECK;
void hc_tiles_close(struct hc_tiles *t);
struct hc_tiles_info hc_tiles_get_info(const struct hc_tiles *t);
// The raster for the full size; closed with the tiles. HC_EDATA when its size or bands do not fit
// (then it stays the caller's).
hc_status hc_tiles_lend(struct hc_tiles *t, struct hc_raster *r, struct hc_err *err) HC_MUST_CHECK;
// The encoded bytes of one tile, appended to out. HC_ENOTFOUND outside, and for the full size
// without a raster. Any thread.
hc_status hc_tiles_get(const struct hc_tiles *t, int level, int x, int y, struct hc_buf *out,
                       struct hc_err *err) HC_MUST_CHECK;

// ---- pictures out ------------------------------------------------------------------------------

// A small picture in memory (patches of the spot strip, report figures): planes of one size, n = 1
// (linear grey) or 3 (linear ROMM), encoded as 8-bit sRGB. Bytes are appended to out.
hc_status hc_image_encode_jpeg(struct hc_buf *out, const struct hc_plane *bands, int n, int quality,
                               struct hc_err *err) HC_MUST_CHECK;
hc_status hc_image_encode_png(struct hc_buf *out, const struct hc_plane *bands, int n,
                              struct hc_err *err) HC_MUST_CHECK;

enum hc_export_as {
    HC_EXPORT_SRGB16,   // 3-band: 16-bit sRGB TIFF with profile
    HC_EXPORT_LAB,      // 3-band: float32 3-band CIELAB D50
    HC_EXPORT_LINEAR16, // 3-band: 16-bit TIFF, linear ROMM with an embedded profile that says so
    HC_EXPORT_FLOAT,    // 1-band float32
    HC_EXPORT_VECTOR,   // 3-band float32 as it is (normals)
    HC_EXPORT_CODE8     // 1-band 8-bit
};
// Streams rows to a TIFF, BigTIFF when needed; temporary + fsync + rename. description goes into
// ImageDescription (provenance, plain text; NULL for none). SRGB16 and LINEAR16 clip to 0..1; CODE8
// rounds and clips to 0..255. HC_EARG when the bands do not fit the kind.
hc_status hc_image_export(const struct hc_raster *r, enum hc_export_as as, const char *path,
                          const char *description, struct hc_job *job,
                          struct hc_err *err) HC_MUST_CHECK;

// Writes generated pictures (the demo's photographs): rows come from a callback as values 0..1 that
// are already encoded by the sRGB curve; stored as 16 bit with an sRGB (3 bands) or sRGB-grey
// profile (1 band). dpi 0 = not stated.
typedef hc_status (*hc_image_rows_fn)(void *ctx, int y0, struct hc_plane *bands,
                                      struct hc_err *err);
hc_status hc_image_write_tiff16(const char *path, int w, int h, int bands, hc_image_rows_fn fn,
                                void *ctx, double dpi, struct hc_job *job,
                                struct hc_err *err) HC_MUST_CHECK;

#endif
