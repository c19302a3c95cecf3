// The plain estimators: one map for the whole picture, least squares on the windows (theory 7).
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "forecast/forecast_priv.h"
#include "num/linear.h"

static const int n_terms[FC_PLAIN] = {4, 8, 10, 4};

static double ln_channel(double v)
{
    return log(fc_soft(v));
}

static void terms(double *x, int k, const double v[3], const double lin[3], double ln_uv)
{
    const double *c = k == 3 ? v : lin;
    double uv = ln_uv < -1.5 ? -1.5 : ln_uv > 1.5 ? 1.5 : ln_uv;
    x[0] = 1;
    for (int i = 0; i < 3; i++) {
        x[1 + i] = k == 3 ? ln_channel(c[i]) : c[i];
    }
    if (k == 1) {
        for (int i = 0; i < 4; i++) {
            x[4 + i] = uv * x[i];
        }
    } else if (k == 2) {
        x[4] = c[0] * c[0];
        x[5] = c[1] * c[1];
        x[6] = c[2] * c[2];
        x[7] = c[0] * c[1];
        x[8] = c[0] * c[2];
        x[9] = c[1] * c[2];
    }
}

static hc_status fit_one(struct fc_model *m, const struct fc_data *data, int k, double *x,
                         double *y, struct hc_err *err)
{
    size_t n = 0, p = (size_t)n_terms[k];
    double ridge[FC_TERMS];
    for (int w = 0; w < data->n_windows; w++) {
        for (size_t i = data->first[w]; i < data->first[w + 1] && w != m->left_out; i++, n++) {
            const struct fc_px *px = &data->px[i];
            double lin_o[3];
            hc_linear_apply3(lin_o, data->basis.from, px->o);
            terms(x + n * p, k, px->v, px->lin, px->ln_uv);
            for (int c = 0; c < 3; c++) {
                y[3 * n + (size_t)c] = k == 3 ? ln_channel(px->o[c]) : lin_o[c];
            }
        }
    }
    for (size_t j = 0; j < p; j++) {
        ridge[j] = (j < 4 ? 1e-6 : 1e-5) * (double)n;
    }
    return hc_linear_ridge(m->plain[k], x, y, NULL, ridge, n, p, 3, err);
}

hc_status fc_plain_fit(struct fc_model *m, const struct fc_data *data, struct hc_err *err)
{
    double *x = hc_mem_array(data->n * FC_TERMS, sizeof *x),
           *y = hc_mem_array(data->n * 3, sizeof *y);
    hc_status st =
        x && y ? HC_OK
               : hc_err_set(err, HC_ENOMEM, "forecast", "out of memory for %zu pixels", data->n);
    for (int k = 0; k < FC_PLAIN && st == HC_OK; k++) {
        m->has_plain[k] = k != 1 || data->has_uv;
        if (m->has_plain[k]) {
            st = fit_one(m, data, k, x, y, err);
        }
    }
    hc_mem_free(x);
    hc_mem_free(y);
    return st;
}

void fc_plain_apply(double out[3], const struct fc_model *m, const struct fc_basis *b, int k,
                    const double v[3], const double lin[3], double ln_uv)
{
    double x[FC_TERMS], y[3] = {0, 0, 0};
    terms(x, k, v, lin, ln_uv);
    for (int j = 0; j < n_terms[k]; j++) {
        for (int c = 0; c < 3; c++) {
            y[c] += m->plain[k][3 * j + c] * x[j];
        }
    }
    if (k == 3) {
        for (int c = 0; c < 3; c++) {
            out[c] = exp(y[c] < 1 ? y[c] : 1);
        }
    } else {
        hc_linear_apply3(out, b->to, y);
    }
}
