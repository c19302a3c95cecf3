// Coarse search: how do two plates lie that may share only a strip? Masked orientation correlation
// at overview size, normalised by what falls on what (eq. 1 and 2).
#include <math.h>
#include <string.h>

#include "align/align_mosaic_priv.h"
#include "base/mem.h"
#include "num/filter.h"

#define TURNS 7
#define TURN_STEP_DEG 1.4
#define SCALES 3
#define SCALE_STEP 0.018
#define SOFT_PX 1.5  // blur: finer detail (a weave) is lost by half a step of turn or scale anyway
#define LOCAL_PX 6.0 // the mean orientation over this neighbourhood says nothing about place
#define MIN_SHARE 0.03 // of the lesser plate must lie on the other
#define APART_PX 6     // two guesses are different places

// One plate at overview size as the transforms of its field and of the field's squared length.
struct spectrum {
    float *field, *energy; // n x n complex each
    double total, density; // of the energy: sum, and mean where the plate is
};

struct search {
    const struct hc_fft2 *fft;
    int n;
    const struct spectrum *a; // of the plates before b
    const struct spectrum *b; // of plate b under one candidate
    struct peak {
        double score;
        int dx, dy;
        hc_status status;
    } * peak; // one for each a
};

// Fade over the first two pixels inside the border; nothing outside.
static float inside_weight(double x, double y, int w, int h)
{
    double d = fmin(fmin(x, w - x), fmin(y, h - y)) - 1;
    return d <= 0 ? 0 : d >= 2 ? 1 : (float)(d / 2);
}

// Takes the local mean off one part (0 real, 1 imaginary) of the field.
static hc_status flatten(float *z, int n, int part, const struct hc_plane *weight,
                         const struct hc_plane *near)
{
    struct hc_plane v = {0};
    hc_status st = hc_plane_create(&v, weight->w, weight->h, NULL);
    for (int y = 0; st == HC_OK && y < v.h; y++) {
        for (int x = 0; x < v.w; x++) {
            hc_plane_row(&v, y)[x] = z[2 * ((size_t)y * (size_t)n + (size_t)x) + (size_t)part];
        }
    }
    st = st == HC_OK ? hc_filter_gauss(&v, &v, LOCAL_PX, NULL) : st;
    for (int y = 0; st == HC_OK && y < v.h; y++) {
        for (int x = 0; x < v.w; x++) {
            float wt = hc_plane_get(weight, x, y), all = hc_plane_get(near, x, y);
            float *p = &z[2 * ((size_t)y * (size_t)n + (size_t)x) + (size_t)part];
            *p -= all > 1e-6f ? wt * hc_plane_get(&v, x, y) / all : 0;
        }
    }
    hc_plane_release(&v);
    return st;
}

// Both transforms of the picture under `to_plate` (picture px to overview px of the plate).
static hc_status make_spectrum(struct spectrum *s, const struct hc_plane *over,
                               const struct hc_homog *to_plate, const struct hc_fft2 *fft, int n)
{
    struct hc_plane img = {0}, weight = {0}, near = {0};
    double contrast;
    hc_status st = hc_plane_create(&img, over->w, over->h, NULL);
    st = st == HC_OK ? hc_plane_create(&weight, over->w, over->h, NULL) : st;
    st = st == HC_OK ? hc_plane_create(&near, over->w, over->h, NULL) : st;
    for (int y = 0; st == HC_OK && y < img.h; y++) {
        for (int x = 0; x < img.w; x++) {
            struct hc_pt q = hc_homog_apply(to_plate, (struct hc_pt){x + 0.5, y + 0.5});
            hc_plane_row(&img, y)[x] = hc_filter_bilinear(over, q.x, q.y);
            hc_plane_row(&weight, y)[x] = inside_weight(q.x, q.y, over->w, over->h);
        }
    }
    st = st == HC_OK ? hc_filter_gauss(&img, &img, SOFT_PX, NULL) : st;
    st = st == HC_OK ? hc_filter_gauss(&near, &weight, LOCAL_PX, NULL) : st;
    st = st == HC_OK ? hc_align_orient(s->field, n, &img, 0, &weight, &contrast) : st;
    for (int part = 0; st == HC_OK && part < 2; part++) {
        st = flatten(s->field, n, part, &weight, &near);
    }
    if (st == HC_OK) {
        s->total = 0;
        for (size_t i = 0; i < (size_t)n * (size_t)n; i++) {
            float e = s->field[2 * i] * s->field[2 * i] + s->field[2 * i + 1] * s->field[2 * i + 1];
            s->energy[2 * i] = e;
            s->energy[2 * i + 1] = 0;
            s->total += (double)e;
        }
        s->density = s->total / ((double)img.w * img.h);
        hc_fft2_forward(fft, s->field);
        hc_fft2_forward(fft, s->energy);
    }
    hc_plane_release(&near);
    hc_plane_release(&weight);
    hc_plane_release(&img);
    return st;
}

