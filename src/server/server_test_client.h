// For the server's tests: a server in a thread, and a client that writes raw bytes to its socket.
#ifndef HC_SERVER_TEST_CLIENT_H
#define HC_SERVER_TEST_CLIENT_H

#include <arpa/inet.h>
#include <dirent.h>
#include <errno.h>
#include <netinet/in.h>
#include <pthread.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <unistd.h>

#include "base/mem.h"
#include "hc_test.h"
#include "server/server_priv.h"
#include "server/server_test_fake.h"

struct hc_test_server {
    struct hc_server_options options;
    struct hc_job stop;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t cond;
    char dir[64], url[128], host[32], cookie[128];
    int port;
    bool is_ready, is_ended;
    hc_status st;
    struct hc_err err;
};

struct hc_test_reply {
    int code; // 0: the connection closed without an answer
    char *head, *body;
    size_t body_len;
};

static inline void hc_test_reply_free(struct hc_test_reply *r)
{
    free(r->head);
    free(r->body);
    *r = (struct hc_test_reply){0};
}

static inline void hc_test_on_ready(void *ctx, const char *url)
{
    struct hc_test_server *t = ctx;
    pthread_mutex_lock(&t->lock);
    snprintf(t->url, sizeof t->url, "%s", url);
    t->is_ready = true;
    pthread_cond_signal(&t->cond);
    pthread_mutex_unlock(&t->lock);
}

static inline void *hc_test_serve(void *ctx)
{
    struct hc_test_server *t = ctx;
    hc_status st = hc_server_run(&t->options, &t->stop, &t->err);
    pthread_mutex_lock(&t->lock);
    t->st = st;
    t->is_ended = true;
    pthread_cond_signal(&t->cond);
    pthread_mutex_unlock(&t->lock);
    return NULL;
}

static inline int hc_test_connect(const struct hc_test_server *t)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons((uint16_t)t->port)};
    struct timeval limit = {.tv_sec = 60};
    int fd = socket(AF_INET, SOCK_STREAM, 0);
    at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    assert_true(fd >= 0);
    setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
    setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit);
    assert_int_equal(connect(fd, (struct sockaddr *)&at, sizeof at), 0);
    return fd;
}

// Send all; false when the server hung up.
static inline bool hc_test_send(int fd, const void *data, size_t n)
{
    const char *p = data;
    while (n > 0) {
        ssize_t done = send(fd, p, n, MSG_NOSIGNAL);
        if (done <= 0) {
            return false;
        }
        p += done;
        n -= (size_t)done;
    }
    return true;
}

static inline struct hc_test_reply hc_test_split(char *raw, size_t len)
{
    struct hc_test_reply r = {0};
    char *end = strstr(raw, "\r\n\r\n");
    r.head = raw;
    if (end && sscanf(raw, "HTTP/1.%*d %d", &r.code) == 1) {
        *end = 0;
        r.body_len = len - (size_t)(end + 4 - raw);
        r.body = calloc(r.body_len + 1, 1);
        memcpy(r.body, end + 4, r.body_len);
    } else {
        r.code = 0;
        r.body = calloc(1, 1);
    }
    return r;
}

// Everything until the server closes the connection.
static inline struct hc_test_reply hc_test_read(int fd)
{
    size_t len = 0, room = 4096;
    char *raw = malloc(room + 1);
    for (;;) {
        ssize_t n;
        if (len == room) {
            room *= 2;
            raw = realloc(raw, room + 1);
        }
        n = recv(fd, raw + len, room - len, 0);
        if (n <= 0) {
            break;
        }
        len += (size_t)n;
    }
    raw[len] = 0;
    close(fd);
    return hc_test_split(raw, len);
}

static inline struct hc_test_reply hc_test_raw(const struct hc_test_server *t, const char *request)
{
    int fd = hc_test_connect(t);
    hc_test_send(fd, request, strlen(request));
    return hc_test_read(fd);
}

// One request with everything in order (Host, cookie, Origin) and the extra header lines given.
static inline struct hc_test_reply hc_test_ask(const struct hc_test_server *t, const char *method,
                                               const char *path, const char *extra,
                                               const char *body)
{
    struct hc_buf b = {0};
    struct hc_test_reply r;
    hc_buf_printf(&b, "%s %s HTTP/1.1\r\nHost: %s\r\nCookie: %s\r\nConnection: close\r\n", method,
                  path, t->host, t->cookie);
    if (strcmp(method, "GET") != 0 && strcmp(method, "HEAD") != 0) {
        hc_buf_printf(&b, "Origin: http://%s\r\n", t->host);
    }
    if (body) {
        hc_buf_printf(&b, "Content-Type: application/json\r\nContent-Length: %zu\r\n",
                      strlen(body));
    }
    hc_buf_printf(&b, "%s\r\n%s", extra ? extra : "", body ? body : "");
    assert_int_equal(b.failed, HC_OK);
    r = hc_test_raw(t, b.data);
    hc_buf_release(&b);
    return r;
}

static inline struct hc_test_reply hc_test_get(const struct hc_test_server *t, const char *path)
{
    return hc_test_ask(t, "GET", path, NULL, NULL);
}

