// Raking views of surfaces whose truth is known, for the end-to-end tests: written apart from the
// program, with none of its code.
//   relief_make spheres DIR   a textured board, two mirror spheres and a matte one, near and far
//   lamps relief_make near DIR      a flat panel with a shallow ripple under eight near lamps; its
//   boards relief_make film DIR      a varnished surface, crossed and parallel, near the axis and
//   raking relief_make bare DIR      the same paint without a film
// Views are 16-bit grey PGM encoded by the sRGB curve (IEC 61966-2-1); truth goes to standard
// output as NAME=VALUE. Axes: x right, y up, z to the viewer; the camera looks along z from far
// away.
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979
#define MAX_PX (800 * 600)
#define WAVES 120
#define INDEX 1.5

struct v3 {
    double x, y, z;
};

static uint64_t seed = 1;
static double view[MAX_PX], other[MAX_PX];

static double uniform(void)
{
    seed = seed * 6364136223846793005u + 1442695040888963407u;
    return ((double)(seed >> 11) + 0.5) / 9007199254740992.0;
}

static double normal(void)
{
    double a = uniform(), b = uniform();
    return sqrt(-2 * log(a)) * cos(2 * PI * b);
}

static struct v3 unit(double x, double y, double z)
{
    double n = sqrt(x * x + y * y + z * z);
    return (struct v3){x / n, y / n, z / n};
}

static double dot(struct v3 a, struct v3 b)
{
    return a.x * b.x + a.y * b.y + a.z * b.z;
}

static struct v3 of_slopes(double p, double q)
{
    return unit(-p, -q, 1);
}

static struct v3 of_angles(double azimuth, double zenith)
{
    double a = azimuth * PI / 180, z = zenith * PI / 180;
    return (struct v3){sin(z) * cos(a), sin(z) * sin(a), cos(z)};
}

static int save(const char *dir, const char *name, const double *v, int w, int h)
{
    char path[4096];
    FILE *f;
    snprintf(path, sizeof path, "%s/%s.pgm", dir, name);
    f = fopen(path, "wb");
    if (!f) {
        return 1;
    }
    fprintf(f, "P5\n%d %d\n65535\n", w, h);
    for (int i = 0; i < w * h; i++) {
        double l = fmin(1, fmax(0, v[i]));
        double e = l <= 0.0031308 ? 12.92 * l : 1.055 * pow(l, 1 / 2.4) - 0.055;
        unsigned u = (unsigned)(65535 * e + 0.5);
        fputc((int)(u >> 8), f);
        fputc((int)(u & 255), f);
    }
    return fclose(f) != 0;
}

// Reflectance of the board: soft spots, the same in every view.
static double paint_of(int x, int y)
{
    return 0.5 + 0.1 * sin(0.031 * x + 1.3 * sin(0.017 * y)) +
           0.08 * sin(0.043 * y + sin(0.023 * x)) +
           0.05 * sin(0.19 * x + 0.11 * y) * sin(0.07 * x - 0.15 * y);
}

// ---- spheres beside a board, 0.1 mm per px ----

struct ball {
    double x, y, r; // px, y down
    int is_matte;
};
static const struct ball balls[3] = {{90, 90, 60, 0}, {710, 500, 60, 0}, {120, 480, 80, 1}};

// A lamp seen in a mirror: a round spot of 3 degrees.
static double mirrored(struct v3 n, struct v3 at, struct v3 lamp, int is_near)
{
    struct v3 l = is_near ? unit(lamp.x - at.x, lamp.y - at.y, lamp.z - at.z) : lamp;
    struct v3 r = {2 * n.z * n.x, 2 * n.z * n.y, 2 * n.z * n.z - 1};
    return 0.02 + (dot(r, l) > cos(3 * PI / 180) ? 0.8 : 0);
}

static double board_at(int x, int y, struct v3 lamp, int is_near)
{
    const double mm = 0.1, w = 800, h = 600;
    for (int k = 0; k < 3; k++) {
        const struct ball *b = &balls[k];
        double d = hypot(x + 0.5 - b->x, y + 0.5 - b->y), sum = 0;
        if (d > b->r + 1) {
            continue;
        }
        for (int i = 0; i < 16; i++) { // 4 x 4 points of the pixel
            double px = x + (i % 4 + 0.5) / 4, py = y + (i / 4 + 0.5) / 4;
            double nx = (px - b->x) / b->r, ny = -(py - b->y) / b->r, nn = 1 - nx * nx - ny * ny;
            struct v3 n = {nx, ny, sqrt(fmax(0, nn))};
            struct v3 at = {(px - w / 2) * mm, (h / 2 - py) * mm, b->r * mm * (1 + n.z)};
            struct v3 far = unit(lamp.x, lamp.y, lamp.z);
            sum += nn <= 0       ? 0.2
                   : b->is_matte ? 0.8 * fmax(0, dot(n, far))
                                 : mirrored(n, at, is_near ? lamp : far, is_near);
        }
        return sum / 16;
    }
    struct v3 at = {(x + 0.5 - w / 2) * mm, (h / 2 - y - 0.5) * mm, 0};
    struct v3 l =
        is_near ? unit(lamp.x - at.x, lamp.y - at.y, lamp.z) : unit(lamp.x, lamp.y, lamp.z);
    return paint_of(x, y) * l.z;
}

