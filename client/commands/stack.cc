// `selvage stack`: the text of a version, as it was submitted.
#include <CLI/CLI.hpp>
#include <cstdio>

#include "absl/strings/str_cat.h"
#include "client/command.h"
#include "client/connection.h"
#include "client/exit_code.h"
#include "client/json.h"
#include "client/versions.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

class StackText final : public Command {
 public:
  CommandHelp help() const override {
    return {"stack", Group::kResult, "Give back the text of a version of a stack",
            "The file as it was when it was submitted, with its comments. Paths in it are relative to the folder\n"
            "that the file lay in. What --set changed stands at its top as comments.\n"
            "  selvage versions apiary_010\n"
            "  selvage stack apiary_010@3 -o before_lunch.stack\n"
            "  selvage stack apiary_010@last | diff - apiary_010.stack"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("STACK@N", version_, "Stack file or name, and the number of the version")->required();
    app->add_option("--output,-o", output_, "File to write; its folder must be there; default: it is printed")
        ->type_name("FILE");
  }

  absl::Status Run(const Globals& globals) override {
    ASSIGN_OR_RETURN(const VersionName name, ParseVersionName(version_));
    ASSIGN_OR_RETURN(const std::string stack, NameOfStack(name.stack));
    Connection connection(globals);
    ASSIGN_OR_RETURN(const GetVersionReply reply, GetVersion(connection, stack, name.number.value_or(0), true));
    if (!reply.version().has_text()) {
      return absl::NotFoundError(
          absl::StrCat("the text of ", InWords(reply.version()),
                       " was not handed in with it; `selvage compare` can still say what changed"));
    }
    std::string text;
    for (const std::string& set : reply.version().set()) absl::StrAppend(&text, "# submitted with --set ", set, "\n");
    text += reply.text();
    if (!output_.empty()) {
      RETURN_IF_ERROR(WriteFileAtomically(output_, text));
      if (!globals.json) std::printf("%s\n", output_.c_str());
    } else if (!globals.json) {
      std::fputs(text.c_str(), stdout);
    }
    if (globals.json) std::fputs(Json(reply).c_str(), stdout);
    return absl::OkStatus();
  }

 private:
  std::string version_, output_;
};
REGISTER_COMMAND(StackText);

}  // namespace
}  // namespace selvage::client
