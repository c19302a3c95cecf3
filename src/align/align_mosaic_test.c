// Mosaics of plates cut from one invented scene by known transforms: the map error over all plates,
// tones, and what must be refused.
#include "align/align.h"
#include "align/align_scene.h"
#include "base/mem.h"
#include "base/rng.h"
#include "hc_test.h"

#define W 1560
#define H 1180
#define MOST 8

struct set {
    struct hc_plane px[MOST];
    struct align_view view[MOST];
    struct hc_align_source src[MOST];
    const char *name[MOST];
    double gain[MOST], offset[MOST];
    size_t n;
};

static const char *const letters[MOST] = {"A", "B", "C", "D", "E", "F", "G", "H"};

static void add_plate(struct set *s, double x, double y, int w, int h, double turn_deg,
                      double scale, enum align_technique technique, uint64_t seed, double gain,
                      double offset)
{
    size_t i = s->n++;
    double t = turn_deg * M_PI / 180, a = scale * cos(t), b = scale * sin(t);
    double cx = x + w / 2.0, cy = y + h / 2.0;
    struct hc_err err = {0};
    s->view[i] = (struct align_view){.technique = technique, .w = w, .h = h};
    s->view[i].frame_to_view = (struct hc_homog){
        {a, -b, w / 2.0 - a * cx + b * cy, b, a, h / 2.0 - b * cx - a * cy, 0, 0, 1}};
    assert_ok(align_scene_render(&s->px[i], W, H, seed, &s->view[i], &err), &err);
    for (int r = 0; r < h; r++) {
        for (int c = 0; c < w; c++) {
            float *p = hc_plane_row(&s->px[i], r) + c;
            *p = (float)((double)*p / gain - offset);
        }
    }
    s->gain[i] = gain;
    s->offset[i] = offset;
    s->name[i] = letters[i];
    s->src[i] = hc_align_source_plane(&s->px[i]);
}

static void release(struct set *s)
{
    for (size_t i = 0; i < s->n; i++) {
        hc_plane_release(&s->px[i]);
    }
}

// rows x cols plates that overlap by `overlap` of a side, laid by hand: turned, shifted, rescaled.
static void make_grid(struct set *s, int rows, int cols, double overlap,
                      enum align_technique technique, uint64_t seed, double turn_deg, double scale)
{
    struct hc_rng r = hc_rng_make(seed + 77);
    double pw = W / (cols - (cols - 1) * overlap), ph = H / (rows - (rows - 1) * overlap);
    for (int j = 0; j < rows; j++) {
        for (int i = 0; i < cols; i++) {
            double x = i * pw * (1 - overlap) + hc_rng_range(&r, -4, 4);
            double y = j * ph * (1 - overlap) + hc_rng_range(&r, -4, 4);
            double turn = hc_rng_range(&r, -turn_deg, turn_deg);
            double size = 1 + hc_rng_range(&r, -scale, scale);
            double gain = exp(hc_rng_range(&r, -0.35, 0.35));
            double offset = hc_rng_range(&r, -0.05, 0.05);
            add_plate(s, x, y, (int)pw, (int)ph, turn, size, technique, seed, gain, offset);
        }
    }
}

// Greatest and rms map error over all plates, mosaic px, after the best similarity from the scene.
static void map_error(double *rms, double *most, const struct set *s,
                      const struct hc_align_mosaic *m)
{
    enum { G = 6 };
    struct hc_pt p[MOST * G * G], q[MOST * G * G], pm = {0, 0}, qm = {0, 0};
    double re = 0, im = 0, pp = 0, sum = 0;
    size_t n = 0;
    for (size_t i = 0; i < s->n; i++) {
        struct hc_homog back;
        struct hc_err err = {0};
        assert_ok(hc_homog_invert(&back, &s->view[i].frame_to_view, &err), &err);
        for (int k = 0; k < G * G; k++) {
            struct hc_pt v = {(k % G) * s->view[i].w / (G - 1.0),
                              (double)(k / G) * s->view[i].h / (G - 1.0)};
            p[n] = hc_homog_apply(&back, v);
            q[n] = hc_homog_apply(&m->plate[i].to_mosaic, v);
            pm.x += p[n].x;
            pm.y += p[n].y;
            qm.x += q[n].x;
            qm.y += q[n].y;
            n++;
        }
    }
    for (size_t k = 0; k < n; k++) {
        double px = p[k].x - pm.x / (double)n, py = p[k].y - pm.y / (double)n;
        double qx = q[k].x - qm.x / (double)n, qy = q[k].y - qm.y / (double)n;
        re += px * qx + py * qy;
        im += px * qy - py * qx;
        pp += px * px + py * py;
    }
    *most = 0;
    for (size_t k = 0; k < n; k++) {
        double px = p[k].x - pm.x / (double)n, py = p[k].y - pm.y / (double)n;
        double e = hypot(q[k].x - qm.x / (double)n - (re * px - im * py) / pp,
                         q[k].y - qm.y / (double)n - (im * px + re * py) / pp);
        sum += e * e;
        *most = fmax(*most, e);
    }
    *rms = sqrt(sum / (double)n);
}

static void xray_plates_join(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 5; seed++) {
        struct set s = {0};
        struct hc_align_mosaic m;
        struct hc_err err = {0};
        double rms, most, rg = 0;
        make_grid(&s, 2, 3, 0.15, ALIGN_XRAY, seed, 2, 0.01);
        assert_ok(hc_align_mosaic_solve(&m, s.src, s.name, s.n, false, NULL, NULL, &err), &err);
        print_message("%s: %s\n", m.kind, m.why);
        for (size_t i = 0; i < m.overlaps; i++) {
            print_message(
                "  %d-%d share %.3f tiles %d clear %d used %d med %.2f p95 %.2f tone %.4f\n",
                m.overlap[i].a, m.overlap[i].b, m.overlap[i].share, m.overlap[i].tiles,
                m.overlap[i].tiles_clear, m.overlap[i].tiles_used, m.overlap[i].held_out_median_px,
                m.overlap[i].held_out_p95_px, m.overlap[i].tone_left);
        }
        if (m.verdict != HC_ALIGN_REFUSED) {
            map_error(&rms, &most, &s, &m);
            rg = m.plate[m.reference].gain / s.gain[m.reference];
            print_message("  map rms %.3f most %.3f  %dx%d\n", rms, most, m.w, m.h);
            for (size_t i = 0; i < m.n; i++) {
                print_message("  plate %zu gain ratio %.3f sd %.2f\n", i,
                              m.plate[i].gain / s.gain[i] / rg, m.plate[i].corner_sd_px);
            }
        }
        hc_align_mosaic_release(&m);
        release(&s);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(xray_plates_join)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
