// The motif: signed distances of the things on the table, for sphere tracing (Hart, "Sphere
// tracing", The Visual Computer 12(10), 1996). Distances are bounds, not exact.
#include "demo_priv.h"

#include <math.h>
#include <stddef.h>

#define TABLE_EDGE 0.95
#define JUG_TOP 1.98
#define WALL_Z (-0.98)

const struct v3 hc_demo_to_light = {-0.7397, 0.4998, 0.4506};

static const struct v3 jug_at = {-0.47, 0.03, -0.22};

static const struct quince {
    struct v3 at;
    double r;
    struct v3 axis; // towards the blossom end
    double twist;
} quinces[4] = {
    {{0.93, 0.36, -0.28}, 0.36, {0.35, 0.80, 0.25}, 0.7},
    {{0.36, 0.385, 0.14}, 0.385, {-0.42, 0.62, 0.60}, 0.2},
    {{-1.08, 0.325, 0.26}, 0.325, {0.55, 0.35, 0.70}, 1.9},
    {{0.93, 0.315, 0.44}, 0.315, {0.62, -0.10, 0.75}, 1.2},
};

static const struct v3 half_at = {-0.36, 0.275, 0.58};
#define HALF_R 0.30

static const struct leaf {
    struct v3 at, along, up;
    double len, width, bend;
} leaves[HC_DEMO_LEAF_N] = {
    {{0.55, 0.70, 0.02}, {0.75, 0.52, 0.35}, {-0.4, 0.75, 0.5}, 0.52, 0.155, 0.55},
    {{0.50, 0.71, 0.05}, {-0.62, 0.62, 0.40}, {0.25, 0.55, 0.75}, 0.46, 0.14, 0.60},
    {{0.57, 0.66, 0.20}, {0.55, -0.32, 0.72}, {0.25, 0.9, 0.25}, 0.44, 0.14, 0.8},
    {{-0.62, 0.06, 0.66}, {-0.85, 0.10, 0.35}, {0.1, 0.95, 0.25}, 0.48, 0.145, -0.5},
};

static double smooth_min(double a, double b, double k)
{
    double h = fmax(k - fabs(a - b), 0.0) / k;
    return fmin(a, b) - h * h * k * 0.25;
}

static double capsule(struct v3 p, struct v3 a, struct v3 b, double r)
{
    struct v3 pa = v3_sub(p, a), ba = v3_sub(b, a);
    double t = clamp01(v3_dot(pa, ba) / v3_dot(ba, ba));
    return v3_len(v3_fma(pa, ba, -t)) - r;
}

// Catmull-Rom through n unevenly spaced knots, at x.
static double spline(double (*k)[2], int n, double x)
{
    int i = 0;
    while (i < n - 2 && x > k[i + 1][0]) {
        i++;
    }
    double h = k[i + 1][0] - k[i][0], t = clamp01((x - k[i][0]) / h);
    double m0 =
        i > 0 ? (k[i + 1][1] - k[i - 1][1]) / (k[i + 1][0] - k[i - 1][0]) : (k[1][1] - k[0][1]) / h;
    double m1 = i < n - 2 ? (k[i + 2][1] - k[i][1]) / (k[i + 2][0] - k[i][0])
                          : (k[n - 1][1] - k[n - 2][1]) / h;
    double t2 = t * t, t3 = t2 * t;
    return (2 * t3 - 3 * t2 + 1) * k[i][1] + (t3 - 2 * t2 + t) * h * m0 +
           (3 * t2 - 2 * t3) * k[i + 1][1] + (t3 - t2) * h * m1;
}

