#include <math.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/filter.h"

#define TAPER 0.08    // of each side
#define MASK_MARGIN 3 // px of the plane: what the blur of the gradients reaches

struct search {
    const struct hc_plane *ref, *view;
    const struct hc_align_coarse *in_ref, *in_view;
    const struct hc_fft2 *fft;
    const float *a; // transform of the reference field
    const struct hc_plane *taper;
    int n;
    const struct hc_align_grid *grid;
    struct hc_align_peak *peak; // of each candidate
    hc_status *status;
};

static double taper(int i, int n)
{
    double edge = fmin(i + 0.5, n - i - 0.5) / (TAPER * n);
    return edge < 1 ? 0.5 - 0.5 * cos(M_PI * edge) : 1;
}

static bool is_ignored(const struct hc_align_coarse *c, double x, double y)
{
    struct hc_pt p = {x * c->k, y * c->k};
    return hc_align_mask_has(c->ignored, p, MASK_MARGIN * c->k);
}

// Falls to the borders, and is 0 where the picture is ignored.
static void fill_taper(struct hc_plane *weight, const struct hc_align_coarse *c)
{
    for (int y = 0; y < weight->h; y++) {
        float *row = hc_plane_row(weight, y);
        for (int x = 0; x < weight->w; x++) {
            row[x] = (float)(taper(x, weight->w) * taper(y, weight->h));
            row[x] = is_ignored(c, x + 0.5, y + 0.5) ? 0 : row[x];
        }
    }
}

static double turn_of(const struct hc_align_grid *g, int c)
{
    return g->turn_deg + (c % g->turns - g->turns / 2) * g->turn_step_deg;
}

static double scale_of(const struct hc_align_grid *g, int c)
{
    return g->scale * pow(g->scale_ratio, c / g->turns - g->scales / 2);
}

// Reference px to view px for one candidate, both reduced: turn and scale about the centres.
static struct hc_homog candidate(const struct search *s, int c)
{
    double turn = turn_of(s->grid, c) * M_PI / 180, scale = scale_of(s->grid, c);
    double a = scale * cos(turn), b = scale * sin(turn);
    struct hc_homog h = {{a, -b, 0, b, a, 0, 0, 0, 1}};
    double cx = s->ref->w / 2.0, cy = s->ref->h / 2.0;
    h.m[2] = s->view->w / 2.0 - h.m[0] * cx - h.m[1] * cy;
    h.m[5] = s->view->h / 2.0 - h.m[3] * cx - h.m[4] * cy;
    return h;
}

static hc_status try_candidate(struct search *s, int c)
{
    struct hc_homog h = candidate(s, c);
    struct hc_plane warped = {0}, weight = {0};
    float *z = hc_mem_alloc(2 * (size_t)s->n * (size_t)s->n * sizeof *z);
    double contrast;
    hc_status st = z ? hc_plane_create(&warped, s->ref->w, s->ref->h, NULL) : HC_ENOMEM;
    if (st == HC_OK) {
        st = hc_plane_create(&weight, s->ref->w, s->ref->h, NULL);
    }
    if (st != HC_OK) {
        goto done;
    }
    for (int y = 0; y < warped.h; y++) {
        float *row = hc_plane_row(&warped, y), *wt = hc_plane_row(&weight, y);
        const float *tp = hc_plane_row(s->taper, y);
        for (int x = 0; x < warped.w; x++) { // the map is affine
            double qx = h.m[0] * (x + 0.5) + h.m[1] * (y + 0.5) + h.m[2];
            double qy = h.m[3] * (x + 0.5) + h.m[4] * (y + 0.5) + h.m[5];
            bool is_in = qx >= 2 && qy >= 2 && qx <= s->view->w - 2 && qy <= s->view->h - 2;
            row[x] = hc_filter_bilinear(s->view, qx, qy);
            wt[x] = is_in && !is_ignored(s->in_view, qx, qy) ? tp[x] : 0;
        }
    }
    st = hc_align_orient(z, s->n, &warped, 0, &weight, &contrast);
    if (st == HC_OK) {
        s->peak[c] = hc_align_correlate(s->fft, s->n, s->a, z, s->n / 4);
    }
done:
    hc_plane_release(&weight);
    hc_plane_release(&warped);
    hc_mem_free(z);
    return st;
}

static void run_candidate(void *ctx, int block, int y0, int y1)
{
    struct search *s = ctx;
    (void)y0;
    (void)y1;
    s->status[block] = try_candidate(s, block);
}

static void take_best(struct hc_align_start *out, const struct search *s, double ref_k,
                      double view_k)
{
    int best = 0;
    struct hc_homog in = {{1.0 / ref_k, 0, 0, 0, 1.0 / ref_k, 0, 0, 0, 1}};
    struct hc_homog up = {{view_k, 0, 0, 0, view_k, 0, 0, 0, 1}}, h;
    for (int c = 1; c < s->grid->turns * s->grid->scales; c++) {
        best = s->peak[c].score > s->peak[best].score ? c : best;
    }
    in.m[2] = s->peak[best].dx;
    in.m[5] = s->peak[best].dy;
    h = candidate(s, best);
    h = hc_homog_compose(&h, &in);
    out->frame_to_view = hc_homog_compose(&up, &h);
    out->score = s->peak[best].score;
}

hc_status hc_align_coarse(struct hc_align_start *out, const struct hc_align_coarse *in_ref,
                          const struct hc_align_coarse *in_view, const struct hc_align_grid *grid,
                          struct hc_par *par, struct hc_err *err)
{
    const struct hc_plane *ref = in_ref->plane, *view = in_view->plane;
    int n = ((ref->w > ref->h ? ref->w : ref->h) + 31) / 32 * 32,
        count = grid->turns * grid->scales;
    struct search s = {
        .ref = ref, .view = view, .in_ref = in_ref, .in_view = in_view, .n = n, .grid = grid};
    struct hc_plane weight = {0};
    struct hc_fft2 *fft = NULL;
    double contrast;
    float *a = hc_mem_alloc(2 * (size_t)n * (size_t)n * sizeof *a);
    hc_status st;
    s.peak = hc_mem_array((size_t)count, sizeof *s.peak);
    s.status = hc_mem_array((size_t)count, sizeof *s.status);
    st = a && s.peak && s.status ? HC_OK : HC_ENOMEM;
    if (st == HC_OK) {
        st = hc_fft2_create(&fft, n, n, err);
    }
    if (st == HC_OK) {
        st = hc_plane_create(&weight, ref->w, ref->h, err);
    }
    if (st == HC_OK) {
        fill_taper(&weight, in_ref);
        st = hc_align_orient(a, n, ref, 0, &weight, &contrast);
    }
    if (st == HC_OK) {
        hc_fft2_forward(fft, a);
        s.fft = fft;
        s.a = a;
        s.taper = &weight;
        hc_par_rows(par, count * HC_BLOCK, run_candidate, &s);
        for (int c = 0; c < count && st == HC_OK; c++) {
            st = s.status[c];
        }
    }
    if (st == HC_OK) {
        take_best(out, &s, in_ref->k, in_view->k);
    } else if (st == HC_ENOMEM) {
        st = hc_err_set(err, st, "align", "out of memory for the coarse search");
    }
    hc_plane_release(&weight);
    hc_fft2_destroy(fft);
    hc_mem_free(s.status);
    hc_mem_free(s.peak);
    hc_mem_free(a);
    return st;
}
