// For the bench alone and never part of the program, as align_opencv.cc.
#include "relief_opencv.h"

#include <cmath>
#include <opencv2/core.hpp>

namespace {

cv::Mat look(const float *px, int rows, int cols)
{
    return cv::Mat(rows, cols, CV_32F, const_cast<float *>(px));
}

} // namespace

int relief_opencv_squares(float *p, float *q, const float *views, const float *lights, int n,
                          int px)
{
    try {
        cv::setNumThreads(1);
        cv::Mat inverse, g;
        cv::invert(look(lights, n, 3), inverse, cv::DECOMP_SVD);
        cv::gemm(inverse, look(views, n, px), 1, cv::noArray(), 0, g);
        cv::Mat to_p = look(p, 1, px), to_q = look(q, 1, px);
        cv::divide(g.row(0), g.row(2), to_p, -1);
        cv::divide(g.row(1), g.row(2), to_q, -1);
        return 1;
    } catch (const cv::Exception &) {
        return 0;
    }
}

int relief_opencv_height(float *z, const float *p, const float *q, int w, int h)
{
    try {
        cv::setNumThreads(1);
        cv::Mat a = look(z, h, w), mp = look(p, h, w), mq = look(q, h, w);
        cv::Mat gx = 0.5f * (mp.colRange(0, w - 1) + mp.colRange(1, w));
        cv::Mat gy = -0.5f * (mq.rowRange(0, h - 1) + mq.rowRange(1, h));
        a.setTo(0);
        a.colRange(0, w - 1) += gx;
        a.colRange(1, w) -= gx;
        a.rowRange(0, h - 1) += gy;
        a.rowRange(1, h) -= gy;
        cv::dct(a, a);
        for (int y = 0; y < h; y++) {
            float *row = a.ptr<float>(y);
            for (int x = 0; x < w; x++) {
                double d = 2 * std::cos(CV_PI * x / w) + 2 * std::cos(CV_PI * y / h) - 4;
                row[x] = x + y > 0 ? static_cast<float>(row[x] / d) : 0.0f;
            }
        }
        cv::idct(a, a);
        return 1;
    } catch (const cv::Exception &) {
        return 0;
    }
}
