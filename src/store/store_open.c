#include "store/store_priv.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"

// A trap to keep away from: no code here may open() halfclean.db itself. Closing such a descriptor
// drops the POSIX locks of every SQLite connection of this process to the file.

hc_status hc_store_resolve(const char *folder, char **out, struct hc_err *err)
{
    struct stat sb;
    char real[PATH_MAX];
    *out = NULL;
    if (!folder || !*folder) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM, "the name of the dossier folder is empty");
    }
    if (!realpath(folder, real)) {
        return errno == ENOENT || errno == ENOTDIR
                   ? hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM,
                                "there is no folder %s; check the name", folder)
                   : hc_store_os_fail(err, "looking for the folder", folder);
    }
    if (stat(real, &sb) != 0 || !S_ISDIR(sb.st_mode)) {
        return hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM,
                          "%s is a file; a dossier is a folder with " HC_STORE_DB " in it", folder);
    }
    *out = hc_mem_strdup(real);
    return *out ? HC_OK
                : hc_err_set(err, HC_ENOMEM, HC_STORE_ROOM, "out of memory while opening %s",
                             folder);
}

static hc_status count_entry(void *ctx, const char *name, struct hc_err *err)
{
    (void)name;
    (void)err;
    ++*(int *)ctx;
    return HC_OK;
}

static hc_status explain_no_database(const char *folder, struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX];
    int originals = 0;
    hc_status st = hc_store_join(path, folder, HC_STORE_ORIGINALS, err);
    if (st != HC_OK) {
        return st;
    }
    if (hc_store_each_entry(path, count_entry, &originals, NULL) == HC_OK && originals > 0) {
        return hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                          "the database " HC_STORE_DB " is missing from the dossier %s, though %d "
                          "original%s there; copy it back from another copy of the dossier",
                          folder, originals, originals == 1 ? " is" : "s are");
    }
    return hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM,
                      "%s is not a dossier: there is no " HC_STORE_DB " in it", folder);
}

// The three things of a dossier must be what they seem: a link could lead the program to write
// outside the folder.
static hc_status check_folder(const char *folder, struct hc_err *err)
{
    static const char *const sub[] = {HC_STORE_ORIGINALS, HC_STORE_DERIVED};
    char path[HC_STORE_PATH_MAX];
    struct stat sb;
    struct hc_file file;
    hc_status st = hc_store_join(path, folder, HC_STORE_DB, err);
    if (st == HC_OK) {
        st = hc_store_look(path, &file, err);
    }
    if (st == HC_ENOTFOUND) {
        return explain_no_database(folder, err);
    }
    for (size_t i = 0; st == HC_OK && i < sizeof sub / sizeof sub[0]; i++) {
        st = hc_store_join(path, folder, sub[i], err);
        if (st == HC_OK && lstat(path, &sb) == 0 && !S_ISDIR(sb.st_mode)) {
            st = hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                            "%s is not a plain folder; a dossier keeps its files inside itself",
                            path);
        }
    }
    return st;
}

hc_status hc_store_connect(sqlite3 **db, const char *path, int flags, struct hc_err *err)
{
    int rc = sqlite3_open_v2(
        path, db, flags | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE | SQLITE_OPEN_NOFOLLOW, NULL);
    if (rc != SQLITE_OK) {
        hc_status st = hc_store_db_fail(*db, rc, "opening it", err);
        sqlite3_close(*db);
        *db = NULL;
        return st;
    }
    // A dossier may come from anybody: no statement may write to its schema or its pages directly,
    // and hc_store_check_schema accepts no table or trigger but ours.
    sqlite3_db_config(*db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(*db, SQLITE_DBCONFIG_ENABLE_FKEY, 1, NULL);
    sqlite3_busy_timeout(*db, 5000);
    return HC_OK;
}

// Is the file ours, and of which schema? Reads only. The first touch of the file, so the failures
// of a foreign file, a read-only medium and a full disk all show here; *rc tells the last two
// apart.
static hc_status identify(sqlite3 *db, struct hc_migrations m, int64_t *version, int *rc,
                          struct hc_err *err)
{
    char program[64] = "";
    int64_t id;
    struct hc_query q;
    hc_status st;
    hc_query_init(&q, db, "PRAGMA application_id");
    id = hc_query_row(&q) ? hc_query_take_int(&q) : 0;
    *rc = q.rc;
    st = hc_query_end(&q, "reading its first page", err);
    if (st == HC_OK && id != HC_STORE_APPLICATION_ID) {
        return hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                          HC_STORE_DB " is an SQLite file, but not one of this program (empty, or "
                                      "written by another); restore it from a copy of the dossier");
    }
    if (st == HC_OK) {
        st = hc_store_db_get_int(db, "PRAGMA user_version", version, "reading its schema version",
                                 err);
    }
    if (st != HC_OK || *version <= hc_store_newest(m)) {
        return st;
    }
    hc_query_init(&q, db, "SELECT value FROM about WHERE key = 'program'");
    if (hc_query_row(&q)) {
        hc_query_take_chars(&q, program, sizeof program);
    }
    hc_ignore(hc_query_end(&q, "reading the program version", NULL));
    return hc_err_set(err, HC_EUNSUPPORTED, HC_STORE_ROOM,
                      "the dossier was written by a newer Halfclean (%s%s, schema %lld); this one "
                      "is %s and knows schemas up to %d: use the newer program",
                      *program ? "version " : "version not known", program, (long long)*version,
                      HC_VERSION, hc_store_newest(m));
}

