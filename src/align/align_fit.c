#include <math.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "base/rng.h"
#include "num/linear.h"
#include "num/stats.h"

#define TRIES 400
#define REFINEMENTS 8
#define PARAMS 8
#define TUKEY 4.685 // 95 % efficiency for normal errors (Huber, Robust Statistics; from memory)
#define RAYLEIGH_MEDIAN 1.177 // median length of a 2-D normal error over its sigma: sqrt(2 ln 2)
#define FOLDS 5

// Tile centres and their targets, relative to the start, in units of the frame's half diagonal.
struct pairs {
    double (*p)[2], (*t)[2], *weight, *length;
    bool *is_held; // by the caller's choice
    bool *is_out;  // of the fit now made: held out, or the turn of its fold
    size_t n;
    double unit;        // px
    double *rows, *rhs; // 2n x PARAMS, 2n
};

static void pairs_release(struct pairs *s)
{
    hc_mem_free(s->p);
    hc_mem_free(s->is_held);
}

static hc_status pairs_create(struct pairs *s, const struct hc_align_measure *tile, size_t n,
                              const struct hc_homog *start, const struct hc_homog *sofar,
                              struct hc_pt centre, struct hc_err *err)
{
    struct hc_homog back;
    hc_status st = hc_homog_invert(&back, start, err);
    double *block;
    if (st != HC_OK) {
        return st;
    }
    block = hc_mem_array(n * (6 + 2 * PARAMS + 2), sizeof *block);
    s->is_held = hc_mem_array(2 * n, sizeof *s->is_held);
    s->p = (double(*)[2])block;
    if (!block || !s->is_held) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", n);
    }
    s->is_out = s->is_held + n;
    s->t = s->p + n;
    s->weight = block + 4 * n;
    s->length = block + 5 * n;
    s->rhs = block + 6 * n;
    s->rows = block + 8 * n;
    for (size_t i = 0; i < n; i++) {
        if (tile[i].is_clear) {
            struct hc_pt m = {tile[i].x + tile[i].dx, tile[i].y + tile[i].dy}, t;
            m = hc_homog_apply(sofar, m);
            t = hc_homog_apply(&back, m);
            s->p[s->n][0] = (tile[i].x - centre.x) / s->unit;
            s->p[s->n][1] = (tile[i].y - centre.y) / s->unit;
            s->t[s->n][0] = (t.x - centre.x) / s->unit;
            s->t[s->n][1] = (t.y - centre.y) / s->unit;
            s->is_held[s->n] = tile[i].is_held_out;
            s->n++;
        }
    }
    return HC_OK;
}

static size_t params(enum hc_align_model model)
{
    return model == HC_ALIGN_SIMILARITY ? 4 : model == HC_ALIGN_AFFINE ? 6 : 8;
}

// Weighted least squares for the map p -> t (eq. 4: the homography's equations are linear after
// multiplying by its denominator, which is close to 1 here).
static hc_status solve(struct hc_homog *g, const struct pairs *s, enum hc_align_model model)
{
    size_t np = params(model), rows = 0;
    double c[PARAMS], ridge[PARAMS];
    double *x = s->rows, *y = s->rhs;
    hc_status st;
    for (size_t i = 0; i < s->n; i++) {
        double px = s->p[i][0], py = s->p[i][1], tx = s->t[i][0], ty = s->t[i][1];
        double w = sqrt(s->weight[i]);
        double sim[2][4] = {{px, -py, 1, 0}, {py, px, 0, 1}};
        double full[2][8] = {{px, py, 1, 0, 0, 0, -tx * px, -tx * py},
                             {0, 0, 0, px, py, 1, -ty * px, -ty * py}};
        if (w > 0) {
            for (size_t e = 0; e < 2; e++, rows++) {
                for (size_t k = 0; k < np; k++) {
                    x[rows * np + k] = w * (np == 4 ? sim[e][k] : full[e][k]);
                }
                y[rows] = w * (e ? ty : tx);
            }
        }
    }
    for (size_t k = 0; k < np; k++) {
        ridge[k] = 1e-13;
    }
    st = hc_linear_ridge(c, x, y, NULL, ridge, rows, np, 1, NULL);
    if (st != HC_OK) {
        return st;
    }
    if (np == 4) {
        *g = (struct hc_homog){{c[0], -c[1], c[2], c[1], c[0], c[3], 0, 0, 1}};
    } else {
        *g = (struct hc_homog){
            {c[0], c[1], c[2], c[3], c[4], c[5], np == 8 ? c[6] : 0, np == 8 ? c[7] : 0, 1}};
    }
    return HC_OK;
}

