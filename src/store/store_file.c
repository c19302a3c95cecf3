#include "store/store_priv.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <nettle/sha2.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"

#define BLOCK ((size_t)1 << 20) // read, hash and write by 1 MiB

static bool is_only(const char *s, const char *allowed)
{
    return s[strspn(s, allowed)] == 0;
}

bool hc_store_is_hash(const char *hex)
{
    return hex && strlen(hex) == HC_SHA256_HEX - 1 && is_only(hex, "0123456789abcdef");
}

bool hc_store_is_ext(const char *ext)
{
    size_t n = ext ? strlen(ext) : 0;
    return n >= 1 && n <= 8 && is_only(ext, "abcdefghijklmnopqrstuvwxyz0123456789");
}

bool hc_store_is_derived_name(const char *name)
{
    size_t n = name ? strlen(name) : 0;
    return n >= 1 && n <= 200 && name[0] != '.' &&
           is_only(name, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-");
}

bool hc_store_is_part(const char *name)
{
    size_t n = strlen(name), end = strlen(HC_STORE_PART);
    return n > end && strcmp(name + n - end, HC_STORE_PART) == 0;
}

hc_status hc_store_join(char out[HC_STORE_PATH_MAX], const char *folder, const char *name,
                        struct hc_err *err)
{
    int n = snprintf(out, HC_STORE_PATH_MAX, "%s/%s", folder, name);
    if (n < 0 || n >= HC_STORE_PATH_MAX) {
        return hc_err_set(err, HC_ELIMIT, HC_STORE_ROOM,
                          "the path of %s inside the dossier is longer than %d bytes; move the "
                          "dossier to a folder with a shorter path",
                          name, HC_STORE_PATH_MAX - 1);
    }
    return HC_OK;
}

hc_status hc_store_os_fail(struct hc_err *err, const char *doing, const char *path)
{
    int os = errno;
    if (os == ENOSPC || os == EDQUOT) {
        return hc_err_set(err, HC_EIO, HC_STORE_ROOM,
                          "the disk is full while %s %s; make room on it and try again", doing,
                          path);
    }
    if (os == EROFS || os == EACCES || os == EPERM) {
        return hc_err_set(err, HC_EIO, HC_STORE_ROOM,
                          "%s while %s %s; check the permissions and that the disk is not "
                          "read-only",
                          strerror(os), doing, path);
    }
    return hc_err_set(err, HC_EIO, HC_STORE_ROOM, "%s while %s %s", strerror(os), doing, path);
}

hc_status hc_store_sync_folder(const char *folder, struct hc_err *err)
{
    hc_status st = HC_OK;
    int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    // EINVAL: a file system that cannot sync a folder; then there is nothing to wait for.
    if (fd < 0 || (fsync(fd) != 0 && errno != EINVAL)) {
        st = hc_store_os_fail(err, "saving the folder", folder);
    }
    if (fd >= 0) {
        close(fd);
    }
    return st;
}

hc_status hc_store_each_entry(const char *folder, hc_store_entry_fn fn, void *ctx,
                              struct hc_err *err)
{
    hc_status st = HC_OK;
    DIR *d = opendir(folder);
    if (!d) {
        return hc_store_os_fail(err, "reading the folder", folder);
    }
    while (st == HC_OK) {
        const struct dirent *e;
        errno = 0;
        e = readdir(d);
        if (!e) {
            st = errno ? hc_store_os_fail(err, "reading the folder", folder) : HC_OK;
            break;
        }
        if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0) {
            st = fn(ctx, e->d_name, err);
        }
    }
    closedir(d);
    return st;
}

static struct hc_file file_of(const struct stat *sb)
{
    return (struct hc_file){
        .bytes = sb->st_size,
        .mtime_ns = (int64_t)sb->st_mtim.tv_sec * 1000000000 + sb->st_mtim.tv_nsec,
        .inode = (int64_t)sb->st_ino,
    };
}

hc_status hc_store_look(const char *path, struct hc_file *out, struct hc_err *err)
{
    struct stat sb;
    if (lstat(path, &sb) != 0) {
        return errno == ENOENT
                   ? hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM, "there is no file %s", path)
                   : hc_store_os_fail(err, "looking at", path);
    }
    if (!S_ISREG(sb.st_mode)) {
        return hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                          "%s is not a plain file (a folder, a link or a device); a dossier holds "
                          "plain files only",
                          path);
    }
    *out = file_of(&sb);
    return HC_OK;
}

static void hex_of(const unsigned char digest[SHA256_DIGEST_SIZE], char hex[HC_SHA256_HEX])
{
    for (size_t i = 0; i < SHA256_DIGEST_SIZE; i++) {
        snprintf(hex + 2 * i, 3, "%02x", digest[i]);
    }
}

struct hc_hash {
    struct sha256_ctx sha;
    int64_t bytes;
};

hc_status hc_store_hash_begin(struct hc_hash **out, struct hc_err *err)
{
    struct hc_hash *h = hc_mem_array(1, sizeof *h);
    if (!h) {
        return hc_err_set(err, HC_ENOMEM, HC_STORE_ROOM, "out of memory for a hash");
    }
    sha256_init(&h->sha);
    *out = h;
    return HC_OK;
}

