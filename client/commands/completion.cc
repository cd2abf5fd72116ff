// `selvage completion`: what a shell needs to complete command lines.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "absl/strings/str_split.h"
#include "client/command.h"
#include "client/completion.h"
#include "client/exit_code.h"
#include "client/language/manual.h"

namespace selvage::client {
namespace {

const char* const kShells[] = {"bash", "zsh", "fish"};

bool IsFile(const std::string& type) { return type == "FILE" || type == "FILES" || type == "DIR" || type == "STACK"; }

CompletedOption Completed(const CLI::Option& option) {
  CompletedOption completed;
  for (const std::string& name : option.get_snames()) completed.names.push_back("-" + name);
  for (const std::string& name : option.get_lnames()) completed.names.push_back("--" + name);
  completed.help = option.get_description();
  completed.takes_value = option.get_items_expected_max() > 0;
  completed.repeats = option.get_expected_max() > 1;
  completed.file = IsFile(option.get_type_name());
  if (absl::StrContains(option.get_type_name(), '|')) completed.words = absl::StrSplit(option.get_type_name(), '|');
  return completed;
}

void Append(CLI::App* app, const std::string& name, std::vector<CompletedCommand>* commands) {
  CompletedCommand command{.name = name, .help = app->get_description()};
  for (const CLI::Option* option : app->get_options()) {
    if (option->get_positional()) {
      // A job or a stack file, a pass: what is no file is not known here.
      command.files |= absl::StartsWith(option->get_name(), "STACK") || option->get_name() == "DIR";
      if (option->get_name() == "WORD") command.words = ManualWords();
      if (option->get_name() == "JOB") command.words = {"last"};
      if (option->get_name() == "SHELL") command.words.assign(std::begin(kShells), std::end(kShells));
    } else {
      command.options.push_back(Completed(*option));
    }
  }
  const auto inside = app->get_subcommands([](const CLI::App*) { return true; });
  for (const CLI::App* sub : inside) command.inside.push_back(sub->get_name());
  commands->push_back(std::move(command));
  for (CLI::App* sub : inside) Append(sub, absl::StrCat(name, name.empty() ? "" : " ", sub->get_name()), commands);
}

class Completion final : public Command {
 public:
  CommandHelp help() const override {
    return {"completion", Group::kDaemon, "Print what a shell needs to complete command lines with Tab",
            "The Debian packages install it. By hand, for the shell that you use:\n"
            "  selvage completion bash > ~/.local/share/bash-completion/completions/selvage\n"
            "  selvage completion zsh > DIR/_selvage    where DIR is a folder in zsh's $fpath\n"
            "  selvage completion fish > ~/.config/fish/completions/selvage.fish"};
  }
  void Declare(CLI::App* app) override {
    app_ = app;
    app->add_option("SHELL", shell_, "bash, zsh or fish")->required();
  }

  absl::Status Run(const Globals&) override {
    CLI::App* root = app_;
    while (root->get_parent() != nullptr) root = root->get_parent();
    std::vector<CompletedCommand> commands;
    Append(root, "", &commands);
    commands.front().help = "";
    std::string script;
    if (shell_ == "bash") {
      script = BashCompletion(commands);
    } else if (shell_ == "zsh") {
      script = ZshCompletion(commands);
    } else if (shell_ == "fish") {
      script = FishCompletion(commands);
    } else {
      return UsageError(absl::StrCat("SHELL is ", shell_, "; bash, zsh and fish are known"));
    }
    std::fputs(script.c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  CLI::App* app_ = nullptr;
  std::string shell_;
};
REGISTER_COMMAND(Completion);

}  // namespace
}  // namespace selvage::client
