// Long work: a queue, one thread that computes one job at a time, and what became of each.
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "server/server_priv.h"

static const char *const kind_names[HC_JOB_COUNT] = {"add",       "align",  "forecast", "report",
                                                     "calibrate", "mosaic", "relief",   "film"};
static const char *const state_names[] = {"queued", "running", "done", "failed", "cancelled"};

void hc_server_task_release(struct hc_server_task *t)
{
    char *text[] = {t->file, t->name, t->technique, t->state, t->label, t->view, t->surface};
    if (t->file) {
        unlink(t->file);
    }
    for (size_t i = 0; i < sizeof text / sizeof text[0]; i++) {
        hc_mem_free(text[i]);
    }
    hc_mem_free(t->names);
    json_decref(t->body);
    hc_mem_free(t->pair);
    *t = (struct hc_server_task){0};
}

static bool is_final(const struct hc_server_job *j)
{
    return j->state != HC_JOB_QUEUED && j->state != HC_JOB_RUNNING;
}

static struct hc_server_job *find_locked(struct hc_server *s, int64_t id)
{
    for (int i = 0; id > 0 && i < HC_SERVER_JOBS; i++) {
        if (s->job[i].id == id) {
            return &s->job[i];
        }
    }
    return NULL;
}

static hc_status no_such_job(int64_t id, struct hc_err *err)
{
    return hc_err_set(err, HC_ENOTFOUND, HC_SERVER_ROOM,
                      "there is no job %lld (the last %d are remembered)", (long long)id,
                      HC_SERVER_JOBS);
}

// Gigabytes of upload need not outlive the job, nor a report the request that asked for it.
static void drop_file_locked(struct hc_server_job *j)
{
    if (j->task.file) {
        unlink(j->task.file);
        hc_mem_free(j->task.file);
        j->task.file = NULL;
    }
}

static void changed_locked(struct hc_server_job *j)
{
    j->version++;
    if (is_final(j)) {
        pthread_cond_signal(&j->server->wait_cond);
    }
}

// Runs on the job thread, from inside the work layer.
static void on_progress(void *ctx, double fraction, const char *what)
{
    struct hc_server_job *j = ctx;
    double f = fraction < 0 ? 0 : fraction > 1 ? 1 : fraction;
    pthread_mutex_lock(&j->server->lock);
    f = j->lo + (j->hi - j->lo) * f;
    // A step that starts over must not move the bar back.
    j->fraction = f > j->fraction ? f : j->fraction;
    snprintf(j->what, sizeof j->what, "%s", what ? what : "");
    changed_locked(j);
    pthread_mutex_unlock(&j->server->lock);
}

void hc_server_job_free(struct hc_server_job *j)
{
    hc_server_task_release(&j->task);
    hc_mem_free(j->result);
    memset(j, 0, sizeof *j);
}

// A free slot, or the oldest finished job that nobody looks at.
static struct hc_server_job *slot_locked(struct hc_server *s)
{
    struct hc_server_job *oldest = NULL;
    for (int i = 0; i < HC_SERVER_JOBS; i++) {
        struct hc_server_job *j = &s->job[i];
        if (j->id == 0) {
            return j;
        }
        if (is_final(j) && j->holders == 0 && (!oldest || j->id < oldest->id)) {
            oldest = j;
        }
    }
    if (oldest) {
        hc_server_job_free(oldest);
    }
    return oldest;
}

hc_status hc_server_job_add(struct hc_server *s, struct hc_server_task *task, int64_t *id,
                            struct hc_err *err)
{
    struct hc_server_job *j = NULL;
    int queued = 0;
    pthread_mutex_lock(&s->lock);
    for (int i = 0; i < HC_SERVER_JOBS; i++) {
        queued += s->job[i].id != 0 && s->job[i].state == HC_JOB_QUEUED;
    }
    if (queued < HC_SERVER_QUEUE && !s->is_stopping) {
        j = slot_locked(s);
    }
    if (j) {
        *j = (struct hc_server_job){.id = ++s->last_job,
                                    .state = HC_JOB_QUEUED,
                                    .task = *task,
                                    .hi = 1,
                                    .version = 1,
                                    .server = s};
        j->control.progress = on_progress;
        j->control.ctx = j;
        *task = (struct hc_server_task){0};
        *id = j->id;
        pthread_cond_signal(&s->job_cond);
    }
    pthread_mutex_unlock(&s->lock);
    return j ? HC_OK
             : hc_err_set(err, HC_ELIMIT, HC_SERVER_ROOM,
                          "%d jobs are waiting already; wait for one to end or cancel one",
                          HC_SERVER_QUEUE);
}

