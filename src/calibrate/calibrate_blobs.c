// Even, compact pieces of a picture: candidates for the patches of a target.
#include <math.h>
#include <stdlib.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"

#define AREA_MIN 12.0
// area / (12 sqrt(det of the covariance)) is 1 for every parallelogram, 0.87 for a triangle, 1.05
// for an ellipse, and far less for nets, bands with bends and ragged pieces.
#define COMPACT_MIN 0.88
#define COMPACT_MAX 1.10
#define LONGEST 3.0 // length over breadth

struct piece {
    double n, x, y, xx, yy, xy;
};

static int find_root(int *parent, int i)
{
    while (parent[i] != i) {
        parent[i] = parent[parent[i]];
        i = parent[i];
    }
    return i;
}

static bool is_even(const struct hc_plane tone[3], int x, int y, double step)
{
    for (int k = 0; k < 3; k++) {
        const float *row = hc_plane_row(&tone[k], y);
        double dx = (double)(row[x + 1] - row[x - 1]);
        double dy = (double)(row[x + tone[k].stride] - row[x - tone[k].stride]);
        if (!(fabs(dx) < step && fabs(dy) < step)) {
            return false;
        }
    }
    return true;
}

// 4-connected pieces by union of runs of even pixels; parent[y * w + x] = -1 where not even.
static void connect(int *parent, const struct hc_plane tone[3], double step)
{
    int w = tone[0].w, h = tone[0].h;
    for (int y = 0; y < h; y++) {
        for (int x = 0; x < w; x++) {
            int i = y * w + x;
            bool inside = x > 0 && y > 0 && x < w - 1 && y < h - 1;
            parent[i] = inside && is_even(tone, x, y, step) ? i : -1;
            if (parent[i] < 0) {
                continue;
            }
            for (int side = 0; side < 2; side++) {
                int other = side ? i - w : i - 1; // inside: both exist
                if (parent[other] >= 0) {
                    int a = find_root(parent, other), b = find_root(parent, i);
                    parent[a > b ? a : b] = a > b ? b : a;
                }
            }
        }
    }
}

static bool is_patch_like(struct hc_blob *out, const struct piece *p, double largest)
{
    double x = p->x / p->n, y = p->y / p->n;
    double xx = p->xx / p->n - x * x + 1.0 / 12.0, yy = p->yy / p->n - y * y + 1.0 / 12.0;
    double xy = p->xy / p->n - x * y, det = xx * yy - xy * xy;
    double half = 0.5 * (xx + yy), spread = sqrt(fmax(0.0, half * half - det));
    if (p->n < AREA_MIN || p->n > largest || !(det > 0.0)) {
        return false;
    }
    double compact = p->n / (12.0 * sqrt(det));
    *out = (struct hc_blob){x, y, p->n};
    return compact > COMPACT_MIN && compact < COMPACT_MAX &&
           half + spread < LONGEST * LONGEST * (half - spread);
}

static int by_area(const void *a, const void *b)
{
    const struct hc_blob *p = a, *q = b;
    return p->area > q->area   ? -1
           : p->area < q->area ? 1
           : p->y < q->y       ? -1
           : p->y > q->y       ? 1
                               : (p->x > q->x) - (p->x < q->x);
}

hc_status hc_blobs_find(struct hc_blob *blob, int *n, const struct hc_plane tone[3], double step,
                        double largest, struct hc_err *err)
{
    int w = tone[0].w, h = tone[0].h;
    size_t pixels = (size_t)w * (size_t)h, pieces = 0, most = 0;
    int *parent = hc_mem_array(pixels, sizeof *parent);
    struct piece *piece = NULL;
    struct hc_blob *all = NULL;
    *n = 0;
    if (parent) {
        connect(parent, tone, step);
        for (size_t i = 0; i < pixels; i++) {
            most += parent[i] == (int)i;
        }
        piece = hc_mem_array(most + 1, sizeof *piece);
        all = hc_mem_array(most + 1, sizeof *all);
    }
    if (!piece || !all) {
        hc_mem_free(parent);
        hc_mem_free(piece);
        hc_mem_free(all);
        return hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM,
                          "no memory to look for a target in "
                          "%d x %d px",
                          w, h);
    }
    // A root is the first pixel of its piece: it gets the next number, kept as -2 - number.
    for (size_t i = 0; i < pixels; i++) {
        if (parent[i] < 0) {
            continue;
        }
        int at = (int)i;
        while (parent[at] >= 0 && parent[at] != at) {
            at = parent[at];
        }
        size_t number = parent[at] == at ? pieces++ : (size_t)(-2 - parent[at]);
        parent[at] = -2 - (int)number;
        if (at != (int)i) {
            parent[i] = -2 - (int)number;
        }
        struct piece *p = &piece[number];
        double x = (double)(i % (size_t)w) + 0.5, y = (double)(i / (size_t)w) + 0.5;
        p->n += 1.0;
        p->x += x;
        p->y += y;
        p->xx += x * x;
        p->yy += y * y;
        p->xy += x * y;
    }
    for (size_t i = 0; i < pieces; i++) {
        if (is_patch_like(&all[*n], &piece[i], largest)) {
            ++*n;
        }
    }
    qsort(all, (size_t)*n, sizeof *all, by_area);
    *n = *n < HC_BLOBS_MAX ? *n : HC_BLOBS_MAX;
    for (int i = 0; i < *n; i++) {
        blob[i] = all[i];
    }
    hc_mem_free(parent);
    hc_mem_free(piece);
    hc_mem_free(all);
    return HC_OK;
}
