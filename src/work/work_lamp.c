// Where the lamp of each raking view stood: typed with the view, read from a file, or measured on
// spheres in the picture.
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "base/mem.h"
#include "work/work_relief_priv.h"

#define LAMP_FIELDS 16

static void lamp_kind(char *kind, size_t room, int64_t view)
{
    snprintf(kind, room, "lamp-%lld", (long long)view);
}

static hc_status lamp_store(struct hc_work *w, int64_t view, const struct hc_work_lamp *l,
                            const char *source, struct hc_err *err)
{
    char kind[48];
    struct hc_buf b = {0};
    int64_t id;
    double az, el;
    hc_status st;
    lamp_kind(kind, sizeof kind, view);
    hc_relief_light_to_angles(&l->light, &az, &el);
    hc_json_obj(&b);
    hc_json_kstr(&b, "source", source);
    hc_json_knum(&b, "azimuth_deg", az);
    hc_json_knum(&b, "elevation_deg", el);
    hc_json_key(&b, "position_mm");
    if (l->light.is_near) {
        hc_json_arr(&b);
        for (int k = 0; k < 3; k++) {
            hc_json_num(&b, l->light.pos_mm[k]);
        }
        hc_json_end_arr(&b);
    } else {
        hc_json_null(&b);
    }
    hc_json_knum(&b, "residual_deg", l->light.residual_deg);
    hc_json_knum(&b, "sigma_deg", l->light.sigma_deg);
    hc_json_kstr(&b, "polariser", l->polariser);
    hc_json_kint(&b, "flat", l->flat);
    hc_json_end_obj(&b);
    st = hc_buf_check(&b, err);
    st = st == HC_OK ? hc_store_put_result(w->store, kind, hc_buf_text(&b), &id, err) : st;
    hc_buf_release(&b);
    return st;
}

hc_status hc_work_lamp_get(struct hc_work *w, const struct hc_view *v, struct hc_work_lamp *out,
                           struct hc_err *err)
{
    char kind[48];
    json_t *j = NULL;
    const json_t *pos;
    hc_status st;
    *out = (struct hc_work_lamp){0};
    lamp_kind(kind, sizeof kind, v->id);
    st = hc_work_result(w, kind, &j, NULL);
    if (st == HC_ENOTFOUND && v->has_light) {
        st = hc_relief_light_angles(&out->light, v->azimuth_deg, v->elevation_deg, err);
        return st == HC_OK ? st : hc_err_prefix(err, st, "view %s: ", v->label);
    }
    if (st != HC_OK) {
        return hc_err_set(err, st, HC_WORK_ROOM,
                          "nobody said where the lamp of view %s stood: import a file of lights",
                          v->label);
    }
    pos = json_object_get(j, "position_mm");
    if (json_array_size(pos) == 3) {
        st = hc_relief_light_position(&out->light, json_number_value(json_array_get(pos, 0)),
                                      json_number_value(json_array_get(pos, 1)),
                                      json_number_value(json_array_get(pos, 2)), err);
    } else {
        st = hc_relief_light_angles(&out->light, hc_work_json_number(j, "azimuth_deg"),
                                    hc_work_json_number(j, "elevation_deg"), err);
    }
    out->light.residual_deg = hc_work_json_number(j, "residual_deg");
    out->light.sigma_deg = hc_work_json_number(j, "sigma_deg");
    snprintf(out->polariser, sizeof out->polariser, "%.11s", hc_work_json_text(j, "polariser"));
    out->flat = json_integer_value(json_object_get(j, "flat"));
    json_decref(j);
    return st;
}

// ---- a file of lights ----
enum column { C_FILE, C_AZIMUTH, C_ELEVATION, C_X, C_Y, C_Z, C_POLARISER, C_FLAT, C_COUNT };
static const char *const column_name[C_COUNT] = {"file", "azimuth_deg", "elevation_deg", "x_mm",
                                                 "y_mm", "z_mm",        "polariser",     "flat"};

struct line {
    char text[1024];
    char *field[LAMP_FIELDS];
    int n;
};

static void split(struct line *l)
{
    char *p = l->text;
    l->n = 0;
    for (;;) {
        char *end = p + strcspn(p, ",;\t"), *last;
        bool is_last = *end == 0;
        *end = 0;
        p += strspn(p, " \"");
        last = p + strlen(p);
        while (last > p && (last[-1] == ' ' || last[-1] == '"' || last[-1] == '\r')) {
            *--last = 0;
        }
        if (l->n < LAMP_FIELDS) {
            l->field[l->n++] = p;
        }
        if (is_last) {
            return;
        }
        p = end + 1;
    }
}

