#include "base/job.h"

#include <stddef.h>

void hc_job_phase(struct hc_job *job, double lo, double hi)
{
    if (job) {
        job->lo = lo;
        job->hi = hi;
    }
}

bool hc_job_is_cancelled(const struct hc_job *job)
{
    return job && atomic_load(&job->cancel);
}

hc_status hc_job_step(struct hc_job *job, double fraction, const char *what, struct hc_err *err)
{
    if (!job) {
        return HC_OK;
    }
    if (atomic_load(&job->cancel)) {
        return hc_err_set(err, HC_ECANCEL, "base", "cancelled while %s; nothing was changed", what);
    }
    if (job->progress) {
        double lo = job->lo, hi = job->hi > job->lo ? job->hi : 1.0;
        job->progress(job->ctx, lo + (hi - lo) * fraction, what);
    }
    return HC_OK;
}
