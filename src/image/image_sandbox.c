// The decoder's cage: ceilings on memory, time and files, then an allow-list of system calls.
// What is not on the list fails with EPERM: no file can be opened, no socket made, no process or
// thread started. Pages can never be made executable.
#include <errno.h>
#include <seccomp.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <signal.h>
#include <unistd.h>

#include "image/image_priv.h"

static bool set_limit(__rlimit_resource_t what, rlim_t soft, rlim_t hard)
{
    struct rlimit now, r = {soft, hard};
    if (getrlimit(what, &now) == 0 && now.rlim_max < hard) {
        r.rlim_max = now.rlim_max;
        r.rlim_cur = soft < now.rlim_max ? soft : now.rlim_max;
    }
    return setrlimit(what, &r) == 0;
}

hc_status hc_sandbox_limits(const struct hc_child_limits *lim, struct hc_err *err)
{
    rlim_t mem = (rlim_t)lim->mem_mib << 20, cpu = (rlim_t)lim->cpu_s;
    bool ok = prctl(PR_SET_PDEATHSIG, SIGKILL) == 0 &&
              prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) == 0 &&
              prctl(PR_SET_DUMPABLE, HC_SANITIZED, 0, 0, 0) == 0;
    ok = ok && set_limit(RLIMIT_CORE, 0, 0) && set_limit(RLIMIT_CPU, cpu, cpu + 2);
    // The address sanitizer reserves terabytes of addresses and writes its report to a file.
    ok = ok && (HC_SANITIZED || (set_limit(RLIMIT_AS, mem, mem) && set_limit(RLIMIT_FSIZE, 0, 0)));
    return ok ? HC_OK
              : hc_err_set(err, HC_EIO, "image", "the decoder's ceilings could not be set: %s",
                           strerror(errno));
}

static int allow_plain(scmp_filter_ctx c)
{
    static const int calls[] = {SCMP_SYS(read),           SCMP_SYS(pread64),
                                SCMP_SYS(readv),          SCMP_SYS(lseek),
                                SCMP_SYS(close),          SCMP_SYS(fstat),
                                SCMP_SYS(newfstatat),     SCMP_SYS(munmap),
                                SCMP_SYS(mremap),         SCMP_SYS(brk),
                                SCMP_SYS(madvise),        SCMP_SYS(futex),
                                SCMP_SYS(rt_sigreturn),   SCMP_SYS(rt_sigprocmask),
                                SCMP_SYS(rt_sigaction),   SCMP_SYS(sigaltstack),
                                SCMP_SYS(exit),           SCMP_SYS(exit_group),
                                SCMP_SYS(getpid),         SCMP_SYS(gettid),
                                SCMP_SYS(clock_gettime),  SCMP_SYS(gettimeofday),
                                SCMP_SYS(sched_yield),    SCMP_SYS(sched_getaffinity),
                                SCMP_SYS(getrandom),      SCMP_SYS(dup),
                                SCMP_SYS(restart_syscall)};
    int rc = 0;
    for (size_t i = 0; i < sizeof calls / sizeof *calls && rc == 0; i++) {
        rc = seccomp_rule_add(c, SCMP_ACT_ALLOW, calls[i], 0);
    }
    return rc;
}

hc_status hc_sandbox_lock(struct hc_err *err)
{
    scmp_filter_ctx c = seccomp_init(SCMP_ACT_ERRNO(EPERM));
    int rc = c ? allow_plain(c) : -ENOMEM;
    if (rc == 0) { // no executable pages
        rc = seccomp_rule_add(c, SCMP_ACT_ALLOW, SCMP_SYS(mmap), 1,
                              SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0));
    }
    if (rc == 0) {
        rc = seccomp_rule_add(c, SCMP_ACT_ALLOW, SCMP_SYS(mprotect), 1,
                              SCMP_A2(SCMP_CMP_MASKED_EQ, PROT_EXEC, 0));
    }
    for (int fd = 2; fd <= HC_CHILD_FD_OUT && rc == 0; fd += HC_CHILD_FD_OUT - 2) {
        rc = seccomp_rule_add(c, SCMP_ACT_ALLOW, SCMP_SYS(write), 1,
                              SCMP_A0(SCMP_CMP_EQ, (scmp_datum_t)fd, 0));
    }
    if (rc == 0) { // abort() signals itself, nobody else
        rc = seccomp_rule_add(c, SCMP_ACT_ALLOW, SCMP_SYS(tgkill), 1,
                              SCMP_A0(SCMP_CMP_EQ, (scmp_datum_t)getpid(), 0));
    }
    rc = rc == 0 ? seccomp_load(c) : rc;
    if (c) {
        seccomp_release(c);
    }
    return rc == 0
               ? HC_OK
               : hc_err_set(err, HC_EIO, "image",
                            "this system does not let the decoder be locked down (seccomp: %s), so "
                            "files from outside are not opened",
                            strerror(-rc));
}
