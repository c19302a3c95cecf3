// All plates together: robust least squares over the tiles of all overlaps (eq. 3 to 5).
#include <math.h>
#include <string.h>

#include "align/align_mosaic_priv.h"
#include "base/mem.h"
#include "num/linear.h"
#include "num/stats.h"

#define ROUNDS 12
#define FOLDS 5
#define TUKEY 4.685         // cut-off of the biweight in standard deviations (95 % efficiency)
#define LEAST_SCALE_PX 0.05 // the scatter is never taken for less
#define MISS_CEILING_PX 4.0
#define RICHER_GAIN 0.93     // a richer model must lower the held-out miss to this
#define MAX_CORNER_SD_PX 1.0 // and must not leave a corner less certain than this

static const int parameters[] = {4, 6, 8}; // by enum hc_align_model

// Plates in units: u = (p - c_i) / radius, and the same for the reference plate's plane.
struct system {
    const struct hc_mosaic_pair *pair;
    size_t pairs;
    int n, reference;
    enum hc_align_model model;
    double radius;
    struct hc_pt *centre;   // n
    double (*h)[9];         // n maps: plate units to reference units, h[8] = 1
    double *normal, *right; // unknowns^2, unknowns
    double scale;           // of the last weights, units
    int fold;               // left out, -1 = none
};

static struct hc_pt units(const struct system *s, int i, struct hc_pt p)
{
    return (struct hc_pt){(p.x - s->centre[i].x) / s->radius, (p.y - s->centre[i].y) / s->radius};
}

static struct hc_pt apply(const double h[9], struct hc_pt u)
{
    double d = h[6] * u.x + h[7] * u.y + h[8];
    return (struct hc_pt){(h[0] * u.x + h[1] * u.y + h[2]) / d,
                          (h[3] * u.x + h[4] * u.y + h[5]) / d};
}

static struct hc_pt difference(const struct system *s, const struct hc_mosaic_pair *p,
                               const struct hc_mosaic_match *m)
{
    struct hc_pt a = apply(s->h[p->a], units(s, p->a, m->a));
    struct hc_pt b = apply(s->h[p->b], units(s, p->b, m->b));
    return (struct hc_pt){a.x - b.x, a.y - b.y};
}

// Derivatives of the mapped point by the parameters of the model: row 0 of x, row 1 of y.
static void derivatives(double j[2][8], const double h[9], struct hc_pt u,
                        enum hc_align_model model)
{
    struct hc_pt v = apply(h, u);
    double d = h[6] * u.x + h[7] * u.y + h[8], x = u.x / d, y = u.y / d, one = 1 / d;
    if (model == HC_ALIGN_SIMILARITY) { // a, b, x, y
        double r0[8] = {x, -y, one, 0}, r1[8] = {y, x, 0, one};
        memcpy(j[0], r0, sizeof r0);
        memcpy(j[1], r1, sizeof r1);
    } else {
        double r0[8] = {x, y, one, 0, 0, 0, -v.x * x, -v.x * y};
        double r1[8] = {0, 0, 0, x, y, one, -v.y * x, -v.y * y};
        memcpy(j[0], r0, sizeof r0);
        memcpy(j[1], r1, sizeof r1);
    }
}

static void move(double h[9], const double *step, enum hc_align_model model)
{
    if (model == HC_ALIGN_SIMILARITY) {
        h[0] += step[0];
        h[1] -= step[1];
        h[3] += step[1];
        h[4] += step[0];
        h[2] += step[2];
        h[5] += step[3];
        return;
    }
    for (int k = 0; k < parameters[model]; k++) {
        h[k] += step[k];
    }
}

// First unknown of a plate, -1 for the reference, which stays.
static int unknown_of(const struct system *s, int plate)
{
    return plate == s->reference ? -1
                                 : (plate - (plate > s->reference ? 1 : 0)) * parameters[s->model];
}

