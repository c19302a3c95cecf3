// The order of work: which strokes are laid where, back to front, broad to fine.
//
// After the layered painting of Hertzmann ("Painterly rendering with curved brush strokes of
// multiple sizes", SIGGRAPH 1998), but thing by thing as a panel painter goes, along the form, and
// with the paint thin in the shadows and thick in the lights.
#include <string.h>

#include "base/mem.h"
#include "demo_priv.h"

#include <math.h>

struct layer {
    double half_mm, length_mm, coverage; // brush, stroke, how often the area is gone over
    double detail;                       // laid only where the model changes this much under it
    double opacity, load_mm, soft, dry, level;
};

static const struct layer layers[5] = {
    {4.2, 30.0, 2.6, 0.000, 0.97, 0.018, 0.40, 0.10, 0.25}, // dead colour
    {2.1, 15.0, 2.5, 0.000, 0.88, 0.026, 0.60, 0.40, 0.35},
    {1.05, 8.5, 2.8, 0.010, 0.84, 0.030, 0.75, 0.50, 0.35},
    {0.52, 5.0, 1.9, 0.022, 0.84, 0.030, 0.75, 0.55, 0.30},
    {0.27, 3.2, 1.5, 0.045, 0.86, 0.026, 0.80, 0.50, 0.25},
};

// Brush size by thing: a wall is scrubbed in, a leaf is drawn.
static double brush_scale(int thing)
{
    static const double scale[T_COUNT] = {1.45, 1.0, 1.2,  0.75, 0.75, 0.72,
                                          0.75, 0.7, 0.72, 0.62, 0.42};
    return scale[thing];
}

void hc_demo_strokes_release(struct strokes *s)
{
    hc_mem_free(s->v);
    *s = (struct strokes){0};
}

static hc_status push(struct strokes *s, const struct stroke *one, struct hc_err *err)
{
    if (s->n == s->room) {
        size_t room = s->room ? 2 * s->room : 16384;
        struct stroke *v = hc_mem_grow(s->v, room * sizeof *v);
        if (!v) {
            return hc_err_set(err, HC_ENOMEM, "demo", "out of memory after %zu strokes", s->n);
        }
        s->v = v;
        s->room = room;
    }
    s->v[s->n++] = *one;
    return HC_OK;
}

static size_t model_at(const struct model *m, double x_mm, double y_mm)
{
    int x = (int)(x_mm / m->mm_per_px), y = (int)(y_mm / m->mm_per_px);
    x = x < 0 ? 0 : x >= m->w ? m->w - 1 : x;
    y = y < 0 ? 0 : y >= m->h ? m->h - 1 : y;
    return (size_t)y * (size_t)m->w + (size_t)x;
}

static double lum(const double c[3])
{
    return 0.2126 * c[0] + 0.7152 * c[1] + 0.0722 * c[2];
}

// Mean colour of the thing about a place; false when the place belongs to another thing.
static bool colour_at(const struct model *m, int thing, double x, double y, double reach,
                      double rgb[3])
{
    double sum[3] = {0}, n = 0.0;
    if (m->thing[model_at(m, x, y)] != thing) {
        return false;
    }
    for (int j = -2; j <= 2; j++) {
        for (int i = -2; i <= 2; i++) {
            size_t at = model_at(m, x + 0.5 * i * reach, y + 0.5 * j * reach);
            if (m->thing[at] == thing) {
                for (int k = 0; k < 3; k++) {
                    sum[k] += (double)m->rgb[k][at];
                }
                n += 1.0;
            }
        }
    }
    for (int k = 0; k < 3; k++) {
        rgb[k] = sum[k] / n;
    }
    return true;
}

// How much the model changes under the brush, as a difference of encoded lightness; the edges of
// things count as change.
static double detail_at(const struct model *m, int thing, double x, double y, double reach)
{
    double lo = 2.0, hi = -1.0, edge = 0.0, redder[2] = {9.0, -9.0};
    for (int j = -1; j <= 1; j++) {
        for (int i = -1; i <= 1; i++) {
            size_t at = model_at(m, x + i * reach, y + j * reach);
            double c[3] = {(double)m->rgb[0][at], (double)m->rgb[1][at], (double)m->rgb[2][at]};
            if (m->thing[at] != thing) {
                edge = 0.05;
                continue;
            }
            double v = cbrt(lum(c) + 0.004), hue = (c[0] - c[2]) / (c[0] + c[1] + c[2] + 0.05);
            lo = fmin(lo, v);
            hi = fmax(hi, v);
            redder[0] = fmin(redder[0], hue);
            redder[1] = fmax(redder[1], hue);
        }
    }
    return (hi > lo ? hi - lo : 0.0) + 0.25 * fmax(redder[1] - redder[0], 0.0) + edge;
}

struct pass {
    const struct model *m;
    const struct recipes *r;
    int thing, level;
    double scale;
    uint64_t seed;
};