// May the file be read as it lies, without the write-ahead log? Only when no log with content is
// beside it and no writer is at work: otherwise the newest entries would silently be missing.
static bool is_settled(const char *folder)
{
    static const char *const journal[] = {HC_STORE_DB "-wal", HC_STORE_DB "-journal"};
    char path[HC_STORE_PATH_MAX];
    bool is_locked;
    int fd;
    for (size_t i = 0; i < sizeof journal / sizeof journal[0]; i++) {
        struct hc_file file = {0};
        hc_status st = hc_store_join(path, folder, journal[i], NULL);
        if (st == HC_OK) {
            st = hc_store_look(path, &file, NULL);
        }
        if (st != HC_ENOTFOUND && (st != HC_OK || file.bytes > 0)) {
            return false;
        }
    }
    if (hc_store_join(path, folder, HC_STORE_LOCK, NULL) != HC_OK) {
        return false;
    }
    fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0) {
        return errno == ENOENT;
    }
    is_locked = flock(fd, LOCK_SH | LOCK_NB) != 0 && errno == EWOULDBLOCK;
    close(fd);
    return !is_locked;
}

// A read-only medium or a full disk: SQLite cannot make the index of the write-ahead log there.
static hc_status connect_immutable(sqlite3 **db, const char *folder, const char *path,
                                   struct hc_err *err)
{
    static const char hex[] = "0123456789ABCDEF";
    struct hc_buf uri = {0};
    hc_status st;
    if (!is_settled(folder)) {
        return hc_err_set(err, HC_EIO, HC_STORE_ROOM,
                          "the dossier %s was not closed properly or is in use, and it cannot be "
                          "written to (read-only or full disk), so its newest entries cannot be "
                          "read; copy the whole folder to a disk with room and open it there",
                          folder);
    }
    hc_buf_str(&uri, "file:");
    for (const unsigned char *p = (const unsigned char *)path; *p; p++) {
        char c = (char)*p;
        if (c == '%' || c == '?' || c == '#') {
            hc_buf_str(&uri, "%");
            hc_buf_bytes(&uri, &hex[*p >> 4], 1);
            c = hex[*p & 15];
        }
        hc_buf_bytes(&uri, &c, 1);
    }
    hc_buf_str(&uri, "?immutable=1");
    st = hc_buf_check(&uri, err);
    if (st == HC_OK) {
        st = hc_store_connect(db, hc_buf_text(&uri), SQLITE_OPEN_READONLY | SQLITE_OPEN_URI, err);
    }
    hc_buf_release(&uri);
    return st;
}

// An older schema in a handle that may not write: migrate a copy in memory.
static hc_status migrate_in_memory(struct hc_store *s, struct hc_migrations m, struct hc_err *err)
{
    sqlite3 *copy = NULL;
    hc_status st = hc_store_connect(&copy, ":memory:", SQLITE_OPEN_READWRITE, err);
    if (st == HC_OK) {
        st = hc_store_copy_db(copy, s->db, "reading an older dossier", err);
    }
    if (st == HC_OK) {
        st = hc_store_migrate(copy, m, err);
    }
    if (st != HC_OK) {
        sqlite3_close(copy);
        return st;
    }
    sqlite3_close(s->db);
    s->db = copy;
    return HC_OK;
}

