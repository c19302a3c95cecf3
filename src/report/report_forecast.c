// The forecast report: what goes where.
#include "report/report_priv.h"

#include <math.h>
#include <stdio.h>

#define PAIR_GAP 13.0
#define PAIR_LEAST 220.0 // height below which the pair is no longer a picture
#define COLUMN_GAP 24.0
#define HEADING 40.0 // a section heading with the white around it

// A number for a cell; "–" where there is none.
static void figure(char out[24], const char *format_1, double v)
{
    if (isfinite(v)) {
        // The format is one of the literals below.
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
        snprintf(out, 24, format_1, v);
#pragma GCC diagnostic pop
    } else {
        snprintf(out, 24, "\xe2\x80\x93");
    }
}

static void draw_title(struct hc_page *p, const struct hc_report_forecast *r)
{
    enum hc_style title = HC_STYLE_TITLE;
    if (hc_text_height(p, title, HC_SHEET_WIDTH, 2, r->title) >
        1.5 * hc_text_height(p, title, HC_SHEET_WIDTH, 1, "")) {
        title = HC_STYLE_TITLE_LONG;
    }
    p->y = 44.0;
    cairo_tag_begin(p->cr, "P", NULL);
    p->y += hc_text_draw(p, HC_STYLE_KICKER, HC_SHEET_LEFT, p->y, HC_SHEET_WIDTH, 1, HC_ALIGN_LEFT,
                         "Forecast of a cleaning");
    cairo_tag_end(p->cr, "P");
    p->y += 4.0;
    cairo_tag_begin(p->cr, "H1", NULL);
    p->y += hc_text_draw(p, title, HC_SHEET_LEFT, p->y, HC_SHEET_WIDTH, 2, HC_ALIGN_LEFT, r->title);
    cairo_tag_end(p->cr, "H1");
    if (r->subtitle && *r->subtitle) {
        p->y += 3.0;
        cairo_tag_begin(p->cr, "P", NULL);
        p->y += hc_text_draw(p, HC_STYLE_SUBTITLE, HC_SHEET_LEFT, p->y, HC_SHEET_WIDTH, 3,
                             HC_ALIGN_LEFT, r->subtitle);
        cairo_tag_end(p->cr, "P");
    }
    p->y += 14.0;
}

hc_status hc_figure_draw(struct hc_page *p, const struct hc_report_picture *pic, double x, double y,
                         struct hc_size size, double w, double *bottom, struct hc_err *err)
{
    hc_status status;
    cairo_tag_begin(p->cr, "Figure", NULL);
    status = hc_picture_draw(p, pic, x, y, size, err);
    cairo_tag_end(p->cr, "Figure");
    cairo_tag_begin(p->cr, "Caption", NULL);
    y += size.h + 4.0;
    y += hc_text_draw(p, HC_STYLE_LABEL, x, y, w, 3, HC_ALIGN_LEFT, pic->caption);
    cairo_tag_end(p->cr, "Caption");
    *bottom = y > *bottom ? y : *bottom;
    return status;
}

// How the pair stands: both pictures in boxes of w x h, side by side or one above the other.
struct pair {
    bool is_stacked;
    double w, h;
};

// Side by side, unless a wide painting becomes much larger one above the other.
static struct pair arrange_pair(const struct hc_report_forecast *r, double room, double caption)
{
    struct pair side = {false, (HC_SHEET_WIDTH - PAIR_GAP) / 2.0, room - caption};
    struct pair stack = {true, HC_SHEET_WIDTH, (room - 2.0 * caption - PAIR_GAP) / 2.0};
    struct hc_size a = hc_picture_fit(&r->halfclean, side.w, side.h);
    struct hc_size b = hc_picture_fit(&r->halfclean, stack.w, stack.h);
    return b.w * b.h > 1.3 * a.w * a.h ? stack : side;
}

