// Files in and out: every failure becomes one sentence, and a failed write leaves nothing behind.
#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "image/image_priv.h"

hc_status hc_outfile_fail(const char *path, int errnum, struct hc_err *err)
{
    switch (errnum) {
    case ENOSPC:
    case EDQUOT:
    case EFBIG:
        return hc_err_set(
            err, HC_EIO, "image",
            "The disk is full (or a file-size limit was reached) while writing %s; free "
            "some space and run it again. The unfinished file was removed.",
            path);
    case EACCES:
    case EPERM:
        return hc_err_set(err, HC_EIO, "image",
                          "No permission to write %s; choose another folder or change its rights. "
                          "Nothing was changed.",
                          path);
    case EROFS:
        return hc_err_set(
            err, HC_EIO, "image",
            "The disk of %s is read-only; choose another folder. Nothing was changed.", path);
    case ENOENT:
    case ENOTDIR:
        return hc_err_set(err, HC_EIO, "image",
                          "The folder of %s does not exist; make it first. Nothing was changed.",
                          path);
    default:
        return hc_err_set(err, HC_EIO, "image", "Writing %s failed: %s. Nothing was changed.", path,
                          strerror(errnum));
    }
}

hc_status hc_outfile_open(struct hc_outfile *f, const char *path, struct hc_err *err)
{
    f->fd = -1;
    f->is_direct = false;
    if (strlen(path) + sizeof ".part" > sizeof f->part) {
        return hc_err_set(err, HC_EARG, "image", "The path is longer than %zu characters: %.60s...",
                          sizeof f->part - sizeof ".part", path);
    }
    snprintf(f->path, sizeof f->path, "%s", path);
    snprintf(f->part, sizeof f->part, "%.*s.part", (int)(sizeof f->part - sizeof ".part"), path);
    f->fd = open(f->part, O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0666);
    return f->fd >= 0 ? HC_OK : hc_outfile_fail(path, errno, err);
}

static void set_direct(struct hc_outfile *f, bool on)
{
    int flags = fcntl(f->fd, F_GETFL);
    f->is_direct =
        flags >= 0 && fcntl(f->fd, F_SETFL, on ? flags | O_DIRECT : flags & ~O_DIRECT) == 0 && on;
}

void hc_outfile_direct(struct hc_outfile *f)
{
    set_direct(f, true);
}

void hc_outfile_indirect(struct hc_outfile *f)
{
    if (f->is_direct) {
        set_direct(f, false);
    }
}

hc_status hc_outfile_write(struct hc_outfile *f, const void *p, size_t n, struct hc_err *err)
{
    const char *at = p;
    while (n > 0) {
        ssize_t k = write(f->fd, at, n);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        // A file system without direct writes, or one that stopped in the middle of a page.
        if (f->is_direct && ((k < 0 && errno == EINVAL) || k % HC_OUTFILE_PAGE != 0)) {
            hc_outfile_indirect(f);
            k = k < 0 ? 0 : k;
        } else if (k <= 0) {
            return hc_outfile_fail(f->path, k < 0 ? errno : ENOSPC, err);
        }
        at += k;
        n -= (size_t)k;
    }
    return HC_OK;
}

hc_status hc_outfile_write_at(struct hc_outfile *f, const void *p, size_t n, off_t at,
                              struct hc_err *err)
{
    const char *from = p;
    while (n > 0) {
        ssize_t k = pwrite(f->fd, from, n, at);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k <= 0) {
            return hc_outfile_fail(f->path, k < 0 ? errno : ENOSPC, err);
        }
        from += k;
        at += k;
        n -= (size_t)k;
    }
    return HC_OK;
}

// Makes the new name itself durable. Some file systems refuse to sync a folder; that is no failure.
static void sync_folder(const char *path)
{
    char dir[HC_IMAGE_PATH];
    const char *slash = strrchr(path, '/');
    int fd;
    snprintf(dir, sizeof dir, "%.*s", slash && slash > path ? (int)(slash - path) : 1,
             slash ? path : ".");
    fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        fsync(fd);
        close(fd);
    }
}

hc_status hc_outfile_commit(struct hc_outfile *f, struct hc_err *err)
{
    int failed = fsync(f->fd) == 0 ? 0 : errno;
    if (close(f->fd) != 0 && !failed) {
        failed = errno;
    }
    f->fd = -1;
    if (!failed && rename(f->part, f->path) != 0) {
        failed = errno;
    }
    if (failed) {
        unlink(f->part);
        return hc_outfile_fail(f->path, failed, err);
    }
    sync_folder(f->path);
    return HC_OK;
}

void hc_outfile_abandon(struct hc_outfile *f)
{
    if (f->fd >= 0) {
        close(f->fd);
        unlink(f->part);
        f->fd = -1;
    }
}

hc_status hc_infile_open(int *fd, off_t *size, const char *path, struct hc_err *err)
{
    struct stat st;
    // O_NONBLOCK: a named pipe must not hang the program before it is refused.
    int f = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK);
    if (f < 0) {
        int e = errno;
        if (e == ENOENT || e == ENOTDIR) {
            return hc_err_set(err, HC_ENOTFOUND, "image", "There is no file %s; check the name.",
                              path);
        }
        return hc_err_set(err, HC_EIO, "image", "%s cannot be read: %s. Nothing was changed.", path,
                          strerror(e));
    }
    if (fstat(f, &st) != 0 || !S_ISREG(st.st_mode)) {
        close(f);
        return hc_err_set(err, HC_EUNSUPPORTED, "image",
                          "%s is not a plain file (a folder, device or pipe); give a picture file.",
                          path);
    }
    *fd = f;
    *size = st.st_size;
    return HC_OK;
}

bool hc_infile_read_at(int fd, void *p, size_t n, off_t at)
{
    char *to = p;
    while (n > 0) {
        ssize_t k = pread(fd, to, n, at);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k <= 0) {
            return false;
        }
        to += k;
        at += k;
        n -= (size_t)k;
    }
    return true;
}
