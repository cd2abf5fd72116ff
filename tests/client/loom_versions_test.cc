// Versions of a stack as the loom gives them back, and looks at one.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include "client/language/stack_changes.h"
#include "client/language/stack_file.h"
#include "client/loom/look_request.h"
#include "client/loom/version_calls.h"

namespace selvage::client {
namespace {

using ::testing::HasSubstr;

constexpr char kText[] = R"(name: "shot"  # slate
frames { first: 1 last: 5 }
plate { name: "plate" files: "/plates/plate.%04d.exr" }
pass {
  name: "graded"
  from: "plate"
  step { grade { stops { value: 0.5 } } }
  step { grade { stops { value: -0.5 } } }
}
pass { name: "again" from: "graded" step { grade { stops { value: 1 } } } }
)";

StackFile File() { return *StackFile::Parse("/shots/shot.stack", kText); }

HttpRequest Request(const std::string& path, std::vector<std::pair<std::string, std::string>> query) {
  HttpRequest request;
  request.path = path;
  request.query = std::move(query);
  return request;
}

TEST(LoomVersions, ATextIsGivenBackAsItWasHandedIn) {
  StackVersion version;
  version.set_number(3);
  version.set_has_text(true);
  EXPECT_EQ(TextOfVersion(version, kText, Stack()), kText);
  version.add_set("graded.grade.stops=2");
  EXPECT_EQ(TextOfVersion(version, kText, Stack()),
            std::string("# submitted with --set graded.grade.stops=2\n") + kText);
}

TEST(LoomVersions, WithoutATextItIsWrittenFromWhatWasRendered) {
  StackVersion version;
  version.set_number(3);
  const std::string text = TextOfVersion(version, "", File().stack());
  EXPECT_THAT(text, HasSubstr("# Version 3, written from what was rendered"));
  const auto read = StackFile::Parse("/elsewhere/other.stack", text);
  ASSERT_TRUE(read.ok()) << read.status();
  EXPECT_TRUE(ChangesOf(File().stack(), read->stack()).empty());
  EXPECT_EQ(read->stack().SerializeAsString(), File().stack().SerializeAsString());
}

TEST(LoomVersions, ANumberIsFromOneOn) {
  EXPECT_EQ(**VersionParameter(Request("/api/look", {{"version", "12"}}), "version"), 12u);
  EXPECT_FALSE(VersionParameter(Request("/api/look", {}), "version")->has_value());
  for (const char* wrong : {"0", "-1", "4294967296", "last", "1.5", "99999999999999999999"}) {
    const auto read = VersionParameter(Request("/api/look", {{"version", wrong}}), "version");
    EXPECT_FALSE(read.ok()) << wrong;
    EXPECT_THAT(std::string(read.status().message()), HasSubstr("\"version\"")) << wrong;
  }
}

TEST(LoomVersions, InAVersionNothingIsTried) {
  const auto look = MakeLookRequest(File().stack(), Request("/api/look", {{"pass", "graded"}, {"frame", "2"}}));
  ASSERT_TRUE(look.ok()) << look.status();
  EXPECT_EQ(look->stack().SerializeAsString(), File().stack().SerializeAsString());
  EXPECT_TRUE(look->has_look());
  const auto tried = MakeLookRequest(
      File().stack(), Request("/api/look", {{"pass", "graded"}, {"frame", "2"}, {"set", "graded.grade.stops=1"}}));
  EXPECT_TRUE(absl::IsInvalidArgument(tried.status()));
}

TEST(LoomLookRequest, ValuesAreThoseOfOnePixel) {
  const auto look =
      MakeLookRequest(File(), Request("/api/values", {{"pass", "graded"}, {"frame", "2"}, {"x", "17"}, {"y", "9"}}));
  ASSERT_TRUE(look.ok()) << look.status();
  EXPECT_EQ(look->sample().box().x(), 17);
  EXPECT_EQ(look->sample().box().y(), 9);
  EXPECT_EQ(look->sample().box().width(), 1u);
  EXPECT_EQ(look->sample().box().height(), 1u);
  EXPECT_FALSE(look->sample().box().has_frame());
  for (const char* y : {"", "9.5", "99999999999"}) {
    EXPECT_TRUE(absl::IsInvalidArgument(
        MakeLookRequest(File(), Request("/api/values", {{"pass", "graded"}, {"frame", "2"}, {"x", "1"}, {"y", y}}))
            .status()))
        << y;
  }
}

TEST(LoomLookRequest, StepsAndWholePassesAreLeftOut) {
  const auto left = [](std::vector<std::string> paths) {
    HttpRequest request = Request("/api/look", {{"pass", "again"}, {"frame", "2"}});
    for (const std::string& path : paths) request.query.push_back({"without", path});
    return MakeLookRequest(File(), request);
  };
  EXPECT_EQ(left({"pass[0].step[1]"})->stack().pass(0).step_size(), 1);
  EXPECT_EQ(left({"pass[0].step[1]"})->stack().pass(0).step(0).grade().stops().value(), 0.5);
  const auto whole = left({"pass[0]", "pass[0].step[0]"});
  ASSERT_TRUE(whole.ok()) << whole.status();
  EXPECT_EQ(whole->stack().pass(0).step_size(), 0);
  EXPECT_EQ(whole->stack().pass(0).from(), "plate");
  EXPECT_EQ(whole->stack().pass(1).step_size(), 1);
  for (const char* wrong :
       {"pass[2]", "pass[0].step[2]", "plate[0]", "pass", "pass[0].step[0].grade", "pass[0].note"}) {
    EXPECT_TRUE(absl::IsInvalidArgument(left({wrong}).status())) << wrong;
  }
}

}  // namespace
}  // namespace selvage::client
