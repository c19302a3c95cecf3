// Calibration: does the photograph show the colours that are there, how well, and how do we know?
//
// Measured colours are read from texts (CGATS.17, CSV of spectra), a colour target is found in a
// picture or its corners are given, its patches are measured, a correction is fitted and judged by
// colours it was not fitted to, and every figure is set beside published tolerances. An uneven
// light is measured from a view of an even board; sharpness from a slanted edge.
//
// Pixels: linear ROMM RGB, D50 (num/plane.h); coordinates are pixel coordinates with centres at
// +0.5 (num/geom.h). Reflectances are factors 0..1, XYZ has Y = 1 for the perfect white,
// wavelengths are in nm. Pure: texts and pixels come in memory, no file is touched. One thread at a
// time per object; objects may be read from many. Theory and limits: docs/theory/calibrate.md.
#ifndef HC_CALIBRATE_CALIBRATE_H
#define HC_CALIBRATE_CALIBRATE_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"
#include "num/geom.h"
#include "num/plane.h"

// ---- measured colours from a text ---------------------------------------------------------------
#define HC_READINGS_TEXT_MAX ((size_t)8 << 20) // bytes of one text
#define HC_READINGS_MAX 4096                   // samples
#define HC_READINGS_BANDS_MAX 471              // wavelengths: 360-830 nm by 1

struct hc_reading {
    char id[32], name[64]; // as written; "" when absent
    double lab[3];         // as written, of the readings' illuminant and observer
    double xyz[3];         // as written, scaled to Y = 1 for white
    double x, y;           // CSV columns x, y: where it was measured, in the text's own unit
    const double *r;       // reflectance factors, `bands` of them; NULL without spectra
};

struct hc_readings {
    struct hc_reading *reading;
    size_t n;
    bool has_lab, has_xyz, has_place;
    double nm0, step_nm; // wavelength of the first band, distance of bands
    size_t bands;        // 0 without spectra
    bool was_percent;    // the spectra were written in per cent
    // What the text says its Lab or XYZ stand for ("D50", 2). A text that says nothing is taken as
    // D50, 2 degrees (ISO 13655, from memory); is_white_stated is then false.
    char illuminant[16];
    int observer_deg; // 2 or 10
    bool is_white_stated;
    char about[160]; // FILE_DESCRIPTOR or DESCRIPTOR and INSTRUMENTATION, joined
    double *block;   // owns the reflectances
};

// A CGATS.17 text (ISO 28178, ASCII form): keywords in any order, several tables (the first with
// colours is taken), quoted strings, comments, any line ends. Columns read: SAMPLE_ID, SAMPLE_NAME
// (or SAMPLE_LOC, STRING), LAB_L/A/B, XYZ_X/Y/Z, and spectra as SPECTRAL_NM_400, SPECTRAL_NM400,
// SPECTRAL_400, SPEC_400, NM_400 or nm400. `text` need not end with NUL. HC_EDATA names the line;
// HC_ELIMIT past the limits; HC_EUNSUPPORTED for wavelengths in uneven steps or steps above 20 nm.
hc_status hc_readings_read_cgats(struct hc_readings *out, const char *text, size_t n,
                                 struct hc_err *err) HC_MUST_CHECK;
// A CSV or tab-separated text with a header row. One row per sample: columns id, name, x, y, L, a,
// b and one per wavelength ("400", "400nm", "nm400", "R400"); or one row per wavelength, first
// column nm, one column per sample. '#' lines are skipped. Errors as above.
hc_status hc_readings_read_csv(struct hc_readings *out, const char *text, size_t n,
                               struct hc_err *err) HC_MUST_CHECK;
// Whichever of the two the text is.
hc_status hc_readings_read(struct hc_readings *out, const char *text, size_t n,
                           struct hc_err *err) HC_MUST_CHECK;
void hc_readings_release(struct hc_readings *r); // {0} is safe