static void make_jug(struct motif *m)
{
    double profile[25][2] = {
        {0.00, 0.345}, {0.035, 0.35}, {0.07, 0.315}, {0.12, 0.275}, {0.16, 0.285},
        {0.25, 0.37},  {0.40, 0.46},  {0.56, 0.49},  {0.72, 0.465}, {0.90, 0.375},
        {1.04, 0.295}, {1.18, 0.258}, {1.34, 0.258}, {1.48, 0.282}, {1.56, 0.302},
        {1.60, 0.305}, {1.63, 0.285}, {1.69, 0.235}, {1.745, 0.14}, {1.785, 0.06},
        {1.82, 0.05},  {1.865, 0.08}, {1.91, 0.082}, {1.95, 0.05},  {1.98, 0.0}};
    static const double curve[][3] = {{0.0, 0.25, 1.47},  {0.12, 0.42, 1.56}, {0.30, 0.62, 1.52},
                                      {0.50, 0.74, 1.28}, {0.70, 0.74, 1.00}, {0.85, 0.64, 0.80},
                                      {1.0, 0.44, 0.66}};
    double kx[7][2], ky[7][2], turn = -0.12;
    for (int i = 0; i < HC_DEMO_JUG_N; i++) {
        double y = JUG_TOP * i / (HC_DEMO_JUG_N - 1);
        m->jug_r[i] = fmax(spline(profile, 25, y), 0.0);
        m->jug_r[i] += 0.012 * exp(-pow((y - 0.93) / 0.016, 2)) +
                       0.010 * exp(-pow((y - 0.975) / 0.010, 2)) +
                       0.010 * exp(-pow((y - 1.30) / 0.012, 2));
    }
    for (int i = 0; i < 7; i++) {
        kx[i][0] = ky[i][0] = curve[i][0];
        kx[i][1] = curve[i][1];
        ky[i][1] = curve[i][2];
    }
    for (int i = 0; i < HC_DEMO_HANDLE_N; i++) {
        double t = (double)i / (HC_DEMO_HANDLE_N - 1), rho = spline(kx, 7, t);
        m->handle[i] = v3_make(rho * cos(turn), spline(ky, 7, t), rho * -sin(turn));
    }
}

static void make_leaves(struct motif *m)
{
    for (int i = 0; i < HC_DEMO_LEAF_N; i++) {
        struct leaf_frame *f = &m->leaf[i];
        f->ea = v3_unit(leaves[i].along);
        f->ec = v3_unit(v3_cross(f->ea, v3_unit(leaves[i].up)));
        f->en = v3_cross(f->ec, f->ea);
        f->mid = v3_fma(leaves[i].at, f->ea, 0.5 * leaves[i].len);
        f->len = leaves[i].len;
        f->width = leaves[i].width;
        f->bend = leaves[i].bend;
    }
}

void hc_demo_motif_init(struct motif *m, uint64_t seed)
{
    *m = (struct motif){.seed = seed};
    make_jug(m);
    make_leaves(m);
    m->eye = v3_make(0.0, 2.45, 7.2);
    struct v3 look = v3_sub(v3_make(0.0, 0.80, 0.0), m->eye);
    m->eye_dist = v3_len(look);
    m->fwd = v3_unit(look);
    m->right = v3_make(1.0, 0.0, 0.0);
    m->up = v3_cross(m->right, m->fwd);
}

static double jug_dist(const struct motif *m, struct v3 p)
{
    p = v3_sub(p, jug_at);
    double ball = v3_len(v3_sub(p, v3_make(0.12, 0.95, 0.0))) - 1.12;
    if (ball > 0.25) {
        return ball;
    }
    double rho = sqrt(p.x * p.x + p.z * p.z), y = fmin(fmax(p.y, 0.0), JUG_TOP);
    double f = y / JUG_TOP * (HC_DEMO_JUG_N - 1);
    int i = (int)f;
    i = i > HC_DEMO_JUG_N - 2 ? HC_DEMO_JUG_N - 2 : i;
    double r = m->jug_r[i] + (f - i) * (m->jug_r[i + 1] - m->jug_r[i]);
    double slope = (m->jug_r[i + 1] - m->jug_r[i]) * (HC_DEMO_JUG_N - 1) / JUG_TOP;
    if (p.y > 1.30 && p.y < 1.70 && p.x < 0.0) { // the beak
        double side = p.z / (fabs(p.x) + 1e-6);
        r += 0.10 * ramp(1.32, 1.56, p.y) * ramp(1.70, 1.61, p.y) * exp(-side * side * 9.0);
    }
    double d = (rho - r) / sqrt(1.0 + fmin(slope * slope, 9.0));
    double cap = fmax(-p.y, p.y - JUG_TOP);
    d = fmax(d, cap);
    if (p.x > 0.1 && p.x < 1.1) {
        double handle = 1e9;
        for (int k = 0; k + 1 < HC_DEMO_HANDLE_N; k++) {
            double thick = 0.046 - 0.012 * k / HC_DEMO_HANDLE_N;
            handle = fmin(handle, capsule(p, m->handle[k], m->handle[k + 1], thick));
        }
        d = smooth_min(d, handle, 0.05);
    }
    return d;
}