static void measure_lengths(struct pairs *s, const struct hc_homog *g)
{
    for (size_t i = 0; i < s->n; i++) {
        struct hc_pt q = hc_homog_apply(g, (struct hc_pt){s->p[i][0], s->p[i][1]});
        double d = hypot(q.x - s->t[i][0], q.y - s->t[i][1]) * s->unit;
        s->length[i] = isfinite(d) ? d : 1e9;
    }
}

// Mean of the capped lengths over the training tiles.
static double mean_capped(const struct pairs *s, double reach)
{
    double sum = 0;
    size_t n = 0;
    for (size_t i = 0; i < s->n; i++) {
        if (!s->is_held[i]) {
            sum += fmin(s->length[i], reach);
            n++;
        }
    }
    return n ? sum / (double)n : reach;
}

// Affine maps through three random tiles; the weights become 1 for the tiles that agree with the
// best, 0 for the others and for those held out (Fischler and Bolles 1981, with a capped cost).
static hc_status sample_consensus(struct pairs *s, const size_t *train, size_t n, double reach,
                                  struct hc_err *err)
{
    struct hc_rng rng = hc_rng_make(20240613);
    struct hc_homog best = {{0}};
    double best_cost = 1e30;
    for (int k = 0; k < TRIES; k++) {
        size_t a = train[hc_rng_below(&rng, (int)n)], b = train[hc_rng_below(&rng, (int)n)],
               c = train[hc_rng_below(&rng, (int)n)];
        double area = (s->p[b][0] - s->p[a][0]) * (s->p[c][1] - s->p[a][1]) -
                      (s->p[c][0] - s->p[a][0]) * (s->p[b][1] - s->p[a][1]);
        struct hc_homog g;
        if (fabs(area) < 0.02) {
            continue;
        }
        for (size_t i = 0; i < s->n; i++) {
            s->weight[i] = i == a || i == b || i == c;
        }
        if (solve(&g, s, HC_ALIGN_AFFINE) == HC_OK) {
            double cost;
            measure_lengths(s, &g);
            cost = mean_capped(s, reach);
            if (cost < best_cost) {
                best_cost = cost;
                best = g;
            }
        }
    }
    if (best_cost >= 1e30) {
        return hc_err_set(err, HC_EREFUSED, "align",
                          "the tiles with a say lie on one line or in one corner");
    }
    measure_lengths(s, &best);
    for (size_t i = 0; i < s->n; i++) {
        s->weight[i] = !s->is_held[i] && s->length[i] < reach;
    }
    return HC_OK;
}

// Tukey's biweight on the tiles not out, from the weights given.
static hc_status refine(struct hc_homog *g, struct pairs *s, enum hc_align_model model,
                        double reach, double *order)
{
    for (int k = 0; k < REFINEMENTS; k++) {
        size_t n = 0;
        double cut;
        hc_status st = solve(g, s, model);
        if (st != HC_OK) {
            return st;
        }
        measure_lengths(s, g);
        for (size_t i = 0; i < s->n; i++) {
            if (!s->is_out[i] && s->length[i] < reach) {
                order[n++] = s->length[i];
            }
        }
        if (n < params(model) / 2 + 1) {
            return HC_ENUMERIC;
        }
        cut = fmax(TUKEY * hc_stats_median(order, n) / RAYLEIGH_MEDIAN, 0.1);
        cut = fmin(cut, reach);
        for (size_t i = 0; i < s->n; i++) {
            double r = s->length[i] / cut, q = 1 - r * r;
            s->weight[i] = !s->is_out[i] && r < 1 ? q * q : 0;
        }
    }
    return HC_OK;
}

// Error of a model on training tiles that its fit has not seen: five fits, each without a fifth of
// them (every fifth in order). HUGE_VAL when a fit fails.
static double cross_validate(struct pairs *s, enum hc_align_model model, const double *first,
                             double reach, double *order)
{
    double sum = 0;
    size_t n = 0;
    for (size_t fold = 0; fold < FOLDS; fold++) {
        struct hc_homog g;
        hc_status st;
        size_t rank = 0;
        for (size_t i = 0; i < s->n; i++) {
            s->is_out[i] = s->is_held[i] || rank % FOLDS == fold;
            rank += !s->is_held[i];
            s->weight[i] = s->is_out[i] ? 0 : first[i];
        }
        st = refine(&g, s, model, reach, order);
        rank = 0;
        for (size_t i = 0; i < s->n && st == HC_OK; i++) {
            if (!s->is_held[i] && rank++ % FOLDS == fold) {
                sum += fmin(s->length[i], reach);
                n++;
            }
        }
        if (st != HC_OK) {
            return HUGE_VAL;
        }
    }
    return n ? sum / (double)n : HUGE_VAL;
}

