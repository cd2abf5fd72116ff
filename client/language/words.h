// Words of the stack language that are no operators, for the manual.
#pragma once

#include <string>
#include <vector>

#include "google/protobuf/descriptor.h"

namespace selvage::client {

struct LanguageWord {
  std::string name;
  // Other names that people look for.
  std::vector<std::string> also;
  // One line for the index.
  std::string summary;
  // How it is usually written, where its description speaks of the long form only.
  std::string usually;
  const google::protobuf::Descriptor* message;
  // Blocks of a stack; see WholeStack.
  std::string example;
};

// In the order in which a stack is written.
const std::vector<LanguageWord>& LanguageWords();

}  // namespace selvage::client
