// Putting a finished file in place: whole or not at all.
#include "report/report_priv.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define ROOM "report"

static hc_status cannot(struct hc_err *err, const char *path, const char *what, int number)
{
    return hc_err_set(err, HC_EIO, ROOM,
                      "The report cannot be written to %s (%s: %s); choose a folder that can be "
                      "written and has room.",
                      path, what, strerror(number));
}

static bool write_all(int fd, const char *data, size_t n)
{
    while (n > 0) {
        ssize_t k = write(fd, data, n);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k < 0) {
            return false;
        }
        data += k;
        n -= (size_t)k;
    }
    return true;
}

// The folder entry must reach the disk too, or the rename may be lost with the power.
static void sync_folder(const char *path)
{
    struct hc_buf folder = {0};
    const char *slash = strrchr(path, '/');
    if (slash) {
        hc_buf_bytes(&folder, path, (size_t)(slash - path) + 1);
    } else {
        hc_buf_str(&folder, ".");
    }
    int fd = open(hc_buf_text(&folder), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        (void)fsync(fd); // some file systems refuse to sync a folder; the file itself is safe
        close(fd);
    }
    hc_buf_release(&folder);
}

hc_status hc_file_replace(const char *path, const struct hc_buf *content, struct hc_err *err)
{
    struct hc_buf part = {0};
    int fd = -1;
    int closed;
    bool is_made = false;
    hc_status status;
    hc_buf_printf(&part, "%s.part-%ld", path, (long)getpid());
    status = hc_buf_check(&part, err);
    if (status != HC_OK) {
        goto done;
    }
    fd = open(part.data, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0666);
    if (fd < 0) {
        status = cannot(err, path, "opening", errno);
        goto done;
    }
    is_made = true;
    if (!write_all(fd, content->data, content->len) || fsync(fd) != 0) {
        status = cannot(err, path, "writing", errno);
        goto done;
    }
    closed = close(fd);
    fd = -1;
    if (closed != 0) {
        status = cannot(err, path, "closing", errno);
        goto done;
    }
    if (rename(part.data, path) != 0) {
        status = cannot(err, path, "renaming", errno);
        goto done;
    }
    is_made = false;
    sync_folder(path);
done:
    if (fd >= 0) {
        close(fd);
    }
    if (is_made) {
        unlink(part.data);
    }
    hc_buf_release(&part);
    return status;
}
