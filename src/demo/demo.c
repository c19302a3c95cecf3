// The door: makes the painting, hands out rows of its photographs.
#include "demo/demo.h"

#include <stdlib.h>

#include "base/mem.h"
#include "demo_priv.h"

#include <math.h>

#define ROOM "demo"

struct hc_demo_view_info hc_demo_view_info(enum hc_demo_view v)
{
    static const struct hc_demo_view_info info[HC_DEMO_VIEW_COUNT] = {
        [HC_DEMO_BEFORE] = {"before.tif", "normal", "before", 3, 0, 0.0, 0.0},
        [HC_DEMO_TEST] = {"test.tif", "normal", "test", 3, 0, 0.0, 0.0},
        [HC_DEMO_UV] = {"uv.tif", "uv", "before", 3, 0, 0.0, 0.0},
        [HC_DEMO_IR] = {"ir.tif", "ir", "before", 1, 0, 0.0, 0.0},
        [HC_DEMO_XRAY] = {"xray.tif", "xray", "before", 1, 0, 0.0, 0.0},
        [HC_DEMO_RAKING_0] = {"raking-0.tif", "raking", "before", 3, 1, 0.0, 12.0},
        [HC_DEMO_RAKING_90] = {"raking-90.tif", "raking", "before", 3, 1, 90.0, 12.0},
        [HC_DEMO_RAKING_180] = {"raking-180.tif", "raking", "before", 3, 1, 180.0, 12.0},
        [HC_DEMO_RAKING_270] = {"raking-270.tif", "raking", "before", 3, 1, 270.0, 12.0},
        [HC_DEMO_RING + 0] = {"ring-000.tif", "raking", "test", 1, 1, 0.0, 30.0},
        [HC_DEMO_RING + 1] = {"ring-045.tif", "raking", "test", 1, 1, 45.0, 30.0},
        [HC_DEMO_RING + 2] = {"ring-090.tif", "raking", "test", 1, 1, 90.0, 30.0},
        [HC_DEMO_RING + 3] = {"ring-135.tif", "raking", "test", 1, 1, 135.0, 30.0},
        [HC_DEMO_RING + 4] = {"ring-180.tif", "raking", "test", 1, 1, 180.0, 30.0},
        [HC_DEMO_RING + 5] = {"ring-225.tif", "raking", "test", 1, 1, 225.0, 30.0},
        [HC_DEMO_RING + 6] = {"ring-270.tif", "raking", "test", 1, 1, 270.0, 30.0},
        [HC_DEMO_RING + 7] = {"ring-315.tif", "raking", "test", 1, 1, 315.0, 30.0},
        [HC_DEMO_TRUTH_AFTER] = {"after.tif", "", "", 3, 0, 0.0, 0.0},
        [HC_DEMO_TRUTH_COAT] = {"coat.tif", "", "", 1, 0, 0.0, 0.0},
        [HC_DEMO_TRUTH_HEIGHT] = {"height.tif", "", "", 1, 0, 0.0, 0.0},
        [HC_DEMO_TRUTH_COVER] = {"cover.tif", "", "", 1, 0, 0.0, 0.0},
    };
    hc_assert((int)v >= 0 && v < HC_DEMO_VIEW_COUNT);
    return info[v];
}

// Windows in mm: top left corner, width, height; corners are moved a little, as by hand.
static void make_windows(struct hc_demo *d)
{
    static const struct {
        const char *name;
        double x, y, w, h;
    } at[HC_DEMO_WINDOWS] = {
        {"wall, light", 222.0, 113.0, 12.0, 11.0},  {"wall, dark", 98.5, 36.0, 11.0, 11.5},
        {"curtain", 34.0, 96.0, 11.0, 12.5},        {"quince, light", 158.0, 206.0, 12.0, 11.0},
        {"cloth, white", 128.0, 288.0, 12.0, 12.0}, {"cloth, blue hem", 152.0, 331.0, 11.0, 11.0},
        {"jug, shadow", 112.0, 196.0, 11.0, 12.0},  {"table edge", 46.0, 322.0, 12.5, 11.0},
    };
    for (int k = 0; k < HC_DEMO_WINDOWS; k++) {
        double corner[4][2] = {{0, 0}, {at[k].w, 0}, {at[k].w, at[k].h}, {0, at[k].h}};
        d->window[k] = (struct hc_demo_window){
            .name = at[k].name, .system = "isopropanol in iso-octane 1:1, swab", .surface = "bare"};
        for (int i = 0; i < 4; i++) {
            double jx = 0.5 * (hc_rng_hash(d->seed + 440, k, 2 * i) - 0.5);
            double jy = 0.5 * (hc_rng_hash(d->seed + 440, k, 2 * i + 1) - 0.5);
            d->window[k].corner[i].x = (at[k].x + corner[i][0] + jx) / d->canvas.mm;
            d->window[k].corner[i].y = (at[k].y + corner[i][1] + jy) / d->canvas.mm;
        }
    }
}

