// The command line: argv in, results on stdout, chat and progress on stderr.
#ifndef HC_CLI_CLI_H
#define HC_CLI_CLI_H

#include <stdbool.h>

#include "base/err.h"
#include "base/job.h"

// How `serve` is done; lent by main so that the two edges do not know each other.
struct hc_cli_serve {
    const char *dossier, *web_dir; // web_dir NULL: the page inside the program
    int port, threads;
    bool is_read_only;
    void (*on_ready)(void *ctx, const char *url);
    void *ctx;
};
typedef hc_status (*hc_cli_serve_fn)(const struct hc_cli_serve *how, struct hc_job *stop,
                                     struct hc_err *err);

// Runs one command and returns the process exit code (docs/cli.md). `stop` is cancelled by signals.
int hc_cli_run(int argc, char **argv, hc_cli_serve_fn serve, struct hc_job *stop);

#endif
