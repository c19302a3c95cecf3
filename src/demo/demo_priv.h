// Inside the demo room: the motif in three dimensions, the paints, the brush, the panel.
//
// Lengths of the motif are in units of 100 mm of the picture; x right, y up, z to the viewer, the
// table top is y = 0. Lengths of the painting are in mm from its top left corner, y down.
#ifndef HC_DEMO_PRIV_H
#define HC_DEMO_PRIV_H

#include <math.h>
#include <stdbool.h>
#include <stdint.h>

#include "base/rng.h"
#include "num/filter.h"
#include "num/linear.h"
#include "colour/colour.h"
#include "demo/demo.h"

#define HC_DEMO_W_MM 300.0
#define HC_DEMO_H_MM 360.0

// ---- small helpers ------------------------------------------------------------------------------
struct v3 {
    double x, y, z;
};

static inline struct v3 v3_make(double x, double y, double z)
{
    return (struct v3){x, y, z};
}
static inline struct v3 v3_add(struct v3 a, struct v3 b)
{
    return v3_make(a.x + b.x, a.y + b.y, a.z + b.z);
}
static inline struct v3 v3_sub(struct v3 a, struct v3 b)
{
    return v3_make(a.x - b.x, a.y - b.y, a.z - b.z);
}
static inline struct v3 v3_mul(struct v3 a, double k)
{
    return v3_make(a.x * k, a.y * k, a.z * k);
}
static inline struct v3 v3_fma(struct v3 a, struct v3 b, double k)
{
    return v3_make(a.x + b.x * k, a.y + b.y * k, a.z + b.z * k);
}
static inline double v3_dot(struct v3 a, struct v3 b)
{
    return a.x * b.x + a.y * b.y + a.z * b.z;
}
static inline double v3_len(struct v3 a)
{
    return sqrt(v3_dot(a, a));
}
static inline struct v3 v3_unit(struct v3 a)
{
    return v3_mul(a, 1.0 / (v3_len(a) + 1e-12));
}
static inline struct v3 v3_mix(struct v3 a, struct v3 b, double t)
{
    return v3_add(v3_mul(a, 1.0 - t), v3_mul(b, t));
}
static inline struct v3 v3_cross(struct v3 a, struct v3 b)
{
    return v3_make(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x);
}
static inline double clamp01(double v)
{
    return v < 0.0 ? 0.0 : v > 1.0 ? 1.0 : v;
}
// 0 below a, 1 above b, smooth between; a > b turns it round.
static inline double ramp(double a, double b, double x)
{
    double t = clamp01((x - a) / (b - a));
    return t * t * (3.0 - 2.0 * t);
}

// ---- noise (demo_noise.c); all in about -1..1 ----
double hc_demo_noise(uint64_t seed, double x, double y);
double hc_demo_fbm(uint64_t seed, double x, double y, int octaves);
double hc_demo_cell_border(uint64_t seed, double x, double y);

// ---- the motif (demo_motif.c)
// --------------------------------------------------------------------- Things in the order in
// which they are painted, back to front.
enum thing {
    T_WALL,
    T_CURTAIN,
    T_TABLE,
    T_CLOTH,
    T_JUG,
    T_QUINCE_0,
    T_QUINCE_LAST = T_QUINCE_0 + 3,
    T_HALF, // the cut quince: skin and flesh
    T_LEAF,
    T_COUNT
};
#define HC_DEMO_JUG_N 256
#define HC_DEMO_HANDLE_N 14
#define HC_DEMO_LEAF_N 4
struct leaf_frame {
    struct v3 mid, ea, ec, en; // along, across, off the leaf
    double len, width, bend;
};
struct motif {
    struct leaf_frame leaf[HC_DEMO_LEAF_N];
    uint64_t seed;
    double jug_r[HC_DEMO_JUG_N]; // lathe profile over 0..jug_top
    struct v3 handle[HC_DEMO_HANDLE_N];
    struct v3 eye, fwd, right, up;
    double eye_dist;
};
extern const struct v3 hc_demo_to_light; // towards the window, unit

void hc_demo_motif_init(struct motif *m, uint64_t seed);
double hc_demo_motif_dist(const struct motif *m, struct v3 p, int *thing); // thing may be NULL
// Cloth coordinates: a, b = distance inwards from its two hems.
void hc_demo_cloth_ab(struct v3 p, double *a, double *b);
double hc_demo_curtain_lean(struct v3 p);           // x gained along a fold for each unit down
double hc_demo_cloth_pattern(double a, double b);   // 0..1, the raised damask figure
struct v3 hc_demo_half_local(struct v3 p);          // the cut quince: z along the cut's normal
struct v3 hc_demo_quince_local(int k, struct v3 p); // unit direction from its core, y to blossom
double hc_demo_leaf_vein(const struct motif *m, struct v3 p, double *side);

