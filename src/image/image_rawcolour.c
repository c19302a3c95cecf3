// Colour of camera raw: from the camera's own channels to the working space, by the matrix its
// maker (or the raw converter's table) gives.
//
// DNG specification 1.6 (Adobe, 2021), chapter 6, "Mapping Camera Color Space to CIE XYZ Space",
// from memory: a matrix turns XYZ into camera numbers; two matrices, each for one light, are
// blended linearly in 1 / colour temperature; the light is found from the camera's numbers for
// white, by repeating; the result is adapted from that light to D50 (linear Bradford).
#include <math.h>

#include "colour/colour.h"
#include "image/image_priv.h"
#include "num/linear.h"

// Bradford cone matrix (ICC.1:2022, annex E).
static const double bradford[9] = {0.8951, 0.2664, -0.1614, -0.7502, 1.7135,
                                   0.0367, 0.0389, -0.0685, 1.0296};

static hc_status nonsense(struct hc_err *err)
{
    return hc_err_set(err, HC_EUNSUPPORTED, "image",
                      "the colour matrix or white balance of this raw file makes no sense; develop "
                      "it to a 16-bit TIFF (linear or sRGB, profile embedded) and add that");
}

// Kelvin of an EXIF LightSource code (EXIF 2.3, tag 37384; CIE 015:2018 for the standard lights;
// the everyday names as in the DNG specification's tools, from memory). 0 = not known.
static double kelvin(int illuminant)
{
    static const struct {
        int code;
        double k;
    } known[] = {{1, 5500},  {3, 2850},  {4, 5500},  {17, 2856}, {18, 4874}, {19, 6774},
                 {20, 5503}, {21, 6504}, {22, 7504}, {23, 5003}, {24, 3200}};
    for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
        if (known[i].code == illuminant) {
            return known[i].k;
        }
    }
    return 0;
}

// Correlated colour temperature of a chromaticity (McCamy, Color Res. Appl. 17(2), 1992), held to
// the range where the formula is meant.
static double temperature(const double xyz[3])
{
    double s = xyz[0] + xyz[1] + xyz[2], x = xyz[0] / s, y = xyz[1] / s;
    double n = (x - 0.3320) / (0.1858 - y);
    double t = ((449 * n + 3525) * n + 6823.3) * n + 5520.33;
    return t > 2000 ? (t < 12500 ? t : 12500) : 2000; // a NaN becomes 2000 and is refused later
}

// The matrix for light of t kelvin.
static void blend(double out[9], const struct hc_raw_colour *c, double t)
{
    double k0 = kelvin(c->illuminant[0]), k1 = kelvin(c->illuminant[1]), share = 0;
    if (c->n == 2 && k0 > 0 && k1 > 0 && k0 != k1) {
        share = (1 / t - 1 / k0) / (1 / k1 - 1 / k0);
        share = share > 0 ? (share < 1 ? share : 1) : 0;
    } else if (c->n == 2 && k0 <= 0 && k1 > 0) {
        share = 1; // the one whose light is known
    }
    for (int i = 0; i < 9; i++) {
        out[i] = c->n == 2 ? (1 - share) * c->m[0][i] + share * c->m[1][i] : c->m[0][i];
    }
}

// XYZ (Y = 1) of white as shot, and the camera -> XYZ matrix that goes with it.
static hc_status find_white(double white[3], double to_xyz[9], const struct hc_raw_colour *c,
                            struct hc_err *err)
{
    double m[9], t = 5003; // begin at D50
    for (int i = 0; i < 30; i++) {
        double last = t;
        blend(m, c, t);
        if (hc_linear_inv3(to_xyz, m, NULL) != HC_OK) {
            return nonsense(err);
        }
        hc_linear_apply3(white, to_xyz, c->neutral);
        t = temperature(white);
        if (fabs(t - last) < 1e-6 * t) {
            break;
        }
    }
    for (int i = 0; i < 3; i++) {
        if (!(c->neutral[i] > 1e-3 && c->neutral[i] < 1e3)) {
            return nonsense(err);
        }
    }
    if (!(white[0] > 0 && white[1] > 0 && white[2] > 0)) {
        return nonsense(err);
    }
    for (int i = 0; i < 3; i += 2) {
        white[i] /= white[1];
    }
    white[1] = 1;
    return HC_OK;
}

static hc_status adapt_to_d50(double out[9], const double white[3], struct hc_err *err)
{
    double from[3], to[3], back[9], scaled[9];
    hc_linear_apply3(from, bradford, white);
    hc_linear_apply3(to, bradford, hc_colour_white_d50);
    for (int i = 0; i < 9; i++) {
        if (!(from[i / 3] > 0.01)) {
            return nonsense(err);
        }
        scaled[i] = bradford[i] * to[i / 3] / from[i / 3];
    }
    if (hc_linear_inv3(back, bradford, err) != HC_OK) {
        return HC_ENUMERIC;
    }
    hc_linear_mul3(out, back, scaled);
    return HC_OK;
}

hc_status hc_raw_colour_matrix(double out[9], struct hc_raw_colour *c, struct hc_err *err)
{
    static const double d65[3] = {0.95047, 1, 1.08883}; // CIE 015:2018, 2 degrees
    double white[3], m[9], to_xyz[9], adapt[9], sum;
    hc_status st;
    if (!c->has_neutral) {
        blend(m, c, kelvin(21));
        hc_linear_apply3(c->neutral, m, d65);
    }
    st = find_white(white, to_xyz, c, err);
    st = st == HC_OK ? adapt_to_d50(adapt, white, err) : st;
    if (st != HC_OK) {
        return st;
    }
    // Undo the white balance first; the scale makes white-balanced (1, 1, 1) come out as white.
    for (int i = 0; i < 9; i++) {
        m[i] = to_xyz[i] * c->neutral[i % 3];
    }
    sum = m[3] + m[4] + m[5];
    for (int i = 0; i < 9; i++) {
        m[i] /= sum;
    }
    hc_linear_mul3(m, adapt, m);
    hc_linear_mul3(out, hc_colour_xyz_to_romm, m);
    for (int i = 0; i < 9; i++) {
        // Real cameras stay below about 3; beyond 20 noise would be all that is seen.
        if (!(fabs(out[i]) < 20)) {
            return nonsense(err);
        }
    }
    return HC_OK;
}
