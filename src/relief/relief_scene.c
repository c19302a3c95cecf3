#include "relief/relief_scene.h"

#include <math.h>

#include "base/rng.h"
#include "num/filter.h"

struct relief_waves relief_waves_make(double short_mm, double long_mm, double rms_slope,
                                      uint64_t seed)
{
    struct relief_waves w = {.n = RELIEF_WAVES};
    struct hc_rng r = hc_rng_make(seed);
    for (int i = 0; i < w.n; i++) {
        double lambda = short_mm * pow(long_mm / short_mm, hc_rng_unit(&r));
        double turn = hc_rng_range(&r, 0, 2 * M_PI), k = 2 * M_PI / lambda;
        w.wavelength_mm[i] = lambda;
        w.kx[i] = k * cos(turn);
        w.ky[i] = k * sin(turn);
        w.phase[i] = hc_rng_range(&r, 0, 2 * M_PI);
        w.amp_mm[i] = rms_slope * sqrt(2.0 / w.n) / k;
    }
    return w;
}

struct relief_waves relief_waves_kept(const struct relief_waves *w, double cut_mm, double solids,
                                      int coats)
{
    struct relief_waves out = *w;
    for (int i = 0; i < w->n; i++) {
        out.amp_mm[i] *= hc_relief_level_kept(w->wavelength_mm[i], cut_mm, solids, coats);
    }
    return out;
}

hc_status relief_surface_create(struct relief_surface *out, const struct relief_waves *w, int width,
                                int height, double mm, struct hc_err *err)
{
    hc_status st = hc_plane_create(&out->z, width, height, err);
    st = st == HC_OK ? hc_plane_create(&out->p, width, height, err) : st;
    st = st == HC_OK ? hc_plane_create(&out->q, width, height, err) : st;
    out->mm = mm;
    if (st != HC_OK) {
        relief_surface_release(out);
        return st;
    }
    for (int i = 0; i < w->n; i++) {
        for (int y = 0; y < height; y++) {
            float *z = hc_plane_row(&out->z, y), *p = hc_plane_row(&out->p, y);
            float *q = hc_plane_row(&out->q, y);
            double at = w->phase[i] + w->kx[i] * (0.5 - width * 0.5) * mm +
                        w->ky[i] * (height * 0.5 - (y + 0.5)) * mm;
            // Turn by the same angle per pixel.
            double c = cos(at), s = sin(at), tc = cos(w->kx[i] * mm), ts = sin(w->kx[i] * mm);
            for (int x = 0; x < width; x++) {
                z[x] += (float)(w->amp_mm[i] * c);
                p[x] -= (float)(w->amp_mm[i] * w->kx[i] * s);
                q[x] -= (float)(w->amp_mm[i] * w->ky[i] * s);
                double n = c * tc - s * ts;
                s = s * tc + c * ts;
                c = n;
            }
        }
    }
    return HC_OK;
}

void relief_surface_release(struct relief_surface *s)
{
    hc_plane_release(&s->z);
    hc_plane_release(&s->p);
    hc_plane_release(&s->q);
}

hc_status relief_albedo_create(struct hc_plane *out, int w, int h, uint64_t seed,
                               struct hc_err *err)
{
    struct relief_waves waves = relief_waves_make(20, 200, 0.2, seed);
    struct relief_surface s = {0};
    hc_status st = relief_surface_create(&s, &waves, w, h, 1, err);
    if (st != HC_OK) {
        return st;
    }
    for (int y = 0; y < h; y++) {
        for (int x = 0; x < w; x++) {
            float v = 0.5f + 0.25f * tanhf(0.5f * hc_plane_get(&s.z, x, y));
            hc_plane_row(&s.z, y)[x] = v;
        }
    }
    *out = s.z;
    s.z = (struct hc_plane){0};
    relief_surface_release(&s);
    return HC_OK;
}

// Does higher ground stand between this pixel and the lamp? Steps of half a pixel.
static bool is_shaded(const struct relief_surface *s, int x, int y, const double l[3], double top)
{
    double flat = hypot(l[0], l[1]), rise, z0 = (double)hc_plane_get(&s->z, x, y);
    if (flat < 1e-6) {
        return false;
    }
    rise = l[2] / flat * s->mm;
    for (double d = 1; z0 + d * rise < top; d += 0.5) {
        double xx = x + 0.5 + d * l[0] / flat, yy = y + 0.5 - d * l[1] / flat;
        if (xx < 0 || yy < 0 || xx >= s->z.w || yy >= s->z.h) {
            return false;
        }
        if ((double)hc_filter_bilinear(&s->z, xx, yy) > z0 + d * rise) {
            return true;
        }
    }
    return false;
}