// ---- the model picture (demo_model.c): what the painter saw ----
struct model {
    int w, h;
    double mm_per_px;
    float *rgb[3];  // linear sRGB reflectance the painter aims at
    float *form;    // the same before edges of tone were heeded; gone once the model is made
    float *angle;   // direction a brush follows, radians, 0 = right, pi/2 = down
    float *pattern; // damask figure 0..1
    float *light;   // 0 deep shadow .. 1 full light
    uint8_t *thing;
    uint8_t *mask[T_COUNT]; // a thing and what is painted over it, smoothed, 0..255
};
// Fills one pixel of the model from the motif and its light (demo_light.c).
void hc_demo_look(const struct motif *m, struct model *out, int x, int y);
hc_status hc_demo_model_create(struct model *m, const struct motif *motif, int w, int h,
                               struct hc_par *par, struct hc_err *err) HC_MUST_CHECK;
void hc_demo_model_release(struct model *m);
// How far a place (mm) lies inside the outline of a thing and what is painted over it: 0.5 on it.
double hc_demo_inside(const struct model *m, int thing, double x_mm, double y_mm);

// ---- the paints (demo_paint.c) ----
#define HC_DEMO_BANDS 32 // the 31 bands of colour.h and one of weight nought, for whole vectors
enum paint {
    P_WHITE,
    P_YELLOW,
    P_OCHRE,
    P_RED_EARTH,
    P_UMBER,
    P_BLACK,
    P_VERMILION,
    P_LAKE,
    P_BLUE,
    P_GREEN,
    P_COUNT
};
struct mix {
    uint8_t c[P_COUNT]; // shares, adding up to about 255
};
struct paints {
    float k[P_COUNT][HC_DEMO_BANDS], s[P_COUNT][HC_DEMO_BANDS]; // absorption, scatter
    float to_lin[3][HC_DEMO_BANDS];                             // spectrum -> linear ROMM
    double romm_to_srgb[9], srgb_to_romm[9];                    // linear light
    float lambda_nm[HC_DEMO_BANDS];
    float k2; // internal diffuse reflectance of the paint's surface, index 1.5
};
struct paint_other { // what other radiations see of a paint
    float ir_k, ir_s, xray, uv[3];
};
extern const struct paint_other hc_demo_paint_other[P_COUNT];
#define HC_DEMO_RECIPE_N 15
#define HC_DEMO_PALETTES 7
struct recipes {
    struct mix *node[HC_DEMO_PALETTES]; // RECIPE_N^3 each, over the cube roots of linear sRGB
};
hc_status hc_demo_paints_init(struct paints *p, struct hc_err *err) HC_MUST_CHECK;
void hc_demo_paint_rho(float rho[HC_DEMO_BANDS], const struct paints *p, const uint8_t *c);
void hc_demo_paint_srgb(double lin_srgb[3], const struct paints *p, const float *rho);
hc_status hc_demo_recipes_create(struct recipes *r, const struct paints *p, struct hc_par *par,
                                 struct hc_err *err) HC_MUST_CHECK;
void hc_demo_recipes_release(struct recipes *r);
struct mix hc_demo_recipe(const struct recipes *r, int thing, const double lin_srgb[3]);

// ---- strokes (demo_plan.c makes them, demo_brush.c lays them) ----
#define HC_DEMO_STROKE_PTS 7
struct stroke {
    float x[HC_DEMO_STROKE_PTS], y[HC_DEMO_STROKE_PTS]; // mm
    float half_mm, load_mm, opacity, dry, soft, level;
    uint32_t seed;
    uint8_t n, thing, clip;
    struct mix from, to;
};
struct strokes {
    struct stroke *v;
    size_t n, room;
};
hc_status hc_demo_plan(struct strokes *out, const struct model *m, const struct recipes *r,
                       uint64_t seed, struct hc_err *err) HC_MUST_CHECK;
void hc_demo_strokes_release(struct strokes *s);
// The quince that was painted first and later hidden under the cloth: place and radius, mm.
#define HC_DEMO_HIDDEN_X 196.0
#define HC_DEMO_HIDDEN_Y 291.0
#define HC_DEMO_HIDDEN_R 26.0

