// The stack file and --set, as many commands take them.
#pragma once

#include <string>
#include <vector>

#include "absl/status/statusor.h"
#include "client/language/stack_file.h"

namespace CLI {
class App;
}

namespace selvage::client {

struct StackArguments {
  std::string stack;
  std::vector<std::string> set;

  void Declare(CLI::App* app);
  void DeclareSet(CLI::App* app);
  absl::StatusOr<StackFile> Read() const { return ReadStack(stack, set); }
};

}  // namespace selvage::client
