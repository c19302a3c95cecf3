// What the server's sources share. Not for other rooms.
#ifndef HC_SERVER_SERVER_PRIV_H
#define HC_SERVER_SERVER_PRIV_H

#include <jansson.h>
#include <microhttpd.h>
#include <pthread.h>
#include <stddef.h>

#include "base/buf.h"
#include "server/server.h"
#include "work/work.h"

#define HC_SERVER_ROOM "server"
#define HC_SERVER_HTTP_THREADS 4
#define HC_SERVER_CONNECTIONS 64
#define HC_SERVER_QUEUE 16                         // jobs that may wait
#define HC_SERVER_JOBS 64                          // jobs remembered
#define HC_SERVER_JSON_MAX ((size_t)1 << 20)       // bytes of a JSON body
#define HC_SERVER_TEXT_MAX 1000                    // bytes of one text from outside
#define HC_SERVER_DOCUMENT_MAX ((size_t)640 << 10) // bytes of a text with lines
#define HC_SERVER_VERTICES_MAX 10000
#define HC_SERVER_DRAIN_MAX ((uint64_t)16 << 20) // refused body bytes read before hanging up
#define HC_SERVER_WRITER_SECONDS 2.0             // how long a small write waits for a running job
#define HC_SERVER_PATH 4096
#define HC_SERVER_KEY 33 // 128 bits in hex, with the NUL

// HTTP codes that have no hc_status.
#define HC_HTTP_FORBIDDEN 403
#define HC_HTTP_METHOD 405
#define HC_HTTP_MISDIRECTED 421
#define HC_HTTP_BUSY 503

struct hc_req;
struct hc_server;

// ---- routes ----
enum hc_server_need {
    HC_NEED_NOTHING,
    HC_NEED_READER,
    HC_NEED_WRITER,  // lent to the handler; the request waits when a job has it
    HC_NEED_WRITABLE // refused when the server is read-only; the job takes the handle
};

enum hc_server_body { HC_BODY_NONE, HC_BODY_JSON, HC_BODY_FILE };

// A handler decodes, makes one call, encodes into r->out (or sets r->response).
typedef hc_status (*hc_server_handler)(struct hc_req *r, struct hc_err *err);

struct hc_server_route {
    const char *id;      // the row in docs/http-api.md
    const char *method;  // HEAD goes with GET
    const char *pattern; // "{name}" stands for one segment, a last "*" for the rest
    hc_server_handler handle;
    enum hc_server_need need;
    enum hc_server_body body;
};

const struct hc_server_route *hc_server_routes(size_t *n);
// The route of a path and method. NULL with *is_path_known when only the method is wrong; then
// `allow` (room for 64 bytes) lists the methods there are. arg[] point into `path`, which is cut
// up.
const struct hc_server_route *hc_server_route_find(const char *method, char *path, char *arg[3],
                                                   bool *is_path_known, char allow[64]);

// ---- one request ----
enum hc_server_wait_kind { HC_WAIT_NOTHING, HC_WAIT_WRITER, HC_WAIT_JOB_CHANGE, HC_WAIT_JOB_END };

struct hc_req {
    struct hc_server *server;
    struct MHD_Connection *connection;
    const struct hc_server_route *route;
    char path[1024]; // decoded, cut up by the route match
    char *arg[3];
    bool is_head;

    struct hc_buf body;
    json_t *json;
    int upload_fd; // -1 when there is none
    char *upload_path;
    uint64_t received, body_max;
    bool is_refused; // the error below is answered once the body is in
    int refused_http;
    struct hc_err refused;
    char allow[64];
    uint64_t drained;

    struct hc_work *work; // lent for the duration of the handler
    struct hc_buf out;
    int http;         // 0: 200
    const char *type; // NULL: JSON
    const char *etag, *cache;
    char etag_text[64];
    struct MHD_Response *response; // made by the handler itself

    int64_t job; // the job this request started or waits for, 0 = none
    enum hc_server_wait_kind wait;
    uint64_t seen; // version of the job last told
    size_t sent;   // bytes of out already in the event stream
    double wait_since;
    bool is_write_waiting; // counted in server->write_waiters
    struct hc_req *wait_next;
};

// ---- jobs ----
enum hc_server_job_kind {
    HC_JOB_ADD,
    HC_JOB_ALIGN,
    HC_JOB_FORECAST,
    HC_JOB_REPORT,
    HC_JOB_CALIBRATE,
    HC_JOB_MOSAIC,
    HC_JOB_RELIEF,
    HC_JOB_FILM,
    HC_JOB_COUNT
};
enum hc_server_job_state {
    HC_JOB_QUEUED,
    HC_JOB_RUNNING,
    HC_JOB_DONE,
    HC_JOB_FAILED,
    HC_JOB_CANCELLED
};

