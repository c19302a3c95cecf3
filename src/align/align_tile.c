#include <math.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/filter.h"

#define BATCH 32       // tiles read before they are measured side by side
#define MIN_PEAK 6.0   // thresholds of a clear tile: docs/theory/align.md, section 4
#define MAX_RIVAL 0.87 // 1 / 1.15
#define MIN_ROUNDNESS 0.15
#define MIN_INSIDE 0.6  // of the window's weight must fall on the view
#define MAX_IGNORED 0.2 // of the window's weight
#define MASK_MARGIN 3   // level px
#define BORDER 2        // px of the view's edge that the interpolation spoils

struct job_tile {
    int x0, y0;                // in the reference level
    struct hc_plane ref, view; // pixels read: the tile with margin, and the box it maps to
    int view_x0, view_y0;
    bool is_readable;
    hc_status status;
};

struct pass {
    const struct hc_align_pass *p;
    struct hc_homog map; // reference level px -> view level px
    struct hc_fft2 *fft;
    struct hc_plane window;
    struct job_tile tile[BATCH];
    struct hc_align_measure *out; // of this batch
};

// Reference level px to view level px, through the map and the lens.
static struct hc_pt map_point(const struct pass *ps, struct hc_pt p)
{
    double k = ps->p->view->k;
    struct hc_pt q = hc_homog_apply(&ps->map, p);
    if (ps->p->lens.radius > 0) {
        q = hc_align_lens_apply(&ps->p->lens, (struct hc_pt){q.x * k, q.y * k});
        q = (struct hc_pt){q.x / k, q.y / k};
    }
    return q;
}

static void fill_window(struct hc_plane *w)
{
    for (int y = 0; y < w->h; y++) {
        double wy = sin(M_PI * (y + 0.5) / w->h);
        for (int x = 0; x < w->w; x++) {
            double wx = sin(M_PI * (x + 0.5) / w->w);
            hc_plane_row(w, y)[x] = (float)(wx * wx * wy * wy); // Hann
        }
    }
}

// The view box that a tile with its margin maps to; false when too little of the tile is in the
// view.
static bool view_box(const struct pass *ps, const struct job_tile *t, int box[4])
{
    const struct hc_align_source *v = &ps->p->view->src;
    double m = HC_ALIGN_MARGIN, s = ps->p->size + m, lo[2] = {1e9, 1e9}, hi[2] = {-1e9, -1e9};
    for (int c = 0; c < 4; c++) {
        struct hc_pt p = {t->x0 + (c & 1 ? s : -m), t->y0 + (c & 2 ? s : -m)};
        struct hc_pt q = map_point(ps, p);
        if (!isfinite(q.x) || !isfinite(q.y)) {
            return false;
        }
        lo[0] = fmin(lo[0], q.x);
        lo[1] = fmin(lo[1], q.y);
        hi[0] = fmax(hi[0], q.x);
        hi[1] = fmax(hi[1], q.y);
    }
    if (hi[0] - lo[0] > 4 * s || hi[1] - lo[1] > 4 * s || hi[0] < 0.5 * s || hi[1] < 0.5 * s ||
        lo[0] > v->w - 0.5 * s || lo[1] > v->h - 0.5 * s) {
        return false;
    }
    box[0] = (int)floor(lo[0]) - 3;
    box[1] = (int)floor(lo[1]) - 3;
    box[2] = (int)ceil(hi[0]) + 3 - box[0];
    box[3] = (int)ceil(hi[1]) + 3 - box[1];
    return true;
}

static hc_status read_tile(struct pass *ps, struct job_tile *t, struct hc_err *err)
{
    int side = ps->p->size + 2 * HC_ALIGN_MARGIN, box[4];
    hc_status st;
    t->is_readable = view_box(ps, t, box);
    if (!t->is_readable) {
        return HC_OK;
    }
    t->view_x0 = box[0];
    t->view_y0 = box[1];
    st = hc_plane_create(&t->ref, side, side, err);
    if (st == HC_OK) {
        st = hc_plane_create(&t->view, box[2], box[3], err);
    }
    if (st == HC_OK) {
        st = hc_align_read_box(&t->ref, &ps->p->ref->src, t->x0 - HC_ALIGN_MARGIN,
                               t->y0 - HC_ALIGN_MARGIN, err);
    }
    if (st == HC_OK) {
        st = hc_align_read_box(&t->view, &ps->p->view->src, box[0], box[1], err);
    }
    return st;
}

static bool is_inside(const struct hc_align_source *s, double x, double y)
{
    return x >= BORDER && y >= BORDER && x <= s->w - BORDER && y <= s->h - BORDER;
}

