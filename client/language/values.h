// Values of fields in a stack file: plain ones, and the short forms of numbers
// and colours.
#pragma once

#include <string>
#include <vector>

#include "client/language/tokens.h"
#include "google/protobuf/descriptor.h"

namespace selvage::client {

class Values {
 public:
  // Both must outlive this.
  Values(Tokens* tokens, FaultSink* faults) : tokens_(tokens), faults_(faults) {}

  // Takes the value of a text, a number, a choice, true or false, or of a list of
  // them. `name`: the field's name as it stands in the text.
  void Plain(const google::protobuf::FieldDescriptor* field, const Token& name, bool colon);
  // Takes what stands for a block: `gamma: 1.2`, `color: [0.1, 0.6, 0.2]`.
  void Short(const google::protobuf::FieldDescriptor* field, const Token& name, bool colon);
  // Takes any one value, if there is one.
  void SkipOne();

  // The text with the choices that were taken as the messages name them.
  std::string Rewritten(absl::string_view text) const;

 private:
  void NeedColon(const google::protobuf::FieldDescriptor* field, const Token& name, bool colon);
  void One(const google::protobuf::FieldDescriptor* field, const Token& name);
  void TextValue(const Token& name);
  void Choice(const google::protobuf::FieldDescriptor* field, const Token& name);
  void Bool(const Token& name);
  void NumberValue(const google::protobuf::FieldDescriptor* field, const Token& name);
  void Triple(const google::protobuf::FieldDescriptor* field, const Token& name);
  void WebColor(const Token& name);
  // Blames the value that comes next, and takes it. A field or brace that comes
  // next is left: then the value is missing.
  void Refuse(const google::protobuf::FieldDescriptor* field, const Token& name, const std::string& wanted);
  bool NumberNext() const;

  struct Rewrite {
    size_t begin, end;
    std::string by;
  };

  Tokens* tokens_;
  FaultSink* faults_;
  std::vector<Rewrite> rewrites_;
};

}  // namespace selvage::client
