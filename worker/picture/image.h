// Planar float pictures.
#pragma once

#include <algorithm>
#include <cstddef>
#include <memory>
#include <optional>
#include <vector>

namespace selvage {
// Of proto/options.proto: kernels know pictures, but no messages.
enum Kind : int;
}  // namespace selvage

namespace selvage::worker {

// Pixels x0 <= x < x1, y0 <= y < y1; origin top left of the format.
struct Rect {
  int x0 = 0, y0 = 0, x1 = 0, y1 = 0;
  int width() const { return x1 - x0; }
  int height() const { return y1 - y0; }
  bool empty() const { return x1 <= x0 || y1 <= y0; }
  size_t area() const { return empty() ? 0 : static_cast<size_t>(width()) * height(); }
  Rect Grow(int r) const { return {x0 - r, y0 - r, x1 + r, y1 + r}; }
  Rect Intersect(const Rect& o) const {
    return {std::max(x0, o.x0), std::max(y0, o.y0), std::min(x1, o.x1), std::min(y1, o.y1)};
  }
  // Smallest rectangle around both; an empty one does not count.
  Rect Union(const Rect& o) const {
    if (empty()) return o;
    if (o.empty()) return *this;
    return {std::min(x0, o.x0), std::min(y0, o.y0), std::max(x1, o.x1), std::max(y1, o.y1)};
  }
  bool Contains(const Rect& o) const { return o.x0 >= x0 && o.y0 >= y0 && o.x1 <= x1 && o.y1 <= y1; }
  bool operator==(const Rect&) const = default;
};

// One channel over a rectangle. Rows are 64-byte aligned and padded to 16
// floats; padding is never read as picture. Copies share the samples: treat a
// shared plane as read-only.
class Plane {
 public:
  Plane() = default;
  // Samples not initialised.
  explicit Plane(const Rect& rect);
  static Plane Filled(const Rect& rect, float value);

  const Rect& rect() const { return rect_; }
  // Floats from one row to the next.
  ptrdiff_t stride() const { return stride_; }
  // Row y in absolute coordinates; element 0 is at x = rect().x0.
  float* row(int y) { return data_.get() + (y - rect_.y0) * stride_; }
  const float* row(int y) const { return data_.get() + (y - rect_.y0) * stride_; }
  float at(int x, int y) const { return row(y)[x - rect_.x0]; }
  float& at(int x, int y) { return row(y)[x - rect_.x0]; }
  // Set when all samples are known to be this value.
  std::optional<float> constant;

 private:
  Rect rect_;
  ptrdiff_t stride_ = 0;
  std::shared_ptr<float[]> data_;
};

// Some region of a result: 1 plane (A) for a matte, 4 (R G B A) for colour.
struct Picture {
  Kind kind{};  // unspecified
  std::vector<Plane> planes;
  const Rect& rect() const { return planes.front().rect(); }
};

// 1 for a matte, 4 for colour, 0 for a blob.
int ChannelCount(Kind kind);

}  // namespace selvage::worker
