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

// The key frames of a followed shape.
bool IsDrawnAt(const Mask::Shape& shape, int32_t frame) {
  const auto next = From(shape.at(), frame);
  return next != shape.at().end() && next->frame() == frame;
}

// Key frames, moved.
std::vector<int32_t> Drawings(const Mask::Shape& shape, int32_t by) {
  std::vector<int32_t> frames;
  for (const auto& at : shape.at()) frames.push_back(at.frame() + by);
  return frames;
}

int32_t FirstOf(const Mask::Shape& shape) { return shape.at(0).frame(); }
int32_t LastOf(const Mask::Shape& shape) { return shape.at(shape.at_size() - 1).frame(); }
Frames After(int32_t frame) { return {frame + 1, Frames().last}; }
Frames Before(int32_t frame) { return {Frames().first, frame - 1}; }

}  // namespace

FrameMap ForwardAt(const Mask::Shape& shape) { return FrameMap::Later(0, After(FirstOf(shape)), Drawings(shape, 0)); }

FrameMap BackwardAt(const Mask::Shape& shape) {
  // Between two key frames the earlier one holds.
  const int32_t end = shape.ease() == HOLD ? FirstOf(shape) : LastOf(shape);
  return FrameMap::Later(0, Before(end), Drawings(shape, 0));
}

FrameMap CarriedFrom(const Mask::Shape& shape, bool backward) {
  return backward ? FrameMap::Later(1, Before(LastOf(shape)), Drawings(shape, -1))
                  : FrameMap::Later(-1, After(FirstOf(shape)), Drawings(shape, 1));
}

FollowSteps::FollowSteps(Mask mask, const FollowPart& part) : mask_(std::move(mask)), part_(part) {
  for (Mask::Shape& shape : *mask_.mutable_shape()) {
    auto& paths = paths_.emplace_back();
    for (auto& at : *shape.mutable_at()) {
      paths.push_back(*ParseSvgPath(at.path()));
      std::string().swap(*at.mutable_path());
    }
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
    const bool drawn = IsDrawnAt(shape, frame);
    const bool forward = !drawn && After(FirstOf(shape)).Contains(frame);
    const bool backward = !drawn && Before(shape.ease() == HOLD ? FirstOf(shape) : LastOf(shape)).Contains(frame);
    if (drawn) *to->mutable_drawn() = Drawn(i, frame);
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

std::shared_ptr<const std::vector<Step>> FollowSteps::At(int32_t frame) const {
  auto steps = std::make_shared<std::vector<Step>>(1);
  if (part_.does == FollowPart::kDraw) {
    FillDraw(frame, steps->front().mutable_draw_mask());
  } else {
    FillCarry(frame, steps->front().mutable_carry_points());
  }
  return steps;
}

}  // namespace selvage::plan
