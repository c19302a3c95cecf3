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

struct lay {     // a plate on the scene
    double x, y; // its top left corner when not turned, scene px
    int w, h;
    double turn_deg, scale, perspective;
};

static void add_plate(struct set *s, const struct lay *l, enum align_technique technique,
                      uint64_t seed, double gain, double offset)
{
    size_t i = s->n++;
    double t = l->turn_deg * M_PI / 180, a = l->scale * cos(t), b = l->scale * sin(t);
    struct hc_homog in = {{1, 0, -l->x - l->w / 2.0, 0, 1, -l->y - l->h / 2.0, 0, 0, 1}};
    struct hc_homog mid = {{a, -b, 0, b, a, 0, l->perspective / l->w, -l->perspective / l->h, 1}};
    struct hc_homog out = {{1, 0, l->w / 2.0, 0, 1, l->h / 2.0, 0, 0, 1}};
    struct hc_err err = {0};
    mid = hc_homog_compose(&mid, &in);
    s->view[i] = (struct align_view){.technique = technique, .w = l->w, .h = l->h};
    s->view[i].frame_to_view = hc_homog_compose(&out, &mid);
    assert_ok(align_scene_render(&s->px[i], W, H, seed, &s->view[i], &err), &err);
    for (int r = 0; r < l->h; r++) {
        for (int c = 0; c < l->w; c++) { // what gain and offset must bring back
            float *p = hc_plane_row(&s->px[i], r) + c;
            *p = (float)(((double)*p - offset) / gain);
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

struct plan {
    int rows, cols;
    double overlap; // of a side
    enum align_technique technique;
    uint64_t seed;
    double turn_deg, scale, perspective; // at most
};

// Plates laid by hand: turned, shifted, rescaled, of differing exposure.
static void make_grid(struct set *s, const struct plan *p)
{
    struct hc_rng r = hc_rng_make(p->seed + 77);
    double pw = W / (p->cols - (p->cols - 1) * p->overlap);
    double ph = H / (p->rows - (p->rows - 1) * p->overlap);
    for (int k = 0; k < p->rows * p->cols; k++) {
        struct lay l = {.w = (int)pw, .h = (int)ph};
        double gain, offset;
        l.x = k % p->cols * pw * (1 - p->overlap) + hc_rng_range(&r, -4, 4);
        l.y = (double)(k / p->cols) * ph * (1 - p->overlap) + hc_rng_range(&r, -4, 4);
        l.turn_deg = hc_rng_range(&r, -p->turn_deg, p->turn_deg);
        l.scale = 1 + hc_rng_range(&r, -p->scale, p->scale);
        l.perspective = hc_rng_range(&r, -p->perspective, p->perspective);
        gain = exp(hc_rng_range(&r, -0.35, 0.35));
        offset = hc_rng_range(&r, -0.05, 0.05);
        add_plate(s, &l, p->technique, p->seed, gain, offset);
    }
}

static void join(struct hc_align_mosaic *m, const struct set *s, struct hc_par *par)
{
    struct hc_err err = {0};
    assert_ok(hc_align_mosaic_solve(m, s->src, s->name, s->n, false, par, NULL, &err), &err);
    if (getenv("HC_TEST_TALK")) {
        print_message("%s: %s\n", m->kind, m->why);
    }
}

struct errors {
    double rms, most;
};

// Map error over all plates, mosaic px: p are places of the scene, q the same in the mosaic. What
// no mosaic can know is taken out: the similarity between the two.
static struct errors misses(const struct hc_pt *p, const struct hc_pt *q, size_t n)
{
    struct hc_pt pm = {0, 0}, qm = {0, 0};
    struct errors e = {0, 0};
    double re = 0, im = 0, pp = 0;
    for (size_t k = 0; k < n; k++) {
        pm.x += p[k].x / (double)n;
        pm.y += p[k].y / (double)n;
        qm.x += q[k].x / (double)n;
        qm.y += q[k].y / (double)n;
    }
    for (size_t k = 0; k < n; k++) {
        double px = p[k].x - pm.x, py = p[k].y - pm.y, qx = q[k].x - qm.x, qy = q[k].y - qm.y;
        re += px * qx + py * qy;
        im += px * qy - py * qx;
        pp += px * px + py * py;
    }
    for (size_t k = 0; k < n; k++) {
        double px = p[k].x - pm.x, py = p[k].y - pm.y, qx = q[k].x - qm.x, qy = q[k].y - qm.y;
        double d = hypot(qx - (re * px - im * py) / pp, qy - (im * px + re * py) / pp);
        e.rms += d * d / (double)n;
        e.most = fmax(e.most, d);
    }
    e.rms = sqrt(e.rms);
    return e;
}

// The scene as the reference plate's camera sees it when `as_reference` (perspective stays in the
// mosaic), else as it is.
static struct errors map_errors(const struct set *s, const struct hc_align_mosaic *m,
                                bool as_reference)
{
    enum { G = 6 };
    struct hc_pt p[MOST * G * G], q[MOST * G * G];
    size_t n = 0;
    for (size_t i = 0; i < s->n; i++) {
        struct hc_homog back;
        struct hc_err err = {0};
        assert_ok(hc_homog_invert(&back, &s->view[i].frame_to_view, &err), &err);
        if (as_reference) {
            back = hc_homog_compose(&s->view[m->reference].frame_to_view, &back);
        }
        for (int k = 0; k < G * G; k++) {
            struct hc_pt v = {(k % G) * s->view[i].w / (G - 1.0),
                              (double)(k / G) * s->view[i].h / (G - 1.0)};
            p[n] = hc_homog_apply(&back, v);
            q[n++] = hc_homog_apply(&m->plate[i].to_mosaic, v);
        }
    }
    return misses(p, q, n);
}

// Every plate's gain and offset against the truth, up to those of the reference plate.
static double tone_error(const struct set *s, const struct hc_align_mosaic *m)
{
    double most = 0, g = s->gain[m->reference], o = s->offset[m->reference];
    for (size_t i = 0; i < s->n; i++) {
        for (int k = 0; k < 2; k++) { // a dark and a light tone of the scene
            double tone = k ? 0.8 : 0.2, plate = (tone - s->offset[i]) / s->gain[i];
            double got = m->plate[i].gain * plate + m->plate[i].offset;
            most = fmax(most, fabs(got - (tone - o) / g) * g);
        }
    }
    return most;
}

static void joined(const struct plan *p, double most_px, double most_tone, const char *kind)
{
    struct set s = {0};
    struct hc_align_mosaic m;
    struct errors e;
    make_grid(&s, p);
    join(&m, &s, NULL);
    assert_int_equal(m.verdict, HC_ALIGN_GOOD);
    assert_string_equal(m.kind, kind);
    e = map_errors(&s, &m, p->perspective > 0);
    if (getenv("HC_TEST_TALK")) {
        print_message("  map error rms %.3f, most %.3f px; tone %.4f; held out %.3f, %.3f px\n",
                      e.rms, e.most, tone_error(&s, &m), m.held_out_median_px, m.held_out_p95_px);
    }
    near_abs(e.most, 0, most_px);
    near_abs(tone_error(&s, &m), 0, most_tone);
    hc_align_mosaic_release(&m);
    release(&s);
}

// 15 % of a side in common, turned by up to 2 degrees, rescaled by 1 %: weave and stretcher bars.
static void xray_plates(void **state)
{
    (void)state;
    joined(&(struct plan){2, 3, 0.15, ALIGN_XRAY, 1, 2, 0.01, 0}, 0.1, 0.01, "similarity");
}

static void infrared_frames(void **state)
{
    (void)state;
    joined(&(struct plan){2, 2, 0.12, ALIGN_IR, 2, 1, 0.01, 0}, 0.25, 0.01, "similarity");
}

// A camera not square to the painting: a similarity cannot do it, and the tiles left out say so.
static void frames_in_perspective(void **state)
{
    (void)state;
    joined(&(struct plan){2, 2, 0.3, ALIGN_VIS, 3, 1, 0.005, 0.006}, 0.6, 0.01, "homography");
}

static void sizes_may_differ(void **state)
{
    struct set s = {0};
    struct hc_align_mosaic m;
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 620, 500, 0, 1, 0}, ALIGN_XRAY, 4, 1, 0);
    add_plate(&s, &(struct lay){560, 120, 300, 420, -1.5, 1, 0}, ALIGN_XRAY, 4, 0.8, 0.03);
    add_plate(&s, &(struct lay){300, 470, 520, 260, 1, 1.01, 0}, ALIGN_XRAY, 4, 1.2, 0);
    join(&m, &s, NULL);
    assert_int_not_equal(m.verdict, HC_ALIGN_REFUSED);
    near_abs(map_errors(&s, &m, false).most, 0, 0.2);
    assert_true(m.w > 790 && m.w < 850 && m.h > 660 && m.h < 720);
    hc_align_mosaic_release(&m);
    release(&s);
}

static void refused(const struct set *s, const char *says)
{
    struct hc_align_mosaic m;
    join(&m, s, NULL);
    assert_int_equal(m.verdict, HC_ALIGN_REFUSED);
    if (!strstr(m.why, says)) {
        print_error("\"%s\" does not say \"%s\"\n", m.why, says);
        fail();
    }
    hc_align_mosaic_release(&m);
}

static void strangers_are_named(void **state)
{
    struct set s = {0}, two;
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 420, 400, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    add_plate(&s, &(struct lay){380, 60, 420, 400, 1, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    add_plate(&s, &(struct lay){300, 300, 420, 400, 0, 1, 0}, ALIGN_XRAY, 6, 1, 0); // another scene
    refused(&s, "2 of 3 plates join; no overlap with these was found: C;");
    two = (struct set){.src = {s.src[0], s.src[2]}, .name = {"A", "C"}, .n = 2};
    refused(&two, "no two of these plates");
    add_plate(&s, &(struct lay){900, 700, 420, 400, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0); // far off
    two = (struct set){.src = {s.src[0], s.src[3]}, .name = {"A", "D"}, .n = 2};
    refused(&two, "no two of these plates");
    release(&s);
}

// Six pictures of six paintings: every pair is unrelated.
static void unrelated_plates(void **state)
{
    struct set s = {0};
    (void)state;
    for (uint64_t k = 0; k < 6; k++) {
        add_plate(&s, &(struct lay){500, 400, 360, 360, 0, 1, 0}, ALIGN_XRAY, 20 + k, 1, 0);
    }
    refused(&s, "no two of these plates");
    release(&s);
}

// Nothing but an even weave: it fits everywhere, so it is no proof of a place.
static void weave_alone(void **state)
{
    struct set s = {0};
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 420, 400, 0, 1, 0}, ALIGN_WEAVE, 5, 1, 0);
    add_plate(&s, &(struct lay){390, 60, 420, 400, 0.5, 1, 0}, ALIGN_WEAVE, 5, 1, 0);
    refused(&s, "");
    release(&s);
}

static void one_plate_twice(void **state)
{
    struct set s = {0};
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 420, 400, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    add_plate(&s, &(struct lay){41, 50, 420, 400, 0.1, 1, 0}, ALIGN_XRAY, 5, 1.3, 0);
    refused(&s, "plates A and B show the same area");
    s.src[1] = s.src[0]; // the very same pixels
    refused(&s, "plates A and B show the same area");
    release(&s);
}

// A plate put together from two that do not belong like that: each overlap is sound, together they
// cannot be.
static void overlaps_that_contradict(void **state)
{
    struct set s = {0};
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 420, 400, 0, 1, 0}, ALIGN_XRAY, 8, 1, 0);
    add_plate(&s, &(struct lay){380, 50, 420, 400, 0, 1, 0}, ALIGN_XRAY, 8, 1, 0);
    add_plate(&s, &(struct lay){200, 330, 420, 400, 0, 1, 0}, ALIGN_XRAY, 8, 1, 0);
    add_plate(&s, &(struct lay){200, 345, 420, 400, 0, 1, 0}, ALIGN_XRAY, 8, 1, 0);
    for (int y = 0; y < 400; y++) { // its right half 15 px off
        memcpy(hc_plane_row(&s.px[2], y) + 210, hc_plane_row(&s.px[3], y) + 210,
               210 * sizeof(float));
    }
    hc_plane_release(&s.px[3]);
    s.n = 3;
    refused(&s, "contradicts");
    release(&s);
}

