// Words of artists that are not a stack: names of files, sizes, addresses.
#include "proto/address.h"
#include "proto/frame_pattern.h"
#include "proto/size.h"
#include "tests/fuzz/target.h"

using namespace selvage;

FUZZ_TARGET(pattern) {
  const std::string files(text);
  if (const auto pattern = ParsePattern(files); pattern.ok()) {
    for (const int frame : {-1001, 0, 1, 1001, 2147483647, -2147483647 - 1}) {
      const std::string path = pattern->At(frame);
      MUST(path.size() <= files.size() + 4096);
      if (pattern->still()) MUST(path.find(pattern->before) == 0);
    }
  } else {
    MUST(pattern.status().code() == absl::StatusCode::kInvalidArgument);
    MUST(!pattern.status().message().empty());
  }
  if (CheckBraces(files).ok()) (void)FillBraces(files, "a", 3);
  (void)ParseSize(files);
  (void)ParseAddress(files);
}
