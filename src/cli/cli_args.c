#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "cli/cli_priv.h"

static const struct {
    const char *name;
    bool is_flag;
} options[OPT_COUNT] = {
    [OPT_TITLE] = {"title", false},
    [OPT_HEIGHT] = {"height-mm", false},
    [OPT_WIDTH] = {"width-mm", false},
    [OPT_MAKER] = {"maker", false},
    [OPT_DATE] = {"date", false},
    [OPT_SUPPORT] = {"support", false},
    [OPT_INVENTORY] = {"inventory", false},
    [OPT_OWNER] = {"owner", false},
    [OPT_TECHNIQUE] = {"technique", false},
    [OPT_STATE] = {"state", false},
    [OPT_LABEL] = {"label", false},
    [OPT_AZIMUTH] = {"azimuth", false},
    [OPT_ELEVATION] = {"elevation", false},
    [OPT_ADD] = {"add", false},
    [OPT_REMOVE] = {"remove", false},
    [OPT_BEFORE] = {"before", false},
    [OPT_TEST] = {"test", false},
    [OPT_SURFACE] = {"surface", false},
    [OPT_SYSTEM] = {"system", false},
    [OPT_KIND] = {"kind", false},
    [OPT_RADIUS_LIMIT] = {"radius-limit", false},
    [OPT_AT] = {"at", false},
    [OPT_MM] = {"mm", false},
    [OPT_AS] = {"as", false},
    [OPT_VIEW] = {"view", false},
    [OPT_OUT] = {"out", false},
    [OPT_PORT] = {"port", false},
    [OPT_WEB_DIR] = {"web-dir", false},
    [OPT_THREADS] = {"threads", false},
    [OPT_SEED] = {"seed", false},
    [OPT_BY] = {"by", false},
    [OPT_JSON] = {"json", true},
    [OPT_QUIET] = {"quiet", true},
    [OPT_SMALL] = {"small", true},
    [OPT_FILES_ONLY] = {"files-only", true},
    [OPT_READ_ONLY] = {"read-only", true},
    [OPT_POINTS] = {"points", false},
    [OPT_IGNORE] = {"ignore", false},
    [OPT_CLEAR] = {"clear", true},
    [OPT_SHOW] = {"show", true},
    [OPT_CHART] = {"chart", false},
    [OPT_CORNERS] = {"corners", false},
    [OPT_GRID] = {"grid", false},
    [OPT_FLAT] = {"flat", false},
    [OPT_ALSO] = {"also", false},
    [OPT_LIGHT] = {"light", false},
    [OPT_OBSERVER] = {"observer", false},
    [OPT_THICKNESS] = {"thickness-um", false},
    [OPT_VISCOSITY] = {"viscosity", false},
    [OPT_TENSION] = {"tension", false},
    [OPT_OPEN] = {"open-s", false},
    [OPT_SOLIDS] = {"solids", false},
    [OPT_COATS] = {"coats", false},
    [OPT_LIGHTS] = {"lights", false},
    [OPT_SPHERE] = {"sphere", false},
    [OPT_MATTE] = {"matte", true},
    [OPT_METHOD] = {"method", false},
    [OPT_IS_FLAT] = {"is-flat", true},
    [OPT_EVEN_EXPOSURE] = {"even-exposure", true},
    [OPT_BAND] = {"band", false},
    [OPT_AREA] = {"area", false},
    [OPT_WITH] = {"with", false},
    [OPT_FILM] = {"film", true},
    [OPT_EXAGGERATION] = {"exaggeration", false},
    [OPT_HELP] = {"help", true},
};

static hc_status parse_option(struct hc_cli_args *a, char **argv, int argc, int *i,
                              struct hc_err *err)
{
    const char *text = argv[*i];
    const char *name = strcmp(text, "-o") == 0   ? "out"
                       : strcmp(text, "-h") == 0 ? "help"
                                                 : text + 2;
    size_t len = strcspn(name, "=");
    for (int o = 0; o < OPT_COUNT; o++) {
        if (strlen(options[o].name) != len || strncmp(options[o].name, name, len) != 0) {
            continue;
        }
        if (a->option[o]) {
            return hc_err_set(err, HC_EARG, "cli", "option --%s is given twice", options[o].name);
        }
        if (options[o].is_flag) {
            if (name[len] == '=') {
                return hc_err_set(err, HC_EARG, "cli", "option --%s takes no value",
                                  options[o].name);
            }
            a->option[o] = "";
        } else if (name[len] == '=') {
            a->option[o] = name + len + 1;
        } else if (*i + 1 < argc) {
            a->option[o] = argv[++*i];
        } else {
            return hc_err_set(err, HC_EARG, "cli", "option --%s needs a value", options[o].name);
        }
        return HC_OK;
    }
    return hc_err_set(err, HC_EARG, "cli", "there is no option %s; see halfclean help", text);
}

hc_status hc_cli_parse(struct hc_cli_args *a, int argc, char **argv, int first, struct hc_err *err)
{
    bool is_words_only = false;
    for (int i = first; i < argc; i++) {
        const char *t = argv[i];
        bool is_option = !is_words_only &&
                         (strncmp(t, "--", 2) == 0 || strcmp(t, "-o") == 0 || strcmp(t, "-h") == 0);
        if (is_option && t[2] == 0 && t[1] == '-') {
            is_words_only = true;
        } else if (is_option) {
            hc_status st = parse_option(a, argv, argc, &i, err);
            if (st != HC_OK) {
                return st;
            }
        } else if (a->n_words < HC_CLI_MAX_WORDS) {
            a->word[a->n_words++] = t;
        } else {
            return hc_err_set(err, HC_ELIMIT, "cli",
                              "more than %d words; add files in several calls", HC_CLI_MAX_WORDS);
        }
    }
    return HC_OK;
}

hc_status hc_cli_number(const struct hc_cli_args *a, enum hc_cli_option o, double lo, double hi,
                        double fallback, double *out, struct hc_err *err)
{
    char *end = NULL;
    double v;
    if (!a->option[o]) {
        *out = fallback;
        return HC_OK;
    }
    v = strtod(a->option[o], &end);
    if (end == a->option[o] || *end || !isfinite(v) || v < lo || v > hi) {
        return hc_err_set(err, HC_EARG, "cli", "--%s \"%s\": give a number from %g to %g",
                          options[o].name, a->option[o], lo, hi);
    }
    *out = v;
    return HC_OK;
}
