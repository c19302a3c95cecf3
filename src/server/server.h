// The workbench server: one dossier, one machine, one person. It answers on 127.0.0.1 only and
// speaks the interface of docs/http-api.md.
//
// Trust. The first link holds a random 128-bit token; whoever opens it gets a session cookie
// (HttpOnly, SameSite=Strict), and every other request needs that cookie, our own Host and, when it
// changes something, our own Origin. The link works for as long as the server runs, so that it can
// be opened again in another browser window; it dies with the server. No path from outside reaches
// the file system: the page is served from a table inside the program.
//
// Threads. Four threads answer requests, one computes: long work is a job in a queue of 16, one at
// a time. The server holds the dossier's one writer handle; a small write waits up to two seconds
// for a running job that writes, then is refused with "conflict". When another program holds the
// dossier the server runs read-only and /api/dossier says so.
#ifndef HC_SERVER_SERVER_H
#define HC_SERVER_SERVER_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "base/job.h"

struct hc_server_options {
    const char *dossier;
    const char *web_dir; // development: read the page from this folder; NULL: the embedded page
    int port;            // 0: any free port
    int threads;         // for computing; 0: as many as the machine has
    bool read_only;
    int idle_seconds;                             // a silent connection is closed after this; 0: 30
    uint64_t upload_max;                          // bytes of one uploaded file; 0: 4 GiB
    void (*on_ready)(void *ctx, const char *url); // called once, with the first link
    void *ctx;
};

// Serve until `stop` is cancelled (from any thread or a signal handler), then finish what was begun
// and return HC_OK. A running job is cancelled by the stop. hc_work_init() must have been called.
// HC_EARG: no dossier or a bad option. HC_EIO: the port is taken or the system refuses. Otherwise
// what hc_work_open() reports.
hc_status hc_server_run(const struct hc_server_options *options, struct hc_job *stop,
                        struct hc_err *err) HC_MUST_CHECK;

#endif
