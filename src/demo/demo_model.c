// The model picture: what was seen, turned into what a brush needs: directions and outlines.
#include "base/mem.h"
#include "demo_priv.h"

#include <math.h>

struct look_ctx {
    const struct motif *motif;
    struct model *model;
};

// Cube root of the model's lightness; beyond the thing that holds pixel i, that of pixel i.
static double tone_at(const struct model *m, int x, int y, size_t i)
{
    x = x < 0 ? 0 : x >= m->w ? m->w - 1 : x;
    y = y < 0 ? 0 : y >= m->h ? m->h - 1 : y;
    size_t q = (size_t)y * (size_t)m->w + (size_t)x;
    q = m->thing[q] == m->thing[i] ? q : i;
    return cbrt(0.30 * (double)m->rgb[0][q] + 0.59 * (double)m->rgb[1][q] +
                0.11 * (double)m->rgb[2][q] + 0.004);
}

// Where the model has an edge of tone, the brush runs along it: the structure tensor over a small
// neighbourhood, weighed against the direction of the form.
static void edge_rows(void *ctx, int block, int y0, int y1)
{
    struct model *m = ((struct look_ctx *)ctx)->model;
    (void)block;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < m->w; x++) {
            double jxx = 0.0, jxy = 0.0, jyy = 0.0;
            size_t i = (size_t)y * (size_t)m->w + (size_t)x;
            for (int dy = -2; dy <= 2; dy++) {
                for (int dx = -2; dx <= 2; dx++) {
                    double wgt = exp(-0.35 * (dx * dx + dy * dy));
                    double gx =
                        tone_at(m, x + dx + 1, y + dy, i) - tone_at(m, x + dx - 1, y + dy, i);
                    double gy =
                        tone_at(m, x + dx, y + dy + 1, i) - tone_at(m, x + dx, y + dy - 1, i);
                    jxx += wgt * gx * gx;
                    jxy += wgt * gx * gy;
                    jyy += wgt * gy * gy;
                }
            }
            double along = 0.5 * atan2(2.0 * jxy, jxx - jyy) + M_PI / 2;
            double strength = hypot(jxx - jyy, 2.0 * jxy) / (jxx + jyy + 2e-3);
            double a = 2.0 * (double)m->form[i], k = 3.0 * strength * strength;
            m->angle[i] =
                (float)(0.5 * atan2(sin(a) + k * sin(2.0 * along), cos(a) + k * cos(2.0 * along)));
        }
    }
}

static void look_rows(void *ctx, int block, int y0, int y1)
{
    struct look_ctx *c = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        for (int x = 0; x < c->model->w; x++) {
            hc_demo_look(c->motif, c->model, x, y);
        }
    }
}

// Outlines free of the model's pixels: a thing and all that is painted over it later, under a small
// Gaussian. A stroke may run under what comes after it, never over what lies behind.
static hc_status make_masks(struct model *m, struct hc_err *err)
{
    struct hc_plane soft = {0};
    size_t n = (size_t)m->w * (size_t)m->h;
    hc_status st = hc_plane_create(&soft, m->w, m->h, err);
    for (int t = 0; t < T_COUNT && st == HC_OK; t++) {
        m->mask[t] = hc_mem_array(n, 1);
        if (!m->mask[t]) {
            st = hc_err_set(err, HC_ENOMEM, "demo", "out of memory for the outlines");
            break;
        }
        for (size_t i = 0; i < n; i++) {
            soft.px[i] = m->thing[i] >= t ? 255.0f : 0.0f;
        }
        st = hc_filter_gauss(&soft, &soft, 1.15, err);
        for (size_t i = 0; i < n && st == HC_OK; i++) {
            m->mask[t][i] = (uint8_t)(soft.px[i] + 0.5f);
        }
    }
    hc_plane_release(&soft);
    return st;
}

hc_status hc_demo_model_create(struct model *m, const struct motif *motif, int w, int h,
                               struct hc_par *par, struct hc_err *err)
{
    size_t n = (size_t)w * (size_t)h;
    *m = (struct model){.w = w, .h = h, .mm_per_px = HC_DEMO_W_MM / w};
    bool ok = true;
    for (int k = 0; k < 3; k++) {
        m->rgb[k] = hc_mem_array(n, sizeof(float));
        ok = ok && m->rgb[k];
    }
    m->form = hc_mem_array(n, sizeof(float));
    m->angle = hc_mem_array(n, sizeof(float));
    m->pattern = hc_mem_array(n, sizeof(float));
    m->light = hc_mem_array(n, sizeof(float));
    m->thing = hc_mem_array(n, 1);
    if (!ok || !m->form || !m->angle || !m->pattern || !m->light || !m->thing) {
        hc_demo_model_release(m);
        return hc_err_set(err, HC_ENOMEM, "demo", "out of memory for a %d x %d model picture", w,
                          h);
    }
    hc_par_rows(par, h, look_rows, &(struct look_ctx){motif, m});
    hc_par_rows(par, h, edge_rows, &(struct look_ctx){motif, m});
    hc_mem_free(m->form);
    m->form = NULL;
    hc_status st = make_masks(m, err);
    if (st != HC_OK) {
        hc_demo_model_release(m);
    }
    return st;
}

void hc_demo_model_release(struct model *m)
{
    for (int k = 0; k < 3; k++) {
        hc_mem_free(m->rgb[k]);
    }
    hc_mem_free(m->form);
    hc_mem_free(m->angle);
    hc_mem_free(m->pattern);
    hc_mem_free(m->light);
    hc_mem_free(m->thing);
    for (int t = 0; t < T_COUNT; t++) {
        hc_mem_free(m->mask[t]);
    }
    *m = (struct model){0};
}

double hc_demo_inside(const struct model *m, int thing, double x_mm, double y_mm)
{
    double fx = x_mm / m->mm_per_px - 0.5, fy = y_mm / m->mm_per_px - 0.5;
    fx = fmin(fmax(fx, 0.0), m->w - 1.001);
    fy = fmin(fmax(fy, 0.0), m->h - 1.001);
    int x = (int)fx, y = (int)fy;
    double a = fx - x, b = fy - y;
    const uint8_t *p = m->mask[thing] + (size_t)y * (size_t)m->w + (size_t)x, *q = p + m->w;
    double top = p[0] + a * (p[1] - p[0]), low = q[0] + a * (q[1] - q[0]);
    return (top + b * (low - top)) / 255.0;
}
