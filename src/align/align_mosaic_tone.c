// Tone: one gain and one offset for each plate, from what the overlaps share (eq. 6).
#include <math.h>
#include <string.h>

#include "align/align_mosaic_priv.h"
#include "base/mem.h"
#include "num/filter.h"
#include "num/linear.h"

#define ROUNDS 6
#define SOFT_PX 2.0 // blur of the overviews: fine detail never falls on the pixels in the same way
#define EDGE_PX 3.0 // overview px at the border of a plate are not asked
#define MIN_SAMPLES 20
#define RIDGE 1e-4     // pulls an undetermined gain to 1 and offset to 0
#define MAX_WEIGHT 1e4 // of one overlap in the gains

// Tones of the same places in two plates.
struct samples {
    float *a, *b;
    size_t n;
};

// Moments of the samples that agree with the line b = mb + slope (a - ma).
struct relation {
    double ma, mb, slope; // means, and the ratio of the spreads
    double correlation, n, rms;
};

static hc_status collect(struct samples *s, const struct hc_align_mosaic *m, int a, int b,
                         const struct hc_mosaic_plate *plate, int over_k, struct hc_err *err)
{
    const struct hc_plane *pa = &plate[a].over, *pb = &plate[b].over;
    struct hc_homog back, to_b;
    hc_status st = hc_homog_invert(&back, &m->plate[b].to_mosaic, err);
    s->n = 0;
    if (st != HC_OK) {
        return st;
    }
    to_b = hc_homog_compose(&back, &m->plate[a].to_mosaic);
    for (int y = 0; y < pa->h; y++) {
        for (int x = 0; x < pa->w; x++) {
            struct hc_pt p = {(x + 0.5) * over_k, (y + 0.5) * over_k}, q;
            q = hc_homog_apply(&to_b, p);
            q.x /= over_k;
            q.y /= over_k;
            if (x >= EDGE_PX && y >= EDGE_PX && x + 1 <= pa->w - EDGE_PX &&
                y + 1 <= pa->h - EDGE_PX && q.x >= EDGE_PX && q.y >= EDGE_PX &&
                q.x <= pb->w - EDGE_PX && q.y <= pb->h - EDGE_PX) {
                s->a[s->n] = hc_plane_get(pa, x, y);
                s->b[s->n++] = hc_filter_bilinear(pb, q.x, q.y);
            }
        }
    }
    return HC_OK;
}

// Reduced major axis with biweights: neither plate is taken for the exact one.
static struct relation relate(const struct samples *s)
{
    struct relation r = {.slope = 1, .rms = HUGE_VAL};
    for (int round = 0; round < ROUNDS; round++) {
        double w = 0, sa = 0, sb = 0, aa = 0, bb = 0, ab = 0, left = 0, cut = 4.685 * r.rms;
        struct relation was = r;
        for (int second = 0; second < 2; second++) { // means first, then moments about them
            for (size_t i = 0; i < s->n; i++) {
                double x = (double)s->a[i], y = (double)s->b[i];
                double e = y - was.mb - was.slope * (x - was.ma), u = e / cut;
                double k = round == 0 ? 1 : fabs(u) < 1 ? (1 - u * u) * (1 - u * u) : 0;
                if (!second) {
                    w += k;
                    sa += k * x;
                    sb += k * y;
                } else {
                    aa += k * (x - r.ma) * (x - r.ma);
                    bb += k * (y - r.mb) * (y - r.mb);
                    ab += k * (x - r.ma) * (y - r.mb);
                }
            }
            if (!(w > 0)) {
                return was;
            }
            r.ma = sa / w;
            r.mb = sb / w;
        }
        r.n = w;
        r.correlation = aa > 0 && bb > 0 ? ab / sqrt(aa * bb) : 0;
        r.slope = r.correlation > 0 ? sqrt(bb / aa) : 1;
        left = bb - 2 * r.slope * ab + r.slope * r.slope * aa;
        r.rms = fmax(sqrt(fmax(left, 0) / w), 1e-9);
    }
    return r;
}

// Minimise sum w (x_a - x_b - d)^2 with the reference at 0.
struct differences {
    int n, reference;
    double *normal, *right; // n x n, n
};

static void add_difference(struct differences *d, int a, int b, double value, double w)
{
    size_t n = (size_t)d->n, i = (size_t)a, j = (size_t)b;
    d->normal[i * n + i] += w;
    d->normal[j * n + j] += w;
    d->normal[i * n + j] -= w;
    d->normal[j * n + i] -= w;
    d->right[i] += w * value;
    d->right[j] -= w * value;
}

