// Uneven light: a smooth surface through the view of an even board (docs/theory/calibrate.md, "Even
// light").
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"
#include "num/linear.h"
#include "num/stats.h"

#define CELLS 40 // a side, at most
#define CELL_PX 6
#define CELL_SAMPLES 400
#define TERMS 28 // total degree 6
#define DARKEST 0.02
#define CLIPPED_MAX 0.01
#define DUST_MAX 0.15
#define SCATTER_MAX 2.0 // per cent
#define FALLOFF_MAX 4.0
#define TUKEY 4.685

struct cells {
    int w, h, n;
    double v[CELLS * CELLS][3]; // log of the median
    double basis[CELLS * CELLS][TERMS];
    double weight[CELLS * CELLS];
    double held[CELLS * CELLS][3]; // v minus a surface fitted without this cell
};

// Legendre polynomials 0..6.
static void legendre(double p[HC_FLAT_DEGREE_MAX + 1], double x)
{
    p[0] = 1.0;
    p[1] = x;
    for (int n = 1; n < HC_FLAT_DEGREE_MAX; n++) {
        p[n + 1] = ((2.0 * n + 1.0) * x * p[n] - (double)n * p[n - 1]) / (n + 1.0);
    }
}

// Terms by total degree, so that the first (d+1)(d+2)/2 make a surface of degree d.
static void basis_at(double t[TERMS], double x, double y)
{
    double px[HC_FLAT_DEGREE_MAX + 1], py[HC_FLAT_DEGREE_MAX + 1];
    int n = 0;
    legendre(px, x);
    legendre(py, y);
    for (int d = 0; d <= HC_FLAT_DEGREE_MAX; d++) {
        for (int i = 0; i <= d; i++) {
            t[n++] = px[d - i] * py[i];
        }
    }
}

static size_t terms_of(int degree)
{
    return (size_t)((degree + 1) * (degree + 2) / 2);
}

static double surface_at(const double coef[TERMS], const double t[TERMS], int degree)
{
    double v = 0.0;
    for (size_t i = 0; i < terms_of(degree); i++) {
        v += coef[i] * t[i];
    }
    return v;
}

// Medians of the cells; refuses clipped and dark boards.
static hc_status gather(struct cells *c, const struct hc_lin3 *board, double ceiling,
                        struct hc_err *err)
{
    float sample[CELL_SAMPLES];
    int w = board->ch[0].w, h = board->ch[0].h;
    size_t clipped = 0, seen = 0;
    c->w = w / CELL_PX < CELLS ? w / CELL_PX : CELLS;
    c->h = h / CELL_PX < CELLS ? h / CELL_PX : CELLS;
    if (c->w < 8 || c->h < 8) {
        return hc_err_set(err, HC_ERANGE, HC_CALIBRATE_ROOM,
                          "a board view of %d x %d px; %d px a side are needed", w, h, 8 * CELL_PX);
    }
    c->n = c->w * c->h;
    for (int i = 0; i < c->n; i++) {
        int cx = i % c->w, cy = i / c->w, x0 = cx * w / c->w, x1 = (cx + 1) * w / c->w;
        int y0 = cy * h / c->h, y1 = (cy + 1) * h / c->h;
        int step = (int)ceil(sqrt((double)(x1 - x0) * (y1 - y0) / CELL_SAMPLES));
        for (int k = 0; k < 3; k++) {
            size_t n = 0;
            for (int y = y0; y < y1; y += step) {
                for (int x = x0; x < x1 && n < CELL_SAMPLES; x += step) {
                    float v = hc_plane_get(&board->ch[k], x, y);
                    sample[n++] = isfinite(v) ? v : 0.0F;
                    clipped += !((double)v < ceiling);
                }
            }
            seen += n;
            double middle = (double)hc_stats_quantile_f(sample, n, 0.5);
            if (middle < DARKEST) {
                return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                                  "the board is too dark (%.3f of white near %d, %d px); expose it "
                                  "to about half of white",
                                  middle, x0, y0);
            }
            c->v[i][k] = log(middle);
        }
        basis_at(c->basis[i], 2.0 * (cx + 0.5) / c->w - 1.0, 2.0 * (cy + 0.5) / c->h - 1.0);
    }
    if ((double)clipped > CLIPPED_MAX * (double)seen) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "%.0f %% of the board is clipped; expose it to about half of white",
                          100.0 * (double)clipped / (double)seen);
    }
    return HC_OK;
}

