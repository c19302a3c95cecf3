// Rows in parallel, with the same bits for any number of threads.
//
// Work is cut into fixed blocks of HC_BLOCK rows that do not depend on the thread count. A caller
// that needs a sum keeps one partial per block and adds them in block order afterwards.
#ifndef HC_BASE_PAR_H
#define HC_BASE_PAR_H

#include "base/err.h"

#define HC_BLOCK 64

struct hc_par; // a pool of threads; NULL stands for the serial runner

// Called for block b covering rows y0 <= y < y1. Must not call hc_par_rows on the same pool.
typedef void (*hc_par_fn)(void *ctx, int block, int y0, int y1);

// threads >= 1; 1 creates no thread at all. HC_EIO when a thread cannot be started.
hc_status hc_par_create(struct hc_par **out, int threads, struct hc_err *err) HC_MUST_CHECK;
void hc_par_destroy(struct hc_par *par);

int hc_par_blocks(int rows); // how many blocks `rows` make
void hc_par_rows(struct hc_par *par, int rows, hc_par_fn fn, void *ctx);

#endif
