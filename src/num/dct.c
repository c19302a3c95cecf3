#include "num/dct.h"

#include <fftw3.h>
#include <string.h>

#include "base/mem.h"
#include "num/fftw_lock.h"

#define COLUMNS 16 // gathered at once: one cache line of floats per row

struct hc_dct2 {
    int w, h;
    fftwf_plan row[2], column[2]; // forward, inverse; one line of w or h
    float *gather;                // COLUMNS * h floats per block of column groups
};

struct pass {
    const struct hc_dct2 *dct;
    struct hc_plane *z;
    int way;
};

static fftwf_plan plan_line(int n, fftwf_r2r_kind kind)
{
    float *line = hc_mem_array((size_t)n, sizeof *line);
    fftwf_plan plan = NULL;
    if (line) {
        hc_fftw_lock();
        // Rows of a plane need not be aligned.
        plan = fftwf_plan_r2r_1d(n, line, line, kind, FFTW_ESTIMATE | FFTW_UNALIGNED);
        hc_fftw_unlock();
    }
    hc_mem_free(line);
    return plan;
}

// hc_par_rows hands out 64 rows at a time; a group of columns is given as that many.
static int groups(const struct hc_dct2 *dct)
{
    return (dct->w + COLUMNS - 1) / COLUMNS;
}

hc_status hc_dct2_create(struct hc_dct2 **out, int w, int h, struct hc_err *err)
{
    struct hc_dct2 *dct;
    *out = NULL;
    if (w < 2 || h < 2 || w > 32768 || h > 32768) {
        return hc_err_set(err, HC_ERANGE, "num",
                          "a cosine transform of %d x %d; sides go from 2 to 32768", w, h);
    }
    dct = hc_mem_array(1, sizeof *dct);
    if (!dct) {
        return hc_err_set(err, HC_ENOMEM, "num", "out of memory for a cosine transform");
    }
    dct->w = w;
    dct->h = h;
    dct->gather =
        hc_mem_array((size_t)hc_par_blocks(groups(dct)) * COLUMNS * (size_t)h, sizeof *dct->gather);
    dct->row[0] = plan_line(w, FFTW_REDFT10);
    dct->row[1] = plan_line(w, FFTW_REDFT01);
    dct->column[0] = plan_line(h, FFTW_REDFT10);
    dct->column[1] = plan_line(h, FFTW_REDFT01);
    if (!dct->gather || !dct->row[0] || !dct->row[1] || !dct->column[0] || !dct->column[1]) {
        hc_dct2_destroy(dct);
        return hc_err_set(err, HC_ENOMEM, "num", "out of memory for a cosine transform of %d x %d",
                          w, h);
    }
    *out = dct;
    return HC_OK;
}

void hc_dct2_destroy(struct hc_dct2 *dct)
{
    if (!dct) {
        return;
    }
    hc_fftw_lock();
    for (int i = 0; i < 2; i++) {
        if (dct->row[i]) {
            fftwf_destroy_plan(dct->row[i]);
        }
        if (dct->column[i]) {
            fftwf_destroy_plan(dct->column[i]);
        }
    }
    hc_fftw_unlock();
    hc_mem_free(dct->gather);
    hc_mem_free(dct);
}

static void row_block(void *ctx, int block, int y0, int y1)
{
    const struct pass *p = ctx;
    (void)block;
    for (int y = y0; y < y1; y++) {
        float *line = hc_plane_row(p->z, y);
        fftwf_execute_r2r(p->dct->row[p->way], line, line);
    }
}

static void column_block(void *ctx, int block, int g0, int g1)
{
    const struct pass *p = ctx;
    int h = p->dct->h;
    float *buf = p->dct->gather + (size_t)block * COLUMNS * (size_t)h;
    for (int g = g0; g < g1; g++) {
        int x0 = g * COLUMNS, n = p->dct->w - x0 < COLUMNS ? p->dct->w - x0 : COLUMNS;
        for (int y = 0; y < h; y++) {
            const float *row = hc_plane_row(p->z, y) + x0;
            for (int i = 0; i < n; i++) {
                buf[(size_t)i * (size_t)h + (size_t)y] = row[i];
            }
        }
        for (int i = 0; i < n; i++) {
            float *line = buf + (size_t)i * (size_t)h;
            fftwf_execute_r2r(p->dct->column[p->way], line, line);
        }
        for (int y = 0; y < h; y++) {
            float *row = hc_plane_row(p->z, y) + x0;
            for (int i = 0; i < n; i++) {
                row[i] = buf[(size_t)i * (size_t)h + (size_t)y];
            }
        }
    }
}

static void run(const struct hc_dct2 *dct, struct hc_plane *z, struct hc_par *par, int way)
{
    struct pass p = {dct, z, way};
    hc_assert(z->w == dct->w && z->h == dct->h);
    hc_par_rows(par, dct->h, row_block, &p);
    hc_par_rows(par, groups(dct), column_block, &p);
}

void hc_dct2_forward(const struct hc_dct2 *dct, struct hc_plane *z, struct hc_par *par)
{
    run(dct, z, par, 0);
}

void hc_dct2_inverse(const struct hc_dct2 *dct, struct hc_plane *z, struct hc_par *par)
{
    run(dct, z, par, 1);
}
