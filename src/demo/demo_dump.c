// A tool for looking: writes the demo painting's views as 8-bit PPM or PGM files.
//   demo_dump WIDTH DIRECTORY [SEED [THREADS [VIEW...]]]
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "demo/demo.h"

static int tell(const struct hc_err *err)
{
    fprintf(stderr, "demo_dump: %s\n", err->what);
    return 1;
}

static int dump(struct hc_demo *d, enum hc_demo_view v, int w, int h, const char *dir)
{
    struct hc_demo_view_info info = hc_demo_view_info(v);
    struct hc_plane band[3] = {{0}};
    struct hc_err err;
    char path[512];
    int rc = 1;
    snprintf(path, sizeof path, "%s/%.*s.p%cm", dir, (int)strcspn(info.file, "."), info.file,
             info.bands == 3 ? 'p' : 'g');
    FILE *f = fopen(path, "wb");
    if (!f) {
        perror(path);
        return 1;
    }
    fprintf(f, "P%c %d %d 255\n", info.bands == 3 ? '6' : '5', w, h);
    double scale = v == HC_DEMO_TRUTH_COAT ? 0.4 : v == HC_DEMO_TRUTH_HEIGHT ? 3.0 : 1.0;
    for (int y0 = 0; y0 < h; y0 += 256) {
        int rows = h - y0 < 256 ? h - y0 : 256;
        for (int k = 0; k < info.bands; k++) {
            hc_plane_release(&band[k]);
            if (hc_plane_create(&band[k], w, rows, &err) != HC_OK) {
                tell(&err);
                goto done;
            }
        }
        if (hc_demo_rows(d, v, y0, band, &err) != HC_OK) {
            tell(&err);
            goto done;
        }
        for (int y = 0; y < rows; y++) {
            for (int x = 0; x < w; x++) {
                for (int k = 0; k < info.bands; k++) {
                    double p = scale * (double)hc_plane_get(&band[k], x, y);
                    fputc((int)((p > 1.0 ? 1.0 : p) * 255.0 + 0.5), f);
                }
            }
        }
    }
    rc = 0;
done:
    for (int k = 0; k < 3; k++) {
        hc_plane_release(&band[k]);
    }
    return fclose(f) != 0 || rc;
}

int main(int argc, char **argv)
{
    struct hc_par *par = NULL;
    struct hc_demo *d = NULL;
    struct hc_err err;
    if (argc < 3) {
        fprintf(stderr, "usage: demo_dump WIDTH DIRECTORY [SEED [THREADS [VIEW...]]]\n");
        return 2;
    }
    int w = atoi(argv[1]), h = w * 6 / 5, rc = 0;
    uint64_t seed = argc > 3 ? strtoull(argv[3], NULL, 10) : 1;
    if (hc_par_create(&par, argc > 4 ? atoi(argv[4]) : 2, &err) != HC_OK ||
        hc_demo_create(&d, w, h, seed, par, NULL, &err) != HC_OK) {
        rc = tell(&err);
    }
    for (int v = 0; d && v < HC_DEMO_VIEW_COUNT; v++) {
        bool wanted = argc <= 5;
        for (int i = 5; i < argc; i++) {
            wanted = wanted || atoi(argv[i]) == v;
        }
        if (wanted) {
            rc |= dump(d, (enum hc_demo_view)v, w, h, argv[2]);
        }
    }
    hc_demo_destroy(d);
    hc_par_destroy(par);
    return rc;
}
