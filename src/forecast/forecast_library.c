// The paint library and the log-domain maps trained on it (theory 3).
#include <math.h>
#include <string.h>

#include "forecast/forecast_priv.h"
#include "num/linear.h"

const double fc_node[FC_NODES] = {0.15, 0.35, 0.55, 0.75, 0.95, 1.15, 1.4, 1.7, 2.1, 2.6};

// ---- procedural reflectances ----

static double rho_of_ks(double ks)
{
    return 1 + ks - sqrt(ks * ks + 2 * ks);
}

// ln K/S of a pigment: a level, smooth steps (an absorption edge) and bands; all made up.
static void pigment(double ln_ks[FC_BANDS], struct hc_rng *rng)
{
    double level = hc_rng_range(rng, -3.5, 0.5), tilt = 0.5 * hc_rng_normal(rng);
    int steps = hc_rng_unit(rng) < 0.75, bands = hc_rng_below(rng, 3);
    for (int b = 0; b < FC_BANDS; b++) {
        ln_ks[b] = level + tilt * (hc_spectrum_nm[b] - 550) / 150;
    }
    for (int k = 0; k < steps; k++) {
        double at = hc_rng_range(rng, 410, 660), wide = hc_rng_range(rng, 6, 35);
        double high = hc_rng_range(rng, 0.5, 5), side = hc_rng_unit(rng) < 0.75 ? 1 : -1;
        for (int b = 0; b < FC_BANDS; b++) {
            ln_ks[b] += high / (1 + exp(side * (hc_spectrum_nm[b] - at) / wide));
        }
    }
    for (int k = 0; k < bands; k++) {
        double at = hc_rng_range(rng, 420, 690), wide = hc_rng_range(rng, 15, 70);
        double high = hc_rng_range(rng, 0.4, 3.5);
        for (int b = 0; b < FC_BANDS; b++) {
            double u = (hc_spectrum_nm[b] - at) / wide;
            ln_ks[b] += high * exp(-0.5 * u * u);
        }
    }
}

static void paint(double rho[FC_BANDS], struct hc_rng *rng)
{
    double one[FC_BANDS], two[FC_BANDS], share = hc_rng_unit(rng);
    double kind = hc_rng_unit(rng);
    double white =
        kind < 0.35 ? 1 - pow(10, hc_rng_range(rng, -2.5, -0.3)) : 0.4 * hc_rng_unit(rng);
    double black = kind > 0.75 ? pow(10, hc_rng_range(rng, -1, 1)) : 0;
    pigment(one, rng);
    pigment(two, rng);
    share = share < 0.5 ? 0 : share - 0.5; // half of the paints hold one pigment only
    for (int b = 0; b < FC_BANDS; b++) {
        double uv =
            0.2 / (1 + exp((hc_spectrum_nm[b] - 405) / 8)); // whites absorb at the violet end
        double ks = (1 - share) * exp(one[b]) + share * exp(two[b]);
        ks = (1 - white) * ks + white * (0.006 + uv) + black;
        rho[b] = rho_of_ks(ks);
        rho[b] = rho[b] < 0.003 ? 0.003 : rho[b] > 0.97 ? 0.97 : rho[b];
    }
}

void fc_library_make(struct fc_library *lib, const struct fc_basis *basis)
{
    struct hc_rng rng = hc_rng_make(0x70a1f7);
    for (int i = 0; i < FC_PAINTS; i++) {
        paint(lib->rho[i], &rng);
    }
    for (int b = 0; b < FC_BANDS; b++) {
        double unit[FC_BANDS] = {0}, lin[3];
        unit[b] = 1;
        hc_spectrum_to_lin(lin, unit);
        hc_linear_apply3(lib->response[b], basis->to, lin);
    }
}

// ---- simulated colours ----

// hc_coat_over split into what depends on the coat alone, so that 420 paints cost no exponentials:
// r = fixed + gain rho / (1 - inner rho) / (1 - back that).
struct layer {
    double gain[FC_BANDS], inner[FC_BANDS], back[FC_BANDS], through2[FC_BANDS];
};

static void layer_make(struct layer *l, const struct fc_theta *t, double d, bool has_coat)
{
    const double k1 = 0.04, k2 = 0.59634576; // colour/colour.h, index 1.5
    for (int b = 0; b < FC_BANDS; b++) {
        double a =
            has_coat ? t->a0 * d * exp(-(hc_spectrum_nm[b] - 400) / t->slope_nm) + t->grey : 0;
        double h = has_coat ? t->haze * pow(hc_spectrum_nm[b] / 550, -1.3) : 0;
        l->gain[b] = (1 - k1) * (1 - k2) * exp(-2.134 * a);
        l->inner[b] = k2 * exp(-3.4 * a);
        l->back[b] = h / (1 + h);
        l->through2[b] = 1 / ((1 + h) * (1 + h));
    }
}

