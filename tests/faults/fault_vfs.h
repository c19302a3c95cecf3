// SQLite's door to the file system, with faults: it can refuse the n-th write, and it can keep a
// film of everything that was written and synced, from which the disk after a power cut is made.
//
// fault_vfs_install makes it the default for the whole process. Paths are told apart by their last
// part. The index of the write-ahead log (-shm) goes past the film: a power cut takes it anyway.
#ifndef HC_TESTS_FAULTS_FAULT_VFS_H
#define HC_TESTS_FAULTS_FAULT_VFS_H

#include <stdbool.h>
#include <stddef.h>

#include "base/rng.h"

void fault_vfs_install(void);

// The n-th call (from 0) of write, sync, truncate, delete, open-to-create or shm-map fails with
// this SQLite code; with `is_lasting` all later ones too. n < 0: no faults.
void fault_vfs_fail_at(long n, int code, bool is_lasting);
bool fault_vfs_has_failed(void);

void fault_vfs_film_start(void);
void fault_vfs_film_stop(void); // keeps the film
void fault_vfs_film_clear(void);
size_t fault_vfs_film_length(void); // steps so far

// What the disk holds when the power goes after `steps` steps of the film, on top of what `folder`
// holds already (a copy of the state at the start): what was synced is there; of what was not, each
// 512-byte sector is there or not, as `r` throws; a file that was never synced may be missing.
void fault_vfs_film_play(const char *folder, size_t steps, struct hc_rng *r);

#endif
