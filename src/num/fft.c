#include "num/fft.h"

#include <fftw3.h>
#include <pthread.h>
#include <stdint.h>

#include "base/mem.h"
#include "num/fftw_lock.h"

struct hc_fft2 {
    fftwf_plan forward, inverse;
};

static pthread_mutex_t planner = PTHREAD_MUTEX_INITIALIZER;

void hc_fftw_lock(void)
{
    pthread_mutex_lock(&planner);
}

void hc_fftw_unlock(void)
{
    pthread_mutex_unlock(&planner);
}

hc_status hc_fft2_create(struct hc_fft2 **out, int w, int h, struct hc_err *err)
{
    struct hc_fft2 *fft = NULL;
    fftwf_complex *z = NULL;
    hc_status st = HC_OK;
    *out = NULL;
    if (w < 2 || h < 2 || w > 32768 || h > 32768) {
        return hc_err_set(err, HC_ERANGE, "num",
                          "a Fourier transform of %d x %d; sides go from 2 to 32768", w, h);
    }
    fft = hc_mem_array(1, sizeof *fft);
    z = hc_mem_array((size_t)w * (size_t)h, sizeof *z);
    if (!fft || !z) {
        st = hc_err_set(err, HC_ENOMEM, "num", "out of memory for a Fourier transform of %d x %d",
                        w, h);
        goto done;
    }
    hc_fftw_lock();
    fft->forward = fftwf_plan_dft_2d(h, w, z, z, FFTW_FORWARD, FFTW_ESTIMATE);
    fft->inverse = fftwf_plan_dft_2d(h, w, z, z, FFTW_BACKWARD, FFTW_ESTIMATE);
    hc_fftw_unlock();
    if (!fft->forward || !fft->inverse) {
        st = hc_err_set(err, HC_ENOMEM, "num", "no plan for a Fourier transform of %d x %d", w, h);
        goto done;
    }
    *out = fft;
    fft = NULL;
done:
    hc_mem_free(z);
    hc_fft2_destroy(fft);
    return st;
}

void hc_fft2_destroy(struct hc_fft2 *fft)
{
    if (!fft) {
        return;
    }
    hc_fftw_lock();
    if (fft->forward) {
        fftwf_destroy_plan(fft->forward);
    }
    if (fft->inverse) {
        fftwf_destroy_plan(fft->inverse);
    }
    hc_fftw_unlock();
    hc_mem_free(fft);
}

static void run(fftwf_plan plan, float *z)
{
    fftwf_complex *c = (fftwf_complex *)z;
    hc_assert(((uintptr_t)z & 63) == 0); // the plan was made for aligned data
    fftwf_execute_dft(plan, c, c);
}

void hc_fft2_forward(const struct hc_fft2 *fft, float *z)
{
    run(fft->forward, z);
}

void hc_fft2_inverse(const struct hc_fft2 *fft, float *z)
{
    run(fft->inverse, z);
}