// Inner colour of a paint under a layer, without veil and surface.
static void layer_colour(double v[3], const struct layer *l, const struct fc_library *lib,
                         int paint)
{
    v[0] = v[1] = v[2] = 0;
    for (int b = 0; b < FC_BANDS; b++) {
        double rho = lib->rho[paint][b];
        double body = l->gain[b] * rho / (1 - l->inner[b] * rho);
        double r = l->through2[b] * body / (1 - l->back[b] * body);
        v[0] += r * lib->response[b][0];
        v[1] += r * lib->response[b][1];
        v[2] += r * lib->response[b][2];
    }
}

static void fill_features(double f[FC_FEATURES], const double l[3])
{
    double m = l[1], p = l[0] - m, q = l[2] - m, e = exp(m);
    f[0] = 1;
    f[1] = m;
    f[2] = p;
    f[3] = q;
    f[4] = m * p;
    f[5] = m * q;
    f[6] = p * q;
    f[7] = p * p;
    f[8] = q * q;
    f[9] = e;
    f[10] = p * e;
    f[11] = q * e;
}

void fc_features(double f[FC_FEATURES], double ln_v[3], const struct fc_maps *m, const double v[3])
{
    for (int k = 0; k < 3; k++) {
        ln_v[k] = log(fc_soft(v[k] - m->veil[k]));
    }
    fill_features(f, ln_v);
}

static void train_node(double c[FC_FEATURES][3], const struct fc_library *lib, int paints,
                       const struct layer *coat, const double (*ln_after)[3], double *x, double *y)
{
    double ridge[FC_FEATURES];
    for (int j = 0; j < FC_FEATURES; j++) {
        ridge[j] = 1e-3;
    }
    for (int i = 0; i < paints; i++) {
        double v[3], l[3];
        layer_colour(v, coat, lib, i);
        for (int k = 0; k < 3; k++) {
            l[k] = log(fc_soft(v[k]));
            y[3 * i + k] = ln_after[i][k] - l[k];
        }
        fill_features(x + (ptrdiff_t)i * FC_FEATURES, l);
    }
    hc_status st = hc_linear_ridge(c[0], x, y, NULL, ridge, (size_t)paints, FC_FEATURES, 3, NULL);
    hc_assert(st == HC_OK); // the ridge makes it positive definite
}

void fc_maps_train(struct fc_maps *m, const struct fc_library *lib, int paints,
                   const struct fc_theta *theta)
{
    double ln_after[FC_PAINTS][3], x[FC_PAINTS * FC_FEATURES], y[FC_PAINTS * 3], v[3];
    struct layer layer;
    layer_make(&layer, theta, 0, false);
    for (int i = 0; i < paints; i++) {
        layer_colour(v, &layer, lib, i);
        for (int k = 0; k < 3; k++) {
            ln_after[i][k] = log(fc_soft(v[k]));
        }
    }
    for (int node = 0; node < FC_NODES; node++) {
        layer_make(&layer, theta, fc_node[node], true);
        train_node(m->c[node], lib, paints, &layer, (const double(*)[3])ln_after, x, y);
    }
    m->after = theta->after;
    for (int k = 0; k < 3; k++) {
        m->haze[k] = 0;
        for (int b = 0; b < FC_BANDS; b++) {
            m->haze[k] += 0.48 * layer.back[b] * lib->response[b][k]; // (1 - k1) / 2
        }
        m->veil[k] = theta->before + m->haze[k];
    }
}

void fc_node_ratio(double ratio[3], const struct fc_maps *m, int node, const double f[FC_FEATURES])
{
    const double(*c)[3] = m->c[node];
    ratio[0] = ratio[1] = ratio[2] = 0;
    for (int j = 0; j < FC_FEATURES; j++) {
        ratio[0] += c[j][0] * f[j];
        ratio[1] += c[j][1] * f[j];
        ratio[2] += c[j][2] * f[j];
    }
}

void fc_ratio(double ratio[3], const struct fc_maps *m, const double f[FC_FEATURES], double d)
{
    double lo[3], hi[3], w;
    int node = 0;
    while (node < FC_NODES - 2 && d > fc_node[node + 1]) {
        node++;
    }
    w = (d - fc_node[node]) / (fc_node[node + 1] - fc_node[node]);
    w = w < -0.5 ? -0.5 : w > 1.5 ? 1.5 : w;
    fc_node_ratio(lo, m, node, f);
    fc_node_ratio(hi, m, node + 1, f);
    for (int k = 0; k < 3; k++) {
        ratio[k] = lo[k] + w * (hi[k] - lo[k]);
    }
}