void hc_store_hash_add(void *hash, const void *bytes, size_t n)
{
    struct hc_hash *h = hash;
    sha256_update(&h->sha, n, bytes);
    h->bytes += (int64_t)n;
}

int64_t hc_store_hash_end(struct hc_hash *h, char hex[HC_SHA256_HEX])
{
    unsigned char digest[SHA256_DIGEST_SIZE];
    int64_t bytes = h ? h->bytes : 0;
    if (h && hex) {
        sha256_digest(&h->sha, sizeof digest, digest);
        hex_of(digest, hex);
    }
    hc_mem_free(h);
    return bytes;
}

static hc_status write_all(int fd, const unsigned char *p, size_t n, const char *path,
                           struct hc_err *err)
{
    while (n) {
        ssize_t k = write(fd, p, n);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k < 0) {
            return hc_store_os_fail(err, "writing", path);
        }
        p += k;
        n -= (size_t)k;
    }
    return HC_OK;
}

struct stream {
    int in, out; // out: -1 to hash only
    const char *in_path, *out_path, *what;
    struct hc_file file; // what was read
};

// Read everything, hash it, and write it to `out` on the way.
static hc_status run_stream(struct stream *f, struct hc_job *job, struct hc_err *err)
{
    struct sha256_ctx sha;
    unsigned char digest[SHA256_DIGEST_SIZE];
    struct stat before, after;
    struct hc_file is;
    int64_t bytes = 0;
    hc_status st = HC_OK;
    unsigned char *block = hc_mem_alloc(BLOCK);
    if (!block) {
        return hc_err_set(err, HC_ENOMEM, HC_STORE_ROOM, "out of memory while %s", f->what);
    }
    sha256_init(&sha);
    if (fstat(f->in, &before) != 0) {
        st = hc_store_os_fail(err, "looking at", f->in_path);
        goto done;
    }
    for (;;) {
        double share = before.st_size > 0 ? (double)bytes / (double)before.st_size : 0;
        ssize_t k;
        st = hc_job_step(job, share < 1 ? share : 1, f->what, err);
        if (st != HC_OK) {
            goto done;
        }
        k = read(f->in, block, BLOCK);
        if (k < 0 && errno == EINTR) {
            continue;
        }
        if (k < 0) {
            st = hc_store_os_fail(err, "reading", f->in_path);
            goto done;
        }
        if (k == 0) {
            break;
        }
        sha256_update(&sha, (size_t)k, block);
        bytes += k;
        if (f->out >= 0) {
            st = write_all(f->out, block, (size_t)k, f->out_path, err);
            if (st != HC_OK) {
                goto done;
            }
        }
    }
    // A camera or a card reader may still be writing the file: a half photograph must not be kept.
    f->file = file_of(&before);
    if (fstat(f->in, &after) != 0 || (is = file_of(&after)).bytes != bytes ||
        is.mtime_ns != f->file.mtime_ns) {
        st = hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                        "%s changed while it was being read; wait until it is finished and try "
                        "again",
                        f->in_path);
        goto done;
    }
    sha256_digest(&sha, sizeof digest, digest);
    hex_of(digest, f->file.sha256);
done:
    hc_mem_free(block);
    return st;
}

// Opens a plain file for reading. Non-blocking so that a named pipe cannot hang the program.
static hc_status open_plain(const char *path, int flags, int *fd, struct hc_err *err)
{
    struct stat sb;
    *fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY | O_NONBLOCK | flags);
    if (*fd < 0) {
        return errno == ENOENT ? hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM,
                                            "there is no file %s; check its name", path)
                               : hc_store_os_fail(err, "opening", path);
    }
    if (fstat(*fd, &sb) != 0 || !S_ISREG(sb.st_mode)) {
        close(*fd);
        *fd = -1;
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "%s is not a file that can be read (a folder or a device)", path);
    }
    posix_fadvise(*fd, 0, 0, POSIX_FADV_SEQUENTIAL);
    return HC_OK;
}

hc_status hc_store_hash_file(const char *path, char hex[HC_SHA256_HEX], struct hc_job *job,
                             struct hc_err *err)
{
    struct stream f = {.out = -1, .in_path = path, .what = "reading a file"};
    hc_status st = open_plain(path, 0, &f.in, err);
    if (st != HC_OK) {
        return st;
    }
    st = run_stream(&f, job, err);
    memcpy(hex, f.file.sha256, HC_SHA256_HEX);
    close(f.in);
    return st;
}

hc_status hc_store_hash_inside(const char *path, bool is_durable, struct hc_file *out,
                               struct hc_job *job, struct hc_err *err)
{
    struct stream f = {.out = -1, .in_path = path, .what = "checking a file"};
    hc_status st = open_plain(path, O_NOFOLLOW, &f.in, err);
    if (st != HC_OK) {
        return st;
    }
    st = run_stream(&f, job, err);
    if (st == HC_OK && is_durable && fsync(f.in) != 0) {
        st = hc_store_os_fail(err, "saving", path);
    }
    *out = f.file;
    close(f.in);
    return st;
}

