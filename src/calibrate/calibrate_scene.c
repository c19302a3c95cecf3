#include "calibrate/calibrate_scene.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"
#include "num/filter.h"

bool hc_scene_read(struct hc_readings *out, const char *root, const char *path)
{
    char full[1024];
    size_t most = (size_t)1 << 18;
    char *text = hc_mem_alloc(most);
    snprintf(full, sizeof full, "%s/%s", root, path);
    FILE *f = text ? fopen(full, "rb") : NULL;
    struct hc_err err = {0};
    bool is_read = false;
    if (f) {
        size_t n = fread(text, 1, most, f);
        fclose(f);
        is_read = hc_readings_read(out, text, n, &err) == HC_OK;
    }
    if (!is_read) {
        fprintf(stderr, "%s: %s\n", full, f ? err.what : "cannot be read");
    }
    hc_mem_free(text);
    return is_read;
}

bool hc_scene_load(struct hc_scene_data *out, const char *root)
{
    *out = (struct hc_scene_data){0};
    return hc_scene_read(&out->chart, root, "tests/data/chart24_average_reflectance.csv") &&
           hc_scene_read(&out->cameras, root, "tests/data/camera_sensitivities.csv") &&
           hc_target_make(&out->target, &out->chart, 4, 6, NULL) == HC_OK;
}

void hc_scene_release(struct hc_scene_data *s)
{
    hc_readings_release(&s->chart);
    hc_readings_release(&s->cameras);
}

void hc_scene_camera(double (*rgb)[3], const struct hc_scene_data *s, const struct hc_readings *r,
                     int camera, const char *light)
{
    size_t column = 0;
    double white[3] = {0.0};
    for (size_t i = 0; hc_light_name(i); i++) {
        column = strcmp(hc_light_name(i), light) ? column : i;
    }
    memset(rgb, 0, r->n * sizeof *rgb);
    for (size_t b = 0; b < r->bands; b++) {
        double nm = r->nm0 + r->step_nm * (double)b;
        long at = lround((nm - s->cameras.nm0) / s->cameras.step_nm),
             lamp = lround((nm - 380.0) / 5.0);
        if (at < 0 || at >= (long)s->cameras.bands || lamp < 0 || lamp >= HC_LIGHT_NM5) {
            continue;
        }
        for (int k = 0; k < 3; k++) {
            double v = s->cameras.reading[3 * camera + k].r[at] * hc_light_5nm[lamp][column];
            white[k] += v;
            for (size_t i = 0; i < r->n; i++) {
                rgb[i][k] += v * r->reading[i].r[b];
            }
        }
    }
    for (size_t i = 0; i < r->n; i++) {
        for (int k = 0; k < 3; k++) {
            rgb[i][k] /= white[k];
        }
    }
}

struct hc_scene_picture hc_scene_plain(int w, int h, double size_px, double turn_deg, int rows,
                                       int cols)
{
    struct hc_scene_picture p = {.w = w,
                                 .h = h,
                                 .gap = 0.12,
                                 .blur_px = 0.7,
                                 .noise = 0.004,
                                 .surround = {0.03, 0.03, 0.03},
                                 .border = {0.18, 0.17, 0.15},
                                 .seed = 1};
    double c = cos(turn_deg * 0.017453292519943295), s = sin(turn_deg * 0.017453292519943295);
    for (int i = 0; i < 4; i++) {
        double x = (i == 0 || i == 3 ? -0.5 : 0.5) * (double)(cols - 1) * size_px;
        double y = (i < 2 ? -0.5 : 0.5) * (double)(rows - 1) * size_px;
        p.corner[i] = (struct hc_pt){0.5 * w + c * x - s * y, 0.5 * h + s * x + c * y};
    }
    return p;
}

static const double *colour_at(const struct hc_scene_picture *p, const double (*rgb)[3], int rows,
                               int cols, struct hc_pt g)
{
    if (g.x < -0.25 || g.y < -0.25 || g.x > cols + 0.25 || g.y > rows + 0.25) {
        return p->border;
    }
    double i = floor(g.x), j = floor(g.y), half = 0.5 - 0.5 * p->gap;
    if (i < 0.0 || j < 0.0 || i >= cols || j >= rows || fabs(g.x - i - 0.5) > half ||
        fabs(g.y - j - 0.5) > half) {
        return p->surround;
    }
    return rgb[(int)j * cols + (int)i];
}

hc_status hc_scene_draw(struct hc_lin3 *out, const struct hc_scene_picture *p,
                        const double (*rgb)[3], int rows, int cols, struct hc_err *err)
{
    struct hc_homog to_px, to_grid;
    struct hc_rng rng = hc_rng_make(p->seed);
    hc_status st = hc_place_homog(&to_px, p->corner, rows, cols, err);
    if (st == HC_OK) {
        st = hc_homog_invert(&to_grid, &to_px, err);
    }
    if (st == HC_OK) {
        st = hc_lin3_create(out, p->w, p->h, err);
    }
    for (int y = 0; st == HC_OK && y < p->h; y++) {
        for (int x = 0; x < p->w; x++) {
            double sum[3] = {0.0};
            for (int s = 0; s < 9; s++) {
                struct hc_pt q = {x + (s % 3 + 0.5) / 3.0, y + (s / 3 + 0.5) / 3.0};
                const double *c = colour_at(p, rgb, rows, cols, hc_homog_apply(&to_grid, q));
                for (int k = 0; k < 3; k++) {
                    sum[k] += c[k] / 9.0;
                }
            }
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&out->ch[k], y)[x] = (float)sum[k];
            }
        }
    }
    for (int k = 0; st == HC_OK && k < 3; k++) {
        if (p->blur_px > 0.0) {
            st = hc_filter_gauss(&out->ch[k], &out->ch[k], p->blur_px, err);
        }
        for (int y = 0; st == HC_OK && p->noise > 0.0 && y < p->h; y++) {
            float *row = hc_plane_row(&out->ch[k], y);
            for (int x = 0; x < p->w; x++) {
                double v = (double)row[x];
                row[x] = (float)(v + p->noise * sqrt(fmax(v, 0.0) + 0.01) * hc_rng_normal(&rng));
            }
        }
    }
    return st;
}