// The frame at a level point, or the view at q, is not to be compared; the margin is what the blur
// of the gradients reaches.
static bool is_ignored(const struct pass *ps, double x, double y, struct hc_pt q)
{
    const struct hc_align_pass *p = ps->p;
    double k = p->ref->k, m = p->view->k;
    return hc_align_mask_has(p->ignored_ref, (struct hc_pt){x * k, y * k}, MASK_MARGIN * k) ||
           hc_align_mask_has(p->ignored_view, (struct hc_pt){q.x * m, q.y * m}, MASK_MARGIN * m);
}

// The view as seen through the map, on the tile's pixels; the window is cut where the view or the
// reference ends and where a picture is ignored. Returns the share of the window's weight that
// remains, in *ignored the share that is ignored, and in *centre the place that the tile then
// speaks for: the mean under the weight's square, as both views bear it.
static double warp_tile(const struct pass *ps, const struct job_tile *t, struct hc_plane *warped,
                        struct hc_plane *weight, struct hc_pt *centre, double *ignored)
{
    double all = 0, kept = 0, left_out = 0, sum[3] = {0};
    for (int y = 0; y < warped->h; y++) {
        float *row = hc_plane_row(warped, y);
        int j = y - HC_ALIGN_MARGIN;
        for (int x = 0; x < warped->w; x++) {
            int i = x - HC_ALIGN_MARGIN;
            struct hc_pt q = map_point(ps, (struct hc_pt){t->x0 + i + 0.5, t->y0 + j + 0.5});
            row[x] = hc_filter_bicubic(&t->view, q.x - t->view_x0, q.y - t->view_y0);
            if (i >= 0 && j >= 0 && i < weight->w && j < weight->h) {
                bool is_in = is_inside(&ps->p->view->src, q.x, q.y) &&
                             is_inside(&ps->p->ref->src, t->x0 + i + 0.5, t->y0 + j + 0.5);
                float wt = hc_plane_get(&ps->window, i, j);
                double w;
                if (is_in && is_ignored(ps, t->x0 + i + 0.5, t->y0 + j + 0.5, q)) {
                    is_in = false;
                    left_out += (double)wt;
                }
                w = is_in ? (double)wt : 0;
                all += (double)wt;
                kept += w;
                hc_plane_row(weight, j)[i] = is_in ? wt : 0;
                sum[0] += w * w;
                sum[1] += w * w * (t->x0 + i + 0.5);
                sum[2] += w * w * (t->y0 + j + 0.5);
            }
        }
    }
    if (sum[0] > 0) {
        *centre = (struct hc_pt){sum[1] / sum[0], sum[2] / sum[0]};
    }
    *ignored = left_out / all;
    return kept / all;
}

static hc_status measure_tile(const struct pass *ps, const struct job_tile *t,
                              struct hc_align_measure *m)
{
    int n = ps->p->size;
    size_t count = 2 * (size_t)n * (size_t)n;
    struct hc_plane warped = {0}, weight = {0};
    double contrast[2] = {0}, inside, ignored;
    struct hc_pt centre = {t->x0 + n / 2.0, t->y0 + n / 2.0};
    float *z = hc_mem_alloc(2 * count * sizeof *z);
    hc_status st = z ? hc_plane_create(&warped, t->ref.w, t->ref.h, NULL) : HC_ENOMEM;
    if (st == HC_OK) {
        st = hc_plane_create(&weight, n, n, NULL);
    }
    if (st != HC_OK) {
        goto done;
    }
    inside = warp_tile(ps, t, &warped, &weight, &centre, &ignored);
    m->is_ignored = ignored > MAX_IGNORED;
    if (ps->p->is_staggered) {
        m->x = centre.x * ps->p->ref->k;
        m->y = centre.y * ps->p->ref->k;
    }
    st = hc_align_orient(z, n, &t->ref, HC_ALIGN_MARGIN,
                         ps->p->is_staggered ? &weight : &ps->window, &contrast[0]);
    if (st == HC_OK) {
        st = hc_align_orient(z + count, n, &warped, HC_ALIGN_MARGIN, &weight, &contrast[1]);
    }
    m->is_textured =
        !m->is_ignored && contrast[0] > ps->p->floor_ref && contrast[1] > ps->p->floor_view;
    if (st == HC_OK && inside >= MIN_INSIDE && m->is_textured) {
        struct hc_align_peak p;
        p = hc_align_correlate_fine(ps->fft, n, z, z + count, ps->p->radius);
        m->dx = p.dx * ps->p->ref->k;
        m->dy = p.dy * ps->p->ref->k;
        m->peak = p.score;
        m->rival = p.rival;
        m->is_clear = p.score > MIN_PEAK && p.rival < MAX_RIVAL && p.roundness > MIN_ROUNDNESS &&
                      fmax(fabs(p.dx), fabs(p.dy)) < ps->p->radius;
    }
done:
    hc_plane_release(&weight);
    hc_plane_release(&warped);
    hc_mem_free(z);
    return st;
}

static void run_tile(void *ctx, int block, int y0, int y1)
{
    struct pass *ps = ctx;
    struct job_tile *t = &ps->tile[block];
    (void)y0;
    (void)y1;
    if (t->is_readable) {
        t->status = measure_tile(ps, t, &ps->out[block]);
    }
}

