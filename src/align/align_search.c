// The wide search: any turn, mirrored or not, one picture 0.23 to 4.3 times as long as the other
// (docs/theory/align.md, section 11). The shorter picture's field of doubled edge angles is scaled
// and turned step by step and correlated with the whole of the longer one's; the best few places
// are handed on, for the tiles to decide.
#include <math.h>
#include <string.h>

#include "align/align_priv.h"
#include "base/mem.h"
#include "num/filter.h"

#define POOL 4         // px of a picture per cell of its field, a side
#define TAPER 0.06     // of each side
#define MASK_MARGIN 3  // px of the picture: what the blur of the gradients reaches
#define SOFT_CELLS 0.6 // Gaussian that the correlation is softened by
#define MIN_CELLS 8    // of the shorter side of a scaled picture
#define KEPT 24        // places kept while searching
#define APART_CELLS 4
#define SYMMETRIES 8

// Sizes of the longer picture's field, the other's length relative to it, and the steps.
struct tier {
    int cells;
    double lo, hi, ratio, turn_step_deg;
};
static const struct tier tiers[HC_ALIGN_TIERS] = {
    {80, 0.67, 1.5, 1.04, 3.0}, {128, 0.40, 0.72, 1.055, 3.6}, {192, 0.22, 0.43, 1.07, 4.5}};

// Doubled angles, pooled over POOL x POOL px; cell (i, j) is centred at ((i + .5) * px, (j + .5) *
// px) of the full picture.
struct field {
    int w, h;
    float *z; // w x h complex
    double px;
};

struct place {
    double score, x, y; // centre of the shorter picture in the longer one, full px of the longer
    double turn_deg;    // 0..90, before the symmetry
    double length;      // of the shorter picture in the longer one's
    int symmetry;       // quarter turns; from 4 on of the mirrored picture
};

struct sweep {
    const struct tier *tier;
    int n;
    const struct hc_fft2 *fft;
    struct field big, small;
    float *a, *b; // whitened spectrum of the big field, and its conjugate at the negative frequency
    double length, turn0_deg, turn_step_deg;
    unsigned symmetries; // bits
    struct place (*found)[SYMMETRIES];
    hc_status *status;
};

static double taper(double at, double length)
{
    double edge = fmin(at, length - at) / (TAPER * length);
    return edge < 1 ? 0.5 - 0.5 * cos(M_PI * fmax(edge, 0)) : 1;
}

// The picture at `step` of its own px per new px, its weight, and room for the angles.
static hc_status resample(struct hc_plane *img, struct hc_plane *weight,
                          const struct hc_align_coarse *pic, double step, struct hc_err *err)
{
    struct hc_plane soft = {0};
    hc_status st = hc_plane_create(&soft, pic->plane->w, pic->plane->h, err);
    if (st == HC_OK && step > 1) {
        st = hc_filter_gauss(&soft, pic->plane, 0.5 * sqrt(step * step - 1), err);
    } else if (st == HC_OK) {
        hc_plane_copy(&soft, pic->plane);
    }
    for (int y = 0; st == HC_OK && y < img->h; y++) {
        float *row = hc_plane_row(img, y), *wt = hc_plane_row(weight, y);
        double ty = taper(y + 0.5, img->h);
        for (int x = 0; x < img->w; x++) {
            double px = (x + 0.5) * step, py = (y + 0.5) * step;
            struct hc_pt p = {px * pic->k, py * pic->k};
            bool is_out = hc_align_mask_has(pic->ignored, p, MASK_MARGIN * step * pic->k);
            row[x] = hc_filter_bilinear(&soft, px, py);
            wt[x] = is_out ? 0 : (float)(ty * taper(x + 0.5, img->w));
        }
    }
    hc_plane_release(&soft);
    return st;
}

static void pool(struct field *f, const float *z, int n)
{
    for (int y = 0; y < f->h; y++) {
        for (int x = 0; x < f->w; x++) {
            float *out = f->z + 2 * ((size_t)y * (size_t)f->w + (size_t)x);
            out[0] = out[1] = 0;
            for (int j = 0; j < POOL; j++) {
                const float *in = z + 2 * ((size_t)(y * POOL + j) * (size_t)n + (size_t)(x * POOL));
                for (int i = 0; i < POOL; i++) {
                    out[0] += in[2 * i];
                    out[1] += in[2 * i + 1];
                }
            }
        }
    }
}

