#include "scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "base/rng.h"
#include "colour/colour.h"
#include "num/filter.h"
#include "num/linear.h"

#define N HC_SPECTRUM_N
#define REGIONS 70
#define PATCHES 24
#define PAINTS_MAX 128

struct hc_paints {
    size_t n;
    double ks[PAINTS_MAX][N]; // K/S of the bulk paint
    double light[PAINTS_MAX]; // mean internal reflectance
    double patch[PATCHES][N];
};

// ---- measured data ------------------------------------------------------------------------------

static double ks_of(double rho)
{
    return (1 - rho) * (1 - rho) / (2 * rho);
}

static double rho_of(double ks)
{
    return 1 + ks - sqrt(ks * ks + 2 * ks);
}

// Over-white drawdowns. The readings include about 4 % of first-surface light; it is taken off by
// the inverse of Saunderson's formula before Kubelka-Munk.
static hc_status read_paints(struct hc_paints *p, FILE *f, struct hc_err *err)
{
    char line[1024];
    while (fgets(line, sizeof line, f) && p->n < PAINTS_MAX) {
        char *at = line, *name = strsep(&at, "\t");
        size_t len = strlen(name);
        if (len < 3 || strcmp(name + len - 3, "_ow") != 0) {
            continue;
        }
        for (int b = 0; b < N; b++) {
            double r = strtod(at, &at) / 100, rho;
            rho = hc_surface_saunderson_inverse(r, 0.04, 0.5963, 0.04);
            rho = rho < 0.004 ? 0.004 : rho > 0.97 ? 0.97 : rho;
            p->ks[p->n][b] = ks_of(rho);
            p->light[p->n] += rho / N;
        }
        p->n++;
    }
    return p->n >= 60 ? HC_OK
                      : hc_err_set(err, HC_EDATA, "bench", "only %zu paints could be read", p->n);
}

static hc_status read_patches(struct hc_paints *p, FILE *f, struct hc_err *err)
{
    char line[1024];
    int got = 0;
    while (fgets(line, sizeof line, f)) {
        char *at = line;
        int nm = (int)strtol(line, &at, 10), b = (nm - 400) / 10;
        if (nm < 400 || nm > 700 || nm % 10 != 0) {
            continue;
        }
        for (int k = 0; k < PATCHES && *at == ','; k++) {
            p->patch[k][b] = strtod(at + 1, &at);
        }
        got++;
    }
    return got == N ? HC_OK : hc_err_set(err, HC_EDATA, "bench", "the chart has %d bands", got);
}

hc_status hc_paints_load(struct hc_paints **out, const char *root, struct hc_err *err)
{
    static const char *const name[2] = {"oilpaint_reflectance_cc0.txt",
                                        "chart24_average_reflectance.csv"};
    struct hc_paints *p = hc_mem_array(1, sizeof *p);
    hc_status st = p ? HC_OK : hc_err_set(err, HC_ENOMEM, "bench", "out of memory for paints");
    for (int i = 0; i < 2 && st == HC_OK; i++) {
        char path[1024];
        FILE *f;
        snprintf(path, sizeof path, "%s/tests/data/%s", root, name[i]);
        f = fopen(path, "r");
        if (!f) {
            st = hc_err_set(err, HC_EIO, "bench", "cannot open %s", path);
            break;
        }
        st = i ? read_patches(p, f, err) : read_paints(p, f, err);
        fclose(f);
    }
    if (st != HC_OK) {
        hc_paints_free(p);
        return st;
    }
    *out = p;
    return HC_OK;
}

void hc_paints_free(struct hc_paints *p)
{
    hc_mem_free(p);
}

// ---- fields -------------------------------------------------------------------------------------

