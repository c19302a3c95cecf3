#include "hc_test.h"

#include "base/mem.h"
#include "base/par.h"
#include "base/rng.h"
#include "colour/colour.h"
#include "forecast/forecast.h"
#include "forecast/forecast_priv.h"
#include "num/linear.h"

// A small painting made with the coat model itself: patches of invented paints (ramps and bumps,
// not the library's family), one coat whose thickness varies over the picture.
#define SIDE 96
#define PATCH 12
#define SPOT 8 // window side

struct painting {
    struct hc_lin3 before, after;
    struct hc_plane uv, zone, radius, coat, reason;
    struct hc_lin3 out;
    struct hc_forecast_window window[12];
    float *px;
    float clip[3];
    struct hc_forecast_input in;
};

static void invented_paint(double rho[31], int i)
{
    double light = 0.03 + 0.8 * (double)((i * 37) % 64) / 63, at = 430 + (i * 53) % 220;
    double depth = 0.9 * (double)((i * 29) % 16) / 15;
    for (int b = 0; b < 31; b++) {
        double u = (hc_spectrum_nm[b] - at) / 60;
        rho[b] = light * (1 - depth * exp(-0.5 * u * u)) * (0.8 + 0.2 * b / 30.0);
    }
}

static double thickness(int x, int y, double sway)
{
    return exp(sway * sin(x * 0.05) * cos(y * 0.04 + 1));
}

static void cut(struct painting *p, int n)
{
    size_t m = SPOT * SPOT;
    float *at = p->px = hc_mem_array((size_t)n * m * 9, sizeof *at);
    assert_non_null(at);
    for (int i = 0; i < n; i++, at += m * 9) {
        // One window per chosen patch, spread over the picture and over lightness.
        int cell = (i * 23 + 5) % 64, x0 = cell % 8 * PATCH + 2, y0 = cell / 8 * PATCH + 2;
        struct hc_forecast_window *w = &p->window[i];
        *w = (struct hc_forecast_window){.id = 10 + i, .surface = HC_SURFACE_SATURATED, .n = m};
        for (int k = 0; k < 3; k++) {
            w->before[k] = at + (size_t)k * m;
            w->after[k] = at + (size_t)(3 + k) * m;
        }
        w->uv = at + 6 * m;
        w->x = at + 7 * m;
        w->y = at + 8 * m;
        for (size_t j = 0; j < m; j++) {
            int x = x0 + (int)j % SPOT, y = y0 + (int)j / SPOT;
            for (int k = 0; k < 3; k++) {
                at[(size_t)k * m + j] = hc_plane_get(&p->before.ch[k], x, y);
                at[(size_t)(3 + k) * m + j] = hc_plane_get(&p->after.ch[k], x, y);
            }
            at[6 * m + j] = hc_plane_get(&p->uv, x, y);
            at[7 * m + j] = (float)x + 0.5f;
            at[8 * m + j] = (float)y + 0.5f;
        }
    }
}

