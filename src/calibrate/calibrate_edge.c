// Sharpness from a slanted edge (ISO 12233, e-SFR): a straight edge a few degrees off the pixel
// axis is sampled at many phases; their profile, four times finer than the pixels, gives the
// response.
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"

#define SIDE_MIN 24
#define SIDE_MAX 600
#define FINE 4 // bins per pixel
#define ANGLE_MIN 2.0
#define ANGLE_MAX 15.0
#define CONTRAST_MIN 0.15
#define BENT_MAX 0.5 // px rms of row positions around the line
#define NOISE_MAX 0.05
#define PI 3.14159265358979323846

struct edge {
    int w, h;  // across, along the edge
    double *v; // luminance, h rows of w
    double *profile, *count;
    int bins;
    double at, slope; // x of the edge at row 0, dx per row
    double dark, light;
    bool is_rising;
};

static double luminance(const struct hc_lin3 *lin, int x, int y)
{
    return 0.28804 * (double)hc_plane_get(&lin->ch[0], x, y) +
           0.71188 * (double)hc_plane_get(&lin->ch[1], x, y) +
           0.00009 * (double)hc_plane_get(&lin->ch[2], x, y);
}

static hc_status load(struct edge *e, bool *is_upright, const struct hc_lin3 *lin,
                      struct hc_box box, struct hc_err *err)
{
    int x0 = (int)ceil(box.x0 - 1e-9), y0 = (int)ceil(box.y0 - 1e-9);
    int w = (int)floor(box.x1 + 1e-9) - x0, h = (int)floor(box.y1 + 1e-9) - y0;
    double across = 0.0, along = 0.0;
    if (!(box.x0 >= 0.0 && box.y0 >= 0.0 && box.x1 <= lin->ch[0].w && box.y1 <= lin->ch[0].h)) {
        return hc_err_set(err, HC_EARG, HC_CALIBRATE_ROOM,
                          "the edge's box %g,%g to %g,%g lies outside the view of %d x %d px",
                          box.x0, box.y0, box.x1, box.y1, lin->ch[0].w, lin->ch[0].h);
    }
    if (w < SIDE_MIN || h < SIDE_MIN || w > SIDE_MAX || h > SIDE_MAX) {
        return hc_err_set(err, HC_ERANGE, HC_CALIBRATE_ROOM,
                          "a box of %d x %d px around the edge; %d to %d px a side can be used", w,
                          h, SIDE_MIN, SIDE_MAX);
    }
    for (int y = y0; y < y0 + h - 1; y++) {
        for (int x = x0; x < x0 + w - 1; x++) {
            across += luminance(lin, x + 1, y) - luminance(lin, x, y);
            along += luminance(lin, x, y + 1) - luminance(lin, x, y);
        }
    }
    *is_upright = fabs(across) >= fabs(along);
    e->w = *is_upright ? w : h;
    e->h = *is_upright ? h : w;
    e->is_rising = (*is_upright ? across : along) > 0.0;
    e->bins = FINE * e->w;
    e->v = hc_mem_array((size_t)w * (size_t)h, sizeof *e->v);
    e->profile = hc_mem_array((size_t)e->bins, sizeof *e->profile);
    e->count = hc_mem_array((size_t)e->bins, sizeof *e->count);
    if (!e->v || !e->profile || !e->count) {
        return hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory for an edge");
    }
    for (int y = 0; y < e->h; y++) {
        for (int x = 0; x < e->w; x++) {
            double v =
                *is_upright ? luminance(lin, x0 + x, y0 + y) : luminance(lin, x0 + y, y0 + x);
            e->v[y * e->w + x] = isfinite(v) ? v : 0.0;
        }
    }
    return HC_OK;
}

