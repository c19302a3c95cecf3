// What the painter saw: the motif from the easel in the light of one window, upper left.
#include "demo_priv.h"

#include <math.h>

#define FAR 14.0

struct hit {
    struct v3 p, n;
    int thing;
    double t;
};

static double trace(const struct motif *m, struct v3 from, struct v3 dir, double far, int steps,
                    int *thing)
{
    double t = 0.0;
    for (int i = 0; i < steps && t < far; i++) {
        double d = hc_demo_motif_dist(m, v3_fma(from, dir, t), thing);
        if (d < 0.0008 * (1.0 + 0.2 * t)) {
            return t;
        }
        t += d;
    }
    return steps > 60 && t < far ? t : far;
}

static struct v3 normal_at(const struct motif *m, struct v3 p)
{
    static const double k[4][3] = {{1, -1, -1}, {-1, -1, 1}, {-1, 1, -1}, {1, 1, 1}};
    struct v3 n = {0.0, 0.0, 0.0};
    for (int i = 0; i < 4; i++) {
        struct v3 e = v3_make(k[i][0], k[i][1], k[i][2]);
        n = v3_fma(n, e, hc_demo_motif_dist(m, v3_fma(p, e, 0.0025), NULL));
    }
    return v3_unit(n);
}

// Share of the window seen from p: the smallest angle that clears everything on the way.
static double window_seen(const struct motif *m, struct v3 p, struct v3 dir)
{
    double seen = 1.0, t = 0.02;
    for (int i = 0; i < 40 && t < 3.2; i++) {
        double d = hc_demo_motif_dist(m, v3_fma(p, dir, t), NULL);
        seen = fmin(seen, 0.5 + 5.5 * d / t);
        if (seen <= 0.0) {
            return 0.0;
        }
        t += fmax(d, 0.012);
    }
    return ramp(0.0, 1.0, seen);
}

static double openness(const struct motif *m, struct v3 p, struct v3 n)
{
    double shut = 0.0, weight = 0.55;
    for (int i = 0; i < 5; i++) {
        double step = 0.02 + 0.075 * i * (1.0 + 0.25 * i);
        double d = hc_demo_motif_dist(m, v3_fma(p, n, step), NULL);
        shut += weight * fmax(step - d, 0.0) / step;
        weight *= 0.72;
    }
    return clamp01(1.0 - 0.62 * shut);
}

// The window's light dies away to the corners: a pool over the middle of the table.
static double pool(struct v3 p)
{
    double x = p.x - 0.20, y = p.y - 0.50;
    return 0.20 + 0.80 * exp(-(x * x * 0.30 + y * y * 0.38));
}

static struct v3 wall_colour(const struct motif *m, struct v3 p)
{
    double patch = hc_demo_fbm(m->seed + 31, p.x * 1.3, p.y * 1.3, 4);
    double streak = hc_demo_fbm(m->seed + 32, p.x * 6.0, p.y * 2.0, 3);
    struct v3 c = v3_mix(v3_make(0.265, 0.200, 0.120), v3_make(0.20, 0.168, 0.112),
                         clamp01(0.5 + 0.9 * patch));
    return v3_mul(c, 1.0 + 0.16 * streak + 0.15 * patch);
}

static struct v3 quince_colour(const struct motif *m, int k, struct v3 p)
{
    struct v3 d = hc_demo_quince_local(k, p);
    double lon = atan2(d.z, d.x);
    double blush = hc_demo_fbm(m->seed + 41 + (uint64_t)k, d.x * 1.6 + 5.0 * k, d.z * 1.6 + d.y, 4);
    double green = ramp(-0.2, -1.0, d.y + 0.35 * blush);
    struct v3 c =
        v3_mix(v3_make(0.72, 0.355, 0.038), v3_make(0.80, 0.49, 0.085), 0.5 + 0.8 * blush);
    c = v3_mix(c, v3_make(0.46, 0.43, 0.085), clamp01(0.8 * green + (k == 2 ? 0.35 : 0.0)));
    double streak = hc_demo_noise(m->seed + 45, lon * 7.0, d.y * 1.5);
    c = v3_mul(c, 1.0 + 0.07 * streak);
    // Brown down in the hollows and freckles.
    double star = (1.0 - d.y) * (1.0 - 0.45 * cos(5.0 * lon));
    double fuzz = exp(-pow(star / 0.022, 2.0)) + 0.45 * exp(-(1.0 - d.y) / 0.06) +
                  0.6 * exp(-(1.0 + d.y) / 0.05);
    double spot = hc_demo_noise(m->seed + 46 + (uint64_t)k, d.x * 11.0 + d.y * 4.0, d.z * 11.0);
    c = v3_mix(c, v3_make(0.24, 0.135, 0.045), clamp01(0.8 * fuzz));
    return v3_mix(c, v3_make(0.33, 0.17, 0.04), 0.45 * ramp(0.70, 0.90, spot));
}

