#include "store/store_priv.h"

#include <stdio.h>
#include <string.h>

#include "base/mem.h"

extern const char hc_store_sql_0001[]; // schema/0001.sql, embedded at build time

// A new schema is one more file in schema/ and one more line here. Files that were released are
// never edited: a fresh dossier runs them all, so its tables are word for word those of a migrated
// one.
static const struct hc_migration program_steps[] = {
    {1, hc_store_sql_0001},
};

struct hc_migrations hc_store_migrations(void)
{
    size_t n = sizeof program_steps / sizeof program_steps[0];
    hc_assert(program_steps[n - 1].to == HC_STORE_SCHEMA);
    return (struct hc_migrations){program_steps, n};
}

int hc_store_newest(struct hc_migrations m)
{
    return m.n ? m.step[m.n - 1].to : 0;
}

static hc_status check_references(sqlite3 *db, int to, struct hc_err *err)
{
    struct hc_query q;
    bool is_broken;
    hc_status st;
    hc_query_init(&q, db, "PRAGMA foreign_key_check");
    is_broken = hc_query_row(&q);
    st = hc_query_end(&q, "checking references after a migration", err);
    if (st == HC_OK && is_broken) {
        st = hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                        "bringing the dossier to schema %d would break references between its "
                        "rows, so it was left as it was; run verify",
                        to);
    }
    return st;
}

static hc_status run_step(sqlite3 *db, const struct hc_migration *step, struct hc_err *err)
{
    char sql[256];
    hc_status st = hc_store_db_exec(db, "BEGIN IMMEDIATE", "starting a migration", err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_store_db_exec(db, step->sql, "changing the schema", err);
    if (st == HC_OK) {
        snprintf(sql, sizeof sql,
                 "PRAGMA user_version = %d; PRAGMA application_id = %d;"
                 "INSERT OR REPLACE INTO about (key, value) VALUES ('program', '%s')",
                 step->to, HC_STORE_APPLICATION_ID, HC_VERSION);
        st = hc_store_db_exec(db, sql, "recording the schema version", err);
    }
    if (st == HC_OK) {
        st = check_references(db, step->to, err);
    }
    if (st == HC_OK) {
        st = hc_store_db_exec(db, "COMMIT", "saving a migration", err);
    }
    if (st != HC_OK && !sqlite3_get_autocommit(db)) {
        hc_ignore(hc_store_db_exec(db, "ROLLBACK", "undoing a migration", NULL));
    }
    return st;
}

hc_status hc_store_migrate(sqlite3 *db, struct hc_migrations m, struct hc_err *err)
{
    int64_t version;
    hc_status st =
        hc_store_db_get_int(db, "PRAGMA user_version", &version, "reading the schema version", err);
    // Rebuilding a table would trip over references to it; they are checked at the end of each step
    // instead (the procedure SQLite's ALTER TABLE page recommends).
    if (st == HC_OK) {
        st = hc_store_db_exec(db, "PRAGMA foreign_keys = OFF", "starting a migration", err);
    }
    for (size_t i = 0; st == HC_OK && i < m.n; i++) {
        if (m.step[i].to > version) {
            st = run_step(db, &m.step[i], err);
        }
    }
    if (st == HC_OK) {
        st = hc_store_db_exec(db, "PRAGMA foreign_keys = ON", "ending a migration", err);
    }
    return st;
}

// Everything the schema is made of, as one text.
static hc_status schema_text(sqlite3 *db, struct hc_buf *out, struct hc_err *err)
{
    struct hc_query q;
    hc_status st;
    hc_query_init(&q, db,
                  "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite_%' "
                  "ORDER BY type, name");
    while (hc_query_row(&q)) {
        for (int i = 0; i < 3; i++) {
            const char *text = (const char *)sqlite3_column_text(q.st, i);
            hc_buf_str(out, text ? text : "");
            hc_buf_str(out, "\n");
        }
    }
    st = hc_query_end(&q, "reading the schema", err);
    return st == HC_OK ? hc_buf_check(out, err) : st;
}

hc_status hc_store_check_schema(sqlite3 *db, struct hc_migrations m, struct hc_err *err)
{
    struct hc_buf want = {0}, got = {0};
    sqlite3 *fresh = NULL;
    int rc = sqlite3_open(":memory:", &fresh);
    hc_status st =
        rc == SQLITE_OK ? HC_OK : hc_store_db_fail(fresh, rc, "checking the schema", err);
    if (st == HC_OK) {
        st = hc_store_migrate(fresh, m, err);
    }
    if (st == HC_OK) {
        st = schema_text(fresh, &want, err);
    }
    if (st == HC_OK) {
        st = schema_text(db, &got, err);
    }
    if (st == HC_OK && strcmp(hc_buf_text(&want), hc_buf_text(&got)) != 0) {
        st = hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                        "the tables of the dossier's database are not those of schema %d: it was "
                        "damaged or changed by another program; restore " HC_STORE_DB
                        " from a copy of the dossier",
                        hc_store_newest(m));
    }
    sqlite3_close(fresh);
    hc_buf_release(&want);
    hc_buf_release(&got);
    return st;
}

hc_status hc_store_copy_db(sqlite3 *to, sqlite3 *from, const char *doing, struct hc_err *err)
{
    sqlite3_backup *b = sqlite3_backup_init(to, "main", from, "main");
    int rc;
    if (!b) {
        return hc_store_db_fail(to, sqlite3_extended_errcode(to), doing, err);
    }
    rc = sqlite3_backup_step(b, -1);
    if (rc == SQLITE_DONE) {
        rc = SQLITE_OK;
    }
    if (sqlite3_backup_finish(b) != SQLITE_OK && rc == SQLITE_OK) {
        rc = sqlite3_extended_errcode(to);
    }
    return rc == SQLITE_OK ? HC_OK : hc_store_db_fail(to, rc, doing, err);
}