// Gaussian-filtered white noise, scaled to mean 0, sd 1.
static hc_status smooth_noise(struct hc_plane *f, struct hc_rng *rng, double sigma,
                              struct hc_err *err)
{
    double sum = 0, sq = 0, n = (double)f->w * f->h;
    hc_status st;
    for (int y = 0; y < f->h; y++) {
        for (int x = 0; x < f->w; x++) {
            hc_plane_row(f, y)[x] = (float)hc_rng_normal(rng);
        }
    }
    st = hc_filter_gauss(f, f, sigma, err);
    for (int i = 0; i < f->w * f->h; i++) {
        sum += (double)f->px[i];
        sq += (double)f->px[i] * (double)f->px[i];
    }
    sum /= n;
    sq = sqrt(sq / n - sum * sum);
    for (int i = 0; i < f->w * f->h; i++) {
        f->px[i] = (float)(((double)f->px[i] - sum) / sq);
    }
    return st;
}

enum field {
    COAT,
    COAT2,
    COAT3,
    SLOPE,
    GRIME,
    HAZE,
    SURFACE,
    TEX1,
    TEX2,
    WARPX,
    WARPY,
    LAMP,
    FIELDS
};

struct work {
    const struct hc_paints *paints;
    const struct hc_scene_recipe *recipe;
    struct hc_rng rng;
    struct hc_plane f[FIELDS];
    double region_ks[REGIONS][2][N]; // two paints that mingle within the region
    double region_x[REGIONS], region_y[REGIONS], region_dir[REGIONS];
    double cover_ks[8][N];
    double band[3][N], cal[9];
    double lambda[N];
};

static hc_status make_fields(struct work *w, struct hc_err *err)
{
    // sigma as a share of the side
    static const double sigma[FIELDS] = {
        [COAT] = 0.22,  [COAT2] = 0.075, [COAT3] = 0.025, [SLOPE] = 0.2,
        [GRIME] = 0.12, [HAZE] = 0.1,    [SURFACE] = .1,  [TEX1] = 0.006,
        [TEX2] = 0.02,  [WARPX] = 0.05,  [WARPY] = 0.05,  [LAMP] = 0.3};
    int side = w->recipe->side;
    hc_status st = HC_OK;
    for (int i = 0; i < FIELDS && st == HC_OK; i++) {
        st = hc_plane_create(&w->f[i], side, side, err);
        if (st == HC_OK) {
            st = smooth_noise(&w->f[i], &w->rng, sigma[i] * side, err);
        }
    }
    return st;
}

// ---- paints of the scene ------------------------------------------------------------------------

static size_t pick(struct work *w, double lo, double hi)
{
    for (int i = 0; i < 500; i++) {
        size_t k = (size_t)hc_rng_below(&w->rng, (int)w->paints->n);
        if (w->paints->light[k] >= lo && w->paints->light[k] <= hi) {
            return k;
        }
    }
    return 0;
}

static void add_paint(struct work *w, double *ks, size_t k, double c)
{
    for (int b = 0; b < N; b++) {
        ks[b] += c * w->paints->ks[k][b];
    }
}

// A third of the regions are made dark, a third light, as paintings have them.
static void mix_region(struct work *w, double *ks)
{
    double kind = hc_rng_unit(&w->rng), c = hc_rng_unit(&w->rng);
    size_t colour = pick(w, 0.02, 0.8), second = pick(w, 0.02, 0.8);
    memset(ks, 0, N * sizeof *ks);
    if (kind < 0.3) {
        double black = 0.04 + 0.3 * c;
        add_paint(w, ks, pick(w, 0, 0.08), black);
        add_paint(w, ks, colour, (1 - black) * 0.6);
        add_paint(w, ks, second, (1 - black) * 0.4);
    } else if (kind < 0.62) {
        double tint = pow(10, -2.4 + 1.9 * c);
        add_paint(w, ks, pick(w, 0.75, 1), 1 - tint);
        add_paint(w, ks, colour, tint * 0.7);
        add_paint(w, ks, second, tint * 0.3);
    } else {
        double white = 0.5 * c;
        add_paint(w, ks, pick(w, 0.6, 1), white);
        add_paint(w, ks, colour, (1 - white) * 0.75);
        add_paint(w, ks, second, (1 - white) * 0.25);
    }
}