static void useless_plates(void **state)
{
    struct set s = {0};
    struct hc_align_mosaic m;
    struct hc_err err = {0};
    struct hc_plane thin = {0}, blank = {0}, holed = {0};
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 300, 300, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    assert_ok(hc_plane_create(&thin, 1, 300, &err), &err);
    assert_ok(hc_plane_create(&blank, 300, 300, &err), &err);
    assert_ok(hc_plane_create(&holed, 300, 300, &err), &err);
    hc_plane_copy(&holed, &s.px[0]);
    holed.px[300 * 7 + 3] = NAN;
    s.name[1] = "B";
    s.n = 2;
    s.src[1] = hc_align_source_plane(&thin);
    assert_int_equal(hc_align_mosaic_solve(&m, s.src, s.name, 2, false, NULL, NULL, &err),
                     HC_EDATA);
    assert_non_null(strstr(err.what, "plate B is 1 x 300 px"));
    s.src[1] = hc_align_source_plane(&blank);
    assert_int_equal(hc_align_mosaic_solve(&m, s.src, s.name, 2, false, NULL, NULL, &err),
                     HC_EDATA);
    assert_non_null(strstr(err.what, "plate B is blank"));
    s.src[1] = hc_align_source_plane(&holed);
    assert_int_equal(hc_align_mosaic_solve(&m, s.src, s.name, 2, false, NULL, NULL, &err),
                     HC_EDATA);
    assert_non_null(strstr(err.what, "column 3, row 7"));
    assert_int_equal(hc_align_mosaic_solve(&m, s.src, s.name, 1, false, NULL, NULL, &err),
                     HC_ERANGE);
    assert_int_equal(
        hc_align_mosaic_solve(&m, s.src, s.name, HC_ALIGN_MOSAIC_MAX + 1, false, NULL, NULL, &err),
        HC_ERANGE);
    hc_plane_release(&thin);
    hc_plane_release(&blank);
    hc_plane_release(&holed);
    s.n = 1;
    release(&s);
}

