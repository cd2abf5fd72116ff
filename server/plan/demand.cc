// Which frames of what are needed, from the targets up.
#include <algorithm>
#include <set>

#include "absl/strings/str_cat.h"
#include "server/plan/cut.h"

namespace selvage::plan {
namespace {

// Ascending, each once. Most users of a pass want the same frames.
void AddFrames(const std::vector<int32_t>& more, std::vector<int32_t>* frames) {
  if (*frames == more || more.empty()) return;
  if (frames->empty()) {
    *frames = more;
    return;
  }
  std::vector<int32_t> both;
  both.reserve(frames->size() + more.size());
  std::set_union(frames->begin(), frames->end(), more.begin(), more.end(), std::back_inserter(both));
  *frames = std::move(both);
}

std::vector<int32_t> Widen(const std::vector<int32_t>& frames, int window, const Frames& reach) {
  if (window == 0) return frames;
  std::vector<int32_t> wide;
  wide.reserve(frames.size() * (2 * window + 1));
  for (int32_t f : frames) {
    for (int64_t k = int64_t{f} - window; k <= int64_t{f} + window; ++k) {
      if (k == f || reach.Contains(k)) wide.push_back(static_cast<int32_t>(k));
    }
  }
  std::sort(wide.begin(), wide.end());
  wide.erase(std::unique(wide.begin(), wide.end()), wide.end());
  return wide;
}

// What a segment that reads itself at other frames needs of itself.
void AddOwnFrames(const Segment& s, int self, std::vector<int32_t>* frames) {
  for (const SideInput& side : s.sides) {
    if (side.source.type != Source::kSegment || side.source.index != self) continue;
    std::set<int32_t> all(frames->begin(), frames->end());
    for (int32_t f : *frames) {
      // Where another one came by before, the way on is known.
      for (auto at = side.at(f); at && all.insert(*at).second;) at = side.at(*at);
    }
    frames->assign(all.begin(), all.end());
  }
}

}  // namespace

Demand FindDemand(const Stack& stack, const std::vector<Target>& targets, const StackCut& cut, const Limits& limits) {
  Demand demand;
  demand.segment.resize(cut.segments.size());
  demand.plate.resize(stack.plate_size());
  for (size_t i = 0; i < targets.size(); ++i) {
    if (cut.target_segment[i] >= 0) demand.segment[cut.target_segment[i]].push_back(targets[i].frame);
  }
  for (auto& frames : demand.segment) {
    std::sort(frames.begin(), frames.end());
    frames.erase(std::unique(frames.begin(), frames.end()), frames.end());
  }
  auto need = [&](const Source& source, const std::vector<int32_t>& frames) {
    if (source.type == Source::kPlate) AddFrames(frames, &demand.plate[source.index]);
    if (source.type == Source::kSegment) AddFrames(frames, &demand.segment[source.index]);
  };
  // Work is bounded by inputs as well as by tasks: a step may have many.
  int64_t tasks = 0, inputs = 0;
  for (size_t i = cut.segments.size(); i-- > 0;) {
    const Segment& s = cut.segments[i];
    AddOwnFrames(s, static_cast<int>(i), &demand.segment[i]);
    const std::vector<int32_t>& frames = demand.segment[i];
    if (frames.empty()) continue;
    tasks += static_cast<int64_t>(frames.size());
    const int64_t windowed =
        1 + std::count_if(s.sides.begin(), s.sides.end(), [](const SideInput& side) { return side.windowed; });
    inputs +=
        static_cast<int64_t>(frames.size()) * (2 * s.window * windowed + 1 + static_cast<int64_t>(s.sides.size()));
    if (tasks > limits.tasks || inputs > 8 * limits.tasks) {
      demand.error.emplace();
      demand.error->set_path("frames");
      demand.error->set_message(
          absl::StrCat("the stack makes more than ", limits.tasks, " tasks: ask for fewer frames or passes"));
      return demand;
    }
    const std::vector<int32_t> wide = Widen(frames, s.window, s.reach);
    need(s.main, wide);
    for (const SideInput& side : s.sides) {
      if (side.source.type == Source::kSegment && side.source.index == static_cast<int>(i)) continue;
      if (side.at) {
        std::vector<int32_t> there;
        for (int32_t f : frames) {
          if (side.offset != 0 && !s.reach.Contains(int64_t{f} + side.offset)) continue;
          if (const auto at = side.at(f); at && (there.empty() || there.back() != *at)) there.push_back(*at);
        }
        need(side.source, there);
      } else {
        need(side.source, side.windowed ? wide : frames);
      }
    }
  }
  return demand;
}

}  // namespace selvage::plan
