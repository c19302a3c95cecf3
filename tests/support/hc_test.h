// What cmocka lacks: comparisons with tolerances, and reading of cited check tables.
// Include this instead of <cmocka.h>. Never use assert_float_equal or skip(): both are faulty in
// cmocka 1.1.5; a whole file that cannot run exits 77.
#ifndef HC_TESTS_SUPPORT_HC_TEST_H
#define HC_TESTS_SUPPORT_HC_TEST_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "base/err.h"

// |got - want| <= tol, with a message that shows all three; NaN fails.
#define near_abs(got, want, tol) hc_test_near((got), (want), (tol), #got, __FILE__, __LINE__)

static inline void hc_test_near(double got, double want, double tol, const char *what,
                                const char *file, int line)
{
    if (!(fabs(got - want) <= tol)) {
        print_error("%s = %.9g, expected %.9g within %.3g\n", what, got, want, tol);
        _fail(file, line);
    }
}

// The call succeeds; otherwise its sentence is printed.
#define assert_ok(call, err) hc_test_ok((call), (err), #call, __FILE__, __LINE__)

static inline void hc_test_ok(hc_status st, const struct hc_err *err, const char *what,
                              const char *file, int line)
{
    if (st != HC_OK) {
        print_error("%s: %s: %s\n", what, hc_status_name(st), err ? err->what : "");
        _fail(file, line);
    }
}

// A CSV check table: skips lines that start with '#', splits on commas (no quoting), keeps the text
// alive until freed. Path is relative to the HC_SOURCE_ROOT environment variable.
struct hc_test_csv {
    char *text;
    char ***cell; // cell[row][column]; row 0 is the header
    size_t rows, columns;
};

static inline struct hc_test_csv hc_test_csv_read(const char *path)
{
    struct hc_test_csv t = {0};
    const char *root = getenv("HC_SOURCE_ROOT");
    char full[1024];
    long size;
    FILE *f;
    snprintf(full, sizeof full, "%s/%s", root ? root : ".", path);
    f = fopen(full, "rb");
    assert_non_null(f);
    fseek(f, 0, SEEK_END);
    size = ftell(f);
    rewind(f);
    t.text = calloc((size_t)size + 1, 1);
    assert_int_equal(fread(t.text, 1, (size_t)size, f), (size_t)size);
    fclose(f);
    t.cell = calloc((size_t)size + 1, sizeof *t.cell);
    for (char *line = t.text, *next; line && *line; line = next) {
        size_t n = 1;
        next = strchr(line, '\n');
        if (next) {
            *next++ = 0;
        }
        if (*line == '#' || *line == 0 || *line == '\r') {
            continue;
        }
        for (const char *p = line; *p; p++) {
            n += *p == ',';
        }
        t.cell[t.rows] = calloc(n + 1, sizeof **t.cell);
        n = 0;
        for (char *p = line; p;) {
            char *comma = strchr(p, ',');
            if (comma) {
                *comma = 0;
            }
            p[strcspn(p, "\r")] = 0;
            t.cell[t.rows][n++] = p;
            p = comma ? comma + 1 : NULL;
        }
        if (t.rows == 0) {
            t.columns = n;
        }
        t.rows++;
    }
    return t;
}

static inline void hc_test_csv_free(struct hc_test_csv *t)
{
    for (size_t i = 0; i < t->rows; i++) {
        free(t->cell[i]);
    }
    free(t->cell);
    free(t->text);
}

#endif
