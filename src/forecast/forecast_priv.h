// Inside of the forecast room. Symbols and equations: docs/theory/forecast.md.
#ifndef HC_FORECAST_FORECAST_PRIV_H
#define HC_FORECAST_FORECAST_PRIV_H

#include "base/rng.h"
#include "colour/colour.h"
#include "forecast/forecast.h"

#define FC_BANDS HC_SPECTRUM_N
#define FC_NODES 10    // relative thickness nodes of the library maps
#define FC_FEATURES 12 // of one map
#define FC_PAINTS 420  // reflectances in the procedural library
#define FC_QUICK 120   // the first so many serve while the coat is being fitted
#define FC_WINDOWS 64  // most windows
#define FC_SAMPLES 64  // most pixels kept of one window
#define FC_STRATA 4    // lightness groups of a window
#define FC_PLAIN 4     // plain estimators: AFFINE, AFFINE_UV, QUADRATIC, LOG_AFFINE
#define FC_TERMS 10    // most terms of a plain estimator
#define FC_GRID 48     // ln d grid of the window likelihood
#define FC_FLOOR 0.01  // t = ln(v + floor): the scale on which estimates are averaged

// ---- basis (forecast_basis.c)
// --------------------------------------------------------------------- The inner basis: sharpened
// cone responses, (1, 1, 1) for white, positive for real surfaces.
struct fc_basis {
    double to[9], from[9]; // linear ROMM -> inner, and back
};
struct fc_basis fc_basis_make(void);
double fc_soft(double v); // smooth max(v, 0) that stays positive
double fc_t(double v);    // ln(max(v, 0) + FC_FLOOR)
double fc_t_inverse(double t);
void fc_lab_of_inner(double lab[3], const struct fc_basis *b, const double v[3]);

// ---- coat model and paint library (forecast_library.c) ----
struct fc_theta {
    double a0, slope_nm, haze, before, after, grey;
};
#define FC_THETA 6
struct fc_maps {
    double haze[3]; // the haze's part of the veil
    double veil[3]; // inner colour of haze and surface before, taken off before logarithms
    double after;   // surface after
    double c[FC_NODES][FC_FEATURES][3];
};
struct fc_library {
    double rho[FC_PAINTS][FC_BANDS];
    double response[FC_BANDS][3]; // inner response per band
};
extern const double fc_node[FC_NODES];
void fc_library_make(struct fc_library *lib, const struct fc_basis *b);
// Trains the maps ln(after'/before') for a coat; `paints` of the library take part.
void fc_maps_train(struct fc_maps *m, const struct fc_library *lib, int paints,
                   const struct fc_theta *theta);
// f from the inner colour before; ln_v (3) receives the logarithms of before'.
void fc_features(double f[FC_FEATURES], double ln_v[3], const struct fc_maps *m, const double v[3]);
void fc_node_ratio(double ratio[3], const struct fc_maps *m, int node, const double f[FC_FEATURES]);
void fc_ratio(double ratio[3], const struct fc_maps *m, const double f[FC_FEATURES], double d);

// ---- samples ----
struct fc_px {
    double v[3], o[3]; // inner colour before and observed after
    double lin[3];     // linear ROMM before
    double lab_o[3];   // Lab observed after
    double lab_v[3];   // Lab before
    double ln_uv;      // relative to the overview's median; 0 without UV
    double x, y;       // frame positions divided by the longer side
    int window;
};
struct fc_data {
    struct fc_basis basis;
    struct fc_library *lib;
    struct fc_px *px;
    size_t n;
    int n_windows;
    size_t first[FC_WINDOWS + 1]; // px of window w: first[w] .. first[w+1]-1
    bool has_uv;
    double uv_unit; // median of the overview's UV plane
    double noise;   // sd of a channel in the darks, inner basis
};

// ---- one fitted model (of all windows, or of all but one) ----
struct fc_coat_field { // ln d = cues . beta + kriged window residuals
    double beta[3];
    double tau2, range;
    double lo, hi; // range of the cue part over the windows
    int n;
    double x[FC_WINDOWS], y[FC_WINDOWS], alpha[FC_WINDOWS];
    double *inverse; // n x n, for the kriging variance
    bool with_uv;
};
struct fc_residual { // Gaussian process of what the maps leave, over colour
    int n;
    double f[FC_WINDOWS * FC_STRATA][3], alpha[FC_WINDOWS * FC_STRATA][3];
};
struct fc_model {
    struct fc_theta theta;
    struct fc_maps maps;
    struct fc_coat_field coat[2]; // [0] without UV, [1] with UV
    struct fc_residual residual[2];
    double plain[FC_PLAIN][FC_TERMS * 3];
    bool has_plain[FC_PLAIN];
    double ln_d[2][FC_WINDOWS]; // of the windows, NaN for the one left out
    double shift;               // ln d of this model minus ln d of the full one
    int left_out;               // -1: none
};
hc_status fc_model_fit(struct fc_model *m, const struct fc_data *data, int left_out,
                       const struct fc_model *start, struct hc_err *err) HC_MUST_CHECK;
void fc_model_release(struct fc_model *m);