// The field of a picture whose longer side becomes `cells` cells. f->z is NULL when it is too
// small.
static hc_status make_field(struct field *f, const struct hc_align_coarse *pic, double cells,
                            struct hc_err *err)
{
    const struct hc_plane *p = pic->plane;
    double step = (p->w > p->h ? p->w : p->h) / (cells * POOL), contrast;
    struct hc_plane img = {0}, weight = {0};
    float *z = NULL;
    int n;
    hc_status st;
    *f = (struct field){(int)(p->w / (step * POOL) + 1e-6), (int)(p->h / (step * POOL) + 1e-6),
                        NULL, step * POOL * pic->k};
    if (f->w < MIN_CELLS || f->h < MIN_CELLS) {
        return HC_OK;
    }
    n = POOL * (f->w > f->h ? f->w : f->h);
    st = hc_plane_create(&img, f->w * POOL, f->h * POOL, err);
    if (st == HC_OK) {
        st = hc_plane_create(&weight, img.w, img.h, err);
    }
    if (st == HC_OK) {
        st = resample(&img, &weight, pic, step, err);
    }
    if (st == HC_OK) {
        z = hc_mem_alloc(2 * (size_t)n * (size_t)n * sizeof *z);
        f->z = hc_mem_alloc(2 * (size_t)f->w * (size_t)f->h * sizeof *f->z);
        st = z && f->z ? hc_align_orient(z, n, &img, 0, &weight, &contrast) : HC_ENOMEM;
    }
    if (st == HC_OK) {
        pool(f, z, n);
    } else {
        st = hc_err_set(err, st, "align", "out of memory for the wide search");
        hc_mem_free(f->z);
        f->z = NULL;
    }
    hc_mem_free(z);
    hc_plane_release(&weight);
    hc_plane_release(&img);
    return st;
}

// The field turned about its centre, which comes to lie on the first element of the n x n torus.
// The angles turn with it.
static void turn_field(float *out, int n, const struct field *f, double turn_deg)
{
    double t = turn_deg * M_PI / 180, c = cos(t), s = sin(t);
    float c2 = (float)cos(2 * t), s2 = (float)sin(2 * t);
    int reach = (int)(hypot(f->w, f->h) / 2) + 1;
    reach = reach < n / 2 ? reach : n / 2 - 1;
    memset(out, 0, 2 * (size_t)n * (size_t)n * sizeof *out);
    for (int y = -reach; y <= reach; y++) {
        for (int x = -reach; x <= reach; x++) {
            double sx = c * x + s * y + f->w / 2.0 - 0.5, sy = c * y - s * x + f->h / 2.0 - 0.5;
            int i = (int)floor(sx), j = (int)floor(sy);
            float u = (float)(sx - i), v = (float)(sy - j), re, im, *o;
            const float *p, *q;
            if (i < 0 || j < 0 || i >= f->w - 1 || j >= f->h - 1) {
                continue;
            }
            p = f->z + 2 * ((size_t)j * (size_t)f->w + (size_t)i);
            q = p + 2 * (size_t)f->w;
            re = (p[0] * (1 - u) + p[2] * u) * (1 - v) + (q[0] * (1 - u) + q[2] * u) * v;
            im = (p[1] * (1 - u) + p[3] * u) * (1 - v) + (q[1] * (1 - u) + q[3] * u) * v;
            o = out + 2 * ((size_t)((y + n) % n) * (size_t)n + (size_t)((x + n) % n));
            o[0] = re * c2 - im * s2;
            o[1] = re * s2 + im * c2;
        }
    }
}

static void whiten(float *z, int n)
{
    for (size_t i = 0; i < (size_t)n * (size_t)n; i++) {
        float m = sqrtf(sqrtf(z[2 * i] * z[2 * i] + z[2 * i + 1] * z[2 * i + 1]));
        float s = m > 0 ? 1 / m : 0;
        z[2 * i] *= s;
        z[2 * i + 1] *= s;
    }
}

// The spectrum of the turned field under a quarter turn and a mirror: indices change places, the
// doubled angle changes sign at a quarter turn and is conjugated by the mirror.
static void turn_spectrum(float *out, const float *f, int n, bool is_quarter, bool is_mirrored)
{
    for (int v = 0; v < n; v++) {
        for (int u = 0; u < n; u++) {
            int a = is_quarter ? v : u, b = is_quarter ? (n - u) % n : v;
            const float *p;
            float *o = out + 2 * ((size_t)v * (size_t)n + (size_t)u), sign = is_quarter ? -1 : 1;
            b = is_mirrored ? (n - b) % n : b;
            p = f + 2 * ((size_t)b * (size_t)n + (size_t)a);
            o[0] = sign * p[0];
            o[1] = is_mirrored ? -sign * p[1] : sign * p[1];
        }
    }
}