static void doc_locked(const struct hc_server_job *j, struct hc_buf *b)
{
    hc_json_obj(b);
    hc_json_kint(b, "id", j->id);
    hc_json_kstr(b, "kind", kind_names[j->task.kind]);
    hc_json_kstr(b, "status", state_names[j->state]);
    hc_json_knum(b, "fraction", j->state == HC_JOB_DONE ? 1 : j->fraction);
    hc_json_kstr(b, "what", j->what);
    if (j->state == HC_JOB_FAILED || j->state == HC_JOB_CANCELLED) {
        hc_json_key(b, "error");
        hc_json_obj(b);
        hc_json_kstr(b, "code", hc_status_name(j->error));
        hc_json_kstr(b, "message", j->message);
        hc_json_end_obj(b);
    }
    if (j->result) {
        hc_json_key(b, "result");
        hc_json_raw(b, j->result);
    }
    hc_json_end_obj(b);
}

hc_status hc_server_job_doc(struct hc_server *s, int64_t id, struct hc_buf *b, uint64_t *version,
                            bool *is_finished, struct hc_err *err)
{
    const struct hc_server_job *j;
    pthread_mutex_lock(&s->lock);
    j = find_locked(s, id);
    if (j) {
        doc_locked(j, b);
        if (version) {
            *version = j->version;
        }
        if (is_finished) {
            *is_finished = is_final(j);
        }
    }
    pthread_mutex_unlock(&s->lock);
    return j ? hc_buf_check(b, err) : no_such_job(id, err);
}

// The oldest job that is newer than `id`.
static const struct hc_server_job *after_locked(const struct hc_server *s, int64_t id)
{
    const struct hc_server_job *next = NULL;
    for (int i = 0; i < HC_SERVER_JOBS; i++) {
        const struct hc_server_job *j = &s->job[i];
        if (j->id > id && (!next || j->id < next->id)) {
            next = j;
        }
    }
    return next;
}

void hc_server_jobs_document(struct hc_server *s, struct hc_buf *b)
{
    const struct hc_server_job *j;
    pthread_mutex_lock(&s->lock);
    hc_json_obj(b);
    hc_json_key(b, "jobs");
    hc_json_arr(b);
    for (int64_t id = 0; (j = after_locked(s, id)) != NULL; id = j->id) {
        doc_locked(j, b);
    }
    hc_json_end_arr(b);
    hc_json_end_obj(b);
    pthread_mutex_unlock(&s->lock);
}

bool hc_server_job_is_final_locked(struct hc_server *s, int64_t id, uint64_t *version)
{
    const struct hc_server_job *j = find_locked(s, id);
    *version = j ? j->version : 0;
    return !j || is_final(j);
}

void hc_server_job_hold(struct hc_server *s, int64_t id, int change)
{
    struct hc_server_job *j;
    pthread_mutex_lock(&s->lock);
    j = find_locked(s, id);
    if (j) {
        j->holders += change;
        if (j->holders == 0 && is_final(j)) {
            drop_file_locked(j);
        }
    }
    pthread_mutex_unlock(&s->lock);
}

static void end_locked(struct hc_server_job *j, hc_status st, const struct hc_err *err)
{
    j->state = st == HC_OK ? HC_JOB_DONE : st == HC_ECANCEL ? HC_JOB_CANCELLED : HC_JOB_FAILED;
    j->error = st;
    snprintf(j->message, sizeof j->message, "%s", st == HC_OK ? "" : err->what);
    changed_locked(j);
}

hc_status hc_server_job_cancel(struct hc_server *s, int64_t id, struct hc_err *err)
{
    struct hc_server_job *j;
    struct hc_err why = {0};
    pthread_mutex_lock(&s->lock);
    j = find_locked(s, id);
    if (j) {
        atomic_store(&j->control.cancel, true);
        if (j->state == HC_JOB_QUEUED) {
            end_locked(j,
                       hc_err_set(&why, HC_ECANCEL, HC_SERVER_ROOM,
                                  "cancelled while waiting in the queue; nothing was changed"),
                       &why);
        }
    }
    pthread_mutex_unlock(&s->lock);
    return j ? HC_OK : no_such_job(id, err);
}

