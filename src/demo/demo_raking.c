// Photographs by one lamp from the side, with shadows cast by the ridges: low over the surface of
// the coats (four, as found), and from a ring through crossed polarisers (eight, the windows open),
// where no highlight is seen and the light that reaches the paint was bent by the coat's own
// surface.
#include "base/mem.h"
#include "demo_priv.h"

#include <math.h>

#define REACH_MM 1.6 // the longest cast shadow looked for
#define INDEX 1.5
#define FRESNEL_N 512

struct rake {
    const struct hc_demo *d;
    int y0, margin;
    struct hc_plane surface, *out;
    double azimuth, elevation;
    bool is_ring;
    float through[FRESNEL_N + 1]; // share let through the coat's surface, by the cosine outside
};

static void surface_rows(void *ctx, int block, int a, int b)
{
    struct rake *r = ctx;
    (void)block;
    for (int i = a; i < b; i++) {
        float *row = hc_plane_row(&r->surface, i);
        for (int x = 0; x < r->surface.w; x++) {
            int y = r->y0 - r->margin + i;
            float open = r->is_ring ? hc_demo_window_share(r->d, x + 0.5, y + 0.5) : 0.0f;
            row[x] = hc_demo_surface_mm(r->d, x, y, false);
            if (open > 0.0f) {
                row[x] += open * (hc_demo_surface_mm(r->d, x, y, true) - row[x]);
            }
        }
    }
}

// Share of the lamp that clears the ridges between (x, i) and it.
static float lamp_seen(const struct rake *r, int x, int i, float ux, float uy)
{
    float mm = (float)r->d->canvas.mm, rise = (float)tan(r->elevation * M_PI / 180.0);
    float here = hc_plane_get(&r->surface, x, i), worst = 1.0f;
    float step = mm > 0.15f ? 1.0f : 1.5f;
    for (float s = 1.0f; s * mm < (float)REACH_MM; s += step) {
        int xx = (int)((float)x + ux * s + 0.5f), ii = (int)((float)i + uy * s + 0.5f);
        if (xx < 0 || xx >= r->surface.w || ii < 0 || ii >= r->surface.h) {
            break;
        }
        float clear = here + s * mm * rise - hc_plane_get(&r->surface, xx, ii);
        float seen = 0.75f + clear / (0.25f * s * mm * rise + 0.004f);
        worst = seen < worst ? seen : worst;
    }
    return worst < 0.0f ? 0.0f : worst;
}

static void rake_rows(void *ctx, int block, int a, int b)
{
    struct rake *r = ctx;
    const struct hc_demo *d = r->d;
    const struct canvas *c = &d->canvas;
    double el = r->elevation * M_PI / 180.0, az = r->azimuth * M_PI / 180.0;
    float lx = (float)(cos(el) * cos(az)), ly = (float)(cos(el) * sin(az)), lz = (float)sin(el);
    float ux = (float)cos(az), uy = (float)-sin(az); // in the picture, y down
    (void)block;
    for (int k = a; k < b; k++) {
        int y = r->y0 + k, i = k + r->margin;
        for (int x = 0; x < c->w; x++) {
            int x0 = x > 0 ? x - 1 : x, x1 = x < c->w - 1 ? x + 1 : x;
            float gx = (hc_plane_get(&r->surface, x1, i) - hc_plane_get(&r->surface, x0, i)) /
                       ((float)c->mm * (float)(x1 - x0));
            float gy = (hc_plane_get(&r->surface, x, i - 1) - hc_plane_get(&r->surface, x, i + 1)) /
                       (2.0f * (float)c->mm);
            float len = sqrtf(1.0f + gx * gx + gy * gy);
            float facing = (lz - gx * lx - gy * ly) / len;
            // The lamp stands nearer one side: brighter there.
            float near = 1.0f + 0.16f * (ux * ((float)x / (float)c->w - 0.5f) +
                                         uy * ((float)y / (float)c->h - 0.5f));
            float lit = facing > 0.0f ? facing / lz * lamp_seen(r, x, i, ux, uy) : 0.0f;
            float light = 0.05f + 0.72f * near * lit, seen[HC_DEMO_BANDS], lin[3];
            double romm[3], srgb[3];
            hc_demo_pixel_seen(seen, d, x, y, 0.0f);
            hc_demo_lin(lin, &d->paints, seen);
            for (int j = 0; j < 3; j++) {
                romm[j] = (double)((lin[j] + 0.012f) * light);
                romm[j] += sqrt(4e-7 + 8e-6 * romm[j]) *
                           hc_demo_gauss(d->seed + 700 + (uint64_t)(r->azimuth + j), x, y);
            }
            hc_linear_apply3(srgb, d->paints.romm_to_srgb, romm);
            for (int j = 0; j < 3; j++) {
                hc_plane_row(&r->out[j], k)[x] = hc_demo_encode((float)srgb[j]);
            }
        }
    }
}

// Rise of the paint to the right and up, per mm; the surface's own comes from its plane.
static void paint_slope(const struct hc_demo *d, int x, int y, float *gx, float *gy)
{
    float step = 2.0f * (float)d->canvas.mm;
    *gx = (hc_demo_surface_mm(d, x + 1, y, true) - hc_demo_surface_mm(d, x - 1, y, true)) / step;
    *gy = (hc_demo_surface_mm(d, x, y - 1, true) - hc_demo_surface_mm(d, x, y + 1, true)) / step;
}

