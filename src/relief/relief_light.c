// Lamps: direction, position, and whether a set of them can tell slopes (theory, section 2).
#include "relief/relief_priv.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

void hc_relief_sym3_add(struct hc_relief_sym3 *s, const double v[3], double w)
{
    s->m[0] += w * v[0] * v[0];
    s->m[1] += w * v[0] * v[1];
    s->m[2] += w * v[0] * v[2];
    s->m[3] += w * v[1] * v[1];
    s->m[4] += w * v[1] * v[2];
    s->m[5] += w * v[2] * v[2];
}

bool hc_relief_sym3_invert(struct hc_relief_sym3 *out, const struct hc_relief_sym3 *s)
{
    const double *m = s->m;
    double a = m[3] * m[5] - m[4] * m[4], b = m[2] * m[4] - m[1] * m[5];
    double c = m[1] * m[4] - m[2] * m[3], det = m[0] * a + m[1] * b + m[2] * c;
    double size = m[0] + m[3] + m[5];
    if (!(det > 1e-12 * size * size * size)) {
        return false;
    }
    *out = (struct hc_relief_sym3){{a / det, b / det, c / det, (m[0] * m[5] - m[2] * m[2]) / det,
                                    (m[1] * m[2] - m[0] * m[4]) / det,
                                    (m[0] * m[3] - m[1] * m[1]) / det}};
    return true;
}

void hc_relief_sym3_apply(double out[3], const struct hc_relief_sym3 *s, const double v[3])
{
    const double *m = s->m;
    double x = v[0], y = v[1], z = v[2];
    out[0] = m[0] * x + m[1] * y + m[2] * z;
    out[1] = m[1] * x + m[3] * y + m[4] * z;
    out[2] = m[2] * x + m[4] * y + m[5] * z;
}

// The roots of the characteristic cubic in trigonometric form.
void hc_relief_sym3_eigen(double low_to_high[3], const struct hc_relief_sym3 *s)
{
    const double *m = s->m;
    double mean = (m[0] + m[3] + m[5]) / 3, a = m[0] - mean, b = m[3] - mean, c = m[5] - mean;
    double off = m[1] * m[1] + m[2] * m[2] + m[4] * m[4];
    double spread = sqrt((a * a + b * b + c * c + 2 * off) / 6);
    if (!(spread > 0)) {
        low_to_high[0] = low_to_high[1] = low_to_high[2] = mean;
        return;
    }
    double det = a * (b * c - m[4] * m[4]) - m[1] * (m[1] * c - m[4] * m[2]) +
                 m[2] * (m[1] * m[4] - b * m[2]);
    double r = det / (2 * spread * spread * spread);
    double phi = acos(fmin(1, fmax(-1, r))) / 3;
    low_to_high[2] = mean + 2 * spread * cos(phi);
    low_to_high[0] = mean + 2 * spread * cos(phi + 2 * M_PI / 3);
    low_to_high[1] = 3 * mean - low_to_high[0] - low_to_high[2];
}

double hc_relief_angle_deg(const double a[3], const double b[3])
{
    double c[3] = {a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]};
    double dot = a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    return atan2(sqrt(c[0] * c[0] + c[1] * c[1] + c[2] * c[2]), dot) * 180 / M_PI;
}

bool hc_relief_normalise(double v[3])
{
    double n = sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]);
    if (!(n > 0)) {
        return false;
    }
    for (int i = 0; i < 3; i++) {
        v[i] /= n;
    }
    return true;
}

hc_status hc_relief_light_angles(struct hc_relief_light *out, double azimuth_deg,
                                 double elevation_deg, struct hc_err *err)
{
    double az = azimuth_deg * M_PI / 180, el = elevation_deg * M_PI / 180;
    if (!isfinite(azimuth_deg) || !(elevation_deg > 0 && elevation_deg <= 90)) {
        return hc_err_set(err, HC_ERANGE, "relief",
                          "a lamp at azimuth %g and elevation %g degrees: the elevation above the "
                          "picture plane must be over 0, up to 90",
                          azimuth_deg, elevation_deg);
    }
    *out = (struct hc_relief_light){.dir = {cos(el) * cos(az), cos(el) * sin(az), sin(el)},
                                    .residual_deg = -1,
                                    .sigma_deg = -1};
    return HC_OK;
}

hc_status hc_relief_light_position(struct hc_relief_light *out, double x_mm, double y_mm,
                                   double z_mm, struct hc_err *err)
{
    double d[3] = {x_mm, y_mm, z_mm}, far = sqrt(x_mm * x_mm + y_mm * y_mm + z_mm * z_mm);
    if (!(z_mm > 0) || !(far <= 1e5)) {
        return hc_err_set(err, HC_ERANGE, "relief",
                          "a lamp at x %g, y %g, z %g mm: it must stand before the picture (z over "
                          "0) and within 100 m",
                          x_mm, y_mm, z_mm);
    }
    hc_assert(hc_relief_normalise(d));
    *out = (struct hc_relief_light){.is_near = true,
                                    .dir = {d[0], d[1], d[2]},
                                    .pos_mm = {x_mm, y_mm, z_mm},
                                    .residual_deg = -1,
                                    .sigma_deg = -1};
    return HC_OK;
}

