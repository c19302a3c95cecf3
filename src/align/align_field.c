#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/filter.h"
#include "num/stats.h"

#define BLUR_PX 1.2
#define RIVAL_PX 5

// Sobel gradient over 8, so that a ramp of 1 per px gives 1.
static void gradient(float *gx, float *gy, const struct hc_plane *p, int margin)
{
    int w = p->w - 2 * margin, h = p->h - 2 * margin;
    for (int j = 0; j < h; j++) {
        int y = j + margin, ya = y > 0 ? y - 1 : 0, yb = y + 1 < p->h ? y + 1 : y;
        const float *a = hc_plane_row(p, ya), *m = hc_plane_row(p, y), *b = hc_plane_row(p, yb);
        for (int i = 0; i < w; i++) {
            int x = i + margin, l = x > 0 ? x - 1 : 0, r = x + 1 < p->w ? x + 1 : x;
            gx[(size_t)j * (size_t)w + (size_t)i] =
                (a[r] - a[l] + 2 * (m[r] - m[l]) + b[r] - b[l]) / 8;
            gy[(size_t)j * (size_t)w + (size_t)i] =
                (b[l] - a[l] + 2 * (b[x] - a[x]) + b[r] - a[r]) / 8;
        }
    }
}

// Doubled angle, bounded strength (eq. 1), into z rows of n; returns by *mean the weighted mean.
static void double_angle(float *z, int n, const float *gx, const float *gy, const float *mag,
                         float median, const struct hc_plane *weight, double mean[2])
{
    double sum[3] = {0};
    for (int j = 0; j < weight->h; j++) {
        const float *wt = hc_plane_row(weight, j);
        float *out = z + 2 * (size_t)j * (size_t)n;
        for (int i = 0; i < weight->w; i++) {
            size_t at = (size_t)j * (size_t)weight->w + (size_t)i;
            float m = mag[at], over = m * (m + median);
            float scale = over > 0 ? 1 / over : 0;
            float re = (gx[at] * gx[at] - gy[at] * gy[at]) * scale,
                  im = 2 * gx[at] * gy[at] * scale;
            out[2 * i] = re;
            out[2 * i + 1] = im;
            sum[0] += (double)(wt[i] * re);
            sum[1] += (double)(wt[i] * im);
            sum[2] += (double)wt[i];
        }
    }
    mean[0] = sum[2] > 0 ? sum[0] / sum[2] : 0;
    mean[1] = sum[2] > 0 ? sum[1] / sum[2] : 0;
}

hc_status hc_align_field(float *z, int n, const struct hc_plane *img, int margin,
                         const struct hc_plane *weight, double *contrast)
{
    size_t count = (size_t)weight->w * (size_t)weight->h;
    struct hc_plane soft = {0};
    float *g = hc_mem_alloc(4 * count * sizeof *g), *mag = g + 2 * count, *order = g + 3 * count;
    double mean[2];
    float median;
    hc_status st = g ? hc_plane_create(&soft, img->w, img->h, NULL) : HC_ENOMEM;
    if (st == HC_OK) {
        st = hc_filter_gauss(&soft, img, BLUR_PX, NULL);
    }
    if (st != HC_OK) {
        goto done;
    }
    gradient(g, g + count, &soft, margin);
    for (size_t i = 0; i < count; i++) {
        mag[i] = sqrtf(g[i] * g[i] + g[count + i] * g[count + i]);
    }
    memcpy(order, mag, count * sizeof *order);
    *contrast = (double)hc_stats_quantile_f(order, count, 0.9);
    median = hc_stats_quantile_f(order, count, 0.5);
    memset(z, 0, 2 * (size_t)n * (size_t)n * sizeof *z);
    double_angle(z, n, g, g + count, mag, median, weight, mean);
    for (int j = 0; j < weight->h; j++) {
        const float *wt = hc_plane_row(weight, j);
        float *out = z + 2 * (size_t)j * (size_t)n;
        for (int i = 0; i < weight->w; i++) {
            out[2 * i] = (out[2 * i] - (float)mean[0]) * wt[i];
            out[2 * i + 1] = (out[2 * i + 1] - (float)mean[1]) * wt[i];
        }
    }
done:
    hc_plane_release(&soft);
    hc_mem_free(g);
    return st;
}

static float surface(const float *z, int n, int x, int y)
{
    return z[2 * ((size_t)((y + n) % n) * (size_t)n + (size_t)((x + n) % n))];
}

// Where the parabola through three equally spaced values peaks, -0.5..0.5.
static double parabola(double l, double m, double r)
{
    double bend = l - 2 * m + r, at = bend < 0 ? 0.5 * (l - r) / bend : 0;
    return at < -0.5 ? -0.5 : at > 0.5 ? 0.5 : at;
}

static struct hc_align_peak find_peak(const float *z, int n, int radius)
{
    struct hc_align_peak p = {0};
    int bx = 0, by = 0;
    float best = surface(z, n, 0, 0), rival = 0;
    double sum = 0, square = 0, count = (double)n * n, sd;
    for (size_t i = 0; i < (size_t)n * (size_t)n; i++) {
        sum += (double)z[2 * i];
        square += (double)z[2 * i] * (double)z[2 * i];
    }
    for (int y = -radius; y <= radius; y++) {
        for (int x = -radius; x <= radius; x++) {
            float v = surface(z, n, x, y);
            if (v > best) {
                best = v;
                bx = x;
                by = y;
            }
        }
    }
    for (int y = -radius; y <= radius; y++) {
        for (int x = -radius; x <= radius; x++) {
            int ax = x - bx, ay = y - by;
            float v = surface(z, n, x, y);
            if (ax * ax + ay * ay >= RIVAL_PX * RIVAL_PX && v > rival) {
                rival = v;
            }
        }
    }
    sd = sqrt(fmax(square / count - sum / count * (sum / count), 0));
    p.dx = bx + parabola((double)surface(z, n, bx - 1, by), (double)best,
                         (double)surface(z, n, bx + 1, by));
    p.dy = by + parabola((double)surface(z, n, bx, by - 1), (double)best,
                         (double)surface(z, n, bx, by + 1));
    p.score = sd > 0 && best > 0 ? (double)best / sd : 0;
    p.rival = best > 0 ? (double)rival / (double)best : 1;
    return p;
}

struct hc_align_peak hc_align_correlate(const struct hc_fft2 *fft, int n, const float *a, float *b,
                                        int radius)
{
    hc_fft2_forward(fft, b);
    for (size_t i = 0; i < (size_t)n * (size_t)n; i++) {
        float ar = a[2 * i], ai = a[2 * i + 1], br = b[2 * i], bi = b[2 * i + 1];
        float re = ar * br + ai * bi, im = ar * bi - ai * br;
        float m = sqrtf(sqrtf(re * re + im * im)), s = m > 0 ? 1 / m : 0;
        b[2 * i] = re * s;
        b[2 * i + 1] = im * s;
    }
    hc_fft2_inverse(fft, b);
    return find_peak(b, n, radius);
}