// The spine, followed both ways from the place where the brush is set down.
static bool trace_spine(const struct pass *p, double x, double y, double length, struct stroke *s)
{
    const int half = HC_DEMO_STROKE_PTS / 2;
    double px[HC_DEMO_STROKE_PTS], py[HC_DEMO_STROKE_PTS], step = length / (HC_DEMO_STROKE_PTS - 1);
    int lo = half, hi = half;
    size_t at = model_at(p->m, x, y);
    double c0[3] = {(double)p->m->rgb[0][at], (double)p->m->rgb[1][at], (double)p->m->rgb[2][at]};
    double value = cbrt(lum(c0) + 0.004), turn = p->level >= 2 ? 0.05 : p->level == 1 ? 0.11 : 0.35;
    px[half] = x;
    py[half] = y;
    for (int way = -1; way <= 1; way += 2) {
        double a = (double)p->m->angle[at] + (way < 0 ? M_PI : 0.0), cx = x, cy = y;
        for (int k = 1; k <= half; k++) {
            double b = (double)p->m->angle[model_at(p->m, cx, cy)];
            if (cos(b - a) < 0.0) {
                b += M_PI;
            }
            a = b;
            cx += step * cos(a);
            cy += step * sin(a);
            size_t q = model_at(p->m, cx, cy);
            double c[3] = {(double)p->m->rgb[0][q], (double)p->m->rgb[1][q],
                           (double)p->m->rgb[2][q]};
            if (p->m->thing[q] > p->thing) { // runs a little way under what is painted later
                px[half + way * k] = cx;
                py[half + way * k] = cy;
                lo = way < 0 ? half - k : lo;
                hi = way > 0 ? half + k : hi;
                break;
            }
            if (p->m->thing[q] < p->thing || fabs(cbrt(lum(c) + 0.004) - value) > turn) {
                break;
            }
            px[half + way * k] = cx;
            py[half + way * k] = cy;
            lo = way < 0 ? half - k : lo;
            hi = way > 0 ? half + k : hi;
        }
    }
    if (hi == lo) { // a dab
        double a = (double)p->m->angle[at], reach = 0.4 * step + 0.1;
        px[0] = x - reach * cos(a);
        py[0] = y - reach * sin(a);
        px[1] = x + reach * cos(a);
        py[1] = y + reach * sin(a);
        lo = 0;
        hi = 1;
    }
    bool back = hc_rng_hash(p->seed + 5, (int64_t)(x * 64.0), (int64_t)(y * 64.0)) < 0.35;
    s->n = (uint8_t)(hi - lo + 1);
    for (int k = 0; k < s->n; k++) {
        s->x[k] = (float)px[back ? hi - k : lo + k];
        s->y[k] = (float)py[back ? hi - k : lo + k];
    }
    return true;
}

static void mix_paint(const struct pass *p, const double rgb[3], const double shake[4],
                      struct mix *out)
{
    double c[3];
    for (int k = 0; k < 3; k++) {
        c[k] = rgb[k] * (1.0 + shake[0] + shake[k + 1]);
    }
    *out = hc_demo_recipe(p->r, p->thing, c);
}

static hc_status set_down(struct strokes *out, const struct pass *p, double x, double y,
                          struct hc_err *err)
{
    const struct layer *l = &layers[p->level];
    double half = l->half_mm * p->scale, a[3], b[3], mid[3], shake[4];
    struct hc_rng rng = hc_rng_make(p->seed ^ (uint64_t)(int64_t)(x * 997.0) * 0x9e3779b97f4a7c15u ^
                                    (uint64_t)(int64_t)(y * 991.0) * 0xd1b54a32d192ed03u);
    struct stroke s = {0};
    if (!colour_at(p->m, p->thing, x, y, half, a) ||
        detail_at(p->m, p->thing, x, y, half * 1.1) < l->detail) {
        return HC_OK;
    }
    half *= hc_rng_range(&rng, 0.75, 1.2);
    trace_spine(p, x, y, l->length_mm * p->scale * hc_rng_range(&rng, 0.6, 1.25), &s);
    // An end that runs under another thing keeps the colour of the middle.
    memcpy(mid, a, sizeof mid);
    if (!colour_at(p->m, p->thing, (double)s.x[0], (double)s.y[0], half, a)) {
        memcpy(a, mid, sizeof a);
    }
    if (!colour_at(p->m, p->thing, (double)s.x[s.n - 1], (double)s.y[s.n - 1], half, b)) {
        memcpy(b, mid, sizeof b);
    }
    double loose = p->level == 0 ? 0.10 : p->level == 1 ? 0.06 : 0.035;
    shake[0] = loose * hc_rng_normal(&rng);
    for (int k = 1; k < 4; k++) {
        shake[k] = 0.4 * loose * hc_rng_normal(&rng);
    }
    mix_paint(p, a, shake, &s.from);
    mix_paint(p, b, shake, &s.to);
    size_t at = model_at(p->m, x, y);
    double bright = lum(a), pattern = (double)p->m->pattern[at];
    double thick = 0.22 + 2.6 * pow(bright, 1.25) + (p->level >= 2 ? 0.9 * pattern : 0.0);
    if (p->level >= 3 && bright > 0.45) {
        thick *= 1.6; // highlights are set on with a full brush
    }
    s.half_mm = (float)half;
    s.load_mm = (float)(l->load_mm * thick);
    s.opacity = (float)(l->opacity * (bright < 0.03 ? 0.86 : 1.0));
    s.dry = (float)(l->dry * hc_rng_range(&rng, 0.4, 1.3));
    s.soft = (float)l->soft;
    s.level = (float)(l->level * (0.35 + 0.65 * fmin(thick, 1.0)));
    s.seed = (uint32_t)hc_rng_u64(&rng);
    s.thing = (uint8_t)p->thing;
    s.clip = 0;
    for (int k = 0; k < 16 && !s.clip; k++) { // does any part of it reach over another thing?
        int i = k % s.n;
        double ang = k * 2.4, reach = half * 1.2 + p->m->mm_per_px;
        size_t q =
            model_at(p->m, (double)s.x[i] + reach * cos(ang), (double)s.y[i] + reach * sin(ang));
        s.clip = p->m->thing[q] < p->thing;
    }
    return push(out, &s, err);
}

