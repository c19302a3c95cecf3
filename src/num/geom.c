#include "num/geom.h"

#include <math.h>

#include "num/linear.h"

struct hc_homog hc_homog_identity(void)
{
    return (struct hc_homog){{1, 0, 0, 0, 1, 0, 0, 0, 1}};
}

struct hc_pt hc_homog_apply(const struct hc_homog *h, struct hc_pt p)
{
    const double *m = h->m;
    double w = m[6] * p.x + m[7] * p.y + m[8];
    return (struct hc_pt){(m[0] * p.x + m[1] * p.y + m[2]) / w,
                          (m[3] * p.x + m[4] * p.y + m[5]) / w};
}

struct hc_homog hc_homog_compose(const struct hc_homog *second, const struct hc_homog *first)
{
    struct hc_homog h;
    hc_linear_mul3(h.m, second->m, first->m);
    return h;
}

hc_status hc_homog_invert(struct hc_homog *out, const struct hc_homog *h, struct hc_err *err)
{
    return hc_linear_inv3(out->m, h->m, err);
}

double hc_poly_area(const struct hc_pt *p, size_t n)
{
    double s = 0;
    for (size_t i = 0, j = n - 1; i < n; j = i++) {
        s += p[j].x * p[i].y - p[i].x * p[j].y;
    }
    return fabs(s) / 2;
}

struct hc_box hc_poly_box(const struct hc_pt *p, size_t n)
{
    const double far = (double)INFINITY;
    struct hc_box b = {far, far, -far, -far};
    for (size_t i = 0; i < n; i++) {
        b.x0 = fmin(b.x0, p[i].x);
        b.y0 = fmin(b.y0, p[i].y);
        b.x1 = fmax(b.x1, p[i].x);
        b.y1 = fmax(b.y1, p[i].y);
    }
    return b;
}

bool hc_poly_has(const struct hc_pt *p, size_t n, struct hc_pt q)
{
    bool in = false;
    for (size_t i = 0, j = n - 1; i < n; j = i++) {
        if ((p[i].y > q.y) != (p[j].y > q.y) &&
            q.x < (p[j].x - p[i].x) * (q.y - p[i].y) / (p[j].y - p[i].y) + p[i].x) {
            in = !in;
        }
    }
    return in;
}

static double side(struct hc_pt a, struct hc_pt b, struct hc_pt c)
{
    return (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x);
}

static bool is_within(struct hc_pt a, struct hc_pt b, struct hc_pt c)
{
    return fmin(a.x, b.x) <= c.x && c.x <= fmax(a.x, b.x) && fmin(a.y, b.y) <= c.y &&
           c.y <= fmax(a.y, b.y);
}

static int sign(double v)
{
    return (v > 0) - (v < 0);
}

// Do the closed segments ab and cd share a point? (orientation test; Cormen et al., Introduction to
// Algorithms, "Determining whether any pair of segments intersects")
static bool is_meeting(struct hc_pt a, struct hc_pt b, struct hc_pt c, struct hc_pt d)
{
    int s1 = sign(side(a, b, c)), s2 = sign(side(a, b, d)), s3 = sign(side(c, d, a)),
        s4 = sign(side(c, d, b));
    if (s1 * s2 < 0 && s3 * s4 < 0) {
        return true;
    }
    return (s1 == 0 && is_within(a, b, c)) || (s2 == 0 && is_within(a, b, d)) ||
           (s3 == 0 && is_within(c, d, a)) || (s4 == 0 && is_within(c, d, b));
}

bool hc_poly_is_crossing(const struct hc_pt *p, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        struct hc_pt a = p[i], b = p[(i + 1) % n];
        if (a.x == b.x && a.y == b.y) {
            return true;
        }
        for (size_t j = i + 1; j < n; j++) {
            struct hc_pt c = p[j], d = p[(j + 1) % n];
            bool is_next = j == i + 1, is_last = (j + 1) % n == i;
            if (is_next || is_last) {
                // Neighbours share a corner; they must not fold back on each other.
                struct hc_pt mid = is_next ? b : a, u = is_next ? a : b, v = is_next ? d : c;
                if (n > 2 && side(u, mid, v) == 0 &&
                    (u.x - mid.x) * (v.x - mid.x) + (u.y - mid.y) * (v.y - mid.y) > 0) {
                    return true;
                }
            } else if (is_meeting(a, b, c, d)) {
                return true;
            }
        }
    }
    return false;
}

bool hc_poly_is_overlapping(const struct hc_pt *a, size_t na, const struct hc_pt *b, size_t nb)
{
    for (size_t i = 0; i < na; i++) {
        for (size_t j = 0; j < nb; j++) {
            if (is_meeting(a[i], a[(i + 1) % na], b[j], b[(j + 1) % nb])) {
                return true;
            }
        }
    }
    return hc_poly_has(a, na, b[0]) || hc_poly_has(b, nb, a[0]);
}

size_t hc_poly_mask(struct hc_plane *mask, int x0, int y0, const struct hc_pt *p, size_t n)
{
    size_t set = 0;
    for (int y = 0; y < mask->h; y++) {
        float *row = hc_plane_row(mask, y);
        for (int x = 0; x < mask->w; x++) {
            struct hc_pt c = {(double)(x0 + x) + 0.5, (double)(y0 + y) + 0.5};
            bool in = hc_poly_has(p, n, c);
            row[x] = in ? 1.0f : 0.0f;
            set += in;
        }
    }
    return set;
}
