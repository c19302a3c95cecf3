// Shared inside the calibration room.
#ifndef HC_CALIBRATE_PRIV_H
#define HC_CALIBRATE_PRIV_H

#include "calibrate/calibrate.h"

#define HC_CALIBRATE_ROOM "calibrate"

// ---- tables made from data/*.csv ----------------------------------------------------------------
#define HC_LIGHT_COUNT 52
#define HC_LIGHT_NM5 81  // 380-780 nm by 5
#define HC_LIGHT_NM1 401 // 380-780 nm by 1
extern const double hc_light_5nm[HC_LIGHT_NM5][HC_LIGHT_COUNT];
extern const double hc_observer_2[HC_LIGHT_NM1][3];
extern const double hc_observer_10[HC_LIGHT_NM1][3];
// ASTM E308: A C D50 D55 D65 D75 F2 F7 F11, each for 2 and 10 degrees, each X Y Z.
#define HC_E308_SETS 18
#define HC_E308_NM10 43 // 360-780 nm by 10
#define HC_E308_NM20 16 // 400-700 nm by 20
extern const double hc_e308_table5_10nm[HC_E308_NM10][3 * HC_E308_SETS];
extern const double hc_e308_table6_10nm[HC_E308_NM10][3 * HC_E308_SETS];
extern const double hc_e308_table6_20nm[HC_E308_NM20][6]; // C/2, D65/10
extern const double hc_e308_white[HC_E308_SETS][3];

// ---- texts --------------------------------------------------------------------------------------
enum hc_column_kind {
    HC_COLUMN_SKIP,
    HC_COLUMN_ID,
    HC_COLUMN_NAME,
    HC_COLUMN_LAB, // 3 in a row
    HC_COLUMN_XYZ = HC_COLUMN_LAB + 3,
    HC_COLUMN_X = HC_COLUMN_XYZ + 3,
    HC_COLUMN_Y,
    HC_COLUMN_BAND,
    HC_COLUMN_PAIR_NM // the wavelength stands in the rows, before its value
};

#define HC_COLUMNS_MAX (2 * HC_READINGS_BANDS_MAX + 32)

struct hc_columns {
    struct {
        enum hc_column_kind kind;
        double nm; // HC_COLUMN_BAND
    } column[HC_COLUMNS_MAX];
    size_t n, bands;
    bool is_percent, is_fraction; // the column names say so
};

// One piece of text and the line it stands on.
struct hc_word {
    const char *at;
    size_t n;
    int line;
};

bool hc_word_is(struct hc_word w, const char *name); // without regard to case
// A plain decimal number, all of the word.
bool hc_word_number(double *out, struct hc_word w);
void hc_word_copy(char *out, size_t size, struct hc_word w); // whole UTF-8 characters, no controls
// "ILLUMINANT", "OBSERVER" and their values anywhere in a keyword and its value.
void hc_readings_note_white(struct hc_readings *out, struct hc_word keyword, struct hc_word value);

hc_status hc_columns_add(struct hc_columns *c, struct hc_word name, bool is_cgats,
                         struct hc_err *err);
// Memory for n readings of `bands` bands.
hc_status hc_readings_size(struct hc_readings *out, size_t n, size_t bands, struct hc_err *err);
// Store one cell of row `row`.
hc_status hc_readings_cell(struct hc_readings *out, struct hc_columns *c, size_t row, size_t column,
                           struct hc_word cell, struct hc_err *err);
// Scales, checks wavelengths and values. norm: what 100 % is written as; 0 = by the values.
hc_status hc_readings_finish(struct hc_readings *out, const struct hc_columns *c, double norm,
                             struct hc_err *err);
hc_status hc_readings_steps(struct hc_readings *out, const double *nm, size_t n,
                            struct hc_err *err);

struct hc_csv { // a comma-, semicolon- or tab-separated text being read
    const char *at, *end;
    int line;
    char separator;
};
// To the first field of the next line with data; comments may name illuminant and observer.
bool hc_csv_row(struct hc_csv *s, struct hc_readings *notes);
// The next field of the row, trimmed, quotes off; false after the last one.
bool hc_csv_field(struct hc_word *out, bool *is_last, struct hc_csv *s);

bool hc_light_find(size_t *out, const char *name);

// ---- patches ------------------------------------------------------------------------------------
// The homography from grid coordinates (column 0..cols, row 0..rows; patch (i, j) has its middle at
// (i + 0.5, j + 0.5)) to pixels, from the middles of the corner patches.
hc_status hc_place_homog(struct hc_homog *out, const struct hc_pt corner[4], int rows, int cols,
                         struct hc_err *err);
// Same from n >= 4 point pairs, by least squares with normalised coordinates.
hc_status hc_place_fit(struct hc_homog *out, const struct hc_pt *from, const struct hc_pt *to,
                       size_t n, struct hc_err *err);

struct hc_fit {
    enum hc_calibrate_kind kind;
    bool is_weighted;
    int rounds; // of reweighting by 1 / CIEDE2000: from least squares towards the least sum
    int terms;
    double gain[3], coef[HC_CALIBRATE_TERMS_MAX][3];
};

struct hc_fit_job {
    const struct hc_target *target;
    const struct hc_patch *patch;
    double metric[HC_TARGET_MAX][9];
    double share[HC_TARGET_MAX];                      // weight of each patch; 0 = left out
    double de[2 * HC_CALIBRATE_KINDS][HC_TARGET_MAX]; // left-out differences per candidate
};
// Least squares without patch `skip` (-1: with all): fills gain, terms and coef of f's kind.
hc_status hc_fit_solve(struct hc_fit *f, const struct hc_fit_job *j, int skip, struct hc_err *err);
void hc_fit_apply(double out[3], const struct hc_fit *f, const double in[3]);
// CIEDE2000 of patch i to its reference; lab = its corrected colour.
double hc_fit_de(const struct hc_fit *f, const struct hc_fit_job *j, int i, double lab[3]);

// Terms of a kind, in order; returns how many.
int hc_calibrate_terms(double *t, enum hc_calibrate_kind kind, const double rgb[3]);
// The metric of CIEDE2000 at a colour: 3 rows that turn a small change of linear ROMM into a vector
// whose length is the difference.
void hc_calibrate_metric(double j[9], const double lin[3]);
double hc_calibrate_de_parts(double *without_l, double *sl1, const double lab1[3],
                             const double lab2[3]);

// Median CIEDE2000 of the patches (lin filled) after a robust 3x3 fit to the reference; HUGE_VAL
// when there is none.
double hc_calibrate_misfit(const struct hc_patch *patch, const struct hc_target *target);

double hc_lightness(double y); // L* of Y

// ---- finding a target ---------------------------------------------------------------------------
struct hc_blob { // an even, compact piece of the picture
    double x, y; // its middle
    double area; // px
};
#define HC_BLOBS_MAX 3000
// Pieces whose tone (cube root of the light) changes by less than `step` over 2 px. blob holds
// HC_BLOBS_MAX; when there are more, the largest stay.
hc_status hc_blobs_find(struct hc_blob *blob, int *n, const struct hc_plane tone[3], double step,
                        double largest, struct hc_err *err);

#endif
