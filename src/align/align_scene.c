#include "align/align_scene.h"

#include <math.h>

#include "base/mem.h"
#include "base/rng.h"
#include "num/filter.h"

const char *const align_technique_name[ALIGN_TECHNIQUES] = {"vis", "test", "gamma",  "inv",  "uv",
                                                            "ir",  "xray", "raking", "weave"};

#define REGIONS 60
#define THREAD_PX 9.3

struct stroke {
    double x0, y0, x1, y1, half_width, tone;
};

struct scene {
    int w, h;
    uint64_t seed;
    double rx[REGIONS], ry[REGIONS], tone[REGIONS];
    const struct align_view *view;
    struct hc_homog back; // view to frame
    double scale;         // view px per frame px
    struct hc_plane *out;
};

static struct hc_pt bend(const struct align_view *v, struct hc_pt p, double sign)
{
    double k = v->bend.wavelength > 0 ? 2 * M_PI / v->bend.wavelength : 0;
    double a = v->bend.amplitude * sign;
    return (struct hc_pt){p.x + a * sin(k * p.y + 0.7), p.y + a * sin(k * p.x + 2.1)};
}

// What the lens adds to a point of the view.
static struct hc_pt lens(const struct align_view *v, struct hc_pt q)
{
    double cx = v->w / 2.0, cy = v->h / 2.0, r2 = cx * cx + cy * cy;
    double u2 = ((q.x - cx) * (q.x - cx) + (q.y - cy) * (q.y - cy)) / r2;
    double f = v->lens.k1 * u2 + v->lens.k2 * u2 * u2;
    return (struct hc_pt){f * (q.x - cx), f * (q.y - cy)};
}

struct hc_pt align_scene_map(const struct align_view *view, struct hc_pt p)
{
    struct hc_pt q = hc_homog_apply(&view->frame_to_view, bend(view, p, 1)), d = lens(view, q);
    return (struct hc_pt){q.x + d.x, q.y + d.y};
}

// View px to frame px; lens and bend are undone by fixed-point steps (their slope is far below 1).
static struct hc_pt from_view(const struct align_view *v, const struct hc_homog *back,
                              struct hc_pt at)
{
    struct hc_pt q = at, p;
    for (int i = 0; i < 6 && (v->lens.k1 != 0 || v->lens.k2 != 0); i++) {
        struct hc_pt d = lens(v, q);
        q.x = at.x - d.x;
        q.y = at.y - d.y;
    }
    q = p = hc_homog_apply(back, q);
    for (int i = 0; i < 4 && v->bend.amplitude > 0; i++) {
        struct hc_pt b = bend(v, p, 1);
        p.x += q.x - b.x;
        p.y += q.y - b.y;
    }
    return p;
}

static struct hc_pt to_frame(const struct scene *s, double x, double y)
{
    return from_view(s->view, &s->back, (struct hc_pt){x, y});
}

struct hc_pt align_scene_between(const struct align_view *from, const struct align_view *to,
                                 struct hc_pt p)
{
    struct hc_homog back = hc_homog_identity();
    hc_ignore(hc_homog_invert(&back, &from->frame_to_view, NULL));
    return align_scene_map(to, from_view(from, &back, p));
}

struct align_view align_scene_part(enum align_technique t, struct hc_pt centre, double scale,
                                   double turn_deg, bool is_mirrored, int w, int h)
{
    double turn = turn_deg * M_PI / 180, a = scale * cos(turn), b = scale * sin(turn);
    double flip = is_mirrored ? -1 : 1;
    struct align_view v = {.technique = t, .w = w, .h = h};
    v.frame_to_view = (struct hc_homog){{flip * a, -b, 0, flip * b, a, 0, 0, 0, 1}};
    v.frame_to_view.m[2] = w / 2.0 - flip * a * centre.x + b * centre.y;
    v.frame_to_view.m[5] = h / 2.0 - flip * b * centre.x - a * centre.y;
    return v;
}

// View px per frame px at the view's middle.
static double scale_at(const struct scene *s)
{
    struct hc_pt a = to_frame(s, s->view->w / 2.0 - 0.5, s->view->h / 2.0);
    struct hc_pt b = to_frame(s, s->view->w / 2.0 + 0.5, s->view->h / 2.0);
    return 1 / hypot(b.x - a.x, b.y - a.y);
}

struct hc_homog align_scene_homog(int w, int h, double turn_deg, double scale, double dx, double dy,
                                  double perspective)
{
    double t = turn_deg * M_PI / 180, a = scale * cos(t), b = scale * sin(t);
    struct hc_homog in = {{1, 0, -w / 2.0, 0, 1, -h / 2.0, 0, 0, 1}};
    struct hc_homog mid = {{a, -b, 0, b, a, 0, perspective / w, -perspective / h, 1}};
    struct hc_homog out = {{1, 0, w / 2.0 + dx, 0, 1, h / 2.0 + dy, 0, 0, 1}};
    mid = hc_homog_compose(&mid, &in);
    return hc_homog_compose(&out, &mid);
}