// Middle of the step of one row: centroid of the rise inside a window around `near`.
static double row_middle(const struct edge *e, int y, double near, double half)
{
    const double *v = e->v + y * e->w;
    double sum = 0.0, moment = 0.0;
    for (int x = 1; x < e->w - 1; x++) {
        double d = (x + 0.5 - near) / half;
        if (fabs(d) < 1.0) {
            double rise = (v[x + 1] - v[x - 1]) * (0.54 + 0.46 * cos(PI * d)); // Hamming
            sum += rise;
            moment += rise * (x + 0.5);
        }
    }
    return (sum > 0.0) == e->is_rising && fabs(sum) > 0.0 ? moment / sum : near;
}

// The line x = at + slope * y through the middles, three rounds with a closing window.
static double find_line(struct edge *e)
{
    double rms = 0.0;
    e->at = 0.5 * e->w;
    e->slope = 0.0;
    for (int round = 0; round < 4; round++) {
        double half = round == 0 ? 0.5 * e->w : fmax(6.0, 0.25 * e->w);
        double n = e->h, sy = 0.0, sx = 0.0, syy = 0.0, sxy = 0.0, sxx = 0.0;
        for (int y = 0; y < e->h; y++) {
            double x = row_middle(e, y, e->at + e->slope * y, half);
            sy += y;
            sx += x;
            syy += (double)y * y;
            sxy += x * y;
            sxx += x * x;
        }
        e->slope = (sxy - sx * sy / n) / (syy - sy * sy / n);
        e->at = (sx - e->slope * sy) / n;
        double ss = sxx - sx * sx / n - e->slope * (sxy - sx * sy / n);
        rms = sqrt(fmax(0.0, ss) / n);
    }
    return rms;
}

// The fine profile across the edge, rows shifted by the line; empty bins take their neighbours'
// mean. Levels from the outer fifths.
static void make_profile(struct edge *e, int rows)
{
    int last = -1;
    for (int y = 0; y < rows; y++) {
        for (int x = 0; x < e->w; x++) {
            double d = x + 0.5 - (e->at + e->slope * y) + 0.5 * e->w;
            int bin = (int)floor(FINE * d);
            if (bin >= 0 && bin < e->bins) {
                e->profile[bin] += e->v[y * e->w + x];
                e->count[bin] += 1.0;
            }
        }
    }
    for (int b = 0; b < e->bins; b++) {
        if (e->count[b] <= 0.0) {
            continue;
        }
        e->profile[b] /= e->count[b];
        for (int i = last + 1; i < b; i++) {
            double t = last < 0 ? 1.0 : (double)(i - last) / (double)(b - last);
            e->profile[i] = last < 0 ? e->profile[b]
                                     : e->profile[last] + t * (e->profile[b] - e->profile[last]);
        }
        last = b;
    }
    for (int i = last + 1; last >= 0 && i < e->bins; i++) {
        e->profile[i] = e->profile[last];
    }
    int fifth = e->bins / 5;
    double first = 0.0, end = 0.0;
    for (int b = 0; b < fifth; b++) {
        first += e->profile[b] / fifth;
        end += e->profile[e->bins - 1 - b] / fifth;
    }
    e->light = first > end ? first : end;
    e->dark = first > end ? end : first;
}

// What the response would be of the profile's noise alone: bins of sd s, differences over two bins,
// N bins under a Hamming window (mean square 0.3974), over the step twice.
static double noise_floor(const struct edge *e)
{
    int fifth = e->bins / 5;
    double sum = 0.0;
    for (int b = 1; b < fifth; b++) {
        double d1 = e->profile[b] - e->profile[b - 1];
        double d2 = e->profile[e->bins - b] - e->profile[e->bins - 1 - b];
        sum += 0.5 * (d1 * d1 + d2 * d2);
    }
    double variance = sum / (2.0 * (fifth - 1));
    return sqrt(2.0 * variance * 0.3974 * e->bins) / (2.0 * (e->light - e->dark));
}

static double sinc(double x)
{
    return fabs(x) < 1e-9 ? 1.0 : sin(PI * x) / (PI * x);
}