// ---- spectra to colour --------------------------------------------------------------------------
enum hc_light_method {
    HC_LIGHT_SUM_1NM, // step 1: sum by 1 nm, the light interpolated linearly
    HC_LIGHT_SUM_5NM, // step 5: sum by 5 nm
    HC_LIGHT_TABLE5,  // step 10: ASTM E308 table 5 (spectra already corrected for bandpass)
    HC_LIGHT_TABLE6,  // step 10 or 20: ASTM E308 table 6 (spectra as measured)
    HC_LIGHT_BY_5NM   // other steps, or a light without E308 table: cubic interpolation to 5 nm
};

// Names of the lights held: A B C D50 D55 D60 D65 D75 E FL1..FL12 FL3.1..FL3.15 HP1..HP5 LED-B1..B5
// LED-BH1 LED-RGB1 LED-V1 LED-V2 ID65 ID50. NULL past the last. F2 is understood as FL2.
const char *hc_light_name(size_t i);

// Weights that turn `bands` reflectances into XYZ (Y = 1): w is bands x 3, row-major. Bands missing
// at the ends are served by the first and last one (ASTM E308); a spectrum that leaves out any of
// 420-680 nm is HC_ERANGE. is_raw picks table 6. `white` (XYZ of the perfect white) and `method`
// may be NULL. HC_ENOTFOUND for an unknown light, HC_EARG for an observer other than 2 or 10.
hc_status hc_light_weights(double *w, double white[3], enum hc_light_method *method,
                           const char *light, int observer_deg, double nm0, double step_nm,
                           size_t bands, bool is_raw, struct hc_err *err) HC_MUST_CHECK;
// Lab of every reading (lab: n x 3) under a light and observer: from the spectra when there are
// any, else the written Lab or XYZ if they are of that light and observer (HC_EREFUSED otherwise: a
// Lab value cannot be carried to another light). method may be NULL.
hc_status hc_readings_lab(double *lab, const struct hc_readings *r, const char *light,
                          int observer_deg, bool is_raw, struct hc_err *err) HC_MUST_CHECK;

// ---- the target's reference ---------------------------------------------------------------------
#define HC_TARGET_MAX 300 // patches

struct hc_target {
    int rows, cols;
    struct hc_target_patch {
        char name[64];
        double lab[3]; // D50, 2 degrees
        double lin[3]; // linear ROMM
        bool is_neutral;
    } patch[HC_TARGET_MAX]; // row by row from the top left
    int n;
    bool is_from_spectra;
    char about[160];
};

// rows, cols: 0, 0 takes 24 readings as 4 x 6 and otherwise needs names of letter + number (A1..).
// Named so, patches go to their place (the letters are rows if there are `rows` of them, else
// columns); otherwise the order is row by row. HC_EDATA when the number of readings is not
// rows * cols ("wrong patch count"), HC_EREFUSED when their white is not D50, 2 degrees and there
// are no spectra.
hc_status hc_target_make(struct hc_target *out, const struct hc_readings *r, int rows, int cols,
                         struct hc_err *err) HC_MUST_CHECK;

// ---- where it lies ------------------------------------------------------------------------------
struct hc_target_place {
    // Middles of the four corner patches: the first patch, the last of the first row, the last
    // patch, the first of the last row (clockwise as the target is read). Middles, so that the
    // width of the gaps does not matter.
    struct hc_pt corner[4];
    double confidence; // 0..1; found places below 0.5 are never returned
    int seen;          // patches seen as such by the finder
    double misfit_de;  // median CIEDE2000 of the patches after a 3x3 fit
    double rival_de;   // the same of the best other way to lay the target there
};

// Finds a regular grid of patches (equal, with gaps of 3 to 40 % of their distance) at any rotation
// and in modest perspective. `lin`: an overview, longest side 200..1600 px, patches at least 8 px.
// HC_EREFUSED with the reason when no place is sure.
hc_status hc_target_find(struct hc_target_place *out, const struct hc_lin3 *lin,
                         const struct hc_target *target, struct hc_err *err) HC_MUST_CHECK;

