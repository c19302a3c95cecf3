// Rasters and the check of the whole dossier, out to the user.
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "work/work_forecast_priv.h"

static hc_status export_kind(const char *kind, const char *as, int bands, enum hc_export_as *out,
                             struct hc_err *err)
{
    if (bands == 3) {
        if (!as || strcmp(as, "srgb") == 0) {
            *out = HC_EXPORT_SRGB16;
        } else if (strcmp(as, "lab") == 0) {
            *out = HC_EXPORT_LAB;
        } else if (strcmp(as, "linear") == 0) {
            *out = HC_EXPORT_LINEAR16;
        } else {
            return hc_err_set(err, HC_EARG, HC_WORK_ROOM, "--as %s; give lab, srgb or linear", as);
        }
        return HC_OK;
    }
    if (as) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                          "%s is one band of numbers: it has no --as (it leaves as %s)", kind,
                          strcmp(kind, "refusal") == 0 ? "8-bit reason codes" : "float32");
    }
    *out = strcmp(kind, "refusal") == 0 ? HC_EXPORT_CODE8 : HC_EXPORT_FLOAT;
    return HC_OK;
}

static hc_status open_export(struct hc_work *w, const char *kind, const char *view,
                             struct hc_raster **r, struct hc_buf *about, struct hc_err *err)
{
    static const struct {
        const char *kind;
        enum hc_work_layer layer;
        const char *unit;
    } layers[] = {
        {"forecast", HC_WORK_LOOK, "predicted look after removing this coat"},
        {"radius", HC_WORK_RADIUS, "half-width of the 90 % interval, CIEDE2000; 0 where refused"},
        {"coat", HC_WORK_COAT, "effective coat, 1 = geometric mean over the windows"},
        {"refusal", HC_WORK_REFUSAL, "reason codes, 0 = a forecast is given"}};
    struct hc_view v = {0};
    struct hc_work_place place = {0};
    hc_status st;
    for (size_t i = 0; i < sizeof layers / sizeof layers[0]; i++) {
        if (strcmp(kind, layers[i].kind) == 0) {
            json_t *doc = NULL;
            st = hc_work_open_layer(w, layers[i].layer, r, err);
            st = st == HC_OK ? hc_work_result(w, "forecast", &doc, err) : st;
            if (st == HC_OK) {
                hc_buf_printf(about, "halfclean %s; %s: %s; made %s. %s", HC_VERSION, kind,
                              layers[i].unit, hc_work_json_text(doc, "made_at"),
                              hc_work_json_text(doc, "caveat"));
                json_decref(doc);
            }
            return st;
        }
    }
    if (strcmp(kind, "view") != 0) {
        return hc_err_set(
            err, HC_EARG, HC_WORK_ROOM,
            "nothing is called \"%s\"; export forecast, radius, refusal, coat or view", kind);
    }
    if (!view) {
        return hc_err_set(err, HC_EARG, HC_WORK_ROOM, "say which view to export (--view LABEL)");
    }
    st = hc_store_view_by_name(w->store, view, &v, err);
    st = st == HC_OK ? hc_work_open_placed(w, &v, r, err) : st;
    if (st == HC_OK) {
        hc_buf_printf(about, "halfclean %s; view %s placed in the frame; original sha256 %s",
                      HC_VERSION, v.label, v.sha256);
        st = hc_work_place_read(&place, &v, err);
    }
    if (st == HC_OK && place.is_detail) {
        hc_buf_printf(about,
                      "; a detail: %d x %d px of the frame from (%d, %d), each cut into %d x %d; "
                      "nothing outside the view's outline",
                      place.grid.w, place.grid.h, place.grid.x0, place.grid.y0,
                      place.grid.magnification, place.grid.magnification);
    }
    hc_work_place_release(&place);
    hc_view_release(&v);
    return st;
}

hc_status hc_work_export(struct hc_work *w, const char *kind, const char *view, const char *as,
                         const char *path, struct hc_job *job, struct hc_err *err)
{
    struct hc_raster *r = NULL;
    struct hc_buf about = {0};
    enum hc_export_as form = HC_EXPORT_FLOAT;
    hc_status st = open_export(w, kind, view, &r, &about, err);
    st = st == HC_OK ? export_kind(kind, as, hc_raster_bands(r), &form, err) : st;
    st = st == HC_OK ? hc_image_export(r, form, path, hc_buf_text(&about), job, err) : st;
    hc_raster_close(r);
    hc_buf_release(&about);
    return st;
}

// ---- verify ----
struct found {
    struct hc_buf problems, notes;
};

static void on_finding(void *ctx, bool is_problem, const char *sentence)
{
    struct found *f = ctx;
    hc_json_str(is_problem ? &f->problems : &f->notes, sentence);
}

hc_status hc_work_verify(struct hc_work *w, struct hc_buf *b, struct hc_job *job,
                         struct hc_err *err)
{
    struct found f = {0};
    struct hc_verify v = {0};
    hc_status st;
    hc_json_arr(&f.problems);
    hc_json_arr(&f.notes);
    st = hc_store_verify(w->store, &v, on_finding, &f, job, err);
    hc_json_end_arr(&f.problems);
    hc_json_end_arr(&f.notes);
    if (st == HC_OK) {
        hc_json_obj(b);
        hc_json_kint(b, "originals", v.originals);
        hc_json_kint(b, "derived", v.derived);
        hc_json_kint(b, "views", v.views);
        hc_json_kint(b, "problem_count", v.problems);
        hc_json_key(b, "problems");
        hc_json_raw(b, hc_buf_text(&f.problems));
        hc_json_key(b, "notes");
        hc_json_raw(b, hc_buf_text(&f.notes));
        hc_json_end_obj(b);
        st = hc_buf_check(b, err);
        if (st == HC_OK && v.problems) {
            st = hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                            "the dossier has %d problem%s; nothing was changed", v.problems,
                            v.problems == 1 ? "" : "s");
        }
    }
    hc_buf_release(&f.problems);
    hc_buf_release(&f.notes);
    return st;
}
