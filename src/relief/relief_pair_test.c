#include "hc_test.h"

#include "base/buf.h"
#include "base/mem.h"
#include "base/rng.h"
#include "relief/relief_priv.h"
#include "relief/relief_scene.h"

// Ring at 60 degrees, ratio .58, dilution .75: .356; .65 to .95 gives .41 to .25.
static void test_worked(void **state)
{
    struct hc_relief_reading ring60 = {0.408, 0.769};
    (void)state;
    near_abs(hc_relief_retained(0.58, 0.75, ring60), 0.356, 6e-4);
    near_abs(hc_relief_retained(0.58, 0.65, ring60), 0.41, 5e-3);
    near_abs(hc_relief_retained(0.58, 0.95, ring60), 0.25, 5e-3);
    // Every refusal has a sentence of its own.
    for (int i = 0; i < HC_RELIEF_REFUSAL_COUNT; i++) {
        for (int j = 0; j < i; j++) {
            assert_string_not_equal(hc_relief_refusal_text((enum hc_relief_refusal)i),
                                    hc_relief_refusal_text((enum hc_relief_refusal)j));
        }
    }
}

// White noise through the filter keeps the share that is taken off.
static void test_band_noise(void **state)
{
    struct hc_plane z = {0};
    struct hc_rng r = hc_rng_make(3);
    struct hc_err err = {0};
    static const struct hc_relief_band b[] = {{0.2, 2.5}, {0.5, 0}, {0, 1}};
    (void)state;
    assert_ok(hc_plane_create(&z, 600, 600, &err), &err);
    for (size_t k = 0; k < 3; k++) {
        double sum = 0;
        for (int i = 0; i < 600 * 600; i++) {
            z.px[i] = (float)hc_rng_normal(&r);
        }
        assert_ok(hc_relief_band_filter(&z, &z, NULL, 0.05, b[k], NULL, &err), &err);
        for (int i = 0; i < 600 * 600; i++) {
            sum += (double)z.px[i] * (double)z.px[i] / (600.0 * 600);
        }
        near_abs(sum / hc_relief_band_noise(b[k], 0.05), 1, 0.06);
    }
    hc_plane_release(&z);
}

struct bed {
    struct relief_surface paint, film;
    struct hc_plane window, neighbour;
};

// Left half bare paint; right half reads dilute * paint term + film term of a film that keeps
// `kept` of every wavelength.
static void make_bed(struct bed *b, double kept, struct hc_relief_reading rd, double dilute)
{
    struct relief_waves w = relief_waves_make(0.3, 3, 0.15, 5);
    struct hc_err err = {0};
    *b = (struct bed){0};
    assert_ok(relief_surface_create(&b->paint, &w, 600, 300, 0.05, &err), &err);
    assert_ok(hc_plane_create(&b->window, 600, 300, &err), &err);
    assert_ok(hc_plane_create(&b->neighbour, 600, 300, &err), &err);
    for (int i = 0; i < 600 * 300; i++) {
        int x = i % 600;
        b->window.px[i] = x >= 10 && x < 290;
        b->neighbour.px[i] = x >= 310 && x < 590;
        if (x >= 300) {
            float k = (float)(dilute * rd.paint + rd.film * kept);
            b->paint.p.px[i] *= k;
            b->paint.q.px[i] *= k;
        }
    }
}

static void drop_bed(struct bed *b)
{
    relief_surface_release(&b->paint);
    hc_plane_release(&b->window);
    hc_plane_release(&b->neighbour);
}

