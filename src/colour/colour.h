// Colour: what do these numbers look like, and how far apart are two of them?
//
// Working space everywhere: linear light in ROMM RGB primaries, D50 white (ISO 22028-2:2013), 1.0 =
// perfect diffuse white; XYZ with Y = 1 for that white; CIELAB D50, 2-degree observer. Functions
// are pure and may run on any thread.
#ifndef HC_COLOUR_COLOUR_H
#define HC_COLOUR_COLOUR_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "num/plane.h"

// ---- spaces -------------------------------------------------------------------------------------
// XYZ of D50 with Y = 1, as the ICC profile connection space prints it (ICC.1:2022, 7.2.16); the
// CIE table value (0.96422, 1, 0.82521) differs in the fifth digit.
extern const double hc_colour_white_d50[3];
extern const double hc_colour_romm_to_xyz[9]; // linear ROMM -> XYZ D50, row-major
extern const double hc_colour_xyz_to_romm[9];
extern const double hc_colour_romm_to_srgb[9]; // linear ROMM -> linear sRGB (Bradford, D50 to D65)

// CIELAB against any white (CIE 015:2018, 8.2.1), and against D50.
void hc_colour_xyz_to_lab(double lab[3], const double xyz[3], const double white[3]);
void hc_colour_xyz_to_lab_d50(double lab[3], const double xyz_d50[3]);
void hc_colour_lab_d50_to_xyz(double xyz_d50[3], const double lab[3]);
void hc_colour_lin_to_lab_d50(double lab[3], const double lin[3]); // lin = linear ROMM
void hc_colour_lab_d50_to_lin(double lin[3], const double lab[3]);
void hc_colour_srgb_to_lin(double lin[3], const double srgb01[3]); // encoded sRGB 0..1 -> ROMM
void hc_colour_lin_to_srgb(double srgb01[3], const double lin[3]); // clipped to 0..1

// ---- differences --------------------------------------------------------------------------------
// CIEDE2000, kL = kC = kH = 1 (CIE 142:2001; Sharma, Wu, Dalal, Color Res. Appl. 30(1), 2005).
double hc_colour_ciede2000(const double lab1[3], const double lab2[3]);
// n pixels at once from planar Lab; float, within 2e-3 of the double one except where two hues are
// exactly opposite to within 1e-6 rad (the formula itself jumps there). The fast path of maps. Same
// bits on every machine. `de` must not overlap the inputs.
void hc_colour_ciede2000_row(float *de, const float *const lab1[3], const float *const lab2[3],
                             size_t n);

// ---- rows ---------------------------------------------------------------------------------------
// Planar float in; the fast path of display and export. Outputs must not overlap inputs. Lab within
// 1e-3 of the double one for linear values up to 1.6.
void hc_colour_lab_row(float *const lab[3], const float *const lin[3], size_t n);
// Encoded sRGB, interleaved; out of gamut is clipped per channel, NaN becomes 0.
void hc_colour_srgb8_row(uint8_t *rgb, const float *const lin[3], size_t n);
void hc_colour_srgb16_row(uint16_t *rgb, const float *const lin[3], size_t n);

// ---- spectra ------------------------------------------------------------------------------------
// 31 bands, 400-700 nm by 10 nm (reflectance factors 0..1).
#define HC_SPECTRUM_N 31
extern const double hc_spectrum_nm[HC_SPECTRUM_N];
extern const double hc_spectrum_cmf[HC_SPECTRUM_N][3]; // CIE 1931 2-degree
extern const double hc_spectrum_d50[HC_SPECTRUM_N];
extern const double hc_spectrum_d65[HC_SPECTRUM_N];
// XYZ (Y = 1 for the perfect white) of a reflectance under an illuminant, plain summation.
void hc_spectrum_to_xyz(double xyz[3], const double r[HC_SPECTRUM_N],
                        const double illuminant[HC_SPECTRUM_N]);
// Linear ROMM of a reflectance seen under D50. A perfect white gives exactly (1, 1, 1): the 31-band
// sums are scaled per channel of XYZ to the D50 white.
void hc_spectrum_to_lin(double lin[3], const double r[HC_SPECTRUM_N]);

// ---- surfaces and coats -------------------------------------------------------------------------
// Theory: docs/theory/colour.md. Fresnel reflectance of unpolarised light at a flat surface, index
// n (relative to air), angle in degrees on the air side.
double hc_surface_fresnel(double n, double angle_deg);
double hc_surface_diffuse_external(double n);        // hemispherical average, air side
double hc_surface_diffuse_internal(double n);        // k2 of Saunderson; 1 - k2 = (1 - r_ext) / n^2
double hc_surface_gloss(double n, double angle_deg); // ISO 2813 gloss units (n = 1.567 is 100)
// Share of the reflected beam that stays specular on a rough surface, Rq in nm (Bennett, Porteus,
// J. Opt. Soc. Am. 51(2), 1961): exp(-(4 pi Rq cos(angle) / lambda)^2).
double hc_surface_coherent(double rq_nm, double angle_deg, double lambda_nm);
// Saunderson (J. Opt. Soc. Am. 32, 1942): R = s + (1-k1)(1-k2) rho / (1 - k2 rho), and its inverse.
double hc_surface_saunderson(double rho, double k1, double k2, double s);
double hc_surface_saunderson_inverse(double r, double k1, double k2, double s);

// One coat over paint (docs/theory/colour.md, "A coat over paint").
struct hc_coat {
    double a0;       // absorbance of the coat d = 1 at 400 nm, single pass (natural units)
    double slope_nm; // S: the absorption falls by e every S nm
    double grey;     // g: grime, wavelength-independent absorbance
    double haze;     // h0: scattering at 550 nm (haze falls as lambda^-1.3)
    double surface;  // s: first-surface light scattered into the camera (reflectance factor)
};
// Reflectance factor of internal paint reflectance rho (n values at lambda_nm) under a coat of
// relative thickness d, 45/0 geometry, index 1.5. d = 0, haze = 0 gives the bare saturated paint.
void hc_coat_over(double *r, const double *rho, const double *lambda_nm, size_t n, double d,
                  const struct hc_coat *coat);

#endif
