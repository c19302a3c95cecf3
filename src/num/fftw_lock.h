// FFTW keeps planner state of its own that only one thread may touch. Used by fft.c and dct.c
// alone.
#ifndef HC_NUM_FFTW_LOCK_H
#define HC_NUM_FFTW_LOCK_H

void hc_fftw_lock(void);
void hc_fftw_unlock(void);

#endif
