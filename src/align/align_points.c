// Placement by pairs of points that a person marked (docs/theory/align.md, section 8).
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/linear.h"
#include "num/stats.h"

// Reasons of the bars: docs/theory/align.md, section 8.
#define MIN_PAIRS 4
#define MIN_NAMED 6 // with 5 pairs any 4 fit exactly, so a wrong one cannot be told from the rest
#define MIN_TWO 9   // pairs for two wrong ones to be named
#define GOOD_PAIRS 8
#define GOOD_MEDIAN_PX 1.0
#define GOOD_P95_PX 2.0
#define USABLE_MEDIAN_PX 3.0
#define USABLE_P95_PX 8.0
#define NAMED_PX 3.0    // no pair is named for less
#define CLEAN_SHARE 0.3 // without a wrong pair the others miss one another this much less
#define GOOD_STRAIN 0.1
#define MAX_STRAIN 0.5
#define APART 0.03        // least distance of two points, in units of `place`
#define MIN_TRIANGLE 0.15 // least area of the triangles of four points; a square has 2
#define ROUNDS 4
#define NONE HC_ALIGN_MAX_PAIRS // no pair

// The pairs in units in which the centre is 0 and the mean distance from it is sqrt(2) (Hartley,
// IEEE Trans. PAMI 19(6), 1997).
struct place {
    double centre[2], unit;
};
struct points {
    size_t n;
    struct hc_pt p[HC_ALIGN_MAX_PAIRS], t[HC_ALIGN_MAX_PAIRS]; // normalised: frame, view
    struct place frame, view;
    bool is_out[HC_ALIGN_MAX_PAIRS]; // of the fit now made
};

static struct place normalise(struct hc_pt *out, const struct hc_pt *in, size_t n)
{
    struct place a = {{0, 0}, 0};
    for (size_t i = 0; i < n; i++) {
        a.centre[0] += in[i].x / (double)n;
        a.centre[1] += in[i].y / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        a.unit += hypot(in[i].x - a.centre[0], in[i].y - a.centre[1]) / ((double)n * M_SQRT2);
    }
    for (size_t i = 0; i < n && a.unit > 0; i++) {
        out[i].x = (in[i].x - a.centre[0]) / a.unit;
        out[i].y = (in[i].y - a.centre[1]) / a.unit;
    }
    return a;
}

static double triangle(const struct hc_pt *p, size_t a, size_t b, size_t c)
{
    return fabs((p[b].x - p[a].x) * (p[c].y - p[a].y) - (p[c].x - p[a].x) * (p[b].y - p[a].y)) / 2;
}

static bool is_open(const struct points *s, size_t a, size_t b, size_t c)
{
    return triangle(s->p, a, b, c) > MIN_TRIANGLE && triangle(s->t, a, b, c) > MIN_TRIANGLE;
}

// Four pairs, no three of them on a line: then the others may lie anywhere.
static bool is_determined(const struct points *s)
{
    for (size_t a = 0; a < s->n; a++) {
        for (size_t b = a + 1; b < s->n && !s->is_out[a]; b++) {
            for (size_t c = b + 1; c < s->n && !s->is_out[b]; c++) {
                if (s->is_out[c] || !is_open(s, a, b, c)) {
                    continue;
                }
                for (size_t d = c + 1; d < s->n; d++) {
                    if (!s->is_out[d] && is_open(s, a, b, d) && is_open(s, a, c, d) &&
                        is_open(s, b, c, d)) {
                        return true;
                    }
                }
            }
        }
    }
    return false;
}

