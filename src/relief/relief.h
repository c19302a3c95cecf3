// Relief: what do lights from several sides say about the surface, and how much of it comes back?
//
// From views of one picture under different lamps: where each lamp stood, the slopes of the
// surface, its height, texture figures per band of detail size, what can and cannot be said through
// a varnish, and what removing it would give back. A varnished picture under raking light shows
// mostly the slopes of the VARNISH (hc_relief_reading says how much): what is measured is always
// "the surface as lit", never "the paint", unless a gate-keeping estimate below says so. A film
// thickness is never given; it cannot be seen from slopes. Theory, sources and measured tables:
// docs/theory/relief.md.
//
// Axes: x right, y UP, z to the viewer; pictures are stored y down, the room turns rows itself.
// Slopes p = dz/dx, q = dz/dy are dimensionless; the unit normal is (-p, -q, 1) / sqrt(1+p^2+q^2).
// Lengths are mm, texture heights um, angles degrees: azimuth counter-clockwise from the viewer's
// right, elevation above the picture plane, zenith = 90 - elevation. Intensities are linear light;
// 1 = full scale. Masks: a pixel counts where the mask is > 0.5; NULL = everywhere. NaN never
// leaves the room. Pure: no file is touched, readers and writers are lent. A pool may be NULL; any
// number of threads gives the same bits. Thread rule: one call at a time per set of arguments.
#ifndef HC_RELIEF_RELIEF_H
#define HC_RELIEF_RELIEF_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/job.h"
#include "base/par.h"
#include "num/plane.h"

#define HC_RELIEF_MAX_LIGHTS 64

// ---- 1 Lights ---------------------------------------------------------------------------------

struct hc_relief_light {
    bool is_near;     // pos_mm counts: direction and strength change over the picture
    double dir[3];    // unit vector to the lamp; near: as seen from the picture's centre
    double pos_mm[3]; // near: lamp position from the picture's centre
    double
        residual_deg; // how well the spheres agree; < 0 = not known (typed, or one mirror sphere)
    double sigma_deg; // standard error of the direction; < 0 = not known
};

// HC_ERANGE for an elevation outside 0 < e <= 90 (a lamp at or below the picture plane).
hc_status hc_relief_light_angles(struct hc_relief_light *out, double azimuth_deg,
                                 double elevation_deg, struct hc_err *err) HC_MUST_CHECK;
// From the picture's centre. HC_ERANGE for z <= 0 or a lamp farther than 100 m.
hc_status hc_relief_light_position(struct hc_relief_light *out, double x_mm, double y_mm,
                                   double z_mm, struct hc_err *err) HC_MUST_CHECK;
void hc_relief_light_to_angles(const struct hc_relief_light *l, double *azimuth_deg,
                               double *elevation_deg);
// Direction at a point of the picture (mm from its centre) and irradiance across the beam relative
// to the centre (inverse square; 1 for a far lamp).
void hc_relief_light_at(const struct hc_relief_light *l, double x_mm, double y_mm, double dir[3],
                        double *gain);

struct hc_relief_sphere {
    double x, y, r; // circle in px of the view, y down
};
struct hc_relief_highlight {
    double x, y;    // centroid, px (y down)
    size_t px;      // pixels in it
    double visible; // share of the sphere's disc that lies inside the view
};
// The highlight of a mirror or glossy sphere: the brightest connected spot in its disc, centroid
// weighted by what exceeds half of the peak. `grey` is the view (or a part, with the circle in px
// of that part). HC_EREFUSED when no spot stands out, when the spot covers over a tenth of the disc
// (no mirror), touches the border of the view, or under 60 % of the disc is in the view.
hc_status hc_relief_highlight_find(struct hc_relief_highlight *out, const struct hc_plane *grey,
                                   struct hc_relief_sphere sphere,
                                   struct hc_err *err) HC_MUST_CHECK;
