// The mosaic from its plates: readers, pairs, common solution, report and verdict.
#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "align/align_mosaic_priv.h"
#include "base/mem.h"
#include "num/stats.h"

#define OVERVIEW_SIDE 192 // px, of the longest plate
#define MIN_SIDE 128
#define FLOOR 0.002   // of the tone range per px, as in align_pyramid.c
#define MIN_SCORE 4.5 // of a guess worth a look
#define REACH_PX 3.0  // a tile agrees with the common solution
#define MIN_AGREEING 0.5
#define GOOD_TILES 12 // agreeing, in all overlaps of a plate
// The bars of a placement (docs/theory/align.md, section 5).
#define GOOD_MEDIAN_PX 0.3
#define GOOD_P95_PX 1.0
#define USABLE_MEDIAN_PX 0.75
#define USABLE_P95_PX 2.0
#define GOOD_CORNER_PX 1.0
#define USABLE_CORNER_PX 3.0

struct mosaic {
    struct hc_mosaic_plate *plate;
    int n, over_k, mid_k;
    struct hc_mosaic_pair *pair;
    size_t pairs;
};

// ---- reading ----

static hc_status read_plate(struct hc_mosaic_plate *p, int over_k, int mid_k, struct hc_job *job,
                            struct hc_err *err)
{
    double range[2] = {0};
    float *v;
    size_t n;
    hc_status st;
    p->mid = (struct hc_align_level){.src = p->src, .k = mid_k};
    if (mid_k > 1) {
        st = hc_align_reduce(&p->mid.own, &p->src, mid_k, range, job, err);
        if (st == HC_OK) {
            p->mid.src = hc_align_source_plane(&p->mid.own);
            st = hc_align_reduce(&p->over, &p->mid.src, over_k / mid_k, NULL, NULL, err);
        }
    } else {
        st = hc_align_reduce(&p->over, &p->src, over_k, range, job, err);
    }
    if (st != HC_OK) {
        return hc_err_prefix(err, st, "plate %s: ", p->name);
    }
    n = (size_t)p->over.w * (size_t)p->over.h;
    v = hc_mem_alloc(n * sizeof *v);
    if (!v) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu pixels", n);
    }
    memcpy(v, p->over.px, n * sizeof *v);
    p->range = (double)(hc_stats_quantile_f(v, n, 0.99) - hc_stats_quantile_f(v, n, 0.01));
    p->floor = FLOOR * p->range;
    hc_mem_free(v);
    if (!(range[1] - range[0] > 1e-6 * fmax(fabs(range[0]), fabs(range[1])))) {
        return hc_err_set(err, HC_EDATA, "align",
                          "plate %s is blank: all its pixels have the value %.4g; leave it out",
                          p->name, range[0]);
    }
    return HC_OK;
}

static hc_status read_plates(struct mosaic *ms, const struct hc_align_source *src,
                             const char *const *name, struct hc_job *job, struct hc_err *err)
{
    int side = 0, k;
    hc_status st = HC_OK;
    for (int i = 0; i < ms->n; i++) {
        int longer = src[i].w > src[i].h ? src[i].w : src[i].h;
        side = longer > side ? longer : side;
        if (src[i].w < MIN_SIDE || src[i].h < MIN_SIDE) {
            return hc_err_set(err, HC_EDATA, "align",
                              "plate %s is %d x %d px; joining needs at least %d px a side, so "
                              "leave it out",
                              name[i], src[i].w, src[i].h, MIN_SIDE);
        }
    }
    k = (side + OVERVIEW_SIDE - 1) / OVERVIEW_SIDE;
    ms->mid_k = k < 8 ? 1 : (k + 3) / 4;
    ms->over_k = ms->mid_k > 1 ? 4 * ms->mid_k : k;
    for (int i = 0; st == HC_OK && i < ms->n; i++) {
        hc_job_phase(job, 0.25 * i / ms->n, 0.25 * (i + 1) / ms->n);
        ms->plate[i].src = src[i];
        ms->plate[i].name = name[i];
        st = read_plate(&ms->plate[i], ms->over_k, ms->mid_k, job, err);
    }
    return st;
}