static void paint(struct painting *p, int n_windows, double a0, double haze, double sway,
                  double noise)
{
    struct hc_rng rng = hc_rng_make(5);
    struct hc_coat coat = {a0, 60, a0 > 0 ? 0.015 : 0, haze, 0.005}, bare = {0, 60, 0, 0, 0.005};
    *p = (struct painting){.clip = {0.99f, 0.99f, 0.99f}};
    assert_ok(hc_lin3_create(&p->before, SIDE, SIDE, NULL), NULL);
    assert_ok(hc_lin3_create(&p->after, SIDE, SIDE, NULL), NULL);
    assert_ok(hc_lin3_create(&p->out, SIDE, SIDE, NULL), NULL);
    struct hc_plane *plane[5] = {&p->uv, &p->zone, &p->radius, &p->coat, &p->reason};
    for (int i = 0; i < 5; i++) {
        assert_ok(hc_plane_create(plane[i], SIDE, SIDE, NULL), NULL);
    }
    for (int y = 0; y < SIDE; y++) {
        for (int x = 0; x < SIDE; x++) {
            double rho[31], r[31], lin[3], d = thickness(x, y, sway);
            invented_paint(rho, x / PATCH + y / PATCH * 8);
            hc_coat_over(r, rho, hc_spectrum_nm, 31, d, &coat);
            hc_spectrum_to_lin(lin, r);
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&p->before.ch[k], y)[x] =
                    (float)(lin[k] + noise * hc_rng_normal(&rng));
            }
            hc_coat_over(r, rho, hc_spectrum_nm, 31, 0, &bare);
            hc_spectrum_to_lin(lin, r);
            for (int k = 0; k < 3; k++) {
                hc_plane_row(&p->after.ch[k], y)[x] = (float)(lin[k] + noise * hc_rng_normal(&rng));
            }
            hc_plane_row(&p->uv, y)[x] = (float)(0.4 * (1 - exp(-0.9 * d)));
        }
    }
    cut(p, n_windows);
    p->in = (struct hc_forecast_input){.window = p->window,
                                       .n_windows = (size_t)n_windows,
                                       .wanted = HC_SURFACE_SATURATED,
                                       .frame_w = SIDE,
                                       .frame_h = SIDE,
                                       .over = p->before,
                                       .over_uv = &p->uv,
                                       .over_cell_px = 1,
                                       .clip_level = p->clip};
}

static void clean_up(struct painting *p)
{
    hc_lin3_release(&p->before);
    hc_lin3_release(&p->after);
    hc_lin3_release(&p->out);
    hc_plane_release(&p->uv);
    hc_plane_release(&p->zone);
    hc_plane_release(&p->radius);
    hc_plane_release(&p->coat);
    hc_plane_release(&p->reason);
    hc_mem_free(p->px);
}

static struct hc_forecast_rows rows_of(struct painting *p)
{
    return (struct hc_forecast_rows){.before = p->before,
                                     .uv = p->uv,
                                     .zone = p->zone,
                                     .after = p->out,
                                     .radius = p->radius,
                                     .coat = p->coat,
                                     .reason = p->reason};
}

static struct hc_forecast *fit(struct painting *p)
{
    struct hc_forecast *f = NULL;
    struct hc_err err;
    assert_ok(hc_forecast_fit(&f, &p->in, NULL, NULL, &err), &err);
    assert_non_null(f);
    return f;
}

static int reason_at(const struct painting *p, int x, int y)
{
    return (int)hc_plane_get(&p->reason, x, y);
}

static double error_at(const struct painting *p, const struct hc_lin3 *guess, int x, int y)
{
    double a[3], b[3], la[3], lb[3];
    for (int k = 0; k < 3; k++) {
        a[k] = (double)hc_plane_get(&guess->ch[k], x, y);
        b[k] = (double)hc_plane_get(&p->after.ch[k], x, y);
    }
    hc_colour_lin_to_lab_d50(la, a);
    hc_colour_lin_to_lab_d50(lb, b);
    return hc_colour_ciede2000(la, lb);
}

// ---- laws of the parts ----

