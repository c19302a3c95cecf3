#include "server/server.h"

#include <arpa/inet.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "base/mem.h"
#include "server/server_priv.h"

#define UPLOAD_MAX ((uint64_t)4 << 30)
#define IDLE_SECONDS 30
#define HEADER_MEMORY ((size_t)64 << 10) // of one connection: request line, headers, body window

// ---- handles ----

hc_status hc_server_reader_take(struct hc_server *s, struct hc_work **w, struct hc_err *err)
{
    *w = NULL;
    pthread_mutex_lock(&s->lock);
    if (s->readers_idle > 0) {
        *w = s->reader[--s->readers_idle];
    }
    pthread_mutex_unlock(&s->lock);
    // One thread each: what HTTP threads ask for is small. There are never more handles than
    // threads.
    return *w ? HC_OK : hc_work_open(w, s->options->dossier, false, 1, err);
}

void hc_server_reader_give(struct hc_server *s, struct hc_work *w)
{
    pthread_mutex_lock(&s->lock);
    s->reader[s->readers_idle++] = w;
    pthread_mutex_unlock(&s->lock);
}

void hc_server_writer_give(struct hc_server *s)
{
    pthread_mutex_lock(&s->lock);
    s->is_writer_lent = false;
    pthread_cond_signal(&s->job_cond);
    pthread_cond_signal(&s->wait_cond);
    pthread_mutex_unlock(&s->lock);
}

// ---- temporary files ----

static hc_status temp_in(const char *dir, const char *kind, int *fd, char **path,
                         struct hc_err *err)
{
    char name[HC_SERVER_PATH];
    int n = snprintf(name, sizeof name, "%s/%s-XXXXXX", dir, kind);
    *fd = n > 0 && (size_t)n < sizeof name ? mkostemp(name, O_CLOEXEC) : -1;
    if (*fd < 0) {
        return hc_err_set(err, HC_EIO, HC_SERVER_ROOM,
                          "a temporary file in %.300s cannot be made: %s", dir, strerror(errno));
    }
    *path = hc_mem_strdup(name);
    if (!*path) {
        close(*fd);
        unlink(name);
        *fd = -1;
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM,
                          "out of memory while making a temporary file");
    }
    return HC_OK;
}

hc_status hc_server_temp(struct hc_server *s, const char *kind, int *fd, char **path,
                         struct hc_err *err)
{
    const char *other = getenv("TMPDIR");
    hc_status st = temp_in(s->upload_dir, kind, fd, path, err);
    return st == HC_EIO ? temp_in(other && *other ? other : "/tmp", kind, fd, path, err) : st;
}

void hc_server_sweep(struct hc_server *s)
{
    DIR *dir = opendir(s->upload_dir);
    for (struct dirent *e; dir && (e = readdir(dir)) != NULL;) {
        if ((strncmp(e->d_name, "upload-", 7) == 0 && strlen(e->d_name) == 13) ||
            (strncmp(e->d_name, "report-", 7) == 0 && strlen(e->d_name) == 13)) {
            unlinkat(dirfd(dir), e->d_name, 0);
        }
    }
    if (dir) {
        closedir(dir);
    }
}

// ---- start and stop ----

