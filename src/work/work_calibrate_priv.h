// What a calibration measures, shared by its sources. Not for other rooms.
#ifndef HC_WORK_WORK_CALIBRATE_PRIV_H
#define HC_WORK_WORK_CALIBRATE_PRIV_H

#include "calibrate/calibrate.h"
#include "work/work_priv.h"

struct hc_work_bench {
    struct hc_readings readings;
    struct hc_target target;
    struct hc_patch patch[HC_TARGET_MAX];
    struct hc_target_place place;
    struct hc_calibration c;
    struct hc_edge edge;
    struct hc_flat flat;
    bool has_edge, has_flat;
    struct hc_quality_report quality;
};

void hc_work_calibration_kind(char *kind, size_t room, int64_t view); // of the stored result
// The whole document of a view calibrated by what was measured in `from`.
hc_status hc_work_calibration_document(struct hc_buf *b, const struct hc_work_bench *m,
                                       const struct hc_view *from, bool is_inherited,
                                       struct hc_err *err) HC_MUST_CHECK;

#endif
