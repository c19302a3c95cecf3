#include "store/store_priv.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"

struct check {
    struct hc_store *s;
    struct hc_verify *out;
    hc_verify_fn each;
    void *ctx;
    struct hc_job *job;
    double lo, hi;   // the part of the job that verify has
    int files, seen; // to hash in all; hashed so far
};

static void say(struct check *c, bool is_problem, const char *fmt, va_list ap)
    __attribute__((format(printf, 3, 0)));

static void say(struct check *c, bool is_problem, const char *fmt, va_list ap)
{
    char sentence[640];
    vsnprintf(sentence, sizeof sentence, fmt, ap);
    if (is_problem) {
        c->out->problems++;
    } else {
        c->out->notes++;
    }
    if (c->each) {
        c->each(c->ctx, is_problem, sentence);
    }
}

static void problem(struct check *c, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

static void problem(struct check *c, const char *fmt, ...)
{
    va_list ap;
    va_start(ap, fmt);
    say(c, true, fmt, ap);
    va_end(ap);
}

static void note(struct check *c, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

static void note(struct check *c, const char *fmt, ...)
{
    va_list ap;
    va_start(ap, fmt);
    say(c, false, fmt, ap);
    va_end(ap);
}

static hc_status list_damage(struct check *c, sqlite3 *db, struct hc_err *err)
{
    char said[320];
    struct hc_query q;
    hc_query_init(&q, db, "PRAGMA integrity_check(20)");
    while (hc_query_row(&q)) {
        hc_query_take_chars(&q, said, sizeof said);
        if (q.rc == SQLITE_OK) {
            q.rc = hc_store_page_failure(said);
        }
        if (q.rc == SQLITE_OK && strcmp(said, "ok") != 0) {
            problem(c,
                    "The database is damaged: %s. Restore " HC_STORE_DB
                    " from a copy of the dossier.",
                    said);
        }
    }
    return hc_query_end(&q, "checking its pages", err);
}

// SQLite 3.40 leaves the CHECK rules out of the integrity check of a read-only connection, so a
// reader has a copy in memory checked: page for page the same.
static hc_status check_pages(struct check *c, struct hc_err *err)
{
    sqlite3 *copy = NULL;
    hc_status st;
    if (sqlite3_db_readonly(c->s->db, "main") != 1) {
        return list_damage(c, c->s->db, err);
    }
    st = hc_store_connect(&copy, ":memory:", SQLITE_OPEN_READWRITE, err);
    if (st == HC_OK) {
        st = hc_store_copy_db(copy, c->s->db, "copying it to be checked", err);
    }
    if (st == HC_OK) {
        st = list_damage(c, copy, err);
    }
    sqlite3_close(copy);
    return st;
}

static hc_status check_references(struct check *c, struct hc_err *err)
{
    char table[64], parent[64];
    struct hc_query q;
    hc_query_init(&q, c->s->db, "PRAGMA foreign_key_check");
    while (hc_query_row(&q)) {
        int64_t row;
        hc_query_take_chars(&q, table, sizeof table);
        row = hc_query_take_int(&q);
        hc_query_take_chars(&q, parent, sizeof parent);
        problem(c, "Row %lld of table %s refers to a row of table %s that is not there.",
                (long long)row, table, parent);
    }
    return hc_query_end(&q, "checking its references", err);
}

// Report how far it is, in files, and stop when asked to.
static hc_status advance(struct check *c, struct hc_err *err)
{
    double step = (c->hi - c->lo) / (c->files + 1);
    hc_job_phase(c->job, c->lo + step * c->seen, c->lo + step * (c->seen + 1));
    return hc_job_step(c->job, 0, "verifying the dossier", err);
}

// Hash one file inside the dossier. HC_ENOTFOUND and HC_EDATA (not a plain file), which the caller
// puts in words; other failures to read it are reported here, and *is_read is false.
static hc_status hash_one(struct check *c, const char *path, const char *name, struct hc_file *file,
                          bool *is_read, struct hc_err *err)
{
    struct hc_err why = {0};
    hc_status st = advance(c, err);
    *is_read = false;
    c->seen++;
    if (st != HC_OK) {
        return st;
    }
    st = hc_store_look(path, file, &why);
    if (st == HC_OK) {
        st = hc_store_hash_inside(path, false, file, c->job, &why);
    }
    *is_read = st == HC_OK;
    if (st == HC_ENOMEM || st == HC_ECANCEL || st == HC_ENOTFOUND) {
        if (err) {
            *err = why;
        }
        return st;
    }
    if (st != HC_OK) {
        problem(c, "%s could not be checked: %s.", name, why.what);
    }
    return HC_OK;
}

static void report_change(struct check *c, const char *name, const struct hc_file *is,
                          const char *want, int64_t want_bytes)
{
    problem(c,
            "%s has changed: its content has the SHA-256 %s in %lld bytes, recorded were %s in "
            "%lld bytes.",
            name, is->sha256, (long long)is->bytes, want, (long long)want_bytes);
}

static hc_status check_original(struct check *c, const char *hex, const char *ext, int64_t bytes,
                                struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX], name[128];
    struct hc_file file;
    bool is_read;
    hc_status st;
    c->out->originals++;
    if (hc_store_original_path(c->s, hex, ext, path, sizeof path, NULL) != HC_OK) {
        problem(c, "The database names an original \"%s.%s\", which cannot be a file name here.",
                hex, ext);
        return HC_OK;
    }
    snprintf(name, sizeof name, HC_STORE_ORIGINALS "/%s.%s", hex, ext);
    st = hash_one(c, path, name, &file, &is_read, err);
    if (st == HC_ENOTFOUND) {
        problem(c, "%s is missing. Copy it back from another copy of the dossier.", name);
        return HC_OK;
    }
    if (is_read && (strcmp(file.sha256, hex) != 0 || file.bytes != bytes)) {
        report_change(c, name, &file, hex, bytes);
    }
    return st;
}

static hc_status check_originals(struct check *c, struct hc_err *err)
{
    struct hc_query q;
    hc_status st = HC_OK, end;
    hc_query_init(&q, c->s->db, "SELECT sha256, ext, bytes FROM original ORDER BY sha256, ext");
    while (st == HC_OK && hc_query_row(&q)) {
        char hex[HC_SHA256_HEX], ext[16];
        hc_query_take_chars(&q, hex, sizeof hex);
        hc_query_take_chars(&q, ext, sizeof ext);
        st = check_original(c, hex, ext, hc_query_take_int(&q), err);
    }
    end = hc_query_end(&q, "reading the originals", st == HC_OK ? err : NULL);
    return st == HC_OK ? end : st;
}

// A file in originals/ that no row knows. One that is named by its own content is what an addition
// that was interrupted leaves (or one whose view was refused afterwards).
static hc_status check_stray(void *ctx, const char *name, struct hc_err *err)
{
    struct check *c = ctx;
    char hex[HC_SHA256_HEX] = "", path[HC_STORE_PATH_MAX];
    const char *dot = strchr(name, '.');
    struct hc_file file;
    bool is_known = false;
    struct hc_query q;
    hc_status st;
    if (hc_store_is_part(name)) {
        note(c,
             HC_STORE_ORIGINALS "/%s is the leftover of an interrupted copy; it goes when the "
                                "dossier is next opened for changes.",
             name);
        return HC_OK;
    }
    if (dot && (size_t)(dot - name) == HC_SHA256_HEX - 1) {
        memcpy(hex, name, HC_SHA256_HEX - 1);
        hex[HC_SHA256_HEX - 1] = 0;
        hc_query_init(&q, c->s->db, "SELECT 1 FROM original WHERE sha256 = ? AND ext = ?");
        hc_query_text(&q, hex);
        hc_query_text(&q, dot + 1);
        is_known = hc_query_row(&q);
        st = hc_query_end(&q, "looking for an original", err);
        if (st != HC_OK || is_known) {
            return st;
        }
    }
    st = hc_store_join(path, c->s->folder, HC_STORE_ORIGINALS, err);
    if (st == HC_OK) {
        size_t n = strlen(path);
        snprintf(path + n, sizeof path - n, "/%s", name);
        if (hc_store_is_hash(hex) && hc_store_is_ext(dot + 1)) {
            st = hc_store_hash_inside(path, false, &file, c->job, NULL);
            if (st == HC_OK && strcmp(file.sha256, hex) == 0) {
                note(c,
                     HC_STORE_ORIGINALS
                     "/%s is intact but belongs to no view (an addition that "
                     "was interrupted or refused); add the photograph again or leave it.",
                     name);
                return HC_OK;
            }
            if (st == HC_ECANCEL || st == HC_ENOMEM) {
                return hc_err_set(err, st, HC_STORE_ROOM,
                                  st == HC_ECANCEL ? "cancelled while checking a file"
                                                   : "out of memory while checking a file");
            }
        }
        problem(c,
                HC_STORE_ORIGINALS
                "/%s does not belong to the dossier: nothing in the record "
                "names it and it is not named by its content. Move it elsewhere.",
                name);
        st = HC_OK;
    }
    return st;
}

// A derived file that is not the one recorded is never used (hc_store_get_derived), so it is only
// worth a note; one that seems to be, and is not, has rotted.
static hc_status check_derived_file(struct check *c, const char *name, const struct hc_file *row,
                                    struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX], shown[288];
    struct hc_file file;
    bool is_read;
    hc_status st;
    if (hc_store_derived_path(c->s, name, path, sizeof path, NULL) != HC_OK) {
        problem(c, "The database names a derived file \"%s\", which cannot be a file name here.",
                name);
        return HC_OK;
    }
    snprintf(shown, sizeof shown, HC_STORE_DERIVED "/%s", name);
    st = hash_one(c, path, shown, &file, &is_read, err);
    if (st == HC_ENOTFOUND) {
        return HC_OK;
    }
    c->out->derived++;
    if (!is_read || strcmp(file.sha256, row->sha256) == 0) {
        return st;
    }
    if (file.bytes == row->bytes && file.mtime_ns == row->mtime_ns && file.inode == row->inode) {
        report_change(c, shown, &file, row->sha256, row->bytes);
    } else {
        note(
            c,
            "%s is not the file that was recorded (an interrupted write, or changed from outside); "
            "it is not used and will be made again.",
            shown);
    }
    return HC_OK;
}

