// Which files a stack reads for its targets.
#include <algorithm>

#include "absl/container/flat_hash_map.h"
#include "absl/strings/str_cat.h"
#include "server/plan/price.h"

namespace selvage::plan {
namespace {

// One plate's files, looked up once each.
class PlateFinder {
 public:
  PlateFinder(const Stack& stack, int plate, const std::function<bool(const std::string&)>& exists,
              const GiveUp& give_up)
      : plate_(stack.plate(plate)),
        pattern_(*ParsePattern(plate_.files())),
        frames_(PlateFrames(stack, plate_)),
        exists_(exists),
        give_up_(give_up) {}

  // The file for a frame; nullopt if there is none and none may stand in.
  std::optional<std::string> Find(int32_t frame) {
    if (pattern_.still()) return Exists(0) ? std::optional(Name(0)) : std::nullopt;
    if (frames_.Contains(frame) && Exists(frame)) return Name(frame);
    if (plate_.missing() != Plate::HOLD) return std::nullopt;
    const auto held = Held(std::clamp(frame, frames_.first, frames_.last));
    return held ? std::optional(Name(*held)) : std::nullopt;
  }

  std::string Name(int32_t frame) const { return pattern_.At(Number(frame)); }
  // The frame as files are numbered.
  int32_t Number(int32_t frame) const { return frame + plate_.offset(); }
  const Frames& frames() const { return frames_; }

  // Frames that exist, if one of a shot's own is not among them though others are: then
  // one frame stands for all. nullopt where all is well.
  std::optional<Frames> NoneOf(const Frames& shot) {
    if (!listed_ || existing_.empty() || frames_.first == frames_.last) return std::nullopt;
    const auto first = std::lower_bound(existing_.begin(), existing_.end(), shot.first);
    if (first != existing_.end() && *first <= shot.last) return std::nullopt;
    return Frames{existing_.front(), existing_.back()};
  }

  // Whether files are numbered from 0 or 1 on, where the shot begins at another number.
  std::optional<int32_t> NumberedFrom() const {
    for (const int32_t number : {1, 0}) {
      if (exists_(pattern_.At(number))) return number;
    }
    return std::nullopt;
  }

 private:
  bool Exists(int32_t frame) {
    auto [it, is_new] = known_.try_emplace(frame, false);
    if (is_new) it->second = exists_(Name(frame));
    return it->second;
  }

  // Nearest earlier frame that exists, else the nearest later one. All frames
  // are looked at once, when the first one is missing: searching from each
  // missing frame anew would take quadratic time.
  std::optional<int32_t> Held(int32_t frame) {
    if (!listed_) {
      listed_ = true;
      for (int64_t f = frames_.first; f <= frames_.last && !(give_up_ && give_up_()); ++f) {
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
  const GiveUp& give_up_;
  absl::flat_hash_map<int32_t, bool> known_;
  bool listed_ = false;
  std::vector<int32_t> existing_;
};

// "; the files seem to be numbered from 1: set `offset: -1000`"
std::string OffsetAdvice(const PlateFinder& finder, const Frames& shot) {
  if (finder.frames().all()) return "";
  const auto from = finder.NumberedFrom();
  if (!from || shot.Contains(*from)) return "";
  return absl::StrCat("; the files seem to be numbered from ", *from, ": set `offset: ", int64_t{*from} - shot.first,
                      "`");
}

// One sentence a plate, however many frames are missing.
std::string MissingMessage(const Plate& plate, const PlateFinder& finder, const std::vector<int32_t>& missing,
                           bool none_is_there, const Frames& shot) {
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
  const std::string advice = none_is_there ? OffsetAdvice(finder, shot) : "";
  if (!advice.empty()) return text + advice;
  if (plate.missing() == Plate::HOLD) return absl::StrCat(text, ", and no other frame to hold");
  return absl::StrCat(text, "; `missing: HOLD` uses the nearest frame instead");
}

// `there`: what exists instead.
std::string HeldMessage(const Plate& plate, const PlateFinder& finder, const Frames& there, const Frames& shot) {
  const int32_t first = finder.Number(there.first), last = finder.Number(there.last);
  return absl::StrCat("plate \"", plate.name(), "\": none of the frames ", shot.first, "-", shot.last,
                      " exists, one frame would be held for all of them; the files are numbered ", first, "-", last,
                      ": set `offset: ", int64_t{first} - shot.first, "`");
}

}  // namespace

absl::StatusOr<PlateFiles> FindPlateFiles(const Stack& stack, const std::vector<Target>& targets,
                                          const std::function<bool(const std::string& path)>& exists,
                                          const Limits& limits, const GiveUp& give_up) {
  PlateFiles found;
  const StackCut cut = CutStack(stack, targets);
  found.errors = cut.errors;
  Demand demand = FindDemand(stack, targets, cut);
  if (auto error = TooCostly(PriceOf(stack, cut, demand), limits)) {
    found.errors.push_back(*std::move(error));
    return found;
  }
  // The format is that of the first plate at its first frame.
  if (!stack.has_format() && stack.plate_size() > 0) {
    const Frames frames = PlateFrames(stack, stack.plate(0));
    const int32_t first = frames.all() ? stack.frames().first() : frames.first;
    demand.plate[0].Add(Frames{first, first});
  }
  for (int p = 0; p < stack.plate_size(); ++p) {
    PlateFinder finder(stack, p, exists, give_up);
    std::vector<int32_t> missing;
    for (const Frames& range : demand.plate[p].ranges()) {
      for (int64_t frame = range.first; frame <= range.last; ++frame) {
        if (give_up && give_up()) return absl::CancelledError("cancelled: no request needs this plan");
        if (auto path = finder.Find(static_cast<int32_t>(frame))) {
          found.files.push_back({p, static_cast<int32_t>(frame), *std::move(path)});
        } else {
          missing.push_back(static_cast<int32_t>(frame));
        }
      }
    }
    const Frames shot{stack.frames().first(), stack.frames().last()};
    const auto others = finder.NoneOf(shot);
    if (missing.empty() && !others) continue;
    const bool none_is_there = static_cast<int64_t>(missing.size()) == demand.plate[p].size();
    StackError& error = found.errors.emplace_back();
    error.set_path(absl::StrCat("plate[", p, "].files"));
    error.set_message(others ? HeldMessage(stack.plate(p), finder, *others, shot)
                             : MissingMessage(stack.plate(p), finder, missing, none_is_there, shot));
  }
  return found;
}

}  // namespace selvage::plan
