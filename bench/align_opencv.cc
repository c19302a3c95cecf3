// The only C++ of the project, for the bench alone and never part of the program: OpenCV 4 has no C
// interface for SIFT, findHomography and findTransformECC. Built when OpenCV is there and
// -Dbench_opencv=enabled asks for it.
#include "align_opencv.h"

#include <algorithm>
#include <opencv2/calib3d.hpp>
#include <opencv2/features2d.hpp>
#include <opencv2/imgproc.hpp>
#include <opencv2/video/tracking.hpp>

namespace {

// Rows are copied: some functions of OpenCV write to what they are given.
cv::Mat lend(const unsigned char *px, int w, int h)
{
    cv::Mat m(h, w, CV_8UC1);
    std::copy(px, px + static_cast<size_t>(w) * static_cast<size_t>(h), m.data);
    return m;
}

// OpenCV puts the centre of the first pixel at 0, we at 0.5.
void give(double out[9], const cv::Mat &h)
{
    cv::Matx33d in(1, 0, -.5, 0, 1, -.5, 0, 0, 1), back(1, 0, .5, 0, 1, .5, 0, 0, 1);
    cv::Matx33d m;
    h.convertTo(m, CV_64F);
    m = back * m * in;
    std::copy(m.val, m.val + 9, out);
}

} // namespace

int align_opencv_sift(double h[9], int *inliers, const unsigned char *frame, int frame_w,
                      int frame_h, const unsigned char *view, int view_w, int view_h)
{
    *inliers = 0;
    try {
        cv::setNumThreads(1);
        cv::setRNGSeed(1);
        cv::Ptr<cv::SIFT> sift = cv::SIFT::create(6000);
        std::vector<cv::KeyPoint> ka, kb;
        std::vector<cv::Point2f> pa, pb;
        std::vector<std::vector<cv::DMatch>> near;
        std::vector<unsigned char> agrees;
        cv::Mat da, db, m;
        sift->detectAndCompute(lend(frame, frame_w, frame_h), cv::noArray(), ka, da);
        sift->detectAndCompute(lend(view, view_w, view_h), cv::noArray(), kb, db);
        if (ka.size() < 4 || kb.size() < 4) {
            return 0;
        }
        cv::BFMatcher(cv::NORM_L2).knnMatch(da, db, near, 2);
        for (const std::vector<cv::DMatch> &n : near) {
            if (n.size() == 2 && n[0].distance < .8F * n[1].distance) {
                pa.push_back(ka[static_cast<size_t>(n[0].queryIdx)].pt);
                pb.push_back(kb[static_cast<size_t>(n[0].trainIdx)].pt);
            }
        }
        if (pa.size() < 4) {
            return 0;
        }
        m = cv::findHomography(pa, pb, cv::RANSAC, 3, agrees, 10000, .999);
        if (m.empty()) {
            return 0;
        }
        *inliers = static_cast<int>(std::count(agrees.begin(), agrees.end(), 1));
        give(h, m);
        return 1;
    } catch (const cv::Exception &) {
        return 0;
    }
}

int align_opencv_ecc(double h[9], double *rho, const unsigned char *frame, int frame_w, int frame_h,
                     const unsigned char *view, int view_w, int view_h)
{
    *rho = 0;
    try {
        cv::setNumThreads(1);
        cv::Mat a = lend(frame, frame_w, frame_h), b = lend(view, view_w, view_h);
        // The start lays border on border.
        cv::Matx33d map(static_cast<double>(view_w) / frame_w, 0, 0, 0,
                        static_cast<double>(view_h) / frame_h, 0, 0, 0, 1);
        int levels = 0;
        while (std::max(frame_w, frame_h) >> levels > 160) {
            levels++;
        }
        for (int level = levels; level >= 0; level--) {
            double k = 1.0 / (1 << level);
            cv::Mat ra, rb, m;
            cv::resize(a, ra, cv::Size(), k, k, cv::INTER_AREA);
            cv::resize(b, rb, cv::Size(), k, k, cv::INTER_AREA);
            // Level px with centres at 0 to full px with centres at .5, and back.
            cv::Matx33d up(1 / k, 0, .5 / k, 0, 1 / k, .5 / k, 0, 0, 1), down = up.inv();
            cv::Mat(down * map * up).convertTo(m, CV_32F);
            m /= m.at<float>(2, 2);
            *rho = cv::findTransformECC(
                ra, rb, m, cv::MOTION_HOMOGRAPHY,
                cv::TermCriteria(cv::TermCriteria::COUNT + cv::TermCriteria::EPS,
                                 level == levels ? 200 : 50, 1e-6),
                cv::noArray(), 5);
            m.convertTo(map, CV_64F);
            map = up * map * down;
        }
        std::copy(map.val, map.val + 9, h);
        return 1;
    } catch (const cv::Exception &) { // no convergence: the correlation came to nothing
        return 0;
    }
}