// Inner colour after, by the physical model at ln d; the part that does not depend on d apart.
struct fc_ready {
    double f[FC_FEATURES], ln_v[3], extra[3];
};
void fc_model_ready(struct fc_ready *r, const struct fc_model *m, int which, const double v[3]);
void fc_model_at(double out[3], const struct fc_model *m, const struct fc_ready *r, double ln_d);
// ln(.5 + clean blue-green reflectance) at the windows' mean coat: the visible cue.
double fc_model_cue(const struct fc_model *m, const double v[3]);
double fc_coat_cue(const struct fc_coat_field *c, double ln_uv, double cue);
void fc_coat_krige(const struct fc_coat_field *c, double x, double y, double *mean, double *var);

// ---- plain estimators (forecast_plain.c) ----
hc_status fc_plain_fit(struct fc_model *m, const struct fc_data *data,
                       struct hc_err *err) HC_MUST_CHECK;
// Inner colour after, by plain estimator k.
void fc_plain_apply(double out[3], const struct fc_model *m, const struct fc_basis *b, int k,
                    const double v[3], const double lin[3], double ln_uv);

// ---- coat and residual (forecast_coat.c) ----
hc_status fc_coat_fit(struct fc_model *m, const struct fc_data *data, bool with_uv,
                      const double (*curve)[FC_GRID], struct hc_err *err) HC_MUST_CHECK;
hc_status fc_residual_fit(struct fc_model *m, const struct fc_data *data, int which,
                          struct hc_err *err) HC_MUST_CHECK;
void fc_residual_get(double out[3], const struct fc_residual *r, const double ln_v[3]);
double fc_grid_ln_d(int i);

// ---- the whole (forecast.c, forecast_skill.c, forecast_bake.c) ----
#define FC_AXIS 17   // nodes per colour axis of the tables
#define FC_AXIS_D 11 // nodes along ln d
#define FC_CELL 4    // floats per node
#define FC_KRIGE 33  // nodes per side of the kriged fields

// One left-out pixel: what each estimator says on the t scale. The last is the physical one without
// UV where there is UV.
#define FC_MEMBERS (HC_ESTIMATOR_BLEND + 1)
#define FC_NO_UV HC_ESTIMATOR_BLEND
struct fc_left {
    double t[FC_MEMBERS][3];
    double ln_d[2], var[2];
};

struct hc_forecast {
    struct fc_basis basis;
    struct fc_model full;
    int which; // coat field in use: 1 with UV
    double weight[HC_ESTIMATOR_COUNT];
    double q;            // radius = q u
    enum hc_refusal all; // refused everywhere
    double colour_limit, coat_lo, coat_hi, radius_limit, noise;
    float clip[3];
    double uv_unit, long_side;
    // FC_AXIS^3 x FC_CELL: visible cue, distance to window colours, u^2 per d^2 and variance of ln
    // d
    float *colour;
    // FC_AXIS^3 x FC_AXIS_D x FC_CELL: t(after) - t(before) x 3, rest of u^2
    float *cell;
    float krige_mean[FC_KRIGE * FC_KRIGE], krige_var[FC_KRIGE * FC_KRIGE];
    int frame_w, frame_h;
    struct hc_forecast_summary sum;
};
double fc_axis_v(int i); // inner value at node i of a colour axis
double fc_axis_ln_d(int i);

// Leave-one-window-out: fits models fold[0 .. n_windows-1], fills left[] per pixel.
hc_status fc_leave_out(struct fc_left *left, struct fc_model *fold, const struct fc_model *full,
                       const struct fc_data *data, struct hc_par *par, struct hc_job *job,
                       struct hc_err *err) HC_MUST_CHECK;
// Chooses UV or not and the weights, fills the skill part of the summary.
void fc_choose(struct hc_forecast *f, struct fc_left *left, const struct fc_data *data);
// Tables; then the radius from the left-out errors.
hc_status fc_bake(struct hc_forecast *f, const struct fc_model *fold, const struct fc_data *data,
                  struct hc_par *par, struct hc_err *err) HC_MUST_CHECK;
hc_status fc_calibrate(struct hc_forecast *f, const struct fc_left *left,
                       const struct fc_data *data, const struct hc_forecast_input *in,
                       struct hc_err *err) HC_MUST_CHECK;
// Renders the overview: radius limit, shares of refusals, the next window.
hc_status fc_survey(struct hc_forecast *f, const struct hc_forecast_input *in, struct hc_par *par,
                    struct hc_err *err) HC_MUST_CHECK;
// hc_forecast_render for rows y0 .. y1-1 of planes whose pixels are `cell` frame px wide.
void fc_render_scaled(const struct hc_forecast *f, const struct hc_forecast_rows *rows, double x_px,
                      double y_px, double cell, int y0, int y1);
// The two builds behind it (forecast_render.c, forecast_pick.c).
void fc_render_plain(const struct hc_forecast *f, const struct hc_forecast_rows *rows, double x_px,
                     double y_px, double cell, int y0, int y1);
void fc_render_avx2(const struct hc_forecast *f, const struct hc_forecast_rows *rows, double x_px,
                    double y_px, double cell, int y0, int y1);
void fc_blend_t(double t[3], const double weight[HC_ESTIMATOR_COUNT], const double (*member)[3]);
// Mean Lab distance / 8 of a before colour to the nearest window pixels, from the tables.
double fc_colour_distance(const struct hc_forecast *f, const double lab[3]);
// u^2 from the tables at an inner colour, ln d and its variance.
double fc_u2(const struct hc_forecast *f, const double v[3], double ln_d, double var);

#endif
