// Sheets and text: the typesetting under every report.
#include "report/report_priv.h"

#include <string.h>

#include <cairo-pdf.h>

#define ROOM "report"

struct style {
    const char *family; // fontconfig generics; a bare Debian answers with DejaVu
    double size, grey;
    PangoWeight weight;
    double leading; // line distance over the font's own
};

// No italics: the base fonts have none, and slanted ones look it.
static const struct style styles[] = {
    [HC_STYLE_KICKER] = {"sans-serif", 7.5, 0.40, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_TITLE] = {"serif", 19.0, 0.08, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_TITLE_LONG] = {"serif", 15.0, 0.08, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_SUBTITLE] = {"sans-serif", 8.5, 0.36, PANGO_WEIGHT_NORMAL, 1.05},
    [HC_STYLE_HEADING] = {"serif", 11.5, 0.08, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_BODY] = {"sans-serif", 8.0, 0.12, PANGO_WEIGHT_NORMAL, 1.18},
    [HC_STYLE_LABEL] = {"sans-serif", 7.6, 0.40, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_VALUE] = {"sans-serif", 7.9, 0.10, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_NOTE] = {"sans-serif", 6.9, 0.42, PANGO_WEIGHT_NORMAL, 1.05},
    [HC_STYLE_CELL] = {"sans-serif", 7.6, 0.12, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_CELL_BOLD] = {"sans-serif", 7.6, 0.05, PANGO_WEIGHT_BOLD, 1.0},
    [HC_STYLE_HEAD] = {"sans-serif", 6.8, 0.40, PANGO_WEIGHT_NORMAL, 1.0},
    [HC_STYLE_FOOT] = {"sans-serif", 6.8, 0.45, PANGO_WEIGHT_NORMAL, 1.0},
};

// ---- sheets -------------------------------------------------------------------------------------
hc_status hc_page_init(struct hc_page *p, cairo_surface_t *surface, struct hc_err *err)
{
    cairo_font_options_t *options = cairo_font_options_create();
    p->surface = surface;
    p->cr = cairo_create(surface);
    p->fonts = pango_cairo_font_map_new();
    p->pango = pango_font_map_create_context(p->fonts);
    p->y = HC_SHEET_TOP;
    p->number = 1;
    p->n_bars = 0;
    // Print: glyphs stand where the outlines say, not on a screen's pixel grid.
    cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
    cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
    pango_cairo_context_set_font_options(p->pango, options);
    pango_context_set_round_glyph_positions(p->pango, FALSE); // a point is a coarse grid
    pango_cairo_context_set_resolution(p->pango, 72.0);
    pango_context_set_language(p->pango, pango_language_from_string("en-GB"));
    cairo_font_options_destroy(options);
    if (cairo_status(p->cr) != CAIRO_STATUS_SUCCESS) {
        return hc_err_set(err, HC_ENOMEM, ROOM, "The report page cannot be made: %s.",
                          cairo_status_to_string(cairo_status(p->cr)));
    }
    cairo_tag_begin(p->cr, "Document", NULL);
    return HC_OK;
}

void hc_page_release(struct hc_page *p)
{
    if (p->pango) {
        g_object_unref(p->pango);
    }
    if (p->fonts) {
        g_object_unref(p->fonts);
    }
    if (p->cr) {
        cairo_destroy(p->cr);
    }
    memset(p, 0, sizeof *p);
}

void hc_page_finish(struct hc_page *p)
{
    char number[32];
    cairo_tag_begin(p->cr, "NonStruct", NULL);
    for (size_t i = 0; i < p->n_bars; i++) {
        const struct hc_bar *b = &p->bar[i];
        cairo_set_source_rgb(p->cr, b->grey, b->grey, b->grey);
        cairo_rectangle(p->cr, b->x, b->y, b->w, b->h);
        cairo_fill(p->cr);
    }
    p->n_bars = 0;
    if (p->number > 1) {
        hc_text_draw(p, HC_STYLE_FOOT, HC_SHEET_LEFT, 36.0, HC_SHEET_WIDTH, 1, HC_ALIGN_LEFT,
                     p->head);
    }
    snprintf(number, sizeof number, "page %d of %d", p->number, p->total);
    hc_text_draw(p, HC_STYLE_FOOT, HC_SHEET_LEFT, 804.0, HC_SHEET_WIDTH - 80.0, 1, HC_ALIGN_LEFT,
                 p->foot);
    hc_text_draw(p, HC_STYLE_FOOT, HC_SHEET_RIGHT - 76.0, 804.0, 76.0, 1, HC_ALIGN_RIGHT, number);
    cairo_tag_end(p->cr, "NonStruct");
    cairo_show_page(p->cr);
}

bool hc_page_need(struct hc_page *p, double h)
{
    if (p->y + h <= HC_SHEET_BOTTOM || p->y <= HC_SHEET_TOP) {
        return false;
    }
    hc_page_finish(p);
    p->number++;
    p->y = HC_SHEET_TOP;
    return true;
}

void hc_page_bar(struct hc_page *p, struct hc_bar bar)
{
    if (p->n_bars < sizeof p->bar / sizeof p->bar[0]) {
        p->bar[p->n_bars++] = bar;
    }
}

void hc_page_rule(struct hc_page *p, double x, double y, double w, double grey)
{
    hc_page_bar(p, (struct hc_bar){x, y, w, 0.5, grey});
}

