// What a fit says besides its map: how the view lies, what it shows, where tiles bear it out.
#include <math.h>
#include <stdio.h>

#include "align/align_priv.h"
#include "base/mem.h"

#define GRID 40         // points a side at which the frame is asked whether the view shows it
#define SUPPORT_SIDE 64 // cells of the support, at most
#define REACH 2.0       // steps from an agreeing tile that count as supported
#define DETAIL 0.5      // share of the frame's area

void hc_align_jacobian(double j[4], const struct hc_homog *h, double x, double y)
{
    struct hc_pt l = hc_homog_apply(h, (struct hc_pt){x - 0.5, y});
    struct hc_pt r = hc_homog_apply(h, (struct hc_pt){x + 0.5, y});
    struct hc_pt t = hc_homog_apply(h, (struct hc_pt){x, y - 0.5});
    struct hc_pt b = hc_homog_apply(h, (struct hc_pt){x, y + 0.5});
    j[0] = r.x - l.x;
    j[1] = b.x - t.x;
    j[2] = r.y - l.y;
    j[3] = b.y - t.y;
}

double hc_align_strain(const struct hc_homog *h, struct hc_box box)
{
    double j[4], scale, det, most = 0;
    hc_align_jacobian(j, h, (box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2);
    det = j[0] * j[3] - j[1] * j[2];
    scale = sqrt(fabs(det));
    for (int c = 0; c < 4; c++) {
        double k[4], x = c & 1 ? box.x1 : box.x0, y = c & 2 ? box.y1 : box.y0, cross, lx, ly, d;
        double denominator = h->m[6] * x + h->m[7] * y + h->m[8];
        hc_align_jacobian(k, h, x, y);
        d = k[0] * k[3] - k[1] * k[2];
        lx = fabs(hypot(k[0], k[2]) / scale - 1);
        ly = fabs(hypot(k[1], k[3]) / scale - 1);
        cross = fabs(k[0] * k[1] + k[2] * k[3]) / (scale * scale);
        if (!(denominator * h->m[8] > 0) || !(d * det > 0) || !isfinite(lx + ly + cross)) {
            return HUGE_VAL;
        }
        most = fmax(most, fmax(fmax(lx, ly), cross));
    }
    return most;
}

static void report_lie(struct hc_align_fit *out, struct hc_pt centre)
{
    double j[4];
    struct hc_pt q = hc_homog_apply(&out->frame_to_view, centre);
    out->shift_x_px = q.x - centre.x;
    out->shift_y_px = q.y - centre.y;
    hc_align_jacobian(j, &out->frame_to_view, centre.x, centre.y);
    out->is_mirrored = j[0] * j[3] - j[1] * j[2] < 0;
    if (out->is_mirrored) { // the turn that follows a left-right mirror
        j[0] = -j[0];
        j[2] = -j[2];
    }
    out->rotation_deg = atan2(j[2] - j[1], j[0] + j[3]) * 180 / M_PI;
    out->scale = sqrt(fabs(j[0] * j[3] - j[1] * j[2]));
}

static bool is_shown(const struct hc_align_fit *fit, struct hc_pt p, int view_w, int view_h)
{
    struct hc_pt q = hc_homog_apply(&fit->frame_to_view, p);
    const double *m = fit->frame_to_view.m;
    bool is_before = (m[6] * p.x + m[7] * p.y + m[8]) * m[8] > 0;
    return is_before && q.x >= 0 && q.y >= 0 && q.x <= view_w && q.y <= view_h;
}

void hc_align_report_place(struct hc_align_fit *out, int w, int h, int view_w, int view_h)
{
    struct hc_pt sum = {0, 0}, corner[4] = {{0, 0}, {view_w, 0}, {view_w, view_h}, {0, view_h}};
    struct hc_homog back;
    int shown = 0;
    for (int c = 0; c < GRID * GRID; c++) {
        struct hc_pt p = {(c % GRID + 0.5) * w / GRID, (c / GRID + 0.5) * h / GRID};
        if (is_shown(out, p, view_w, view_h)) {
            sum.x += p.x;
            sum.y += p.y;
            shown++;
        }
    }
    sum = shown ? (struct hc_pt){sum.x / shown, sum.y / shown} : (struct hc_pt){w / 2.0, h / 2.0};
    report_lie(out, sum);
    out->view_per_frame = out->scale;
    out->is_detail = shown < DETAIL * GRID * GRID;
    if (hc_homog_invert(&back, &out->frame_to_view, NULL) == HC_OK) {
        for (int k = 0; k < 4; k++) { // p + f(p) = back(corner)
            struct hc_pt q = hc_homog_apply(&back, corner[k]), p = q;
            for (int i = 0; i < 4 && out->field; i++) {
                struct hc_pt f = hc_align_field_at(out->field, p);
                p = (struct hc_pt){q.x - f.x, q.y - f.y};
            }
            out->outline[k] = p;
        }
    }
}

// An agreeing tile lies within `reach` of the point.
static bool is_near_tile(const struct hc_align_fit *fit, struct hc_pt p, double reach)
{
    for (int i = 0; i < fit->tiles_textured; i++) {
        const struct hc_align_tile *t = &fit->tile[i];
        double dx = t->x - p.x, dy = t->y - p.y;
        if (t->is_used && dx * dx + dy * dy <= reach * reach) {
            return true;
        }
    }
    return false;
}

double hc_align_area_supported(const struct hc_align_fit *fit, struct hc_box box, double step,
                               int view_w, int view_h)
{
    int covered = 0, shown = 0;
    for (int c = 0; c < GRID * GRID; c++) {
        struct hc_pt p = {box.x0 + (c % GRID + 0.5) * (box.x1 - box.x0) / GRID,
                          box.y0 + (c / GRID + 0.5) * (box.y1 - box.y0) / GRID};
        if (is_shown(fit, p, view_w, view_h)) {
            shown++;
            covered += is_near_tile(fit, p, REACH * step);
        }
    }
    return shown ? (double)covered / shown : 0;
}

hc_status hc_align_support_create(struct hc_align_support *s, int w, int h, double step,
                                  struct hc_err *err)
{
    double cell = fmax(step, fmax(w, h) / (double)SUPPORT_SIDE);
    *s = (struct hc_align_support){
        .cols = (int)ceil(w / cell), .rows = (int)ceil(h / cell), .cell_px = cell};
    s->is_supported = hc_mem_array((size_t)s->cols * (size_t)s->rows, 1);
    if (!s->is_supported) {
        *s = (struct hc_align_support){0};
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for the support of a placement");
    }
    return HC_OK;
}

struct hc_pt hc_align_support_centre(const struct hc_align_support *s, int i, int j, int w, int h)
{
    return (struct hc_pt){(i * s->cell_px + fmin((i + 1) * s->cell_px, w)) / 2,
                          (j * s->cell_px + fmin((j + 1) * s->cell_px, h)) / 2};
}

hc_status hc_align_report_support(struct hc_align_fit *out, int w, int h, double step, int view_w,
                                  int view_h, struct hc_err *err)
{
    struct hc_align_support *s = &out->support;
    hc_status st;
    hc_mem_free(s->is_supported);
    st = hc_align_support_create(s, w, h, step, err);
    for (int k = 0; st == HC_OK && k < s->cols * s->rows; k++) {
        struct hc_pt p = hc_align_support_centre(s, k % s->cols, k / s->cols, w, h);
        s->is_supported[k] = is_shown(out, p, view_w, view_h) && is_near_tile(out, p, REACH * step);
    }
    return st;
}
