// The printed record: a PDF drawn from plain structs (cairo, pango).
//
// The forecast report: on the first A4 sheet the pair before | half-clean, facts, figures and
// caveat; on the second the windows, refusals, next window, provenance and cautions; more sheets
// where the tables are long. Tagged for screen readers, with outline, metadata and an sRGB output
// intent. Same struct (and fonts), same bytes. Texts are UTF-8; bad bytes become U+FFFD, line
// breaks blanks, and a SHA-256 sum (64 hexadecimal digits) is cut to 16. Long texts wrap, table
// cells end in an ellipsis after a few lines. NULL texts and missing pictures are allowed. NaN
// prints as a dash. One report at a time per thread; nothing is kept.
#ifndef HC_REPORT_REPORT_H
#define HC_REPORT_REPORT_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

struct hc_report_picture {
    const uint8_t *rgb; // w x h x 3, sRGB, borrowed; 1000-1500 px on the long side print well
    int w, h;
    const char *caption; // also read out in place of the picture
};

struct hc_report_row { // "label: value" with an optional small note
    const char *label, *value, *note;
};

struct hc_report_window_row {
    const char *label, *surface, *system;
    double area_mm2, lightness, nothing_de, left_out_de, coat; // as in hc_forecast_window_report
};

struct hc_report_refusal_row {
    int code;
    double share; // of the picture area, 0..1
    const char *reason;
};

#define HC_REPORT_MAX_RELIEFS 8
struct hc_report_lamp_row {
    const char *view, *note;
    double azimuth_deg, elevation_deg;
    double agree_deg; // of its spheres; NaN = not known
    double gain, misfit;
};

struct hc_report_relief {
    const char *title;               // "Relief of the state before treatment"
    struct hc_report_picture shaded; // lit from one fixed direction, which the caption names
    const struct hc_report_row *row; // figures, each with its band
    size_t n_rows;
    const double *detail_mm, *sq_um; // texture by size of detail
    size_t n_details;
    const struct hc_report_row *pair; // windows beside their varnished neighbours, or why not
    size_t n_pairs;
    const char *reading, *forecast; // what varnish does to the slopes; what removal gives back
    const struct hc_report_lamp_row *lamp;
    size_t n_lamps;
};

struct hc_report_forecast {
    const char *title, *subtitle;  // painting; "maker, date, support, size, inventory"
    const char *made_at, *program; // ISO time; "halfclean 0.1.0"
    struct hc_report_picture before, halfclean, map; // map: refusals and radius over the picture
    const struct hc_report_row *fact;                // painting, views, calibration
    size_t n_facts;
    const struct hc_report_row *figure; // the forecast in figures
    size_t n_figures;
    const struct hc_report_window_row *window;
    size_t n_windows;
    const struct hc_report_refusal_row *refusal;
    size_t n_refusals;
    const struct hc_report_relief *relief;
    size_t n_reliefs;                       // at most HC_REPORT_MAX_RELIEFS (HC_EARG)
    const struct hc_report_row *provenance; // inputs with SHA-256, parameters, version
    size_t n_provenance;
    const char *next_window;    // sentence or NULL
    const char *caveat;         // the honest sentence(s)
    const char *const *caution; // cautions for people and object
    size_t n_cautions;
};

// Writes path whole or not at all (temporary beside it, fsync, rename). HC_EARG: made_at has
// another shape. HC_ELIMIT: a picture side above 32767 px, or a PDF above 256 MiB. HC_EIO,
// HC_ENOMEM. Language, sRGB intent and picture words need cairo 1.16's way of building files; with
// another they are left out.
hc_status hc_report_forecast_pdf(const char *path, const struct hc_report_forecast *r,
                                 struct hc_err *err) HC_MUST_CHECK;

#endif
