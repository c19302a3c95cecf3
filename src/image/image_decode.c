// The parent's side of the decoder: starts it, checks every word it says, writes the raster.
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/mem.h"
#include "image/image_priv.h"

#define GUARD "HC_DECODE_CHILD"
#define POLL_MS 100

static const struct hc_child_limits default_limits = {HC_CHILD_CPU_S, HC_CHILD_MEM_MIB,
                                                      HC_CHILD_STALL_S};

struct child {
    pid_t pid;
    int fd; // the pipe's reading end
    int stall_s;
    bool is_stalled, is_closed;
};

// ---- start and end -----------------------------------------------------------------------------

// The few variables the decoder gets: no modules of the image library, no arenas, no threads, times
// as they are written, our guard, and what the sanitizers and the loader need when they are in use.
static void fill_env(char *env[], size_t room, char fixed[6][32])
{
    static const char *const own[6] = {"VIPSHOME=/nonexistent", "LC_ALL=C", "MALLOC_ARENA_MAX=1",
                                       "OMP_NUM_THREADS=1",     "TZ=UTC0",  GUARD "=1"};
    static const char *const kept[] = {"LD_LIBRARY_PATH=", "ASAN_OPTIONS=", "UBSAN_OPTIONS="};
    size_t n = 0;
    for (size_t i = 0; i < 6; i++) {
        snprintf(fixed[i], 32, "%s", own[i]);
        env[n++] = fixed[i];
    }
    for (char **e = environ; e && *e; e++) {
        for (size_t i = 0; i < sizeof kept / sizeof *kept; i++) {
            if (strncmp(*e, kept[i], strlen(kept[i])) == 0 && n + 1 < room) {
                env[n++] = *e;
            }
        }
    }
    env[n] = NULL;
}