static hc_status draw_pair(struct hc_page *p, const struct hc_report_forecast *r, double room,
                           double caption, struct hc_err *err)
{
    struct pair pair = arrange_pair(r, room, caption);
    struct hc_size a = hc_picture_fit(&r->before, pair.w, pair.h);
    struct hc_size b = hc_picture_fit(&r->halfclean, pair.w, pair.h);
    double bottom = p->y, x = HC_SHEET_LEFT, y = p->y;
    hc_status status;
    if (!pair.is_stacked) { // narrow pictures stand together in the middle, not at the edges
        x += (HC_SHEET_WIDTH - a.w - PAIR_GAP - b.w) / 2.0;
    }
    status = hc_figure_draw(p, &r->before, x, y, a, pair.is_stacked ? pair.w : a.w, &bottom, err);
    if (status == HC_OK) {
        if (pair.is_stacked) {
            y = bottom + PAIR_GAP;
        } else {
            x += a.w + PAIR_GAP;
        }
        status =
            hc_figure_draw(p, &r->halfclean, x, y, b, pair.is_stacked ? pair.w : b.w, &bottom, err);
    }
    p->y = bottom;
    return status;
}

static double pair_caption_height(struct hc_page *p, const struct hc_report_forecast *r)
{
    double w = (HC_SHEET_WIDTH - PAIR_GAP) / 2.0;
    double a = hc_text_height(p, HC_STYLE_LABEL, w, 3, r->before.caption);
    double b = hc_text_height(p, HC_STYLE_LABEL, w, 3, r->halfclean.caption);
    return 4.0 + (a > b ? a : b);
}

static void draw_caveat(struct hc_page *p, const struct hc_report_forecast *r)
{
    if (!r->caveat || !*r->caveat) {
        return;
    }
    double top;
    int sheet;
    p->y += 15.0;
    hc_page_need(p, 30.0);
    top = p->y;
    sheet = p->number;
    hc_text_flow(p, HC_STYLE_BODY, HC_SHEET_LEFT + 12.0, HC_SHEET_WIDTH - 12.0, "P", r->caveat);
    if (sheet == p->number) {
        hc_page_bar(p, (struct hc_bar){HC_SHEET_LEFT, top + 1.0, 2.0, p->y - top - 2.0, 0.35});
    }
}

// Facts on the left, the forecast in figures on the right; one below the other when they are long.
static void draw_facts(struct hc_page *p, const struct hc_report_forecast *r)
{
    double w = (HC_SHEET_WIDTH - COLUMN_GAP) / 2.0, top;
    double left = hc_rows_height(p, w, r->fact, r->n_facts);
    double right = hc_rows_height(p, w, r->figure, r->n_figures);
    double h = left > right ? left : right;
    if (h > HC_SHEET_BOTTOM - HC_SHEET_TOP - HEADING) {
        hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "The painting", 40.0);
        hc_rows_draw(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, r->fact, r->n_facts);
        hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "The forecast in figures", 40.0);
        hc_rows_draw(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, r->figure, r->n_figures);
        return;
    }
    hc_page_need(p, h + HEADING);
    top = p->y;
    if (r->n_facts) {
        hc_text_heading(p, HC_SHEET_LEFT, w, "The painting", 0.0);
        hc_rows_draw(p, HC_SHEET_LEFT, w, r->fact, r->n_facts);
    }
    left = p->y;
    p->y = top;
    if (r->n_figures) {
        hc_text_heading(p, HC_SHEET_LEFT + w + COLUMN_GAP, w, "The forecast in figures", 0.0);
        hc_rows_draw(p, HC_SHEET_LEFT + w + COLUMN_GAP, w, r->figure, r->n_figures);
    }
    p->y = left > p->y ? left : p->y;
}

static hc_status draw_first_sheet(struct hc_page *p, const struct hc_report_forecast *r,
                                  struct hc_err *err)
{
    double w = (HC_SHEET_WIDTH - COLUMN_GAP) / 2.0;
    double left = hc_rows_height(p, w, r->fact, r->n_facts);
    double right = hc_rows_height(p, w, r->figure, r->n_figures);
    double below = HEADING + (left > right ? left : right), room;
    hc_status status;
    if (r->caveat && *r->caveat) {
        below += 16.0 + hc_text_height(p, HC_STYLE_BODY, HC_SHEET_WIDTH - 12.0, 0, r->caveat);
    }
    draw_title(p, r);
    room = HC_SHEET_BOTTOM - p->y - below;
    if (room < PAIR_LEAST) { // the words need a sheet of their own
        room = HC_SHEET_BOTTOM - p->y;
    }
    status = draw_pair(p, r, room, pair_caption_height(p, r), err);
    if (status == HC_OK) {
        draw_facts(p, r);
        draw_caveat(p, r);
    }
    return status;
}

