// Tables of the fitted forecast, so that rendering is a few interpolations per pixel (theory 10).
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "forecast/forecast_priv.h"
#include "num/linear.h"

#define V_MAX 1.6    // brightest inner value of the tables
#define NEIGHBOURS 5 // window pixels a colour is measured against
// Shares of u^2 (theory 9), from the errors on the development scenes: what no cue tells (paints
// alike in colour, unlike in spectrum), the jackknife, the coat, noise, the change itself, and the
// distance to the windows' colours.
#define U_FLOOR 1.55
#define U_JACK 0.7
#define U_COAT 0.4
#define U_NOISE 0.9
#define U_CHANGE 0.17
#define U_VEIL 0.3 // share by which haze differs from place to place
#define U_FAR 0.65
#define STEP_LN_D 0.15 // for the slope of the prediction over ln d

double fc_axis_v(int i)
{
    double t0 = log(FC_FLOOR), t1 = log(V_MAX + FC_FLOOR);
    double v = exp(t0 + (t1 - t0) * i / (FC_AXIS - 1)) - FC_FLOOR;
    return v > 0 ? v : 0;
}

double fc_axis_ln_d(int i)
{
    double lo = log(fc_node[0]), hi = log(fc_node[FC_NODES - 1]);
    return lo + (hi - lo) * i / (FC_AXIS_D - 1);
}

struct bake {
    struct hc_forecast *f;
    const struct fc_model *fold;
    const struct fc_data *data;
};

// All that one inner colour needs, for one model.
struct point {
    struct fc_ready ready;
    double t[HC_ESTIMATOR_COUNT][3]; // members that do not depend on ln d
};

static void point_make(struct point *p, const struct hc_forecast *f, const struct fc_model *m,
                       const double v[3])
{
    double lin[3], out[3];
    hc_linear_apply3(lin, f->basis.from, v);
    fc_model_ready(&p->ready, m, f->which, v);
    for (int e = 1; e < HC_ESTIMATOR_BLEND; e++) {
        if (f->weight[e] > 0) {
            // The UV of this member comes in at rendering time; the tables use the median UV.
            fc_plain_apply(out, m, &f->basis, e - 1, v, lin, 0);
            for (int k = 0; k < 3; k++) {
                p->t[e][k] = fc_t(out[k]);
            }
        }
    }
}

static void point_at(double t[3], double lab[3], struct point *p, const struct hc_forecast *f,
                     const struct fc_model *m, double ln_d)
{
    double out[3];
    fc_model_at(out, m, &p->ready, ln_d);
    for (int k = 0; k < 3; k++) {
        p->t[HC_ESTIMATOR_PHYSICAL][k] = fc_t(out[k]);
    }
    fc_blend_t(t, f->weight, (const double(*)[3])p->t);
    for (int k = 0; k < 3; k++) {
        out[k] = fc_t_inverse(t[k]);
    }
    fc_lab_of_inner(lab, &f->basis, out);
}

// What one colour of the tables needs: the model there, at a little more noise, at less haze, and
// the left-out models.
struct spot {
    double v[3], far;
    struct point full, noisy, hazy, fold[FC_WINDOWS];
};

static void spot_make(struct spot *s, const struct bake *b)
{
    const struct hc_forecast *f = b->f;
    const double *v = s->v, *haze = f->full.maps.haze;
    double noisy[3] = {v[0] + f->noise, v[1] - 0.5 * f->noise, v[2] + f->noise};
    double hazy[3] = {v[0] - U_VEIL * haze[0], v[1] - U_VEIL * haze[1], v[2] - U_VEIL * haze[2]};
    point_make(&s->full, f, &f->full, v);
    point_make(&s->noisy, f, &f->full, noisy);
    point_make(&s->hazy, f, &f->full, hazy);
    for (int w = 0; w < b->data->n_windows; w++) {
        point_make(&s->fold[w], f, &b->fold[w], v);
    }
}