// ---- pairs ----

static hc_status measure_pairs(struct mosaic *ms, struct hc_par *par, struct hc_job *job,
                               struct hc_err *err)
{
    hc_status st;
    for (int b = 1, i = 0; b < ms->n; b++) {
        for (int a = 0; a < b; a++, i++) {
            ms->pair[i].a = a;
            ms->pair[i].b = b;
        }
    }
    hc_job_phase(job, 0.25, 0.55);
    st = hc_mosaic_search(ms->pair, ms->plate, ms->n, ms->over_k, par, job, err);
    hc_job_phase(job, 0.55, 0.9);
    for (size_t i = 0; st == HC_OK && i < ms->pairs; i++) {
        struct hc_mosaic_pair *p = &ms->pair[i];
        st = hc_job_step(job, (double)i / (double)ms->pairs, "measuring overlaps", err);
        for (int g = 0; g < HC_MOSAIC_GUESSES; g++) {
            p->guess[g].score = p->guess[g].score < MIN_SCORE ? 0 : p->guess[g].score;
        }
        st = st == HC_OK ? hc_mosaic_measure(p, ms->plate, par, err) : st;
    }
    return st;
}

// Marks everything that hangs together with plate `from`; returns how many plates.
static int mark(const struct mosaic *ms, bool *is_in, int from)
{
    int count = 1;
    bool has_grown = true;
    memset(is_in, 0, (size_t)ms->n * sizeof *is_in);
    is_in[from] = true;
    while (has_grown) {
        has_grown = false;
        for (size_t i = 0; i < ms->pairs; i++) {
            const struct hc_mosaic_pair *p = &ms->pair[i];
            if (p->is_trusted && is_in[p->a] != is_in[p->b]) {
                is_in[p->a] = is_in[p->b] = true;
                has_grown = true;
                count++;
            }
        }
    }
    return count;
}

// The plate with most agreeing tiles in its overlaps; the first of equals.
static int find_reference(const struct mosaic *ms)
{
    size_t most = 0;
    int best = 0;
    for (int k = 0; k < ms->n; k++) {
        size_t sum = 0;
        for (size_t i = 0; i < ms->pairs; i++) {
            const struct hc_mosaic_pair *p = &ms->pair[i];
            sum += p->is_trusted && (p->a == k || p->b == k) ? p->agreeing : 0;
        }
        if (sum > most) {
            most = sum;
            best = k;
        }
    }
    return best;
}

// ---- report ----

static void refuse(struct hc_align_mosaic *out, const char *why)
{
    out->verdict = HC_ALIGN_REFUSED;
    snprintf(out->why, sizeof out->why, "%s", why);
}

// Refuses, naming them, when some plates hang together with no other or two are the same.
static hc_status check_graph(struct hc_align_mosaic *out, const struct mosaic *ms)
{
    bool *is_in = hc_mem_array((size_t)ms->n, sizeof *is_in);
    int most = 0, from = 0, named = 0;
    char names[300] = "", why[480];
    if (!is_in) {
        return HC_ENOMEM;
    }
    for (int i = 0; i < ms->n; i++) {
        int count = mark(ms, is_in, i);
        if (count > most) {
            most = count;
            from = i;
        }
    }
    mark(ms, is_in, from);
    for (int i = 0; i < ms->n; i++) {
        size_t used = strlen(names);
        if (!is_in[i] && most > 1 && used + 60 < sizeof names) {
            snprintf(names + used, sizeof names - used, "%s%.50s", used ? ", " : "",
                     ms->plate[i].name);
            named++;
        }
    }
    if (most == 1) {
        refuse(out, "no two of these plates show a common part with enough texture; joining needs "
                    "overlaps of about a tenth of a side or more");
    } else if (most < ms->n) {
        snprintf(why, sizeof why,
                 "%d of %d plates join; no overlap with these was found: %s%s; leave them out or "
                 "add the plates between",
                 most, ms->n, names, named < ms->n - most ? " and more" : "");
        refuse(out, why);
    }
    for (size_t i = 0; i < ms->pairs; i++) {
        const struct hc_mosaic_pair *p = &ms->pair[i];
        if (p->is_trusted && p->is_same) {
            snprintf(why, sizeof why,
                     "plates %.100s and %.100s show the same area; leave one of them out",
                     ms->plate[p->a].name, ms->plate[p->b].name);
            refuse(out, why);
        }
    }
    hc_mem_free(is_in);
    return HC_OK;
}

