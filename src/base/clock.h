// The only door to the time of day, so that a run can be repeated byte for byte.
#ifndef HC_BASE_CLOCK_H
#define HC_BASE_CLOCK_H

// UTC now as "2026-01-31T08:05:09Z". When the environment has SOURCE_DATE_EPOCH (seconds since
// 1970, the reproducible-builds convention) that moment is used instead.
void hc_clock_now_iso(char out[21]);

#endif