// Lamp from the highlights of n mirror spheres standing on the picture plane: l = 2 (n.v) n - v;
// with two or more, the point nearest to all reflected rays. centre_x, centre_y: the picture's
// centre in px of the same view. A lamp farther than 20 times the spheres' spacing is called far.
// sigma_deg assumes 0.5 px error of the centroid. HC_EREFUSED when a highlight lies outside its
// circle or the lamp would be below the plane.
hc_status hc_relief_light_mirror(struct hc_relief_light *out,
                                 const struct hc_relief_highlight *spots,
                                 const struct hc_relief_sphere *spheres, size_t n, double mm_per_px,
                                 double centre_x, double centre_y,
                                 struct hc_err *err) HC_MUST_CHECK;
// Far lamp from the shading of one matte sphere: least squares of the lit pixels against its known
// normals. strength (may be NULL) receives reflectance times strength. HC_EREFUSED when under 200
// lit pixels are in the view or the shading does not follow the cosine (rms residual over 10 %).
hc_status hc_relief_light_matte(struct hc_relief_light *out, double *strength,
                                const struct hc_plane *grey, struct hc_relief_sphere sphere,
                                struct hc_err *err) HC_MUST_CHECK;

struct hc_relief_rig {
    int n;
    double condition;       // of the n x 3 matrix of directions; the larger the worse
    double slope_noise;     // slope noise for image noise 1 of the mean signal
    double azimuth_gap_deg; // widest gap without a lamp
    double elevation_min_deg, elevation_max_deg;
    int near_axis;  // lamps within 25 degrees of the camera axis
    bool is_usable; // normals can be computed
    char why[480];  // one sentence: the reason, or what to improve
};
// Not usable: under 3 lamps; lamps whose directions lie (nearly) in one plane, as on one line
// (condition over 100); a lamp below the picture. Never fails.
void hc_relief_rig_check(struct hc_relief_rig *out, const struct hc_relief_light *lights, size_t n);

// ---- 2 Views, checks, normals -------------------------------------------------------------------

// One channel of a view in linear light, lent. `read` fills out->w x out->h pixels from x0, y0
// (inside w x h), called from the thread that called the room, never twice at once, whole-width
// strips from top to bottom except in hc_relief_views_check. Or px16: the whole view in memory,
// 65535 = 1, then read is not used.
struct hc_relief_view {
    int w, h;
    hc_status (*read)(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err);
    void *ctx;
    const uint16_t *px16;
    ptrdiff_t stride16; // samples between rows of px16
};
struct hc_relief_view hc_relief_view_plane(const struct hc_plane *p); // looks at p

struct hc_relief_view_state {
    double gain;            // exposure relative to the set (1 = as the others), from medians
    double dark, clipped;   // shares of pixels under 0.2 % and over 98 % of full scale
    double residual;        // rms misfit of this view over the set's median misfit
    bool is_bad;            // all black, saturated, other exposure, or does not fit
    bool is_other_exposure; // is_bad for its exposure alone: usable once divided by `gain`
    char why[200];          // "" when fine
};
struct hc_relief_views_report {
    struct hc_relief_view_state view[HC_RELIEF_MAX_LIGHTS];
    double residual; // relative rms misfit in the given order
    bool is_order_doubtful;
    double order_residual;           // the same for the better order
    int order[HC_RELIEF_MAX_LIGHTS]; // light i belongs to view order[i]
    double curl;   // curl over divergence of the slopes (0 = a surface, 1 = not one)
    char why[480]; // one sentence for the whole set
    bool is_usable;
};
// Reads up to nine patches of 96 px and asks: is a view black or saturated, are exposures mixed, do
// all views fit one surface, are the files in the order of the lamps? Orders tried: turned, turned
// and reversed, and exchanges of two. An order turned by half a circle looks like a surface with
// hills and hollows exchanged; only a person can tell. Near lamps count as at the picture's centre.
// HC_EDATA when a view has another size.
hc_status hc_relief_views_check(struct hc_relief_views_report *out,
                                const struct hc_relief_view *views,
                                const struct hc_relief_light *lights, size_t n,
                                struct hc_err *err) HC_MUST_CHECK;

