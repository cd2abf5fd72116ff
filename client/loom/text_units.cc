#include "client/loom/text_units.h"

#include <algorithm>

namespace selvage::client {
namespace {

constexpr size_t kEvery = 256;

// Units of the character that begins with this byte; 0 for a byte inside of one.
size_t UnitsOf(char c) {
  const auto byte = static_cast<unsigned char>(c);
  return (byte & 0xc0) == 0x80 ? 0 : byte >= 0xf0 ? 2 : 1;
}

}  // namespace

TextUnits::TextUnits(absl::string_view text) : text_(text) {
  ascii_ = std::all_of(text.begin(), text.end(), [](char c) { return static_cast<unsigned char>(c) < 0x80; });
  units_ = text.size();
  if (ascii_) return;
  units_ = 0;
  for (size_t i = 0; i < text.size(); ++i) {
    if (i % kEvery == 0) marks_.push_back(units_);
    units_ += UnitsOf(text[i]);
  }
}

size_t TextUnits::UnitsAt(size_t byte) const {
  byte = std::min(byte, text_.size());
  if (ascii_ || byte == text_.size()) return ascii_ ? byte : units_;
  size_t units = marks_[byte / kEvery];
  for (size_t i = byte / kEvery * kEvery; i < byte; ++i) units += UnitsOf(text_[i]);
  return units;
}

size_t TextUnits::ByteAt(size_t unit) const {
  if (ascii_) return std::min(unit, text_.size());
  if (unit >= units_) return text_.size();
  const auto mark = std::upper_bound(marks_.begin(), marks_.end(), unit);
  size_t byte = static_cast<size_t>(mark - marks_.begin() - 1) * kEvery;
  size_t units = *std::prev(mark);
  for (size_t i = byte; i < text_.size() && units <= unit; ++i) {
    if (UnitsOf(text_[i]) > 0) byte = i;
    units += UnitsOf(text_[i]);
  }
  return byte;
}

}  // namespace selvage::client
