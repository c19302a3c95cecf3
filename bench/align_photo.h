// Photographs from a folder, drawn twice through known maps, with changes of tone that stand in for
// techniques.
#ifndef HC_BENCH_ALIGN_PHOTO_H
#define HC_BENCH_ALIGN_PHOTO_H

#include "align_run.h"

// Every JPEG or PNG of 2 Mpx or more in the folder, by name; adds rows from *n on. `sets`, `tones`:
// comma-separated names or NULL for all. 0, or 1 after an error (told on stderr).
int bench_photos(struct bench_row *rows, int room, int *n, const char *folder,
                 const struct bench_how *how, const char *sets, const char *tones);

#endif
