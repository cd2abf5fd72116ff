// What the shells themselves make of the scripts. Those that are not installed are skipped.
#include "client/completion.h"

#include <stdlib.h>

#include <cstdio>
#include <fstream>
#include <memory>

#include "absl/strings/str_cat.h"
#include "absl/strings/str_join.h"
#include "absl/strings/str_split.h"
#include "client/cli.h"
#include "client/command.h"
#include "gmock/gmock.h"
#include "gtest/gtest.h"

namespace selvage::client {
namespace {

using ::testing::AllOf;
using ::testing::Contains;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::IsSupersetOf;
using ::testing::Not;

std::string ScriptFor(std::string shell) {
  std::string words[] = {"selvage", "completion", std::move(shell)};
  char* argv[] = {words[0].data(), words[1].data(), words[2].data()};
  ::testing::internal::CaptureStdout();
  EXPECT_EQ(RunCommandLine(3, argv), 0);
  return ::testing::internal::GetCapturedStdout();
}

bool Installed(const std::string& shell) {
  return ::system(absl::StrCat("command -v ", shell, " > /dev/null").c_str()) == 0;
}

// Writes the script and what follows to a file, runs it, gives the lines that it printed.
std::vector<std::string> RunScript(const std::string& shell, const std::string& script) {
  const std::string file = ::testing::TempDir() + "completion." + shell;
  std::ofstream(file) << script;
  std::string said;
  const std::unique_ptr<FILE, int (*)(FILE*)> out(::popen(absl::StrCat(shell, " ", file, " 2>&1").c_str(), "r"),
                                                  ::pclose);
  char part[4096];
  for (size_t n; (n = ::fread(part, 1, sizeof part, out.get())) > 0;) said.append(part, n);
  return absl::StrSplit(said, '\n', absl::SkipEmpty());
}

// What bash offers behind these words.
std::vector<std::string> Offered(const std::string& line) {
  const std::vector<std::string> words = absl::StrSplit(line, ' ');
  return RunScript(
      "bash", absl::StrCat(ScriptFor("bash"), "COMP_WORDS=('", absl::StrJoin(words, "' '"),
                           "')\nCOMP_CWORD=", words.size() - 1, "\n_selvage\nprintf '%s\\n' \"${COMPREPLY[@]}\"\n"));
}

TEST(Completion, BashOffersWhatFits) {
  if (!Installed("bash")) GTEST_SKIP() << "no bash";
  std::vector<std::string> commands;
  for (const Command* c : Commands()) {
    if (c->help().parent.empty()) commands.push_back(c->help().name);
  }
  EXPECT_THAT(Offered("selvage "), IsSupersetOf(commands));
  EXPECT_THAT(Offered("selvage su"), ::testing::ElementsAre("submit"));
  EXPECT_THAT(Offered("selvage submit --wa"), ::testing::ElementsAre("--watch"));
  EXPECT_THAT(Offered("selvage --json submit a.stack --fol"), ::testing::ElementsAre("--follow"));
  EXPECT_THAT(Offered("selvage cache "), IsSupersetOf({"verify", "release", "backup", "--stack"}));
  EXPECT_THAT(Offered("selvage cache verify --sta"), IsEmpty()) << "belongs to `cache`";
  EXPECT_THAT(Offered("selvage look a.stack core --as che"), ::testing::ElementsAre("checker"));
  EXPECT_THAT(Offered("selvage manual desp"), ::testing::ElementsAre("despill"));
  EXPECT_THAT(Offered("selvage look a.stack core -o /et"), Contains("/etc"));
  EXPECT_THAT(Offered("selvage look a.stack core --frame /et"), IsEmpty()) << "a number, no file";
  EXPECT_THAT(Offered("selvage check /et"), Contains("/etc"));
}

TEST(Completion, ZshAndFishReadTheirScripts) {
  const std::string zsh = ScriptFor("zsh"), fish = ScriptFor("fish");
  for (const Command* c : Commands()) {
    EXPECT_THAT(zsh, HasSubstr(c->help().name));
    EXPECT_THAT(fish, HasSubstr(absl::StrCat(" -a ", c->help().name, " -d ")));
  }
  if (!Installed("zsh") || !Installed("fish")) GTEST_SKIP() << "no zsh or no fish";
  // Without a line editor only that it is well formed can be seen.
  EXPECT_THAT(
      RunScript("zsh", absl::StrCat(
                           "_arguments() { print -rl -- \"$@\" }\nwords=(selvage look a.stack '')\nCURRENT=4\n", zsh)),
      AllOf(Contains(HasSubstr("--stops[")), Contains(HasSubstr("--output[")), Not(Contains(HasSubstr("--watch")))));
  const auto offered =
      RunScript("fish", fish +
                            "complete -C 'selvage su'\ncomplete -C 'selvage look a.stack core --as che'\n"
                            "complete -C 'selvage cache ver'\n");
  EXPECT_THAT(offered,
              AllOf(Contains(HasSubstr("submit")), Contains(HasSubstr("checker")), Contains(HasSubstr("verify"))));
}

TEST(Completion, QuotesInHelpStayText) {
  CompletedCommand all{.name = "", .inside = {"say"}};
  CompletedCommand say{.name = "say", .help = "it's `here`: $(date) [x]"};
  say.options.push_back(
      {.names = {"--quote"}, .help = "one's \"own\" $HOME\nand (more)", .takes_value = true, .words = {"a"}});
  for (const auto& [shell, script] :
       {std::pair("bash", BashCompletion({all, say})), std::pair("zsh", ZshCompletion({all, say})),
        std::pair("fish", FishCompletion({all, say}))}) {
    if (!Installed(shell)) continue;
    EXPECT_THAT(RunScript(absl::StrCat(shell, " -n"), script), IsEmpty()) << script;
  }
}

}  // namespace
}  // namespace selvage::client
