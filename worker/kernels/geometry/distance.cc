#include "worker/kernels/geometry/distance.h"

#include <algorithm>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/geometry/distance.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"

// Plain loops, compiled once for each target.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

void LeastWith(const int16_t* from, int16_t more, int n, int16_t* __restrict to) {
  for (int x = 0; x < n; ++x) {
    const int16_t both = static_cast<int16_t>(from[x] + more);
    to[x] = both < to[x] ? both : to[x];
  }
}

void ReplaceAbove(int16_t most, int16_t beyond, int n, int16_t* __restrict to) {
  for (int x = 0; x < n; ++x) to[x] = to[x] > most ? beyond : to[x];
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(LeastWith);
HWY_EXPORT(ReplaceAbove);

namespace {

// Larger than any distance in a column, small enough to be squared.
constexpr int32_t kFar = 32768;

// Distance to the nearest zero pixel in the same column.
void Columns(std::span<const uint8_t> bitmap, int width, int height, std::vector<int32_t>* out) {
  for (int y = 0; y < height; ++y) {
    const uint8_t* in = bitmap.data() + static_cast<size_t>(y) * width;
    int32_t* to = out->data() + static_cast<size_t>(y) * width;
    for (int x = 0; x < width; ++x) {
      const int32_t above = y > 0 ? to[x - width] + 1 : kFar;
      to[x] = in[x] == 0 ? 0 : std::min(above, kFar);
    }
  }
  for (int y = height - 2; y >= 0; --y) {
    int32_t* to = out->data() + static_cast<size_t>(y) * width;
    for (int x = 0; x < width; ++x) to[x] = std::min(to[x], to[x + width] + 1);
  }
}

// Lower envelope of the parabolas (x - q)^2 + f(q), in whole numbers.
class Envelope {
 public:
  explicit Envelope(int width) : place_(width), height_(width), start_(width) {}

  void Row(int32_t* row, int width) {
    int count = 0;
    for (int q = 0; q < width; ++q) {
      if (row[q] >= kFar) continue;
      const int64_t f = static_cast<int64_t>(row[q]) * row[q];
      int from = 0;
      while (count > 0) {
        from = FirstBelow(count - 1, q, f);
        if (from > start_[count - 1]) break;
        --count;
        from = 0;
      }
      if (from >= width) continue;
      place_[count] = q, height_[count] = f, start_[count] = from;
      ++count;
    }
    for (int x = 0, k = 0; x < width; ++x) {
      while (k + 1 < count && start_[k + 1] <= x) ++k;
      const int64_t d = x - (count ? place_[k] : 0);
      row[x] = count ? static_cast<int32_t>(d * d + height_[k]) : kNoZeroPixel;
    }
  }

 private:
  // First x at which the parabola of q is lower than the k-th one.
  int FirstBelow(int k, int q, int64_t f) const {
    const int64_t p = place_[k];
    const int64_t top = (f + static_cast<int64_t>(q) * q) - (height_[k] + p * p), below = 2 * (q - p);
    const int64_t floor = top >= 0 ? top / below : -((-top + below - 1) / below);
    return static_cast<int>(std::clamp<int64_t>(floor + 1, 0, INT32_MAX));
  }

  std::vector<int> place_;
  std::vector<int64_t> height_;
  std::vector<int> start_;
};

}  // namespace

std::vector<int32_t> SquaredDistanceToZero(std::span<const uint8_t> bitmap, int width, int height) {
  std::vector<int32_t> out(static_cast<size_t>(width) * height);
  Columns(bitmap, width, height, &out);
  Envelope envelope(width);
  for (int y = 0; y < height; ++y) envelope.Row(out.data() + static_cast<size_t>(y) * width, width);
  return out;
}

PooledVector<int16_t> SquaredDistanceUpTo(std::span<const uint8_t> bitmap, int width, int height, int reach) {
  const int16_t beyond = static_cast<int16_t>((reach + 1) * (reach + 1));
  const size_t area = static_cast<size_t>(width) * height;
  PooledVector<int16_t> along(area), out(area);
  for (int y = 0; y < height; ++y) {
    const uint8_t* in = bitmap.data() + static_cast<size_t>(y) * width;
    int16_t* to = along.data() + static_cast<size_t>(y) * width;
    int steps = reach + 1;
    for (int x = 0; x < width; ++x) {
      steps = in[x] ? 0 : std::min(steps + 1, reach + 1);
      to[x] = static_cast<int16_t>(steps);
    }
    for (int x = width - 1; x >= 0; --x) {
      steps = in[x] ? 0 : std::min(steps + 1, reach + 1);
      const int nearest = std::min<int>(to[x], steps);
      to[x] = static_cast<int16_t>(nearest * nearest);
    }
  }
  // Rows above and below, each with its own distance squared.
  for (int y = 0; y < height; ++y) {
    int16_t* to = out.data() + static_cast<size_t>(y) * width;
    std::fill_n(to, width, beyond);
    for (int j = std::max(0, y - reach); j <= std::min(height - 1, y + reach); ++j) {
      const int16_t apart = static_cast<int16_t>((j - y) * (j - y));
      HWY_DYNAMIC_DISPATCH(LeastWith)(along.data() + static_cast<size_t>(j) * width, apart, width, to);
    }
    HWY_DYNAMIC_DISPATCH(ReplaceAbove)(static_cast<int16_t>(reach * reach), beyond, width, to);
  }
  return out;
}

}  // namespace selvage::worker
#endif  // HWY_ONCE