static void make_paints(struct work *w)
{
    for (int r = 0; r < REGIONS; r++) {
        double other[N];
        w->region_x[r] = hc_rng_unit(&w->rng);
        w->region_y[r] = hc_rng_unit(&w->rng);
        w->region_dir[r] = hc_rng_range(&w->rng, 0, 3.14159265358979);
        mix_region(w, w->region_ks[r][0]);
        mix_region(w, other);
        for (int b = 0; b < N; b++) {
            w->region_ks[r][1][b] = exp(0.75 * log(w->region_ks[r][0][b]) + 0.25 * log(other[b]));
        }
    }
    for (int i = 0; i < 8; i++) {
        mix_region(w, w->cover_ks[i]);
    }
}

static int region_at(const struct work *w, int x, int y)
{
    double side = w->recipe->side, best = 1e9;
    double u = x / side + 0.03 * (double)hc_plane_get(&w->f[WARPX], x, y);
    double v = y / side + 0.03 * (double)hc_plane_get(&w->f[WARPY], x, y);
    int at = 0;
    for (int r = 0; r < REGIONS; r++) {
        double d = hypot(u - w->region_x[r], v - w->region_y[r]);
        if (d < best) {
            best = d;
            at = r;
        }
    }
    return at;
}

// Internal reflectance of the paint at a pixel: brush texture varies pigment strength and mingles
// the two paints of the region.
static void paint_at(const struct work *w, double *rho, int x, int y)
{
    int r = region_at(w, x, y);
    double dir = w->region_dir[r], across = x * cos(dir) + y * sin(dir);
    double t1 = (double)hc_plane_get(&w->f[TEX1], x, y),
           t2 = (double)hc_plane_get(&w->f[TEX2], x, y);
    double strength = exp(0.10 * t1 + 0.10 * t2 + 0.06 * sin(across * 1.9 + 2 * t2));
    double mingle = 1 / (1 + exp(-2 * t2 - 0.8 * sin(across * 0.7)));
    for (int b = 0; b < N; b++) {
        double ks =
            exp((1 - mingle) * log(w->region_ks[r][0][b]) + mingle * log(w->region_ks[r][1][b]));
        rho[b] = rho_of(ks * strength);
    }
}

// ---- camera -------------------------------------------------------------------------------------

// Three bell-shaped bands under D50, and a 3x3 matrix to linear ROMM fitted on 24 patches.
static hc_status make_camera(struct work *w, struct hc_err *err)
{
    static const double centre[3] = {602, 540, 455}, width[3] = {36, 38, 29};
    double x[PATCHES * 3], y[PATCHES * 3], ridge[3] = {1e-9, 1e-9, 1e-9}, c[9];
    hc_status st;
    for (int k = 0; k < 3; k++) {
        double sum = 0;
        for (int b = 0; b < N; b++) {
            double u = (hc_spectrum_nm[b] - centre[k]) / width[k];
            w->band[k][b] = hc_spectrum_d50[b] * exp(-0.5 * u * u) / (1 + 0.05 * u * u);
            sum += w->band[k][b];
        }
        for (int b = 0; b < N; b++) {
            w->band[k][b] /= sum;
        }
    }
    for (int p = 0; p < PATCHES; p++) {
        for (int k = 0; k < 3; k++) {
            double s = 0;
            for (int b = 0; b < N; b++) {
                s += w->band[k][b] * w->paints->patch[p][b];
            }
            x[3 * p + k] = s;
        }
        hc_spectrum_to_lin(y + 3 * (ptrdiff_t)p, w->paints->patch[p]);
    }
    st = hc_linear_ridge(c, x, y, NULL, ridge, PATCHES, 3, 3, err);
    for (int i = 0; i < 3; i++) {
        for (int j = 0; j < 3; j++) {
            w->cal[i * 3 + j] = c[j * 3 + i];
        }
    }
    return st;
}

