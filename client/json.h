// JSON for other programs. protobuf's own printer writes 64-bit numbers as
// strings, which no script expects.
#pragma once

#include <string>

#include "google/protobuf/message.h"

namespace selvage::client {

// The message with field names as in the .proto, every number as a number, bytes
// as hexadecimal digits, every field that has no presence also where it is 0 or
// empty; ends in a newline. Numbers that JSON has not (NaN) become null.
std::string Json(const google::protobuf::Message& message);
// The same without the newline, as a value of an object or array.
std::string JsonOf(const google::protobuf::Message& message);

// In quotes.
std::string JsonText(const std::string& text);

// Objects and arrays, in the order in which they are filled; values are JSON.
class JsonObject {
 public:
  JsonObject& Add(const std::string& name, const std::string& value);
  std::string text() const;

 private:
  std::string members_;
};
class JsonArray {
 public:
  JsonArray& Add(const std::string& value);
  std::string text() const;

 private:
  std::string members_;
};

}  // namespace selvage::client
