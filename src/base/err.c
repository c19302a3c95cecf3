#include "base/err.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

hc_status hc_err_set(struct hc_err *err, hc_status status, const char *room, const char *fmt, ...)
{
    if (err) {
        va_list ap;
        err->status = status;
        err->room = room;
        va_start(ap, fmt);
        vsnprintf(err->what, sizeof err->what, fmt, ap);
        va_end(ap);
        // One line, always: a file name or a library message may carry a line break.
        for (char *p = err->what; *p; p++) {
            if (*p == '\n' || *p == '\r') {
                *p = ' ';
            }
        }
    }
    return status;
}

hc_status hc_err_prefix(struct hc_err *err, hc_status status, const char *fmt, ...)
{
    if (err && status != HC_OK) {
        char old[sizeof err->what];
        va_list ap;
        int n;
        memcpy(old, err->what, sizeof old);
        va_start(ap, fmt);
        n = vsnprintf(err->what, sizeof err->what, fmt, ap);
        va_end(ap);
        if (n >= 0 && (size_t)n < sizeof err->what) {
            snprintf(err->what + n, sizeof err->what - (size_t)n, "%s", old);
        }
    }
    return status;
}

const char *hc_status_name(hc_status status)
{
    static const char *const names[] = {"ok",        "argument",  "range",       "data", "numeric",
                                        "not-found", "conflict",  "unsupported", "io",   "memory",
                                        "limit",     "cancelled", "refused"};
    size_t i = (size_t)status;
    return i < sizeof names / sizeof names[0] ? names[i] : "unknown";
}

void hc_assert_failed(const char *expr, const char *file, int line)
{
    fprintf(stderr, "halfclean: internal fault: %s (%s:%d)\n", expr, file, line);
    abort();
}
