// Lamps from spheres that stand in the picture (theory, section 2).
#include "relief/relief_priv.h"

#include "base/mem.h"
#include "num/stats.h"

#include <math.h>
#include <string.h>

#define CENTROID_PX 0.5 // error of a highlight's centroid that sigma_deg assumes
#define MIN_VISIBLE 0.6 // share of the disc
#define MAX_SPOT 0.1    // a mirror's highlight is smaller than this share of the disc
#define FAR_SPACINGS 20.0

static bool in_disc(const struct hc_relief_sphere *s, int x, int y, double share)
{
    double dx = x + 0.5 - s->x, dy = y + 0.5 - s->y;
    return dx * dx + dy * dy <= share * share * s->r * s->r;
}

// Part of the view that holds the disc; false when they do not meet.
static bool disc_box(int box[4], const struct hc_plane *g, const struct hc_relief_sphere *s)
{
    double e[4] = {floor(s->x - s->r), floor(s->y - s->r), ceil(s->x + s->r), ceil(s->y + s->r)};
    box[0] = (int)fmax(e[0], 0);
    box[1] = (int)fmax(e[1], 0);
    box[2] = (int)fmin(e[2], g->w);
    box[3] = (int)fmin(e[3], g->h);
    return box[0] < box[2] && box[1] < box[3];
}

static hc_status open_disc(int box[4], double *visible, const struct hc_plane *grey,
                           const struct hc_relief_sphere *s, struct hc_err *err)
{
    size_t in = 0;
    *visible = 0;
    if (!(s->r >= 8 && s->r < 1e5) || !isfinite(s->x) || !isfinite(s->y)) {
        return hc_err_set(err, HC_ERANGE, "relief",
                          "a sphere of radius %g px at %g, %g; the radius must be at least 8 px",
                          s->r, s->x, s->y);
    }
    if (s->x > -1e6 && s->y > -1e6 && s->x < 1e7 && s->y < 1e7 && disc_box(box, grey, s)) {
        for (int y = box[1]; y < box[3]; y++) {
            for (int x = box[0]; x < box[2]; x++) {
                in += in_disc(s, x, y, 1);
            }
        }
        *visible = fmin(1, (double)in / (M_PI * s->r * s->r));
    }
    if (*visible < MIN_VISIBLE) {
        return hc_err_set(err, HC_EREFUSED, "relief",
                          "the sphere at %.0f, %.0f lies partly outside the view (%.0f %% of it is "
                          "seen, %.0f %% are needed)",
                          s->x, s->y, 100 * *visible, 100 * MIN_VISIBLE);
    }
    return HC_OK;
}

// ---- mirror spheres ----

struct spot {
    double weight, x, y;
    size_t px;
    bool is_at_border;
};

struct search {
    const struct hc_plane *grey;
    const struct hc_relief_sphere *sphere;
    int x0, y0, w, h;
    unsigned char *seen;
    int *stack;
    double level, base;
};

static bool is_spot(const struct search *s, int x, int y)
{
    return in_disc(s->sphere, x, y, 1) && (double)hc_plane_get(s->grey, x, y) >= s->level;
}

// Everything connected (by sides) to x, y above the level.
static struct spot flood(struct search *s, int x, int y)
{
    static const int step[4][2] = {{1, 0}, {-1, 0}, {0, 1}, {0, -1}};
    struct spot out = {0};
    int n = 0;
    s->seen[(y - s->y0) * s->w + x - s->x0] = 1;
    s->stack[n++] = (y - s->y0) * s->w + x - s->x0;
    while (n > 0) {
        int at = s->stack[--n], ax = at % s->w + s->x0, ay = at / s->w + s->y0;
        double v = (double)hc_plane_get(s->grey, ax, ay) - s->base;
        out.weight += v;
        out.x += v * (ax + 0.5);
        out.y += v * (ay + 0.5);
        out.px++;
        out.is_at_border =
            out.is_at_border || ax == 0 || ay == 0 || ax == s->grey->w - 1 || ay == s->grey->h - 1;
        for (int i = 0; i < 4; i++) {
            int bx = ax + step[i][0], by = ay + step[i][1];
            if (bx < s->x0 || by < s->y0 || bx >= s->x0 + s->w || by >= s->y0 + s->h) {
                continue;
            }
            int b = (by - s->y0) * s->w + bx - s->x0;
            if (!s->seen[b] && is_spot(s, bx, by)) {
                s->seen[b] = 1;
                s->stack[n++] = b;
            }
        }
    }
    out.x /= out.weight;
    out.y /= out.weight;
    return out;
}