static void threads_make_no_difference(void **state)
{
    struct set s = {0};
    struct hc_align_mosaic one, three;
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 420, 400, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    add_plate(&s, &(struct lay){380, 60, 420, 400, 1, 1, 0}, ALIGN_XRAY, 5, 0.9, 0);
    add_plate(&s, &(struct lay){200, 400, 420, 400, -1, 1, 0}, ALIGN_XRAY, 5, 1, 0.02);
    assert_ok(hc_par_create(&par, 3, &err), &err);
    join(&one, &s, NULL);
    join(&three, &s, par);
    assert_int_equal(one.verdict, HC_ALIGN_GOOD);
    assert_string_equal(one.why, three.why);
    assert_memory_equal(one.plate, three.plate, one.n * sizeof *one.plate);
    assert_int_equal(one.overlaps, three.overlaps);
    assert_memory_equal(one.overlap, three.overlap, one.overlaps * sizeof *one.overlap);
    hc_par_destroy(par);
    hc_align_mosaic_release(&one);
    hc_align_mosaic_release(&three);
    release(&s);
}

static void stop_soon(void *ctx, double fraction, const char *what)
{
    struct hc_job *job = ctx;
    (void)what;
    if (fraction > 0.5) {
        atomic_store(&job->cancel, true);
    }
}