static hc_status open_reader(struct hc_store *s, const char *path, struct hc_migrations m,
                             struct hc_err *err)
{
    struct hc_err first = {0};
    int64_t version = 0;
    int rc = SQLITE_OK;
    hc_status st = hc_store_connect(&s->db, path, SQLITE_OPEN_READONLY, err);
    if (st != HC_OK) {
        return st;
    }
    st = identify(s->db, m, &version, &rc, &first);
    rc &= 0xff;
    if (rc == SQLITE_CANTOPEN || rc == SQLITE_READONLY || rc == SQLITE_IOERR || rc == SQLITE_FULL) {
        sqlite3_close(s->db);
        s->db = NULL;
        st = connect_immutable(&s->db, s->folder, path, err);
        if (st == HC_OK) {
            st = identify(s->db, m, &version, &rc, err);
        }
    } else if (st != HC_OK && err) {
        *err = first;
    }
    if (st == HC_OK && version < hc_store_newest(m)) {
        st = migrate_in_memory(s, m, err);
    }
    return st;
}

static hc_status check_pages(sqlite3 *db, struct hc_err *err)
{
    char said[160] = "";
    struct hc_query q;
    hc_status st;
    hc_query_init(&q, db, "PRAGMA quick_check(1)");
    if (hc_query_row(&q)) {
        hc_query_take_chars(&q, said, sizeof said);
    }
    q.rc = q.rc == SQLITE_OK ? hc_store_page_failure(said) : q.rc;
    st = hc_query_end(&q, "checking its pages", err);
    if (st == HC_OK && strcmp(said, "ok") != 0) {
        st = hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                        "the dossier's database is damaged (%s); restore " HC_STORE_DB
                        " from a copy of the dossier, the files in originals/ are not touched",
                        said);
    }
    return st;
}

// halfclean-schema<N>.db: the database as it was, kept before a migration.
static hc_status keep_old_schema(struct hc_store *s, int64_t version, struct hc_err *err)
{
    char name[64], part[HC_STORE_PATH_MAX], path[HC_STORE_PATH_MAX];
    sqlite3 *copy = NULL;
    hc_status st;
    snprintf(name, sizeof name, "halfclean-schema%lld.db", (long long)version);
    st = hc_store_join(path, s->folder, name, err);
    if (st == HC_OK) {
        st = hc_store_join(part, s->folder, "halfclean-schema.db" HC_STORE_PART, err);
    }
    if (st != HC_OK) {
        return st;
    }
    unlink(part); // of an interrupted migration
    st = hc_store_connect(&copy, part, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, err);
    if (st == HC_OK) {
        st = hc_store_copy_db(copy, s->db, "keeping a copy of the older database", err);
    }
    sqlite3_close(copy);
    if (st == HC_OK && rename(part, path) != 0) {
        st = hc_store_os_fail(err, "naming", path);
    }
    if (st == HC_OK) {
        st = hc_store_sync_folder(s->folder, err);
    }
    if (st != HC_OK) {
        unlink(part);
    }
    return st;
}

static hc_status open_writer(struct hc_store *s, const char *path, struct hc_migrations m,
                             struct hc_err *err)
{
    int64_t version = 0;
    int rc = SQLITE_OK;
    hc_status st = hc_store_connect(&s->db, path, SQLITE_OPEN_READWRITE, err);
    if (st == HC_OK) {
        st = identify(s->db, m, &version, &rc, err);
    }
    // SQLite opens a protected file for reading without a word.
    if (st == HC_OK && sqlite3_db_readonly(s->db, "main") == 1) {
        st = hc_err_set(err, HC_EIO, HC_STORE_ROOM,
                        "%s is write-protected; change its permissions or open the dossier for "
                        "reading",
                        path);
    }
    if (st == HC_OK) {
        st = check_pages(s->db, err);
    }
    if (st == HC_OK) {
        st = hc_store_db_exec(s->db, "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL",
                              "opening for changes", err);
    }
    if (st == HC_OK && version < hc_store_newest(m)) {
        st = keep_old_schema(s, version, err);
        if (st == HC_OK) {
            st = hc_store_migrate(s->db, m, err);
        }
    }
    return st == HC_OK ? hc_store_prepare_rollback(s, err) : st;
}

