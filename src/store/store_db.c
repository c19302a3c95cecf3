#include "store/store_priv.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/clock.h"
#include "base/mem.h"

static hc_status no_memory(const char *doing, struct hc_err *err)
{
    return hc_err_set(err, HC_ENOMEM, HC_STORE_ROOM, "out of memory while %s", doing);
}

hc_status hc_store_db_fail(sqlite3 *db, int rc, const char *doing, struct hc_err *err)
{
    int os = db ? sqlite3_system_errno(db) : 0;
    const char *detail = db ? sqlite3_errmsg(db) : sqlite3_errstr(rc);
    if (rc == SQLITE_IOERR_NOMEM) {
        rc = SQLITE_NOMEM;
    }
    switch (rc & 0xff) {
    case SQLITE_NOMEM:
        return no_memory(doing, err);
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                          "another process held the dossier's database for more than 5 seconds "
                          "while %s; try again when it has finished",
                          doing);
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
        return hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                          "the dossier's database is damaged (%s, while %s); restore " HC_STORE_DB
                          " from a copy of the dossier, the files in originals/ are not touched",
                          detail, doing);
    case SQLITE_READONLY:
        return hc_err_set(err, HC_EIO, HC_STORE_ROOM,
                          "the dossier's database cannot be written while %s (%s); check the "
                          "permissions of the folder and that the disk is not read-only",
                          doing, detail);
    case SQLITE_CONSTRAINT:
        return hc_err_set(err, HC_ECONFLICT, HC_STORE_ROOM,
                          "the dossier does not accept this while %s: %s", doing, detail);
    case SQLITE_TOOBIG:
        return hc_err_set(err, HC_ELIMIT, HC_STORE_ROOM,
                          "a text or document is too big for the dossier while %s", doing);
    default:
        break;
    }
    if ((rc & 0xff) == SQLITE_FULL || os == ENOSPC || os == EDQUOT) {
        return hc_err_set(err, HC_EIO, HC_STORE_ROOM,
                          "the disk of the dossier is full, so nothing was changed while %s; make "
                          "room on it and try again",
                          doing);
    }
    if ((rc & 0xff) == SQLITE_ERROR) {
        return hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                          "the dossier's database is not as expected while %s: %s", doing, detail);
    }
    return hc_err_set(err, HC_EIO, HC_STORE_ROOM, "the dossier's database failed while %s: %s%s%s",
                      doing, detail, os ? ": " : "", os ? strerror(os) : "");
}

hc_status hc_store_db_exec(sqlite3 *db, const char *sql, const char *doing, struct hc_err *err)
{
    int rc = sqlite3_exec(db, sql, NULL, NULL, NULL);
    return rc == SQLITE_OK ? HC_OK : hc_store_db_fail(db, rc, doing, err);
}

hc_status hc_store_db_get_int(sqlite3 *db, const char *sql, int64_t *out, const char *doing,
                              struct hc_err *err)
{
    struct hc_query q;
    hc_query_init(&q, db, sql);
    *out = hc_query_row(&q) ? hc_query_take_int(&q) : 0;
    return hc_query_end(&q, doing, err);
}

int hc_store_page_failure(const char *said)
{
    static const char mark[] = "error code=";
    const char *at = strstr(said, mark);
    long rc = at ? strtol(at + strlen(mark), NULL, 10) : 0;
    bool is_failure = rc == SQLITE_NOMEM || (rc & 0xff) == SQLITE_IOERR;
    return is_failure ? (int)rc : 0;
}

void hc_query_init(struct hc_query *q, sqlite3 *db, const char *sql)
{
    *q = (struct hc_query){.db = db};
    q->rc = sqlite3_prepare_v2(db, sql, -1, &q->st, NULL);
}

static void bound(struct hc_query *q, int rc)
{
    if (q->rc == SQLITE_OK) {
        q->rc = rc;
    }
}

void hc_query_text(struct hc_query *q, const char *v)
{
    bound(q, q->st ? sqlite3_bind_text(q->st, ++q->bound, v, -1, SQLITE_STATIC) : SQLITE_OK);
}

void hc_query_int(struct hc_query *q, int64_t v)
{
    bound(q, q->st ? sqlite3_bind_int64(q->st, ++q->bound, v) : SQLITE_OK);
}

void hc_query_num(struct hc_query *q, double v)
{
    hc_assert(!isnan(v)); // SQLite would store it as NULL; callers refuse it in words
    bound(q, q->st ? sqlite3_bind_double(q->st, ++q->bound, v) : SQLITE_OK);
}

void hc_query_null(struct hc_query *q)
{
    bound(q, q->st ? sqlite3_bind_null(q->st, ++q->bound) : SQLITE_OK);
}

