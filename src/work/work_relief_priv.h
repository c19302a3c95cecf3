// What the relief use cases share. Not for other rooms.
#ifndef HC_WORK_RELIEF_PRIV_H
#define HC_WORK_RELIEF_PRIV_H

#include "relief/relief.h"
#include "work/work_priv.h"

// The lamp of a view, as typed with the view, from a file or from spheres: kept as the result
// "lamp-<id>".
struct hc_work_lamp {
    struct hc_relief_light light;
    char polariser[12]; // "", "crossed" or "parallel"
    int64_t flat;       // view of the even board under this lamp; 0 = none
};
// HC_ENOTFOUND when nobody said where the lamp stood.
hc_status hc_work_lamp_get(struct hc_work *w, const struct hc_view *v, struct hc_work_lamp *out,
                           struct hc_err *err) HC_MUST_CHECK;

// The raking views of one state that can be used together, in the order of their ids.
struct hc_work_set {
    struct hc_view_list views; // owned
    struct hc_view *v[HC_RELIEF_MAX_LIGHTS];
    struct hc_work_lamp lamp[HC_RELIEF_MAX_LIGHTS];
    struct hc_relief_light light[HC_RELIEF_MAX_LIGHTS];
    size_t n;
    size_t left_aside; // raking views of the state that cannot be used with the others
    struct {
        const struct hc_view *v;
        const char *why;           // plain words, not owned
    } aside[HC_RELIEF_MAX_LIGHTS]; // the first of them
    bool is_crossed;               // through crossed polarisers: no highlight in them
};
// polariser: NULL = crossed ones when there are any, else those without.
hc_status hc_work_set_gather(struct hc_work_set *s, struct hc_work *w, const char *state,
                             const char *polariser, struct hc_err *err) HC_MUST_CHECK;
void hc_work_set_release(struct hc_work_set *s);
// The raster of `v`, which was not placed itself (a board), laid where view `as` lies.
hc_status hc_work_open_as(struct hc_work *w, const struct hc_view *v, const struct hc_view *as,
                          struct hc_raster **out, struct hc_job *job,
                          struct hc_err *err) HC_MUST_CHECK;

// What a relief was computed from, to tell whether it is out of date.
hc_status hc_work_relief_basis(struct hc_work *w, const struct hc_work_set *s, char out[17],
                               struct hc_err *err) HC_MUST_CHECK;

// One stored relief: "relief-<state>" and its rasters, of `reduced` frame px per px.
struct hc_work_relief_kept {
    json_t *doc;
    int reduced;      // frame px per px of the height
    double mm_per_px; // of the height
    char slopes[80], height[80];
};
hc_status hc_work_relief_load(struct hc_work *w, const char *state, struct hc_work_relief_kept *out,
                              struct hc_err *err) HC_MUST_CHECK;
void hc_work_relief_kept_release(struct hc_work_relief_kept *k);

// Key "relief" of the spot document: figures of every state over the patch, or why there are none.
hc_status hc_work_spot_relief(struct hc_work *w, const struct hc_view_list *l,
                              struct hc_work_rect at, struct hc_buf *b,
                              struct hc_err *err) HC_MUST_CHECK;

// Windows opened in this state beside their varnished neighbours, and what they foretell.
struct hc_work_relief_pairs {
    size_t n;
    struct hc_relief_pair *pair; // owned, one per window
    char (*label)[80];           // owned
    struct hc_relief_band band;  // one for all: shorter than the figures' when windows are small
    struct hc_relief_forecast forecast;
};
struct hc_work_relief_run;
hc_status hc_work_relief_pairs(struct hc_work_relief_pairs *out, struct hc_work *w,
                               const struct hc_work_relief_run *r, struct hc_job *job,
                               struct hc_err *err) HC_MUST_CHECK;
void hc_work_relief_pairs_release(struct hc_work_relief_pairs *p);
void hc_work_relief_pairs_json(struct hc_buf *b, const struct hc_work_relief_pairs *p);

#define HC_WORK_CURVE 16
// One run of hc_work_relief.
struct hc_work_relief_run {
    struct hc_work *w;
    const struct hc_work_relief *req;
    struct hc_painting p;
    struct hc_work_set set;
    struct hc_raster *lent[HC_RELIEF_MAX_LIGHTS], *board[HC_RELIEF_MAX_LIGHTS]; // owned
    struct hc_relief_view view[HC_RELIEF_MAX_LIGHTS], flat[HC_RELIEF_MAX_LIGHTS];
    bool has_flat;
    double mm;
    char basis[17], inputs[HC_WORK_INPUTS];
    char slopes[80], height[80], normal_key[HC_SHA256_HEX], height_key[HC_SHA256_HEX];
    struct hc_relief_views_report seen;
    struct hc_relief_normals_report normals;
    struct hc_relief_height_report tall;
    struct hc_relief_texture whole;
    struct hc_work_relief_pairs pairs;
    double curve_mm[HC_WORK_CURVE], curve_um[HC_WORK_CURVE];
    size_t curve_n;
    int reduced;
    double shown_lo, shown_hi; // mm, of the height tiles
    struct hc_relief_band band;
};
// The whole document as it is kept.
void hc_work_relief_document(struct hc_buf *b, const struct hc_work_relief_run *r);

void hc_work_relief_texture_json(struct hc_buf *b, const struct hc_relief_texture *t);
void hc_work_relief_interval_json(struct hc_buf *b, const char *key, struct hc_relief_interval i);

#endif
