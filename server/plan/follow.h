// Masks that follow the picture: where the outline of a shape comes from at a
// frame, and the steps that carry and draw it.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "proto/stack.pb.h"
#include "server/plan/resolve.h"

namespace selvage::plan {

// What a segment does for a followed mask.
struct FollowPart {
  enum Does : uint8_t {
    kNothing,
    // Carries one shape on from the key frame before, from frame to frame.
    kForward,
    // Carries it back from the key frame after.
    kBackward,
    // Draws all shapes.
    kDraw,
  };
  Does does = kNothing;
  int mask = -1, shape = -1;
};

// The key frames of a followed shape.
bool IsDrawnAt(const Mask::Shape& shape, int32_t frame);
// Whether what is carried forward, or backward, is needed to draw it at a frame.
bool NeedsForward(const Mask::Shape& shape, int32_t frame);
bool NeedsBackward(const Mask::Shape& shape, int32_t frame);

// Steps of a FollowPart at each frame, resolved.
// REQUIRES: Validate found nothing in the mask.
class FollowSteps {
 public:
  FollowSteps(const Mask& mask, const FollowPart& part);
  // Not to be shared by digest: which ports a step has is not in it.
  ResolvedSteps At(int32_t frame) const;

 private:
  Outline Drawn(int shape, int32_t frame) const;
  void FillCarry(int32_t frame, CarryPoints* carry) const;
  void FillDraw(int32_t frame, DrawMask* draw) const;

  const Mask& mask_;
  const FollowPart part_;
  // Of each shape, one for each key frame.
  std::vector<std::vector<SvgPath>> paths_;
};

}  // namespace selvage::plan
