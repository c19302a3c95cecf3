// Handlers of one view's placement: pairs of points, what is ignored, its own pixels, taking it
// back.
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "server/server_priv.h"

#define PAIRS_MAX 1000   // numbers decoded; how many there may be is the use case's to say
#define POLYGONS_MAX 100 // the same

static hc_status no_memory(struct hc_err *err)
{
    return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory for a placement request");
}

hc_status hc_server_get_pairs(struct hc_req *r, struct hc_err *err)
{
    return hc_work_pairs(r->work, r->arg[0], &r->out, err);
}

static hc_status decode_pair(const json_t *p, size_t i, struct hc_work_pair *out,
                             struct hc_err *err)
{
    double q[4];
    for (size_t k = 0; k < 4; k++) {
        const json_t *x = json_array_get(p, k);
        if (json_array_size(p) != 4 || !json_is_number(x) || !(fabs(json_number_value(x)) <= 1e7)) {
            return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                              "pair %zu must be four numbers [frame_x, frame_y, view_x, view_y]",
                              i + 1);
        }
        q[k] = json_number_value(x);
    }
    *out = (struct hc_work_pair){q[0], q[1], q[2], q[3]};
    return HC_OK;
}

static hc_status decode_pairs(const json_t *list, struct hc_server_task *task, struct hc_err *err)
{
    size_t n = json_array_size(list);
    hc_status st = HC_OK;
    if (n > PAIRS_MAX) {
        return hc_err_set(err, HC_ELIMIT, HC_SERVER_ROOM, "%zu pairs of points; at most %d", n,
                          PAIRS_MAX);
    }
    task->pair = hc_mem_array(n + 1, sizeof *task->pair);
    task->n_pairs = n;
    for (size_t i = 0; task->pair && st == HC_OK && i < n; i++) {
        st = decode_pair(json_array_get(list, i), i, &task->pair[i], err);
    }
    return task->pair ? st : no_memory(err);
}

// Pairs that cannot place the view are refused at once, not by the job.
static hc_status check(struct hc_req *r, const struct hc_server_task *task, struct hc_err *err)
{
    struct hc_work *w = NULL;
    hc_status st = hc_server_reader_take(r->server, &w, err);
    if (st == HC_OK) {
        st = hc_work_pairs_check(w, r->arg[0], task->pair, task->n_pairs, err);
        hc_server_reader_give(r->server, w);
    }
    return st;
}

// The view's name goes into the task.
static hc_status name_view(struct hc_req *r, struct hc_server_task *task, struct hc_err *err)
{
    task->view = hc_mem_strdup(r->arg[0]);
    return task->view ? HC_OK : no_memory(err);
}

hc_status hc_server_put_pairs(struct hc_req *r, struct hc_err *err)
{
    json_t *list = NULL;
    const struct hc_server_field field[] = {{"pairs", HC_FIELD_LIST, true, &list}};
    struct hc_server_task task = {.kind = HC_JOB_ALIGN};
    hc_status st = hc_server_decode_body(r, field, 1, err);
    st = st == HC_OK ? decode_pairs(list, &task, err) : st;
    st = st == HC_OK ? check(r, &task, err) : st;
    st = st == HC_OK ? name_view(r, &task, err) : st;
    if (st != HC_OK) {
        hc_server_task_release(&task);
        return st;
    }
    return hc_server_start_job(r, &task, err);
}

hc_status hc_server_delete_placement(struct hc_req *r, struct hc_err *err)
{
    struct hc_server_task task = {.kind = HC_JOB_ALIGN, .is_taken_back = true};
    hc_status st = name_view(r, &task, err);
    return st == HC_OK ? hc_server_start_job(r, &task, err) : st;
}

hc_status hc_server_get_ignored(struct hc_req *r, struct hc_err *err)
{
    return hc_work_ignored(r->work, r->arg[0], &r->out, err);
}

// [[[x,y],...],...] as a GeoJSON FeatureCollection, whose reader looks at every corner.
static hc_status to_geojson(struct hc_buf *b, const json_t *list, struct hc_err *err)
{
    size_t n = json_array_size(list);
    if (n > POLYGONS_MAX) {
        return hc_err_set(err, HC_ELIMIT, HC_SERVER_ROOM, "%zu polygons; at most %d", n,
                          POLYGONS_MAX);
    }
    hc_buf_str(b, "{\"type\":\"FeatureCollection\",\"features\":[");
    for (size_t i = 0; i < n; i++) {
        char *ring = json_dumps(json_array_get(list, i),
                                JSON_COMPACT | JSON_ENCODE_ANY | JSON_REAL_PRECISION(9));
        hc_buf_printf(b,
                      "%s{\"type\":\"Feature\",\"geometry\":{\"type\":\"Polygon\","
                      "\"coordinates\":[%s]}}",
                      i ? "," : "", ring ? ring : "null");
        free(ring); // the JSON library's own block
    }
    hc_buf_str(b, "]}");
    return hc_buf_check(b, err);
}

hc_status hc_server_put_ignored(struct hc_req *r, struct hc_err *err)
{
    json_t *list = NULL;
    struct hc_buf geojson = {0};
    const struct hc_server_field field[] = {{"polygons", HC_FIELD_LIST, true, &list}};
    hc_status st = hc_server_decode_body(r, field, 1, err);
    st = st == HC_OK ? to_geojson(&geojson, list, err) : st;
    if (st == HC_OK) {
        st = hc_work_ignored_set(
            r->work, r->arg[0], json_array_size(list) ? hc_buf_text(&geojson) : NULL, &r->out, err);
    }
    hc_buf_release(&geojson);
    return st;
}

hc_status hc_server_get_own(struct hc_req *r, struct hc_err *err)
{
    double x = 0, y = 0, side = 0, px = 128;
    const struct hc_server_field field[] = {{"x", HC_FIELD_NUMBER, true, &x},
                                            {"y", HC_FIELD_NUMBER, true, &y},
                                            {"side", HC_FIELD_NUMBER, true, &side},
                                            {"px", HC_FIELD_NUMBER, false, &px}};
    hc_status st = hc_server_decode_query(r, field, sizeof field / sizeof field[0], err);
    if (st == HC_OK && !(px >= 16 && px <= 512)) {
        st = hc_err_set(err, HC_ERANGE, HC_SERVER_ROOM, "px is %g; it must be 16 to 512", px);
    }
    if (st == HC_OK) {
        st = hc_work_own(r->work, r->arg[0], x, y, side, (int)px, &r->out, err);
        r->type = "image/jpeg";
    }
    return st;
}