// A frame for a quince: local axes with y along the blossom axis.
static void quince_axes(struct v3 axis, struct v3 *ex, struct v3 *ey, struct v3 *ez)
{
    *ey = v3_unit(axis);
    *ex = v3_unit(v3_cross(fabs(ey->y) < 0.9 ? v3_make(0, 1, 0) : v3_make(1, 0, 0), *ey));
    *ez = v3_cross(*ex, *ey);
}

struct v3 hc_demo_quince_local(int k, struct v3 p)
{
    struct v3 ex, ey, ez, q = v3_sub(p, quinces[k].at);
    quince_axes(quinces[k].axis, &ex, &ey, &ez);
    return v3_unit(v3_make(v3_dot(q, ex), v3_dot(q, ey), v3_dot(q, ez)));
}

// Relative radius in a unit direction: ribs round the blossom, a neck at the stalk, two dimples.
static double quince_shape(struct v3 d, double twist)
{
    double s = sqrt(d.x * d.x + d.z * d.z) + 1e-9, c = d.x / s, n = d.z / s;
    double c2 = c * c - n * n, n2 = 2 * c * n, c4 = c2 * c2 - n2 * n2, n4 = 2 * c2 * n2;
    double c5 = c4 * c - n4 * n, n5 = n4 * c + c4 * n; // cos, sin of five times the longitude
    double ribs = cos(twist) * c5 + sin(twist) * n5;
    double north = clamp01(0.5 + 0.7 * d.y);
    double r = 1.0 + 0.045 * ribs * s * s * north - 0.05 * d.y * d.y;
    r += 0.16 * exp(-(1.0 + d.y) / 0.16) - 0.16 * exp(-(1.0 + d.y) / 0.012);
    r += 0.05 * exp(-(1.0 - d.y) / 0.15) - 0.13 * exp(-(1.0 - d.y) / 0.030);
    r += 0.030 * sin(2.3 * d.x + 3.1 * twist) * cos(2.9 * d.z + twist) +
         0.018 * sin(5.1 * d.x - 4.2 * d.y + twist * 5.0) * cos(4.4 * d.z - 2.0 * twist);
    return r;
}

static double quince_dist(int k, struct v3 p)
{
    const struct quince *q = &quinces[k];
    double far = v3_len(v3_sub(p, q->at));
    if (far > q->r * 1.7) {
        return far - q->r * 1.35;
    }
    return 0.75 * (far - q->r * quince_shape(hc_demo_quince_local(k, p), q->twist));
}

struct v3 hc_demo_half_local(struct v3 p)
{
    static const struct v3 normal = {-0.30, 0.28, 0.91};
    struct v3 q = v3_sub(p, half_at), ez = v3_unit(normal);
    struct v3 ex = v3_unit(v3_cross(v3_make(0.25, 0.97, 0.0), ez)), ey = v3_cross(ez, ex);
    return v3_make(v3_dot(q, ex), v3_dot(q, ey), v3_dot(q, ez));
}

static double half_dist(struct v3 p)
{
    struct v3 q = hc_demo_half_local(p);
    double far = v3_len(q);
    if (far > HALF_R * 1.6) {
        return far - HALF_R * 1.2;
    }
    struct v3 d = v3_unit(v3_make(q.x, q.y, q.z));
    double r = HALF_R * (1.0 + 0.035 * cos(5.0 * atan2(d.y, d.x)) + 0.05 * d.y);
    double core = 0.020 * exp(-(q.x * q.x + q.y * q.y) / 0.004);
    return 0.8 * fmax(far - r, q.z - 0.015 + core);
}