static double highest(const struct hc_plane *z)
{
    double top = -1e30;
    for (int y = 0; y < z->h; y++) {
        for (int x = 0; x < z->w; x++) {
            top = fmax(top, (double)hc_plane_get(z, x, y));
        }
    }
    return top;
}

// Gaussian lobe in the slope of the half vector against the surface, GGX-like in strength.
static double highlight(double p, double q, const double l[3], double lobe)
{
    double hz = l[2] + 1, hx = l[0], hy = l[1];
    double n = sqrt(1 + p * p + q * q), hn = sqrt(hx * hx + hy * hy + hz * hz);
    double dot = (hz - p * hx - q * hy) / (n * hn), c2 = dot * dot;
    double tan2 = (1 - c2) / c2, a2 = lobe * lobe;
    double d = a2 / (c2 * c2 * (a2 + tan2) * (a2 + tan2)); // GGX without 1/pi
    return dot > 0 ? d : 0;
}

static double gauss_highlight(double p, double q, const double l[3], double lobe)
{
    double dx = -l[0] / (1 + l[2]) - p, dy = -l[1] / (1 + l[2]) - q;
    return exp(-(dx * dx + dy * dy) / (lobe * lobe)) / (lobe * lobe);
}

static double expose(double v, double exposure, double electrons, bool is_clipped, struct hc_rng *r)
{
    v *= exposure;
    if (electrons > 0) {
        v += sqrt(fmax(v, 0) / electrons + 1e-8) * hc_rng_normal(r);
    }
    return is_clipped && v > 1 ? 1 : fmax(v, 0);
}

hc_status relief_render(struct hc_plane *out, const struct relief_surface *s,
                        const struct hc_plane *albedo, const struct hc_relief_light *light,
                        const struct relief_look *look, uint64_t seed, struct hc_err *err)
{
    struct hc_rng r = hc_rng_make(seed);
    double top = highest(&s->z);
    hc_status st = hc_plane_create(out, s->z.w, s->z.h, err);
    for (int y = 0; st == HC_OK && y < out->h; y++) {
        for (int x = 0; x < out->w; x++) {
            double p = (double)hc_plane_get(&s->p, x, y), q = (double)hc_plane_get(&s->q, x, y);
            double l[3], gain, n = sqrt(1 + p * p + q * q);
            hc_relief_light_at(light, (x + 0.5 - out->w * 0.5) * s->mm,
                               (out->h * 0.5 - (y + 0.5)) * s->mm, l, &gain);
            double dot = (l[2] - p * l[0] - q * l[1]) / n;
            double a = albedo ? (double)hc_plane_get(albedo, x, y) : 0.5, v = a * look->ambient;
            if (dot > 0 && !(look->has_cast && is_shaded(s, x, y, l, top))) {
                v += gain * a * dot;
                if (look->gloss > 0) {
                    v += gain * look->gloss * highlight(p, q, l, look->lobe);
                }
            }
            hc_plane_row(out, y)[x] = (float)expose(v, look->exposure > 0 ? look->exposure : 1,
                                                    look->noise_electrons, look->is_clipped, &r);
        }
    }
    return st;
}

// ---- under a film ----

static double fresnel(double c, double n) // reflectance, unpolarised
{
    double ct = sqrt(1 - (1 - c * c) / (n * n));
    double s = (c - n * ct) / (c + n * ct), p = (n * c - ct) / (n * c + ct);
    return 0.5 * (s * s + p * p);
}

