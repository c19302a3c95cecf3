// Requests that wait without holding a thread: for the writer handle, for a job's next step, for a
// job's end. They are put aside in the HTTP library and a small thread wakes them.
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#include "server/server_priv.h"

#define TICK_SECONDS 0.1       // so events come at most ten times a second
#define KEEP_ALIVE_SECONDS 15. // a comment in a silent stream shows whether anybody still listens

double hc_server_now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static bool is_ready(struct hc_server *s, const struct hc_req *r, double now)
{
    uint64_t version = 0;
    bool is_final;
    if (s->is_stopping) {
        return true;
    }
    if (r->wait == HC_WAIT_WRITER) {
        return !s->is_writer_lent || now - r->wait_since >= HC_SERVER_WRITER_SECONDS;
    }
    is_final = hc_server_job_is_final_locked(s, r->job, &version);
    if (r->wait == HC_WAIT_JOB_END) {
        return is_final;
    }
    return is_final || version != r->seen || now - r->wait_since >= KEEP_ALIVE_SECONDS;
}

bool hc_server_wait_locked(struct hc_req *r)
{
    struct hc_server *s = r->server;
    if (s->is_stopping) {
        return false;
    }
    r->wait_next = s->waits;
    s->waits = r;
    MHD_suspend_connection(r->connection);
    pthread_cond_signal(&s->wait_cond);
    return true;
}

void *hc_server_wait_thread(void *server)
{
    struct hc_server *s = server;
    pthread_mutex_lock(&s->lock);
    for (;;) {
        double now = hc_server_now();
        struct hc_req **at = &s->waits;
        while (*at) {
            struct hc_req *r = *at;
            if (is_ready(s, r, now)) {
                *at = r->wait_next;
                r->wait_next = NULL;
                MHD_resume_connection(r->connection); // r belongs to its own thread from here
            } else {
                at = &r->wait_next;
            }
        }
        if (s->is_stopping) {
            break;
        }
        if (s->waits) {
            double until = now + TICK_SECONDS;
            struct timespec t = {.tv_sec = (time_t)until};
            t.tv_nsec = (long)((until - (double)t.tv_sec) * 1e9);
            pthread_cond_timedwait(&s->wait_cond, &s->lock, &t);
        } else {
            pthread_cond_wait(&s->wait_cond, &s->lock);
        }
    }
    pthread_mutex_unlock(&s->lock);
    return NULL;
}

// The next piece of an event stream into r->out (empty: nothing to tell yet); false at the end.
static bool next_event(struct hc_req *r)
{
    struct hc_buf doc = {0};
    struct hc_err err = {0};
    uint64_t version = 0;
    bool is_final = false;
    hc_status st = hc_server_job_doc(r->server, r->job, &doc, &version, &is_final, &err);
    hc_buf_reset(&r->out);
    r->sent = 0;
    if (st == HC_OK && version != r->seen) {
        for (size_t i = 0; i < doc.len; i++) { // a line break would end the event early
            if (doc.data[i] == '\n' || doc.data[i] == '\r') {
                doc.data[i] = ' ';
            }
        }
        hc_buf_str(&r->out, "event: progress\ndata: ");
        hc_buf_bytes(&r->out, doc.data, doc.len);
        hc_buf_str(&r->out, "\n\n");
        r->seen = version;
        st = hc_buf_check(&r->out, &err);
    } else if (st == HC_OK && !is_final && r->wait_since > 0 &&
               hc_server_now() - r->wait_since >= KEEP_ALIVE_SECONDS) {
        hc_buf_str(&r->out, ": still here\n\n");
        r->wait_since = 0;
    } else if (is_final) {
        st = HC_ENOTFOUND;
    }
    hc_buf_release(&doc);
    return st == HC_OK;
}

static ssize_t read_events(void *cls, uint64_t at, char *to, size_t max)
{
    struct hc_req *r = cls;
    size_t n;
    (void)at;
    if (r->sent == r->out.len) {
        if (!next_event(r)) {
            return MHD_CONTENT_READER_END_OF_STREAM;
        }
        if (r->out.len == 0) {
            bool is_waiting;
            pthread_mutex_lock(&r->server->lock);
            r->wait = HC_WAIT_JOB_CHANGE;
            if (r->wait_since <= 0) {
                r->wait_since = hc_server_now();
            }
            is_waiting = hc_server_wait_locked(r);
            pthread_mutex_unlock(&r->server->lock);
            return is_waiting ? 0 : MHD_CONTENT_READER_END_OF_STREAM;
        }
        r->wait_since = 0;
    }
    n = r->out.len - r->sent < max ? r->out.len - r->sent : max;
    memcpy(to, r->out.data + r->sent, n);
    r->sent += n;
    return (ssize_t)n;
}

struct MHD_Response *hc_server_events(struct hc_req *r)
{
    return MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, 8192, read_events, r, NULL);
}
