// The beginning of a picture's file, from which intake says what type it is.
#include "client/intake/picture_header.h"
#include "tests/fuzz/target.h"

using namespace selvage;

FUZZ_TARGET(picture_header) {
  const std::string type = client::PictureTypeIn([&](uint64_t offset, size_t count) {
    return offset > text.size() ? std::string() : std::string(text.substr(offset, count));
  });
  MUST(type.size() < 10'000);
  for (const char c : type) MUST(c >= ' ' && c < 127);
}