// Into z: a spectrum whose inverse has the real part of the fields' correlation as its real part
// and the correlation of the energies as its imaginary part.
static void cross(float *z, int n, const struct spectrum *a, const struct spectrum *b)
{
    for (int y = 0; y < n; y++) {
        for (int x = 0; x < n; x++) {
            size_t i = 2 * ((size_t)y * (size_t)n + (size_t)x);
            size_t j = 2 * ((size_t)((n - y) % n) * (size_t)n + (size_t)((n - x) % n));
            const float *p = a->field + i, *q = b->field + i, *r = a->field + j, *s = b->field + j;
            const float *e = a->energy + i, *f = b->energy + i;
            float re = p[0] * q[0] + p[1] * q[1] + r[0] * s[0] + r[1] * s[1];
            float im = p[0] * q[1] - p[1] * q[0] - (r[0] * s[1] - r[1] * s[0]);
            float er = e[0] * f[0] + e[1] * f[1], ei = e[0] * f[1] - e[1] * f[0];
            z[i] = re / 2 - ei;
            z[i + 1] = im / 2 + er;
        }
    }
}

// The best place of b against one a, scored against the spread of all places (eq. 2).
static void correlate(void *ctx, int block, int y0, int y1)
{
    struct search *s = ctx;
    const struct spectrum *a = &s->a[block], *b = s->b;
    size_t count = (size_t)s->n * (size_t)s->n, valid = 0, best = 0;
    // What an overlap of the least share would give; the unscaled inverse is count times too large.
    double least = MIN_SHARE * fmin(a->total * b->density, b->total * a->density) * (double)count;
    double square = 0, top = 0;
    float *z = hc_mem_alloc(2 * count * sizeof *z);
    struct peak *out = &s->peak[block];
    (void)y0;
    (void)y1;
    *out = (struct peak){.status = z ? HC_OK : HC_ENOMEM};
    if (!z) {
        return;
    }
    cross(z, s->n, a, b);
    hc_fft2_inverse(s->fft, z);
    for (size_t i = 0; i < count; i++) {
        double energy = (double)z[2 * i + 1], v = (double)z[2 * i];
        if (energy < least || !(energy > 0)) {
            continue;
        }
        v /= sqrt(energy);
        square += v * v;
        valid++;
        if (v > top) {
            top = v;
            best = i;
        }
    }
    if (square > 0) {
        out->score = top / sqrt(square / (double)valid);
        out->dx = (int)(best % (size_t)s->n);
        out->dy = (int)(best / (size_t)s->n);
        out->dx -= out->dx > s->n / 2 ? s->n : 0;
        out->dy -= out->dy > s->n / 2 ? s->n : 0;
    }
    hc_mem_free(z);
}

// Turned and scaled about the middle of the overview.
static struct hc_homog candidate(const struct hc_plane *over, int c)
{
    double turn = (c % TURNS - TURNS / 2) * TURN_STEP_DEG * M_PI / 180;
    double scale = 1 + (c / TURNS - SCALES / 2) * SCALE_STEP;
    double p = scale * cos(turn), q = scale * sin(turn), x = over->w / 2.0, y = over->h / 2.0;
    return (struct hc_homog){{p, -q, x - p * x + q * y, q, p, y - q * x - p * y, 0, 0, 1}};
}

