// Texts after CGATS.17 (ISO 28178): keywords, a DATA_FORMAT section naming the columns, and a DATA
// section. Words are separated by white space, strings stand in double quotes, '#' begins a
// comment.
#include <stdio.h>
#include <string.h>

#include "calibrate/calibrate_priv.h"

struct scan {
    const char *at, *end;
    int line;
};

static bool is_space(char c)
{
    return c == ' ' || c == '\t' || c == '\r' || c == '\n' || c == '\f' || c == '\v';
}

// The next word, without its quotes; false at the end. `is_quoted` tells strings from keywords.
static bool next_word(struct hc_word *out, bool *is_quoted, struct scan *s)
{
    while (s->at < s->end && (is_space(*s->at) || *s->at == '#')) {
        if (*s->at == '#') {
            while (s->at < s->end && *s->at != '\n' && *s->at != '\r') {
                s->at++;
            }
            continue;
        }
        // a lone CR ends a line too; CR LF counts once, at the LF
        s->line += *s->at == '\n' || (*s->at == '\r' && (s->at + 1 == s->end || s->at[1] != '\n'));
        s->at++;
    }
    if (s->at == s->end) {
        return false;
    }
    *is_quoted = *s->at == '"';
    *out = (struct hc_word){s->at + (*is_quoted ? 1 : 0), 0, s->line};
    s->at = out->at;
    while (s->at < s->end &&
           (*is_quoted ? *s->at != '"' && *s->at != '\n' && *s->at != '\r' : !is_space(*s->at))) {
        s->at++;
        out->n++;
    }
    if (*is_quoted && s->at < s->end && *s->at == '"') {
        s->at++;
    }
    return true;
}

// Everything from here to the end of the line: the value of a keyword.
static struct hc_word rest_of_line(struct scan *s)
{
    while (s->at < s->end && (*s->at == ' ' || *s->at == '\t' || *s->at == '"')) {
        s->at++;
    }
    struct hc_word w = {s->at, 0, s->line};
    while (s->at < s->end && *s->at != '\n' && *s->at != '\r') {
        s->at++;
    }
    w.n = (size_t)(s->at - w.at);
    while (w.n && (is_space(w.at[w.n - 1]) || w.at[w.n - 1] == '"')) {
        w.n--;
    }
    return w;
}

static hc_status read_format(struct hc_columns *c, struct scan *s, struct hc_err *err)
{
    struct hc_word w;
    bool quoted;
    int line = s->line;
    memset(c, 0, sizeof *c);
    while (next_word(&w, &quoted, s)) {
        if (hc_word_is(w, "END_DATA_FORMAT")) {
            return HC_OK;
        }
        hc_status st = hc_columns_add(c, w, true, err);
        if (st != HC_OK) {
            return st;
        }
    }
    return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                      "line %d: BEGIN_DATA_FORMAT without END_DATA_FORMAT", line);
}

// How many words stand before END_DATA; `s` is a copy.
static hc_status count_words(size_t *out, struct scan s, struct hc_err *err)
{
    struct hc_word w;
    bool quoted;
    int line = s.line;
    *out = 0;
    while (next_word(&w, &quoted, &s)) {
        if (!quoted && hc_word_is(w, "END_DATA")) {
            return HC_OK;
        }
        ++*out;
    }
    return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                      "line %d: BEGIN_DATA without END_DATA; the text is cut off", line);
}

static bool has_colours(const struct hc_columns *c)
{
    for (size_t i = 0; i < c->n; i++) {
        if (c->column[i].kind == HC_COLUMN_BAND ||
            (c->column[i].kind >= HC_COLUMN_LAB && c->column[i].kind < HC_COLUMN_X)) {
            return true;
        }
    }
    return false;
}

struct table { // what the keywords of one table said
    double sets, fields, norm;
};