static hc_status solve_differences(struct differences *d)
{
    size_t n = (size_t)d->n, r = (size_t)d->reference;
    for (size_t i = 0; i < n; i++) {
        d->normal[i * n + i] += RIDGE;
        if (i != r) {
            d->normal[i * n + r] = d->normal[r * n + i] = 0;
        }
    }
    d->normal[r * n + r] = 1;
    d->right[r] = 0;
    return hc_linear_solve_spd(d->normal, n, d->right, 1, NULL);
}

static void reset(struct differences *d)
{
    memset(d->normal, 0, (size_t)d->n * (size_t)d->n * sizeof *d->normal);
    memset(d->right, 0, (size_t)d->n * sizeof *d->right);
}

static void add_gain(struct differences *d, const struct hc_align_mosaic_overlap *o,
                     const struct relation *r, bool is_gain_only)
{
    double c2 = r->correlation * r->correlation, w = r->n * c2 / fmax(1 - c2, 1e-3);
    if (r->n < MIN_SAMPLES || !(r->correlation > 0) || !(r->ma > 0 && r->mb > 0)) {
        return;
    }
    // g_a a + o_a = g_b b + o_b: log g_a - log g_b is the log of b's spread (or mean) over a's.
    add_difference(d, o->a, o->b, is_gain_only ? log(r->mb / r->ma) : log(r->slope),
                   fmin(is_gain_only ? r->n : w, MAX_WEIGHT));
}

static double tone_left(const struct hc_align_mosaic *m, int a, int b, const struct relation *r,
                        double range)
{
    double ga = m->plate[a].gain, gb = m->plate[b].gain;
    double shift = ga * r->ma + m->plate[a].offset - gb * r->mb - m->plate[b].offset;
    return range > 0 ? hypot(shift, gb * r->rms) / range : 0;
}

static hc_status fit_tones(struct hc_align_mosaic *m, struct differences *d,
                           const struct relation *rel, bool is_gain_only)
{
    hc_status st;
    reset(d);
    for (size_t i = 0; i < m->overlaps; i++) {
        add_gain(d, &m->overlap[i], &rel[i], is_gain_only);
    }
    st = solve_differences(d);
    for (size_t i = 0; st == HC_OK && i < m->n; i++) {
        m->plate[i].gain = exp(d->right[i]);
        m->plate[i].offset = 0;
    }
    if (st != HC_OK || is_gain_only) {
        return st;
    }
    reset(d);
    for (size_t i = 0; i < m->overlaps; i++) {
        const struct hc_align_mosaic_overlap *o = &m->overlap[i];
        double ga = m->plate[o->a].gain, gb = m->plate[o->b].gain;
        if (rel[i].n >= MIN_SAMPLES) {
            add_difference(d, o->a, o->b, gb * rel[i].mb - ga * rel[i].ma, rel[i].n);
        }
    }
    st = solve_differences(d);
    for (size_t i = 0; st == HC_OK && i < m->n; i++) {
        m->plate[i].offset = d->right[i];
    }
    return st;
}

hc_status hc_mosaic_tone(struct hc_align_mosaic *m, struct hc_mosaic_plate *plate, int over_k,
                         bool is_gain_only, struct hc_err *err)
{
    struct differences d = {.n = (int)m->n, .reference = m->reference};
    struct relation *rel = hc_mem_array(m->overlaps, sizeof *rel);
    struct samples s = {0};
    size_t most = 0;
    hc_status st;
    for (size_t i = 0; i < m->n; i++) {
        size_t px = (size_t)plate[i].over.w * (size_t)plate[i].over.h;
        most = px > most ? px : most;
    }
    s.a = hc_mem_array(2 * most, sizeof *s.a);
    d.normal = hc_mem_array(m->n * m->n, sizeof *d.normal);
    d.right = hc_mem_array(m->n, sizeof *d.right);
    st = rel && s.a && d.normal && d.right
             ? HC_OK
             : hc_err_set(err, HC_ENOMEM, "align", "out of memory for the tones of the plates");
    for (size_t i = 0; st == HC_OK && i < m->n; i++) {
        st = hc_filter_gauss(&plate[i].over, &plate[i].over, SOFT_PX, err);
    }
    for (size_t i = 0; st == HC_OK && i < m->overlaps; i++) {
        s.b = s.a + most;
        st = collect(&s, m, m->overlap[i].a, m->overlap[i].b, plate, over_k, err);
        rel[i] = relate(&s);
    }
    if (st == HC_OK) {
        st = fit_tones(m, &d, rel, is_gain_only);
        st = st == HC_OK ? st
                         : hc_err_set(err, st, "align", "the tones of the plates have no solution");
    }
    for (size_t i = 0; st == HC_OK && i < m->overlaps; i++) {
        m->overlap[i].tone_left =
            tone_left(m, m->overlap[i].a, m->overlap[i].b, &rel[i], plate[m->reference].range);
    }
    hc_mem_free(rel);
    hc_mem_free(s.a);
    hc_mem_free(d.normal);
    hc_mem_free(d.right);
    return st;
}
