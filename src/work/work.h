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

// A document told as plain text for a terminal. kind: "dossier", "views", "view", "windows",
// "window", "zones", "zone", "forecast", "spot", "calibration", "points",
// "verify". HC_EDATA when json is not that document.
hc_status hc_work_tell(const char *kind, const char *json, struct hc_buf *text,
                       struct hc_err *err) HC_MUST_CHECK;

#endif
