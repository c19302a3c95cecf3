// The page's files: embedded in the program, or read from a folder during development.
#include <fcntl.h>
#include <linux/openat2.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

#include "server/server_priv.h"

const char *hc_server_media_type(const char *path)
{
    // Kept equal to the table in tools/embed_web.
    static const char *const type[][2] = {
        {".html", "text/html; charset=utf-8"},
        {".css", "text/css; charset=utf-8"},
        {".js", "text/javascript; charset=utf-8"},
        {".mjs", "text/javascript; charset=utf-8"},
        {".json", "application/json"},
        {".svg", "image/svg+xml"},
        {".png", "image/png"},
        {".woff2", "font/woff2"},
    };
    const char *name = strrchr(path, '/');
    const char *dot;
    name = name ? name + 1 : path;
    dot = strrchr(name, '.');
    for (size_t i = 0; dot && i < sizeof type / sizeof type[0]; i++) {
        if (strcmp(dot, type[i][0]) == 0) {
            return type[i][1];
        }
    }
    return strstr(name, "LICENSE") ? "text/plain; charset=utf-8" : NULL;
}

static hc_status not_found(const char *path, struct hc_err *err)
{
    return hc_err_set(err, HC_ENOTFOUND, HC_SERVER_ROOM, "there is nothing at %.200s", path);
}

static hc_status embedded(struct hc_req *r, const char *path, struct hc_err *err)
{
    for (size_t i = 0; i < hc_web_files_count; i++) {
        const struct hc_web_file *f = &hc_web_files[i];
        // The library wants a pointer that is not const and does not write through it.
        union {
            const unsigned char *in;
            void *out;
        } bytes = {hc_web_blob + f->offset};
        if (strcmp(f->path, path) != 0) {
            continue;
        }
        r->type = f->type;
        r->etag = f->etag;
        r->cache = "no-cache";
        if (hc_server_has_etag(r, f->etag)) {
            r->http = MHD_HTTP_NOT_MODIFIED;
            return HC_OK;
        }
        r->response = MHD_create_response_from_buffer(f->length, bytes.out, MHD_RESPMEM_PERSISTENT);
        if (!r->response) {
            return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory while sending %s",
                              path);
        }
        if (f->is_gzip) {
            MHD_add_response_header(r->response, "Content-Encoding", "gzip");
        }
        return HC_OK;
    }
    return not_found(path, err);
}

int hc_server_open_web_dir(const char *dir)
{
    return open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
}

// The kernel itself keeps the path inside the folder and follows no link.
static hc_status from_folder(struct hc_req *r, const char *path, struct hc_err *err)
{
    struct open_how how = {.flags = O_RDONLY | O_CLOEXEC,
                           .resolve = RESOLVE_BENEATH | RESOLVE_NO_SYMLINKS};
    struct stat info;
    int fd;
    r->type = hc_server_media_type(path);
    if (!r->type || strncmp(path, "/tests/", 7) == 0 || strncmp(path, "/node_modules/", 14) == 0) {
        return not_found(path, err);
    }
    fd = (int)syscall(SYS_openat2, r->server->web_dir_fd, path + 1, &how, sizeof how);
    if (fd < 0) {
        return not_found(path, err);
    }
    if (fstat(fd, &info) != 0 || !S_ISREG(info.st_mode)) {
        close(fd);
        return not_found(path, err);
    }
    r->response = MHD_create_response_from_fd64((uint64_t)info.st_size, fd);
    if (!r->response) {
        close(fd);
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory while sending %s", path);
    }
    return HC_OK;
}

hc_status hc_server_asset(struct hc_req *r, struct hc_err *err)
{
    const char *path = strcmp(r->path, "/") == 0 ? "/index.html" : r->path;
    return r->server->web_dir_fd >= 0 ? from_folder(r, path, err) : embedded(r, path, err);
}
