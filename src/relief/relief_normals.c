// Slopes of the surface from the views, strip by strip (theory, section 3).
#include "relief/relief_priv.h"
#include "relief/relief_solve.h"

#include "base/mem.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define SEG HC_RELIEF_SEGMENT
#define LANES HC_RELIEF_LANES
#define STRIP HC_BLOCK // rows held at once

struct tally { // of one block of segments
    double answered, used, ssr, power, sd;
};

struct run {
    const struct hc_relief_view *views, *flat;
    const struct hc_relief_light *lights;
    const struct hc_relief_normals_options *o;
    struct hc_relief_plan plan;
    int n, w, h, segs; // segments per row
    bool is_plain;     // one matrix serves all pixels
    float *strip[HC_RELIEF_MAX_LIGHTS], *board[HC_RELIEF_MAX_LIGHTS];
    struct hc_plane out[5]; // p, q, albedo, slope_sd, used
    int y0, rows;
    struct tally *tally;
};

static void read_f(const float **v, const struct run *r, int row, int x)
{
    for (int k = 0; k < r->n; k++) {
        v[k] = r->strip[k] + (ptrdiff_t)row * r->w + x;
    }
}

static const uint16_t *row16(const struct hc_relief_view *v, int y)
{
    return v->px16 + (ptrdiff_t)y * v->stride16;
}

// A piece of m samples of one view, as float; scattered when `at` is given.
static void fetch(float *v, const struct hc_relief_view *view, const float *strip,
                  const struct run *r, int row, const int *at, int m)
{
    if (view->px16) {
        const uint16_t *p = row16(view, r->y0 + row);
        for (int i = 0; i < m; i++) {
            v[i] = (float)p[at[i]] * (1.0f / 65535.0f);
        }
    } else {
        const float *p = strip + (ptrdiff_t)row * r->w;
        for (int i = 0; i < m; i++) {
            v[i] = p[at[i]];
        }
    }
}

// Light vectors of the pixels and what their samples are divided by. With a board: it shows
// strength times the cosine of a flat surface, so the sample over it is the reflectance times (n.l)
// / l_z.
static void load_light(struct hc_relief_chunk *c, float *divide, const struct run *r, int k,
                       int row, const int *at)
{
    const struct hc_relief_light *l = &r->lights[k];
    for (int i = 0; i < LANES; i++) {
        double d[3] = {l->dir[0], l->dir[1], l->dir[2]}, gain = 1;
        if (l->is_near) {
            hc_relief_light_at(l, (at[i] + 0.5 - r->w * 0.5) * r->o->mm_per_px,
                               (r->h * 0.5 - (r->y0 + row + 0.5)) * r->o->mm_per_px, d, &gain);
        }
        double g = r->flat ? 1 / d[2] : 1;
        divide[i] = (float)gain;
        for (int j = 0; j < 3; j++) {
            c->light[j][k][i] = (float)(g * d[j]);
        }
    }
}

// All samples of LANES pixels. A longer exposure has less noise after the division.
static void load(struct hc_relief_chunk *c, const struct run *r, int row, const int *at)
{
    for (int k = 0; k < r->n; k++) {
        float raw[LANES], board[LANES], near[LANES];
        float *restrict v = c->v[k], *restrict w = c->weight[k];
        float gain = !r->flat && r->o->gain ? (float)r->o->gain[k] : 1.0f;
        float full = (r->o->weight ? (float)r->o->weight[k] : 1.0f) * gain * gain;
        bool is_near = r->lights[k].is_near;
        if (is_near) {
            load_light(c, near, r, k, row, at);
        }
        fetch(raw, &r->views[k], r->strip[k], r, row, at, LANES);
        if (r->flat) {
            fetch(board, &r->flat[k], r->board[k], r, row, at, LANES);
        }
        for (int i = 0; i < LANES; i++) {
            float fall = is_near && !r->flat ? near[i] : 1.0f, b = r->flat ? board[i] : gain * fall;
            bool is_lit = raw[i] > r->plan.shadow && raw[i] < r->plan.clip && b > 0.0f &&
                          (!r->flat || b > 0.005f);
            v[i] = is_lit ? raw[i] / b : 0.0f; // not even a NaN
            w[i] = is_lit ? full * fall * fall : 0.0f;
        }
    }
}

