// The comments of proto/, which are the manual: they travel inside the program.
#pragma once

#include <string>

#include "google/protobuf/descriptor.h"

namespace selvage::client {

// "" where there is none.
std::string DescriptionOf(const google::protobuf::Descriptor* message);
std::string DescriptionOf(const google::protobuf::FieldDescriptor* field);
std::string DescriptionOf(const google::protobuf::EnumDescriptor* type);
std::string DescriptionOf(const google::protobuf::EnumValueDescriptor* value);

// Without its full stop, on one line.
std::string FirstSentence(const std::string& text);

}  // namespace selvage::client