static int spheres(const char *dir)
{
    const int w = 800, h = 600;
    int bad = 0;
    for (int k = 0; k < 8; k++) {
        struct v3 d = of_angles(45 * (k % 4) + 20, k < 4 ? 50 : 60);
        int is_near = k < 4;
        char name[32];
        struct v3 lamp = {d.x * 300, d.y * 300, d.z * 300};
        for (int i = 0; i < w * h; i++) {
            view[i] = board_at(i % w, i / w, lamp, is_near) + 0.0008 * normal();
        }
        snprintf(name, sizeof name, is_near ? "near%d" : "far%d", k % 4);
        bad |= save(dir, name, view, w, h);
    }
    return bad;
}

// ---- a flat panel of 400 x 300 mm under near lamps, 0.5 mm per px ----

static void near_view(double *v, struct v3 lamp, int is_board)
{
    const double mm = 0.5, r2 = dot(lamp, lamp);
    for (int i = 0; i < 800 * 600; i++) {
        int x = i % 800, y = i / 800;
        double px = (x + 0.5 - 400) * mm, py = (300 - y - 0.5) * mm;
        struct v3 n = is_board
                          ? of_slopes(0, 0)
                          : of_slopes(0.06 * cos(2 * PI * px / 10), 0.04 * cos(2 * PI * py / 14));
        struct v3 to = {lamp.x - px, lamp.y - py, lamp.z};
        double d2 = dot(to, to), c = dot(n, to) / sqrt(d2);
        v[i] = (is_board ? 0.5 : paint_of(x, y)) * 0.9 * fmax(0, c) * r2 / d2;
        v[i] = v[i] * 0.6 + 0.0006 * normal();
    }
}

static int near_lamps(const char *dir)
{
    int bad = 0;
    for (int k = 0; k < 8; k++) {
        struct v3 d = of_angles(45 * k, 55), lamp = {d.x * 900, d.y * 900, d.z * 900};
        char name[32];
        near_view(view, lamp, 0);
        near_view(other, lamp, 1);
        snprintf(name, sizeof name, "panel%d", k);
        bad |= save(dir, name, view, 800, 600);
        snprintf(name, sizeof name, "board%d", k);
        bad |= save(dir, name, other, 800, 600);
        printf("lamp%d=%.3f,%.3f,%.3f\n", k, lamp.x, lamp.y, lamp.z);
    }
    return bad;
}

static int ring(const char *dir)
{
    int bad = 0, n = 800 * 600;
    for (int k = 0; k < 8; k++) {
        struct v3 d = of_angles(45 * k, 60), lamp = {d.x * 1e6, d.y * 1e6, d.z * 1e6};
        char name[32];
        near_view(view, lamp, 0);
        snprintf(name, sizeof name, "ring%d", k);
        bad |= save(dir, name, view, 800, 600);
    }
    for (int i = 0; i < n; i++) {
        other[i] = 0;
    }
    bad |= save(dir, "black", other, 800, 600);
    for (int i = 0; i < n; i++) {
        other[i] = 8 * view[i];
    }
    bad |= save(dir, "burnt", other, 800, 600);
    for (int i = 0; i < n; i++) {
        other[i] = 0.4 * view[i];
    }
    bad |= save(dir, "dim", other, 800, 600);
    for (int i = 0; i < n; i++) { // 13 px to the side and 9 down: not where it says
        int x = i % 800 + 13, y = i / 800 + 9;
        other[i] = view[(y < 600 ? y : 599) * 800 + (x < 800 ? x : 799)];
    }
    return bad | save(dir, "shifted", other, 800, 600);
}

// ---- paint under a film, 0.05 mm per px, 160 x 160 px ----

#define FILM_SIDE 160
struct waves {
    double kx[WAVES], ky[WAVES], a[WAVES], phase[WAVES], kept[WAVES];
};

// Details of 0.25 to 2.4 mm, rms slope 0.165; the film keeps 1 - 0.75 / (1 + (length / 0.9 mm)^4).
static struct waves make_waves(void)
{
    struct waves w = {0};
    for (int i = 0; i < WAVES; i++) {
        double length = 0.25 * pow(2.4 / 0.25, uniform()), turn = 2 * PI * uniform();
        double k = 2 * PI / length;
        w.kx[i] = k * cos(turn);
        w.ky[i] = k * sin(turn);
        w.phase[i] = 2 * PI * uniform();
        w.a[i] = 0.165 * sqrt(2.0 / WAVES) / k;
        w.kept[i] = 1 - 0.75 / (1 + pow(length / 0.9, 4));
    }
    return w;
}

