// Handlers that start, watch and stop long work.
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"
#include "server/server_priv.h"

static char *copied(const char *text)
{
    return text && *text ? hc_mem_strdup(text) : NULL;
}

hc_status hc_server_start_job(struct hc_req *r, struct hc_server_task *task, struct hc_err *err)
{
    hc_status st = hc_server_job_add(r->server, task, &r->job, err);
    if (st != HC_OK) {
        hc_server_task_release(task);
        r->http = HC_HTTP_BUSY;
        return st;
    }
    hc_server_job_hold(r->server, r->job, 1);
    hc_json_obj(&r->out);
    hc_json_kint(&r->out, "job", r->job);
    hc_json_end_obj(&r->out);
    r->http = MHD_HTTP_ACCEPTED;
    return HC_OK;
}

static hc_status check_view(const char *name, double azimuth, double elevation, struct hc_err *err)
{
    if (strchr(name, '/') || strchr(name, '\\') || strlen(name) > 255) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                          "name must be a plain file name of at most 255 bytes");
    }
    if ((azimuth < -1e8) != (elevation < -1e8)) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                          "a light needs both azimuth and elevation, in degrees");
    }
    return HC_OK;
}

struct view_fields {
    const char *name, *technique, *state, *label;
    double azimuth, elevation;
};

// Takes over the request's file.
static hc_status fill_add(struct hc_server_task *task, struct hc_req *r,
                          const struct view_fields *f, struct hc_err *err)
{
    *task = (struct hc_server_task){.kind = HC_JOB_ADD,
                                    .file = r->upload_path,
                                    .name = copied(f->name),
                                    .technique = copied(f->technique),
                                    .state = copied(f->state),
                                    .label = copied(f->label),
                                    .has_light = f->azimuth > -1e8,
                                    .azimuth_deg = f->azimuth,
                                    .elevation_deg = f->elevation};
    r->upload_path = NULL;
    if (task->name && task->technique && task->state && (!f->label || !*f->label || task->label)) {
        return HC_OK;
    }
    hc_server_task_release(task);
    return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory while taking in %s", f->name);
}

hc_status hc_server_put_view(struct hc_req *r, struct hc_err *err)
{
    struct view_fields f = {.azimuth = -1e9, .elevation = -1e9}; // not given
    const struct hc_server_field field[] = {{"name", HC_FIELD_TEXT, true, &f.name},
                                            {"technique", HC_FIELD_TEXT, true, &f.technique},
                                            {"state", HC_FIELD_TEXT, true, &f.state},
                                            {"label", HC_FIELD_TEXT, false, &f.label},
                                            {"azimuth", HC_FIELD_NUMBER, false, &f.azimuth},
                                            {"elevation", HC_FIELD_NUMBER, false, &f.elevation}};
    struct hc_server_task task = {0};
    hc_status st = hc_server_decode_query(r, field, sizeof field / sizeof field[0], err);
    if (st == HC_OK) {
        st = check_view(f.name, f.azimuth, f.elevation, err);
    }
    if (st == HC_OK && r->received == 0) {
        st = hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "the request has no file in its body");
    }
    if (st == HC_OK) {
        st = fill_add(&task, r, &f, err);
    }
    return st == HC_OK ? hc_server_start_job(r, &task, err) : st;
}

hc_status hc_server_post_align(struct hc_req *r, struct hc_err *err)
{
    const char *view = NULL;
    const struct hc_server_field field[] = {{"view", HC_FIELD_NAME, false, &view}};
    struct hc_server_task task = {.kind = HC_JOB_ALIGN};
    hc_status st = hc_server_decode_body(r, field, 1, err);
    if (st != HC_OK) {
        return st;
    }
    task.view = copied(view);
    if (view && !task.view) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "the field \"view\" must not be empty");
    }
    return hc_server_start_job(r, &task, err);
}

hc_status hc_server_post_mosaic(struct hc_req *r, struct hc_err *err)
{
    enum { MOST = 60 };
    const char *label = NULL;
    json_t *views = NULL;
    const struct hc_server_field field[] = {{"views", HC_FIELD_LIST, true, &views},
                                            {"label", HC_FIELD_TEXT, false, &label}};
    struct hc_server_task task = {.kind = HC_JOB_MOSAIC};
    hc_status st = hc_server_decode_body(r, field, 2, err);
    st = st == HC_OK ? hc_server_fill_names(&task, views, "views", MOST, err) : st;
    if (st == HC_OK && task.n_names < 2) {
        st =
            hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "views must name 2 to %d views to join", MOST);
    }
    task.label = copied(label);
    if (st == HC_OK && label && *label && !task.label) {
        st = hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory for a label");
    }
    if (st != HC_OK) {
        hc_server_task_release(&task);
        return st;
    }
    task.body = r->json; // the names live in it
    r->json = NULL;
    return hc_server_start_job(r, &task, err);
}

