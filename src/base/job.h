// A long piece of work: progress out, cancel in.
//
// The owner fills progress/ctx and may set cancel from any thread (or a signal handler). Workers
// call hc_job_step() once per block; it reports progress and returns HC_ECANCEL when asked to stop.
// A NULL job is always allowed and never cancels.
#ifndef HC_BASE_JOB_H
#define HC_BASE_JOB_H

#include <stdatomic.h>
#include <stdbool.h>

#include "base/err.h"

struct hc_job {
    atomic_bool cancel;
    void (*progress)(void *ctx, double fraction, const char *what); // may be NULL
    void *ctx;
    double lo, hi; // the part of 0..1 that the running phase covers; both 0 means 0..1
};

// Enter a phase that covers lo..hi of the whole job (0..1).
void hc_job_phase(struct hc_job *job, double lo, double hi);

// fraction is 0..1 within the phase; `what` a short present-participle phrase ("reading view 2").
hc_status hc_job_step(struct hc_job *job, double fraction, const char *what,
                      struct hc_err *err) HC_MUST_CHECK;

bool hc_job_is_cancelled(const struct hc_job *job);

#endif