enum hc_patch_fault {
    HC_PATCH_GOOD = 0,
    HC_PATCH_CLIPPED = 1, // over 2 % of its pixels at the ceiling
    HC_PATCH_UNEVEN = 2,  // its quarters differ by over 3 L*: an edge, a glare spot, a shadow
    HC_PATCH_STRANGE = 4, // far from what the other patches say: hidden, glare, wrong chart
    HC_PATCH_DARK = 8     // nothing but zero in a channel
};

struct hc_patch {
    double lin[3];   // trimmed mean (inner 80 %) over the middle: half the patch distance each way
    double noise[3]; // robust sd per channel, (q84 - q16) / 2
    double noise_l;  // the same of L*, as photographed
    double clipped;  // share of pixels with a channel at the ceiling
    double tilt;     // largest difference between the means of its quarters, L*
    int pixels;
    unsigned faults; // of enum hc_patch_fault
    double lab[3];   // after calibration
    double de;       // CIEDE2000 to the reference, fitted with all good patches
    double de_out;   // the same with this patch left out of the fit: the honest figure
};

// Measures every patch (patch: target->n of them). corner: as in struct hc_target_place. `ceiling`:
// the linear value at which the view clips, <= 0 for 0.999. For noise, give the full-size pixels,
// not an overview. HC_EARG when the corners are crossing, mirrored or outside the view, HC_ERANGE
// when a patch's middle covers fewer than 16 pixels.
hc_status hc_target_measure(struct hc_patch *patch, const struct hc_lin3 *lin,
                            const struct hc_target *target, const struct hc_pt corner[4],
                            double ceiling, struct hc_err *err) HC_MUST_CHECK;

// ---- the fit ------------------------------------------------------------------------------------
#define HC_CALIBRATE_TERMS_MAX 13

enum hc_calibrate_kind {
    HC_CALIBRATE_MATRIX,       // 3x3
    HC_CALIBRATE_MATRIX_WHITE, // 3x3, the mean neutral kept exactly
    HC_CALIBRATE_ROOT2,        // root-polynomial, degree 2, 6 terms
    HC_CALIBRATE_ROOT3,        // root-polynomial, degree 3, 13 terms; from 70 patches on
    HC_CALIBRATE_KINDS,
    HC_CALIBRATE_BEST = -1 // choose
};
const char *hc_calibrate_kind_name(enum hc_calibrate_kind kind);

struct hc_calibrate_figures { // of CIEDE2000
    double mean, p95, max;
    int n, worst; // worst: index of the patch of max
};

struct hc_calibration {
    enum hc_calibrate_kind kind;
    bool is_weighted; // least sum of differences in the local metric of CIEDE2000, else plain least
                      // squares
    int terms;
    double gain[3];                         // white balance and exposure, before the terms
    double coef[HC_CALIBRATE_TERMS_MAX][3]; // terms -> linear ROMM
    double exposure_ev;                     // the mean gain in stops
    double tone_slope;  // of log light against log reference over the neutrals: 1 for linear light,
                        // below 1 with flare or a tone curve
    int used, left_out; // patches fitted and left out as faulty
    struct hc_calibrate_figures before, fit; // uncorrected (exposure only); fitted patches
    struct hc_calibrate_figures out;         // leave-one-patch-out: the figure to report
    struct hc_calibrate_figures out_light;   // the same without patches of L* < 10
    struct hc_calibrate_figures out_sl1;     // the same, CIEDE2000 with S_L = 1
    struct hc_calibrate_candidate {
        enum hc_calibrate_kind kind;
        bool is_weighted;
        struct hc_calibrate_figures out;
    } candidate[2 * HC_CALIBRATE_KINDS]; // every fit tried, simplest first
    int candidates;
    char why[240]; // one sentence: why this kind
};

