// Photographs in normal light: paint under its coats, lit from all round with a little from the
// upper left, through a lens and a sensor.
#include "base/mem.h"
#include "demo_priv.h"

#include <math.h>

#define MARGIN 8 // rows rendered above and below for the lens and the moved test view

// Aged natural resin with its grime, as the conservator finds it (invented amounts).
const struct hc_coat hc_demo_resin = {
    .a0 = 0.66, .slope_nm = 66.0, .grey = 0.020, .haze = 0.020, .surface = 0.004};
#define BARE_SURFACE 0.009f // cleaned paint is a little matter than varnish
// Path factors of one pass in and out and of diffuse light in the coat (docs/theory/colour.md).
#define PATH_IO 2.134
#define PATH_BACK 3.4

void hc_demo_coat_table_init(struct coat_table *t, const struct paints *p)
{
    for (int i = 0; i < HC_DEMO_COAT_NODES; i++) {
        for (int b = 0; b < HC_DEMO_BANDS; b++) {
            double nm = (double)p->lambda_nm[b];
            double a = hc_demo_resin.a0 * i * HC_DEMO_COAT_STEP *
                       exp(-(nm - 400.0) / hc_demo_resin.slope_nm);
            t->through_io[i][b] = (float)exp(-PATH_IO * a);
            t->through_back[i][b] = (float)exp(-PATH_BACK * a);
        }
    }
    for (int b = 0; b < HC_DEMO_BANDS; b++) {
        t->haze[b] = (float)pow((double)p->lambda_nm[b] / 550.0, -1.3);
    }
    t->k1 = (float)hc_surface_fresnel(1.5, 0.0);
    t->k2 = (float)hc_surface_diffuse_internal(1.5);
}

void hc_demo_seen(float r[HC_DEMO_BANDS], const float *rho, const struct coat_table *t,
                  struct film film)
{
    double node = (double)film.d / HC_DEMO_COAT_STEP + 0.5;
    size_t i = node >= HC_DEMO_COAT_NODES ? HC_DEMO_COAT_NODES - 1 : (size_t)node;
    const float *io = t->through_io[i], *back = t->through_back[i];
    float in = (1.0f - t->k1) * (1.0f - t->k2) * expf(-(float)PATH_IO * film.grey);
    float again = t->k2 * expf(-(float)PATH_BACK * film.grey), k1 = t->k1;
    for (int b = 0; b < HC_DEMO_BANDS; b++) {
        float body = in * io[b] * rho[b] / (1.0f - again * back[b] * rho[b]);
        float h = film.haze * t->haze[b], pass = 1.0f / (1.0f + h), mist = h * pass;
        r[b] = film.surface + (1.0f - k1) * 0.5f * mist + pass * pass * body / (1.0f - mist * body);
    }
}

struct film hc_demo_film(const struct hc_demo *d, int x, int y)
{
    const struct canvas *c = &d->canvas;
    double xm = (x + 0.5) * c->mm, ym = (y + 0.5) * c->mm;
    float coat = (float)c->coat[(size_t)y * (size_t)c->w + (size_t)x] * HC_DEMO_COAT;
    float grime = (float)hc_demo_noise(d->seed + 400, xm * 0.014, ym * 0.014);
    float bloom = (float)hc_demo_noise(d->seed + 401, xm * 0.035, ym * 0.025);
    return (struct film){.d = coat,
                         .grey = (float)hc_demo_resin.grey * (1.0f + 0.35f * grime),
                         .haze = (float)hc_demo_resin.haze * (0.65f + 0.30f * coat + 0.35f * bloom),
                         .surface = (float)hc_demo_resin.surface};
}

// Old retouching: once matched to its neighbours, since gone dark and brown.
static void later_paint(float rho[HC_DEMO_BANDS], const struct hc_demo *d, int x, int y)
{
    const struct model *m = &d->model;
    double mm = d->canvas.mm, sum[3] = {0}, k = mm / m->mm_per_px;
    double step = 2.5 / m->mm_per_px;
    int cx = (int)((x + 0.5) * k), cy = (int)((y + 0.5) * k);
    for (int j = -1; j <= 1; j++) {
        for (int i = -1; i <= 1; i++) {
            int xx = cx + (int)(i * step), yy = cy + (int)(j * step);
            xx = xx < 0 ? 0 : xx >= m->w ? m->w - 1 : xx;
            yy = yy < 0 ? 0 : yy >= m->h ? m->h - 1 : yy;
            for (int b = 0; b < 3; b++) {
                sum[b] += (double)m->rgb[b][(size_t)yy * (size_t)m->w + (size_t)xx] / 9.0;
            }
        }
    }
    double grain = 1.0 + 0.07 * hc_demo_noise(d->seed + 410, x * mm * 0.22, y * mm * 2.4);
    double rgb[3] = {(0.68 * sum[0] + 0.006) * grain, (0.60 * sum[1] + 0.004) * grain,
                     (0.38 * sum[2] + 0.003) * grain};
    struct mix mix = hc_demo_recipe(&d->recipes, T_WALL, rgb);
    hc_demo_paint_rho(rho, &d->paints, mix.c);
}

