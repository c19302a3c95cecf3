// Spectra to tristimulus values under a light and for an observer (CIE 015:2018; ASTM E308). The
// tables are made from data/*.csv at build time. Theory: docs/theory/calibrate.md, "Spectra".
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"
#include "colour/colour.h"

static const char *const light_names[HC_LIGHT_COUNT] = {
    "A",      "B",       "C",        "D50",    "D55",    "D60",    "D65",    "D75",    "E",
    "FL1",    "FL2",     "FL3",      "FL4",    "FL5",    "FL6",    "FL7",    "FL8",    "FL9",
    "FL10",   "FL11",    "FL12",     "FL3.1",  "FL3.2",  "FL3.3",  "FL3.4",  "FL3.5",  "FL3.6",
    "FL3.7",  "FL3.8",   "FL3.9",    "FL3.10", "FL3.11", "FL3.12", "FL3.13", "FL3.14", "FL3.15",
    "HP1",    "HP2",     "HP3",      "HP4",    "HP5",    "LED-B1", "LED-B2", "LED-B3", "LED-B4",
    "LED-B5", "LED-BH1", "LED-RGB1", "LED-V1", "LED-V2", "ID65",   "ID50"};
// Columns of the E308 tables, two (2 and 10 degrees) for each.
static const char *const e308_names[HC_E308_SETS / 2] = {"A",   "C",   "D50", "D55", "D65",
                                                         "D75", "FL2", "FL7", "FL11"};

const char *hc_light_name(size_t i)
{
    return i < HC_LIGHT_COUNT ? light_names[i] : NULL;
}

static bool is_same(const char *a, const char *b)
{
    return hc_word_is((struct hc_word){a, strlen(a), 0}, b);
}

bool hc_light_find(size_t *out, const char *name)
{
    char full[24];
    size_t n = strlen(name);
    if (n < 20 && (name[0] == 'F' || name[0] == 'f') && name[1] >= '0' && name[1] <= '9') {
        memcpy(full, "FL", 2); // F11 of older texts
        memcpy(full + 2, name + 1, n);
        name = full;
    }
    for (size_t i = 0; i < HC_LIGHT_COUNT; i++) {
        if (is_same(name, light_names[i])) {
            *out = i;
            return true;
        }
    }
    return false;
}

static bool is_multiple(double v, double step)
{
    return fabs(v - step * round(v / step)) < 1e-6;
}

// A grid of wavelengths with weights.
struct grid {
    double nm0, step, w[HC_LIGHT_NM1][3];
    int n;
};

static void grid_sum(struct grid *g, size_t light, int observer_deg, bool by_1nm)
{
    const double(*cmf)[3] = observer_deg == 2 ? hc_observer_2 : hc_observer_10;
    double y = 0.0;
    g->nm0 = 380.0;
    g->step = by_1nm ? 1.0 : 5.0;
    g->n = by_1nm ? HC_LIGHT_NM1 : HC_LIGHT_NM5;
    for (int i = 0; i < g->n; i++) {
        int nm = by_1nm ? i : 5 * i, at = nm / 5;
        double t = (double)(nm % 5) / 5.0, s = hc_light_5nm[at][light];
        s = t > 0.0 ? s + t * (hc_light_5nm[at + 1][light] - s) : s;
        for (int k = 0; k < 3; k++) {
            g->w[i][k] = s * cmf[nm][k];
        }
        y += g->w[i][1];
    }
    for (int i = 0; i < g->n; i++) {
        for (int k = 0; k < 3; k++) {
            g->w[i][k] /= y;
        }
    }
}