enum hc_relief_method {
    HC_RELIEF_TRIM, // per pixel without the darkest 20 % and brightest 20 %: the default
    HC_RELIEF_LS,   // all samples that are neither clipped nor in shadow
    HC_RELIEF_L1,   // least absolute residuals (reweighted, 10 rounds)
    HC_RELIEF_LTS   // least trimmed squares on 60 %, from L1, 10 concentration steps: quality mode
};

struct hc_relief_normals_options { // {0} = defaults
    enum hc_relief_method method;
    double trim_low, trim_high; // shares for TRIM; both 0 = 0.2 and 0.2
    double shadow_level;        // a sample at or below is masked; 0 = 0.002, < 0 = none
    double clip_level;          // a sample at or above is masked; 0 = 0.98, < 0 = none
    const double *weight;       // n per-light weights, or NULL
    const double *gain;         // n exposures to divide by (hc_relief_view_state.gain), or NULL
    const struct hc_relief_view *flat; // n views of a matte white board under the same lamps, or
                                       // NULL; divided out
    double noise_sd;   // image noise, full scale 1; 0 = from the misfit of each pixel (n >= 4)
    double mm_per_px;  // needed with a near lamp
    bool has_no_sigma; // leave slope_sd 0 (faster)
};

// Rows of the result: planes of the view's width.
struct hc_relief_rows {
    struct hc_plane p, q;     // slopes
    struct hc_plane albedo;   // reflectance times lamp strength
    struct hc_plane slope_sd; // standard error of a slope component
    struct hc_plane used;     // samples used; 0 = no answer here (p = q = 0)
};
struct hc_relief_sink { // called from the calling thread, top to bottom
    hc_status (*write)(void *ctx, int y0, const struct hc_relief_rows *rows, struct hc_err *err);
    void *ctx;
};

