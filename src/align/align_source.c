#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "num/filter.h"

static hc_status read_plane(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    const struct hc_plane *p = ctx;
    struct hc_plane part = hc_plane_part(p, x0, y0, out->w, out->h);
    (void)err;
    hc_plane_copy(out, &part);
    return HC_OK;
}

struct hc_align_source hc_align_source_plane(const struct hc_plane *p)
{
    struct hc_align_source s = {.w = p->w, .h = p->h, .read = read_plane};
    // The reader only looks; the cast goes through memory because ctx serves other readers too.
    memcpy(&s.ctx, &p, sizeof s.ctx);
    return s;
}

// Also widens range[0] .. range[1] to the values met.
static hc_status check_finite(const struct hc_plane *p, int y0, double range[2], struct hc_err *err)
{
    for (int y = 0; y < p->h; y++) {
        const float *row = hc_plane_row(p, y);
        for (int x = 0; x < p->w; x++) {
            if (!isfinite(row[x])) {
                return hc_err_set(err, HC_EDATA, "align",
                                  "the pixel at column %d, row %d is not a finite number", x,
                                  y0 + y);
            }
            range[0] = fmin(range[0], (double)row[x]);
            range[1] = fmax(range[1], (double)row[x]);
        }
    }
    return HC_OK;
}

hc_status hc_align_reduce(struct hc_plane *out, const struct hc_align_source *src, int k,
                          double range[2], struct hc_job *job, struct hc_err *err)
{
    double met[2] = {HUGE_VAL, -HUGE_VAL};
    int rows = k * (k < 128 ? 128 / k : 1);
    struct hc_plane strip = {0};
    hc_status st = hc_plane_create(out, (src->w + k - 1) / k, (src->h + k - 1) / k, err);
    if (st == HC_OK) {
        st = hc_plane_create(&strip, src->w, rows < src->h ? rows : src->h, err);
    }
    for (int y = 0; st == HC_OK && y < src->h; y += rows) {
        struct hc_plane in = strip, cells;
        in.h = rows < src->h - y ? rows : src->h - y;
        st = hc_job_step(job, (double)y / src->h, "reading a view", err);
        if (st == HC_OK) {
            st = src->read(src->ctx, 0, y, &in, err);
        }
        if (st == HC_OK) {
            st = check_finite(&in, y, met, err);
        }
        if (st == HC_OK) {
            cells = hc_plane_part(out, 0, y / k, out->w, (in.h + k - 1) / k);
            hc_filter_box_down(&cells, &in, k);
        }
    }
    hc_plane_release(&strip);
    if (range) {
        range[0] = met[0];
        range[1] = met[1];
    }
    if (st != HC_OK) {
        hc_plane_release(out);
    }
    return st;
}

hc_status hc_align_read_box(struct hc_plane *out, const struct hc_align_source *src, int x0, int y0,
                            struct hc_err *err)
{
    int left = x0 < 0 ? -x0 : 0, top = y0 < 0 ? -y0 : 0;
    int right = x0 + out->w < src->w ? out->w : src->w - x0;
    int bottom = y0 + out->h < src->h ? out->h : src->h - y0;
    struct hc_plane in;
    hc_status st;
    hc_assert(left < right && top < bottom);
    in = hc_plane_part(out, left, top, right - left, bottom - top);
    st = src->read(src->ctx, x0 + left, y0 + top, &in, err);
    for (int y = top; st == HC_OK && y < bottom; y++) {
        float *row = hc_plane_row(out, y);
        for (int x = 0; x < left; x++) {
            row[x] = row[left];
        }
        for (int x = right; x < out->w; x++) {
            row[x] = row[right - 1];
        }
    }
    for (int y = 0; st == HC_OK && y < out->h; y++) {
        if (y < top || y >= bottom) {
            memcpy(hc_plane_row(out, y), hc_plane_row(out, y < top ? top : bottom - 1),
                   (size_t)out->w * sizeof(float));
        }
    }
    return st;
}
