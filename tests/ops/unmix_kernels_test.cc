#include <gtest/gtest.h>

#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>

#include "tests/ops/moving_scene.h"
#include "worker/kernels/geometry/bitmap.h"
#include "worker/kernels/geometry/grid.h"
#include "worker/kernels/pixels/pull_push.h"

namespace selvage::worker {
namespace {

Bitmap Blots(int width, int height, uint64_t seed, double share) {
  Bitmap bits(width, height);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      bits.row(y)[x] = testing::ValueNoise(x / 4.0, y / 4.0, seed) + 0.5 > 1 - share;
    }
  }
  return bits;
}
cv::Mat Mat(const Bitmap& bits) {
  cv::Mat mat(bits.height(), bits.width(), CV_8U);
  for (int y = 0; y < bits.height(); ++y) std::copy_n(bits.row(y), bits.width(), mat.ptr(y));
  return mat;
}

TEST(Bitmap, SquaresErodeAndGrowAsInOpenCv) {
  const Bitmap bits = Blots(97, 61, 4, 0.5);
  for (int radius : {1, 2, 5}) {
    const cv::Mat square = cv::Mat::ones(2 * radius + 1, 2 * radius + 1, CV_8U);
    cv::Mat eroded, grown;
    cv::erode(Mat(bits), eroded, square);
    cv::dilate(Mat(bits), grown, square);
    const Bitmap ours = Eroded(bits, radius), ours_grown = Grown(bits, radius);
    for (int y = 0; y < 61; ++y) {
      for (int x = 0; x < 97; ++x) {
        ASSERT_EQ(ours.row(y)[x], eroded.at<uint8_t>(y, x)) << radius << ": " << x << ", " << y;
        ASSERT_EQ(ours_grown.row(y)[x], grown.at<uint8_t>(y, x)) << radius << ": " << x << ", " << y;
      }
    }
  }
}

TEST(Bitmap, PartsAwayAreThoseComponentsOfOpenCv) {
  const Bitmap in = Blots(97, 61, 7, 0.45);
  Bitmap away = Blots(97, 61, 8, 0.2);
  for (size_t i = 0; i < away.bits().size(); ++i) away.bits()[i] &= 1 ^ in.bits()[i];
  cv::Mat labels;
  const int count = cv::connectedComponents(Mat(in), labels, 4);
  std::vector<bool> touching(count);
  for (int y = 0; y < 61; ++y) {
    for (int x = 0; x < 97; ++x) {
      const int dx[] = {1, -1, 0, 0}, dy[] = {0, 0, 1, -1};
      for (int k = 0; k < 4; ++k) {
        const int i = x + dx[k], j = y + dy[k];
        if (i < 0 || j < 0 || i >= 97 || j >= 61) continue;
        if (away.row(j)[i]) touching[labels.at<int>(y, x)] = true;
      }
    }
  }
  Bitmap expected(97, 61), ours(97, 61);
  size_t parts = 0;
  for (int label = 1; label < count; ++label) parts += !touching[label];
  for (int y = 0; y < 61; ++y) {
    for (int x = 0; x < 97; ++x) expected.row(y)[x] = in.row(y)[x] && !touching[labels.at<int>(y, x)];
  }
  const auto found = PartsAwayFrom(in, away);
  EXPECT_EQ(found.size(), parts);
  EXPECT_GT(parts, 3u);
  for (const auto& part : found) {
    for (const PartRun& run : part) std::fill(ours.row(run.y) + run.x0, ours.row(run.y) + run.x1, 1);
  }
  EXPECT_EQ(ours, expected);
}

TEST(Bitmap, CrowdedCountsNine) {
  Bitmap bits(5, 5, true);
  bits.row(2)[2] = 0;
  const Bitmap seven = Crowded(bits, 9);
  EXPECT_EQ(seven.Count(), 25u - 9u);
  EXPECT_EQ(Crowded(bits, 8).Count(), 24u);
}

TEST(Grid, MeansOfConstantsAndTheWayBackAreThatConstant) {
  for (int factor : {2, 4, 8}) {
    const Grid grid{{3, -2, 80, 45}, factor};
    const Plane even = Plane::Filled(grid.fine, 0.3f);
    const Plane cells = CellMeans(grid, even);
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int y = grid.fine.y0; y < grid.fine.y1; ++y) {
      enlarger.Row(cells, y, line.data());
      for (int x = 0; x < grid.fine.width(); ++x) ASSERT_NEAR(line[x], 0.3f, 1e-6f);
    }
  }
}

TEST(Grid, EnlargingIsOpenCvsLinearResize) {
  for (int factor : {2, 4, 8}) {
    const Grid grid{{0, 0, 12 * factor, 7 * factor}, factor};
    Plane cells(grid.cells());
    cv::Mat small(7, 12, CV_32F), large;
    testing::Random random(3);
    for (int y = 0; y < 7; ++y) {
      for (int x = 0; x < 12; ++x) small.at<float>(y, x) = cells.at(x, y) = static_cast<float>(random.Uniform());
    }
    cv::resize(small, large, {}, factor, factor, cv::INTER_LINEAR);
    Enlarger enlarger(grid);
    std::vector<float> line(enlarger.row_size());
    for (int y = 0; y < grid.fine.y1; ++y) {
      enlarger.Row(cells, y, line.data());
      for (int x = 0; x < grid.fine.x1; ++x) ASSERT_NEAR(line[x], large.at<float>(y, x), 2e-6) << factor;
    }
  }
}

TEST(PullPush, ScatteredSamplesOfAConstantFillWithIt) {
  const Rect rect{0, 0, 61, 47};
  testing::Random random(9);
  Plane weight(rect), plane(rect);
  for (int y = 0; y < rect.y1; ++y) {
    for (int x = 0; x < rect.x1; ++x) {
      weight.at(x, y) = random.Uniform() < 0.02 ? static_cast<float>(random.Uniform()) : 0;
      plane.at(x, y) = weight.at(x, y) > 0 ? 0.7f : 123.0f;
    }
  }
  std::vector<Plane> planes{plane};
  ASSERT_TRUE(PullPush(weight, &planes, [] { return false; }));
  for (int y = 0; y < rect.y1; ++y) {
    for (int x = 0; x < rect.x1; ++x) ASSERT_NEAR(planes[0].at(x, y), 0.7f, 1e-5f);
  }
}

}  // namespace
}  // namespace selvage::worker
