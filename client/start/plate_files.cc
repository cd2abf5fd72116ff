#include "client/start/plate_files.h"

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <functional>
#include <tuple>

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "proto/frame_pattern.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

constexpr size_t kMostDigits = 9, kMostMissing = 10;
// As many as a stack may have.
constexpr int kMostFrames = 100'000;
// Frames that are further apart are no counting from another number.
constexpr int64_t kMostOffset = 10'000'000;

bool IsFrameDigit(char c) { return c >= '0' && c <= '9'; }

// Calls use(name, frame, rest) for the files whose names begin like the pattern's and go on with
// a number, and then with `rest`, in any order.
void EachNumbered(const FilePattern& pattern,
                  const std::function<void(const std::string& name, int frame, const std::string& rest)>& use) {
  const size_t slash = pattern.before.rfind('/');
  const fs::path folder = pattern.before.substr(0, slash + 1);
  const std::string prefix = pattern.before.substr(slash + 1);
  std::error_code error;
  for (fs::directory_iterator entry(folder, error), end; !error && entry != end; entry.increment(error)) {
    const std::string name = entry->path().filename().string();
    if (!name.starts_with(prefix)) continue;
    size_t stop = prefix.size();
    if (stop < name.size() && name[stop] == '-') ++stop;
    while (stop < name.size() && IsFrameDigit(name[stop])) ++stop;
    int frame;
    if (absl::SimpleAtoi(name.substr(prefix.size(), stop - prefix.size()), &frame)) {
      use(name, frame, name.substr(stop));
    }
  }
}

// Frames that have a file, ascending.
std::vector<int> FramesOnDisk(const FilePattern& pattern) {
  std::vector<int> frames;
  EachNumbered(pattern, [&](const std::string&, int frame, const std::string&) {
    std::error_code error;
    // Also that the number is written the pattern's way, and what follows it.
    if (fs::is_regular_file(pattern.At(frame), error)) frames.push_back(frame);
  });
  std::sort(frames.begin(), frames.end());
  frames.erase(std::unique(frames.begin(), frames.end()), frames.end());
  return frames;
}

// Whether the frame before or after that file is there. A number in a name is no frame else:
// shot_0360.png beside shot_0720.png is a still.
bool HasNeighbour(const FilePattern& pattern, const std::string& path) {
  const std::vector<int> frames = FramesOnDisk(pattern);
  for (size_t i = 1; i < frames.size(); ++i) {
    if (frames[i] - frames[i - 1] == 1 && (pattern.At(frames[i]) == path || pattern.At(frames[i - 1]) == path)) {
      return true;
    }
  }
  return false;
}

absl::Status Refused(const Annotate& of, const std::string& what) { return of(absl::InvalidArgumentError(what)); }

absl::StatusOr<PlateFiles> FindStill(const Annotate& of, const std::string& path, const std::optional<Frames>& wanted) {
  std::error_code error;
  if (!wanted && !fs::is_regular_file(path, error)) {
    return Refused(of,
                   "there is no such file; expected a path with %04d for the frame number, or the path of one frame");
  }
  return PlateFiles{path, wanted.value_or(Frames{1, 1}), true, {}, {}};
}

}  // namespace

std::string PatternOfFrame(const std::string& path) {
  const size_t name = path.rfind('/') + 1;
  // The number of a type (.jp2) is no frame.
  const size_t dot = path.rfind('.');
  size_t end = dot == std::string::npos || dot < name ? path.size() : dot;
  while (end > name && !IsFrameDigit(path[end - 1])) --end;
  size_t begin = end;
  while (begin > name && IsFrameDigit(path[begin - 1])) --begin;
  const size_t digits = end - begin;
  if (digits == 0 || digits > kMostDigits) return "";
  return absl::StrCat(path.substr(0, begin), digits == 1 ? "%d" : absl::StrCat("%0", digits, "d"), path.substr(end));
}