// |Fourier transform| of the windowed derivative, at frequencies across the edge; the averaging in
// bins and the two-bin difference are divided out.
static void response(struct hc_edge *out, const struct edge *e, double angle)
{
    double zero = 0.0;
    for (int f = 0; f < HC_EDGE_BINS; f++) {
        double nu = (double)f / (HC_EDGE_BINS - 1) * cos(angle), re = 0.0, im = 0.0;
        for (int b = 1; b < e->bins - 1; b++) {
            double d = (b + 0.5) / FINE - 0.5 * e->w;
            double window = 0.54 + 0.46 * cos(2.0 * PI * d / e->w);
            double v = window * (e->profile[b + 1] - e->profile[b - 1]);
            re += v * cos(2.0 * PI * nu * d);
            im += v * sin(2.0 * PI * nu * d);
        }
        double size = hypot(re, im);
        zero = f == 0 ? size : zero;
        out->sfr[f] = zero > 0.0 ? size / zero / (sinc(nu / FINE) * sinc(2.0 * nu / FINE)) : 0.0;
    }
}

static double falls_to(const struct hc_edge *e, double level)
{
    for (int f = 1; f < HC_EDGE_BINS; f++) {
        if (e->sfr[f] < level) {
            double t = (e->sfr[f - 1] - level) / (e->sfr[f - 1] - e->sfr[f]);
            return ((double)(f - 1) + t) / (HC_EDGE_BINS - 1);
        }
    }
    return 0.0;
}

static hc_status measure(struct hc_edge *out, struct edge *e, struct hc_err *err)
{
    double bent = find_line(e), angle = atan(fabs(e->slope)), top = -HUGE_VAL, bottom = HUGE_VAL;
    out->angle_deg = angle * 180.0 / PI;
    if (bent > BENT_MAX) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "no straight edge in the box (rows scatter by %.2f px around a line)",
                          bent);
    }
    if (out->angle_deg < ANGLE_MIN || out->angle_deg > ANGLE_MAX) {
        return hc_err_set(
            err, HC_EREFUSED, HC_CALIBRATE_ROOM,
            "the edge stands %.1f degrees off the pixel axis; %.0f to %.0f are needed "
            "(about 5 is best)",
            out->angle_deg, ANGLE_MIN, ANGLE_MAX);
    }
    // whole turns of the sampling phase, so that no phase weighs more than another
    double turns = floor(e->h * fabs(e->slope) + 1e-9);
    if (turns < 1.0) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "the edge of %d px is too short for its angle of %.1f degrees; %.0f px "
                          "are needed",
                          e->h, out->angle_deg, ceil(1.0 / fabs(e->slope)));
    }
    out->rows = (int)floor(turns / fabs(e->slope));
    make_profile(e, out->rows);
    out->contrast = e->light + e->dark > 0.0 ? (e->light - e->dark) / (e->light + e->dark) : 0.0;
    if (!(out->contrast >= CONTRAST_MIN)) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "the edge's contrast is %.2f; %.2f is needed", out->contrast,
                          CONTRAST_MIN);
    }
    for (int b = 0; b < e->bins; b++) {
        top = fmax(top, e->profile[b]);
        bottom = fmin(bottom, e->profile[b]);
    }
    out->overshoot = fmax(top - e->light, e->dark - bottom) / (e->light - e->dark);
    response(out, e, angle);
    out->mtf50 = falls_to(out, 0.5);
    out->mtf10 = falls_to(out, 0.1);
    out->noise_floor = noise_floor(e);
    // the pixel alone (a box) brings every real edge to 10 % before 0.91 cycles/px
    if (out->noise_floor > NOISE_MAX || !(out->mtf50 > 0.0 && out->mtf10 > 0.0)) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "the box is too noisy to tell sharpness: noise alone gives a response of "
                          "%.0f %% (at most %.0f); take a longer edge or a brighter picture",
                          100.0 * out->noise_floor, 100.0 * NOISE_MAX);
    }
    out->efficiency = fmin(1.0, out->mtf10 / 0.5);
    return HC_OK;
}

