// What the command line says by itself; no daemon is asked.
#include "client/cli.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>

#include "client/command.h"

namespace selvage::client {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

struct Said {
  int exit_code;
  std::string out, err;
};

Said Say(std::vector<std::string> arguments) {
  arguments.insert(arguments.begin(), {"selvage", "--server", "127.0.0.1:9"});
  std::vector<char*> argv;
  for (std::string& a : arguments) argv.push_back(a.data());
  ::testing::internal::CaptureStdout();
  ::testing::internal::CaptureStderr();
  const int code = RunCommandLine(static_cast<int>(argv.size()), argv.data());
  return {code, ::testing::internal::GetCapturedStdout(), ::testing::internal::GetCapturedStderr()};
}

std::string Write(const std::string& name, const std::string& text) {
  const std::string path = ::testing::TempDir() + name;
  std::ofstream(path) << text;
  return path;
}

TEST(CommandLine, EveryCommandIsListedUnderAHeadingAndExplainsItself) {
  const Said all = Say({"--help"});
  EXPECT_EQ(all.exit_code, 0);
  EXPECT_GE(Commands().size(), 19u);
  for (const Command* command : Commands()) {
    const CommandHelp help = command->help();
    EXPECT_FALSE(help.summary.empty());
    EXPECT_FALSE(help.details.empty()) << help.name;
    std::vector<std::string> words = {help.name, "--help"};
    if (!help.parent.empty()) words.insert(words.begin(), help.parent);
    const Said page = Say(words);
    EXPECT_EQ(page.exit_code, 0);
    EXPECT_THAT(page.out, HasSubstr(help.details));
    EXPECT_THAT(help.parent.empty() ? all.out : page.out, HasSubstr(help.name + " "));
  }
  for (const char* part : {"Write a stack", "Render", "Look at results", "Exit codes:", "130  stopped with Ctrl-C"}) {
    EXPECT_THAT(all.out, HasSubstr(part));
  }
}

TEST(CommandLine, MisspeltWordsGetASuggestion) {
  const std::pair<std::vector<std::string>, const char*> kCases[] = {
      {{"submti", "a.stack"}, "there is no command \"submti\"; did you mean \"submit\"?"},
      {{"frobnicate"}, "there is no command \"frobnicate\" (`selvage --help` lists them)"},
      {{"cache", "verfy"}, "there is no command \"cache verfy\"; did you mean \"verify\"?"},
      {{"look", "a.stack", "core", "--farme", "3", "-o", "x.png"},
       "there is no option --farme for `look`; did you mean --frame?"},
      {{"look", "a.stack", "core", "--frame", "3", "--as", "mate", "-o", "x.png"}, "did you mean matte?"},
      {{"new", "--plate", "x", "-o", "y", "--encoding", "sgrb"}, "did you mean srgb?"},
  };
  for (const auto& [words, part] : kCases) {
    const Said said = Say(words);
    EXPECT_EQ(said.exit_code, 2) << part;
    EXPECT_THAT(said.err, HasSubstr(part));
  }
  EXPECT_EQ(Say({"look", "a.stack"}).exit_code, 2);
}

TEST(CommandLine, WhatIsMissingOrMeansNothingIsSaidInPlainWords) {
  const std::pair<std::vector<std::string>, const char*> kCases[] = {
      {{"look", "a.stack", "core", "--frame", "--as", "black", "-o", "x.png"},
       "--frame needs a value, N, but --as follows (`selvage look --help` says more)"},
      {{"look", "a.stack", "core", "-f", "--as", "black", "-o", "x.png"}, "-f needs a value, N, but --as follows"},
      {{"look", "a.stack", "core", "--frame"}, "--frame needs a value, N (`selvage look --help`"},
      {{"why", "a.stack", "core", "--frame", "--json"}, "--frame needs a value, INT, but --json follows"},
      {{"look", "a.stack", "core", "--zoom", "much", "-f", "1"}, "--zoom: Value much not in range 1 to 64"},
      {{"look", "a.stack"}, "is missing (`selvage look --help`"},
      {{"jobs", "these", "those"}, "what is meant by "},
      {{"look", "a.stack", "core", "-f", "1-3", "-o", "x.png"}, "write %04d where the frame number goes"},
      {{"jobs", "--limit", "few"}, "--limit"},
      {{"compare", "a@x", "a@2"}, "a version is a number from 1 on or `last`, as in a@3"},
      {{"compare", "a@1", "a@2", "-o", "x.png"}, "a picture needs --frame and --pass"},
      {{"stack", "a@0"}, "a version is a number from 1 on or `last`"},
  };
  for (const auto& [words, part] : kCases) {
    const Said said = Say(words);
    EXPECT_EQ(said.exit_code, 2) << part;
    EXPECT_THAT(said.err, HasSubstr(part));
    for (const char* never : {"Could not convert", "Run with --help", "required"}) {
      EXPECT_THAT(said.err, Not(HasSubstr(never)));
    }
  }
}

TEST(CommandLine, ALookIsAPngAndSaysSo) {
  const Said said = Say({"look", "a.stack", "core", "--frame", "1", "-o", "x.jpg"});
  EXPECT_EQ(said.exit_code, 2);
  EXPECT_THAT(said.err, HasSubstr("a look is written as PNG; call it x.png"));
}

TEST(CommandLine, FaultsOfAStackAreJsonToo) {
  const std::string stack = Write("faulty.stack", "nam: \"a\"\nframes { first: 1 }\npass { step { levls {} } }\n");
  for (const char* command : {"submit", "check", "plan"}) {
    const Said said = Say({"--json", command, stack});
    EXPECT_EQ(said.exit_code, 1);
    for (const char* part : {"\"line\": 1", "\"line\": 3", "\"column\": 15", "did you mean", "\"exit_code\": 1"}) {
      EXPECT_THAT(said.out, HasSubstr(part));
    }
    EXPECT_THAT(said.err, HasSubstr("faulty.stack:3:15: there is no operator"));
  }
}

TEST(CommandLine, NothingOfTheParserLeaks) {
  const std::string stack =
      Write("leak.stack", "name: \"a\" frames { first: 1 last: 9 }\nplate { name: \"p\" files: \"p.exr\" }\n");
  for (const char* set : {"p.missing=NEVER", "p.name=a\"b\\", "p.frames.first=x", "frames.last=1.5"}) {
    const Said said = Say({"check", stack, "--set", set});
    EXPECT_THAT(said.err, Not(HasSubstr("libprotobuf"))) << set;
    EXPECT_THAT(said.err, Not(HasSubstr("Error parsing"))) << set;
  }
}

}  // namespace
}  // namespace selvage::client