static int unknowns(const struct system *s)
{
    return (s->n - 1) * parameters[s->model];
}

// Adds one match with weight w to the normal equations.
static void add_match(struct system *s, const struct hc_mosaic_pair *p,
                      const struct hc_mosaic_match *m, double w)
{
    struct hc_pt e = difference(s, p, m);
    double j[2][2][8], miss[2] = {e.x, e.y};
    int np = parameters[s->model], from[2] = {unknown_of(s, p->a), unknown_of(s, p->b)};
    size_t all = (size_t)unknowns(s);
    derivatives(j[0], s->h[p->a], units(s, p->a, m->a), s->model);
    derivatives(j[1], s->h[p->b], units(s, p->b, m->b), s->model);
    for (int c = 0; c < 2; c++) {
        for (int k = 0; k < np; k++) {
            j[1][c][k] = -j[1][c][k];
        }
    }
    for (int f = 0; f < 2; f++) {
        for (int k = 0; from[f] >= 0 && k < np; k++) {
            size_t row = (size_t)(from[f] + k);
            s->right[row] -= w * (j[f][0][k] * miss[0] + j[f][1][k] * miss[1]);
            for (int g = 0; g < 2; g++) {
                for (int l = 0; from[g] >= 0 && l < np; l++) {
                    s->normal[row * all + (size_t)(from[g] + l)] +=
                        w * (j[f][0][k] * j[g][0][l] + j[f][1][k] * j[g][1][l]);
                }
            }
        }
    }
}

static bool is_in(const struct system *s, size_t match)
{
    return s->fold < 0 || (int)(match % FOLDS) != s->fold;
}

// Standard deviation per coordinate from the median length of the misses (Rayleigh: 1.1774 sd).
static hc_status find_scale(struct system *s)
{
    size_t total = 0, n = 0;
    double *v;
    for (size_t i = 0; i < s->pairs; i++) {
        total += s->pair[i].is_trusted ? s->pair[i].n : 0;
    }
    v = hc_mem_array(total + 1, sizeof *v);
    if (!v) {
        return HC_ENOMEM;
    }
    for (size_t i = 0; i < s->pairs; i++) {
        for (size_t k = 0; s->pair[i].is_trusted && k < s->pair[i].n; k++) {
            if (is_in(s, k)) {
                struct hc_pt e = difference(s, &s->pair[i], &s->pair[i].match[k]);
                v[n++] = hypot(e.x, e.y);
            }
        }
    }
    s->scale = fmax(hc_stats_median(v, n) / 1.1774, LEAST_SCALE_PX / s->radius);
    hc_mem_free(v);
    return HC_OK;
}

static void assemble(struct system *s)
{
    size_t all = (size_t)unknowns(s);
    memset(s->normal, 0, all * all * sizeof *s->normal);
    memset(s->right, 0, all * sizeof *s->right);
    for (size_t i = 0; i < s->pairs; i++) {
        for (size_t k = 0; s->pair[i].is_trusted && k < s->pair[i].n; k++) {
            struct hc_pt e = difference(s, &s->pair[i], &s->pair[i].match[k]);
            double u = hypot(e.x, e.y) / (TUKEY * s->scale);
            if (u < 1 && is_in(s, k)) {
                add_match(s, &s->pair[i], &s->pair[i].match[k], (1 - u * u) * (1 - u * u));
            }
        }
    }
}

// Gauss-Newton steps with weights renewed in each; HC_ENUMERIC when some plate is not determined.
static hc_status iterate(struct system *s)
{
    int np = parameters[s->model];
    hc_status st = HC_OK;
    for (int round = 0; st == HC_OK && round < ROUNDS; round++) {
        double most = 0;
        st = find_scale(s);
        if (st != HC_OK) {
            break;
        }
        assemble(s);
        st = hc_linear_solve_spd(s->normal, (size_t)unknowns(s), s->right, 1, NULL);
        for (int i = 0; st == HC_OK && i < s->n; i++) {
            int at = unknown_of(s, i);
            for (int k = 0; at >= 0 && k < np; k++) {
                most = fmax(most, fabs(s->right[at + k]));
            }
            if (at >= 0) {
                move(s->h[i], s->right + at, s->model);
            }
        }
        if (most * s->radius < 1e-4) {
            break;
        }
    }
    return st;
}