// Photographs a reflectance: shot and read noise in the camera's own channels, then calibration.
static void shoot(struct work *w, double lin[3], const double *r, int with_noise)
{
    double raw[3] = {0, 0, 0};
    for (int k = 0; k < 3; k++) {
        for (int b = 0; b < N; b++) {
            raw[k] += w->band[k][b] * r[b];
        }
        if (with_noise) {
            raw[k] += hc_rng_normal(&w->rng) * sqrt(0.0006 * 0.0006 + 3e-5 * raw[k]);
        }
    }
    hc_linear_apply3(lin, w->cal, raw);
}

// ---- the picture --------------------------------------------------------------------------------

static double field(const struct work *w, enum field f, int x, int y)
{
    return (double)hc_plane_get(&w->f[f], x, y);
}

static double coat_at(const struct work *w, int x, int y)
{
    double cv = w->recipe->coat_cv, sd = sqrt(log(1 + cv * cv));
    return exp(sd * (0.75 * field(w, COAT, x, y) + 0.52 * field(w, COAT2, x, y) +
                     0.41 * field(w, COAT3, x, y)));
}

// UV-induced fluorescence: saturates, is backed by the paint's own lightness, is absorbed again on
// its way out; the lamp is uneven; later paint over the varnish is dark.
static double uv_at(struct work *w, const double *rho, double d, int cover, int x, int y)
{
    double emission = 0, back = 0, out = 0;
    for (int b = 5; b <= 15; b++) { // 450-550 nm
        double a = 0.62 * d * exp(-(w->lambda[b] - 400) / 60);
        back += rho[b] / 11;
        out += exp(-0.8 * a) / 11;
    }
    emission = (1 - exp(-0.9 * d)) * (1 + 1.0 * back) * out;
    emission *= exp(0.05 * field(w, LAMP, x, y)) * (1 + 0.03 * hc_rng_normal(&w->rng));
    // Each patch of overpaint lets 20 to 50 % through (or gives that much itself).
    return cover ? emission * (0.2 + 0.3 * hc_rng_hash(w->recipe->seed, cover, 7)) : emission;
}

static void put3(struct hc_lin3 *l, int x, int y, const double v[3])
{
    for (int k = 0; k < 3; k++) {
        hc_plane_row(&l->ch[k], y)[x] = (float)v[k];
    }
}

static void pixel(struct work *w, struct hc_scene *s, int x, int y)
{
    double rho[N], top[N], r[N], v[3], d = coat_at(w, x, y);
    double ln_d = log(d);
    int cover = (int)lrint((double)hc_plane_get(&s->cover, x, y));
    struct hc_coat coat = {
        .a0 = 0.62,
        .slope_nm = 60 * (1 + 0.03 * field(w, SLOPE, x, y)),
        .grey = 0.018 * exp(0.3 * field(w, GRIME, x, y)),
        .haze =
            0.02 * w->recipe->haze_factor * exp(0.35 * (0.85 * field(w, HAZE, x, y)) + 0.5 * ln_d),
        .surface = 0.004,
    };
    struct hc_coat bare = {.slope_nm = 60, .surface = 0.009 * exp(0.2 * field(w, SURFACE, x, y))};
    paint_at(w, rho, x, y);
    hc_coat_over(r, rho, w->lambda, N, d, &coat);
    if (cover) {
        struct hc_coat matt = {.slope_nm = 60, .surface = 0.008};
        for (int b = 0; b < N; b++) {
            top[b] = rho_of(w->cover_ks[cover - 1][b] * exp(0.08 * field(w, TEX1, x, y)));
        }
        hc_coat_over(r, top, w->lambda, N, 0, &matt);
    }
    shoot(w, v, r, 1);
    put3(&s->before, x, y, v);
    hc_coat_over(r, rho, w->lambda, N, 0, &bare);
    shoot(w, v, r, 1);
    put3(&s->after, x, y, v);
    shoot(w, v, r, 0);
    put3(&s->truth, x, y, v);
    hc_plane_row(&s->uv, y)[x] = (float)uv_at(w, rho, d, cover, x, y);
    hc_plane_row(&s->coat, y)[x] = (float)d;
}

