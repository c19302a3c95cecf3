#include <math.h>

#include "align/align.h"
#include "base/mem.h"
#include "num/stats.h"

#define PATCH 8    // px: patch means keep noise and small misplacements out of the ratio
#define CELL 64    // px: patches this close share their lighting and are not independent
#define BLACK 0.02 // linear light; below this flare decides
#define CLIP 0.97
#define MIN_PIXELS 1000
#define CHANNELS 3
#define COMMON 3 // index of the mean of the channels

struct ratios {
    double *v;
    size_t n, pixels, cells;
};

// Sums over one patch of the pixels that can be compared; tone 0..2 = a channel, 3 = their mean.
static size_t sum_patch(double sum[2], const struct hc_lin3 *ref, const struct hc_lin3 *view,
                        const struct hc_plane *mask, int x0, int y0, int tone)
{
    int w = ref->ch[0].w, h = ref->ch[0].h;
    size_t n = 0;
    sum[0] = sum[1] = 0;
    for (int y = y0; y < y0 + PATCH && y < h; y++) {
        for (int x = x0; x < x0 + PATCH && x < w; x++) {
            const struct hc_lin3 *s[2] = {ref, view};
            double value[2] = {0}, top = 0;
            if (mask && !(hc_plane_get(mask, x, y) > 0.5f)) {
                continue;
            }
            for (int i = 0; i < 2; i++) {
                for (int c = 0; c < CHANNELS; c++) {
                    double v = (double)hc_plane_get(&s[i]->ch[c], x, y);
                    value[i] += tone == COMMON ? v / CHANNELS : tone == c ? v : 0;
                    top = !(v <= top) ? v : top; // NaN counts as clipped
                }
            }
            if (top < CLIP && value[0] > BLACK && value[1] > BLACK) {
                sum[0] += value[0];
                sum[1] += value[1];
                n++;
            }
        }
    }
    return n;
}

static void collect(struct ratios *r, const struct hc_lin3 *ref, const struct hc_lin3 *view,
                    const struct hc_plane *mask, int tone)
{
    int w = ref->ch[0].w, h = ref->ch[0].h;
    r->n = r->pixels = r->cells = 0;
    for (int cy = 0; cy < h; cy += CELL) {
        for (int cx = 0; cx < w; cx += CELL) {
            size_t before = r->n;
            for (int y = cy; y < cy + CELL && y < h; y += PATCH) {
                for (int x = cx; x < cx + CELL && x < w; x += PATCH) {
                    double sum[2];
                    size_t n = sum_patch(sum, ref, view, mask, x, y, tone);
                    r->pixels += n;
                    if (n >= PATCH * PATCH / 2) {
                        r->v[r->n++] = sum[0] / sum[1];
                    }
                }
            }
            r->cells += r->n > before;
        }
    }
}

static hc_status check_same(const struct hc_lin3 *ref, const struct hc_lin3 *view,
                            const struct hc_plane *mask, struct hc_err *err)
{
    int w = ref->ch[0].w, h = ref->ch[0].h;
    bool same = true;
    for (int c = 0; c < CHANNELS; c++) {
        same = same && ref->ch[c].w == w && ref->ch[c].h == h && view->ch[c].w == w &&
               view->ch[c].h == h;
    }
    if (!same || (mask && (mask->w != w || mask->h != h))) {
        return hc_err_set(err, HC_EARG, "align",
                          "exposure is compared on planes of one size; the reference is %d x %d", w,
                          h);
    }
    return HC_OK;
}

hc_status hc_align_exposure(struct hc_align_exposure *out, const struct hc_lin3 *ref,
                            const struct hc_lin3 *view, const struct hc_plane *mask,
                            struct hc_err *err)
{
    int w = ref->ch[0].w, h = ref->ch[0].h;
    struct ratios r = {0};
    double width;
    hc_status st = check_same(ref, view, mask, err);
    if (st != HC_OK) {
        return st;
    }
    r.v = hc_mem_array((size_t)(w + CELL) / PATCH * ((size_t)(h + CELL) / PATCH), sizeof *r.v);
    if (!r.v) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for the exposure of %d x %d px",
                          w, h);
    }
    collect(&r, ref, view, mask, COMMON);
    if (r.pixels < MIN_PIXELS || r.n == 0) {
        hc_mem_free(r.v);
        return hc_err_set(
            err, HC_EDATA, "align",
            "only %zu pixels can be used to match the exposure (not masked, not black, "
            "not clipped); at least %d are needed",
            r.pixels, MIN_PIXELS);
    }
    *out = (struct hc_align_exposure){.n = r.pixels, .common = hc_stats_median(r.v, r.n)};
    width = hc_stats_quantile(r.v, r.n, 0.84) - hc_stats_quantile(r.v, r.n, 0.16);
    out->spread = width / 2 / out->common / sqrt((double)r.cells);
    for (int c = 0; c < CHANNELS; c++) {
        collect(&r, ref, view, mask, c);
        out->factor[c] =
            r.pixels < MIN_PIXELS || r.n == 0 ? out->common : hc_stats_median(r.v, r.n);
    }
    hc_mem_free(r.v);
    return HC_OK;
}
