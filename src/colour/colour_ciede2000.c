// CIEDE2000 in double, step by step as Sharma, Wu, Dalal, Color Res. Appl. 30(1), 2005, eq. 2-22.
#include "colour/colour.h"

#include <math.h>

#define DEG_PER_RAD (180.0 / 3.14159265358979323846)

// Hue angle in 0 <= h < 360 degrees; 0 for a grey.
static double hue_deg(double a, double b)
{
    double h = atan2(b, a) * DEG_PER_RAD;
    return h < 0.0 ? h + 360.0 : h;
}

static double cos_deg(double deg)
{
    return cos(deg / DEG_PER_RAD);
}

// sqrt(c^7 / (c^7 + 25^7)), the chroma weight of eq. 4 and 17.
static double chroma7(double c)
{
    double c7 = pow(c, 7.0);
    return sqrt(c7 / (c7 + 6103515625.0));
}

double hc_colour_ciede2000(const double lab1[3], const double lab2[3])
{
    double mean_c = 0.5 * (hypot(lab1[1], lab1[2]) + hypot(lab2[1], lab2[2]));
    double g = 0.5 * (1.0 - chroma7(mean_c));
    double a1 = (1.0 + g) * lab1[1], a2 = (1.0 + g) * lab2[1];
    double c1 = hypot(a1, lab1[2]), c2 = hypot(a2, lab2[2]);
    double h1 = hue_deg(a1, lab1[2]), h2 = hue_deg(a2, lab2[2]);
    double dl = lab2[0] - lab1[0], dc = c2 - c1;
    double dh = 0.0, mean_h = h1 + h2; // a grey has no hue: the other's hue stands
    if (c1 * c2 > 0.0) {
        dh = h2 - h1;
        mean_h = 0.5 * (h1 + h2);
        // Published pairs 10 and 14 lie at exactly 180 degrees; rounding must not move them across.
        if (fabs(dh) > 180.0 + 1e-9) {
            dh += dh > 0.0 ? -360.0 : 360.0;
            mean_h += h1 + h2 < 360.0 ? 180.0 : -180.0;
        }
    }
    double dh_big = 2.0 * sqrt(c1 * c2) * sin(0.5 * dh / DEG_PER_RAD);
    double mean_l = 0.5 * (lab1[0] + lab2[0]), mean_cp = 0.5 * (c1 + c2);
    double t = 1.0 - 0.17 * cos_deg(mean_h - 30.0) + 0.24 * cos_deg(2.0 * mean_h) +
               0.32 * cos_deg(3.0 * mean_h + 6.0) - 0.20 * cos_deg(4.0 * mean_h - 63.0);
    double l50 = (mean_l - 50.0) * (mean_l - 50.0);
    double sl = 1.0 + 0.015 * l50 / sqrt(20.0 + l50);
    double sc = 1.0 + 0.045 * mean_cp;
    double sh = 1.0 + 0.015 * mean_cp * t;
    double z = (mean_h - 275.0) / 25.0;
    double rt = -sin(60.0 * exp(-z * z) / DEG_PER_RAD) * 2.0 * chroma7(mean_cp);
    double x = dl / sl, y = dc / sc, w = dh_big / sh;
    double sum = x * x + y * y + w * w + rt * y * w;
    return sum > 0.0 ? sqrt(sum) : 0.0;
}