struct hc_relief_normals_report {
    struct hc_relief_rig rig;
    double answered;      // share of pixels with an answer
    double used_mean;     // samples used per answered pixel
    double residual;      // relative rms misfit of the used samples; 0 when has_no_sigma
    double slope_sd_mean; // 0 when has_no_sigma
    bool is_sd_assumed;   // 3 lights and no noise_sd: 1 % of full scale was assumed
    char what[480];       // one sentence: what these slopes are
};
// Weighted least squares per pixel (Woodham, Optical Engineering 19(1), 1980) with the chosen
// trimming. Memory: 64 rows of all views and results. HC_EREFUSED when the rig is not usable or
// more than 64 lights; HC_EDATA when sizes differ; HC_EARG for a near lamp without mm_per_px.
hc_status hc_relief_normals(struct hc_relief_normals_report *out, const struct hc_relief_sink *sink,
                            const struct hc_relief_view *views,
                            const struct hc_relief_light *lights, size_t n,
                            const struct hc_relief_normals_options *options, struct hc_par *par,
                            struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;

// What ordinary slopes read through a film of index n with this rig: reading = paint * a + film * b
// to first order (a: paint slope, b: film surface slope).
struct hc_relief_reading {
    double paint, film;
};
struct hc_relief_reading hc_relief_reading(const struct hc_relief_light *lights, size_t n,
                                           double index);

// ---- 3 Height ----

struct hc_relief_height_options {  // {0} = plain
    const struct hc_plane *weight; // 0..1 per pixel (0 = unknown, bridged smoothly), or NULL
    bool is_flat;                  // the picture is known to be flat: drift (second order in the
                                   // slopes) is removed. Never set without someone saying so
};
struct hc_relief_height_report {
    double reliable_mm; // longest wavelength that may be trusted: a quarter of the shorter side
    double drift_deg;   // largest tilt that was removed (is_flat), else 0
    double residual;    // relative rms of gradients not explained by any surface (curl, noise)
    int rounds;         // conjugate gradient rounds; 0 = direct
    char what[300];
};
// Height in mm, mean 0, from slopes: least squares, free boundary (cosine transform: Simchony,
// Chellappa and Shao, IEEE PAMI 12(5), 1990); with weights by conjugate gradients preconditioned
// with it, to 1e-5. Memory besides the arguments: hc_relief_height_bytes(). z may not be p or q.
// HC_ENUMERIC when the rounds do not converge in 200.
hc_status hc_relief_height(struct hc_plane *z_mm, struct hc_relief_height_report *out,
                           const struct hc_plane *p, const struct hc_plane *q, double mm_per_px,
                           const struct hc_relief_height_options *options, struct hc_par *par,
                           struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
size_t hc_relief_height_bytes(int w, int h, bool has_weight);

// ---- 4 Texture ----

// Detail sizes that are kept: wavelengths from short_mm (S-filter) to long_mm (L-filter), each at
// 50 % transmission; 0 = no filter on that side. Every figure carries its band.
struct hc_relief_band {
    double short_mm, long_mm;
};
// Areal Gaussian filters (ISO 16610-61), renormalised at borders and masks; out is 0 outside the
// mask. out may be z. HC_ERANGE when long_mm exceeds the shorter side, short_mm >= long_mm, or a
// limit is under 2 px.
hc_status hc_relief_band_filter(struct hc_plane *out, const struct hc_plane *z,
                                const struct hc_plane *mask, double mm_per_px,
                                struct hc_relief_band band, struct hc_par *par,
                                struct hc_err *err) HC_MUST_CHECK;

struct hc_relief_texture { // ISO 25178-2, over the masked, filtered, mean-free area
    struct hc_relief_band band;
    double mm_per_px;
    size_t px;
    double sa_um, sq_um, sp_um, sv_um, sz_um;
    double ssk, sku, sdq, sdr; // sdq: rms gradient; sdr: developed area over flat, minus 1
};
// z_mm must have passed hc_relief_band_filter with `band` (stored in the result). HC_EREFUSED when
// under 64 pixels count.
hc_status hc_relief_texture(struct hc_relief_texture *out, const struct hc_plane *z_mm,
                            const struct hc_plane *mask, double mm_per_px,
                            struct hc_relief_band band, struct hc_err *err) HC_MUST_CHECK;
enum hc_relief_figure { HC_RELIEF_SA, HC_RELIEF_SQ, HC_RELIEF_SDQ, HC_RELIEF_SDR };
// One figure per cell of cell_px: out has ceil(w / cell) x ceil(h / cell) pixels, -1 where under a
// quarter of the cell counts.
hc_status hc_relief_texture_map(struct hc_plane *out, enum hc_relief_figure figure,
                                const struct hc_plane *z_mm, const struct hc_plane *mask,
                                double mm_per_px, int cell_px, struct hc_par *par,
                                struct hc_err *err) HC_MUST_CHECK;
// Sq (um) in octave bands: detail[i] is the middle wavelength, the band reaches from detail/sqrt2
// to detail*sqrt2; from 4 px to a quarter of the shorter side. Writes at most max, returns count.
hc_status hc_relief_texture_curve(double *detail_mm, double *sq_um, size_t max, size_t *count,
                                  const struct hc_plane *z_mm, const struct hc_plane *mask,
                                  double mm_per_px, struct hc_par *par,
                                  struct hc_err *err) HC_MUST_CHECK;

struct hc_relief_interval {
    double value, low, high; // 90 % interval
};
struct hc_relief_change {
    struct hc_relief_texture before, after;
    struct hc_relief_interval sq_ratio, sdq_ratio; // after over before
    int patches;                                   // bootstrapped over these
    char what[300];
};
// Two states of one area, both filtered to `band`, in one frame. Interval by bootstrap over square
// patches of twice band.long_mm (at least 8 must count: else HC_EREFUSED).
hc_status hc_relief_compare(struct hc_relief_change *out, const struct hc_plane *before_mm,
                            const struct hc_plane *after_mm, const struct hc_plane *mask,
                            double mm_per_px, struct hc_relief_band band, uint64_t seed,
                            struct hc_err *err) HC_MUST_CHECK;

// ---- 5 Through varnish ----

// First-order shading of paint (slope a) under a film (slope b): rho T (c - (kappa a + beta b).l).
struct hc_relief_film_terms {
    double kappa, beta, transmit;
};
struct hc_relief_film_terms hc_relief_film_terms(double zenith_deg, double index);

// Why an estimate is not given. Codes are stable; 0 = given.
enum hc_relief_refusal {
    HC_RELIEF_GIVEN = 0,
    HC_RELIEF_RAKING_ONLY = 1, // no lamp near the camera axis: a flat film shows no highlight
    HC_RELIEF_FEW_NEAR = 2,    // under 8 lamps within 25 degrees of the camera axis
    HC_RELIEF_ONE_HEIGHT = 3,  // no raking lamps: paint and film cannot be told apart
    HC_RELIEF_COVERAGE = 4,    // highlights seen on under 60 % of the area
    HC_RELIEF_NO_FILM = 5,     // bare paint explains the views as well
    HC_RELIEF_SMALL = 6,       // area too small for the band
    HC_RELIEF_NO_TEXTURE = 7,  // paint relief is lost in noise in this band
    HC_RELIEF_FEW_WINDOWS = 8, // no usable pair of cleaned window and varnished neighbour
    HC_RELIEF_OUTSIDE = 9,     // the numbers contradict the model (retained far outside 0..1)
    HC_RELIEF_NARROW = 10,     // highlights narrower than the lamps near the axis can place
    HC_RELIEF_HIGHLIGHTS = 11  // window pair without polarisers under lamps that are not low enough
};
#define HC_RELIEF_REFUSAL_COUNT 12
const char *hc_relief_refusal_text(enum hc_relief_refusal r); // one plain sentence

struct hc_relief_film_input {
    size_t n;                             // lights and planes; at most 64
    const struct hc_relief_light *lights; // directions are taken at the picture's centre
    const struct hc_plane *plain;   // n planes: unpolarised views, or (with crossed) parallel ones
    const struct hc_plane *crossed; // n planes, or NULL
    const struct hc_plane *mask;    // or NULL
    double mm_per_px, index;        // index 0 = 1.5
    struct hc_relief_band band;     // {0} = 0.2 to 2.5 mm
    double sphere_residual_deg;     // worst of the rig; < 0 = not known. Over 0.5 or not known: no
                                    // micrometres
    double white;                   // signal of a perfect white facing a lamp (grey card); 0 = not
                                    // known: internal reflection stays uncorrected, said so
    double film_guess_mm;           // rough mean thickness for that correction; 0 = 0.05
};
struct hc_relief_film { // zeroed planes and refusal != 0 when not given
    enum hc_relief_refusal refusal;
    struct hc_relief_interval retained; // <a.b>/<a.a> in the band; half-width at least 0.15
    bool has_fill; // only with lamps known to 0.5 degrees and highlights on 90 % of the area
    struct hc_relief_interval fill_um; // rms variation of the filling in the band; half-width at
                                       // least 3 um and 20 % (unpolarised: 9 um and 30 %)
    double coverage, bare_ratio;       // highlight coverage; misfit of bare paint over film model
    int near_axis;
    struct hc_relief_reading reading;                 // what ordinary slopes of this set read
    struct hc_plane paint_p, paint_q, film_p, film_q; // owned
    char why[480];
};
// Two surfaces from one set (UNVALIDATED on real paintings: works in simulation). A refusal is a
// result (HC_OK with refusal set). Memory: the input once more, its
// near-axis views once more, and about 20 planes: for patches, not for whole pictures.
hc_status hc_relief_film_solve(struct hc_relief_film *out, const struct hc_relief_film_input *in,
                               struct hc_par *par, struct hc_job *job,
                               struct hc_err *err) HC_MUST_CHECK;
void hc_relief_film_release(struct hc_relief_film *f);
// Where fine relief that the paint has is missing at the surface: 1 - retained per cell (0..1), -1
// where the paint has too little relief there. HC_EREFUSED for a refused film.
hc_status hc_relief_clog_map(struct hc_plane *out, const struct hc_relief_film *f,
                             const struct hc_plane *mask, double mm_per_px,
                             struct hc_relief_band band, int cell_px, struct hc_par *par,
                             struct hc_err *err) HC_MUST_CHECK;

// A cleaned window and its varnished neighbour of the same brushwork, from ordinary slopes of one
// set (same lights, exposure, flat field): masks in the frame of p and q.
struct hc_relief_pair_input {
    const struct hc_plane *p, *q;
    const struct hc_plane *window, *neighbour; // masks
    double mm_per_px;
    struct hc_relief_band band;
    struct hc_relief_reading reading; // hc_relief_reading of the set
    bool is_crossed; // views through crossed polarisers; else the lamps must stand at about zenith
                     // 55 or lower, where highlights of the varnish disturb little
    double dilute, dilute_low, dilute_high; // share left by internal reflection; 0 = 0.8, .65, .95
    double noise_sd;                        // slope noise, taken off both variances; 0 = none
    uint64_t seed;
};
struct hc_relief_pair {
    enum hc_relief_refusal refusal;
    struct hc_relief_interval ratio;    // slope texture neighbour over window, patches bootstrapped
    struct hc_relief_interval retained; // with the spread of `dilute`; half-width at least 0.15
    int window_patches, neighbour_patches;
    char why[480];
};
hc_status hc_relief_window_pair(struct hc_relief_pair *out, const struct hc_relief_pair_input *in,
                                struct hc_par *par, struct hc_err *err) HC_MUST_CHECK;
// The arithmetic of it: retained = (ratio - dilute * reading.paint) / reading.film.
double hc_relief_retained(double ratio, double dilute, struct hc_relief_reading reading);

// ---- 6 Levelling ----

struct hc_relief_coat {
    double thickness_mm;    // wet
    double tension_n_per_m; // surface tension
    double viscosity_pa_s;
};
// Decay rate (1/s) of a ripple of this wavelength on a wet Newtonian film: thin film (Orchard,
// Applied Scientific Research A11, 1962, from memory) and any depth. Half-life = ln 2 / rate.
double hc_relief_level_rate_thin(const struct hc_relief_coat *c, double wavelength_mm);
double hc_relief_level_rate(const struct hc_relief_coat *c, double wavelength_mm);
// The wavelength whose ripple falls to 1/e within open_s seconds (thin-film law).
double hc_relief_level_cut_mm(const struct hc_relief_coat *c, double open_s);
// Relief that a dried film keeps at this wavelength after `coats` coats: our model (theory 6).
double hc_relief_level_kept(double wavelength_mm, double cut_mm, double solids, int coats);

// ---- 7 Forecast of relief ----

struct hc_relief_forecast {
    enum hc_relief_refusal refusal;
    struct hc_relief_interval gain; // slope texture after removal over now, in the band
    int pairs;
    char what[480];
};
// What removing the coat gives in passages like those of the pairs: from their ratios, 90 %
// prediction interval. One pair: its own interval, widened by a stated factor.
void hc_relief_forecast_pairs(struct hc_relief_forecast *out, const struct hc_relief_pair *pairs,
                              size_t n, struct hc_relief_band band);
// The same from a two-surface estimate.
void hc_relief_forecast_film(struct hc_relief_forecast *out, const struct hc_relief_film *film,
                             double dilute, struct hc_relief_band band);

// ---- 8 Mesh ----

struct hc_relief_mesh_sink {
    hc_status (*write)(void *ctx, const void *bytes, size_t n, struct hc_err *err);
    void *ctx;
};
// A height patch as a PLY mesh (text or little-endian binary): vertices x right, y up, z in mm
// times exaggeration (stated in the header comment), two triangles per cell. Pixels outside the
// mask are left out. HC_ELIMIT over 2^31 - 1 faces.
hc_status hc_relief_mesh_ply(const struct hc_plane *z_mm, const struct hc_plane *mask,
                             double mm_per_px, double exaggeration, bool is_text,
                             const struct hc_relief_mesh_sink *sink,
                             struct hc_err *err) HC_MUST_CHECK;

#endif
