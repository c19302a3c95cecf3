// Relief in the forecast report: what raking light says about one state.
#include "report/report_priv.h"

#include <math.h>
#include <stdio.h>

#define PICTURE_H 250.0
#define GAP 24.0

// A number for a cell; "–" where there is none.
__attribute__((format(printf, 2, 0))) static void number(char out[24], const char *format, double v)
{
    if (isfinite(v)) {
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
        snprintf(out, 24, format, v);
#pragma GCC diagnostic pop
    } else {
        snprintf(out, 24, "\xe2\x80\x93");
    }
}

// One row of a table that may run over several sheets.
static double put_row(struct hc_page *p, const struct hc_column *c, size_t n,
                      const char *const *cell)
{
    double h = hc_table_row_height(p, c, n, cell), y;
    if (p->y + h > HC_SHEET_BOTTOM) {
        cairo_tag_end(p->cr, "Table");
        hc_page_need(p, h);
        cairo_tag_begin(p->cr, "Table", NULL);
        hc_table_head(p, HC_SHEET_LEFT, c, n);
    }
    y = p->y;
    hc_table_row(p, HC_SHEET_LEFT, c, n, cell, n);
    return y;
}

// Sq in octaves of detail size, a bar for each.
static void draw_curve(struct hc_page *p, const struct hc_report_relief *r)
{
    const double bars = HC_SHEET_WIDTH - 190.0;
    double most = 0.0;
    char scale[48], detail[24], sq[24];
    const char *cell[3] = {detail, sq, ""};
    hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "Texture by size of detail", 60.0);
    for (size_t i = 0; i < r->n_details; i++) {
        most = r->sq_um[i] > most ? r->sq_um[i] : most;
    }
    snprintf(scale, sizeof scale, "0 to %.3g um", most);
    const struct hc_column column[3] = {{"details of about, mm", 100.0, HC_ALIGN_RIGHT},
                                        {"Sq, um", 90.0, HC_ALIGN_RIGHT},
                                        {scale, bars + HC_CELL_GAP, HC_ALIGN_LEFT}};
    cairo_tag_begin(p->cr, "Table", NULL);
    hc_table_head(p, HC_SHEET_LEFT, column, 3);
    for (size_t i = 0; i < r->n_details; i++) {
        double y;
        number(detail, "%.2f", r->detail_mm[i]);
        number(sq, "%.2f", r->sq_um[i]);
        y = put_row(p, column, 3, cell);
        if (most > 0.0 && r->sq_um[i] > 0.0) {
            hc_page_bar(p, (struct hc_bar){HC_SHEET_RIGHT - bars, y + 5.0,
                                           bars * r->sq_um[i] / most, 5.0, 0.35});
        }
    }
    cairo_tag_end(p->cr, "Table");
    p->y += 4.0;
    hc_text_flow(p, HC_STYLE_NOTE, HC_SHEET_LEFT, HC_SHEET_WIDTH, "P",
                 "Rms height in octave bands (from the size over the square root of 2 to the size "
                 "times it), areal Gaussian filters (ISO 16610-61), over the whole picture.");
}

static void draw_lamps(struct hc_page *p, const struct hc_report_relief *r)
{
    const struct hc_column column[7] = {
        {"lamp of view", 120.0, HC_ALIGN_LEFT},
        {"azimuth", 48.0, HC_ALIGN_RIGHT},
        {"elevation", 52.0, HC_ALIGN_RIGHT},
        {"spheres agree to", 62.0, HC_ALIGN_RIGHT},
        {"exposure", 52.0, HC_ALIGN_RIGHT},
        {"misfit", 42.0, HC_ALIGN_RIGHT},
        {"note", HC_SHEET_WIDTH + HC_CELL_GAP - 376.0, HC_ALIGN_LEFT}};
    char azimuth[24], elevation[24], agree[24], gain[24], misfit[24];
    const char *cell[7] = {NULL, azimuth, elevation, agree, gain, misfit, NULL};
    hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "The lamps", 60.0);
    cairo_tag_begin(p->cr, "Table", NULL);
    hc_table_head(p, HC_SHEET_LEFT, column, 7);
    for (size_t i = 0; i < r->n_lamps; i++) {
        const struct hc_report_lamp_row *l = &r->lamp[i];
        cell[0] = l->view;
        cell[6] = l->note;
        number(azimuth, "%.1f\xc2\xb0", l->azimuth_deg);
        number(elevation, "%.1f\xc2\xb0", l->elevation_deg);
        number(agree, "%.2f\xc2\xb0", l->agree_deg);
        number(gain, "%.3f", l->gain);
        number(misfit, "%.2f", l->misfit);
        put_row(p, column, 7, cell);
    }
    cairo_tag_end(p->cr, "Table");
    p->y += 4.0;
    hc_text_flow(
        p, HC_STYLE_NOTE, HC_SHEET_LEFT, HC_SHEET_WIDTH, "P",
        "Azimuth counter-clockwise from the viewer's right, elevation above the picture. "
        "Exposure: against the set. Misfit: of this view over the usual misfit of the set.");
}

hc_status hc_relief_draw(struct hc_page *p, const struct hc_report_relief *r, struct hc_err *err)
{
    double w = (HC_SHEET_WIDTH - GAP) / 2.0, top, bottom, left;
    struct hc_size size = hc_picture_fit(&r->shaded, w, PICTURE_H);
    hc_status status;
    hc_page_need(p, HC_SHEET_H); // a new sheet
    hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, r->title, size.h + 40.0);
    top = bottom = p->y;
    status = hc_figure_draw(p, &r->shaded, HC_SHEET_LEFT, p->y, size, w, &bottom, err);
    if (status != HC_OK) {
        return status;
    }
    left = HC_SHEET_LEFT + w + GAP;
    p->y = top;
    hc_rows_draw(p, left, w, r->row, r->n_rows);
    p->y = (bottom > p->y ? bottom : p->y) + 10.0;
    hc_text_flow(p, HC_STYLE_BODY, HC_SHEET_LEFT, HC_SHEET_WIDTH, "P", r->reading);
    if (r->n_details) {
        draw_curve(p, r);
    }
    hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "Relief hidden by the coat", 40.0);
    hc_rows_draw(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, r->pair, r->n_pairs);
    p->y += 4.0;
    hc_text_flow(p, HC_STYLE_BODY, HC_SHEET_LEFT, HC_SHEET_WIDTH, "P", r->forecast);
    draw_lamps(p, r);
    return HC_OK;
}
