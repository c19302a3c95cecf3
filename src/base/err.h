// Errors: what went wrong, where, and what to do about it.
//
// Every function that can fail returns an hc_status and, when the caller passes one, fills a
// caller-owned struct hc_err with one complete sentence. It is untouched on success. There is no
// global error buffer and errno never crosses a room. Thread rule: a struct hc_err belongs to one
// thread.
#ifndef HC_BASE_ERR_H
#define HC_BASE_ERR_H

#include <stdbool.h>
#include <stddef.h>

enum hc_status_code {
    HC_OK = 0,
    HC_EARG,         // the request itself is malformed (bad option, bad value)
    HC_ERANGE,       // a value outside its allowed range
    HC_EDATA,        // a file or record is damaged or not what it claims to be
    HC_ENUMERIC,     // no numerical answer exists (singular, no convergence)
    HC_ENOTFOUND,    // a named thing does not exist
    HC_ECONFLICT,    // it clashes with something that exists (second writer, overlap, duplicate)
    HC_EUNSUPPORTED, // a kind of input this program does not take
    HC_EIO,          // the operating system refused or failed (disk full, permission)
    HC_ENOMEM,       // out of memory
    HC_ELIMIT,       // a stated ceiling was passed (pixels, bytes, counts)
    HC_ECANCEL,      // the user cancelled
    HC_EREFUSED      // the data do not support an answer (too few windows, the fit is bad)
};

#define HC_MUST_CHECK __attribute__((warn_unused_result))

typedef enum hc_status_code hc_status;

struct hc_err {
    hc_status status;
    char what[480];   // one sentence: what is wrong, where, what to do
    const char *room; // static string: the room that found it
};

// Record a failure; returns `status` so that callers can `return hc_err_set(...)`. err may be NULL.
hc_status hc_err_set(struct hc_err *err, hc_status status, const char *room, const char *fmt, ...)
    __attribute__((format(printf, 4, 5)));

// Put context in front of the sentence already recorded ("view 3: ..."). Returns `status`.
hc_status hc_err_prefix(struct hc_err *err, hc_status status, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));

// The stable lower-case name of a status ("not-found"), for JSON and messages.
const char *hc_status_name(hc_status status);

// Drop a status on purpose.
static inline void hc_ignore(hc_status status)
{
    (void)status;
}

// A broken internal promise: prints the expression and aborts. Never for data or user faults.
#define hc_assert(x) ((x) ? (void)0 : hc_assert_failed(#x, __FILE__, __LINE__))
void hc_assert_failed(const char *expr, const char *file, int line) __attribute__((noreturn));

#endif
