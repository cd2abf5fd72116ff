// Characters of a text in UTF-8.
#pragma once

#include <cstddef>
#include <cstdint>

#include "absl/strings/string_view.h"

namespace selvage::client {

// Bytes of the character that begins with this one.
inline size_t Utf8Size(char first) {
  const auto byte = static_cast<unsigned char>(first);
  return byte < 0x80 ? 1 : byte < 0xe0 ? 2 : byte < 0xf0 ? 3 : 4;
}

// REQUIRES: one whole character, see InvalidUtf8At.
uint32_t CodePoint(absl::string_view character);

// Offset of the first byte that is no UTF-8 (Unicode 15, table 3-7), or npos.
size_t InvalidUtf8At(absl::string_view text);

// Characters of a line up to `at`.
size_t CharactersBefore(absl::string_view line, size_t at);

}  // namespace selvage::client
