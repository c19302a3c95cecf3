// What two methods of OpenCV make of a pair, measured beside ours. For the bench alone.
#ifndef HC_BENCH_ALIGN_OPENCV_H
#define HC_BENCH_ALIGN_OPENCV_H

#ifdef __cplusplus
extern "C" {
#endif

// Grey pictures, row after row without gaps. Both give h: frame px to view px, pixel centres at
// +0.5, and return 1, or 0 when the method itself knows no answer. What they do, step by step:
// docs/theory/align.md, section 6.

// SIFT features, ratio test, RANSAC homography. *inliers: matches that agree.
int align_opencv_sift(double h[9], int *inliers, const unsigned char *frame, int frame_w,
                      int frame_h, const unsigned char *view, int view_w, int view_h);
// ECC from the identity, coarse to fine. *rho: the correlation reached, at most 1.
int align_opencv_ecc(double h[9], double *rho, const unsigned char *frame, int frame_w, int frame_h,
                     const unsigned char *view, int view_w, int view_h);

#ifdef __cplusplus
}
#endif
#endif