// The box of all plates; the mosaic's grid is that of the reference plate, moved by whole px.
static hc_status lay_out(struct hc_align_mosaic *out, const struct mosaic *ms,
                         const struct hc_mosaic_solution *s, struct hc_err *err)
{
    struct hc_box all = {HUGE_VAL, HUGE_VAL, -HUGE_VAL, -HUGE_VAL};
    struct hc_homog shift = hc_homog_identity();
    for (int i = 0; i < ms->n; i++) {
        for (int c = 0; c < 4; c++) {
            struct hc_pt p = {c & 1 ? ms->plate[i].src.w : 0, c & 2 ? ms->plate[i].src.h : 0};
            p = hc_homog_apply(&s->to_ref[i], p);
            all.x0 = fmin(all.x0, p.x);
            all.y0 = fmin(all.y0, p.y);
            all.x1 = fmax(all.x1, p.x);
            all.y1 = fmax(all.y1, p.y);
        }
    }
    // A hair's breadth beyond a pixel line makes no further pixel.
    all.x0 = floor(all.x0 + 1e-3);
    all.y0 = floor(all.y0 + 1e-3);
    all.x1 = ceil(all.x1 - 1e-3);
    all.y1 = ceil(all.y1 - 1e-3);
    if (!(all.x1 - all.x0 < 1e6 && all.y1 - all.y0 < 1e6)) {
        return hc_err_set(err, HC_ELIMIT, "align",
                          "the mosaic would be more than a million px "
                          "long; check that the plates belong together");
    }
    shift.m[2] = -all.x0;
    shift.m[5] = -all.y0;
    out->w = (int)(all.x1 - all.x0);
    out->h = (int)(all.y1 - all.y0);
    for (int i = 0; i < ms->n; i++) {
        out->plate[i].to_mosaic = hc_homog_compose(&shift, &s->to_ref[i]);
        out->plate[i].corner_sd_px = s->corner_sd_px[i];
    }
    return HC_OK;
}

// The overlaps with their held-out misses, and the two figures over all.
static hc_status report_overlaps(struct hc_align_mosaic *out, const struct mosaic *ms,
                                 const struct hc_mosaic_solution *s)
{
    size_t total = 0, n = 0;
    double *all;
    for (size_t i = 0; i < ms->pairs; i++) {
        total += ms->pair[i].is_trusted ? ms->pair[i].n : 0;
        out->overlaps += ms->pair[i].is_trusted;
    }
    out->overlap = hc_mem_array(out->overlaps, sizeof *out->overlap);
    all = hc_mem_array(2 * total + 1, sizeof *all);
    if (!out->overlap || !all) {
        hc_mem_free(all);
        return HC_ENOMEM;
    }
    for (size_t i = 0, o = 0; i < ms->pairs; i++) {
        const struct hc_mosaic_pair *p = &ms->pair[i];
        double *own = all + total;
        size_t used = 0;
        if (!p->is_trusted) {
            continue;
        }
        for (size_t k = 0; k < p->n; k++) {
            if (s->miss_px[i][k] < REACH_PX) {
                own[used++] = all[n++] = s->miss_px[i][k];
            }
        }
        out->overlap[o++] = (struct hc_align_mosaic_overlap){
            .a = p->a,
            .b = p->b,
            .share = p->share,
            .tiles = p->tiles,
            .tiles_clear = (int)p->n,
            .tiles_used = (int)used,
            .held_out_median_px = used ? hc_stats_quantile(own, used, 0.5) : (double)NAN,
            .held_out_p95_px = used ? hc_stats_quantile(own, used, 0.95) : (double)NAN};
        out->plate[p->a].overlaps++;
        out->plate[p->b].overlaps++;
    }
    out->held_out_median_px = n ? hc_stats_quantile(all, n, 0.5) : (double)NAN;
    out->held_out_p95_px = n ? hc_stats_quantile(all, n, 0.95) : (double)NAN;
    hc_mem_free(all);
    return HC_OK;
}

