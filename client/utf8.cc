#include "client/utf8.h"

#include <algorithm>

namespace selvage::client {
namespace {

bool Continues(char c) { return (static_cast<unsigned char>(c) & 0xc0) == 0x80; }

}  // namespace

uint32_t CodePoint(absl::string_view character) {
  constexpr uint32_t kFirst[] = {0, 0x7f, 0x1f, 0x0f, 0x07};
  uint32_t code = static_cast<unsigned char>(character[0]) & kFirst[std::min<size_t>(character.size(), 4)];
  for (size_t i = 1; i < character.size(); ++i) code = code << 6 | (static_cast<unsigned char>(character[i]) & 0x3f);
  return code;
}

size_t InvalidUtf8At(absl::string_view text) {
  constexpr uint32_t kLeast[] = {0, 0, 0x80, 0x800, 0x10000};
  for (size_t at = 0; at < text.size();) {
    const auto first = static_cast<unsigned char>(text[at]);
    const size_t size = Utf8Size(text[at]);
    if ((first >= 0x80 && first < 0xc2) || first > 0xf4 || at + size > text.size()) return at;
    for (size_t i = 1; i < size; ++i) {
      if (!Continues(text[at + i])) return at;
    }
    const uint32_t code = CodePoint(text.substr(at, size));
    if (code < kLeast[size] || code > 0x10ffff || (code >= 0xd800 && code < 0xe000)) return at;
    at += size;
  }
  return absl::string_view::npos;
}

size_t CharactersBefore(absl::string_view line, size_t at) {
  return static_cast<size_t>(std::count_if(line.begin(),
                                           line.begin() + static_cast<ptrdiff_t>(std::min(at, line.size())),
                                           [](char c) { return !Continues(c); }));
}

}  // namespace selvage::client
