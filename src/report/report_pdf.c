// A report as a PDF file: counted, drawn, declared and put in place.
#include "report/report_priv.h"

#include <ctype.h>
#include <string.h>

#include <cairo-pdf.h>

#define ROOM "report"

static cairo_status_t discard(void *closure, const unsigned char *data, unsigned int length)
{
    (void)closure;
    (void)data;
    (void)length;
    return CAIRO_STATUS_SUCCESS;
}

// A full buffer is told to nobody here, since cairo 1.16 crashes while closing a PDF whose stream
// has failed; the buffer remembers and is asked at the end.
static cairo_status_t append(void *closure, const unsigned char *data, unsigned int length)
{
    hc_buf_bytes(closure, data, length);
    return CAIRO_STATUS_SUCCESS;
}

// "2026-01-31T08:05:09Z" to "2026-01-31 08:05 UTC". A date of any other shape is refused: cairo
// would quietly put the present moment in its place and the same report would no longer be the same
// bytes.
static hc_status readable_time(char out[32], const char *iso, struct hc_err *err)
{
    static const char shape[] = "0000-00-00T00:00:00Z";
    bool fits = iso && strlen(iso) == sizeof shape - 1;
    for (size_t i = 0; fits && i < sizeof shape - 1; i++) {
        fits = shape[i] == '0' ? isdigit((unsigned char)iso[i]) != 0 : iso[i] == shape[i];
    }
    if (!fits) {
        return hc_err_set(err, HC_EARG, ROOM,
                          "The report's time is \"%.40s\"; it must look like "
                          "2026-01-31T08:05:09Z (UTC).",
                          iso ? iso : "");
    }
    snprintf(out, 32, "%.10s %.5s UTC", iso, iso + 11);
    return HC_OK;
}

static hc_status render(struct hc_page *p, cairo_surface_t *surface,
                        const struct hc_report_forecast *r, struct hc_err *err)
{
    hc_status status = hc_page_init(p, surface, err);
    if (status == HC_OK) {
        status = hc_forecast_draw(p, r, err);
    }
    p->total = p->number;
    if (status == HC_OK && cairo_status(p->cr) != CAIRO_STATUS_SUCCESS) {
        status = hc_err_set(err, HC_ENOMEM, ROOM, "The report cannot be drawn: %s.",
                            cairo_status_to_string(cairo_status(p->cr)));
    }
    return status;
}

static void set_metadata(cairo_surface_t *surface, const struct hc_report_forecast *r)
{
    char *title = hc_text_clean(r->title), *subject = hc_text_clean(r->subtitle);
    char *program = hc_text_clean(r->program);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, title);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_SUBJECT, subject);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATOR, program);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATE_DATE, r->made_at);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_MOD_DATE, r->made_at);
    g_free(program);
    g_free(subject);
    g_free(title);
}

// A cairo that builds its files in another way (1.18 does) leaves the report without these
// declarations; it is a sound PDF all the same, and better than none.
static hc_status declare(struct hc_buf *pdf, const struct hc_report_forecast *r, struct hc_err *err)
{
    const char *alt[3 + HC_REPORT_MAX_RELIEFS] = {r->before.caption, r->halfclean.caption,
                                                  r->map.caption};
    size_t n = 3;
    struct hc_err why = {0};
    hc_status status;
    for (size_t i = 0; i < r->n_reliefs; i++) {
        alt[n++] = r->relief[i].shaded.caption;
    }
    status = hc_pdf_declare(pdf, "en-GB", alt, n, &why);
    if (status == HC_OK || status == HC_EDATA) {
        return HC_OK;
    }
    return hc_err_set(err, status, ROOM, "%s", why.what);
}

hc_status hc_report_forecast_pdf(const char *path, const struct hc_report_forecast *r,
                                 struct hc_err *err)
{
    struct hc_page count = {.is_dry = true}, page = {0};
    struct hc_buf pdf = {0};
    cairo_surface_t *dry = NULL, *surface = NULL;
    char made_at[32], foot[160];
    hc_status status = readable_time(made_at, r->made_at, err);
    if (status == HC_OK && r->n_reliefs > HC_REPORT_MAX_RELIEFS) {
        status = hc_err_set(err, HC_EARG, ROOM, "%zu reliefs; a report has room for %d",
                            r->n_reliefs, HC_REPORT_MAX_RELIEFS);
    }
    if (status != HC_OK) {
        return status;
    }
    snprintf(foot, sizeof foot, "%s \xc2\xb7 %s", r->program ? r->program : "", made_at);
    count.head = page.head = r->title;
    count.foot = page.foot = foot;

    // First without pictures, to know how many sheets there will be.
    dry = cairo_pdf_surface_create_for_stream(discard, NULL, HC_SHEET_W, HC_SHEET_H);
    status = render(&count, dry, r, err);
    if (status != HC_OK) {
        goto done;
    }
    surface = cairo_pdf_surface_create_for_stream(append, &pdf, HC_SHEET_W, HC_SHEET_H);
    set_metadata(surface, r);
    page.total = count.total;
    status = render(&page, surface, r, err);
    if (status != HC_OK) {
        goto done;
    }
    cairo_surface_finish(surface);
    if (cairo_surface_status(surface) != CAIRO_STATUS_SUCCESS) {
        status = hc_err_set(err, HC_ENOMEM, ROOM, "The report cannot be completed: %s.",
                            cairo_status_to_string(cairo_surface_status(surface)));
        goto done;
    }
    status = hc_buf_check(&pdf, err);
    if (status == HC_OK) {
        status = declare(&pdf, r, err);
    }
    if (status == HC_OK) {
        status = hc_file_replace(path, &pdf, err);
    }
done:
    hc_page_release(&page);
    hc_page_release(&count);
    cairo_surface_destroy(surface);
    cairo_surface_destroy(dry);
    hc_buf_release(&pdf);
    return status;
}
