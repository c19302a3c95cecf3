// One request from its first line to its end, as the HTTP library calls us: once with the headers,
// then with each piece of the body, then to answer; again after each wait.
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "server/server_priv.h"

static void release(struct hc_req *r)
{
    struct hc_server *s = r->server;
    if (r->is_write_waiting) {
        pthread_mutex_lock(&s->lock);
        s->write_waiters--;
        pthread_cond_signal(&s->job_cond);
        pthread_mutex_unlock(&s->lock);
    }
    if (r->job) {
        hc_server_job_hold(s, r->job, -1);
    }
    if (r->response) {
        MHD_destroy_response(r->response);
    }
    if (r->upload_fd >= 0) {
        close(r->upload_fd);
    }
    if (r->upload_path) {
        unlink(r->upload_path);
        hc_mem_free(r->upload_path);
    }
    json_decref(r->json);
    hc_buf_release(&r->body);
    hc_buf_release(&r->out);
    hc_mem_free(r);
}

void hc_server_on_completed(void *cls, struct MHD_Connection *connection, void **con_cls,
                            enum MHD_RequestTerminationCode how)
{
    (void)cls;
    (void)connection;
    (void)how;
    if (*con_cls) {
        release(*con_cls);
        *con_cls = NULL;
    }
}

// Length of the body as announced; 0 when it has none, UINT64_MAX when it comes in chunks or the
// announcement cannot be read.
static uint64_t announced(const struct hc_req *r)
{
    const char *text =
        MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "Content-Length");
    if (MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "Transfer-Encoding")) {
        return UINT64_MAX;
    }
    if (!text) {
        return 0;
    }
    if (strlen(text) > 18 || strspn(text, "0123456789") != strlen(text)) {
        return UINT64_MAX;
    }
    return strtoull(text, NULL, 10);
}

// Answer with an error. While a body is still on its way a short one is read to its end first, so
// that the answer is not lost when the connection closes.
static enum MHD_Result refuse(struct hc_req *r, int http, const struct hc_err *err, bool has_body,
                              const char *allow)
{
    uint64_t length = has_body ? announced(r) : 0;
    if (length > 0) {
        r->is_refused = true;
        r->refused_http = http;
        r->refused = *err;
        snprintf(r->allow, sizeof r->allow, "%s", allow ? allow : "");
        if ((length <= HC_SERVER_DRAIN_MAX || length == UINT64_MAX) &&
            !MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "Expect")) {
            return MHD_YES;
        }
    }
    return hc_server_reply_error(r, http, err, allow);
}

static int prepare_body(struct hc_req *r, struct hc_err *err)
{
    struct hc_server *s = r->server;
    uint64_t length = announced(r);
    r->body_max = r->route->body == HC_BODY_JSON   ? HC_SERVER_JSON_MAX
                  : r->route->body == HC_BODY_FILE ? s->upload_max
                                                   : 0;
    if (length != UINT64_MAX && length > r->body_max) {
        return hc_work_http_code(hc_err_set(
            err, HC_ELIMIT, HC_SERVER_ROOM, "the body has %llu bytes; at most %llu are taken here",
            (unsigned long long)length, (unsigned long long)r->body_max));
    }
    if (s->is_read_only &&
        (r->route->need == HC_NEED_WRITER || r->route->need == HC_NEED_WRITABLE)) {
        return hc_work_http_code(hc_err_set(
            err, HC_ECONFLICT, HC_SERVER_ROOM,
            "the dossier is open for reading only: another program holds it, or it was opened so"));
    }
    r->body.max = HC_SERVER_JSON_MAX;
    if (r->route->body == HC_BODY_FILE) {
        hc_status st = hc_server_temp(s, "upload", &r->upload_fd, &r->upload_path, err);
        return st == HC_OK ? 0 : hc_work_http_code(st);
    }
    return 0;
}

static enum MHD_Result begin(struct hc_req *r, const char *url, const char *method)
{
    struct hc_err err = {0};
    char allow[64] = "";
    bool is_path_known = false;
    int http = hc_server_guard_host(r, &err);
    r->is_head = strcmp(method, "HEAD") == 0;
    if (!http) {
        http = hc_server_guard_session(r, url, &err);
    }
    if (!http && strlen(url) < sizeof r->path) {
        memcpy(r->path, url, strlen(url) + 1);
        r->route = hc_server_route_find(method, r->path, r->arg, &is_path_known, allow);
    }
    if (!http && !r->route) {
        http = is_path_known ? HC_HTTP_METHOD : hc_work_http_code(HC_ENOTFOUND);
        hc_ignore(hc_err_set(&err, is_path_known ? HC_EARG : HC_ENOTFOUND, HC_SERVER_ROOM,
                             is_path_known ? "%.20s is not for %.200s"
                                           : "there is nothing for %.20s at %.200s",
                             method, url));
    }
    if (!http) {
        http = hc_server_guard_origin(r, method, &err);
    }
    if (!http) {
        http = prepare_body(r, &err);
    }
    return http ? refuse(r, http, &err, true, *allow ? allow : NULL) : MHD_YES;
}

static void refuse_later(struct hc_req *r, hc_status st, const struct hc_err *err)
{
    r->is_refused = true;
    r->refused_http = hc_work_http_code(st);
    r->refused = *err;
}