static struct v3 half_colour(const struct motif *m, struct v3 p)
{
    struct v3 q = hc_demo_half_local(p);
    double r = hypot(q.x, q.y * 0.95), phi = atan2(q.y, q.x);
    if (q.z < -0.012) {
        double g = hc_demo_noise(m->seed + 51, q.x * 9.0, q.y * 9.0);
        return v3_mul(v3_make(0.78, 0.50, 0.075), 1.0 + 0.1 * g);
    }
    double fleck = hc_demo_noise(m->seed + 52, q.x * 40.0, q.y * 40.0);
    struct v3 c = v3_mix(v3_make(0.86, 0.72, 0.38), v3_make(0.80, 0.60, 0.24),
                         ramp(0.20, 0.29, r) + 0.12 * fleck);
    c = v3_mul(c, 0.98 - 0.10 * ramp(-0.25, 0.3, q.x - 0.5 * q.y));
    double star = 0.115 + 0.022 * cos(5.0 * phi + 0.4);
    c = v3_mix(c, v3_make(0.66, 0.47, 0.17), 0.8 * exp(-pow((r - star) / 0.012, 2)));
    c = v3_mix(c, v3_make(0.58, 0.40, 0.15), 0.6 * ramp(0.10, 0.06, r));
    double seed = hypot((r - 0.072) / 0.024, sin(2.5 * (phi + 0.08)) * r * 0.4 / 0.013);
    c = v3_mix(c, v3_make(0.075, 0.03, 0.012), ramp(1.1, 0.75, seed));
    return v3_mix(c, v3_make(0.62, 0.36, 0.06), ramp(0.278, 0.292, r));
}

static struct v3 cloth_colour(const struct motif *m, struct v3 p, double *pattern)
{
    double a, b;
    hc_demo_cloth_ab(p, &a, &b);
    double hem = fmin(a, b), thread = hc_demo_noise(m->seed + 55, a * 90.0, b * 90.0);
    *pattern = hc_demo_cloth_pattern(a, b);
    struct v3 c = v3_mix(v3_make(0.47, 0.45, 0.405), v3_make(0.86, 0.82, 0.74), *pattern);
    double band = ramp(0.004, 0.0, fabs(hem - 0.118) - 0.030) +
                  ramp(0.004, 0.0, fabs(hem - 0.063) - 0.006) +
                  ramp(0.004, 0.0, fabs(hem - 0.173) - 0.006);
    double check = ramp(-0.2, 0.2, sin((a - b) * 70.0) + 0.2 * thread);
    if (fabs(hem - 0.118) < 0.012) {
        band *= 0.25 + 0.75 * check;
    }
    return v3_mix(c, v3_make(0.040, 0.085, 0.24), clamp01(band) * (0.90 + 0.1 * thread));
}

static struct v3 body_colour(const struct motif *m, const struct hit *h, double *pattern)
{
    struct v3 p = h->p;
    double side, vein, g;
    *pattern = 0.0;
    switch (h->thing) {
    case T_WALL:
        return wall_colour(m, p);
    case T_CURTAIN:
        g = hc_demo_fbm(m->seed + 61, p.x * 8.0, p.y * 3.0, 3);
        return v3_mul(v3_make(0.29, 0.027, 0.023), 1.0 + 0.25 * g);
    case T_TABLE:
        g = hc_demo_fbm(m->seed + 62, p.x * 2.5, p.y * 30.0 + p.z * 22.0, 4);
        return v3_mul(v3_make(0.17, 0.085, 0.038), 1.0 + 0.7 * g);
    case T_CLOTH:
        return cloth_colour(m, p, pattern);
    case T_JUG:
        return v3_make(0.085, 0.086, 0.078);
    case T_HALF:
        return half_colour(m, p);
    case T_LEAF:
        vein = hc_demo_leaf_vein(m, p, &side);
        g = hc_demo_noise(m->seed + 63, p.x * 14.0, p.y * 14.0 + p.z * 9.0);
        return v3_mul(v3_mix(v3_make(0.085, 0.135, 0.034), v3_make(0.28, 0.30, 0.10), 0.7 * vein),
                      1.0 + 0.25 * g + 0.15 * side);
    default:
        return quince_colour(m, h->thing - T_QUINCE_0, p);
    }
}