// The library's fast coat is the colour room's coat.
static void library_agrees_with_coat_model(void **state)
{
    (void)state;
    static struct fc_library lib;
    struct fc_basis b = fc_basis_make();
    struct fc_theta t = {0.6, 58, 0.02, 0.005, 0.009, 0.015};
    struct fc_maps m;
    double white[3] = {1, 1, 1}, v[3], worst = 0;
    hc_linear_apply3(v, b.to, white);
    for (int k = 0; k < 3; k++) {
        near_abs(v[k], 1, 1e-12);
    }
    fc_library_make(&lib, &b);
    fc_maps_train(&m, &lib, FC_PAINTS, &t);
    for (int i = 0; i < FC_PAINTS; i += 7) { // the maps give the library's own paints back
        struct hc_coat coat = {t.a0, t.slope_nm, t.grey, t.haze, t.before},
                       bare = {0, 60, 0, 0, t.after};
        double r[31], lin[3], before[3], after[3], f[FC_FEATURES], ln_v[3], ratio[3], la[3], lb[3];
        hc_coat_over(r, lib.rho[i], hc_spectrum_nm, 31, 0.95, &coat);
        hc_spectrum_to_lin(lin, r);
        hc_linear_apply3(before, b.to, lin);
        hc_coat_over(r, lib.rho[i], hc_spectrum_nm, 31, 0, &bare);
        hc_spectrum_to_lin(lin, r);
        hc_colour_lin_to_lab_d50(lb, lin);
        fc_features(f, ln_v, &m, before);
        fc_ratio(ratio, &m, f, 0.95);
        for (int k = 0; k < 3; k++) {
            after[k] = exp(ln_v[k] + ratio[k]) + m.after;
        }
        fc_lab_of_inner(la, &b, after);
        worst += hc_colour_ciede2000(la, lb) / (FC_PAINTS / 7);
    }
    assert_true(worst < 2.0); // mean; metamerism is what remains
}

// No coat, no haze: nothing changes.
static void no_coat_is_identity(void **state)
{
    (void)state;
    static struct fc_library lib;
    struct fc_basis b = fc_basis_make();
    struct fc_theta t = {0, 55, 0, 0.006, 0.006, 0};
    struct fc_maps m;
    fc_library_make(&lib, &b);
    fc_maps_train(&m, &lib, FC_PAINTS, &t);
    for (int i = 0; i < 50; i++) {
        double v[3] = {0.02 * i + 0.01, 0.015 * i + 0.01, 0.012 * i + 0.01}, f[FC_FEATURES],
               ln_v[3], r[3];
        fc_features(f, ln_v, &m, v);
        fc_ratio(r, &m, f, 1);
        for (int k = 0; k < 3; k++) {
            near_abs(r[k], 0, 1e-9);
            near_abs(exp(ln_v[k] + r[k]) + m.after, v[k], 2e-4);
        }
    }
}

// More coat to take away means a lighter, less yellow look.
static void more_coat_more_change(void **state)
{
    (void)state;
    static struct fc_library lib;
    struct fc_basis b = fc_basis_make();
    struct fc_theta t = {0.6, 58, 0.02, 0.005, 0.005, 0.015};
    struct fc_maps m;
    double v[3] = {0.45, 0.42, 0.25}, f[FC_FEATURES], ln_v[3], r[3], last = -1;
    fc_library_make(&lib, &b);
    fc_maps_train(&m, &lib, FC_PAINTS, &t);
    fc_features(f, ln_v, &m, v);
    for (int i = 0; i < 20; i++) {
        fc_ratio(r, &m, f, 0.2 + 0.11 * i);
        assert_true(r[2] > last && r[2] > r[1] && r[1] > 0);
        last = r[2];
    }
}

// ---- the whole ----