// The next line that is neither empty nor a remark; false at the end.
static bool next_line(const char **text, struct line *l, int *number)
{
    while (**text) {
        size_t n = strcspn(*text, "\n");
        const char *at = *text;
        *text += n + ((*text)[n] == '\n');
        (*number)++;
        if (strspn(at, " \t\r") < n && *at != '#' && n < sizeof l->text) {
            memcpy(l->text, at, n);
            l->text[n] = 0;
            split(l);
            return true;
        }
    }
    return false;
}

bool hc_work_is_lights(const char *text)
{
    struct line l;
    int number = 0;
    bool has_file = false, has_lamp = false;
    if (!next_line(&text, &l, &number)) {
        return false;
    }
    for (int i = 0; i < l.n; i++) {
        has_file |= strcasecmp(l.field[i], "file") == 0;
        has_lamp |= strcasecmp(l.field[i], "elevation_deg") == 0;
        has_lamp |= strcasecmp(l.field[i], "z_mm") == 0;
    }
    return has_file && has_lamp;
}

static hc_status number_of(const struct line *l, int at, int number, enum column c, double *out,
                           struct hc_err *err)
{
    char *end = NULL;
    const char *text = at >= 0 && at < l->n ? l->field[at] : "";
    *out = strtod(text, &end);
    if (end == text || *end || !isfinite(*out)) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                          "lights, line %d: \"%.40s\" is not a number for %s", number, text,
                          column_name[c]);
    }
    return HC_OK;
}

// The view that a line names: by file name, label or id.
static const struct hc_view *view_named(const struct hc_view_list *l, const char *name)
{
    const char *slash = strrchr(name, '/');
    char *end = NULL;
    long long id = strtoll(name, &end, 10);
    name = slash ? slash + 1 : name;
    for (size_t i = 0; i < l->n; i++) {
        const struct hc_view *v = &l->v[i];
        if (strcmp(v->file_name, name) == 0 || strcmp(v->label, name) == 0 ||
            (end != name && *end == 0 && v->id == id)) {
            return v;
        }
    }
    return NULL;
}

// Reads one line; keeps it when `source` is given.
static hc_status take_line(struct hc_work *w, const struct hc_view_list *views,
                           const struct line *l, const int col[C_COUNT], int number,
                           const char *source, struct hc_err *err)
{
    struct hc_work_lamp lamp = {0};
    double v[3] = {0};
    const char *name = col[C_FILE] < l->n ? l->field[col[C_FILE]] : "";
    const struct hc_view *view = view_named(views, name);
    bool is_near = col[C_Z] >= 0;
    hc_status st = HC_OK;
    if (!view) {
        return hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM,
                          "lights, line %d: no view has the file or label \"%.80s\"; add it first",
                          number, name);
    }
    for (int k = 0; st == HC_OK && k < (is_near ? 3 : 2); k++) {
        int c = is_near ? C_X + k : C_AZIMUTH + k;
        st = number_of(l, col[c], number, (enum column)c, &v[k], err);
    }
    if (st == HC_OK) {
        st = is_near ? hc_relief_light_position(&lamp.light, v[0], v[1], v[2], err)
                     : hc_relief_light_angles(&lamp.light, v[0], v[1], err);
        st = st == HC_OK ? st : hc_err_prefix(err, st, "lights, line %d: ", number);
    }
    if (st == HC_OK && col[C_POLARISER] >= 0 && col[C_POLARISER] < l->n) {
        const char *word = l->field[col[C_POLARISER]];
        snprintf(lamp.polariser, sizeof lamp.polariser, "%.11s", word);
        if (*word && strcmp(word, "crossed") != 0 && strcmp(word, "parallel") != 0) {
            st = hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                            "lights, line %d: polariser \"%.40s\"; write crossed, parallel or "
                            "nothing",
                            number, word);
        }
    }
    if (st == HC_OK && col[C_FLAT] >= 0 && col[C_FLAT] < l->n && *l->field[col[C_FLAT]]) {
        const struct hc_view *flat = view_named(views, l->field[col[C_FLAT]]);
        lamp.flat = flat ? flat->id : 0;
        if (!flat || flat->w != view->w || flat->h != view->h) {
            st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM,
                            "lights, line %d: no view of the same size has the file or label "
                            "\"%.80s\" for the board",
                            number, l->field[col[C_FLAT]]);
        }
    }
    return st == HC_OK && source ? lamp_store(w, view->id, &lamp, source, err) : st;
}

