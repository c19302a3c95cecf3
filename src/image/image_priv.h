// What the files of this room share and nobody else sees.
#ifndef HC_IMAGE_IMAGE_PRIV_H
#define HC_IMAGE_IMAGE_PRIV_H

#include <stdio.h>
#include <sys/types.h>

#include "image/image.h"

#define HC_IMAGE_PATH 4096

// ---- files (image_file.c) ----------------------------------------------------------------------

// A file being written
// under `path`.part. The first failed write is remembered and reported.
struct hc_outfile {
    int fd;
    bool is_direct;
    char path[HC_IMAGE_PATH], part[HC_IMAGE_PATH];
};
hc_status hc_outfile_open(struct hc_outfile *f, const char *path, struct hc_err *err) HC_MUST_CHECK;
// Writes past the page cache from here on, where the file system can: for files that are written
// once and not read at once (the kernel's copy costs more than the disk). Every write but the last
// must then be a multiple of HC_OUTFILE_PAGE from memory aligned to it; the last one may follow
// hc_outfile_indirect.
#define HC_OUTFILE_PAGE 4096
void hc_outfile_direct(struct hc_outfile *f);
void hc_outfile_indirect(struct hc_outfile *f);
hc_status hc_outfile_write(struct hc_outfile *f, const void *p, size_t n,
                           struct hc_err *err) HC_MUST_CHECK; // at the current position
hc_status hc_outfile_write_at(struct hc_outfile *f, const void *p, size_t n, off_t at,
                              struct hc_err *err) HC_MUST_CHECK;
// fsync, rename, fsync of the folder. Closes in any case; on failure the part file is gone.
hc_status hc_outfile_commit(struct hc_outfile *f, struct hc_err *err) HC_MUST_CHECK;
void hc_outfile_abandon(struct hc_outfile *f); // deletes the part file; safe after commit
// The sentence for a failed write: full disk, no permission, read-only, or the system's own words.
hc_status hc_outfile_fail(const char *path, int errnum, struct hc_err *err);

// A regular file for reading. HC_ENOTFOUND, HC_EIO (permission), HC_EUNSUPPORTED (not a plain
// file).
hc_status hc_infile_open(int *fd, off_t *size, const char *path, struct hc_err *err) HC_MUST_CHECK;
bool hc_infile_read_at(int fd, void *p, size_t n, off_t at); // all n bytes or false

// ---- half floats (image_half.c) ----------------------------------------------------------------

// Rounded to nearest, ties to even; beyond +-65504 that number, NaN becomes 0. The plain forms give
// the same bits without the processor's help.
void hc_half_from(uint16_t *out, const float *in, size_t n);
void hc_half_to(float *out, const uint16_t *in, size_t n);
void hc_half_plain_from(uint16_t *out, const float *in, size_t n);
void hc_half_plain_to(float *out, const uint16_t *in, size_t n);

// ---- raster (image_raster.c) -------------------------------------------------------------------

// n rows already in the layout of a float raster (planar within a row); for float rasters only.
hc_status hc_raster_append_raw(struct hc_raster_writer *w, const float *rows, int n,
                               struct hc_err *err) HC_MUST_CHECK;

// ---- directories of a TIFF structure (image_ifd.c) ----------------------------------------------

// A TIFF file, or the EXIF block of another file: `size` bytes from `base` on.
struct hc_ifd_file {
    int fd;
    uint64_t base, size;
    bool is_swapped, is_big; // filled by hc_ifd_open
};
struct hc_ifd_entry {
    unsigned tag, type;
    uint64_t count, at; // at: where the values lie, counted from base
};
typedef void (*hc_ifd_fn)(void *ctx, const struct hc_ifd_file *f, const struct hc_ifd_entry *e);
// Byte order, kind and the place of the first directory; false when it is no TIFF structure.
bool hc_ifd_open(struct hc_ifd_file *f, uint64_t *first);
bool hc_ifd_get(const struct hc_ifd_file *f, uint64_t at, void *p, size_t n); // n bytes or false
uint64_t hc_ifd_number(const struct hc_ifd_file *f, const uint8_t *p, int n); // n bytes, 1..8
// The i-th value as a whole number; false when it is missing or of another kind.
bool hc_ifd_value(const struct hc_ifd_file *f, const struct hc_ifd_entry *e, uint64_t i,
                  uint64_t *out);