static void recovers_the_coat(void **state)
{
    (void)state;
    struct painting p;
    paint(&p, 10, 0.6, 0.02, 0.3, 0);
    struct hc_forecast *f = fit(&p);
    const struct hc_forecast_summary *s = hc_forecast_get_summary(f);
    struct hc_forecast_rows rows = rows_of(&p);
    double mean = 0, nothing = 0, n = 0, cover = 0, same = 0;
    near_abs(s->coat_slope_nm, 60, 12);
    assert_true(s->coat_haze > 0.01 && s->coat_haze < 0.04);
    assert_true(s->is_uv_used && s->has_uv);
    assert_int_equal(s->n_windows, 10);
    hc_forecast_render(f, &rows, 0, 0);
    for (int y = 0; y < SIDE; y++) {
        for (int x = 0; x < SIDE; x++) {
            if (reason_at(&p, x, y) == 0) {
                double de = error_at(&p, &p.out, x, y);
                mean += de;
                nothing += error_at(&p, &p.before, x, y);
                cover += de <= (double)hc_plane_get(&p.radius, x, y);
                same += log((double)hc_plane_get(&p.coat, x, y) / thickness(x, y, 0.3));
                n++;
            }
        }
    }
    assert_true(n > 0.75 * SIDE * SIDE);
    assert_true(mean / n < 2.0 && nothing / n > 5);
    assert_true(cover / n > 0.88);
    assert_true(fabs(same / n) < 0.35);
    for (size_t i = 0; i < s->n_windows; i++) {
        assert_int_equal(s->report[i].id, 10 + (int)i);
        assert_true(s->report[i].left_out_de < s->report[i].nothing_de + 2);
    }
    assert_true(s->has_next && s->next_x_px > 0 && s->next_x_px < SIDE && strlen(s->next_why) > 20);
    assert_non_null(strstr(s->caveat, "Predicted look after removing this coat"));
    assert_null(strstr(s->caveat, "original"));
    hc_forecast_destroy(f);
    clean_up(&p);
}

// The tables say what the model says.
static void tables_agree_with_model(void **state)
{
    (void)state;
    struct painting p;
    paint(&p, 8, 0.6, 0.02, 0.3, 0.0008);
    struct hc_forecast *f = fit(&p);
    struct hc_forecast_rows rows = rows_of(&p);
    double worst = 0, mean = 0, n = 0;
    hc_forecast_render(f, &rows, 0, 0);
    for (int y = 0; y < SIDE; y += 3) {
        for (int x = 0; x < SIDE; x += 3) {
            double lin[3], v[3], t[HC_ESTIMATOR_BLEND][3], o[3], lab[3], got[3], km, kv, uv;
            struct fc_ready r;
            if (reason_at(&p, x, y) != 0) {
                continue;
            }
            for (int k = 0; k < 3; k++) {
                lin[k] = (double)hc_plane_get(&p.before.ch[k], x, y);
                got[k] = (double)hc_plane_get(&p.out.ch[k], x, y);
            }
            uv = log((double)hc_plane_get(&p.uv, x, y) / f->uv_unit);
            hc_linear_apply3(v, f->basis.to, lin);
            fc_coat_krige(&f->full.coat[f->which], (x + 0.5) / SIDE, (y + 0.5) / SIDE, &km, &kv);
            fc_model_ready(&r, &f->full, f->which, v);
            fc_model_at(o, &f->full, &r,
                        fc_coat_cue(&f->full.coat[f->which], uv, fc_model_cue(&f->full, v)) + km);
            for (int e = 0; e < HC_ESTIMATOR_BLEND; e++) {
                if (e > 0) {
                    fc_plain_apply(o, &f->full, &f->basis, e - 1, v, lin, uv);
                }
                for (int k = 0; k < 3; k++) {
                    t[e][k] = fc_t(o[k]);
                }
            }
            fc_blend_t(o, f->weight, (const double(*)[3])t);
            for (int k = 0; k < 3; k++) {
                o[k] = fc_t_inverse(o[k]);
            }
            fc_lab_of_inner(lab, &f->basis, o);
            hc_colour_lin_to_lab_d50(v, got);
            double de = hc_colour_ciede2000(lab, v);
            worst = de > worst ? de : worst;
            mean += de;
            n++;
        }
    }
    assert_true(n > 300);
    assert_true(mean / n < 0.35); // far below what the model itself can promise
    assert_true(worst < 2.5);
    hc_forecast_destroy(f);
    clean_up(&p);
}