// About 4 % of the picture under a few ellipses of overpaint.
static void lay_cover(struct work *w, struct hc_scene *s)
{
    int side = s->side;
    double want = 0.04 * side * side, have = 0;
    for (int i = 0; i < 8 && have < want; i++) {
        double cx = hc_rng_range(&w->rng, 0.08, 0.92) * side,
               cy = hc_rng_range(&w->rng, 0.08, 0.92) * side;
        double a = hc_rng_range(&w->rng, 0.04, 0.085) * side, e = hc_rng_range(&w->rng, 0.5, 1.0);
        double t = hc_rng_range(&w->rng, 0, 3.14);
        for (int y = 0; y < side; y++) {
            for (int x = 0; x < side; x++) {
                double u = (x - cx) * cos(t) + (y - cy) * sin(t),
                       v = (y - cy) * cos(t) - (x - cx) * sin(t);
                float *c = hc_plane_row(&s->cover, y) + x;
                if (u * u / (a * a) + v * v / (a * a * e * e) < 1 + 0.2 * field(w, TEX2, x, y) &&
                    !(*c > 0) && have < want) {
                    *c = (float)(i + 1);
                    have++;
                }
            }
        }
    }
}

// ---- windows ------------------------------------------------------------------------------------

static void cell_lab(const struct hc_scene *s, double lab[3], int x0, int y0)
{
    double lin[3] = {0, 0, 0};
    for (int y = y0; y < y0 + HC_SCENE_WINDOW; y++) {
        for (int x = x0; x < x0 + HC_SCENE_WINDOW; x++) {
            for (int k = 0; k < 3; k++) {
                lin[k] += (double)hc_plane_get(&s->before.ch[k], x, y) / 81;
            }
        }
    }
    hc_colour_lin_to_lab_d50(lab, lin);
}

static int is_covered(const struct hc_scene *s, int x0, int y0)
{
    for (int y = y0 - 1; y <= y0 + HC_SCENE_WINDOW; y++) {
        for (int x = x0 - 1; x <= x0 + HC_SCENE_WINDOW; x++) {
            if (hc_plane_get(&s->cover, x, y) > 0) {
                return 1;
            }
        }
    }
    return 0;
}

// Greedy: each next window is the cell farthest, in colour and place together, from those chosen.
static void choose_windows(struct work *w, struct hc_scene *s)
{
    double lab[32][3];
    int tries = 400;
    for (int i = 0; i < s->n_windows; i++) {
        double best = -1;
        for (int t = 0; t < tries; t++) {
            int x = 2 + hc_rng_below(&w->rng, s->side - HC_SCENE_WINDOW - 4);
            int y = 2 + hc_rng_below(&w->rng, s->side - HC_SCENE_WINDOW - 4);
            double l[3], nearest = 1e9;
            if (is_covered(s, x, y)) {
                continue;
            }
            cell_lab(s, l, x, y);
            for (int j = 0; j < i; j++) {
                double dl = hypot(hypot(l[0] - lab[j][0], l[1] - lab[j][1]), l[2] - lab[j][2]) / 20;
                double dp = hypot(x - s->window_x[j], y - s->window_y[j]) / (0.3 * s->side);
                double d = dl * dl + (dp > 1.5 ? 2.25 : dp * dp);
                if (dp * 0.3 * s->side < 1.6 * HC_SCENE_WINDOW) {
                    d = 0;
                }
                nearest = d < nearest ? d : nearest;
            }
            if (nearest > best) {
                best = nearest;
                s->window_x[i] = x;
                s->window_y[i] = y;
                memcpy(lab[i], l, sizeof l);
            }
            if (i == 0) {
                break; // the first one: anywhere
            }
        }
    }
}

