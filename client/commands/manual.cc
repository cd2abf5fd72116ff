// `selvage manual`: the language of stacks. Needs no daemon.
#include <CLI/CLI.hpp>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "client/command.h"
#include "client/exit_code.h"
#include "client/language/manual.h"
#include "client/language/manual_html.h"
#include "client/write_file.h"
#include "proto/status.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;

class Manual final : public Command {
 public:
  CommandHelp help() const override {
    return {"manual", Group::kStack, "Explain the language of stacks, with examples",
            "  selvage manual           what there is: blocks of a stack, and the operators\n"
            "  selvage manual plate     a page: what it is, its fields, an example that can be copied\n"
            "  selvage manual ease      a field, wherever there is one of that name\n"
            "  selvage manual colour    the ways to write a colour\n"
            "  selvage manual --html manual\n"
            "                           all of it as pages for a browser: manual/index.html"};
  }
  void Declare(CLI::App* app) override {
    app->add_option("WORD", words_, "A block (plate, mask, follow, ...), an operator, a field");
    app->add_option("--html", folder_,
                    "Write all of the manual as pages into this folder. Files there that are no pages of the manual "
                    "are not replaced");
  }

  absl::Status Run(const Globals& globals) override {
    const std::string word = absl::StrJoin(words_, " ");
    if (!folder_.empty()) {
      if (!word.empty()) return UsageError("--html writes the whole manual: leave the word out");
      return WritePages();
    }
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
  absl::Status WritePages() const {
    const fs::path folder(folder_);
    const auto pages = ManualPages([&](const std::string& name) {
      std::error_code error;
      return fs::is_regular_file(folder / name, error);
    });
    // Before anything is written.
    for (const auto& [name, content] : pages) {
      const fs::path path = folder / name;
      std::error_code error;
      if (!fs::exists(fs::symlink_status(path, error))) continue;
      std::ifstream file(path, std::ios::binary);
      std::string begin(100, '\0');
      begin.resize(static_cast<size_t>(file.read(begin.data(), 100).gcount()));
      if (IsManualPage(begin)) continue;
      return absl::AlreadyExistsError(
          absl::StrCat(path.string(), " is there and is no page of this manual; name another folder"));
    }
    RETURN_IF_ERROR(MakeFolderOf((folder / "index.html").string()).status());
    for (const auto& [name, content] : pages) RETURN_IF_ERROR(WriteFileAtomically((folder / name).string(), content));
    std::printf("%s\n", (folder / "index.html").string().c_str());
    return absl::OkStatus();
  }

  std::vector<std::string> words_;
  std::string folder_;
};
REGISTER_COMMAND(Manual);

}  // namespace
}  // namespace selvage::client
