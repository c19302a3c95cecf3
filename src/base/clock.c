#include "base/clock.h"

#include <stdlib.h>
#include <time.h>

void hc_clock_now_iso(char out[21])
{
    const char *fixed = getenv("SOURCE_DATE_EPOCH");
    time_t t = time(NULL);
    struct tm tm = {0};
    if (fixed && *fixed) {
        char *end = NULL;
        long long v = strtoll(fixed, &end, 10);
        if (end && *end == 0 && v >= 0 && v < 253402300800LL) {
            t = (time_t)v;
        }
    }
    gmtime_r(&t, &tm);
    strftime(out, 21, "%Y-%m-%dT%H:%M:%SZ", &tm);
}