// Least squares over the pairs that are not out, in normalised units. Each round divides the
// equations of eq. 4 by the denominator found before, so that distances in the view are minimised.
static hc_status solve(struct hc_homog *g, const struct points *s)
{
    static const double ridge[8] = {1e-15, 1e-15, 1e-15, 1e-15, 1e-15, 1e-15, 1e-15, 1e-15};
    double x[2 * HC_ALIGN_MAX_PAIRS * 8], y[2 * HC_ALIGN_MAX_PAIRS], c[8] = {0};
    for (int round = 0; round < ROUNDS; round++) {
        size_t rows = 0;
        hc_status st;
        for (size_t i = 0; i < s->n; i++) {
            double px = s->p[i].x, py = s->p[i].y, tx = s->t[i].x, ty = s->t[i].y;
            double den = 1 + c[6] * px + c[7] * py, w = fabs(den) > 0.05 ? 1 / fabs(den) : 20;
            double row[2][8] = {{px, py, 1, 0, 0, 0, -tx * px, -tx * py},
                                {0, 0, 0, px, py, 1, -ty * px, -ty * py}};
            for (size_t e = 0; e < 2 && !s->is_out[i]; e++, rows++) {
                for (size_t k = 0; k < 8; k++) {
                    x[rows * 8 + k] = w * row[e][k];
                }
                y[rows] = w * (e ? ty : tx);
            }
        }
        st = hc_linear_ridge(c, x, y, NULL, ridge, rows, 8, 1, NULL);
        if (st != HC_OK) {
            return st;
        }
    }
    *g = (struct hc_homog){{c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7], 1}};
    return HC_OK;
}

// The fit of all but `a` and `b` (NONE for nobody), in normalised units.
static hc_status solve_without(struct hc_homog *g, struct points *s, size_t a, size_t b)
{
    for (size_t i = 0; i < s->n; i++) {
        s->is_out[i] = i == a || i == b;
    }
    return is_determined(s) ? solve(g, s) : HC_ENUMERIC;
}

// Marked place minus fitted place of pair i, frame px; far away when the fit cannot say.
static struct hc_pt miss(const struct points *s, const struct hc_homog *g, size_t i)
{
    struct hc_homog back;
    struct hc_pt q = {HUGE_VAL, 0}, d;
    if (hc_homog_invert(&back, g, NULL) == HC_OK) {
        q = hc_homog_apply(&back, s->t[i]);
    }
    d.x = (q.x - s->p[i].x) * s->frame.unit;
    d.y = (q.y - s->p[i].y) * s->frame.unit;
    return isfinite(d.x) && isfinite(d.y) ? d : (struct hc_pt){1e6, 1e6};
}

// Root mean square miss of the pairs that the fit was made of, per degree of freedom left.
static double scatter(const struct points *s, const struct hc_homog *g)
{
    double sum = 0;
    size_t n = 0;
    for (size_t i = 0; i < s->n; i++) {
        if (!s->is_out[i]) {
            struct hc_pt d = miss(s, g, i);
            sum += d.x * d.x + d.y * d.y;
            n++;
        }
    }
    return n > 4 ? sqrt(sum / (2.0 * (double)n - 8)) : HUGE_VAL;
}

// Which one pair, or two, when left out make the others agree? false when none stands out. The fit
// of the others goes to *g, the pairs to who[2] (NONE when only one).
static bool name_wrong(struct hc_homog *g, size_t who[2], struct points *s, double all)
{
    for (size_t two = 0; two < 2 && s->n >= (two ? MIN_TWO : MIN_NAMED); two++) {
        double best = HUGE_VAL, rival = HUGE_VAL;
        for (size_t a = 0; a < s->n; a++) {
            for (size_t b = two ? a + 1 : s->n; b < (two ? s->n : s->n + 1); b++) {
                struct hc_homog h;
                double e;
                if (solve_without(&h, s, a, b) != HC_OK) {
                    continue;
                }
                e = scatter(s, &h);
                rival = e < best ? best : fmin(rival, e);
                if (e < best) {
                    best = e;
                    who[0] = a;
                    who[1] = two ? b : NONE;
                    *g = h;
                }
            }
        }
        if (best < CLEAN_SHARE * all && best < CLEAN_SHARE * rival) {
            return true;
        }
    }
    return false;
}

