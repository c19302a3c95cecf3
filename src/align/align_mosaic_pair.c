// Two plates, finely: tiles laid in their overlap, and a similarity that most of them share.
#include <math.h>
#include <string.h>

#include "align/align_mosaic_priv.h"
#include "base/mem.h"
#include "num/linear.h"
#include "num/stats.h"

#define LATTICE 96        // of the overlap's outline
#define WANTED_TILES 100  // in an overlap
#define FEW_TILES 60      // below, staggered tiles are added
#define MIN_AGREEING 8    // tiles; fewer are an accident
#define MIN_OF_CLEAR 0.5  // of the clear tiles must agree
#define MIN_OF_TILES 0.12 // of the textured tiles must agree
#define MAX_TURN_DEG 8.0
#define MAX_SCALE 0.05 // from 1
#define SAME_SHARE 0.97
#define SLACK 0.02 // of the distance: what a wrong turn or scale may part two tiles by

// A piece of a plate as a source of its own.
struct piece {
    const struct hc_align_source *of;
    int x0, y0;
};

static hc_status read_piece(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    const struct piece *p = ctx;
    return p->of->read(p->of->ctx, p->x0 + x0, p->y0 + y0, out, err);
}

double hc_mosaic_overlap(struct hc_box *box, const struct hc_homog *a_to_b,
                         const struct hc_align_source *a, const struct hc_align_source *b)
{
    double dx = (double)a->w / LATTICE, dy = (double)a->h / LATTICE;
    int in = 0;
    *box = (struct hc_box){HUGE_VAL, HUGE_VAL, -HUGE_VAL, -HUGE_VAL};
    for (int i = 0; i < LATTICE * LATTICE; i++) {
        struct hc_pt p = {(i % LATTICE + 0.5) * dx, ((double)(i / LATTICE) + 0.5) * dy};
        struct hc_pt q = hc_homog_apply(a_to_b, p);
        if (q.x >= 0 && q.y >= 0 && q.x <= b->w && q.y <= b->h) {
            in++;
            box->x0 = fmin(box->x0, p.x - dx / 2);
            box->y0 = fmin(box->y0, p.y - dy / 2);
            box->x1 = fmax(box->x1, p.x + dx / 2);
            box->y1 = fmax(box->y1, p.y + dy / 2);
        }
    }
    return (double)in / (LATTICE * LATTICE);
}

// Widens lo..hi to at least `side` within 0..all; false when there is no room.
static bool widen(int *lo, int *hi, int side, int all)
{
    if (*hi - *lo < side) {
        *lo = (*lo + *hi - side) / 2;
        *lo = *lo + side > all ? all - side : *lo;
        *lo = *lo < 0 ? 0 : *lo;
        *hi = *lo + side;
    }
    return *hi <= all;
}

// One pass over the overlap at full size or the middle level.
struct pass {
    const struct hc_align_level *a, *b;
    double floor_a, floor_b;
    int size, radius;
};

static hc_status lay(struct hc_align_measure **out, size_t *n, const struct pass *ps,
                     const struct hc_homog *a_to_b, const struct hc_box *box, bool is_staggered,
                     int step, struct hc_par *par, struct hc_err *err)
{
    const struct hc_align_source *src = &ps->a->src;
    int k = ps->a->k, x0 = (int)fmax(0, floor(box->x0 / k)), y0 = (int)fmax(0, floor(box->y0 / k));
    int x1 = (int)fmin(src->w, ceil(box->x1 / k)), y1 = (int)fmin(src->h, ceil(box->y1 / k));
    struct piece piece = {src, 0, 0};
    struct hc_align_level level = {.k = k};
    struct hc_align_pass pass = {.ref = &level,
                                 .view = ps->b,
                                 .floor_ref = ps->floor_a,
                                 .floor_view = ps->floor_b,
                                 .size = ps->size,
                                 .step = step,
                                 .radius = ps->radius,
                                 .is_staggered = is_staggered};
    struct hc_homog shift;
    hc_status st;
    *out = NULL;
    *n = 0;
    if (!widen(&x0, &x1, ps->size, src->w) || !widen(&y0, &y1, ps->size, src->h)) {
        return HC_OK;
    }
    piece.x0 = x0;
    piece.y0 = y0;
    level.src = (struct hc_align_source){x1 - x0, y1 - y0, read_piece, &piece};
    shift = (struct hc_homog){{1, 0, (double)x0 * k, 0, 1, (double)y0 * k, 0, 0, 1}};
    pass.frame_to_view = hc_homog_compose(a_to_b, &shift);
    st = hc_align_measure(out, n, &pass, par, NULL, err);
    for (size_t i = 0; i < *n; i++) {
        (*out)[i].x += x0 * k;
        (*out)[i].y += y0 * k;
    }
    return st;
}