// ---- windows ------------------------------------------------------------------------------------
enum {
    W_LABEL,
    W_SURFACE,
    W_SYSTEM,
    W_AREA,
    W_LIGHT,
    W_COAT,
    W_NOTHING,
    W_LEFT_OUT,
    W_BARS,
    W_COUNT
};

// Columns of the windows table; `scale` is the title of the bars.
static void window_columns(struct hc_column c[W_COUNT], const char *scale)
{
    c[W_LABEL] = (struct hc_column){"window", 88.0, HC_ALIGN_LEFT};
    c[W_SURFACE] = (struct hc_column){"surface", 58.0, HC_ALIGN_LEFT};
    c[W_SYSTEM] = (struct hc_column){"system", 104.0, HC_ALIGN_LEFT};
    c[W_AREA] = (struct hc_column){"area mm\xc2\xb2", 36.0, HC_ALIGN_RIGHT};
    c[W_LIGHT] = (struct hc_column){"L* before", 36.0, HC_ALIGN_RIGHT};
    c[W_COAT] = (struct hc_column){"coat", 34.0, HC_ALIGN_RIGHT};
    c[W_NOTHING] = (struct hc_column){"doing nothing", 41.0, HC_ALIGN_RIGHT};
    c[W_LEFT_OUT] = (struct hc_column){"left out", 36.0, HC_ALIGN_RIGHT};
    c[W_BARS] = (struct hc_column){scale, HC_SHEET_WIDTH + HC_CELL_GAP - 433.0, HC_ALIGN_LEFT};
}

// Two thin bars at the numbers: what doing nothing scores (light) and the left-out forecast (dark).
static void draw_window_bars(struct hc_page *p, double y, const struct hc_report_window_row *w,
                             double most)
{
    double full = HC_SHEET_WIDTH - 433.0, x = HC_SHEET_RIGHT - full, mid = y + 7.4;
    double nothing = w->nothing_de / most, left_out = w->left_out_de / most;
    if (isfinite(nothing) && nothing > 0.0) {
        hc_page_bar(p, (struct hc_bar){x, mid - 3.4, full * nothing, 3.0, 0.78});
    }
    if (isfinite(left_out) && left_out > 0.0) {
        hc_page_bar(p, (struct hc_bar){x, mid + 0.4, full * left_out, 3.0, 0.25});
    }
}

static void draw_window_row(struct hc_page *p, const struct hc_column column[W_COUNT],
                            const struct hc_report_window_row *w, double most)
{
    char area[24], light[24], coat[24], nothing[24], left_out[24];
    const char *cell[W_COUNT] = {w->label, w->surface, w->system, area, light,
                                 coat,     nothing,    left_out,  ""};
    double h, y;
    figure(area, "%.0f", w->area_mm2);
    figure(light, "%.1f", w->lightness);
    figure(coat, "%.2f", w->coat);
    figure(nothing, "%.1f", w->nothing_de);
    figure(left_out, "%.1f", w->left_out_de);
    h = hc_table_row_height(p, column, W_COUNT, cell);
    if (p->y + h > HC_SHEET_BOTTOM) {
        cairo_tag_end(p->cr, "Table");
        hc_page_need(p, h);
        cairo_tag_begin(p->cr, "Table", NULL);
        hc_table_head(p, HC_SHEET_LEFT, column, W_COUNT);
    }
    y = p->y;
    hc_table_row(p, HC_SHEET_LEFT, column, W_COUNT, cell,
                 w->left_out_de > w->nothing_de ? W_LEFT_OUT : W_COUNT);
    draw_window_bars(p, y, w, most);
}