static int spawn(pid_t *pid, int in, int out, bool is_header_only,
                 const struct hc_child_limits *lim)
{
    posix_spawn_file_actions_t fa;
    posix_spawnattr_t at;
    sigset_t none, dflt;
    char cpu[16], mem[16], fixed[6][32], *env[14];
    char name[] = "halfclean-decoder", flag[] = HC_CHILD_FLAG, header[] = "header", rows[] = "rows";
    char *argv[] = {name, flag, is_header_only ? header : rows, cpu, mem, NULL};
    int rc;
    snprintf(cpu, sizeof cpu, "%d", lim->cpu_s);
    snprintf(mem, sizeof mem, "%d", lim->mem_mib);
    fill_env(env, sizeof env / sizeof *env, fixed);
    sigemptyset(&none);
    sigfillset(&dflt);
    sigdelset(&dflt, SIGKILL);
    sigdelset(&dflt, SIGSTOP);
    posix_spawn_file_actions_init(&fa);
    posix_spawnattr_init(&at);
    posix_spawnattr_setsigmask(&at, &none);
    posix_spawnattr_setsigdefault(&at, &dflt);
    posix_spawnattr_setflags(&at, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
    rc = posix_spawn_file_actions_addopen(&fa, 0, "/dev/null", O_RDWR, 0);
    rc = rc ? rc : posix_spawn_file_actions_adddup2(&fa, 0, 1);
    if (!HC_SANITIZED) { // a sanitizer's report must be seen
        rc = rc ? rc : posix_spawn_file_actions_adddup2(&fa, 0, 2);
    }
    rc = rc ? rc : posix_spawn_file_actions_adddup2(&fa, in, HC_CHILD_FD_IN);
    rc = rc ? rc : posix_spawn_file_actions_adddup2(&fa, out, HC_CHILD_FD_OUT);
    rc = rc ? rc : posix_spawn_file_actions_addclosefrom_np(&fa, HC_CHILD_FD_OUT + 1);
    rc = rc ? rc : posix_spawn(pid, "/proc/self/exe", &fa, &at, argv, env);
    posix_spawnattr_destroy(&at);
    posix_spawn_file_actions_destroy(&fa);
    return rc;
}

static hc_status start(struct child *c, int picture, bool is_header_only,
                       const struct hc_child_limits *lim, struct hc_err *err)
{
    // Out of the way of the numbers the decoder uses.
    int in = -1, out = -1, pipe_fd[2] = {-1, -1}, rc = 0;
    c->fd = -1;
    if (getenv(GUARD)) {
        return hc_err_set(err, HC_EIO, "image",
                          "the decoder was started by a program that does not call "
                          "hc_image_child_main first");
    }
    if (pipe2(pipe_fd, O_CLOEXEC) != 0 || (in = fcntl(picture, F_DUPFD_CLOEXEC, 10)) < 0 ||
        (out = fcntl(pipe_fd[1], F_DUPFD_CLOEXEC, 10)) < 0) {
        rc = errno;
    }
    if (rc == 0) {
        fcntl(pipe_fd[0], F_SETPIPE_SZ, HC_CHILD_CHUNK); // only speed: a refusal does no harm
        rc = spawn(&c->pid, in, out, is_header_only, lim);
    }
    for (int i = 0; i < 3; i++) {
        int fd = i == 0 ? in : i == 1 ? out : pipe_fd[1];
        if (fd >= 0) {
            close(fd);
        }
    }
    if (rc != 0) {
        if (pipe_fd[0] >= 0) {
            close(pipe_fd[0]);
        }
        return hc_err_set(err, HC_EIO, "image", "the decoder could not be started: %s",
                          strerror(rc));
    }
    c->fd = pipe_fd[0];
    c->stall_s = lim->stall_s;
    return HC_OK;
}

// Waits for the process (killing it first when asked) and gives its wait status.
static int finish(struct child *c, bool kill_it)
{
    int status = 0;
    if (kill_it) {
        kill(c->pid, SIGKILL);
    }
    close(c->fd);
    while (waitpid(c->pid, &status, 0) < 0 && errno == EINTR) {
    }
    return status;
}

// ---- reading the pipe --------------------------------------------------------------------------

// n bytes,
// HC_ECANCEL when the job asks, HC_EIO at the end of the pipe or after a stall.
static hc_status take(struct child *c, void *p, size_t n, struct hc_job *job, struct hc_err *err)
{
    char *to = p;
    int idle_ms = 0;
    while (n > 0) {
        struct pollfd pf = {.fd = c->fd, .events = POLLIN};
        int rc = poll(&pf, 1, POLL_MS);
        ssize_t k;
        if (hc_job_is_cancelled(job)) {
            return hc_err_set(err, HC_ECANCEL, "image",
                              "Cancelled while reading; nothing was changed.");
        }
        if (rc == 0) {
            idle_ms += POLL_MS;
            if (idle_ms >= c->stall_s * 1000) {
                c->is_stalled = true;
                return HC_EIO;
            }
            continue;
        }
        k = rc < 0 ? -1 : read(c->fd, to, n);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k <= 0) {
            c->is_closed = true;
            return HC_EIO;
        }
        idle_ms = 0;
        to += k;
        n -= (size_t)k;
    }
    return HC_OK;
}

static void clean_text(char *s, size_t room)
{
    s[room - 1] = 0;
    for (; *s; s++) {
        *s = *s < 32 ? ' ' : *s;
    }
}

// Also the extension under which the original will be stored.
static bool is_known_format(const char *format)
{
    static const char known[] = " tiff png jpeg " HC_RAW_KINDS " ";
    char word[12];
    snprintf(word, sizeof word, " %.7s ", format);
    return format[0] && !strchr(format, ' ') && strstr(known, word);
}

static bool is_amount(double v)
{
    return isfinite(v) && v >= 0;
}

// The decoder is not trusted: its words must fit what a decoder can say.
static bool is_plausible(struct hc_image_info *i)
{
    clean_text(i->format, sizeof i->format);
    clean_text(i->profile, sizeof i->profile);
    clean_text(i->note, sizeof i->note);
    clean_text(i->camera, sizeof i->camera);
    clean_text(i->lens, sizeof i->lens);
    clean_text(i->taken_at, sizeof i->taken_at);
    return i->w >= 1 && i->h >= 1 && i->w <= HC_IMAGE_MAX_SIDE && i->h <= HC_IMAGE_MAX_SIDE &&
           (long long)i->w * i->h <= HC_IMAGE_MAX_PX && (i->bands == 1 || i->bands == 3) &&
           (i->bits == 8 || i->bits == 16 || i->bits == 32) && isfinite(i->dpi) &&
           is_amount(i->exposure_s) && is_amount(i->f_number) && is_amount(i->iso) &&
           is_amount(i->focal_mm) && is_known_format(i->format);
}