static struct hc_homog to_px(const struct points *s, const struct hc_homog *g)
{
    const struct place *f = &s->frame, *v = &s->view;
    struct hc_homog in = {{1 / f->unit, 0, -f->centre[0] / f->unit, 0, 1 / f->unit,
                           -f->centre[1] / f->unit, 0, 0, 1}};
    struct hc_homog out = {{v->unit, 0, v->centre[0], 0, v->unit, v->centre[1], 0, 0, 1}};
    struct hc_homog h = hc_homog_compose(g, &in);
    h = hc_homog_compose(&out, &h);
    for (int k = 0; k < 9 && h.m[8] != 0; k++) {
        h.m[k] /= k < 8 ? h.m[8] : 1;
    }
    h.m[8] = h.m[8] != 0 ? 1 : 0;
    return h;
}

static hc_status check_pairs(struct points *s, const struct hc_pt *frame, const struct hc_pt *view,
                             size_t n, int w, int h, struct hc_err *err)
{
    if (n < MIN_PAIRS || n > HC_ALIGN_MAX_PAIRS) {
        return hc_err_set(err, n < MIN_PAIRS ? HC_EREFUSED : HC_ELIMIT, "align",
                          "%zu pairs of points were given; a placement takes %d to %d, better 8 "
                          "to 12 spread to the corners",
                          n, MIN_PAIRS, HC_ALIGN_MAX_PAIRS);
    }
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(view[i].x) || !isfinite(view[i].y) || !(frame[i].x >= 0) ||
            !(frame[i].y >= 0) || !(frame[i].x <= w) || !(frame[i].y <= h)) {
            return hc_err_set(err, HC_EARG, "align",
                              "pair %zu lies at %g, %g, outside the frame of %d x %d px, or is not "
                              "a number",
                              i + 1, frame[i].x, frame[i].y, w, h);
        }
    }
    s->n = n;
    s->frame = normalise(s->p, frame, n);
    s->view = normalise(s->t, view, n);
    for (size_t i = 0; i < n; i++) {
        for (size_t j = i + 1; j < n; j++) {
            bool in_frame = hypot(s->p[i].x - s->p[j].x, s->p[i].y - s->p[j].y) < APART;
            if (in_frame || hypot(s->t[i].x - s->t[j].x, s->t[i].y - s->t[j].y) < APART) {
                return hc_err_set(err, HC_EREFUSED, "align",
                                  "pairs %zu and %zu mark almost the same place in the %s: move "
                                  "one away or leave it out",
                                  i + 1, j + 1, in_frame ? "frame" : "view");
            }
        }
    }
    if (!is_determined(s)) {
        return hc_err_set(err, HC_EREFUSED, "align",
                          "no four of the %zu pairs span an area, three or more lie nearly on one "
                          "line: mark places towards all four corners",
                          n);
    }
    return HC_OK;
}

// The convex hull of the points (gift wrapping).
static size_t make_hull(struct hc_pt *hull, const struct hc_pt *p, size_t n)
{
    size_t count = 0, first = 0, at;
    for (size_t i = 1; i < n; i++) {
        first = p[i].x < p[first].x || (p[i].x <= p[first].x && p[i].y < p[first].y) ? i : first;
    }
    at = first;
    do {
        size_t next = at == 0;
        hull[count++] = p[at];
        for (size_t i = 0; i < n; i++) {
            double side = (p[next].x - p[at].x) * (p[i].y - p[at].y) -
                          (p[i].x - p[at].x) * (p[next].y - p[at].y);
            double near = hypot(p[next].x - p[at].x, p[next].y - p[at].y);
            bool is_on = side == 0 && hypot(p[i].x - p[at].x, p[i].y - p[at].y) > near;
            next = i != at && (side < 0 || is_on) ? i : next;
        }
        at = next;
    } while (at != first && count < n);
    return count;
}

