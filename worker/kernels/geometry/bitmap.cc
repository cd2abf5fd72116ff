#include "worker/kernels/geometry/bitmap.h"

#include <algorithm>
#include <cstring>

#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "worker/kernels/geometry/bitmap.cc"
#include "hwy/foreach_target.h"
//
#include "hwy/highway.h"
#include "worker/kernels/geometry/bit_rows.h"

// Plain loops, compiled once for each target. `to` may be `a`; `b` may be what is
// further on in the same row.
HWY_BEFORE_NAMESPACE();
namespace selvage::worker::HWY_NAMESPACE {

void LeastOfBits(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* to) {
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) to[i] = a[i] & b[i];
}

void MostOfBits(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* to) {
#pragma GCC ivdep
  for (size_t i = 0; i < n; ++i) to[i] = a[i] | b[i];
}

void CrowdedBits(const uint8_t* above, const uint8_t* here, const uint8_t* below, size_t n,
                 uint8_t* __restrict column) {
  for (size_t i = 0; i < n; ++i) column[i] = static_cast<uint8_t>(above[i] + here[i] + below[i]);
}

void KeepCrowdedBits(const uint8_t* here, const uint8_t* column, uint8_t least, size_t n, uint8_t* __restrict to) {
  for (size_t i = 0; i < n; ++i) {
    const uint8_t all = static_cast<uint8_t>(column[i] + column[i - 1] + column[i + 1]);
    to[i] = here[i] & (all >= least);
  }
}

}  // namespace selvage::worker::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace selvage::worker {

HWY_EXPORT(LeastOfBits);
HWY_EXPORT(MostOfBits);
HWY_EXPORT(CrowdedBits);
HWY_EXPORT(KeepCrowdedBits);

namespace {

using Rule = void (*)(const uint8_t* a, const uint8_t* b, size_t n, uint8_t* to);

// A window of any width is two of a power of two that lie over each other; those are
// made by doubling. `neutral` lies beyond the edges.
Bitmap OverSquare(const Bitmap& in, int radius, Rule rule, uint8_t neutral) {
  if (radius <= 0) return in;
  const int width = in.width(), height = in.height(), size = 2 * radius + 1, rows = height + 2 * radius;
  int half = 1;
  while (2 * half <= size) half *= 2;
  // Rows from `radius` above the picture to `radius` below it.
  PooledVector<uint8_t> wide(static_cast<size_t>(rows) * width, neutral);
  const auto row = [&](int y) { return wide.data() + static_cast<size_t>(y) * width; };
  std::vector<uint8_t> line(width + 2 * static_cast<size_t>(radius), neutral);
  for (int y = 0; y < height; ++y) {
    std::memcpy(line.data() + radius, in.row(y), width);
    for (int step = 1; step < half; step *= 2) rule(line.data(), line.data() + step, line.size() - step, line.data());
    rule(line.data(), line.data() + (size - half), width, row(y + radius));
    std::fill(line.begin(), line.end(), neutral);
  }
  for (int step = 1; step < half; step *= 2) rule(row(0), row(step), static_cast<size_t>(rows - step) * width, row(0));
  Bitmap out(width, height);
  rule(row(0), row(size - half), static_cast<size_t>(height) * width, out.row(0));
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

size_t Bitmap::Count() const { return CountRow(bits_.data(), bits_.size()); }

void TakeAway(const Bitmap& other, Bitmap* bits) {
  uint8_t* to = bits->row(0);
  const uint8_t* away = other.row(0);
  for (size_t i = 0; i < bits->bits().size(); ++i) to[i] &= 1 ^ away[i];
}

Bitmap Eroded(const Bitmap& in, int radius) { return OverSquare(in, radius, HWY_DYNAMIC_DISPATCH(LeastOfBits), 1); }
Bitmap Grown(const Bitmap& in, int radius) { return OverSquare(in, radius, HWY_DYNAMIC_DISPATCH(MostOfBits), 0); }
Bitmap Opened(const Bitmap& in, int radius) { return Grown(Eroded(in, radius), radius); }

Bitmap Crowded(const Bitmap& in, int least) {
  const int width = in.width(), height = in.height();
  Bitmap out(width, height);
  std::vector<uint8_t> padded(width + size_t{2});
  uint8_t* column = padded.data() + 1;
  for (int y = 0; y < height; ++y) {
    const uint8_t *above = in.row(std::max(y - 1, 0)), *here = in.row(y), *below = in.row(std::min(y + 1, height - 1));
    HWY_DYNAMIC_DISPATCH(CrowdedBits)(above, here, below, width, column);
    column[-1] = column[0];
    column[width] = column[width - 1];
    HWY_DYNAMIC_DISPATCH(KeepCrowdedBits)(here, column, static_cast<uint8_t>(least), width, out.row(y));
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

}  // namespace selvage::worker
#endif  // HWY_ONCE
