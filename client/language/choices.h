// Names that a field may hold where it is one of several choices.
#pragma once

#include <string>
#include <vector>

#include "absl/strings/string_view.h"
#include "google/protobuf/descriptor.h"

namespace selvage::client {

// The choices of an enum as one writes them: without the prefix that all of them
// share, as in SRGB for ENCODING_SRGB.
std::vector<std::string> ChoicesOf(const google::protobuf::EnumDescriptor* type);

// The choice that `text` names, in any case, with or without the shared prefix;
// nullptr if there is none.
const google::protobuf::EnumValueDescriptor* FindChoice(const google::protobuf::EnumDescriptor* type,
                                                        absl::string_view text);

// "; did you mean MAX? allowed: MAX, MIN": what to say of a name that is none.
std::string ChoiceHelp(const google::protobuf::EnumDescriptor* type, absl::string_view text);

}  // namespace selvage::client
