// Levelling of a wet film, and what relief a dried one keeps (theory, section 7).
#include "relief/relief.h"

#include <math.h>

// Thin film: tau = 3 eta lambda^4 / (16 pi^4 sigma h^3) (Orchard 1962; the e-fold form as printed
// on a coatings scientist's page, see the theory).
double hc_relief_level_rate_thin(const struct hc_relief_coat *c, double wavelength_mm)
{
    double k = 2 * M_PI / (wavelength_mm * 1e-3), h = c->thickness_mm * 1e-3;
    return c->tension_n_per_m * k * k * k * k * h * h * h / (3 * c->viscosity_pa_s);
}

// rate = sigma k (sinh 2kh - 2kh) / (2 eta (cosh 2kh + 1 + 2 k^2 h^2)) (from memory; its limit for
// small kh is the thin-film law, which the test checks).
double hc_relief_level_rate(const struct hc_relief_coat *c, double wavelength_mm)
{
    double k = 2 * M_PI / (wavelength_mm * 1e-3), x = k * c->thickness_mm * 1e-3;
    double front = c->tension_n_per_m * k / (2 * c->viscosity_pa_s);
    if (x < 1e-2) { // sinh y - y cancels: its series
        double y = 2 * x, odd = y * y * y / 6 * (1 + y * y / 20);
        return front * odd / (cosh(y) + 1 + 2 * x * x);
    }
    if (x > 300) { // both hyperbolic functions grow alike
        return front;
    }
    return front * (sinh(2 * x) - 2 * x) / (cosh(2 * x) + 1 + 2 * x * x);
}

double hc_relief_level_cut_mm(const struct hc_relief_coat *c, double open_s)
{
    double h = c->thickness_mm * 1e-3;
    double l4 =
        16 * pow(M_PI, 4) * c->tension_n_per_m * h * h * h * open_s / (3 * c->viscosity_pa_s);
    return 1e3 * sqrt(sqrt(l4));
}

// The wet film levels to exp(-(cut/lambda)^4), then shrinks to its solids and follows the paint by
// the rest; coats multiply.
double hc_relief_level_kept(double wavelength_mm, double cut_mm, double solids, int coats)
{
    double left = exp(-pow(cut_mm / wavelength_mm, 4));
    return pow(1 - solids * (1 - left), coats);
}
