// The row functions against the double ones, and the same bits from vector and scalar code.
#include "hc_test.h"

#include "base/rng.h"
#include "colour/colour.h"
#include "colour/colour_px.h"

#define N 1003 // not a multiple of any vector or chunk

struct pairs {
    float v[6][N];
    float de[N];
};

static const float *const *half(struct pairs *p, int second, const float *out[3])
{
    for (int k = 0; k < 3; k++) {
        out[k] = p->v[3 * second + k];
    }
    return out;
}

static void run_pairs(struct pairs *p)
{
    const float *one[3], *two[3];
    hc_colour_ciede2000_row(p->de, half(p, 0, one), half(p, 1, two), N);
}

static void check_pairs(struct pairs *p)
{
    run_pairs(p);
    for (int i = 0; i < N; i++) {
        double a[3], b[3];
        for (int k = 0; k < 3; k++) {
            a[k] = (double)p->v[k][i];
            b[k] = (double)p->v[3 + k][i];
        }
        near_abs((double)p->de[i], hc_colour_ciede2000(a, b), 2e-3);
    }
}

static void draw_lab(struct hc_rng *rng, struct pairs *p, int at, int i, double chroma)
{
    double h = hc_rng_range(rng, 0, 6.283185307179586), c = chroma * hc_rng_unit(rng);
    p->v[at][i] = (float)hc_rng_range(rng, 0, 100);
    p->v[at + 1][i] = (float)(c * cos(h));
    p->v[at + 2][i] = (float)(c * sin(h));
}

static void test_far_pairs(void **state)
{
    static struct pairs p;
    struct hc_rng rng = hc_rng_make(21);
    (void)state;
    for (int round = 0; round < 100; round++) {
        for (int i = 0; i < N; i++) {
            draw_lab(&rng, &p, 0, i, 130);
            draw_lab(&rng, &p, 3, i, 130);
        }
        check_pairs(&p);
    }
}

// Neighbours: differences from 1e-4 to 10, where maps are read most.
static void test_near_pairs(void **state)
{
    static struct pairs p;
    struct hc_rng rng = hc_rng_make(22);
    (void)state;
    for (int round = 0; round < 100; round++) {
        for (int i = 0; i < N; i++) {
            double step = pow(10.0, hc_rng_range(&rng, -4, 1));
            draw_lab(&rng, &p, 0, i, 110);
            for (int k = 0; k < 3; k++) {
                p.v[3 + k][i] = p.v[k][i] + (float)(step * hc_rng_normal(&rng));
            }
        }
        check_pairs(&p);
    }
}

// Greys, exact greys, and hues on both sides of 0 and of 180 degrees apart.
static void test_awkward_pairs(void **state)
{
    static struct pairs p;
    struct hc_rng rng = hc_rng_make(23);
    (void)state;
    for (int round = 0; round < 100; round++) {
        for (int i = 0; i < N; i++) {
            double c = pow(10.0, hc_rng_range(&rng, -6, 2)), h = hc_rng_range(&rng, 0, 6.2831853);
            // Not closer to opposite than 1e-3 rad: there the formula itself jumps.
            double turn = pow(10.0, hc_rng_range(&rng, -3, 0)) * (hc_rng_unit(&rng) < 0.5 ? -1 : 1);
            draw_lab(&rng, &p, 0, i, round % 4 == 0 ? 1e-3 : 60);
            draw_lab(&rng, &p, 3, i, round % 4 == 1 ? 1e-3 : 60);
            if (round % 4 == 2) {
                p.v[1][i] = (float)(c * cos(h));
                p.v[2][i] = (float)(c * sin(h));
                p.v[4][i] = (float)(-c * cos(h + turn));
                p.v[5][i] = (float)(-c * sin(h + turn));
            } else if (round % 4 == 3) {
                p.v[1][i] = p.v[4][i] = (float)c;
                p.v[2][i] = (float)(c * turn);
                p.v[5][i] = (float)(-c * turn);
            }
            if (i % 97 == 0) {
                p.v[1][i] = p.v[2][i] = 0.0f;
            }
            if (i % 89 == 0) {
                p.v[4][i] = p.v[5][i] = 0.0f;
            }
        }
        check_pairs(&p);
    }
}

