#include "client/language/manual.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <map>
#include <set>

#include "client/language/manual_html.h"
#include "client/language/stack_file.h"
#include "proto/catalogue.h"
#include "server/plan/plan.h"

namespace selvage::client {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

TEST(Manual, EveryExampleIsRight) {
  const auto examples = ManualExamples();
  EXPECT_GT(examples.size(), 100u);
  for (const auto& [name, text] : examples) {
    const auto file = StackFile::Parse("/" + name, text);
    ASSERT_TRUE(file.ok()) << file.status() << "\n" << text;
    for (const StackError& e : plan::Validate(file->stack())) {
      ADD_FAILURE() << name << ": " << e.path() << ": " << e.message() << "\n" << text;
    }
  }
}

TEST(Manual, EveryOperatorForStacksHasAPageWithCommentsAndALineInTheIndex) {
  const std::string index = OperatorIndex();
  for (const Operator& op : Operators()) {
    const auto page = OperatorPage(op.name);
    ASSERT_EQ(page.ok(), !op.traits.internal()) << op.name;
    if (!page.ok()) continue;
    EXPECT_THAT(index, HasSubstr("  " + op.name + " "));
    for (int i = 0; i < op.message->field_count(); ++i) EXPECT_THAT(*page, HasSubstr(op.message->field(i)->name()));
    // A page without its comment would be empty above "takes".
    EXPECT_GT(page->find("  takes"), op.name.size() + 30) << op.name;
    EXPECT_THAT(*page, HasSubstr("  example  step { " + op.name));
  }
}

TEST(Manual, TheWholeLanguageHasPagesWithExamples) {
  for (const char* word : {"stack", "frames", "format", "plate", "mask", "shape", "follow", "track", "shutter", "pass",
                           "step", "deliver", "layer", "number", "colour", "color", "screen", "sample"}) {
    const auto page = ManualPage(word);
    ASSERT_TRUE(page.ok()) << page.status();
    EXPECT_THAT(*page, HasSubstr("\nexample\n")) << word;
    EXPECT_THAT(*page, HasSubstr("\nfields\n")) << word;
  }
  // Every choice there is in a stack can be asked for by its field.
  for (const char* field : {"ease", "encoding", "missing", "alpha", "rule", "keep", "hue", "restore"}) {
    const auto page = ManualPage(field);
    ASSERT_TRUE(page.ok()) << page.status();
    EXPECT_THAT(*page, HasSubstr(" | ")) << field;
    EXPECT_THAT(*page, HasSubstr("for example")) << field;
  }
  EXPECT_THAT(*ManualPage("rule"), HasSubstr("in `combine`:"));
  EXPECT_THAT(*ManualPage("rule"), HasSubstr("in `composite`:"));
}

TEST(Manual, SpeaksPlainly) {
  const std::string page = *ManualPage("levels");
  EXPECT_THAT(page, HasSubstr("black  number (can be animated), -10 to 10, default 0"));
  EXPECT_THAT(*ManualPage("choke"), HasSubstr("-200 to 200 px"));
  EXPECT_THAT(*ManualPage("within"), HasSubstr(", required"));
  EXPECT_THAT(*ManualPage("degrain"), HasSubstr("set only one of sample, profile"));
  EXPECT_THAT(*ManualPage("plate"), HasSubstr("LINEAR | SRGB"));
}

TEST(Manual, MisspeltNameSuggestsTheClosest) {
  EXPECT_THAT(std::string(OperatorPage("despil").status().message()), HasSubstr("did you mean \"despill\"?"));
  EXPECT_THAT(std::string(ManualPage("folow").status().message()), HasSubstr("did you mean \"follow\"?"));
  EXPECT_THAT(std::string(ManualPage("encodin").status().message()), HasSubstr("did you mean \"encoding\"?"));
}

std::set<std::string> AllOf(const std::string& text, const std::string& before) {
  std::set<std::string> found;
  for (size_t at = text.find(before); at != std::string::npos; at = text.find(before, at + 1)) {
    const size_t begin = at + before.size();
    found.insert(text.substr(begin, text.find('"', begin) - begin));
  }
  return found;
}

TEST(ManualPages, EveryLinkLeadsSomewhereAndEveryWordHasAPage) {
  const auto list = ManualPages([](const std::string& name) { return name == "pictures/levels-after.png"; });
  EXPECT_EQ(list.front().first, "index.html");
  const std::map<std::string, std::string> pages(list.begin(), list.end());
  EXPECT_EQ(pages.size(), list.size());
  size_t links = 0;
  for (const auto& [name, content] : pages) {
    EXPECT_TRUE(IsManualPage(content)) << name;
    for (const std::string& target : AllOf(content, "href=\"")) {
      ++links;
      const size_t hash = target.find('#');
      const auto page = pages.find(target.substr(0, hash));
      ASSERT_NE(page, pages.end()) << name << ": " << target;
      if (hash == std::string::npos) continue;
      EXPECT_THAT(page->second, HasSubstr("id=\"" + target.substr(hash + 1) + "\"")) << name << ": " << target;
    }
  }
  EXPECT_GT(links, 3000u);
  for (const std::string& word : ManualWords()) ASSERT_TRUE(pages.contains(word + ".html")) << word;
  EXPECT_EQ(AllOf(pages.at("levels.html"), "<img src=\""), std::set<std::string>{"pictures/levels-after.png"});
  EXPECT_TRUE(AllOf(pages.at("choke.html"), "<img src=\"").empty());
  EXPECT_FALSE(IsManualPage("<!DOCTYPE html>\n<html>my own page</html>"));
}

TEST(ManualPages, SayWhatThePagesInTheTerminalSay) {
  const auto list = ManualPages([](const std::string&) { return false; });
  const std::map<std::string, std::string> pages(list.begin(), list.end());
  EXPECT_THAT(pages.at("levels.html"),
              HasSubstr("<code>black</code> <span>number (can be animated), -10 to 10, default 0"));
  EXPECT_THAT(pages.at("degrain.html"), HasSubstr("set only one of sample, profile"));
  EXPECT_THAT(pages.at("combine.html"), HasSubstr("<pre>step { combine { with: &quot;edge&quot; rule: MAX } }</pre>"));
  for (const Operator& op : Operators()) {
    if (op.traits.internal()) continue;
    const std::string& page = pages.at(op.name + ".html");
    for (int i = 0; i < op.message->field_count(); ++i) {
      EXPECT_THAT(page, HasSubstr("<dt id=\"" + op.message->field(i)->name() + "\">")) << op.name;
    }
    // Comments come from many hands: none may end a tag.
    EXPECT_EQ(page.find("<<"), std::string::npos) << op.name;
  }
}

TEST(Manual, JsonHasDescriptionsInAStableOrder) {
  const std::string json = *OperatorsJson("");
  EXPECT_EQ(json, *OperatorsJson(""));
  EXPECT_LT(json.find("\"name\": \"degrain\""), json.find("\"name\": \"levels\""));
  EXPECT_LT(json.find("\"name\": \"levels\""), json.find("\"name\": \"premultiply\""));
  const std::string one = *OperatorsJson("levels");
  EXPECT_THAT(one, HasSubstr("(x - black) / (white - black)"));
  EXPECT_THAT(one, HasSubstr("\"description\": \"Value that becomes 0.\""));
  EXPECT_THAT(one, Not(HasSubstr("degrain")));
  EXPECT_THAT(*ManualJson("plate"), HasSubstr("\"name\": \"missing\""));
  EXPECT_FALSE(OperatorsJson("nothing").ok());
}

}  // namespace
}  // namespace selvage::client
