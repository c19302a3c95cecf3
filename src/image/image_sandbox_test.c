// The decoder's cage: what it must not be able to do, tried from inside.
#include "hc_test.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <sys/mman.h>
#include <sys/ptrace.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "image/image_priv.h"

static const struct hc_child_limits lim = {5, HC_CHILD_MEM_MIB, 5};

// Runs `fn` in a locked process; its exit code.
static int inside(int (*fn)(void))
{
    int status;
    pid_t pid = fork();
    if (pid == 0) {
        if (hc_sandbox_limits(&lim, NULL) != HC_OK || hc_sandbox_lock(NULL) != HC_OK) {
            _exit(100);
        }
        _exit(fn());
    }
    assert_int_equal(waitpid(pid, &status, 0), pid);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 200;
}

static bool is_denied(long rc)
{
    return rc == -1 && errno == EPERM;
}

static int try_files(void)
{
    return !(is_denied(open("/etc/passwd", O_RDONLY)) &&
             is_denied(open("/tmp/hc_image_sandbox_x", O_CREAT | O_WRONLY, 0600)) &&
             is_denied(unlink("/tmp/hc_image_sandbox_x")) &&
             is_denied(rename("/tmp/a", "/tmp/b")) && is_denied(chmod("/tmp", 0777)) &&
             is_denied(mkdir("/tmp/hc_image_sandbox_d", 0700)));
}

static int try_network(void)
{
    int fd[2];
    return !(is_denied(socket(AF_INET, SOCK_STREAM, 0)) &&
             is_denied(socket(AF_UNIX, SOCK_STREAM, 0)) &&
             is_denied(socketpair(AF_UNIX, SOCK_STREAM, 0, fd)));
}

static int try_processes(void)
{
    char name[] = "/bin/true", *argv[] = {name, NULL};
    return !(is_denied(syscall(SYS_clone, SIGCHLD, 0, 0, 0, 0)) && is_denied(execv(name, argv)) &&
             is_denied(kill(getppid(), SIGTERM)) &&
             is_denied(ptrace(PTRACE_TRACEME, 0, NULL, NULL)) &&
             is_denied(syscall(SYS_tgkill, getppid(), getppid(), SIGTERM)));
}

static int try_code(void)
{
    void *p = mmap(NULL, 4096, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    return !(p != MAP_FAILED && is_denied(mprotect(p, 4096, PROT_READ | PROT_EXEC)) &&
             mmap(NULL, 4096, PROT_READ | PROT_EXEC, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0) ==
                 MAP_FAILED);
}

static int try_writing(void)
{
    return !(is_denied(write(1, "x", 1)) && is_denied(write(HC_CHILD_FD_IN, "x", 1)));
}

static int try_limits(void)
{
    struct rlimit r = {RLIM_INFINITY, RLIM_INFINITY};
    return !is_denied(setrlimit(RLIMIT_AS, &r));
}

static int try_memory(void)
{
    return mmap(NULL, (size_t)2 << 30, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1,
                0) != MAP_FAILED;
}

static void nothing_gets_out(void **state)
{
    (void)state;
    assert_int_equal(inside(try_files), 0);
    assert_int_equal(inside(try_network), 0);
    assert_int_equal(inside(try_processes), 0);
    assert_int_equal(inside(try_code), 0);
    assert_int_equal(inside(try_writing), 0);
    assert_int_equal(inside(try_limits), 0);
    if (!HC_SANITIZED) {
        assert_int_equal(inside(try_memory), 0);
    }
}

// What it needs still works: its own memory, its clock, reading.
static int use_rights(void)
{
    char *p = malloc(5 << 20), c;
    struct timespec t;
    int ok = p && clock_gettime(CLOCK_MONOTONIC, &t) == 0 && read(0, &c, 0) == 0;
    free(p);
    return !ok;
}

static void work_goes_on(void **state)
{
    (void)state;
    assert_int_equal(inside(use_rights), 0);
}

// A program that forgets hc_image_child_main is told so and does not start itself for ever.
static void forgotten_entry_is_told(void **state)
{
    struct hc_image_info info;
    struct hc_err err = {0};
    (void)state;
    setenv("HC_DECODE_CHILD", "1", 1);
    assert_int_equal(hc_image_probe(&info, "/proc/self/exe", &err), HC_EIO);
    assert_non_null(strstr(err.what, "hc_image_child_main"));
    unsetenv("HC_DECODE_CHILD");
}

int main(int argc, char **argv)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_gets_out),
        cmocka_unit_test(work_goes_on),
        cmocka_unit_test(forgotten_entry_is_told),
    };
    int rc = hc_image_child_main(argc, argv);
    return rc >= 0 ? rc : cmocka_run_group_tests(tests, NULL, NULL);
}
