// The reference of a colour target: which patch lies where, and what colour it is.
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"
#include "colour/colour.h"

// "B07" -> letter 1, number 7.
static bool is_grid_name(int *letter, int *number, const char *s)
{
    char *end;
    if (!((s[0] >= 'A' && s[0] <= 'Z') || (s[0] >= 'a' && s[0] <= 'z')) || s[1] < '0' ||
        s[1] > '9') {
        return false;
    }
    *letter = (s[0] | 32) - 'a';
    long v = strtol(s + 1, &end, 10);
    *number = (int)v;
    return *end == 0 && v >= 1 && v <= HC_TARGET_MAX;
}

// Letters and numbers of all readings, when every one is named so; 0 letters otherwise.
static void grid_names(int *letters, int *numbers, const struct hc_readings *r)
{
    int a, b;
    *letters = *numbers = 0;
    for (size_t i = 0; i < r->n; i++) {
        if (!is_grid_name(&a, &b, r->reading[i].name) && !is_grid_name(&a, &b, r->reading[i].id)) {
            *letters = 0;
            return;
        }
        *letters = a + 1 > *letters ? a + 1 : *letters;
        *numbers = b > *numbers ? b : *numbers;
    }
}

static hc_status grid_size(struct hc_target *out, const struct hc_readings *r, int rows, int cols,
                           int letters, int numbers, struct hc_err *err)
{
    if (rows == 0 && cols == 0) {
        if (r->n == 24) {
            rows = 4;
            cols = 6;
        } else if (letters * numbers == (int)r->n) {
            rows = numbers;
            cols = letters;
        } else {
            return hc_err_set(err, HC_EARG, HC_CALIBRATE_ROOM,
                              "%zu patches: say how many rows and columns the target has", r->n);
        }
    }
    if (rows < 2 || cols < 2 || rows > HC_TARGET_MAX || cols > HC_TARGET_MAX / rows) {
        return hc_err_set(err, HC_ERANGE, HC_CALIBRATE_ROOM,
                          "a target of %d x %d patches; 2 x 2 up to %d patches can be used", rows,
                          cols, HC_TARGET_MAX);
    }
    if ((size_t)rows * (size_t)cols != r->n) {
        return hc_err_set(
            err, HC_EDATA, HC_CALIBRATE_ROOM,
            "wrong patch count: the chart file holds %zu colours, a target of %d rows "
            "and %d columns has %d",
            r->n, rows, cols, rows * cols);
    }
    out->rows = rows;
    out->cols = cols;
    out->n = rows * cols;
    return HC_OK;
}

static hc_status place_patches(int *at, const struct hc_target *t, const struct hc_readings *r,
                               int letters, int numbers, struct hc_err *err)
{
    bool by_rows = letters == t->rows && numbers == t->cols && letters != numbers;
    bool by_cols = letters == t->cols && numbers == t->rows;
    bool seen[HC_TARGET_MAX] = {false};
    for (int i = 0; i < t->n; i++) {
        int a = 0, b = 0;
        at[i] = i;
        if (!by_rows && !by_cols) {
            continue;
        }
        if (!is_grid_name(&a, &b, r->reading[i].name)) {
            hc_ignore(is_grid_name(&a, &b, r->reading[i].id) ? HC_OK : HC_EDATA);
        }
        at[i] = by_rows ? a * t->cols + b - 1 : (b - 1) * t->cols + a;
        if (seen[at[i]]) {
            return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM, "two patches are named %s",
                              r->reading[i].name[0] ? r->reading[i].name : r->reading[i].id);
        }
        seen[at[i]] = true;
    }
    return HC_OK;
}

hc_status hc_target_make(struct hc_target *out, const struct hc_readings *r, int rows, int cols,
                         struct hc_err *err)
{
    int letters, numbers, at[HC_TARGET_MAX];
    double *lab = NULL;
    hc_status st;
    *out = (struct hc_target){0};
    grid_names(&letters, &numbers, r);
    st = grid_size(out, r, rows, cols, letters, numbers, err);
    if (st == HC_OK) {
        st = place_patches(at, out, r, letters, numbers, err);
    }
    if (st != HC_OK) {
        return st;
    }
    lab = hc_mem_array(3 * r->n, sizeof *lab);
    if (!lab) {
        return hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory for %zu colours", r->n);
    }
    st = hc_readings_lab(lab, r, "D50", 2, false, err);
    for (int i = 0; st == HC_OK && i < out->n; i++) {
        struct hc_target_patch *p = &out->patch[at[i]];
        const struct hc_reading *from = &r->reading[i];
        memcpy(p->name, from->name[0] ? from->name : from->id, from->name[0] ? sizeof p->name : 32);
        memcpy(p->lab, lab + 3 * i, sizeof p->lab);
        hc_colour_lab_d50_to_lin(p->lin, p->lab);
        p->is_neutral = hypot(p->lab[1], p->lab[2]) < 4.0 && p->lab[0] > 10.0;
    }
    out->is_from_spectra = r->bands > 0;
    memcpy(out->about, r->about, sizeof out->about);
    hc_mem_free(lab);
    return st;
}