static void draw_windows(struct hc_page *p, const struct hc_report_forecast *r)
{
    struct hc_column column[W_COUNT];
    double most = 1.0;
    char scale[40];
    hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "The windows", 60.0);
    for (size_t i = 0; i < r->n_windows; i++) {
        most = r->window[i].nothing_de > most ? r->window[i].nothing_de : most;
        most = r->window[i].left_out_de > most ? r->window[i].left_out_de : most;
    }
    snprintf(scale, sizeof scale, "0 to %.1f", most);
    window_columns(column, scale);
    cairo_tag_begin(p->cr, "Table", NULL);
    hc_table_head(p, HC_SHEET_LEFT, column, W_COUNT);
    for (size_t i = 0; i < r->n_windows; i++) {
        draw_window_row(p, column, &r->window[i], most);
    }
    cairo_tag_end(p->cr, "Table");
    p->y += 4.0;
    hc_text_flow(
        p, HC_STYLE_NOTE, HC_SHEET_LEFT, HC_SHEET_WIDTH, "P",
        "Doing nothing: mean CIEDE2000 between the window before and after cleaning (light "
        "bar). Left out: mean CIEDE2000 between forecast and what was found, with this "
        "window left out of the fit (dark bar); bold where that is worse than doing "
        "nothing. Coat: effective coat, 1 = geometric mean over the windows; not a "
        "thickness.");
}

// ---- refusals -----------------------------------------------------------------------------------
enum { R_CODE, R_SHARE, R_REASON, R_COUNT };

static void draw_refusal_table(struct hc_page *p, const struct hc_report_forecast *r, double x,
                               double w)
{
    const struct hc_column column[R_COUNT] = {{"code", 28.0, HC_ALIGN_LEFT},
                                              {"share", 46.0, HC_ALIGN_RIGHT},
                                              {"reason", w - 74.0 + HC_CELL_GAP, HC_ALIGN_LEFT}};
    double sum = 0.0;
    char code[24], share[24];
    const char *cell[R_COUNT] = {code, share, NULL};
    cairo_tag_begin(p->cr, "Table", NULL);
    hc_table_head(p, x, column, R_COUNT);
    for (size_t i = 0; i < r->n_refusals; i++) {
        snprintf(code, sizeof code, "%d", r->refusal[i].code);
        figure(share, "%.1f %%", 100.0 * r->refusal[i].share);
        cell[R_REASON] = r->refusal[i].reason;
        sum += r->refusal[i].code != 0 ? r->refusal[i].share : 0.0;
        if (p->y + hc_table_row_height(p, column, R_COUNT, cell) > HC_SHEET_BOTTOM) {
            cairo_tag_end(p->cr, "Table");
            hc_page_need(p, HC_SHEET_H);
            cairo_tag_begin(p->cr, "Table", NULL);
            hc_table_head(p, x, column, R_COUNT);
        }
        hc_table_row(p, x, column, R_COUNT, cell, R_COUNT);
    }
    snprintf(code, sizeof code, "all");
    figure(share, "%.1f %%", 100.0 * sum);
    cell[R_REASON] = "of the picture area has no forecast";
    hc_table_row(p, x, column, R_COUNT, cell, R_SHARE);
    cairo_tag_end(p->cr, "Table");
}

static void draw_next_window(struct hc_page *p, const struct hc_report_forecast *r, double x,
                             double w)
{
    if (r->next_window && *r->next_window) {
        hc_text_heading(p, x, w, "The next window", 24.0);
        hc_text_flow(p, HC_STYLE_BODY, x, w, "P", r->next_window);
    }
}

