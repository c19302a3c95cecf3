// The inner basis and the scales of the forecast.
#include <math.h>
#include <string.h>

#include "forecast/forecast_priv.h"
#include "num/linear.h"

// Bradford's sharpened responses (Lam 1985, as in ICC.1:2022 annex E): no second lobe in the red
// response, so that a yellow coat acts on each channel almost by a factor.
static const double bradford[9] = {0.8951, 0.2664, -0.1614, -0.7502, 1.7135,
                                   0.0367, 0.0389, -0.0685, 1.0296};

struct fc_basis fc_basis_make(void)
{
    struct fc_basis b;
    hc_linear_mul3(b.to, bradford, hc_colour_romm_to_xyz);
    for (int i = 0; i < 3; i++) {
        double white = b.to[3 * i] + b.to[3 * i + 1] + b.to[3 * i + 2];
        for (int j = 0; j < 3; j++) {
            b.to[3 * i + j] /= white;
        }
    }
    hc_status st = hc_linear_inv3(b.from, b.to, NULL);
    hc_assert(st == HC_OK);
    return b;
}

double fc_soft(double v)
{
    return 0.5 * (v + sqrt(v * v + 0.0016 * 0.0016));
}

double fc_t(double v)
{
    return log((v > 0 ? v : 0) + FC_FLOOR);
}

double fc_t_inverse(double t)
{
    double v = exp(t) - FC_FLOOR;
    return v > 0 ? v : 0;
}

void fc_lab_of_inner(double lab[3], const struct fc_basis *b, const double v[3])
{
    double lin[3];
    hc_linear_apply3(lin, b->from, v);
    hc_colour_lin_to_lab_d50(lab, lin);
}
