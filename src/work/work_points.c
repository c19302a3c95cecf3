// Point measurements on the painting (spectra or Lab), kept in the dossier and held against the
// photograph.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate.h"
#include "colour/colour.h"
#include "work/work_priv.h"

#define POINTS_TEXT_MAX ((size_t)4 << 20)

// The stored form keeps the text as it came: another program can read it back.
hc_status hc_work_points_import(struct hc_work *w, const char *text, const char *name,
                                double aperture_mm, struct hc_buf *json, struct hc_err *err)
{
    struct hc_readings r = {0};
    struct hc_painting p = {0};
    struct hc_buf b = {.max = 2 * POINTS_TEXT_MAX};
    int64_t id;
    hc_status st = hc_work_framed(w, &p, err);
    if (st == HC_OK && !(aperture_mm >= 0.1 && aperture_mm <= 50)) {
        st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM, "an aperture of %g mm; give 0.1 to 50",
                        aperture_mm);
    }
    st = st == HC_OK ? hc_readings_read(&r, text, strlen(text), err) : st;
    if (st == HC_OK && !r.has_place) {
        st = hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                        "the points have no place: add columns x and y in frame pixels");
    }
    for (size_t i = 0; st == HC_OK && i < r.n; i++) {
        const struct hc_reading *q = &r.reading[i];
        if (!(q->x >= 0 && q->x < p.frame_w && q->y >= 0 && q->y < p.frame_h)) {
            st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                            "point %zu at %.1f, %.1f lies outside the frame of %d x %d px", i + 1,
                            q->x, q->y, p.frame_w, p.frame_h);
        }
    }
    if (st == HC_OK) {
        hc_json_obj(&b);
        hc_json_kstr(&b, "file_name", strrchr(name, '/') ? strrchr(name, '/') + 1 : name);
        hc_json_knum(&b, "aperture_mm", aperture_mm);
        hc_json_kstr(&b, "text", text);
        hc_json_end_obj(&b);
        st = hc_buf_check(&b, err);
    }
    st = st == HC_OK ? hc_store_put_result(w->store, "points", hc_buf_text(&b), &id, err) : st;
    hc_buf_release(&b);
    hc_readings_release(&r);
    hc_painting_release(&p);
    return st == HC_OK && json ? hc_work_points(w, "D50", 2, json, err) : st;
}

// Mean Lab D50 of the reference view over a round spot.
static hc_status photographed(const struct hc_raster *r, double x, double y, double radius_px,
                              double lab[3], struct hc_err *err)
{
    struct hc_work_rect at = {(int)fmax(0, floor(x - radius_px)),
                              (int)fmax(0, floor(y - radius_px)), 0, 0};
    struct hc_plane p[3] = {{0}};
    double sum[3] = {0};
    size_t n = 0;
    hc_status st;
    at.w = (int)fmin(hc_raster_w(r), ceil(x + radius_px) + 1) - at.x0;
    at.h = (int)fmin(hc_raster_h(r), ceil(y + radius_px) + 1) - at.y0;
    st = hc_work_read_rect(r, at, p, err);
    for (int j = 0; st == HC_OK && j < at.h; j++) {
        for (int i = 0; i < at.w; i++) {
            if (hypot(at.x0 + i + 0.5 - x, at.y0 + j + 0.5 - y) <= fmax(radius_px, 0.75)) {
                for (int c = 0; c < 3; c++) {
                    sum[c] += (double)hc_plane_get(&p[c], i, j);
                }
                n++;
            }
        }
    }
    for (int c = 0; c < 3; c++) {
        sum[c] /= n ? (double)n : 1;
        hc_plane_release(&p[c]);
    }
    hc_colour_lin_to_lab_d50(lab, sum);
    return st;
}

struct check {
    struct hc_readings r;
    double *shown, *seen; // n x 3: under the light asked for; photographed (D50, 2)
    double *d50, *de;     // n x 3 measured for D50, 2; n differences
    double aperture_mm;
    struct hc_calibrate_figures figures;
    double bias[3];
    char label[80], source[200]; // of the photograph: its name, where its colours come from
};

static void lab_json(struct hc_buf *b, const char *key, const double *v)
{
    hc_json_key(b, key);
    hc_json_arr(b);
    for (int c = 0; c < 3; c++) {
        hc_json_num(b, v[c]);
    }
    hc_json_end_arr(b);
}

// The lights that can be asked for: all with spectra, else the one of the values themselves.
static void lights_json(struct hc_buf *b, const struct hc_readings *r)
{
    hc_json_kbool(b, "has_spectra", r->bands > 0);
    hc_json_key(b, "lights");
    hc_json_arr(b);
    if (r->bands == 0) {
        hc_json_str(b, r->illuminant);
    }
    for (size_t i = 0; r->bands > 0 && hc_light_name(i); i++) {
        hc_json_str(b, hc_light_name(i));
    }
    hc_json_end_arr(b);
    hc_json_key(b, "observers");
    hc_json_arr(b);
    if (r->bands > 0 || r->observer_deg == 2) {
        hc_json_int(b, 2);
    }
    if (r->bands > 0 || r->observer_deg == 10) {
        hc_json_int(b, 10);
    }
    hc_json_end_arr(b);
}