// Tiles of one pass: enough of them, at most half on top of one another.
static hc_status lay_all(struct hc_align_measure **out, size_t *n, const struct pass *ps,
                         const struct hc_homog *a_to_b, const struct hc_mosaic_plate *a,
                         const struct hc_mosaic_plate *b, struct hc_par *par, struct hc_err *err)
{
    struct hc_box box;
    struct hc_align_measure *more = NULL, *all;
    size_t n_more = 0;
    double area, k = ps->a->k;
    int step;
    hc_status st;
    *out = NULL;
    *n = 0;
    if (hc_mosaic_overlap(&box, a_to_b, &a->src, &b->src) == 0) {
        return HC_OK;
    }
    area = (box.x1 - box.x0) * (box.y1 - box.y0) / (k * k);
    step = (int)fmax(sqrt(area / WANTED_TILES), ps->size / 2.0);
    st = lay(out, n, ps, a_to_b, &box, false, step, par, err);
    if (st != HC_OK || *n == 0 || *n >= FEW_TILES) {
        return st;
    }
    st = lay(&more, &n_more, ps, a_to_b, &box, true, step, par, err);
    if (st == HC_OK && n_more > 0) {
        all = hc_mem_grow(*out, (*n + n_more) * sizeof *all);
        if (all) {
            memcpy(all + *n, more, n_more * sizeof *all);
            *out = all;
            *n += n_more;
        } else {
            st = hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", *n + n_more);
        }
    }
    hc_mem_free(more);
    return st;
}

// d(p) = (t0 + s x - r y, t1 + r x + s y) of the centred, scaled tile place (x, y).
struct drift {
    struct hc_pt centre;
    double unit, c[4]; // t0, t1, s, r
};

static struct hc_pt drift_at(const struct drift *f, double px, double py)
{
    double x = (px - f->centre.x) / f->unit, y = (py - f->centre.y) / f->unit;
    return (struct hc_pt){f->c[0] + f->c[2] * x - f->c[3] * y, f->c[1] + f->c[3] * x + f->c[2] * y};
}

static double miss(const struct drift *f, const struct hc_align_measure *m)
{
    struct hc_pt d = drift_at(f, m->x, m->y);
    return hypot(m->dx - d.x, m->dy - d.y);
}

// The tile that most others are near to in displacement: the start of the robust fit.
static const struct hc_align_measure *most_met(const struct hc_align_measure *m, size_t n,
                                               double reach)
{
    const struct hc_align_measure *best = NULL;
    size_t most = 0;
    for (size_t i = 0; i < n; i++) {
        size_t met = 0;
        for (size_t j = 0; m[i].is_clear && j < n; j++) {
            double far = hypot(m[i].x - m[j].x, m[i].y - m[j].y);
            met +=
                m[j].is_clear && hypot(m[i].dx - m[j].dx, m[i].dy - m[j].dy) < reach + SLACK * far;
        }
        if (met > most) {
            most = met;
            best = &m[i];
        }
    }
    return best;
}

// Robust least squares from that start; the tiles within a shrinking reach have a say.
static hc_status fit_drift(struct drift *f, const struct hc_align_measure *m, size_t n,
                           double reach)
{
    const struct hc_align_measure *seed = most_met(m, n, reach);
    if (!seed) {
        return HC_EREFUSED;
    }
    f->centre = (struct hc_pt){seed->x, seed->y};
    f->unit = 1;
    for (size_t i = 0; i < n; i++) {
        f->unit = fmax(f->unit, hypot(m[i].x - seed->x, m[i].y - seed->y));
    }
    memcpy(f->c, (double[4]){seed->dx, seed->dy, 0, 0}, sizeof f->c);
    for (int turn = 0; turn < 8; turn++) {
        double ata[16] = {0}, atb[4] = {0};
        for (size_t i = 0; i < n; i++) {
            double x = (m[i].x - f->centre.x) / f->unit, y = (m[i].y - f->centre.y) / f->unit;
            double row[2][4] = {{1, 0, x, -y}, {0, 1, y, x}}, d[2] = {m[i].dx, m[i].dy};
            double c = turn < 3 ? reach + SLACK * f->unit * hypot(x, y) : 1.5 * reach;
            double u = miss(f, &m[i]) / c, w;
            if (!m[i].is_clear || u >= 1) {
                continue;
            }
            w = (1 - u * u) * (1 - u * u); // Tukey's biweight
            for (int k = 0; k < 2; k++) {
                for (int p = 0; p < 4; p++) {
                    atb[p] += w * row[k][p] * d[k];
                    for (int q = 0; q < 4; q++) {
                        ata[p * 4 + q] += w * row[k][p] * row[k][q];
                    }
                }
            }
        }
        ata[10] += 1e-6; // one tile alone says nothing of turn and scale
        ata[15] += 1e-6;
        if (hc_linear_solve_spd(ata, 4, atb, 1, NULL) != HC_OK) {
            return HC_EREFUSED;
        }
        memcpy(f->c, atb, sizeof f->c);
    }
    return HC_OK;
}