void hc_relief_light_to_angles(const struct hc_relief_light *l, double *azimuth_deg,
                               double *elevation_deg)
{
    double az = atan2(l->dir[1], l->dir[0]) * 180 / M_PI;
    *azimuth_deg = az < 0 ? az + 360 : az;
    *elevation_deg = atan2(l->dir[2], hypot(l->dir[0], l->dir[1])) * 180 / M_PI;
}

void hc_relief_light_at(const struct hc_relief_light *l, double x_mm, double y_mm, double dir[3],
                        double *gain)
{
    memcpy(dir, l->dir, sizeof l->dir);
    *gain = 1;
    if (l->is_near) {
        const double *p = l->pos_mm;
        double d[3] = {p[0] - x_mm, p[1] - y_mm, p[2]};
        *gain =
            (p[0] * p[0] + p[1] * p[1] + p[2] * p[2]) / (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]);
        hc_assert(hc_relief_normalise(d)); // z > 0
        memcpy(dir, d, sizeof d);
    }
}

static int by_value(double *v, int n) // insertion sort, at most 64 values
{
    for (int i = 1; i < n; i++) {
        double t = v[i];
        int j = i;
        for (; j > 0 && v[j - 1] > t; j--) {
            v[j] = v[j - 1];
        }
        v[j] = t;
    }
    return n;
}

static double widest_gap(double *az, int n)
{
    double gap = 0;
    if (by_value(az, n) < 2) {
        return 360;
    }
    for (int i = 0; i < n; i++) {
        double next = i + 1 < n ? az[i + 1] : az[0] + 360;
        gap = fmax(gap, next - az[i]);
    }
    return gap;
}

static void say_rig(struct hc_relief_rig *r, bool is_below)
{
    char *w = r->why;
    size_t room = sizeof r->why;
    r->is_usable = false;
    if (r->n < 3) {
        snprintf(w, room, "%d lamp%s: slopes need at least three, on different sides", r->n,
                 r->n == 1 ? "" : "s");
    } else if (r->n > HC_RELIEF_MAX_LIGHTS) {
        snprintf(w, room, "%d lamps: at most %d are taken", r->n, HC_RELIEF_MAX_LIGHTS);
    } else if (is_below) {
        snprintf(w, room, "a lamp lies at or below the picture plane; its angles cannot be right");
    } else if (!(r->condition <= 100)) {
        snprintf(
            w, room,
            "the lamps stand in one line, so slopes across it cannot be told (condition number "
            "over 100); add a lamp from another side");
    } else {
        r->is_usable = true;
        if (r->azimuth_gap_deg > 150) {
            snprintf(
                w, room,
                "no lamp within %.0f degrees on one side: shadows there stay unlit; more lamps "
                "all round would help",
                r->azimuth_gap_deg);
        } else if (r->condition > 10) {
            snprintf(w, room,
                     "the lamps differ little in direction (condition number %.0f): noise grows in "
                     "the slopes",
                     r->condition);
        } else if (r->n == 3) {
            snprintf(w, room,
                     "three lamps: nothing is left to tell highlights and shadows by; use "
                     "eight or more");
        } else {
            snprintf(w, room, "%d lamps, condition number %.1f", r->n, r->condition);
        }
    }
}

void hc_relief_rig_check(struct hc_relief_rig *out, const struct hc_relief_light *lights, size_t n)
{
    struct hc_relief_sym3 s = {0}, inv;
    double az[HC_RELIEF_MAX_LIGHTS], eig[3], lz = 0;
    size_t used = n < HC_RELIEF_MAX_LIGHTS ? n : HC_RELIEF_MAX_LIGHTS;
    bool is_below = false;
    *out = (struct hc_relief_rig){.n = (int)n, .elevation_min_deg = n ? 90 : 0};
    for (size_t i = 0; i < used; i++) {
        double el;
        hc_relief_light_to_angles(&lights[i], &az[i], &el);
        hc_relief_sym3_add(&s, lights[i].dir, 1);
        out->elevation_min_deg = fmin(out->elevation_min_deg, el);
        out->elevation_max_deg = fmax(out->elevation_max_deg, el);
        out->near_axis += 90 - el <= HC_RELIEF_NEAR_AXIS_DEG;
        is_below = is_below || !(lights[i].dir[2] > 0);
        lz += lights[i].dir[2] / (double)used;
    }
    out->azimuth_gap_deg = widest_gap(az, (int)used);
    hc_relief_sym3_eigen(eig, &s);
    out->condition = eig[0] > 1e-12 * eig[2] ? sqrt(eig[2] / eig[0]) : 1e6;
    if (hc_relief_sym3_invert(&inv, &s)) {
        out->slope_noise = sqrt((inv.m[0] + inv.m[3]) / 2) * lz;
    }
    say_rig(out, is_below);
}