absl::StatusOr<PlateFiles> FindPlateFiles(const std::string& given, const std::optional<Frames>& wanted,
                                          const std::string& argument) {
  const Annotate of(argument, given);
  if (given.find_first_of("*?") != std::string::npos) {
    return Refused(of, "write %04d (or %d) where the frame number is, as in plates/apiary_010.%04d.exr");
  }
  std::string path = fs::absolute(given).lexically_normal().string();
  ASSIGN_OR_RETURN(FilePattern pattern, ParsePattern(path), of);
  if (pattern.still()) {
    const std::string pattern_of_it = PatternOfFrame(path);
    std::error_code error;
    if (pattern_of_it.empty() || !fs::is_regular_file(path, error)) return FindStill(of, path, wanted);
    ASSIGN_OR_RETURN(const FilePattern sequence, ParsePattern(pattern_of_it), of);
    if (!wanted && !HasNeighbour(sequence, path)) return FindStill(of, path, wanted);
    path = pattern_of_it;
    pattern = sequence;
  }
  PlateFiles found;
  found.pattern = path;
  std::vector<int> frames = FramesOnDisk(pattern);
  if (frames.empty()) {
    if (!wanted) {
      return Refused(of,
                     "no such files are seen from here; if the daemon sees them, say which frames: --frames 1001-1048");
    }
    found.frames = *wanted;
    return found;
  }
  if (wanted) {
    std::erase_if(frames, [&](int frame) { return frame < wanted->first || frame > wanted->last; });
    if (frames.empty()) return Refused(of, absl::StrCat("has no frame within ", wanted->first, "-", wanted->last));
  }
  found.frames = wanted.value_or(Frames{frames.front(), frames.back()});
  if (int64_t{found.frames.last} - found.frames.first >= kMostFrames) {
    return Refused(of, absl::StrCat("frames ", found.frames.first, "-", found.frames.last, " are more than ",
                                    kMostFrames, "; give fewer with --frames"));
  }
  for (int frame = found.frames.first; frame <= found.frames.last && found.missing.size() < kMostMissing; ++frame) {
    if (!std::binary_search(frames.begin(), frames.end(), frame)) found.missing.push_back(frame);
  }
  found.present = std::move(frames);
  return found;
}

std::vector<OtherSpelling> FindOtherSpellings(const PlateFiles& files) {
  std::vector<OtherSpelling> found;
  const auto pattern = ParsePattern(files.pattern);
  if (!pattern.ok() || pattern->still()) return found;
  EachNumbered(*pattern, [&](const std::string& name, int frame, const std::string& rest) {
    if (frame < files.frames.first || frame > files.frames.last || rest != pattern->after) return;
    if (fs::path(pattern->At(frame)).filename() != name) found.push_back({frame, name});
  });
  std::sort(found.begin(), found.end(), [](const OtherSpelling& a, const OtherSpelling& b) {
    return std::tie(a.frame, a.name) < std::tie(b.frame, b.name);
  });
  return found;
}

std::vector<int> Existing(std::vector<int> frames, const PlateFiles& files) {
  const std::vector<int>& present = files.present;
  if (present.empty()) return frames;
  for (int& frame : frames) {
    const auto after = std::lower_bound(present.begin(), present.end(), frame);
    if (after == present.begin()) {
      frame = *after;
    } else if (after == present.end() || int64_t{frame} - *std::prev(after) <= int64_t{*after} - frame) {
      frame = *std::prev(after);
    } else {
      frame = *after;
    }
  }
  frames.erase(std::unique(frames.begin(), frames.end()), frames.end());
  return frames;
}

absl::StatusOr<BackgroundFiles> FindBackground(const std::string& given, const Frames& shot) {
  BackgroundFiles found{fs::absolute(given).lexically_normal().string()};
  ASSIGN_OR_RETURN(const FilePattern pattern, ParsePattern(found.pattern), Annotate("--background ", given));
  std::error_code error;
  if (pattern.still()) {
    if (fs::is_regular_file(found.pattern, error)) return found;
    return absl::NotFoundError(absl::StrCat("--background ", given, ": there is no such file"));
  }
  const std::vector<int> frames = FramesOnDisk(pattern);
  if (frames.empty()) return absl::NotFoundError(absl::StrCat("--background ", given, ": there are no such files"));
  const auto first = std::lower_bound(frames.begin(), frames.end(), shot.first);
  const bool none_in_shot = first == frames.end() || *first > shot.last;
  const int64_t offset = int64_t{frames.front()} - shot.first;
  if (none_in_shot && std::abs(offset) <= kMostOffset) found.offset = static_cast<int>(offset);
  return found;
}

}  // namespace selvage::client