// The tree of best-supported overlaps, from the reference outwards: where the iteration starts.
static hc_status start_from_tree(struct system *s, struct hc_err *err)
{
    bool *is_in_tree = hc_mem_array((size_t)s->n, sizeof *is_in_tree);
    struct hc_homog *to_ref = hc_mem_array((size_t)s->n, sizeof *to_ref);
    hc_status st = is_in_tree && to_ref ? HC_OK : HC_ENOMEM;
    if (st == HC_OK) {
        is_in_tree[s->reference] = true;
        to_ref[s->reference] = hc_homog_identity();
    }
    for (int k = 1; st == HC_OK && k < s->n; k++) {
        const struct hc_mosaic_pair *best = NULL;
        struct hc_homog back;
        for (size_t i = 0; i < s->pairs; i++) {
            const struct hc_mosaic_pair *p = &s->pair[i];
            if (p->is_trusted && is_in_tree[p->a] != is_in_tree[p->b] &&
                (!best || p->agreeing > best->agreeing)) {
                best = p;
            }
        }
        hc_assert(best); // the caller has checked that all plates hang together
        st = hc_homog_invert(&back, &best->a_to_b, err);
        if (st == HC_OK && is_in_tree[best->a]) {
            to_ref[best->b] = hc_homog_compose(&to_ref[best->a], &back);
            is_in_tree[best->b] = true;
        } else if (st == HC_OK) {
            to_ref[best->a] = hc_homog_compose(&to_ref[best->b], &best->a_to_b);
            is_in_tree[best->a] = true;
        }
    }
    for (int i = 0; st == HC_OK && i < s->n; i++) {
        struct hc_homog out = {
            {s->radius, 0, s->centre[i].x, 0, s->radius, s->centre[i].y, 0, 0, 1}};
        double c = s->radius;
        struct hc_homog in = {{1 / c, 0, -s->centre[s->reference].x / c, 0, 1 / c,
                               -s->centre[s->reference].y / c, 0, 0, 1}};
        out = hc_homog_compose(&to_ref[i], &out);
        out = hc_homog_compose(&in, &out);
        memcpy(s->h[i], out.m, sizeof out.m);
    }
    hc_mem_free(is_in_tree);
    hc_mem_free(to_ref);
    return st;
}

// The spread of each plate's worst corner from the inverse of the normal equations (eq. 5).
static hc_status find_corner_sd(struct hc_mosaic_solution *out, struct system *s)
{
    size_t all = (size_t)unknowns(s);
    int np = parameters[s->model];
    double *inverse = hc_mem_array(all * all, sizeof *inverse);
    hc_status st = inverse ? HC_OK : HC_ENOMEM;
    if (st == HC_OK) {
        for (size_t i = 0; i < all; i++) {
            inverse[i * all + i] = 1;
        }
        assemble(s);
        st = hc_linear_solve_spd(s->normal, all, inverse, all, NULL);
    }
    for (int i = 0; st == HC_OK && i < s->n; i++) {
        int at = unknown_of(s, i);
        out->corner_sd_px[i] = 0;
        for (int c = 0; at >= 0 && c < 4; c++) {
            struct hc_pt corner = {c & 1 ? 2 * s->centre[i].x : 0, c & 2 ? 2 * s->centre[i].y : 0};
            double j[2][8], sum = 0;
            derivatives(j, s->h[i], units(s, i, corner), s->model);
            for (int k = 0; k < np; k++) {
                for (int l = 0; l < np; l++) {
                    sum += inverse[(size_t)(at + k) * all + (size_t)(at + l)] *
                           (j[0][k] * j[0][l] + j[1][k] * j[1][l]);
                }
            }
            out->corner_sd_px[i] =
                fmax(out->corner_sd_px[i], sqrt(fmax(sum, 0)) * s->scale * s->radius);
        }
    }
    hc_mem_free(inverse);
    return st;
}