static void same_bytes_for_any_threads(void **state)
{
    (void)state;
    struct painting p, q;
    struct hc_forecast *f, *g = NULL;
    struct hc_par *par = NULL;
    paint(&p, 7, 0.6, 0.02, 0.3, 0.001);
    paint(&q, 7, 0.6, 0.02, 0.3, 0.001);
    f = fit(&p);
    assert_ok(hc_par_create(&par, 2, NULL), NULL);
    assert_ok(hc_forecast_fit(&g, &q.in, par, NULL, NULL), NULL);
    struct hc_forecast_rows a = rows_of(&p), b = rows_of(&q);
    hc_forecast_render(f, &a, 0, 0);
    for (int y = 0; y < SIDE; y += 17) { // in blocks, as the runner does
        struct hc_forecast_rows part = b;
        int h = SIDE - y < 17 ? SIDE - y : 17;
        for (int k = 0; k < 3; k++) {
            part.before.ch[k] = hc_plane_part(&b.before.ch[k], 0, y, SIDE, h);
            part.after.ch[k] = hc_plane_part(&b.after.ch[k], 0, y, SIDE, h);
        }
        part.uv = hc_plane_part(&b.uv, 0, y, SIDE, h);
        part.zone = hc_plane_part(&b.zone, 0, y, SIDE, h);
        part.radius = hc_plane_part(&b.radius, 0, y, SIDE, h);
        part.coat = hc_plane_part(&b.coat, 0, y, SIDE, h);
        part.reason = hc_plane_part(&b.reason, 0, y, SIDE, h);
        hc_forecast_render(g, &part, 0, y);
    }
    size_t bytes = SIDE * SIDE * sizeof(float);
    assert_memory_equal(p.out.ch[0].px, q.out.ch[0].px, bytes);
    assert_memory_equal(p.out.ch[2].px, q.out.ch[2].px, bytes);
    assert_memory_equal(p.radius.px, q.radius.px, bytes);
    assert_memory_equal(p.coat.px, q.coat.px, bytes);
    assert_memory_equal(p.reason.px, q.reason.px, bytes);
    hc_forecast_destroy(f);
    hc_forecast_destroy(g);
    hc_par_destroy(par);
    clean_up(&p);
    clean_up(&q);
}

// ---- refusals ----

static hc_status refuse(struct painting *p, struct hc_err *err)
{
    struct hc_forecast *f = NULL;
    hc_status st = hc_forecast_fit(&f, &p->in, NULL, NULL, err);
    assert_null(f);
    return st;
}

static void too_few_windows(void **state)
{
    (void)state;
    struct painting p;
    struct hc_err err = {0};
    paint(&p, 3, 0.6, 0.02, 0.3, 0);
    assert_int_equal(refuse(&p, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "at least 4"));
    p.in.n_windows = 0;
    assert_int_equal(refuse(&p, &err), HC_EREFUSED);
    clean_up(&p);
}

// The least that is accepted; a left-out refit then has three.
static void four_windows_will_do(void **state)
{
    (void)state;
    struct painting p;
    double de = 0, nothing = 0;
    paint(&p, 4, 0.6, 0.02, 0.2, 0.0008);
    struct hc_forecast *f = fit(&p);
    struct hc_forecast_rows rows = rows_of(&p);
    const struct hc_forecast_summary *s = hc_forecast_get_summary(f);
    assert_false(s->is_distribution_free);
    assert_non_null(strstr(s->caveat, "model-based"));
    hc_forecast_render(f, &rows, 0, 0);
    for (int y = 0; y < SIDE; y++) {
        for (int x = 0; x < SIDE; x++) {
            if (reason_at(&p, x, y) == 0) {
                de += error_at(&p, &p.out, x, y);
                nothing += error_at(&p, &p.before, x, y);
            }
        }
    }
    assert_true(nothing > 0 && de < 0.6 * nothing);
    hc_forecast_destroy(f);
    clean_up(&p);
}

static void one_lightness_class(void **state)
{
    (void)state;
    struct painting p;
    struct hc_err err = {0};
    paint(&p, 6, 0.6, 0.02, 0.3, 0.0005);
    for (size_t w = 1; w < 6; w++) { // six windows on one paint
        for (int k = 0; k < 3; k++) {
            p.window[w].before[k] = p.window[0].before[k];
            p.window[w].after[k] = p.window[0].after[k];
        }
    }
    assert_int_equal(refuse(&p, &err), HC_EREFUSED);
    assert_non_null(strstr(err.what, "equally light"));
    clean_up(&p);
}