// Level halfway between the disc's median and its brightest 3 x 3 mean; false when nothing stands
// out of the disc's own unrest.
static bool set_level(struct search *s, float *values)
{
    size_t n = 0;
    double peak = 0;
    for (int y = s->y0; y < s->y0 + s->h; y++) {
        for (int x = s->x0; x < s->x0 + s->w; x++) {
            if (!in_disc(s->sphere, x, y, 1)) {
                continue;
            }
            values[n++] = hc_plane_get(s->grey, x, y);
            if (x > 0 && y > 0 && x + 1 < s->grey->w && y + 1 < s->grey->h) {
                double m = 0;
                for (int k = 0; k < 9; k++) {
                    m += (double)hc_plane_get(s->grey, x - 1 + k % 3, y - 1 + k / 3) / 9;
                }
                peak = fmax(peak, m);
            }
        }
    }
    double mid = (double)hc_stats_quantile_f(values, n, 0.5);
    double high = (double)hc_stats_quantile_f(values, n, 0.9);
    s->base = s->level = mid + 0.5 * (peak - mid);
    s->base -= 1e-6;
    return peak - mid > 0.02 && peak - mid > 2.5 * (high - mid);
}

hc_status hc_relief_highlight_find(struct hc_relief_highlight *out, const struct hc_plane *grey,
                                   struct hc_relief_sphere sphere, struct hc_err *err)
{
    struct search s = {.grey = grey, .sphere = &sphere};
    struct spot best = {0}, second = {0};
    float *values = NULL;
    int box[4] = {0};
    size_t n;
    bool is_clear;
    double visible, area = M_PI * sphere.r * sphere.r;
    hc_status st = open_disc(box, &visible, grey, &sphere, err);
    if (st != HC_OK) {
        return st;
    }
    s.x0 = box[0];
    s.y0 = box[1];
    s.w = box[2] - box[0];
    s.h = box[3] - box[1];
    n = (size_t)s.w * (size_t)s.h;
    s.seen = hc_mem_array(n, 1);
    s.stack = hc_mem_array(n, sizeof *s.stack);
    values = hc_mem_array(n, sizeof *values);
    if (!s.seen || !s.stack || !values) {
        st =
            hc_err_set(err, HC_ENOMEM, "relief", "out of memory for a sphere of %.0f px", sphere.r);
        goto done;
    }
    is_clear = set_level(&s, values);
    for (int y = s.y0; is_clear && y < s.y0 + s.h; y++) {
        for (int x = s.x0; x < s.x0 + s.w; x++) {
            if (!s.seen[(y - s.y0) * s.w + x - s.x0] && is_spot(&s, x, y)) {
                struct spot f = flood(&s, x, y);
                if (f.weight > best.weight) {
                    second = best;
                    best = f;
                } else if (f.weight > second.weight) {
                    second = f;
                }
            }
        }
    }
    if (!is_clear || (double)best.px > MAX_SPOT * area) {
        st = hc_err_set(
            err, HC_EREFUSED, "relief",
            "no highlight stands out on the sphere at %.0f, %.0f; is it a mirror, and is "
            "the circle right? A matte sphere must be read by its shading",
            sphere.x, sphere.y);
    } else if (best.is_at_border) {
        st =
            hc_err_set(err, HC_EREFUSED, "relief",
                       "the highlight of the sphere at %.0f, %.0f is cut by the border of the view",
                       sphere.x, sphere.y);
    } else if (second.weight > 0.5 * best.weight) {
        st = hc_err_set(err, HC_EREFUSED, "relief",
                        "two highlights on the sphere at %.0f, %.0f (near %.0f, %.0f and %.0f, "
                        "%.0f); switch the second lamp off or cover the window",
                        sphere.x, sphere.y, best.x, best.y, second.x, second.y);
    } else {
        *out = (struct hc_relief_highlight){best.x, best.y, best.px, visible};
    }
done:
    hc_mem_free(values);
    hc_mem_free(s.stack);
    hc_mem_free(s.seen);
    return st;
}

struct ray {
    double from[3], dir[3]; // mm from the picture's centre
    double sigma_deg;
};