// The code alone.
static inline int hc_test_code(struct hc_test_reply r)
{
    int code = r.code;
    hc_test_reply_free(&r);
    return code;
}

#define assert_code(reply_call, want)                                                              \
    hc_test_expect((reply_call), (want), NULL, #reply_call, __FILE__, __LINE__)
// The code, and a text that must occur in head or body.
#define assert_says(reply_call, want, text)                                                        \
    hc_test_expect((reply_call), (want), (text), #reply_call, __FILE__, __LINE__)

static inline void hc_test_expect(struct hc_test_reply r, int want, const char *text,
                                  const char *what, const char *file, int line)
{
    bool is_said = !text || strstr(r.head, text) || strstr(r.body, text);
    if (r.code != want || !is_said) {
        print_error("%s: code %d, expected %d%s%s\n%s\n\n%.600s\n", what, r.code, want,
                    text ? " and the text " : "", text ? text : "", r.head, r.body);
        hc_test_reply_free(&r);
        _fail(file, line);
    }
    hc_test_reply_free(&r);
}

static inline void hc_test_login(struct hc_test_server *t)
{
    char request[512], *at;
    struct hc_test_reply r;
    snprintf(request, sizeof request, "GET %s HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n\r\n",
             strstr(t->url, "/open"), t->host);
    r = hc_test_raw(t, request);
    assert_int_equal(r.code, 303);
    at = strstr(r.head, "Set-Cookie: ");
    assert_non_null(at);
    assert_int_equal(sscanf(at, "Set-Cookie: %127[^;]", t->cookie), 1);
    hc_test_reply_free(&r);
}

// `dir` NULL: a new empty dossier folder.
static inline void hc_test_start(struct hc_test_server *t, const char *dir)
{
    pthread_mutex_init(&t->lock, NULL);
    pthread_cond_init(&t->cond, NULL);
    snprintf(t->dir, sizeof t->dir, "%s", dir ? dir : "/tmp/hc-server-XXXXXX");
    if (!dir) {
        char derived[80];
        assert_non_null(mkdtemp(t->dir));
        snprintf(derived, sizeof derived, "%s/derived", t->dir);
        assert_int_equal(mkdir(derived, 0700), 0);
    }
    t->options.dossier = t->dir;
    t->options.threads = 1;
    t->options.on_ready = hc_test_on_ready;
    t->options.ctx = t;
    atomic_store(&t->stop.cancel, false);
    assert_int_equal(pthread_create(&t->thread, NULL, hc_test_serve, t), 0);
    pthread_mutex_lock(&t->lock);
    while (!t->is_ready && !t->is_ended) {
        pthread_cond_wait(&t->cond, &t->lock);
    }
    pthread_mutex_unlock(&t->lock);
    if (t->is_ended) {
        print_error("the server did not start: %s\n", t->err.what);
        fail();
    }
    assert_int_equal(sscanf(t->url, "http://127.0.0.1:%d/", &t->port), 1);
    snprintf(t->host, sizeof t->host, "127.0.0.1:%d", t->port);
    hc_test_login(t);
}

static inline int hc_test_files_in(const char *dir)
{
    DIR *d = opendir(dir);
    int n = 0;
    for (struct dirent *e; d && (e = readdir(d)) != NULL;) {
        n += e->d_name[0] != '.';
    }
    if (d) {
        closedir(d);
    }
    return n;
}

static inline void hc_test_stop(struct hc_test_server *t)
{
    atomic_store(&t->stop.cancel, true);
    pthread_join(t->thread, NULL);
    assert_ok(t->st, &t->err);
    pthread_mutex_destroy(&t->lock);
    pthread_cond_destroy(&t->cond);
}

static inline void hc_test_remove(struct hc_test_server *t)
{
    char derived[80];
    snprintf(derived, sizeof derived, "%s/derived", t->dir);
    assert_int_equal(hc_test_files_in(derived), 0); // no temporary file survives
    assert_int_equal(rmdir(derived), 0);
    assert_int_equal(rmdir(t->dir), 0);
}

// ---- one server for a test or a group of tests ----
static inline int hc_test_start_one(struct hc_test_server *s)
{
    *s = (struct hc_test_server){.options = {.idle_seconds = 5}};
    hc_test_start(s, NULL);
    return 0;
}

static inline int hc_test_stop_one(struct hc_test_server *s)
{
    hc_test_stop(s);
    hc_test_remove(s);
    assert_int_equal(atomic_load(&hc_test_fake.open), 0);
    assert_int_equal(hc_mem_live(), 0);
    return 0;
}

// The document of the job that the reply started, after its end. Frees the reply.
static inline struct hc_test_reply hc_test_finished(struct hc_test_server *s,
                                                    struct hc_test_reply r)
{
    char path[80];
    int id = 0;
    assert_int_equal(r.code, 202);
    assert_int_equal(sscanf(r.body, "{\"job\":%d}", &id), 1);
    hc_test_reply_free(&r);
    snprintf(path, sizeof path, "/api/jobs/%d/events", id);
    r = hc_test_get(s, path);
    assert_int_equal(r.code, 200);
    hc_test_reply_free(&r);
    snprintf(path, sizeof path, "/api/jobs/%d", id);
    return hc_test_get(s, path);
}

#endif
