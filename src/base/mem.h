// Memory: the only door to the heap.
//
// All blocks are 64-byte aligned, counted and capped. Functions return NULL when the system or the
// cap refuses; callers turn that into HC_ENOMEM. Thread rule: all functions may be called from any
// thread.
#ifndef HC_BASE_MEM_H
#define HC_BASE_MEM_H

#include <stddef.h>

void *hc_mem_alloc(size_t bytes);          // uninitialised; NULL for 0 bytes
void *hc_mem_array(size_t n, size_t size); // zeroed, overflow-checked; NULL for 0
void *hc_mem_grow(void *p, size_t bytes);  // like realloc; the old block stays on failure
char *hc_mem_strdup(const char *s);        // NULL in, NULL out
char *hc_mem_strndup(const char *s, size_t n);
void hc_mem_free(void *p); // NULL is fine

size_t hc_mem_live(void);                // bytes now allocated
void hc_mem_set_cap(size_t total_bytes); // 0 = no cap (default)
void hc_mem_fail_at(long n);             // tests: the n-th allocation from now fails; <0 off

#endif
