// What the columns of a table of measured colours mean, and how their cells become readings
// (docs/theory/calibrate.md, "Texts").
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "calibrate/calibrate_priv.h"

static char upper(char c)
{
    return (char)(c >= 'a' && c <= 'z' ? c - 32 : c);
}

static bool is_prefix(struct hc_word w, const char *name)
{
    size_t n = strlen(name);
    if (w.n < n) {
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        if (upper(w.at[i]) != upper(name[i])) {
            return false;
        }
    }
    return true;
}

bool hc_word_is(struct hc_word w, const char *name)
{
    return w.n == strlen(name) && is_prefix(w, name);
}

bool hc_word_number(double *out, struct hc_word w)
{
    char text[64], *end;
    bool has_digit = false;
    if (w.n == 0 || w.n >= sizeof text) {
        return false;
    }
    for (size_t i = 0; i < w.n; i++) {
        has_digit |= w.at[i] >= '0' && w.at[i] <= '9';
        if (!memchr("0123456789+-.eE", w.at[i], 15)) { // no hexadecimal, no inf or nan
            return false;
        }
    }
    memcpy(text, w.at, w.n);
    text[w.n] = 0;
    *out = strtod(text, &end);
    return has_digit && *end == 0 && isfinite(*out);
}

void hc_word_copy(char *out, size_t size, struct hc_word w)
{
    size_t n = w.n < size - 1 ? w.n : size - 1;
    while (n && n < w.n && ((unsigned char)w.at[n] & 0xc0) == 0x80) {
        n--;
    }
    for (size_t i = 0; i < n; i++) {
        out[i] = (unsigned char)w.at[i] < 32 || w.at[i] == 127 ? ' ' : w.at[i];
    }
    out[n] = 0;
}

// The word after the first place where `name` and a separator stand in `w`.
static struct hc_word after(struct hc_word w, const char *name)
{
    struct hc_word rest = {w.at, 0, w.line};
    for (size_t i = 0; i < w.n; i++) {
        struct hc_word tail = {w.at + i, w.n - i, w.line};
        if (!is_prefix(tail, name)) {
            continue;
        }
        i += strlen(name);
        // "Illuminant=D50", "ILLUMINANT, D50", "OBSERVER_ANGLE 2", "ILLUMINANT_NAME" ...
        for (const char *const *p = (const char *const[]){"_NAME", "_ANGLE", "ANGLE", NULL}; *p;
             p++) {
            tail = (struct hc_word){w.at + i, w.n - i, w.line};
            if (is_prefix(tail, *p)) {
                i += strlen(*p);
                break;
            }
        }
        while (i < w.n && memchr(" ,=:\t\"", w.at[i], 6)) {
            i++;
        }
        rest.at = w.at + i;
        while (i < w.n && !memchr(" ,=;\t\"", w.at[i], 6)) {
            i++;
            rest.n++;
        }
        break;
    }
    return rest;
}

static void note_observer(struct hc_readings *out, struct hc_word w)
{
    char text[16];
    hc_word_copy(text, sizeof text, w);
    long v = strtol(text, NULL, 10);
    if (v == 2 || v == 1931) {
        out->observer_deg = 2;
    } else if (v == 10 || v == 1964) {
        out->observer_deg = 10;
    }
}

void hc_readings_note_white(struct hc_readings *out, struct hc_word keyword, struct hc_word value)
{
    struct hc_word light = after(value, "ILLUMINANT"), observer = after(value, "OBSERVER");
    if (is_prefix(keyword, "ILLUMINANT") || is_prefix(keyword, "ILLUMINATION_NAME")) {
        light = light.n ? light : value;
    }
    if (is_prefix(keyword, "OBSERVER")) {
        observer = observer.n ? observer : value;
    }
    char name[16];
    size_t known;
    hc_word_copy(name, sizeof name, light);
    if (light.n && (keyword.n || hc_light_find(&known, name))) { // a comment may be mere prose
        hc_word_copy(out->illuminant, sizeof out->illuminant, light);
        out->is_white_stated = true;
    }
    if (observer.n) {
        note_observer(out, observer);
    }
}

