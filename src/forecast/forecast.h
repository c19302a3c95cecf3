// The forecast: what will removing this coat do to the colour, and where can nobody say?
//
// From a before-picture, windows (before and after) and, when there is one, a UV fluorescence
// picture, gives for each pixel the predicted look after removing the coat to the state of the
// windows, a radius (half-width of the 90 % interval, CIEDE2000), the effective coat and a refusal
// code. Never "original appearance". Theory: docs/theory/forecast.md. Pure; colours are linear ROMM
// (colour.h), positions are frame px.
#ifndef HC_FORECAST_FORECAST_H
#define HC_FORECAST_FORECAST_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/job.h"
#include "base/par.h"
#include "num/plane.h"

enum hc_surface_state { HC_SURFACE_BARE, HC_SURFACE_SATURATED, HC_SURFACE_VARNISHED };

// Reason codes of the refusal raster; 0 = a forecast is given.
enum hc_refusal {
    HC_REFUSAL_NONE = 0,
    HC_REFUSAL_ZONE = 1,    // inside a zone marked overpaint, retouching, loss, abrasion, gilding
    HC_REFUSAL_COAT = 2,    // effective coat outside what the windows span (also: dark in UV)
    HC_REFUSAL_COLOUR = 3,  // no window shows a colour like this one
    HC_REFUSAL_RADIUS = 4,  // the radius is too large to be of use
    HC_REFUSAL_SIGNAL = 5,  // clipped, or lost in noise
    HC_REFUSAL_STATE = 6,   // windows photographed in another surface state than asked for
    HC_REFUSAL_WINDOWS = 7, // fewer than 4 windows or fewer than 2 lightness classes
    HC_REFUSAL_NO_GAIN = 8, // left-out windows are predicted worse than by doing nothing
    HC_REFUSAL_UNSEEN = 9   // not shown by a view the forecast needs here
};
#define HC_REFUSAL_COUNT 10
const char *hc_refusal_text(enum hc_refusal r); // one plain sentence

struct hc_forecast_window {
    int64_t id;
    enum hc_surface_state surface;
    size_t n;               // pixels
    const float *before[3]; // n values per channel
    const float *after[3];
    const float *uv;    // n values, or NULL
    const float *x, *y; // frame px of each pixel
};

struct hc_forecast_input {
    const struct hc_forecast_window *window;
    size_t n_windows;
    enum hc_surface_state wanted; // the surface state the forecast is for
    int frame_w, frame_h;
    // Overview of the whole picture (box means): statistics, kriging, "next window", thresholds.
    struct hc_lin3 over;
    const struct hc_plane *over_uv;   // NULL = no UV view: one effective coat + kriging, said so
    const struct hc_plane *over_zone; // as zone of hc_forecast_rows, NULL = no zones
    double over_cell_px;              // frame px per overview px
    double radius_limit;              // refuse where the radius is above this; 0 = no user limit
    const float *clip_level;          // 3 values, linear; a channel at or above is clipped; or NULL
};

enum hc_estimator {
    HC_ESTIMATOR_PHYSICAL,  // coat model + library inverse + UV cues
    HC_ESTIMATOR_AFFINE,    // 3x3 + offset
    HC_ESTIMATOR_AFFINE_UV, // the same with UV (absent without a UV view)
    HC_ESTIMATOR_QUADRATIC,
    HC_ESTIMATOR_LOG_AFFINE,
    HC_ESTIMATOR_BLEND, // log-average weighted by left-out skill
    HC_ESTIMATOR_COUNT
};
const char *hc_estimator_name(enum hc_estimator e); // "physical coat", "3x3 + offset", ...

struct hc_forecast_window_report {
    int64_t id;
    double lightness;        // mean L* before
    double nothing_de;       // mean CIEDE2000 before vs after: what doing nothing would score
    double left_out_de;      // mean CIEDE2000 when this window was left out of everything
    double left_out_bias[3]; // mean signed L*, a*, b* error (forecast minus observed), left out
    double coat;             // effective coat (1 = geometric mean over the windows)
};

struct hc_forecast_summary {
    enum hc_estimator chosen;
    double weight[HC_ESTIMATOR_COUNT];      // of the blend (0 for those not in it)
    double left_out_de[HC_ESTIMATOR_COUNT]; // leave-one-window-out mean CIEDE2000; NaN = not fitted
    double nothing_de;                      // doing nothing, on the same windows
    double coat_a0, coat_slope_nm, coat_haze, surface_before, surface_after, coat_grey;
    double interval_q;                      // multiplier of u
    bool is_distribution_free;              // n_windows >= 9
    double radius_median, radius_p95;       // over the overview, accepted area
    double refused_share[HC_REFUSAL_COUNT]; // of the overview area, by first reason
    bool has_uv;                            // there is a UV view
    bool is_uv_used;      // and left-out skill says that the coat is better known with it
    double uv_gain;       // left-out mean without UV minus with UV (CIEDE2000); NaN without UV
    size_t n_windows;     // used: those in the wanted surface state
    size_t n_other_state; // left aside: photographed in another surface state
    struct hc_forecast_window_report *report; // n_windows; owned by the forecast
    // Where the next window would help most (radius x area share outside zones).
    bool has_next;
    double next_x_px, next_y_px;
    char next_why[240];
    char caveat[480]; // the honest sentence(s) to print with every result
};

struct hc_forecast;

// Fits everything, leave-one-window-out included. HC_EREFUSED with a plain message for reasons 7
// and 6 (no prediction at all); HC_EDATA for unusable samples; HC_ECANCEL. Deterministic, whatever
// the number of threads.
hc_status hc_forecast_fit(struct hc_forecast **out, const struct hc_forecast_input *in,
                          struct hc_par *par, struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
void hc_forecast_destroy(struct hc_forecast *f);
const struct hc_forecast_summary *hc_forecast_get_summary(const struct hc_forecast *f);

// One block of rows. All planes have one size; x0, y0 = frame px of its top-left pixel. Writes
// finite values everywhere: where reason is not 0, `after` repeats the before colour and radius is
// 0.
struct hc_forecast_rows {
    struct hc_lin3 before;  // in
    struct hc_plane uv;     // in; px = NULL without a UV view
    struct hc_plane zone;   // in; 1 = in a zone, 2 = not shown by a view it needs; px = NULL: none
    struct hc_lin3 after;   // out, linear ROMM
    struct hc_plane radius; // out, CIEDE2000
    struct hc_plane coat;   // out, effective coat
    struct hc_plane reason; // out, enum hc_refusal as float
};
// Pure per-pixel function of the fitted forecast; any thread; allocates nothing. In and out planes
// must not overlap.
void hc_forecast_render(const struct hc_forecast *f, const struct hc_forecast_rows *rows, int x0,
                        int y0);

#endif
