#include "hc_test.h"

#include "relief/relief.h"

// The worked numbers: sigma .03 N/m, 50 um, 0.1 Pa s.
static void test_worked(void **state)
{
    struct hc_relief_coat c = {
        .thickness_mm = 0.05, .tension_n_per_m = 0.03, .viscosity_pa_s = 0.1};
    (void)state;
    near_abs(hc_relief_level_rate_thin(&c, 1), 19.482, 5e-4);
    near_abs(1 / hc_relief_level_rate_thin(&c, 1), 0.0513, 5e-5);
    near_abs(log(2) / hc_relief_level_rate_thin(&c, 1), 0.0356, 5e-5);
    near_abs(hc_relief_level_rate(&c, 1), 16.549, 5e-4);
    near_abs(1 / hc_relief_level_rate_thin(&c, 2), 0.821, 5e-4);
    c.viscosity_pa_s = 1;
    near_abs(1 / hc_relief_level_rate_thin(&c, 1), 0.513, 5e-4);
    c.viscosity_pa_s = 0.1;
    c.thickness_mm = 0.025;
    near_abs(1 / hc_relief_level_rate_thin(&c, 1), 0.411, 5e-4);
}

// The general law becomes the thin one on a thin film, has no step where its form changes, and
// never exceeds sigma k / (2 eta).
static void test_limits(void **state)
{
    struct hc_relief_coat c = {
        .thickness_mm = 0.05, .tension_n_per_m = 0.03, .viscosity_pa_s = 0.1};
    (void)state;
    near_abs(hc_relief_level_rate(&c, 100) / hc_relief_level_rate_thin(&c, 100), 1, 1e-4);
    double edge = 2 * M_PI * 0.05 / 1e-2;
    near_abs(hc_relief_level_rate(&c, edge * 1.0001) / hc_relief_level_rate(&c, edge * 0.9999), 1,
             1e-3);
    double deep = 0.03 * 2 * M_PI / 1e-6 / 0.2;
    near_abs(hc_relief_level_rate(&c, 0.001) / deep, 1, 1e-9);
    double cut = hc_relief_level_cut_mm(&c, 10);
    near_abs(hc_relief_level_rate_thin(&c, cut) * 10, 1, 1e-9);
}

// Solids 0.35: one coat keeps 65 % of short-wave relief, three 27 %; long waves stay.
static void test_kept(void **state)
{
    (void)state;
    near_abs(hc_relief_level_kept(0.1, 1, 0.35, 1), 0.65, 1e-9);
    near_abs(hc_relief_level_kept(0.1, 1, 0.35, 3), 0.274625, 1e-9);
    near_abs(hc_relief_level_kept(100, 1, 0.35, 3), 1, 1e-6);
    near_abs(hc_relief_level_kept(1, 1, 0.35, 1), 1 - 0.35 * (1 - exp(-1)), 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_worked), cmocka_unit_test(test_limits),
                                       cmocka_unit_test(test_kept)};
    return cmocka_run_group_tests_name("relief_level", tests, NULL, NULL);
}