// t(after) - t(before) and u^2 but for the coat. Returns what d^2 and the variance of ln d
// multiply: by Beer's law the slope over ln d grows about as d.
static double cell_at(float *cell, const struct bake *b, struct spot *s, double ln_d)
{
    const struct hc_forecast *f = b->f;
    double t[3], u[3], lab[3], other[3], slope, noise, haze, change, jack = 0;
    int n = b->data->n_windows;
    point_at(u, other, &s->full, f, &f->full, ln_d + STEP_LN_D);
    point_at(u, lab, &s->full, f, &f->full, ln_d - STEP_LN_D);
    slope = hc_colour_ciede2000(lab, other) / (2 * STEP_LN_D);
    point_at(t, lab, &s->full, f, &f->full, ln_d);
    point_at(u, other, &s->noisy, f, &f->full, ln_d);
    noise = hc_colour_ciede2000(lab, other);
    point_at(u, other, &s->hazy, f, &f->full, ln_d);
    haze = hc_colour_ciede2000(lab, other);
    fc_lab_of_inner(other, &f->basis, s->v);
    change = U_CHANGE * hc_colour_ciede2000(lab, other);
    for (int w = 0; w < n; w++) {
        double de;
        point_at(u, other, &s->fold[w], f, &b->fold[w], ln_d);
        de = hc_colour_ciede2000(lab, other);
        jack += de * de * (n - 1) / n;
    }
    for (int k = 0; k < 3; k++) {
        cell[k] = (float)(t[k] - fc_t(s->v[k]));
    }
    cell[3] = (float)(U_FLOOR * U_FLOOR + change * change + U_FAR * U_FAR * s->far * s->far +
                      U_JACK * jack + U_NOISE * noise * noise + haze * haze);
    return U_COAT * slope * slope / exp(2 * ln_d);
}

// Mean Lab distance / 8 to the nearest window pixels.
static double distance_to_windows(const struct bake *b, const double v[3])
{
    double lab[3], best[NEIGHBOURS], sum = 0;
    fc_lab_of_inner(lab, &b->f->basis, v);
    for (int i = 0; i < NEIGHBOURS; i++) {
        best[i] = 1e12;
    }
    for (size_t i = 0; i < b->data->n; i++) {
        const double *l = b->data->px[i].lab_v;
        double x = l[0] - lab[0], y = l[1] - lab[1], z = l[2] - lab[2], d = x * x + y * y + z * z;
        for (int k = 0; k < NEIGHBOURS && d < best[NEIGHBOURS - 1]; k++) {
            if (d < best[k]) {
                double moved = best[k];
                best[k] = d;
                d = moved;
            }
        }
    }
    for (int i = 0; i < NEIGHBOURS; i++) {
        sum += sqrt(best[i]) / NEIGHBOURS;
    }
    return sum / 8;
}

// One block: one plane of the colour cube (first axis fixed).
static void bake_plane(void *ctx, int block, int y0, int y1)
{
    struct bake *b = ctx;
    struct hc_forecast *f = b->f;
    struct spot s;
    (void)y0;
    (void)y1;
    for (int ij = 0; ij < FC_AXIS * FC_AXIS; ij++) {
        int at = block * FC_AXIS * FC_AXIS + ij;
        double slope2 = 0;
        s.v[0] = fc_axis_v(block);
        s.v[1] = fc_axis_v(ij / FC_AXIS);
        s.v[2] = fc_axis_v(ij % FC_AXIS);
        s.far = distance_to_windows(b, s.v);
        spot_make(&s, b);
        for (int d = 0; d < FC_AXIS_D; d++) {
            float *cell = f->cell + ((ptrdiff_t)at * FC_AXIS_D + d) * FC_CELL;
            slope2 += cell_at(cell, b, &s, fc_axis_ln_d(d)) / FC_AXIS_D;
        }
        f->colour[FC_CELL * at] = (float)fc_model_cue(&f->full, s.v);
        f->colour[FC_CELL * at + 1] = (float)s.far;
        f->colour[FC_CELL * at + 2] = (float)slope2;
    }
}

