// One field in the manual: its type, range, unit and default in words.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "google/protobuf/descriptor.h"
#include "google/protobuf/repeated_field.h"
#include "proto/catalogue.h"

namespace selvage::client {

// "number (can be animated)", "MAX | MIN | ADD", "name of a plate, mask or pass: matte".
std::string TypeInWords(const google::protobuf::FieldDescriptor* field);
// All that is to be said of a field, for whoever sets it in type.
struct FieldText {
  std::string name;
  // "number (can be animated), -10 to 10, default 0".
  std::string what;
  std::string about;
  // Of an enum: the choices that need a word, and the word.
  std::vector<std::pair<std::string, std::string>> choices;
  // Fields of the message that it holds, unless that has a page of its own.
  std::vector<FieldText> inside;
};
FieldText Describe(const google::protobuf::FieldDescriptor* field);

// "black  number (can be animated), -10 to 10, default 0".
std::string FieldLine(const google::protobuf::FieldDescriptor* field);
// The fields of a message, each with its comment and choices, and those of the
// messages inside.
std::string FieldLines(const google::protobuf::Descriptor* type, const std::string& indent);
// A field's comment, its choices and the fields inside it, but not its line.
std::string FieldBody(const FieldText& field, const std::string& indent);

// What an operator takes and gives, and what of a picture it looks at.
std::string TakesInWords(const Operator& op);
std::string GivesInWords(const Operator& op);
std::string ExtentInWords(Extent extent);

// "matte, straight colour".
std::string KindsInWords(const google::protobuf::RepeatedField<int>& kinds);
// Every line moved in.
std::string Indented(const std::string& text, const std::string& indent);

}  // namespace selvage::client