static hc_status check_derived(struct check *c, struct hc_err *err)
{
    struct hc_query q;
    hc_status st = HC_OK, end;
    hc_query_init(&q, c->s->db,
                  "SELECT name, sha256, bytes, mtime_ns, inode FROM derived ORDER BY name");
    while (st == HC_OK && hc_query_row(&q)) {
        char name[256];
        struct hc_file row = {0};
        hc_query_take_chars(&q, name, sizeof name);
        hc_query_take_chars(&q, row.sha256, sizeof row.sha256);
        row.bytes = hc_query_take_int(&q);
        row.mtime_ns = hc_query_take_int(&q);
        row.inode = hc_query_take_int(&q);
        st = check_derived_file(c, name, &row, err);
    }
    end = hc_query_end(&q, "reading the derived files' rows", st == HC_OK ? err : NULL);
    return st == HC_OK ? end : st;
}

// Derived files without a row are no matter: they are being made, or nobody needs them.
static hc_status check_leftover(void *ctx, const char *name, struct hc_err *err)
{
    (void)err;
    if (hc_store_is_part(name)) {
        note(ctx,
             "%s is the leftover of an interrupted write; it goes when the dossier is next "
             "opened for changes.",
             name);
    }
    return HC_OK;
}

static hc_status check_views(struct check *c, struct hc_err *err)
{
    struct hc_view_list l = {0};
    struct hc_painting p = {0};
    bool has_frame = false;
    hc_status st = hc_store_painting(c->s, &p, err);
    if (st == HC_OK) {
        st = hc_store_views(c->s, &l, err);
    }
    for (size_t i = 0; i < l.n; i++) {
        struct hc_view *v = &l.v[i];
        const double *m = v->frame_to_view;
        double det = m[0] * (m[4] * m[8] - m[5] * m[7]) - m[1] * (m[3] * m[8] - m[5] * m[6]) +
                     m[2] * (m[3] * m[7] - m[4] * m[6]);
        struct hc_err why = {0};
        c->out->views++;
        if (hc_store_check_view(v, &why) != HC_OK) {
            problem(c, "View %lld: %s.", (long long)v->id, why.what);
        }
        if (v->is_placed && !(fabs(det) > 0 && isfinite(det))) {
            problem(c,
                    "View %lld \"%s\" is marked as placed, but its placement cannot be inverted.",
                    (long long)v->id, v->label);
        }
        if ((strcmp(v->verdict, "reference") == 0) != (v->id == p.frame_view)) {
            problem(c, "View %lld \"%s\" and the painting do not agree on whether it is the frame.",
                    (long long)v->id, v->label);
        }
        if (v->id == p.frame_view) {
            has_frame = true;
            if (v->w != p.frame_w || v->h != p.frame_h) {
                problem(c,
                        "The frame is recorded as %d x %d px, but its view \"%s\" has %d x %d px.",
                        p.frame_w, p.frame_h, v->label, v->w, v->h);
            }
        }
    }
    if (st == HC_OK && !has_frame && (p.frame_view != 0 || p.frame_w != 0 || p.frame_h != 0)) {
        problem(c, "The painting names view %lld as its frame, which is not there.",
                (long long)p.frame_view);
    }
    hc_view_list_release(&l);
    hc_painting_release(&p);
    return st;
}

