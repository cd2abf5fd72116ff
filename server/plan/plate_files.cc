// Which files a stack reads for its targets.
#include <algorithm>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "server/plan/cut.h"

namespace selvage::plan {
namespace {

// One plate's files, looked up once each.
class PlateFinder {
 public:
  PlateFinder(const Stack& stack, int plate, const std::function<bool(const std::string&)>& exists)
      : plate_(stack.plate(plate)),
        pattern_(*ParsePattern(plate_.files())),
        frames_(PlateFrames(stack, plate_)),
        exists_(exists) {}

  // The file for a frame; nullopt if there is none and none may stand in.
  std::optional<std::string> Find(int32_t frame) {
    if (pattern_.still()) return Exists(0) ? std::optional(pattern_.At(0)) : std::nullopt;
    if (frames_.Contains(frame) && Exists(frame)) return pattern_.At(frame);
    if (plate_.missing() != Plate::HOLD) return std::nullopt;
    const auto held = Held(std::clamp(frame, frames_.first, frames_.last));
    return held ? std::optional(pattern_.At(*held)) : std::nullopt;
  }

  std::string Name(int32_t frame) const { return pattern_.At(frame); }
  const Frames& frames() const { return frames_; }

 private:
  bool Exists(int32_t frame) {
    auto [it, is_new] = known_.try_emplace(frame, false);
    if (is_new) it->second = exists_(pattern_.At(frame));
    return it->second;
  }

  // Nearest earlier frame that exists, else the nearest later one. All frames
  // are looked at once, when the first one is missing: searching from each
  // missing frame anew would take quadratic time.
  std::optional<int32_t> Held(int32_t frame) {
    if (!listed_) {
      listed_ = true;
      for (int64_t f = frames_.first; f <= frames_.last; ++f) {
        if (Exists(static_cast<int32_t>(f))) existing_.push_back(static_cast<int32_t>(f));
      }
    }
    if (existing_.empty()) return std::nullopt;
    const auto later = std::upper_bound(existing_.begin(), existing_.end(), frame);
    return later == existing_.begin() ? existing_.front() : *std::prev(later);
  }

  const Plate& plate_;
  const FilePattern pattern_;
  const Frames frames_;
  const std::function<bool(const std::string&)>& exists_;
  absl::flat_hash_map<int32_t, bool> known_;
  bool listed_ = false;
  std::vector<int32_t> existing_;
};

// One sentence a plate, however many frames are missing.
std::string MissingMessage(const Plate& plate, const PlateFinder& finder, const std::vector<int32_t>& missing) {
  const int32_t first = missing.front();
  std::string text = absl::StrCat("plate \"", plate.name(), "\"");
  if (!finder.frames().Contains(first)) {
    absl::StrAppend(&text, ": frame ", first, " is outside its frames ", finder.frames().first, " to ",
                    finder.frames().last);
  } else if (finder.frames().all()) {
    return absl::StrCat(text, ": there is no file ", finder.Name(first));
  } else {
    absl::StrAppend(&text, ": frame ", first, " is missing, there is no file ", finder.Name(first));
  }
  if (missing.size() > 1) absl::StrAppend(&text, " (and ", missing.size() - 1, " more frames)");
  if (plate.missing() == Plate::HOLD) return absl::StrCat(text, ", and no other frame to hold");
  return absl::StrCat(text, "; `missing: HOLD` takes the nearest frame");
}

}  // namespace

PlateFiles FindPlateFiles(const Stack& stack, const std::vector<Target>& targets,
                          const std::function<bool(const std::string& path)>& exists) {
  PlateFiles found;
  const StackCut cut = CutStack(stack, targets);
  found.errors = cut.errors;
  Demand demand = FindDemand(stack, targets, cut, Limits());
  if (demand.error) {
    found.errors.push_back(*demand.error);
    return found;
  }
  // The format is that of the first plate at its first frame.
  if (!stack.has_format() && stack.plate_size() > 0) {
    const Frames frames = PlateFrames(stack, stack.plate(0));
    const int32_t first = frames.all() ? stack.frames().first() : frames.first;
    auto& needed = demand.plate[0];
    auto at = std::lower_bound(needed.begin(), needed.end(), first);
    if (at == needed.end() || *at != first) needed.insert(at, first);
  }
  for (int p = 0; p < stack.plate_size(); ++p) {
    if (demand.plate[p].empty()) continue;
    PlateFinder finder(stack, p, exists);
    std::vector<int32_t> missing;
    for (int32_t frame : demand.plate[p]) {
      if (auto path = finder.Find(frame)) {
        found.files.push_back({p, frame, *std::move(path)});
      } else {
        missing.push_back(frame);
      }
    }
    if (missing.empty()) continue;
    StackError& error = found.errors.emplace_back();
    error.set_path(absl::StrCat("plate[", p, "].files"));
    error.set_message(MissingMessage(stack.plate(p), finder, missing));
  }
  return found;
}

}  // namespace selvage::plan
