#include "client/frames.h"

#include "absl/strings/numbers.h"
#include "absl/strings/str_cat.h"
#include "client/exit_code.h"

namespace selvage::client {

absl::StatusOr<Frames> ParseFrames(const std::string& text) {
  const size_t dash = text.find('-', 1);
  const std::string first = text.substr(0, dash);
  const std::string last = dash == std::string::npos ? first : text.substr(dash + 1);
  Frames frames;
  if (!absl::SimpleAtoi(first, &frames.first) || !absl::SimpleAtoi(last, &frames.last) || frames.last < frames.first) {
    return UsageError(absl::StrCat(
        "\"", text, "\" is not a range of frames: write FIRST-LAST, as in 1001-1010, or one ", "frame, as in 1001"));
  }
  return frames;
}

}  // namespace selvage::client
