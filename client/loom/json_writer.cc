#include "client/loom/json_writer.h"

#include <cmath>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_format.h"
#include "client/json.h"

namespace selvage::client {

std::string ShortestNumber(double value) {
  for (int digits = 15;; ++digits) {
    const std::string text = absl::StrFormat("%.*g", digits, value);
    if (digits == 17 || std::strtod(text.c_str(), nullptr) == value) return text;
  }
}

void JsonWriter::Separate() {
  if (comma_) out_ += ',';
  comma_ = true;
}

JsonWriter& JsonWriter::Open(char c) {
  Separate();
  out_ += c;
  comma_ = false;
  return *this;
}

JsonWriter& JsonWriter::Close(char c) {
  out_ += c;
  comma_ = true;
  return *this;
}

JsonWriter& JsonWriter::Key(absl::string_view name) {
  Separate();
  absl::StrAppend(&out_, "\"", name, "\":");
  comma_ = false;
  return *this;
}

JsonWriter& JsonWriter::Text(absl::string_view value) { return Raw(JsonText(std::string(value))); }

JsonWriter& JsonWriter::Number(double value) { return Raw(std::isfinite(value) ? ShortestNumber(value) : "null"); }

JsonWriter& JsonWriter::Whole(int64_t value) { return Raw(absl::StrCat(value)); }

JsonWriter& JsonWriter::Raw(absl::string_view json) {
  Separate();
  absl::StrAppend(&out_, json);
  return *this;
}

}  // namespace selvage::client