static void store_lane(const struct hc_relief_chunk *c, const struct run *r, struct tally *t, int i,
                       int row, int x)
{
    const float v[5] = {c->p[i], c->q[i], c->albedo[i], c->slope_sd[i], c->used[i]};
    for (int j = 0; j < 5; j++) {
        hc_plane_row(&r->out[j], row)[x] = v[j];
    }
    t->answered += c->used[i] > 0.0f ? 1 : 0;
    t->used += (double)c->used[i];
    t->ssr += (double)c->ssr[i];
    t->power += (double)c->power[i];
    t->sd += (double)c->slope_sd[i];
}

// Pixels at[0..m-1] of a row, m <= LANES; the other lanes repeat the last.
static void solve_some(struct hc_relief_chunk *c, const struct run *r, struct tally *t, int row,
                       int at[LANES], int m)
{
    for (int i = m; i < LANES; i++) {
        at[i] = at[m - 1];
    }
    load(c, r, row, at);
    hc_relief_solve_chunk(c, &r->plan);
    for (int i = 0; i < m; i++) {
        store_lane(c, r, t, i, row, at[i]);
    }
}

// Plain segment; pixels with a masked sample are solved again, one by one.
static void plain_segment(struct hc_relief_chunk *c, const struct run *r, struct tally *t, int row,
                          int x0, int m)
{
    struct hc_relief_segment s;
    float *used = hc_plane_row(&r->out[4], row) + x0;
    int again[LANES], n = 0, good = 0;
    s.p = hc_plane_row(&r->out[0], row) + x0;
    s.q = hc_plane_row(&r->out[1], row) + x0;
    s.albedo = hc_plane_row(&r->out[2], row) + x0;
    s.slope_sd = hc_plane_row(&r->out[3], row) + x0;
    if (r->views[0].px16) {
        const uint16_t *v[HC_RELIEF_MAX_LIGHTS];
        for (int k = 0; k < r->n; k++) {
            v[k] = row16(&r->views[k], r->y0 + row) + x0;
        }
        hc_relief_plain_u16(&s, v, m, &r->plan);
    } else {
        const float *v[HC_RELIEF_MAX_LIGHTS];
        read_f(v, r, row, x0);
        hc_relief_plain_f(&s, v, m, &r->plan);
    }
    for (int i = 0; i < m; i++) {
        bool is_good = s.masked[i] < 0.5f && s.albedo[i] > 0.0f;
        used[i] = is_good ? (float)r->n : 0.0f;
        good += is_good;
    }
    t->answered += good;
    t->used += (double)good * r->n;
    for (int i = 0; r->plan.has_sigma && i < m; i++) {
        bool is_good = used[i] > 0.0f;
        t->ssr += is_good ? (double)s.ssr[i] : 0;
        t->power += is_good ? (double)s.power[i] : 0;
        t->sd += is_good ? (double)s.slope_sd[i] : 0;
    }
    for (int i = 0; good < m && i < m; i++) {
        if (!(used[i] > 0.0f)) {
            again[n++] = x0 + i;
        }
        if (n == LANES || (n > 0 && i == m - 1)) {
            solve_some(c, r, t, row, again, n);
            n = 0;
        }
    }
}

static void solve_block(void *ctx, int block, int s0, int s1)
{
    struct run *r = ctx;
    struct hc_relief_chunk c; // about 80 KB of stack
    struct tally *t = &r->tally[block];
    *t = (struct tally){0};
    for (int k = 0; k < r->n; k++) {
        const int middle[LANES] = {0}; // a far lamp is the same for every pixel
        float unused[LANES];
        load_light(&c, unused, r, k, 0, middle);
    }
    for (int s = s0; s < s1; s++) {
        int row = s / r->segs, x0 = s % r->segs * SEG, m = r->w - x0 < SEG ? r->w - x0 : SEG;
        if (r->is_plain) {
            plain_segment(&c, r, t, row, x0, m);
            continue;
        }
        for (int x = 0; x < m; x += LANES) {
            int at[LANES], some = m - x < LANES ? m - x : LANES;
            for (int i = 0; i < some; i++) {
                at[i] = x0 + x + i;
            }
            solve_some(&c, r, t, row, at, some);
        }
    }
}