// Slow variation, 0..1, from a hashed lattice.
static double slow(uint64_t seed, double x, double y, double cell)
{
    double u = x / cell, v = y / cell, fu = floor(u), fv = floor(v), a = u - fu, b = v - fv;
    int64_t i = (int64_t)fu, j = (int64_t)fv;
    a = a * a * (3 - 2 * a);
    b = b * b * (3 - 2 * b);
    return (hc_rng_hash(seed, i, j) * (1 - a) + hc_rng_hash(seed, i + 1, j) * a) * (1 - b) +
           (hc_rng_hash(seed, i, j + 1) * (1 - a) + hc_rng_hash(seed, i + 1, j + 1) * a) * b;
}

static double weave(const struct scene *s, struct hc_pt p)
{
    double u = p.x / THREAD_PX, v = p.y / THREAD_PX;
    int64_t i = (int64_t)floor(u), j = (int64_t)floor(v);
    double warp = 1, weft = 1;
    if (s->view->technique != ALIGN_WEAVE) { // real threads differ from one another
        warp = 0.4 + 1.2 * hc_rng_hash(s->seed + 91, i, j / 12);
        weft = 0.4 + 1.2 * hc_rng_hash(s->seed + 92, i / 12, j);
    }
    return (warp * sin(2 * M_PI * u) + weft * sin(2 * M_PI * v)) / 2;
}

static double clamp01(double v)
{
    return v < 0 ? 0 : v > 1 ? 1 : v;
}

// Tone of the region a point lies in, its border one pixel soft.
static double region_tone(const struct scene *s, struct hc_pt p)
{
    double d0 = 1e30, d1 = 1e30, mix;
    int r0 = 0, r1 = 0;
    double x = p.x + 60 * (slow(s->seed + 5, p.x, p.y, 90) - 0.5);
    double y = p.y + 60 * (slow(s->seed + 6, p.x, p.y, 90) - 0.5);
    for (int r = 0; r < REGIONS; r++) {
        double d = (x - s->rx[r]) * (x - s->rx[r]) + (y - s->ry[r]) * (y - s->ry[r]);
        if (d < d0) {
            d1 = d0;
            r1 = r0;
            d0 = d;
            r0 = r;
        } else if (d < d1) {
            d1 = d;
            r1 = r;
        }
    }
    mix = clamp01(0.5 - (sqrt(d1) - sqrt(d0)) / 3); // 0.5 on the border
    return s->tone[r0] * (1 - mix) + s->tone[r1] * mix;
}

static double base_tone(const struct scene *s, struct hc_pt p)
{
    uint64_t d = s->seed;
    switch (s->view->technique) {
    case ALIGN_XRAY: {
        bool bar = fabs(p.x - 0.5 * s->w) < 0.06 * s->w || p.y < 0.08 * s->h || p.y > 0.92 * s->h;
        return region_tone(s, p) * 0.5 + 0.25 + 0.1 * weave(s, p) + (bar ? 0.1 : 0);
    }
    case ALIGN_WEAVE:
        return 0.5 + 0.2 * weave(s, p);
    case ALIGN_RAKING:
        return 0.5 + 0.05 * weave(s, p);
    case ALIGN_IR:
        return region_tone(s, p) + 0.015 * weave(s, p);
    default:
        return region_tone(s, p) + 0.02 * weave(s, p) + 0.08 * (slow(d + 7, p.x, p.y, 40) - 0.5);
    }
}

// One capsule from its geometry, mixed in by its coverage of each pixel.
static void draw(struct scene *s, const struct stroke *k, double opacity)
{
    struct hc_pt a = align_scene_map(s->view, (struct hc_pt){k->x0, k->y0});
    struct hc_pt b = align_scene_map(s->view, (struct hc_pt){k->x1, k->y1});
    double r = (2 * k->half_width + 6) * s->scale, ex = k->x1 - k->x0, ey = k->y1 - k->y0;
    double len2 = ex * ex + ey * ey + 1e-9;
    int x0 = (int)fmax(fmin(a.x, b.x) - r, 0), x1 = (int)fmin(fmax(a.x, b.x) + r, s->out->w - 1);
    int y0 = (int)fmax(fmin(a.y, b.y) - r, 0), y1 = (int)fmin(fmax(a.y, b.y) + r, s->out->h - 1);
    for (int y = y0; y <= y1; y++) {
        float *row = hc_plane_row(s->out, y);
        for (int x = x0; x <= x1; x++) {
            struct hc_pt p = to_frame(s, x + 0.5, y + 0.5);
            double t = clamp01(((p.x - k->x0) * ex + (p.y - k->y0) * ey) / len2);
            double d = hypot(p.x - k->x0 - t * ex, p.y - k->y0 - t * ey);
            double c = clamp01(k->half_width - d + 0.5) * opacity;
            if (s->view->technique == ALIGN_RAKING) { // a rounded ridge shows its left flank
                double side = k->half_width > 0 ? (p.x - k->x0 - t * ex) / k->half_width : 0;
                row[x] -= (float)(c * 0.25 * side);
            } else {
                row[x] += (float)(c * (k->tone - (double)row[x]));
            }
        }
    }
}