// ---- text ---------------------------------------------------------------------------------------
// Length of the run of hexadecimal digits at s.
static size_t hex_run(const char *s)
{
    return strspn(s, "0123456789abcdefABCDEF");
}

char *hc_text_clean(const char *text)
{
    char *valid = g_utf8_make_valid(text ? text : "", -1);
    char *to = valid;
    for (const char *from = valid; *from;) {
        size_t run = hex_run(from);
        if (run == 64) {
            memmove(to, from, 16);
            memcpy(to + 16, "\xe2\x80\xa6", 3); // ellipsis
            to += 19;
            from += run;
        } else if (run > 0) {
            memmove(to, from, run);
            to += run;
            from += run;
        } else {
            unsigned char c = (unsigned char)*from++;
            *to++ = c < 0x20 || c == 0x7f ? ' ' : (char)c;
        }
    }
    *to = 0;
    return valid;
}

static PangoLayout *layout_of(struct hc_page *p, enum hc_style s, double w, int max_lines,
                              enum hc_align align, const char *text)
{
    const struct style *st = &styles[s];
    PangoFontDescription *font = pango_font_description_new();
    PangoLayout *layout = pango_layout_new(p->pango);
    char *clean = hc_text_clean(text);
    pango_font_description_set_family_static(font, st->family);
    pango_font_description_set_weight(font, st->weight);
    pango_font_description_set_absolute_size(font, st->size * PANGO_SCALE);
    pango_layout_set_font_description(layout, font);
    pango_layout_set_line_spacing(layout, (float)st->leading);
    pango_layout_set_width(layout, (int)(w * PANGO_SCALE));
    pango_layout_set_wrap(layout, PANGO_WRAP_WORD_CHAR);
    pango_layout_set_alignment(layout,
                               align == HC_ALIGN_RIGHT ? PANGO_ALIGN_RIGHT : PANGO_ALIGN_LEFT);
    if (max_lines > 0) {
        pango_layout_set_height(layout, -max_lines);
        pango_layout_set_ellipsize(layout, PANGO_ELLIPSIZE_END);
    }
    pango_layout_set_text(layout, clean, -1);
    g_free(clean);
    pango_font_description_free(font);
    return layout;
}

static double layout_height(PangoLayout *layout)
{
    PangoRectangle box;
    pango_layout_get_extents(layout, NULL, &box);
    return (double)box.height / PANGO_SCALE;
}

double hc_text_height(struct hc_page *p, enum hc_style s, double w, int max_lines, const char *text)
{
    PangoLayout *layout = layout_of(p, s, w, max_lines, HC_ALIGN_LEFT, text);
    double h = layout_height(layout);
    g_object_unref(layout);
    return h;
}

double hc_text_draw(struct hc_page *p, enum hc_style s, double x, double y, double w, int max_lines,
                    enum hc_align align, const char *text)
{
    PangoLayout *layout = layout_of(p, s, w, max_lines, align, text);
    double h = layout_height(layout);
    cairo_set_source_rgb(p->cr, styles[s].grey, styles[s].grey, styles[s].grey);
    cairo_move_to(p->cr, x, y);
    pango_cairo_show_layout(p->cr, layout);
    g_object_unref(layout);
    return h;
}

void hc_text_flow(struct hc_page *p, enum hc_style s, double x, double w, const char *tag,
                  const char *text)
{
    PangoLayout *layout = layout_of(p, s, w, 0, HC_ALIGN_LEFT, text);
    PangoLayoutIter *it = pango_layout_get_iter(layout);
    bool is_open = false;
    do {
        PangoRectangle box;
        int base = pango_layout_iter_get_baseline(it);
        pango_layout_iter_get_line_extents(it, NULL, &box);
        double h = (double)box.height / PANGO_SCALE;
        if (is_open && p->y + h > HC_SHEET_BOTTOM) { // a structure element stays on its sheet
            cairo_tag_end(p->cr, tag);
            is_open = false;
        }
        hc_page_need(p, h);
        if (!is_open) {
            cairo_tag_begin(p->cr, tag, NULL);
            is_open = true;
        }
        cairo_set_source_rgb(p->cr, styles[s].grey, styles[s].grey, styles[s].grey);
        cairo_move_to(p->cr, x + (double)box.x / PANGO_SCALE,
                      p->y + (double)(base - box.y) / PANGO_SCALE);
        pango_cairo_show_layout_line(p->cr, pango_layout_iter_get_line_readonly(it));
        p->y += h;
    } while (pango_layout_iter_next_line(it));
    cairo_tag_end(p->cr, tag);
    pango_layout_iter_free(it);
    g_object_unref(layout);
}

void hc_text_heading(struct hc_page *p, double x, double w, const char *text, double keep)
{
    char where[64];
    double h = hc_text_height(p, HC_STYLE_HEADING, w, 1, text);
    if (!hc_page_need(p, h + keep + 22.0) && p->y > HC_SHEET_TOP) {
        p->y += 18.0;
    }
    snprintf(where, sizeof where, "page=%d pos=[%.0f %.0f]", p->number, x, p->y);
    if (!p->is_dry) {
        cairo_pdf_surface_add_outline(p->surface, CAIRO_PDF_OUTLINE_ROOT, text, where,
                                      (cairo_pdf_outline_flags_t)0);
    }
    cairo_tag_begin(p->cr, "H2", NULL);
    hc_text_draw(p, HC_STYLE_HEADING, x, p->y, w, 1, HC_ALIGN_LEFT, text);
    cairo_tag_end(p->cr, "H2");
    p->y += h + 5.0;
}