// "SPECTRAL_NM_400", "nm400", "400 nm", "R400", "400" ...; 0 when it is no wavelength.
static double wavelength(struct hc_word w, bool is_cgats)
{
    static const char *const lead[] = {"SPECTRAL_NM_", "SPECTRAL_NM", "SPECTRAL_", "SPEC_",
                                       "NM_",          "NM",          "R_",        "R"};
    double nm;
    bool has_lead = false;
    for (size_t i = 0; i < sizeof lead / sizeof *lead && !has_lead; i++) {
        if (is_prefix(w, lead[i])) {
            w.at += strlen(lead[i]);
            w.n -= strlen(lead[i]);
            has_lead = true;
        }
    }
    if (!has_lead && is_cgats) {
        return 0.0;
    }
    if (w.n > 2 && upper(w.at[w.n - 2]) == 'N' && upper(w.at[w.n - 1]) == 'M') {
        w.n -= 2;
        while (w.n && w.at[w.n - 1] == ' ') {
            w.n--;
        }
    }
    return hc_word_number(&nm, w) && nm >= 200.0 && nm <= 2600.0 ? nm : 0.0;
}

static enum hc_column_kind kind_of(struct hc_word w, bool is_cgats)
{
    static const struct {
        const char *name;
        int kind;
        bool is_csv_only;
    } known[] = {
        {"SAMPLE_ID", HC_COLUMN_ID, false},
        {"SAMPLEID", HC_COLUMN_ID, false},
        {"ID", HC_COLUMN_ID, true},
        {"SAMPLE_NAME", HC_COLUMN_NAME, false},
        {"SAMPLE_LOC", HC_COLUMN_NAME, false},
        {"STRING", HC_COLUMN_NAME, false},
        {"NAME", HC_COLUMN_NAME, true},
        {"LAB_L", HC_COLUMN_LAB, false},
        {"LAB_A", HC_COLUMN_LAB + 1, false},
        {"LAB_B", HC_COLUMN_LAB + 2, false},
        {"L", HC_COLUMN_LAB, true},
        {"A", HC_COLUMN_LAB + 1, true},
        {"B", HC_COLUMN_LAB + 2, true},
        {"L*", HC_COLUMN_LAB, true},
        {"A*", HC_COLUMN_LAB + 1, true},
        {"B*", HC_COLUMN_LAB + 2, true},
        {"XYZ_X", HC_COLUMN_XYZ, false},
        {"XYZ_Y", HC_COLUMN_XYZ + 1, false},
        {"XYZ_Z", HC_COLUMN_XYZ + 2, false},
        {"X", HC_COLUMN_X, true},
        {"Y", HC_COLUMN_Y, true},
        {"X_MM", HC_COLUMN_X, true},
        {"Y_MM", HC_COLUMN_Y, true},
        {"X_PX", HC_COLUMN_X, true},
        {"Y_PX", HC_COLUMN_Y, true},
        {"SPECTRAL_NM", HC_COLUMN_PAIR_NM, false},
        {"SPECTRAL_PCT", HC_COLUMN_BAND, false},
        {"SPECTRAL_DEC", HC_COLUMN_BAND, false},
    };
    for (size_t i = 0; i < sizeof known / sizeof *known; i++) {
        if (hc_word_is(w, known[i].name) && !(known[i].is_csv_only && is_cgats)) {
            return (enum hc_column_kind)known[i].kind;
        }
    }
    return HC_COLUMN_SKIP;
}

hc_status hc_columns_add(struct hc_columns *c, struct hc_word name, bool is_cgats,
                         struct hc_err *err)
{
    enum hc_column_kind kind = kind_of(name, is_cgats);
    double nm = kind == HC_COLUMN_SKIP ? wavelength(name, is_cgats) : 0.0;
    if (c->n >= HC_COLUMNS_MAX) {
        return hc_err_set(err, HC_ELIMIT, HC_CALIBRATE_ROOM,
                          "line %d: more than %d columns; keep identifiers, Lab, XYZ and spectra",
                          name.line, HC_COLUMNS_MAX);
    }
    if (!is_cgats && hc_word_is(name, "Z")) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: columns X, Y, Z can be a place or a colour; name tristimulus "
                          "values XYZ_X, XYZ_Y, XYZ_Z",
                          name.line);
    }
    if (nm > 0.0) {
        kind = HC_COLUMN_BAND;
    }
    c->is_percent |= hc_word_is(name, "SPECTRAL_PCT");
    c->is_fraction |= hc_word_is(name, "SPECTRAL_DEC");
    if (kind == HC_COLUMN_BAND) {
        if (nm <= 0.0 && (c->n == 0 || c->column[c->n - 1].kind != HC_COLUMN_PAIR_NM)) {
            return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                              "line %d: a spectral value without SPECTRAL_NM before it", name.line);
        }
        if (++c->bands > HC_READINGS_BANDS_MAX) {
            return hc_err_set(err, HC_ELIMIT, HC_CALIBRATE_ROOM,
                              "line %d: more than %d wavelengths", name.line,
                              HC_READINGS_BANDS_MAX);
        }
    }
    c->column[c->n].kind = kind;
    c->column[c->n++].nm = nm;
    return HC_OK;
}

