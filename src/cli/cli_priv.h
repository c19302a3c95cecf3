#ifndef HC_CLI_CLI_PRIV_H
#define HC_CLI_CLI_PRIV_H

#include <stdint.h>

#include "cli/cli.h"
#include "work/work.h"

#define HC_CLI_MAX_WORDS 256

enum hc_cli_option {
    OPT_TITLE,
    OPT_HEIGHT,
    OPT_WIDTH,
    OPT_MAKER,
    OPT_DATE,
    OPT_SUPPORT,
    OPT_INVENTORY,
    OPT_OWNER,
    OPT_TECHNIQUE,
    OPT_STATE,
    OPT_LABEL,
    OPT_AZIMUTH,
    OPT_ELEVATION,
    OPT_ADD,
    OPT_REMOVE,
    OPT_BEFORE,
    OPT_TEST,
    OPT_SURFACE,
    OPT_SYSTEM,
    OPT_KIND,
    OPT_RADIUS_LIMIT,
    OPT_AT,
    OPT_MM,
    OPT_AS,
    OPT_VIEW,
    OPT_OUT,
    OPT_PORT,
    OPT_WEB_DIR,
    OPT_THREADS,
    OPT_SEED,
    OPT_BY,
    OPT_JSON,
    OPT_QUIET,
    OPT_SMALL,
    OPT_FILES_ONLY,
    OPT_READ_ONLY,
    OPT_POINTS,
    OPT_IGNORE,
    OPT_CLEAR,
    OPT_SHOW,
    OPT_CHART,
    OPT_CORNERS,
    OPT_GRID,
    OPT_FLAT,
    OPT_ALSO,
    OPT_LIGHT,
    OPT_OBSERVER,
    OPT_THICKNESS,
    OPT_VISCOSITY,
    OPT_TENSION,
    OPT_OPEN,
    OPT_SOLIDS,
    OPT_COATS,
    OPT_LIGHTS,
    OPT_SPHERE,
    OPT_MATTE,
    OPT_METHOD,
    OPT_IS_FLAT,
    OPT_EVEN_EXPOSURE,
    OPT_BAND,
    OPT_AREA,
    OPT_WITH,
    OPT_FILM,
    OPT_EXAGGERATION,
    OPT_HELP,
    OPT_COUNT
};

// What was typed: words in order, options by name. An option not given is NULL / 0 / false.
struct hc_cli_args {
    const char *word[HC_CLI_MAX_WORDS];
    int n_words;
    const char *option[OPT_COUNT]; // by enum hc_cli_option; a flag is "" when given
};

// Splits argv[first..] into words and options; --name VALUE or --name=VALUE. HC_EARG names the
// fault.
hc_status hc_cli_parse(struct hc_cli_args *a, int argc, char **argv, int first,
                       struct hc_err *err) HC_MUST_CHECK;
// A number in lo..hi; `fallback` when the option was not given.
hc_status hc_cli_number(const struct hc_cli_args *a, enum hc_cli_option o, double lo, double hi,
                        double fallback, double *out, struct hc_err *err) HC_MUST_CHECK;

// One running command.
struct hc_cli_call {
    struct hc_cli_args a;
    struct hc_job *job;
    struct hc_work *w;
    hc_cli_serve_fn serve;
    double shown; // last progress printed
    char doing[120];
    struct hc_err err;
};
hc_status hc_cli_need_words(struct hc_cli_call *c, int least, int most, const char *usage);
hc_status hc_cli_open_work(struct hc_cli_call *c, bool for_writing);
hc_status hc_cli_need_out(struct hc_cli_call *c);
// Prints a document: JSON as it is, or told as text.
hc_status hc_cli_put(struct hc_cli_call *c, const char *kind, const struct hc_buf *json);
hc_status hc_cli_read_text(const char *path, struct hc_buf *b, struct hc_err *err) HC_MUST_CHECK;
void hc_cli_end_progress(const struct hc_cli_call *c);

// ---- relief (cli_relief.c) ----
hc_status hc_cli_relief(struct hc_cli_call *c);
hc_status hc_cli_lights(struct hc_cli_call *c);
hc_status hc_cli_levelling(struct hc_cli_call *c);
bool hc_cli_is_relief_export(const char *kind);
hc_status hc_cli_relief_export(struct hc_cli_call *c);
// A file of lights; the dossier is open for writing.
hc_status hc_cli_import_lights(struct hc_cli_call *c, const char *path, bool is_told);

const char *hc_cli_help(const char *command); // NULL or unknown: the overview

#endif