static void slopes_at(const struct waves *w, int i, double paint[2], double film[2])
{
    double x = (i % FILM_SIDE + 0.5) * 0.05, y = -(i / FILM_SIDE + 0.5) * 0.05;
    paint[0] = paint[1] = film[0] = film[1] = 0;
    for (int k = 0; k < WAVES; k++) {
        double s = -w->a[k] * sin(w->kx[k] * x + w->ky[k] * y + w->phase[k]);
        paint[0] += s * w->kx[k];
        paint[1] += s * w->ky[k];
        film[0] += w->kept[k] * s * w->kx[k];
        film[1] += w->kept[k] * s * w->ky[k];
    }
}

// Share let through by the surface, unpolarised (Fresnel).
static double through(double ci)
{
    double ct = sqrt(1 - (1 - ci * ci) / (INDEX * INDEX));
    double s = (ci - INDEX * ct) / (ci + INDEX * ct), p = (INDEX * ci - ct) / (INDEX * ci + ct);
    return 1 - 0.5 * (s * s + p * p);
}

// Exact refraction into the film, irradiance on the paint, refraction out; the highlight of the
// film (Walter and others, EGSR 2007: GGX, roughness 0.1, F/4 D seen from above).
static void film_px(double *crossed, double *parallel, const double paint[2], const double film[2],
                    struct v3 l, int is_bare)
{
    struct v3 p = of_slopes(paint[0], paint[1]), m = of_slopes(film[0], film[1]);
    struct v3 h = unit(l.x, l.y, l.z + 1);
    double ci = dot(l, m), ct, light, hm = dot(h, m), t2, d;
    if (is_bare) {
        *crossed = *parallel = fmax(0, dot(l, p)) / PI;
        return;
    }
    if (ci <= 0) {
        *crossed = *parallel = 0;
        return;
    }
    ct = sqrt(1 - (1 - ci * ci) / (INDEX * INDEX));
    struct v3 in = {l.x / INDEX + (ct - ci / INDEX) * m.x, l.y / INDEX + (ct - ci / INDEX) * m.y,
                    l.z / INDEX + (ct - ci / INDEX) * m.z};
    light = through(ci) * ci / ct * fmax(0, dot(p, in));
    *crossed = light * through(m.z) / (INDEX * INDEX) / PI;
    t2 = 1 / (hm * hm) - 1;
    d = 0.01 / (PI * hm * hm * hm * hm * (0.01 + t2) * (0.01 + t2));
    *parallel = *crossed + 0.04 * d / 4;
}

// 16 lamps within 26 degrees of the camera's axis, then 6 at 55 and 6 at 70 degrees from it.
static struct v3 film_lamp(int k)
{
    return k < 16 ? of_angles(137.508 * k, 26 * sqrt((k + 0.5) / 16))
                  : of_angles(60 * (k - 16), k < 22 ? 55 : 70);
}

static int film(const char *dir, int is_bare)
{
    struct waves w = make_waves();
    double ab = 0, aa = 0;
    int bad = 0, n = FILM_SIDE * FILM_SIDE;
    static double paint[FILM_SIDE * FILM_SIDE][2], over[FILM_SIDE * FILM_SIDE][2];
    for (int i = 0; i < n; i++) {
        slopes_at(&w, i, paint[i], over[i]);
        ab += paint[i][0] * over[i][0] + paint[i][1] * over[i][1];
        aa += paint[i][0] * paint[i][0] + paint[i][1] * paint[i][1];
    }
    printf("retained=%.4f\n", ab / aa);
    for (int k = 0; k < 28; k++) {
        struct v3 l = film_lamp(k);
        char name[32];
        for (int i = 0; i < n; i++) {
            double rho = paint_of(i % FILM_SIDE, i / FILM_SIDE), c, g;
            film_px(&c, &g, paint[i], over[i], l, is_bare);
            // Crossed and parallel polarisers share the paint's light; the highlight keeps its own.
            view[i] = 2.2 * rho * c;
            other[i] = view[i] + 2.2 * (g - c);
            view[i] += sqrt(view[i] / 30000) * normal();
            other[i] += sqrt(other[i] / 30000) * normal();
        }
        snprintf(name, sizeof name, "c%02d", k);
        bad |= save(dir, name, view, FILM_SIDE, FILM_SIDE);
        snprintf(name, sizeof name, "p%02d", k);
        bad |= save(dir, name, other, FILM_SIDE, FILM_SIDE);
        printf("lamp%02d=%.4f,%.4f\n", k, atan2(l.y, l.x) * 180 / PI, asin(l.z) * 180 / PI);
    }
    return bad;
}

int main(int argc, char **argv)
{
    const char *kind = argc == 3 ? argv[1] : "";
    int bad = strcmp(kind, "spheres") == 0 ? spheres(argv[2])
              : strcmp(kind, "near") == 0  ? near_lamps(argv[2])
              : strcmp(kind, "ring") == 0  ? ring(argv[2])
              : strcmp(kind, "film") == 0  ? film(argv[2], 0)
              : strcmp(kind, "bare") == 0  ? film(argv[2], 1)
                                           : 2;
    if (bad) {
        fprintf(stderr, "relief_make spheres|near|ring|film|bare DIR\n");
    }
    return bad;
}
