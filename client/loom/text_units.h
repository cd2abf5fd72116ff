// Offsets in bytes, as we count in a text, and in UTF-16 units, as a page does.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "absl/strings/string_view.h"

namespace selvage::client {

class TextUnits {
 public:
  // `text`, in UTF-8, must outlive this.
  explicit TextUnits(absl::string_view text);

  size_t UnitsAt(size_t byte) const;
  // Of a unit inside a character, the character's first byte; behind the end, the end.
  size_t ByteAt(size_t unit) const;
  size_t units() const { return units_; }

 private:
  absl::string_view text_;
  bool ascii_ = true;
  size_t units_ = 0;
  // Units before every 256th byte.
  std::vector<size_t> marks_;
};

}  // namespace selvage::client
