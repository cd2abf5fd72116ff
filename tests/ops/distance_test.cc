#include "worker/kernels/geometry/distance.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <random>

namespace selvage::worker {
namespace {

TEST(Distance, EqualsBruteForce) {
  std::mt19937 random(11);
  for (const auto& [width, height] : {std::pair{1, 1}, {1, 30}, {30, 1}, {37, 23}, {16, 16}}) {
    for (double share : {0.02, 0.2, 0.9}) {
      std::vector<uint8_t> bitmap(width * height);
      for (auto& b : bitmap) b = std::uniform_real_distribution<>(0, 1)(random) > share;
      const std::vector<int32_t> d = SquaredDistanceToZero(bitmap, width, height);
      for (int y = 0; y < height; ++y) {
        for (int x = 0; x < width; ++x) {
          int32_t best = kNoZeroPixel;
          for (int v = 0; v < height; ++v) {
            for (int u = 0; u < width; ++u) {
              if (!bitmap[v * width + u]) best = std::min(best, (x - u) * (x - u) + (y - v) * (y - v));
            }
          }
          ASSERT_EQ(d[y * width + x], best) << x << ", " << y << " of " << width << " x " << height;
        }
      }
    }
  }
}

TEST(Distance, UpToAReachItIsTheWholeOne) {
  std::mt19937 random(12);
  for (const auto& [width, height] : {std::pair{1, 1}, {1, 30}, {30, 1}, {37, 23}}) {
    for (int reach : {1, 4, 9, 127}) {
      std::vector<uint8_t> bitmap(width * height), other(bitmap.size());
      for (auto& b : bitmap) b = std::uniform_real_distribution<>(0, 1)(random) < 0.01;
      for (size_t i = 0; i < other.size(); ++i) other[i] = !bitmap[i];
      const std::vector<int32_t> whole = SquaredDistanceToZero(other, width, height);
      const auto near = SquaredDistanceUpTo(bitmap, width, height, reach);
      for (size_t i = 0; i < whole.size(); ++i) {
        ASSERT_EQ(near[i], whole[i] <= reach * reach ? whole[i] : (reach + 1) * (reach + 1))
            << i << " within " << reach;
      }
    }
  }
}

}  // namespace
}  // namespace selvage::worker
