// The report room's own tools: a page of a PDF that text, tables and pictures are laid out on.
//
// Units are points (1/72 inch), origin top left. A struct hc_page runs over as many sheets as it
// needs; every drawing function puts its content below what is there and opens a new sheet when it
// does not fit. Content is tagged for screen readers (PDF structure), frame lines are kept apart.
#ifndef HC_REPORT_REPORT_PRIV_H
#define HC_REPORT_REPORT_PRIV_H

#include <stdbool.h>
#include <stddef.h>

#include <cairo.h>
#include <pango/pangocairo.h>

#include "base/buf.h"
#include "base/err.h"
#include "report/report.h"

#define HC_SHEET_W 595.276 // A4
#define HC_SHEET_H 841.890
#define HC_SHEET_LEFT 48.0
#define HC_SHEET_RIGHT (HC_SHEET_W - 48.0)
#define HC_SHEET_WIDTH (HC_SHEET_RIGHT - HC_SHEET_LEFT)
#define HC_SHEET_TOP 66.0
#define HC_SHEET_BOTTOM 786.0

enum hc_style {
    HC_STYLE_KICKER,
    HC_STYLE_TITLE,
    HC_STYLE_TITLE_LONG,
    HC_STYLE_SUBTITLE,
    HC_STYLE_HEADING,
    HC_STYLE_BODY,
    HC_STYLE_LABEL,
    HC_STYLE_VALUE,
    HC_STYLE_NOTE,
    HC_STYLE_CELL,
    HC_STYLE_CELL_BOLD,
    HC_STYLE_HEAD,
    HC_STYLE_FOOT
};

enum hc_align { HC_ALIGN_LEFT, HC_ALIGN_RIGHT };

struct hc_bar { // a filled rectangle in a shade of grey
    double x, y, w, h, grey;
};

struct hc_page {
    cairo_surface_t *surface;
    cairo_t *cr;
    PangoFontMap *fonts;
    PangoContext *pango;
    double y;                // where the next thing goes
    int number;              // of this sheet, from 1
    int total;               // sheets in all; 0 while counting
    bool is_dry;             // counting: pictures are measured but not painted
    const char *head, *foot; // running title and foot line
    struct hc_bar bar[256];  // rules and bars of this sheet, drawn outside the reading order
    size_t n_bars;
};

#define HC_CELL_GAP 8.0 // white at the right of every column; a last column's may pass the margin

struct hc_column {
    const char *title;
    double width;
    enum hc_align align;
};

// ---- sheets -------------------------------------------------------------------------------------
hc_status hc_page_init(struct hc_page *p, cairo_surface_t *surface,
                       struct hc_err *err) HC_MUST_CHECK;
void hc_page_release(struct hc_page *p);
void hc_page_finish(struct hc_page *p);         // draws rules and foot, closes the sheet
bool hc_page_need(struct hc_page *p, double h); // a new sheet unless h fits; true when it did open
void hc_page_bar(struct hc_page *p, struct hc_bar bar); // kept until the sheet is finished
void hc_page_rule(struct hc_page *p, double x, double y, double w, double grey);

// ---- text ---------------------------------------------------------------------------------------
// Height of `text` in a box; max_lines 0 = no limit, otherwise it ends in an ellipsis. NULL is "".
double hc_text_height(struct hc_page *p, enum hc_style s, double w, int max_lines,
                      const char *text);
// The same, drawn. Returns the height.
double hc_text_draw(struct hc_page *p, enum hc_style s, double x, double y, double w, int max_lines,
                    enum hc_align align, const char *text);
// A paragraph at p->y that may run over several sheets, line by line; tag is "P", "LBody"...
void hc_text_flow(struct hc_page *p, enum hc_style s, double x, double w, const char *tag,
                  const char *text);
// A section heading with its outline entry; stays together with the `keep` points below it.
void hc_text_heading(struct hc_page *p, double x, double w, const char *text, double keep);
// Valid UTF-8 on one line, with SHA-256 sums cut to 16 digits; freed by g_free().
char *hc_text_clean(const char *text);

// ---- tables and pictures ------------------------------------------------------------------------
void hc_table_head(struct hc_page *p, double x, const struct hc_column *c, size_t n);
double hc_table_row_height(struct hc_page *p, const struct hc_column *c, size_t n,
                           const char *const *cell);
// One row at p->y (which moves on). `bold` is the column in bold, or n for none.
void hc_table_row(struct hc_page *p, double x, const struct hc_column *c, size_t n,
                  const char *const *cell, size_t bold);
// "label value / note" rows: height, and drawing at p->y over as many sheets as needed.
double hc_rows_height(struct hc_page *p, double w, const struct hc_report_row *row, size_t n);
void hc_rows_draw(struct hc_page *p, double x, double w, const struct hc_report_row *row, size_t n);
// A picture fitted into w x h with its top left corner at x, y. Returns the size drawn.
struct hc_size {
    double w, h;
};
struct hc_size hc_picture_fit(const struct hc_report_picture *pic, double w, double h);
hc_status hc_picture_draw(struct hc_page *p, const struct hc_report_picture *pic, double x,
                          double y, struct hc_size size, struct hc_err *err) HC_MUST_CHECK;

// The same as a tagged figure with its caption, w wide, below it; *bottom moves down to its end.
hc_status hc_figure_draw(struct hc_page *p, const struct hc_report_picture *pic, double x, double y,
                         struct hc_size size, double w, double *bottom,
                         struct hc_err *err) HC_MUST_CHECK;

// ---- the reports --------------------------------------------------------------------------------
hc_status hc_forecast_draw(struct hc_page *p, const struct hc_report_forecast *r,
                           struct hc_err *err) HC_MUST_CHECK;

// One relief on sheets of its own: picture, figures, texture by detail size, windows, lamps.
hc_status hc_relief_draw(struct hc_page *p, const struct hc_report_relief *r,
                         struct hc_err *err) HC_MUST_CHECK;

// ---- the file -----------------------------------------------------------------------------------
// Adds to a finished PDF what cairo 1.16 cannot write: that its colours are sRGB (output intent
// with an ICC profile), its language, that its title is to be shown, and words for its pictures
// (alt[k] for the k-th Figure). HC_EDATA when the file is not built as expected.
hc_status hc_pdf_declare(struct hc_buf *pdf, const char *language, const char *const *alt,
                         size_t n_alt, struct hc_err *err) HC_MUST_CHECK;
// The sRGB colour space as an ICC version 2 matrix profile.
void hc_pdf_srgb_icc(struct hc_buf *out);
// Temporary file beside it, fsync, rename. HC_EIO.
hc_status hc_file_replace(const char *path, const struct hc_buf *content,
                          struct hc_err *err) HC_MUST_CHECK;

#endif
