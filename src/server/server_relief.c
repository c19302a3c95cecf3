// Handlers of relief: lamps, computing, a passage, a line across.
#include <string.h>

#include "base/mem.h"
#include "server/server_priv.h"

static hc_status no_memory(struct hc_err *err)
{
    return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory for a relief request");
}

hc_status hc_server_get_relief(struct hc_req *r, struct hc_err *err)
{
    return hc_work_relief_get(r->work, NULL, &r->out, err);
}

hc_status hc_server_put_lights(struct hc_req *r, struct hc_err *err)
{
    const char *text = NULL, *name = NULL;
    const struct hc_server_field field[] = {{"text", HC_FIELD_DOCUMENT, true, &text},
                                            {"name", HC_FIELD_TEXT, false, &name}};
    hc_status st = hc_server_decode_body(r, field, sizeof field / sizeof field[0], err);
    return st == HC_OK
               ? hc_work_lights_import(r->work, text, name ? name : "lights", false, &r->out, err)
               : st;
}

hc_status hc_server_post_relief(struct hc_req *r, struct hc_err *err)
{
    static const char *const methods[] = {"trimmed", "least-squares", "least-trimmed"};
    const char *state = NULL, *method = NULL;
    struct hc_server_task task = {.kind = HC_JOB_RELIEF};
    struct hc_work_relief *q = &task.relief;
    bool is_known = false;
    const struct hc_server_field field[] = {{"state", HC_FIELD_TEXT, true, &state},
                                            {"method", HC_FIELD_TEXT, false, &method},
                                            {"flat", HC_FIELD_FLAG, false, &q->is_flat},
                                            {"even_exposure", HC_FIELD_FLAG, false, &q->is_gained},
                                            {"short_mm", HC_FIELD_NUMBER, false, &q->short_mm},
                                            {"long_mm", HC_FIELD_NUMBER, false, &q->long_mm}};
    hc_status st = hc_server_decode_body(r, field, sizeof field / sizeof field[0], err);
    for (int i = 0; st == HC_OK && i < 3; i++) {
        if (!method || strcmp(method, methods[i]) == 0) {
            q->method = i;
            is_known = true;
            break;
        }
    }
    if (st == HC_OK && !is_known) {
        st = hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                        "method \"%s\"; give trimmed, least-squares or least-trimmed", method);
    }
    if (st == HC_OK) {
        task.state = hc_mem_strdup(state);
        st = task.state ? hc_server_start_job(r, &task, err) : no_memory(err);
    }
    return st;
}

static hc_status decode_area(struct hc_req *r, struct hc_work_relief_area *a, struct hc_buf *ring,
                             struct hc_err *err)
{
    const struct hc_server_field field[] = {{"state", HC_FIELD_TEXT, true, &a->state},
                                            {"other", HC_FIELD_TEXT, false, &a->other},
                                            {"polygon", HC_FIELD_POLYGON, true, ring},
                                            {"short_mm", HC_FIELD_NUMBER, false, &a->short_mm},
                                            {"long_mm", HC_FIELD_NUMBER, false, &a->long_mm}};
    hc_status st = hc_server_decode_body(r, field, sizeof field / sizeof field[0], err);
    a->geojson = hc_buf_text(ring);
    return st;
}

hc_status hc_server_post_texture(struct hc_req *r, struct hc_err *err)
{
    struct hc_work_relief_area a = {0};
    struct hc_buf ring = {0};
    hc_status st = decode_area(r, &a, &ring, err);
    st = st == HC_OK ? hc_work_relief_texture(r->work, &a, &r->out, err) : st;
    hc_buf_release(&ring);
    return st;
}

hc_status hc_server_post_film(struct hc_req *r, struct hc_err *err)
{
    struct hc_work_relief_area a = {0};
    struct hc_buf ring = {0};
    struct hc_server_task task = {.kind = HC_JOB_FILM};
    hc_status st = decode_area(r, &a, &ring, err);
    if (st == HC_OK) {
        task.relief.short_mm = a.short_mm;
        task.relief.long_mm = a.long_mm;
        task.state = hc_mem_strdup(a.state);
        task.name = hc_mem_strdup(a.geojson);
        st = task.state && task.name ? hc_server_start_job(r, &task, err) : no_memory(err);
    }
    if (st != HC_OK) {
        hc_server_task_release(&task);
    }
    hc_buf_release(&ring);
    return st;
}

hc_status hc_server_get_profile(struct hc_req *r, struct hc_err *err)
{
    const char *state = NULL;
    struct hc_work_point from = {0}, to = {0};
    const struct hc_server_field field[] = {{"state", HC_FIELD_TEXT, true, &state},
                                            {"x0", HC_FIELD_NUMBER, true, &from.x},
                                            {"y0", HC_FIELD_NUMBER, true, &from.y},
                                            {"x1", HC_FIELD_NUMBER, true, &to.x},
                                            {"y1", HC_FIELD_NUMBER, true, &to.y}};
    hc_status st = hc_server_decode_query(r, field, sizeof field / sizeof field[0], err);
    return st == HC_OK ? hc_work_relief_profile(r->work, state, from, to, &r->out, err) : st;
}
