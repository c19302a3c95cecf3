#include "store/store_priv.h"

#include <string.h>

#include "base/clock.h"
#include "base/mem.h"

void hc_derived_release(struct hc_derived *d)
{
    hc_mem_free(d->name);
    hc_mem_free(d->kind);
    hc_mem_free(d->inputs);
    *d = (struct hc_derived){0};
}

void hc_log_release(struct hc_log *l)
{
    for (size_t i = 0; i < l->n; i++) {
        hc_mem_free(l->line[i].at);
        hc_mem_free(l->line[i].author);
        hc_mem_free(l->line[i].program);
        hc_mem_free(l->line[i].what);
        hc_mem_free(l->line[i].detail);
    }
    hc_mem_free(l->line);
    *l = (struct hc_log){0};
}

static hc_status put_derived_row(struct hc_store *s, const char *name, const char *kind,
                                 const char *inputs, const struct hc_file *file, struct hc_err *err)
{
    char at[21];
    struct hc_query q;
    hc_status st = hc_store_check_json(inputs, "the list of inputs of a derived file", err);
    if (st != HC_OK) {
        return st;
    }
    hc_clock_now_iso(at);
    hc_query_init(&q, s->db,
                  "INSERT OR REPLACE INTO derived (name, kind, inputs, sha256, bytes, mtime_ns, "
                  "inode, made_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?)");
    hc_query_text(&q, name);
    hc_query_text(&q, kind);
    hc_query_text(&q, inputs);
    hc_query_text(&q, file->sha256);
    hc_query_int(&q, file->bytes);
    hc_query_int(&q, file->mtime_ns);
    hc_query_int(&q, file->inode);
    hc_query_text(&q, at);
    hc_query_row(&q);
    return hc_query_end(&q, "writing a derived file's row", err);
}

// The row of a file that is on the disk. Derived files can be made again at any time, so they are
// no part of the record and get no log line.
static hc_status commit_derived(struct hc_store *s, const char *name, const char *kind,
                                const char *inputs, const struct hc_file *file, struct hc_err *err)
{
    char folder[HC_STORE_PATH_MAX];
    hc_status st = hc_store_join(folder, s->folder, HC_STORE_DERIVED, err);
    st = st == HC_OK ? hc_store_sync_folder(folder, err) : st;
    st = st == HC_OK ? hc_store_begin(s, err) : st;
    if (st != HC_OK) {
        return st;
    }
    st = put_derived_row(s, name, kind, inputs ? inputs : "{}", file, err);
    return hc_store_finish(s, st, err);
}

hc_status hc_store_forget_derived(struct hc_store *s, const char *name, struct hc_err *err)
{
    struct hc_query q;
    hc_status st = hc_store_begin(s, err);
    if (st != HC_OK) {
        return st;
    }
    hc_query_init(&q, s->db, "DELETE FROM derived WHERE name = ?");
    hc_query_text(&q, name);
    hc_query_row(&q);
    st = hc_query_end(&q, "forgetting a derived file", err);
    return hc_store_finish(s, st, err);
}

static hc_status check_kind(const char *name, const char *kind, struct hc_err *err)
{
    return kind && *kind
               ? HC_OK
               : hc_err_set(err, HC_EARG, HC_STORE_ROOM, "the derived file %s has no kind", name);
}

hc_status hc_store_put_derived(struct hc_store *s, const char *name, const char *kind,
                               const char *inputs_json, struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX];
    struct hc_file file;
    hc_status st = hc_store_derived_path(s, name, path, sizeof path, err);
    st = st == HC_OK ? check_kind(name, kind, err) : st;
    // Saved before its row is, or a power cut could leave a row that does not fit its file.
    st = st == HC_OK ? hc_store_hash_inside(path, true, &file, NULL, err) : st;
    return st == HC_OK ? commit_derived(s, name, kind, inputs_json, &file, err) : st;
}

hc_status hc_store_put_derived_hashed(struct hc_store *s, const char *name, const char *kind,
                                      const char *inputs_json, const char sha256[HC_SHA256_HEX],
                                      int64_t bytes, struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX];
    struct hc_file file;
    hc_status st = hc_store_derived_path(s, name, path, sizeof path, err);
    st = st == HC_OK ? check_kind(name, kind, err) : st;
    st = st == HC_OK && !hc_store_is_hash(sha256)
             ? hc_err_set(err, HC_EARG, HC_STORE_ROOM, "the hash of %s is not one", name)
             : st;
    st = st == HC_OK ? hc_store_look(path, &file, err) : st;
    if (st == HC_OK && file.bytes != bytes) {
        st = hc_err_set(err, HC_EDATA, HC_STORE_ROOM,
                        "%s has %lld bytes, %lld were written; something else changed it", name,
                        (long long)file.bytes, (long long)bytes);
    }
    if (st != HC_OK) {
        return st;
    }
    memcpy(file.sha256, sha256, HC_SHA256_HEX);
    return commit_derived(s, name, kind, inputs_json, &file, err);
}

