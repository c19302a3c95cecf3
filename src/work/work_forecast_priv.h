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
    size_t n_zones;
    const char *raster[HC_WORK_LAYERS], *tiles[HC_WORK_LAYERS];
};

// Rendering of a fitted forecast (work_render.c).
struct hc_work_render {
    struct hc_work *w;
    const struct hc_forecast *fit;
    const struct hc_raster *before, *uv; // placed; uv NULL without one
    int frame_w, frame_h;
    struct hc_pt *const *zone_pt; // n_zones polygons of zone_n corners
    const size_t *zone_n;
    size_t n_zones;
    const char *inputs;           // JSON of what the layers are made from
    char (*layer)[80];            // in: names of the four rasters in derived/
    char (*tiles)[HC_SHA256_HEX]; // out: keys of their tiles
};
// Writes the four rasters and their tiles. What was begun is taken away again on failure; a raster
// that was finished before it stays, unnamed by any document, until the next forecast replaces it.
hc_status hc_work_render(const struct hc_work_render *r, struct hc_job *job,
                         struct hc_err *err) HC_MUST_CHECK;
// 1 inside any zone. The plane covers frame px 0.., y0.. at `cell` px each.
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