static void draw_lin(struct hc_rng *rng, float lin[3][N])
{
    for (int k = 0; k < 3; k++) {
        for (int i = 0; i < N; i++) {
            lin[k][i] = (float)(pow(10.0, hc_rng_range(rng, -5, 0.2)) - (i % 50 == 0 ? 0.05 : 0.0));
        }
    }
    lin[0][1] = lin[1][1] = lin[2][1] = 0.0f;
    lin[0][2] = lin[1][2] = lin[2][2] = 1.0f;
}

static void test_lab_row(void **state)
{
    static float lin[3][N], lab[3][N];
    const float *in[3] = {lin[0], lin[1], lin[2]};
    float *out[3] = {lab[0], lab[1], lab[2]};
    struct hc_rng rng = hc_rng_make(24);
    (void)state;
    for (int round = 0; round < 50; round++) {
        draw_lin(&rng, lin);
        hc_colour_lab_row(out, in, N);
        for (int i = 0; i < N; i++) {
            double v[3] = {(double)lin[0][i], (double)lin[1][i], (double)lin[2][i]}, want[3];
            hc_colour_lin_to_lab_d50(want, v);
            for (int k = 0; k < 3; k++) {
                near_abs((double)lab[k][i], want[k], 1e-3);
            }
        }
    }
}

static void test_srgb_rows(void **state)
{
    static float lin[3][N];
    static uint8_t rgb8[3 * N];
    static uint16_t rgb16[3 * N];
    const float *in[3] = {lin[0], lin[1], lin[2]};
    struct hc_rng rng = hc_rng_make(25);
    (void)state;
    for (int round = 0; round < 50; round++) {
        draw_lin(&rng, lin);
        hc_colour_srgb8_row(rgb8, in, N);
        hc_colour_srgb16_row(rgb16, in, N);
        for (size_t i = 0; i < N; i++) {
            double v[3] = {(double)lin[0][i], (double)lin[1][i], (double)lin[2][i]}, want[3];
            hc_colour_lin_to_srgb(want, v);
            for (size_t k = 0; k < 3; k++) {
                near_abs((double)rgb8[3 * i + k], 255.0 * want[k], 0.501);
                near_abs((double)rgb16[3 * i + k], 65535.0 * want[k], 0.6);
            }
        }
    }
    lin[0][0] = NAN;
    lin[1][0] = INFINITY;
    lin[2][0] = -INFINITY;
    hc_colour_srgb8_row(rgb8, in, 1); // must not be undefined (sanitised build) nor crash
    assert_true(rgb8[0] == 0 || rgb8[0] == 255);
}

// colour_px.h compiled here without vectors gives what the library's vector code gives.
static void test_same_bits(void **state)
{
    static struct pairs p;
    static float lin[3][N], lab[3][N];
    const float *in[3] = {lin[0], lin[1], lin[2]};
    float *out[3] = {lab[0], lab[1], lab[2]};
    struct hc_rng rng = hc_rng_make(26);
    (void)state;
    for (int i = 0; i < N; i++) {
        draw_lab(&rng, &p, 0, i, 100);
        draw_lab(&rng, &p, 3, i, 100);
    }
    run_pairs(&p);
    for (int i = 0; i < N; i++) {
        volatile float de =
            hc_px_ciede2000(p.v[0][i], p.v[1][i], p.v[2][i], p.v[3][i], p.v[4][i], p.v[5][i]);
        assert_true(de == p.de[i]);
    }
    draw_lin(&rng, lin);
    hc_colour_lab_row(out, in, N);
    for (int i = 0; i < N; i++) {
        const double *m = hc_colour_romm_to_xyz + 3;
        float y = (float)m[0] * lin[0][i] + (float)m[1] * lin[1][i] + (float)m[2] * lin[2][i];
        volatile float want = 116.0f * hc_px_lab_f(y) - 16.0f;
        assert_true(want == lab[0][i]);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_far_pairs),     cmocka_unit_test(test_near_pairs),
        cmocka_unit_test(test_awkward_pairs), cmocka_unit_test(test_lab_row),
        cmocka_unit_test(test_srgb_rows),     cmocka_unit_test(test_same_bits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