// Is the file at `path` the one the row was made for? A file that was replaced without its row (the
// program died between the two) must never pass for what the row says it is.
static hc_status check_same_file(const char *path, const struct hc_derived *d,
                                 const struct hc_file *row, bool *out, struct hc_err *err)
{
    struct hc_file file;
    hc_status st = hc_store_look(path, &file, err);
    *out = false;
    if (st == HC_ENOTFOUND || st == HC_EDATA) {
        return HC_OK; // derived/ may be deleted by anybody
    }
    if (st != HC_OK || file.bytes != row->bytes) {
        return st;
    }
    *out = file.mtime_ns == row->mtime_ns && file.inode == row->inode;
    if (!*out) { // perhaps the dossier was copied: then only the content can tell
        st = hc_store_hash_inside(path, false, &file, NULL, err);
        *out = st == HC_OK && strcmp(file.sha256, d->sha256) == 0;
    }
    return st;
}

hc_status hc_store_get_derived(struct hc_store *s, const char *name, struct hc_derived *out,
                               struct hc_err *err)
{
    char path[HC_STORE_PATH_MAX];
    struct hc_file row = {0};
    struct hc_query q;
    bool is_there;
    hc_status st = hc_store_derived_path(s, name, path, sizeof path, err);
    *out = (struct hc_derived){0};
    if (st != HC_OK) {
        return st;
    }
    hc_query_init(&q, s->db,
                  "SELECT name, kind, inputs, sha256, bytes, mtime_ns, inode FROM derived "
                  "WHERE name = ?");
    hc_query_text(&q, name);
    is_there = hc_query_row(&q);
    if (is_there) {
        out->name = hc_query_take_text(&q);
        out->kind = hc_query_take_text(&q);
        out->inputs = hc_query_take_text(&q);
        hc_query_take_chars(&q, out->sha256, sizeof out->sha256);
        out->bytes = row.bytes = hc_query_take_int(&q);
        row.mtime_ns = hc_query_take_int(&q);
        row.inode = hc_query_take_int(&q);
    }
    st = hc_query_end(&q, "reading a derived file's row", err);
    if (st == HC_OK && is_there) {
        st = check_same_file(path, out, &row, &is_there, err);
    }
    if (st == HC_OK && !is_there) {
        st = hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM,
                        "there is no finished derived file %s; it has to be made", name);
    }
    if (st != HC_OK) {
        hc_derived_release(out);
    }
    return st;
}

static hc_status put_result_rows(struct hc_store *s, const char *kind, const char *json,
                                 int64_t *id, struct hc_err *err)
{
    char at[21];
    struct hc_query q;
    hc_status st = hc_store_check_json(json, "the result", err);
    if (st != HC_OK) {
        return st;
    }
    hc_clock_now_iso(at);
    hc_query_init(&q, s->db,
                  "INSERT INTO result (kind, json, program, added_at) VALUES (?, ?, ?, ?)");
    hc_query_text(&q, kind);
    hc_query_text(&q, json);
    hc_query_text(&q, HC_VERSION);
    hc_query_text(&q, at);
    hc_query_row(&q);
    st = hc_query_end(&q, "writing the result", err);
    if (st != HC_OK) {
        return st;
    }
    *id = sqlite3_last_insert_rowid(s->db);
    return hc_store_log_add(s, NULL, err, "result %lld computed: %s", (long long)*id, kind);
}

hc_status hc_store_put_result(struct hc_store *s, const char *kind, const char *json, int64_t *id,
                              struct hc_err *err)
{
    int64_t made = 0;
    hc_status st;
    if (!kind || !*kind || strlen(kind) > 100) {
        return hc_err_set(err, HC_EARG, HC_STORE_ROOM,
                          "the kind of a result must have 1 to 100 bytes");
    }
    st = hc_store_begin(s, err);
    if (st != HC_OK) {
        return st;
    }
    st = hc_store_finish(s, put_result_rows(s, kind, json, &made, err), err);
    if (st == HC_OK) {
        *id = made;
    }
    return st;
}

hc_status hc_store_get_result(struct hc_store *s, const char *kind, int64_t *id, char **json,
                              struct hc_err *err)
{
    struct hc_query q;
    hc_status st;
    *json = NULL;
    *id = 0;
    hc_query_init(&q, s->db, "SELECT id, json FROM result WHERE kind = ? ORDER BY id DESC LIMIT 1");
    hc_query_text(&q, kind);
    if (hc_query_row(&q)) {
        *id = hc_query_take_int(&q);
        *json = hc_query_take_text(&q);
    }
    st = hc_query_end(&q, "reading a result", err);
    if (st == HC_OK && !*json) {
        st =
            hc_err_set(err, HC_ENOTFOUND, HC_STORE_ROOM,
                       "the dossier has no result of the kind \"%s\" yet", hc_store_or_empty(kind));
    }
    return st;
}

hc_status hc_store_log(struct hc_store *s, struct hc_log *out, struct hc_err *err)
{
    struct hc_query q;
    hc_status st;
    *out = (struct hc_log){0};
    hc_query_init(&q, s->db, "SELECT id, at, author, program, what, detail FROM log ORDER BY id");
    while (hc_query_row(&q)) {
        void *items = out->line;
        struct hc_log_line *l = hc_store_append(&items, &out->n, sizeof *l);
        out->line = items;
        if (!l) {
            hc_query_no_memory(&q);
            break;
        }
        l->id = hc_query_take_int(&q);
        l->at = hc_query_take_text(&q);
        l->author = hc_query_take_text(&q);
        l->program = hc_query_take_text(&q);
        l->what = hc_query_take_text(&q);
        l->detail = hc_query_take_text(&q);
    }
    st = hc_query_end(&q, "reading the log", err);
    if (st != HC_OK) {
        hc_log_release(out);
    }
    return st;
}
