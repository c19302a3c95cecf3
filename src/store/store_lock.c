#include "store/store_priv.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "base/clock.h"

static hc_status refuse(int fd, const char *folder, struct hc_err *err)
{
    char who[160];
    ssize_t n = pread(fd, who, sizeof who - 1, 0);
    who[n > 0 ? n : 0] = 0;
    who[strcspn(who, "\n")] = 0;
    return hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                      "the dossier %s is open for changes already (%s); close it there first, or "
                      "open it for reading",
                      folder, *who ? who : "by another process");
}

hc_status hc_store_lock(const char *folder, int *fd, struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX], who[160], at[21];
    hc_status st = hc_store_join(path, folder, HC_STORE_LOCK, err);
    int n;
    *fd = -1;
    if (st != HC_OK) {
        return st;
    }
    *fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0644);
    if (*fd < 0) {
        return hc_store_os_fail(err, "opening for changes", path);
    }
    // flock and not fcntl: it also keeps apart two handles of one process. The kernel drops it with
    // the last descriptor, so a crash leaves the file but never the lock.
    if (flock(*fd, LOCK_EX | LOCK_NB) != 0) {
        st = errno == EWOULDBLOCK ? refuse(*fd, folder, err)
                                  : hc_store_os_fail(err, "locking", path);
        close(*fd);
        *fd = -1;
        return st;
    }
    // Only for the sentence above; that it cannot be written (disk full) is no reason to stop.
    hc_clock_now_iso(at);
    n = snprintf(who, sizeof who, "by process %ld of this computer since %s\n", (long)getpid(), at);
    if (ftruncate(*fd, 0) != 0 || pwrite(*fd, who, (size_t)n, 0) != n) {
        (void)!ftruncate(*fd, 0);
    }
    return HC_OK;
}

void hc_store_unlock(int fd)
{
    if (fd >= 0) {
        (void)!ftruncate(fd, 0);
        close(fd);
    }
}
