// Reflectance spectra to colour, by plain summation over 31 bands (CIE 015:2018, 7.1). The tables
// are made from data/*.csv at build time.
#include "colour/colour.h"

#include "num/linear.h"

void hc_spectrum_to_xyz(double xyz[3], const double r[HC_SPECTRUM_N],
                        const double illuminant[HC_SPECTRUM_N])
{
    double sum[3] = {0.0}, white = 0.0;
    for (int i = 0; i < HC_SPECTRUM_N; i++) {
        white += illuminant[i] * hc_spectrum_cmf[i][1];
        for (int k = 0; k < 3; k++) {
            sum[k] += r[i] * illuminant[i] * hc_spectrum_cmf[i][k];
        }
    }
    for (int k = 0; k < 3; k++) {
        xyz[k] = sum[k] / white;
    }
}

void hc_spectrum_to_lin(double lin[3], const double r[HC_SPECTRUM_N])
{
    double sum[3] = {0.0}, white[3] = {0.0}, xyz[3];
    for (int i = 0; i < HC_SPECTRUM_N; i++) {
        for (int k = 0; k < 3; k++) {
            double w = hc_spectrum_d50[i] * hc_spectrum_cmf[i][k];
            white[k] += w;
            sum[k] += r[i] * w;
        }
    }
    for (int k = 0; k < 3; k++) {
        xyz[k] = hc_colour_white_d50[k] * (sum[k] / white[k]);
    }
    hc_linear_apply3(lin, hc_colour_xyz_to_romm, xyz);
}
