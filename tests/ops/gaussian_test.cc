#include "worker/kernels/pixels/gaussian.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <opencv2/imgproc.hpp>
#include <random>

#include "tests/testing/simd_targets.h"

namespace selvage::worker {
namespace {

Plane Noise(const Rect& rect, uint32_t seed) {
  Plane p(rect);
  std::mt19937 random(seed);
  for (int y = rect.y0; y < rect.y1; ++y) {
    for (int x = rect.x0; x < rect.x1; ++x) p.at(x, y) = static_cast<float>(random() >> 8) / (1 << 24);
  }
  return p;
}

// Published Gaussian tables; also computed with OpenCV and SciPy, radius 4 sigma.
TEST(Gaussian, WeightsAreThePublishedOnes) {
  const std::vector<float> one = GaussianWeights(1), two = GaussianWeights(2);
  ASSERT_EQ(one.size(), 5u);
  ASSERT_EQ(two.size(), 9u);
  const double known_one[] = {.398943, .241971, .053991, .004432};
  const double known_two[] = {.199475, .176036, .120987, .064760};
  for (int k = 0; k < 4; ++k) {
    EXPECT_NEAR(one[k], known_one[k], 1.5e-5);
    EXPECT_NEAR(two[k], known_two[k], 1.5e-5);
  }
}

TEST(Gaussian, WeightsSumToOne) {
  for (double sigma : {0.1, 0.5, 1.0, 3.3, 20.0, 250.0}) {
    const std::vector<float> w = GaussianWeights(sigma);
    double sum = w[0];
    for (size_t k = 1; k < w.size(); ++k) sum += 2.0 * w[k];
    EXPECT_NEAR(sum, 1, 2e-6) << sigma;
  }
}

// Unit step, sigma 2, samples -4..3 (OpenCV and SciPy, radius 12: the tail
// beyond our radius 8 is worth 6e-5).
TEST(Gaussian, UnitStep) {
  const Rect out{-4, 0, 4, 1};
  Plane in(out.Grow(8)), result(out);
  for (int y = in.rect().y0; y < in.rect().y1; ++y) {
    for (int x = in.rect().x0; x < in.rect().x1; ++x) in.at(x, y) = x < 0 ? 0.0f : 1.0f;
  }
  GaussianBlur(in, out, 2, &result);
  const double known[] = {.03849, .10325, .22423, .40026, .59974, .77577, .89675, .96151};
  for (int x = -4; x < 4; ++x) EXPECT_NEAR(result.at(x, 0), known[x + 4], 7e-5);
}

TEST(Gaussian, AgreesWithOpenCv) {
  for (double sigma : {0.6, 1.0, 2.7, 6.0}) {
    const int radius = GaussianRadius(sigma);
    const Rect out{3, -5, 90, 60};
    const Plane in = Noise(out.Grow(radius), 7);
    Plane result(out);
    GaussianBlur(in, out, sigma, &result);
    cv::Mat source(in.rect().height(), in.rect().width(), CV_32F), blurred;
    for (int y = 0; y < source.rows; ++y) {
      std::memcpy(source.ptr(y), in.row(y + in.rect().y0), sizeof(float) * source.cols);
    }
    cv::GaussianBlur(source, blurred, {2 * radius + 1, 2 * radius + 1}, sigma, sigma);
    for (int y = out.y0; y < out.y1; ++y) {
      for (int x = out.x0; x < out.x1; ++x) {
        ASSERT_NEAR(result.at(x, y), blurred.at<float>(y - in.rect().y0, x - in.rect().x0), 2e-6);
      }
    }
  }
}

TEST(Gaussian, EveryTargetAndRectangleGivesTheSameBits) {
  const double sigma = 2.3;
  const Rect whole{0, 0, 101, 37};
  const Plane in = Noise(whole.Grow(GaussianRadius(sigma)), 3);
  Plane first(whole);
  GaussianBlur(in, whole, sigma, &first);
  ForEverySimdTarget([&] {
    for (const Rect& part : {whole, Rect{5, 3, 6, 4}, Rect{17, 0, 94, 37}, Rect{90, 30, 101, 37}}) {
      Plane again(part);
      GaussianBlur(in, part, sigma, &again);
      for (int y = part.y0; y < part.y1; ++y) {
        ASSERT_EQ(std::memcmp(again.row(y), first.row(y) + part.x0, sizeof(float) * part.width()), 0);
      }
    }
  });
}

TEST(Gaussian, OnesStayExactlyOnes) {
  for (double sigma : {0.1, 0.3, 0.77, 1.0, 1.3, 2.0, 3.7, 12.0, 33.3, 250.0}) {
    const Rect out{0, 0, 40, 2};
    Plane in = Plane::Filled(out.Grow(GaussianRadius(sigma)), 1), result(out);
    in.constant.reset();
    GaussianBlur(in, out, sigma, &result);
    for (int x = 0; x < 40; ++x) ASSERT_EQ(result.at(x, 0), 1.0f) << sigma;
  }
  // The same sum for many more deviations.
  for (double sigma = 0.05; sigma < 250; sigma *= 1.01) {
    const std::vector<float> w = GaussianWeights(sigma);
    float sum = w[0];
    for (size_t k = 1; k < w.size(); ++k) sum = sum + w[k] * 2.0f;
    ASSERT_EQ(sum, 1.0f) << sigma;
  }
}

TEST(Gaussian, AConstantMadeOnceIsTheConstantMadeEverywhere) {
  for (float value : {0.3f, 0.18f, -7.25f, 1e-5f}) {
    const Rect out{0, 0, 40, 2};
    Plane in = Plane::Filled(out.Grow(GaussianRadius(3.3)), value), slow(out), fast(out);
    GaussianBlur(in, out, 3.3, &fast);
    in.constant.reset();
    GaussianBlur(in, out, 3.3, &slow);
    ASSERT_TRUE(fast.constant);
    for (int x = 0; x < 40; ++x) ASSERT_EQ(slow.at(x, 1), *fast.constant);
    EXPECT_NEAR(*fast.constant, value, 2e-6 * std::abs(value));
  }
}

TEST(Gaussian, VariancesAdd) {
  const Rect out{0, 0, 40, 1};
  const int r3 = GaussianRadius(3), r4 = GaussianRadius(4), r5 = GaussianRadius(5);
  Plane in = Plane::Filled(out.Grow(r3 + r4), 0);
  for (int y = in.rect().y0; y < in.rect().y1; ++y) in.at(20, y) = 1;
  Plane middle(out.Grow(r4)), twice(out), once(out);
  GaussianBlur(in, middle.rect(), 3, &middle);
  GaussianBlur(middle, out, 4, &twice);
  ASSERT_TRUE(in.rect().Contains(out.Grow(r5)));
  GaussianBlur(in, out, 5, &once);
  for (int x = 0; x < 40; ++x) EXPECT_NEAR(twice.at(x, 0), once.at(x, 0), 2e-5);
}

}  // namespace
}  // namespace selvage::worker
