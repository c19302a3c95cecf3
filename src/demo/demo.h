// The demo painting: one invented still life as a physical scene, and every photograph of it.
//
// Geometry, brush strokes with height, spectral paints, two coats, retouching, losses, oak grain;
// all techniques are rendered from it, and its truth is kept. Pure: the caller writes the files.
// Amounts are invented; laws and their limits: docs/theory/demo.md. One thread at a time; the work
// inside is spread over the pool given at creation.
#ifndef HC_DEMO_DEMO_H
#define HC_DEMO_DEMO_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/job.h"
#include "base/par.h"
#include "num/geom.h"
#include "num/plane.h"

#define HC_DEMO_RING_LIGHTS 8
enum hc_demo_view {
    HC_DEMO_BEFORE,    // normal light, with both coats and old retouching
    HC_DEMO_TEST,      // the windows open; exposure +3 %, moved (1.3, -0.8) px, turned 0.02 degrees
    HC_DEMO_UV,        // UV-induced visible fluorescence (3 bands)
    HC_DEMO_IR,        // 1 band
    HC_DEMO_XRAY,      // 1 band
    HC_DEMO_RAKING_0,  // light from the right, 12 degrees above the picture plane
    HC_DEMO_RAKING_90, // from above
    HC_DEMO_RAKING_180, // from the left
    HC_DEMO_RAKING_270, // from below
    HC_DEMO_RING, // HC_DEMO_RING_LIGHTS views: lamps every 45 degrees, 30 degrees above the picture
                  // plane, through crossed polarisers, the windows open
    HC_DEMO_TRUTH_AFTER =
        HC_DEMO_RING + HC_DEMO_RING_LIGHTS, // truth: the paint with the coats gone everywhere
                                            // (losses, retouching stay)
    HC_DEMO_TRUTH_COAT,                     // truth: effective coat, 1 band
    HC_DEMO_TRUTH_HEIGHT,                   // truth: paint height, mm, 1 band
    HC_DEMO_TRUTH_COVER, // truth: share of later paint (retouching, overpaint), 0..1, 1 band
    HC_DEMO_VIEW_COUNT
};
struct hc_demo_view_info {
    const char *file;      // "before.tif"
    const char *technique; // DESIGN words: "normal" "uv" "ir" "xray" "raking"; "" for truth
    const char *state;     // "before" "test"; "" for truth
    int bands;
    int has_light;
    double azimuth_deg, elevation_deg;
};
struct hc_demo_view_info hc_demo_view_info(enum hc_demo_view v);

#define HC_DEMO_WINDOWS 8
struct hc_demo_window {
    const char *name, *system, *surface;
    struct hc_pt corner[4];
};
struct hc_demo_zone {
    const char *name, *kind;
    struct hc_pt corner[8];
    size_t n;
};

struct hc_demo;
// w x h px of the painted surface (300 mm x 360 mm; 3000 x 3600 px gives 0.1 mm per px), h = 6/5 w,
// 100 <= w <= 12000 (HC_ERANGE). Same seed, same picture, whatever the number of threads; the seed
// moves brushwork and damage, not the motif. par (NULL = serial) is used until hc_demo_destroy.
// About 18 bytes per px and 40 MB; HC_ENOMEM, HC_ECANCEL.
hc_status hc_demo_create(struct hc_demo **out, int w, int h, uint64_t seed, struct hc_par *par,
                         struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
void hc_demo_destroy(struct hc_demo *d);
// Rows y0 .. y0+h-1 of a view; any cut into pieces gives the same values. HC_ERANGE outside.
// `bands` has info.bands planes, w wide. Photographs: sRGB-encoded values 0..1, ready to be written
// as 16-bit sRGB (3 bands) or grey with the sRGB curve (1 band). Truth: AFTER as encoded sRGB; the
// others as plain numbers.
hc_status hc_demo_rows(struct hc_demo *d, enum hc_demo_view v, int y0, struct hc_plane *bands,
                       struct hc_err *err) HC_MUST_CHECK;
const struct hc_demo_window *hc_demo_windows(const struct hc_demo *d); // HC_DEMO_WINDOWS of them
const struct hc_demo_zone *hc_demo_zones(const struct hc_demo *d, size_t *n);

#endif