static hc_status find_columns(int col[C_COUNT], const struct line *l, struct hc_err *err)
{
    for (int c = 0; c < C_COUNT; c++) {
        col[c] = -1;
        for (int i = 0; i < l->n; i++) {
            col[c] = strcasecmp(l->field[i], column_name[c]) == 0 ? i : col[c];
        }
    }
    if (col[C_FILE] < 0 || (!(col[C_AZIMUTH] >= 0 && col[C_ELEVATION] >= 0) &&
                            !(col[C_X] >= 0 && col[C_Y] >= 0 && col[C_Z] >= 0))) {
        return hc_err_set(err, HC_EDATA, HC_WORK_ROOM,
                          "the lights need a first line of names: file, and azimuth_deg, "
                          "elevation_deg or x_mm, y_mm, z_mm (also: polariser, flat)");
    }
    return HC_OK;
}

hc_status hc_work_lights_import(struct hc_work *w, const char *text, const char *name,
                                bool is_partial, struct hc_buf *json, struct hc_err *err)
{
    struct hc_view_list views = {0};
    struct line l;
    const char *rest = text;
    int col[C_COUNT], number = 0;
    int64_t n = 0;
    hc_status st = hc_store_views(w->store, &views, err);
    if (st == HC_OK && !next_line(&rest, &l, &number)) {
        st = hc_err_set(err, HC_EDATA, HC_WORK_ROOM, "the file of lights is empty");
    }
    st = st == HC_OK ? find_columns(col, &l, err) : st;
    // Twice: a line that is wrong must not leave the lamps of the lines above it behind.
    for (int pass = 0; st == HC_OK && pass < 2; pass++) {
        rest = text;
        number = 0;
        n = 0;
        hc_ignore(next_line(&rest, &l, &number) ? HC_OK : HC_EDATA);
        while (st == HC_OK && next_line(&rest, &l, &number)) {
            if (is_partial && !view_named(&views, col[C_FILE] < l.n ? l.field[col[C_FILE]] : "")) {
                continue;
            }
            st = take_line(w, &views, &l, col, number, pass ? name : NULL, err);
            n++;
        }
    }
    if (st == HC_OK && n == 0) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM, "no line of the lights names a view");
    }
    if (st == HC_OK && json) {
        hc_json_obj(json);
        hc_json_kint(json, "lights", n);
        hc_json_kstr(json, "file_name", name);
        hc_json_end_obj(json);
        st = hc_buf_check(json, err);
    }
    hc_view_list_release(&views);
    return st;
}

// ---- lamps from spheres ----

// The grey of the square round a circle, with the circle in px of that square.
static hc_status cut_sphere(struct hc_work *w, const struct hc_view *v, struct hc_relief_sphere s,
                            struct hc_plane *grey, struct hc_relief_sphere *in, struct hc_err *err)
{
    struct hc_raster *r = NULL;
    struct hc_work_rect at;
    hc_status st = hc_work_open_decoded(w, v, &r, err);
    if (st == HC_OK && (!(s.r >= 8) || s.x + s.r <= 0 || s.y + s.r <= 0 ||
                        s.x - s.r >= hc_raster_w(r) || s.y - s.r >= hc_raster_h(r))) {
        st = hc_err_set(err, HC_ERANGE, HC_WORK_ROOM,
                        "the sphere at %.1f,%.1f with radius %.1f px does not lie in view %s of "
                        "%d x %d px (radius 8 or more)",
                        s.x, s.y, s.r, v->label, hc_raster_w(r), hc_raster_h(r));
    }
    if (st == HC_OK) {
        at.x0 = (int)fmax(0, floor(s.x - s.r - 2));
        at.y0 = (int)fmax(0, floor(s.y - s.r - 2));
        at.w = (int)fmin(hc_raster_w(r), ceil(s.x + s.r + 2)) - at.x0;
        at.h = (int)fmin(hc_raster_h(r), ceil(s.y + s.r + 2)) - at.y0;
        *in = (struct hc_relief_sphere){s.x - at.x0, s.y - at.y0, s.r};
        st = hc_plane_create(grey, at.w, at.h, err);
        st = st == HC_OK ? hc_work_read_grey(r, at.x0, at.y0, grey, err) : st;
    }
    hc_raster_close(r);
    return st;
}