// Robust fit of one degree to the cells for which parity allows (0 or 1: every second cell; 2:
// all).
static hc_status fit_surface(double coef[3][TERMS], struct cells *c, int degree, int parity,
                             struct hc_err *err)
{
    static const double ridge[TERMS] = {0.0};
    size_t p = terms_of(degree), rows = 0;
    double *x = hc_mem_array((size_t)c->n * p, sizeof *x), solved[TERMS * 3];
    double *y = hc_mem_array((size_t)c->n * 3, sizeof *y),
           *w = hc_mem_array((size_t)c->n, sizeof *w);
    double *r = hc_mem_array((size_t)c->n, sizeof *r),
           *order = hc_mem_array((size_t)c->n, sizeof *r);
    hc_status st = x && y && w && r && order ? HC_OK
                                             : hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM,
                                                          "no memory for %d cells", c->n);
    for (int i = 0; st == HC_OK && i < c->n; i++) {
        if (parity == 2 || (i % c->w + i / c->w) % 2 == parity) {
            memcpy(x + rows * p, c->basis[i], p * sizeof *x);
            memcpy(y + rows * 3, c->v[i], 3 * sizeof *y);
            w[rows++] = 1.0;
        }
    }
    for (int round = 0; st == HC_OK && round < 12; round++) {
        st = hc_linear_ridge(solved, x, y, w, ridge, rows, p, 3, err);
        for (size_t i = 0; st == HC_OK && i < rows; i++) {
            r[i] = 0.0; // the channel that stands out most
            for (size_t k = 0; k < 3; k++) {
                double v = y[3 * i + k];
                for (size_t t = 0; t < p; t++) {
                    v -= x[i * p + t] * solved[3 * t + k];
                }
                r[i] = fmax(r[i], fabs(v));
            }
            order[i] = r[i];
        }
        double scale =
            fmax(1e-4, TUKEY * 1.4826 * (st == HC_OK ? hc_stats_median(order, rows) : 1.0));
        for (size_t i = 0; i < rows; i++) {
            double z = r[i] / scale;
            w[i] = z < 1.0 ? (1.0 - z * z) * (1.0 - z * z) : 0.0;
        }
    }
    for (size_t t = 0; st == HC_OK && t < p; t++) {
        for (size_t k = 0; k < 3; k++) {
            coef[k][t] = solved[3 * t + k];
        }
    }
    if (st == HC_OK && parity == 2) {
        memcpy(c->weight, w, (size_t)c->n * sizeof *w);
    }
    hc_mem_free(x);
    hc_mem_free(y);
    hc_mem_free(w);
    hc_mem_free(r);
    hc_mem_free(order);
    return st;
}

// Residuals of each half of the cells around the surface of the other half; their robust sd, of
// the channel where it is largest.
static hc_status hold_out(double *scatter, struct cells *c, int degree, struct hc_err *err)
{
    double coef[3][TERMS], *order = hc_mem_array((size_t)c->n * 3, sizeof *order);
    hc_status st = order ? HC_OK : hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory");
    for (int parity = 0; st == HC_OK && parity < 2; parity++) {
        st = fit_surface(coef, c, degree, parity, err);
        for (int i = 0; st == HC_OK && i < c->n; i++) {
            if ((i % c->w + i / c->w) % 2 == parity) {
                continue;
            }
            for (int k = 0; k < 3; k++) {
                c->held[i][k] = c->v[i][k] - surface_at(coef[k], c->basis[i], degree);
                order[k * c->n + i] = fabs(c->held[i][k]);
            }
        }
    }
    *scatter = 0.0;
    for (int k = 0; st == HC_OK && k < 3; k++) {
        *scatter = fmax(*scatter, 1.4826 * hc_stats_median(order + k * c->n, (size_t)c->n));
    }
    hc_mem_free(order);
    return st;
}

// Spread of the cells that are no dust: `held` = after correction, else as photographed.
static double spread_of(const struct cells *c, int k, bool held)
{
    double low = HUGE_VAL, high = 0.0, sum = 0.0;
    int n = 0;
    for (int i = 0; i < c->n; i++) {
        if (c->weight[i] > 0.0) {
            double v = exp(held ? c->held[i][k] : c->v[i][k]);
            low = fmin(low, v);
            high = fmax(high, v);
            sum += v;
            n++;
        }
    }
    return n ? 100.0 * (high - low) / (sum / n) : 0.0;
}

static double lightness_spread(const struct cells *c, bool held)
{
    double low = HUGE_VAL, high = -HUGE_VAL, level[3] = {0.0};
    for (int i = 0; i < c->n; i++) {
        for (int k = 0; k < 3; k++) {
            level[k] += c->v[i][k] / c->n;
        }
    }
    for (int i = 0; i < c->n; i++) {
        if (c->weight[i] > 0.0) {
            double v[3];
            for (int k = 0; k < 3; k++) {
                v[k] = exp(held ? level[k] + c->held[i][k] : c->v[i][k]);
            }
            double l = hc_lightness(0.28804 * v[0] + 0.71188 * v[1] + 0.00009 * v[2]);
            low = fmin(low, l);
            high = fmax(high, l);
        }
    }
    return high > low ? high - low : 0.0;
}

