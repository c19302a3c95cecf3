#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/stats.h"

#define FLOOR 0.002 // of the tone range per px: below this there is only noise to see

static hc_status measure_floor(struct hc_align_pyramid *p, const char *which, double lo, double hi,
                               struct hc_err *err)
{
    size_t n = (size_t)p->coarse.w * (size_t)p->coarse.h;
    float *v;
    if (!(hi - lo > 1e-6 * fmax(fabs(lo), fabs(hi)))) {
        return hc_err_set(err, HC_EDATA, "align",
                          "%s is blank: all its pixels have the value %.4g; check the file", which,
                          hi);
    }
    v = hc_mem_alloc(n * sizeof *v);
    if (!v) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu pixels", n);
    }
    memcpy(v, p->coarse.px, n * sizeof *v);
    p->floor = FLOOR * (double)(hc_stats_quantile_f(v, n, 0.99) - hc_stats_quantile_f(v, n, 0.01));
    hc_mem_free(v);
    return HC_OK;
}

static hc_status add_level(struct hc_align_pyramid *p, const struct hc_align_source *src, int by,
                           int k, double range[2], struct hc_job *job, struct hc_err *err)
{
    struct hc_align_level *l = &p->level[p->levels];
    hc_status st = hc_align_reduce(&l->own, src, by, range, job, err);
    if (st == HC_OK) {
        l->k = k;
        l->src = hc_align_source_plane(&l->own);
        p->levels++;
    }
    return st;
}

hc_status hc_align_pyramid_create(struct hc_align_pyramid *p, const struct hc_align_source *src,
                                  int base, int levels, int coarse_k, const char *which,
                                  struct hc_job *job, struct hc_err *err)
{
    double range[2] = {0}, *measure = range;
    hc_status st = HC_OK;
    int from = 0;
    *p = (struct hc_align_pyramid){.coarse_k = coarse_k};
    if (base > 1) {
        st = add_level(p, src, base, base, measure, job, err);
        measure = NULL;
    } else {
        p->level[0] = (struct hc_align_level){.src = *src, .k = 1};
        p->levels = 1;
    }
    while (st == HC_OK && p->levels < levels) {
        const struct hc_align_level *l = &p->level[p->levels - 1];
        st = add_level(p, &l->src, 4, 4 * l->k, measure, job, err);
        measure = NULL;
    }
    for (int i = 0; st == HC_OK && i < p->levels; i++) {
        from = coarse_k % p->level[i].k == 0 ? i : from; // the smallest level that divides
    }
    if (st == HC_OK && coarse_k % p->level[from].k == 0) {
        st = hc_align_reduce(&p->coarse, &p->level[from].src, coarse_k / p->level[from].k, measure,
                             NULL, err);
    } else if (st == HC_OK) {
        st = hc_align_reduce(&p->coarse, src, coarse_k, measure, NULL, err);
    }
    if (st == HC_OK) {
        st = measure_floor(p, which, range[0], range[1], err);
    } else {
        st = hc_err_prefix(err, st, "%s", which);
    }
    if (st != HC_OK) {
        hc_align_pyramid_release(p);
    }
    return st;
}

void hc_align_pyramid_release(struct hc_align_pyramid *p)
{
    for (int i = 0; i < HC_ALIGN_LEVELS; i++) {
        hc_plane_release(&p->level[i].own);
    }
    hc_plane_release(&p->coarse);
    *p = (struct hc_align_pyramid){0};
}
