// A second opinion on a placement: bounded mutual information of the tones on a small overview
// (docs/theory/align.md, section 10). It shares nothing with the tiles but the pixels.
#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/filter.h"
#include "num/stats.h"

#define SIDE 512 // px of the overview, at most
#define BINS 32
#define BLUR_PX 1.0 // so that interpolation hardly changes the tones
#define EDGE 3      // px of the overviews left out
#define BLOCKS 16
#define PARAMS 4     // shift x, shift y, turn, scale; the last two in px at the frame's corner
#define BOUND 3.0    // px of the overview, for each of them
#define FIRST 2.0    // steps of the search
#define LAST 0.125   // px
#define RING 6.0     // px off, where a placement is certainly wrong
#define MIN_FALL 0.1 // of the information has to be lost there
#define MIN_FALL_NATS 0.02 // raking light has less: its tones lie beside the forms
#define MIN_SAMPLES 2000
#define LIMIT_PX 1.0 // overview px; further apart the two opinions disagree

struct sample {
    float x, y;   // from the frame's centre, in half diagonals
    float vx, vy; // where the fit puts it in the view's overview, px
    int bin;      // of the frame's tone
};
struct opinion {
    struct hc_plane ref, view; // overviews; the view's tones run from 0 to BINS - 1
    const struct hc_align_mask *ignored_ref, *ignored_view;
    double cx, cy, half_w, half_h; // the part of the frame in question, overview px
    int ref_k, view_k;             // frame and view px per overview px
    struct sample *s;
    size_t n;
    double turn[4];              // frame displacement to view displacement, overview px
    double shift[PARAMS];        // now tried
    double (*joint)[BINS][BINS]; // one per block
};

// The same reduction of both views, from the level that has it with the least work.
static hc_status overviews(struct opinion *o, const struct hc_align_placing *pl, struct hc_err *err)
{
    double part = fmax(pl->roi.x1 - pl->roi.x0, pl->roi.y1 - pl->roi.y0);
    int side =
        (int)fmax(part, (pl->w > pl->h ? pl->w : pl->h) / 2.0); // of a detail: no whole frame
    int l = pl->ref.levels > 1 && side / pl->ref.level[1].k >= SIDE / 2 ? 1 : 0;
    int k = pl->ref.level[l].k, by = (side + SIDE * k - 1) / (SIDE * k);
    hc_status st = hc_align_reduce(&o->ref, &pl->ref.level[l].src, by, NULL, NULL, err);
    if (st == HC_OK) {
        st = hc_align_reduce(&o->view, &pl->view.level[l].src, by, NULL, NULL, err);
    }
    o->ref_k = by * k;
    o->cx = (pl->roi.x0 + pl->roi.x1) / 2 / o->ref_k;
    o->cy = (pl->roi.y0 + pl->roi.y1) / 2 / o->ref_k;
    o->half_w = (pl->roi.x1 - pl->roi.x0) / 2 / o->ref_k;
    o->half_h = (pl->roi.y1 - pl->roi.y0) / 2 / o->ref_k;
    o->view_k = by * pl->view.level[l].k;
    return st;
}

// Blurred, and stretched so that the central 99 % of the tones run from 0 to BINS - 1.
static hc_status tones(struct hc_plane *p, struct hc_err *err)
{
    size_t n = (size_t)p->w * (size_t)p->h;
    float *v = hc_mem_alloc(n * sizeof *v), lo, hi;
    hc_status st = v ? hc_filter_gauss(p, p, BLUR_PX, err)
                     : hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu pixels", n);
    if (st == HC_OK) {
        for (int y = 0; y < p->h; y++) {
            memcpy(v + (size_t)y * (size_t)p->w, hc_plane_row(p, y), (size_t)p->w * sizeof *v);
        }
        lo = hc_stats_quantile_f(v, n, 0.005);
        hi = hc_stats_quantile_f(v, n, 0.995);
        for (int y = 0; y < p->h; y++) {
            float *row = hc_plane_row(p, y);
            for (int x = 0; x < p->w; x++) {
                float t = hi > lo ? (row[x] - lo) / (hi - lo) : 0;
                row[x] = fminf(fmaxf(t, 0), 1) * (BINS - 1);
            }
        }
    }
    hc_mem_free(v);
    return st;
}