// Texts that must be JSON documents or outlines.
static hc_status check_texts(struct check *c, struct hc_err *err)
{
    static const struct {
        const char *sql, *what; // id and text, in the order of ids
        bool (*is_fine)(const char *text);
    } column[] = {
        {"SELECT id, polygon FROM window ORDER BY id", "The outline of window",
         hc_store_is_polygon},
        {"SELECT id, polygon FROM zone ORDER BY id", "The outline of zone", hc_store_is_polygon},
        {"SELECT id, json FROM result ORDER BY id", "Result", hc_store_is_json},
        {"SELECT rowid, inputs FROM derived ORDER BY rowid", "The inputs of derived file",
         hc_store_is_json},
        {"SELECT id, detail FROM log WHERE detail IS NOT NULL ORDER BY id",
         "The detail of log line", hc_store_is_json},
    };
    for (size_t i = 0; i < sizeof column / sizeof column[0]; i++) {
        struct hc_query q;
        hc_status st;
        hc_query_init(&q, c->s->db, column[i].sql);
        while (hc_query_row(&q)) {
            int64_t id = hc_query_take_int(&q);
            char *text = hc_query_take_text(&q);
            if (q.rc == SQLITE_OK && !column[i].is_fine(text)) {
                problem(c, "%s %lld is not what it should be: %.60s", column[i].what, (long long)id,
                        hc_store_or_empty(text));
            }
            hc_mem_free(text);
        }
        st = hc_query_end(&q, "reading the texts", err);
        if (st != HC_OK) {
            return st;
        }
    }
    return HC_OK;
}

