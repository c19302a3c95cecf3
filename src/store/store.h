// The dossier on disk: one folder, one SQLite file, originals by content, everything checkable.
//
// NAME/halfclean.db, NAME/originals/<sha256>.<ext> (read-only), NAME/derived/ (recomputable),
// NAME/README.txt. The only room that knows SQLite. Rows are plain structs; strings inside them are
// owned by the row and freed by its release function. One writer per dossier: a second process (or
// handle) that opens for writing gets HC_ECONFLICT. Thread rule: a struct hc_store belongs to one
// thread at a time; open another for another thread.
#ifndef HC_STORE_STORE_H
#define HC_STORE_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/job.h"

#define HC_STORE_SCHEMA 1 // the schema this program writes

struct hc_store;

struct hc_painting {
    char *title, *maker, *date, *support, *inventory, *owner; // title required; others may be NULL
    double height_mm, width_mm;                               // measured size, > 0
    int64_t frame_view;                                       // 0 until a first view is added
    int frame_w, frame_h;                                     // px; 0 until then
};
void hc_painting_release(struct hc_painting *p);

enum hc_store_mode { HC_STORE_READ, HC_STORE_WRITE };

// Creates the folder (its parent must exist, it must not exist or be empty). HC_ECONFLICT when it
// holds something already; HC_EIO with the operating system's reason.
hc_status hc_store_create(const char *folder, const struct hc_painting *p,
                          struct hc_err *err) HC_MUST_CHECK;
// HC_ENOTFOUND not a dossier; HC_EDATA damaged; HC_EUNSUPPORTED newer schema (says which program
// version wrote it); HC_ECONFLICT second writer; HC_EIO. Older schemas are migrated when opened for
// writing, after a copy of the database is kept as halfclean-schema<N>.db.
hc_status hc_store_open(struct hc_store **out, const char *folder, enum hc_store_mode mode,
                        struct hc_err *err) HC_MUST_CHECK;
void hc_store_close(struct hc_store *s);
hc_status hc_store_painting(struct hc_store *s, struct hc_painting *out,
                            struct hc_err *err) HC_MUST_CHECK;

// ---- files
#define HC_SHA256_HEX 65 // 64 hex digits and NUL

hc_status hc_store_hash_file(const char *path, char hex[HC_SHA256_HEX], struct hc_job *job,
                             struct hc_err *err) HC_MUST_CHECK;
// The hash of bytes as they pass by, so that a file just written need not be read again.
struct hc_hash;
hc_status hc_store_hash_begin(struct hc_hash **out, struct hc_err *err) HC_MUST_CHECK;
void hc_store_hash_add(void *hash, const void *bytes, size_t n); // of a struct hc_hash
// The hash and the number of bytes; frees h. hex NULL: only frees. h NULL is fine then.
int64_t hc_store_hash_end(struct hc_hash *h, char hex[HC_SHA256_HEX]);
// Copy a file into originals/ under its hash (temporary, fsync, rename, read-only). The same
// content twice is one file. Does not touch the database: call hc_store_add_view next.
hc_status hc_store_keep_original(struct hc_store *s, const char *path, const char *ext,
                                 char hex[HC_SHA256_HEX], struct hc_job *job,
                                 struct hc_err *err) HC_MUST_CHECK;
