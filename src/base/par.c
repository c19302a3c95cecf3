#include "base/par.h"

#include <pthread.h>
#include <stdbool.h>

#include "base/mem.h"

struct hc_par {
    pthread_mutex_t lock;
    pthread_cond_t wake, done;
    pthread_t *threads;
    int n_threads; // helpers besides the caller
    hc_par_fn fn;
    void *ctx;
    int rows, next, pending;
    unsigned long round;
    bool quit;
};

int hc_par_blocks(int rows)
{
    return rows <= 0 ? 0 : (rows + HC_BLOCK - 1) / HC_BLOCK;
}

static void run_block(hc_par_fn fn, void *ctx, int b, int rows)
{
    int y1 = (b + 1) * HC_BLOCK;
    fn(ctx, b, b * HC_BLOCK, y1 < rows ? y1 : rows);
}

// Takes blocks until none is left. Called with the lock held; returns with it held.
static void take_blocks(struct hc_par *par)
{
    int n = hc_par_blocks(par->rows);
    while (par->next < n) {
        int b = par->next++;
        pthread_mutex_unlock(&par->lock);
        run_block(par->fn, par->ctx, b, par->rows);
        pthread_mutex_lock(&par->lock);
        if (--par->pending == 0) {
            pthread_cond_broadcast(&par->done);
        }
    }
}

static void *worker(void *arg)
{
    struct hc_par *par = arg;
    unsigned long seen = 0;
    pthread_mutex_lock(&par->lock);
    while (!par->quit) {
        if (par->round == seen) {
            pthread_cond_wait(&par->wake, &par->lock);
            continue;
        }
        seen = par->round;
        take_blocks(par);
    }
    pthread_mutex_unlock(&par->lock);
    return NULL;
}

hc_status hc_par_create(struct hc_par **out, int threads, struct hc_err *err)
{
    struct hc_par *par;
    if (threads < 1 || threads > 256) {
        return hc_err_set(err, HC_ERANGE, "base", "%d threads asked for; give 1 to 256", threads);
    }
    par = hc_mem_array(1, sizeof *par);
    if (par && threads > 1) {
        par->threads = hc_mem_array((size_t)threads - 1, sizeof *par->threads);
    }
    if (!par || (threads > 1 && !par->threads)) {
        hc_mem_free(par);
        return hc_err_set(err, HC_ENOMEM, "base", "out of memory for a pool of %d threads",
                          threads);
    }
    pthread_mutex_init(&par->lock, NULL);
    pthread_cond_init(&par->wake, NULL);
    pthread_cond_init(&par->done, NULL);
    for (int i = 0; i < threads - 1; i++) {
        if (pthread_create(&par->threads[i], NULL, worker, par) != 0) {
            hc_par_destroy(par);
            return hc_err_set(err, HC_EIO, "base", "could not start thread %d of %d", i + 2,
                              threads);
        }
        par->n_threads++;
    }
    *out = par;
    return HC_OK;
}

void hc_par_destroy(struct hc_par *par)
{
    if (!par) {
        return;
    }
    pthread_mutex_lock(&par->lock);
    par->quit = true;
    pthread_cond_broadcast(&par->wake);
    pthread_mutex_unlock(&par->lock);
    for (int i = 0; i < par->n_threads; i++) {
        pthread_join(par->threads[i], NULL);
    }
    pthread_cond_destroy(&par->done);
    pthread_cond_destroy(&par->wake);
    pthread_mutex_destroy(&par->lock);
    hc_mem_free(par->threads);
    hc_mem_free(par);
}

void hc_par_rows(struct hc_par *par, int rows, hc_par_fn fn, void *ctx)
{
    int n = hc_par_blocks(rows);
    if (!par || par->n_threads == 0 || n <= 1) {
        for (int b = 0; b < n; b++) {
            run_block(fn, ctx, b, rows);
        }
        return;
    }
    pthread_mutex_lock(&par->lock);
    par->fn = fn;
    par->ctx = ctx;
    par->rows = rows;
    par->next = 0;
    par->pending = n;
    par->round++;
    pthread_cond_broadcast(&par->wake);
    take_blocks(par);
    while (par->pending > 0) {
        pthread_cond_wait(&par->done, &par->lock);
    }
    pthread_mutex_unlock(&par->lock);
}
