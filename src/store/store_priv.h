// What the files of this room share. Nothing outside src/store/ and the store's own tests includes
// it.
#ifndef HC_STORE_STORE_PRIV_H
#define HC_STORE_STORE_PRIV_H

#include <sqlite3.h>

#include "base/buf.h"
#include "store/store.h"

#define HC_STORE_ROOM "store"
#define HC_STORE_DB "halfclean.db"
#define HC_STORE_LOCK "halfclean.lock"
#define HC_STORE_README "README.txt"
#define HC_STORE_ORIGINALS "originals"
#define HC_STORE_DERIVED "derived"
#define HC_STORE_PART ".part"              // ending of a file that is still being written
#define HC_STORE_APPLICATION_ID 0x48436c6e // "HCln" in the header of the database file
#define HC_STORE_PATH_MAX 4096

struct hc_store {
    sqlite3 *db;
    sqlite3_stmt *rollback; // of a writer; compiled beforehand, so that it needs no memory when
                            // none is left: a change must not stay half-made in the connection
    char *folder;           // absolute, symbolic links resolved
    int lock_fd;            // the writer's lock; -1 in a reader
    bool is_writer;
    char author[128];
};

// ---- store_db.c: SQLite behind a few calls

// Translate the failure `rc` of `db` into a status and a sentence. `doing` is a present participle
// phrase ("reading the views").
hc_status hc_store_db_fail(sqlite3 *db, int rc, const char *doing, struct hc_err *err);
hc_status hc_store_db_exec(sqlite3 *db, const char *sql, const char *doing,
                           struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_db_get_int(sqlite3 *db, const char *sql, int64_t *out, const char *doing,
                              struct hc_err *err) HC_MUST_CHECK;

// quick_check and integrity_check put failures to read a page among the damage they list. Of such a
// sentence this is SQLite's code (out of memory, cannot read), and 0 of a sentence on real damage.
int hc_store_page_failure(const char *said);

// One statement. Bind in the order of the question marks, then walk the rows, taking columns in
// order, then end it. The first failure sticks and is reported by hc_query_end, so nothing between
// needs a check.
struct hc_query {
    sqlite3 *db;
    sqlite3_stmt *st;
    int rc, bound, column;
};
void hc_query_init(struct hc_query *q, sqlite3 *db, const char *sql);
void hc_query_text(struct hc_query *q, const char *v); // NULL binds NULL; must live until the end
void hc_query_int(struct hc_query *q, int64_t v);
void hc_query_num(struct hc_query *q, double v);
void hc_query_null(struct hc_query *q);
bool hc_query_row(struct hc_query *q);           // false at the end or after a failure
bool hc_query_is_null(const struct hc_query *q); // of the next column
char *hc_query_take_text(struct hc_query *q);    // heap; NULL for NULL
void hc_query_take_chars(struct hc_query *q, char *out, size_t room);
int64_t hc_query_take_int(struct hc_query *q);
double hc_query_take_num(struct hc_query *q);
void hc_query_no_memory(struct hc_query *q); // the caller ran out of memory on a row
hc_status hc_query_end(struct hc_query *q, const char *doing, struct hc_err *err) HC_MUST_CHECK;

// A write: begin, statements, log line, finish. hc_store_finish commits when `st` is HC_OK and
// rolls back otherwise; it returns `st` or the failure of the commit.
hc_status hc_store_prepare_rollback(struct hc_store *s, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_begin(struct hc_store *s, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_finish(struct hc_store *s, hc_status st, struct hc_err *err) HC_MUST_CHECK;
// detail: JSON or NULL.
hc_status hc_store_log_add(struct hc_store *s, const char *detail, struct hc_err *err,
                           const char *fmt, ...) HC_MUST_CHECK
    __attribute__((format(printf, 4, 5)));

// Grow a list by one zeroed element of `size` bytes; returns it, or NULL out of memory.
void *hc_store_append(void **items, size_t *n, size_t size);

// ---- store_schema.c: schema and migrations

struct hc_migration {
    int to; // user_version after it; the list is in ascending order
    const char *sql;
};
struct hc_migrations {
    const struct hc_migration *step;
    size_t n;
};
struct hc_migrations hc_store_migrations(void); // those of this program
int hc_store_newest(struct hc_migrations m);

// Run every step above the database's user_version, each in its own transaction, with references
// checked before it is committed.
hc_status hc_store_migrate(sqlite3 *db, struct hc_migrations m, struct hc_err *err) HC_MUST_CHECK;
// HC_EDATA unless tables, indices and triggers are word for word those the migrations make.
hc_status hc_store_check_schema(sqlite3 *db, struct hc_migrations m,
                                struct hc_err *err) HC_MUST_CHECK;
// Copy a whole database (SQLite's backup interface, so it is one consistent state).
hc_status hc_store_copy_db(sqlite3 *to, sqlite3 *from, const char *doing,
                           struct hc_err *err) HC_MUST_CHECK;

// ---- store_open.c: opening and closing

// hc_store_open with a given list of migrations: how the tests make older and newer dossiers.
hc_status hc_store_open_with(struct hc_store **out, const char *folder, enum hc_store_mode mode,
                             struct hc_migrations m, struct hc_err *err) HC_MUST_CHECK;

// ---- store_file.c: the file system

// folder + "/" + a fixed or already checked name. HC_ELIMIT when it does not fit.
hc_status hc_store_join(char out[HC_STORE_PATH_MAX], const char *folder, const char *name,
                        struct hc_err *err) HC_MUST_CHECK;
bool hc_store_is_hash(const char *hex); // 64 lower-case hex digits
bool hc_store_is_ext(const char *ext);  // 1..8 of [a-z0-9]
bool hc_store_is_derived_name(const char *name);
bool hc_store_is_part(const char *name); // ends in ".part"
// A failed system call in words; errno is read here. A full disk is named as such.
hc_status hc_store_os_fail(struct hc_err *err, const char *doing, const char *path);
hc_status hc_store_sync_folder(const char *folder, struct hc_err *err) HC_MUST_CHECK;
// Write a whole small file at once: temporary, fsync, rename.
hc_status hc_store_write_file(const char *folder, const char *name, const char *text,
                              struct hc_err *err) HC_MUST_CHECK;
// A plain file in the dossier. Two looks with the same size, time and inode saw the same content:
// files are replaced by rename, and a new file never has the inode of the one it replaces.
struct hc_file {
    int64_t bytes, mtime_ns, inode;
    char sha256[HC_SHA256_HEX]; // "" when it was only looked at
};
// Never through a symbolic link. HC_ENOTFOUND when there is none, HC_EDATA for anything but a file.
hc_status hc_store_look(const char *path, struct hc_file *out, struct hc_err *err) HC_MUST_CHECK;
// Hash a file inside the dossier: never through a symbolic link; `is_durable` also syncs it.
hc_status hc_store_hash_inside(const char *path, bool is_durable, struct hc_file *out,
                               struct hc_job *job, struct hc_err *err) HC_MUST_CHECK;
// Call fn for each entry but "." and ".."; stops at the first failure.
typedef hc_status (*hc_store_entry_fn)(void *ctx, const char *name, struct hc_err *err);
hc_status hc_store_each_entry(const char *folder, hc_store_entry_fn fn, void *ctx,
                              struct hc_err *err) HC_MUST_CHECK;

// ---- store_check.c: rows before they are written

const char *hc_store_or_empty(const char *s);
bool hc_store_is_listed(const char *word, const char *const *list, size_t n);
hc_status hc_store_check_view(const struct hc_view *v, struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_check_placement(const struct hc_view *v, struct hc_err *err) HC_MUST_CHECK;
// `what` names the thing in the sentence ("the window").
hc_status hc_store_check_polygon(const char *polygon, const char *what,
                                 struct hc_err *err) HC_MUST_CHECK;
hc_status hc_store_check_json(const char *json, const char *what, struct hc_err *err) HC_MUST_CHECK;

// ---- store_json.c

bool hc_store_is_json(const char *text);    // well-formed by RFC 8259; NULL is not
bool hc_store_is_polygon(const char *text); // "[[x,y],...]": at least three corners within 1e9 px

// ---- store_readme.c

hc_status hc_store_write_readme(const char *folder, const struct hc_painting *p,
                                struct hc_err *err) HC_MUST_CHECK;

// ---- store_lock.c, store_open.c

// The folder as an absolute path without symbolic links (heap).
hc_status hc_store_resolve(const char *folder, char **out, struct hc_err *err) HC_MUST_CHECK;
// The writer's lock. It goes when the descriptor is closed or the process dies, whatever the cause.
hc_status hc_store_lock(const char *folder, int *fd, struct hc_err *err) HC_MUST_CHECK;
void hc_store_unlock(int fd);
// Open the file and set what every connection of this program has.
hc_status hc_store_connect(sqlite3 **db, const char *path, int flags,
                           struct hc_err *err) HC_MUST_CHECK;

#endif