// Share of what the view shows of the frame that lies inside the hull; the cells there are
// supported.
static hc_status report_support(struct hc_align_fit *out, const struct hc_pt *p, size_t n,
                                int frame_w, int frame_h, int view_w, int view_h,
                                struct hc_err *err)
{
    struct hc_align_support *s = &out->support;
    struct hc_pt hull[HC_ALIGN_MAX_PAIRS];
    size_t count = make_hull(hull, p, n);
    int shown = 0, inside = 0;
    hc_status st = hc_align_support_create(s, frame_w, frame_h, 1, err);
    for (int k = 0; st == HC_OK && k < s->cols * s->rows; k++) {
        struct hc_pt at = hc_align_support_centre(s, k % s->cols, k / s->cols, frame_w, frame_h);
        struct hc_pt q = hc_homog_apply(&out->frame_to_view, at);
        bool is_shown = q.x >= 0 && q.y >= 0 && q.x <= view_w && q.y <= view_h;
        s->is_supported[k] = is_shown && hc_poly_has(hull, count, at);
        shown += is_shown;
        inside += s->is_supported[k];
    }
    out->area_supported = shown ? (double)inside / shown : 0;
    return st;
}

// The box round the pairs: where a map may be asked to be plausible.
static struct hc_box box_of(const struct hc_align_fit *out, int frame_w, int frame_h)
{
    struct hc_box b = hc_poly_box(out->outline, 4), all = {0, 0, frame_w, frame_h};
    b = (struct hc_box){fmax(b.x0, 0), fmax(b.y0, 0), fmin(b.x1, frame_w), fmin(b.y1, frame_h)};
    return out->is_detail && b.x1 > b.x0 && b.y1 > b.y0 ? b : all;
}

// Each pair against the fit of the others; only what the others determine is checked.
static void report_pairs(struct hc_align_fit *out, struct points *s, const struct hc_pt *frame)
{
    double length[HC_ALIGN_MAX_PAIRS];
    size_t checked = 0;
    out->tiles = out->tiles_textured = out->tiles_clear = out->tiles_used = (int)s->n;
    for (size_t i = 0; i < s->n; i++) {
        struct hc_align_tile *t = &out->tile[i];
        struct hc_homog g;
        *t = (struct hc_align_tile){
            .x = frame[i].x, .y = frame[i].y, .is_clear = true, .is_used = true};
        if (s->n > MIN_PAIRS && solve_without(&g, s, i, NONE) == HC_OK) {
            struct hc_pt d = miss(s, &g, i);
            t->dx = d.x;
            t->dy = d.y;
            t->is_held_out = true;
            length[checked++] = hypot(d.x, d.y);
        }
    }
    out->held_out_median_px = checked ? hc_stats_median(length, checked) : (double)NAN;
    out->held_out_p95_px = checked ? hc_stats_quantile(length, checked, 0.95) : (double)NAN;
}

static void judge_pairs(struct hc_align_fit *out, const struct points *s, double strain)
{
    double unit = fmax(1, 1 / out->scale), share = 100 * out->area_supported;
    out->verdict = HC_ALIGN_USABLE;
    if (!(strain < MAX_STRAIN)) {
        out->verdict = HC_ALIGN_REFUSED;
        snprintf(out->why, sizeof out->why,
                 "the pairs fold the picture or stretch a part of it by over %.0f %%: the points "
                 "of some pairs may be exchanged",
                 100 * MAX_STRAIN);
    } else if (out->area_supported < HC_ALIGN_MIN_SUPPORTED) {
        out->verdict = HC_ALIGN_REFUSED;
        snprintf(out->why, sizeof out->why,
                 "the pairs enclose only %.0f %% of what the view shows, at least %.0f %% are "
                 "needed: mark "
                 "places nearer to the corners",
                 share, 100 * HC_ALIGN_MIN_SUPPORTED);
    } else if (isnan(out->held_out_median_px)) {
        snprintf(out->why, sizeof out->why,
                 "%zu pairs give this placement and none is left to check it: its error is not "
                 "known; add pairs (8 to 12 are good); %.0f %% of what it shows is enclosed",
                 s->n, share);
    } else if (out->held_out_median_px > USABLE_MEDIAN_PX * unit ||
               out->held_out_p95_px > USABLE_P95_PX * unit) {
        out->verdict = HC_ALIGN_REFUSED;
        snprintf(out->why, sizeof out->why,
                 "the pairs do not agree: each misses the others by %.1f px (median), %.1f px "
                 "(95 %%); up to %.1f and %.1f can be used%s",
                 out->held_out_median_px, out->held_out_p95_px, USABLE_MEDIAN_PX * unit,
                 USABLE_P95_PX * unit,
                 s->n < MIN_NAMED
                     ? "; with 5 pairs it cannot be told which is wrong: add one or two"
                     : ": check them all");
    } else {
        bool good = s->n >= GOOD_PAIRS && strain < GOOD_STRAIN &&
                    out->held_out_median_px <= GOOD_MEDIAN_PX &&
                    out->held_out_p95_px <= GOOD_P95_PX &&
                    out->area_supported >= HC_ALIGN_GOOD_SUPPORTED;
        out->verdict = good ? HC_ALIGN_GOOD : HC_ALIGN_USABLE;
        snprintf(out->why, sizeof out->why,
                 "placed by %zu pairs of points; each misses the others by %.1f px (median), %.1f "
                 "px (95 %%); %.0f %% of what it shows is enclosed",
                 s->n, out->held_out_median_px, out->held_out_p95_px, share);
    }
}