// Diffuse light on a surface: window, room, and what the lit cloth and fruit throw back.
static struct v3 light_on(const struct motif *m, struct v3 p, struct v3 n, double *direct)
{
    double facing = v3_dot(n, hc_demo_to_light), seen = 0.0;
    struct v3 off = v3_fma(p, n, 0.006);
    if (facing > -0.15) {
        seen = window_seen(m, off, hc_demo_to_light);
    }
    double open = openness(m, p, n), soft = clamp01((facing + 0.12) / 1.12);
    double win = 2.35 * pool(p) * soft * seen;
    *direct = clamp01(win / 2.0);
    struct v3 sum = v3_mul(v3_make(1.0, 0.955, 0.865), win);
    double sky = 0.5 + 0.5 * (0.55 * n.y - 0.55 * n.x + 0.62 * n.z);
    sum = v3_fma(sum, v3_make(0.110, 0.108, 0.105), open * sky);
    double below = clamp01(0.45 - 0.55 * n.y + 0.15 * n.x) * exp(-fmax(p.y, 0.0) * 1.9);
    return v3_fma(sum, v3_make(0.25, 0.185, 0.095), open * below * ramp(-1.4, -0.3, p.z));
}

// What a mirror direction sees: the window with its cross bar, else the room, else the motif.
static struct v3 seen_in_mirror(const struct motif *m, struct v3 p, struct v3 r)
{
    int thing = T_WALL;
    double t = trace(m, p, r, 4.0, 26, &thing), direct, pattern;
    if (t < 4.0) {
        struct hit h = {.p = v3_fma(p, r, t), .thing = thing};
        h.n = normal_at(m, h.p);
        if (thing == T_JUG) {
            return v3_make(0.05, 0.05, 0.05);
        }
        struct v3 c = body_colour(m, &h, &pattern), e = light_on(m, h.p, h.n, &direct);
        return v3_make(c.x * e.x, c.y * e.y, c.z * e.z);
    }
    double hx = r.x / (fabs(r.z) + 0.35), hy = r.y / (fabs(r.z) + 0.35);
    double win = ramp(0.16, 0.0, fabs(hx + 0.70) - 0.24) * ramp(0.16, 0.0, fabs(hy - 0.62) - 0.34);
    win *= r.z > -0.1 ? 1.0 : 0.15;
    win *= 1.0 - 0.75 * fmax(ramp(0.06, 0.02, fabs(hx + 0.70)), ramp(0.06, 0.02, fabs(hy - 0.70)));
    struct v3 room = v3_mul(v3_make(0.050, 0.048, 0.040), fmax(1.0 + 0.8 * r.y - 0.9 * r.x, 0.1));
    return v3_fma(room, v3_make(1.0, 0.97, 0.90), 8.0 * win);
}

static struct v3 pewter(const struct motif *m, const struct hit *h, struct v3 view)
{
    struct v3 r = v3_fma(view, h->n, -2.0 * v3_dot(view, h->n)), sum = {0.0, 0.0, 0.0};
    for (int i = 0; i < 6; i++) {
        double a = 1.05 * i, k = 0.025 + 0.025 * (i % 3);
        struct v3 j = v3_make(cos(a) * k, sin(a) * k, sin(a * 2.0 + 1.0) * k);
        sum = v3_add(sum, seen_in_mirror(m, v3_fma(h->p, h->n, 0.01), v3_unit(v3_add(r, j))));
    }
    double edge = pow(1.0 + v3_dot(view, h->n), 4.0);
    return v3_mul(sum, (0.50 + 0.30 * clamp01(edge)) / 6.0);
}