void hc_demo_pixel_seen(float r[HC_DEMO_BANDS], const struct hc_demo *d, int x, int y, float open)
{
    const struct canvas *c = &d->canvas;
    size_t i = (size_t)y * (size_t)c->w + (size_t)x;
    float rho[HC_DEMO_BANDS], other[HC_DEMO_BANDS], cover = (float)c->cover[i] / 255.0f;
    const struct film bare = {.surface = BARE_SURFACE};
    hc_demo_paint_rho(rho, &d->paints, c->mix + i * P_COUNT);
    hc_demo_seen(r, rho, d->coats, open < 1.0f ? hc_demo_film(d, x, y) : bare);
    if (open > 0.0f && open < 1.0f) {
        hc_demo_seen(other, rho, d->coats, bare);
        for (int b = 0; b < HC_DEMO_BANDS; b++) {
            r[b] += open * (other[b] - r[b]);
        }
    }
    if (cover > 0.0f) {
        // Under the later synthetic coat only: hardly yellow, a little grime.
        struct film thin = {.d = 0.12f, .grey = 0.012f, .haze = 0.010f, .surface = 0.004f};
        later_paint(rho, d, x, y);
        hc_demo_seen(other, rho, d->coats, open < 1.0f ? thin : bare);
        for (int b = 0; b < HC_DEMO_BANDS; b++) {
            r[b] += cover * (other[b] - r[b]);
        }
    }
}

void hc_demo_lin(float lin[3], const struct paints *p, const float *r)
{
    for (int k = 0; k < 3; k++) {
        float sum = 0.0f;
        for (int b = 0; b < HC_DEMO_BANDS; b++) {
            sum += r[b] * p->to_lin[k][b];
        }
        lin[k] = sum;
    }
}

float hc_demo_window_share(const struct hc_demo *d, double x, double y)
{
    double soft = 0.3 / d->canvas.mm, share = 0.0;
    for (int k = 0; k < HC_DEMO_WINDOWS; k++) {
        const struct hc_pt *q = d->window[k].corner; // clockwise, y down: inside is to the right
        if (fabs(x - q[0].x) + fabs(y - q[0].y) > 60.0 / d->canvas.mm) {
            continue;
        }
        double in = 1e9;
        for (int i = 0; i < 4; i++) {
            struct hc_pt a = q[i], b = q[(i + 1) & 3];
            double ex = b.x - a.x, ey = b.y - a.y;
            in = fmin(in, (ex * (y - a.y) - ey * (x - a.x)) / hypot(ex, ey));
        }
        share = fmax(share, ramp(-soft, 0.0, in));
    }
    return (float)share;
}

float hc_demo_surface_mm(const struct hc_demo *d, int x, int y, bool bare)
{
    const struct canvas *c = &d->canvas;
    x = x < 0 ? 0 : x >= c->w ? c->w - 1 : x;
    y = y < 0 ? 0 : y >= c->h ? c->h - 1 : y;
    float h = (float)c->height[(size_t)y * (size_t)c->w + (size_t)x] * HC_DEMO_HEIGHT_MM;
    if (bare) {
        return h;
    }
    double cell = d->smooth_cell;
    float level = hc_filter_bilinear(&d->smooth, (x + 0.5) / cell, (y + 0.5) / cell);
    return h + 0.42f * (level - h); // the coats have levelled out part of the relief
}

float hc_demo_encode(float v)
{
    if (v <= 0.0031308f) {
        return v > 0.0f ? 12.92f * v : 0.0f;
    }
    return v < 1.0f ? 1.055f * powf(v, 1.0f / 2.4f) - 0.055f : 1.0f;
}

double hc_demo_gauss(uint64_t seed, int64_t x, int64_t y)
{
    // Four uniform numbers out of one draw: close enough to normal for a sensor.
    double u = hc_rng_hash(seed, x, y), sum = 0.0;
    for (int k = 0; k < 4; k++) {
        u *= 4096.0;
        double whole = floor(u);
        sum += whole / 4095.0;
        u -= whole;
    }
    return (sum - 2.0) * 1.7320508;
}

struct hc_pt hc_demo_test_to_frame(const struct hc_demo *d, struct hc_pt q)
{
    double a = 0.02 * M_PI / 180.0, cx = 0.5 * d->canvas.w, cy = 0.5 * d->canvas.h;
    double x = q.x - 1.3 - cx, y = q.y + 0.8 - cy;
    return (struct hc_pt){cx + x * cos(a) + y * sin(a), cy - x * sin(a) + y * cos(a)};
}