// Fits and judges; fills lab, de, de_out and the fault HC_PATCH_STRANGE of the patches. At
// most n/8 patches (3 of 24) may be left out. HC_EREFUSED: more are faulty, fewer than 3 good
// neutrals, the patches do not fit the reference at all (median over 8 CIEDE2000), or the picture
// is not linear (tone_slope outside 0.75 to 1.33).
hc_status hc_calibrate_fit(struct hc_calibration *out, struct hc_patch *patch,
                           const struct hc_target *target, enum hc_calibrate_kind kind,
                           struct hc_err *err) HC_MUST_CHECK;
// One colour; out may be in.
void hc_calibrate_apply(double out[3], const struct hc_calibration *c, const double in[3]);
// n pixels in place, planar.
void hc_calibrate_apply_rows(float *const lin[3], const struct hc_calibration *c, size_t n);

// Two lists of Lab values (n x 3): CIEDE2000 per pair (de may be NULL), figures, and the mean of
// second - first in L*, a*, b* (bias may be NULL). The check of a photograph against point
// measurements.
void hc_calibrate_compare(struct hc_calibrate_figures *out, double *de, double bias[3],
                          const double *lab1, const double *lab2, size_t n);

// ---- even light ---------------------------------------------------------------------------------
#define HC_FLAT_DEGREE_MAX 6

struct hc_flat {
    int w, h; // of the view it was measured on; used on views of any size with the same framing
    int degree;
    double coef[3][28];       // log gain: Legendre products of total degree <= 6, x and y -1..1
    double before_percent[3]; // non-uniformity: (max - min) / mean of the smoothed board
    double after_percent[3];  // the same with the gain applied, by cells not used in the fit
    double before_delta_l, after_delta_l; // largest difference of L* over the board
    double dust_share;                    // cells set aside: dust, hair, marks
    double residual_percent;              // sd of held-out cells around the surface
};

// From a view of an even, matt board that fills the picture (white or grey). `ceiling` as above.
// HC_EREFUSED: clipped, too dark, not an even board (over 15 % of cells stand out, or held-out
// cells scatter by more than 2 %), or fall-off above 4:1.
hc_status hc_flat_measure(struct hc_flat *out, const struct hc_lin3 *board, double ceiling,
                          struct hc_err *err) HC_MUST_CHECK;
// Rows y0.. (`rows` of them) of a view of w x h, in place. The mean gain of each channel is 1.
void hc_flat_apply_rows(const struct hc_lin3 *lin_rows, const struct hc_flat *flat, int y0, int w,
                        int h);

// ---- sharpness ----------------------------------------------------------------------------------
#define HC_EDGE_BINS 257 // 0..1 cycles/px

struct hc_edge {
    double angle_deg;         // of the edge from the nearest pixel axis
    bool is_upright;          // the edge runs along y
    double contrast;          // (light - dark) / (light + dark)
    double mtf50, mtf10;      // cycles/px, across the edge
    double noise_floor;       // response that the noise alone would give; refused above 0.05
    double efficiency;        // mtf10 / 0.5, at most 1: sampling efficiency
    double overshoot;         // over the light and dark levels, share of the step: sharpening
    double sfr[HC_EDGE_BINS]; // at i / (HC_EDGE_BINS - 1) cycles/px
    int rows;                 // image rows across the edge that were used
};

// Slanted-edge spatial frequency response (ISO 12233 e-SFR) of a box that holds one straight edge.
// The luminance (0.288 R + 0.712 G) is used. HC_EREFUSED: angle below 2 or above 15 degrees from an
// axis, contrast below 0.15, no edge or a bent one, or noise that hides the fall of the response;
// HC_ERANGE: a box under 24 px.
hc_status hc_edge_measure(struct hc_edge *out, const struct hc_lin3 *lin, struct hc_box box,
                          struct hc_err *err) HC_MUST_CHECK;