static void draw_strokes(struct scene *s)
{
    struct hc_rng r = hc_rng_make(s->seed + 11), other = hc_rng_make(s->seed + 12);
    int n = (int)(2500.0 * s->w * s->h / 4e6);
    for (int i = 0; i < n; i++) {
        double x = hc_rng_range(&r, 0, s->w), y = hc_rng_range(&r, 0, s->h);
        double angle = hc_rng_range(&r, 0, M_PI), len = hc_rng_range(&r, 15, 120);
        double half = hc_rng_range(&r, 1.5, 8), tone = hc_rng_unit(&r), opacity = 0.5;
        double fate = hc_rng_unit(&other), redrawn = hc_rng_unit(&other);
        if (s->view->technique == ALIGN_IR) {
            opacity = fate < 0.4 ? 0 : 0.4;
            tone = fate < 0.7 ? redrawn : tone;
        } else if (s->view->technique == ALIGN_XRAY) {
            opacity = fate < 0.5 ? 0 : 0.35;
            tone = 0.5 + 0.5 * redrawn;
        }
        if (opacity > 0) {
            draw(s, &(struct stroke){x, y, x + len * cos(angle), y + len * sin(angle), half, tone},
                 opacity);
        }
    }
}

static void draw_cracks(struct scene *s)
{
    struct hc_rng r = hc_rng_make(s->seed + 21);
    int n = (int)(260.0 * s->w * s->h / 4e6);
    bool soft = s->view->technique == ALIGN_UV || s->view->technique == ALIGN_IR;
    for (int i = 0; i < n; i++) {
        double x = hc_rng_range(&r, 0, s->w), y = hc_rng_range(&r, 0, s->h);
        double angle = hc_rng_range(&r, 0, 2 * M_PI);
        int steps = 5 + hc_rng_below(&r, 20);
        for (int k = 0; k < steps; k++) {
            double nx = x + 12 * cos(angle), ny = y + 12 * sin(angle);
            draw(s, &(struct stroke){x, y, nx, ny, 0.7, 0.1}, soft ? 0.35 : 0.7);
            x = nx;
            y = ny;
            angle += 0.35 * hc_rng_normal(&r);
        }
    }
}

// Lines that only infrared shows.
static void draw_underdrawing(struct scene *s)
{
    struct hc_rng r = hc_rng_make(s->seed + 31);
    for (int i = 0; i < 60; i++) {
        double x = hc_rng_range(&r, 0, s->w), y = hc_rng_range(&r, 0, s->h);
        double angle = hc_rng_range(&r, 0, 2 * M_PI), len = hc_rng_range(&r, 40, 300);
        draw(s, &(struct stroke){x, y, x + len * cos(angle), y + len * sin(angle), 1.5, 0.1}, 0.6);
    }
}

static double finish_uv(const struct scene *s, struct hc_pt p, double v)
{
    double glow = 0.25 + 0.35 * slow(s->seed + 41, p.x, p.y, 0.3 * s->w);
    double blob = slow(s->seed + 42, p.x, p.y, 45), dark = clamp01((blob - 0.8) * 25);
    return (glow + 0.3 * v) * (1 - 0.6 * dark);
}

static bool is_in_window(const struct scene *s, struct hc_pt p)
{
    for (int i = 0; i < 4; i++) {
        double x = (0.15 + 0.6 * hc_rng_hash(s->seed + 51, i, 0)) * s->w;
        double y = (0.15 + 0.6 * hc_rng_hash(s->seed + 52, i, 0)) * s->h;
        if (p.x > x && p.x < x + 0.08 * s->w && p.y > y && p.y < y + 0.06 * s->h) {
            return true;
        }
    }
    return false;
}

