// What to say of fields that are not there, or not together.
#pragma once

#include <string>
#include <vector>

#include "google/protobuf/descriptor.h"

namespace selvage::client {

// A block around a field, as `levels {`; the whole text has no name.
struct Enclosing {
  const google::protobuf::Descriptor* type;
  std::string name;
};

// `around`: from the whole text inward, at least one.
std::string UnknownField(const std::string& name, const std::vector<Enclosing>& around);

// Two members of a oneof.
std::string TwoOfOne(const google::protobuf::FieldDescriptor* second, const google::protobuf::FieldDescriptor* first,
                     int line_of_first);

// How a field is written: `from: "..."`, `pixels: 2`, `levels { ... }`.
std::string ExampleOf(const google::protobuf::FieldDescriptor* field);

// Names of the fields of a message; of operators only those for stacks.
std::vector<std::string> FieldNames(const google::protobuf::Descriptor* type);

}  // namespace selvage::client
