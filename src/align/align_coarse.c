#include <math.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/filter.h"

#define TURNS 9  // -2 .. 2 degrees
#define SCALES 5 // 0.98 .. 1.02
#define TURN_STEP_DEG 0.5
#define SCALE_STEP 0.01
#define TAPER 0.08 // of each side

struct search {
    const struct hc_plane *ref, *view;
    const struct hc_fft2 *fft;
    const float *a; // transform of the reference field
    int n, symmetry, turns, scales;
    struct hc_align_peak peak[TURNS * SCALES];
    hc_status status[TURNS * SCALES];
};

static double taper(int i, int n)
{
    double edge = fmin(i + 0.5, n - i - 0.5) / (TAPER * n);
    return edge < 1 ? 0.5 - 0.5 * cos(M_PI * edge) : 1;
}

static void fill_taper(struct hc_plane *weight)
{
    for (int y = 0; y < weight->h; y++) {
        float *row = hc_plane_row(weight, y);
        for (int x = 0; x < weight->w; x++) {
            row[x] = (float)(taper(x, weight->w) * taper(y, weight->h));
        }
    }
}

// Reference px to view px for one candidate, both reduced: turn, scale and symmetry about the
// centres. Symmetries 1 to 3 are quarter turns, 4 to 7 the same after a left-right mirror.
static struct hc_homog candidate(const struct search *s, int c)
{
    double turn =
        ((c % s->turns - s->turns / 2) * TURN_STEP_DEG + 90 * (s->symmetry % 4)) * M_PI / 180;
    double scale = 1 + (c / s->turns - s->scales / 2) * SCALE_STEP,
           flip = s->symmetry >= 4 ? -1 : 1;
    double a = scale * cos(turn), b = scale * sin(turn);
    struct hc_homog h = {{flip * a, -b, 0, flip * b, a, 0, 0, 0, 1}};
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
        for (int x = 0; x < warped.w; x++) {
            struct hc_pt q = hc_homog_apply(&h, (struct hc_pt){x + 0.5, y + 0.5});
            bool is_in = q.x >= 2 && q.y >= 2 && q.x <= s->view->w - 2 && q.y <= s->view->h - 2;
            row[x] = hc_filter_bilinear(s->view, q.x, q.y);
            wt[x] = is_in ? (float)(taper(x, warped.w) * taper(y, warped.h)) : 0;
        }
    }
    st = hc_align_field(z, s->n, &warped, 0, &weight, &contrast);
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

static void take_best(struct hc_align_start *out, const struct search *s, int k)
{
    int best = 0;
    struct hc_homog h, shift = hc_homog_identity();
    for (int c = 1; c < s->turns * s->scales; c++) {
        best = s->peak[c].score > s->peak[best].score ? c : best;
    }
    shift.m[2] = s->peak[best].dx;
    shift.m[5] = s->peak[best].dy;
    h = candidate(s, best);
    h = hc_homog_compose(&h, &shift);
    h.m[2] *= k;
    h.m[5] *= k;
    out->frame_to_view = h;
    out->score = s->peak[best].score;
}

hc_status hc_align_coarse(struct hc_align_start *out, const struct hc_plane *ref,
                          const struct hc_plane *view, int k, int symmetry, struct hc_par *par,
                          struct hc_err *err)
{
    int n = ((ref->w > ref->h ? ref->w : ref->h) + 31) / 32 * 32;
    struct search s = {.ref = ref,
                       .view = view,
                       .n = n,
                       .symmetry = symmetry,
                       .turns = symmetry ? 3 : TURNS,
                       .scales = symmetry ? 1 : SCALES};
    struct hc_plane weight = {0};
    struct hc_fft2 *fft = NULL;
    double contrast;
    float *a = hc_mem_alloc(2 * (size_t)n * (size_t)n * sizeof *a);
    hc_status st = a ? HC_OK : HC_ENOMEM;
    if (st == HC_OK) {
        st = hc_fft2_create(&fft, n, n, err);
    }
    if (st == HC_OK) {
        st = hc_plane_create(&weight, ref->w, ref->h, err);
    }
    if (st == HC_OK) {
        fill_taper(&weight);
        st = hc_align_field(a, n, ref, 0, &weight, &contrast);
    }
    if (st == HC_OK) {
        hc_fft2_forward(fft, a);
        s.fft = fft;
        s.a = a;
        hc_par_rows(par, s.turns * s.scales * HC_BLOCK, run_candidate, &s);
        for (int c = 0; c < s.turns * s.scales && st == HC_OK; c++) {
            st = s.status[c];
        }
    }
    if (st == HC_OK) {
        take_best(out, &s, k);
    } else if (st == HC_ENOMEM) {
        st = hc_err_set(err, st, "align", "out of memory for the coarse search");
    }
    hc_plane_release(&weight);
    hc_fft2_destroy(fft);
    hc_mem_free(a);
    return st;
}
