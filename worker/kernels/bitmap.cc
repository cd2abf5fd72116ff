#include "worker/kernels/bitmap.h"

#include <algorithm>
#include <cstring>

namespace selvage {
namespace {

struct Least {
  static constexpr uint8_t kNeutral = 1;
  static uint8_t Of(uint8_t a, uint8_t b) { return a < b ? a : b; }
};
struct Most {
  static constexpr uint8_t kNeutral = 0;
  static uint8_t Of(uint8_t a, uint8_t b) { return a > b ? a : b; }
};

template <class Rule>
Bitmap OverSquare(const Bitmap& in, int radius) {
  if (radius <= 0) return in;
  const int width = in.width(), height = in.height();
  Bitmap out(width, height);
  std::vector<uint8_t> padded(width + 2 * static_cast<size_t>(radius), Rule::kNeutral);
  uint8_t* column = padded.data() + radius;
  for (int y = 0; y < height; ++y) {
    std::memcpy(column, in.row(y), width);
    for (int j = std::max(0, y - radius); j <= std::min(height - 1, y + radius); ++j) {
      const uint8_t* other = in.row(j);
      for (int x = 0; x < width; ++x) column[x] = Rule::Of(column[x], other[x]);
    }
    uint8_t* to = out.row(y);
    std::memcpy(to, column, width);
    for (int i = -radius; i <= radius; ++i) {
      const uint8_t* other = column + i;
      for (int x = 0; x < width; ++x) to[x] = Rule::Of(to[x], other[x]);
    }
  }
  return out;
}

std::vector<BitmapRun> RunsOf(const Bitmap& in) {
  std::vector<BitmapRun> runs;
  for (int y = 0; y < in.height(); ++y) {
    const uint8_t* row = in.row(y);
    const uint8_t* end = row + in.width();
    for (const uint8_t* from = std::find(row, end, 1); from != end;) {
      const uint8_t* to = std::find(from, end, 0);
      runs.push_back({y, static_cast<int>(from - row), static_cast<int>(to - row)});
      from = std::find(to, end, 1);
    }
  }
  return runs;
}

bool Touches(const BitmapRun& run, const Bitmap& away) {
  const auto any = [&](int y, int x0, int x1) {
    if (y < 0 || y >= away.height()) return false;
    return std::memchr(away.row(y) + x0, 1, x1 - x0) != nullptr;
  };
  return any(run.y - 1, run.x0, run.x1) || any(run.y + 1, run.x0, run.x1) ||
         any(run.y, std::max(run.x0 - 1, 0), std::min(run.x1 + 1, away.width()));
}

// Sets of runs; the root of a set is its first run.
class Sets {
 public:
  explicit Sets(size_t count) : parent_(count) {
    for (size_t i = 0; i < count; ++i) parent_[i] = i;
  }
  size_t Root(size_t i) {
    while (parent_[i] != i) i = parent_[i] = parent_[parent_[i]];
    return i;
  }
  void Join(size_t a, size_t b) {
    a = Root(a), b = Root(b);
    parent_[std::max(a, b)] = std::min(a, b);
  }

 private:
  std::vector<size_t> parent_;
};

}  // namespace

size_t Bitmap::Count() const {
  size_t count = 0;
  for (uint8_t bit : bits_) count += bit;
  return count;
}

Bitmap Eroded(const Bitmap& in, int radius) { return OverSquare<Least>(in, radius); }
Bitmap Grown(const Bitmap& in, int radius) { return OverSquare<Most>(in, radius); }
Bitmap Opened(const Bitmap& in, int radius) { return Grown(Eroded(in, radius), radius); }

Bitmap Crowded(const Bitmap& in, int least) {
  const int width = in.width(), height = in.height();
  Bitmap out(width, height);
  std::vector<uint8_t> padded(width + size_t{2});
  uint8_t* column = padded.data() + 1;
  for (int y = 0; y < height; ++y) {
    const uint8_t *above = in.row(std::max(y - 1, 0)), *here = in.row(y), *below = in.row(std::min(y + 1, height - 1));
    for (int x = 0; x < width; ++x) column[x] = static_cast<uint8_t>(above[x] + here[x] + below[x]);
    column[-1] = column[0];
    column[width] = column[width - 1];
    uint8_t* to = out.row(y);
    for (int x = 0; x < width; ++x) to[x] = here[x] & (column[x - 1] + column[x] + column[x + 1] >= least);
  }
  return out;
}

std::vector<std::vector<BitmapRun>> PartsAwayFrom(const Bitmap& in, const Bitmap& away) {
  const std::vector<BitmapRun> runs = RunsOf(in);
  Sets sets(runs.size());
  for (size_t i = 0, above = 0; i < runs.size(); ++i) {
    // Runs of the row above that end before this one begins touch no later one.
    while (runs[above].y < runs[i].y - 1 || (runs[above].y == runs[i].y - 1 && runs[above].x1 <= runs[i].x0)) ++above;
    for (size_t j = above; runs[j].y == runs[i].y - 1 && runs[j].x0 < runs[i].x1; ++j) sets.Join(i, j);
  }
  std::vector<uint8_t> touching(runs.size());
  for (size_t i = 0; i < runs.size(); ++i) touching[sets.Root(i)] |= Touches(runs[i], away);
  std::vector<std::vector<BitmapRun>> parts;
  std::vector<size_t> part_of(runs.size());
  for (size_t i = 0; i < runs.size(); ++i) {
    const size_t root = sets.Root(i);
    if (touching[root]) continue;
    if (root == i) {
      part_of[i] = parts.size();
      parts.emplace_back();
    }
    parts[part_of[root]].push_back(runs[i]);
  }
  return parts;
}

}  // namespace selvage