// The others' fit becomes the guess, and the pairs that do not fit are named.
static void accuse(struct hc_align_fit *out, const struct points *s, const struct hc_homog *g,
                   const size_t who[2])
{
    double length[2] = {0};
    for (size_t i = 0; i < s->n; i++) {
        struct hc_align_tile *t = &out->tile[i];
        struct hc_pt d = miss(s, g, i);
        t->dx = d.x;
        t->dy = d.y;
        for (size_t k = 0; k < 2; k++) {
            if (i == who[k]) {
                t->is_used = false;
                out->tiles_used--;
                length[k] = hypot(d.x, d.y);
            }
        }
    }
    out->verdict = HC_ALIGN_REFUSED;
    if (who[1] == NONE) {
        snprintf(out->why, sizeof out->why,
                 "pair %zu misses the others by %.0f px: check it, or leave it out", who[0] + 1,
                 length[0]);
    } else {
        snprintf(out->why, sizeof out->why,
                 "pairs %zu and %zu miss the others by %.0f and %.0f px: check them, or leave them "
                 "out",
                 who[0] + 1, who[1] + 1, length[0], length[1]);
    }
}

hc_status hc_align_points(struct hc_align_fit *out, const struct hc_pt *frame,
                          const struct hc_pt *view, size_t n, int frame_w, int frame_h, int view_w,
                          int view_h, struct hc_err *err)
{
    struct points s = {0};
    struct hc_homog g, others;
    size_t who[2] = {NONE, NONE};
    hc_status st = check_pairs(&s, frame, view, n, frame_w, frame_h, err);
    double strain;
    memset(out, 0, sizeof *out);
    if (st != HC_OK) {
        return st;
    }
    st = solve_without(&g, &s, NONE, NONE);
    if (st != HC_OK) {
        return hc_err_set(err, HC_EREFUSED, "align",
                          "the %zu pairs do not determine a placement: mark places towards all "
                          "four corners",
                          n);
    }
    out->second_opinion_px = (double)NAN;
    out->tile = hc_mem_array(n, sizeof *out->tile);
    if (!out->tile) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu pairs", n);
    }
    report_pairs(out, &s, frame);
    out->frame_to_view = to_px(&s, &g);
    snprintf(out->kind, sizeof out->kind, "pairs of points");
    hc_align_report_place(out, frame_w, frame_h, view_w, view_h);
    strain = hc_align_strain(&out->frame_to_view, box_of(out, frame_w, frame_h));
    st = report_support(out, frame, n, frame_w, frame_h, view_w, view_h, err);
    if (st != HC_OK) {
        hc_align_fit_release(out);
        return st;
    }
    judge_pairs(out, &s, strain);
    if (out->verdict == HC_ALIGN_REFUSED || out->held_out_p95_px > NAMED_PX) {
        st = solve_without(&g, &s, NONE, NONE); // leaves is_out as scatter needs it
        if (st == HC_OK && name_wrong(&others, who, &s, scatter(&s, &g))) {
            out->frame_to_view = to_px(&s, &others);
            hc_align_report_place(out, frame_w, frame_h, view_w, view_h);
            accuse(out, &s, &others, who);
        }
    }
    return HC_OK;
}
