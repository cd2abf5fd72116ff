// `selvage manual`: the language of stacks. Needs no daemon.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_join.h"
#include "client/command.h"
#include "client/language/manual.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class Manual final : public Command {
 public:
  CommandHelp help() const override {
    return {"manual", Group::kStack, "Explain the language of stacks, with examples",
            "  selvage manual           what there is: blocks of a stack, and the operators\n"
            "  selvage manual plate     a page: what it is, its fields, an example that can be copied\n"
            "  selvage manual ease      a field, wherever there is one of that name\n"
            "  selvage manual colour    the ways to write a colour"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("WORD", words_, "A block (plate, mask, follow, ...), an operator, a field");
  }

  absl::Status Run(const Globals& globals) override {
    const std::string word = absl::StrJoin(words_, " ");
    std::string text;
    if (globals.json) {
      ASSIGN_OR_RETURN(text, ManualJson(word));
    } else if (word.empty()) {
      text = ManualIndex();
    } else {
      ASSIGN_OR_RETURN(text, ManualPage(word));
    }
    std::fputs(text.c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::vector<std::string> words_;
};
REGISTER_COMMAND(Manual);

}  // namespace
}  // namespace selvage::client