// Absolute path of an original or of a derived name, into `out`. Nothing from outside the dossier
// is ever joined to a path without the checks here (no "..", no "/", only [A-Za-z0-9._-]).
hc_status hc_store_original_path(const struct hc_store *s, const char *hex, const char *ext,
                                 char *out, size_t room, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_derived_path(const struct hc_store *s, const char *name, char *out, size_t room,
                                struct hc_err *err) HC_MUST_CHECK;

struct hc_derived {
    char *name;   // file name inside derived/
    char *kind;   // "raster" "placed" "tiles" "forecast" ...
    char *inputs; // JSON: hashes of inputs, parameters, program version
    char sha256[HC_SHA256_HEX];
    int64_t bytes;
};
void hc_derived_release(struct hc_derived *d);
// Record (or replace) a finished derived file: hashes it and commits the row. NAME must exist.
// Write it under a name that ends in ".part" and rename it: files with that ending are taken for
// leftovers and removed when the dossier is next opened for writing. Derived files are no part of
// the record and get no log line.
hc_status hc_store_put_derived(struct hc_store *s, const char *name, const char *kind,
                               const char *inputs_json, struct hc_err *err) HC_MUST_CHECK;
// The same for a file whose hash is known: its `bytes` bytes went by hc_store_hash_add while this
// process wrote and synced it. HC_EDATA when the file has another size.
hc_status hc_store_put_derived_hashed(struct hc_store *s, const char *name, const char *kind,
                                      const char *inputs_json, const char sha256[HC_SHA256_HEX],
                                      int64_t bytes, struct hc_err *err) HC_MUST_CHECK;
// Takes back the row of a derived file that is gone; no row is no failure.
hc_status hc_store_forget_derived(struct hc_store *s, const char *name,
                                  struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_get_derived(struct hc_store *s, const char *name, struct hc_derived *out,
                               struct hc_err *err) HC_MUST_CHECK; // HC_ENOTFOUND, also when
                                                                  // the file is gone

// ---- views
struct hc_view {
    int64_t id;
    char *label, *technique, *state; // label unique in the dossier
    char *face;                      // "front" or "back"
    char *file_name;                 // as the user named it (no folder)
    char sha256[HC_SHA256_HEX], *ext;
    int w, h, bands, bits;
    char *profile, *note; // may be empty
    bool is_profile_assumed;
    double clipped_share;
    bool has_light; // azimuth and elevation known
    double azimuth_deg, elevation_deg;
    char *added_at; // ISO 8601 UTC
    // placement in the frame
    bool is_placed; // false: not tried yet or refused
    char *verdict;  // "reference" "good" "usable" "refused" "none"
    char *fit_why;
    double frame_to_view[9];
    double held_out_median_px, held_out_p95_px, area_supported;
    double exposure_factor; // 1 when not measured; what the view is multiplied by
    double exposure_spread;
    char *fit_json; // the whole report (tiles), JSON; may be NULL
};
void hc_view_release(struct hc_view *v);

struct hc_view_list {
    struct hc_view *v;
    size_t n;
};
void hc_view_list_release(struct hc_view_list *l);

// Adds the row, assigns *id. The original must have been kept first (HC_ENOTFOUND). The first
// "normal" "before" front view becomes the frame and is stored as placed, verdict "reference", with
// the unit matrix, whatever its placement fields say. Techniques and states are the words of the
// record and no others: normal raking specular transmitted uv ir xray micro section; before test
// during-N after-cleaning after-filling after (HC_EARG). NULL strings are stored as "" (face:
// "front", verdict: "none", fit_json: NULL). Numbers must be finite (HC_ERANGE). HC_ECONFLICT when
// the label exists or the same original is there with the same technique and state.
hc_status hc_store_add_view(struct hc_store *s, const struct hc_view *v, int64_t *id,
                            struct hc_err *err) HC_MUST_CHECK;
// Saves the placement fields of v (found by v->id). is_placed goes with the verdicts "reference",
// "good" and "usable", and not with "refused" and "none". HC_ECONFLICT for moving the frame.
hc_status hc_store_place_view(struct hc_store *s, const struct hc_view *v,
                              struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_views(struct hc_store *s, struct hc_view_list *out,
                         struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_view_by_id(struct hc_store *s, int64_t id, struct hc_view *out,
                              struct hc_err *err) HC_MUST_CHECK;
// By label, or by decimal id. HC_ENOTFOUND names the labels there are.
hc_status hc_store_view_by_name(struct hc_store *s, const char *name, struct hc_view *out,
                                struct hc_err *err) HC_MUST_CHECK;

// ---- windows and zones
struct hc_window {
    int64_t id;
    char *label;
    char *polygon; // JSON: [[x,y],...] frame px
    int64_t before_view, test_view;
    char *surface; // "bare" "saturated" "varnished": the surface when photographed as test
    char *system;  // the cleaning system used, free text; may be empty
    double area_px;
    char *added_at;
};
struct hc_window_list {
    struct hc_window *w;
    size_t n;
};
void hc_window_list_release(struct hc_window_list *l);
// The label is unique; NULL or "" makes it "window N". HC_ENOTFOUND for a view that is not there,
// HC_EARG for an outline that is not one, or a surface or zone kind that is not listed here. What
// is removed stays readable in the log.
hc_status hc_store_add_window(struct hc_store *s, const struct hc_window *w, int64_t *id,
                              struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_remove_window(struct hc_store *s, int64_t id, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_windows(struct hc_store *s, struct hc_window_list *out,
                           struct hc_err *err) HC_MUST_CHECK;

// A zone is an area the forecast must leave out: "overpaint" "retouching" "loss" "abrasion"
// "gilding". Same life as a window.
struct hc_zone {
    int64_t id;
    char *kind, *label, *polygon, *added_at;
};
struct hc_zone_list {
    struct hc_zone *z;
    size_t n;
};
void hc_zone_list_release(struct hc_zone_list *l);
hc_status hc_store_add_zone(struct hc_store *s, const struct hc_zone *z, int64_t *id,
                            struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_remove_zone(struct hc_store *s, int64_t id, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_zones(struct hc_store *s, struct hc_zone_list *out,
                         struct hc_err *err) HC_MUST_CHECK;

// ---- results

// A computed result is a JSON document with a kind ("forecast"), kept for ever, newest wins.
hc_status hc_store_put_result(struct hc_store *s, const char *kind, const char *json, int64_t *id,
                              struct hc_err *err) HC_MUST_CHECK;
// Newest of its kind; *json owned by the caller (hc_mem_free). HC_ENOTFOUND when there is none.
hc_status hc_store_get_result(struct hc_store *s, const char *kind, int64_t *id, char **json,
                              struct hc_err *err) HC_MUST_CHECK;
// Every change to the record is also a dated line in the log (who, what), written in the same
// transaction. hc_store_set_author names the person for the lines that follow ("" = unknown).
void hc_store_set_author(struct hc_store *s, const char *author);

struct hc_log_line {
    int64_t id;
    char *at, *author, *program, *what; // ISO 8601 UTC; "" unknown; version; one sentence
    char *detail;                       // JSON of what was removed or replaced; may be NULL
};
struct hc_log {
    struct hc_log_line *line;
    size_t n;
};
void hc_log_release(struct hc_log *l);
hc_status hc_store_log(struct hc_store *s, struct hc_log *out, struct hc_err *err) HC_MUST_CHECK;

// ---- verify

// Checks the database (pages, references, words, placements, outlines, gaps in the log), re-hashes
// every original and every derived file that is there, and looks for files that do not belong. A
// derived file that is missing is not a problem (it can be made again); nor are the leftovers of
// interrupted writes (notes). HC_OK even when problems were found: look at `problems`. HC_ECANCEL,
// HC_EIO.
struct hc_verify {
    int originals, derived, views; // checked
    int problems;                  // each also reported through `each`
    int notes;                     // harmless: leftovers of interrupted writes, README.txt missing
};
typedef void (*hc_verify_fn)(void *ctx, bool is_problem, const char *sentence);
hc_status hc_store_verify(struct hc_store *s, struct hc_verify *out, hc_verify_fn each, void *ctx,
                          struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

#endif
