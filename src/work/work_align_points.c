// Placement by pairs of points marked by hand, for views the measurement cannot place.
#include <stdlib.h>
#include <string.h>

#include "align/align.h"
#include "base/mem.h"
#include "work/work_priv.h"

#define MAX_PAIRS HC_ALIGN_MAX_PAIRS

struct pairs {
    struct hc_pt frame[MAX_PAIRS], view[MAX_PAIRS];
    size_t n;
};

// Four numbers separated by commas, spaces or tabs, and nothing else up to the line's end.
static bool read_four(const char *line, size_t length, double v[4])
{
    const char *p = line, *end_of_line = line + length;
    for (int i = 0; i < 4; i++) {
        char *end = NULL;
        v[i] = strtod(p, &end);
        if (end == p || end > end_of_line) {
            return false;
        }
        p = end + strspn(end, ", \t");
    }
    p += strspn(p, "\r");
    return p >= end_of_line;
}

static hc_status read_pairs(struct pairs *out, const char *text, struct hc_err *err)
{
    int number = 0;
    bool is_begun = false;
    for (const char *line = text; *line;) {
        size_t length = strcspn(line, "\n"), blank = strspn(line, " \t\r");
        double v[4];
        number++;
        if (blank < length && *line != '#') {
            bool is_pair = read_four(line, length, v);
            bool is_heading = !is_pair && !is_begun;
            is_begun = true;
            if (!is_pair && !is_heading) {
                return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                                  "line %d is not four numbers frame_x,frame_y,view_x,view_y",
                                  number);
            }
            if (is_pair && out->n == MAX_PAIRS) {
                return hc_err_set(err, HC_ELIMIT, HC_WORK_ROOM, "more than %d pairs of points",
                                  MAX_PAIRS);
            }
            if (is_pair) {
                out->frame[out->n] = (struct hc_pt){v[0], v[1]};
                out->view[out->n++] = (struct hc_pt){v[2], v[3]};
            }
        }
        line += length + (line[length] == '\n');
    }
    return HC_OK;
}

hc_status hc_work_align_points(struct hc_work *w, const char *view, const char *text,
                               struct hc_buf *json, struct hc_job *job, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    struct hc_align_fit fit = {0};
    struct pairs *pairs = hc_mem_array(1, sizeof *pairs);
    hc_status st = pairs ? hc_work_framed(w, &p, err)
                         : hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for the points");
    st = st == HC_OK ? hc_store_view_by_name(w->store, view, &v, err) : st;
    if (st == HC_OK && v.id == p.frame_view) {
        st = hc_err_set(err, HC_ECONFLICT, HC_WORK_ROOM,
                        "view %s is the reference: the others are placed on it", v.label);
    }
    st = st == HC_OK ? read_pairs(pairs, text, err) : st;
    if (st == HC_OK) {
        st = hc_align_points(&fit, pairs->frame, pairs->view, pairs->n, p.frame_w, p.frame_h, err);
    }
    st = st == HC_OK ? hc_work_store_fit(w, &v, &fit, err) : st;
    st = st == HC_OK ? hc_work_view_changed(w, &v, job, err) : st;
    if (st == HC_OK && json) {
        hc_work_view_json(w, json, &v, hc_work_mm_per_px(&p));
        st = hc_buf_check(json, err);
    }
    hc_align_fit_release(&fit);
    hc_mem_free(pairs);
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}
