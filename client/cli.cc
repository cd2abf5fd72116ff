#include "client/cli.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>

#include "absl/strings/match.h"
#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/exit_code.h"
#include "client/faults.h"
#include "client/wrap.h"
#include "google/protobuf/stubs/logging.h"
#include "proto/catalogue.h"

namespace selvage::client {
namespace {

constexpr char kAbout[] = R"(selvage: hand key stacks to the daemon, look at passes, bring frames home.

A first round:
  selvage new --plate plates/apiary_010.%04d.exr -o apiary_010.stack
  selvage check apiary_010.stack
  selvage submit apiary_010.stack --watch
  selvage look apiary_010.stack matte --frame 1012 --as matte -o matte.png
  selvage submit apiary_010.stack --set matte.levels.black=0.06 --watch
  selvage why apiary_010.stack matte --frame 1012
  selvage report last
  selvage fetch --to out

`selvage COMMAND --help` says more of each command, `selvage manual` explains the
language of stacks, `selvage manual despill` one operator.)";

// What an option's text may take of a line of 100.
constexpr size_t kHelpWidth = 66;

std::string Heading(Group group) {
  switch (group) {
    case Group::kStack:
      return "Write a stack";
    case Group::kJob:
      return "Render";
    case Group::kResult:
      return "Look at results";
    case Group::kDaemon:
      return "Daemon and cache";
  }
  return "";
}

class CommandLine {
 public:
  CommandLine() : app_(kAbout, "selvage") {
    app_.footer(kExitCodeHelp);
    app_.require_subcommand(1);
    app_.set_version_flag("--version", "selvage " SELVAGE_VERSION);
    app_.fallthrough();
    app_.get_formatter()->column_width(30);
    app_.add_option(
            "--server", globals_.server,
            "Daemon to talk to (default: SELVAGE_SERVER, else the one of `selvage connect`, else 127.0.0.1:7311)")
        ->type_name("HOST:PORT");
    app_.add_flag("--json", globals_.json, "Print JSON instead of tables, also of faults");
    for (Command* command : Commands()) Add(command);
    WrapOptions(&app_);
  }

  int Run(int argc, char** argv) {
    try {
      app_.parse(argc, argv);
    } catch (const CLI::Success& e) {
      return app_.exit(e);
    } catch (const CLI::ParseError& e) {
      std::string why = Misspelt(argc, argv);
      if (why.empty()) why = MissingValue(argc, argv);
      if (why.empty()) why = InOurWords(e);
      std::fprintf(stderr, "%s\n", why.c_str());
      return kUsage;
    }
    if (chosen_ == nullptr) return kUsage;
    const absl::Status status = chosen_->Run(globals_);
    if (status.ok()) return kOk;
    std::fprintf(stderr, "%s\n", std::string(status.message()).c_str());
    // How a job ended was printed with the job, and what differs with the files.
    if (globals_.json && !absl::IsAborted(status) && !IsDifference(status))
      std::fputs(FailureJson(status).c_str(), stdout);
    return ExitCodeOf(status);
  }

 private:
  void Add(Command* command) {
    const CommandHelp help = command->help();
    CLI::App* parent = help.parent.empty() ? &app_ : app_.get_subcommand(help.parent);
    CLI::App* sub = parent->add_subcommand(help.name, help.summary);
    if (help.parent.empty()) sub->group(Heading(help.group));
    if (!help.details.empty()) sub->footer(help.details);
    // What is chosen last is the innermost: parents are called after their children.
    sub->callback([this, command] { chosen_ = chosen_ == nullptr ? command : chosen_; });
    command->Declare(sub);
    WrapOptions(sub);
  }

  static void WrapOptions(CLI::App* app) {
    for (CLI::Option* option : app->get_options()) option->description(Wrap(option->get_description(), kHelpWidth));
  }

  // "there is no command "submti"; did you mean "submit"?" for the first word that
  // is no command or option; "" if all are known.
  std::string Misspelt(int argc, char** argv) const {
    const CLI::App* at = &app_;
    bool inside = false;
    for (int i = 1; i < argc; ++i) {
      const std::string word = argv[i];
      if (word == "--") return "";
      if (word == "--server") {
        ++i;
      } else if (word.size() > 2 && absl::StartsWith(word, "--")) {
        const std::string name = word.substr(2, word.find('=') - 2);
        const std::vector<std::string> known = OptionsOf(at);
        if (std::find(known.begin(), known.end(), name) != known.end()) continue;
        const std::string closest = ClosestName(name, known);
        return absl::StrCat("there is no option --", name, inside ? absl::StrCat(" for `", at->get_name(), "`") : "",
                            closest.empty() ? "" : absl::StrCat("; did you mean --", closest, "?"), " (`selvage ",
                            inside ? at->get_name() + " " : "", "--help` lists them)");
      } else if (word[0] != '-') {
        std::vector<std::string> known;
        for (const CLI::App* sub : at->get_subcommands({})) known.push_back(sub->get_name());
        if (std::find(known.begin(), known.end(), word) != known.end()) {
          at = at->get_subcommand(word);
          inside = true;
        } else if (!known.empty()) {
          const std::string closest = ClosestName(word, known);
          return absl::StrCat("there is no command \"", inside ? at->get_name() + " " : "", word, "\"",
                              closest.empty() ? "" : absl::StrCat("; did you mean \"", closest, "\"?"),
                              " (`selvage --help` lists them)");
        }
      }
    }
    return "";
  }

