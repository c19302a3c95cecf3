// How a view lies against the frame: sets of maps, drawn from a seed.
#ifndef HC_BENCH_ALIGN_SETS_H
#define HC_BENCH_ALIGN_SETS_H

#include <stdbool.h>
#include <stddef.h>

#include "align/align_scene.h"
#include "base/rng.h"

struct bench_set {
    const char *name;
    // Fills map, lens, bend, size and border of the view; the frame is w x h.
    void (*draw)(struct align_view *v, int w, int h, struct hc_rng *r);
    bool is_flipped;
};
extern const struct bench_set bench_sets[];
extern const size_t bench_sets_n;

// Is `name` one of the comma-separated words? NULL holds every word.
bool bench_is_listed(const char *list, const char *name);

#endif
