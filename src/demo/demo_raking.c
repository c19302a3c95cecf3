// Raking photographs: one lamp low over the surface of the coats, with shadows cast by the ridges.
#include "base/mem.h"
#include "demo_priv.h"

#include <math.h>

#define ELEVATION_DEG 12.0
#define REACH_MM 1.6 // the longest cast shadow looked for

struct rake {
    const struct hc_demo *d;
    int y0, margin;
    struct hc_plane surface, *out;
    double azimuth;
};

static void surface_rows(void *ctx, int block, int a, int b)
{
    struct rake *r = ctx;
    (void)block;
    for (int i = a; i < b; i++) {
        float *row = hc_plane_row(&r->surface, i);
        for (int x = 0; x < r->surface.w; x++) {
            row[x] = hc_demo_surface_mm(r->d, x, r->y0 - r->margin + i, false);
        }
    }
}

// Share of the lamp that clears the ridges between (x, i) and it.
static float lamp_seen(const struct rake *r, int x, int i, float ux, float uy)
{
    float mm = (float)r->d->canvas.mm, rise = (float)tan(ELEVATION_DEG * M_PI / 180.0);
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
    double el = ELEVATION_DEG * M_PI / 180.0, az = r->azimuth * M_PI / 180.0;
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

hc_status hc_demo_raking_rows(struct hc_demo *d, double azimuth_deg, int y0, struct hc_plane *bands,
                              struct hc_err *err)
{
    struct rake r = {.d = d, .y0 = y0, .out = bands, .azimuth = azimuth_deg};
    r.margin = (int)ceil(REACH_MM / d->canvas.mm) + 1;
    hc_status st = hc_plane_create(&r.surface, d->canvas.w, bands[0].h + 2 * r.margin, err);
    if (st != HC_OK) {
        return st;
    }
    hc_par_rows(d->par, r.surface.h, surface_rows, &r);
    hc_par_rows(d->par, bands[0].h, rake_rows, &r);
    hc_plane_release(&r.surface);
    return HC_OK;
}
