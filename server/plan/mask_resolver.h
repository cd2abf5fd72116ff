// A mask at a frame: absolute curves, one set for each instant of its shutter.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <vector>

#include "proto/digest.h"
#include "proto/farm.pb.h"
#include "proto/stack.pb.h"
#include "proto/svg_path.h"
#include "server/plan/at_frame.h"

namespace selvage::plan {

using MaskAt = AtFrame<ResolvedMask>;

// How many numbers the curves of a mask have at one frame, at most: the points of
// its shapes, times the instants of its shutter where they move.
struct MaskSize {
  int64_t numbers = 0;
  uint32_t instants = 1;
  bool animated = false;
};
MaskSize SizeOf(const Mask& mask);

// Outlives the stack. REQUIRES: Validate found nothing in the mask, and it does not follow.
class MaskResolver final : public MaskAt::Source {
 public:
  explicit MaskResolver(Mask mask);

  std::shared_ptr<const ResolvedMask> At(int32_t frame) const override;
  Digest DigestAt(int32_t frame) const;

 private:
  ResolvedMask Resolve(int32_t frame) const;
  // Adds the shapes of one instant.
  void AddShapes(double frame, ResolvedMask* out) const;

  // Without its paths: those are here.
  Mask mask_;
  // For each shape its one path, or one for each key frame.
  std::vector<std::vector<SvgPath>> paths_;
  // Where it stands still.
  std::shared_ptr<const ResolvedMask> resolved_;
  Digest digest_;
};

}  // namespace selvage::plan
