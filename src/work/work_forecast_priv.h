// The forecast document: what is kept of a run, and how it is told.
#ifndef HC_WORK_WORK_FORECAST_PRIV_H
#define HC_WORK_WORK_FORECAST_PRIV_H

#include "forecast/forecast.h"
#include "work/work_priv.h"

enum hc_work_layer { HC_WORK_LOOK, HC_WORK_RADIUS, HC_WORK_COAT, HC_WORK_REFUSAL, HC_WORK_LAYERS };
extern const char *const hc_work_layer_name[HC_WORK_LAYERS];

// Display ranges: radius 0..12 CIEDE2000 and coat 0..2.5 (our own choice; values are in the
// rasters).
#define HC_WORK_RADIUS_HI 12.0f
#define HC_WORK_COAT_HI 2.5f

struct hc_work_forecast_basis {
    const struct hc_forecast_summary *summary;
    const char *surface;
    const struct hc_window_list *windows;
    const struct hc_view *before, *uv; // uv NULL without one
    const char *uv_note;               // why a UV view was left aside, "" when none was
    size_t n_zones;
    const char *raster[HC_WORK_LAYERS], *tiles[HC_WORK_LAYERS];
};

// ---- which views it may rest on (work_forecast_views.c) ----

// Window pixels closer to the outline are left out where enough remain (frame px); a test view must
// be placed at least as finely.
#define HC_WORK_EDGE_PX 1.5

// The first UV view of the state before that may be used: view.id is 0 without one, and note says
// why one was left aside.
struct hc_work_uv {
    struct hc_view view;
    struct hc_work_place place;
    bool is_partial; // it does not show the whole frame
    char note[240];
};
hc_status hc_work_find_uv(struct hc_work *w, struct hc_work_uv *uv, const struct hc_painting *p,
                          const struct hc_window_list *windows, struct hc_err *err) HC_MUST_CHECK;
void hc_work_uv_release(struct hc_work_uv *uv);
// May a window with this outline be read from this test view? HC_EREFUSED says why not.
hc_status hc_work_check_test(const struct hc_view *v, const struct hc_work_place *place,
                             const struct hc_pt *pt, size_t n, struct hc_err *err) HC_MUST_CHECK;
// Frame pixels of a placed view in three bands; of a detail the means over its finer pixels. The
// rectangle must lie inside what the view shows.
hc_status hc_work_read_in_frame(const struct hc_raster *r, const struct hc_work_place *place,
                                struct hc_work_rect at, struct hc_plane bands[3],
                                struct hc_err *err) HC_MUST_CHECK;

// Rendering of a fitted forecast (work_render.c).
struct hc_work_render {
    struct hc_work *w;
    const struct hc_forecast *fit;
    const struct hc_raster *before, *uv; // placed; uv NULL without one
    int frame_w, frame_h;
    struct hc_pt *const *zone_pt; // n_zones polygons of zone_n corners
    const size_t *zone_n;
    size_t n_zones;
    const struct hc_pt *shown;    // the four corners of what uv shows; NULL: the whole frame
    const char *inputs;           // JSON of what the layers are made from
    char (*layer)[80];            // in: names of the four rasters in derived/
    char (*tiles)[HC_SHA256_HEX]; // out: keys of their tiles
};
// Writes the four rasters and their tiles; takes them away again on failure.
hc_status hc_work_render(const struct hc_work_render *r, struct hc_job *job,
                         struct hc_err *err) HC_MUST_CHECK;
// 1 inside any zone, 2 beyond what is shown. The plane covers frame px 0.., y0.. at `cell` px each.
void hc_work_zone_mask(const struct hc_work_render *r, struct hc_plane *mask, double y0,
                       double cell);

// The document as stored (docs/http-api.md, FORECAST, plus raster names and the basis).
hc_status hc_work_forecast_document(struct hc_work *w, struct hc_buf *b,
                                    const struct hc_work_forecast_basis *f,
                                    struct hc_err *err) HC_MUST_CHECK;
// Opens one layer of the newest forecast.
hc_status hc_work_open_layer(struct hc_work *w, enum hc_work_layer k, struct hc_raster **out,
                             struct hc_err *err) HC_MUST_CHECK;

#endif