hc_status hc_edge_measure(struct hc_edge *out, const struct hc_lin3 *lin, struct hc_box box,
                          struct hc_err *err)
{
    struct edge e = {0};
    *out = (struct hc_edge){0};
    hc_status st = load(&e, &out->is_upright, lin, box, err);
    if (st == HC_OK) {
        st = measure(out, &e, err);
    }
    hc_mem_free(e.v);
    hc_mem_free(e.profile);
    hc_mem_free(e.count);
    return st;
}

// ---- an edge in the target ----------------------------------------------------------------------

// Where the tone changes most on the way out of patch (i, j) in direction (di, dj): the distance
// from its middle in patch distances, and the change.
static double border_at(double *step, const struct hc_lin3 *lin, const struct hc_homog *h, double i,
                        double j, int di, int dj)
{
    double best = 0.0, before = 0.0;
    *step = 0.0;
    for (int k = 0; k <= 40; k++) {
        double t = 0.25 + 0.01 * k, sum = 0.0;
        for (int s = -2; s <= 2; s++) { // a short piece along the border
            struct hc_pt g = {i + di * t + 0.05 * s * dj, j + dj * t + 0.05 * s * di};
            struct hc_pt p = hc_homog_apply(h, g);
            if (!(p.x >= 1.0 && p.y >= 1.0 && p.x < lin->ch[0].w - 1 && p.y < lin->ch[0].h - 1)) {
                return 0.0;
            }
            sum += luminance(lin, (int)p.x, (int)p.y) / 5.0;
        }
        if (k > 0 && before - sum > *step) {
            *step = before - sum;
            best = t - 0.005;
        }
        before = sum;
    }
    return best;
}

hc_status hc_edge_in_target(struct hc_box *out, const struct hc_lin3 *lin,
                            const struct hc_target *target, const struct hc_pt corner[4],
                            struct hc_err *err)
{
    static const int way[4][2] = {{1, 0}, {0, 1}, {-1, 0}, {0, -1}};
    struct hc_homog h;
    double best = 0.0;
    hc_status st = hc_place_homog(&h, corner, target->rows, target->cols, err);
    for (int n = 0; st == HC_OK && n < target->n; n++) {
        double i = n % target->cols + 0.5, j = n / target->cols + 0.5; // NOLINT: whole rows
        for (int k = 0; k < 4 && target->patch[n].is_neutral; k++) {
            int di = way[k][0], dj = way[k][1], ni = n % target->cols + di,
                nj = n / target->cols + dj;
            double step, t;
            if (ni >= 0 && nj >= 0 && ni < target->cols && nj < target->rows) {
                continue; // a neighbour's edge would lie in the box too
            }
            t = border_at(&step, lin, &h, i, j, di, dj);
            struct hc_pt m = hc_homog_apply(&h, (struct hc_pt){i + di * t, j + dj * t});
            struct hc_pt a =
                hc_homog_apply(&h, (struct hc_pt){i + di * t + 0.25 * dj, j + dj * t + 0.25 * di});
            double dx = fabs(a.x - m.x), dy = fabs(a.y - m.y), along = fmax(dx, dy);
            double off = atan2(fmin(dx, dy), along) * 180.0 / PI;
            double across = 0.72 * along; // 0.18 patch distances, inside the border of the target
            if (t <= 0.0 || off < ANGLE_MIN || off > ANGLE_MAX || 2.0 * across < SIDE_MIN ||
                2.0 * along > SIDE_MAX || step <= best) {
                continue;
            }
            double hx = dy > dx ? across : along, hy = dy > dx ? along : across;
            struct hc_box box = {floor(m.x - hx), floor(m.y - hy), ceil(m.x + hx), ceil(m.y + hy)};
            if (box.x0 >= 0.0 && box.y0 >= 0.0 && box.x1 <= lin->ch[0].w &&
                box.y1 <= lin->ch[0].h) {
                best = step;
                *out = box;
            }
        }
    }
    if (st == HC_OK && best <= 0.0) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_CALIBRATE_ROOM,
                        "no patch border can serve as a slanted edge: turn the target by about 5 "
                        "degrees, or give the box of an edge");
    }
    return st;
}
