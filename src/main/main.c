// Starts the program: joins the command line and the server, and turns signals into a cancel.
#include <signal.h>

#include "cli/cli.h"
#include "server/server.h"
#include "work/work.h"

static struct hc_job stop; // set by the signal handler: the one global there must be

static void on_signal(int sig)
{
    (void)sig;
    atomic_store(&stop.cancel, true);
}

static hc_status serve(const struct hc_cli_serve *how, struct hc_job *job, struct hc_err *err)
{
    const struct hc_server_options options = {.dossier = how->dossier,
                                              .web_dir = how->web_dir,
                                              .port = how->port,
                                              .threads = how->threads,
                                              .read_only = how->is_read_only,
                                              .on_ready = how->on_ready,
                                              .ctx = how->ctx};
    return hc_server_run(&options, job, err);
}

int main(int argc, char **argv)
{
    struct sigaction act = {.sa_handler = on_signal, .sa_flags = (int)SA_RESETHAND};
    int child = hc_work_child_main(argc, argv);
    if (child >= 0) {
        return child;
    }
    // A second signal ends the program at once (SA_RESETHAND).
    sigaction(SIGINT, &act, NULL);
    sigaction(SIGTERM, &act, NULL);
    signal(SIGPIPE, SIG_IGN);
    signal(SIGXFSZ, SIG_IGN);
    return hc_cli_run(argc, argv, serve, &stop);
}
