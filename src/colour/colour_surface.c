// Light at a paint or varnish surface, and one coat over paint (docs/theory/colour.md).
#include "colour/colour.h"

#include <math.h>

#define RAD_PER_DEG (3.14159265358979323846 / 180.0)

// Paint medium and varnish as one body of index 1.5: first-surface reflectance at normal incidence,
// and k2 = hc_surface_diffuse_internal(1.5) (held to that by the test).
#define COAT_K1 0.04
#define COAT_K2 0.59634576
// Path lengths through the coat in units of its thickness: in at 45 degrees (28.1 inside, 1.134)
// and out along the normal; there and back for diffuse light, 1.7 each way.
#define COAT_PATH_IO 2.134
#define COAT_PATH_DIFFUSE 3.4

double hc_surface_fresnel(double n, double angle_deg)
{
    double c = cos(angle_deg * RAD_PER_DEG), s = sin(angle_deg * RAD_PER_DEG) / n;
    double inner2 = 1.0 - s * s;
    if (inner2 <= 0.0) {
        return 1.0; // total reflection, only for n < 1
    }
    double ci = sqrt(inner2);
    double perpendicular = (c - n * ci) / (c + n * ci);
    double parallel = (n * c - ci) / (n * c + ci);
    return 0.5 * (perpendicular * perpendicular + parallel * parallel);
}

double hc_surface_diffuse_external(double n)
{
    // Integral over the hemisphere of F(t) sin 2t dt by Simpson's rule; error below 1e-9.
    const int steps = 2048;
    double sum = 0.0;
    for (int i = 1; i < steps; i++) { // sin 2t is 0 at both ends
        double deg = 90.0 * i / steps;
        double weight = i % 2 ? 4.0 : 2.0;
        sum += weight * hc_surface_fresnel(n, deg) * sin(2.0 * deg * RAD_PER_DEG);
    }
    return sum * 90.0 * RAD_PER_DEG / steps / 3.0;
}

double hc_surface_diffuse_internal(double n)
{
    return 1.0 - (1.0 - hc_surface_diffuse_external(n)) / (n * n);
}

double hc_surface_gloss(double n, double angle_deg)
{
    return 100.0 * hc_surface_fresnel(n, angle_deg) / hc_surface_fresnel(1.567, angle_deg);
}

double hc_surface_coherent(double rq_nm, double angle_deg, double lambda_nm)
{
    double g = 4.0 * 180.0 * RAD_PER_DEG * rq_nm * cos(angle_deg * RAD_PER_DEG) / lambda_nm;
    return exp(-g * g);
}

double hc_surface_saunderson(double rho, double k1, double k2, double s)
{
    return s + (1.0 - k1) * (1.0 - k2) * rho / (1.0 - k2 * rho);
}

double hc_surface_saunderson_inverse(double r, double k1, double k2, double s)
{
    double inner = r - s;
    return inner / ((1.0 - k1) * (1.0 - k2) + k2 * inner);
}

void hc_coat_over(double *r, const double *rho, const double *lambda_nm, size_t n, double d,
                  const struct hc_coat *coat)
{
    for (size_t i = 0; i < n; i++) {
        double a = coat->a0 * d * exp(-(lambda_nm[i] - 400.0) / coat->slope_nm) + coat->grey;
        double body = (1.0 - COAT_K1) * (1.0 - COAT_K2) * exp(-COAT_PATH_IO * a) * rho[i] /
                      (1.0 - COAT_K2 * exp(-COAT_PATH_DIFFUSE * a) * rho[i]);
        double h = coat->haze > 0.0 ? coat->haze * pow(lambda_nm[i] / 550.0, -1.3) : 0.0;
        double back = h / (1.0 + h), through = 1.0 / (1.0 + h);
        r[i] = coat->surface + (1.0 - COAT_K1) * 0.5 * back +
               through * through * body / (1.0 - back * body);
    }
}
