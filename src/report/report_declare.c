// What cairo 1.16 leaves out of a PDF, appended as an incremental update (ISO 32000-1:2008, 7.5.6):
// the sRGB output intent (14.11.5), the document language (14.9.2), the wish to show the title
// (12.2) and words for the pictures (14.9.3). The bytes cairo wrote stay as they are.
#include "report/report_priv.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROOM "report"

struct update {
    const struct hc_buf *pdf;
    struct hc_buf body; // new objects, then the table
    struct hc_buf xref; // lines of the cross-reference table
};

static hc_status unexpected(struct hc_err *err, const char *what)
{
    return hc_err_set(
        err, HC_EDATA, ROOM,
        "The PDF made by this version of cairo has no %s where it is expected, so its "
        "colours cannot be declared; please report this with the version of cairo.",
        what);
}

// Last place of `word` in the text, or NULL.
static const char *last_of(const struct hc_buf *b, const char *word)
{
    size_t n = strlen(word);
    for (size_t at = b->len - n + 1; b->len >= n && at-- > 0;) {
        if (memcmp(b->data + at, word, n) == 0) {
            return b->data + at;
        }
    }
    return NULL;
}

// ---- the update ---------------------------------------------------------------------------------
// The body of object `number` ("<< ... >>"), as begin and end inside the file.
static bool find_dictionary(const struct hc_buf *b, long number, const char **from, const char **to)
{
    char word[32];
    snprintf(word, sizeof word, "\n%ld 0 obj", number);
    const char *at = last_of(b, word);
    if (!at) {
        return false;
    }
    *from = strstr(at, "<<");
    const char *end = strstr(at, "endobj");
    if (!*from || !end || *from > end) {
        return false;
    }
    while (end > *from && end[-1] != '>') {
        end--;
    }
    *to = end; // just past ">>"
    return end > *from + 3;
}

// The whole number after `key`, searched from `from`; -1 when there is none.
static long number_after(const char *from, const char *key)
{
    const char *at = from ? strstr(from, key) : NULL;
    return at ? strtol(at + strlen(key), NULL, 10) : -1;
}

static void begin_object(struct update *u, long number)
{
    hc_buf_printf(&u->xref, "%ld 1\n%010zu 00000 n \n", number, u->pdf->len + u->body.len);
    hc_buf_printf(&u->body, "%ld 0 obj\n", number);
}

// Words for a picture, as a PDF text string: UTF-16, big-endian, in hexadecimal.
static void put_alt(struct hc_buf *b, const char *text)
{
    char *clean = hc_text_clean(text);
    glong n = 0;
    gunichar2 *wide = g_utf8_to_utf16(clean, -1, NULL, &n, NULL);
    hc_buf_str(b, "   /Alt <FEFF");
    for (glong i = 0; wide && i < n; i++) {
        hc_buf_printf(b, "%04X", wide[i]);
    }
    hc_buf_str(b, ">\n");
    g_free(wide);
    g_free(clean);
}

// Rewrites the k-th Figure element with its words.
static hc_status put_figures(struct update *u, const char *const *alt, size_t n_alt,
                             struct hc_err *err)
{
    static const char mark[] = " 0 obj\n<< /Type /StructElem\n   /S /Figure\n";
    const char *at = hc_buf_text(u->pdf), *stop = at + u->pdf->len;
    for (size_t k = 0; k < n_alt; k++) {
        const char *from, *to;
        at = memmem(at, (size_t)(stop - at), mark, sizeof mark - 1);
        if (!at) {
            return unexpected(err, "picture element");
        }
        const char *line = at;
        while (line > u->pdf->data && line[-1] != '\n') {
            line--;
        }
        long number = strtol(line, NULL, 10);
        if (number < 1 || !find_dictionary(u->pdf, number, &from, &to)) {
            return unexpected(err, "picture element");
        }
        begin_object(u, number);
        hc_buf_bytes(&u->body, from, (size_t)(to - from) - 2);
        put_alt(&u->body, alt[k]);
        hc_buf_str(&u->body, ">>\nendobj\n");
        at += sizeof mark - 1;
    }
    return HC_OK;
}

static void put_profile(struct update *u, long number)
{
    struct hc_buf icc = {0};
    hc_pdf_srgb_icc(&icc);
    begin_object(u, number);
    hc_buf_printf(&u->body, "<< /N 3 /Length %zu >>\nstream\n", icc.len);
    hc_buf_bytes(&u->body, hc_buf_text(&icc), icc.len);
    hc_buf_str(&u->body, "\nendstream\nendobj\n");
    if (hc_buf_check(&icc, NULL) != HC_OK) {
        u->body.failed = HC_ENOMEM;
    }
    hc_buf_release(&icc);
}

static hc_status put_catalogue(struct update *u, long number, long profile, const char *language,
                               struct hc_err *err)
{
    const char *from, *to;
    if (!find_dictionary(u->pdf, number, &from, &to)) {
        return unexpected(err, "catalogue");
    }
    begin_object(u, number);
    hc_buf_bytes(&u->body, from, (size_t)(to - from) - 2);
    hc_buf_printf(&u->body,
                  "   /Lang (%s)\n   /ViewerPreferences << /DisplayDocTitle true >>\n"
                  "   /OutputIntents [ << /Type /OutputIntent /S /GTS_PDFA1\n"
                  "      /OutputConditionIdentifier (sRGB IEC 61966-2-1)\n"
                  "      /RegistryName (http://www.color.org) /DestOutputProfile %ld 0 R >> ]\n"
                  ">>\nendobj\n",
                  language, profile);
    return HC_OK;
}

hc_status hc_pdf_declare(struct hc_buf *pdf, const char *language, const char *const *alt,
                         size_t n_alt, struct hc_err *err)
{
    struct update u = {.pdf = pdf};
    const char *trailer = last_of(pdf, "trailer"), *start = last_of(pdf, "startxref");
    long root = number_after(trailer, "/Root "), info = number_after(trailer, "/Info ");
    long size = number_after(trailer, "/Size "), xref = number_after(start, "startxref");
    size_t at_xref;
    hc_status status = HC_OK;
    if (root < 1 || info < 1 || size < 1 || xref < 1) {
        return unexpected(err, "trailer");
    }
    put_profile(&u, size);
    status = put_catalogue(&u, root, size, language, err);
    if (status == HC_OK) {
        status = put_figures(&u, alt, n_alt, err);
    }
    if (status == HC_OK) {
        status = hc_buf_check(&u.xref, err);
    }
    if (status != HC_OK) {
        goto done;
    }
    at_xref = pdf->len + u.body.len;
    hc_buf_printf(&u.body, "xref\n0 1\n0000000000 65535 f \n%s", u.xref.data);
    hc_buf_printf(&u.body,
                  "trailer\n<< /Size %ld\n   /Root %ld 0 R\n   /Info %ld 0 R\n   /Prev %ld\n>>\n"
                  "startxref\n%zu\n%%%%EOF\n",
                  size + 1, root, info, xref, at_xref);
    status = hc_buf_check(&u.body, err);
    if (status == HC_OK) {
        hc_buf_bytes(pdf, u.body.data, u.body.len);
        status = hc_buf_check(pdf, err);
    }
done:
    hc_buf_release(&u.xref);
    hc_buf_release(&u.body);
    return status;
}