// Correlations of the big field with f and with f turned by half a turn come out as the real and
// the imaginary part of one inverse transform.
static void correlate_pair(float *g, const struct sweep *s, const float *f)
{
    int n = s->n;
    for (int v = 0; v < n; v++) {
        for (int u = 0; u < n; u++) {
            size_t at = (size_t)v * (size_t)n + (size_t)u;
            size_t neg = (size_t)((n - v) % n) * (size_t)n + (size_t)((n - u) % n);
            const float *a = s->a + 2 * at, *b = s->b + 2 * at, *p = f + 2 * at, *q = f + 2 * neg;
            // a (conj p + i conj q) + b (q + i p)
            float ar = p[0] + q[1], ai = q[0] - p[1], br = q[0] - p[1], bi = q[1] + p[0];
            g[2 * at] = a[0] * ar - a[1] * ai + b[0] * br - b[1] * bi;
            g[2 * at + 1] = a[0] * ai + a[1] * ar + b[0] * bi + b[1] * br;
        }
    }
    hc_fft2_inverse(s->fft, g);
}

// The summit of one part of g over its standard deviation.
static void find_place(struct place *out, const struct sweep *s, const float *g, int part)
{
    int n = s->n, bx = 0, by = 0;
    float best = -1e30f;
    double sum = 0, sd, off[2];
    for (int y = 0; y < n; y++) {
        const float *row = g + 2 * (size_t)y * (size_t)n + part;
        float square = 0;
        for (int x = 0; x < n; x++) {
            square += row[2 * x] * row[2 * x];
        }
        sum += (double)square;
        for (int x = 0; x < s->big.w && y < s->big.h; x++) {
            if (row[2 * x] > best) {
                best = row[2 * x];
                bx = x;
                by = y;
            }
        }
    }
    sd = sqrt(sum / ((double)n * n));
    out->score = sd > 0 ? (double)best / sd : 0;
    for (int k = 0; k < 2; k++) {
        int lx = k ? bx : (bx + n - 1) % n, rx = k ? bx : (bx + 1) % n;
        int ly = k ? (by + n - 1) % n : by, ry = k ? (by + 1) % n : by;
        double l = (double)g[2 * ((size_t)ly * (size_t)n + (size_t)lx) + (size_t)part];
        double r = (double)g[2 * ((size_t)ry * (size_t)n + (size_t)rx) + (size_t)part];
        double bend = l - 2 * (double)best + r;
        off[k] = bend < 0 ? fmin(fmax(0.5 * (l - r) / bend, -0.5), 0.5) : 0;
    }
    out->x = (bx + 0.5 + off[0]) * s->big.px;
    out->y = (by + 0.5 + off[1]) * s->big.px;
}

static void run_turn(void *ctx, int block, int y0, int y1)
{
    struct sweep *s = ctx;
    size_t count = 2 * (size_t)s->n * (size_t)s->n;
    float *f = hc_mem_alloc(3 * count * sizeof *f);
    double turn = s->turn0_deg + block * s->turn_step_deg;
    (void)y0;
    (void)y1;
    s->status[block] = f ? HC_OK : HC_ENOMEM;
    if (!f) {
        return;
    }
    turn_field(f, s->n, &s->small, turn);
    hc_fft2_forward(s->fft, f);
    whiten(f, s->n);
    for (int k = 0; k < 4; k++) { // quarter turn or not, mirrored or not
        int first = k % 2 + (k / 2) * 4;
        if (!(s->symmetries & (5U << first))) {
            continue;
        }
        turn_spectrum(f + count, f, s->n, k % 2, k / 2);
        correlate_pair(f + 2 * count, s, f + count);
        for (int half = 0; half < 2; half++) {
            struct place *p = &s->found[block][first + 2 * half];
            find_place(p, s, f + 2 * count, half);
            p->turn_deg = turn;
            p->length = s->length;
            p->symmetry = first + 2 * half;
        }
    }
    hc_mem_free(f);
}

