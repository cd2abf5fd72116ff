#include "server/plan/file_clash.h"

#include <charconv>
#include <filesystem>

namespace selvage::plan {
namespace {

std::string Normal(const std::string& path) { return std::filesystem::path(path).lexically_normal().string(); }

}  // namespace

FileNames::FileNames(const std::string& files) : pattern_(*ParsePattern(Normal(files))) {}

bool FileNames::Has(const std::string& path) const {
  if (pattern_.still()) return path == pattern_.before;
  const size_t fixed = pattern_.before.size() + pattern_.after.size();
  if (path.size() <= fixed || !path.starts_with(pattern_.before) || !path.ends_with(pattern_.after)) return false;
  const char* begin = path.data() + pattern_.before.size();
  const char* end = path.data() + path.size() - pattern_.after.size();
  int32_t frame = 0;
  const auto parsed = std::from_chars(begin, end, frame);
  return parsed.ec == std::errc() && parsed.ptr == end && pattern_.At(frame) == path;
}

// What stands before the numbers, and behind them, must be the beginning (the end) of one
// another.
bool FileNames::MayMeet(const FileNames& other) const {
  const std::string &a = pattern_.before, &b = other.pattern_.before;
  const std::string &c = pattern_.after, &d = other.pattern_.after;
  return (a.starts_with(b) || b.starts_with(a)) &&
         (pattern_.still() || other.pattern_.still() || c.ends_with(d) || d.ends_with(c));
}

std::optional<int32_t> FileNames::ClashAt(const Frames& frames, const FileNames& other, int64_t* looks) const {
  if (!MayMeet(other)) return std::nullopt;
  const bool alike = pattern_.before == other.pattern_.before && pattern_.after == other.pattern_.after;
  // The same name but for its width: if at all, then at an end. Files without number are
  // the same at all frames.
  if (alike || pattern_.still() || *looks < frames.size()) {
    for (const int32_t frame : {frames.first, frames.last}) {
      if (other.Has(At(frame))) return frame;
    }
    return std::nullopt;
  }
  *looks -= frames.size();
  for (int64_t frame = frames.first; frame <= frames.last; ++frame) {
    if (other.Has(At(static_cast<int32_t>(frame)))) return static_cast<int32_t>(frame);
  }
  return std::nullopt;
}

}  // namespace selvage::plan
