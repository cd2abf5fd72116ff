#include "worker/kernels/geometry/choke.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <vector>

namespace selvage::worker {
namespace {

struct Least {
  float operator()(float a, float b) const { return b < a ? b : a; }
};
struct Most {
  float operator()(float a, float b) const { return b > a ? b : a; }
};

template <class Pick>
void PickInto(const float* a, const float* b, int n, float* to) {
  for (int x = 0; x < n; ++x) to[x] = Pick()(a[x], b[x]);
}

const float* From(const Plane& p, int x, int y) { return p.row(y) + (x - p.rect().x0); }

// Largest k with 2^k <= n.
int FloorLog2(int n) {
  int k = 0;
  while ((2 << k) <= n) ++k;
  return k;
}

// Rows of a plane with, for each power of two, the extreme of that many samples
// from each place on: any run is the extreme of two of them, so a window costs
// the same at every width.
template <class Pick>
class RunTable {
 public:
  RunTable(const Plane& in, int longest) : rect_(in.rect()), levels_(FloorLog2(longest) + 1) {
    width_ = rect_.width();
    data_.resize(static_cast<size_t>(levels_) * rect_.height() * width_);
    for (int y = rect_.y0; y < rect_.y1; ++y) {
      std::copy_n(in.row(y), width_, At(0, y));
      for (int k = 1; k < levels_; ++k) {
        const float* shorter = At(k - 1, y);
        const int step = 1 << (k - 1);
        PickInto<Pick>(shorter, shorter + step, std::max(0, width_ - 2 * step + 1), At(k, y));
      }
    }
  }

  // to[x] = extreme of itself and of the run of half width `half` about (x, y),
  // for x from x0, n pixels. REQUIRES: the run lies inside the plane.
  void Include(int y, int half, int x0, int n, float* to) const {
    const int k = FloorLog2(2 * half + 1);
    const float* left = At(k, y) + (x0 - half - rect_.x0);
    const float* right = At(k, y) + (x0 + half + 1 - (1 << k) - rect_.x0);
    for (int x = 0; x < n; ++x) to[x] = Pick()(to[x], Pick()(left[x], right[x]));
  }

 private:
  float* At(int k, int y) { return data_.data() + (static_cast<size_t>(y - rect_.y0) * levels_ + k) * width_; }
  const float* At(int k, int y) const { return const_cast<RunTable*>(this)->At(k, y); }

  const Rect rect_;
  const int levels_;
  int width_;
  std::vector<float> data_;
};

// All (dx, dy) with dx^2 + dy^2 <= radius^2.
template <class Pick>
void Disc(const RunTable<Pick>& table, const Plane& in, int radius, Plane* out) {
  std::vector<int> half(radius + 1);
  for (int dy = 0, h = radius; dy <= radius; ++dy) {
    while (h * h + dy * dy > radius * radius) --h;
    half[dy] = h;
  }
  const Rect& rect = out->rect();
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* to = out->row(y);
    std::copy_n(From(in, rect.x0, y), rect.width(), to);
    for (int dy = -radius; dy <= radius; ++dy) table.Include(y + dy, half[std::abs(dy)], rect.x0, rect.width(), to);
  }
}

// Rows by runs of powers of two, then columns by blocks with running extremes
// from both ends (van Herk 1992), which costs the same at every radius. Blocks
// begin at whole multiples of their length: where NaN makes the order matter, it
// is the same in every tile.
template <class Pick>
void Square(const RunTable<Pick>& table, const Plane& in, int radius, Plane* out) {
  const Rect& rect = out->rect();
  const int n = 2 * radius + 1, rows = rect.height() + 2 * radius, width = rect.width();
  const int top = rect.y0 - radius;
  std::vector<float> forward(static_cast<size_t>(rows) * width), backward(forward.size());
  const auto in_block = [&](int i) { return ((top + i) % n + n) % n; };
  const auto row = [&](std::vector<float>& v, int i) { return v.data() + static_cast<size_t>(i) * width; };
  for (int i = 0; i < rows; ++i) {
    float* to = row(backward, i);
    std::copy_n(From(in, rect.x0, top + i), width, to);
    table.Include(top + i, radius, rect.x0, width, to);
    std::copy_n(to, width, row(forward, i));
    if (i > 0 && in_block(i) != 0) PickInto<Pick>(row(forward, i - 1), to, width, row(forward, i));
  }
  for (int i = rows - 2; i >= 0; --i) {
    if (in_block(i) != n - 1) PickInto<Pick>(row(backward, i + 1), row(backward, i), width, row(backward, i));
  }
  for (int j = 0; j < rect.height(); ++j) {
    PickInto<Pick>(row(backward, j), row(forward, j + n - 1), width, out->row(rect.y0 + j));
  }
}

template <class Pick>
void Whole(Choke::Shape shape, const RunTable<Pick>& table, const Plane& in, int radius, Plane* out) {
  if (radius == 0) {
    const Rect& rect = out->rect();
    for (int y = rect.y0; y < rect.y1; ++y) std::copy_n(From(in, rect.x0, y), rect.width(), out->row(y));
  } else if (shape == Choke::SQUARE) {
    Square<Pick>(table, in, radius, out);
  } else {
    Disc<Pick>(table, in, radius, out);
  }
}

template <class Pick>
void Move(Choke::Shape shape, double pixels, const Plane& in, Plane* out) {
  const int inner = static_cast<int>(std::floor(pixels)), outer = static_cast<int>(std::ceil(pixels));
  const float share = static_cast<float>(pixels - inner);
  const RunTable<Pick> table(in, 2 * outer + 1);
  Whole<Pick>(shape, table, in, inner, out);
  if (outer == inner) return;
  const Rect& rect = out->rect();
  Plane further(rect);
  Whole<Pick>(shape, table, in, outer, &further);
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* to = out->row(y);
    const float* b = further.row(y);
    for (int x = 0; x < rect.width(); ++x) to[x] = to[x] + share * (b[x] - to[x]);
  }
}

bool IsFlat(const Plane& p) {
  if (p.constant) return true;
  const Rect& rect = p.rect();
  // To the bit: zeros of both signs are not flat, NaN is.
  const uint32_t first = std::bit_cast<uint32_t>(p.at(rect.x0, rect.y0));
  for (int y = rect.y0; y < rect.y1; ++y) {
    const float* row = p.row(y);
    uint32_t unlike = 0;
    for (int x = 0; x < rect.width(); ++x) unlike |= std::bit_cast<uint32_t>(row[x]) ^ first;
    if (unlike) return false;
  }
  return true;
}

}  // namespace

int ChokeReach(double pixels) { return static_cast<int>(std::ceil(std::abs(pixels))); }

void ChokeInto(Choke::Shape shape, double pixels, const Plane& in, Plane* out) {
  if (out->rect().empty()) return;
  if (IsFlat(in)) {
    *out = Plane::Filled(out->rect(), in.at(in.rect().x0, in.rect().y0));
  } else if (pixels < 0) {
    Move<Most>(shape, -pixels, in, out);
  } else {
    Move<Least>(shape, pixels, in, out);
  }
}

}  // namespace selvage::worker