// Light on the paint under a coat, over that on flat paint under a flat coat: it is bent towards
// the normal of the coat's surface (Snell), loses what that surface throws back (Fresnel) and is
// spread or gathered by the cosines on both sides.
static float under_coat(const struct rake *r, const float light[3], float sx, float sy, float px,
                        float py)
{
    float s = 1.0f / sqrtf(1.0f + sx * sx + sy * sy), p = 1.0f / sqrtf(1.0f + px * px + py * py);
    float ci = s * (light[2] - sx * light[0] - sy * light[1]), ct, k, facing, at;
    if (ci <= 0.0f) {
        return 0.0f;
    }
    ct = sqrtf(1.0f - (1.0f - ci * ci) / (float)(INDEX * INDEX));
    k = (ct - ci / (float)INDEX) * s;
    facing = p * (light[2] / (float)INDEX + k - px * (light[0] / (float)INDEX - k * sx) -
                  py * (light[1] / (float)INDEX - k * sy));
    at = ci * FRESNEL_N;
    int i = at < FRESNEL_N - 1 ? (int)at : FRESNEL_N - 1;
    float t = r->through[i] + (at - (float)i) * (r->through[i + 1] - r->through[i]);
    float flat = light[2] * FRESNEL_N;
    int j = flat < FRESNEL_N - 1 ? (int)flat : FRESNEL_N - 1;
    float t0 = r->through[j] + (flat - (float)j) * (r->through[j + 1] - r->through[j]);
    return facing > 0.0f ? t * ci / ct * facing / (t0 * light[2]) : 0.0f;
}

static void ring_rows(void *ctx, int block, int a, int b)
{
    struct rake *r = ctx;
    const struct hc_demo *d = r->d;
    double el = r->elevation * M_PI / 180.0, az = r->azimuth * M_PI / 180.0, mm = d->canvas.mm;
    const float light[3] = {(float)(cos(el) * cos(az)), (float)(cos(el) * sin(az)), (float)sin(el)};
    float ux = (float)cos(az), uy = (float)-sin(az);
    (void)block;
    for (int k = a; k < b; k++) {
        int y = r->y0 + k, i = k + r->margin;
        for (int x = 0; x < d->canvas.w; x++) {
            int x0 = x > 0 ? x - 1 : x, x1 = x < d->canvas.w - 1 ? x + 1 : x;
            float sx = (hc_plane_get(&r->surface, x1, i) - hc_plane_get(&r->surface, x0, i)) /
                       ((float)mm * (float)(x1 - x0));
            float sy = (hc_plane_get(&r->surface, x, i - 1) - hc_plane_get(&r->surface, x, i + 1)) /
                       (2.0f * (float)mm);
            float open = hc_demo_window_share(d, x + 0.5, y + 0.5), px, py, coated, bare, v;
            float seen[HC_DEMO_BANDS], lin[3];
            paint_slope(d, x, y, &px, &py);
            coated = open < 1.0f ? under_coat(r, light, sx, sy, px, py) : 0.0f;
            bare = (light[2] - px * light[0] - py * light[1]) /
                   (light[2] * sqrtf(1.0f + px * px + py * py));
            coated += open * ((bare > 0.0f ? bare : 0.0f) - coated);
            hc_demo_pixel_seen(seen, d, x, y, open);
            hc_demo_lin(lin, &d->paints, seen);
            v = 0.8f * (0.288f * lin[0] + 0.712f * lin[1]) * coated * lamp_seen(r, x, i, ux, uy);
            v += sqrtf(2e-7f + 4e-6f * v) *
                 (float)hc_demo_gauss(d->seed + 900 + (uint64_t)r->azimuth, x, y);
            hc_plane_row(&r->out[0], k)[x] = hc_demo_encode(v);
        }
    }
}

hc_status hc_demo_raking_rows(struct hc_demo *d, const struct hc_demo_view_info *info, int y0,
                              struct hc_plane *bands, struct hc_err *err)
{
    struct rake r = {.d = d,
                     .y0 = y0,
                     .out = bands,
                     .azimuth = info->azimuth_deg,
                     .elevation = info->elevation_deg,
                     .is_ring = info->bands == 1};
    r.margin = (int)ceil(REACH_MM / d->canvas.mm) + 1;
    hc_status st = hc_plane_create(&r.surface, d->canvas.w, bands[0].h + 2 * r.margin, err);
    if (st != HC_OK) {
        return st;
    }
    for (int k = 0; r.is_ring && k <= FRESNEL_N; k++) {
        double angle = acos((double)k / FRESNEL_N) * 180.0 / M_PI;
        r.through[k] = (float)(1.0 - hc_surface_fresnel(INDEX, angle));
    }
    hc_par_rows(d->par, r.surface.h, surface_rows, &r);
    hc_par_rows(d->par, bands[0].h, r.is_ring ? ring_rows : rake_rows, &r);
    hc_plane_release(&r.surface);
    return HC_OK;
}