// Log lines are numbered without a gap (a rolled-back change gives its number back).
static hc_status check_log(struct check *c, struct hc_err *err)
{
    int64_t missing = 0;
    hc_status st = hc_store_db_get_int(
        c->s->db,
        "SELECT max(coalesce(max(id), 0), coalesce((SELECT seq FROM sqlite_sequence "
        "WHERE name = 'log'), 0)) - count(*) FROM log",
        &missing, "counting the log", err);
    if (st == HC_OK && missing != 0) {
        problem(c, "%lld line%s missing from the log: somebody removed them.", (long long)missing,
                missing == 1 ? " is" : "s are");
    }
    return st;
}

static hc_status check_folder(struct check *c, struct hc_err *err)
{
    static const struct {
        const char *name;
        hc_store_entry_fn fn;
    } sub[] = {{HC_STORE_ORIGINALS, check_stray}, {HC_STORE_DERIVED, check_leftover}};
    char path[HC_STORE_PATH_MAX];
    struct hc_file file;
    hc_status st = hc_store_each_entry(c->s->folder, check_leftover, c, err);
    for (size_t i = 0; st == HC_OK && i < sizeof sub / sizeof sub[0]; i++) {
        st = hc_store_join(path, c->s->folder, sub[i].name, err);
        if (st == HC_OK) {
            struct hc_err why = {0};
            st = hc_store_each_entry(path, sub[i].fn, c, &why);
            if (st == HC_EIO) {
                // A whole missing folder of originals shows above as missing files.
                note(c, "The folder %s could not be listed: %s.", sub[i].name, why.what);
                st = HC_OK;
            } else if (st != HC_OK && err) {
                *err = why;
            }
        }
    }
    if (st == HC_OK) {
        st = hc_store_join(path, c->s->folder, HC_STORE_README, err);
    }
    if (st == HC_OK && hc_store_look(path, &file, NULL) == HC_ENOTFOUND) {
        note(c, HC_STORE_README " is missing; it is written again when the dossier is next opened "
                                "for changes.");
    }
    return st;
}

hc_status hc_store_verify(struct hc_store *s, struct hc_verify *out, hc_verify_fn each, void *ctx,
                          struct hc_job *job, struct hc_err *err)
{
    static hc_status (*const part[])(struct check *, struct hc_err *) = {
        check_pages, check_references, check_views,   check_texts,
        check_log,   check_originals,  check_derived, check_folder};
    struct check c = {.s = s, .out = out, .each = each, .ctx = ctx, .job = job, .hi = 1};
    int64_t files = 0;
    hc_status st;
    *out = (struct hc_verify){0};
    if (job && !(job->lo == 0 && job->hi == 0)) {
        c.lo = job->lo;
        c.hi = job->hi;
    }
    st = hc_store_db_get_int(
        s->db, "SELECT (SELECT count(*) FROM original) + (SELECT count(*) FROM derived)", &files,
        "counting the files", err);
    c.files = (int)files;
    for (size_t i = 0; st == HC_OK && i < sizeof part / sizeof part[0]; i++) {
        st = advance(&c, err);
        if (st == HC_OK) {
            st = part[i](&c, err);
        }
    }
    hc_job_phase(job, c.lo, c.hi);
    return st;
}
