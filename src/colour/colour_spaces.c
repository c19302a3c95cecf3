// Spaces: linear ROMM, XYZ, CIELAB, sRGB (docs/theory/colour.md, "Spaces").
#include "colour/colour.h"

#include <math.h>

#include "num/linear.h"

const double hc_colour_white_d50[3] = {0.9642, 1.0, 0.8249};

// From the primaries of ISO 22028-2:2013, (0.7347, 0.2653) (0.1596, 0.8404) (0.0366, 0.0001),
// scaled so that (1, 1, 1) is the white above.
const double hc_colour_romm_to_xyz[9] = {0.79766611080389893,
                                         0.13519231336302714,
                                         0.031341575833073808,
                                         0.28803704804175084,
                                         0.71187731923739372,
                                         8.5632720855392911e-05,
                                         0.0,
                                         0.0,
                                         0.8249};
const double hc_colour_xyz_to_romm[9] = {1.3459582063740678,
                                         -0.25561034000154825,
                                         -0.05111233190002152,
                                         -0.54459640456991776,
                                         1.5081604916604547,
                                         0.020535048643302134,
                                         0.0,
                                         0.0,
                                         1.2122681537156021};

// Linear sRGB (IEC 61966-2-1: primaries (0.64, 0.33) (0.30, 0.60) (0.15, 0.06), white (0.3127,
// 0.3290)) to linear ROMM through the Bradford adaptation to D50 (ICC.1:2022, annex E).
static const double srgb_to_romm[9] = {
    0.52931245871495114,  0.33013619885653123, 0.14055134242851774,
    0.098361747431919333, 0.87347008972219387, 0.028168162845887246,
    0.016874999965299283, 0.1176715222416342,  0.86545347779306692};
const double hc_colour_romm_to_srgb[9] = {
    2.0342181530788603,     -0.72753647328635729, -0.30668167979250271,
    -0.22879805605430639,   1.2317302821191261,   -0.0029322260648202551,
    -0.0085555329209161483, -0.15328657487737768, 1.1618421077982934};

// CIE 015:2018 writes the break as the exact fractions (6/29)^3 and (29/6)^2 / 3.
#define LAB_BREAK (216.0 / 24389.0)
#define LAB_SLOPE (841.0 / 108.0)

static double lab_f(double t)
{
    return t > LAB_BREAK ? cbrt(t) : LAB_SLOPE * t + 4.0 / 29.0;
}

static double lab_f_inverse(double f)
{
    return f > 6.0 / 29.0 ? f * f * f : (f - 4.0 / 29.0) / LAB_SLOPE;
}

void hc_colour_xyz_to_lab(double lab[3], const double xyz[3], const double white[3])
{
    double fx = lab_f(xyz[0] / white[0]);
    double fy = lab_f(xyz[1] / white[1]);
    double fz = lab_f(xyz[2] / white[2]);
    lab[0] = 116.0 * fy - 16.0;
    lab[1] = 500.0 * (fx - fy);
    lab[2] = 200.0 * (fy - fz);
}

void hc_colour_xyz_to_lab_d50(double lab[3], const double xyz_d50[3])
{
    hc_colour_xyz_to_lab(lab, xyz_d50, hc_colour_white_d50);
}

void hc_colour_lab_d50_to_xyz(double xyz_d50[3], const double lab[3])
{
    double fy = (lab[0] + 16.0) / 116.0;
    double fx = fy + lab[1] / 500.0;
    double fz = fy - lab[2] / 200.0;
    xyz_d50[0] = hc_colour_white_d50[0] * lab_f_inverse(fx);
    xyz_d50[1] = hc_colour_white_d50[1] * lab_f_inverse(fy);
    xyz_d50[2] = hc_colour_white_d50[2] * lab_f_inverse(fz);
}

void hc_colour_lin_to_lab_d50(double lab[3], const double lin[3])
{
    double xyz[3];
    hc_linear_apply3(xyz, hc_colour_romm_to_xyz, lin);
    hc_colour_xyz_to_lab_d50(lab, xyz);
}

void hc_colour_lab_d50_to_lin(double lin[3], const double lab[3])
{
    double xyz[3];
    hc_colour_lab_d50_to_xyz(xyz, lab);
    hc_linear_apply3(lin, hc_colour_xyz_to_romm, xyz);
}

void hc_colour_srgb_to_lin(double lin[3], const double srgb01[3])
{
    double v[3];
    for (int k = 0; k < 3; k++) {
        v[k] = srgb01[k] <= 0.04045 ? srgb01[k] / 12.92 : pow((srgb01[k] + 0.055) / 1.055, 2.4);
    }
    hc_linear_apply3(lin, srgb_to_romm, v);
}

void hc_colour_lin_to_srgb(double srgb01[3], const double lin[3])
{
    double v[3];
    hc_linear_apply3(v, hc_colour_romm_to_srgb, lin);
    for (int k = 0; k < 3; k++) {
        double c = v[k] > 0.0 ? (v[k] < 1.0 ? v[k] : 1.0) : 0.0;
        double e = c <= 0.0031308 ? 12.92 * c : 1.055 * pow(c, 1.0 / 2.4) - 0.055;
        srgb01[k] = e < 1.0 ? e : 1.0;
    }
}