// Agreeing tiles of the plate that has least of them.
static int fewest_tiles(const struct hc_align_mosaic *m)
{
    int fewest = INT_MAX;
    for (size_t k = 0; k < m->n; k++) {
        int sum = 0;
        for (size_t i = 0; i < m->overlaps; i++) {
            const struct hc_align_mosaic_overlap *o = &m->overlap[i];
            sum += o->a == (int)k || o->b == (int)k ? o->tiles_used : 0;
        }
        fewest = sum < fewest ? sum : fewest;
    }
    return fewest;
}

static void judge(struct hc_align_mosaic *out, const struct mosaic *ms)
{
    const struct hc_align_mosaic_overlap *worst = &out->overlap[0];
    double corner = 0;
    int shaky = 0, fewest = fewest_tiles(out);
    for (size_t i = 0; i < out->overlaps; i++) {
        const struct hc_align_mosaic_overlap *o = &out->overlap[i];
        if ((double)o->tiles_used * worst->tiles_clear <
            (double)worst->tiles_used * o->tiles_clear) {
            worst = o;
        }
    }
    for (int i = 0; i < ms->n; i++) {
        if (out->plate[i].corner_sd_px > corner) {
            corner = out->plate[i].corner_sd_px;
            shaky = i;
        }
    }
    out->verdict = HC_ALIGN_REFUSED;
    if (worst->tiles_used < MIN_AGREEING * worst->tiles_clear) {
        snprintf(out->why, sizeof out->why,
                 "the overlap of %.80s and %.80s contradicts the others: %d of %d tiles agree with "
                 "the common solution; look at these two, they may show a repeating pattern or "
                 "another state",
                 ms->plate[worst->a].name, ms->plate[worst->b].name, worst->tiles_used,
                 worst->tiles_clear);
    } else if (!(out->held_out_median_px <= USABLE_MEDIAN_PX &&
                 out->held_out_p95_px <= USABLE_P95_PX)) {
        snprintf(out->why, sizeof out->why,
                 "the overlaps miss each other by %.2f px in the median and %.2f px at 95 %%; at "
                 "most %.2f and %.0f are let pass",
                 out->held_out_median_px, out->held_out_p95_px, USABLE_MEDIAN_PX, USABLE_P95_PX);
    } else if (corner > USABLE_CORNER_PX) {
        snprintf(out->why, sizeof out->why,
                 "the overlaps leave plate %.100s uncertain by %.1f px (standard deviation) at its "
                 "far corner; wider overlaps are needed",
                 ms->plate[shaky].name, corner);
    } else {
        bool is_good = out->held_out_median_px <= GOOD_MEDIAN_PX &&
                       out->held_out_p95_px <= GOOD_P95_PX && corner <= GOOD_CORNER_PX &&
                       fewest >= GOOD_TILES;
        out->verdict = is_good ? HC_ALIGN_GOOD : HC_ALIGN_USABLE;
        snprintf(out->why, sizeof out->why,
                 "%d plates joined by %zu overlaps; left-out tiles miss by %.2f px in the median, "
                 "%.2f px at 95 %%; every plate is held by at least %d tiles; the least certain "
                 "corner is known to %.2f px (standard deviation)",
                 ms->n, out->overlaps, out->held_out_median_px, out->held_out_p95_px, fewest,
                 corner);
    }
}

