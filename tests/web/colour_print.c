// Colour conversions for the test that holds them to an independent package (colour_check.mjs).
// Reads one conversion a line, writes its numbers:
//   de L a b L a b    CIEDE2000
//   srgb R G B        encoded sRGB 0..1 -> Lab (D50)
//   lab L a b         Lab (D50) -> XYZ (D50), linear ROMM, encoded sRGB
//   white LIGHT DEG   XYZ of the perfect white, by sums of 5 nm
#include <stdio.h>
#include <string.h>

#include "calibrate/calibrate.h"
#include "colour/colour.h"

static void put(const double *v, int n)
{
    for (int i = 0; i < n; i++) {
        printf("%s%.12g", i ? " " : "", v[i]);
    }
}

static bool white(const char *rest)
{
    char light[32];
    int observer = 0;
    double w[81 * 3], out[3];
    struct hc_err err = {0};
    if (sscanf(rest, "%31s %d", light, &observer) != 2 ||
        hc_light_weights(w, out, NULL, light, observer, 380, 5, 81, false, &err) != HC_OK) {
        fprintf(stderr, "white %s: %s\n", rest, err.what);
        return false;
    }
    put(out, 3);
    return true;
}

static bool answer(const char *line)
{
    double v[9];
    if (sscanf(line, "de %lf %lf %lf %lf %lf %lf", v, v + 1, v + 2, v + 3, v + 4, v + 5) == 6) {
        v[6] = hc_colour_ciede2000(v, v + 3);
        put(v + 6, 1);
    } else if (sscanf(line, "srgb %lf %lf %lf", v, v + 1, v + 2) == 3) {
        hc_colour_srgb_to_lin(v + 3, v);
        hc_colour_lin_to_lab_d50(v + 6, v + 3);
        put(v + 6, 3);
    } else if (sscanf(line, "lab %lf %lf %lf", v, v + 1, v + 2) == 3) {
        double lab[3] = {v[0], v[1], v[2]};
        hc_colour_lab_d50_to_xyz(v, lab);
        hc_colour_lab_d50_to_lin(v + 3, lab);
        hc_colour_lin_to_srgb(v + 6, v + 3);
        put(v, 9);
    } else if (strncmp(line, "white ", 6) != 0 || !white(line + 6)) {
        fprintf(stderr, "not understood: %s", line);
        return false;
    }
    putchar('\n');
    return true;
}

int main(void)
{
    char line[256];
    while (fgets(line, sizeof line, stdin)) {
        if (!answer(line)) {
            return 1;
        }
    }
    return 0;
}