// Each match left out of the solution once, a fifth at a time; starts from the full solution.
static hc_status cross_validate(struct hc_mosaic_solution *out, struct system *s,
                                struct hc_job *job, struct hc_err *err)
{
    size_t bytes = (size_t)s->n * sizeof *s->h, n = 0;
    double(*full)[9] = hc_mem_alloc(bytes), sum = 0;
    hc_status st = full ? HC_OK : HC_ENOMEM;
    if (st == HC_OK) {
        memcpy(full, s->h, bytes);
    }
    for (s->fold = 0; st == HC_OK && s->fold < FOLDS; s->fold++) {
        st = hc_job_step(job, ((int)s->model * FOLDS + s->fold) / 15.0,
                         "solving all plates together", err);
        st = st == HC_OK ? iterate(s) : st;
        for (size_t i = 0; st == HC_OK && i < s->pairs; i++) {
            const struct hc_mosaic_pair *p = &s->pair[i];
            for (size_t k = (size_t)s->fold; p->is_trusted && k < p->n; k += FOLDS) {
                struct hc_pt e = difference(s, p, &p->match[k]);
                out->miss_px[i][k] = hypot(e.x, e.y) * s->radius;
                sum += fmin(out->miss_px[i][k], MISS_CEILING_PX);
                n++;
            }
        }
        if (full) {
            memcpy(s->h, full, bytes);
        }
    }
    s->fold = -1;
    out->mean_px = n ? sum / (double)n : 0;
    hc_mem_free(full);
    return st;
}

static hc_status reserve(struct hc_mosaic_solution *out, const struct hc_mosaic_pair *pair,
                         size_t pairs, int n)
{
    out->to_ref = hc_mem_array((size_t)n, sizeof *out->to_ref);
    out->corner_sd_px = hc_mem_array((size_t)n, sizeof *out->corner_sd_px);
    out->miss_px = hc_mem_array(pairs, sizeof *out->miss_px);
    if (!out->to_ref || !out->corner_sd_px || !out->miss_px) {
        return HC_ENOMEM;
    }
    for (size_t i = 0; i < pairs; i++) {
        if (pair[i].is_trusted) {
            out->miss_px[i] = hc_mem_array(pair[i].n + 1, sizeof **out->miss_px);
            if (!out->miss_px[i]) {
                return HC_ENOMEM;
            }
        }
    }
    return HC_OK;
}

// One model, from where s->h stands: solution, corner spread, held-out misses.
static hc_status try_model(struct hc_mosaic_solution *out, struct system *s, struct hc_job *job,
                           struct hc_err *err)
{
    hc_status st = reserve(out, s->pair, s->pairs, s->n);
    out->model = s->model;
    st = st == HC_OK ? iterate(s) : st;
    st = st == HC_OK ? find_scale(s) : st;
    st = st == HC_OK ? find_corner_sd(out, s) : st;
    st = st == HC_OK ? cross_validate(out, s, job, err) : st;
    for (int i = 0; st == HC_OK && i < s->n; i++) {
        double r = s->radius, x = s->centre[s->reference].x, y = s->centre[s->reference].y;
        struct hc_homog in = {
            {1 / r, 0, -s->centre[i].x / r, 0, 1 / r, -s->centre[i].y / r, 0, 0, 1}};
        struct hc_homog up = {{r, 0, x, 0, r, y, 0, 0, 1}}, h;
        memcpy(h.m, s->h[i], sizeof h.m);
        h = hc_homog_compose(&h, &in);
        out->to_ref[i] = hc_homog_compose(&up, &h);
    }
    return st;
}

