// JSON in one pass, for answers of megabytes.
#pragma once

#include <cstdint>
#include <string>

#include "absl/strings/string_view.h"

namespace selvage::client {

// The shortest digits that read back as the same number. REQUIRES: finite.
std::string ShortestNumber(double value);

// Commas come by themselves. Nothing checks that what is opened is closed.
class JsonWriter {
 public:
  JsonWriter& Object() { return Open('{'); }
  JsonWriter& EndObject() { return Close('}'); }
  JsonWriter& Array() { return Open('['); }
  JsonWriter& EndArray() { return Close(']'); }
  JsonWriter& Key(absl::string_view name);

  JsonWriter& Text(absl::string_view value);
  // null where it is not finite.
  JsonWriter& Number(double value);
  JsonWriter& Whole(int64_t value);
  JsonWriter& Bool(bool value) { return Raw(value ? "true" : "false"); }
  // Is JSON already.
  JsonWriter& Raw(absl::string_view json);

  JsonWriter& Text(absl::string_view name, absl::string_view value) { return Key(name).Text(value); }
  JsonWriter& Number(absl::string_view name, double value) { return Key(name).Number(value); }
  JsonWriter& Whole(absl::string_view name, int64_t value) { return Key(name).Whole(value); }
  JsonWriter& Bool(absl::string_view name, bool value) { return Key(name).Bool(value); }
  JsonWriter& Raw(absl::string_view name, absl::string_view json) { return Key(name).Raw(json); }

  const std::string& text() const { return out_; }
  std::string Take() { return std::move(out_); }

 private:
  JsonWriter& Open(char c);
  JsonWriter& Close(char c);
  void Separate();

  std::string out_;
  // Something stands before the next member.
  bool comma_ = false;
};

}  // namespace selvage::client