static void mixed_surface_states(void **state)
{
    (void)state;
    struct painting p;
    struct hc_err err = {0};
    paint(&p, 8, 0.6, 0.02, 0.3, 0.0005);
    for (size_t w = 0; w < 5; w++) {
        p.window[w].surface = HC_SURFACE_BARE;
    }
    assert_int_equal(refuse(&p, &err), HC_EREFUSED); // 3 of 8 are saturated
    assert_non_null(strstr(err.what, "only 3 of 8"));
    p.in.wanted = HC_SURFACE_BARE; // the other five will do
    struct hc_forecast *f = fit(&p);
    const struct hc_forecast_summary *s = hc_forecast_get_summary(f);
    assert_int_equal(s->n_windows, 5);
    assert_int_equal(s->n_other_state, 3);
    assert_non_null(strstr(s->caveat, "left aside"));
    hc_forecast_destroy(f);
    clean_up(&p);
}

// Nothing was removed: doing nothing is right, and the forecast says that it has no skill.
static void no_gain(void **state)
{
    (void)state;
    struct painting p;
    paint(&p, 8, 0, 0, 0, 0.0002);
    struct hc_forecast *f = fit(&p);
    const struct hc_forecast_summary *s = hc_forecast_get_summary(f);
    struct hc_forecast_rows rows = rows_of(&p);
    hc_forecast_render(f, &rows, 0, 0);
    near_abs(s->refused_share[HC_REFUSAL_NO_GAIN], 1, 1e-6);
    for (int x = 0; x < SIDE; x++) {
        assert_int_equal(reason_at(&p, x, 40), HC_REFUSAL_NO_GAIN);
        near_abs((double)hc_plane_get(&p.out.ch[1], x, 40),
                 (double)hc_plane_get(&p.before.ch[1], x, 40), 0);
        near_abs((double)hc_plane_get(&p.radius, x, 40), 0, 0);
    }
    hc_forecast_destroy(f);
    clean_up(&p);
}

static void pixel_refusals(void **state)
{
    (void)state;
    struct painting p;
    paint(&p, 10, 0.6, 0.02, 0.3, 0.0008);
    struct hc_forecast *f = fit(&p);
    struct hc_forecast_rows rows = rows_of(&p);
    const int y = 50;
    float *r = hc_plane_row(&p.before.ch[0], y), *g = hc_plane_row(&p.before.ch[1], y),
          *b = hc_plane_row(&p.before.ch[2], y);
    hc_plane_row(&p.zone, y)[3] = 1;
    hc_plane_row(&p.zone, y)[4] = 2;
    hc_plane_row(&p.uv, y)[5] = 0.01f; // dark in UV: something lies over the coat
    hc_plane_row(&p.uv, y)[6] = 0;
    hc_plane_row(&p.uv, y)[7] = 40.0f; // far too bright
    r[9] = 0.995f;                     // clipped
    r[11] = g[11] = b[11] = 1e-5f;     // lost in noise
    g[13] = (float)NAN;
    b[15] = (float)INFINITY;
    r[17] = 0.02f; // a green that no window shows
    g[17] = 0.6f;
    b[17] = 0.05f;
    hc_forecast_render(f, &rows, 0, 0);
    assert_int_equal(reason_at(&p, 3, y), HC_REFUSAL_ZONE);
    assert_int_equal(reason_at(&p, 4, y), HC_REFUSAL_UNSEEN);
    assert_int_equal(reason_at(&p, 5, y), HC_REFUSAL_COAT);
    assert_int_equal(reason_at(&p, 6, y), HC_REFUSAL_COAT);
    assert_int_equal(reason_at(&p, 7, y), HC_REFUSAL_COAT);
    assert_int_equal(reason_at(&p, 9, y), HC_REFUSAL_SIGNAL);
    assert_int_equal(reason_at(&p, 11, y), HC_REFUSAL_SIGNAL);
    assert_int_equal(reason_at(&p, 13, y), HC_REFUSAL_SIGNAL);
    assert_int_equal(reason_at(&p, 15, y), HC_REFUSAL_SIGNAL);
    assert_int_equal(reason_at(&p, 17, y), HC_REFUSAL_COLOUR);
    for (int yy = 0; yy < SIDE; yy++) { // finite everywhere
        for (int x = 0; x < SIDE; x++) {
            for (int k = 0; k < 3; k++) {
                assert_true(isfinite(hc_plane_get(&p.out.ch[k], x, yy)));
            }
            assert_true(isfinite(hc_plane_get(&p.radius, x, yy)) &&
                        isfinite(hc_plane_get(&p.coat, x, yy)));
            assert_true((reason_at(&p, x, yy) != 0) == !(hc_plane_get(&p.radius, x, yy) > 0));
        }
    }
    // Without the UV view it was fitted with, the coat is unknown everywhere.
    rows.uv = (struct hc_plane){0};
    hc_forecast_render(f, &rows, 0, 0);
    assert_int_equal(reason_at(&p, 60, 60), HC_REFUSAL_COAT);
    hc_forecast_destroy(f);
    clean_up(&p);
}