// One going-over: jittered places in a scattered order.
static hc_status go_over(struct strokes *out, const struct pass *p, struct hc_err *err)
{
    const struct layer *l = &layers[p->level];
    double area = 1.3 * l->half_mm * l->length_mm * p->scale * p->scale / l->coverage;
    double cell = sqrt(area);
    int nx = (int)ceil(HC_DEMO_W_MM / cell), ny = (int)ceil(HC_DEMO_H_MM / cell);
    uint64_t n = (uint64_t)nx * (uint64_t)ny,
             stride = 15485863u; // a prime: visits every place once
    for (uint64_t k = 0; k < n; k++) {
        uint64_t i = k * stride % n;
        int64_t cx = (int64_t)(i % (uint64_t)nx), cy = (int64_t)(i / (uint64_t)nx);
        double x = ((double)cx + hc_rng_hash(p->seed + 1, cx, cy)) * cell;
        double y = ((double)cy + hc_rng_hash(p->seed + 2, cx, cy)) * cell;
        if (x < HC_DEMO_W_MM && y < HC_DEMO_H_MM && p->m->thing[model_at(p->m, x, y)] == p->thing) {
            hc_status st = set_down(out, p, x, y, err);
            if (st != HC_OK) {
                return st;
            }
        }
    }
    return HC_OK;
}

// The first quince, later given up: arcs about its centre, thick on its lit side.
static hc_status plan_hidden(struct strokes *out, const struct recipes *r, uint64_t seed,
                             struct hc_err *err)
{
    struct hc_rng rng = hc_rng_make(seed);
    for (int k = 0; k < 420; k++) {
        double rad = HC_DEMO_HIDDEN_R * sqrt(hc_rng_unit(&rng)), a = 6.2832 * hc_rng_unit(&rng);
        double lit = clamp01(0.5 - 0.45 * (cos(a) + sin(a)) * rad / HC_DEMO_HIDDEN_R);
        double rgb[3] = {0.06 + 0.62 * lit, 0.035 + 0.42 * lit, 0.010 + 0.07 * lit};
        struct stroke s = {.half_mm = (float)hc_rng_range(&rng, 0.8, 1.7),
                           .opacity = 0.9f,
                           .load_mm = (float)(0.02 + 0.20 * lit * lit),
                           .dry = 0.4f,
                           .soft = 0.6f,
                           .level = 0.3f,
                           .n = HC_DEMO_STROKE_PTS,
                           .thing = T_QUINCE_0,
                           .seed = (uint32_t)hc_rng_u64(&rng)};
        for (int i = 0; i < s.n; i++) {
            double b = a + (i - 3) * fmin(1.6 / (rad + 1.0), 0.5);
            s.x[i] = (float)(HC_DEMO_HIDDEN_X + rad * cos(b));
            s.y[i] = (float)(HC_DEMO_HIDDEN_Y + 0.95 * rad * sin(b));
        }
        s.from = s.to = hc_demo_recipe(r, T_QUINCE_0, rgb);
        hc_status st = push(out, &s, err);
        if (st != HC_OK) {
            return st;
        }
    }
    return HC_OK;
}

hc_status hc_demo_plan(struct strokes *out, const struct model *m, const struct recipes *r,
                       uint64_t seed, struct hc_err *err)
{
    *out = (struct strokes){0};
    hc_status st = plan_hidden(out, r, seed + 900, err);
    for (int thing = 0; thing < T_COUNT && st == HC_OK; thing++) {
        for (int level = 0; level < 5 && st == HC_OK; level++) {
            struct pass p = {m,
                             r,
                             thing,
                             level,
                             brush_scale(thing),
                             seed + (uint64_t)(1000 + thing * 16 + level)};
            st = go_over(out, &p, err);
        }
    }
    if (st != HC_OK) {
        hc_demo_strokes_release(out);
    }
    return st;
}
