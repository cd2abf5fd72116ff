#include "server/plan/follow.h"

#include <algorithm>

#include "absl/strings/str_cat.h"

namespace selvage::plan {
namespace {

using KeyFrames = google::protobuf::RepeatedPtrField<Mask::KeyFrame>;

// The first one not before `frame`.
KeyFrames::const_iterator From(const KeyFrames& at, int32_t frame) {
  return std::lower_bound(at.begin(), at.end(), frame, [](const auto& k, int32_t f) { return k.frame() < f; });
}

}  // namespace

bool IsDrawnAt(const Mask::Shape& shape, int32_t frame) {
  const auto next = From(shape.at(), frame);
  return next != shape.at().end() && next->frame() == frame;
}

bool NeedsForward(const Mask::Shape& shape, int32_t frame) {
  return !IsDrawnAt(shape, frame) && From(shape.at(), frame) != shape.at().begin();
}

bool NeedsBackward(const Mask::Shape& shape, int32_t frame) {
  const auto next = From(shape.at(), frame);
  if (IsDrawnAt(shape, frame) || next == shape.at().end()) return false;
  return shape.ease() != HOLD || next == shape.at().begin();
}

FollowSteps::FollowSteps(const Mask& mask, const FollowPart& part) : mask_(mask), part_(part) {
  for (const Mask::Shape& shape : mask.shape()) {
    auto& paths = paths_.emplace_back();
    for (const auto& at : shape.at()) paths.push_back(*ParseSvgPath(at.path()));
  }
}

Outline FollowSteps::Drawn(int shape, int32_t frame) const {
  const KeyFrames& at = mask_.shape(shape).at();
  Outline outline;
  for (const SubPath& sub : paths_[shape][From(at, frame) - at.begin()].sub_paths) {
    auto* xy = outline.add_path()->mutable_xy();
    // -0 becomes +0.
    for (double v : sub.xy) xy->Add(v + 0.0);
  }
  return outline;
}

void FollowSteps::FillCarry(int32_t frame, CarryPoints* carry) const {
  const Mask::Shape& shape = mask_.shape(part_.shape);
  const bool backward = part_.does == FollowPart::kBackward;
  const int32_t neighbour = backward ? frame + 1 : frame - 1;
  if (IsDrawnAt(shape, neighbour)) {
    *carry->mutable_drawn() = Drawn(part_.shape, neighbour);
  } else {
    carry->set_from("from");
  }
  carry->set_motion("motion");
  carry->set_backward(backward);
  carry->set_around(shape.subtract());
  carry->set_even_odd(shape.rule() == Mask::EVENODD);
}

void FollowSteps::FillDraw(int32_t frame, DrawMask* draw) const {
  for (int i = 0; i < mask_.shape_size(); ++i) {
    const Mask::Shape& shape = mask_.shape(i);
    DrawMask::Shape* to = draw->add_shape();
    const bool forward = NeedsForward(shape, frame), backward = NeedsBackward(shape, frame);
    if (IsDrawnAt(shape, frame)) *to->mutable_drawn() = Drawn(i, frame);
    if (forward) to->set_before(absl::StrCat("shape[", i, "].before"));
    if (backward) to->set_after(absl::StrCat("shape[", i, "].after"));
    if (forward && backward) {
      const auto after = From(shape.at(), frame);
      const double first = std::prev(after)->frame();
      to->set_mix(Eased(shape.ease(), (frame - first) / (after->frame() - first)));
    }
    to->set_feather(NumberAt(shape.feather(), frame, 0));
    to->set_opacity(NumberAt(shape.opacity(), frame, 1));
    to->set_subtract(shape.subtract());
    to->set_even_odd(shape.rule() == Mask::EVENODD);
  }
  draw->set_invert(mask_.invert());
}

ResolvedSteps FollowSteps::At(int32_t frame) const {
  Step step;
  if (part_.does == FollowPart::kDraw) {
    FillDraw(frame, step.mutable_draw_mask());
  } else {
    FillCarry(frame, step.mutable_carry_points());
  }
  return AsResolved({std::move(step)});
}

}  // namespace selvage::plan
