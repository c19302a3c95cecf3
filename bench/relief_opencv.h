// Slopes and height by OpenCV, measured beside ours. For the bench alone.
#ifndef HC_BENCH_RELIEF_OPENCV_H
#define HC_BENCH_RELIEF_OPENCV_H

#ifdef __cplusplus
extern "C" {
#endif

// Plain least squares of n views (n rows of px floats) against n light vectors (n x 3): the
// pseudo-inverse by cv::invert (SVD), g by cv::gemm, then slopes. Returns 1, or 0 on a failure.
int relief_opencv_squares(float *p, float *q, const float *views, const float *lights, int n,
                          int px);
// Poisson's equation by cv::dct (even sides) on the same right-hand side as ours: slopes on pixel
// centres averaged to the half grid; q up, rows down; heights in px.
int relief_opencv_height(float *z, const float *p, const float *q, int w, int h);

#ifdef __cplusplus
}
#endif
#endif