// The leaf as a bent sheet: w = height over the chord plane.
static double leaf_dist(const struct leaf_frame *l, struct v3 p, double *along, double *across)
{
    struct v3 from_mid = v3_sub(p, l->mid);
    double far = v3_len(from_mid);
    if (far > l->len * 0.9) {
        return far - l->len * 0.62;
    }
    double a = v3_dot(from_mid, l->ea) / l->len + 0.5, c = v3_dot(from_mid, l->ec);
    double n = v3_dot(from_mid, l->en);
    double t = clamp01(a), half = l->width * pow(sin(M_PI * pow(t, 0.85)), 0.8) + 0.002;
    double sheet = l->len * l->bend * 0.32 * (0.25 - (t - 0.5) * (t - 0.5)) * 2.0;
    sheet += 0.35 * fabs(c) + 0.018 * sin(a * 19.0 + 4.0 * c / l->width) * fabs(c) / l->width;
    if (along) {
        *along = a;
        *across = c / l->width;
    }
    double out = fmax(fmax(-a, a - 1.0) * l->len, fabs(c) - half);
    return 0.6 * fmax(fabs(n - sheet) - 0.006, out);
}

double hc_demo_leaf_vein(const struct motif *m, struct v3 p, double *side)
{
    double best = 1e9, vein = 0.0;
    *side = 0.0;
    for (int i = 0; i < HC_DEMO_LEAF_N; i++) {
        double a, c, d = leaf_dist(&m->leaf[i], p, &a, &c);
        if (d < best && d < 0.05) {
            double rib = fmod(a * 7.0 - fabs(c) * 1.3 + 10.0, 1.0);
            best = d;
            vein = fmax(exp(-c * c / 0.004), 0.6 * exp(-pow((rib - 0.5) / 0.10, 2)));
            *side = c;
        }
    }
    return vein;
}

void hc_demo_cloth_ab(struct v3 p, double *a, double *b)
{
    double s = fmin(p.z, TABLE_EDGE) + fmax(-p.y, 0.0);
    double x = p.x - 0.16, t = 1.58 - s;
    // The corner hangs over the edge; its two hems run at 46 and 54 degrees from the vertical.
    *a = 0.695 * t + 0.719 * x;
    *b = 0.809 * t * 0.90 - 0.588 * x * 1.05;
}

double hc_demo_cloth_pattern(double a, double b)
{
    if (fmin(a, b) < 0.21) {
        return 0.0;
    }
    double u = (a - b) / 0.30, v = (a + b) / 0.36;
    double row = floor(v);
    u += 0.5 * row;
    u -= floor(u) + 0.5;
    v -= row + 0.5;
    double r = hypot(u, v * 1.1), phi = atan2(v, u);
    double flower = ramp(0.03, -0.01, r - 0.235 - 0.055 * cos(8.0 * phi));
    flower *= 1.0 - ramp(0.03, 0.0, fabs(r - 0.15 - 0.02 * cos(8.0 * phi)));
    double bud = ramp(0.035, 0.0, r - 0.055);
    double ogee = fabs(fabs(u) - 0.40 - 0.10 * cos(2.0 * M_PI * v));
    double stem = ramp(0.035, 0.012, ogee);
    double leaf = ramp(0.03, 0.0, hypot((fabs(u) - 0.36) * 2.2, (fabs(v) - 0.30)) - 0.12);
    return fmax(fmax(flower, bud), fmax(stem, leaf));
}

// How far the cloth stands off the table: pipe folds below the edge, soft creases above.
static double cloth_lift(const struct motif *m, struct v3 p, double s)
{
    double drop = clamp01((s - TABLE_EDGE + 0.05) / 0.62), x = p.x;
    double warp = x + 0.05 * sin(3.0 * x + 2.0 * s) + 0.10 * drop * (x - 0.16);
    double pipe = 0.55 * sin(12.5 * warp + 0.6) + 0.30 * sin(21.0 * warp + 2.0) +
                  0.25 * sin(5.2 * warp + 1.0);
    double lift = 0.02 + 0.17 * drop * (0.75 + pipe);
    double crease = hc_demo_noise(m->seed + 11, x * 2.2 + 0.6 * p.z, p.z * 3.0 - 0.9 * x);
    double ridge = 1.0 - fabs(hc_demo_noise(m->seed + 12, x * 1.7 - p.z * 1.2, p.z * 1.8 + x));
    lift += (1.0 - drop) * (0.018 * crease + 0.050 * ridge * ridge * ridge * ridge);
    return lift;
}

