// Tables of measured colours as comma-, semicolon- or tab-separated text, with a header row.
#include <string.h>

#include "calibrate/calibrate_priv.h"

static void skip_line(struct hc_csv *s)
{
    while (s->at < s->end && *s->at != '\n' && *s->at != '\r') {
        s->at++;
    }
}

static void skip_break(struct hc_csv *s)
{
    s->at += s->end - s->at >= 2 && s->at[0] == '\r' && s->at[1] == '\n' ? 2 : s->at < s->end;
    s->line++;
}

bool hc_csv_row(struct hc_csv *s, struct hc_readings *notes)
{
    while (s->at < s->end) {
        const char *from = s->at;
        while (s->at < s->end && (*s->at == ' ' || *s->at == '\t')) {
            s->at++;
        }
        if (s->at < s->end && *s->at != '#' && *s->at != '\n' && *s->at != '\r') {
            s->at = from;
            return true;
        }
        const char *note = s->at;
        skip_line(s);
        if (notes) {
            struct hc_word none = {note, 0, s->line}, all = {note, (size_t)(s->at - note), s->line};
            hc_readings_note_white(notes, none, all);
        }
        skip_break(s);
    }
    return false;
}

bool hc_csv_field(struct hc_word *out, bool *is_last, struct hc_csv *s)
{
    if (*is_last) {
        return false;
    }
    while (s->at < s->end && *s->at == ' ') {
        s->at++;
    }
    bool quoted = s->at < s->end && *s->at == '"';
    s->at += quoted;
    *out = (struct hc_word){s->at, 0, s->line};
    while (s->at < s->end && *s->at != '\n' && *s->at != '\r' &&
           (quoted ? *s->at != '"' : *s->at != s->separator)) {
        s->at++;
    }
    out->n = (size_t)(s->at - out->at);
    while (out->n && out->at[out->n - 1] == ' ') {
        out->n--;
    }
    while (s->at < s->end && *s->at != '\n' && *s->at != '\r' && *s->at != s->separator) {
        s->at++;
    }
    *is_last = s->at == s->end || *s->at != s->separator;
    if (*is_last) {
        skip_break(s);
    } else {
        s->at++;
    }
    return true;
}

static size_t count_rows(struct hc_csv s)
{
    size_t n = 0;
    while (hc_csv_row(&s, NULL)) {
        n++;
        skip_line(&s);
        skip_break(&s);
    }
    return n;
}

static hc_status wrong_fields(struct hc_err *err, int line, size_t got, size_t want)
{
    return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                      "line %d has %zu fields where the header has %zu", line, got, want);
}

// One row per sample; the scan stands behind the header.
static hc_status read_samples(struct hc_readings *out, struct hc_columns *c, struct hc_csv *s,
                              struct hc_err *err)
{
    struct hc_word w = {0};
    hc_status st = hc_readings_size(out, count_rows(*s), c->bands, err);
    for (size_t row = 0; st == HC_OK && hc_csv_row(s, out); row++) {
        bool is_last = false;
        size_t column = 0;
        int line = s->line;
        while (st == HC_OK && hc_csv_field(&w, &is_last, s)) {
            if (column < c->n) {
                st = hc_readings_cell(out, c, row, column, w, err);
            }
            column++;
        }
        if (st == HC_OK && column != c->n) {
            st = wrong_fields(err, line, column, c->n);
        }
    }
    return st == HC_OK ? hc_readings_finish(out, c, 0.0, err) : st;
}