static double finish_pixel(const struct scene *s, struct hc_pt p, double v)
{
    switch (s->view->technique) {
    case ALIGN_TEST:
        return (is_in_window(s, p) ? 0.1 + 1.1 * v : v) * 1.04;
    case ALIGN_GAMMA:
        return pow(fmax(v, 0), 2.2);
    case ALIGN_INV:
        return 1 - v;
    case ALIGN_UV:
        return finish_uv(s, p, v);
    default:
        return v;
    }
}

static void finish(struct scene *s)
{
    for (int y = 0; y < s->out->h; y++) {
        float *row = hc_plane_row(s->out, y);
        for (int x = 0; x < s->out->w; x++) {
            struct hc_pt p = to_frame(s, x + 0.5, y + 0.5);
            double b = s->view->border;
            bool blank = p.x < b || p.y < b || p.x > s->w - b || p.y > s->h - b;
            row[x] = blank && b > 0 ? 0.05f : (float)finish_pixel(s, p, (double)row[x]);
        }
    }
}

// The camera's blur and noise.
static hc_status expose(struct hc_plane *out, uint64_t seed, const struct align_view *view,
                        struct hc_err *err)
{
    static const double noise[ALIGN_TECHNIQUES] = {.005, .005, .005, .005, .025,
                                                   .01,  .01,  .005, .005};
    static const double blur[ALIGN_TECHNIQUES] = {0.6, 0.6, 0.6, 0.6, 1.3, 1.3, 0.8, 0.6, 0.6};
    enum align_technique t = view->technique;
    // Noise follows the exposure, not the painting.
    struct hc_rng r = hc_rng_make(seed * 31 + (uint64_t)t * 7 +
                                  (uint64_t)(int64_t)(1000 * view->frame_to_view.m[2]));
    hc_status st = hc_filter_gauss(out, out, blur[t], err);
    for (int y = 0; y < out->h; y++) {
        for (int x = 0; x < out->w; x++) {
            hc_plane_row(out, y)[x] += (float)(noise[t] * hc_rng_normal(&r));
        }
    }
    return st;
}

static void place_regions(struct scene *s)
{
    struct hc_rng r = hc_rng_make(s->seed), other = hc_rng_make(s->seed + 1);
    for (int i = 0; i < REGIONS; i++) {
        double redrawn = hc_rng_unit(&other), fate = hc_rng_unit(&other);
        s->rx[i] = hc_rng_range(&r, 0, s->w);
        s->ry[i] = hc_rng_range(&r, 0, s->h);
        s->tone[i] = hc_rng_range(&r, 0.15, 0.85);
        if (s->view->technique == ALIGN_XRAY || (s->view->technique == ALIGN_IR && fate < 0.5)) {
            s->tone[i] = 0.15 + 0.7 * redrawn;
        }
    }
}

static void draw_all(struct scene *s)
{
    place_regions(s);
    for (int y = 0; y < s->out->h; y++) {
        float *row = hc_plane_row(s->out, y);
        for (int x = 0; x < s->out->w; x++) {
            row[x] = (float)base_tone(s, to_frame(s, x + 0.5, y + 0.5));
        }
    }
    if (s->view->technique != ALIGN_WEAVE) {
        draw_strokes(s);
        draw_cracks(s);
    }
    if (s->view->technique == ALIGN_IR) {
        draw_underdrawing(s);
    }
    finish(s);
}

hc_status align_scene_render(struct hc_plane *out, int w, int h, uint64_t seed,
                             const struct align_view *view, struct hc_err *err)
{
    struct scene s = {.w = w, .h = h, .seed = seed * 1000003, .view = view};
    struct hc_plane fine = {0};
    struct align_view enlarged = *view;
    hc_status st = hc_homog_invert(&s.back, &view->frame_to_view, err);
    int k;
    if (st != HC_OK) {
        return st;
    }
    // A view with fewer pixels than the painting is drawn larger and reduced, as a sensor does.
    s.scale = scale_at(&s);
    k = s.scale < 0.8 ? (int)ceil(1 / s.scale) : 1;
    if (k > 1) {
        struct hc_homog up = {{k, 0, 0, 0, k, 0, 0, 0, 1}};
        enlarged.frame_to_view = hc_homog_compose(&up, &view->frame_to_view);
        enlarged.w *= k;
        enlarged.h *= k;
        s.view = &enlarged;
        s.scale *= k;
        st = hc_homog_invert(&s.back, &enlarged.frame_to_view, err);
    }
    if (st == HC_OK) {
        st = hc_plane_create(&fine, enlarged.w, enlarged.h, err);
    }
    if (st == HC_OK) {
        st = hc_plane_create(out, view->w, view->h, err);
    }
    if (st == HC_OK) {
        s.out = &fine;
        draw_all(&s);
        hc_filter_box_down(out, &fine, k);
        st = expose(out, s.seed, view, err);
    }
    hc_plane_release(&fine);
    return st;
}