// The E308 table for these bands; false when there is none.
static bool grid_e308(struct grid *g, enum hc_light_method *method, int set, double nm0,
                      double step, bool is_raw)
{
    const double(*table)[3 * HC_E308_SETS] = is_raw ? hc_e308_table6_10nm : hc_e308_table5_10nm;
    bool by_10 = fabs(step - 10.0) < 1e-6 && is_multiple(nm0, 10.0);
    int c2 = 2, d65_10 = 9; // sets that have a 20 nm table
    if (set < 0) {
        return false;
    }
    if (by_10) {
        *g = (struct grid){.nm0 = 360.0, .step = 10.0, .n = HC_E308_NM10};
    } else if (fabs(step - 20.0) < 1e-6 && is_multiple(nm0, 20.0) && is_raw &&
               (set == c2 || set == d65_10)) {
        *g = (struct grid){.nm0 = 400.0, .step = 20.0, .n = HC_E308_NM20};
    } else {
        return false;
    }
    *method = is_raw ? HC_LIGHT_TABLE6 : HC_LIGHT_TABLE5;
    for (int i = 0; i < g->n; i++) {
        for (int k = 0; k < 3; k++) {
            g->w[i][k] =
                (by_10 ? table[i][3 * set + k] : hc_e308_table6_20nm[i][(set == c2 ? 0 : 3) + k]) /
                100.0;
        }
    }
    return true;
}

// Hand the weight of one grid wavelength to the bands around it: the band itself where they
// coincide, else cubic interpolation (Lagrange) in the four nearest; the ends serve what is beyond.
static void spread(double *w, size_t bands, double nm0, double step, double nm, const double g[3])
{
    double at = (nm - nm0) / step, near = round(at);
    size_t first, n = bands < 4 ? bands : 4;
    double share[4] = {1.0, 0.0, 0.0, 0.0};
    if (at <= 0.0 || at >= (double)(bands - 1)) {
        first = at <= 0.0 ? 0 : bands - 1;
        n = 1;
    } else if (fabs(at - near) < 1e-6) {
        first = (size_t)near;
        n = 1;
    } else {
        double base = floor(at) - 1.0, last = (double)(bands - n);
        first = (size_t)(base < 0.0 ? 0.0 : base > last ? last : base);
        for (size_t i = 0; i < n; i++) {
            share[i] = 1.0;
            for (size_t j = 0; j < n; j++) {
                if (j != i) {
                    share[i] *= (at - (double)(first + j)) / ((double)i - (double)j);
                }
            }
        }
    }
    for (size_t i = 0; i < n; i++) {
        for (int k = 0; k < 3; k++) {
            w[3 * (first + i) + (size_t)k] += share[i] * g[k];
        }
    }
}

static hc_status check_light(size_t *light, int *set, const char *name, int observer_deg,
                             struct hc_err *err)
{
    if (observer_deg != 2 && observer_deg != 10) {
        return hc_err_set(err, HC_EARG, HC_CALIBRATE_ROOM,
                          "an observer of %d degrees; the CIE has 2 and 10", observer_deg);
    }
    if (!hc_light_find(light, name)) {
        return hc_err_set(err, HC_ENOTFOUND, HC_CALIBRATE_ROOM,
                          "no light named \"%.20s\" (A, C, D50, D65, FL1 to FL12, LED-B1 ...)",
                          name);
    }
    *set = -1;
    for (int i = 0; i < HC_E308_SETS / 2; i++) {
        if (is_same(light_names[*light], e308_names[i])) {
            *set = 2 * i + (observer_deg == 10);
        }
    }
    return HC_OK;
}

