// Ten invented paints by two-constant Kubelka-Munk theory (Kubelka and Munk, Z. tech. Phys. 12,
// 1931; Duncan, Proc. Phys. Soc. 52, 1940: absorption and scatter of a mixture add by share). The
// curves are drawn by hand to behave like the pigments of an old palette; no measured data.
#include <string.h>

#include "base/mem.h"
#include "demo_priv.h"

#include <math.h>

// Infrared (about 1.5 um), X-ray and UV figures are invented in the order known to the trade: lead
// and mercury stop X-rays, carbon black drinks infrared, lakes and earths let it through.
const struct paint_other hc_demo_paint_other[P_COUNT] = {
    [P_WHITE] = {0.006f, 0.75f, 1.00f, {0.085f, 0.100f, 0.135f}},
    [P_YELLOW] = {0.010f, 0.55f, 0.85f, {0.045f, 0.045f, 0.030f}},
    [P_OCHRE] = {0.045f, 0.22f, 0.14f, {0.020f, 0.014f, 0.010f}},
    [P_RED_EARTH] = {0.060f, 0.20f, 0.15f, {0.018f, 0.010f, 0.008f}},
    [P_UMBER] = {0.055f, 0.10f, 0.13f, {0.012f, 0.010f, 0.009f}},
    [P_BLACK] = {1.900f, 0.02f, 0.06f, {0.004f, 0.004f, 0.006f}},
    [P_VERMILION] = {0.008f, 0.45f, 0.90f, {0.040f, 0.010f, 0.010f}},
    [P_LAKE] = {0.006f, 0.03f, 0.04f, {0.110f, 0.050f, 0.045f}},
    [P_BLUE] = {0.100f, 0.12f, 0.20f, {0.010f, 0.016f, 0.040f}},
    [P_GREEN] = {0.070f, 0.12f, 0.22f, {0.010f, 0.018f, 0.012f}},
};

// 1 far below `at`, 0 far above.
static double below(double nm, double at, double width)
{
    return 1.0 / (1.0 + exp((nm - at) / width));
}

static double bump(double nm, double at, double width)
{
    return exp(-pow((nm - at) / width, 2.0));
}

static void paint_curves(double nm, double k[P_COUNT], double s[P_COUNT])
{
    k[P_WHITE] = 0.0030 + 0.06 * below(nm, 404, 8);
    s[P_WHITE] = 1.0;
    k[P_YELLOW] = 0.012 + 1.5 * below(nm, 478, 13);
    s[P_YELLOW] = 0.75;
    k[P_OCHRE] = 0.045 + 1.1 * below(nm, 528, 25) + 0.05 * bump(nm, 640, 40);
    s[P_OCHRE] = 0.32;
    k[P_RED_EARTH] = 0.085 + 1.3 * below(nm, 574, 13);
    s[P_RED_EARTH] = 0.28;
    k[P_UMBER] = 0.23 + 1.3 * below(nm, 520, 62);
    s[P_UMBER] = 0.12;
    k[P_BLACK] = 2.1 + 0.25 * below(nm, 520, 60);
    s[P_BLACK] = 0.022;
    k[P_VERMILION] = 0.015 + 1.8 * below(nm, 592, 7);
    s[P_VERMILION] = 0.60;
    k[P_LAKE] = 0.015 + 1.25 * bump(nm, 528, 46) + 0.55 * bump(nm, 425, 45);
    s[P_LAKE] = 0.035;
    k[P_BLUE] = 0.07 + 1.2 * (1.0 - below(nm, 535, 20)) - 0.55 * (1.0 - below(nm, 692, 10));
    s[P_BLUE] = 0.22;
    k[P_GREEN] = 0.11 + 1.0 * below(nm, 472, 20) + 0.95 * (1.0 - below(nm, 580, 22));
    s[P_GREEN] = 0.16;
}