// What a job needs to run; texts are owned by it.
struct hc_server_task {
    enum hc_server_job_kind kind;
    char *file; // add: the uploaded file; report: the PDF. Removed with the job.
    char *name, *technique, *state, *label, *view, *surface;
    bool has_light, is_taken_back;
    struct hc_work_pair *pair; // align: by these, when there are any
    size_t n_pairs;
    double azimuth_deg, elevation_deg, radius_limit;
    // calibrate: the request, whose texts and list are borrowed from `body` and `names`; without a
    // chart the calibration of `view` is taken back.
    struct hc_work_calibrate calibrate;
    const char **names; // calibrate: views that inherit; mosaic: the plates. Texts in `body`
    size_t n_names;
    json_t *body;
    struct hc_work_relief relief; // relief, film: `state` is the task's, a film's passage is `name`
};

struct hc_server_job {
    int64_t id; // 0 = free slot
    enum hc_server_job_state state;
    struct hc_server_task task;
    struct hc_job control;
    double lo, hi; // the part of 0..1 that the running step covers
    double fraction;
    char what[120];
    hc_status error;
    char message[sizeof((struct hc_err *)0)->what];
    char *result; // JSON, NULL until done
    uint64_t version;
    int holders; // requests that still look at it
    struct hc_server *server;
};

void hc_server_task_release(struct hc_server_task *t); // removes the file too
// Takes over what *task owns on success. HC_ELIMIT: the queue is full.
hc_status hc_server_job_add(struct hc_server *s, struct hc_server_task *task, int64_t *id,
                            struct hc_err *err) HC_MUST_CHECK;