static double table_dist(struct v3 p, double *corner)
{
    double qz = p.z - TABLE_EDGE + 0.03, qy = p.y + 0.03;
    double cz = fmax(qz, 0.0), cy = fmax(qy, 0.0);
    double out = sqrt(cz * cz + cy * cy) + fmin(fmax(qz, qy), 0.0) - 0.03;
    *corner = out;
    double slab = fmax(out, -0.20 - p.y);
    double gz = p.z - TABLE_EDGE, gy = p.y + 0.135;
    double groove = sqrt(gz * gz + gy * gy) - 0.018; // a moulding line
    slab = fmax(slab, -groove);
    double apron = p.z - TABLE_EDGE + 0.10;
    return fmin(slab, fmax(apron, p.y + 0.18));
}

static double cloth_dist(const struct motif *m, struct v3 p, double corner)
{
    if (corner > 0.35) {
        return corner - 0.22;
    }
    double a, b, s = fmin(p.z, TABLE_EDGE) + fmax(-p.y, 0.0);
    hc_demo_cloth_ab(p, &a, &b);
    double hem = -fmin(a, b);
    if (hem > 0.25) {
        return fmin(hem * 0.7, 0.3);
    }
    double d = corner - cloth_lift(m, p, s);
    return 0.6 * fmax(fmax(d, -0.012 - 0.06 - d), hem);
}

double hc_demo_curtain_lean(struct v3 p)
{
    double drop = 2.75 - p.y, edge = -0.42 - 0.30 * drop - 0.10 * drop * drop;
    return -0.30 - 0.20 * drop - 0.10 * (edge - p.x) / (0.55 + 0.10 * drop);
}

static double curtain_dist(const struct motif *m, struct v3 p)
{
    double drop = 2.75 - p.y;
    double edge = -0.42 - 0.30 * drop - 0.10 * drop * drop + 0.035 * sin(5.0 * p.y);
    double t = (edge - p.x) / (0.55 + 0.10 * drop); // 0 at the hem, folds counted from it
    double bottom = 0.55 - p.y;
    double side = fmax(p.x - edge, bottom);
    if (side > 0.5) {
        return side * 0.7;
    }
    double f = 0.5 + 0.5 * sin(9.0 * t + 0.9 * sin(2.1 * p.y + 3.0 * t));
    double slack = 0.7 + 0.5 * hc_demo_noise(m->seed + 22, t * 2.0, p.y * 0.9);
    double fold = 0.10 * f * slack + 0.030 * sin(17.0 * t + 1.9 * p.y) * (1.3 - slack) +
                  0.02 * hc_demo_noise(m->seed + 21, t * 4.0, p.y * 2.0);
    double d = p.z - (-0.86 + fold + 0.10 * clamp01(t));
    return 0.45 * fmax(fmax(d, -0.05 - d - 0.2), side);
}

static void nearest(double *best, int *which, double d, int thing)
{
    if (d < *best) {
        *best = d;
        *which = thing;
    }
}

double hc_demo_motif_dist(const struct motif *m, struct v3 p, int *thing)
{
    double corner, best = p.z - WALL_Z;
    int which = T_WALL;
    nearest(&best, &which, table_dist(p, &corner), T_TABLE);
    nearest(&best, &which, cloth_dist(m, p, corner), T_CLOTH);
    nearest(&best, &which, p.z < -0.2 ? curtain_dist(m, p) : p.z + 0.55, T_CURTAIN);
    nearest(&best, &which, jug_dist(m, p), T_JUG);
    for (int k = 0; k < 4; k++) {
        nearest(&best, &which, quince_dist(k, p), T_QUINCE_0 + k);
    }
    nearest(&best, &which, half_dist(p), T_HALF);
    for (int i = 0; i < HC_DEMO_LEAF_N; i++) {
        nearest(&best, &which, leaf_dist(&m->leaf[i], p, NULL, NULL), T_LEAF);
    }
    struct v3 stalk = v3_make(0.53, 0.66, 0.03);
    nearest(&best, &which, capsule(p, stalk, v3_make(0.60, 0.84, -0.02), 0.018), T_LEAF);
    if (thing) {
        *thing = which;
    }
    return best;
}