// Every other pixel of the frame's overview (as on a chessboard) that the view shows.
static hc_status take_samples(struct opinion *o, const struct hc_align_fit *fit, struct hc_err *err)
{
    double cx = o->cx, cy = o->cy, unit = hypot(o->half_w, o->half_h), e = 0.5;
    struct hc_pt at[5] = {{cx, cy}, {cx - e, cy}, {cx + e, cy}, {cx, cy - e}, {cx, cy + e}};
    o->s = hc_mem_array((size_t)o->ref.w * (size_t)o->ref.h / 2 + 1, sizeof *o->s);
    o->joint = hc_mem_array(BLOCKS, sizeof *o->joint);
    if (!o->s || !o->joint) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for a second opinion");
    }
    for (int y = EDGE; y < o->ref.h - EDGE; y++) {
        for (int x = EDGE + y % 2; x < o->ref.w - EDGE; x += 2) {
            struct hc_pt p = {(x + 0.5) * o->ref_k, (y + 0.5) * o->ref_k};
            struct hc_pt q = hc_align_map(fit, p);
            q.x /= o->view_k;
            q.y /= o->view_k;
            if (hc_align_mask_has(o->ignored_ref, p, o->ref_k) ||
                hc_align_mask_has(o->ignored_view, hc_align_map(fit, p), o->view_k)) {
                continue;
            }
            if (q.x > EDGE && q.y > EDGE && q.x < o->view.w - EDGE && q.y < o->view.h - EDGE) {
                o->s[o->n++] = (struct sample){
                    (float)((x + 0.5 - cx) / unit), (float)((y + 0.5 - cy) / unit), (float)q.x,
                    (float)q.y, (int)lroundf(hc_plane_get(&o->ref, x, y))};
            }
        }
    }
    for (int k = 0; k < 5; k++) {
        at[k].x *= o->ref_k;
        at[k].y *= o->ref_k;
        at[k] = hc_homog_apply(&fit->frame_to_view, at[k]);
        at[k].x /= o->view_k;
        at[k].y /= o->view_k;
    }
    o->turn[0] = at[2].x - at[1].x;
    o->turn[1] = at[4].x - at[3].x;
    o->turn[2] = at[2].y - at[1].y;
    o->turn[3] = at[4].y - at[3].y;
    return HC_OK;
}

// Displacement in the frame, overview px, of a sample under the shift, turn and scale tried.
static struct hc_pt displace(const double shift[PARAMS], double x, double y)
{
    return (struct hc_pt){shift[0] - shift[2] * y + shift[3] * x,
                          shift[1] + shift[2] * x + shift[3] * y};
}

static void count(void *ctx, int block, int y0, int y1)
{
    struct opinion *o = ctx;
    double(*joint)[BINS] = o->joint[block];
    size_t first = o->n * (size_t)block / BLOCKS, end = o->n * (size_t)(block + 1) / BLOCKS;
    (void)y0;
    (void)y1;
    memset(joint, 0, sizeof *o->joint);
    for (size_t i = first; i < end; i++) {
        const struct sample *s = &o->s[i];
        struct hc_pt d = displace(o->shift, (double)s->x, (double)s->y);
        double vx = (double)s->vx + o->turn[0] * d.x + o->turn[1] * d.y;
        double vy = (double)s->vy + o->turn[2] * d.x + o->turn[3] * d.y;
        double t = (double)hc_filter_bilinear(&o->view, vx, vy);
        int b = (int)fmin(t, BINS - 2.0);
        joint[s->bin][b] += b + 1 - t; // shared by the two nearest bins: smooth in the shift
        joint[s->bin][b + 1] += t - b;
    }
}

