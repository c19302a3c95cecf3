// From outside text to values: JSON bodies and queries, checked field by field.
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "base/mem.h"
#include "server/server_priv.h"

hc_status hc_server_parse_json(json_t **out, const char *text, size_t len, struct hc_err *err)
{
    json_error_t e;
    *out = json_loadb(text, len, JSON_REJECT_DUPLICATES, &e);
    if (!*out) {
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                          "the request is not valid JSON: %s (line %d)", e.text, e.line);
    }
    if (!json_is_object(*out)) {
        json_decref(*out);
        *out = NULL;
        return hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "the request must be a JSON object");
    }
    return HC_OK;
}

static hc_status wrong(const struct hc_server_field *f, const char *should, struct hc_err *err)
{
    return hc_err_set(err, HC_EARG, HC_SERVER_ROOM, "the field \"%s\" must be %s", f->name, should);
}

static hc_status decode_text(json_t *root, const struct hc_server_field *f, json_t *v,
                             struct hc_err *err)
{
    const char **out = f->out;
    bool has_lines = f->kind == HC_FIELD_DOCUMENT;
    size_t max = has_lines ? HC_SERVER_DOCUMENT_MAX : HC_SERVER_TEXT_MAX;
    if (f->kind == HC_FIELD_NAME && json_is_integer(v)) {
        char digits[32];
        snprintf(digits, sizeof digits, "%lld", (long long)json_integer_value(v));
        if (json_object_set_new(root, f->name, json_string(digits)) != 0) {
            return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM,
                              "out of memory while reading a request");
        }
        v = json_object_get(root, f->name);
    }
    if (!json_is_string(v)) {
        return wrong(f, f->kind == HC_FIELD_NAME ? "a name or a number" : "a text", err);
    }
    if (json_string_length(v) > max) {
        return hc_err_set(err, HC_ELIMIT, HC_SERVER_ROOM,
                          "the field \"%s\" has %zu bytes; at most %zu are taken", f->name,
                          json_string_length(v), max);
    }
    for (const char *p = json_string_value(v); *p; p++) {
        if (((unsigned char)*p < 0x20 && !(has_lines && strchr("\t\n\r", *p))) || *p == 0x7f) {
            return wrong(f, "a text without control characters", err);
        }
    }
    *out = json_string_value(v);
    if (f->is_required && !**out) {
        return wrong(f, "given", err);
    }
    return HC_OK;
}

static hc_status decode_number(const struct hc_server_field *f, json_t *v, bool is_query,
                               struct hc_err *err)
{
    double *out = f->out, value = (double)NAN;
    if (json_is_number(v)) {
        value = json_number_value(v);
    } else if (is_query && json_is_string(v)) {
        const char *text = json_string_value(v);
        char *end = NULL;
        if (*text && strspn(text, "0123456789+-.eE") == strlen(text)) {
            value = strtod(text, &end);
        }
        if (!end || *end) {
            value = (double)NAN;
        }
    }
    if (!isfinite(value)) {
        return wrong(f, "a finite number", err);
    }
    *out = value;
    return HC_OK;
}

static hc_status decode_vertex(struct hc_buf *b, json_t *pair, size_t i, struct hc_err *err)
{
    double xy[2];
    for (size_t k = 0; k < 2; k++) {
        json_t *v = json_array_get(pair, k);
        if (json_array_size(pair) != 2 || !json_is_number(v) || fabs(json_number_value(v)) > 1e7) {
            return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                              "corner %zu of the polygon must be [x, y] in frame pixels", i + 1);
        }
        xy[k] = json_number_value(v);
    }
    hc_json_arr(b);
    hc_json_num(b, xy[0]);
    hc_json_num(b, xy[1]);
    hc_json_end_arr(b);
    return HC_OK;
}

// [[x,y],...] to a GeoJSON Polygon (RFC 7946 section 3.1.6: the ring ends where it began).
static hc_status decode_polygon(const struct hc_server_field *f, json_t *v, struct hc_err *err)
{
    struct hc_buf *b = f->out;
    size_t n = json_array_size(v);
    hc_status st = HC_OK;
    if (!json_is_array(v) || n < 3 || n > HC_SERVER_VERTICES_MAX) {
        return wrong(f, "a list of 3 to 10000 corners [[x, y], ...]", err);
    }
    hc_json_obj(b);
    hc_json_kstr(b, "type", "Polygon");
    hc_json_key(b, "coordinates");
    hc_json_arr(b);
    hc_json_arr(b);
    for (size_t i = 0; st == HC_OK && i < n; i++) {
        st = decode_vertex(b, json_array_get(v, i), i, err);
    }
    if (st == HC_OK && !json_equal(json_array_get(v, 0), json_array_get(v, n - 1))) {
        st = decode_vertex(b, json_array_get(v, 0), 0, err);
    }
    hc_json_end_arr(b);
    hc_json_end_arr(b);
    hc_json_end_obj(b);
    return st == HC_OK ? hc_buf_check(b, err) : st;
}

static hc_status refuse_unknown(json_t *root, const struct hc_server_field *f, size_t n,
                                struct hc_err *err)
{
    const char *key;
    json_t *value;
    json_object_foreach(root, key, value)
    {
        size_t i = 0;
        while (i < n && strcmp(f[i].name, key) != 0) {
            i++;
        }
        if (i == n) {
            char known[200] = "";
            for (size_t k = 0; k < n; k++) {
                size_t at = strlen(known);
                snprintf(known + at, sizeof known - at, "%s%s", k ? ", " : "", f[k].name);
            }
            return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                              "the field \"%.60s\" is not known here; known: %s", key,
                              n ? known : "none");
        }
    }
    return HC_OK;
}