static hc_status reflect(struct ray *ray, const struct hc_relief_highlight *spot,
                         const struct hc_relief_sphere *s, double mm_per_px, double cx, double cy,
                         struct hc_err *err)
{
    double n[3] = {(spot->x - s->x) / s->r, -(spot->y - s->y) / s->r, 0};
    double out = n[0] * n[0] + n[1] * n[1];
    if (!(out < 1)) {
        return hc_err_set(err, HC_EREFUSED, "relief",
                          "the highlight at %.1f, %.1f lies outside its sphere at %.1f, %.1f; mark "
                          "the circle again",
                          spot->x, spot->y, s->x, s->y);
    }
    n[2] = sqrt(1 - out);
    for (int i = 0; i < 3; i++) {
        ray->dir[i] = 2 * n[2] * n[i] - (i == 2);
    }
    if (!(ray->dir[2] > 0)) {
        return hc_err_set(err, HC_EREFUSED, "relief",
                          "the highlight at %.1f, %.1f means a lamp below the picture plane; mark "
                          "the sphere's circle again",
                          spot->x, spot->y);
    }
    ray->from[0] = (s->x - cx + s->r * n[0]) * mm_per_px;
    ray->from[1] = (cy - s->y + s->r * n[1]) * mm_per_px;
    ray->from[2] = s->r * (1 + n[2]) * mm_per_px; // it stands on the picture plane
    ray->sigma_deg = 2 * CENTROID_PX / (s->r * n[2]) * 180 / M_PI;
    return HC_OK;
}

// Point nearest to all rays; false when they are parallel.
static bool meet(double at[3], const struct ray *ray, size_t n)
{
    struct hc_relief_sym3 a = {0}, inv;
    double b[3] = {0};
    for (size_t i = 0; i < n; i++) {
        const double *d = ray[i].dir, *f = ray[i].from;
        double along = d[0] * f[0] + d[1] * f[1] + d[2] * f[2];
        hc_relief_sym3_add(&a, d, -1);
        a.m[0] += 1;
        a.m[3] += 1;
        a.m[5] += 1;
        for (int k = 0; k < 3; k++) {
            b[k] += f[k] - along * d[k];
        }
    }
    if (!hc_relief_sym3_invert(&inv, &a)) {
        return false;
    }
    hc_relief_sym3_apply(at, &inv, b);
    return true;
}

static double rms_angle(const struct ray *ray, size_t n, const double *at, const double *dir)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        double d[3];
        for (int k = 0; k < 3; k++) {
            d[k] = at ? at[k] - ray[i].from[k] : dir[k];
        }
        if (!hc_relief_normalise(d)) {
            return 180;
        }
        double a = hc_relief_angle_deg(d, ray[i].dir);
        sum += a * a;
    }
    return sqrt(sum / (double)n);
}

// The residual of n rays has n - 1 (far) or n - 1.5 (near: three unknowns, two angles per ray)
// independent parts.
hc_status hc_relief_light_mirror(struct hc_relief_light *out,
                                 const struct hc_relief_highlight *spots,
                                 const struct hc_relief_sphere *spheres, size_t n, double mm_per_px,
                                 double centre_x, double centre_y, struct hc_err *err)
{
    struct ray ray[16];
    double mean[3] = {0}, at[3] = {0}, spacing = 0, var = 0;
    if (n < 1 || n > 16 || !(mm_per_px > 0)) {
        return hc_err_set(err, HC_EARG, "relief",
                          "%zu spheres at %g mm per px; give 1 to 16 spheres and the scale", n,
                          mm_per_px);
    }
    for (size_t i = 0; i < n; i++) {
        hc_status st = reflect(&ray[i], &spots[i], &spheres[i], mm_per_px, centre_x, centre_y, err);
        if (st != HC_OK) {
            return st;
        }
        for (int k = 0; k < 3; k++) {
            mean[k] += ray[i].dir[k];
        }
        for (size_t j = 0; j < i; j++) {
            spacing = fmax(spacing,
                           hypot(ray[i].from[0] - ray[j].from[0], ray[i].from[1] - ray[j].from[1]));
        }
        var += ray[i].sigma_deg * ray[i].sigma_deg;
    }
    hc_assert(hc_relief_normalise(mean)); // every z is positive
    *out = (struct hc_relief_light){
        .dir = {mean[0], mean[1], mean[2]}, .residual_deg = -1, .sigma_deg = sqrt(var) / (double)n};
    if (n < 2) {
        return HC_OK;
    }
    out->residual_deg = rms_angle(ray, n, NULL, mean) * sqrt((double)n / ((double)n - 1));
    double far = 0;
    bool is_met = meet(at, ray, n);
    for (int k = 0; k < 3; k++) {
        far = hypot(far, at[k]);
    }
    if (is_met && at[2] > 0 && far < FAR_SPACINGS * spacing) {
        double near = rms_angle(ray, n, at, NULL) * sqrt((double)n / ((double)n - 1.5));
        hc_status st = hc_relief_light_position(out, at[0], at[1], at[2], err);
        out->residual_deg = near;
        out->sigma_deg = sqrt(var) / (double)n;
        return st;
    }
    return HC_OK;
}

// ---- matte spheres ----

