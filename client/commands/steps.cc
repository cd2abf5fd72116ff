// `selvage steps`: the operators. Needs no daemon.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "client/command.h"
#include "client/language/manual.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class Steps final : public Command {
 public:
  CommandHelp help() const override {
    return {"steps", Group::kStack, "List the operators, or print the page of one",
            "  selvage steps            a line for each\n"
            "  selvage steps despill    what it does, what it takes and gives, its fields\n"
            "The rest of the language is in `selvage manual`."};
  }
  void Declare(CLI::App* app) override { app->add_option("NAME", name_, "One operator"); }

  absl::Status Run(const Globals& globals) override {
    std::string text;
    if (globals.json) {
      ASSIGN_OR_RETURN(text, OperatorsJson(name_));
    } else if (name_.empty()) {
      text = OperatorIndex();
    } else {
      ASSIGN_OR_RETURN(text, OperatorPage(name_));
    }
    std::fputs(text.c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::string name_;
};
REGISTER_COMMAND(Steps);

}  // namespace
}  // namespace selvage::client
