#include "proto/frame_pattern.h"

#include "absl/strings/ascii.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "absl/strings/str_replace.h"
#include "absl/strings/str_split.h"
#include "proto/status.h"

namespace selvage {
namespace {

constexpr size_t kMaxPathBytes = 4096;
constexpr int kMaxDigits = 9;

absl::Status CheckPath(const std::string& files) {
  if (files.empty()) return absl::InvalidArgumentError("is empty, needs a path");
  if (files.size() > kMaxPathBytes) return absl::InvalidArgumentError("is longer than 4,096 bytes");
  for (char c : files) {
    if (absl::ascii_iscntrl(static_cast<unsigned char>(c))) {
      return absl::InvalidArgumentError("holds a control character");
    }
  }
  for (absl::string_view part : absl::StrSplit(files, '/')) {
    if (part == "..") return absl::InvalidArgumentError("must not go up with \"..\"");
  }
  return absl::OkStatus();
}

constexpr absl::string_view kStackName = "{stack}", kVersionNumber = "{version}";

}  // namespace

std::string FilePattern::At(int32_t frame) const {
  if (still()) return before;
  std::string number = std::to_string(frame < 0 ? -int64_t{frame} : int64_t{frame});
  const int width = digits - (frame < 0);
  if (static_cast<int>(number.size()) < width) number.insert(0, width - number.size(), '0');
  return absl::StrCat(before, frame < 0 ? "-" : "", number, after);
}

absl::StatusOr<FilePattern> ParsePattern(const std::string& files) {
  RETURN_IF_ERROR(CheckPath(files));
  FilePattern pattern;
  std::string* text = &pattern.before;
  for (size_t i = 0; i < files.size(); ++i) {
    if (files[i] != '%') {
      text->push_back(files[i]);
      continue;
    }
    size_t end = i + 1;
    while (end < files.size() && absl::ascii_isdigit(static_cast<unsigned char>(files[end]))) ++end;
    const std::string width = files.substr(i + 1, end - i - 1);
    const bool good = end < files.size() && files[end] == 'd' &&
                      (width.empty() || (width.size() == 2 && width[0] == '0' && width[1] >= '1'));
    if (!good) {
      return absl::InvalidArgumentError(absl::StrCat("has \"", files.substr(i, end + 1 - i),
                                                     "\", allowed is one %d or %0", "Nd, N 1 to ", kMaxDigits));
    }
    if (!pattern.still()) return absl::InvalidArgumentError("has two frame numbers, allowed is one %d or %04d");
    pattern.digits = width.empty() ? 1 : width[1] - '0';
    text = &pattern.after;
    i = end;
  }
  if (files.back() == '/') return absl::InvalidArgumentError("names a folder, needs files");
  return pattern;
}

std::string FillBraces(const std::string& files, const std::string& stack, uint32_t version) {
  return absl::StrReplaceAll(files, {{kStackName, stack}, {kVersionNumber, absl::StrFormat("%03u", version)}});
}

absl::Status CheckBraces(const std::string& files) {
  for (size_t at = files.find_first_of("{}"); at != std::string::npos; at = files.find_first_of("{}", at)) {
    const size_t close = files.find('}', at);
    const size_t end = close == std::string::npos ? files.size() : close + 1;
    const absl::string_view part = absl::string_view(files).substr(at, end - at);
    if (part != kStackName && part != kVersionNumber) {
      return absl::InvalidArgumentError(
          absl::StrCat("has \"", part, "\", allowed in braces are {stack} and {version}"));
    }
    at = end;
  }
  return absl::OkStatus();
}

}  // namespace selvage