struct shot {
    struct hc_demo *d;
    enum hc_demo_view view;
    int y0, rows;       // rows asked for
    struct hc_lin3 lin; // rows y0 - MARGIN .. of the scene, linear ROMM
    struct hc_plane *out;
};

static void expose_rows(void *ctx, int block, int a, int b)
{
    struct shot *s = ctx;
    const struct hc_demo *d = s->d;
    const struct canvas *c = &d->canvas;
    bool bare = s->view == HC_DEMO_TRUTH_AFTER;
    (void)block;
    for (int i = a; i < b; i++) {
        int y = s->y0 - MARGIN + i;
        y = y < 0 ? 0 : y >= c->h ? c->h - 1 : y;
        for (int x = 0; x < c->w; x++) {
            float r[HC_DEMO_BANDS], lin[3], open = bare ? 1.0f : 0.0f;
            if (s->view == HC_DEMO_TEST) {
                open = hc_demo_window_share(d, x + 0.5, y + 0.5);
            }
            hc_demo_pixel_seen(r, d, x, y, open);
            hc_demo_lin(lin, &d->paints, r);
            bool relief = open > 0.5f;
            float dx =
                hc_demo_surface_mm(d, x + 1, y, relief) - hc_demo_surface_mm(d, x - 1, y, relief);
            float dy =
                hc_demo_surface_mm(d, x, y + 1, relief) - hc_demo_surface_mm(d, x, y - 1, relief);
            // Two lamps at 45 degrees, the left one a little stronger and higher.
            float slope = (dx + 0.8f * dy) / (float)(2.0 * c->mm);
            slope = slope > 1.0f ? 1.0f : slope < -1.0f ? -1.0f : slope;
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&s->lin.ch[k], i)[x] = lin[k] * (1.0f + 0.22f * slope);
            }
        }
    }
}

// The lens: a small blur, sd 0.45 px, as three taps each way.
static float lens(const struct hc_plane *p, int x, int i)
{
    static const float tap[3] = {0.075f, 0.85f, 0.075f};
    int x0 = x > 0 ? x - 1 : 0, x1 = x < p->w - 1 ? x + 1 : x;
    float sum = 0.0f;
    for (int j = -1; j <= 1; j++) {
        const float *row = hc_plane_row(p, i + j);
        sum += tap[j + 1] * (tap[0] * row[x0] + tap[1] * row[x] + tap[2] * row[x1]);
    }
    return sum;
}

static float sensor(const struct hc_demo *d, float v, uint64_t seed, int x, int y)
{
    float sd = sqrtf(2.2e-7f + 5.5e-6f * (v > 0.0f ? v : 0.0f));
    return v + sd * (float)hc_demo_gauss(d->seed + seed, x, y);
}

static void develop_rows(void *ctx, int block, int a, int b)
{
    struct shot *s = ctx;
    const struct hc_demo *d = s->d;
    int w = d->canvas.w;
    (void)block;
    for (int i = a; i < b; i++) {
        int y = s->y0 + i;
        for (int x = 0; x < w; x++) {
            double romm[3], srgb[3];
            for (int k = 0; k < 3; k++) {
                float v;
                if (s->view == HC_DEMO_TEST) {
                    // What is at (x, y) in the frame came to lie at (x + 1.3, y - 0.8), turned.
                    struct hc_pt q = hc_demo_test_to_frame(d, (struct hc_pt){x + 0.5, y + 0.5});
                    v = hc_filter_bicubic(&s->lin.ch[k], q.x, q.y - s->y0 + MARGIN);
                    v = sensor(d, 1.03f * v, 600 + (uint64_t)k, x, y);
                } else {
                    v = lens(&s->lin.ch[k], x, i + MARGIN);
                    if (s->view == HC_DEMO_BEFORE) {
                        v = sensor(d, v, 500 + (uint64_t)k, x, y);
                    }
                }
                romm[k] = (double)v;
            }
            hc_linear_apply3(srgb, d->paints.romm_to_srgb, romm);
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&s->out[k], i)[x] = hc_demo_encode((float)srgb[k]);
            }
        }
    }
}

hc_status hc_demo_normal_rows(struct hc_demo *d, enum hc_demo_view v, int y0,
                              struct hc_plane *bands, struct hc_err *err)
{
    struct shot s = {.d = d, .view = v, .y0 = y0, .rows = bands[0].h, .out = bands};
    hc_status st = hc_lin3_create(&s.lin, d->canvas.w, s.rows + 2 * MARGIN, err);
    if (st != HC_OK) {
        return st;
    }
    hc_par_rows(d->par, s.rows + 2 * MARGIN, expose_rows, &s);
    hc_par_rows(d->par, s.rows, develop_rows, &s);
    hc_lin3_release(&s.lin);
    return HC_OK;
}
