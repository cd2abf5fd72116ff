// Motion between two frames both ways, as a result that is kept and shared.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "absl/status/statusor.h"
#include "worker/kernels/motion/motion.h"

namespace selvage::worker {

// What a cell's vector holds on to: means of products of luma gradients over its
// 16x16 block at half size (the structure tensor of Foerstner & Guelch 1987), in
// units of 32. Across an edge a vector is sure, along it it isn't, and in an even
// part it is worth nothing. Noise of the strength that LumaOf reckons with gives
// about 2 in xx and yy.
struct Grip {
  int16_t xx = 0, yy = 0, xy = 0;
  bool operator==(const Grip&) const = default;
};

struct MotionPair {
  struct Way {
    VectorField vectors;
    // Of the frame that the vectors start from; parallel to its cells, row by row.
    std::vector<Grip> grip;
    const Grip& GripAt(int i, int j) const {
      const Rect& c = vectors.cells();
      return grip[static_cast<size_t>(j - c.y0) * c.width() + (i - c.x0)];
    }
    bool operator==(const Way&) const = default;
  };
  // From the earlier frame to the later, and back.
  Way there, back;
  bool operator==(const MotionPair&) const = default;
};

// REQUIRES: pyramids of the same window.
MotionPair EstimateBothWays(const LumaPyramid& earlier, const LumaPyramid& later);

// Format, all numbers little-endian:
//   u8 version (1), i32 x0 y0 x1 y1 of the cells, then of each way five planes of
//   i16, row by row: vector x, vector y, grip xx, yy, xy.
std::string EncodeMotion(const MotionPair& pair);
// Errors: DATA_LOSS not such bytes.
absl::StatusOr<MotionPair> DecodeMotion(std::string_view bytes);

}  // namespace selvage::worker
