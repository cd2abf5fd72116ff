// Which frames of what are needed, from the targets up.
#include "server/plan/cut.h"

namespace selvage::plan {
namespace {

// What a segment that reads itself at other frames needs of itself.
FrameSet WithOwnFrames(const Segment& s, int self, const FrameSet& frames) {
  for (const SideInput& side : s.sides) {
    if (side.source.type == Source::kSegment && side.source.index == self) return side.at.Reached(frames);
  }
  return frames;
}

// Those frames and the ones around them that a window reads.
FrameSet Widened(const FrameSet& frames, int window, const Frames& reach) {
  if (window == 0) return frames;
  FrameSet wide = frames.Moved(-window, window).Intersect(reach);
  wide.Add(frames);
  return wide;
}

class DemandFinder {
 public:
  DemandFinder(const Stack& stack, const StackCut& cut, Demand* demand) : cut_(cut), demand_(*demand) {
    demand_.segment.resize(cut.segments.size());
    demand_.plate.resize(stack.plate_size());
    demand_.mask.resize(stack.mask_size());
  }

  // Users before their inputs.
  void Find() {
    for (size_t i = cut_.segments.size(); i-- > 0;) {
      const Segment& s = cut_.segments[i];
      demand_.segment[i] = WithOwnFrames(s, static_cast<int>(i), demand_.segment[i]);
      const FrameSet frames = demand_.segment[i];
      if (!frames.empty()) AskFor(s, static_cast<int>(i), frames);
    }
  }

 private:
  void AskFor(const Segment& s, int self, const FrameSet& frames) {
    const FrameSet wide = Widened(frames, s.window, s.reach);
    Need(s.main, wide);
    for (const SideInput& side : s.sides) {
      if (side.source.type == Source::kSegment && side.source.index == self) continue;
      if (side.at) {
        // A motion is read where the window gets to.
        const FrameSet readers =
            side.offset == 0 ? frames : frames.Intersect(s.reach.Moved(-side.offset, -side.offset));
        Need(side.source, side.at.Of(readers));
      } else {
        Need(side.source, side.windowed ? wide : frames);
      }
    }
  }

  void Need(const Source& source, const FrameSet& frames) {
    if (source.type == Source::kPlate) demand_.plate[source.index].Add(frames);
    if (source.type == Source::kMask) demand_.mask[source.index].Add(frames);
    if (source.type == Source::kSegment) demand_.segment[source.index].Add(frames);
  }

  const StackCut& cut_;
  Demand& demand_;
};

}  // namespace

Demand FindDemand(const Stack& stack, const std::vector<FrameSet>& target_frames, const StackCut& cut) {
  Demand demand;
  DemandFinder finder(stack, cut, &demand);
  for (size_t i = 0; i < target_frames.size(); ++i) {
    if (cut.target_segment[i] >= 0) demand.segment[cut.target_segment[i]].Add(target_frames[i]);
  }
  finder.Find();
  return demand;
}

Demand FindDemand(const Stack& stack, const std::vector<Target>& targets, const StackCut& cut) {
  // In order, so that a set grows at its end.
  std::vector<std::vector<int32_t>> wanted(cut.segments.size());
  for (size_t i = 0; i < targets.size(); ++i) {
    if (cut.target_segment[i] >= 0) wanted[cut.target_segment[i]].push_back(targets[i].frame);
  }
  Demand demand;
  DemandFinder finder(stack, cut, &demand);
  for (size_t s = 0; s < wanted.size(); ++s) {
    std::sort(wanted[s].begin(), wanted[s].end());
    for (const int32_t frame : wanted[s]) demand.segment[s].Add(Frames{frame, frame});
  }
  finder.Find();
  return demand;
}

}  // namespace selvage::plan
