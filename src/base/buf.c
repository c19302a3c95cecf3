#include "base/buf.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"

void hc_buf_release(struct hc_buf *b)
{
    size_t max = b->max;
    hc_mem_free(b->data);
    *b = (struct hc_buf){.max = max};
}

void hc_buf_reset(struct hc_buf *b)
{
    b->len = 0;
    b->failed = HC_OK;
    b->json_comma = 0;
    b->json_depth = 0;
    b->json_after_key = false;
    if (b->data) {
        b->data[0] = 0;
    }
}

static bool reserve(struct hc_buf *b, size_t more)
{
    size_t max = b->max ? b->max : HC_BUF_DEFAULT_MAX;
    if (b->failed != HC_OK) {
        return false;
    }
    if (more > max || b->len > max - more) {
        b->failed = HC_ELIMIT;
        return false;
    }
    if (b->len + more + 1 > b->room) {
        size_t want = b->room ? b->room * 2 : 256;
        char *p;
        while (want < b->len + more + 1) {
            want *= 2;
        }
        p = hc_mem_grow(b->data, want);
        if (!p) {
            b->failed = HC_ENOMEM;
            return false;
        }
        b->data = p;
        b->room = want;
    }
    return true;
}

void hc_buf_bytes(struct hc_buf *b, const void *p, size_t n)
{
    if (reserve(b, n)) {
        if (n) {
            memcpy(b->data + b->len, p, n);
        }
        b->len += n;
        b->data[b->len] = 0;
    }
}

void hc_buf_str(struct hc_buf *b, const char *s)
{
    hc_buf_bytes(b, s, strlen(s));
}

void hc_buf_printf(struct hc_buf *b, const char *fmt, ...)
{
    va_list ap;
    int n;
    va_start(ap, fmt);
    n = vsnprintf(NULL, 0, fmt, ap);
    va_end(ap);
    if (n < 0) {
        b->failed = HC_EARG;
        return;
    }
    if (reserve(b, (size_t)n)) {
        va_start(ap, fmt);
        vsnprintf(b->data + b->len, (size_t)n + 1, fmt, ap);
        va_end(ap);
        b->len += (size_t)n;
    }
}

const char *hc_buf_text(const struct hc_buf *b)
{
    return b->data ? b->data : "";
}

hc_status hc_buf_check(const struct hc_buf *b, struct hc_err *err)
{
    if (b->failed == HC_OK) {
        return HC_OK;
    }
    return hc_err_set(err, b->failed, "base",
                      b->failed == HC_ELIMIT
                          ? "a text or data block passed its ceiling of %zu bytes"
                          : "out of memory while building %zu bytes of output",
                      b->failed == HC_ELIMIT ? (b->max ? b->max : HC_BUF_DEFAULT_MAX) : b->len);
}

static void json_lead(struct hc_buf *b)
{
    uint64_t bit = (uint64_t)1 << b->json_depth;
    if (b->json_after_key) {
        b->json_after_key = false;
        return;
    }
    if (b->json_comma & bit) {
        hc_buf_bytes(b, ",", 1);
    }
    b->json_comma |= bit;
}

static void json_open(struct hc_buf *b, const char *c)
{
    json_lead(b);
    hc_buf_bytes(b, c, 1);
    hc_assert(b->json_depth < 63);
    b->json_depth++;
    b->json_comma &= ~((uint64_t)1 << b->json_depth);
}

static void json_close(struct hc_buf *b, const char *c)
{
    hc_assert(b->json_depth > 0);
    b->json_depth--;
    hc_buf_bytes(b, c, 1);
}

void hc_json_obj(struct hc_buf *b)
{
    json_open(b, "{");
}

void hc_json_end_obj(struct hc_buf *b)
{
    json_close(b, "}");
}

void hc_json_arr(struct hc_buf *b)
{
    json_open(b, "[");
}

void hc_json_end_arr(struct hc_buf *b)
{
    json_close(b, "]");
}

// Length of the UTF-8 sequence at p, or 0 when it is not well-formed (Unicode 15, table 3-7).
static size_t utf8_length(const unsigned char *p)
{
    unsigned char lo = 0x80, hi = 0xbf;
    size_t n;
    if (p[0] < 0x80) {
        return 1;
    }
    if (p[0] >= 0xc2 && p[0] <= 0xdf) {
        n = 2;
    } else if ((p[0] & 0xf0) == 0xe0) {
        n = 3;
        lo = p[0] == 0xe0 ? 0xa0 : lo;
        hi = p[0] == 0xed ? 0x9f : hi;
    } else if (p[0] >= 0xf0 && p[0] <= 0xf4) {
        n = 4;
        lo = p[0] == 0xf0 ? 0x90 : lo;
        hi = p[0] == 0xf4 ? 0x8f : hi;
    } else {
        return 0;
    }
    if (p[1] < lo || p[1] > hi) {
        return 0;
    }
    for (size_t i = 2; i < n; i++) {
        if ((p[i] & 0xc0) != 0x80) {
            return 0;
        }
    }
    return n;
}

static void json_quoted(struct hc_buf *b, const char *s)
{
    const unsigned char *p = (const unsigned char *)s;
    hc_buf_bytes(b, "\"", 1);
    while (*p) {
        size_t n = utf8_length(p);
        if (n == 0) {
            hc_buf_str(b, "\xef\xbf\xbd");
            p++;
        } else if (*p == '"' || *p == '\\') {
            hc_buf_printf(b, "\\%c", *p);
            p++;
        } else if (*p < 0x20) {
            hc_buf_printf(b, "\\u%04x", *p);
            p++;
        } else {
            hc_buf_bytes(b, p, n);
            p += n;
        }
    }
    hc_buf_bytes(b, "\"", 1);
}

void hc_json_key(struct hc_buf *b, const char *key)
{
    json_lead(b);
    json_quoted(b, key);
    hc_buf_bytes(b, ":", 1);
    b->json_after_key = true;
}

void hc_json_str(struct hc_buf *b, const char *s)
{
    json_lead(b);
    if (s) {
        json_quoted(b, s);
    } else {
        hc_buf_str(b, "null");
    }
}

void hc_json_num(struct hc_buf *b, double v)
{
    json_lead(b);
    if (!isfinite(v)) {
        hc_buf_str(b, "null");
    } else {
        hc_buf_printf(b, "%.9g", v);
    }
}

void hc_json_int(struct hc_buf *b, int64_t v)
{
    json_lead(b);
    hc_buf_printf(b, "%lld", (long long)v);
}

void hc_json_bool(struct hc_buf *b, bool v)
{
    json_lead(b);
    hc_buf_str(b, v ? "true" : "false");
}

void hc_json_null(struct hc_buf *b)
{
    json_lead(b);
    hc_buf_str(b, "null");
}

void hc_json_raw(struct hc_buf *b, const char *json)
{
    json_lead(b);
    hc_buf_str(b, json);
}

void hc_json_kstr(struct hc_buf *b, const char *key, const char *s)
{
    hc_json_key(b, key);
    hc_json_str(b, s);
}

void hc_json_knum(struct hc_buf *b, const char *key, double v)
{
    hc_json_key(b, key);
    hc_json_num(b, v);
}

void hc_json_kint(struct hc_buf *b, const char *key, int64_t v)
{
    hc_json_key(b, key);
    hc_json_int(b, v);
}

void hc_json_kbool(struct hc_buf *b, const char *key, bool v)
{
    hc_json_key(b, key);
    hc_json_bool(b, v);
}
