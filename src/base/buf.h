// Growable bytes with a ceiling, and the JSON writer every machine-readable result goes through.
//
// A struct hc_buf remembers its first failure: appends after it do nothing, and hc_buf_check()
// reports it once at the end. Zero-initialised is empty and safe to release.
#ifndef HC_BASE_BUF_H
#define HC_BASE_BUF_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

#define HC_BUF_DEFAULT_MAX ((size_t)256 << 20)

struct hc_buf {
    char *data;  // always NUL-terminated once anything was appended
    size_t len;  // bytes without the NUL
    size_t room; // bytes allocated
    size_t max;  // ceiling; 0 = HC_BUF_DEFAULT_MAX
    hc_status failed;
    uint64_t json_comma; // JSON writer: bit per depth, set when a comma is due
    int json_depth;
    bool json_after_key;
};

void hc_buf_release(struct hc_buf *b);
void hc_buf_reset(struct hc_buf *b); // keeps the block
void hc_buf_bytes(struct hc_buf *b, const void *p, size_t n);
void hc_buf_str(struct hc_buf *b, const char *s);
void hc_buf_printf(struct hc_buf *b, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
const char *hc_buf_text(const struct hc_buf *b); // "" when empty
hc_status hc_buf_check(const struct hc_buf *b, struct hc_err *err) HC_MUST_CHECK;

// JSON: RFC 8259, UTF-8. Call key before each value inside an object. Numbers are printed with the
// `%.9g` form; NaN and
// infinities become null (a hole in the data, never a number).
void hc_json_obj(struct hc_buf *b);
void hc_json_end_obj(struct hc_buf *b);
void hc_json_arr(struct hc_buf *b);
void hc_json_end_arr(struct hc_buf *b);
void hc_json_key(struct hc_buf *b, const char *key);
void hc_json_str(struct hc_buf *b, const char *s); // NULL writes null; bad UTF-8 becomes U+FFFD
void hc_json_num(struct hc_buf *b, double v);      // up to 9 significant digits
void hc_json_int(struct hc_buf *b, int64_t v);
void hc_json_bool(struct hc_buf *b, bool v);
void hc_json_null(struct hc_buf *b);
void hc_json_raw(struct hc_buf *b, const char *json); // one already-encoded value

// key + value in one call
void hc_json_kstr(struct hc_buf *b, const char *key, const char *s);
void hc_json_knum(struct hc_buf *b, const char *key, double v);
void hc_json_kint(struct hc_buf *b, const char *key, int64_t v);
void hc_json_kbool(struct hc_buf *b, const char *key, bool v);

#endif
