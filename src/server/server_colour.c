// Handlers of true colour: calibration by a target, and point measurements.
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "server/server_priv.h"

#define GRID_MAX 60  // rows or columns of a target
#define ALSO_MAX 200 // views that inherit

static hc_status fill_corners(struct hc_work_calibrate *c, const json_t *list, struct hc_err *err)
{
    if (json_array_size(list) != 4) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                          "corners has %zu places; it must be the middles of the 4 corner patches, "
                          "the first patch first, clockwise",
                          json_array_size(list));
    }
    for (size_t i = 0; i < 4; i++) {
        const json_t *at = json_array_get(list, i), *x = json_array_get(at, 0),
                     *y = json_array_get(at, 1);
        if (json_array_size(at) != 2 || !json_is_number(x) || !json_is_number(y)) {
            return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                              "corner %zu must be [x, y] in the view's own pixels", i + 1);
        }
        c->corner[i] = (struct hc_work_point){json_number_value(x), json_number_value(y)};
    }
    c->has_corners = true;
    return HC_OK;
}

static hc_status fill_also(struct hc_server_task *t, json_t *list, struct hc_err *err)
{
    hc_status st = hc_server_fill_names(t, list, "also", ALSO_MAX, err);
    t->calibrate.also = t->names;
    t->calibrate.n_also = t->n_names;
    return st;
}

static hc_status fill_grid(struct hc_work_calibrate *c, double rows, double cols,
                           struct hc_err *err)
{
    const double side[2] = {rows, cols};
    for (int i = 0; i < 2; i++) {
        if (!(side[i] >= 0 && side[i] <= GRID_MAX) || side[i] < floor(side[i]) ||
            side[i] > floor(side[i])) {
            return hc_err_set(err, HC_ERANGE, HC_SERVER_ROOM,
                              "a target of %g rows and %g columns; whole numbers up to %d, or "
                              "neither",
                              rows, cols, GRID_MAX);
        }
    }
    if ((rows > 0) != (cols > 0)) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "rows and cols go together");
    }
    c->rows = (int)rows;
    c->cols = (int)cols;
    return HC_OK;
}

hc_status hc_server_post_calibrate(struct hc_req *r, struct hc_err *err)
{
    struct hc_server_task task = {.kind = HC_JOB_CALIBRATE};
    struct hc_work_calibrate *c = &task.calibrate;
    json_t *corners = NULL, *also = NULL;
    double rows = 0, cols = 0;
    const struct hc_server_field field[] = {{"chart_text", HC_FIELD_DOCUMENT, true, &c->chart},
                                            {"corners", HC_FIELD_LIST, false, &corners},
                                            {"rows", HC_FIELD_NUMBER, false, &rows},
                                            {"cols", HC_FIELD_NUMBER, false, &cols},
                                            {"flat", HC_FIELD_NAME, false, &c->flat},
                                            {"also", HC_FIELD_LIST, false, &also}};
    hc_status st = hc_server_decode_body(r, field, sizeof field / sizeof field[0], err);
    st = st == HC_OK && corners ? fill_corners(c, corners, err) : st;
    st = st == HC_OK ? fill_grid(c, rows, cols, err) : st;
    st = st == HC_OK && also ? fill_also(&task, also, err) : st;
    if (st == HC_OK) {
        task.view = hc_mem_strdup(r->arg[0]);
        st = task.view
                 ? HC_OK
                 : hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory for a calibration");
    }
    if (st != HC_OK) {
        hc_server_task_release(&task);
        return st;
    }
    c->view = task.view;
    if (c->flat && !*c->flat) {
        c->flat = NULL;
    }
    task.body = r->json; // the texts above live in it
    r->json = NULL;
    return hc_server_start_job(r, &task, err);
}

hc_status hc_server_delete_calibration(struct hc_req *r, struct hc_err *err)
{
    struct hc_server_task task = {.kind = HC_JOB_CALIBRATE, .view = hc_mem_strdup(r->arg[0])};
    if (!task.view) {
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory for a calibration");
    }
    return hc_server_start_job(r, &task, err);
}

hc_status hc_server_get_points(struct hc_req *r, struct hc_err *err)
{
    const char *light = "D50";
    double observer = 2;
    const struct hc_server_field field[] = {{"light", HC_FIELD_TEXT, false, &light},
                                            {"observer", HC_FIELD_NUMBER, false, &observer}};
    hc_status st = hc_server_decode_query(r, field, sizeof field / sizeof field[0], err);
    if (st == HC_OK && !(fabs(observer - 2) < 1e-9 || fabs(observer - 10) < 1e-9)) {
        st = hc_err_set(err, HC_ERANGE, HC_SERVER_ROOM, "observer is %g; it must be 2 or 10",
                        observer);
    }
    return st == HC_OK ? hc_work_points(r->work, light, (int)lround(observer), &r->out, err) : st;
}

hc_status hc_server_post_points(struct hc_req *r, struct hc_err *err)
{
    const char *text = NULL, *name = NULL;
    double mm = 3;
    const struct hc_server_field field[] = {{"text", HC_FIELD_DOCUMENT, true, &text},
                                            {"name", HC_FIELD_TEXT, true, &name},
                                            {"mm", HC_FIELD_NUMBER, false, &mm}};
    hc_status st = hc_server_decode_body(r, field, sizeof field / sizeof field[0], err);
    st = st == HC_OK ? hc_work_points_import(r->work, text, name, mm, &r->out, err) : st;
    r->http = st == HC_OK ? MHD_HTTP_CREATED : 0;
    return st;
}
