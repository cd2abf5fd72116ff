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

bool Touches(const PartRun& run, const Bitmap& away) {
  const auto any = [&](int y, int x0, int x1) {
    if (y < 0 || y >= away.height()) return false;
    return std::memchr(away.row(y) + x0, 1, x1 - x0) != nullptr;
  };
  return any(run.y - 1, run.x0, run.x1) || any(run.y + 1, run.x0, run.x1) ||
         any(run.y, std::max(run.x0 - 1, 0), std::min(run.x1 + 1, away.width()));
}

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

std::vector<std::vector<PartRun>> PartsAwayFrom(const Bitmap& in, const Bitmap& away) {
  const Parts found = ConnectedParts(in.bits(), in.width(), in.height(), Neighbours::kFour);
  std::vector<uint8_t> touching(found.parts.size());
  for (const PartRun& run : found.runs) touching[run.part] |= Touches(run, away);
  // Parts are numbered by their first pixels; those that touch are left out.
  std::vector<size_t> place(found.parts.size());
  size_t count = 0;
  for (size_t part = 0; part < place.size(); ++part) {
    place[part] = count;
    count += !touching[part];
  }
  std::vector<std::vector<PartRun>> parts(count);
  for (const PartRun& run : found.runs) {
    if (!touching[run.part]) parts[place[run.part]].push_back(run);
  }
  return parts;
}

}  // namespace selvage