hc_status hc_readings_size(struct hc_readings *out, size_t n, size_t bands, struct hc_err *err)
{
    if (n == 0 || n > HC_READINGS_MAX) {
        return hc_err_set(err, n ? HC_ELIMIT : HC_EDATA, HC_CALIBRATE_ROOM,
                          "the text holds %zu measured colours; 1 to %d can be read", n,
                          HC_READINGS_MAX);
    }
    out->reading = hc_mem_array(n, sizeof *out->reading);
    out->block = bands ? hc_mem_array(n * bands, sizeof *out->block) : NULL;
    if (!out->reading || (bands && !out->block)) {
        return hc_err_set(err, HC_ENOMEM, HC_CALIBRATE_ROOM, "no memory for %zu measured colours",
                          n);
    }
    out->n = n;
    out->bands = bands;
    for (size_t i = 0; bands && i < n; i++) {
        out->reading[i].r = out->block + i * bands;
    }
    return HC_OK;
}

// How many bands stand before a column.
static size_t band_at(const struct hc_columns *c, size_t column)
{
    size_t band = 0;
    for (size_t i = 0; i < column; i++) {
        band += c->column[i].kind == HC_COLUMN_BAND;
    }
    return band;
}

hc_status hc_readings_cell(struct hc_readings *out, struct hc_columns *c, size_t row, size_t column,
                           struct hc_word cell, struct hc_err *err)
{
    struct hc_reading *r = &out->reading[row];
    enum hc_column_kind kind = c->column[column].kind;
    double v;
    if (kind == HC_COLUMN_SKIP) {
        return HC_OK;
    }
    if (kind == HC_COLUMN_ID || kind == HC_COLUMN_NAME) {
        hc_word_copy(kind == HC_COLUMN_ID ? r->id : r->name,
                     kind == HC_COLUMN_ID ? sizeof r->id : sizeof r->name, cell);
        return HC_OK;
    }
    if (!hc_word_number(&v, cell)) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "line %d: \"%.*s\" in column %zu is not a number (decimal point, no "
                          "thousands separators)",
                          cell.line, (int)(cell.n < 40 ? cell.n : 40), cell.at, column + 1);
    }
    if (kind == HC_COLUMN_BAND) {
        out->block[row * out->bands + band_at(c, column)] = v;
    } else if (kind == HC_COLUMN_PAIR_NM) {
        if (row > 0 && fabs(c->column[column + 1].nm - v) > 1e-6) {
            return hc_err_set(err, HC_EUNSUPPORTED, HC_CALIBRATE_ROOM,
                              "line %d: samples at different wavelengths (%g and %g nm) in one "
                              "table",
                              cell.line, c->column[column + 1].nm, v);
        }
        if (column + 1 < c->n) {
            c->column[column + 1].nm = v;
        }
    } else if (kind < HC_COLUMN_XYZ) {
        r->lab[kind - HC_COLUMN_LAB] = v;
    } else if (kind < HC_COLUMN_X) {
        r->xyz[kind - HC_COLUMN_XYZ] = v;
    } else if (kind == HC_COLUMN_X) {
        r->x = v;
    } else {
        r->y = v;
    }
    return HC_OK;
}

hc_status hc_readings_steps(struct hc_readings *out, const double *nm, size_t n, struct hc_err *err)
{
    double step = n > 1 ? (nm[n - 1] - nm[0]) / (double)(n - 1) : 0.0;
    if (n < 2 || step <= 0.0 || step > 20.0 + 1e-6) {
        return hc_err_set(err, HC_EUNSUPPORTED, HC_CALIBRATE_ROOM,
                          "spectra of %zu bands from %g nm in steps of %g nm; steps above 0 and up "
                          "to 20 nm can be used",
                          n, n ? nm[0] : 0.0, step);
    }
    for (size_t i = 0; i < n; i++) {
        if (fabs(nm[i] - (nm[0] + step * (double)i)) > 0.01) {
            return hc_err_set(err, HC_EUNSUPPORTED, HC_CALIBRATE_ROOM,
                              "the wavelengths must rise in even steps; %g nm stands where %g nm "
                              "was expected",
                              nm[i], nm[0] + step * (double)i);
        }
    }
    out->nm0 = nm[0];
    out->step_nm = step;
    return HC_OK;
}