static hc_status solve_and_report(struct hc_align_mosaic *out, const struct mosaic *ms,
                                  bool is_gain_only, struct hc_job *job, struct hc_err *err)
{
    static const char *const kinds[] = {"similarity", "affine", "homography"};
    struct hc_mosaic_solution s = {0};
    hc_status st;
    hc_job_phase(job, 0.9, 1);
    out->reference = find_reference(ms);
    st = hc_mosaic_solve(&s, ms->pair, ms->pairs, ms->plate, ms->n, out->reference, job, err);
    if (st == HC_OK) {
        snprintf(out->kind, sizeof out->kind, "%s", kinds[s.model]);
        out->simpler_px = s.simpler_px;
        st = lay_out(out, ms, &s, err);
    }
    st = st == HC_OK ? report_overlaps(out, ms, &s) : st;
    if (st == HC_OK) {
        judge(out, ms);
        st = hc_mosaic_tone(out, ms->plate, ms->over_k, is_gain_only, err);
    }
    hc_mosaic_solution_release(&s, ms->pairs);
    return st;
}

static void release(struct mosaic *ms)
{
    for (int i = 0; ms->plate && i < ms->n; i++) {
        hc_plane_release(&ms->plate[i].over);
        hc_plane_release(&ms->plate[i].mid.own);
    }
    for (size_t i = 0; ms->pair && i < ms->pairs; i++) {
        hc_mem_free(ms->pair[i].match);
    }
    hc_mem_free(ms->plate);
    hc_mem_free(ms->pair);
}

hc_status hc_align_mosaic_solve(struct hc_align_mosaic *out, const struct hc_align_source *plate,
                                const char *const *name, size_t n, bool is_gain_only,
                                struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    struct mosaic ms = {.n = (int)n};
    hc_status st;
    memset(out, 0, sizeof *out);
    out->held_out_median_px = out->held_out_p95_px = out->simpler_px = (double)NAN;
    if (n < 2 || n > HC_ALIGN_MOSAIC_MAX) {
        return hc_err_set(err, HC_ERANGE, "align", "%zu plates; joining takes 2 to %d", n,
                          HC_ALIGN_MOSAIC_MAX);
    }
    ms.pairs = n * (n - 1) / 2;
    ms.plate = hc_mem_array(n, sizeof *ms.plate);
    ms.pair = hc_mem_array(ms.pairs, sizeof *ms.pair);
    out->plate = hc_mem_array(n, sizeof *out->plate);
    out->n = n;
    st = ms.plate && ms.pair && out->plate ? HC_OK : HC_ENOMEM;
    for (size_t i = 0; st == HC_OK && i < n; i++) {
        out->plate[i] = (struct hc_align_mosaic_plate){.to_mosaic = hc_homog_identity(), .gain = 1};
    }
    st = st == HC_OK ? read_plates(&ms, plate, name, job, err) : st;
    st = st == HC_OK ? measure_pairs(&ms, par, job, err) : st;
    st = st == HC_OK ? check_graph(out, &ms) : st;
    if (st == HC_OK && !out->why[0]) {
        st = solve_and_report(out, &ms, is_gain_only, job, err);
    }
    if (st == HC_ENUMERIC) { // the tiles of some overlap lie on a line or at one place
        refuse(out, "the overlaps do not determine all plates; wider overlaps are needed");
        st = HC_OK;
    }
    if (st != HC_OK) {
        hc_align_mosaic_release(out);
        st = st == HC_ENOMEM ? hc_err_set(err, st, "align", "out of memory for %zu plates", n) : st;
    }
    release(&ms);
    return st;
}

void hc_align_mosaic_release(struct hc_align_mosaic *m)
{
    hc_mem_free(m->plate);
    hc_mem_free(m->overlap);
    m->plate = NULL;
    m->overlap = NULL;
    m->n = m->overlaps = 0;
}