// What the conservator has marked so far: the overpaint and two of the retouchings.
static void make_zones(struct hc_demo *d)
{
    static const struct {
        const char *name, *kind;
        double x, y, rx, ry;
    } at[HC_DEMO_ZONES] = {{"overpaint on the wall", "overpaint", 274.0, 128.0, 23.0, 31.0},
                           {"retouching by the curtain", "retouching", 63.0, 214.0, 9.0, 7.5},
                           {"retouching on the wall", "retouching", 248.0, 92.0, 11.0, 8.5}};
    for (int k = 0; k < HC_DEMO_ZONES; k++) {
        struct hc_demo_zone *z = &d->zone[k];
        *z = (struct hc_demo_zone){.name = at[k].name, .kind = at[k].kind, .n = 8};
        for (size_t i = 0; i < z->n; i++) {
            double a = M_PI * ((double)i + 0.5) / 4.0, square = k == 0 ? 1.25 : 1.08;
            double x = at[k].x + square * at[k].rx * cos(a);
            z->corner[i].x = fmin(x, HC_DEMO_W_MM - 0.5) / d->canvas.mm;
            z->corner[i].y = (at[k].y + square * at[k].ry * sin(a)) / d->canvas.mm;
        }
    }
}

struct paint_ctx {
    struct hc_demo *d;
    const struct strokes *strokes;
    uint32_t *list; // stroke numbers block by block, in order of laying
    size_t *from;   // where the list of each block starts; one more at the end
};

static void paint_rows(void *ctx, int block, int y0, int y1)
{
    struct paint_ctx *p = ctx;
    hc_demo_ground_rows(p->d, y0, y1);
    for (size_t i = p->from[block]; i < p->from[block + 1]; i++) {
        hc_demo_lay_stroke(&p->d->canvas, &p->strokes->v[p->list[i]], &p->d->model, p->d->tex, y0,
                           y1);
    }
    hc_demo_age_rows(p->d, y0, y1);
}

static void coat_rows(void *ctx, int block, int y0, int y1)
{
    (void)block;
    hc_demo_coat_rows(ctx, y0, y1);
}

// Which blocks of rows a stroke can touch.
static void stroke_blocks(const struct hc_demo *d, const struct stroke *s, int *first, int *last)
{
    double top = 1e9, low = -1e9;
    for (int i = 0; i < s->n; i++) {
        top = fmin(top, (double)s->y[i]);
        low = fmax(low, (double)s->y[i]);
    }
    int n = hc_par_blocks(d->canvas.h);
    *first = (int)floor((top - (double)s->half_mm) / d->canvas.mm) / HC_BLOCK;
    *last = (int)ceil((low + (double)s->half_mm) / d->canvas.mm) / HC_BLOCK;
    *first = *first < 0 ? 0 : *first;
    *last = *last >= n ? n - 1 : *last;
}

static hc_status paint(struct hc_demo *d, const struct strokes *s, struct hc_err *err)
{
    size_t blocks = (size_t)hc_par_blocks(d->canvas.h), total = 0;
    struct paint_ctx p = {.d = d, .strokes = s};
    hc_status st = HC_OK;
    p.from = hc_mem_array(blocks + 2, sizeof *p.from);
    if (p.from) {
        for (size_t i = 0; i < s->n; i++) {
            int a, b;
            stroke_blocks(d, &s->v[i], &a, &b);
            for (int k = a; k <= b; k++) {
                p.from[k + 2]++;
                total++;
            }
        }
        p.list = hc_mem_array(total ? total : 1, sizeof *p.list);
    }
    if (!p.list) {
        st = hc_err_set(err, HC_ENOMEM, ROOM, "out of memory for the order of %zu strokes", s->n);
        goto done;
    }
    for (size_t k = 2; k < blocks + 2; k++) {
        p.from[k] += p.from[k - 1];
    }
    for (size_t i = 0; i < s->n; i++) {
        int a, b;
        stroke_blocks(d, &s->v[i], &a, &b);
        for (int k = a; k <= b; k++) {
            p.list[p.from[k + 1]++] = (uint32_t)i;
        }
    }
    hc_par_rows(d->par, d->canvas.h, paint_rows, &p);
done:
    hc_mem_free(p.list);
    hc_mem_free(p.from);
    return st;
}

