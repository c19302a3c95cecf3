// Joining plates: exact where one is alone, no seam where two meet, no double contour, the same for
// any number of threads.
#include "hc_test.h"

#include <unistd.h>

#include "base/mem.h"
#include "base/rng.h"
#include "image/image_priv.h"
#include "num/stats.h"

static char dir[] = "/tmp/hc_image_join_XXXXXX";
static char name[5][64]; // a, b: plates; out: the picture; raster: the picture decoded; second

static int set_up(void **state)
{
    static const char *const tail[] = {"a.raster", "b.raster", "out.tif", "out.raster",
                                       "second.tif"};
    struct hc_err err = {0};
    (void)state;
    assert_non_null(mkdtemp(dir));
    for (int i = 0; i < 5; i++) {
        snprintf(name[i], sizeof name[i], "%s/%s", dir, tail[i]);
    }
    return hc_image_init("/proc/self/exe", &err) == HC_OK ? 0 : 1;
}

static int tear_down(void **state)
{
    (void)state;
    for (int i = 0; i < 5; i++) {
        unlink(name[i]);
    }
    hc_image_shutdown();
    return rmdir(dir);
}

// A plate that shows the scene from x0, y0 of the mosaic on: (scene - offset) / gain, with noise.
struct shot {
    double x0, y0, gain, offset, noise, turn; // turn: rad about its corner
    int w, h;
};

static double edges(double x, double y, int band)
{
    return 0.4 + 0.1 * sin(0.01 * x + 0.013 * y + band) +
           (fmod(x + 0.3 * y + 1000, 40) < 20 ? 0.1 : 0); // stripes with sharp edges
}

static double slow(double x, double y, int band)
{
    return 0.4 + 0.1 * sin(0.01 * x + 0.013 * y + band);
}

static struct hc_homog to_mosaic(const struct shot *s)
{
    double c = cos(s->turn), d = sin(s->turn);
    return (struct hc_homog){{c, -d, s->x0, d, c, s->y0, 0, 0, 1}};
}

static struct hc_raster *shoot(const char *path, const struct shot *s, int bands,
                               double (*scene)(double, double, int), uint64_t seed)
{
    struct hc_rng rng = hc_rng_make(seed);
    struct hc_raster_writer *out = NULL;
    struct hc_raster *r = NULL;
    struct hc_plane row[3] = {{0}};
    struct hc_homog map = to_mosaic(s);
    struct hc_err err = {0};
    assert_ok(hc_raster_create(&out, path, s->w, s->h, bands, &err), &err);
    for (int b = 0; b < bands; b++) {
        assert_ok(hc_plane_create(&row[b], s->w, 1, &err), &err);
    }
    for (int y = 0; y < s->h; y++) {
        for (int b = 0; b < bands; b++) {
            for (int x = 0; x < s->w; x++) {
                struct hc_pt q = hc_homog_apply(&map, (struct hc_pt){x + 0.5, y + 0.5});
                double v = scene(q.x, q.y, b) + s->noise * hc_rng_normal(&rng);
                row[b].px[x] = (float)((v - s->offset) / s->gain);
            }
        }
        assert_ok(hc_raster_append(out, row, &err), &err);
    }
    assert_ok(hc_raster_finish(out, &err), &err);
    for (int b = 0; b < bands; b++) {
        hc_plane_release(&row[b]);
    }
    assert_ok(hc_raster_open(&r, path, &err), &err);
    return r;
}

