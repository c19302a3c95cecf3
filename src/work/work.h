// Use cases: what a conservator asks the program to do. Both edges (command line, page) call these
// and nothing else. Results come as JSON documents (docs/http-api.md gives their fields), so that
// the command's --json and the page always say the same.
//
// Thread rule: one struct hc_work belongs to one thread at a time. A writer handle holds the
// dossier against other writers; readers may be open beside it.
#ifndef HC_WORK_WORK_H
#define HC_WORK_WORK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/buf.h"
#include "base/err.h"
#include "base/job.h"

// Process exit code and HTTP code of each status: the one table (docs/cli.md, docs/http-api.md).
int hc_work_exit_code(hc_status status);
int hc_work_http_code(hc_status status);

// The first statement of main(): pictures are decoded by this same program started again with a
// hidden first argument. Returns -1 in an ordinary start, else the exit code to leave with.
int hc_work_child_main(int argc, char **argv);
hc_status hc_work_init(const char *argv0, struct hc_err *err) HC_MUST_CHECK; // once, from main
void hc_work_shutdown(void);

struct hc_work;
hc_status hc_work_open(struct hc_work **out, const char *dossier, bool for_writing, int threads,
                       struct hc_err *err) HC_MUST_CHECK;
void hc_work_close(struct hc_work *w);
// Who makes the changes that follow, for the dossier's log; NULL or "" = not said.
void hc_work_set_author(struct hc_work *w, const char *author);

struct hc_work_new {
    const char *title, *maker, *date, *support, *inventory, *owner;
    double height_mm, width_mm;
};
hc_status hc_work_new(const char *dossier, const struct hc_work_new *req,
                      struct hc_err *err) HC_MUST_CHECK;