// The height levelled over about a millimetre: where the coats pool.
static hc_status smooth_height(struct hc_demo *d, struct hc_err *err)
{
    const struct canvas *c = &d->canvas;
    int cell = (int)(0.4 / c->mm + 0.5);
    d->smooth_cell = cell < 1 ? 1 : cell;
    cell = d->smooth_cell;
    hc_status st =
        hc_plane_create(&d->smooth, (c->w + cell - 1) / cell, (c->h + cell - 1) / cell, err);
    if (st != HC_OK) {
        return st;
    }
    for (int j = 0; j < d->smooth.h; j++) {
        for (int i = 0; i < d->smooth.w; i++) {
            double sum = 0.0;
            int n = 0;
            for (int y = j * cell; y < (j + 1) * cell && y < c->h; y++) {
                for (int x = i * cell; x < (i + 1) * cell && x < c->w; x++, n++) {
                    sum += c->height[(size_t)y * (size_t)c->w + (size_t)x];
                }
            }
            hc_plane_row(&d->smooth, j)[i] = (float)(sum / n * (double)HC_DEMO_HEIGHT_MM);
        }
    }
    return hc_filter_gauss(&d->smooth, &d->smooth, 0.55 / (cell * c->mm), err);
}

static hc_status stretch_canvas(struct hc_demo *d, int w, int h, struct hc_err *err)
{
    struct canvas *c = &d->canvas;
    size_t n = (size_t)w * (size_t)h;
    *c = (struct canvas){.w = w, .h = h, .mm = HC_DEMO_W_MM / w};
    c->mix = hc_mem_array(n, P_COUNT);
    c->height = hc_mem_array(n, sizeof *c->height);
    c->lead = hc_mem_array(n, sizeof *c->lead);
    c->coat = hc_mem_array(n, sizeof *c->coat);
    c->cover = hc_mem_array(n, 1);
    d->tex = hc_mem_array((size_t)HC_DEMO_TEX * HC_DEMO_TEX, sizeof *d->tex);
    d->coats = hc_mem_array(1, sizeof *d->coats);
    if (!c->mix || !c->height || !c->lead || !c->coat || !c->cover || !d->tex || !d->coats) {
        return hc_err_set(err, HC_ENOMEM, ROOM, "out of memory for a %d x %d px painting", w, h);
    }
    return HC_OK;
}

hc_status hc_demo_create(struct hc_demo **out, int w, int h, uint64_t seed, struct hc_par *par,
                         struct hc_job *job, struct hc_err *err)
{
    struct hc_demo *d;
    struct strokes strokes = {0};
    hc_status st;
    if (w < 100 || w > 12000 || h < 120 || h > 14400 || abs(h * 5 - w * 6) > 6 * 5) {
        return hc_err_set(
            err, HC_ERANGE, ROOM,
            "the demo painting is 300 x 360 mm: give a width of 100 to 12000 px and a "
            "height of 6/5 of it, not %d x %d",
            w, h);
    }
    d = hc_mem_array(1, sizeof *d);
    if (!d) {
        return hc_err_set(err, HC_ENOMEM, ROOM, "out of memory for the demo painting");
    }
    d->seed = seed;
    d->par = par;
    st = stretch_canvas(d, w, h, err);
    if (st == HC_OK) {
        st = hc_demo_paints_init(&d->paints, err);
    }
    if (st == HC_OK) {
        hc_demo_brush_texture(d->tex);
        hc_demo_coat_table_init(d->coats, &d->paints);
        hc_demo_motif_init(&d->motif, seed);
        make_windows(d);
        make_zones(d);
        st = hc_job_step(job, 0.02, "mixing paints", err);
    }
    if (st == HC_OK) {
        st = hc_demo_recipes_create(&d->recipes, &d->paints, par, err);
    }
    if (st == HC_OK) {
        st = hc_job_step(job, 0.1, "setting up the motif", err);
    }
    if (st == HC_OK) {
        int mw = w < 750 ? w : 750;
        st = hc_demo_model_create(&d->model, &d->motif, mw, mw * 6 / 5, par, err);
    }
    if (st == HC_OK) {
        st = hc_job_step(job, 0.4, "painting", err);
    }
    if (st == HC_OK) {
        st = hc_demo_plan(&strokes, &d->model, &d->recipes, seed, err);
    }
    if (st == HC_OK) {
        st = paint(d, &strokes, err);
    }
    if (st == HC_OK) {
        st = hc_job_step(job, 0.9, "varnishing", err);
    }
    if (st == HC_OK) {
        st = smooth_height(d, err);
    }
    if (st == HC_OK) {
        hc_par_rows(par, h, coat_rows, d);
        st = hc_job_step(job, 1.0, "letting it dry", err);
    }
    hc_demo_strokes_release(&strokes);
    if (st != HC_OK) {
        hc_demo_destroy(d);
        return st;
    }
    *out = d;
    return HC_OK;
}

