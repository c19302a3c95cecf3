#include "num/plane.h"

#include <string.h>

#include "base/mem.h"

hc_status hc_plane_create(struct hc_plane *out, int w, int h, struct hc_err *err)
{
    struct hc_plane p = {.w = w, .h = h, .stride = w};
    if (w < 1 || h < 1 || w > 1000000 || h > 1000000) {
        return hc_err_set(err, HC_ERANGE, "num",
                          "a picture of %d x %d px; each side must be 1 to 1000000", w, h);
    }
    p.px = hc_mem_array((size_t)w * (size_t)h, sizeof *p.px);
    if (!p.px) {
        return hc_err_set(err, HC_ENOMEM, "num", "out of memory for a plane of %d x %d px", w, h);
    }
    *out = p;
    return HC_OK;
}

void hc_plane_release(struct hc_plane *p)
{
    hc_mem_free(p->px);
    *p = (struct hc_plane){0};
}

hc_status hc_lin3_create(struct hc_lin3 *out, int w, int h, struct hc_err *err)
{
    struct hc_lin3 p = {0};
    for (int c = 0; c < 3; c++) {
        hc_status st = hc_plane_create(&p.ch[c], w, h, err);
        if (st != HC_OK) {
            hc_lin3_release(&p);
            return st;
        }
    }
    *out = p;
    return HC_OK;
}

void hc_lin3_release(struct hc_lin3 *p)
{
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&p->ch[c]);
    }
}

struct hc_plane hc_plane_part(const struct hc_plane *p, int x0, int y0, int w, int h)
{
    hc_assert(x0 >= 0 && y0 >= 0 && w >= 0 && h >= 0 && x0 + w <= p->w && y0 + h <= p->h);
    return (struct hc_plane){hc_plane_row(p, y0) + x0, w, h, p->stride};
}

void hc_plane_fill(struct hc_plane *p, float v)
{
    for (int y = 0; y < p->h; y++) {
        float *row = hc_plane_row(p, y);
        for (int x = 0; x < p->w; x++) {
            row[x] = v;
        }
    }
}

void hc_plane_copy(struct hc_plane *dst, const struct hc_plane *src)
{
    hc_assert(dst->w == src->w && dst->h == src->h);
    for (int y = 0; y < src->h; y++) {
        memcpy(hc_plane_row(dst, y), hc_plane_row(src, y), (size_t)src->w * sizeof(float));
    }
}