static bool is_same(const struct sweep *s, const struct place *a, const struct place *b)
{
    double step = s->tier->turn_step_deg, turn = fabs(a->turn_deg - b->turn_deg);
    return a->symmetry == b->symmetry && turn < 2.5 * step &&
           fabs(log(a->length / b->length)) < 2.5 * log(s->tier->ratio) &&
           hypot(a->x - b->x, a->y - b->y) < APART_CELLS * s->big.px;
}

// Into the list, best first, in the stead of a worse one that is about the same place.
static void keep(struct place *list, int *n, const struct sweep *s, const struct place *p)
{
    int at = *n;
    for (int i = 0; i < *n; i++) {
        if (is_same(s, &list[i], p)) {
            if (list[i].score >= p->score) {
                return;
            }
            memmove(&list[i], &list[i + 1], (size_t)(*n - i - 1) * sizeof *list);
            (*n)--;
            break;
        }
    }
    for (at = *n; at > 0 && list[at - 1].score < p->score; at--) {
    }
    if (at < KEPT) {
        int last = *n < KEPT ? *n : KEPT - 1;
        memmove(&list[at + 1], &list[at], (size_t)(last - at) * sizeof *list);
        list[at] = *p;
        *n = last + 1;
    }
}

static hc_status sweep_create(struct sweep *s, const struct tier *tier,
                              const struct hc_align_coarse *big, struct hc_fft2 **fft,
                              struct hc_err *err)
{
    int turns = (int)ceil(90 / tier->turn_step_deg), n = tier->cells;
    size_t count = 2 * (size_t)n * (size_t)n;
    hc_status st;
    *s = (struct sweep){.tier = tier, .n = n, .turn_step_deg = 90.0 / turns, .symmetries = 0xff};
    s->a = hc_mem_alloc(2 * count * sizeof *s->a);
    s->found = hc_mem_array((size_t)turns, sizeof *s->found);
    s->status = hc_mem_array((size_t)turns, sizeof *s->status);
    if (!s->a || !s->found || !s->status) {
        return hc_err_set(err, HC_ENOMEM, "align", "out of memory for the wide search");
    }
    s->b = s->a + count;
    st = hc_fft2_create(fft, n, n, err);
    if (st == HC_OK) {
        s->fft = *fft;
        st = make_field(&s->big, big, n, err);
    }
    if (st == HC_OK && s->big.z) {
        memset(s->a, 0, count * sizeof *s->a);
        for (int y = 0; y < s->big.h; y++) {
            memcpy(s->a + 2 * (size_t)y * (size_t)n, s->big.z + 2 * (size_t)y * (size_t)s->big.w,
                   2 * (size_t)s->big.w * sizeof *s->a);
        }
        hc_fft2_forward(s->fft, s->a);
        whiten(s->a, n);
        for (int v = 0; v < n; v++) {
            for (int u = 0; u < n; u++) {
                double wu = 2 * M_PI / n * (u <= n / 2 ? u : u - n);
                double wv = 2 * M_PI / n * (v <= n / 2 ? v : v - n);
                float *p = s->a + 2 * ((size_t)v * (size_t)n + (size_t)u);
                float *q = s->b + 2 * ((size_t)((n - v) % n) * (size_t)n + (size_t)((n - u) % n));
                float soft = (float)exp(-0.5 * SOFT_CELLS * SOFT_CELLS * (wu * wu + wv * wv));
                p[0] *= soft;
                p[1] *= soft;
                q[0] = p[0];
                q[1] = -p[1];
            }
        }
    }
    return st;
}

static void sweep_release(struct sweep *s, struct hc_fft2 *fft)
{
    hc_fft2_destroy(fft);
    hc_mem_free(s->big.z);
    hc_mem_free(s->a);
    hc_mem_free(s->found);
    hc_mem_free(s->status);
}

// All turns (or, with `turns` 3, those about one) at one length of the small picture.
static hc_status try_length(struct place *list, int *n, struct sweep *s,
                            const struct hc_align_coarse *small, double length, int turns,
                            struct hc_par *par, struct hc_err *err)
{
    hc_status st;
    s->length = length;
    st = make_field(&s->small, small, length * s->n, err);
    if (st == HC_OK && s->small.z) {
        hc_par_rows(par, turns * HC_BLOCK, run_turn, s);
        for (int t = 0; st == HC_OK && t < turns; t++) {
            st = s->status[t] == HC_OK
                     ? HC_OK
                     : hc_err_set(err, s->status[t], "align", "out of memory for the wide search");
            for (int k = 0; st == HC_OK && k < SYMMETRIES; k++) {
                if (s->symmetries >> k & 1) {
                    keep(list, n, s, &s->found[t][k]);
                }
            }
        }
    }
    hc_mem_free(s->small.z);
    s->small.z = NULL;
    return st;
}

