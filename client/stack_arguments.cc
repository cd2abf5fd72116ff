#include "client/stack_arguments.h"

#include <CLI/CLI.hpp>

namespace selvage::client {

void StackArguments::Declare(CLI::App* app) {
  app->add_option("STACK", stack, "The stack file")->required();
  DeclareSet(app);
}

void StackArguments::DeclareSet(CLI::App* app) {
  app->add_option("--set", set,
                  "Change one value for this run: PASS.OPERATOR.FIELD=VALUE, as in comp_grade.grade.stops=0.3. "
                  "core.levels[2].white=0.8 is the second levels of the pass; @1020 behind the field changes the key "
                  "frame at 1020 of a value that has key frames; frames.last=1010 shortens the shot. May be repeated")
      ->type_name("PATH=VALUE")
      ->allow_extra_args(false);
}

}  // namespace selvage::client