// ---- preparing ----

// Limits snap to whole 16-bit values so that both kinds of input mask alike.
static void set_limits(struct hc_relief_plan *plan, const struct hc_relief_normals_options *o)
{
    double low = o->shadow_level > 0 ? fmin(o->shadow_level, 1) : 0.002;
    double high = o->clip_level > 0 ? fmin(o->clip_level, 1) : 0.98;
    double last = o->shadow_level < 0 ? -1 : floor(low * 65535);   // the last value in shadow
    double first = o->clip_level < 0 ? 65536 : ceil(high * 65535); // the first clipped
    plan->shadow = o->shadow_level < 0 ? -1.0f : (float)(last / 65535);
    plan->clip = o->clip_level < 0 ? 1e30f : (float)(first / 65535);
    int count = (int)fmax(first - last - 1, 0); // values that count
    plan->from16 = (uint16_t)(65536 * 2 - ((int)last + 1) - 32768);
    plan->count16 = (int16_t)(count > 65535 ? 32767 : count - 32768);
}

static void make_plan(struct run *r)
{
    const struct hc_relief_normals_options *o = r->o;
    struct hc_relief_plan *plan = &r->plan;
    struct hc_relief_sym3 s = {0}, inv = {0};
    bool has_default = !(o->trim_low > 0) && !(o->trim_high > 0);
    plan->n = r->n;
    plan->method = o->method;
    plan->trim_low = has_default ? 0.2f : (float)o->trim_low;
    plan->trim_high = has_default ? 0.2f : (float)o->trim_high;
    plan->noise_sd = (float)o->noise_sd;
    plan->has_sigma = !o->has_no_sigma;
    set_limits(plan, o);
    hc_relief_network(plan);
    r->is_plain = o->method == HC_RELIEF_LS && !o->flat;
    for (int k = 0; k < r->n; k++) {
        double w = o->weight ? o->weight[k] : 1, gain = o->gain ? o->gain[k] : 1, v[3];
        for (int d = 0; d < 3; d++) {
            v[d] = gain * r->lights[k].dir[d];
            plan->dir[d][k] = (float)v[d];
        }
        hc_relief_sym3_add(&s, v, w);
        r->is_plain = r->is_plain && !r->lights[k].is_near;
        r->is_plain = r->is_plain && !r->views[k].px16 == !r->views[0].px16;
    }
    if (!hc_relief_sym3_invert(&inv, &s)) {
        r->is_plain = false; // weights of zero; the pixels will say so
    }
    for (int k = 0; k < r->n; k++) {
        double w = o->weight ? o->weight[k] : 1, g[3];
        double v[3] = {(double)plan->dir[0][k], (double)plan->dir[1][k], (double)plan->dir[2][k]};
        hc_relief_sym3_apply(g, &inv, v);
        for (int d = 0; d < 3; d++) {
            plan->plain[d][k] = (float)(w * g[d]);
        }
    }
    for (int i = 0; i < 6; i++) {
        plan->cov[i] = (float)inv.m[i];
    }
}

static hc_status check_views(const struct hc_relief_view *v, int n, int w, int h, const char *what,
                             struct hc_err *err)
{
    for (int k = 0; k < n; k++) {
        if (v[k].w != w || v[k].h != h) {
            return hc_err_set(
                err, HC_EDATA, "relief",
                "%s %d measures %d x %d px, the first view %d x %d; all must be placed "
                "in one frame",
                what, k + 1, v[k].w, v[k].h, w, h);
        }
        if (!v[k].read && !v[k].px16) {
            return hc_err_set(err, HC_EARG, "relief", "%s %d has no reader", what, k + 1);
        }
    }
    return HC_OK;
}

