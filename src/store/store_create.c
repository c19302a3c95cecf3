#include "store/store_priv.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/clock.h"
#include "base/mem.h"

// The database is built under another name and gets its own last: its rename is the instant the
// dossier comes to be. A creation that was interrupted before leaves only empty folders and files
// named here, which the next attempt takes over.
#define NEW_DB HC_STORE_DB HC_STORE_PART

static hc_status refuse_entry(void *ctx, const char *name, struct hc_err *err)
{
    return hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                      "the folder %s holds something already (%s); choose a new or an empty folder",
                      (const char *)ctx, name);
}

static hc_status check_entry(void *ctx, const char *name, struct hc_err *err)
{
    const char *folder = ctx;
    char path[HC_STORE_PATH_MAX];
    struct stat sb;
    hc_status st = hc_store_join(path, folder, name, err);
    if (st != HC_OK) {
        return st;
    }
    if (strcmp(name, HC_STORE_ORIGINALS) == 0 || strcmp(name, HC_STORE_DERIVED) == 0) {
        if (lstat(path, &sb) == 0 && S_ISDIR(sb.st_mode)) {
            return hc_store_each_entry(path, refuse_entry, path, err);
        }
    } else if (strcmp(name, HC_STORE_LOCK) == 0 || hc_store_is_part(name) ||
               strcmp(name, NEW_DB "-journal") == 0 || strcmp(name, "lost+found") == 0) {
        return HC_OK;
    }
    return refuse_entry(ctx, name, err);
}

static hc_status check_painting(const struct hc_painting *p, struct hc_err *err)
{
    if (!p->title || !*p->title) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM, "a dossier needs the title of the painting");
    }
    if (!(p->height_mm > 0 && p->height_mm < 1e6 && p->width_mm > 0 && p->width_mm < 1e6)) {
        return hc_err_set(err, HC_ERANGE, HC_STORE_ROOM,
                          "the painting cannot be %g mm high and %g mm wide; give its measured "
                          "height and width in millimetres, above 0 and below 1 km",
                          p->height_mm, p->width_mm);
    }
    return HC_OK;
}

static hc_status insert_painting(struct hc_store *s, const struct hc_painting *p,
                                 struct hc_err *err)
{
    char at[21];
    struct hc_query q;
    hc_status st;
    hc_clock_now_iso(at);
    hc_query_init(&q, s->db, "INSERT INTO about (key, value) VALUES ('created_at', ?)");
    hc_query_text(&q, at);
    hc_query_row(&q);
    st = hc_query_end(&q, "writing the first rows", err);
    if (st != HC_OK) {
        return st;
    }
    hc_query_init(&q, s->db,
                  "INSERT INTO painting (id, title, maker, date, support, inventory, owner, "
                  "height_mm, width_mm) VALUES (1, ?, ?, ?, ?, ?, ?, ?, ?)");
    hc_query_text(&q, p->title);
    hc_query_text(&q, p->maker);
    hc_query_text(&q, p->date);
    hc_query_text(&q, p->support);
    hc_query_text(&q, p->inventory);
    hc_query_text(&q, p->owner);
    hc_query_num(&q, p->height_mm);
    hc_query_num(&q, p->width_mm);
    hc_query_row(&q);
    st = hc_query_end(&q, "writing the painting", err);
    if (st != HC_OK) {
        return st;
    }
    return hc_store_log_add(s, NULL, err, "dossier made for \"%s\", %g x %g mm (height x width)",
                            p->title, p->height_mm, p->width_mm);
}

static hc_status build_database(struct hc_store *s, const struct hc_painting *p, struct hc_err *err)
{
    char part[HC_STORE_PATH_MAX], path[HC_STORE_PATH_MAX];
    hc_status st = hc_store_join(part, s->folder, NEW_DB, err);
    if (st == HC_OK) {
        st = hc_store_join(path, s->folder, NEW_DB "-journal", err);
    }
    if (st != HC_OK) {
        return st;
    }
    unlink(part);
    unlink(path);
    st = hc_store_join(path, s->folder, HC_STORE_DB, err);
    if (st == HC_OK) {
        st = hc_store_connect(&s->db, part, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, err);
    }
    if (st == HC_OK) {
        st = hc_store_migrate(s->db, hc_store_migrations(), err);
    }
    if (st == HC_OK) {
        st = hc_store_prepare_rollback(s, err);
    }
    if (st == HC_OK) {
        st = hc_store_begin(s, err);
        if (st == HC_OK) {
            st = hc_store_finish(s, insert_painting(s, p, err), err);
        }
    }
    sqlite3_finalize(s->rollback);
    s->rollback = NULL;
    sqlite3_close(s->db); // before the rename: SQLite must not hold a file whose name changes
    s->db = NULL;
    if (st == HC_OK && rename(part, path) != 0) {
        st = hc_store_os_fail(err, "naming", path);
    }
    return st;
}

// The parent must know the new folder too, or a power cut could take the whole dossier with it.
static hc_status sync_parent(const char *folder, struct hc_err *err)
{
    char parent[HC_STORE_PATH_MAX];
    char *slash;
    snprintf(parent, sizeof parent, "%s", folder);
    slash = strrchr(parent, '/');
    if (!slash) {
        return HC_OK;
    }
    slash[slash == parent] = 0;
    return hc_store_sync_folder(parent, err);
}

