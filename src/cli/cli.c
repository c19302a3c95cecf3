#include "cli/cli.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/buf.h"
#include "cli/cli_priv.h"

#define MAX_POLYGON_FILE ((size_t)16 << 20)

// ---- progress ----
static void show_progress(void *ctx, double fraction, const char *what)
{
    struct hc_cli_call *c = ctx;
    bool is_new = strncmp(c->doing, what, sizeof c->doing - 1) != 0;
    if (!is_new && fraction - c->shown < 0.01 && fraction >= c->shown) {
        return;
    }
    if (isatty(STDERR_FILENO)) {
        fprintf(stderr, "\r%3.0f %%  %-60.60s", 100 * fraction, what);
        fflush(stderr);
    } else if (is_new) {
        fprintf(stderr, "%3.0f %%  %s\n", 100 * fraction, what);
    }
    snprintf(c->doing, sizeof c->doing, "%s", what);
    c->shown = fraction;
}

void hc_cli_end_progress(const struct hc_cli_call *c)
{
    if (c->doing[0] && isatty(STDERR_FILENO)) {
        fprintf(stderr, "\r%68s\r", "");
    }
}

// ---- helpers ----
hc_status hc_cli_need_words(struct hc_cli_call *c, int least, int most, const char *usage)
{
    if (c->a.n_words < least || c->a.n_words > most) {
        return hc_err_set(
            &c->err, HC_EARG, "cli", "%s; see halfclean help %s",
            c->a.n_words < least ? "something is missing" : "there are too many words", usage);
    }
    return HC_OK;
}

hc_status hc_cli_open_work(struct hc_cli_call *c, bool for_writing)
{
    double threads = 0;
    hc_status st = hc_cli_number(&c->a, OPT_THREADS, 1, 64, 0, &threads, &c->err);
    st = st == HC_OK ? hc_work_open(&c->w, c->a.word[0], for_writing, (int)threads, &c->err) : st;
    if (st == HC_OK && for_writing) {
        hc_work_set_author(c->w, c->a.option[OPT_BY]);
    }
    return st;
}

// Prints a document: JSON as it is, or told as text.
hc_status hc_cli_put(struct hc_cli_call *c, const char *kind, const struct hc_buf *json)
{
    struct hc_buf text = {0};
    hc_status st = HC_OK;
    hc_cli_end_progress(c);
    if (c->a.option[OPT_JSON]) {
        printf("%s\n", hc_buf_text(json));
    } else {
        st = hc_work_tell(kind, hc_buf_text(json), &text, &c->err);
        fputs(hc_buf_text(&text), stdout);
    }
    hc_buf_release(&text);
    if (st == HC_OK && fflush(stdout) != 0) {
        st = hc_err_set(&c->err, HC_EIO, "cli", "could not write the result: %s", strerror(errno));
    }
    return st;
}

hc_status hc_cli_read_text(const char *path, struct hc_buf *b, struct hc_err *err)
{
    char part[65536];
    size_t n;
    bool is_bad;
    FILE *f = fopen(path, "rb");
    if (!f) {
        return hc_err_set(err, errno == ENOENT ? HC_ENOTFOUND : HC_EIO, "cli", "cannot read %s: %s",
                          path, strerror(errno));
    }
    b->max = MAX_POLYGON_FILE;
    while ((n = fread(part, 1, sizeof part, f)) > 0) {
        hc_buf_bytes(b, part, n);
    }
    is_bad = ferror(f) != 0;
    fclose(f);
    if (is_bad) {
        return hc_err_set(err, HC_EIO, "cli", "cannot read %s", path);
    }
    if (b->len != strlen(hc_buf_text(b))) {
        return hc_err_set(err, HC_EDATA, "cli", "%s is not a text file", path);
    }
    return hc_buf_check(b, err);
}

