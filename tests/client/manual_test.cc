#include "client/language/manual.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

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
