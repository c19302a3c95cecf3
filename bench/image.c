// How fast pictures come in, are placed, tiled and go out, and how much memory that takes.
// bench_image [WIDTH HEIGHT [THREADS [FOLDER]]]: makes a 16-bit picture of that size in FOLDER
// (default 5000 x 4000, 1, /tmp), measures each step, prints one CSV line per step and removes
// everything.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

#include "image/image.h"

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double cpu(void)
{
    struct rusage a, b;
    getrusage(RUSAGE_SELF, &a);
    getrusage(RUSAGE_CHILDREN, &b);
    return (double)(a.ru_utime.tv_sec + a.ru_stime.tv_sec + b.ru_utime.tv_sec + b.ru_stime.tv_sec) +
           1e-6 * (double)(a.ru_utime.tv_usec + a.ru_stime.tv_usec + b.ru_utime.tv_usec +
                           b.ru_stime.tv_usec);
}

// Paint-like: slow colour changes, strokes and grain.
static hc_status rows(void *ctx, int y0, struct hc_plane *bands, struct hc_err *err)
{
    (void)ctx;
    (void)err;
    for (int c = 0; c < 3; c++) {
        for (int y = 0; y < bands[c].h; y++) {
            float *row = hc_plane_row(&bands[c], y);
            for (int x = 0; x < bands[c].w; x++) {
                int stroke = (x / 37 + (y0 + y) / 23 * 31 + c * 7) % 64;
                unsigned grain = (unsigned)(x * 73856093) ^ (unsigned)((y0 + y) * 19349663 + c);
                row[x] = 0.15f + 0.01f * (float)stroke + 2e-4f * (float)(grain % 128);
            }
        }
    }
    return HC_OK;
}

struct step {
    const char *name;
    double t0, cpu0;
};

static struct step begin(const char *name)
{
    return (struct step){name, now(), cpu()};
}

static void end(struct step s, double mpx, hc_status st, const struct hc_err *err)
{
    struct rusage a, b;
    double wall = now() - s.t0, work = cpu() - s.cpu0;
    getrusage(RUSAGE_SELF, &a);
    getrusage(RUSAGE_CHILDREN, &b);
    if (st != HC_OK) {
        fprintf(stderr, "%s: %s\n", s.name, err->what);
        exit(1);
    }
    printf("%s,%.2f,%.2f,%.1f,%.1f,%ld,%ld\n", s.name, wall, work, mpx / wall, mpx / work,
           a.ru_maxrss / 1024, b.ru_maxrss / 1024);
    fflush(stdout);
}

int main(int argc, char **argv)
{
    static const struct hc_homog turn = {{0.9998, 0.0175, -20, -0.0175, 0.9998, 60, 1e-7, 0, 1}};
    int rc = hc_image_child_main(argc, argv);
    int w = argc > 2 ? atoi(argv[1]) : 5000, h = argc > 2 ? atoi(argv[2]) : 4000;
    int threads = argc > 3 ? atoi(argv[3]) : 1, k;
    const char *folder = argc > 4 ? argv[4] : "/tmp";
    double mpx = w * 1e-6 * h;
    char tiff[300], raster[300], placed[300], tiles[300], out[300];
    struct hc_raster *r = NULL, *p = NULL;
    struct hc_plane o[3] = {{0}};
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    struct step s;
    hc_status st;
    if (rc >= 0) {
        return rc;
    }
    snprintf(tiff, sizeof tiff, "%s/hc_bench_%d.tif", folder, (int)getpid());
    snprintf(raster, sizeof raster, "%s/hc_bench_%d.raster", folder, (int)getpid());
    snprintf(placed, sizeof placed, "%s/hc_bench_%d.placed", folder, (int)getpid());
    snprintf(tiles, sizeof tiles, "%s/hc_bench_%d.tiles", folder, (int)getpid());
    snprintf(out, sizeof out, "%s/hc_bench_%d.out.tif", folder, (int)getpid());
    st = hc_par_create(&par, threads, &err);
    printf("step,wall_s,cpu_s,mpx_per_wall_s,mpx_per_cpu_s,peak_mib,decoder_peak_mib\n");
    s = begin("write the test picture");
    st = st == HC_OK ? hc_image_write_tiff16(tiff, w, h, 3, rows, NULL, 300, NULL, &err) : st;
    end(s, mpx, st, &err);
    s = begin("read, convert, store");
    st = hc_image_to_raster(tiff, raster, NULL, NULL, NULL, &err);
    end(s, mpx, st, &err);
    st = hc_raster_open(&r, raster, &err);
    s = begin("overview 1024");
    st = st == HC_OK ? hc_raster_overview(r, 1024, o, &k, NULL, &err) : st;
    end(s, mpx, st, &err);
    for (int c = 0; c < 3; c++) {
        hc_plane_release(&o[c]);
    }
    s = begin("place, turned 1 degree");
    st = hc_raster_place(r, placed, &turn, NULL, w, h, NULL, par, NULL, &err);
    end(s, mpx, st, &err);
    st = hc_raster_open(&p, placed, &err);
    hc_raster_close(p);
    unlink(placed);
    s = begin("display tiles");
    st = st == HC_OK ? hc_tiles_make(r, HC_TILES_COLOUR, 0, 1, "", tiles, par, NULL, &err) : st;
    end(s, mpx, st, &err);
    unlink(tiles);
    s = begin("export sRGB 16 bit");
    st = hc_image_export(r, HC_EXPORT_SRGB16, out, "bench", NULL, &err);
    end(s, mpx, st, &err);
    s = begin("export CIELAB float");
    st = hc_image_export(r, HC_EXPORT_LAB, out, "bench", NULL, &err);
    end(s, mpx, st, &err);
    unlink(out);
    hc_raster_close(r);
    unlink(raster);
    unlink(tiff);
    hc_par_destroy(par);
    return 0;
}
