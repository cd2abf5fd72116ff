// Masks that follow the picture: where the outline of a shape comes from at a
// frame, and the steps that carry and draw it.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "proto/stack.pb.h"
#include "proto/svg_path.h"
#include "server/plan/frames.h"
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

// Where what is carried forward, or backward, is needed to draw a followed shape.
FrameMap ForwardAt(const Mask::Shape& shape);
FrameMap BackwardAt(const Mask::Shape& shape);
// The frame from which it is carried on to another; none where that is a key frame.
FrameMap CarriedFrom(const Mask::Shape& shape, bool backward);

// Steps of a FollowPart at each frame, resolved. Outlives the stack.
// REQUIRES: Validate found nothing in the mask.
class FollowSteps final : public StepSource {
 public:
  FollowSteps(Mask mask, const FollowPart& part);
  // Not to be told apart by digest alone: which ports a step has is not in it.
  std::shared_ptr<const std::vector<Step>> At(int32_t frame) const override;

 private:
  Outline Drawn(int shape, int32_t frame) const;
  void FillCarry(int32_t frame, CarryPoints* carry) const;
  void FillDraw(int32_t frame, DrawMask* draw) const;

  // Without its paths: those are here, of each shape one for each key frame.
  Mask mask_;
  const FollowPart part_;
  std::vector<std::vector<SvgPath>> paths_;
};

}  // namespace selvage::plan