static hc_status scale_spectra(struct hc_readings *out, const struct hc_columns *c, double norm,
                               struct hc_err *err)
{
    double top = 0.0;
    for (size_t i = 0; i < out->n * out->bands; i++) {
        top = out->block[i] > top ? out->block[i] : top;
    }
    if (norm <= 0.0) {
        norm = c->is_percent ? 100.0 : c->is_fraction ? 1.0 : top > 2.0 ? 100.0 : 1.0;
    }
    out->was_percent = norm > 2.0;
    for (size_t i = 0; i < out->n * out->bands; i++) {
        double v = out->block[i] /= norm;
        if (!(v >= -0.05 && v <= 3.0)) {
            const struct hc_reading *r = &out->reading[i / out->bands];
            return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                              "sample %zu (%s): a reflectance of %g at %g nm; expected 0 to about "
                              "1 (or 0 to 100 per cent in the whole table)",
                              i / out->bands + 1, r->name[0] ? r->name : r->id, v,
                              out->nm0 + out->step_nm * (double)(i % out->bands));
        }
    }
    return HC_OK;
}

static hc_status scale_xyz(struct hc_readings *out, struct hc_err *err)
{
    double top = 0.0;
    for (size_t i = 0; i < out->n; i++) {
        top = fmax(top, out->reading[i].xyz[1]);
    }
    for (size_t i = 0; i < out->n; i++) {
        for (int k = 0; k < 3; k++) {
            double v = out->reading[i].xyz[k] /= top > 2.0 ? 100.0 : 1.0;
            if (!(v >= -0.01 && v <= 3.0)) {
                return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                                  "sample %zu: an XYZ value of %g; expected 0 to 100", i + 1,
                                  100.0 * v);
            }
        }
    }
    return HC_OK;
}

// How many of the three columns are there: 0, 3 or something that cannot be used.
static int columns_of(const struct hc_columns *c, enum hc_column_kind first)
{
    unsigned seen = 0;
    for (size_t i = 0; i < c->n; i++) {
        if (c->column[i].kind >= first && c->column[i].kind < first + 3) {
            seen |= 1U << (c->column[i].kind - first);
        }
    }
    return seen == 7 ? 3 : seen ? 1 : 0;
}

hc_status hc_readings_finish(struct hc_readings *out, const struct hc_columns *c, double norm,
                             struct hc_err *err)
{
    double nm[HC_READINGS_BANDS_MAX];
    size_t n = 0;
    unsigned place = 0;
    hc_status st = HC_OK;
    for (size_t i = 0; i < c->n; i++) {
        place |= c->column[i].kind == HC_COLUMN_X ? 1U : c->column[i].kind == HC_COLUMN_Y ? 2U : 0U;
        if (c->column[i].kind == HC_COLUMN_BAND) {
            nm[n++] = c->column[i].nm;
        }
    }
    out->has_place = place == 3;
    out->has_lab = columns_of(c, HC_COLUMN_LAB) == 3;
    out->has_xyz = columns_of(c, HC_COLUMN_XYZ) == 3;
    if (!out->bands && !out->has_lab && !out->has_xyz) {
        return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                          "the table holds no colours: columns LAB_L LAB_A LAB_B, or XYZ_X XYZ_Y "
                          "XYZ_Z, or one per wavelength are needed");
    }
    for (size_t i = 0; out->has_lab && i < out->n; i++) {
        const double *lab = out->reading[i].lab;
        if (lab[0] < -1.0 || lab[0] > 150.0 || fabs(lab[1]) > 200.0 || fabs(lab[2]) > 200.0) {
            return hc_err_set(err, HC_EDATA, HC_CALIBRATE_ROOM,
                              "sample %zu: Lab %g %g %g is no colour of a surface", i + 1, lab[0],
                              lab[1], lab[2]);
        }
    }
    if (out->bands) {
        st = hc_readings_steps(out, nm, n, err);
        if (st == HC_OK) {
            st = scale_spectra(out, c, norm, err);
        }
    }
    if (st == HC_OK && out->has_xyz) {
        st = scale_xyz(out, err);
    }
    return st;
}

void hc_readings_release(struct hc_readings *r)
{
    hc_mem_free(r->reading);
    hc_mem_free(r->block);
    *r = (struct hc_readings){0};
}