// map after moving its argument by the drift.
static struct hc_homog moved(const struct hc_homog *map, const struct drift *f)
{
    double s = f->c[2] / f->unit, r = f->c[3] / f->unit;
    struct hc_homog d = {{1 + s, -r, 0, r, 1 + s, 0, 0, 0, 1}};
    d.m[2] = f->c[0] - s * f->centre.x + r * f->centre.y;
    d.m[5] = f->c[1] - r * f->centre.x - s * f->centre.y;
    return hc_homog_compose(map, &d);
}

static bool is_plausible(const struct hc_homog *h)
{
    double scale = hypot(h->m[0], h->m[3]), turn = atan2(h->m[3], h->m[0]) * 180 / M_PI;
    return fabs(scale - 1) < MAX_SCALE && fabs(turn) < MAX_TURN_DEG;
}

// Counts of the last pass, and its clear tiles as matches.
static hc_status take_matches(struct hc_mosaic_pair *p, const struct hc_align_measure *m, size_t n,
                              const struct hc_homog *sofar, const struct drift *f, double reach,
                              struct hc_err *err)
{
    hc_mem_free(p->match);
    p->match = hc_mem_array(n + 1, sizeof *p->match);
    p->n = p->agreeing = 0;
    p->tiles = 0;
    if (!p->match) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", n);
    }
    for (size_t i = 0; i < n; i++) {
        p->tiles += m[i].peak > 0; // measured at all: texture, and in both plates
        if (m[i].is_clear) {
            struct hc_pt a = {m[i].x, m[i].y}, to = {m[i].x + m[i].dx, m[i].y + m[i].dy};
            p->match[p->n++] = (struct hc_mosaic_match){a, hc_homog_apply(sofar, to)};
            p->agreeing += miss(f, &m[i]) < reach;
        }
    }
    return HC_OK;
}

// The passes from the middle level to full size for one guess.
static hc_status refine(struct hc_mosaic_pair *p, const struct hc_homog *guess,
                        const struct hc_mosaic_plate *a, const struct hc_mosaic_plate *b,
                        struct hc_par *par, struct hc_err *err)
{
    struct hc_align_level full[2] = {{.src = a->src, .k = 1}, {.src = b->src, .k = 1}};
    int passes = a->mid.k > 1 ? 4 : 2;
    hc_status st = HC_OK;
    p->a_to_b = *guess;
    p->is_trusted = true;
    for (int i = 0; st == HC_OK && p->is_trusted && i < passes; i++) {
        bool is_mid = i < 2, is_first = i % 2 == 0;
        struct pass ps = {
            is_mid ? &a->mid : &full[0], is_mid ? &b->mid : &full[1], a->floor, b->floor, 64,
            is_first ? 26 : 10};
        struct hc_align_measure *m = NULL;
        struct hc_homog sofar = p->a_to_b;
        struct drift f;
        double reach = HC_ALIGN_REACH_PX * ps.a->k;
        size_t n = 0;
        if (!is_mid) {
            ps.size = 128;
            ps.radius = is_first ? 40 : 16;
        }
        st = lay_all(&m, &n, &ps, &sofar, a, b, par, err);
        if (st == HC_OK && n > 0 && fit_drift(&f, m, n, reach) == HC_OK) {
            p->a_to_b = moved(&sofar, &f);
            st = take_matches(p, m, n, &sofar, &f, reach, err);
        } else {
            p->is_trusted = false;
        }
        hc_mem_free(m);
        p->is_trusted = p->is_trusted && st == HC_OK && p->agreeing >= MIN_AGREEING &&
                        (double)p->agreeing >= MIN_OF_CLEAR * (double)p->n &&
                        (double)p->agreeing >= MIN_OF_TILES * p->tiles && is_plausible(&p->a_to_b);
    }
    return st;
}

hc_status hc_mosaic_measure(struct hc_mosaic_pair *p, const struct hc_mosaic_plate *plate,
                            struct hc_par *par, struct hc_err *err)
{
    const struct hc_mosaic_plate *a = &plate[p->a], *b = &plate[p->b];
    struct hc_homog back;
    struct hc_box box;
    hc_status st = HC_OK;
    for (int g = 0; st == HC_OK && g < HC_MOSAIC_GUESSES && !p->is_trusted; g++) {
        if (p->guess[g].score > 0) {
            st = refine(p, &p->guess[g].a_to_b, a, b, par, err);
        }
    }
    if (st == HC_OK && p->is_trusted) {
        st = hc_homog_invert(&back, &p->a_to_b, err);
        p->share = hc_mosaic_overlap(&box, &p->a_to_b, &a->src, &b->src);
        p->is_same = st == HC_OK && p->share > SAME_SHARE &&
                     hc_mosaic_overlap(&box, &back, &b->src, &a->src) > SAME_SHARE;
    }
    return st;
}
