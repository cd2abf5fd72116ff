#include "proto/frame_pattern.h"

#include <cctype>
#include <cstdlib>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"

namespace selvage {
namespace {

struct Found {
  size_t begin = std::string::npos, end = 0;
  int width = 0;
};

// The directive that starts at `at`, or begin = npos when it is none of ours.
Found Directive(const std::string& pattern, size_t at) {
  Found f;
  size_t i = at + 1;
  if (i < pattern.size() && pattern[i] == '0') {
    ++i;
    if (i >= pattern.size() || pattern[i] < '1' || pattern[i] > '9') return f;
    f.width = pattern[i++] - '0';
  }
  if (i >= pattern.size() || pattern[i] != 'd') return f;
  f.begin = at;
  f.end = i + 1;
  return f;
}

}  // namespace

absl::Status CheckFramePattern(const std::string& pattern) {
  bool seen = false;
  for (size_t at = pattern.find('%'); at != std::string::npos; at = pattern.find('%', at + 1)) {
    if (Directive(pattern, at).begin == std::string::npos) {
      return absl::InvalidArgumentError(
          absl::StrCat("\"", pattern.substr(at, 4), "\" in \"", pattern, "\": only %d and %04d stand for the frame"));
    }
    if (seen) return absl::InvalidArgumentError(absl::StrCat("\"", pattern, "\" has the frame twice"));
    seen = true;
  }
  return absl::OkStatus();
}

bool HasFrame(const std::string& pattern) { return pattern.find('%') != std::string::npos; }

std::string FramePath(const std::string& pattern, int frame) {
  const size_t at = pattern.find('%');
  if (at == std::string::npos) return pattern;
  const Found f = Directive(pattern, at);
  if (f.begin == std::string::npos) return pattern;
  return absl::StrCat(pattern.substr(0, f.begin), absl::StrFormat("%0*d", f.width, frame), pattern.substr(f.end));
}

}  // namespace selvage
