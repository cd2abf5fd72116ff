// What can be asked of a stack, frame by frame.
#include "server/plan/cut.h"

namespace selvage::plan {
namespace {

void AddTargets(const Target& at, const Frames& frames, std::vector<Target>* targets) {
  for (int64_t f = frames.first; f <= frames.last; ++f) {
    targets->push_back(at);
    targets->back().frame = static_cast<int32_t>(f);
  }
}

void AddTargets(const Stack& stack, const Deliverable& d, std::vector<Target>* targets) {
  const FrameRange& range = d.has_frames() ? d.frames() : stack.frames();
  Target t;
  t.deliverable = d.name();
  AddTargets(t, {range.first(), range.last()}, targets);
}

}  // namespace

std::vector<Target> DeliverableTargets(const Stack& stack) {
  std::vector<Target> targets;
  for (const Deliverable& d : stack.deliver()) AddTargets(stack, d, &targets);
  return targets;
}

std::vector<Target> PassTargets(const Stack& stack, const std::string& pass) {
  std::vector<Target> targets;
  if (pass.starts_with("deliver ")) {
    for (const Deliverable& d : stack.deliver()) {
      if (d.name() == pass.substr(8)) AddTargets(stack, d, &targets);
    }
    return targets;
  }
  Target t;
  t.source = pass;
  t.frame = stack.frames().first();
  const StackCut cut = CutStack(stack, {t});
  const int segment = cut.target_segment.empty() ? -1 : cut.target_segment.front();
  if (segment < 0) return targets;
  const Frames frames = cut.segments[segment].available.Intersect({stack.frames().first(), stack.frames().last()});
  AddTargets(t, frames, &targets);
  return targets;
}

}  // namespace selvage::plan