hc_status hc_server_job_pdf(struct hc_server *s, int64_t id, int *fd, struct hc_err *err)
{
    const struct hc_server_job *j;
    hc_status st = HC_OK;
    pthread_mutex_lock(&s->lock);
    j = find_locked(s, id);
    if (!j) {
        st = no_such_job(id, err);
    } else if (!is_final(j)) {
        st = hc_err_set(err, HC_ECANCEL, HC_SERVER_ROOM, "the server is stopping");
    } else if (j->error != HC_OK) {
        st = hc_err_set(err, j->error, HC_SERVER_ROOM, "%s", j->message);
    } else if ((*fd = open(j->task.file, O_RDONLY | O_CLOEXEC)) < 0) {
        st = hc_err_set(err, HC_EIO, HC_SERVER_ROOM, "the finished report cannot be read: %s",
                        strerror(errno));
    }
    pthread_mutex_unlock(&s->lock);
    return st;
}

// ---- the job thread ----

static void step(struct hc_server_job *j, double lo, double hi)
{
    pthread_mutex_lock(&j->server->lock);
    j->lo = lo;
    j->hi = hi;
    j->control.lo = j->control.hi = 0;
    pthread_mutex_unlock(&j->server->lock);
}

// The new view's id as text, from the document that adding it gave.
static hc_status id_of(const struct hc_buf *doc, char id[32], struct hc_err *err)
{
    json_t *root = NULL;
    hc_status st = hc_server_parse_json(&root, hc_buf_text(doc), doc->len, err);
    if (st == HC_OK) {
        snprintf(id, 32, "%lld", (long long)json_integer_value(json_object_get(root, "id")));
        json_decref(root);
    }
    return st;
}

// A photograph that was taken in but could not be placed stays in the record: the job is done, and
// says why it was not placed.
static hc_status run_add(struct hc_server_job *j, struct hc_work *w, struct hc_buf *out,
                         struct hc_err *err)
{
    const struct hc_server_task *t = &j->task;
    struct hc_work_add req = {.file = t->file,
                              .technique = t->technique,
                              .state = t->state,
                              .label = t->label,
                              .shown_name = t->name,
                              .has_light = t->has_light,
                              .azimuth_deg = t->azimuth_deg,
                              .elevation_deg = t->elevation_deg};
    struct hc_buf added = {0}, placed = {0};
    struct hc_err place_err = {0};
    char id[32];
    hc_status st, placing = HC_OK;
    step(j, 0, 0.5);
    st = hc_work_add(w, &req, &added, &j->control, err);
    if (st == HC_OK) {
        st = id_of(&added, id, err);
    }
    if (st == HC_OK) {
        step(j, 0.5, 1);
        placing = hc_work_align(w, id, &placed, &j->control, &place_err);
        hc_json_obj(out);
        hc_json_key(out, "added");
        hc_json_raw(out, hc_buf_text(&added));
        hc_json_key(out, "placed");
        hc_json_raw(out, placing == HC_OK ? hc_buf_text(&placed) : "null");
        hc_json_key(out, "not_placed");
        hc_json_str(out, placing == HC_OK ? NULL
                         : placing == HC_ECANCEL
                             ? "placing was cancelled; the view is in the record"
                             : place_err.what);
        hc_json_end_obj(out);
    }
    hc_buf_release(&added);
    hc_buf_release(&placed);
    return st;
}

static hc_status run_align(struct hc_server_job *j, struct hc_work *w, struct hc_buf *out,
                           struct hc_err *err)
{
    const struct hc_server_task *t = &j->task;
    if (t->is_taken_back) {
        return hc_work_align_remove(w, t->view, out, &j->control, err);
    }
    return t->pair ? hc_work_align_pairs(w, t->view, t->pair, t->n_pairs, out, &j->control, err)
                   : hc_work_align(w, t->view, out, &j->control, err);
}

static hc_status run_relief(struct hc_server_job *j, struct hc_work *w, struct hc_buf *out,
                            struct hc_err *err)
{
    struct hc_work_relief req = j->task.relief;
    req.state = j->task.state;
    return hc_work_relief(w, &req, out, &j->control, err);
}