// A limit of the user's own.
static void radius_limit(void **state)
{
    (void)state;
    struct painting p;
    paint(&p, 8, 0.6, 0.02, 0.3, 0.0008);
    p.in.radius_limit = 2.0;
    struct hc_forecast *f = fit(&p);
    struct hc_forecast_rows rows = rows_of(&p);
    const struct hc_forecast_summary *s = hc_forecast_get_summary(f);
    double sum = 0;
    hc_forecast_render(f, &rows, 0, 0);
    for (int i = 0; i < SIDE * SIDE; i++) {
        assert_true(p.radius.px[i] <= 2.0f);
    }
    for (int i = 0; i < HC_REFUSAL_COUNT; i++) {
        sum += s->refused_share[i];
    }
    near_abs(sum, 1, 1e-6);
    assert_true(s->refused_share[HC_REFUSAL_RADIUS] > 0.3);
    hc_forecast_destroy(f);
    clean_up(&p);
}

static void works_without_uv_and_says_so(void **state)
{
    (void)state;
    struct painting p;
    double de = 0, nothing = 0;
    paint(&p, 8, 0.6, 0.02, 0.2, 0.0008);
    p.in.over_uv = NULL;
    struct hc_forecast *f = fit(&p);
    struct hc_forecast_rows rows = rows_of(&p);
    const struct hc_forecast_summary *s = hc_forecast_get_summary(f);
    rows.uv = (struct hc_plane){0};
    assert_false(s->has_uv || s->is_uv_used);
    assert_true(isnan(s->uv_gain) && isnan(s->left_out_de[HC_ESTIMATOR_AFFINE_UV]));
    assert_non_null(strstr(s->caveat, "Without a UV view"));
    hc_forecast_render(f, &rows, 0, 0);
    for (int y = 0; y < SIDE; y++) {
        for (int x = 0; x < SIDE; x++) {
            if (reason_at(&p, x, y) == 0) {
                de += error_at(&p, &p.out, x, y);
                nothing += error_at(&p, &p.before, x, y);
            }
        }
    }
    assert_true(nothing > 0 && de < 0.5 * nothing);
    hc_forecast_destroy(f);
    clean_up(&p);
}