// Joins two shots into w x h and reads the file back as the program would; returns the share
// covered. `believed` is what the joining is told of the second shot.
static double join(struct hc_plane *bands, const struct shot *a, const struct shot *b,
                   const struct shot *believed, int n_bands, double (*scene)(double, double, int),
                   int w, int h)
{
    struct hc_raster *ra = shoot(name[0], a, n_bands, scene, 1),
                     *rb = shoot(name[1], b, n_bands, scene, 2), *back = NULL;
    struct hc_join_plate plate[] = {{ra, to_mosaic(a), a->gain, a->offset},
                                    {rb, to_mosaic(believed), believed->gain, believed->offset}};
    struct hc_join_picture picture = {name[2], w, h, 0, 1, "two plates"};
    struct hc_err err = {0};
    double covered = 0;
    assert_ok(hc_image_join(&covered, &picture, plate, 2, NULL, NULL, &err), &err);
    assert_ok(hc_image_to_raster(name[2], name[3], NULL, NULL, NULL, &err), &err);
    assert_ok(hc_raster_open(&back, name[3], &err), &err);
    assert_int_equal(hc_raster_w(back), w);
    assert_int_equal(hc_raster_h(back), h);
    for (int c = 0; c < n_bands; c++) {
        assert_ok(hc_plane_create(&bands[c], w, h, &err), &err);
        assert_ok(hc_raster_read(back, c, 0, 0, &bands[c], &err), &err);
    }
    hc_raster_close(back);
    hc_raster_close(ra);
    hc_raster_close(rb);
    return covered;
}

// The exact light comes back to a 16-bit step (of the sRGB curve: at most 4e-5 here) where a plate
// is alone. Where two are, their slow bands differ a little near the borders, beyond which each
// knows nothing: 1 % of the stripes' contrast (rms), a tenth at most in a corner. Where none is
// there is 0.
static void alone_it_stands_as_it_is(void **state)
{
    struct shot a = {0, 0, 1, 0, 0, 0, 300, 200}, b = {220, 40, 0.8, 0.05, 0, 0, 300, 200};
    struct hc_plane p[3] = {{0}};
    (void)state;
    for (int bands = 1; bands <= 3; bands += 2) {
        double covered = join(p, &a, &b, &b, bands, edges, 520, 240);
        double square = 0;
        near_abs(covered, (2 * 300 * 200 - 80 * 160) / (520.0 * 240), 1e-12);
        for (int c = 0; c < bands; c++) {
            for (int y = 0; y < 240; y++) {
                for (int x = 0; x < 520; x++) {
                    bool in_a = x < 300 && y < 200, in_b = x >= 220 && y >= 40;
                    double v = (double)hc_plane_get(&p[c], x, y);
                    double e = fabs(v - (in_a || in_b ? edges(x + 0.5, y + 0.5, c) : 0));
                    square += in_a && in_b ? e * e / (80 * 160 * bands) : 0;
                    near_abs(e, 0, in_a && in_b ? 1e-2 : 5e-5);
                }
            }
            hc_plane_release(&p[c]);
        }
        near_abs(sqrt(square), 0, 1.5e-3);
    }
}

// A tone error that is left over (here 8 % gain, as by an uneven film) must not make an edge: the
// step across any column of the overlap stays below the noise.
static void no_seam(void **state)
{
    struct shot a = {0, 0, 1, 0, 0.01, 0, 400, 300}, b = {280, 0, 1, 0, 0.01, 0.02, 420, 300},
                dim = b;
    struct hc_plane p[1] = {{0}};
    double worst = 0;
    (void)state;
    dim.gain = 1 / 0.92;
    join(p, &a, &dim, &b, 1, slow, 680, 290);
    for (int x = 250; x < 420; x++) { // column means over 240 rows: noise 0.01 / sqrt(240)
        double left = 0, right = 0;
        for (int y = 20; y < 260; y++) {
            left += ((double)hc_plane_get(&p[0], x, y) - slow(x + 0.5, y + 0.5, 0)) / 240;
            right += ((double)hc_plane_get(&p[0], x + 1, y) - slow(x + 1.5, y + 0.5, 0)) / 240;
        }
        worst = fmax(worst, fabs(right - left));
    }
    near_abs(worst, 0, 0.004); // 8 % of 0.4 is 0.032: as an edge it would be eight times this
    hc_plane_release(&p[0]);
}

