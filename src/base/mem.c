#include "base/mem.h"

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#define HC_MEM_ALIGN 64

// Counters are process-wide by nature; they carry no result. The size of each block lives in the
// 64 bytes before it.
static atomic_size_t live_bytes, cap_bytes;
static atomic_long fail_countdown = -1;

static bool is_refused(size_t bytes)
{
    size_t cap = atomic_load(&cap_bytes);
    long left = atomic_load(&fail_countdown);
    if (left >= 0) {
        atomic_store(&fail_countdown, left - 1);
        if (left == 0) {
            return true;
        }
    }
    return cap != 0 && atomic_load(&live_bytes) + bytes > cap;
}

void *hc_mem_alloc(size_t bytes)
{
    void *raw = NULL;
    if (bytes == 0 || bytes > SIZE_MAX / 2 || is_refused(bytes)) {
        return NULL;
    }
    if (posix_memalign(&raw, HC_MEM_ALIGN, bytes + HC_MEM_ALIGN) != 0) {
        return NULL;
    }
    memcpy(raw, &bytes, sizeof bytes);
    atomic_fetch_add(&live_bytes, bytes);
    return (char *)raw + HC_MEM_ALIGN;
}

static size_t block_bytes(const void *p)
{
    size_t bytes;
    memcpy(&bytes, (const char *)p - HC_MEM_ALIGN, sizeof bytes);
    return bytes;
}

void *hc_mem_array(size_t n, size_t size)
{
    void *p;
    if (size != 0 && n > SIZE_MAX / 2 / size) {
        return NULL;
    }
    p = hc_mem_alloc(n * size);
    if (p) {
        memset(p, 0, n * size);
    }
    return p;
}

void *hc_mem_grow(void *p, size_t bytes)
{
    void *q = hc_mem_alloc(bytes);
    if (p && q) {
        size_t old = block_bytes(p);
        memcpy(q, p, old < bytes ? old : bytes);
        hc_mem_free(p);
    }
    return q;
}

char *hc_mem_strndup(const char *s, size_t n)
{
    char *p = s ? hc_mem_alloc(n + 1) : NULL;
    if (p) {
        memcpy(p, s, n);
        p[n] = 0;
    }
    return p;
}

char *hc_mem_strdup(const char *s)
{
    return s ? hc_mem_strndup(s, strlen(s)) : NULL;
}

void hc_mem_free(void *p)
{
    if (p) {
        atomic_fetch_sub(&live_bytes, block_bytes(p));
        free((char *)p - HC_MEM_ALIGN);
    }
}

size_t hc_mem_live(void)
{
    return atomic_load(&live_bytes);
}

void hc_mem_set_cap(size_t total_bytes)
{
    atomic_store(&cap_bytes, total_bytes);
}

void hc_mem_fail_at(long n)
{
    atomic_store(&fail_countdown, n);
}