hc_status hc_server_post_forecast(struct hc_req *r, struct hc_err *err)
{
    const char *surface = NULL;
    struct hc_server_task task = {.kind = HC_JOB_FORECAST};
    const struct hc_server_field field[] = {
        {"surface", HC_FIELD_TEXT, false, &surface},
        {"radius_limit", HC_FIELD_NUMBER, false, &task.radius_limit}};
    hc_status st = hc_server_decode_body(r, field, 2, err);
    if (st == HC_OK && !(task.radius_limit >= 0 && task.radius_limit <= 100)) {
        st = hc_err_set(err, HC_ERANGE, HC_SERVER_ROOM,
                        "radius_limit is %g; it must be 0 (none) to 100 CIEDE2000",
                        task.radius_limit);
    }
    if (st != HC_OK) {
        return st;
    }
    task.surface = copied(surface);
    if (surface && !task.surface) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "the field \"surface\" must not be empty");
    }
    return hc_server_start_job(r, &task, err);
}

hc_status hc_server_get_jobs(struct hc_req *r, struct hc_err *err)
{
    hc_server_jobs_document(r->server, &r->out);
    return hc_buf_check(&r->out, err);
}

hc_status hc_server_get_job(struct hc_req *r, struct hc_err *err)
{
    int64_t id = 0;
    hc_status st = hc_server_decode_id(r->arg[0], &id, err);
    return st == HC_OK ? hc_server_job_doc(r->server, id, &r->out, NULL, NULL, err) : st;
}

hc_status hc_server_get_events(struct hc_req *r, struct hc_err *err)
{
    int64_t id = 0;
    hc_status st = hc_server_decode_id(r->arg[0], &id, err);
    if (st == HC_OK) {
        st = hc_server_job_doc(r->server, id, &r->out, NULL, NULL, err); // is there such a job?
    }
    if (st != HC_OK) {
        return st;
    }
    hc_buf_reset(&r->out);
    r->job = id;
    hc_server_job_hold(r->server, id, 1);
    r->type = "text/event-stream";
    r->response = hc_server_events(r);
    return r->response ? HC_OK
                       : hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory for the events");
}

hc_status hc_server_delete_job(struct hc_req *r, struct hc_err *err)
{
    int64_t id = 0;
    hc_status st = hc_server_decode_id(r->arg[0], &id, err);
    if (st == HC_OK) {
        st = hc_server_job_cancel(r->server, id, err);
    }
    if (st == HC_OK) {
        st = hc_server_job_doc(r->server, id, &r->out, NULL, NULL, err);
        r->http = MHD_HTTP_ACCEPTED;
    }
    return st;
}

// Called twice: first to queue the report and wait, then to send what came of it.
hc_status hc_server_post_report(struct hc_req *r, struct hc_err *err)
{
    struct hc_server_task task = {.kind = HC_JOB_REPORT};
    struct stat info;
    int fd = -1;
    hc_status st;
    if (r->job == 0) {
        st = hc_server_decode_body(r, NULL, 0, err);
        if (st == HC_OK) {
            st = hc_server_temp(r->server, "report", &fd, &task.file, err);
        }
        if (st == HC_OK) {
            close(fd);
            st = hc_server_start_job(r, &task, err);
            r->wait = st == HC_OK ? HC_WAIT_JOB_END : HC_WAIT_NOTHING;
        }
        return st;
    }
    hc_buf_reset(&r->out);
    r->http = 0;
    st = hc_server_job_pdf(r->server, r->job, &fd, err);
    if (st != HC_OK) {
        return st;
    }
    r->response =
        fstat(fd, &info) == 0 ? MHD_create_response_from_fd64((uint64_t)info.st_size, fd) : NULL;
    if (!r->response) {
        close(fd);
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory while sending the report");
    }
    MHD_add_response_header(r->response, "Content-Disposition",
                            "attachment; filename=\"report.pdf\"");
    r->type = "application/pdf";
    return HC_OK;
}
