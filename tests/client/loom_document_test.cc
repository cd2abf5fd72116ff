// The stack that a loom is open on: who may change the file, and what is kept of it.
#include "client/loom/document.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <filesystem>
#include <fstream>
#include <thread>

#include "client/loom/json_reader.h"

namespace selvage::client {
namespace {

namespace fs = std::filesystem;
using ::testing::HasSubstr;

constexpr char kText[] = R"(name: "shot"  # slate
frames { first: 1 last: 5 }
pass { name: "grey" step { flood { color: [0.1, 0.1, 0.1] } } }
)";

class LoomDocument : public ::testing::Test {
 protected:
  LoomDocument() {
    std::string name = fs::temp_directory_path() / "selvage-loom-XXXXXX";
    EXPECT_NE(::mkdtemp(name.data()), nullptr) << name;
    folder_ = name;
    path_ = (folder_ / "t.stack").string();
    Write(kText);
  }
  ~LoomDocument() override { fs::remove_all(folder_); }

  void Write(const std::string& text) const { std::ofstream(path_, std::ios::binary) << text; }
  std::string Read() const {
    std::ifstream in(path_, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
  }
  static absl::Status Edit(Document& document, const std::string& edits, const std::string& more = "") {
    return document.Edit(*ReadJson("{\"digest\":\"" + document.digest() + "\"," + more + "\"edits\":[" + edits + "]}"));
  }
  // Polls until the document is another one; false after some seconds.
  static bool Changes(Document& document) {
    for (int i = 0; i < 500; ++i) {
      if (document.Poll()) return true;
      std::this_thread::sleep_for(std::chrono::milliseconds(10));
    }
    return false;
  }

  fs::path folder_;
  std::string path_;
};

constexpr char kLast[] = R"({"kind":"set","path":"frames.last","value":7})";

TEST_F(LoomDocument, WritesAnEditAndTakesItBack) {
  Document document(path_);
  ASSERT_EQ(document.state(), Document::kGood);
  ASSERT_TRUE(Edit(document, kLast).ok());
  EXPECT_THAT(Read(), HasSubstr("last: 7 }"));
  ASSERT_TRUE(document.Undo(document.digest()).ok());
  EXPECT_EQ(Read(), kText);
  EXPECT_TRUE(absl::IsNotFound(document.Undo(document.digest())));
  ASSERT_TRUE(document.Redo(document.digest()).ok());
  EXPECT_THAT(Read(), HasSubstr("last: 7 }"));
  EXPECT_FALSE(document.Poll()) << "what it wrote itself is no change from elsewhere";
}

TEST_F(LoomDocument, KeepsByteOrderMarkLineEndsAndPermissions) {
  const std::string text = "\xef\xbb\xbfname: \"shot\"\r\nframes { first: 1 last: 5 }\r\n";
  Write(text);
  ::chmod(path_.c_str(), 0640);
  Document document(path_);
  ASSERT_TRUE(Edit(document, kLast).ok());
  EXPECT_EQ(Read(), "\xef\xbb\xbfname: \"shot\"\r\nframes { first: 1 last: 7 }\r\n");
  struct stat s;
  ASSERT_EQ(::stat(path_.c_str(), &s), 0);
  EXPECT_EQ(s.st_mode & 0777, 0640u);
}

TEST_F(LoomDocument, WritesThroughALink) {
  const std::string link = (folder_ / "link.stack").string();
  fs::create_symlink(path_, link);
  Document document(link);
  ASSERT_TRUE(Edit(document, kLast).ok());
  EXPECT_TRUE(fs::is_symlink(link));
  EXPECT_THAT(Read(), HasSubstr("last: 7 }"));
}

TEST_F(LoomDocument, NeverWritesOverWhatAnotherProgramSaved) {
  Document document(path_);
  const std::string old = document.digest();
  Write(std::string(kText) + "note: \"by hand\"\n");
  const absl::Status refused = Edit(document, kLast);
  EXPECT_TRUE(absl::IsAborted(refused)) << refused;
  EXPECT_THAT(Read(), HasSubstr("by hand"));
  EXPECT_THAT(Read(), HasSubstr("last: 5"));
  // It has the new text now, and goes on from there.
  EXPECT_NE(document.digest(), old);
  ASSERT_TRUE(Edit(document, kLast).ok());
  EXPECT_THAT(Read(), HasSubstr("by hand"));
}

TEST_F(LoomDocument, FollowsAnEditorAndCanTakeItsSaveBack) {
  Document document(path_);
  Write(std::string(kText) + "note: \"by hand\"\n");
  ASSERT_TRUE(Changes(document));
  EXPECT_THAT(document.Json(), HasSubstr("saved elsewhere"));
  ASSERT_TRUE(document.Undo(document.digest()).ok());
  EXPECT_EQ(Read(), kText);
}

TEST_F(LoomDocument, OneGroupIsOneStep) {
  Document document(path_);
  for (int v = 6; v < 9; ++v) {
    ASSERT_TRUE(Edit(document, R"({"kind":"set","path":"frames.last","value":)" + std::to_string(v) + "}",
                     "\"group\":\"drag\",")
                    .ok());
  }
  ASSERT_TRUE(document.Undo(document.digest()).ok());
  EXPECT_EQ(Read(), kText);
}

TEST_F(LoomDocument, AFaultyTextIsShownAndCanBeMendedButNotEditedByPath) {
  Document document(path_);
  Write("name: \"shot\"\nframes { first: one last: 5 }\n");
  ASSERT_TRUE(Changes(document));
  EXPECT_EQ(document.state(), Document::kFaulty);
  ASSERT_NE(document.good(), nullptr);
  EXPECT_EQ(document.good()->stack().pass_size(), 1) << "the last good stack is still there";
  EXPECT_THAT(document.Json(), HasSubstr("\"line\":2"));
  EXPECT_THAT(std::string(Edit(document, kLast).message()), HasSubstr("has faults"));
  ASSERT_TRUE(Edit(document, R"({"kind":"replace","offset":29,"length":3,"text":"1"})").ok());
  EXPECT_EQ(document.state(), Document::kGood);
}

TEST_F(LoomDocument, EditsByPathNeverLeaveATextThatCannotBeRead) {
  Document document(path_);
  const absl::Status refused =
      Edit(document, std::string(kLast) + R"(,{"kind":"set","path":"pass[0].step[0].flood.colour","value":1})");
  EXPECT_FALSE(refused.ok());
  EXPECT_EQ(Read(), kText) << "all of them or none";
}

TEST_F(LoomDocument, AFileThatGoesAwayLosesNothing) {
  Document document(path_);
  fs::rename(path_, path_ + ".away");
  ASSERT_TRUE(Changes(document));
  EXPECT_EQ(document.state(), Document::kUnreadable);
  EXPECT_THAT(document.Json(), HasSubstr("not there any more"));
  EXPECT_THAT(document.Json(), HasSubstr("flood")) << "what was there is still shown";
  EXPECT_TRUE(absl::IsUnavailable(Edit(document, kLast)));
  fs::rename(path_ + ".away", path_);
  ASSERT_TRUE(Changes(document));
  EXPECT_EQ(document.state(), Document::kGood);
  ASSERT_TRUE(Edit(document, kLast).ok());
}

TEST_F(LoomDocument, ATextThatIsTooLargeIsSaidInWords) {
  Document document(path_);
  fs::resize_file(path_, 200u << 20);
  ASSERT_TRUE(Changes(document));
  EXPECT_EQ(document.state(), Document::kUnreadable);
  EXPECT_THAT(document.Json(), HasSubstr("200 MiB is too large for a stack; at most 15 MiB"));
}

TEST_F(LoomDocument, NeverGoesBackBeforeTheFirstText) {
  fs::resize_file(path_, 200u << 20);
  Document document(path_);
  EXPECT_EQ(document.state(), Document::kUnreadable);
  Write(kText);
  ASSERT_TRUE(Changes(document));
  EXPECT_TRUE(absl::IsNotFound(document.Undo(document.digest())));
  EXPECT_EQ(Read(), kText);
}

TEST_F(LoomDocument, WhatAnotherProgramWritesAllTheTimeIsOneStep) {
  Document document(path_);
  for (int i = 0; i < 5; ++i) {
    Write(std::string(kText) + "note: \"" + std::to_string(i) + "\"\n");
    ASSERT_TRUE(Changes(document));
  }
  ASSERT_TRUE(document.Undo(document.digest()).ok());
  EXPECT_EQ(Read(), kText);
}

TEST_F(LoomDocument, ASubmittedStackIsReadOnly) {
  Stack stack;
  stack.set_name("shot");
  Document document("shot.stack", stack);
  EXPECT_EQ(document.state(), Document::kGood);
  EXPECT_TRUE(absl::IsFailedPrecondition(Edit(document, kLast)));
}

// What stands behind `"mark":` of the block with this name.
std::string MarkIn(const std::string& json, const std::string& name) {
  const size_t block = json.find("{\"name\":\"" + name + "\"");
  const size_t mark = json.find("\"mark\":\"", block) + 8;
  return block == std::string::npos ? "" : json.substr(mark, json.find('"', mark) - mark);
}

TEST_F(LoomDocument, AMarkIsAnotherOneWhereTheBlockIsAndNowhereElse) {
  Write(R"(name: "marks"
frames { first: 1 last: 5 }
pass { name: "one" step { flood { color: [0.1, 0.1, 0.1] } } }
pass { name: "two" from: "one" step { grade { stops: 1 } } }
)");
  Document document(path_);
  const std::string before = document.Json();
  ASSERT_EQ(MarkIn(before, "one").size(), 16u) << before;
  EXPECT_NE(MarkIn(before, "one"), MarkIn(before, "two"));
  ASSERT_TRUE(Edit(document, R"({"kind":"set","path":"pass[0].step[0].flood.color","value":[0.2,0.1,0.1]})").ok());
  const std::string after = document.Json();
  EXPECT_NE(MarkIn(after, "one"), MarkIn(before, "one"));
  EXPECT_EQ(MarkIn(after, "two"), MarkIn(before, "two"));
  // A note is no other picture.
  ASSERT_TRUE(Edit(document, R"({"kind":"set","path":"pass[0].note","value":"brighter"})").ok());
  EXPECT_EQ(MarkIn(document.Json(), "one"), MarkIn(after, "one"));
}

TEST_F(LoomDocument, OfALongTextAPageHasTheBeginning) {
  std::string text = "name: \"long\"\nframes { first: 1 last: 5 }\nmask { name: \"m\" shape { path: \"M 0 0";
  for (int i = 0; i < 300'000; ++i) text += " L " + std::to_string(i % 977) + " 5";
  text += " Z\" } }\n# \u00e4\n";
  ASSERT_GT(text.size(), size_t{2} << 20);
  Write(text);
  Document document(path_);
  ASSERT_EQ(document.state(), Document::kGood);
  EXPECT_LT(document.Json().size(), size_t{100'000});
  EXPECT_THAT(document.Json(), HasSubstr("\"whole\":false,\"bytes\":" + std::to_string(text.size())));
  EXPECT_THAT(document.Json(), HasSubstr("\"long\":"));
  // All of it when it is asked for, and nothing of it is lost by an edit.
  EXPECT_GT(document.TextJson().size(), text.size());
  ASSERT_TRUE(Edit(document, kLast).ok());
  text.replace(text.find("last: 5"), 7, "last: 7");
  EXPECT_TRUE(Read() == text);
}

TEST_F(LoomDocument, ManyPassesAndPointsAreShown) {
  std::string text = "name: \"many\"\nframes { first: 1 last: 5 }\nmask { name: \"m\" shape { path: \"M 0 0";
  for (int i = 0; i < 10'000; ++i) text += " L " + std::to_string(i % 977) + " " + std::to_string(i % 541);
  text += " Z\" } }\n";
  for (int i = 0; i < 4096; ++i) {
    text += "pass { name: \"p" + std::to_string(i) + "\" from: \"" +
            (i == 0 ? std::string("m") : "p" + std::to_string(i - 1)) + "\" step { levels { black: 0.1 } } }\n";
  }
  Write(text);
  Document document(path_);
  ASSERT_EQ(document.state(), Document::kGood);
  EXPECT_THAT(document.Json(), HasSubstr("\"p4095\""));
  ASSERT_TRUE(Edit(document, R"({"kind":"set","path":"pass[4000].step[0].levels.black","value":0.2})").ok());
  EXPECT_EQ(document.good()->stack().pass(4000).step(0).levels().black().value(), 0.2);
}

}  // namespace
}  // namespace selvage::client