hc_status hc_demo_paints_init(struct paints *p, struct hc_err *err)
{
    *p = (struct paints){0};
    for (int b = 0; b < HC_DEMO_BANDS; b++) {
        double nm = 400.0 + 10.0 * fmin(b, HC_SPECTRUM_N - 1), k[P_COUNT], s[P_COUNT];
        paint_curves(nm, k, s);
        for (int i = 0; i < P_COUNT; i++) {
            p->k[i][b] = (float)k[i];
            p->s[i][b] = (float)s[i];
        }
        p->lambda_nm[b] = (float)nm;
    }
    p->k2 = (float)hc_surface_diffuse_internal(1.5);
    // The camera is linear in the spectrum: its weights are the answers to single bands.
    for (int b = 0; b < HC_SPECTRUM_N; b++) {
        double unit[HC_SPECTRUM_N] = {0}, lin[3];
        unit[b] = 1.0;
        hc_spectrum_to_lin(lin, unit);
        for (int k = 0; k < 3; k++) {
            p->to_lin[k][b] = (float)lin[k];
        }
    }
    for (int k = 0; k < 3; k++) {
        double unit[3] = {0}, lin[3];
        unit[k] = 1.0; // encoded 1 is linear 1
        hc_colour_srgb_to_lin(lin, unit);
        for (int i = 0; i < 3; i++) {
            p->srgb_to_romm[3 * i + k] = lin[i];
        }
    }
    return hc_linear_inv3(p->romm_to_srgb, p->srgb_to_romm, err);
}

void hc_demo_paint_rho(float rho[HC_DEMO_BANDS], const struct paints *p, const uint8_t *c)
{
    float k[HC_DEMO_BANDS], s[HC_DEMO_BANDS];
    for (int b = 0; b < HC_DEMO_BANDS; b++) {
        k[b] = 0.0f;
        s[b] = 1e-6f;
    }
    for (int i = 0; i < P_COUNT; i++) {
        if (c[i]) {
            float share = (float)c[i];
            for (int b = 0; b < HC_DEMO_BANDS; b++) {
                k[b] += share * p->k[i][b];
                s[b] += share * p->s[i][b];
            }
        }
    }
    for (int b = 0; b < HC_DEMO_BANDS; b++) {
        float q = k[b] / s[b];
        rho[b] = 1.0f / (1.0f + q + sqrtf(q * (q + 2.0f)));
    }
}

void hc_demo_paint_srgb(double lin_srgb[3], const struct paints *p, const float *rho)
{
    const float k2 = p->k2; // Saunderson: seen from the air
    float seen[HC_DEMO_BANDS], sum[3] = {0};
    double lin[3];
    for (int b = 0; b < HC_DEMO_BANDS; b++) {
        seen[b] = 0.96f * (1.0f - k2) * rho[b] / (1.0f - k2 * rho[b]);
    }
    for (int k = 0; k < 3; k++) {
        for (int b = 0; b < HC_DEMO_BANDS; b++) {
            sum[k] += seen[b] * p->to_lin[k][b];
        }
        lin[k] = (double)sum[k];
    }
    hc_linear_apply3(lin_srgb, p->romm_to_srgb, lin);
}

// ---- recipes: which paints make a colour ----
static const int palettes[HC_DEMO_PALETTES][7] = {
    {P_WHITE, P_OCHRE, P_UMBER, P_BLACK, P_GREEN, P_RED_EARTH, -1},       // wall
    {P_LAKE, P_VERMILION, P_BLACK, P_UMBER, P_WHITE, P_RED_EARTH, -1},    // curtain
    {P_UMBER, P_OCHRE, P_BLACK, P_RED_EARTH, P_WHITE, -1, -1},            // table
    {P_WHITE, P_BLACK, P_OCHRE, P_BLUE, P_UMBER, -1, -1},                 // cloth
    {P_WHITE, P_BLACK, P_UMBER, P_OCHRE, -1, -1, -1},                     // jug
    {P_YELLOW, P_OCHRE, P_WHITE, P_UMBER, P_GREEN, P_RED_EARTH, P_BLACK}, // quinces
    {P_GREEN, P_YELLOW, P_BLUE, P_BLACK, P_WHITE, P_OCHRE, P_UMBER},      // leaves
};

static int palette_of(int thing)
{
    return thing < T_QUINCE_0 ? thing : thing == T_LEAF ? 6 : 5;
}

static double miss(const struct paints *p, const double *share, const double want[3])
{
    uint8_t c[P_COUNT];
    float rho[HC_DEMO_BANDS];
    double got[3], sum = 0.0;
    for (int i = 0; i < P_COUNT; i++) {
        c[i] = (uint8_t)(share[i] + 0.5);
    }
    hc_demo_paint_rho(rho, p, c);
    hc_demo_paint_srgb(got, p, rho);
    for (int k = 0; k < 3; k++) {
        double e = cbrt(fmax(got[k], 0.0)) - want[k];
        sum += e * e * (k == 1 ? 2.0 : 1.0);
    }
    return sum;
}