hc_status hc_light_weights(double *w, double white[3], enum hc_light_method *method,
                           const char *light, int observer_deg, double nm0, double step_nm,
                           size_t bands, bool is_raw, struct hc_err *err)
{
    struct grid g;
    size_t index = 0;
    int set = -1;
    enum hc_light_method how = HC_LIGHT_BY_5NM;
    hc_status st = check_light(&index, &set, light, observer_deg, err);
    if (st != HC_OK) {
        return st;
    }
    double end = nm0 + step_nm * (double)(bands - 1);
    if (bands < 2 || nm0 > 420.0 || end < 680.0 || !(step_nm > 0.0 && step_nm <= 20.0)) {
        return hc_err_set(err, HC_ERANGE, HC_CALIBRATE_ROOM,
                          "spectra of %g to %g nm in steps of %g nm do not give a colour; 420 to "
                          "680 nm in steps of at most 20 nm are the least",
                          nm0, end, step_nm);
    }
    if (!grid_e308(&g, &how, set, nm0, step_nm, is_raw)) {
        bool by_1nm = fabs(step_nm - 1.0) < 1e-6 && is_multiple(nm0, 1.0);
        grid_sum(&g, index, observer_deg, by_1nm);
        how = by_1nm                                                ? HC_LIGHT_SUM_1NM
              : fabs(step_nm - 5.0) < 1e-6 && is_multiple(nm0, 5.0) ? HC_LIGHT_SUM_5NM
                                                                    : HC_LIGHT_BY_5NM;
    }
    memset(w, 0, 3 * bands * sizeof *w);
    for (int i = 0; i < g.n; i++) {
        spread(w, bands, nm0, step_nm, g.nm0 + g.step * (double)i, g.w[i]);
    }
    for (int k = 0; white && k < 3; k++) {
        white[k] = 0.0;
        for (int i = 0; i < g.n; i++) {
            white[k] += g.w[i][k];
        }
        if (how == HC_LIGHT_TABLE5 || how == HC_LIGHT_TABLE6) {
            white[k] = hc_e308_white[set][k] / 100.0; // the sums round differently
        }
    }
    if (method) {
        *method = how;
    }
    return HC_OK;
}

// Written Lab or XYZ, when they are of the light and observer asked for.
static hc_status lab_as_written(double *lab, const struct hc_readings *r, const char *light,
                                int observer_deg, struct hc_err *err)
{
    double w[3 * 41], white[3];
    size_t stated = 0, wanted = 0;
    hc_status st =
        hc_light_weights(w, white, NULL, light, observer_deg, 380.0, 10.0, 41, false, err);
    if (st != HC_OK) {
        return st;
    }
    if (!hc_light_find(&stated, r->illuminant) || !hc_light_find(&wanted, light) ||
        stated != wanted || r->observer_deg != observer_deg) {
        return hc_err_set(err, HC_EREFUSED, HC_CALIBRATE_ROOM,
                          "the colours are written for %s and the %d-degree observer and cannot be "
                          "carried to %s, %d degrees, without spectra; give a file with spectra or "
                          "one made for %s",
                          r->illuminant, r->observer_deg, light, observer_deg, light);
    }
    for (size_t i = 0; i < r->n; i++) {
        if (r->has_lab) {
            memcpy(lab + 3 * i, r->reading[i].lab, 3 * sizeof *lab);
        } else {
            hc_colour_xyz_to_lab(lab + 3 * i, r->reading[i].xyz, white);
        }
    }
    return HC_OK;
}

hc_status hc_readings_lab(double *lab, const struct hc_readings *r, const char *light,
                          int observer_deg, bool is_raw, struct hc_err *err)
{
    double white[3], *w;
    hc_status st;
    if (!r->bands) {
        return lab_as_written(lab, r, light, observer_deg, err);
    }
    w = hc_mem_array(3 * r->bands, sizeof *w);
    if (!w) {
        return hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory for %zu weights", r->bands);
    }
    st = hc_light_weights(w, white, NULL, light, observer_deg, r->nm0, r->step_nm, r->bands, is_raw,
                          err);
    for (size_t i = 0; st == HC_OK && i < r->n; i++) {
        double xyz[3] = {0.0};
        for (size_t b = 0; b < r->bands; b++) {
            for (size_t k = 0; k < 3; k++) {
                xyz[k] += r->reading[i].r[b] * w[3 * b + k];
            }
        }
        hc_colour_xyz_to_lab(lab + 3 * i, xyz, white);
    }
    hc_mem_free(w);
    return st;
}
