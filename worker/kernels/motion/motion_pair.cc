#include "worker/kernels/motion/motion_pair.h"

#include <algorithm>
#include <boost/endian/conversion.hpp>
#include <cstring>

namespace selvage::worker {
namespace {

constexpr uint8_t kVersion = 1;
constexpr size_t kHeaderBytes = 1 + 4 * 4;
constexpr size_t kPlanes = 5;
// Cells a side: far more than the largest picture has.
constexpr int kMostCells = 1 << 20;

// Gradients are held within this, so that a mean of squares fits 16 bits.
constexpr int kMostGradient = 1023;
constexpr int kGripUnit = 32;
// Half size pixels of a cell's block.
constexpr int kSide = 8;

Grip GripOf(const LumaPyramid::Level& level, int i, int j) {
  int64_t xx = 0, yy = 0, xy = 0;
  for (int y = 4 * j - 2; y < 4 * j - 2 + kSide; ++y) {
    const int16_t* above = level.At(4 * i - 2, y - 1);
    const int16_t* row = level.At(4 * i - 2, y);
    const int16_t* below = level.At(4 * i - 2, y + 1);
    for (int x = 0; x < kSide; ++x) {
      const int gx = std::clamp(row[x + 1] - row[x - 1], -kMostGradient, kMostGradient);
      const int gy = std::clamp(below[x] - above[x], -kMostGradient, kMostGradient);
      xx += gx * gx;
      yy += gy * gy;
      xy += gx * gy;
    }
  }
  constexpr int64_t kAll = kSide * kSide * kGripUnit;
  return {static_cast<int16_t>(xx / kAll), static_cast<int16_t>(yy / kAll), static_cast<int16_t>(xy / kAll)};
}

MotionPair::Way WayOf(const LumaPyramid& from, const LumaPyramid& to) {
  MotionPair::Way way;
  way.vectors = EstimateMotion(from, to);
  const Rect& cells = way.vectors.cells();
  way.grip.reserve(cells.area());
  for (int j = cells.y0; j < cells.y1; ++j) {
    for (int i = cells.x0; i < cells.x1; ++i) way.grip.push_back(GripOf(from.level(1), i, j));
  }
  return way;
}

// Little-endian on any machine: motion is stored.
template <class Number>
void Put(Number v, std::string* out) {
  v = boost::endian::native_to_little(v);
  out->append(reinterpret_cast<const char*>(&v), sizeof v);
}

template <class Number>
Number Get(std::string_view bytes, size_t at) {
  Number v;
  std::memcpy(&v, bytes.data() + at, sizeof v);
  return boost::endian::little_to_native(v);
}

// Calls visit(plane, cell number, number) for each number of a way in order.
template <class Way, class Visit>
void EachNumber(Way* way, const Visit& visit) {
  const Rect cells = way->vectors.cells();
  const auto plane = [&](const auto& number) {
    size_t n = 0;
    for (int j = cells.y0; j < cells.y1; ++j) {
      for (int i = cells.x0; i < cells.x1; ++i, ++n) visit(number(i, j, n));
    }
  };
  plane([&](int i, int j, size_t) { return &way->vectors.At(i, j).x; });
  plane([&](int i, int j, size_t) { return &way->vectors.At(i, j).y; });
  plane([&](int, int, size_t n) { return &way->grip[n].xx; });
  plane([&](int, int, size_t n) { return &way->grip[n].yy; });
  plane([&](int, int, size_t n) { return &way->grip[n].xy; });
}

}  // namespace

MotionPair EstimateBothWays(const LumaPyramid& earlier, const LumaPyramid& later) {
  return {WayOf(earlier, later), WayOf(later, earlier)};
}

std::string EncodeMotion(const MotionPair& pair) {
  const Rect& cells = pair.there.vectors.cells();
  std::string bytes;
  bytes.reserve(kHeaderBytes + 2 * 2 * kPlanes * cells.area());
  bytes.push_back(static_cast<char>(kVersion));
  for (int v : {cells.x0, cells.y0, cells.x1, cells.y1}) Put(static_cast<int32_t>(v), &bytes);
  for (const MotionPair::Way* way : {&pair.there, &pair.back}) {
    EachNumber(way, [&](const int16_t* v) { Put(*v, &bytes); });
  }
  return bytes;
}

absl::StatusOr<MotionPair> DecodeMotion(std::string_view bytes) {
  const auto bad = [] { return absl::DataLossError("a motion field cannot be read"); };
  if (bytes.size() < kHeaderBytes || static_cast<uint8_t>(bytes[0]) != kVersion) return bad();
  int64_t side[4];
  for (int k = 0; k < 4; ++k) side[k] = Get<int32_t>(bytes, 1 + 4 * k);
  const int64_t width = side[2] - side[0], height = side[3] - side[1];
  if (width < 1 || height < 1 || width > kMostCells || height > kMostCells) return bad();
  for (int64_t v : side) {
    if (v < -kMostCells || v > kMostCells) return bad();
  }
  const uint64_t expected =
      kHeaderBytes + 2 * 2 * kPlanes * static_cast<uint64_t>(width) * static_cast<uint64_t>(height);
  if (bytes.size() != expected) return bad();
  const Rect cells{static_cast<int>(side[0]), static_cast<int>(side[1]), static_cast<int>(side[2]),
                   static_cast<int>(side[3])};
  MotionPair pair;
  size_t at = kHeaderBytes;
  for (MotionPair::Way* way : {&pair.there, &pair.back}) {
    way->vectors = VectorField(cells);
    way->grip.resize(cells.area());
    EachNumber(way, [&](int16_t* v) {
      *v = Get<int16_t>(bytes, at);
      at += 2;
    });
  }
  return pair;
}

}  // namespace selvage::worker
