// Rows of this room in bench/results.csv: what is promised, and what was measured.
#ifndef HC_BENCH_ALIGN_RESULTS_H
#define HC_BENCH_ALIGN_RESULTS_H

#include "align_run.h"

// Writes the rows of room "align" (of photographs: "align photographs") anew and keeps the others.
// Bars: docs/theory/align.md, section 6. 1 when a bar is missed or the file cannot be written.
int bench_results(const char *path, const struct bench_row *rows, int n, bool is_photos);

#endif