// The box in which to measure: the border of a light neutral patch in a target that lies slanted.
// HC_ENOTFOUND when it lies square to the pixels or its gaps are too narrow.
hc_status hc_edge_in_target(struct hc_box *out, const struct hc_lin3 *lin,
                            const struct hc_target *target, const struct hc_pt corner[4],
                            struct hc_err *err) HC_MUST_CHECK;

// ---- the report and the tolerances --------------------------------------------------------------
enum hc_quality {
    HC_QUALITY_TONE,            // largest |dL*| of the neutrals after calibration
    HC_QUALITY_GAIN_HIGHLIGHT,  // step of L* over reference step, between the two lightest neutrals
    HC_QUALITY_GAIN_LOW,        // the smallest of the other neutral steps
    HC_QUALITY_GAIN_HIGH,       // the largest of them
    HC_QUALITY_WHITE,           // largest a*b* difference of the neutrals
    HC_QUALITY_WHITE_2000,      // the same as CIEDE2000 without its lightness part
    HC_QUALITY_COLOUR_MEAN,     // CIEDE2000, leave-one-patch-out
    HC_QUALITY_COLOUR_P90,      // 90 % of it
    HC_QUALITY_COLOUR_MAX,      // largest of it
    HC_QUALITY_COLOUR_MEAN_SL1, // the same with S_L = 1
    HC_QUALITY_COLOUR_MAX_SL1,
    HC_QUALITY_NOISE,    // largest sd of L* of the neutrals
    HC_QUALITY_EVENNESS, // non-uniformity of the light, per cent (from the flat view, before it is
                         // corrected)
    HC_QUALITY_EVENNESS_L, // the same as a difference of L*
    HC_QUALITY_EFFICIENCY, // sampling efficiency
    HC_QUALITY_COUNT
};
const char *hc_quality_name(enum hc_quality q); // "tone", "colour mean", ...
const char *hc_quality_unit(enum hc_quality q);

struct hc_quality_report {
    double value[HC_QUALITY_COUNT];
    bool is_known[HC_QUALITY_COUNT]; // measured here
    int neutrals;
    double clipped; // largest share of clipped pixels of a patch
    double
        exposure_change; // largest CIEDE2000 between a patch and itself at half the light, doubled
};

// flat and edge may be NULL: their figures are then unknown, never good. The colour figures are
// leave-one-patch-out and so stricter than a guideline that judges the fitted patches. The patches
// are those that hc_calibrate_fit filled.
void hc_quality_make(struct hc_quality_report *out, const struct hc_calibration *c,
                     const struct hc_patch *patch, const struct hc_target *target,
                     const struct hc_flat *flat, const struct hc_edge *edge);

#define HC_TOLERANCES_MAX 256

struct hc_tolerance {
    char guideline[80], level[24]; // "ISO 19264-1", "A"
    int year;
    enum hc_quality quality;
    double lower, upper; // allowed range; +-HUGE_VAL when open
    char status[24];     // "primary", "secondary", "memory": how well the number is known
    char source[160];    // where it was read
};

// CSV: guideline,year,level,quantity,lower,upper,status,source (empty bound = open). The table the
// program ships with is data/image_quality_tolerances.csv, held in hc_tolerances_text; a studio may
// give its own. `out` holds HC_TOLERANCES_MAX. HC_EDATA names the line.
extern const char hc_tolerances_text[];
hc_status hc_tolerances_read(struct hc_tolerance *out, size_t *n, const char *text, size_t bytes,
                             struct hc_err *err) HC_MUST_CHECK;

enum hc_verdict { HC_VERDICT_UNKNOWN, HC_VERDICT_WITHIN, HC_VERDICT_OUTSIDE };
enum hc_verdict hc_tolerance_judge(const struct hc_tolerance *t, const struct hc_quality_report *r);

#endif