// Calls fn for every entry of the directory at `at`; *next = the following directory or 0. False
// when the directory does not lie inside.
bool hc_ifd_walk(const struct hc_ifd_file *f, uint64_t at, hc_ifd_fn fn, void *ctx, uint64_t *next);

// ---- header facts, read by us before any library sees the file (image_sniff.c) -----------------
enum hc_sniff_kind { HC_SNIFF_TIFF, HC_SNIFF_PNG, HC_SNIFF_JPEG, HC_SNIFF_RAW };
struct hc_sniff {
    enum hc_sniff_kind kind;
    int w, h, bands, bits;           // w, h of a raw file: 0, the converter says them
    bool is_float, is_srgb_declared; // declared: the sRGB chunk of a PNG
    int pages;                       // directories of a TIFF (at most 1000 are counted), else 1
    int png_gamma;                   // gAMA x 100000, 0 when absent
    char raw_kind[8];                // "dng", "nef" ... of a raw file
    uint64_t exif_at, exif_bytes;    // where EXIF lies, 0 bytes when absent
};
// Fills out, or says why the file is not taken. `err->what` does not name the file.
hc_status hc_sniff_fd(struct hc_sniff *out, int fd, off_t size, struct hc_err *err) HC_MUST_CHECK;

// ---- how it was taken (image_exif.c) -----------------------------------------------------------

// Camera, lens and exposure from the TIFF structure at `at`; what is absent or absurd stays as it
// is.
void hc_exif_read(struct hc_image_info *info, int fd, uint64_t at, uint64_t bytes);
void hc_image_name_camera(char out[64], const char *make, const char *model);

// ---- camera raw (image_raw.c, image_rawcolour.c) -----------------------------------------------
#define HC_RAW_MAX_PX 100000000LL
#define HC_RAW_MAX_MIB 300 // of the file, which is held in memory while it is unpacked
#define HC_RAW_KINDS "dng nef cr2 cr3 arw pef srw 3fr iiq raf orf rw2 mrw raw"

struct hc_raw; // one raw file, in the decoder process only
// Reads the file whole and asks the converter what it is. HC_EUNSUPPORTED (not known, no colour
// matrix, not three colours ...), HC_EDATA, HC_ELIMIT, HC_EIO.
hc_status hc_raw_open(struct hc_raw **out, int fd, off_t size, struct hc_err *err) HC_MUST_CHECK;
void hc_raw_close(struct hc_raw *r);
// Camera facts, note and profile text; *w, *h as they lie in the file; EXIF orientation 1..8.
void hc_raw_info(const struct hc_raw *r, struct hc_image_info *info, int *w, int *h,
                 int *orientation);
// Unpacks and interpolates. *px: w x h x 3 numbers, 65535 = the level at which the first channel
// saturates after white balance; owned by r.
hc_status hc_raw_develop(struct hc_raw *r, const uint16_t **px, struct hc_err *err) HC_MUST_CHECK;
const double *hc_raw_matrix(const struct hc_raw *r); // white-balanced camera -> linear ROMM, 3x3

// What a file says about its camera's colour.
struct hc_raw_colour {
    int n;             // matrices: 1 or 2
    double m[2][9];    // XYZ -> camera
    int illuminant[2]; // EXIF LightSource codes; 0 = not said
    double neutral[3]; // the camera's numbers for white as shot
    bool has_neutral;
};
// By the rules of the DNG specification: out = white-balanced camera (white = 1, 1, 1) -> linear
// ROMM. Without has_neutral the light is taken as D65 and neutral is filled in. HC_EUNSUPPORTED
// when the numbers make no sense.
hc_status hc_raw_colour_matrix(double out[9], struct hc_raw_colour *c,
                               struct hc_err *err) HC_MUST_CHECK;

// ---- profiles (image_icc.c) --------------------------------------------------------------------
struct hc_icc; // from the numbers of one file to the working space
struct hc_icc_source {
    int bands, bits;
    bool is_float, is_srgb_declared;
    const void *profile; // embedded profile, NULL when none
    size_t profile_bytes;
};
// Always gives a converter; profile text, is_assumed and note of `info` say which.
hc_status hc_icc_create(struct hc_icc **out, const struct hc_icc_source *src,
                        struct hc_image_info *info, struct hc_err *err) HC_MUST_CHECK;
// The short way with a given matrix for linear 16-bit RGB (camera raw).
hc_status hc_icc_create_linear16(struct hc_icc **out, const double to_romm[9],
                                 struct hc_err *err) HC_MUST_CHECK;