static hc_status finish(struct hc_flat *out, struct cells *c, double scatter, struct hc_err *err)
{
    double coef[3][TERMS], most = 0.0;
    int dust = 0;
    hc_status st = fit_surface(coef, c, out->degree, 2, err);
    if (st != HC_OK) {
        return st;
    }
    for (int k = 0; k < 3; k++) {
        double low = HUGE_VAL, high = -HUGE_VAL, mean = 0.0;
        for (int i = 0; i < c->n; i++) {
            double v = surface_at(coef[k], c->basis[i], out->degree);
            low = fmin(low, v);
            high = fmax(high, v);
            mean += exp(-v) / c->n;
        }
        most = fmax(most, exp(high - low));
        for (size_t t = 0; t < terms_of(out->degree); t++) {
            out->coef[k][t] = -coef[k][t];
        }
        out->coef[k][0] -= log(mean);
        out->before_percent[k] = spread_of(c, k, false);
        out->after_percent[k] = spread_of(c, k, true);
    }
    for (int i = 0; i < c->n; i++) {
        dust += c->weight[i] <= 0.0;
    }
    out->before_delta_l = lightness_spread(c, false);
    out->after_delta_l = lightness_spread(c, true);
    out->dust_share = (double)dust / c->n;
    out->residual_percent = 100.0 * scatter;
    if (out->residual_percent > SCATTER_MAX || out->dust_share > DUST_MAX) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "this is no view of an even board: its parts scatter by %.1f %% around a "
                          "smooth surface (at most %.0f) and %.0f %% stand out (at most %.0f)",
                          out->residual_percent, SCATTER_MAX, 100.0 * out->dust_share,
                          100.0 * DUST_MAX);
    }
    if (most > FALLOFF_MAX) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "the light falls off by %.1f : 1 over the board (at most %.0f : 1): move "
                          "the lamps, correction would only raise noise",
                          most, FALLOFF_MAX);
    }
    return HC_OK;
}

hc_status hc_flat_measure(struct hc_flat *out, const struct hc_lin3 *board, double ceiling,
                          struct hc_err *err)
{
    struct cells *c = hc_mem_array(1, sizeof *c);
    double best = HUGE_VAL, scatter[HC_FLAT_DEGREE_MAX + 1] = {0.0};
    *out = (struct hc_flat){.w = board->ch[0].w, .h = board->ch[0].h};
    hc_status st = c ? gather(c, board, ceiling > 0.0 ? ceiling : 0.999, err)
                     : hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory for a flat field");
    for (int degree = 2; st == HC_OK && degree <= HC_FLAT_DEGREE_MAX; degree += 2) {
        st = hold_out(&scatter[degree], c, degree, err);
        best = fmin(best, scatter[degree]);
    }
    for (int degree = 2; st == HC_OK && degree <= HC_FLAT_DEGREE_MAX; degree += 2) {
        if (scatter[degree] <= 1.05 * best + 1e-5) { // the smoothest that is as good
            out->degree = degree;
            break;
        }
    }
    if (st == HC_OK) {
        st = hold_out(&scatter[out->degree], c, out->degree, err);
    }
    if (st == HC_OK) {
        st = finish(out, c, scatter[out->degree], err);
    }
    hc_mem_free(c);
    return st;
}

void hc_flat_apply_rows(const struct hc_lin3 *lin_rows, const struct hc_flat *flat, int y0, int w,
                        int h)
{
    int step = w / 512 > 1 ? w / 512 : 1; // in between the gain is a straight line
    for (int y = 0; y < lin_rows->ch[0].h; y++) {
        double py[HC_FLAT_DEGREE_MAX + 1];
        legendre(py, 2.0 * (y0 + y + 0.5) / h - 1.0);
        for (int k = 0; k < 3; k++) {
            double along[HC_FLAT_DEGREE_MAX + 1] = {0.0}, px[HC_FLAT_DEGREE_MAX + 1];
            float *row = hc_plane_row(&lin_rows->ch[k], y), from = 0.0F;
            int n = 0;
            for (int d = 0; d <= flat->degree; d++) {
                for (int i = 0; i <= d; i++) {
                    along[d - i] += flat->coef[k][n++] * py[i];
                }
            }
            for (int x = 0; x < w + step; x += step) {
                double g = 0.0;
                legendre(px, 2.0 * (x + 0.5) / w - 1.0);
                for (int d = 0; d <= flat->degree; d++) {
                    g += along[d] * px[d];
                }
                float to = (float)exp(g);
                for (int i = 0; x > 0 && i < step && x - step + i < w; i++) {
                    row[x - step + i] *= from + (to - from) * (float)i / (float)step;
                }
                from = to;
            }
        }
    }
}