static struct v3 shade(const struct motif *m, const struct hit *h, struct v3 view, double *pattern,
                       double *direct)
{
    struct v3 c = body_colour(m, h, pattern), n = h->n;
    if (h->thing == T_CLOTH) { // the woven figure stands up a little
        n = v3_unit(v3_fma(n, hc_demo_to_light, 0.12 * (*pattern - 0.4)));
    }
    struct v3 e = light_on(m, h->p, n, direct);
    struct v3 out = v3_make(c.x * e.x, c.y * e.y, c.z * e.z);
    struct v3 half = v3_unit(v3_sub(hc_demo_to_light, view));
    double spec = fmax(v3_dot(n, half), 0.0), rim = pow(clamp01(1.0 + v3_dot(view, n)), 3.0);
    if (h->thing == T_CURTAIN) { // velvet is never quite black in its hollows
        out = v3_fma(out, c, 0.055);
    }
    if (h->thing == T_JUG) {
        return v3_add(out, pewter(m, h, view));
    }
    if (h->thing >= T_QUINCE_0 && h->thing <= T_HALF) {
        double k = 0.20 * pow(spec, 26.0) + 0.55 * pow(spec, 160.0);
        out = v3_fma(out, v3_make(1.0, 0.96, 0.85), k * *direct * 1.2);
        out = v3_fma(out, v3_make(0.10, 0.085, 0.05), rim * (0.25 + *direct)); // down
    } else if (h->thing == T_LEAF) {
        out = v3_fma(out, v3_make(0.85, 0.95, 0.90), 0.16 * pow(spec, 14.0) * *direct);
    } else if (h->thing == T_CURTAIN) {
        out = v3_fma(out, v3_make(0.30, 0.045, 0.035), rim * (0.06 + 0.8 * *direct)); // pile
    } else if (h->thing == T_TABLE) {
        out = v3_fma(out, v3_make(0.9, 0.85, 0.75), 0.06 * pow(spec, 12.0) * *direct);
    }
    return out;
}

// The direction in which a brush would follow the form, as an angle in the picture (y down).
static double brush_angle(const struct motif *m, const struct hit *h)
{
    double nx = v3_dot(h->n, m->right), ny = -v3_dot(h->n, m->up); // picture axes, y down
    struct v3 p = h->p;
    switch (h->thing) {
    case T_WALL:
        return 0.9 + 1.6 * hc_demo_fbm(m->seed + 71, p.x * 1.1, p.y * 1.1, 2);
    case T_CURTAIN:
        return atan2(1.0, hc_demo_curtain_lean(p));
    case T_TABLE:
        return 0.03 * sin(9.0 * p.x);
    case T_CLOTH:
        return p.y < -0.03 ? M_PI / 2 + 0.35 * nx : 0.12 + 0.6 * nx;
    case T_HALF:
        p = hc_demo_half_local(p);
        return p.z > -0.012 ? atan2(p.x, p.y) : atan2(nx, -ny);
    case T_JUG:
        return p.x > 0.05 ? atan2(nx, -ny) : M_PI / 2 + 0.4 * nx;
    default:
        return atan2(nx, -ny) + 0.25 * hc_demo_noise(m->seed + 72, p.x * 5.0, p.y * 5.0);
    }
}

static float tone(double v)
{
    // A painter's range: lights roll off well below the white of the lead paint.
    return (float)(0.90 * (1.0 - exp(-1.12 * v)));
}

void hc_demo_look(const struct motif *m, struct model *out, int x, int y)
{
    double px = (x + 0.5) / out->w * 3.0 - 1.5, py = 1.8 - (y + 0.5) / out->h * 3.6;
    struct v3 dir = v3_mul(m->fwd, m->eye_dist);
    dir = v3_unit(v3_fma(v3_fma(dir, m->right, px), m->up, py));
    struct hit h = {.thing = T_WALL};
    h.t = trace(m, m->eye, dir, FAR, 180, &h.thing);
    h.p = v3_fma(m->eye, dir, h.t);
    h.n = normal_at(m, h.p);
    double pattern, direct;
    struct v3 c = shade(m, &h, dir, &pattern, &direct);
    size_t i = (size_t)y * (size_t)out->w + (size_t)x;
    double vig = 1.0 - 0.10 * (px * px / 2.25 + py * py / 3.24);
    out->rgb[0][i] = tone(c.x * vig);
    out->rgb[1][i] = tone(c.y * vig);
    out->rgb[2][i] = tone(c.z * vig);
    out->form[i] = (float)brush_angle(m, &h);
    out->pattern[i] = (float)pattern;
    out->light[i] = (float)direct;
    out->thing[i] = (uint8_t)h.thing;
}