static hc_status listen_on(int port, int *fd, int *got, struct hc_err *err)
{
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    socklen_t n = sizeof at;
    int yes = 1;
    at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    *fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (*fd >= 0) {
        setsockopt(*fd, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    }
    if (*fd < 0 || bind(*fd, (struct sockaddr *)&at, sizeof at) != 0 || listen(*fd, 64) != 0 ||
        getsockname(*fd, (struct sockaddr *)&at, &n) != 0) {
        int code = errno;
        if (*fd >= 0) {
            close(*fd);
            *fd = -1;
        }
        return hc_err_set(err, HC_EIO, HC_SERVER_ROOM,
                          "port %d on this machine cannot be used: %s; choose another with --port",
                          port, strerror(code));
    }
    *got = ntohs(at.sin_port);
    return HC_OK;
}

static hc_status name_ourselves(struct hc_server *s, struct hc_err *err)
{
    static const char *const name[] = {"127.0.0.1", "localhost"};
    hc_status st = hc_server_random_key(s->token, err);
    if (st == HC_OK) {
        st = hc_server_random_key(s->session, err);
    }
    for (int i = 0; i < 2; i++) {
        snprintf(s->host[i], sizeof s->host[i], "%s:%d", name[i], s->port);
        snprintf(s->origin[i], sizeof s->origin[i], "http://%s:%d", name[i], s->port);
    }
    // Cookies do not know ports: without the port two dossiers would throw each other out.
    snprintf(s->cookie_name, sizeof s->cookie_name, "halfclean-%d", s->port);
    return st;
}

static hc_status open_dossier(struct hc_server *s, struct hc_err *err)
{
    const struct hc_server_options *o = s->options;
    struct hc_err why = {0};
    hc_status st = HC_ECONFLICT;
    struct hc_work *w = NULL;
    if (!o->read_only) {
        st = hc_work_open(&s->writer, o->dossier, true, o->threads, &why);
        if (st != HC_OK && st != HC_ECONFLICT) {
            if (err) {
                *err = why;
            }
            return st;
        }
    }
    s->is_read_only = st != HC_OK;
    st = hc_server_reader_take(s, &w, err); // opened now, so that the first picture is quick
    if (st == HC_OK) {
        hc_server_reader_give(s, w);
    }
    if (st == HC_OK && !s->is_read_only) {
        hc_server_sweep(s);
    }
    return st;
}

static hc_status start_daemon(struct hc_server *s, int *fd, struct hc_err *err)
{
    const struct hc_server_options *o = s->options;
    s->daemon = MHD_start_daemon(
        MHD_USE_EPOLL | MHD_USE_INTERNAL_POLLING_THREAD | MHD_USE_SUSPEND_RESUME, 0, NULL, NULL,
        hc_server_on_request, s, MHD_OPTION_LISTEN_SOCKET, *fd, MHD_OPTION_THREAD_POOL_SIZE,
        (unsigned)HC_SERVER_HTTP_THREADS, MHD_OPTION_CONNECTION_LIMIT,
        (unsigned)HC_SERVER_CONNECTIONS, MHD_OPTION_CONNECTION_TIMEOUT,
        (unsigned)(o->idle_seconds > 0 ? o->idle_seconds : IDLE_SECONDS),
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, HEADER_MEMORY, MHD_OPTION_STRICT_FOR_CLIENT, 1,
        MHD_OPTION_UNESCAPE_CALLBACK, hc_server_unescape, NULL, MHD_OPTION_NOTIFY_COMPLETED,
        hc_server_on_completed, NULL, MHD_OPTION_END);
    if (!s->daemon) {
        return hc_err_set(err, HC_EIO, HC_SERVER_ROOM,
                          "the HTTP library could not start its threads");
    }
    *fd = -1; // closed by the library
    return HC_OK;
}

static hc_status set_up(struct hc_server *s, struct hc_err *err)
{
    const struct hc_server_options *o = s->options;
    pthread_condattr_t clock;
    if (!o->dossier || !*o->dossier || o->port < 0 || o->port > 65535 || o->threads < 0) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                          "the server needs a dossier and a port of 0 to 65535");
    }
    if (snprintf(s->upload_dir, sizeof s->upload_dir, "%s/derived", o->dossier) >=
        (int)sizeof s->upload_dir - 32) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "the dossier's path is too long");
    }
    s->upload_max = o->upload_max ? o->upload_max : UPLOAD_MAX;
    if (o->web_dir && (s->web_dir_fd = hc_server_open_web_dir(o->web_dir)) < 0) {
        return hc_err_set(err, HC_EIO, HC_SERVER_ROOM,
                          "the page's folder %.300s cannot be read: %s", o->web_dir,
                          strerror(errno));
    }
    pthread_condattr_init(&clock);
    pthread_condattr_setclock(&clock, CLOCK_MONOTONIC);
    pthread_cond_init(&s->wait_cond, &clock);
    pthread_condattr_destroy(&clock);
    pthread_cond_init(&s->job_cond, NULL);
    pthread_mutex_init(&s->lock, NULL);
    s->has_locks = true;
    return open_dossier(s, err);
}

static void request_stop(struct hc_server *s)
{
    pthread_mutex_lock(&s->lock);
    s->is_stopping = true;
    for (int i = 0; i < HC_SERVER_JOBS; i++) {
        atomic_store(&s->job[i].control.cancel, true);
    }
    pthread_cond_broadcast(&s->job_cond);
    pthread_cond_broadcast(&s->wait_cond);
    pthread_mutex_unlock(&s->lock);
}

static void tear_down(struct hc_server *s)
{
    for (int i = 0; i < s->readers_idle; i++) {
        hc_work_close(s->reader[i]);
    }
    hc_work_close(s->writer);
    for (int i = 0; i < HC_SERVER_JOBS; i++) {
        hc_server_job_free(&s->job[i]);
    }
    if (s->has_locks) {
        pthread_mutex_destroy(&s->lock);
        pthread_cond_destroy(&s->job_cond);
        pthread_cond_destroy(&s->wait_cond);
    }
    if (s->web_dir_fd >= 0) {
        close(s->web_dir_fd);
    }
    hc_mem_free(s);
}

static void serve(struct hc_server *s, struct hc_job *stop)
{
    char url[128];
    snprintf(url, sizeof url, "%s/open?token=%s", s->origin[0], s->token);
    if (s->options->on_ready) {
        s->options->on_ready(s->options->ctx, url);
    }
    while (!hc_job_is_cancelled(stop)) {
        const struct timespec pause = {.tv_nsec = 50 * 1000 * 1000};
        nanosleep(&pause, NULL);
    }
}

hc_status hc_server_run(const struct hc_server_options *options, struct hc_job *stop,
                        struct hc_err *err)
{
    struct hc_server *s = hc_mem_array(1, sizeof *s);
    pthread_t thread[2];
    void *(*const body[2])(void *) = {hc_server_job_thread, hc_server_wait_thread};
    int started = 0, fd = -1;
    hc_status st;
    if (!s) {
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM,
                          "out of memory while starting the server");
    }
    s->options = options;
    s->web_dir_fd = -1;
    st = set_up(s, err);
    if (st == HC_OK) {
        st = listen_on(options->port, &fd, &s->port, err);
    }
    if (st == HC_OK) {
        st = name_ourselves(s, err);
    }
    while (st == HC_OK && started < 2) {
        if (pthread_create(&thread[started], NULL, body[started], s) == 0) {
            started++;
        } else {
            st = hc_err_set(err, HC_EIO, HC_SERVER_ROOM, "the server could not start its threads");
        }
    }
    if (st == HC_OK) {
        st = start_daemon(s, &fd, err);
    }
    if (st == HC_OK) {
        serve(s, stop);
    }
    if (s->has_locks) {
        request_stop(s);
    }
    for (int i = 0; i < started; i++) {
        pthread_join(thread[i], NULL);
    }
    if (s->daemon) {
        MHD_stop_daemon(s->daemon);
    }
    if (fd >= 0) {
        close(fd);
    }
    tear_down(s);
    return st;
}