// The job's document; version and is_final may be NULL.
hc_status hc_server_job_doc(struct hc_server *s, int64_t id, struct hc_buf *b, uint64_t *version,
                            bool *is_final, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_server_job_cancel(struct hc_server *s, int64_t id, struct hc_err *err) HC_MUST_CHECK;
void hc_server_job_hold(struct hc_server *s, int64_t id, int change); // +1, -1
void hc_server_jobs_document(struct hc_server *s, struct hc_buf *b);
// A finished report: HC_OK and the open file, or the job's own failure.
hc_status hc_server_job_pdf(struct hc_server *s, int64_t id, int *fd,
                            struct hc_err *err) HC_MUST_CHECK;
void *hc_server_job_thread(void *server);
void hc_server_job_free(struct hc_server_job *j); // removes its file

// ---- the server ----
struct hc_server {
    const struct hc_server_options *options;
    struct MHD_Daemon *daemon;
    int port;
    char host[2][32];   // the two Host values that are ours
    char origin[2][40]; // and their origins
    char token[HC_SERVER_KEY], session[HC_SERVER_KEY], cookie_name[40];
    char upload_dir[HC_SERVER_PATH];
    int web_dir_fd; // -1: the embedded page
    uint64_t upload_max;
    bool is_read_only, has_locks;

    pthread_mutex_t lock; // guards everything below
    pthread_cond_t job_cond, wait_cond;
    bool is_stopping;
    struct hc_work *writer;
    bool is_writer_lent;
    int write_waiters;
    struct hc_work *reader[HC_SERVER_HTTP_THREADS + 1]; // idle reader handles; one more for the job
    int readers_idle;
    struct hc_server_job job[HC_SERVER_JOBS];
    int64_t last_job;
    struct hc_req *waits;
};

double hc_server_now(void); // monotonic seconds
hc_status hc_server_reader_take(struct hc_server *s, struct hc_work **w,
                                struct hc_err *err) HC_MUST_CHECK;
void hc_server_reader_give(struct hc_server *s, struct hc_work *w);
void hc_server_writer_give(struct hc_server *s);
// A new empty file in the dossier's derived folder (or the system's temporary one); *path is owned
// by the caller. `kind` is part of its name.
hc_status hc_server_temp(struct hc_server *s, const char *kind, int *fd, char **path,
                         struct hc_err *err) HC_MUST_CHECK;
void hc_server_sweep(struct hc_server *s); // removes what a killed server left behind

// ---- waiting ----
// Put the request aside until its r->wait holds; caller holds the lock. false: the server stops.
bool hc_server_wait_locked(struct hc_req *r);
void *hc_server_wait_thread(void *server);
bool hc_server_job_is_final_locked(struct hc_server *s, int64_t id, uint64_t *version);
struct MHD_Response *hc_server_events(struct hc_req *r);

// ---- guard ----
hc_status hc_server_random_key(char out[HC_SERVER_KEY], struct hc_err *err) HC_MUST_CHECK;
bool hc_server_is_same(const char *a, const char *b); // constant time for equal lengths
// 0 when the request may go on, otherwise the HTTP code with the sentence in err.
int hc_server_guard_host(const struct hc_req *r, struct hc_err *err);
int hc_server_guard_session(const struct hc_req *r, const char *path, struct hc_err *err);
int hc_server_guard_origin(const struct hc_req *r, const char *method, struct hc_err *err);
size_t hc_server_unescape(void *cls, struct MHD_Connection *c, char *s);

// ---- called by the HTTP library ----
enum MHD_Result hc_server_on_request(void *cls, struct MHD_Connection *connection, const char *url,
                                     const char *method, const char *version, const char *data,
                                     size_t *n, void **con_cls);
void hc_server_on_completed(void *cls, struct MHD_Connection *connection, void **con_cls,
                            enum MHD_RequestTerminationCode how);

// ---- replies ----
void hc_server_headers(struct MHD_Response *response);
// Takes over the buffer's bytes.
struct MHD_Response *hc_server_response_of(struct hc_buf *b);
enum MHD_Result hc_server_reply(struct hc_req *r);
enum MHD_Result hc_server_reply_error(struct hc_req *r, int http, const struct hc_err *err,
                                      const char *allow);
const char *hc_server_code_name(int http, hc_status status);
bool hc_server_has_etag(const struct hc_req *r, const char *etag); // If-None-Match says so

// Queue what *task holds and answer with its number; releases *task when it is refused.
// Names of views out of a list: texts, or numbers whose digits replace them in the list. Fills
// t->names, which borrow from the list.
hc_status hc_server_fill_names(struct hc_server_task *t, json_t *list, const char *field,
                               size_t most, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_server_start_job(struct hc_req *r, struct hc_server_task *task,
                              struct hc_err *err) HC_MUST_CHECK;

// ---- decoding ----
enum hc_server_field_kind {
    HC_FIELD_TEXT,     // const char **; null and absent give NULL
    HC_FIELD_NAME,     // the same, and a whole number is taken as its digits
    HC_FIELD_DOCUMENT, // const char **: the same with line ends and tabs, up to 640 KiB
    HC_FIELD_NUMBER,   // double *; untouched when absent
    HC_FIELD_FLAG,     // bool *: true or false; untouched when absent
    HC_FIELD_LIST,     // json_t **: any list, borrowed; the handler looks into it
    HC_FIELD_POLYGON   // struct hc_buf *: GeoJSON text
};
struct hc_server_field {
    const char *name;
    enum hc_server_field_kind kind;
    bool is_required;
    void *out;
};
// Decode the JSON body or the query. Texts are borrowed from r->json. Unknown and repeated fields,
// wrong types, control characters and numbers that are not finite are refused by name.
hc_status hc_server_decode_body(struct hc_req *r, const struct hc_server_field *f, size_t n,
                                struct hc_err *err) HC_MUST_CHECK;
hc_status hc_server_decode_query(struct hc_req *r, const struct hc_server_field *f, size_t n,
                                 struct hc_err *err) HC_MUST_CHECK;
hc_status hc_server_decode_id(const char *text, int64_t *id, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_server_decode_object(json_t *root, bool is_query, const struct hc_server_field *f,
                                  size_t n, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_server_parse_json(json_t **out, const char *text, size_t len,
                               struct hc_err *err) HC_MUST_CHECK;

// ---- the page's files ----
struct hc_web_file {
    const char *path, *type, *etag;
    size_t offset, length; // in hc_web_blob
    bool is_gzip;
};
extern const struct hc_web_file hc_web_files[];
extern const size_t hc_web_files_count;
extern const unsigned char hc_web_blob[];

const char *hc_server_media_type(const char *path); // NULL: never served
hc_status hc_server_asset(struct hc_req *r, struct hc_err *err) HC_MUST_CHECK;
int hc_server_open_web_dir(const char *dir);

// ---- handlers (server_record.c, server_work.c) ----
hc_status hc_server_get_open(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_dossier(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_views(struct hc_req *r, struct hc_err *err);
hc_status hc_server_put_view(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_align(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_mosaic(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_windows(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_window(struct hc_req *r, struct hc_err *err);
hc_status hc_server_delete_window(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_fit(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_calibration(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_zones(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_zone(struct hc_req *r, struct hc_err *err);
hc_status hc_server_delete_zone(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_forecast(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_forecast(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_jobs(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_job(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_events(struct hc_req *r, struct hc_err *err);
hc_status hc_server_delete_job(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_spot(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_patch(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_tile(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_report(struct hc_req *r, struct hc_err *err);

// ---- handlers (server_place.c) ----
hc_status hc_server_get_pairs(struct hc_req *r, struct hc_err *err);
hc_status hc_server_put_pairs(struct hc_req *r, struct hc_err *err);
hc_status hc_server_delete_placement(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_ignored(struct hc_req *r, struct hc_err *err);
hc_status hc_server_put_ignored(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_own(struct hc_req *r, struct hc_err *err);

// ---- handlers (server_relief.c) ----
hc_status hc_server_get_relief(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_relief(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_texture(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_film(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_profile(struct hc_req *r, struct hc_err *err);
hc_status hc_server_put_lights(struct hc_req *r, struct hc_err *err);

// ---- handlers (server_colour.c) ----
hc_status hc_server_post_calibrate(struct hc_req *r, struct hc_err *err);
hc_status hc_server_delete_calibration(struct hc_req *r, struct hc_err *err);
hc_status hc_server_get_points(struct hc_req *r, struct hc_err *err);
hc_status hc_server_post_points(struct hc_req *r, struct hc_err *err);

#endif