static void bake_krige(struct hc_forecast *f)
{
    for (int i = 0; i < FC_KRIGE * FC_KRIGE; i++) {
        double x = (i % FC_KRIGE) * (f->frame_w / f->long_side) / (FC_KRIGE - 1), mean, var;
        double y = (i / FC_KRIGE) * (f->frame_h / f->long_side) / (FC_KRIGE - 1);
        fc_coat_krige(&f->full.coat[f->which], x, y, &mean, &var);
        f->krige_mean[i] = (float)mean;
        f->krige_var[i] = (float)var;
    }
}

hc_status fc_bake(struct hc_forecast *f, const struct fc_model *fold, const struct fc_data *data,
                  struct hc_par *par, struct hc_err *err)
{
    struct bake b = {f, fold, data};
    size_t n = FC_AXIS * FC_AXIS * FC_AXIS;
    f->colour = hc_mem_array(n * FC_CELL, sizeof *f->colour);
    f->cell = hc_mem_array(n * FC_AXIS_D * FC_CELL, sizeof *f->cell);
    if (!f->colour || !f->cell) {
        return hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for the tables");
    }
    hc_par_rows(par, FC_AXIS * HC_BLOCK, bake_plane, &b);
    bake_krige(f);
    return HC_OK;
}

static void axis_at(double t, double t0, double t1, int n, int *i, double *w)
{
    double u = (t - t0) / (t1 - t0) * (n - 1);
    u = u < 0 ? 0 : u > n - 1 ? n - 1 : u;
    *i = (int)u < n - 2 ? (int)u : n - 2;
    *w = u - *i;
}

double fc_u2(const struct hc_forecast *f, const double v[3], double ln_d, double var)
{
    int i[4];
    double w[4], fixed = 0, slope2 = 0;
    for (int k = 0; k < 3; k++) {
        axis_at(fc_t(v[k]), log(FC_FLOOR), log(V_MAX + FC_FLOOR), FC_AXIS, &i[k], &w[k]);
    }
    axis_at(ln_d, fc_axis_ln_d(0), fc_axis_ln_d(FC_AXIS_D - 1), FC_AXIS_D, &i[3], &w[3]);
    for (int c = 0; c < 16; c++) {
        int at = 0;
        double share = 1;
        for (int k = 0; k < 4; k++) {
            int up = c >> k & 1;
            if (k == 3) {
                slope2 += share * (up ? w[3] : 1 - w[3]) * (double)f->colour[FC_CELL * at + 2];
            }
            at = at * (k < 3 ? FC_AXIS : FC_AXIS_D) + i[k] + up;
            share *= up ? w[k] : 1 - w[k];
        }
        fixed += share * (double)f->cell[FC_CELL * at + 3];
    }
    return fixed + slope2 * exp(2 * ln_d) * var;
}

double fc_colour_distance(const struct hc_forecast *f, const double lab[3])
{
    double lin[3], v[3], far = 0, w[3];
    int i[3];
    hc_colour_lab_d50_to_lin(lin, lab);
    hc_linear_apply3(v, f->basis.to, lin);
    for (int k = 0; k < 3; k++) {
        axis_at(fc_t(v[k]), log(FC_FLOOR), log(V_MAX + FC_FLOOR), FC_AXIS, &i[k], &w[k]);
    }
    for (int c = 0; c < 8; c++) {
        int at = 0;
        double share = 1;
        for (int k = 0; k < 3; k++) {
            int up = c >> k & 1;
            at = at * FC_AXIS + i[k] + up;
            share *= up ? w[k] : 1 - w[k];
        }
        far += share * (double)f->colour[FC_CELL * at + 1];
    }
    return far;
}
