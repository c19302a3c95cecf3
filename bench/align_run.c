#include "align_run.h"

#include <math.h>
#include <stddef.h>
#include <string.h>
#include <time.h>

#include "base/mem.h"
#include "num/stats.h"
#ifdef HC_BENCH_OPENCV
#include "align_opencv.h"
#endif

#define GRID 41
#define WRONG_PX 2.0

static const char *const method_name[BENCH_METHODS] = {"ours", "ECC", "SIFT"};
static const char *const verdict_name[BENCH_VERDICTS] = {"good", "usable", "refused"};

double bench_seconds(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

double bench_peak_mb(void)
{
    char line[256];
    double kb = 0;
    FILE *f = fopen("/proc/self/status", "r");
    while (f && fgets(line, sizeof line, f)) {
        if (sscanf(line, "VmHWM: %lf", &kb) == 1) {
            break;
        }
    }
    if (f) {
        fclose(f);
    }
    return kb / 1024;
}

// The part of the frame that the view shows, as a box.
static struct hc_box shown(const struct bench_pair *p)
{
    double w = p->view->w, h = p->view->h;
    struct hc_pt corner[4] = {{0, 0}, {w, 0}, {w, h}, {0, h}};
    struct hc_box b;
    for (int i = 0; i < 4; i++) {
        corner[i] = hc_homog_apply(&p->back, corner[i]);
    }
    b = hc_poly_box(corner, 4);
    b.x0 = fmax(b.x0, 0);
    b.y0 = fmax(b.y0, 0);
    b.x1 = fmin(b.x1, p->frame->w);
    b.y1 = fmin(b.y1, p->frame->h);
    return b;
}

static bool is_inside(const struct hc_align_fit *fit, struct hc_pt p)
{
    const struct hc_align_support *s = &fit->support;
    int i, j;
    if (s->cols == 0) {
        return true;
    }
    i = (int)(p.x / s->cell_px);
    j = (int)(p.y / s->cell_px);
    i = i < s->cols ? i : s->cols - 1;
    j = j < s->rows ? j : s->rows - 1;
    return s->is_supported[j * s->cols + i] != 0;
}

static void score(struct bench_result *r, const struct bench_pair *pair,
                  const struct hc_align_fit *fit)
{
    static double e[GRID * GRID], in[GRID * GRID];
    struct hc_box box = shown(pair);
    size_t n = 0, k = 0;
    for (int i = 0; i < GRID * GRID; i++) {
        struct hc_pt p = {box.x0 + (i % GRID) * (box.x1 - box.x0) / (GRID - 1),
                          box.y0 + (i / GRID) * (box.y1 - box.y0) / (GRID - 1)};
        struct hc_pt at = pair->truth(pair->ctx, p), got = hc_align_map(fit, p);
        struct hc_pt beside = pair->truth(pair->ctx, (struct hc_pt){p.x + 1, p.y});
        double scale = hypot(beside.x - at.x, beside.y - at.y);
        if (at.x < 0 || at.y < 0 || at.x > pair->view->w || at.y > pair->view->h) {
            continue;
        }
        e[n] = hypot(got.x - at.x, got.y - at.y) / fmax(scale, 1);
        if (is_inside(fit, p)) {
            in[k++] = e[n];
        }
        n++;
    }
    r->median = hc_stats_median(e, n);
    r->p95 = hc_stats_quantile(e, n, 0.95);
    r->max = hc_stats_quantile(e, n, 1);
    r->inside_median = hc_stats_median(in, k);
    r->inside_p95 = hc_stats_quantile(in, k, 0.95);
}

static void keep(struct bench_row *row, enum bench_method m, const struct bench_result *r,
                 const char *label, const char *why, FILE *raw)
{
    if (row->n[m] < BENCH_SEEDS) {
        row->r[m][row->n[m]++] = *r;
    }
    if (raw) {
        fprintf(raw, "%s;%s;%s;%s;%s;%.4f;%.4f;%.4f;%.4f;%.4f;%.4f;%.4f;%.2f;%d;%s\n", row->set,
                row->name, label, method_name[m], verdict_name[r->verdict], r->median, r->p95,
                r->max, r->inside_median, r->inside_p95, r->held_out_median, r->held_out_p95,
                r->seconds, r->has_field, why);
        fflush(raw);
    }
}

#ifdef HC_BENCH_OPENCV
// Eight bits: the central 99 % of the tones; left and right exchanged when asked.
static unsigned char *eight_bits(const struct hc_plane *p, bool is_flipped)
{
    size_t n = (size_t)p->w * (size_t)p->h;
    unsigned char *out = hc_mem_array(n, 1);
    float *sorted = hc_mem_array(n, sizeof *sorted), lo, hi;
    if (!out || !sorted) {
        hc_mem_free(out);
        hc_mem_free(sorted);
        return NULL;
    }
    for (int y = 0; y < p->h; y++) {
        memcpy(sorted + (size_t)y * (size_t)p->w, hc_plane_row(p, y), (size_t)p->w * sizeof(float));
    }
    lo = hc_stats_quantile_f(sorted, n, 0.005);
    hi = hc_stats_quantile_f(sorted, n, 0.995);
    for (int y = 0; y < p->h; y++) {
        for (int x = 0; x < p->w; x++) {
            double v = (double)(hc_plane_get(p, is_flipped ? p->w - 1 - x : x, y) - lo);
            v = 255 * v / fmax((double)(hi - lo), 1e-6);
            out[(size_t)y * (size_t)p->w + (size_t)x] = (unsigned char)(v < 0     ? 0
                                                                        : v > 255 ? 255
                                                                                  : lrint(v));
        }
    }
    hc_mem_free(sorted);
    return out;
}

// With so few agreeing matches, or so little correlation, nobody would take the answer.
#define SIFT_INLIERS 15
#define ECC_RHO 0.3

static int run_opencv(struct bench_row *row, const struct bench_pair *pair, const char *label,
                      FILE *raw)
{
    unsigned char *a = eight_bits(pair->frame, false);
    unsigned char *b = eight_bits(pair->view, pair->is_flipped);
    struct hc_homog flip = {{-1, 0, pair->view->w, 0, 1, 0, 0, 0, 1}};
    int failed = !a || !b;
    for (int m = BENCH_ECC; m <= BENCH_SIFT && !failed; m++) {
        struct bench_result r = {.verdict = BENCH_NONE};
        struct hc_align_fit fit = {0};
        double start = bench_seconds(), rho = 0;
        int inliers = 0, is_given;
        char why[64];
        if (m == BENCH_ECC) {
            is_given = align_opencv_ecc(fit.frame_to_view.m, &rho, a, pair->frame->w,
                                        pair->frame->h, b, pair->view->w, pair->view->h) &&
                       rho >= ECC_RHO;
        } else {
            is_given = align_opencv_sift(fit.frame_to_view.m, &inliers, a, pair->frame->w,
                                         pair->frame->h, b, pair->view->w, pair->view->h) &&
                       inliers >= SIFT_INLIERS;
        }
        r.seconds = bench_seconds() - start;
        if (pair->is_flipped) {
            fit.frame_to_view = hc_homog_compose(&flip, &fit.frame_to_view);
        }
        if (is_given) {
            r.verdict = BENCH_USABLE;
            score(&r, pair, &fit);
        }
        snprintf(why, sizeof why, "rho %.3f, %d inliers", rho, inliers);
        keep(row, (enum bench_method)m, &r, label, why, raw);
    }
    hc_mem_free(a);
    hc_mem_free(b);
    return failed;
}
#endif

int bench_run(struct bench_row *row, const struct bench_pair *pair, const char *label,
              const struct bench_how *how)
{
    struct hc_err err = {0};
    struct hc_align_fit fit = {0};
    struct hc_align_source a = hc_align_source_plane(pair->frame);
    struct hc_align_source b = hc_align_source_plane(pair->view);
    struct bench_result r = {0};
    double start = bench_seconds();
    int failed = 0;
    hc_status st = hc_align_place(&fit, &a, &b, NULL, how->par, NULL, &err);
    r.seconds = bench_seconds() - start;
    if (st == HC_OK) {
        r.verdict = fit.verdict == HC_ALIGN_GOOD     ? BENCH_GOOD
                    : fit.verdict == HC_ALIGN_USABLE ? BENCH_USABLE
                                                     : BENCH_NONE;
        r.held_out_median = fit.held_out_median_px;
        r.held_out_p95 = fit.held_out_p95_px;
        r.has_field = fit.field != NULL;
        score(&r, pair, &fit);
        keep(row, BENCH_OURS, &r, label, fit.why, how->raw);
    } else {
        fprintf(stderr, "%s %s %s: %s\n", row->set, row->name, label, err.what);
        failed = 1;
    }
    hc_align_fit_release(&fit);
#ifdef HC_BENCH_OPENCV
    if (how->with_opencv) {
        failed |= run_opencv(row, pair, label, how->raw);
    }
#endif
    return failed;
}

// ---- summing up ---------------------------------------------------------------------------------

double bench_figure(const struct bench_row *row, enum bench_method m, size_t offset, double q)
{
    double v[BENCH_SEEDS];
    size_t n = 0;
    for (int i = 0; i < row->n[m]; i++) {
        const struct bench_result *r = &row->r[m][i];
        if (r->verdict != BENCH_NONE || offset == offsetof(struct bench_result, seconds)) {
            memcpy(&v[n++], (const char *)r + offset, sizeof *v);
        }
    }
    return n ? hc_stats_quantile(v, n, q) : (double)NAN;
}

int bench_count(const struct bench_row *row, enum bench_method m, enum bench_verdict v)
{
    int n = 0;
    for (int i = 0; i < row->n[m]; i++) {
        n += row->r[m][i].verdict == v;
    }
    return n;
}

int bench_wrong(const struct bench_row *row, enum bench_method m)
{
    int n = 0;
    for (int i = 0; i < row->n[m]; i++) {
        n += row->r[m][i].verdict != BENCH_NONE && !(row->r[m][i].median <= WRONG_PX);
    }
    return n;
}

void bench_print_head(void)
{
    printf("errors in px of the coarser picture, over the runs that were given: median of them "
           "(worst of them)\nset        view       by        median          95 %%            "
           "max             inside 95 %%     s             good usable refused WRONG of\n");
}

static void figure(const struct bench_row *row, enum bench_method m, size_t offset)
{
    double v = bench_figure(row, m, offset, 0.5), worst = bench_figure(row, m, offset, 1);
    char text[32];
    if (isnan(v)) {
        printf("%-16s", "-");
    } else {
        snprintf(text, sizeof text, "%.3f (%.3f)", v, worst);
        printf("%-16s", text);
    }
}

void bench_print(const struct bench_row *row)
{
    for (int m = 0; m < BENCH_METHODS; m++) {
        if (row->n[m] == 0) {
            continue;
        }
        printf("%-10s %-10s %-5s ", row->set, row->name, method_name[m]);
        figure(row, (enum bench_method)m, offsetof(struct bench_result, median));
        figure(row, (enum bench_method)m, offsetof(struct bench_result, p95));
        figure(row, (enum bench_method)m, offsetof(struct bench_result, max));
        if (m == BENCH_OURS) {
            figure(row, (enum bench_method)m, offsetof(struct bench_result, inside_p95));
        } else {
            printf("%-16s", "");
        }
        printf("%5.2f (%5.2f) %4d %6d %7d %5d %2d\n",
               bench_figure(row, (enum bench_method)m, offsetof(struct bench_result, seconds), 0.5),
               bench_figure(row, (enum bench_method)m, offsetof(struct bench_result, seconds), 1),
               bench_count(row, (enum bench_method)m, BENCH_GOOD),
               bench_count(row, (enum bench_method)m, BENCH_USABLE),
               bench_count(row, (enum bench_method)m, BENCH_NONE),
               bench_wrong(row, (enum bench_method)m), row->n[m]);
    }
    fflush(stdout);
}

void bench_print_total(const struct bench_row *rows, int n)
{
    for (int m = 0; m < BENCH_METHODS; m++) {
        int count[BENCH_VERDICTS] = {0}, wrong = 0, of = 0;
        for (int i = 0; i < n; i++) {
            for (int v = 0; v < BENCH_VERDICTS; v++) {
                count[v] += bench_count(&rows[i], (enum bench_method)m, (enum bench_verdict)v);
            }
            wrong += bench_wrong(&rows[i], (enum bench_method)m);
            of += rows[i].n[m];
        }
        if (of > 0) {
            printf("%s: %d good, %d usable, %d refused, %d WRONG of %d\n", method_name[m],
                   count[BENCH_GOOD], count[BENCH_USABLE], count[BENCH_NONE], wrong, of);
        }
    }
}