static void cancelling(void **state)
{
    struct set s = {0};
    struct hc_align_mosaic m;
    struct hc_job job = {.progress = stop_soon, .ctx = &job};
    struct hc_err err = {0};
    size_t live;
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 420, 400, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    add_plate(&s, &(struct lay){380, 60, 420, 400, 1, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    live = hc_mem_live();
    assert_int_equal(hc_align_mosaic_solve(&m, s.src, s.name, 2, false, NULL, &job, &err),
                     HC_ECANCEL);
    assert_int_equal(hc_mem_live(), live);
    release(&s);
}

static void memory_runs_out(void **state)
{
    struct set s = {0};
    struct hc_align_mosaic m;
    struct hc_err err = {0};
    (void)state;
    add_plate(&s, &(struct lay){40, 50, 200, 200, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    add_plate(&s, &(struct lay){180, 60, 200, 200, 0, 1, 0}, ALIGN_XRAY, 5, 1, 0);
    for (long n = 1; n < 400000; n += 1 + n / 4) {
        size_t live = hc_mem_live();
        hc_status st;
        hc_mem_fail_at(n);
        st = hc_align_mosaic_solve(&m, s.src, s.name, 2, false, NULL, NULL, &err);
        hc_mem_fail_at(-1);
        if (st == HC_OK) {
            hc_align_mosaic_release(&m);
            assert_int_equal(hc_mem_live(), live);
            break;
        }
        assert_int_equal(st, HC_ENOMEM);
        assert_int_equal(hc_mem_live(), live);
    }
    release(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(xray_plates),
                                       cmocka_unit_test(infrared_frames),
                                       cmocka_unit_test(frames_in_perspective),
                                       cmocka_unit_test(sizes_may_differ),
                                       cmocka_unit_test(strangers_are_named),
                                       cmocka_unit_test(unrelated_plates),
                                       cmocka_unit_test(weave_alone),
                                       cmocka_unit_test(one_plate_twice),
                                       cmocka_unit_test(overlaps_that_contradict),
                                       cmocka_unit_test(useless_plates),
                                       cmocka_unit_test(threads_make_no_difference),
                                       cmocka_unit_test(cancelling),
                                       cmocka_unit_test(memory_runs_out)};
    return cmocka_run_group_tests_name("align_mosaic", tests, NULL, NULL);
}