void hc_icc_destroy(struct hc_icc *c);
bool hc_icc_is_fast(const struct hc_icc *c); // tables + 3x3, proved equal to lcms2 at set-up
struct hc_icc_count {
    uint64_t clipped, not_a_number; // pixels
};
// n interleaved pixels of the file's own type -> one float row per band.
void hc_icc_row(const struct hc_icc *c, float *const out[], const void *in, size_t n,
                struct hc_icc_count *count);

enum hc_icc_kind { HC_ICC_SRGB, HC_ICC_ROMM_LINEAR, HC_ICC_GREY_SRGB };
// A profile file in memory, the same bytes on every call, appended to out.
hc_status hc_icc_write_profile(struct hc_buf *out, enum hc_icc_kind kind,
                               struct hc_err *err) HC_MUST_CHECK;

// Rows of linear light from a callback as a 16-bit TIFF: grey with the sRGB curve (1 band) or
// linear ROMM (3 bands), clipped to 0..1. description may be NULL.
hc_status hc_image_write_linear16(const char *path, int w, int h, int bands, hc_image_rows_fn fn,
                                  void *ctx, const char *description, struct hc_job *job,
                                  struct hc_err *err) HC_MUST_CHECK;

// ---- the decoder process (image_child.c, image_sandbox.c, image_decode.c) ----------------------
#define HC_CHILD_FLAG "--hc-decode-child"
#define HC_CHILD_FD_IN 3
#define HC_CHILD_FD_OUT 4
#define HC_CHILD_CPU_S 600
#define HC_CHILD_MEM_MIB 1280
#define HC_CHILD_STALL_S 120
#define HC_CHILD_CHUNK (1 << 20)       // bytes of rows per frame, about
#define HC_TURN_MAX_BYTES (600u << 20) // pictures to be turned upright are held in memory

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define HC_SANITIZED 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer) ||                         \
    __has_feature(memory_sanitizer)
#define HC_SANITIZED 1
#endif
#endif
#ifndef HC_SANITIZED
#define HC_SANITIZED 0
#endif

struct hc_child_limits {
    int cpu_s, mem_mib, stall_s;
};
enum hc_frame_kind { HC_FRAME_INFO = 1, HC_FRAME_ROWS, HC_FRAME_DONE, HC_FRAME_ERROR };
struct hc_frame {
    uint32_t kind, bytes; // payload that follows
};
struct hc_frame_done {
    struct hc_icc_count count;
};
struct hc_frame_error {
    uint32_t status;
    char what[480];
};

// Ceilings before vips is started, and the list of allowed system calls after.
hc_status hc_sandbox_limits(const struct hc_child_limits *lim, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_sandbox_lock(struct hc_err *err) HC_MUST_CHECK;

// hc_image_to_raster with given ceilings; raster_path NULL = header only.
hc_status hc_decode_run(const char *original, const char *raster_path, struct hc_image_info *info,
                        double *clipped_share, const struct hc_child_limits *lim,
                        struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// ---- encoders (image_encode.c) -----------------------------------------------------------------

// 8-bit interleaved pixels,
// channels 1 or 3, appended to out. 4:4:4.
hc_status hc_encode_jpeg8(struct hc_buf *out, const uint8_t *px, int w, int h, int channels,
                          int quality, struct hc_err *err) HC_MUST_CHECK;
// channels 1 grey, 2 grey + alpha, 3 RGB. level = zlib effort 0..9.
hc_status hc_encode_png8(struct hc_buf *out, const uint8_t *px, int w, int h, int channels,
                         int level, struct hc_err *err) HC_MUST_CHECK;
// Linear grey 0..1 (clipped) to 8-bit sRGB.
void hc_encode_grey_row(uint8_t *out, const float *lin, size_t n, float lo, float hi);

// ---- overlays (image_overlay.c) ----------------------------------------------------------------

// Grey + alpha pixels of the n
// x rows patch at x0, y0 of a level. cover: share of refused px, 0..1.
void hc_overlay_hatch_row(uint8_t *ga, const float *cover, int n, int x0, int y0);
// above = the row over this one (NULL on the first row); left = value before v[0] (NaN when none).
void hc_overlay_heat_row(uint8_t *ga, const float *v, const float *above, float left, int n, int x0,
                         int y0, float lo, float hi);

#endif
