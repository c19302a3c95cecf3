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
hc_status hc_work_poly_from(struct hc_pt **pt, size_t *n, const json_t *ring,
                            struct hc_err *err) HC_MUST_CHECK;
// Inside the picture of w x h px (where: "frame" or "view"), not crossing itself, at least 25 px.
hc_status hc_work_poly_check(const struct hc_pt *pt, size_t n, const char *where, int w, int h,
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
// Encode a raster as display tiles under their content hash; writes the hash to key. raster: its
// name in derived/, with its row written. inputs: JSON of what the raster was made from.
hc_status hc_work_make_tiles(struct hc_work *w, const struct hc_raster *r, const char *raster,
                             enum hc_tiles_kind kind, float lo, float hi, const char *inputs,
                             char key[HC_SHA256_HEX], struct hc_job *job,
                             struct hc_err *err) HC_MUST_CHECK;
// The second half of it: a finished tile file, `part` in derived/, gets its name and row.
hc_status hc_work_keep_tiles(struct hc_work *w, const char *part, const char *inputs,
                             char key[HC_SHA256_HEX], struct hc_job *job,
                             struct hc_err *err) HC_MUST_CHECK;
// What a tile file says of the raster behind it: its SHA-256 and name.
hc_status hc_work_source(struct hc_work *w, const char *raster, char out[HC_TILES_SOURCE],
                         struct hc_err *err) HC_MUST_CHECK;
// Gives open tiles their raster. HC_ENOTFOUND when it is gone or another one.
hc_status hc_work_lend_raster(struct hc_work *w, struct hc_tiles *t,
                              struct hc_err *err) HC_MUST_CHECK;
// hc_raster_overview of a placed view. Kept in derived/ while the raster stays the same, so that
// hundreds of megabytes are not read again for each forecast.
#define HC_WORK_FORECAST_SIDE 1000 // px on the longest side: what a forecast asks for
hc_status hc_work_overview(struct hc_work *w, const struct hc_view *v, int max_side,
                           struct hc_plane *bands, int *cell, struct hc_job *job,
                           struct hc_err *err) HC_MUST_CHECK;
// The name in derived/ of a placed view's raster.
void hc_work_placed_name(struct hc_work *w, const struct hc_view *v, char *name, size_t room);
// Writes planes of one size as a derived raster of floats and records it.
hc_status hc_work_keep_planes(struct hc_work *w, const char *name, const char *kind,
                              const char *inputs, int bands, const struct hc_plane *px,
                              struct hc_err *err) HC_MUST_CHECK;
void hc_work_drop_derived(struct hc_work *w, const char *name); // best effort
// at: the box of the frame that the picture covers; NULL = all of it.
void hc_work_tiles_json(struct hc_work *w, struct hc_buf *b, const char *key,
                        const struct hc_raster_grid *at);

// Reads a rectangle of any raster into fresh planes (bands of it), clipped to the raster.
struct hc_work_rect {
    int x0, y0, w, h;
};
hc_status hc_work_read_rect(const struct hc_raster *r, struct hc_work_rect at,
                            struct hc_plane *bands, struct hc_err *err) HC_MUST_CHECK;
// The square of `mm` around a frame point, clipped to the frame; HC_ERANGE outside it.
hc_status hc_work_spot_rect(const struct hc_painting *p, double x, double y, double mm,
                            struct hc_work_rect *at, struct hc_err *err) HC_MUST_CHECK;
// Means over whole cells of side x side px from x0, y0 of a raster of three bands, into planes that
// are there. All cells must lie inside.
hc_status hc_work_cell_means(const struct hc_raster *r, int x0, int y0, int side,
                             struct hc_plane out[3], struct hc_job *job,
                             struct hc_err *err) HC_MUST_CHECK;
// One luminance-like plane out of 1 or 3 bands (Y of linear ROMM).
void hc_work_luminance(struct hc_plane *dst, const struct hc_plane *bands, int n);
// The same read from a raster (of type struct hc_raster *): a rectangle inside it, as large as
// `out`. In this form placement and relief are lent a raster.
hc_status hc_work_read_grey(void *raster, int x0, int y0, struct hc_plane *out,
                            struct hc_err *err) HC_MUST_CHECK;

// ---- placement ----
struct hc_align_fit;
// Stores a fit (good or refused) as the view's placement.
hc_status hc_work_store_fit(struct hc_work *w, struct hc_view *v, const struct hc_align_fit *fit,
                            bool is_by_hand, struct hc_err *err) HC_MUST_CHECK;

// Gives the raking views of each state one place, after any of them was placed: three or more of
// one size that agree (theory: docs/theory/align.md).
hc_status hc_work_share_places(struct hc_work *w, const struct hc_painting *p,
                               struct hc_err *err) HC_MUST_CHECK;

// Where a view lies, read back from its stored fit.
struct hc_work_place {
    json_t *fit;                // the report; NULL for a view that was not fitted
    struct hc_pt outline[4];    // the view's corners in the frame
    bool has_outline;           // false: not known, taken as covering the frame
    bool is_detail;             // shows less than half of the frame and has a grid of its own
    double view_per_frame;      // NaN: not known
    struct hc_raster_grid grid; // of a detail's placed raster
};
hc_status hc_work_place_read(struct hc_work_place *p, const struct hc_view *v,
                             struct hc_err *err) HC_MUST_CHECK;
void hc_work_place_release(struct hc_work_place *p);
// All these frame points lie inside the view's outline.
bool hc_work_place_shows(const struct hc_work_place *p, const struct hc_pt *pt, size_t n);
// Does anything measured speak for the placement at this frame point: near it, on all sides of it
// (dark or even paint between textured parts: interpolated), or neither?
enum hc_work_support { HC_WORK_EXTRAPOLATED, HC_WORK_BETWEEN, HC_WORK_NEAR };
enum hc_work_support hc_work_place_support(const struct hc_work_place *p, struct hc_pt at);

// Fits the pairs of points kept for a view; HC_ENOTFOUND when there are none.
hc_status hc_work_fit_kept_pairs(struct hc_work *w, const struct hc_view *v,
                                 const struct hc_painting *p, struct hc_align_fit *fit,
                                 struct hc_err *err) HC_MUST_CHECK;

// Areas of a view that its placing passes over, in its own px.
struct hc_work_ignored {
    struct hc_pt **poly;
    size_t *corners, n;
};
hc_status hc_work_ignored_read(struct hc_work *w, int64_t view, struct hc_work_ignored *out,
                               struct hc_err *err) HC_MUST_CHECK;
void hc_work_ignored_release(struct hc_work_ignored *g);

// What a person must know before comparing this view with another at a place.
struct hc_work_compare {
    bool is_comparable;
    double finest_px; // details finer than this (frame px) do not meet; NaN: not known, 0: none
    char note[320];   // one sentence, "" when there is nothing to say
};
void hc_work_compare(struct hc_work_compare *c, const struct hc_view *v,
                     const struct hc_work_place *p, double mm_per_px);
const char *hc_work_verdict_word(const char *verdict); // "do not compare" for "refused"
// The fit part of a VIEW document.
void hc_work_fit_json(struct hc_buf *b, const struct hc_view *v, double mm_per_px);

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

// ---- mosaic ----
void hc_work_mosaic_json(struct hc_work *w, struct hc_buf *b, int64_t view); // short form, or null

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

// ---- relief documents as text ----
void hc_work_tell_relief(struct hc_buf *b, const json_t *o);
void hc_work_tell_texture(struct hc_buf *b, const json_t *o);
void hc_work_tell_film(struct hc_buf *b, const json_t *o);
void hc_work_tell_levelling(struct hc_buf *b, const json_t *o);
void hc_work_tell_lights(struct hc_buf *b, const json_t *o);

// A text that changes when anything a forecast rests on changes (views, placement, windows, zones).
hc_status hc_work_basis(struct hc_work *w, char out[17], struct hc_err *err) HC_MUST_CHECK;

void hc_work_view_json(struct hc_work *w, struct hc_buf *b, const struct hc_view *v,
                       double mm_per_px);

#endif
