#include "client/stack_arguments.h"

#include <CLI/CLI.hpp>

namespace selvage::client {

void StackArguments::Declare(CLI::App* app) {
  app->add_option("STACK", stack, "The stack file")->required();
  DeclareChanges(app);
}

void StackArguments::DeclareChanges(CLI::App* app) {
  app->add_option("--set", set,
                  "Change one value for this run: PASS.OPERATOR.FIELD=VALUE, as in comp_grade.grade.stops=0.3. "
                  "core.levels[2].white=0.8 is the second levels of the pass; @1020 behind the field changes the key "
                  "frame at 1020 of a value that has key frames; frames.last=1010 shortens the shot. May be repeated")
      ->type_name("PATH=VALUE")
      ->allow_extra_args(false);
  app->add_option("--scale", scale,
                  "Work at 1/2, 1/4 or 1/8 of the size for this run, to see results sooner; the stack stays written as "
                  "for the full size. 1 is the full size")
      ->type_name("1/N")
      ->check(CLI::IsMember({"1", "1/2", "1/4", "1/8"}));
}

std::vector<std::string> StackArguments::Changes() const {
  std::vector<std::string> changes = set;
  if (!scale.empty()) changes.push_back("proxy=" + scale.substr(scale.rfind('/') + 1));
  return changes;
}

}  // namespace selvage::client