// Plates a pixel apart from where they are believed: a sharp stripe is drawn double only in the
// narrow band of change, not over the whole overlap.
static void no_double_contour(void **state)
{
    struct shot a = {0, 0, 1, 0, 0, 0, 400, 200}, b = {150, 0, 1, 0, 0, 0, 400, 200}, off = b;
    struct hc_plane p[1] = {{0}};
    int blurred = 0, all = 0;
    (void)state;
    off.x0 += 3;
    join(p, &a, &off, &b, 1, edges, 550, 200);
    for (int y = 90; y < 110; y++) { // a stripe's value stands between its two tones where doubled
        for (int x = 150; x < 400; x++) {
            double v = (double)hc_plane_get(&p[0], x, y) - slow(x + 0.5, y + 0.5, 0);
            blurred += v > 0.03 && v < 0.07;
            all++;
        }
    }
    // Averaged over the whole overlap 15 % of the pixels (3 of 20 at each edge) would be doubled.
    near_abs((double)blurred / all, 0, 0.04);
    hc_plane_release(&p[0]);
}

static void threads_make_no_difference(void **state)
{
    struct shot a = {0, 0, 1, 0, 0.01, 0, 500, 400}, b = {300, 60, 0.8, 0.05, 0.01, 0.03, 500, 400};
    struct hc_raster *ra = shoot(name[0], &a, 1, edges, 1), *rb = shoot(name[1], &b, 1, edges, 2);
    struct hc_join_plate plate[] = {{ra, to_mosaic(&a), 1, 0}, {rb, to_mosaic(&b), 0.8, 0.05}};
    struct hc_par *par = NULL;
    struct hc_err err = {0};
    struct hc_buf file[2] = {{0}};
    (void)state;
    assert_ok(hc_par_create(&par, 3, &err), &err);
    for (int k = 0; k < 2; k++) {
        struct hc_join_picture picture = {name[k ? 4 : 2], 820, 480, 0, 1, "x"};
        double covered;
        char part[4096];
        size_t n;
        FILE *f;
        assert_ok(hc_image_join(&covered, &picture, plate, 2, k ? par : NULL, NULL, &err), &err);
        f = fopen(picture.path, "rb");
        assert_non_null(f);
        while ((n = fread(part, 1, sizeof part, f)) > 0) {
            hc_buf_bytes(&file[k], part, n);
        }
        fclose(f);
    }
    assert_int_equal(file[0].len, file[1].len);
    assert_memory_equal(file[0].data, file[1].data, file[0].len);
    hc_buf_release(&file[0]);
    hc_buf_release(&file[1]);
    hc_par_destroy(par);
    hc_raster_close(ra);
    hc_raster_close(rb);
}

static void bad_requests(void **state)
{
    struct shot a = {0, 0, 1, 0, 0, 0, 50, 40};
    struct hc_raster *ra = shoot(name[0], &a, 1, slow, 1), *rb = shoot(name[1], &a, 3, slow, 1);
    struct hc_join_plate plate[] = {{ra, to_mosaic(&a), 1, 0}, {rb, to_mosaic(&a), 1, 0}};
    struct hc_join_picture picture = {name[4], 50, 40, 0, 1, NULL};
    struct hc_err err = {0};
    double covered;
    (void)state;
    unlink(name[4]);
    assert_int_equal(hc_image_join(&covered, &picture, plate, 2, NULL, NULL, &err), HC_EARG);
    picture.w = HC_IMAGE_MAX_SIDE + 1;
    assert_int_equal(hc_image_join(&covered, &picture, plate, 1, NULL, NULL, &err), HC_ELIMIT);
    picture.w = 50;
    plate[0].to_mosaic = (struct hc_homog){{0}};
    assert_int_not_equal(hc_image_join(&covered, &picture, plate, 1, NULL, NULL, &err), HC_OK);
    assert_int_equal(access(name[4], F_OK), -1);
    hc_raster_close(ra);
    hc_raster_close(rb);
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(alone_it_stands_as_it_is), cmocka_unit_test(no_seam),
        cmocka_unit_test(no_double_contour), cmocka_unit_test(threads_make_no_difference),
        cmocka_unit_test(bad_requests)};
    int code = hc_image_child_main(argc, argv);
    return code >= 0 ? code : cmocka_run_group_tests_name("image_join", tests, set_up, tear_down);
}
