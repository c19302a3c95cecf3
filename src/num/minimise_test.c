#include "hc_test.h"

#include "num/minimise.h"

// Rosenbrock, The Computer Journal 3(3), 1960: minimum 0 at (1, 1).
static double banana(void *ctx, const double *x)
{
    (*(int *)ctx)++;
    double a = x[1] - x[0] * x[0], b = 1 - x[0];
    return 100 * a * a + b * b;
}

static void finds_the_valley_floor(void **state)
{
    (void)state;
    double x[2] = {-1.2, 1}, step[2] = {0.5, 0.5};
    int calls = 0;
    near_abs(hc_minimise_simplex(x, step, 2, banana, &calls, 400, 1e-14), 0, 1e-8);
    near_abs(x[0], 1, 1e-4);
    near_abs(x[1], 1, 1e-4);
    assert_in_range(calls, 20, 410);
}

static double cliff(void *ctx, const double *x)
{
    (void)ctx;
    return x[0] < 0 ? (double)NAN : (x[0] - 2) * (x[0] - 2);
}

// A function that is undefined in places is walked around, and the best point is never lost.
static void survives_nan(void **state)
{
    (void)state;
    double x[1] = {0.1}, step[1] = {-0.5};
    near_abs(hc_minimise_simplex(x, step, 1, cliff, NULL, 200, 1e-12), 0, 1e-6);
    near_abs(x[0], 2, 1e-3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(finds_the_valley_floor),
        cmocka_unit_test(survives_nan),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