// Mutual information (nats) of the frame's tones and the view's at a shift (eq. 7).
static double information(struct opinion *o, const double shift[PARAMS], struct hc_par *par)
{
    double row[BINS] = {0}, column[BINS] = {0}, all = 0, sum = 0;
    double(*joint)[BINS] = o->joint[0];
    memcpy(o->shift, shift, sizeof o->shift);
    hc_par_rows(par, BLOCKS * HC_BLOCK, count, o);
    for (int i = 0; i < BINS; i++) {
        for (int j = 0; j < BINS; j++) {
            for (int b = 1; b < BLOCKS; b++) {
                joint[i][j] += o->joint[b][i][j];
            }
            row[i] += joint[i][j];
            column[j] += joint[i][j];
            all += joint[i][j];
        }
    }
    for (int i = 0; i < BINS; i++) {
        for (int j = 0; j < BINS; j++) {
            if (joint[i][j] > 0) {
                sum += joint[i][j] * log(joint[i][j] * all / (row[i] * column[j]));
            }
        }
    }
    return sum / all;
}

// Compass search with halved steps, inside the bounds.
static double search(struct opinion *o, double best[PARAMS], struct hc_par *par)
{
    double top = information(o, best, par);
    for (double step = FIRST; step >= LAST;) {
        double from[PARAMS], before = top;
        memcpy(from, best, sizeof from);
        for (int k = 0; k < 2 * PARAMS; k++) {
            double at[PARAMS], v;
            memcpy(at, from, sizeof at);
            at[k / 2] += k % 2 ? step : -step;
            if (fabs(at[k / 2]) > BOUND) {
                continue;
            }
            v = information(o, at, par);
            if (v > top) {
                top = v;
                memcpy(best, at, sizeof at);
            }
        }
        step *= top > before ? 1 : 0.5;
    }
    return top;
}

// What the information falls to on average when the placement is RING px off.
static double off_target(struct opinion *o, const double best[PARAMS], struct hc_par *par)
{
    double sum = 0;
    for (int k = 0; k < 8; k++) {
        double at[PARAMS];
        memcpy(at, best, sizeof at);
        at[0] += RING * cos(k * M_PI / 4);
        at[1] += RING * sin(k * M_PI / 4);
        sum += information(o, at, par) / 8;
    }
    return sum;
}

// Mean length of a displacement over the frame, overview px.
static double mean_length(const struct opinion *o, const double shift[PARAMS])
{
    double unit = hypot(o->half_w, o->half_h), sum = 0;
    for (int k = 0; k < 25; k++) {
        double x = (k % 5 / 2.0 - 1) * o->half_w / unit, y = (k / 5 / 2.0 - 1) * o->half_h / unit;
        struct hc_pt d = displace(shift, x, y);
        sum += hypot(d.x, d.y) / 25;
    }
    return sum;
}

hc_status hc_align_opine(double *away_px, double *limit_px, const struct hc_align_placing *pl,
                         const struct hc_align_fit *fit, struct hc_par *par, struct hc_err *err)
{
    struct opinion o = {.ignored_ref = &pl->ignored_ref, .ignored_view = &pl->ignored_view};
    double best[PARAMS] = {0};
    hc_status st = overviews(&o, pl, err);
    *away_px = (double)NAN;
    *limit_px = LIMIT_PX * o.ref_k;
    if (st == HC_OK) {
        st = tones(&o.ref, err);
    }
    if (st == HC_OK) {
        st = tones(&o.view, err);
    }
    if (st == HC_OK) {
        st = take_samples(&o, fit, err);
    }
    if (st == HC_OK && o.n >= MIN_SAMPLES) {
        double top = search(&o, best, par), fall = top - off_target(&o, best, par);
        // what independent tones seem to have in common, by chance (Miller 1955; from memory)
        double chance = (BINS - 1) * (BINS - 1) / (2.0 * (double)o.n);
        if (fall > MIN_FALL * top && fall > fmax(2 * chance, MIN_FALL_NATS)) {
            *away_px = mean_length(&o, best) * o.ref_k;
        }
    }
    hc_plane_release(&o.ref);
    hc_plane_release(&o.view);
    hc_mem_free(o.s);
    hc_mem_free(o.joint);
    return st;
}
