// The stack file with --set and --scale, as many commands take them.
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
  std::string scale;

  void Declare(CLI::App* app);
  // All but the file.
  void DeclareChanges(CLI::App* app);
  // What is changed for this run, as --set has it.
  std::vector<std::string> Changes() const;
  absl::StatusOr<StackFile> Read() const { return ReadStack(stack, Changes()); }
};

}  // namespace selvage::client
