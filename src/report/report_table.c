// Tables, rows of facts and pictures.
#include "report/report_priv.h"

#include <string.h>

#define ROOM "report"

#define CELL_LINES 3 // longer cells end in an ellipsis
#define ROW_PAD 2.6

static enum hc_style cell_style(size_t column, size_t bold)
{
    return column == bold ? HC_STYLE_CELL_BOLD : HC_STYLE_CELL;
}

static double table_width(const struct hc_column *c, size_t n)
{
    double w = 0.0;
    for (size_t i = 0; i < n; i++) {
        w += c[i].width;
    }
    return w;
}

void hc_table_head(struct hc_page *p, double x, const struct hc_column *c, size_t n)
{
    double h = 0.0, at = x;
    for (size_t i = 0; i < n; i++) {
        double one = hc_text_height(p, HC_STYLE_HEAD, c[i].width - HC_CELL_GAP, 3, c[i].title);
        h = one > h ? one : h;
    }
    cairo_tag_begin(p->cr, "TR", NULL);
    for (size_t i = 0; i < n; i++) {
        double one = hc_text_height(p, HC_STYLE_HEAD, c[i].width - HC_CELL_GAP, 3, c[i].title);
        cairo_tag_begin(p->cr, "TH", NULL);
        hc_text_draw(p, HC_STYLE_HEAD, at, p->y + h - one, c[i].width - HC_CELL_GAP, 3, c[i].align,
                     c[i].title);
        cairo_tag_end(p->cr, "TH");
        at += c[i].width;
    }
    cairo_tag_end(p->cr, "TR");
    p->y += h + ROW_PAD;
    hc_page_rule(p, x, p->y, table_width(c, n) - HC_CELL_GAP, 0.35);
    p->y += 0.5;
}

double hc_table_row_height(struct hc_page *p, const struct hc_column *c, size_t n,
                           const char *const *cell)
{
    double h = 0.0;
    for (size_t i = 0; i < n; i++) {
        double one =
            hc_text_height(p, HC_STYLE_CELL, c[i].width - HC_CELL_GAP, CELL_LINES, cell[i]);
        h = one > h ? one : h;
    }
    return h + 2.0 * ROW_PAD;
}

void hc_table_row(struct hc_page *p, double x, const struct hc_column *c, size_t n,
                  const char *const *cell, size_t bold)
{
    double h = hc_table_row_height(p, c, n, cell), at = x;
    cairo_tag_begin(p->cr, "TR", NULL);
    for (size_t i = 0; i < n; i++) {
        cairo_tag_begin(p->cr, "TD", NULL);
        hc_text_draw(p, cell_style(i, bold), at, p->y + ROW_PAD, c[i].width - HC_CELL_GAP,
                     CELL_LINES, c[i].align, cell[i]);
        cairo_tag_end(p->cr, "TD");
        at += c[i].width;
    }
    cairo_tag_end(p->cr, "TR");
    p->y += h;
    hc_page_rule(p, x, p->y - 0.25, table_width(c, n) - HC_CELL_GAP, 0.86);
}

// ---- rows of facts ------------------------------------------------------------------------------
#define FACT_LABEL 0.36 // share of the width
#define FACT_LINES 6

static bool has_text(const char *s)
{
    return s && *s;
}

static double fact_height(struct hc_page *p, double w, const struct hc_report_row *r)
{
    double label = hc_text_height(p, HC_STYLE_LABEL, w * FACT_LABEL - HC_CELL_GAP, 3, r->label);
    double value = hc_text_height(p, HC_STYLE_VALUE, w * (1.0 - FACT_LABEL), FACT_LINES, r->value);
    if (has_text(r->note)) {
        value +=
            1.0 + hc_text_height(p, HC_STYLE_NOTE, w * (1.0 - FACT_LABEL), FACT_LINES, r->note);
    }
    return (label > value ? label : value) + 2.0 * ROW_PAD;
}

double hc_rows_height(struct hc_page *p, double w, const struct hc_report_row *row, size_t n)
{
    double h = 0.0;
    for (size_t i = 0; i < n; i++) {
        h += fact_height(p, w, &row[i]);
    }
    return h;
}