// One row per wavelength; the header names the samples.
static hc_status read_bands(struct hc_readings *out, struct hc_csv header, struct hc_csv *s,
                            struct hc_err *err)
{
    struct hc_word w = {0};
    struct hc_columns c = {0};
    bool is_last = false;
    size_t n = 0, bands = count_rows(*s);
    struct hc_csv h = header;
    while (hc_csv_field(&w, &is_last, &h)) {
        n++;
    }
    if (bands > HC_READINGS_BANDS_MAX) {
        return hc_err_set(err, HC_ELIMIT, HC_CALIBRATE_ROOM, "%zu wavelengths; at most %d", bands,
                          HC_READINGS_BANDS_MAX);
    }
    hc_status st = hc_readings_size(out, n - 1, bands, err);
    if (st != HC_OK) {
        return st;
    }
    is_last = false;
    hc_ignore(hc_csv_field(&w, &is_last, &header) ? HC_OK : HC_EDATA);
    for (size_t i = 0; i + 1 < n && hc_csv_field(&w, &is_last, &header); i++) {
        hc_word_copy(out->reading[i].name, sizeof out->reading[i].name, w);
    }
    for (size_t band = 0; st == HC_OK && hc_csv_row(s, out); band++) {
        size_t column = 0;
        int line = s->line;
        for (is_last = false; st == HC_OK && hc_csv_field(&w, &is_last, s); column++) {
            double v;
            if (column >= n) {
                continue;
            }
            if (!hc_word_number(&v, w)) {
                st = hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                                "line %d: \"%.*s\" is not a number", line,
                                (int)(w.n < 40 ? w.n : 40), w.at);
            } else if (column == 0) {
                c.column[band].kind = HC_COLUMN_BAND;
                c.column[band].nm = v;
                c.n = c.bands = band + 1;
            } else {
                out->block[(column - 1) * bands + band] = v;
            }
        }
        if (st == HC_OK && column != n) {
            st = wrong_fields(err, line, column, n);
        }
    }
    return st == HC_OK ? hc_readings_finish(out, &c, 0.0, err) : st;
}

static char separator_of(const struct hc_csv *s)
{
    const char *p = s->at;
    char best = ',';
    for (; p < s->end && *p != '\n' && *p != '\r'; p++) {
        if (*p == '\t') {
            return '\t';
        }
        best = *p == ';' ? ';' : best;
    }
    return best;
}

hc_status hc_readings_read_csv(struct hc_readings *out, const char *text, size_t n,
                               struct hc_err *err)
{
    struct hc_csv s = {text, text + n, 1, ','}, header;
    struct hc_columns c = {0};
    struct hc_word w = {0};
    bool is_last = false;
    hc_status st = HC_OK;
    *out = (struct hc_readings){.illuminant = "D50", .observer_deg = 2};
    if (n > HC_READINGS_TEXT_MAX) {
        return hc_err_set(err, HC_ELIMIT, HC_CALIBRATE_ROOM, "the text has %zu bytes; at most %zu",
                          n, HC_READINGS_TEXT_MAX);
    }
    if (n >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0) { // byte order mark of spreadsheets
        s.at += 3;
    }
    if (!hc_csv_row(&s, out)) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM, "the text holds no header row");
    }
    s.separator = separator_of(&s);
    header = s;
    if (hc_csv_field(&w, &is_last, &s) &&
        (hc_word_is(w, "nm") || hc_word_is(w, "wavelength") || hc_word_is(w, "wavelength_nm"))) {
        while (hc_csv_field(&w, &is_last, &s)) {
        }
        st = read_bands(out, header, &s, err);
    } else {
        s = header;
        is_last = false;
        while (st == HC_OK && hc_csv_field(&w, &is_last, &s)) {
            st = hc_columns_add(&c, w, false, err);
        }
        if (st == HC_OK) {
            st = read_samples(out, &c, &s, err);
        }
    }
    if (st != HC_OK) {
        hc_readings_release(out);
    }
    return st;
}

hc_status hc_readings_read(struct hc_readings *out, const char *text, size_t n, struct hc_err *err)
{
    static const char mark[] = "BEGIN_DATA";
    for (size_t i = 0; i + sizeof mark - 1 <= n && i < HC_READINGS_TEXT_MAX; i++) {
        if (text[i] == 'B' && memcmp(text + i, mark, sizeof mark - 1) == 0) {
            return hc_readings_read_cgats(out, text, n, err);
        }
    }
    return hc_readings_read_csv(out, text, n, err);
}
