// What cairo 1.16 leaves out of a PDF, appended as an incremental update (ISO 32000-1:2008, 7.5.6):
// the sRGB output intent (14.11.5), the document language (14.9.2) and the wish to show the title
// (12.2). The bytes cairo wrote stay as they are.
#include "report/report_priv.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROOM "report"

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

// ---- the sRGB profile (ICC.1:2001-04 layout) ----------------------------------------------------
static void put32(struct hc_buf *b, unsigned long v)
{
    unsigned char c[4] = {(unsigned char)(v >> 24), (unsigned char)(v >> 16),
                          (unsigned char)(v >> 8), (unsigned char)v};
    hc_buf_bytes(b, c, 4);
}

static void put_tag(struct hc_buf *b, const char sign[5], unsigned long at, unsigned long size)
{
    hc_buf_bytes(b, sign, 4);
    put32(b, at);
    put32(b, size);
}

static void put_xyz(struct hc_buf *b, double x, double y, double z)
{
    const double v[3] = {x, y, z};
    hc_buf_bytes(b, "XYZ \0\0\0\0", 8);
    for (int i = 0; i < 3; i++) {
        put32(b, (unsigned long)(v[i] * 65536.0 + 0.5));
    }
}

// IEC 61966-2-1 decoding on 1024 points.
static void put_curve(struct hc_buf *b)
{
    hc_buf_bytes(b, "curv\0\0\0\0", 8);
    put32(b, 1024);
    for (int i = 0; i < 1024; i++) {
        double v = i / 1023.0;
        double lin = v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4);
        unsigned code = (unsigned)(lin * 65535.0 + 0.5);
        unsigned char c[2] = {(unsigned char)(code >> 8), (unsigned char)code};
        hc_buf_bytes(b, c, 2);
    }
}

void hc_pdf_srgb_icc(struct hc_buf *out)
{
    static const char name[] = "sRGB IEC 61966-2-1", notice[] = "No copyright, use freely";
    enum { TAGS = 9, AT = 128 + 4 + 12 * TAGS, DESC = 112, CPRT = 36, XYZ = 20, CURVE = 2060 };
    enum { TOTAL = AT + DESC + CPRT + 4 * XYZ + CURVE };
    // Header: size, no preferred engine, version 2.1, display, RGB to XYZ; date fixed; D50.
    static const unsigned char head[60] = {
        0,   0,   0,   0,   0, 0,   0, 0, 2, 16, 0, 0, 'm', 'n', 't', 'r', 'R', 'G', 'B', ' ',
        'X', 'Y', 'Z', ' ', 7, 208, 0, 1, 0, 1,  0, 0, 0,   0,   0,   0,   'a', 'c', 's', 'p'};
    unsigned char zero[128] = {0};
    size_t start = out->len, tail;
    put32(out, TOTAL);
    hc_buf_bytes(out, head + 4, 56); // to the rendering intent (perceptual)
    hc_buf_bytes(out, zero, 8);
    put32(out, 0xf6d6); // D50 of the connection space
    put32(out, 0x10000);
    put32(out, 0xd32d);
    hc_buf_bytes(out, zero, 128 - (out->len - start));
    put32(out, TAGS);
    put_tag(out, "desc", AT, DESC);
    put_tag(out, "cprt", AT + DESC, CPRT);
    put_tag(out, "wtpt", AT + DESC + CPRT, XYZ);
    put_tag(out, "rXYZ", AT + DESC + CPRT + XYZ, XYZ);
    put_tag(out, "gXYZ", AT + DESC + CPRT + 2 * XYZ, XYZ);
    put_tag(out, "bXYZ", AT + DESC + CPRT + 3 * XYZ, XYZ);
    put_tag(out, "rTRC", AT + DESC + CPRT + 4 * XYZ, CURVE);
    put_tag(out, "gTRC", AT + DESC + CPRT + 4 * XYZ, CURVE);
    put_tag(out, "bTRC", AT + DESC + CPRT + 4 * XYZ, CURVE);
    tail = out->len;
    hc_buf_bytes(out, "desc\0\0\0\0", 8);
    put32(out, sizeof name);
    hc_buf_bytes(out, name, sizeof name);
    hc_buf_bytes(out, zero, DESC - (out->len - tail)); // no Unicode or script name
    tail = out->len;
    hc_buf_bytes(out, "text\0\0\0\0", 8);
    hc_buf_bytes(out, notice, sizeof notice);
    hc_buf_bytes(out, zero, CPRT - (out->len - tail));
    // Media white D65 and the Bradford-adapted primaries (see docs/theory/colour.md, "Spaces").
    put_xyz(out, 0.9505, 1.0, 1.0891);
    put_xyz(out, 0.43604, 0.22249, 0.01392);
    put_xyz(out, 0.38512, 0.71690, 0.09706);
    put_xyz(out, 0.14305, 0.06061, 0.71393);
    put_curve(out);
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

hc_status hc_pdf_declare(struct hc_buf *pdf, const char *language, struct hc_err *err)
{
    struct hc_buf add = {0}, icc = {0};
    const char *trailer = last_of(pdf, "trailer"), *start = last_of(pdf, "startxref");
    const char *from = NULL, *to = NULL;
    long root = number_after(trailer, "/Root "), info = number_after(trailer, "/Info ");
    long size = number_after(trailer, "/Size "), xref = number_after(start, "startxref");
    size_t at_icc, at_root, at_xref;
    hc_status status;
    if (root < 1 || info < 1 || size < 1 || xref < 1) {
        return unexpected(err, "trailer");
    }
    if (!find_dictionary(pdf, root, &from, &to)) {
        return unexpected(err, "catalogue");
    }
    hc_pdf_srgb_icc(&icc);
    at_icc = pdf->len + add.len;
    hc_buf_printf(&add, "%ld 0 obj\n<< /N 3 /Length %zu >>\nstream\n", size, icc.len);
    hc_buf_bytes(&add, icc.data, icc.len);
    hc_buf_str(&add, "\nendstream\nendobj\n");
    at_root = pdf->len + add.len;
    hc_buf_printf(&add, "%ld 0 obj\n", root);
    hc_buf_bytes(&add, from, (size_t)(to - from) - 2);
    hc_buf_printf(&add,
                  "   /Lang (%s)\n   /ViewerPreferences << /DisplayDocTitle true >>\n"
                  "   /OutputIntents [ << /Type /OutputIntent /S /GTS_PDFA1\n"
                  "      /OutputConditionIdentifier (sRGB IEC 61966-2-1)\n"
                  "      /RegistryName (http://www.color.org) /DestOutputProfile %ld 0 R >> ]\n"
                  ">>\nendobj\n",
                  language, size);
    at_xref = pdf->len + add.len;
    hc_buf_printf(&add,
                  "xref\n0 1\n0000000000 65535 f \n%ld 1\n%010zu 00000 n \n%ld 1\n%010zu 00000 n \n"
                  "trailer\n<< /Size %ld\n   /Root %ld 0 R\n   /Info %ld 0 R\n   /Prev %ld\n>>\n"
                  "startxref\n%zu\n%%%%EOF\n",
                  root, at_root, size, at_icc, size + 1, root, info, xref, at_xref);
    status = hc_buf_check(&add, err);
    if (status == HC_OK) {
        hc_buf_bytes(pdf, add.data, add.len);
        status = hc_buf_check(pdf, err);
    }
    hc_buf_release(&icc);
    hc_buf_release(&add);
    return status;
}