static hc_status nonsense(struct hc_err *err)
{
    return hc_err_set(
        err, HC_EDATA, "image",
        "the decoder gave an answer that makes no sense; the file is not to be trusted");
}

struct result {
    struct hc_image_info info;
    struct hc_icc_count count;
    bool has_info;
};

static hc_status take_error(struct child *c, uint32_t bytes, struct hc_job *job, struct hc_err *err)
{
    struct hc_frame_error e;
    hc_status st;
    if (bytes != sizeof e) {
        return nonsense(err);
    }
    st = take(c, &e, sizeof e, job, err);
    if (st != HC_OK) {
        return st;
    }
    e.what[sizeof e.what - 1] = 0;
    switch (e.status) {
    case HC_EDATA:
    case HC_EUNSUPPORTED:
    case HC_ELIMIT:
    case HC_EIO:
    case HC_ENOMEM:
        return hc_err_set(err, (hc_status)e.status, "image", "%s", e.what);
    default:
        return nonsense(err);
    }
}

static hc_status take_rows(struct child *c, const struct result *res, uint32_t bytes, int *y,
                           float *buf, struct hc_raster_writer *to, struct hc_job *job,
                           struct hc_err *err)
{
    size_t line = (size_t)res->info.w * (size_t)res->info.bands * sizeof(float);
    hc_status st;
    if (!res->has_info || !to || bytes == 0 || bytes % line != 0 ||
        (bytes > HC_CHILD_CHUNK && bytes != line) || bytes / line > (size_t)(res->info.h - *y)) {
        return nonsense(err);
    }
    st = take(c, buf, bytes, job, err);
    if (st == HC_OK) {
        int n = (int)(bytes / line);
        st = hc_raster_append_raw(to, buf, n, err);
        *y += n;
    }
    return st == HC_OK ? hc_job_step(job, (double)*y / res->info.h, "reading the picture", err)
                       : st;
}

// All frames up to DONE. *to is created when the size is known.
static hc_status converse(struct child *c, const char *raster_path, struct result *res,
                          struct hc_raster_writer **to, struct hc_job *job, struct hc_err *err)
{
    struct hc_frame f;
    float *buf = NULL;
    int y = 0;
    hc_status st = HC_OK;
    bool is_done = false;
    while (st == HC_OK && !is_done) {
        st = take(c, &f, sizeof f, job, err);
        if (st != HC_OK) {
            break;
        }
        if (f.kind == HC_FRAME_ERROR) {
            st = take_error(c, f.bytes, job, err);
        } else if (f.kind == HC_FRAME_INFO && f.bytes == sizeof res->info && !res->has_info) {
            size_t line;
            st = take(c, &res->info, sizeof res->info, job, err);
            if (st == HC_OK && !is_plausible(&res->info)) {
                st = nonsense(err);
            }
            res->has_info = st == HC_OK;
            line = st == HC_OK ? (size_t)res->info.w * (size_t)res->info.bands * sizeof(float) : 0;
            if (st == HC_OK && raster_path) {
                buf = hc_mem_alloc(line > HC_CHILD_CHUNK ? line : HC_CHILD_CHUNK);
                st = buf ? hc_raster_create(to, raster_path, res->info.w, res->info.h,
                                            res->info.bands, err)
                         : hc_err_set(err, HC_ENOMEM, "image", "out of memory while reading");
            }
        } else if (f.kind == HC_FRAME_ROWS) {
            st = take_rows(c, res, f.bytes, &y, buf, *to, job, err);
        } else if (f.kind == HC_FRAME_DONE && f.bytes == sizeof res->count && res->has_info &&
                   (!raster_path || y == res->info.h)) {
            st = take(c, &res->count, sizeof res->count, job, err);
            is_done = true;
        } else {
            st = nonsense(err);
        }
    }
    hc_mem_free(buf);
    return st;
}