struct hc_work_add {
    const char *file, *technique, *state, *label; // label NULL: made from technique and state
    const char *shown_name;                       // file name to record; NULL: the file's own
    const char *note;                             // to be said of the view first; may be NULL
    bool has_light;
    double azimuth_deg, elevation_deg;
};
hc_status hc_work_add(struct hc_work *w, const struct hc_work_add *req, struct hc_buf *json,
                      struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

hc_status hc_work_dossier(struct hc_work *w, struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_views(struct hc_work *w, struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;
// Place one view (label or id) or, with NULL, all that are not placed yet.
hc_status hc_work_align(struct hc_work *w, const char *view, struct hc_buf *json,
                        struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// Joins 2 to 60 overlapping views (X-ray plates, infrared frames; labels or ids) of one technique,
// state and face into one, which is added as a view of its own; the plates stay. label NULL: made
// from technique and state. json: the new VIEW. HC_EREFUSED, and nothing is added, when the plates
// do not join beyond doubt.
hc_status hc_work_mosaic(struct hc_work *w, const char *const *views, size_t n, const char *label,
                         struct hc_buf *json, struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// Colour target in a view: find it (or take its four corners: middles of the corner patches, the
// first patch first, clockwise as the target is read), fit a correction, judge it by patches left
// out, and apply it to the view and to `also` (views photographed in the same set-up: they inherit
// it and say so). chart: text of a CGATS.17 file or a CSV of spectra. rows, cols: 0, 0 = as the
// chart says. flat: a view of an even board, or NULL.
struct hc_work_calibrate {
    const char *view, *chart, *flat;
    const char *const *also;
    size_t n_also;
    int rows, cols;
    bool has_corners;
    struct hc_work_point {
        double x, y;
    } corner[4];
};
hc_status hc_work_calibrate(struct hc_work *w, const struct hc_work_calibrate *req,
                            struct hc_buf *json, struct hc_job *job,
                            struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_calibrate_remove(struct hc_work *w, const char *view, struct hc_job *job,
                                   struct hc_err *err) HC_MUST_CHECK;
// The whole calibration document of a view; HC_ENOTFOUND when it has none.
hc_status hc_work_calibration_get(struct hc_work *w, const char *view, struct hc_buf *json,
                                  struct hc_err *err) HC_MUST_CHECK;

// Point measurements on the painting: a CSV with columns x, y (frame px) and spectra, or Lab. Kept
// in the dossier; the document compares the reference view with them over spots of `aperture_mm`.
hc_status hc_work_points_import(struct hc_work *w, const char *text, const char *name,
                                double aperture_mm, struct hc_buf *json,
                                struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_points(struct hc_work *w, const char *light, int observer_deg,
                         struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;

// Place a view by pairs of points marked by hand: text of lines "frame_x,frame_y,view_x,view_y"
// (px, 4 pairs or more; a first line of words and lines that start with # are passed over).
hc_status hc_work_align_points(struct hc_work *w, const char *view, const char *text,
                               struct hc_buf *json, struct hc_job *job,
                               struct hc_err *err) HC_MUST_CHECK;

// The same from numbers. The pairs are kept in the dossier (hc_work_pairs gives them back), and a
// later placing of the view falls back on them when its measurement is refused. The check alone
// says what would be refused before anything is computed.
struct hc_work_pair {
    double frame_x, frame_y, view_x, view_y;
};
hc_status hc_work_pairs_check(struct hc_work *w, const char *view, const struct hc_work_pair *pair,
                              size_t n, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_align_pairs(struct hc_work *w, const char *view, const struct hc_work_pair *pair,
                              size_t n, struct hc_buf *json, struct hc_job *job,
                              struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_pairs(struct hc_work *w, const char *view, struct hc_buf *json,
                        struct hc_err *err) HC_MUST_CHECK;

// Takes a placement back: the view is as it was before it was placed; its pairs are kept.
hc_status hc_work_align_remove(struct hc_work *w, const char *view, struct hc_buf *json,
                               struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// Areas that placing passes over (a cradle in an X-ray, a clamp, a colour target), as GeoJSON in
// px of the view's own; NULL = none. They count from the next placing on; those of the frame view
// count for every view.
hc_status hc_work_ignored_set(struct hc_work *w, const char *view, const char *geojson,
                              struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_ignored(struct hc_work *w, const char *view, struct hc_buf *json,
                          struct hc_err *err) HC_MUST_CHECK;

// Where the tiles of a view's fit lie and how far each is from the fit; HC_ENOTFOUND when not
// fitted.
hc_status hc_work_fit_map(struct hc_work *w, const char *view, struct hc_buf *json,
                          struct hc_err *err) HC_MUST_CHECK;

// geojson: a Polygon, a Feature or a FeatureCollection of polygons in frame px.
// before/test/surface/ system may be NULL when the file's properties have them.
struct hc_work_window {
    const char *geojson, *before, *test, *surface, *system, *label;
};
hc_status hc_work_window_add(struct hc_work *w, const struct hc_work_window *req,
                             struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_window_remove(struct hc_work *w, int64_t id, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_windows(struct hc_work *w, struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;

// kind: overpaint, retouching, loss, abrasion, gilding.
hc_status hc_work_zone_add(struct hc_work *w, const char *geojson, const char *kind,
                           const char *label, struct hc_buf *json,
                           struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_zone_remove(struct hc_work *w, int64_t id, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_zones(struct hc_work *w, struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;

struct hc_work_forecast {
    const char *surface; // state to forecast: NULL = that of most windows
    double radius_limit; // 0 = none
};
hc_status hc_work_forecast(struct hc_work *w, const struct hc_work_forecast *req,
                           struct hc_buf *json, struct hc_job *job,
                           struct hc_err *err) HC_MUST_CHECK;
// The newest forecast document; HC_ENOTFOUND when none was made.
hc_status hc_work_forecast_get(struct hc_work *w, struct hc_buf *json,
                               struct hc_err *err) HC_MUST_CHECK;

hc_status hc_work_spot(struct hc_work *w, double x, double y, double mm, struct hc_buf *json,
                       struct hc_err *err) HC_MUST_CHECK;
// A square JPEG of px x px: `what` is a view label or id, or "forecast", "radius", "coat".
hc_status hc_work_patch(struct hc_work *w, const char *what, double x, double y, double mm, int px,
                        struct hc_buf *jpeg, struct hc_err *err) HC_MUST_CHECK;

// A square JPEG of px x px of the view's own pixels (as they are before placing): `side` of them
// around x, y; neutral grey beyond the view.
hc_status hc_work_own(struct hc_work *w, const char *view, double x, double y, double side, int px,
                      struct hc_buf *jpeg, struct hc_err *err) HC_MUST_CHECK;

// One display tile; key is what views and forecast documents give as tiles.key (64 hex digits).
// *type is set to a static media type string.
hc_status hc_work_tile(struct hc_work *w, const char *key, int level, int x, int y,
                       struct hc_buf *bytes, const char **type, struct hc_err *err) HC_MUST_CHECK;

// kind: forecast, radius, refusal, coat, view. as: "lab", "srgb" or NULL.
hc_status hc_work_export(struct hc_work *w, const char *kind, const char *view, const char *as,
                         const char *path, struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_report(struct hc_work *w, const char *path, struct hc_job *job,
                         struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_verify(struct hc_work *w, struct hc_buf *json, struct hc_job *job,
                         struct hc_err *err) HC_MUST_CHECK; // HC_EDATA when problems were found

struct hc_work_demo {
    bool is_small;   // 750 x 900 px instead of 3000 x 3600
    bool only_files; // write the photographs, do not make the dossier
    int threads;
    uint64_t seed;
};
// Writes DIR/photographs/*.tif, DIR/truth/*.tif, DIR/dossier and runs the whole path through the
// functions above.
hc_status hc_work_demo(const char *dir, const struct hc_work_demo *req, struct hc_buf *json,
                       struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// ---- relief (docs/theory/relief.md) ----
// Where lamps stood, for views that are there: a CSV with a first line of names: file (or label),
// and azimuth_deg, elevation_deg or x_mm, y_mm, z_mm from the picture's centre; also polariser
// (crossed, parallel), flat (a view of an even board under this lamp). Kept with the views. A line
// whose view is not there is refused, or passed over with is_partial (when at least one is there).
bool hc_work_is_lights(const char *text);
hc_status hc_work_lights_import(struct hc_work *w, const char *text, const char *name,
                                bool is_partial, struct hc_buf *json,
                                struct hc_err *err) HC_MUST_CHECK;
// The same measured on spheres standing in the raking views of a state: circles in the views' px.
#define HC_WORK_SPHERES 4
struct hc_work_lights {
    const char *state;
    struct hc_work_sphere {
        double x, y, r;
    } sphere[HC_WORK_SPHERES];
    size_t n;
    bool is_matte; // white matte sphere: shading; else mirror: highlight
};
hc_status hc_work_lights_measure(struct hc_work *w, const struct hc_work_lights *req,
                                 struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;

// Slopes, height and texture from the raking views of a state, kept in the dossier.
struct hc_work_relief {
    const char *state;
    int method;               // 0 trimmed, 1 least squares, 2 least trimmed squares
    bool is_flat;             // someone says the picture is flat: drift is removed
    bool is_gained;           // exposures differed: views are brought to one by their medians
    double short_mm, long_mm; // band of the figures; 0 = default
};
hc_status hc_work_relief(struct hc_work *w, const struct hc_work_relief *req, struct hc_buf *json,
                         struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
// One relief document, or {reliefs:[...]} of all states with NULL.
hc_status hc_work_relief_get(struct hc_work *w, const char *state, struct hc_buf *json,
                             struct hc_err *err) HC_MUST_CHECK;
// Texture of a passage (one polygon, frame px); with `other`, both states and their ratio.
struct hc_work_relief_area {
    const char *state, *other, *geojson;
    double short_mm, long_mm; // 0 = as the stored relief
};
hc_status hc_work_relief_texture(struct hc_work *w, const struct hc_work_relief_area *req,
                                 struct hc_buf *json, struct hc_err *err) HC_MUST_CHECK;
// Paint and varnish surface told apart in a passage, or the reason why not.
hc_status hc_work_relief_film(struct hc_work *w, const struct hc_work_relief_area *req,
                              struct hc_buf *json, struct hc_job *job,
                              struct hc_err *err) HC_MUST_CHECK;
// Heights along a line (frame px), mm.
hc_status hc_work_relief_profile(struct hc_work *w, const char *state, struct hc_work_point from,
                                 struct hc_work_point to, struct hc_buf *json,
                                 struct hc_err *err) HC_MUST_CHECK;
// What a wet coat of these properties levels out before it sets (Orchard 1962), by detail size, and
// how much relief the dried coats keep there. open_s: seconds until it no longer flows.
struct hc_work_levelling {
    double thickness_um, tension_n_per_m, viscosity_pa_s, open_s, solids;
    int coats;
};
hc_status hc_work_relief_levelling(const struct hc_work_levelling *req, struct hc_buf *json,
                                   struct hc_err *err) HC_MUST_CHECK;
// "normals", "height", "texture" (map of Sq by cells) or "clog" (the newest map of a film) as float
// TIFF; a square of mm round a frame point as a PLY mesh.
hc_status hc_work_relief_export(struct hc_work *w, const char *state, const char *kind,
                                const char *path, struct hc_job *job,
                                struct hc_err *err) HC_MUST_CHECK;
hc_status hc_work_relief_mesh(struct hc_work *w, const char *state, double x, double y, double mm,
                              double exaggeration, const char *path,
                              struct hc_err *err) HC_MUST_CHECK;

// A document told as plain text for a terminal. kind: "dossier", "views", "view", "windows",
// "window", "zones", "zone", "forecast", "spot", "calibration", "points",
// "verify". HC_EDATA when json is not that document.
hc_status hc_work_tell(const char *kind, const char *json, struct hc_buf *text,
                       struct hc_err *err) HC_MUST_CHECK;

#endif