static void test_pair(void **state)
{
    static const double kept[] = {0.15, 0.37, 0.66, 1.0};
    struct hc_relief_pair pairs[4];
    struct hc_err err = {0};
    (void)state;
    for (int i = 0; i < 4; i++) {
        struct bed b;
        struct hc_relief_pair_input in = {
            .mm_per_px = 0.05, .band = {0.2, 1.5}, .reading = {0.408, 0.769}, .seed = 7};
        make_bed(&b, kept[i], in.reading, 0.8);
        in.p = &b.paint.p;
        in.q = &b.paint.q;
        in.window = &b.window;
        in.neighbour = &b.neighbour;
        assert_ok(hc_relief_window_pair(&pairs[i], &in, NULL, &err), &err);
        assert_int_equal(pairs[i].refusal, HC_RELIEF_GIVEN);
        near_abs(pairs[i].retained.value, kept[i], 0.15);
        assert_true(pairs[i].retained.low <= kept[i] && pairs[i].retained.high >= kept[i]);
        assert_true(pairs[i].retained.high - pairs[i].retained.low > 0.2999);
        assert_non_null(strstr(pairs[i].why, "not yet validated"));
        if (i == 0) { // refusals
            in.noise_sd = 5;
            assert_ok(hc_relief_window_pair(&pairs[0], &in, NULL, &err), &err);
            assert_int_equal(pairs[0].refusal, HC_RELIEF_NO_TEXTURE);
            in.noise_sd = 0;
            in.band.long_mm = 12;
            assert_ok(hc_relief_window_pair(&pairs[0], &in, NULL, &err), &err);
            assert_int_equal(pairs[0].refusal, HC_RELIEF_SMALL);
            in.band.long_mm = 1.5;
            in.window = &b.neighbour; // the other way round: twice as rough under varnish
            in.neighbour = &b.window;
            assert_ok(hc_relief_window_pair(&pairs[0], &in, NULL, &err), &err);
            assert_int_equal(pairs[0].refusal, HC_RELIEF_OUTSIDE);
            near_abs(pairs[0].retained.value, 0, 0);
            in.reading = (struct hc_relief_reading){0.535, 0.535}; // lamps at 45 degrees
            assert_ok(hc_relief_window_pair(&pairs[0], &in, NULL, &err), &err);
            assert_int_equal(pairs[0].refusal, HC_RELIEF_HIGHLIGHTS);
            in.reading = (struct hc_relief_reading){0.408, 0.769};
            in.reading.film = 0;
            assert_int_equal(hc_relief_window_pair(&pairs[0], &in, NULL, &err), HC_EARG);
            in.reading.film = 0.769;
            in.window = &b.window;
            in.neighbour = &b.neighbour;
            assert_ok(hc_relief_window_pair(&pairs[0], &in, NULL, &err), &err);
        }
        drop_bed(&b);
    }
    // Forecast: 1 / ratio; more pairs, tighter; none, refused.
    struct hc_relief_forecast f, g;
    struct hc_relief_band band = {0.2, 1.5};
    hc_relief_forecast_pairs(&f, &pairs[1], 1, band);
    near_abs(f.gain.value, 1 / pairs[1].ratio.value, 1e-12);
    assert_true(f.gain.high / f.gain.value >= 1.5 - 1e-9);
    struct hc_relief_pair same[6];
    for (int i = 0; i < 6; i++) {
        same[i] = pairs[1];
    }
    hc_relief_forecast_pairs(&g, same, 6, band);
    assert_true(g.gain.low > f.gain.low && g.gain.high < f.gain.high);
    assert_non_null(strstr(g.what, "predicted to rise"));
    assert_non_null(strstr(g.what, "6 pairs"));
    same[0].refusal = HC_RELIEF_SMALL;
    hc_relief_forecast_pairs(&g, same, 1, band);
    assert_int_equal(g.refusal, HC_RELIEF_FEW_WINDOWS);
    struct hc_relief_film film = {.retained = {0.4, 0.25, 0.55}, .reading = {0.408, 0.769}};
    hc_relief_forecast_film(&f, &film, 0, band);
    near_abs(f.gain.value, 1 / (0.8 * 0.408 + 0.769 * 0.4), 1e-12);
    assert_true(f.gain.low < f.gain.value && f.gain.high > f.gain.value);
    film.refusal = HC_RELIEF_COVERAGE;
    hc_relief_forecast_film(&f, &film, 0, band);
    assert_int_equal(f.refusal, HC_RELIEF_COVERAGE);
}

// ---- mesh ----

static hc_status into_buf(void *ctx, const void *bytes, size_t n, struct hc_err *err)
{
    (void)err;
    hc_buf_bytes(ctx, bytes, n);
    return HC_OK;
}

static void test_mesh(void **state)
{
    struct hc_plane z = {0}, mask = {0};
    struct hc_buf text = {0}, binary = {0};
    struct hc_relief_mesh_sink to_text = {into_buf, &text}, to_binary = {into_buf, &binary};
    struct hc_err err = {0};
    (void)state;
    assert_ok(hc_plane_create(&z, 3, 3, &err), &err);
    assert_ok(hc_plane_create(&mask, 3, 3, &err), &err);
    hc_plane_fill(&mask, 1);
    hc_plane_row(&mask, 0)[0] = 0;
    hc_plane_row(&z, 2)[2] = 0.25f;
    assert_ok(hc_relief_mesh_ply(&z, &mask, 2, 4, true, &to_text, &err), &err);
    assert_string_equal(
        hc_buf_text(&text),
        "ply\nformat ascii 1.0\ncomment mm; x right, y up, z to the viewer; heights "
        "times 4\nelement vertex 8\nproperty float x\nproperty float y\nproperty "
        "float z\nelement face 6\nproperty list uchar int vertex_indices\n"
        "end_header\n3 5 0\n5 5 0\n1 3 0\n3 3 0\n5 3 0\n1 1 0\n3 1 0\n5 1 1\n"
        "3 0 3 4\n3 0 4 1\n3 2 5 6\n3 2 6 3\n3 3 6 7\n3 3 7 4\n");
    assert_ok(hc_relief_mesh_ply(&z, &mask, 2, 4, false, &to_binary, &err), &err);
    const char *end = strstr(hc_buf_text(&binary), "end_header\n");
    assert_non_null(end);
    size_t head = (size_t)(end - binary.data) + 11;
    assert_int_equal(binary.len - head, 8 * 12 + 6 * 13);
    static const unsigned char last[] = {3, 3, 0, 0, 0, 7, 0, 0, 0, 4, 0, 0, 0};
    assert_memory_equal(binary.data + binary.len - 13, last, 13);
    assert_int_equal(hc_relief_mesh_ply(&z, &mask, 2, 0, true, &to_text, &err), HC_EARG);
    hc_buf_release(&text);
    hc_buf_release(&binary);
    hc_plane_release(&z);
    hc_plane_release(&mask);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_worked),
                                       cmocka_unit_test(test_band_noise),
                                       cmocka_unit_test(test_pair), cmocka_unit_test(test_mesh)};
    return cmocka_run_group_tests_name("relief_pair", tests, NULL, NULL);
}