void hc_demo_destroy(struct hc_demo *d)
{
    if (!d) {
        return;
    }
    hc_mem_free(d->canvas.mix);
    hc_mem_free(d->canvas.height);
    hc_mem_free(d->canvas.lead);
    hc_mem_free(d->canvas.coat);
    hc_mem_free(d->canvas.cover);
    hc_mem_free(d->tex);
    hc_mem_free(d->coats);
    hc_plane_release(&d->smooth);
    hc_demo_recipes_release(&d->recipes);
    hc_demo_model_release(&d->model);
    hc_mem_free(d);
}

struct row_ctx {
    struct hc_demo *d;
    enum hc_demo_view view;
    int y0;
    struct hc_plane *bands;
};

static void truth_row(const struct hc_demo *d, enum hc_demo_view v, int y, float *out)
{
    const struct canvas *c = &d->canvas;
    size_t i = (size_t)y * (size_t)c->w;
    for (int x = 0; x < c->w; x++, i++) {
        out[x] = v == HC_DEMO_TRUTH_COAT     ? (float)c->coat[i] * HC_DEMO_COAT
                 : v == HC_DEMO_TRUTH_HEIGHT ? (float)c->height[i] * HC_DEMO_HEIGHT_MM
                                             : (float)c->cover[i] / 255.0f;
    }
}

static void plain_rows(void *ctx, int block, int y0, int y1)
{
    struct row_ctx *r = ctx;
    (void)block;
    for (int i = y0; i < y1; i++) {
        float *row = hc_plane_row(&r->bands[0], i);
        int y = r->y0 + i;
        if (r->view == HC_DEMO_UV) {
            float *const rgb[3] = {row, hc_plane_row(&r->bands[1], i),
                                   hc_plane_row(&r->bands[2], i)};
            hc_demo_uv_row(r->d, y, rgb);
        } else if (r->view == HC_DEMO_IR) {
            hc_demo_ir_row(r->d, y, row);
        } else if (r->view == HC_DEMO_XRAY) {
            hc_demo_xray_row(r->d, y, row);
        } else {
            truth_row(r->d, r->view, y, row);
        }
    }
}

hc_status hc_demo_rows(struct hc_demo *d, enum hc_demo_view v, int y0, struct hc_plane *bands,
                       struct hc_err *err)
{
    struct hc_demo_view_info info;
    if ((int)v < 0 || v >= HC_DEMO_VIEW_COUNT) {
        return hc_err_set(err, HC_EARG, ROOM, "there is no demo view %d; give 0 to %d", (int)v,
                          HC_DEMO_VIEW_COUNT - 1);
    }
    info = hc_demo_view_info(v);
    for (int k = 0; k < info.bands; k++) {
        if (bands[k].w != d->canvas.w || bands[k].h != bands[0].h || y0 < 0 ||
            bands[k].h > d->canvas.h - y0) {
            return hc_err_set(err, HC_ERANGE, ROOM,
                              "rows %d to %d, %d px wide, asked of a demo painting of %d x %d px",
                              y0, y0 + bands[k].h - 1, bands[k].w, d->canvas.w, d->canvas.h);
        }
    }
    if (v == HC_DEMO_BEFORE || v == HC_DEMO_TEST || v == HC_DEMO_TRUTH_AFTER) {
        return hc_demo_normal_rows(d, v, y0, bands, err);
    }
    if (info.has_light) {
        return hc_demo_raking_rows(d, &info, y0, bands, err);
    }
    hc_par_rows(d->par, bands[0].h, plain_rows, &(struct row_ctx){d, v, y0, bands});
    return HC_OK;
}

const struct hc_demo_window *hc_demo_windows(const struct hc_demo *d)
{
    return d->window;
}

const struct hc_demo_zone *hc_demo_zones(const struct hc_demo *d, size_t *n)
{
    *n = HC_DEMO_ZONES;
    return d->zone;
}
