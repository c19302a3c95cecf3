// The commands of relief.
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cli/cli_priv.h"

static hc_status need_state(struct hc_cli_call *c)
{
    return c->a.option[OPT_STATE]
               ? HC_OK
               : hc_err_set(&c->err, HC_EARG, "cli", "say of which state (--state before)");
}

// "0.2,2.5"
static hc_status parse_band(struct hc_cli_call *c, double *short_mm, double *long_mm)
{
    const char *b = c->a.option[OPT_BAND];
    char *end = NULL;
    if (!b) {
        return HC_OK;
    }
    *short_mm = strtod(b, &end);
    *long_mm = end != b && *end == ',' ? strtod(end + 1, &end) : -1;
    return *end == 0 && *short_mm > 0 && *long_mm > *short_mm
               ? HC_OK
               : hc_err_set(&c->err, HC_EARG, "cli",
                            "give the band as --band SHORT,LONG in mm, e.g. 0.2,2.5");
}

static hc_status parse_method(struct hc_cli_call *c, int *method)
{
    static const char *const names[] = {"trimmed", "least-squares", "least-trimmed"};
    const char *m = c->a.option[OPT_METHOD];
    for (int i = 0; m && i < 3; i++) {
        if (strcmp(m, names[i]) == 0) {
            *method = i;
            return HC_OK;
        }
    }
    return !m ? HC_OK
              : hc_err_set(&c->err, HC_EARG, "cli",
                           "--method %s; give trimmed, least-squares or least-trimmed", m);
}

static hc_status area(struct hc_cli_call *c, struct hc_buf *json)
{
    const char *const *o = c->a.option;
    struct hc_work_relief_area req = {.state = o[OPT_STATE], .other = o[OPT_WITH]};
    struct hc_buf file = {0};
    hc_status st = parse_band(c, &req.short_mm, &req.long_mm);
    st = st == HC_OK ? hc_cli_open_work(c, o[OPT_FILM] != NULL) : st;
    st = st == HC_OK ? hc_cli_read_text(o[OPT_AREA], &file, &c->err) : st;
    req.geojson = hc_buf_text(&file);
    if (st == HC_OK) {
        st = o[OPT_FILM] ? hc_work_relief_film(c->w, &req, json, c->job, &c->err)
                         : hc_work_relief_texture(c->w, &req, json, &c->err);
    }
    st = st == HC_OK ? hc_cli_put(c, o[OPT_FILM] ? "film" : "texture", json) : st;
    hc_buf_release(&file);
    return st;
}

hc_status hc_cli_relief(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    struct hc_work_relief req = {.state = o[OPT_STATE],
                                 .is_flat = o[OPT_IS_FLAT] != NULL,
                                 .is_gained = o[OPT_EVEN_EXPOSURE] != NULL};
    struct hc_buf json = {0};
    hc_status st = hc_cli_need_words(c, 1, 1, "relief");
    st = st == HC_OK ? need_state(c) : st;
    if (st == HC_OK && o[OPT_FILM] && !o[OPT_AREA]) {
        st = hc_err_set(&c->err, HC_EARG, "cli", "say where (--area FILE.geojson)");
    }
    if (st == HC_OK && o[OPT_AREA]) {
        st = area(c, &json);
    } else if (st == HC_OK) {
        st = parse_band(c, &req.short_mm, &req.long_mm);
        st = st == HC_OK ? parse_method(c, &req.method) : st;
        st = st == HC_OK ? hc_cli_open_work(c, !o[OPT_SHOW]) : st;
        if (st == HC_OK) {
            st = o[OPT_SHOW] ? hc_work_relief_get(c->w, req.state, &json, &c->err)
                             : hc_work_relief(c->w, &req, &json, c->job, &c->err);
        }
        st = st == HC_OK ? hc_cli_put(c, "relief", &json) : st;
    }
    hc_buf_release(&json);
    return st;
}

hc_status hc_cli_import_lights(struct hc_cli_call *c, const char *path, bool is_told)
{
    struct hc_buf file = {0}, json = {0};
    const char *slash = strrchr(path, '/');
    hc_status st = hc_cli_read_text(path, &file, &c->err);
    st = st == HC_OK ? hc_work_lights_import(c->w, hc_buf_text(&file), slash ? slash + 1 : path,
                                             !is_told, &json, &c->err)
                     : st;
    st = st == HC_OK && is_told ? hc_cli_put(c, "lights", &json) : st;
    hc_buf_release(&file);
    hc_buf_release(&json);
    return st;
}