static hc_status need_id(struct hc_cli_call *c, int64_t *id)
{
    double v = 0;
    hc_status st = hc_cli_number(&c->a, OPT_REMOVE, 1, 1e15, 0, &v, &c->err);
    *id = (int64_t)v;
    return st;
}

// ---- commands ----
static hc_status cmd_demo(struct hc_cli_call *c)
{
    struct hc_work_demo req = {.is_small = c->a.option[OPT_SMALL] != NULL,
                               .only_files = c->a.option[OPT_FILES_ONLY] != NULL};
    struct hc_buf json = {0};
    double threads = 0, seed = 1;
    hc_status st = hc_cli_need_words(c, 1, 1, "demo");
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_THREADS, 1, 64, 0, &threads, &c->err) : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_SEED, 0, 1e15, 1, &seed, &c->err) : st;
    req.threads = (int)threads;
    req.seed = (uint64_t)seed;
    st = st == HC_OK ? hc_work_demo(c->a.word[0], &req, &json, c->job, &c->err) : st;
    if (st == HC_OK && !req.only_files) {
        st = hc_cli_put(c, "forecast", &json);
        hc_cli_end_progress(c);
        fprintf(stderr, "\nThe dossier is %s/dossier: halfclean serve %s/dossier\n", c->a.word[0],
                c->a.word[0]);
    }
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_new(struct hc_cli_call *c)
{
    struct hc_work_new req = {c->a.option[OPT_TITLE],
                              c->a.option[OPT_MAKER],
                              c->a.option[OPT_DATE],
                              c->a.option[OPT_SUPPORT],
                              c->a.option[OPT_INVENTORY],
                              c->a.option[OPT_OWNER],
                              0,
                              0};
    struct hc_buf json = {0};
    hc_status st = hc_cli_need_words(c, 1, 1, "new");
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_HEIGHT, 0, 1e9, 0, &req.height_mm, &c->err) : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_WIDTH, 0, 1e9, 0, &req.width_mm, &c->err) : st;
    st = st == HC_OK ? hc_work_new(c->a.word[0], &req, &c->err) : st;
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    st = st == HC_OK ? hc_work_dossier(c->w, &json, &c->err) : st;
    st = st == HC_OK ? hc_cli_put(c, "dossier", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_show(struct hc_cli_call *c)
{
    struct hc_buf json = {0};
    hc_status st = hc_cli_need_words(c, 1, 1, "show");
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    st = st == HC_OK ? hc_work_dossier(c->w, &json, &c->err) : st;
    st = st == HC_OK ? hc_cli_put(c, "dossier", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_add(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    struct hc_work_add req = {.technique = o[OPT_TECHNIQUE],
                              .state = o[OPT_STATE],
                              .label = o[OPT_LABEL],
                              .has_light = o[OPT_AZIMUTH] || o[OPT_ELEVATION]};
    struct hc_buf json = {0};
    hc_status st = hc_cli_need_words(c, 2, HC_CLI_MAX_WORDS, "add");
    if (st == HC_OK && !o[OPT_AZIMUTH] != !o[OPT_ELEVATION]) {
        st = hc_err_set(&c->err, HC_EARG, "cli", "give --azimuth and --elevation together");
    }
    if (st == HC_OK && o[OPT_LABEL] && c->a.n_words > 2) {
        st = hc_err_set(&c->err, HC_EARG, "cli", "--label names one file; add several without it");
    }
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_AZIMUTH, -360, 360, 0, &req.azimuth_deg, &c->err)
                     : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_ELEVATION, 0, 90, 0, &req.elevation_deg, &c->err)
                     : st;
    st = st == HC_OK ? hc_cli_open_work(c, true) : st;
    hc_json_arr(&json);
    for (int i = 1; st == HC_OK && i < c->a.n_words; i++) {
        req.file = c->a.word[i];
        st = hc_work_add(c->w, &req, &json, c->job, &c->err);
        if (st != HC_OK && i > 1) {
            hc_cli_end_progress(c);
            fprintf(stderr, "halfclean: %d of %d files were added before the failure\n", i - 1,
                    c->a.n_words - 1);
        }
    }
    hc_json_end_arr(&json);
    st = st == HC_OK && o[OPT_LIGHTS] ? hc_cli_import_lights(c, o[OPT_LIGHTS], false) : st;
    st = st == HC_OK ? hc_cli_put(c, "views", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_views(struct hc_cli_call *c)
{
    struct hc_buf json = {0};
    hc_status st = hc_cli_need_words(c, 1, 1, "views");
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    st = st == HC_OK ? hc_work_views(c->w, &json, &c->err) : st;
    st = st == HC_OK ? hc_cli_put(c, "views", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status align_by_points(struct hc_cli_call *c)
{
    struct hc_buf file = {0}, json = {0};
    hc_status st = hc_cli_read_text(c->a.option[OPT_POINTS], &file, &c->err);
    if (st == HC_OK) {
        st = hc_work_align_points(c->w, c->a.word[1], hc_buf_text(&file), &json, c->job, &c->err);
        st = st == HC_OK ? hc_cli_put(c, "view", &json)
                         : hc_err_prefix(&c->err, st, "%s: ", c->a.option[OPT_POINTS]);
    }
    hc_buf_release(&file);
    hc_buf_release(&json);
    return st;
}

// Areas to ignore are kept first; the placing that follows passes over them.
static hc_status keep_ignored(struct hc_cli_call *c)
{
    const char *path = c->a.option[OPT_IGNORE];
    struct hc_buf file = {0};
    bool is_none = strcmp(path, "none") == 0;
    hc_status st = is_none ? HC_OK : hc_cli_read_text(path, &file, &c->err);
    if (st == HC_OK) {
        st = hc_work_ignored_set(c->w, c->a.word[1], is_none ? NULL : hc_buf_text(&file), NULL,
                                 &c->err);
        st = st == HC_OK ? st : hc_err_prefix(&c->err, st, "%s: ", path);
    }
    hc_buf_release(&file);
    return st;
}

static hc_status take_back(struct hc_cli_call *c)
{
    struct hc_buf json = {0};
    hc_status st = hc_work_align_remove(c->w, c->a.word[1], &json, c->job, &c->err);
    st = st == HC_OK ? hc_cli_put(c, "view", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_align(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    bool is_by_hand = o[OPT_POINTS] != NULL, is_one = is_by_hand || o[OPT_IGNORE] || o[OPT_CLEAR];
    hc_status st = hc_cli_need_words(c, is_one ? 2 : 1, is_one ? 2 : HC_CLI_MAX_WORDS, "align");
    if (st == HC_OK && o[OPT_CLEAR] && (is_by_hand || o[OPT_IGNORE])) {
        st = hc_err_set(&c->err, HC_EARG, "cli", "--clear goes alone: it takes a placement back");
    }
    st = st == HC_OK ? hc_cli_open_work(c, true) : st;
    if (st == HC_OK && o[OPT_CLEAR]) {
        return take_back(c);
    }
    st = st == HC_OK && o[OPT_IGNORE] ? keep_ignored(c) : st;
    if (st == HC_OK && is_by_hand) {
        return align_by_points(c);
    }
    for (int i = c->a.n_words > 1 ? 1 : 0; st == HC_OK && i < c->a.n_words; i++) {
        struct hc_buf json = {0};
        st = hc_work_align(c->w, i ? c->a.word[i] : NULL, &json, c->job, &c->err);
        st = st == HC_OK ? hc_cli_put(c, "views", &json) : st;
        hc_buf_release(&json);
    }
    return st;
}

static hc_status cmd_mosaic(struct hc_cli_call *c)
{
    struct hc_buf json = {0};
    hc_status st = hc_cli_need_words(c, 3, HC_CLI_MAX_WORDS, "mosaic");
    st = st == HC_OK ? hc_cli_open_work(c, true) : st;
    st = st == HC_OK ? hc_work_mosaic(c->w, c->a.word + 1, (size_t)(c->a.n_words - 1),
                                      c->a.option[OPT_LABEL], &json, c->job, &c->err)
                     : st;
    st = st == HC_OK ? hc_cli_put(c, "view", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_window(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    struct hc_work_window req = {NULL,           o[OPT_BEFORE], o[OPT_TEST],
                                 o[OPT_SURFACE], o[OPT_SYSTEM], o[OPT_LABEL]};
    struct hc_buf file = {0}, json = {0};
    int64_t id = 0;
    hc_status st = hc_cli_need_words(c, 1, 1, "window");
    st = st == HC_OK ? hc_cli_open_work(c, o[OPT_ADD] || o[OPT_REMOVE]) : st;
    if (st == HC_OK && o[OPT_ADD]) {
        st = hc_cli_read_text(o[OPT_ADD], &file, &c->err);
        req.geojson = hc_buf_text(&file);
        st = st == HC_OK ? hc_work_window_add(c->w, &req, &json, &c->err) : st;
        st = st == HC_OK ? hc_cli_put(c, "window", &json)
                         : hc_err_prefix(&c->err, st, "%s: ", o[OPT_ADD]);
    } else if (st == HC_OK && o[OPT_REMOVE]) {
        st = need_id(c, &id);
        st = st == HC_OK ? hc_work_window_remove(c->w, id, &c->err) : st;
    } else if (st == HC_OK) {
        st = hc_work_windows(c->w, &json, &c->err);
        st = st == HC_OK ? hc_cli_put(c, "windows", &json) : st;
    }
    hc_buf_release(&file);
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_zone(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    struct hc_buf file = {0}, json = {0};
    int64_t id = 0;
    hc_status st = hc_cli_need_words(c, 1, 1, "zone");
    st = st == HC_OK ? hc_cli_open_work(c, o[OPT_ADD] || o[OPT_REMOVE]) : st;
    if (st == HC_OK && o[OPT_ADD]) {
        st = hc_cli_read_text(o[OPT_ADD], &file, &c->err);
        st = st == HC_OK ? hc_work_zone_add(c->w, hc_buf_text(&file), o[OPT_KIND], o[OPT_LABEL],
                                            &json, &c->err)
                         : st;
        st = st == HC_OK ? hc_cli_put(c, "zone", &json)
                         : hc_err_prefix(&c->err, st, "%s: ", o[OPT_ADD]);
    } else if (st == HC_OK && o[OPT_REMOVE]) {
        st = need_id(c, &id);
        st = st == HC_OK ? hc_work_zone_remove(c->w, id, &c->err) : st;
    } else if (st == HC_OK) {
        st = hc_work_zones(c->w, &json, &c->err);
        st = st == HC_OK ? hc_cli_put(c, "zones", &json) : st;
    }
    hc_buf_release(&file);
    hc_buf_release(&json);
    return st;
}

// "x,y x,y x,y x,y"
static hc_status parse_corners(struct hc_cli_call *c, struct hc_work_calibrate *req)
{
    const char *p = c->a.option[OPT_CORNERS];
    for (int i = 0; p && i < 4; i++) {
        char *end = NULL;
        req->corner[i].x = strtod(p, &end);
        if (end == p || *end != ',') {
            break;
        }
        p = end + 1;
        req->corner[i].y = strtod(p, &end);
        if (end == p || (i < 3 ? *end != ' ' : *end != 0)) {
            break;
        }
        p = end;
        req->has_corners = i == 3;
    }
    if (c->a.option[OPT_CORNERS] && !req->has_corners) {
        return hc_err_set(
            &c->err, HC_EARG, "cli",
            "give the corners as --corners \"x,y x,y x,y x,y\" in pixels of the view");
    }
    return HC_OK;
}

static hc_status parse_grid(struct hc_cli_call *c, struct hc_work_calibrate *req)
{
    const char *g = c->a.option[OPT_GRID];
    char rest = 0;
    if (g && (sscanf(g, "%dx%d%c", &req->rows, &req->cols, &rest) != 2 || req->rows < 1 ||
              req->cols < 1 || req->rows > 100 || req->cols > 100)) {
        return hc_err_set(&c->err, HC_EARG, "cli", "give the grid as --grid ROWSxCOLS, e.g. 4x6");
    }
    return HC_OK;
}

// Labels separated by commas; `names` holds the text they point into.
static size_t split_labels(const char *text, char *names, size_t room, const char **out,
                           size_t most)
{
    size_t n = 0;
    snprintf(names, room, "%s", text ? text : "");
    for (char *p = names; *p && n < most;) {
        char *comma = strchr(p, ',');
        if (comma) {
            *comma = 0;
        }
        out[n++] = p;
        p = comma ? comma + 1 : p + strlen(p);
    }
    return n;
}

static hc_status cmd_calibrate(struct hc_cli_call *c)
{
    const char *const *o = c->a.option;
    const char *also[64];
    char names[2048];
    struct hc_work_calibrate req = {.flat = o[OPT_FLAT], .also = also};
    struct hc_buf chart = {0}, json = {0};
    hc_status st = hc_cli_need_words(c, 2, 2, "calibrate");
    req.view = c->a.word[1];
    req.n_also = split_labels(o[OPT_ALSO], names, sizeof names, also, 64);
    st = st == HC_OK ? parse_corners(c, &req) : st;
    st = st == HC_OK ? parse_grid(c, &req) : st;
    st = st == HC_OK ? hc_cli_open_work(c, o[OPT_CHART] || o[OPT_CLEAR]) : st;
    if (st == HC_OK && o[OPT_CLEAR]) {
        st = hc_work_calibrate_remove(c->w, req.view, c->job, &c->err);
    } else if (st == HC_OK && o[OPT_CHART]) {
        st = hc_cli_read_text(o[OPT_CHART], &chart, &c->err);
        req.chart = hc_buf_text(&chart);
        st = st == HC_OK ? hc_work_calibrate(c->w, &req, &json, c->job, &c->err) : st;
        st = st == HC_OK ? hc_cli_put(c, "calibration", &json) : st;
    } else if (st == HC_OK) {
        st = hc_work_calibration_get(c->w, req.view, &json, &c->err);
        st = st == HC_OK ? hc_cli_put(c, "calibration", &json) : st;
    }
    hc_buf_release(&chart);
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_import(struct hc_cli_call *c)
{
    struct hc_buf file = {0}, json = {0};
    double mm = 3;
    hc_status st = hc_cli_need_words(c, 2, 2, "import");
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_MM, 0.1, 50, 3, &mm, &c->err) : st;
    st = st == HC_OK ? hc_cli_open_work(c, true) : st;
    st = st == HC_OK ? hc_cli_read_text(c->a.word[1], &file, &c->err) : st;
    if (st == HC_OK && hc_work_is_lights(hc_buf_text(&file))) {
        hc_buf_release(&file);
        return hc_cli_import_lights(c, c->a.word[1], true);
    }
    st = st == HC_OK
             ? hc_work_points_import(c->w, hc_buf_text(&file), c->a.word[1], mm, &json, &c->err)
             : st;
    st = st == HC_OK ? hc_cli_put(c, "points", &json) : st;
    hc_buf_release(&file);
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_points(struct hc_cli_call *c)
{
    const char *light = c->a.option[OPT_LIGHT] ? c->a.option[OPT_LIGHT] : "D50";
    struct hc_buf json = {0};
    double observer = 2;
    hc_status st = hc_cli_need_words(c, 1, 1, "points");
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_OBSERVER, 2, 10, 2, &observer, &c->err) : st;
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    st = st == HC_OK ? hc_work_points(c->w, light, (int)observer, &json, &c->err) : st;
    st = st == HC_OK ? hc_cli_put(c, "points", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_forecast(struct hc_cli_call *c)
{
    struct hc_work_forecast req = {.surface = c->a.option[OPT_SURFACE]};
    bool is_shown = c->a.option[OPT_SHOW] != NULL;
    struct hc_buf json = {0};
    hc_status st = hc_cli_need_words(c, 1, 1, "forecast");
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_RADIUS_LIMIT, 0, 100, 0, &req.radius_limit, &c->err)
                     : st;
    st = st == HC_OK ? hc_cli_open_work(c, !is_shown) : st;
    if (st == HC_OK) {
        st = is_shown ? hc_work_forecast_get(c->w, &json, &c->err)
                      : hc_work_forecast(c->w, &req, &json, c->job, &c->err);
    }
    st = st == HC_OK ? hc_cli_put(c, "forecast", &json) : st;
    hc_buf_release(&json);
    return st;
}

static hc_status cmd_spot(struct hc_cli_call *c)
{
    const char *at = c->a.option[OPT_AT];
    struct hc_buf json = {0};
    double x = 0, y = 0, mm = 20;
    char *end = NULL;
    hc_status st = hc_cli_need_words(c, 1, 1, "spot");
    if (st == HC_OK && at) {
        x = strtod(at, &end);
        y = *end == ',' ? strtod(end + 1, &end) : 0;
    }
    if (st == HC_OK && (!at || end == at || *end || !strchr(at, ','))) {
        st = hc_err_set(&c->err, HC_EARG, "cli", "give the spot as --at X,Y in frame pixels");
    }
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_MM, 0.1, 200, 20, &mm, &c->err) : st;
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    st = st == HC_OK ? hc_work_spot(c->w, x, y, mm, &json, &c->err) : st;
    st = st == HC_OK ? hc_cli_put(c, "spot", &json) : st;
    hc_buf_release(&json);
    return st;
}

hc_status hc_cli_need_out(struct hc_cli_call *c)
{
    return c->a.option[OPT_OUT]
               ? HC_OK
               : hc_err_set(&c->err, HC_EARG, "cli", "say where to write: -o FILE");
}

static hc_status cmd_export(struct hc_cli_call *c)
{
    hc_status st = hc_cli_need_words(c, 2, 2, "export");
    if (st == HC_OK && hc_cli_is_relief_export(c->a.word[1])) {
        return hc_cli_relief_export(c);
    }
    st = st == HC_OK ? hc_cli_need_out(c) : st;
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    return st == HC_OK ? hc_work_export(c->w, c->a.word[1], c->a.option[OPT_VIEW],
                                        c->a.option[OPT_AS], c->a.option[OPT_OUT], c->job, &c->err)
                       : st;
}

static hc_status cmd_report(struct hc_cli_call *c)
{
    hc_status st = hc_cli_need_words(c, 1, 1, "report");
    st = st == HC_OK ? hc_cli_need_out(c) : st;
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    return st == HC_OK ? hc_work_report(c->w, c->a.option[OPT_OUT], c->job, &c->err) : st;
}

static hc_status cmd_verify(struct hc_cli_call *c)
{
    struct hc_buf json = {0};
    struct hc_err found;
    hc_status st = hc_cli_need_words(c, 1, 1, "verify"), shown;
    st = st == HC_OK ? hc_cli_open_work(c, false) : st;
    st = st == HC_OK ? hc_work_verify(c->w, &json, c->job, &c->err) : st;
    found = c->err;
    if (json.len) {
        // The findings are the result even when there are problems; the status says so afterwards.
        shown = hc_cli_put(c, "verify", &json);
        if (shown != HC_OK && st == HC_OK) {
            st = shown;
        } else {
            c->err = found;
        }
    }
    hc_buf_release(&json);
    return st;
}

static void print_link(void *ctx, const char *url)
{
    struct hc_cli_call *c = ctx;
    hc_cli_end_progress(c);
    if (c->a.option[OPT_JSON]) {
        printf("{\"url\":\"%s\"}\n", url);
    } else {
        printf("Open this link in a browser on this machine:\n%s\n", url);
    }
    fflush(stdout);
    fprintf(stderr, "Ctrl-C ends the page.\n");
}

static hc_status cmd_serve(struct hc_cli_call *c)
{
    struct hc_cli_serve how = {.web_dir = c->a.option[OPT_WEB_DIR],
                               .is_read_only = c->a.option[OPT_READ_ONLY] != NULL,
                               .on_ready = print_link,
                               .ctx = c};
    double port = 0, threads = 0;
    hc_status st = hc_cli_need_words(c, 1, 1, "serve");
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_PORT, 0, 65535, 0, &port, &c->err) : st;
    st = st == HC_OK ? hc_cli_number(&c->a, OPT_THREADS, 1, 64, 0, &threads, &c->err) : st;
    how.dossier = c->a.word[0];
    how.port = (int)port;
    how.threads = (int)threads;
    return st == HC_OK ? c->serve(&how, c->job, &c->err) : st;
}

static const struct {
    const char *name;
    hc_status (*run)(struct hc_cli_call *c);
} commands[] = {{"demo", cmd_demo},
                {"new", cmd_new},
                {"show", cmd_show},
                {"add", cmd_add},
                {"calibrate", cmd_calibrate},
                {"import", cmd_import},
                {"points", cmd_points},
                {"views", cmd_views},
                {"align", cmd_align},
                {"mosaic", cmd_mosaic},
                {"window", cmd_window},
                {"zone", cmd_zone},
                {"forecast", cmd_forecast},
                {"spot", cmd_spot},
                {"export", cmd_export},
                {"report", cmd_report},
                {"verify", cmd_verify},
                {"serve", cmd_serve},
                {"relief", hc_cli_relief},
                {"lights", hc_cli_lights},
                {"levelling", hc_cli_levelling}};

static int fail(struct hc_cli_call *c, hc_status st)
{
    hc_cli_end_progress(c);
    fprintf(stderr, "halfclean: %s\n", c->err.what);
    return hc_work_exit_code(st);
}

int hc_cli_run(int argc, char **argv, hc_cli_serve_fn serve, struct hc_job *stop)
{
    struct hc_cli_call c = {.serve = serve, .job = stop};
    const char *name = argc > 1 ? argv[1] : "help";
    hc_status st = HC_EARG;
    if (strcmp(name, "help") == 0 || strcmp(name, "--help") == 0 || strcmp(name, "-h") == 0) {
        fputs(hc_cli_help(argc > 2 ? argv[2] : NULL), stdout);
        return 0;
    }
    if (strcmp(name, "version") == 0 || strcmp(name, "--version") == 0) {
        puts("halfclean " HC_VERSION);
        return 0;
    }
    for (size_t i = 0; i < sizeof commands / sizeof commands[0]; i++) {
        if (strcmp(name, commands[i].name) != 0) {
            continue;
        }
        st = hc_cli_parse(&c.a, argc, argv, 2, &c.err);
        if (st == HC_OK && c.a.option[OPT_HELP]) {
            fputs(hc_cli_help(name), stdout);
            return 0;
        }
        if (!c.a.option[OPT_QUIET]) {
            stop->progress = show_progress;
            stop->ctx = &c;
        }
        st = st == HC_OK ? hc_work_init(argv[0], &c.err) : st;
        st = st == HC_OK ? commands[i].run(&c) : st;
        hc_work_close(c.w);
        hc_work_shutdown();
        hc_cli_end_progress(&c);
        return st == HC_OK ? 0 : fail(&c, st);
    }
    hc_ignore(
        hc_err_set(&c.err, st, "cli", "there is no command \"%s\"; see halfclean help", name));
    return fail(&c, st);
}
