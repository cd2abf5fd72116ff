// One field in the manual: its type, range, unit and default in words.
#pragma once

#include <string>

#include "google/protobuf/descriptor.h"
#include "google/protobuf/repeated_field.h"

namespace selvage::client {

// "number (can be animated)", "MAX | MIN | ADD", "name of a plate, mask or pass: matte".
std::string TypeInWords(const google::protobuf::FieldDescriptor* field);
// "black  number (can be animated), -10 to 10, default 0".
std::string FieldLine(const google::protobuf::FieldDescriptor* field);
// The fields of a message, each with its comment and choices, and those of the
// messages inside.
std::string FieldLines(const google::protobuf::Descriptor* type, const std::string& indent);
// A field's comment, its choices and the fields inside it, but not its line.
std::string FieldBody(const google::protobuf::FieldDescriptor* field, const std::string& indent, int depth);

// "matte, straight colour".
std::string KindsInWords(const google::protobuf::RepeatedField<int>& kinds);
// Every line moved in.
std::string Indented(const std::string& text, const std::string& indent);

}  // namespace selvage::client
