// Yes or no for every pixel, and what can be done with it.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "worker/kernels/geometry/parts.h"
#include "worker/picture/buffer_pool.h"

namespace selvage::worker {

// Bytes of 0 or 1, row by row from (0, 0).
class Bitmap {
 public:
  Bitmap() = default;
  Bitmap(int width, int height, bool value = false)
      : width_(width), height_(height), bits_(static_cast<size_t>(width) * height, value) {}
  int width() const { return width_; }
  int height() const { return height_; }
  uint8_t* row(int y) { return bits_.data() + static_cast<size_t>(y) * width_; }
  const uint8_t* row(int y) const { return bits_.data() + static_cast<size_t>(y) * width_; }
  const PooledVector<uint8_t>& bits() const { return bits_; }
  PooledVector<uint8_t>& bits() { return bits_; }
  size_t Count() const;
  bool operator==(const Bitmap&) const = default;

 private:
  int width_ = 0, height_ = 0;
  PooledVector<uint8_t> bits_;
};

// Leaves what is not in `other`, of the same size.
void TakeAway(const Bitmap& other, Bitmap* bits);
// 1 where the whole square of side 2 x radius + 1 is 1, as far as it lies in the picture.
Bitmap Eroded(const Bitmap& in, int radius);
// 1 where any pixel of that square is.
Bitmap Grown(const Bitmap& in, int radius);
// Eroded, then grown: what is thinner than the square goes.
Bitmap Opened(const Bitmap& in, int radius);
// 1 where the pixel is and at least `least` of the 9 of its square of 3 are (the
// edge pixels repeat outward).
Bitmap Crowded(const Bitmap& in, int least);

// The 4-connected parts of `in` no pixel of which is a 4-neighbour of a pixel of
// `away`, in order of their first pixels.
std::vector<std::vector<PartRun>> PartsAwayFrom(const Bitmap& in, const Bitmap& away);

}  // namespace selvage::worker
