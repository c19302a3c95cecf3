// Two-dimensional cosine transforms in single precision (port over FFTW), for free boundaries.
//
// Rows and then columns are transformed in fixed blocks, so any number of threads gives the same
// bits, and planning takes no measurements, so every run does. Thread rule: as num/fft.h, and one
// plan runs one transform at a time.
#ifndef HC_NUM_DCT_H
#define HC_NUM_DCT_H

#include "base/err.h"
#include "base/par.h"
#include "num/plane.h"

struct hc_dct2;

// w, h: 2..32768. HC_ERANGE, HC_ENOMEM. Holds about 64 columns of scratch per thread block.
hc_status hc_dct2_create(struct hc_dct2 **out, int w, int h, struct hc_err *err) HC_MUST_CHECK;
void hc_dct2_destroy(struct hc_dct2 *dct); // NULL is fine

// In place. Forward: X(i, j) = 4 sum x(m, n) cos(pi i (m + 1/2) / w) cos(pi j (n + 1/2) / h)
// (DCT-II, unscaled); inverse undoes it but for a factor 4 w h. The plane has the plan's size.
void hc_dct2_forward(const struct hc_dct2 *dct, struct hc_plane *z, struct hc_par *par);
void hc_dct2_inverse(const struct hc_dct2 *dct, struct hc_plane *z, struct hc_par *par);

#endif