struct shade {
    const struct hc_plane *grey;
    const struct hc_relief_sphere *sphere;
    const int *box;
    double m[3]; // strength times direction
    double floor_level;
};

static bool sphere_normal(double n[3], const struct hc_relief_sphere *s, int x, int y)
{
    n[0] = (x + 0.5 - s->x) / s->r;
    n[1] = -(y + 0.5 - s->y) / s->r;
    n[2] = sqrt(fmax(0, 1 - n[0] * n[0] - n[1] * n[1]));
    return in_disc(s, x, y, 0.95); // the rim is unsure
}

// One round over the pixels whose shading by the present m lies in low..high of its strength (all
// when m is 0: those brighter than floor_level). Returns their number and the rms misfit.
static size_t shade_round(double m[3], double *misfit, const struct shade *s, double low,
                          double high)
{
    struct hc_relief_sym3 a = {0}, inv;
    double b[3] = {0}, sum = 0,
           size = sqrt(s->m[0] * s->m[0] + s->m[1] * s->m[1] + s->m[2] * s->m[2]);
    size_t n = 0;
    for (int y = s->box[1]; y < s->box[3]; y++) {
        for (int x = s->box[0]; x < s->box[2]; x++) {
            double v = (double)hc_plane_get(s->grey, x, y), nn[3];
            if (!sphere_normal(nn, s->sphere, x, y) || v > 0.98) {
                continue;
            }
            double want = nn[0] * s->m[0] + nn[1] * s->m[1] + nn[2] * s->m[2];
            if (size > 0 ? !(want > low * size && want <= high * size) : v < s->floor_level) {
                continue;
            }
            hc_relief_sym3_add(&a, nn, 1);
            for (int k = 0; k < 3; k++) {
                b[k] += v * nn[k];
            }
            sum += (v - want) * (v - want);
            n++;
        }
    }
    *misfit = n ? sqrt(sum / (double)n) : 0;
    if (n < 50 || !hc_relief_sym3_invert(&inv, &a)) {
        return 0;
    }
    hc_relief_sym3_apply(m, &inv, b);
    return n;
}

hc_status hc_relief_light_matte(struct hc_relief_light *out, double *strength,
                                const struct hc_plane *grey, struct hc_relief_sphere sphere,
                                struct hc_err *err)
{
    int box[4] = {0};
    struct shade s = {.grey = grey, .sphere = &sphere, .box = box};
    double visible, misfit = 0, peak = 0, m[3];
    size_t n = 0;
    hc_status st = open_disc(box, &visible, grey, &sphere, err);
    if (st != HC_OK) {
        return st;
    }
    for (int y = box[1]; y < box[3]; y++) {
        for (int x = box[0]; x < box[2]; x++) {
            if (in_disc(&sphere, x, y, 0.95) && (double)hc_plane_get(grey, x, y) <= 0.98) {
                peak = fmax(peak, (double)hc_plane_get(grey, x, y));
            }
        }
    }
    s.floor_level = 0.3 * peak;
    for (int i = 0; i < 8; i++) {
        n = shade_round(m, &misfit, &s, 0.15, 2);
        if (n < 200) {
            return hc_err_set(err, HC_EREFUSED, "relief",
                              "the matte sphere at %.0f, %.0f shows only %zu lit pixels; 200 are "
                              "needed",
                              sphere.x, sphere.y, n);
        }
        memcpy(s.m, m, sizeof m);
    }
    double size = sqrt(m[0] * m[0] + m[1] * m[1] + m[2] * m[2]), bright[3], dim[3], unused;
    if (misfit > 0.1 * size || !(m[2] > 0)) {
        return hc_err_set(err, HC_EREFUSED, "relief",
                          "the shading of the sphere at %.0f, %.0f does not follow one lamp on a "
                          "matte surface (misfit %.0f %%)",
                          sphere.x, sphere.y, size > 0 ? 100 * misfit / size : 100.0);
    }
    // Bright and dim halves fitted apart: what is not a cosine drives them asunder.
    bool is_told = shade_round(bright, &unused, &s, 0.6, 2) &&
                   shade_round(dim, &unused, &s, 0.15, 0.6) && hc_relief_normalise(bright) &&
                   hc_relief_normalise(dim);
    *out =
        (struct hc_relief_light){.dir = {m[0] / size, m[1] / size, m[2] / size},
                                 .residual_deg = is_told ? hc_relief_angle_deg(bright, dim) : -1,
                                 .sigma_deg = misfit / size * sqrt(3.0 / (double)n) * 180 / M_PI};
    if (strength) {
        *strength = size;
    }
    return HC_OK;
}
