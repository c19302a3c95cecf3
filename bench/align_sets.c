#include "align_sets.h"

#include <math.h>
#include <string.h>

static void look(struct align_view *v, int w, int h, double turn, double scale, double shift_x,
                 double shift_y, struct hc_rng *r)
{
    double dx = hc_rng_range(r, -shift_x, shift_x), dy = hc_rng_range(r, -shift_y, shift_y);
    v->frame_to_view = align_scene_homog(w, h, turn, scale, dx, dy, hc_rng_range(r, -0.002, 0.002));
    v->w = w;
    v->h = h;
}

static void plain(struct align_view *v, int w, int h, struct hc_rng *r)
{
    double turn = hc_rng_range(r, -1, 1);
    look(v, w, h, turn, hc_rng_range(r, 0.99, 1.01), 24, 24, r);
}

static void bend(struct align_view *v, int w, int h, struct hc_rng *r)
{
    plain(v, w, h, r);
    v->bend = (struct align_bend){1.5, 450};
}

// Barrel or cushion: 1 to 4 % at the corners.
static void lens(struct align_view *v, int w, int h, struct hc_rng *r)
{
    plain(v, w, h, r);
    v->lens.k1 = hc_rng_range(r, 0.01, 0.04) * (hc_rng_below(r, 2) ? 1 : -1);
    v->lens.k2 = hc_rng_range(r, -0.01, 0.01);
}

static void turned(struct align_view *v, int w, int h, struct hc_rng *r)
{
    double turn = hc_rng_range(r, -180, 180);
    look(v, w, h, turn, hc_rng_range(r, 0.95, 1.05), 24, 24, r);
    v->border = 1; // beyond the painting the view is blank
}

static void mirrored(struct align_view *v, int w, int h, struct hc_rng *r)
{
    struct hc_homog flip = {{-1, 0, w, 0, 1, 0, 0, 0, 1}};
    turned(v, w, h, r);
    v->frame_to_view = hc_homog_compose(&v->frame_to_view, &flip);
}

// The whole painting in fewer pixels, with a little beyond it.
static void small(struct align_view *v, int w, int h, struct hc_rng *r)
{
    double scale = exp(hc_rng_range(r, log(0.25), log(0.9))), turn = hc_rng_range(r, -3, 3);
    int vw = (int)lrint(w * scale * 1.02), vh = (int)lrint(h * scale * 1.02);
    struct hc_homog crop = {{1, 0, (vw - w) / 2.0, 0, 1, (vh - h) / 2.0, 0, 0, 1}};
    look(v, w, h, turn, scale, 10, 10, r);
    v->frame_to_view = hc_homog_compose(&crop, &v->frame_to_view);
    v->w = vw;
    v->h = vh;
    v->border = 1;
}

// The whole painting somewhere in a view that shows more.
static void wide(struct align_view *v, int w, int h, struct hc_rng *r)
{
    double scale = exp(hc_rng_range(r, log(0.3), log(0.9))), turn = hc_rng_range(r, -3, 3);
    look(v, w, h, turn, scale, w * (1 - scale) / 2.2, h * (1 - scale) / 2.2, r);
    v->border = 1;
}

// A passage of the painting in more pixels.
static void detail_to(struct align_view *v, int w, int h, struct hc_rng *r, double most, double by)
{
    double scale = exp(hc_rng_range(r, log(1.2), log(most))), turn = hc_rng_range(r, -by, by);
    look(v, w, h, turn, scale, w * (scale - 1) / 2.2, h * (scale - 1) / 2.2, r);
}

static void detail(struct align_view *v, int w, int h, struct hc_rng *r)
{
    detail_to(v, w, h, r, 4, 3);
}

static void detail_turned(struct align_view *v, int w, int h, struct hc_rng *r)
{
    detail_to(v, w, h, r, 2.5, 180);
}

const struct bench_set bench_sets[] = {
    {"plain", plain, false},   {"bend", bend, false},        {"lens", lens, false},
    {"turned", turned, false}, {"mirrored", mirrored, true}, {"small", small, false},
    {"wide", wide, false},     {"detail", detail, false},    {"turndet", detail_turned, false},
};
const size_t bench_sets_n = sizeof bench_sets / sizeof *bench_sets;

bool bench_is_listed(const char *list, const char *name)
{
    size_t n = strlen(name);
    for (const char *p = list; p && *p; p += strcspn(p, ","), p += *p == ',') {
        if (strncmp(p, name, n) == 0 && (p[n] == ',' || p[n] == 0)) {
            return true;
        }
    }
    return !list;
}