// Shares by exchange between pairs of paints, in steps that halve: rough at first, like a palette
// knife. `want` are cube roots of linear sRGB.
static struct mix solve(const struct paints *p, const int *palette, const double want[3])
{
    double share[P_COUNT] = {0}, best;
    struct mix out = {{0}};
    int n = 0, first = 0;
    while (n < 7 && palette[n] >= 0) {
        n++;
    }
    best = 1e9;
    for (int i = 0; i < n; i++) {
        double one[P_COUNT] = {0}, e;
        one[palette[i]] = 255.0;
        e = miss(p, one, want);
        if (e < best) {
            best = e;
            first = palette[i];
        }
    }
    share[first] = 255.0;
    for (double step = 96.0; step >= 1.0; step *= 0.5) {
        bool better = true;
        for (int round = 0; better && round < 6; round++) {
            better = false;
            for (int i = 0; i < n; i++) {
                for (int j = 0; j < n; j++) {
                    double move = fmin(step, share[palette[i]]), e;
                    if (i == j || move < 0.5) {
                        continue;
                    }
                    share[palette[i]] -= move;
                    share[palette[j]] += move;
                    e = miss(p, share, want);
                    if (e < best - 1e-9) {
                        best = e;
                        better = true;
                    } else {
                        share[palette[i]] += move;
                        share[palette[j]] -= move;
                    }
                }
            }
        }
    }
    for (int i = 0; i < P_COUNT; i++) {
        out.c[i] = (uint8_t)(share[i] + 0.5);
    }
    return out;
}

struct recipe_ctx {
    struct recipes *r;
    const struct paints *p;
};

#define NODES (HC_DEMO_RECIPE_N * HC_DEMO_RECIPE_N * HC_DEMO_RECIPE_N)

static void recipe_rows(void *ctx, int block, int y0, int y1)
{
    struct recipe_ctx *c = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        int pal = y / NODES, i = y % NODES, n = HC_DEMO_RECIPE_N;
        double want[3] = {(i / (n * n)) / (n - 1.0), (i / n % n) / (n - 1.0), (i % n) / (n - 1.0)};
        c->r->node[pal][i] = solve(c->p, palettes[pal], want);
    }
}

hc_status hc_demo_recipes_create(struct recipes *r, const struct paints *p, struct hc_par *par,
                                 struct hc_err *err)
{
    *r = (struct recipes){0};
    for (int i = 0; i < HC_DEMO_PALETTES; i++) {
        r->node[i] = hc_mem_array(NODES, sizeof(struct mix));
        if (!r->node[i]) {
            hc_demo_recipes_release(r);
            return hc_err_set(err, HC_ENOMEM, "demo", "out of memory for the palettes");
        }
    }
    hc_par_rows(par, HC_DEMO_PALETTES * NODES, recipe_rows, &(struct recipe_ctx){r, p});
    return HC_OK;
}

void hc_demo_recipes_release(struct recipes *r)
{
    for (int i = 0; i < HC_DEMO_PALETTES; i++) {
        hc_mem_free(r->node[i]);
    }
    *r = (struct recipes){0};
}

struct mix hc_demo_recipe(const struct recipes *r, int thing, const double lin_srgb[3])
{
    const struct mix *node = r->node[palette_of(thing)];
    int n = HC_DEMO_RECIPE_N, at[3];
    double f[3], sum[P_COUNT] = {0};
    struct mix out = {{0}};
    for (int k = 0; k < 3; k++) {
        double v = cbrt(clamp01(lin_srgb[k])) * (n - 1);
        at[k] = v >= n - 1 ? n - 2 : (int)v;
        f[k] = v - at[k];
    }
    for (int corner = 0; corner < 8; corner++) {
        int i = at[0] + (corner & 1), j = at[1] + (corner >> 1 & 1), l = at[2] + (corner >> 2);
        double w = (corner & 1 ? f[0] : 1.0 - f[0]) * (corner & 2 ? f[1] : 1.0 - f[1]) *
                   (corner & 4 ? f[2] : 1.0 - f[2]);
        const struct mix *m = &node[(i * n + j) * n + l];
        for (int k = 0; k < P_COUNT; k++) {
            sum[k] += w * m->c[k];
        }
    }
    for (int k = 0; k < P_COUNT; k++) {
        out.c[k] = (uint8_t)(sum[k] + 0.5);
    }
    return out;
}