bool hc_query_row(struct hc_query *q)
{
    int rc;
    if (q->rc != SQLITE_OK) {
        return false;
    }
    q->column = 0;
    rc = sqlite3_step(q->st);
    if (rc != SQLITE_ROW && rc != SQLITE_DONE) {
        q->rc = rc;
    }
    return rc == SQLITE_ROW;
}

bool hc_query_is_null(const struct hc_query *q)
{
    return sqlite3_column_type(q->st, q->column) == SQLITE_NULL;
}

char *hc_query_take_text(struct hc_query *q)
{
    bool is_null = hc_query_is_null(q);
    const char *text = (const char *)sqlite3_column_text(q->st, q->column++);
    char *copy = hc_mem_strdup(text);
    if (!copy && !is_null) {
        hc_query_no_memory(q);
    }
    return copy;
}

void hc_query_take_chars(struct hc_query *q, char *out, size_t room)
{
    bool is_null = hc_query_is_null(q);
    const char *text = (const char *)sqlite3_column_text(q->st, q->column++);
    size_t n = text ? strlen(text) : 0;
    if (!text && !is_null) {
        hc_query_no_memory(q);
    }
    n = n < room ? n : room - 1;
    if (text && n) {
        memcpy(out, text, n);
    }
    out[n] = 0;
}

int64_t hc_query_take_int(struct hc_query *q)
{
    return sqlite3_column_int64(q->st, q->column++);
}

double hc_query_take_num(struct hc_query *q)
{
    return sqlite3_column_double(q->st, q->column++);
}

void hc_query_no_memory(struct hc_query *q)
{
    q->rc = SQLITE_NOMEM;
}

hc_status hc_query_end(struct hc_query *q, const char *doing, struct hc_err *err)
{
    hc_status st = HC_OK;
    if (q->rc == SQLITE_NOMEM) {
        st = no_memory(doing, err); // perhaps ours: then the connection knows nothing of it
    } else if (q->rc != SQLITE_OK) {
        st = hc_store_db_fail(q->db, q->rc, doing, err);
    }
    sqlite3_finalize(q->st);
    q->st = NULL;
    return st;
}

hc_status hc_store_prepare_rollback(struct hc_store *s, struct hc_err *err)
{
    int rc = sqlite3_prepare_v2(s->db, "ROLLBACK", -1, &s->rollback, NULL);
    return rc == SQLITE_OK ? HC_OK : hc_store_db_fail(s->db, rc, "opening for changes", err);
}

hc_status hc_store_begin(struct hc_store *s, struct hc_err *err)
{
    if (!s->is_writer) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the dossier %s was opened for reading only; open it for writing to "
                          "change it",
                          s->folder);
    }
    // Immediate: a write that cannot have the database fails here and not half-way.
    return hc_store_db_exec(s->db, "BEGIN IMMEDIATE", "starting a change", err);
}

hc_status hc_store_finish(struct hc_store *s, hc_status st, struct hc_err *err)
{
    if (st == HC_OK) {
        st = hc_store_db_exec(s->db, "COMMIT", "saving a change", err);
    }
    // Some failures roll back by themselves, so ask first.
    if (st != HC_OK && !sqlite3_get_autocommit(s->db)) {
        sqlite3_step(s->rollback);
        sqlite3_reset(s->rollback);
    }
    return st;
}

hc_status hc_store_log_add(struct hc_store *s, const char *detail, struct hc_err *err,
                           const char *fmt, ...)
{
    char at[21], what[1024];
    struct hc_query q;
    va_list ap;
    va_start(ap, fmt);
    vsnprintf(what, sizeof what, fmt, ap);
    va_end(ap);
    hc_clock_now_iso(at);
    hc_query_init(&q, s->db,
                  "INSERT INTO log (at, author, program, what, detail) VALUES (?, ?, ?, ?, ?)");
    hc_query_text(&q, at);
    hc_query_text(&q, s->author);
    hc_query_text(&q, HC_VERSION);
    hc_query_text(&q, what);
    hc_query_text(&q, detail);
    hc_query_row(&q);
    return hc_query_end(&q, "writing the log", err);
}

void *hc_store_append(void **items, size_t *n, size_t size)
{
    // Doubles at 1, 2, 4, 8 ...: the room is implied by the count.
    if ((*n & (*n - 1)) == 0) {
        void *p = hc_mem_grow(*items, (*n ? *n * 2 : 1) * size);
        if (!p) {
            return NULL;
        }
        *items = p;
    }
    return memset((char *)*items + (*n)++ * size, 0, size);
}
