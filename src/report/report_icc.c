// The sRGB colour space (IEC 61966-2-1) as an ICC profile, layout of ICC.1:2001-04.
#include "report/report_priv.h"

#include <math.h>
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