// Irradiance on the paint at a pixel from light that entered where the refracted ray comes from.
static double first_bounce(const struct relief_film_scene *s, int x, int y, const double l[3],
                           double top)
{
    double flat = fmax(1e-9, hypot(l[0], l[1])), n = s->index;
    double z = (double)hc_plane_get(&s->film.z, x, y) - (double)hc_plane_get(&s->paint.z, x, y);
    if (s->is_bare) {
        double a = (double)hc_plane_get(&s->paint.p, x, y),
               b = (double)hc_plane_get(&s->paint.q, x, y);
        return is_shaded(&s->paint, x, y, l, top)
                   ? 0
                   : fmax(0, (l[2] - a * l[0] - b * l[1]) / sqrt(1 + a * a + b * b));
    }
    double tt = flat / sqrt(n * n - flat * flat), shift = fmax(0, s->film_mm + z) * tt / s->film.mm;
    double fx = x + 0.5 + shift * l[0] / flat, fy = y + 0.5 - shift * l[1] / flat;
    int ix = (int)fmin(fmax(fx, 0), s->film.z.w - 1), iy = (int)fmin(fmax(fy, 0), s->film.z.h - 1);
    double b[2] = {(double)hc_filter_bilinear(&s->film.p, fx, fy),
                   (double)hc_filter_bilinear(&s->film.q, fx, fy)};
    double a[2] = {(double)hc_plane_get(&s->paint.p, x, y),
                   (double)hc_plane_get(&s->paint.q, x, y)};
    double mn = sqrt(1 + b[0] * b[0] + b[1] * b[1]), m[3] = {-b[0] / mn, -b[1] / mn, 1 / mn};
    double ci = m[0] * l[0] + m[1] * l[1] + m[2] * l[2], ct, d[3], pn, pl;
    if (ci <= 0 || is_shaded(&s->film, ix, iy, l, top)) {
        return 0;
    }
    ct = sqrt(1 - (1 - ci * ci) / (n * n));
    for (int i = 0; i < 3; i++) {
        d[i] = l[i] / n + (ct - ci / n) * m[i];
    }
    pn = sqrt(1 + a[0] * a[0] + a[1] * a[1]);
    pl = (d[2] - a[0] * d[0] - a[1] * d[1]) / pn;
    return (1 - fresnel(ci, n)) * ci / ct * fmax(0, pl);
}

hc_status relief_render_film(struct hc_plane *plain, struct hc_plane *crossed,
                             const struct relief_film_scene *s, const struct hc_relief_light *light,
                             double exposure, double noise_electrons, uint64_t seed,
                             struct hc_err *err)
{
    struct hc_rng r = hc_rng_make(seed);
    struct hc_plane e1 = {0}, total = {0}, blur = {0};
    int w = s->albedo.w, h = s->albedo.h;
    double top = highest(&s->film.z), ri = 0.5963; // internal diffuse reflectance, index 1.5
    double f0 = (s->index - 1) / (s->index + 1), tv = 1 - f0 * f0;
    hc_status st = hc_plane_create(&e1, w, h, err);
    st = st == HC_OK ? hc_plane_create(&total, w, h, err) : st;
    st = st == HC_OK ? hc_plane_create(&blur, w, h, err) : st;
    st = st == HC_OK ? hc_plane_create(plain, w, h, err) : st;
    st = st == HC_OK ? hc_plane_create(crossed, w, h, err) : st;
    for (int y = 0; st == HC_OK && y < h; y++) {
        for (int x = 0; x < w; x++) {
            hc_plane_row(&e1, y)[x] = (float)first_bounce(s, x, y, light->dir, top);
        }
    }
    if (st == HC_OK) {
        hc_plane_copy(&total, &e1);
    }
    for (int round = 0; st == HC_OK && !s->is_bare && round < 8; round++) {
        // E = E1 + rho r_i (G * E); patches of reflectance are wide against the film.
        st = hc_filter_gauss(&blur, &total, 1.2 * s->film_mm / s->film.mm, err);
        for (int i = 0; st == HC_OK && i < w * h; i++) {
            blur.px[i] *= s->albedo.px[i] * (float)ri;
            total.px[i] = e1.px[i] + blur.px[i];
        }
    }
    if (st == HC_OK && s->scatter_px > 0) {
        st = hc_filter_gauss(&total, &total, s->scatter_px, err);
    }
    for (int y = 0; st == HC_OK && y < h; y++) {
        for (int x = 0; x < w; x++) {
            double p = (double)hc_plane_get(&s->film.p, x, y), g = 0;
            double q = (double)hc_plane_get(&s->film.q, x, y);
            double d = (double)hc_plane_get(&s->albedo, x, y) * (double)hc_plane_get(&total, x, y);
            if (!s->is_bare) {
                d *= tv / (s->index * s->index);
                g = s->is_gauss ? gauss_highlight(p, q, light->dir, s->lobe)
                                : highlight(p, q, light->dir, s->lobe);
                g *= is_shaded(&s->film, x, y, light->dir, top) ? 0 : 0.25 * f0 * f0;
            }
            hc_plane_row(plain, y)[x] = (float)expose(d + g, exposure, noise_electrons, true, &r);
            hc_plane_row(crossed, y)[x] = (float)expose(d, exposure, noise_electrons, true, &r);
        }
    }
    hc_plane_release(&e1);
    hc_plane_release(&total);
    hc_plane_release(&blur);
    if (st != HC_OK) {
        hc_plane_release(plain);
        hc_plane_release(crossed);
    }
    return st;
}