// One sentence on the photograph; a sum of a view without calibration says so.
static void sentence_json(struct hc_buf *b, const struct check *k)
{
    char text[600], light[48] = "as light as they are";
    if (fabs(k->bias[0]) >= 0.05) {
        snprintf(light, sizeof light, "%.1f L* %s than they are", fabs(k->bias[0]),
                 k->bias[0] < 0 ? "darker" : "lighter");
    }
    snprintf(text, sizeof text,
             "%s differs from the %zu measurement%s by %.1f CIEDE2000 on average, %.1f at most; it "
             "is %s. Its colour is %s.",
             k->label, k->r.n, k->r.n == 1 ? "" : "s", k->figures.mean, k->figures.max, light,
             k->source);
    hc_json_kstr(b, "sentence", text);
}

static void check_json(struct hc_buf *b, const struct check *k, const char *light, int observer,
                       const json_t *stored)
{
    hc_json_obj(b);
    hc_json_kstr(b, "file_name", hc_work_json_text(stored, "file_name"));
    hc_json_kstr(b, "about", k->r.about);
    hc_json_knum(b, "aperture_mm", k->aperture_mm);
    hc_json_kstr(b, "light", light);
    hc_json_kint(b, "observer_deg", observer);
    lights_json(b, &k->r);
    sentence_json(b, k);
    hc_json_key(b, "photograph_check");
    hc_json_obj(b);
    hc_json_knum(b, "mean", k->figures.mean);
    hc_json_knum(b, "p95", k->figures.p95);
    hc_json_knum(b, "max", k->figures.max);
    lab_json(b, "bias", k->bias);
    hc_json_kstr(b, "unit",
                 "CIEDE2000, D50, 2 degrees; bias = photograph minus measurement in L*, a*, b*");
    hc_json_end_obj(b);
    hc_json_key(b, "points");
    hc_json_arr(b);
    for (size_t i = 0; i < k->r.n; i++) {
        hc_json_obj(b);
        hc_json_kstr(b, "id", k->r.reading[i].id);
        hc_json_kstr(b, "name", k->r.reading[i].name);
        hc_json_knum(b, "x", k->r.reading[i].x);
        hc_json_knum(b, "y", k->r.reading[i].y);
        lab_json(b, "lab", k->shown + 3 * i);
        lab_json(b, "photographed", k->seen + 3 * i);
        hc_json_knum(b, "de", k->de[i]);
        hc_json_end_obj(b);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
}

static hc_status compare(struct hc_work *w, struct check *k, const char *light, int observer,
                         struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view v = {0};
    struct hc_raster *r = NULL;
    hc_status st = hc_work_framed(w, &p, err);
    st = st == HC_OK ? hc_store_view_by_id(w->store, p.frame_view, &v, err) : st;
    st = st == HC_OK ? hc_work_open_placed(w, &v, &r, err) : st;
    if (st == HC_OK) {
        snprintf(k->label, sizeof k->label, "%s", v.label);
        if (!hc_work_colour_source(w, &v, k->source, sizeof k->source)) {
            snprintf(k->source, sizeof k->source, "%s: no calibration by a target",
                     v.is_profile_assumed ? "that of an assumed profile (sRGB)"
                                          : "that of the file's own profile");
        }
    }
    st = st == HC_OK ? hc_readings_lab(k->shown, &k->r, light, observer, true, err) : st;
    st = st == HC_OK ? hc_readings_lab(k->d50, &k->r, "D50", 2, true, err) : st;
    for (size_t i = 0; st == HC_OK && i < k->r.n; i++) {
        st = photographed(r, k->r.reading[i].x, k->r.reading[i].y,
                          k->aperture_mm / hc_work_mm_per_px(&p) / 2, k->seen + 3 * i, err);
    }
    if (st == HC_OK) {
        hc_calibrate_compare(&k->figures, k->de, k->bias, k->d50, k->seen, k->r.n);
    }
    hc_raster_close(r);
    hc_view_release(&v);
    hc_painting_release(&p);
    return st;
}

hc_status hc_work_points(struct hc_work *w, const char *light, int observer_deg, struct hc_buf *b,
                         struct hc_err *err)
{
    struct check k = {0};
    json_t *stored = NULL;
    const char *text;
    hc_status st = hc_work_result(w, "points", &stored, err);
    if (st == HC_ENOTFOUND) {
        return hc_err_set(err, st, HC_WORK_ROOM, "no point measurements have been imported");
    }
    text = hc_work_json_text(stored, "text");
    st = st == HC_OK ? hc_readings_read(&k.r, text, strlen(text), err) : st;
    if (st == HC_OK) {
        k.aperture_mm = hc_work_json_number(stored, "aperture_mm");
        k.shown = hc_mem_array(k.r.n * 10, sizeof *k.shown);
        if (k.shown) {
            k.seen = k.shown + 3 * k.r.n;
            k.d50 = k.seen + 3 * k.r.n;
            k.de = k.d50 + 3 * k.r.n;
            st = compare(w, &k, light, observer_deg, err);
        } else {
            st = hc_err_set(err, HC_ENOMEM, HC_WORK_ROOM, "out of memory for %zu points", k.r.n);
        }
    }
    if (st == HC_OK) {
        check_json(b, &k, light, observer_deg, stored);
        st = hc_buf_check(b, err);
    }
    hc_mem_free(k.shown);
    hc_readings_release(&k.r);
    json_decref(stored);
    return st;
}