// Creates a temporary in `folder`; its path is left in `path`.
static hc_status open_part(const char *folder, char path[HC_STORE_PATH_MAX], int *fd,
                           struct hc_err *err)
{
    hc_status st = hc_store_join(path, folder, "new-XXXXXX" HC_STORE_PART, err);
    if (st != HC_OK) {
        return st;
    }
    *fd = mkostemps(path, (int)strlen(HC_STORE_PART), O_CLOEXEC);
    return *fd < 0 ? hc_store_os_fail(err, "making a file in", folder) : HC_OK;
}

// Sync, rename to `name`, sync the folder: after this the file is there whatever happens.
static hc_status publish(int fd, const char *part, const char *folder, const char *name,
                         mode_t mode, struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX];
    hc_status st = hc_store_join(path, folder, name, err);
    if (st != HC_OK) {
        return st;
    }
    // FAT and its kin know no such permissions; the file is as good without them.
    if (fchmod(fd, mode) != 0 && errno != EPERM && errno != ENOTSUP) {
        return hc_store_os_fail(err, "protecting", part);
    }
    if (fsync(fd) != 0) {
        return hc_store_os_fail(err, "saving", part);
    }
    if (rename(part, path) != 0) {
        return hc_store_os_fail(err, "naming", path);
    }
    return hc_store_sync_folder(folder, err);
}

hc_status hc_store_write_file(const char *folder, const char *name, const char *text,
                              struct hc_err *err)
{
    char part[HC_STORE_PATH_MAX];
    int fd = -1;
    hc_status st = open_part(folder, part, &fd, err);
    if (st != HC_OK) {
        return st;
    }
    st = write_all(fd, (const unsigned char *)text, strlen(text), part, err);
    if (st == HC_OK) {
        st = publish(fd, part, folder, name, 0644, err);
    }
    close(fd);
    if (st != HC_OK) {
        unlink(part);
    }
    return st;
}

hc_status hc_store_keep_original(struct hc_store *s, const char *path, const char *ext,
                                 char hex[HC_SHA256_HEX], struct hc_job *job, struct hc_err *err)
{
    char folder[HC_STORE_PATH_MAX], part[HC_STORE_PATH_MAX], name[HC_SHA256_HEX + 16];
    struct stream f = {.out = -1, .in_path = path, .out_path = part, .what = "copying a file"};
    hc_status st;
    if (!s->is_writer) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the dossier %s was opened for reading only; open it for writing to add "
                          "a file",
                          s->folder);
    }
    if (!hc_store_is_ext(ext)) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the file ending '%s' is not 1 to 8 lower-case letters or digits",
                          ext ? ext : "");
    }
    st = hc_store_join(folder, s->folder, HC_STORE_ORIGINALS, err);
    if (st == HC_OK) {
        st = open_plain(path, 0, &f.in, err);
    }
    if (st != HC_OK) {
        return st;
    }
    st = open_part(folder, part, &f.out, err);
    if (st != HC_OK) {
        close(f.in);
        return st;
    }
    st = run_stream(&f, job, err);
    memcpy(hex, f.file.sha256, HC_SHA256_HEX);
    if (st == HC_OK) {
        // The same content again lands on the same name with the same bytes; should the file there
        // have been damaged, this heals it.
        snprintf(name, sizeof name, "%s.%s", hex, ext);
        st = publish(f.out, part, folder, name, 0444, err);
    }
    close(f.in);
    close(f.out);
    if (st != HC_OK) {
        unlink(part);
        hex[0] = 0;
    }
    return st;
}

static hc_status inside_path(const struct hc_store *s, const char *sub, const char *name, char *out,
                             size_t room, struct hc_err *err)
{
    int n = snprintf(out, room, "%s/%s/%s", s->folder, sub, name);
    if (n < 0 || (size_t)n >= room) {
        return hc_err_set(err, HC_ELIMIT, HC_STORE_ROOM,
                          "the path of %s in %s does not fit in %zu bytes; move the dossier to a "
                          "folder with a shorter path",
                          name, sub, room);
    }
    return HC_OK;
}

hc_status hc_store_original_path(const struct hc_store *s, const char *hex, const char *ext,
                                 char *out, size_t room, struct hc_err *err)
{
    char name[HC_SHA256_HEX + 16];
    if (!hc_store_is_hash(hex) || !hc_store_is_ext(ext)) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "'%.80s.%.16s' is not the name of an original (64 hexadecimal digits "
                          "and a file ending)",
                          hex ? hex : "", ext ? ext : "");
    }
    snprintf(name, sizeof name, "%s.%s", hex, ext);
    return inside_path(s, HC_STORE_ORIGINALS, name, out, room, err);
}

hc_status hc_store_derived_path(const struct hc_store *s, const char *name, char *out, size_t room,
                                struct hc_err *err)
{
    if (!hc_store_is_derived_name(name)) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "'%.80s' is not a name for a derived file: 1 to 200 of the letters, "
                          "digits and . _ -, not beginning with a dot",
                          name ? name : "");
    }
    return inside_path(s, HC_STORE_DERIVED, name, out, room, err);
}
