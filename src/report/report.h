// The printed record: a PDF drawn from plain structs (cairo, pango).
//
// Two A4 pages for the forecast report: the pair before | half-clean, the figures, the windows
// table, refusals, provenance, cautions. Same struct, same bytes.
#ifndef HC_REPORT_REPORT_H
#define HC_REPORT_REPORT_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

struct hc_report_picture {
    const uint8_t *rgb; // w x h x 3, sRGB, borrowed
    int w, h;
    const char *caption;
};

struct hc_report_row { // "label: value" with an optional small note
    const char *label, *value, *note;
};

struct hc_report_window_row {
    const char *label, *surface, *system;
    double area_mm2, lightness, nothing_de, left_out_de, coat;
};

struct hc_report_refusal_row {
    int code;
    double share; // of the picture area, 0..1
    const char *reason;
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
    const struct hc_report_row *provenance; // inputs with SHA-256, parameters, version
    size_t n_provenance;
    const char *next_window;    // sentence or NULL
    const char *caveat;         // the honest sentence(s)
    const char *const *caution; // cautions for people and object
    size_t n_cautions;
};

// Writes path atomically (temporary, fsync, rename). HC_EIO, HC_ENOMEM.
hc_status hc_report_forecast_pdf(const char *path, const struct hc_report_forecast *r,
                                 struct hc_err *err) HC_MUST_CHECK;

#endif