static void fact_draw(struct hc_page *p, double x, double w, const struct hc_report_row *r)
{
    double vx = x + w * FACT_LABEL, vw = w * (1.0 - FACT_LABEL), y = p->y + ROW_PAD;
    cairo_tag_begin(p->cr, "TR", NULL);
    cairo_tag_begin(p->cr, "TH", NULL);
    hc_text_draw(p, HC_STYLE_LABEL, x, y + 0.3, w * FACT_LABEL - HC_CELL_GAP, 3, HC_ALIGN_LEFT,
                 r->label);
    cairo_tag_end(p->cr, "TH");
    cairo_tag_begin(p->cr, "TD", NULL);
    y += hc_text_draw(p, HC_STYLE_VALUE, vx, y, vw, FACT_LINES, HC_ALIGN_LEFT, r->value);
    if (has_text(r->note)) {
        hc_text_draw(p, HC_STYLE_NOTE, vx, y + 1.0, vw, FACT_LINES, HC_ALIGN_LEFT, r->note);
    }
    cairo_tag_end(p->cr, "TD");
    cairo_tag_end(p->cr, "TR");
}

void hc_rows_draw(struct hc_page *p, double x, double w, const struct hc_report_row *row, size_t n)
{
    bool is_open = false;
    for (size_t i = 0; i < n; i++) {
        double h = fact_height(p, w, &row[i]);
        if (is_open && p->y + h > HC_SHEET_BOTTOM) {
            cairo_tag_end(p->cr, "Table");
            is_open = false;
        }
        hc_page_need(p, h);
        if (!is_open) {
            cairo_tag_begin(p->cr, "Table", NULL);
            is_open = true;
        }
        fact_draw(p, x, w, &row[i]);
        p->y += h;
        hc_page_rule(p, x, p->y - 0.25, w, 0.86);
    }
    if (is_open) {
        cairo_tag_end(p->cr, "Table");
    }
}

// ---- pictures -----------------------------------------------------------------------------------
static bool has_pixels(const struct hc_report_picture *pic)
{
    return pic->rgb && pic->w > 0 && pic->h > 0;
}

struct hc_size hc_picture_fit(const struct hc_report_picture *pic, double w, double h)
{
    double pw = has_pixels(pic) ? pic->w : 4.0, ph = has_pixels(pic) ? pic->h : 3.0;
    double scale = w / pw < h / ph ? w / pw : h / ph;
    return (struct hc_size){pw * scale, ph * scale};
}

// w x h x 3 bytes into cairo's 32-bit pixels.
static void copy_pixels(cairo_surface_t *image, const struct hc_report_picture *pic)
{
    unsigned char *to = cairo_image_surface_get_data(image);
    size_t stride = (size_t)cairo_image_surface_get_stride(image);
    for (size_t j = 0; j < (size_t)pic->h; j++) {
        const uint8_t *from = pic->rgb + 3 * (size_t)pic->w * j;
        for (size_t i = 0; i < (size_t)pic->w; i++, from += 3) {
            uint32_t v = (uint32_t)from[0] << 16 | (uint32_t)from[1] << 8 | from[2];
            memcpy(to + j * stride + 4 * i, &v, 4);
        }
    }
    cairo_surface_mark_dirty(image);
}

hc_status hc_picture_draw(struct hc_page *p, const struct hc_report_picture *pic, double x,
                          double y, struct hc_size size, struct hc_err *err)
{
    cairo_surface_t *image = NULL;
    hc_status status = HC_OK;
    if (p->is_dry) {
        return HC_OK;
    }
    if (!has_pixels(pic)) {
        hc_page_bar(p, (struct hc_bar){x, y, size.w, size.h, 0.93});
        return HC_OK;
    }
    image = cairo_image_surface_create(CAIRO_FORMAT_RGB24, pic->w, pic->h);
    if (cairo_surface_status(image) != CAIRO_STATUS_SUCCESS) {
        status =
            hc_err_set(err, HC_ELIMIT, ROOM,
                       "A picture of %d x %d px does not fit into the report (%s); give one of "
                       "at most 4000 px a side.",
                       pic->w, pic->h, cairo_status_to_string(cairo_surface_status(image)));
        goto done;
    }
    copy_pixels(image, pic);
    cairo_save(p->cr);
    cairo_translate(p->cr, x, y);
    cairo_scale(p->cr, size.w / pic->w, size.h / pic->h);
    cairo_set_source_surface(p->cr, image, 0.0, 0.0);
    cairo_paint(p->cr);
    cairo_restore(p->cr);
done:
    cairo_surface_destroy(image);
    return status;
}