// The map on the left, the reasons and the next window beside it; below it when they are long.
static hc_status draw_refusals(struct hc_page *p, const struct hc_report_forecast *r,
                               struct hc_err *err)
{
    const double map_w = (HC_SHEET_WIDTH - COLUMN_GAP) / 2.0, map_h = 200.0;
    struct hc_size size = hc_picture_fit(&r->map, map_w, map_h);
    double caption = hc_text_height(p, HC_STYLE_LABEL, map_w, 3, r->map.caption);
    double left = HC_SHEET_LEFT + size.w + COLUMN_GAP, room = HC_SHEET_RIGHT - left;
    bool is_long =
        r->n_refusals > 9 || hc_text_height(p, HC_STYLE_BODY, room, 0, r->next_window) > 90.0;
    double top, bottom;
    int sheet;
    hc_status status;
    hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "Where no forecast is given",
                    size.h + caption + 8.0);
    top = bottom = p->y;
    status = hc_figure_draw(p, &r->map, HC_SHEET_LEFT, p->y, size, is_long ? map_w : size.w,
                            &bottom, err);
    if (status != HC_OK) {
        return status;
    }
    sheet = p->number;
    p->y = is_long ? bottom + 10.0 : top;
    if (is_long) {
        left = HC_SHEET_LEFT;
        room = HC_SHEET_WIDTH;
    }
    draw_refusal_table(p, r, left, room);
    draw_next_window(p, r, left, room);
    if (sheet == p->number && bottom > p->y) {
        p->y = bottom;
    }
    return HC_OK;
}

// ---- provenance and cautions --------------------------------------------------------------------
#define BULLET 9.0

static void draw_cautions(struct hc_page *p, const struct hc_report_forecast *r, double x, double w)
{
    hc_text_heading(p, x, w, "Cautions", 24.0);
    for (size_t i = 0; i < r->n_cautions; i++) {
        hc_page_need(p, 11.0);
        hc_page_bar(p, (struct hc_bar){x, p->y + 4.6, 2.2, 2.2, 0.35});
        hc_text_flow(p, HC_STYLE_BODY, x + BULLET, w - BULLET, "P", r->caution[i]);
        p->y += 2.5;
    }
}

// Side by side where both fit on one sheet, else one after the other over the full width.
static void draw_provenance_and_cautions(struct hc_page *p, const struct hc_report_forecast *r)
{
    double w = (HC_SHEET_WIDTH - COLUMN_GAP) / 2.0, right = 0.0, most, top;
    double left = hc_rows_height(p, w, r->provenance, r->n_provenance);
    for (size_t i = 0; i < r->n_cautions; i++) {
        right += 2.5 + hc_text_height(p, HC_STYLE_BODY, w - BULLET, 0, r->caution[i]);
    }
    most = HEADING + (left > right ? left : right);
    if (!r->n_provenance || !r->n_cautions || most > HC_SHEET_BOTTOM - HC_SHEET_TOP) {
        if (r->n_provenance) {
            hc_text_heading(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, "Where this comes from", 40.0);
            hc_rows_draw(p, HC_SHEET_LEFT, HC_SHEET_WIDTH, r->provenance, r->n_provenance);
        }
        if (r->n_cautions) {
            draw_cautions(p, r, HC_SHEET_LEFT, HC_SHEET_WIDTH);
        }
        return;
    }
    hc_page_need(p, most);
    top = p->y;
    hc_text_heading(p, HC_SHEET_LEFT, w, "Where this comes from", 10.0);
    hc_rows_draw(p, HC_SHEET_LEFT, w, r->provenance, r->n_provenance);
    left = p->y;
    p->y = top;
    draw_cautions(p, r, HC_SHEET_LEFT + w + COLUMN_GAP, w);
    p->y = left > p->y ? left : p->y;
}

hc_status hc_forecast_draw(struct hc_page *p, const struct hc_report_forecast *r,
                           struct hc_err *err)
{
    hc_status status = draw_first_sheet(p, r, err);
    if (status != HC_OK) {
        return status;
    }
    hc_page_need(p, HC_SHEET_H); // a new sheet
    if (r->n_windows) {
        draw_windows(p, r);
    }
    status = draw_refusals(p, r, err);
    if (status != HC_OK) {
        return status;
    }
    for (size_t i = 0; i < r->n_reliefs; i++) {
        status = hc_relief_draw(p, &r->relief[i], err);
        if (status != HC_OK) {
            return status;
        }
    }
    draw_provenance_and_cautions(p, r);
    hc_page_finish(p);
    cairo_tag_end(p->cr, "Document");
    return HC_OK;
}