static hc_status cut_windows(struct hc_scene *s, struct hc_err *err)
{
    size_t n = HC_SCENE_WINDOW * HC_SCENE_WINDOW;
    float *at = s->pixels = hc_mem_array((size_t)s->n_windows * n * 9, sizeof *s->pixels);
    if (!at) {
        return hc_err_set(err, HC_ENOMEM, "bench", "out of memory for windows");
    }
    for (int i = 0; i < s->n_windows; i++, at += n * 9) {
        struct hc_forecast_window *win = &s->window[i];
        *win = (struct hc_forecast_window){.id = i + 1, .surface = HC_SURFACE_SATURATED, .n = n};
        for (int k = 0; k < 3; k++) {
            win->before[k] = at + (size_t)k * n;
            win->after[k] = at + (size_t)(3 + k) * n;
        }
        win->uv = at + 6 * n;
        win->x = at + 7 * n;
        win->y = at + 8 * n;
        for (size_t p = 0; p < n; p++) {
            int x = s->window_x[i] + (int)p % HC_SCENE_WINDOW,
                y = s->window_y[i] + (int)p / HC_SCENE_WINDOW;
            for (int k = 0; k < 3; k++) {
                at[(size_t)k * n + p] = hc_plane_get(&s->before.ch[k], x, y);
                at[(size_t)(3 + k) * n + p] = hc_plane_get(&s->after.ch[k], x, y);
            }
            at[6 * n + p] = hc_plane_get(&s->uv, x, y);
            at[7 * n + p] = (float)x + 0.5f;
            at[8 * n + p] = (float)y + 0.5f;
        }
    }
    return HC_OK;
}

hc_status hc_scene_make(struct hc_scene *s, const struct hc_paints *paints,
                        const struct hc_scene_recipe *recipe, struct hc_err *err)
{
    struct work *w = hc_mem_array(1, sizeof *w);
    int side = recipe->side;
    hc_status st = w ? HC_OK : hc_err_set(err, HC_ENOMEM, "bench", "out of memory for a scene");
    *s = (struct hc_scene){.side = side, .n_windows = recipe->n_windows};
    if (st == HC_OK) {
        w->paints = paints;
        w->recipe = recipe;
        w->rng = hc_rng_make(recipe->seed);
        memcpy(w->lambda, hc_spectrum_nm, sizeof w->lambda);
        st = make_fields(w, err);
    }
    struct hc_lin3 *lin[3] = {&s->before, &s->after, &s->truth};
    struct hc_plane *plane[3] = {&s->uv, &s->cover, &s->coat};
    for (int i = 0; i < 3 && st == HC_OK; i++) {
        st = hc_lin3_create(lin[i], side, side, err);
        if (st == HC_OK) {
            st = hc_plane_create(plane[i], side, side, err);
        }
    }
    if (st == HC_OK) {
        st = make_camera(w, err);
    }
    if (st == HC_OK) {
        make_paints(w);
        lay_cover(w, s);
        for (int y = 0; y < side; y++) {
            for (int x = 0; x < side; x++) {
                pixel(w, s, x, y);
            }
        }
        choose_windows(w, s);
        st = cut_windows(s, err);
    }
    for (int i = 0; w && i < FIELDS; i++) {
        hc_plane_release(&w->f[i]);
    }
    hc_mem_free(w);
    if (st != HC_OK) {
        hc_scene_release(s);
    }
    return st;
}

void hc_scene_release(struct hc_scene *s)
{
    hc_lin3_release(&s->before);
    hc_lin3_release(&s->after);
    hc_lin3_release(&s->truth);
    hc_plane_release(&s->uv);
    hc_plane_release(&s->cover);
    hc_plane_release(&s->coat);
    hc_mem_free(s->pixels);
    *s = (struct hc_scene){0};
}