static hc_status run_film(struct hc_server_job *j, struct hc_work *w, struct hc_buf *out,
                          struct hc_err *err)
{
    const struct hc_server_task *t = &j->task;
    struct hc_work_relief_area area = {.state = t->state,
                                       .geojson = t->name,
                                       .short_mm = t->relief.short_mm,
                                       .long_mm = t->relief.long_mm};
    return hc_work_relief_film(w, &area, out, &j->control, err);
}

static hc_status run(struct hc_server_job *j, struct hc_work *w, struct hc_buf *out,
                     struct hc_err *err)
{
    const struct hc_server_task *t = &j->task;
    struct hc_work_forecast forecast = {.surface = t->surface, .radius_limit = t->radius_limit};
    switch (t->kind) {
    case HC_JOB_ADD:
        return run_add(j, w, out, err);
    case HC_JOB_ALIGN:
        return run_align(j, w, out, err);
    case HC_JOB_FORECAST:
        return hc_work_forecast(w, &forecast, out, &j->control, err);
    case HC_JOB_REPORT:
        return hc_work_report(w, t->file, &j->control, err);
    case HC_JOB_CALIBRATE:
        return t->calibrate.chart ? hc_work_calibrate(w, &t->calibrate, out, &j->control, err)
                                  : hc_work_calibrate_remove(w, t->view, &j->control, err);
    case HC_JOB_MOSAIC:
        return hc_work_mosaic(w, t->names, t->n_names, t->label, out, &j->control, err);
    case HC_JOB_RELIEF:
        return run_relief(j, w, out, err);
    case HC_JOB_FILM:
        return run_film(j, w, out, err);
    case HC_JOB_COUNT:
        break;
    }
    return hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "a job of an unknown kind");
}

// A report only reads, so small writes go on beside it; the other jobs hold the writer.
static hc_status run_with_handle(struct hc_server_job *j, struct hc_buf *out, struct hc_err *err)
{
    struct hc_server *s = j->server;
    struct hc_work *w = s->writer;
    hc_status st = HC_OK;
    if (j->task.kind == HC_JOB_REPORT) {
        st = hc_server_reader_take(s, &w, err);
        if (st == HC_OK) {
            st = run(j, w, out, err);
            hc_server_reader_give(s, w);
        }
        return st;
    }
    pthread_mutex_lock(&s->lock);
    while (s->is_writer_lent || (s->write_waiters > 0 && !s->is_stopping)) {
        pthread_cond_wait(&s->job_cond, &s->lock);
    }
    s->is_writer_lent = true;
    pthread_mutex_unlock(&s->lock);
    st = hc_job_is_cancelled(&j->control)
             ? hc_err_set(err, HC_ECANCEL, HC_SERVER_ROOM, "cancelled; nothing was changed")
             : run(j, w, out, err);
    hc_server_writer_give(s);
    return st;
}

static struct hc_server_job *next_locked(struct hc_server *s)
{
    struct hc_server_job *next = NULL;
    for (int i = 0; i < HC_SERVER_JOBS; i++) {
        struct hc_server_job *j = &s->job[i];
        if (j->id != 0 && j->state == HC_JOB_QUEUED && (!next || j->id < next->id)) {
            next = j;
        }
    }
    return next;
}

void *hc_server_job_thread(void *server)
{
    struct hc_server *s = server;
    pthread_mutex_lock(&s->lock);
    while (!s->is_stopping) {
        struct hc_server_job *j = next_locked(s);
        struct hc_buf out = {0};
        struct hc_err err = {0};
        hc_status st;
        if (!j) {
            pthread_cond_wait(&s->job_cond, &s->lock);
            continue;
        }
        j->state = HC_JOB_RUNNING;
        changed_locked(j);
        pthread_mutex_unlock(&s->lock);
        st = run_with_handle(j, &out, &err);
        if (st == HC_OK) {
            st = hc_buf_check(&out, &err);
        }
        pthread_mutex_lock(&s->lock);
        if (st == HC_OK && out.len) {
            j->result = out.data; // the buffer's block is taken over
            out = (struct hc_buf){0};
        }
        end_locked(j, st, &err);
        hc_buf_release(&out);
        if (j->task.kind == HC_JOB_ADD || j->holders == 0) {
            drop_file_locked(j);
        }
    }
    pthread_mutex_unlock(&s->lock);
    return NULL;
}
