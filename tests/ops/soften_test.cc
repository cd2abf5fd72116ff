#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

#include "tests/testing/op_tester.h"
#include "worker/kernels/pixels/gaussian.h"

namespace selvage::worker {
namespace {

TEST(Soften, SigmaZeroIsTheIdentity) { OpTester("soften { sigma { value: 0 } }").CheckIdentity(); }

// Published Gaussian step values (computed with OpenCV and SciPy).
TEST(Soften, UnitStep) {
  Picture in = MakeConstant(MATTE, {-40, 0, 40, 12}, 0);
  in.planes[0].constant.reset();
  for (int y = 0; y < 12; ++y) std::fill_n(&in.planes[0].at(0, y), 40, 1.0f);
  const Picture out = OpTester("soften { sigma { value: 2 } }").Main(in).Render();
  const double known[] = {.03849, .10325, .22423, .40026, .59974, .77577, .89675, .96151};
  for (int y : {0, 6, 11}) {
    for (int x = -4; x < 4; ++x) EXPECT_NEAR(out.planes[0].at(x, y), known[x + 4], 7e-5);
  }
}

TEST(Soften, AgreesWithOpenCvToTheEdges) {
  for (double sigma : {0.7, 2.0, 5.5}) {
    const Picture in = MakePicture(PREMULTIPLIED, {10, -20, 110, 60});
    const Picture out = OpTester("soften { sigma { value: " + std::to_string(sigma) + " } }").Main(in).Render();
    const int size = 2 * GaussianRadius(sigma) + 1;
    for (int c = 0; c < 4; ++c) {
      cv::Mat source(80, 100, CV_32F), blurred;
      for (int y = 0; y < 80; ++y) std::copy_n(in.planes[c].row(y - 20), 100, source.ptr<float>(y));
      cv::GaussianBlur(source, blurred, {size, size}, sigma, sigma, cv::BORDER_REPLICATE);
      for (int y = 0; y < 80; ++y) {
        for (int x = 0; x < 100; ++x) ASSERT_NEAR(out.planes[c].at(x + 10, y - 20), blurred.at<float>(y, x), 2e-6);
      }
    }
  }
}

TEST(Soften, SolidCoreStaysExactlyOne) {
  for (const char* sigma : {"0.4", "3", "17.5"}) {
    Picture in = MakeConstant(MATTE, {0, 0, 50, 20}, 1);
    in.planes[0].constant.reset();
    const Picture out = OpTester(std::string("soften { sigma { value: ") + sigma + " } }").Main(in).Render();
    for (int x = 0; x < 50; ++x) ASSERT_EQ(out.planes[0].at(x, 7), 1.0f);
  }
}

TEST(Soften, OpaqueStaysOpaque) {
  const Picture out = OpTester("soften { sigma { value: 2.5 } }").Main(OPAQUE).Render();
  const Rect& r = out.rect();
  for (int x = r.x0; x < r.x1; ++x) ASSERT_EQ(out.planes[3].at(x, r.y0), 1.0f);
}

TEST(Soften, Laws) {
  OpTester("soften { sigma { value: 0.3 } }").CheckLaws();
  OpTester("soften { sigma { value: 3.3 } }").CheckLaws();
  // Wider than the picture.
  OpTester("soften { sigma { value: 60 } }").Window({0, 0, 30, 20}).CheckLaws();
}

}  // namespace
}  // namespace selvage::worker