static hc_status measure_one(struct hc_work *w, const struct hc_view *v,
                             const struct hc_work_lights *req, double mm_per_px,
                             struct hc_relief_light *out, struct hc_err *err)
{
    struct hc_relief_highlight spot[HC_WORK_SPHERES];
    struct hc_relief_sphere sphere[HC_WORK_SPHERES];
    hc_status st = HC_OK;
    for (size_t i = 0; st == HC_OK && i < req->n; i++) {
        struct hc_plane grey = {0};
        struct hc_relief_sphere in;
        sphere[i] = (struct hc_relief_sphere){req->sphere[i].x, req->sphere[i].y, req->sphere[i].r};
        st = cut_sphere(w, v, sphere[i], &grey, &in, err);
        if (st == HC_OK && req->is_matte) {
            st = hc_relief_light_matte(out, NULL, &grey, in, err);
        } else if (st == HC_OK) {
            st = hc_relief_highlight_find(&spot[i], &grey, in, err);
            spot[i].x += sphere[i].x - in.x;
            spot[i].y += sphere[i].y - in.y;
        }
        hc_plane_release(&grey);
    }
    if (st == HC_OK && !req->is_matte) {
        const double *m = v->frame_to_view; // view px per frame px by its linear part
        double scale = sqrt(fabs(m[0] * m[4] - m[1] * m[3])) / fabs(m[8]);
        st = hc_relief_light_mirror(out, spot, sphere, req->n,
                                    mm_per_px / (v->is_placed && scale > 0 ? scale : 1), v->w / 2.0,
                                    v->h / 2.0, err);
    }
    return st == HC_OK ? st : hc_err_prefix(err, st, "view %s: ", v->label);
}

hc_status hc_work_lights_measure(struct hc_work *w, const struct hc_work_lights *req,
                                 struct hc_buf *json, struct hc_err *err)
{
    struct hc_painting p = {0};
    struct hc_view_list views = {0};
    size_t n = 0;
    hc_status st = hc_work_framed(w, &p, err);
    if (st == HC_OK && (req->n < 1 || req->n > HC_WORK_SPHERES || (req->is_matte && req->n > 1))) {
        st = hc_err_set(err, HC_EARG, HC_WORK_ROOM,
                        "%zu spheres; give 1 to %d mirror spheres, or one matte sphere", req->n,
                        HC_WORK_SPHERES);
    }
    st = st == HC_OK ? hc_store_views(w->store, &views, err) : st;
    if (json) {
        hc_json_obj(json);
        hc_json_kstr(json, "state", req->state);
        hc_json_key(json, "lights");
        hc_json_arr(json);
    }
    for (size_t i = 0; st == HC_OK && i < views.n; i++) {
        const struct hc_view *v = &views.v[i];
        struct hc_work_lamp lamp = {0};
        double az, el;
        if (strcmp(v->technique, "raking") != 0 || strcmp(v->state, req->state) != 0) {
            continue;
        }
        hc_ignore(hc_work_lamp_get(w, v, &lamp, NULL)); // keeps polariser and board
        st = measure_one(w, v, req, hc_work_mm_per_px(&p), &lamp.light, err);
        st = st == HC_OK ? lamp_store(w, v->id, &lamp, "spheres in the picture", err) : st;
        n++;
        if (st == HC_OK && json) {
            hc_relief_light_to_angles(&lamp.light, &az, &el);
            hc_json_obj(json);
            hc_json_kint(json, "view", v->id);
            hc_json_kstr(json, "label", v->label);
            hc_json_knum(json, "azimuth_deg", az);
            hc_json_knum(json, "elevation_deg", el);
            hc_json_kbool(json, "is_near", lamp.light.is_near);
            hc_json_knum(json, "residual_deg", lamp.light.residual_deg);
            hc_json_end_obj(json);
        }
    }
    if (st == HC_OK && n == 0) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_WORK_ROOM, "there is no raking view in the state %s",
                        req->state);
    }
    if (st == HC_OK && json) {
        hc_json_end_arr(json);
        hc_json_end_obj(json);
        st = hc_buf_check(json, err);
    }
    hc_view_list_release(&views);
    hc_painting_release(&p);
    return st;
}