static hc_status read_data(struct hc_readings *out, struct hc_columns *c, const struct table *t,
                           struct scan *s, struct hc_err *err)
{
    size_t words;
    struct hc_word w;
    bool quoted;
    int line = s->line;
    hc_status st = count_words(&words, *s, err);
    if (st != HC_OK) {
        return st;
    }
    if (c->n == 0) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: BEGIN_DATA before any DATA_FORMAT section", line);
    }
    if (words % c->n) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: %zu values do not fill rows of %zu columns; a value is missing "
                          "or a name with spaces lacks its quotes",
                          line, words, c->n);
    }
    if (t->sets > 0.0 && (size_t)t->sets != words / c->n) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: NUMBER_OF_SETS is %g but there are %zu rows", line, t->sets,
                          words / c->n);
    }
    // files with a wrong number of fields exist; the number of rows is check enough
    if (t->fields > 0.0 && (size_t)t->fields != c->n && t->sets <= 0.0) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: NUMBER_OF_FIELDS is %g but the format names %zu columns", line,
                          t->fields, c->n);
    }
    st = hc_readings_size(out, words / c->n, c->bands, err);
    for (size_t i = 0; st == HC_OK && i < words && next_word(&w, &quoted, s); i++) {
        st = hc_readings_cell(out, c, i / c->n, i % c->n, w, err);
    }
    return st == HC_OK ? hc_readings_finish(out, c, t->norm, err) : st;
}

static void skip_data(struct scan *s)
{
    struct hc_word w;
    bool quoted;
    while (next_word(&w, &quoted, s) && (quoted || !hc_word_is(w, "END_DATA"))) {
    }
}

static void note_keyword(struct hc_readings *out, struct table *t, struct hc_word key,
                         struct hc_word value)
{
    double v;
    if (hc_word_number(&v, value)) {
        if (hc_word_is(key, "NUMBER_OF_SETS")) {
            t->sets = v;
        } else if (hc_word_is(key, "NUMBER_OF_FIELDS")) {
            t->fields = v;
        } else if (hc_word_is(key, "SPECTRAL_NORM")) {
            t->norm = v;
        }
    }
    if (hc_word_is(key, "FILE_DESCRIPTOR") || hc_word_is(key, "DESCRIPTOR") ||
        hc_word_is(key, "INSTRUMENTATION")) {
        size_t n = strlen(out->about);
        if (n + 3 < sizeof out->about) {
            if (n) {
                memcpy(out->about + n, "; ", 3);
                n += 2;
            }
            hc_word_copy(out->about + n, sizeof out->about - n, value);
        }
        // "chart X (D65)": no statement, but reason enough not to take it for D50
        static const char *const other[] = {"D55", "D60", "D65", "D75"};
        for (size_t i = 0; i < sizeof other / sizeof *other && !out->is_white_stated; i++) {
            if (strstr(out->about, other[i])) {
                memcpy(out->illuminant, other[i], 4);
            }
        }
    }
    if (hc_word_is(key, "WEIGHTING_FUNCTION") || hc_word_is(key, "MEASUREMENT_SOURCE") ||
        hc_word_is(key, "ILLUMINANT") || hc_word_is(key, "ILLUMINANT_NAME") ||
        hc_word_is(key, "ILLUMINATION_NAME") || hc_word_is(key, "OBSERVER") ||
        hc_word_is(key, "OBSERVER_ANGLE")) {
        hc_readings_note_white(out, key, value);
    }
}

hc_status hc_readings_read_cgats(struct hc_readings *out, const char *text, size_t n,
                                 struct hc_err *err)
{
    struct scan s = {text, text + n, 1};
    struct hc_columns c = {0};
    struct table t = {0};
    struct hc_word w;
    bool quoted, is_found = false;
    hc_status st = HC_OK;
    *out = (struct hc_readings){.illuminant = "D50", .observer_deg = 2};
    if (n > HC_READINGS_TEXT_MAX) {
        return hc_err_set(err, HC_ELIMIT, HC_CALIBRATE_ROOM, "the text has %zu bytes; at most %zu",
                          n, HC_READINGS_TEXT_MAX);
    }
    while (st == HC_OK && !is_found && next_word(&w, &quoted, &s)) {
        if (quoted) {
            continue;
        }
        if (hc_word_is(w, "BEGIN_DATA_FORMAT")) {
            st = read_format(&c, &s, err);
        } else if (hc_word_is(w, "BEGIN_DATA")) {
            is_found = has_colours(&c) || c.n == 0;
            if (is_found) {
                st = read_data(out, &c, &t, &s, err);
            } else {
                skip_data(&s);
                t = (struct table){0};
            }
        } else {
            note_keyword(out, &t, w, rest_of_line(&s));
        }
    }
    if (st == HC_OK && !is_found) {
        st = hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                        "no table of colours in this text (%d lines): BEGIN_DATA_FORMAT with Lab, "
                        "XYZ or spectral columns and BEGIN_DATA are needed",
                        s.line);
    }
    if (st != HC_OK) {
        hc_readings_release(out);
    }
    return st;
}