static void store_upload(struct hc_req *r, const char *p, size_t n)
{
    while (n > 0) {
        ssize_t done = write(r->upload_fd, p, n);
        if (done < 0 && errno == EINTR) {
            continue;
        }
        if (done <= 0) {
            struct hc_err err = {0};
            refuse_later(r,
                         hc_err_set(&err, HC_EIO, HC_SERVER_ROOM,
                                    "the uploaded file could not be kept: %s", strerror(errno)),
                         &err);
            return;
        }
        p += done;
        n -= (size_t)done;
    }
}

static enum MHD_Result take_body(struct hc_req *r, const char *data, size_t *n)
{
    size_t got = *n;
    r->received += got;
    *n = 0;
    if (r->is_refused) {
        r->drained += got;
        return r->drained <= HC_SERVER_DRAIN_MAX ? MHD_YES : MHD_NO;
    }
    if (r->received > r->body_max) {
        struct hc_err err = {0};
        refuse_later(r,
                     hc_err_set(&err, HC_ELIMIT, HC_SERVER_ROOM,
                                "the body is longer than the %llu bytes taken here",
                                (unsigned long long)r->body_max),
                     &err);
    } else if (r->upload_fd >= 0) {
        store_upload(r, data, got);
    } else {
        hc_buf_bytes(&r->body, data, got);
    }
    return MHD_YES;
}

// The writer handle for a small write: HC_OK with r->work set, or not yet (*is_waiting).
static hc_status take_writer(struct hc_req *r, bool *is_waiting, struct hc_err *err)
{
    struct hc_server *s = r->server;
    hc_status st = HC_OK;
    pthread_mutex_lock(&s->lock);
    if (!s->is_writer_lent && !s->is_stopping) {
        s->is_writer_lent = true;
        r->work = s->writer;
    } else if (r->wait == HC_WAIT_NOTHING ||
               hc_server_now() - r->wait_since < HC_SERVER_WRITER_SECONDS) {
        // Another small write may have been quicker: wait on, but never longer than the limit.
        r->wait_since = r->wait == HC_WAIT_NOTHING ? hc_server_now() : r->wait_since;
        r->wait = HC_WAIT_WRITER;
        *is_waiting = hc_server_wait_locked(r);
        if (*is_waiting && !r->is_write_waiting) {
            r->is_write_waiting = true;
            s->write_waiters++;
        }
    }
    if (!r->work && !*is_waiting) {
        st = hc_err_set(err, HC_ECONFLICT, HC_SERVER_ROOM, "%s",
                        s->is_stopping
                            ? "the server is stopping"
                            : "the dossier is being written by a running job; wait for it "
                              "or cancel it");
    }
    pthread_mutex_unlock(&s->lock);
    return st;
}

static void end_write_wait(struct hc_req *r)
{
    struct hc_server *s = r->server;
    if (r->is_write_waiting) {
        pthread_mutex_lock(&s->lock);
        r->is_write_waiting = false;
        s->write_waiters--;
        pthread_cond_signal(&s->job_cond);
        pthread_mutex_unlock(&s->lock);
    }
}

static enum MHD_Result wait_for_job(struct hc_req *r)
{
    struct hc_server *s = r->server;
    struct hc_err err = {0};
    bool is_waiting;
    pthread_mutex_lock(&s->lock);
    is_waiting = hc_server_wait_locked(r);
    pthread_mutex_unlock(&s->lock);
    if (is_waiting) {
        return MHD_YES;
    }
    hc_ignore(hc_err_set(&err, HC_ECONFLICT, HC_SERVER_ROOM, "the server is stopping"));
    return hc_server_reply_error(r, HC_HTTP_BUSY, &err, NULL);
}

static enum MHD_Result answer(struct hc_req *r)
{
    struct hc_server *s = r->server;
    struct hc_err err = {0};
    bool is_waiting = false;
    hc_status st = HC_OK;
    if (r->is_refused) {
        return hc_server_reply_error(r, r->refused_http, &r->refused, *r->allow ? r->allow : NULL);
    }
    if (r->route->need == HC_NEED_WRITER) {
        st = take_writer(r, &is_waiting, &err);
    } else if (r->route->need == HC_NEED_READER) {
        st = hc_server_reader_take(s, &r->work, &err);
    }
    if (is_waiting) {
        return MHD_YES;
    }
    if (st == HC_OK) {
        r->wait = HC_WAIT_NOTHING;
        st = r->route->handle(r, &err);
    }
    if (r->work && r->route->need == HC_NEED_WRITER) {
        hc_server_writer_give(s);
    } else if (r->work) {
        hc_server_reader_give(s, r->work);
    }
    r->work = NULL;
    end_write_wait(r);
    if (st == HC_OK && r->wait != HC_WAIT_NOTHING) {
        return wait_for_job(r);
    }
    if (st == HC_OK && !r->response) {
        st = hc_buf_check(&r->out, &err);
    }
    return st == HC_OK ? hc_server_reply(r)
                       : hc_server_reply_error(r, r->http >= 400 ? r->http : hc_work_http_code(st),
                                               &err, NULL);
}

enum MHD_Result hc_server_on_request(void *cls, struct MHD_Connection *connection, const char *url,
                                     const char *method, const char *version, const char *data,
                                     size_t *n, void **con_cls)
{
    struct hc_req *r = *con_cls;
    (void)version;
    if (!r) {
        r = hc_mem_array(1, sizeof *r);
        if (!r) {
            return MHD_NO;
        }
        r->server = cls;
        r->connection = connection;
        r->upload_fd = -1;
        *con_cls = r;
        return begin(r, url, method);
    }
    return *n > 0 ? take_body(r, data, n) : answer(r);
}
