// What is left out of a comparison: polygons drawn into a small mask, asked point by point.
#include <math.h>

#include "align/align_priv.h"
#include "base/mem.h"

#define SIDE 1024 // px of a mask, at most

static hc_status check_polygon(const struct hc_pt *p, size_t n, size_t at, struct hc_err *err)
{
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(p[i].x) || !isfinite(p[i].y)) {
            return hc_err_set(err, HC_EARG, "align",
                              "corner %zu of ignored polygon %zu is not a number", i + 1, at + 1);
        }
    }
    return n >= 3 ? HC_OK
                  : hc_err_set(err, HC_EARG, "align",
                               "ignored polygon %zu has %zu corners; it needs three or more",
                               at + 1, n);
}

// One polygon, added to what is ignored already; `part` has the mask's size.
static hc_status add_polygon(struct hc_align_mask *m, struct hc_plane *part, const struct hc_pt *p,
                             size_t n, struct hc_err *err)
{
    struct hc_pt *q = hc_mem_array(n, sizeof *q);
    if (!q) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for a polygon of %zu corners", n);
    }
    for (size_t i = 0; i < n; i++) {
        q[i] = (struct hc_pt){p[i].x / m->px, p[i].y / m->px};
    }
    hc_poly_mask(part, 0, 0, q, n);
    for (int y = 0; y < part->h; y++) {
        float *to = hc_plane_row(&m->plane, y), *from = hc_plane_row(part, y);
        for (int x = 0; x < part->w; x++) {
            to[x] = fmaxf(to[x], from[x]);
        }
    }
    hc_mem_free(q);
    return HC_OK;
}

hc_status hc_align_mask_create(struct hc_align_mask *m, const struct hc_align_ignore *ignore, int w,
                               int h, struct hc_err *err)
{
    struct hc_plane part = {0};
    hc_status st;
    *m = (struct hc_align_mask){.px = fmax(1, fmax(w, h) / (double)SIDE)};
    if (ignore->n == 0) {
        return HC_OK;
    }
    st = hc_plane_create(&m->plane, (int)ceil(w / m->px), (int)ceil(h / m->px), err);
    if (st == HC_OK) {
        st = hc_plane_create(&part, m->plane.w, m->plane.h, err);
    }
    for (size_t i = 0; st == HC_OK && i < ignore->n; i++) {
        st = check_polygon(ignore->poly[i], ignore->corners[i], i, err);
        if (st == HC_OK) {
            st = add_polygon(m, &part, ignore->poly[i], ignore->corners[i], err);
        }
    }
    hc_plane_release(&part);
    if (st != HC_OK) {
        hc_align_mask_release(m);
    }
    return st;
}

void hc_align_mask_release(struct hc_align_mask *m)
{
    hc_plane_release(&m->plane);
}

static bool has(const struct hc_align_mask *m, double x, double y)
{
    double i = floor(x / m->px), j = floor(y / m->px);
    return i >= 0 && j >= 0 && i < m->plane.w && j < m->plane.h &&
           hc_plane_get(&m->plane, (int)i, (int)j) > 0.5f;
}

bool hc_align_mask_has(const struct hc_align_mask *m, struct hc_pt p, double margin)
{
    return m && m->plane.px &&
           (has(m, p.x, p.y) || has(m, p.x - margin, p.y) || has(m, p.x + margin, p.y) ||
            has(m, p.x, p.y - margin) || has(m, p.x, p.y + margin));
}