static hc_status check(const struct run *r, struct hc_relief_rig *rig, struct hc_err *err)
{
    const struct hc_relief_normals_options *o = r->o;
    hc_relief_rig_check(rig, r->lights, (size_t)r->n);
    if (!rig->is_usable) {
        return hc_err_set(err, HC_EREFUSED, "relief", "%s", rig->why);
    }
    if (r->w < 1 || r->h < 1 || r->w > 1000000 || r->h > 1000000) {
        return hc_err_set(err, HC_ERANGE, "relief", "views of %d x %d px", r->w, r->h);
    }
    hc_status st = check_views(r->views, r->n, r->w, r->h, "view", err);
    if (st == HC_OK && r->flat) {
        st = check_views(r->flat, r->n, r->w, r->h, "board view", err);
    }
    if (st != HC_OK) {
        return st;
    }
    if (o->trim_low < 0 || o->trim_high < 0 || !(o->trim_low + o->trim_high <= 0.8)) {
        return hc_err_set(err, HC_ERANGE, "relief",
                          "trimming of %g and %g of the samples; the two shares go from 0 to 0.8 "
                          "together",
                          o->trim_low, o->trim_high);
    }
    for (int k = 0; k < r->n; k++) {
        if (r->lights[k].is_near && !(o->mm_per_px > 0)) {
            return hc_err_set(err, HC_EARG, "relief",
                              "lamp %d stands at a distance: the scale (mm per px) is needed",
                              k + 1);
        }
        if ((o->weight && !(o->weight[k] >= 0 && o->weight[k] <= 1e6)) ||
            (o->gain && !(o->gain[k] > 1e-6 && o->gain[k] < 1e6))) {
            return hc_err_set(err, HC_ERANGE, "relief",
                              "the weight or the exposure of view %d is not a usable number",
                              k + 1);
        }
    }
    return HC_OK;
}

static hc_status make_strips(struct run *r, struct hc_err *err)
{
    int rows = r->h < STRIP ? r->h : STRIP;
    size_t px = (size_t)rows * (size_t)r->w;
    bool is_short = false;
    for (int k = 0; k < r->n && !is_short; k++) {
        if (!r->views[k].px16) {
            is_short = !(r->strip[k] = hc_mem_array(px, sizeof(float)));
        }
        if (r->flat && !r->flat[k].px16) {
            is_short = is_short || !(r->board[k] = hc_mem_array(px, sizeof(float)));
        }
    }
    r->segs = (r->w + SEG - 1) / SEG;
    r->tally = hc_mem_array((size_t)hc_par_blocks(rows * r->segs), sizeof *r->tally);
    if (is_short || !r->tally) {
        return hc_err_set(err, HC_ENOMEM, "relief", "out of memory for %d rows of %d views", rows,
                          r->n);
    }
    for (int j = 0; j < 5; j++) {
        hc_status st = hc_plane_create(&r->out[j], r->w, rows, err);
        if (st != HC_OK) {
            return st;
        }
    }
    return HC_OK;
}

static void drop_strips(struct run *r)
{
    for (int j = 0; j < 5; j++) {
        hc_plane_release(&r->out[j]);
    }
    for (int k = 0; k < r->n && k < HC_RELIEF_MAX_LIGHTS; k++) {
        hc_mem_free(r->strip[k]);
        hc_mem_free(r->board[k]);
    }
    hc_mem_free(r->tally);
}

static hc_status read_strip(struct run *r, struct hc_err *err)
{
    for (int k = 0; k < r->n; k++) {
        struct hc_plane p = {.w = r->w, .h = r->rows, .stride = r->w, .px = r->strip[k]};
        hc_status st =
            r->views[k].px16 ? HC_OK : r->views[k].read(r->views[k].ctx, 0, r->y0, &p, err);
        if (st == HC_OK && r->flat && !r->flat[k].px16) {
            p.px = r->board[k];
            st = r->flat[k].read(r->flat[k].ctx, 0, r->y0, &p, err);
        }
        if (st != HC_OK) {
            return st;
        }
    }
    return HC_OK;
}