#define HC_DEMO_ZONES 3
// ---- the painting ----
#define HC_DEMO_HEIGHT_MM 2e-5f // unit of the height plane
#define HC_DEMO_COAT 1e-4f      // unit of the coat plane
struct canvas {
    int w, h;
    double mm;        // per px
    uint8_t *mix;     // P_COUNT per px: the paint seen from above
    uint16_t *height; // paint relief
    uint16_t *lead;   // X-ray density of the paint, summed over the strokes, 1/1000
    uint16_t *coat;   // effective coat
    uint8_t *cover;   // later paint 0..255
};
struct hc_demo {
    struct canvas canvas;
    struct motif motif;
    struct model model;
    struct paints paints;
    struct recipes recipes;
    struct coat_table *coats;
    float *tex;
    struct hc_plane smooth; // height levelled over about a millimetre, cells of smooth_cell px
    int smooth_cell;
    uint64_t seed;
    struct hc_par *par;
    struct hc_demo_window window[HC_DEMO_WINDOWS];
    struct hc_demo_zone zone[HC_DEMO_ZONES];
};
void hc_demo_brush_texture(float *tex); // HC_DEMO_TEX squared values, 0..1
#define HC_DEMO_TEX 256
void hc_demo_lay_stroke(struct canvas *c, const struct stroke *s, const struct model *m,
                        const float *tex, int y0, int y1);

// The panel (demo_panel.c): rows y0..y1-1 of the canvas.
double hc_demo_grain_mm(const struct hc_demo *d, double x_mm, double y_mm);
void hc_demo_ground_rows(struct hc_demo *d, int y0, int y1);
void hc_demo_age_rows(struct hc_demo *d, int y0, int y1); // abrasion, cracks, losses, old overpaint
void hc_demo_coat_rows(struct hc_demo *d, int y0, int y1); // needs the smoothed height

// ---- photographs
// ---------------------------------------------------------------------------------- The coat
// equations of colour.h (hc_coat_over) tabulated over the effective coat, in float.
#define HC_DEMO_COAT_NODES 4096
#define HC_DEMO_COAT_STEP (1.0 / 1024.0)
struct coat_table {
    float through_io[HC_DEMO_COAT_NODES][HC_DEMO_BANDS],
        through_back[HC_DEMO_COAT_NODES][HC_DEMO_BANDS];
    float haze[HC_DEMO_BANDS]; // wavelength law of the haze, 1 at 550 nm
    float k1, k2;
};
extern const struct hc_coat hc_demo_resin; // the aged coat, d = 1, before local variation
void hc_demo_coat_table_init(struct coat_table *t, const struct paints *p);
struct film { // what lies over one pixel
    float d, grey, haze, surface;
};
void hc_demo_seen(float r[HC_DEMO_BANDS], const float *rho, const struct coat_table *t,
                  struct film film);
struct film hc_demo_film(const struct hc_demo *d, int x, int y);
// Reflectance of a pixel as a camera meets it; open = share of the window, 0 with the coats on.
void hc_demo_pixel_seen(float r[HC_DEMO_BANDS], const struct hc_demo *d, int x, int y, float open);
void hc_demo_lin(float lin[3], const struct paints *p, const float *r);
float hc_demo_window_share(const struct hc_demo *d, double x, double y); // 0..1, soft edges
// The surface a raking light meets, mm; bare = without the coats.
float hc_demo_surface_mm(const struct hc_demo *d, int x, int y, bool bare);
float hc_demo_encode(float linear); // sRGB curve, clipped
// Where a place of the test photograph lies in the frame: it is moved by (1.3, -0.8) px and turned
// by 0.02 degrees about the middle.
struct hc_pt hc_demo_test_to_frame(const struct hc_demo *d, struct hc_pt q);
double hc_demo_gauss(uint64_t seed, int64_t x, int64_t y); // mean 0, sd 1

hc_status hc_demo_normal_rows(struct hc_demo *d, enum hc_demo_view v, int y0,
                              struct hc_plane *bands, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_demo_raking_rows(struct hc_demo *d, const struct hc_demo_view_info *info, int y0,
                              struct hc_plane *bands, struct hc_err *err) HC_MUST_CHECK;
void hc_demo_uv_row(const struct hc_demo *d, int y, float *const rgb[3]);
void hc_demo_ir_row(const struct hc_demo *d, int y, float *out);
void hc_demo_xray_row(const struct hc_demo *d, int y, float *out);

#endif