// The three models from the same first weights: the one with the least error on unseen tiles.
static hc_status choose(struct hc_homog *g, enum hc_align_model *model, struct pairs *s,
                        const size_t *train, size_t n, double reach, struct hc_err *err)
{
    static const size_t need[3] = {4, 8, 14}; // tiles for a fit with a fifth left out
    double best = HUGE_VAL, *first = hc_mem_array(2 * s->n, sizeof *first);
    hc_status st = first ? sample_consensus(s, train, n, reach, err)
                         : hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", s->n);
    size_t used = 0;
    for (size_t i = 0; st == HC_OK && i < s->n; i++) {
        first[i] = s->weight[i];
        used += first[i] > 0;
    }
    for (int m = 0; st == HC_OK && m < 3; m++) {
        double cost = used < need[m]
                          ? HUGE_VAL
                          : cross_validate(s, (enum hc_align_model)m, first, reach, first + s->n);
        if (cost < best) {
            best = cost;
            *model = (enum hc_align_model)m;
        }
    }
    if (st == HC_OK && best < HUGE_VAL) {
        for (size_t i = 0; i < s->n; i++) {
            s->is_out[i] = s->is_held[i];
            s->weight[i] = first[i];
        }
        st = refine(g, s, *model, reach, first + s->n);
    }
    hc_mem_free(first);
    if (st == HC_ENUMERIC || (st == HC_OK && best == HUGE_VAL)) {
        st = hc_err_set(err, HC_EREFUSED, "align", "only %zu tiles agree with one another", used);
    }
    return st;
}

hc_status hc_align_fit_map(struct hc_align_model_fit *out, const struct hc_align_measure *tile,
                           size_t n, const struct hc_homog *start, const struct hc_homog *sofar,
                           struct hc_pt centre, double half_diagonal, double reach,
                           struct hc_err *err)
{
    struct pairs s = {.unit = half_diagonal};
    struct hc_homog g, to_unit, from_unit;
    size_t *train = n ? hc_mem_array(n, sizeof *train) : NULL, trained = 0;
    hc_status st = HC_OK;
    if (!train) {
        return n ? hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", n)
                 : hc_err_set(err, HC_EREFUSED, "align", "no tile fits the picture");
    }
    st = pairs_create(&s, tile, n, start, sofar, centre, err);
    for (size_t i = 0; st == HC_OK && i < s.n; i++) {
        if (!s.is_held[i]) {
            train[trained++] = i;
        }
    }
    if (st == HC_OK && trained < 5) {
        st = hc_err_set(err, HC_EREFUSED, "align", "only %zu tiles have a say", s.n);
    }
    if (st == HC_OK) {
        st = choose(&g, &out->model, &s, train, trained, reach, err);
    }
    if (st == HC_OK) {
        measure_lengths(&s, &g);
        out->clear = s.n;
        out->agreeing = 0;
        for (size_t i = 0; i < s.n; i++) {
            out->agreeing += s.length[i] < reach;
        }
        to_unit = (struct hc_homog){
            {1 / s.unit, 0, -centre.x / s.unit, 0, 1 / s.unit, -centre.y / s.unit, 0, 0, 1}};
        from_unit = (struct hc_homog){{s.unit, 0, centre.x, 0, s.unit, centre.y, 0, 0, 1}};
        g = hc_homog_compose(&g, &to_unit);
        g = hc_homog_compose(&from_unit, &g);
        out->frame_to_view = hc_homog_compose(start, &g);
        for (int k = 0; k < 9; k++) {
            out->frame_to_view.m[k] /= out->frame_to_view.m[8] == 0 ? 1 : out->frame_to_view.m[8];
        }
    }
    pairs_release(&s);
    hc_mem_free(train);
    return st;
}

struct hc_pt hc_align_residual(const struct hc_align_measure *tile, const struct hc_homog *sofar,
                               const struct hc_homog *fitted_inverse)
{
    struct hc_pt m = {tile->x + tile->dx, tile->y + tile->dy};
    m = hc_homog_apply(sofar, m);
    m = hc_homog_apply(fitted_inverse, m);
    return (struct hc_pt){m.x - tile->x, m.y - tile->y};
}
