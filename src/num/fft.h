// Two-dimensional complex Fourier transforms in single precision (the port over FFTW; no other file
// includes its header).
//
// A struct hc_fft2 is a plan for one size. Planning takes no measurements, so the same size gives
// the same bits in every run. Thread rule: plans may be made and destroyed in any thread (a lock
// keeps the planner to one at a time); one plan may run in many threads at once, on different data.
#ifndef HC_NUM_FFT_H
#define HC_NUM_FFT_H

#include "base/err.h"

struct hc_fft2;

// w, h: 2..32768. HC_ERANGE, HC_ENOMEM.
hc_status hc_fft2_create(struct hc_fft2 **out, int w, int h, struct hc_err *err) HC_MUST_CHECK;
void hc_fft2_destroy(struct hc_fft2 *fft); // NULL is fine

// In place on w*h complex numbers, row-major, real and imaginary parts interleaved; `z` is a whole
// block from hc_mem_alloc or hc_mem_array (64-byte aligned). Neither direction scales: forward
// (kernel exp(-i 2 pi ...)) followed by inverse multiplies by w*h.
void hc_fft2_forward(const struct hc_fft2 *fft, float *z);
void hc_fft2_inverse(const struct hc_fft2 *fft, float *z);

#endif