static hc_status drop_part(void *ctx, const char *name, struct hc_err *err)
{
    const char *folder = ctx;
    char path[HC_STORE_PATH_MAX];
    struct hc_file file;
    if (hc_store_is_part(name) && hc_store_join(path, folder, name, err) == HC_OK &&
        hc_store_look(path, &file, NULL) == HC_OK && unlink(path) != 0) {
        return hc_store_os_fail(err, "removing the leftover", path);
    }
    return HC_OK;
}

// What an interrupted write left behind, and what somebody deleted that can be put back.
static hc_status tidy(struct hc_store *s, struct hc_err *err)
{
    static const char *const sub[] = {HC_STORE_ORIGINALS, HC_STORE_DERIVED};
    char path[HC_STORE_PATH_MAX];
    struct hc_painting p = {0};
    struct hc_file file;
    hc_status st = hc_store_each_entry(s->folder, drop_part, s->folder, err);
    for (size_t i = 0; st == HC_OK && i < sizeof sub / sizeof sub[0]; i++) {
        st = hc_store_join(path, s->folder, sub[i], err);
        if (st == HC_OK && mkdir(path, 0777) != 0 && errno != EEXIST) {
            st = hc_store_os_fail(err, "making the folder", path);
        }
        if (st == HC_OK) {
            st = hc_store_each_entry(path, drop_part, path, err);
        }
    }
    if (st == HC_OK) {
        st = hc_store_join(path, s->folder, HC_STORE_README, err);
    }
    if (st == HC_OK && hc_store_look(path, &file, NULL) == HC_ENOTFOUND) {
        st = hc_store_painting(s, &p, err);
        if (st == HC_OK) {
            st = hc_store_write_readme(s->folder, &p, err);
        }
        hc_painting_release(&p);
    }
    return st;
}

hc_status hc_store_open_with(struct hc_store **out, const char *folder, enum hc_store_mode mode,
                             struct hc_migrations m, struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX];
    struct hc_store *s = hc_mem_array(1, sizeof *s);
    hc_status st;
    *out = NULL;
    if (!s) {
        return hc_err_set(err, HC_ENOMEM, HC_STORE_ROOM, "out of memory while opening %s", folder);
    }
    s->lock_fd = -1;
    s->is_writer = mode == HC_STORE_WRITE;
    st = hc_store_resolve(folder, &s->folder, err);
    if (st == HC_OK) {
        st = check_folder(s->folder, err);
    }
    if (st == HC_OK && s->is_writer) {
        st = hc_store_lock(s->folder, &s->lock_fd, err);
    }
    if (st == HC_OK) {
        st = hc_store_join(path, s->folder, HC_STORE_DB, err);
    }
    if (st == HC_OK) {
        st = s->is_writer ? open_writer(s, path, m, err) : open_reader(s, path, m, err);
    }
    if (st == HC_OK) {
        st = hc_store_check_schema(s->db, m, err);
    }
    if (st == HC_OK && s->is_writer) {
        struct hc_err why = {0};
        st = tidy(s, &why);
        if (st == HC_EIO) {
            st = HC_OK; // a full disk must not keep anybody from their record
        } else if (st != HC_OK && err) {
            *err = why;
        }
    }
    if (st != HC_OK) {
        hc_store_close(s);
        return st;
    }
    *out = s;
    return HC_OK;
}

hc_status hc_store_open(struct hc_store **out, const char *folder, enum hc_store_mode mode,
                        struct hc_err *err)
{
    return hc_store_open_with(out, folder, mode, hc_store_migrations(), err);
}

void hc_store_close(struct hc_store *s)
{
    if (!s) {
        return;
    }
    sqlite3_finalize(s->rollback);
    sqlite3_close(s->db); // the last connection out folds the write-ahead log into the database
    hc_store_unlock(s->lock_fd);
    hc_mem_free(s->folder);
    hc_mem_free(s);
}

void hc_store_set_author(struct hc_store *s, const char *author)
{
    size_t n = author ? strlen(author) : 0;
    if (n >= sizeof s->author) {
        n = sizeof s->author - 1;
        while (n > 0 && ((unsigned char)author[n] & 0xc0) == 0x80) {
            n--; // never cut a UTF-8 character in two
        }
    }
    if (n) {
        memcpy(s->author, author, n);
    }
    s->author[n] = 0;
}