hc_status hc_server_decode_object(json_t *root, bool is_query, const struct hc_server_field *f,
                                  size_t n, struct hc_err *err)
{
    hc_status st = refuse_unknown(root, f, n, err);
    for (size_t i = 0; st == HC_OK && i < n; i++) {
        json_t *v = json_object_get(root, f[i].name);
        if (!v || json_is_null(v)) {
            st = f[i].is_required ? wrong(&f[i], "given", err) : HC_OK;
        } else if (f[i].kind == HC_FIELD_NUMBER) {
            st = decode_number(&f[i], v, is_query, err);
        } else if (f[i].kind == HC_FIELD_FLAG) {
            *(bool *)f[i].out = json_is_true(v);
            st = json_is_boolean(v) ? HC_OK : wrong(&f[i], "true or false", err);
        } else if (f[i].kind == HC_FIELD_LIST) {
            *(json_t **)f[i].out = v;
            st = json_is_array(v) ? HC_OK : wrong(&f[i], "a list", err);
        } else if (f[i].kind == HC_FIELD_POLYGON) {
            st = decode_polygon(&f[i], v, err);
        } else {
            st = decode_text(root, &f[i], v, err);
        }
    }
    return st;
}

hc_status hc_server_decode_body(struct hc_req *r, const struct hc_server_field *f, size_t n,
                                struct hc_err *err)
{
    const char *type = MHD_lookup_connection_value(r->connection, MHD_HEADER_KIND, "Content-Type");
    hc_status st;
    if (r->body.len &&
        (!type || strncasecmp(type, "application/json", 16) != 0 || !strchr("; ", type[16]))) {
        return hc_err_set(err, HC_EUNSUPPORTED, HC_SERVER_ROOM,
                          "the request must have Content-Type application/json");
    }
    st = hc_buf_check(&r->body, err);
    if (st != HC_OK) {
        return st;
    }
    json_decref(r->json);
    st = hc_server_parse_json(&r->json, r->body.len ? r->body.data : "{}",
                              r->body.len ? r->body.len : 2, err);
    return st == HC_OK ? hc_server_decode_object(r->json, false, f, n, err) : st;
}

struct query {
    json_t *root;
    struct hc_err *err;
    hc_status st;
};

static enum MHD_Result add_parameter(void *cls, enum MHD_ValueKind kind, const char *key,
                                     const char *value)
{
    struct query *q = cls;
    (void)kind;
    if (json_object_get(q->root, key)) {
        q->st =
            hc_err_set(q->err, HC_EARG, HC_SERVER_ROOM, "the parameter \"%.60s\" comes twice", key);
    } else if (json_object_set_new(q->root, key, json_string(value ? value : "")) != 0) {
        q->st = hc_err_set(q->err, HC_EARG, HC_SERVER_ROOM,
                           "a parameter of the address is not valid UTF-8");
    }
    return q->st == HC_OK ? MHD_YES : MHD_NO;
}

hc_status hc_server_decode_query(struct hc_req *r, const struct hc_server_field *f, size_t n,
                                 struct hc_err *err)
{
    struct query q = {.err = err, .st = HC_OK};
    json_decref(r->json);
    q.root = r->json = json_object();
    if (!q.root) {
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory while reading a request");
    }
    MHD_get_connection_values(r->connection, MHD_GET_ARGUMENT_KIND, add_parameter, &q);
    return q.st == HC_OK ? hc_server_decode_object(q.root, true, f, n, err) : q.st;
}

hc_status hc_server_fill_names(struct hc_server_task *t, json_t *list, const char *field,
                               size_t most, struct hc_err *err)
{
    size_t n = json_array_size(list);
    if (n > most) {
        return hc_err_set(err, HC_ELIMIT, HC_SERVER_ROOM, "%s names %zu views; at most %zu", field,
                          n, most);
    }
    t->names = hc_mem_array(n + 1, sizeof *t->names);
    if (!t->names) {
        return hc_err_set(err, HC_ENOMEM, HC_SERVER_ROOM, "out of memory for %zu names", n);
    }
    for (size_t i = 0; i < n; i++) {
        const json_t *v = json_array_get(list, i);
        if (json_is_integer(v)) {
            char digits[32];
            snprintf(digits, sizeof digits, "%lld", (long long)json_integer_value(v));
            json_array_set_new(list, i, json_string(digits));
        }
        t->names[i] = json_string_value(json_array_get(list, i));
        if (!t->names[i] || !*t->names[i]) {
            return hc_err_set(err, HC_EARG, HC_SERVER_ROOM,
                              "place %zu of %s must be the name or number of a view", i + 1, field);
        }
    }
    t->n_names = n;
    return HC_OK;
}

hc_status hc_server_decode_id(const char *text, int64_t *id, struct hc_err *err)
{
    size_t n = strlen(text);
    if (n == 0 || n > 18 || strspn(text, "0123456789") != n) {
        return hc_err_set(err, HC_ENOTFOUND, HC_SERVER_ROOM,
                          "\"%.40s\" is not the number of anything", text);
    }
    *id = strtoll(text, NULL, 10);
    return HC_OK;
}