// "x,y,r x,y,r"
static hc_status parse_spheres(struct hc_cli_call *c, struct hc_work_lights *req)
{
    const char *p = c->a.option[OPT_SPHERE];
    while (*p) {
        double v[3];
        for (int k = 0; k < 3; k++) {
            char *end = NULL;
            v[k] = strtod(p, &end);
            if (end == p ||
                *end != (k < 2         ? ','
                         : *end == ' ' ? ' '
                                       : 0) ||
                req->n == HC_WORK_SPHERES) {
                return hc_err_set(&c->err, HC_EARG, "cli",
                                  "give 1 to %d spheres as --sphere \"X,Y,R X,Y,R\" in pixels of "
                                  "the views",
                                  HC_WORK_SPHERES);
            }
            p = *end ? end + 1 : end;
        }
        req->sphere[req->n++] = (struct hc_work_sphere){v[0], v[1], v[2]};
    }
    return HC_OK;
}

hc_status hc_cli_lights(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    struct hc_work_lights req = {.state = o[OPT_STATE], .is_matte = o[OPT_MATTE] != NULL};
    struct hc_buf json = {0};
    bool is_measured = o[OPT_SPHERE] != NULL;
    hc_status st = hc_cli_need_words(c, is_measured ? 1 : 2, is_measured ? 1 : 2, "lights");
    st = st == HC_OK && is_measured ? need_state(c) : st;
    st = st == HC_OK && is_measured ? parse_spheres(c, &req) : st;
    st = st == HC_OK ? hc_cli_open_work(c, true) : st;
    if (st == HC_OK && is_measured) {
        st = hc_work_lights_measure(c->w, &req, &json, &c->err);
        st = st == HC_OK ? hc_cli_put(c, "lights", &json) : st;
    } else if (st == HC_OK) {
        st = hc_cli_import_lights(c, c->a.word[1], true);
    }
    hc_buf_release(&json);
    return st;
}

hc_status hc_cli_levelling(struct hc_cli_call *c)
{
    struct hc_work_levelling req = {0};
    struct hc_buf json = {0};
    double coats = 1;
    hc_status st = hc_cli_need_words(c, 0, 0, "levelling");
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_THICKNESS, 1, 1000, 50, &req.thickness_um, &c->err)
                     : st;
    st = st == HC_OK
             ? hc_cli_number(&c->a, OPT_VISCOSITY, 1e-4, 1e4, 0.1, &req.viscosity_pa_s, &c->err)
             : st;
    st = st == HC_OK
             ? hc_cli_number(&c->a, OPT_TENSION, 0.01, 0.08, 0.03, &req.tension_n_per_m, &c->err)
             : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_OPEN, 0.01, 1e6, 60, &req.open_s, &c->err) : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_SOLIDS, 0.01, 1, 0.35, &req.solids, &c->err) : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_COATS, 1, 20, 1, &coats, &c->err) : st;
    req.coats = (int)coats;
    st = st == HC_OK ? hc_work_relief_levelling(&req, &json, &c->err) : st;
    st = st == HC_OK ? hc_cli_put(c, "levelling", &json) : st;
    hc_buf_release(&json);
    return st;
}

bool hc_cli_is_relief_export(const char *kind)
{
    return strcmp(kind, "normals") == 0 || strcmp(kind, "height") == 0 ||
           strcmp(kind, "clog") == 0 || strcmp(kind, "texture") == 0 || strcmp(kind, "mesh") == 0;
}

hc_status hc_cli_relief_export(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    const char *kind = c->a.word[1], *at = o[OPT_AT];
    double x = 0, y = 0, mm = 20, factor = 1;
    char rest = 0;
    hc_status st = hc_cli_need_out(c);
    st = st == HC_OK ? need_state(c) : st;
    if (st == HC_OK && o[OPT_AS]) {
        st =
            hc_err_set(&c->err, HC_EARG, "cli", "%s leaves as float32 alone: it has no --as", kind);
    }
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_MM, 0.1, 200, 20, &mm, &c->err) : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_EXAGGERATION, 0.01, 1000, 1, &factor, &c->err) : st;
    if (st == HC_OK && strcmp(kind, "mesh") == 0 &&
        (!at || sscanf(at, "%lf,%lf%c", &x, &y, &rest) != 2)) {
        st = hc_err_set(&c->err, HC_EARG, "cli", "say where (--at X,Y in frame pixels)");
    }
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    if (st == HC_OK) {
        st = strcmp(kind, "mesh") == 0
                 ? hc_work_relief_mesh(c->w, o[OPT_STATE], x, y, mm, factor, o[OPT_OUT], &c->err)
                 : hc_work_relief_export(c->w, o[OPT_STATE], kind, o[OPT_OUT], c->job, &c->err);
    }
    return st;
}
