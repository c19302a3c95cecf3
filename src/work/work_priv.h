// What the use cases share among themselves. Not for other rooms.
#ifndef HC_WORK_WORK_PRIV_H
#define HC_WORK_WORK_PRIV_H

#include <jansson.h>

#include "base/par.h"
#include "image/image.h"
#include "num/geom.h"
#include "store/store.h"
#include "work/work.h"

#define HC_WORK_ROOM "work"
#define HC_WORK_PATH 4096
#define HC_WORK_INPUTS 480 // JSON of what a derived file was made from
#define HC_WORK_TILE_CACHE 12

struct hc_work_cached_tiles {
    char key[HC_SHA256_HEX];
    struct hc_tiles *tiles;
    unsigned long used;
};

struct hc_work {
    struct hc_store *store;
    struct hc_par *par;
    bool is_writable;
    struct hc_work_cached_tiles cache[HC_WORK_TILE_CACHE];
    unsigned long clock;
};

// ---- polygons ----
struct hc_work_poly {
    struct hc_pt *pt;
    size_t n;
    char *before, *test, *surface, *system, *label, *kind; // GeoJSON properties, NULL when absent
};
struct hc_work_poly_list {
    struct hc_work_poly *p;
    size_t n;
};
hc_status hc_work_geojson_read(struct hc_work_poly_list *out, const char *text,
                               struct hc_err *err) HC_MUST_CHECK;
void hc_work_poly_list_release(struct hc_work_poly_list *l);
// The stored form: [[x,y],...]
hc_status hc_work_poly_parse(struct hc_pt **pt, size_t *n, const char *json,
                             struct hc_err *err) HC_MUST_CHECK;
void hc_work_poly_json(struct hc_buf *b, const struct hc_pt *pt, size_t n);
// Inside the frame, not crossing itself, at least 25 px.
hc_status hc_work_poly_check(const struct hc_pt *pt, size_t n, int frame_w, int frame_h,
                             struct hc_err *err) HC_MUST_CHECK;

// ---- painting and views ----

// mm per px of the frame: square root of the area ratio, so that a slightly wrong side does little.
double hc_work_mm_per_px(const struct hc_painting *p);
// The painting; HC_ENOTFOUND with advice when it has no frame yet.
hc_status hc_work_framed(struct hc_work *w, struct hc_painting *p,
                         struct hc_err *err) HC_MUST_CHECK;
bool hc_work_is_placed(const struct hc_view *v); // reference, good or usable

// What display needs of a view, kept as the result "display-<id>".
struct hc_work_display {
    char tiles[HC_SHA256_HEX];
    float lo, hi; // stretch of a one-band view
};
hc_status hc_work_display_get(struct hc_work *w, int64_t view, struct hc_work_display *d,
                              struct hc_err *err) HC_MUST_CHECK;
// Makes what is missing of a view's raster, placed raster and tiles.
hc_status hc_work_view_refresh(struct hc_work *w, const struct hc_view *v, bool is_forced,
                               struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
// The raster of a view in its own pixels, and in the frame (the same file for the frame view).
hc_status hc_work_open_own(struct hc_work *w, const struct hc_view *v, struct hc_raster **out,
                           struct hc_err *err) HC_MUST_CHECK;
// The raster as decoded, before any calibration.
hc_status hc_work_open_decoded(struct hc_work *w, const struct hc_view *v, struct hc_raster **out,
                               struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_open_placed(struct hc_work *w, const struct hc_view *v, struct hc_raster **out,
                              struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_open_derived(struct hc_work *w, const char *name, struct hc_raster **out,
                               struct hc_err *err) HC_MUST_CHECK;
// Encode a raster as display tiles under its content hash; writes the hash to key. inputs: JSON of
// what the raster was made from.
hc_status hc_work_make_tiles(struct hc_work *w, const struct hc_raster *r, enum hc_tiles_kind kind,
                             float lo, float hi, const char *inputs, char key[HC_SHA256_HEX],
                             struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
void hc_work_drop_derived(struct hc_work *w, const char *name); // best effort
void hc_work_tiles_json(struct hc_work *w, struct hc_buf *b, const char *key);

// Reads a rectangle of any raster into fresh planes (bands of it), clipped to the raster.
struct hc_work_rect {
    int x0, y0, w, h;
};
hc_status hc_work_read_rect(const struct hc_raster *r, struct hc_work_rect at,
                            struct hc_plane *bands, struct hc_err *err) HC_MUST_CHECK;
// One luminance-like plane out of 1 or 3 bands (Y of linear ROMM).
void hc_work_luminance(struct hc_plane *dst, const struct hc_plane *bands, int n);

// ---- placement ----
struct hc_align_fit;
// Stores a fit (good or refused) as the view's placement.
hc_status hc_work_store_fit(struct hc_work *w, struct hc_view *v, const struct hc_align_fit *fit,
                            struct hc_err *err) HC_MUST_CHECK;

// Resamples a view into the frame by its stored fit, bend included.
hc_status hc_work_place_raster(struct hc_work *w, const struct hc_view *v,
                               const struct hc_raster *own, const char *path, int frame_w,
                               int frame_h, struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
// FNV-1a, 64 bit: tells "changed" from "the same".
uint64_t hc_work_mark(const char *text, size_t n);

// ---- calibration ----
int64_t hc_work_calibration_id(struct hc_work *w, int64_t view); // 0: the view has none
// Writes the calibrated raster of a view to path.
hc_status hc_work_apply_calibration(struct hc_work *w, int64_t view, const struct hc_raster *in,
                                    const char *path, struct hc_job *job,
                                    struct hc_err *err) HC_MUST_CHECK;
void hc_work_calibration_json(struct hc_work *w, struct hc_buf *b, int64_t view); // short form
// Where a view's colours come from, "by calibration of 2026-11-25 against ..."; false: from the
// file.
bool hc_work_colour_source(struct hc_work *w, const struct hc_view *v, char *text, size_t room);
// The members profile, profile_assumed and note of a view: once calibrated nothing is assumed.
void hc_work_colour_json(struct hc_work *w, struct hc_buf *b, const struct hc_view *v);

// ---- exposure ----
// Measures and stores the exposure of `v` against the frame view, on pixels outside the windows.
hc_status hc_work_match_exposure(struct hc_work *w, struct hc_view *v, struct hc_job *job,
                                 struct hc_err *err) HC_MUST_CHECK;

// After a view's pixels or place changed: remakes what is shown of it and matches its exposure.
hc_status hc_work_view_changed(struct hc_work *w, struct hc_view *v, struct hc_job *job,
                               struct hc_err *err) HC_MUST_CHECK;

// ---- JSON in ----
hc_status hc_work_json_load(json_t **out, const char *text, const char *what,
                            struct hc_err *err) HC_MUST_CHECK;
// Newest result of a kind, parsed; HC_ENOTFOUND.
hc_status hc_work_result(struct hc_work *w, const char *kind, json_t **out,
                         struct hc_err *err) HC_MUST_CHECK;
const char *hc_work_json_text(const json_t *o, const char *key); // "" when absent
double hc_work_json_number(const json_t *o, const char *key);    // NaN when absent

// A text that changes when anything a forecast rests on changes (views, placement, windows, zones).
hc_status hc_work_basis(struct hc_work *w, char out[17], struct hc_err *err) HC_MUST_CHECK;

void hc_work_view_json(struct hc_work *w, struct hc_buf *b, const struct hc_view *v,
                       double mm_per_px);

#endif
