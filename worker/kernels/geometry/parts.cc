#include "worker/kernels/geometry/parts.h"

#include <algorithm>
#include <cstring>

#include "worker/kernels/pixels/gaussian.h"
#include "worker/kernels/pixels/pointwise_rows.h"

namespace selvage::worker {
namespace {

// Forest of runs; a root has the lowest number of its tree.
class Forest {
 public:
  void Add() { parent_.push_back(static_cast<int>(parent_.size())); }
  int Root(int i) {
    while (parent_[i] != i) i = parent_[i] = parent_[parent_[i]];
    return i;
  }
  void Join(int a, int b) {
    a = Root(a), b = Root(b);
    parent_[std::max(a, b)] = std::min(a, b);
  }

 private:
  std::vector<int> parent_;
};

// The first pixel from x on that is set; most of a bitmap is not.
int NextSet(const uint8_t* row, int x, int width) {
  for (uint64_t eight = 0; x + 8 <= width; x += 8) {
    std::memcpy(&eight, row + x, 8);
    if (eight != 0) break;
  }
  while (x < width && row[x] == 0) ++x;
  return x;
}

void AddRuns(const uint8_t* row, int y, int width, std::vector<PartRun>* runs, Forest* forest) {
  for (int x = 0; x < width;) {
    x = NextSet(row, x, width);
    if (x == width) return;
    const void* clear = std::memchr(row + x, 0, width - x);
    const int end = clear ? static_cast<int>(static_cast<const uint8_t*>(clear) - row) : width;
    runs->push_back({y, x, end, 0});
    forest->Add();
    x = end;
  }
}

// Joins the runs [above, here) of one row with those [here, end) of the next.
// They touch where neither ends before the other begins; by a corner only, where
// one ends just there.
void JoinRows(const std::vector<PartRun>& runs, size_t above, size_t here, Neighbours neighbours, Forest* forest) {
  const int corner = neighbours == Neighbours::kEight ? 1 : 0;
  for (size_t i = above, j = here; i < here && j < runs.size();) {
    if (runs[i].x0 < runs[j].x1 + corner && runs[j].x0 < runs[i].x1 + corner)
      forest->Join(static_cast<int>(i), static_cast<int>(j));
    if (runs[i].x1 < runs[j].x1) {
      ++i;
    } else {
      ++j;
    }
  }
}

}  // namespace

Parts ConnectedParts(std::span<const uint8_t> bitmap, int width, int height, Neighbours neighbours) {
  Parts result;
  std::vector<PartRun>& runs = result.runs;
  Forest forest;
  size_t above = 0;
  for (int y = 0; y < height; ++y) {
    const size_t here = runs.size();
    AddRuns(bitmap.data() + static_cast<size_t>(y) * width, y, width, &runs, &forest);
    JoinRows(runs, above, here, neighbours, &forest);
    above = here;
  }
  for (size_t i = 0; i < runs.size(); ++i) {
    const int root = forest.Root(static_cast<int>(i));
    if (root == static_cast<int>(i)) {
      runs[i].part = static_cast<int>(result.parts.size());
      result.parts.emplace_back();
    } else {
      runs[i].part = runs[root].part;
    }
    const PartRun& run = runs[i];
    Part& part = result.parts[run.part];
    part.area += run.x1 - run.x0;
    part.at_edge = part.at_edge || run.y == 0 || run.y == height - 1 || run.x0 == 0 || run.x1 == width;
  }
  return result;
}

Plane ReplaceSmallParts(const Plane& matte, std::span<const uint8_t> bitmap, double area, bool spare_edge, float value,
                        double soft) {
  const Rect& rect = matte.rect();
  const Parts found = ConnectedParts(bitmap, rect.width(), rect.height());
  const auto small = [&](const Part& part) {
    return static_cast<double>(part.area) <= area && !(spare_edge && part.at_edge);
  };
  if (std::none_of(found.parts.begin(), found.parts.end(), small)) return matte;

  // 0 beyond the picture, so that the rim fades there as elsewhere.
  Plane hard = Plane::Filled(rect.Grow(GaussianRadius(soft)), 0);
  hard.constant.reset();
  for (const PartRun& run : found.runs) {
    if (!small(found.parts[run.part])) continue;
    std::fill_n(&hard.at(rect.x0 + run.x0, rect.y0 + run.y), run.x1 - run.x0, 1.0f);
  }
  Plane share(rect), out(rect);
  GaussianBlur(hard, rect, soft, &share);
  const size_t n = rect.width();
  const std::vector<float> values(n, value);
  for (int y = rect.y0; y < rect.y1; ++y) {
    float* s = share.row(y);
    const float* whole = &hard.at(rect.x0, y);
    for (size_t x = 0; x < n; ++x) {
      const float rim = s[x] < 0.5f ? 2.0f * s[x] : 1.0f;
      s[x] = whole[x] > 0.0f ? 1.0f : rim;
    }
    MixRow(matte.row(y), values.data(), s, out.row(y), n);
  }
  return out;
}

}  // namespace selvage::worker