// Why the decoder fell silent.
static hc_status explain_death(const struct child *c, int status, const struct hc_child_limits *lim,
                               struct hc_err *err)
{
    int sig = WIFSIGNALED(status) ? WTERMSIG(status) : 0;
    if (c->is_stalled) {
        return hc_err_set(
            err, HC_ELIMIT, "image",
            "the decoder made no progress for %d s and was stopped; nothing was changed",
            lim->stall_s);
    }
    if (sig == SIGXCPU) {
        return hc_err_set(
            err, HC_ELIMIT, "image",
            "decoding took more than %d s of processor time and was stopped; save it with "
            "a simpler compression",
            lim->cpu_s);
    }
    if (sig == SIGKILL) {
        return hc_err_set(
            err, HC_ENOMEM, "image",
            "the system stopped the decoder (signal 9), most often because memory ran out; "
            "close other programs and try again, nothing was changed");
    }
    if (sig) {
        return hc_err_set(
            err, HC_EDATA, "image",
            "the decoder crashed on it (signal %d), so the file is most likely damaged; "
            "nothing was changed",
            sig);
    }
    return hc_err_set(err, HC_EIO, "image",
                      "the decoder ended without an answer (exit code %d); nothing was changed",
                      WIFEXITED(status) ? WEXITSTATUS(status) : -1);
}

static void hand_over(const struct result *res, struct hc_image_info *info, double *clipped_share)
{
    if (clipped_share) {
        double share = (double)res->count.clipped / ((double)res->info.w * res->info.h);
        *clipped_share = share < 1 ? share : 1;
    }
    if (info) {
        size_t n = strlen(res->info.note);
        *info = res->info;
        if (res->count.not_a_number > 0) {
            snprintf(info->note + n, sizeof info->note - n,
                     "%s%llu pixels were not numbers: set to 0.", n ? " " : "",
                     (unsigned long long)res->count.not_a_number);
        }
    }
}

hc_status hc_decode_run(const char *original, const char *raster_path, struct hc_image_info *info,
                        double *clipped_share, const struct hc_child_limits *lim,
                        struct hc_job *job, struct hc_err *err)
{
    struct child c = {0};
    struct result res = {0};
    struct hc_raster_writer *to = NULL;
    struct hc_err own = {0};
    off_t size;
    int fd, status;
    hc_status st = hc_infile_open(&fd, &size, original, err);
    if (st != HC_OK) {
        return st;
    }
    st = start(&c, fd, !raster_path, lim, &own);
    close(fd);
    if (st == HC_OK) {
        st = converse(&c, raster_path, &res, &to, job, &own);
        status = finish(&c, st != HC_OK && !c.is_closed);
        if (c.is_closed || c.is_stalled) {
            st = explain_death(&c, status, lim, &own);
        }
    }
    if (to) {
        if (st == HC_OK) {
            st = hc_raster_finish(to, &own);
        } else {
            hc_raster_abandon(to);
        }
    }
    if (st != HC_OK) {
        return st == HC_ECANCEL || own.what[0] < 'a'
                   ? hc_err_set(err, st, "image", "%s", own.what)
                   : hc_err_set(err, st, "image", "%s is not taken: %s.", original, own.what);
    }
    hand_over(&res, info, clipped_share);
    return HC_OK;
}

// ---- the door ----------------------------------------------------------------------------------
hc_status hc_image_init(const char *argv0, struct hc_err *err)
{
    (void)argv0;
    // Passing a file-size limit must come back as a failed write, not end the program.
    signal(SIGXFSZ, SIG_IGN);
    if (access("/proc/self/exe", X_OK) != 0) {
        return hc_err_set(err, HC_EIO, "image",
                          "/proc is not available, so the picture decoder cannot be started.");
    }
    return HC_OK;
}

void hc_image_shutdown(void)
{
}

hc_status hc_image_probe(struct hc_image_info *out, const char *path, struct hc_err *err)
{
    return hc_decode_run(path, NULL, out, NULL, &default_limits, NULL, err);
}

hc_status hc_image_to_raster(const char *original, const char *raster_path,
                             struct hc_image_info *info, double *clipped_share, struct hc_job *job,
                             struct hc_err *err)
{
    return hc_decode_run(original, raster_path, info, clipped_share, &default_limits, job, err);
}
