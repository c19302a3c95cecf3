#include "num/filter.h"

#include <math.h>

#include "base/mem.h"

static int clampi(int v, int hi)
{
    return v < 0 ? 0 : v > hi ? hi : v;
}

float hc_filter_bilinear(const struct hc_plane *p, double x, double y)
{
    double fx = floor(x - 0.5), fy = floor(y - 0.5), ax = x - 0.5 - fx, ay = y - 0.5 - fy;
    int x0 = clampi((int)fx, p->w - 1), x1 = clampi((int)fx + 1, p->w - 1);
    int y0 = clampi((int)fy, p->h - 1), y1 = clampi((int)fy + 1, p->h - 1);
    const float *r0 = hc_plane_row(p, y0), *r1 = hc_plane_row(p, y1);
    double top = (double)r0[x0] * (1 - ax) + (double)r0[x1] * ax;
    double bot = (double)r1[x0] * (1 - ax) + (double)r1[x1] * ax;
    return (float)(top * (1 - ay) + bot * ay);
}

static void keys_weights(double t, double w[4])
{
    double t2 = t * t, t3 = t2 * t;
    w[0] = -0.5 * t3 + t2 - 0.5 * t;
    w[1] = 1.5 * t3 - 2.5 * t2 + 1.0;
    w[2] = -1.5 * t3 + 2.0 * t2 + 0.5 * t;
    w[3] = 0.5 * t3 - 0.5 * t2;
}

float hc_filter_bicubic(const struct hc_plane *p, double x, double y)
{
    double fx = floor(x - 0.5), fy = floor(y - 0.5), wx[4], wy[4], sum = 0;
    keys_weights(x - 0.5 - fx, wx);
    keys_weights(y - 0.5 - fy, wy);
    for (int j = 0; j < 4; j++) {
        const float *row = hc_plane_row(p, clampi((int)fy - 1 + j, p->h - 1));
        double s = 0;
        for (int i = 0; i < 4; i++) {
            s += wx[i] * (double)row[clampi((int)fx - 1 + i, p->w - 1)];
        }
        sum += wy[j] * s;
    }
    return (float)sum;
}

hc_status hc_filter_gauss(struct hc_plane *dst, const struct hc_plane *src, double sigma_px,
                          struct hc_err *err)
{
    int r = (int)ceil(4 * sigma_px), w = src->w, h = src->h;
    struct hc_plane tmp = {0};
    double total = 0;
    float *k;
    hc_status st;
    if (!(sigma_px > 0) || sigma_px > 10000) {
        return hc_err_set(err, HC_ERANGE, "num",
                          "a Gaussian of %g px; give more than 0, up to 10000", sigma_px);
    }
    k = hc_mem_array((size_t)(2 * r + 1), sizeof *k);
    if (!k) {
        return hc_err_set(err, HC_ENOMEM, "num", "out of memory for a filter kernel");
    }
    for (int i = -r; i <= r; i++) {
        total += exp(-0.5 * i * i / (sigma_px * sigma_px));
    }
    for (int i = -r; i <= r; i++) {
        k[i + r] = (float)(exp(-0.5 * i * i / (sigma_px * sigma_px)) / total);
    }
    st = hc_plane_create(&tmp, w, h, err);
    if (st != HC_OK) {
        hc_mem_free(k);
        return st;
    }
    for (int y = 0; y < h; y++) {
        const float *in = hc_plane_row(src, y);
        float *out = hc_plane_row(&tmp, y);
        for (int x = 0; x < w; x++) {
            float s = 0;
            if (x >= r && x + r < w) {
                for (int i = -r; i <= r; i++) {
                    s += k[i + r] * in[x + i];
                }
            } else {
                for (int i = -r; i <= r; i++) {
                    s += k[i + r] * in[clampi(x + i, w - 1)];
                }
            }
            out[x] = s;
        }
    }
    for (int y = 0; y < h; y++) {
        float *out = hc_plane_row(dst, y);
        for (int x = 0; x < w; x++) {
            out[x] = 0;
        }
        for (int i = -r; i <= r; i++) {
            const float *in = hc_plane_row(&tmp, clampi(y + i, h - 1));
            float kk = k[i + r];
            for (int x = 0; x < w; x++) {
                out[x] += kk * in[x];
            }
        }
    }
    hc_plane_release(&tmp);
    hc_mem_free(k);
    return HC_OK;
}

void hc_filter_box_down(struct hc_plane *dst, const struct hc_plane *src, int k)
{
    hc_assert(dst->w == (src->w + k - 1) / k && dst->h == (src->h + k - 1) / k);
    for (int y = 0; y < dst->h; y++) {
        float *out = hc_plane_row(dst, y);
        int y1 = (y + 1) * k < src->h ? (y + 1) * k : src->h;
        for (int x = 0; x < dst->w; x++) {
            int x1 = (x + 1) * k < src->w ? (x + 1) * k : src->w;
            double s = 0;
            for (int j = y * k; j < y1; j++) {
                const float *in = hc_plane_row(src, j);
                for (int i = x * k; i < x1; i++) {
                    s += (double)in[i];
                }
            }
            out[x] = (float)(s / ((double)(y1 - y * k) * (x1 - x * k)));
        }
    }
}