// A window whose rim was caught wet and slipped by a few px still fits.
static void spoilt_rims_do_not_matter(void **state)
{
    (void)state;
    struct painting p;
    paint(&p, 8, 0.6, 0.02, 0.3, 0.0008);
    struct hc_forecast *f = fit(&p);
    double clean = hc_forecast_get_summary(f)->left_out_de[HC_ESTIMATOR_PHYSICAL], dirty;
    hc_forecast_destroy(f);
    for (int w = 0; w < 8; w++) {
        for (int i = 0; i < SPOT; i++) { // one row of each window
            p.px[(size_t)w * SPOT * SPOT * 9 + 3 * SPOT * SPOT + (size_t)i] *= 2.5f;
            p.px[(size_t)w * SPOT * SPOT * 9 + 5 * SPOT * SPOT + (size_t)i] *= 0.3f;
        }
    }
    f = fit(&p);
    dirty = hc_forecast_get_summary(f)->left_out_de[HC_ESTIMATOR_PHYSICAL];
    assert_true(dirty < clean + 1.0);
    hc_forecast_destroy(f);
    clean_up(&p);
}

static void bad_samples_are_named(void **state)
{
    (void)state;
    struct painting p;
    struct hc_err err = {0};
    paint(&p, 6, 0.6, 0.02, 0.3, 0);
    for (size_t i = 0; i < SPOT * SPOT - 5; i++) {
        p.px[2 * SPOT * SPOT * 9 + i] = 1.2f; // window 12 is blown out
    }
    assert_int_equal(refuse(&p, &err), HC_EDATA);
    assert_non_null(strstr(err.what, "window 12"));
    p.in.n_windows = 65;
    assert_int_equal(refuse(&p, &err), HC_ELIMIT);
    p.in.n_windows = 6;
    p.in.frame_w = 0;
    assert_int_equal(refuse(&p, &err), HC_EARG);
    clean_up(&p);
}

static void cancel_and_memory(void **state)
{
    (void)state;
    struct painting p;
    struct hc_err err = {0};
    struct hc_job job = {0};
    struct hc_forecast *f = NULL;
    paint(&p, 5, 0.6, 0.02, 0.3, 0.0005);
    size_t live = hc_mem_live();
    atomic_store(&job.cancel, true);
    assert_int_equal(hc_forecast_fit(&f, &p.in, NULL, &job, &err), HC_ECANCEL);
    assert_null(f);
    for (long n = 0; n < 40; n += 3) { // an allocation fails: a status, and nothing is lost
        hc_mem_fail_at(n);
        hc_status st = hc_forecast_fit(&f, &p.in, NULL, NULL, &err);
        hc_mem_fail_at(-1);
        assert_true(st == HC_ENOMEM || st == HC_OK);
        hc_forecast_destroy(f);
        f = NULL;
        assert_int_equal(hc_mem_live(), live);
    }
    clean_up(&p);
}

static void words(void **state)
{
    (void)state;
    for (int i = 0; i < HC_REFUSAL_COUNT; i++) {
        assert_true(strlen(hc_refusal_text((enum hc_refusal)i)) > 10);
    }
    for (int i = 0; i < HC_ESTIMATOR_COUNT; i++) {
        assert_true(strlen(hc_estimator_name((enum hc_estimator)i)) > 3);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(library_agrees_with_coat_model),
        cmocka_unit_test(no_coat_is_identity),
        cmocka_unit_test(more_coat_more_change),
        cmocka_unit_test(recovers_the_coat),
        cmocka_unit_test(tables_agree_with_model),
        cmocka_unit_test(same_bytes_for_any_threads),
        cmocka_unit_test(too_few_windows),
        cmocka_unit_test(four_windows_will_do),
        cmocka_unit_test(one_lightness_class),
        cmocka_unit_test(mixed_surface_states),
        cmocka_unit_test(no_gain),
        cmocka_unit_test(pixel_refusals),
        cmocka_unit_test(radius_limit),
        cmocka_unit_test(works_without_uv_and_says_so),
        cmocka_unit_test(spoilt_rims_do_not_matter),
        cmocka_unit_test(bad_samples_are_named),
        cmocka_unit_test(cancel_and_memory),
        cmocka_unit_test(words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
