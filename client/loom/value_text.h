// Values from a page as a stack's text has them.
#pragma once

#include <string>

#include "absl/status/statusor.h"
#include "client/loom/json_reader.h"
#include "google/protobuf/descriptor.h"

namespace selvage::client {

// In quotes, escaped.
std::string QuotedText(absl::string_view text);

// The value of a field, of one entry where it is a list: `0.2`, `"plate"`, `MAX`,
// `[0.1, 0.6, 0.2]`, `{ x: 1 y: 2 }`.
// Errors: INVALID_ARGUMENT the value does not fit, in a sentence.
absl::StatusOr<std::string> ValueText(const google::protobuf::FieldDescriptor* field, const JsonValue& value);

// The field with its name; an array for a list gives all entries. What is too long for one
// line lies on several, those behind the first moved in by `indent`.
absl::StatusOr<std::string> FieldText(const google::protobuf::FieldDescriptor* field, const JsonValue& value,
                                      const std::string& indent);

// Errors: INVALID_ARGUMENT with the closest name.
absl::StatusOr<const google::protobuf::FieldDescriptor*> FieldOf(const google::protobuf::Descriptor* type,
                                                                 const std::string& name);

// Red, green and blue of a colour: one number, three, or as web pages have it.
struct ColorValue {
  double rgb[3] = {0, 0, 0};
  // As "#00b140": written as it came.
  bool web = false;
};
absl::StatusOr<ColorValue> ReadColor(const std::string& name, const JsonValue& value);
absl::StatusOr<double> ReadNumber(const std::string& name, const JsonValue& value);

}  // namespace selvage::client
