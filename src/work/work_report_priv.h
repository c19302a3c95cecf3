// The reliefs of the printed report. Not for other rooms.
#ifndef HC_WORK_REPORT_PRIV_H
#define HC_WORK_REPORT_PRIV_H

#include "report/report.h"
#include "work/work_relief_priv.h"

struct hc_work_report_relief;
struct hc_work_report_reliefs {
    size_t n;
    struct hc_report_relief relief[HC_REPORT_MAX_RELIEFS]; // point into own and doc
    struct hc_work_report_relief *own[HC_REPORT_MAX_RELIEFS];
    json_t *doc;
};
// Every stored relief; none is no error.
hc_status hc_work_report_reliefs(struct hc_work_report_reliefs *out, struct hc_work *w,
                                 struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
void hc_work_report_reliefs_release(struct hc_work_report_reliefs *r);

#endif