static hc_status run_strip(struct run *r, struct tally *sum, const struct hc_relief_sink *sink,
                           struct hc_par *par, struct hc_err *err)
{
    struct hc_relief_rows rows;
    struct hc_plane *to[5] = {&rows.p, &rows.q, &rows.albedo, &rows.slope_sd, &rows.used};
    hc_status st = read_strip(r, err);
    if (st != HC_OK) {
        return st;
    }
    hc_par_rows(par, r->rows * r->segs, solve_block, r);
    for (int b = 0; b < hc_par_blocks(r->rows * r->segs); b++) {
        sum->answered += r->tally[b].answered;
        sum->used += r->tally[b].used;
        sum->ssr += r->tally[b].ssr;
        sum->power += r->tally[b].power;
        sum->sd += r->tally[b].sd;
    }
    for (int j = 0; j < 5; j++) {
        *to[j] = hc_plane_part(&r->out[j], 0, 0, r->w, r->rows);
    }
    return sink->write(sink->ctx, r->y0, &rows, err);
}

static void tell(struct hc_relief_normals_report *out, const struct run *r, const struct tally *t)
{
    static const char *const how[] = {"rank-trimmed least squares", "least squares",
                                      "least absolute residuals", "least trimmed squares"};
    out->answered = t->answered / ((double)r->w * r->h);
    if (t->answered > 0) {
        out->used_mean = t->used / t->answered;
        out->slope_sd_mean = t->sd / t->answered;
    }
    if (r->plan.has_sigma && t->power > 0) {
        out->residual = sqrt(t->ssr / t->power);
    }
    out->is_sd_assumed = r->plan.has_sigma && r->n == 3 && !(r->plan.noise_sd > 0.0f);
    struct hc_relief_reading read = hc_relief_reading(r->lights, (size_t)r->n, 1.5);
    snprintf(
        out->what, sizeof out->what,
        "Slopes of the surface as lit, by %s from %d lamps%s. On bare matte paint these are the "
        "paint's; under a varnish (index 1.5) they read %.2f of the paint's slope plus %.2f of "
        "the varnish surface's.",
        how[r->o->method], r->n, r->flat ? ", flat field divided out" : "", read.paint, read.film);
}

hc_status hc_relief_normals(struct hc_relief_normals_report *out, const struct hc_relief_sink *sink,
                            const struct hc_relief_view *views,
                            const struct hc_relief_light *lights, size_t n,
                            const struct hc_relief_normals_options *options, struct hc_par *par,
                            struct hc_job *job, struct hc_err *err)
{
    static const struct hc_relief_normals_options plain = {0};
    const struct hc_relief_normals_options *o = options ? options : &plain;
    struct run r = {.views = views, .lights = lights, .o = o, .flat = o->flat};
    struct tally sum = {0};
    *out = (struct hc_relief_normals_report){0};
    r.n = n > HC_RELIEF_MAX_LIGHTS ? HC_RELIEF_MAX_LIGHTS + 1 : (int)n;
    r.w = n ? views[0].w : 0;
    r.h = n ? views[0].h : 0;
    hc_status st = check(&r, &out->rig, err);
    if (st != HC_OK) {
        return st;
    }
    make_plan(&r);
    st = make_strips(&r, err);
    for (r.y0 = 0; st == HC_OK && r.y0 < r.h; r.y0 += STRIP) {
        r.rows = r.h - r.y0 < STRIP ? r.h - r.y0 : STRIP;
        st = hc_job_step(job, (double)r.y0 / r.h, "computing slopes", err);
        if (st == HC_OK) {
            st = run_strip(&r, &sum, sink, par, err);
        }
    }
    if (st == HC_OK) {
        tell(out, &r, &sum);
    }
    drop_strips(&r);
    return st;
}

static hc_status read_plane(void *ctx, int x0, int y0, struct hc_plane *out, struct hc_err *err)
{
    const struct hc_plane *p = ctx;
    struct hc_plane part = hc_plane_part(p, x0, y0, out->w, out->h);
    (void)err;
    hc_plane_copy(out, &part);
    return HC_OK;
}

struct hc_relief_view hc_relief_view_plane(const struct hc_plane *p)
{
    union { // the reader only reads
        const struct hc_plane *from;
        void *ctx;
    } u = {.from = p};
    return (struct hc_relief_view){.w = p->w, .h = p->h, .read = read_plane, .ctx = u.ctx};
}