  // The innermost command that is named, and how one asks for its help.
  const CLI::App* Named(int argc, char** argv) const {
    const CLI::App* at = &app_;
    for (int i = 1; i < argc; ++i) {
      const auto inside = at->get_subcommands([&](const CLI::App* sub) { return sub->get_name() == argv[i]; });
      if (!inside.empty()) at = inside.front();
    }
    return at;
  }
  std::string SeeHelp(const CLI::App* command) const {
    return absl::StrCat(" (`selvage ", command == &app_ ? "" : command->get_name() + " ", "--help` says more)");
  }

  const CLI::Option* OptionNamed(const CLI::App* command, const std::string& word) const {
    for (const CLI::App* a : {command, static_cast<const CLI::App*>(&app_)}) {
      for (const CLI::Option* option : a->get_options()) {
        if (!option->get_positional() && option->check_name(word)) return option;
      }
    }
    return nullptr;
  }

  // "--frame needs a value, but --as follows" for the first option that has none; "" if all do.
  std::string MissingValue(int argc, char** argv) const {
    const CLI::App* command = Named(argc, argv);
    for (int i = 1; i < argc; ++i) {
      const std::string word = argv[i];
      if (word == "--") return "";
      const CLI::Option* option = word[0] == '-' ? OptionNamed(command, word) : nullptr;
      if (option == nullptr || option->get_items_expected_min() == 0) continue;
      const std::string type = option->get_type_name();
      const std::string needs = absl::StrCat(word, " needs a value", type.empty() ? "" : absl::StrCat(", ", type));
      if (i + 1 == argc) return absl::StrCat(needs, SeeHelp(command));
      const std::string next = argv[++i];
      if (next[0] == '-' && OptionNamed(command, next) != nullptr) {
        return absl::StrCat(needs, ", but ", next, " follows", SeeHelp(command));
      }
    }
    return "";
  }

  // What the library found, without its own way of speaking.
  std::string InOurWords(const CLI::ParseError& e) const {
    const CLI::App* command = &app_;
    while (!command->get_subcommands().empty()) command = command->get_subcommands().front();
    std::string what = e.what();
    const size_t equals = what.find(" = ");
    if (const std::string could_not = "Could not convert: "; absl::StartsWith(what, could_not)) {
      what = what.substr(could_not.size());
      const size_t at = what.find(" = ");
      if (at != std::string::npos) what = absl::StrCat(what.substr(0, at), " cannot be \"", what.substr(at + 3), "\"");
    } else if (absl::EndsWith(what, " is required")) {
      what = absl::StrCat(what.substr(0, what.size() - std::string(" is required").size()), " is missing");
    } else if (const std::string extra = "The following argument"; absl::StartsWith(what, extra)) {
      const size_t colon = what.find(": ");
      what = absl::StrCat("what is meant by ", colon == std::string::npos ? "the rest" : what.substr(colon + 2), "?");
    } else if (equals != std::string::npos) {
      what = absl::StrCat(what.substr(0, equals), " cannot be ", what.substr(equals + 3));
    }
    return absl::StrCat(what, SeeHelp(command));
  }

  // Long names of a command's own options and of those of all commands.
  std::vector<std::string> OptionsOf(const CLI::App* app) const {
    std::vector<std::string> names;
    for (const CLI::App* a : {app, static_cast<const CLI::App*>(&app_)}) {
      for (const CLI::Option* option : a->get_options()) {
        for (const std::string& name : option->get_lnames()) names.push_back(name);
      }
    }
    return names;
  }

  CLI::App app_;
  Globals globals_;
  Command* chosen_ = nullptr;
};

}  // namespace

int RunCommandLine(int argc, char** argv) {
  // Its complaints are not for artists: every fault has words of ours.
  google::protobuf::SetLogHandler(nullptr);
  return CommandLine().Run(argc, argv);
}

}  // namespace selvage::client
