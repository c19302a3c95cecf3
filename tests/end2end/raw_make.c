// Camera raw files for the end-to-end tests.
//   raw_make FILE.dng unknown        a camera that no converter knows: no matrix in the file
//   raw_make FILE.dng chart LAB.txt  a target of 4 rows of 6, lines "L a b" (D50), on a grey ground
// The chart's camera sees XYZ through the matrix below; its own matrix stands in the file.
#include <stdio.h>
#include <string.h>

#include "../corpus_bad/raw_files.h"
#include "hc_test.h"

#define PITCH 150
#define HALF 60 // of a patch

static double colour[25][3]; // camera light of each patch; the last: the ground

// XYZ (D50) of Lab: CIE 15:2018, 8.2.1, white of ICC.1:2022 6.3.4.3.
static void xyz_of(const double lab[3], double xyz[3])
{
    const double white[3] = {0.9642, 1, 0.8249}, y = (lab[0] + 16) / 116;
    const double f[3] = {y + lab[1] / 500, y, y - lab[2] / 200};
    for (int i = 0; i < 3; i++) {
        xyz[i] = white[i] * (f[i] > 6.0 / 29 ? f[i] * f[i] * f[i]
                                             : 3 * (6.0 / 29) * (6.0 / 29) * (f[i] - 4.0 / 29));
    }
}

static double scene(int x, int y, int b)
{
    int i = (x - 150 + PITCH / 2) / PITCH, j = (y - 150 + PITCH / 2) / PITCH;
    int dx = x - 150 - i * PITCH, dy = y - 150 - j * PITCH;
    bool is_in =
        x >= 75 && y >= 75 && i < 6 && j < 4 && dx > -HALF && dx < HALF && dy > -HALF && dy < HALF;
    // A fine pattern, so that nothing is quite even.
    return colour[is_in ? j * 6 + i : 24][b] * (1 + 0.01 * ((x * 7 + y * 13) % 5 - 2));
}

int main(int argc, char **argv)
{
    // IEC 61966-2-1, XYZ (D65) to linear sRGB, each row weakened as a camera's filters do.
    struct raw_file s = {.w = 1050,
                         .h = 750,
                         .black = 512,
                         .white = 16383,
                         .matrices = 1,
                         .xyz_to_cam = {{3.2406 / 2, -1.5372 / 2, -0.4986 / 2, -0.9689, 1.8758,
                                         0.0415, 0.0557 / 1.5, -0.2040 / 1.5, 1.0570 / 1.5}},
                         .illuminant = {21},
                         .neutral = {0.5, 1, 1 / 1.5},
                         .is_dng = true};
    const double see[3][3] = {{0.42, 0.05, -0.03}, {-0.25, 0.85, 0.1}, {0.03, -0.02, 0.62}};
    bool is_chart = argc == 4 && strcmp(argv[2], "chart") == 0;
    FILE *f = is_chart ? fopen(argv[3], "r") : NULL;
    if (!(argc == 3 && strcmp(argv[2], "unknown") == 0) && !f) {
        fprintf(stderr, "raw_make FILE.dng unknown | chart LAB.txt\n");
        return 2;
    }
    if (!f) {
        s.matrices = 0;
    }
    for (int i = 0; i < 25; i++) {
        double lab[3] = {45, 0, 0}, xyz[3];
        if (f && i < 24 && fscanf(f, "%lf %lf %lf", &lab[0], &lab[1], &lab[2]) != 3) {
            fprintf(stderr, "%s: line %d is not L a b\n", argv[3], i + 1);
            return 2;
        }
        xyz_of(lab, xyz);
        for (int b = 0; b < 3; b++) {
            colour[i][b] = 0.9 * (see[b][0] * xyz[0] + see[b][1] * xyz[1] + see[b][2] * xyz[2]);
            colour[i][b] = colour[i][b] > 0.001 ? colour[i][b] : 0.001;
        }
    }
    if (f) {
        fclose(f);
    }
    raw_write(argv[1], &s, scene);
    return 0;
}