// Half and quarter steps about a place.
static hc_status refine(struct place *p, struct sweep *s, const struct hc_align_coarse *small,
                        struct hc_par *par, struct hc_err *err)
{
    double step = 90 / ceil(90 / s->tier->turn_step_deg), ratio = log(s->tier->ratio);
    hc_status st = HC_OK;
    s->symmetries = 1U << p->symmetry;
    for (int round = 0; round < 2 && st == HC_OK; round++) {
        struct place list[KEPT], from = *p;
        int n = 0;
        step /= 2;
        ratio /= 2;
        s->turn0_deg = from.turn_deg - step;
        s->turn_step_deg = step;
        for (int k = -1; k <= 1 && st == HC_OK; k++) {
            st = try_length(list, &n, s, small, from.length * exp(k * ratio), 3, par, err);
        }
        for (int i = 0; i < n; i++) {
            bool is_near = hypot(list[i].x - from.x, list[i].y - from.y) < APART_CELLS * s->big.px;
            if (is_near && list[i].score > p->score) {
                *p = list[i];
            }
        }
    }
    return st;
}

// From the place of the small picture in the big one to the map between the pictures, full px.
static hc_status start_of(struct hc_align_start *out, const struct place *p, const struct sweep *s,
                          const struct hc_align_coarse *small, bool is_view_small,
                          struct hc_err *err)
{
    double quarter = 90.0 * (p->symmetry % 4), flip = p->symmetry >= 4 ? -1 : 1;
    // a mirror after a turn is the opposite turn after the mirror
    double t = (quarter + flip * p->turn_deg) * M_PI / 180;
    const struct hc_plane *pl = small->plane;
    double step = (pl->w > pl->h ? pl->w : pl->h) / (p->length * s->n * POOL);
    double px = step * POOL * small->k, r = s->big.px / px;
    double cx = (int)(pl->w / (step * POOL) + 1e-6) * px / 2;
    double cy = (int)(pl->h / (step * POOL) + 1e-6) * px / 2;
    struct hc_homog h = {
        {flip * r * cos(t), -r * sin(t), 0, flip * r * sin(t), r * cos(t), 0, 0, 0, 1}};
    h.m[2] = p->x - h.m[0] * cx - h.m[1] * cy;
    h.m[5] = p->y - h.m[3] * cx - h.m[4] * cy;
    *out = (struct hc_align_start){.frame_to_view = h, .score = p->score};
    return is_view_small ? hc_homog_invert(&out->frame_to_view, &h, err) : HC_OK;
}

hc_status hc_align_search(struct hc_align_start *out, int *count, int tier, bool is_view_small,
                          const struct hc_align_coarse *ref, const struct hc_align_coarse *view,
                          struct hc_par *par, struct hc_job *job, struct hc_err *err)
{
    const struct hc_align_coarse *big = is_view_small ? ref : view;
    const struct hc_align_coarse *small = is_view_small ? view : ref;
    const struct tier *t = &tiers[tier];
    int turns = (int)ceil(90 / t->turn_step_deg), n = 0, lengths;
    struct place list[KEPT];
    struct hc_fft2 *fft = NULL;
    struct sweep s;
    hc_status st = sweep_create(&s, t, big, &fft, err);
    *count = 0;
    lengths = (int)ceil(log(t->hi / t->lo) / log(t->ratio));
    for (int k = 0; st == HC_OK && s.big.z && k <= lengths; k++) {
        st = hc_job_step(job, k / (lengths + 1.0),
                         "looking for a turned, mirrored or rescaled view", err);
        if (st == HC_OK) {
            st = try_length(list, &n, &s, small, t->lo * pow(t->ratio, k), turns, par, err);
        }
    }
    n = n < HC_ALIGN_CANDIDATES ? n : HC_ALIGN_CANDIDATES;
    for (int i = 0; st == HC_OK && i < n; i++) {
        st = refine(&list[i], &s, small, par, err);
        if (st == HC_OK) {
            st = start_of(&out[i], &list[i], &s, small, is_view_small, err);
        }
        *count = i + 1;
    }
    sweep_release(&s, fft);
    return st;
}