static hc_status make_subfolders(const char *folder, struct hc_err *err)
{
    static const char *const sub[] = {HC_STORE_ORIGINALS, HC_STORE_DERIVED};
    char path[HC_STORE_PATH_MAX];
    for (size_t i = 0; i < sizeof sub / sizeof sub[0]; i++) {
        hc_status st = hc_store_join(path, folder, sub[i], err);
        if (st != HC_OK) {
            return st;
        }
        if (mkdir(path, 0777) != 0 && errno != EEXIST) {
            return hc_store_os_fail(err, "making the folder", path);
        }
    }
    return HC_OK;
}

static void take_back(const char *folder, bool made_it)
{
    static const char *const name[] = {HC_STORE_DB, NEW_DB, NEW_DB "-journal", HC_STORE_README,
                                       HC_STORE_LOCK};
    char path[HC_STORE_PATH_MAX];
    for (size_t i = 0; i < sizeof name / sizeof name[0]; i++) {
        if (hc_store_join(path, folder, name[i], NULL) == HC_OK) {
            unlink(path);
        }
    }
    if (hc_store_join(path, folder, HC_STORE_ORIGINALS, NULL) == HC_OK) {
        rmdir(path);
    }
    if (hc_store_join(path, folder, HC_STORE_DERIVED, NULL) == HC_OK) {
        rmdir(path);
    }
    if (made_it) {
        rmdir(folder);
    }
}

hc_status hc_store_create(const char *folder, const struct hc_painting *p, struct hc_err *err)
{
    struct hc_store s = {.lock_fd = -1, .is_writer = true};
    bool made_it = false, is_mine = false;
    hc_status st = check_painting(p, err);
    if (st != HC_OK) {
        return st;
    }
    if (!folder || !*folder) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM, "the name of the dossier folder is empty");
    }
    made_it = mkdir(folder, 0777) == 0;
    if (!made_it && errno == ENOENT) {
        return hc_err_set(err, HC_EIO, HC_STORE_ROOM,
                          "the folder that is to hold %s does not exist; make it first", folder);
    }
    if (!made_it && errno != EEXIST) {
        return hc_store_os_fail(err, "making the folder", folder);
    }
    st = hc_store_resolve(folder, &s.folder, err);
    if (st == HC_ENOTFOUND) {
        st = hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                        "%s is a file; choose a new or an empty folder", folder);
    }
    // Looked at before the lock is made in it, so that a folder of other things is left untouched.
    if (st == HC_OK && !made_it) {
        st = hc_store_each_entry(s.folder, check_entry, s.folder, err);
    }
    if (st == HC_OK) {
        st = hc_store_lock(s.folder, &s.lock_fd, err);
        is_mine = st == HC_OK;
    }
    if (st == HC_OK) {
        st = hc_store_each_entry(s.folder, check_entry, s.folder,
                                 err); // another may have been first
        is_mine = st == HC_OK;
    }
    if (st == HC_OK) {
        st = make_subfolders(s.folder, err);
    }
    if (st == HC_OK) {
        st = build_database(&s, p, err);
    }
    if (st == HC_OK) {
        st = hc_store_write_readme(s.folder, p, err);
    }
    if (st == HC_OK) {
        st = hc_store_sync_folder(s.folder, err);
    }
    if (st == HC_OK) {
        st = sync_parent(s.folder, err);
    }
    if (st != HC_OK && is_mine) {
        take_back(s.folder, made_it);
    } else if (st != HC_OK && made_it) {
        rmdir(folder);
    }
    hc_store_unlock(s.lock_fd);
    hc_mem_free(s.folder);
    return st;
}

void hc_painting_release(struct hc_painting *p)
{
    hc_mem_free(p->title);
    hc_mem_free(p->maker);
    hc_mem_free(p->date);
    hc_mem_free(p->support);
    hc_mem_free(p->inventory);
    hc_mem_free(p->owner);
    *p = (struct hc_painting){0};
}

hc_status hc_store_painting(struct hc_store *s, struct hc_painting *out, struct hc_err *err)
{
    struct hc_query q;
    hc_status st;
    bool is_there = false;
    *out = (struct hc_painting){0};
    hc_query_init(&q, s->db,
                  "SELECT title, maker, date, support, inventory, owner, height_mm, width_mm, "
                  "frame_view, frame_w, frame_h FROM painting");
    if (hc_query_row(&q)) {
        is_there = true;
        out->title = hc_query_take_text(&q);
        out->maker = hc_query_take_text(&q);
        out->date = hc_query_take_text(&q);
        out->support = hc_query_take_text(&q);
        out->inventory = hc_query_take_text(&q);
        out->owner = hc_query_take_text(&q);
        out->height_mm = hc_query_take_num(&q);
        out->width_mm = hc_query_take_num(&q);
        out->frame_view = hc_query_take_int(&q);
        out->frame_w = (int)hc_query_take_int(&q);
        out->frame_h = (int)hc_query_take_int(&q);
    }
    st = hc_query_end(&q, "reading the painting", err);
    if (st == HC_OK && !is_there) {
        st = hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                        "the dossier's database has no painting in it; restore " HC_STORE_DB
                        " from a copy of the dossier");
    }
    if (st != HC_OK) {
        hc_painting_release(out);
    }
    return st;
}
