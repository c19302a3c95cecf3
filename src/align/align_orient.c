#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/filter.h"
#include "num/stats.h"

#define BLUR_PX 1.2
#define RIVAL_PX 5
#define SAMPLE 3 // every third gradient is enough for its quantiles
#define NEWTON_STEPS 4
#define MAX_SIDE 512 // of a correlation
#define PEAK_PX 0.8  // Gaussian that the surface is softened by: high frequencies are mostly noise

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

hc_status hc_align_orient(float *z, int n, const struct hc_plane *img, int margin,
                          const struct hc_plane *weight, double *contrast)
{
    size_t count = (size_t)weight->w * (size_t)weight->h;
    struct hc_plane soft = {0};
    float *g = hc_mem_alloc(4 * count * sizeof *g), *mag = g + 2 * count, *order = g + 3 * count;
    double mean[2];
    float median;
    size_t n_order = 0;
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
    for (size_t i = 0; i < count; i += SAMPLE) {
        order[n_order++] = mag[i];
    }
    *contrast = (double)hc_stats_quantile_f(order, n_order, 0.9);
    median = hc_stats_quantile_f(order, n_order, 0.5);
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

// The window's share in how much lower a repetition `lag` px away looks than the summit itself (the
// transform of a half-whitened Hann window is the window again).
static float fade(int lag, int n)
{
    float c = cosf((float)M_PI * (float)lag / (float)n);
    return c * c;
}

static struct hc_align_peak find_peak(const float *z, int n, int radius)
{
    struct hc_align_peak p = {0};
    int bx = 0, by = 0;
    float best = surface(z, n, 0, 0), rival = 0;
    double sum = 0, square = 0, count = (double)n * n, sd;
    float faded[MAX_SIDE];
    hc_assert(n <= MAX_SIDE && 2 * radius < n);
    for (int lag = 0; lag <= 2 * radius; lag++) {
        faded[lag] = fade(lag, n);
    }
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
            if (ax * ax + ay * ay >= RIVAL_PX * RIVAL_PX) {
                float f = faded[abs(ax)] * faded[abs(ay)];
                v = f > 0.8f ? v / f : v / 0.8f;
                rival = v > rival ? v : rival;
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

// Half-whitened, softened cross power (eq. 2) of the transforms a and b, into b.
static void cross_power(int n, const float *a, float *b)
{
    float soft[MAX_SIDE];
    hc_assert(n <= MAX_SIDE);
    for (int k = 0; k < n; k++) {
        double w = 2 * M_PI / n * (k <= n / 2 ? k : k - n);
        soft[k] = (float)exp(-0.5 * PEAK_PX * PEAK_PX * w * w);
    }
    for (int y = 0; y < n; y++) {
        size_t row = (size_t)y * (size_t)n;
        for (int x = 0; x < n; x++) {
            const float *p = a + 2 * (row + (size_t)x);
            float *q = b + 2 * (row + (size_t)x);
            float re = p[0] * q[0] + p[1] * q[1], im = p[0] * q[1] - p[1] * q[0];
            float m = sqrtf(sqrtf(re * re + im * im)), s = m > 0 ? soft[x] * soft[y] / m : 0;
            q[0] = re * s;
            q[1] = im * s;
        }
    }
}

struct hc_align_peak hc_align_correlate(const struct hc_fft2 *fft, int n, const float *a, float *b,
                                        int radius)
{
    hc_fft2_forward(fft, b);
    cross_power(n, a, b);
    hc_fft2_inverse(fft, b);
    return find_peak(b, n, radius);
}

// Slope g = (x, y) and curvature c = (xx, xy, yy) of the real part of the trigonometric polynomial
// with coefficients z at the point (x, y) px. cs holds n cosines and n sines of scratch.
static void slope(double g[2], double c[3], const float *z, int n, double x, double y, float *cs)
{
    g[0] = g[1] = c[0] = c[1] = c[2] = 0;
    for (int k = 0; k < n; k++) {
        double w = 2 * M_PI / n * (k <= n / 2 ? k : k - n);
        cs[k] = (float)cos(w * x);
        cs[n + k] = (float)sin(w * x);
    }
    for (int j = 0; j < n; j++) {
        const float *row = z + 2 * (size_t)j * (size_t)n;
        double wy = 2 * M_PI / n * (j <= n / 2 ? j : j - n), cy = cos(wy * y), sy = sin(wy * y);
        float re[3] = {0}, im[3] = {0};
        for (int k = 0; k < n; k++) {
            float wx = (float)(2 * M_PI / n) * (float)(k <= n / 2 ? k : k - n);
            float p = row[2 * k] * cs[k] - row[2 * k + 1] * cs[n + k];
            float q = row[2 * k] * cs[n + k] + row[2 * k + 1] * cs[k];
            re[0] += p;
            im[0] += q;
            re[1] += wx * p;
            im[1] += wx * q;
            re[2] += wx * wx * p;
            im[2] += wx * wx * q;
        }
        g[0] -= (double)re[1] * sy + (double)im[1] * cy;
        g[1] -= wy * ((double)re[0] * sy + (double)im[0] * cy);
        c[0] -= (double)re[2] * cy - (double)im[2] * sy;
        c[1] -= wy * ((double)re[1] * cy - (double)im[1] * sy);
        c[2] -= wy * wy * ((double)re[0] * cy - (double)im[0] * sy);
    }
}

// Lesser over greater principal curvature of a summit: near 0 on the ridge that a straight edge
// makes.
static double roundness(const double c[3])
{
    double mean = (c[0] + c[2]) / 2, half = hypot((c[0] - c[2]) / 2, c[1]);
    return (mean + half) / (mean - half); // both negative
}

struct hc_align_peak hc_align_correlate_fine(const struct hc_fft2 *fft, int n, float *a, float *b,
                                             int radius)
{
    struct hc_align_peak p;
    double x0, y0;
    hc_fft2_forward(fft, a);
    hc_fft2_forward(fft, b);
    cross_power(n, a, b);
    memcpy(a, b, 2 * (size_t)n * (size_t)n * sizeof *a);
    hc_fft2_inverse(fft, b);
    p = find_peak(b, n, radius);
    x0 = p.dx;
    y0 = p.dy;
    for (int k = 0; k < NEWTON_STEPS; k++) {
        double g[2], c[3], det, sx, sy;
        slope(g, c, a, n, p.dx, p.dy, b); // b has served: scratch
        det = c[0] * c[2] - c[1] * c[1];
        if (!(c[0] < 0 && det > 0)) {
            break; // not a summit: the parabola's answer stays
        }
        p.roundness = roundness(c);
        sx = -(c[2] * g[0] - c[1] * g[1]) / det;
        sy = -(c[0] * g[1] - c[1] * g[0]) / det;
        p.dx += fmin(fmax(sx, -0.3), 0.3);
        p.dy += fmin(fmax(sy, -0.3), 0.3);
        if (fmax(fabs(p.dx - x0), fabs(p.dy - y0)) > 1) {
            p.dx = x0;
            p.dy = y0;
            break;
        }
        if (fmax(fabs(sx), fabs(sy)) < 0.002) {
            break;
        }
    }
    return p;
}