static bool is_better(const struct hc_mosaic_solution *richer,
                      const struct hc_mosaic_solution *simpler, int n)
{
    double worst = 0;
    for (int i = 0; i < n; i++) {
        worst = fmax(worst, richer->corner_sd_px[i]);
    }
    return richer->mean_px < RICHER_GAIN * simpler->mean_px && worst < MAX_CORNER_SD_PX;
}

// Similarity, then affine, then homography, as long as the held-out tiles gain.
static hc_status climb(struct hc_mosaic_solution *out, struct system *s, struct hc_job *job,
                       struct hc_err *err)
{
    hc_status st = try_model(out, s, job, err);
    out->simpler_px = (double)NAN;
    for (s->model = HC_ALIGN_AFFINE; st == HC_OK && s->model <= HC_ALIGN_HOMOGRAPHY; s->model++) {
        struct hc_mosaic_solution richer = {0};
        hc_status tried = try_model(&richer, s, job, err);
        if (tried == HC_ENOMEM || tried == HC_ECANCEL) {
            st = tried;
        } else if (tried == HC_OK && is_better(&richer, out, s->n)) {
            struct hc_mosaic_solution simpler = *out;
            richer.simpler_px = simpler.mean_px;
            *out = richer;
            richer = simpler;
        }
        hc_mosaic_solution_release(&richer, s->pairs);
        if (tried != HC_OK) {
            break;
        }
    }
    return st;
}

hc_status hc_mosaic_solve(struct hc_mosaic_solution *out, const struct hc_mosaic_pair *pair,
                          size_t pairs, const struct hc_mosaic_plate *plate, int n, int reference,
                          struct hc_job *job, struct hc_err *err)
{
    struct system s = {.pair = pair,
                       .pairs = pairs,
                       .n = n,
                       .reference = reference,
                       .model = HC_ALIGN_SIMILARITY,
                       .fold = -1};
    size_t most = (size_t)(n - 1) * 8;
    hc_status st;
    hc_assert(n >= 2 && n <= HC_ALIGN_MOSAIC_MAX && most <= HC_LINEAR_MAX);
    memset(out, 0, sizeof *out);
    s.centre = hc_mem_array((size_t)n, sizeof *s.centre);
    s.h = hc_mem_array((size_t)n, sizeof *s.h);
    s.normal = hc_mem_array(most * most, sizeof *s.normal);
    s.right = hc_mem_array(most, sizeof *s.right);
    st = s.centre && s.h && s.normal && s.right ? HC_OK : HC_ENOMEM;
    for (int i = 0; st == HC_OK && i < n; i++) {
        s.centre[i] = (struct hc_pt){plate[i].src.w / 2.0, plate[i].src.h / 2.0};
        s.radius = fmax(s.radius, hypot(s.centre[i].x, s.centre[i].y));
    }
    st = st == HC_OK ? start_from_tree(&s, err) : st;
    st = st == HC_OK ? climb(out, &s, job, err) : st;
    if (st == HC_ENOMEM) {
        st = hc_err_set(err, st, "align", "out of memory while solving %d plates", n);
    } else if (st == HC_ENUMERIC) {
        st = hc_err_set(err, st, "align", "the overlaps do not determine all plates");
    }
    if (st != HC_OK) {
        hc_mosaic_solution_release(out, pairs);
    }
    hc_mem_free(s.centre);
    hc_mem_free(s.h);
    hc_mem_free(s.normal);
    hc_mem_free(s.right);
    return st;
}

void hc_mosaic_solution_release(struct hc_mosaic_solution *s, size_t pairs)
{
    for (size_t i = 0; s->miss_px && i < pairs; i++) {
        hc_mem_free(s->miss_px[i]);
    }
    hc_mem_free(s->miss_px);
    hc_mem_free(s->to_ref);
    hc_mem_free(s->corner_sd_px);
    memset(s, 0, sizeof *s);
}