// Keeps the best guess, and the best of another place.
static void keep(struct hc_mosaic_pair *p, const struct peak *k, const struct hc_homog *to_b,
                 const struct hc_pt middle, int over_k)
{
    struct hc_homog in = {{1.0 / over_k, 0, k->dx, 0, 1.0 / over_k, k->dy, 0, 0, 1}};
    struct hc_homog up = {{over_k, 0, 0, 0, over_k, 0, 0, 0, 1}}, h = hc_homog_compose(to_b, &in);
    struct hc_mosaic_guess g = {hc_homog_compose(&up, &h), k->score}, *at = p->guess;
    struct hc_pt here = hc_homog_apply(&g.a_to_b, middle), there;
    there = at[0].score > 0 ? hc_homog_apply(&at[0].a_to_b, middle) : here;
    if (hypot(here.x - there.x, here.y - there.y) < APART_PX * over_k) {
        at[0] = g.score > at[0].score ? g : at[0];
    } else if (g.score > at[0].score) {
        at[1] = at[0];
        at[0] = g;
    } else if (g.score > at[1].score) {
        at[1] = g;
    }
}

static void release(struct spectrum *s)
{
    hc_mem_free(s->field);
    hc_mem_free(s->energy);
}

static hc_status reserve(struct spectrum *s, int n)
{
    s->field = hc_mem_alloc(2 * (size_t)n * (size_t)n * sizeof *s->field);
    s->energy = hc_mem_alloc(2 * (size_t)n * (size_t)n * sizeof *s->energy);
    return s->field && s->energy ? HC_OK : HC_ENOMEM;
}

// Plate b under every candidate against all plates before it.
static hc_status search_plate(struct search *s, struct hc_mosaic_pair *pair,
                              const struct hc_mosaic_plate *plate, int b, struct spectrum *turned,
                              int over_k, struct hc_par *par)
{
    hc_status st = HC_OK;
    s->b = turned;
    for (int c = 0; st == HC_OK && c < TURNS * SCALES; c++) {
        struct hc_homog to_b = candidate(&plate[b].over, c);
        st = make_spectrum(turned, &plate[b].over, &to_b, s->fft, s->n);
        if (st == HC_OK) {
            hc_par_rows(par, b * HC_BLOCK, correlate, s);
        }
        for (int a = 0; st == HC_OK && a < b; a++) {
            struct hc_pt middle = {plate[a].src.w / 2.0, plate[a].src.h / 2.0};
            st = s->peak[a].status;
            keep(&pair[a], &s->peak[a], &to_b, middle, over_k);
        }
    }
    return st;
}

hc_status hc_mosaic_search(struct hc_mosaic_pair *pair, const struct hc_mosaic_plate *plate, int n,
                           int over_k, struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    struct spectrum *a = hc_mem_array((size_t)n, sizeof *a), turned = {0};
    struct hc_homog as_is = hc_homog_identity();
    struct hc_fft2 *fft = NULL;
    struct search s = {.a = a, .peak = hc_mem_array((size_t)n, sizeof *s.peak)};
    int side = 0;
    hc_status st = a && s.peak ? HC_OK : HC_ENOMEM;
    for (int i = 0; i < n; i++) {
        int longer = plate[i].over.w > plate[i].over.h ? plate[i].over.w : plate[i].over.h;
        side = longer > side ? longer : side;
    }
    s.n = (2 * side + 31) / 32 * 32;
    st = st == HC_OK ? hc_fft2_create(&fft, s.n, s.n, err) : st;
    st = st == HC_OK ? reserve(&turned, s.n) : st;
    s.fft = fft;
    for (int b = 0; b < n && st == HC_OK; b++) {
        st = hc_job_step(job, (double)b * b / ((double)n * n), "looking for overlaps", err);
        st = st == HC_OK ? search_plate(&s, pair + (size_t)b * (size_t)(b - 1) / 2, plate, b,
                                        &turned, over_k, par)
                         : st;
        st = st == HC_OK ? reserve(&a[b], s.n) : st;
        st = st == HC_OK ? make_spectrum(&a[b], &plate[b].over, &as_is, fft, s.n) : st;
    }
    for (int i = 0; a && i < n; i++) {
        release(&a[i]);
    }
    release(&turned);
    hc_fft2_destroy(fft);
    hc_mem_free(s.peak);
    hc_mem_free(a);
    if (st == HC_ENOMEM) {
        st = hc_err_set(err, st, "align", "out of memory while looking for overlaps");
    }
    return st;
}