// Tiles are laid centred, `step` apart, wholly inside the reference; staggered ones stand half a
// step out, so that they fill the gaps of the others and hang over the border.
static hc_status measure_batch(struct pass *ps, size_t first, int count, int columns,
                               struct hc_par *par, struct hc_err *err)
{
    const struct hc_align_pass *p = ps->p;
    int left = p->x0 + (p->x1 - p->x0 - p->size) % p->step / 2;
    int top = p->y0 + (p->y1 - p->y0 - p->size) % p->step / 2;
    left -= p->is_staggered ? p->step / 2 : 0;
    top -= p->is_staggered ? p->step / 2 : 0;
    hc_status st = HC_OK;
    for (int i = 0; i < count && st == HC_OK; i++) {
        int col = (int)((first + (size_t)i) % (size_t)columns);
        int row = (int)((first + (size_t)i) / (size_t)columns);
        struct job_tile *t = &ps->tile[i];
        *t = (struct job_tile){.x0 = left + col * p->step, .y0 = top + row * p->step};
        ps->out[i].x = (t->x0 + p->size / 2.0) * p->ref->k;
        ps->out[i].y = (t->y0 + p->size / 2.0) * p->ref->k;
        ps->out[i].is_held_out = (col + 2 * row) % 5 == 0; // a knight's move apart: even cover
        st = read_tile(ps, t, err);
    }
    if (st == HC_OK) {
        hc_par_rows(par, count * HC_BLOCK, run_tile, ps);
    }
    for (int i = 0; i < count; i++) {
        if (st == HC_OK && ps->tile[i].status != HC_OK) {
            st = hc_err_set(err, ps->tile[i].status, "align", "out of memory for a tile");
        }
        hc_plane_release(&ps->tile[i].ref);
        hc_plane_release(&ps->tile[i].view);
        ps->tile[i] = (struct job_tile){0};
    }
    return st;
}

// The map between full sizes, said in level px: pixel edges scale exactly (num/geom.h).
static struct hc_homog level_map(const struct hc_align_pass *p)
{
    struct hc_homog in = {{p->ref->k, 0, 0, 0, p->ref->k, 0, 0, 0, 1}};
    struct hc_homog out = {{1.0 / p->view->k, 0, 0, 0, 1.0 / p->view->k, 0, 0, 0, 1}};
    struct hc_homog h = hc_homog_compose(&p->frame_to_view, &in);
    return hc_homog_compose(&out, &h);
}

static struct hc_align_pass whole_if_unset(struct hc_align_pass p)
{
    p.x1 = p.x1 > 0 ? p.x1 : p.ref->src.w;
    p.y1 = p.y1 > 0 ? p.y1 : p.ref->src.h;
    return p;
}

hc_status hc_align_measure(struct hc_align_measure **out, size_t *n,
                           const struct hc_align_pass *pass, struct hc_par *par, struct hc_job *job,
                           struct hc_err *err)
{
    struct hc_align_pass part = whole_if_unset(*pass);
    int w = part.x1 - part.x0, h = part.y1 - part.y0;
    int columns = w < pass->size ? 0 : (w - pass->size) / pass->step + 1;
    int rows = h < pass->size ? 0 : (h - pass->size) / pass->step + 1;
    size_t total;
    struct pass *ps = hc_mem_array(1, sizeof *ps);
    struct hc_align_measure *m;
    hc_status st = HC_OK;
    columns += pass->is_staggered;
    rows += pass->is_staggered;
    total = (size_t)columns * (size_t)rows;
    m = total ? hc_mem_array(total, sizeof *m) : NULL;
    *out = NULL;
    *n = 0;
    if (!ps || (total && !m)) {
        st = hc_err_set(err, HC_ENOMEM, "align", "out of memory for %zu tiles", total);
        goto done;
    }
    ps->p = &part;
    ps->map = level_map(&part);
    st = hc_fft2_create(&ps->fft, pass->size, pass->size, err);
    if (st == HC_OK) {
        st = hc_plane_create(&ps->window, pass->size, pass->size, err);
    }
    if (st == HC_OK) {
        fill_window(&ps->window);
    }
    for (size_t i = 0; i < total && st == HC_OK; i += BATCH) {
        st = hc_job_step(job, (double)i / (double)total, "placing a view", err);
        if (st == HC_OK) {
            ps->out = m + i;
            st = measure_batch(ps, i, total - i < BATCH ? (int)(total - i) : BATCH, columns, par,
                               err);
        }
    }
    if (st == HC_OK) {
        *out = m;
        *n = total;
        m = NULL;
    }
done:
    if (ps) {
        hc_fft2_destroy(ps->fft);
        hc_plane_release(&ps->window);
    }
    hc_mem_free(ps);
    hc_mem_free(m);
    return st;
}
